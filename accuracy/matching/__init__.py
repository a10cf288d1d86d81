"""From a patch of points and a checkpoint to a residual, or to the reason why there is none."""
