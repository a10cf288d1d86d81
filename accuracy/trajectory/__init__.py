"""Comparison of the rig with a reference at the same instant."""
