"""Before the field: how many checkpoints, where, how accurately surveyed, and what they can decide."""
