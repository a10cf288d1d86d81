"""Where a surface ends or steps near a checkpoint: hull, gaps, kerbs, wall feet, breaks further out.

Pure functions on centred arrays; used by ``surface``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError, cKDTree

from accuracy.matching.correlation import cells
from accuracy.model import BoolArray, FloatArray

BREAK_STEP_M = 0.06
"""Smallest step that is called a break: half a common kerb (judgement)."""

_STEP_DIRECTIONS = 24
_STEP_OFFSETS = 9
_FACE_ABOVE_M = 0.5  # a kerb, a wall's foot; what hangs higher than this covers the ground but ends it not


@dataclass(frozen=True, slots=True)
class Surround:
    """How a layer's points lie around the checkpoint."""

    outside_m: float
    """How far the checkpoint lies outside their convex hull; 0 or less: inside."""
    nearest_m: float
    """Distance to the nearest of them."""


def supported(east_m: FloatArray, north_m: FloatArray, spacing_m: float) -> BoolArray:
    """(n,) points with at least two companions within four spacings: strays make no hull."""
    if east_m.size < 4:
        return np.ones(east_m.size, dtype=bool)
    tree = cKDTree(np.column_stack([east_m, north_m]))
    distance, _ = tree.query(np.column_stack([east_m, north_m]), k=3)
    return np.asarray(distance[:, 2] <= 4 * spacing_m)


def surround(east_m: FloatArray, north_m: FloatArray) -> Surround:
    """Hull and nearest point, seen from the checkpoint at the origin."""
    if east_m.size == 0:
        return Surround(np.inf, np.inf)
    nearest = float(np.min(np.hypot(east_m, north_m)))
    try:
        hull = ConvexHull(np.column_stack([east_m, north_m]))
    except (QhullError, ValueError):
        return Surround(nearest, nearest)
    return Surround(float(np.max(hull.equations[:, 2])), nearest)


def width_and_length(east_m: FloatArray, north_m: FloatArray) -> tuple[float, float]:
    """Standard deviations of a point set along its narrow and its long axis, m."""
    centred = np.column_stack([east_m - np.mean(east_m), north_m - np.mean(north_m)])
    long, narrow = np.linalg.svd(centred, compute_uv=False) / np.sqrt(max(east_m.size, 1))
    return float(narrow), float(long)


def edge_distance(
    east_m: FloatArray,
    north_m: FloatArray,
    above_m: FloatArray,
    on_layer: BoolArray,
    *,
    member_band_m: float,
    cell_m: float,
) -> float | None:
    """Distance to the nearest place where the layer gives way to a step; None if it does not.

    A cell of the plan is broken where the layer's points have run out, or are outnumbered as nowhere
    else, and points just above (a kerb, a wall's foot) or anywhere below (a drop) stand in their
    stead. Points that hang higher than half a metre over the layer cover it and are no edge.

    Args:
        east_m: (n,) offsets from the checkpoint.
        north_m: (n,)
        above_m: (n,) heights above the layer.
        on_layer: (n,) which points are the layer's.
        member_band_m: heights nearer to the layer than this are its own.
        cell_m: side of the cells; a cell should hold half a dozen points.
    """
    stepped = ~on_layer & (np.abs(above_m) > member_band_m) & (above_m < _FACE_ABOVE_M)
    if np.count_nonzero(stepped) < 3:
        return None
    label = cells(east_m, north_m, cell_m)
    own = np.bincount(label, weights=on_layer)
    other = np.bincount(label, weights=stepped, minlength=own.size)
    usual = float(np.median(own[own > 0])) if np.any(own > 0) else 0.0
    heaped = (other >= 2 * usual) & (other >= 3 * np.median(other))  # a wall's face, seen end on
    broken = (other >= 3) & (other > own) & ((own <= 0.25 * usual) | heaped)
    here = stepped & broken[label]
    if not np.any(here):
        return None
    return float(np.min(np.hypot(east_m[here], north_m[here])))


@dataclass(frozen=True, slots=True)
class Cut:
    """A straight edge in plan: points with ``along . (cos, sin) > offset_m`` lie beyond it."""

    azimuth: float
    offset_m: float
    """Distance of the edge from the checkpoint, never negative."""

    def beyond(self, east_m: FloatArray, north_m: FloatArray) -> BoolArray:
        """(n,) which points lie on the far side, seen from the checkpoint."""
        return np.asarray(east_m * np.cos(self.azimuth) + north_m * np.sin(self.azimuth) > self.offset_m)


def strongest_step(
    design: FloatArray, residual_m: FloatArray, east_m: FloatArray, north_m: FloatArray
) -> tuple[Cut, FloatArray, float] | None:
    """The straight step that explains most of what a smooth surface leaves over.

    Every direction and offset is tried: the residuals are regressed on "beyond this line", with the
    surface's own columns taken out of both (Frisch & Waugh 1933).

    Args:
        design: (n, p) columns of the smooth surface.
        residual_m: (n,) residuals about it.
        east_m: (n,)
        north_m: (n,)

    Returns:
        The line, its (n,) column of 0 and 1, and the sum of squares that it explains, m2; None where
        no line leaves enough points on both sides.
    """
    q, _ = np.linalg.qr(design)
    e = residual_m - q @ (q.T @ residual_m)
    n = east_m.size
    reach = float(np.max(np.hypot(east_m, north_m)))
    azimuth = np.repeat(np.arange(_STEP_DIRECTIONS) * 2 * np.pi / _STEP_DIRECTIONS, _STEP_OFFSETS)
    offset = np.tile(np.linspace(0, 0.85, _STEP_OFFSETS) * reach, _STEP_DIRECTIONS)
    for _ in range(2):
        across = np.outer(east_m, np.cos(azimuth)) + np.outer(north_m, np.sin(azimuth))
        beyond = (across > offset).astype(np.float64)
        count = beyond.sum(axis=0)
        fewest = max(5.0, 0.04 * n)
        free = beyond - q @ (q.T @ beyond)
        size = np.sum(free**2, axis=0)
        sound = (count >= fewest) & (n - count >= fewest) & (size > 1e-3 * n)
        if not np.any(sound):
            return None
        explained = np.where(sound, (e @ free) ** 2 / np.maximum(size, 1e-12), -1.0)
        best = int(np.argmax(explained))
        found = Cut(float(azimuth[best]), float(offset[best])), beyond[:, best], float(explained[best])
        # Once more, finely, about the best line.
        turn, slide = np.meshgrid(np.linspace(-0.15, 0.15, 7), np.linspace(-0.1, 0.1, 9) * reach)
        azimuth = (found[0].azimuth + turn).ravel()
        offset = np.maximum(found[0].offset_m + slide, 0.0).ravel()
    return found


def break_distance(
    east_m: FloatArray,
    north_m: FloatArray,
    above_m: FloatArray,
    *,
    within_m: float,
    noise_m: float,
) -> float | None:
    """Distance to the nearest abrupt step out to ``within_m``; None if none is seen.

    Low-lying heights of square cells, detrended by the layer's plane, are compared four in a row:
    ``(h3 - h2) - ((h2 - h1) + (h4 - h3)) / 2`` is zero on any slope and any parabola, and the size of
    the step where one lies between the middle two (computed). Advisory only.
    """
    n = east_m.size
    if n < 16:
        return None
    reach = float(np.max(np.hypot(east_m, north_m)))
    density = n / (np.pi * reach**2)
    side = float(np.clip(np.sqrt(8 / density), 0.25, 1.5))
    far = np.hypot(east_m, north_m)
    ground = np.abs(above_m) <= 0.4 + 0.15 * far
    if np.count_nonzero(ground) < 16:
        return None
    half = int(np.ceil(reach / side)) + 1
    column = np.floor(east_m[ground] / side + 0.5).astype(np.int64) + half
    row = np.floor(north_m[ground] / side + 0.5).astype(np.int64) + half
    width = 2 * half + 2
    label = row * width + column
    order = np.lexsort((above_m[ground], label))
    label_sorted, height_sorted = label[order], above_m[ground][order]
    start = np.flatnonzero(np.concatenate([[True], np.diff(label_sorted) != 0]))
    count = np.diff(np.append(start, label_sorted.size))
    grid = np.full(width * width, np.nan)
    weight = np.zeros(width * width)
    grid[label_sorted[start]] = height_sorted[start + count // 4]
    weight[label_sorted[start]] = count
    grid[weight < 3] = np.nan
    heights, counts = grid.reshape(width, width), np.maximum(weight.reshape(width, width), 1)
    offset = (np.arange(width) - half) * side
    distances = [_drop_distances(east_m, north_m, far, above_m < -0.4 - 0.15 * far, ground, side)]
    for h, c in ((heights, counts), (heights.T, counts.T)):
        h1, h2, h3, h4 = h[:, :-3], h[:, 1:-2], h[:, 2:-1], h[:, 3:]
        step = (h3 - h2) - ((h2 - h1) + (h4 - h3)) / 2
        # A quartile of n normal heights scatters by 1.36 sigma / sqrt(n) (asymptotic theory).
        variance = 2.25 / c[:, 1:-2] + 2.25 / c[:, 2:-1] + 0.25 / c[:, :-3] + 0.25 / c[:, 3:]
        found = np.abs(step) > np.maximum(BREAK_STEP_M, 5 * 1.36 * noise_m * np.sqrt(variance))
        i, j = np.nonzero(found)
        distances.append(np.hypot(offset[i], offset[j + 1] + side / 2))
    nearest = np.concatenate(distances)
    if nearest.size == 0 or float(np.min(nearest)) > within_m:
        return None
    return float(np.min(nearest))


def _drop_distances(
    east_m: FloatArray,
    north_m: FloatArray,
    far_m: FloatArray,
    low: BoolArray,
    ground: BoolArray,
    side_m: float,
) -> FloatArray:
    """Distances of points far below where they have taken the ground's place; strays do not."""
    label = cells(east_m, north_m, side_m)
    below, level = np.bincount(label, weights=low), np.bincount(label, weights=ground)
    taken = (below >= 3) & (below > level)
    return np.asarray(far_m[low & taken[label]])
