"""Boxes of a run -> patches of plane in space, upright ones too, for registration.

After reading.pairs, before registration. Pure numerics.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from accuracy.model import FloatArray, IntArray
from accuracy.reading.pairs import CellTable

_LEAST_SPREAD = 0.12
"""Of the cell's width; an evenly covered one has 0.289 in both directions of its plane."""
_CLEAR_OF_FACE = 4.0
"""Deviations between a plane and the cell's face beside it: nearer, the face cuts its points off."""
_LAYERS = 1024
"""Layers that a code has room for on either side of the origin."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Planes:
    """Patches of plane; arrays are (m,) or (m, 3), offsets from the grid's origin."""

    centre_m: FloatArray
    normal: FloatArray
    tangents: FloatArray
    """(m, 2, 3) unit vectors in the plane."""
    tangent_variance: FloatArray
    """(m, 2) mean square of the points' distances along each, m2."""
    scatter_m: FloatArray
    """Standard deviation of the points about the plane."""
    count: IntArray
    box_code: IntArray
    """(b,) sorted codes of the boxes that the planes occupy."""
    box_plane: IntArray
    """(b,) and the plane in each."""

    def __len__(self) -> int:
        return int(self.count.size)

    def find(self, codes: IntArray) -> IntArray:
        """(n,) which plane lies in each box; -1 for none."""
        if not len(self.box_code):
            return np.full(len(codes), -1, dtype=np.int64)
        at = np.minimum(np.searchsorted(self.box_code, codes), len(self.box_code) - 1)
        return np.asarray(np.where(self.box_code[at] == codes, self.box_plane[at], -1), dtype=np.int64)


def box_codes(table: CellTable, points_m: FloatArray) -> IntArray:
    """(n,) codes of the boxes in which (n, 3) offsets from the origin lie."""
    grid = table.grid
    cell = np.floor(points_m / (grid.cell_m, grid.cell_m, grid.layer_m)).astype(np.int64)
    return _code(*cell.T)


def _code(column: IntArray, row: IntArray, layer: IntArray) -> IntArray:
    return np.asarray(((column + 2**24) << 37) + ((row + 2**24) << 12) + layer + _LAYERS)


def find_planes(table: CellTable, *, least_points: int, roughest_m: float) -> Planes:
    """Orthogonal planes (smallest principal axis) in the boxes of a table, all passes together.

    A plane that lies across two layers is fitted to both at once. Boxes whose points are no plane, lie
    along a line, or are cut off by the face of the box that the plane runs along, give none.
    """
    key, count, sums = _all_passes(table)
    plan = (key[:, :2] + 0.5) * table.grid.cell_m
    # A level plane in the face between two layers belongs to both boxes.
    pair = np.flatnonzero(
        np.all(np.diff(key[:, :2], axis=0) == 0, axis=1) & (np.diff(key[:, 2], axis=0) == 1)
    )
    count = np.concatenate([count, count[pair] + count[pair + 1]])
    sums = np.concatenate([sums, sums[pair] + sums[pair + 1]])
    first = np.concatenate([np.arange(len(key)), pair])
    last = np.concatenate([np.arange(len(key)), pair + 1])
    mean = sums / np.maximum(count, 1)[:, None]
    centre = mean[:, :3]
    second = np.stack([mean[:, [3, 4, 5]], mean[:, [4, 6, 7]], mean[:, [5, 7, 8]]], axis=1)
    values, vectors = np.linalg.eigh(second - centre[:, :, None] * centre[:, None, :])
    values = np.maximum(values, 0)
    scatter = np.sqrt(values[:, 0] * count / np.maximum(count - 3, 1))
    normal = vectors[:, :, 0]
    size = np.array([table.grid.cell_m, table.grid.cell_m, table.grid.layer_m])
    low = np.column_stack([-size[:2] / 2 * np.ones((len(first), 2)), key[first, 2] * size[2]])
    high = np.column_stack([size[:2] / 2 * np.ones((len(first), 2)), (key[last, 2] + 1) * size[2]])
    along = np.argmax(np.abs(normal), axis=1)
    rows = np.arange(len(first))
    # One sign for all that face alike, so that neighbours' distances can be held against each other.
    normal = normal * np.where(normal[rows, along] < 0, -1.0, 1.0)[:, None]
    clear = np.minimum(centre[rows, along] - low[rows, along], high[rows, along] - centre[rows, along])
    good = (count >= least_points) & (scatter <= roughest_m) & (scatter > 0)
    good &= np.sqrt(values[:, 1]) >= _LEAST_SPREAD * table.grid.cell_m
    good &= clear > _CLEAR_OF_FACE * scatter
    good &= (first == last) | (along == 2)
    # The fuller of two planes that claim one box: the pair that holds a face, else the single box.
    box_code, box_plane = _claims(key, first, last, count, good)
    used = np.unique(box_plane)
    number = np.full(len(first), -1, dtype=np.int64)
    number[used] = np.arange(len(used))
    world = centre + np.column_stack([plan[first], np.zeros(len(first))])
    return Planes(
        centre_m=world[used],
        normal=normal[used],
        tangents=np.swapaxes(vectors[used][:, :, 1:], 1, 2),
        tangent_variance=values[used, 1:],
        scatter_m=scatter[used],
        count=count[used],
        box_code=box_code,
        box_plane=number[box_plane],
    )


def _all_passes(table: CellTable) -> tuple[IntArray, IntArray, FloatArray]:
    key = np.column_stack([table.column, table.row, table.layer])
    order = np.lexsort(key.T[::-1])
    key = key[order]
    starts = np.flatnonzero(np.any(np.diff(key, axis=0, prepend=key[:1] - 1) != 0, axis=1))
    count = np.add.reduceat(table.count[order], starts)
    sums = np.add.reduceat(table.moments[order][:, :9], starts, axis=0)
    return key[starts], count, sums


def _claims(
    key: IntArray, first: IntArray, last: IntArray, count: IntArray, good: np.ndarray
) -> tuple[IntArray, IntArray]:
    plane = np.flatnonzero(good)
    boxes = np.concatenate([first[plane], last[plane]])
    planes = np.concatenate([plane, plane])
    # Fullest last, so that it is what remains when each box is assigned in turn.
    order = np.lexsort([count[planes]])
    owner = np.full(len(key), -1, dtype=np.int64)
    owner[boxes[order]] = planes[order]
    claimed = np.flatnonzero(owner >= 0)
    code = _code(*key[claimed].T)
    by_code = np.argsort(code)
    return code[by_code], owner[claimed][by_code]
