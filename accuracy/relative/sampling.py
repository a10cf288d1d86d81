"""Sums per cell -> the ground plane of each pass in each cell, and which of them are smooth ground.

After reading.pairs, before differences. Pure numerics: tables in, arrays out. Whether a place is taken
depends on each pass alone, never on how far two passes lie apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from accuracy.model import FloatArray, IntArray
from accuracy.reading.pairs import CellTable


class Fault(IntEnum):
    """Why a cell's surface cannot serve; the worst of two passes is what is counted."""

    NONE = 0
    ROUGH = 1
    STEEP = 2
    LOPSIDED = 3
    TOO_FEW = 4


FAULT_WORDS = {
    Fault.ROUGH: "rough, or not one smooth surface",
    Fault.STEEP: "steeper than the limit",
    Fault.LOPSIDED: "points on one side of the cell only",
    Fault.TOO_FEW: "too few points",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceSettings:
    """What counts as a place of hard, smooth, gently sloping ground."""

    cell_m: float = 1.0
    least_points: int = 8
    """In each pass and cell. Five degrees of freedom are the fewest that still tell a scatter."""
    steepest_percent: float = 10.0
    """The slope up to which the standards want vertical tests to be made."""
    roughest_m: float | None = None
    """Largest standard deviation about the plane. None takes twice that of the smoothest fifth of the
    cells, and never more than ``roughest_ever_m`` (common practice, no source)."""
    roughest_ever_m: float = 0.08
    time_bin_s: float = 20.0
    another_surface_m: float = 0.5
    """Places further apart than this show two things, not one surface twice (a car's roof)."""
    most_boxes: int = 150_000
    map_places: int = 400


# A uniformly covered cell has a spread of 0.289 of its width in every direction.
_LEAST_SPREAD = 0.12
_MOST_LAYERS = 2
_CLEAR_COURSE = 0.5
"""Share of the times' variance that their run across the cell must explain to show a direction."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PassCells:
    """The lowest surface in each cell as each pass saw it; arrays are (m,), sorted by cell and pass."""

    column: IntArray
    row: IntArray
    source: IntArray
    time_s: FloatArray
    """Mean time of the points, as the file counts."""
    count: IntArray
    x_m: FloatArray
    """Centroid: x and y from the cell's centre, z from the grid's origin."""
    y_m: FloatArray
    z_m: FloatArray
    slope_x: FloatArray
    slope_y: FloatArray
    roughness_m: FloatArray
    """Standard deviation about the plane, n - 3."""
    spread: FloatArray
    """(m, 3) sums of squares about the centroid: xx, xy, yy."""
    travel: FloatArray
    """(m, 2) unit vector of travel, from how the times run across the cell; zero where unknown."""
    fault: IntArray
    layers: IntArray
    """(m, 2) first and last layer of the surface."""

    def __len__(self) -> int:
        return int(self.count.size)

    @property
    def slope_percent(self) -> FloatArray:
        """Steepest slope of the plane."""
        return np.asarray(100 * np.hypot(self.slope_x, self.slope_y))

    def take(self, index: IntArray) -> PassCells:
        """The rows of ``index``."""
        return PassCells(**{name: getattr(self, name)[index] for name in self.__slots__})


def pass_cells(table: CellTable, settings: PlaceSettings) -> PassCells:
    """Join boxes into passes (times without a gap) and surfaces (layers without a gap); fit planes.

    The lowest surface with enough points counts: what hangs above it, a canopy or a bridge, does not
    disturb it. Roughness is not judged here, because its limit may depend on all runs together.
    """
    cell, pass_number = _passes(table)
    order = np.lexsort([table.layer, pass_number, cell])
    key = np.column_stack([cell, pass_number, table.layer])[order]
    step = np.diff(key, axis=0, prepend=key[:1] - 2)
    new_pass = np.any(step[:, :2] != 0, axis=1)
    starts = np.flatnonzero(new_pass | (step[:, 2] > 1))
    count = np.add.reduceat(table.count[order], starts) if len(starts) else table.count[:0]
    moments = np.add.reduceat(_same_zero(table, pass_number)[order], starts, axis=0)
    stops = np.append(starts[1:], len(order))
    layers = np.column_stack([key[starts, 2], key[stops - 1, 2]])
    chosen = _lowest(np.cumsum(new_pass)[starts] - 1, count, settings.least_points)
    first = order[starts[chosen]]
    return _fit(table, first, count[chosen], moments[chosen], layers[chosen], settings)


def _passes(table: CellTable) -> tuple[IntArray, IntArray]:
    """(m,) numbers of cell, and of pass within the table: a gap in a cell's times begins another."""
    key = np.column_stack([table.column, table.row, table.source, table.time_bin])
    step = np.diff(key, axis=0, prepend=key[:1] - 2)
    new_cell = np.any(step[:, :2] != 0, axis=1)
    new_pass = new_cell | (step[:, 2] != 0) | (step[:, 3] > 1)
    return np.cumsum(new_cell) - 1, np.cumsum(new_pass) - 1


def _same_zero(table: CellTable, pass_number: IntArray) -> FloatArray:
    """Moments with the times of each pass counted from its first bin, so that they can be added."""
    moments = table.moments.copy()
    if len(moments):
        begin = np.flatnonzero(np.diff(pass_number, prepend=-1))
        later = (table.time_bin - table.time_bin[begin][pass_number]) * table.grid.time_bin_s
        moments[:, 12] += later * (2 * moments[:, 9] + later * table.count)
        moments[:, 9] += later * table.count
        moments[:, 10] += later * moments[:, 0]
        moments[:, 11] += later * moments[:, 1]
    return moments


def _lowest(pass_number: IntArray, count: IntArray, least: int) -> IntArray:
    """Of each pass the lowest surface with enough points, else the fullest one."""
    enough = count >= least
    order = np.lexsort([np.where(enough, 0, -count), ~enough, pass_number])
    _, first = np.unique(pass_number[order], return_index=True)
    return np.asarray(order[first], dtype=np.int64)


def _fit(
    table: CellTable,
    first: IntArray,
    count: IntArray,
    moments: FloatArray,
    layers: IntArray,
    settings: PlaceSettings,
) -> PassCells:
    n = np.maximum(count, 1)[:, None]
    mean = moments / n
    x, y, z, t = mean[:, 0], mean[:, 1], mean[:, 2], mean[:, 9]
    size = n[:, 0]
    xx, xy, xz, yy, yz, zz, xt, yt = (
        size * (mean[:, k] - a * b)
        for k, a, b in (
            (3, x, x), (4, x, y), (5, x, z), (6, y, y), (7, y, z), (8, z, z), (10, x, t), (11, y, t),
        )
    )  # fmt: skip
    determinant = xx * yy - xy**2
    half, apart = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    narrow = np.sqrt(np.maximum(half - apart, 0) / size)
    lopsided = narrow < _LEAST_SPREAD * table.grid.cell_m
    safe = np.where(lopsided, 1.0, determinant)
    slope_x, slope_y = (yy * xz - xy * yz) / safe, (xx * yz - xy * xz) / safe
    left = np.maximum(zz - slope_x * xz - slope_y * yz, 0)
    roughness = np.sqrt(left / np.maximum(size - 3, 1))
    fault = np.zeros(len(size), dtype=np.int64)
    fault[layers[:, 1] - layers[:, 0] >= _MOST_LAYERS] = Fault.ROUGH
    fault[100 * np.hypot(slope_x, slope_y) > settings.steepest_percent] = Fault.STEEP
    fault[lopsided] = Fault.LOPSIDED
    fault[count < settings.least_points] = Fault.TOO_FEW
    # Times run across a cell as the rig drives by: the gradient points the way it went.
    run = np.column_stack([(yy * xt - xy * yt) / safe, (xx * yt - xy * xt) / safe])
    length = np.hypot(run[:, 0], run[:, 1])
    explained = run[:, 0] * xt + run[:, 1] * yt
    tt = size * (mean[:, 12] - t * t)
    known = (length > 0) & ~lopsided & (explained > _CLEAR_COURSE * tt)
    travel = np.where(known[:, None], run / np.where(known, length, 1.0)[:, None], 0.0)
    return PassCells(
        column=table.column[first],
        row=table.row[first],
        source=table.source[first],
        time_s=_first_bin(table, first) * table.grid.time_bin_s + t,
        count=count,
        x_m=x,
        y_m=y,
        z_m=z,
        slope_x=slope_x,
        slope_y=slope_y,
        roughness_m=roughness,
        spread=np.column_stack([xx, xy, yy]),
        travel=travel,
        fault=fault,
        layers=layers,
    )


def _first_bin(table: CellTable, rows: IntArray) -> IntArray:
    """The time bin from which the times of each row's pass count."""
    _, pass_number = _passes(table)
    begin = np.flatnonzero(np.diff(pass_number, prepend=-1))
    return np.asarray(table.time_bin[begin][pass_number[rows]])


def smoothness_limit(runs: Sequence[PassCells], settings: PlaceSettings) -> float:
    """Roughness up to which a cell is smooth: as set, or twice that of the smoothest fifth."""
    if settings.roughest_m is not None:
        return settings.roughest_m
    usual = np.concatenate([cells.roughness_m[cells.fault == Fault.NONE] for cells in runs])
    if not usual.size:
        return settings.roughest_ever_m
    return float(min(2 * np.quantile(usual, 0.2), settings.roughest_ever_m))


def judge_roughness(cells: PassCells, limit_m: float) -> PassCells:
    """The same cells with those above the limit marked as rough."""
    fault = np.where((cells.fault == Fault.NONE) & (cells.roughness_m > limit_m), Fault.ROUGH, cells.fault)
    values = {name: getattr(cells, name) for name in cells.__slots__}
    return PassCells(**{**values, "fault": fault.astype(np.int64)})


def best_pass(cells: PassCells) -> PassCells:
    """One pass per cell: a sound one before a faulty one, then the one with most points, then the first."""
    order = np.lexsort([cells.time_s, -cells.count, cells.fault, cells.row, cells.column])
    key = np.column_stack([cells.column, cells.row])[order]
    new = np.any(np.diff(key, axis=0, prepend=key[:1] - 1) != 0, axis=1)
    return cells.take(order[new])


def common_cells(a: PassCells, b: PassCells) -> tuple[IntArray, IntArray]:
    """Rows of ``a`` and of ``b`` that speak of the same cell; each must hold a cell once."""
    code_a, code_b = _codes(a), _codes(b)
    _, in_a, in_b = np.intersect1d(code_a, code_b, assume_unique=True, return_indices=True)
    return in_a.astype(np.int64), in_b.astype(np.int64)


def next_passes(cells: PassCells) -> tuple[IntArray, IntArray]:
    """Rows of each pass and of the next one over the same cell."""
    same = (np.diff(cells.column) == 0) & (np.diff(cells.row) == 0)
    before = np.flatnonzero(same)
    return before.astype(np.int64), (before + 1).astype(np.int64)


def _codes(cells: PassCells) -> IntArray:
    return np.asarray((cells.column << 32) + cells.row)
