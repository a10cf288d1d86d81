"""Two plainer heights beside the fitted one: the triangle under the checkpoint, and its neighbours.

They carry the noise of a few points and no remedy for slope; they are printed so that a reader can
see whether the fitted surface says something that the points do not. Pure functions.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import Delaunay, QhullError

from accuracy.model import FloatArray

_NEAREST = 3
_TRIANGULATED = 60
_ON_THE_SIDE = 1e-12
"""Share of a triangle by which rounding may put a point on its side outside."""


def tin_height(east_m: FloatArray, north_m: FloatArray, height_m: FloatArray) -> float | None:
    """Height of the Delaunay triangle over the origin; None where the origin is outside the points.

    Points come nearest first; the nearest sixty hold every triangle that can reach the origin. The
    triangle is looked for here: scipy's interpolator solves a two by two system for each of them through
    the linear algebra library, whose threads wait for one another, up to seconds on a busy machine.
    """
    near = slice(0, _TRIANGULATED)
    points = np.column_stack([east_m[near], north_m[near]])
    try:
        triangles = Delaunay(points).simplices
    except (QhullError, ValueError):
        return None
    east, north = points[triangles].transpose(2, 0, 1)
    following, last = [1, 2, 0], [2, 0, 1]
    # Twice the signed area between the origin and the side opposite each corner.
    area = east[:, following] * north[:, last] - east[:, last] * north[:, following]
    whole = area.sum(axis=1)
    flat = whole == 0
    share = area / np.where(flat, 1.0, whole)[:, None]
    share[flat] = -1.0
    best = int(np.argmax(share.min(axis=1)))
    if share[best].min() < -_ON_THE_SIDE:
        return None
    height = float(share[best] @ height_m[near][triangles[best]])
    return height if np.isfinite(height) else None


def nearest_height(height_m: FloatArray) -> float | None:
    """Median height of the three points nearest to the checkpoint; points come nearest first."""
    if height_m.size == 0:
        return None
    return float(np.median(height_m[:_NEAREST]))
