"""How the checkpoints lie on the ground: along a line, or over an area. Positions in, figures out."""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy.sparse.csgraph import connected_components, dijkstra, minimum_spanning_tree
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.distance import pdist, squareform

from accuracy.model import Distribution, FloatArray, IntArray

SMALLEST_N = 5
"""Fewest places that can show a straight corridor."""
SMALLEST_N_CURVED = 10
"""Fewest places that can tell a winding road from an area."""
ELONGATION_OF_A_LINE = 5.0
"""Length over width from which checkpoints lie along a straight corridor: our judgement."""
PATH_SHARE_OF_A_LINE = 0.90
SMOOTHNESS_OF_A_LINE = 0.88
"""What a winding corridor's spanning tree reaches: the share of its longest path, and that path's
length with its corners cut over its length. Tried on random layouts: a square of 15 or more random
places reaches both in about one of a hundred, rings, bends and S-curves in 98 or more of them."""


def distribution(
    easting_m: FloatArray,
    northing_m: FloatArray,
    *,
    extent_m: tuple[float, float, float, float] | None = None,
) -> Distribution:
    """Describe (n,) positions.

    ``extent_m`` is the data set's (west, south, east, north) where it is known; the diagonal and
    the quadrants are the checkpoints' own otherwise. A point on a dividing line counts as north
    and as east. Below five places, or below ten that do not lie along a straight line, the shape
    is unknown. Places are joined by their minimum spanning tree to tell a winding corridor.
    """
    n = easting_m.size
    if n == 0:
        return Distribution(shape="unknown")
    west, south, east, north = extent_m or (
        float(easting_m.min()),
        float(northing_m.min()),
        float(easting_m.max()),
        float(northing_m.max()),
    )
    # Centred: map coordinates of millions of metres would eat the digits of the hull and axes.
    x_m, y_m = easting_m - easting_m.mean(), northing_m - northing_m.mean()
    shape, along_m = _shape_and_line(x_m, y_m)
    corridor = shape == "corridor" and along_m is not None
    gaps_m = np.diff(np.sort(along_m)) if corridor and along_m is not None else np.empty(0)
    is_east = easting_m >= (west + east) / 2
    is_north = northing_m >= (south + north) / 2
    return Distribution(
        shape=shape,
        length_m=float(gaps_m.sum()) if corridor else None,
        largest_gap_m=float(gaps_m.max()) if corridor else None,
        median_spacing_m=float(np.median(gaps_m)) if corridor else None,
        area_m2=_hull_area_m2(x_m, y_m),
        diagonal_m=float(np.hypot(east - west, north - south)),
        smallest_spacing_m=float(pdist(np.column_stack([x_m, y_m])).min()) if n > 1 else None,
        quadrant_shares=(
            float(np.mean(is_east & is_north)),
            float(np.mean(~is_east & is_north)),
            float(np.mean(~is_east & ~is_north)),
            float(np.mean(is_east & ~is_north)),
        ),
    )


def distance_along_line_m(easting_m: FloatArray, northing_m: FloatArray) -> FloatArray:
    """(n,) distances along the line that the positions follow, or along their longest axis."""
    x_m, y_m = easting_m - easting_m.mean(), northing_m - northing_m.mean()
    along_m = _shape_and_line(x_m, y_m)[1]
    return _principal(x_m, y_m)[0] if along_m is None else along_m


def _shape_and_line(
    x_m: FloatArray, y_m: FloatArray
) -> tuple[Literal["corridor", "area", "unknown"], FloatArray | None]:
    places_m = np.unique(np.column_stack([x_m, y_m]), axis=0)
    if places_m.shape[0] < SMALLEST_N:
        return "unknown", None
    along_m, across_m = _principal(x_m, y_m)
    if np.ptp(along_m) >= ELONGATION_OF_A_LINE * np.ptp(across_m):
        return "corridor", along_m
    if places_m.shape[0] < SMALLEST_N_CURVED:
        return "unknown", None
    path_m, share = _longest_path_m(_one_place_per_station_m(places_m))
    line_m = _cut_corners(_cut_corners(path_m))
    if share < PATH_SHARE_OF_A_LINE or _length_m(line_m) < SMOOTHNESS_OF_A_LINE * _length_m(path_m):
        return "area", None
    return "corridor", _along_path_m(line_m, x_m, y_m)


def _principal(x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Coordinates along and across the principal axis, which points east (or due north)."""
    _, axes = np.linalg.eigh(np.cov(x_m, y_m)) if x_m.size > 1 else (None, np.eye(2))
    long_axis = axes[:, 1]
    if (long_axis[0], long_axis[1]) < (0.0, 0.0):
        long_axis = -long_axis
    return (
        x_m * long_axis[0] + y_m * long_axis[1],
        y_m * long_axis[0] - x_m * long_axis[1],
    )


def _one_place_per_station_m(places_m: FloatArray) -> FloatArray:
    """Places much nearer to each other than the tree's long steps, such as both verges, become one."""
    tree = minimum_spanning_tree(squareform(pdist(places_m)))
    tree.data[tree.data > 0.4 * np.quantile(tree.data, 0.75)] = 0.0
    tree.eliminate_zeros()
    count, station = connected_components(tree, directed=False)
    return np.array([places_m[station == k].mean(axis=0) for k in range(count)])


def _longest_path_m(places_m: FloatArray) -> tuple[FloatArray, float]:
    """The longest path of the minimum spanning tree, and its share of the tree's length.

    Along a line the tree is nearly one path; over an area it branches.
    """
    tree = minimum_spanning_tree(squareform(pdist(places_m)))
    start = int(np.argmax(dijkstra(tree, directed=False, indices=0)))
    far_m: FloatArray
    before: IntArray
    far_m, before, *_ = dijkstra(tree, directed=False, indices=start, return_predecessors=True)
    path = [int(np.argmax(far_m))]
    while path[-1] != start:
        path.append(int(before[path[-1]]))
    return places_m[path], float(np.max(far_m) / tree.sum())


def _cut_corners(line_m: FloatArray) -> FloatArray:
    return np.vstack([line_m[:1], (line_m[:-1] + line_m[1:]) / 2, line_m[-1:]])


def _length_m(line_m: FloatArray) -> float:
    return float(np.hypot(*np.diff(line_m, axis=0).T).sum())


def _along_path_m(line_m: FloatArray, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    """Distance along the line of the nearest place on it, for each position."""
    step_m = np.diff(line_m, axis=0)
    length_m = np.hypot(step_m[:, 0], step_m[:, 1])
    begin_m = np.concatenate([[0.0], np.cumsum(length_m)[:-1]])
    offset_m = np.column_stack([x_m, y_m])[:, None, :] - line_m[None, :-1, :]
    part = np.clip((offset_m * step_m).sum(axis=2) / length_m**2, 0.0, 1.0)
    away_m = offset_m - part[:, :, None] * step_m
    nearest = np.argmin((away_m**2).sum(axis=2), axis=1)
    here: FloatArray = begin_m[nearest] + part[np.arange(x_m.size), nearest] * length_m[nearest]
    return here


def _hull_area_m2(x_m: FloatArray, y_m: FloatArray) -> float | None:
    if x_m.size < 3:
        return None
    try:
        return float(ConvexHull(np.column_stack([x_m, y_m])).volume)  # in the plane, volume is area
    except QhullError:  # all on one straight line
        return 0.0
