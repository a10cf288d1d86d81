"""The registry of standards."""
