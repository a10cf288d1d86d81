"""Clouds, tables and trajectories in; nouns out."""
