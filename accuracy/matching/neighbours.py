"""Two plainer heights beside the fitted one: the triangle under the checkpoint, and its neighbours.

They carry the noise of a few points and no remedy for slope; they are printed so that a reader can
see whether the fitted surface says something that the points do not. Pure functions.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import QhullError

from accuracy.model import FloatArray

_NEAREST = 3
_TRIANGULATED = 60


def tin_height(east_m: FloatArray, north_m: FloatArray, height_m: FloatArray) -> float | None:
    """Height of the Delaunay triangle over the origin; None where the origin is outside the points.

    Points come nearest first; the nearest sixty hold every triangle that can reach the origin.
    """
    near = slice(0, _TRIANGULATED)
    points = np.column_stack([east_m[near], north_m[near]])
    try:
        height = float(LinearNDInterpolator(points, height_m[near])(0.0, 0.0))
    except (QhullError, ValueError):
        return None
    return height if np.isfinite(height) else None


def nearest_height(height_m: FloatArray) -> float | None:
    """Median height of the three points nearest to the checkpoint; points come nearest first."""
    if height_m.size == 0:
        return None
    return float(np.median(height_m[:_NEAREST]))
