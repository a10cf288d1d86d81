"""Tern Quay: an invented harbour-side road, simulated with its truth beside it."""
