"""Clouds -> sums per cell and pass, from which surfaces follow without keeping points. After cloud.

The plan is divided into square cells and each cell into layers of height and bins of time, so that
what lies above the ground and what came in another pass can be told apart afterwards. Of each such
box there remain its count, its moments, the course of its times and a few of its points. Memory grows
with the surface that was captured, not with the points, and has a ceiling.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accuracy.errors import RequestError
from accuracy.model import BoolArray, FloatArray, IntArray, Progress, no_progress
from accuracy.reading.cloud import POINTS_PER_CHUNK, cloud_extent, refuse_copies, stream_points
from accuracy.reading.cloud_header import CloudHeader
from accuracy.reading.patches import NOISE_CLASSES, PointSelection

SOFT_CLASSES = (3, 4, 5, 9)
"""Low, medium and high vegetation, water: LAS 1.4 R15, table 17. Not hard, whatever their shape."""

MOMENTS = ("x", "y", "z", "xx", "xy", "xz", "yy", "yz", "zz", "t", "xt", "yt", "tt")
_LARGEST_BIN = 2.0**31 - 2
_UNLIKELY = (0.37, 0.61, 0.43)
"""Shares of a cell by which the grid is moved off round coordinates, where walls like to stand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CellGrid:
    """How space and time are divided; the same for every run that is to be compared."""

    origin_m: tuple[float, float, float]
    """Easting, northing and height of the corner of cell 0, 0, 0; differs from 0 by whole metres
    and a fixed share of a cell, so that cells lie the same whatever part of the ground is read."""
    cell_m: float = 1.0
    layer_m: float = 1.0
    time_bin_s: float = 20.0
    """A cell that is seen again after more than two of these was passed again."""
    sample: int = 32
    """Points kept per box. 32 is what the 2 m cells of the USGS Lidar Base Specification hold at its
    8 per square metre (cell size from memory)."""
    most_boxes: int = 150_000
    """Beyond this, only every second cell in each direction is kept; then every fourth, and so on."""

    def __post_init__(self) -> None:
        if not (self.cell_m > 0 and self.layer_m > 0 and self.time_bin_s > 0):
            raise RequestError(
                f"cells of {self.cell_m} m, {self.layer_m} m and {self.time_bin_s} s are impossible",
                remedy="All three must be positive.",
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellTable:
    """Boxes of one run, sorted by column, row, source, time and layer; arrays are (m,).

    Moments are sums over a box's points of offsets from the centre of its cell (x, y), the grid's
    origin (z) and the beginning of its time bin (t), in metres and seconds.
    """

    grid: CellGrid
    column: IntArray
    row: IntArray
    layer: IntArray
    source: IntArray
    time_bin: IntArray
    count: IntArray
    moments: FloatArray
    """(m, 13) in the order of ``MOMENTS``."""
    sample_box: IntArray
    """(s,) which box each kept point belongs to."""
    sample_m: FloatArray
    """(s, 3) kept points as offsets from the grid's origin."""
    every: int = 1
    """Only cells whose column and row are multiples of this were kept."""
    points_read: int = 0
    points_left_out: int = 0
    """Withheld, noise, vegetation, water, or not of the user's choice."""

    def __len__(self) -> int:
        return int(self.count.size)


def cell_grid(
    clouds: Sequence[tuple[Sequence[CloudHeader], tuple[float, float]]],
    *,
    cell_m: float = 1.0,
    time_bin_s: float = 20.0,
    most_boxes: int = 150_000,
) -> CellGrid:
    """One grid for all runs: (headers, (horizontal, vertical) metres per unit of the file) each."""
    lows = np.array(
        [
            np.multiply(cloud_extent(headers)[0], (horizontal, horizontal, vertical))
            for headers, (horizontal, vertical) in clouds
        ]
    ).min(axis=0)
    size = np.array([cell_m, cell_m, 1.0])
    # Whole cells away from zero, so that the same cloud alone and with others has the same cells.
    origin = np.floor(lows / size - 1) * size - np.multiply(_UNLIKELY, size)
    return CellGrid(
        origin_m=(float(origin[0]), float(origin[1]), float(origin[2])),
        cell_m=cell_m,
        time_bin_s=time_bin_s,
        most_boxes=most_boxes,
    )


def gather_cells(
    headers: Sequence[CloudHeader],
    grid: CellGrid,
    *,
    horizontal_unit_m: float,
    vertical_unit_m: float,
    selection: PointSelection | None = None,
    progress: Progress = no_progress,
    points_per_chunk: int = POINTS_PER_CHUNK,
    label: str = "cloud",
) -> CellTable:
    """Read the clouds of one run once. Raises CloudError as stream_points does.

    Vegetation and water (classes 3, 4, 5, 9) are left out unless the selection names classes.
    """
    refuse_copies(headers)
    selection = selection or PointSelection()
    unit = (horizontal_unit_m, horizontal_unit_m, vertical_unit_m)
    gatherer = CellGatherer(grid)
    to_read = sum(header.point_count for header in headers)
    for header in headers:
        for chunk in stream_points(header, points_per_chunk=points_per_chunk):
            gatherer.read += len(chunk)
            admitted = _admitted(chunk, selection)
            gatherer.left_out += len(chunk) - int(np.count_nonzero(admitted))
            if admitted.any():
                gatherer.add(*_points(chunk[admitted], header, grid, unit))
            progress(f"Surfaces of {label}", gatherer.read, to_read)
    return gatherer.table()


def _admitted(record: Any, selection: PointSelection) -> BoolArray:
    classes = np.asarray(record["classification"])
    left_out = np.asarray(record["withheld"]).astype(bool) | np.isin(classes, NOISE_CLASSES)
    if selection.classes is None:
        left_out |= np.isin(classes, SOFT_CLASSES)
    else:
        left_out |= ~np.isin(classes, sorted(selection.classes))
    if selection.source_ids is not None:
        left_out |= ~np.isin(np.asarray(record["point_source_id"]), sorted(selection.source_ids))
    number, of = np.asarray(record["return_number"]), np.asarray(record["number_of_returns"])
    if selection.returns == "first":
        left_out |= number > 1
    elif selection.returns == "last":
        left_out |= number < of
    elif selection.returns == "only":
        left_out |= of > 1
    return ~left_out


def _points(
    record: Any, header: CloudHeader, grid: CellGrid, unit: tuple[float, float, float]
) -> tuple[FloatArray, FloatArray, IntArray, NDArray[np.uint64]]:
    """Offsets from the grid's origin (n, 3), times, sources and hashes (n,)."""
    xyz = np.empty((len(record), 3))
    key = np.zeros(len(record), dtype=np.uint64)
    for axis, stored in enumerate("XYZ"):
        # The offset goes into the origin first: large numbers cancel before anything is added.
        shift = header.offsets[axis] - grid.origin_m[axis] / unit[axis]
        steps = np.asarray(record.array[stored])
        xyz[:, axis] = (steps * header.scales[axis] + shift) * unit[axis]
        key = _mixed(key ^ steps.astype(np.int64).view(np.uint64))
    time = np.zeros(len(record))
    if header.time_kind != "none":
        stored_time = np.asarray(record["gps_time"], dtype=np.float64)
        time = np.where(np.isfinite(stored_time), stored_time, 0.0)
        key = _mixed(key ^ (time + 0.0).view(np.uint64))
    return xyz, time, np.asarray(record["point_source_id"]).astype(np.int64), key


def _mixed(key: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """The finalizer of SplitMix64 (Steele, Lea, Flood 2014; constants from memory)."""
    key = key + np.uint64(0x9E3779B97F4A7C15)
    key = (key ^ (key >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    key = (key ^ (key >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return key ^ (key >> np.uint64(31))


class CellGatherer:
    """Boxes so far; what is kept depends on the points alone, not on the order in which they come."""

    def __init__(self, grid: CellGrid) -> None:
        self.grid = grid
        self.read = self.left_out = 0
        self.every = 1
        self._keys = np.empty((0, 5), dtype=np.int64)  # column, row, source, time bin, layer
        self._sums = np.empty((0, len(MOMENTS) + 1))  # count, then the moments
        self._kept: list[tuple[NDArray[np.int32], NDArray[np.uint64], FloatArray]] = []
        self._kept_count = self._sorted_count = 0

    def add(self, xyz: FloatArray, time: FloatArray, source: IntArray, key_hash: NDArray[np.uint64]) -> None:
        """Take points, as offsets from the grid's origin."""
        grid = self.grid
        cell = np.floor(xyz[:, :2] / grid.cell_m).astype(np.int64)
        if self.every > 1:
            on = np.all(cell % self.every == 0, axis=1)
            xyz, time, source, key_hash, cell = xyz[on], time[on], source[on], key_hash[on], cell[on]
            if not len(xyz):
                return
        layer = np.floor(xyz[:, 2] / grid.layer_m).astype(np.int64)
        # Times that no clock shows stay within what a key can hold.
        time = np.clip(time, -_LARGEST_BIN * grid.time_bin_s, _LARGEST_BIN * grid.time_bin_s)
        time_bin = np.floor(time / grid.time_bin_s).astype(np.int64)
        keys = np.column_stack([cell, source, time_bin, layer])
        order, starts = _groups(keys, key_hash)
        keys = keys[order]
        x, y = ((xyz[:, :2] - (cell + 0.5) * grid.cell_m)[order]).T
        z, t = xyz[order, 2], (time - time_bin * grid.time_bin_s)[order]
        columns = (x, y, z, x * x, x * y, x * z, y * y, y * z, z * z, t, x * t, y * t, t * t)
        counts = np.diff(np.append(starts, len(order)))
        sums = np.column_stack([counts, *(np.add.reduceat(column, starts) for column in columns)])
        self._merge(keys[starts], sums)
        first = _rank(starts, len(order)) < grid.sample
        self._keep(keys[first], key_hash[order][first], xyz[order][first])
        while len(self._keys) > grid.most_boxes:
            self._thin()

    def _merge(self, keys: IntArray, sums: FloatArray) -> None:
        keys = np.concatenate([self._keys, keys])
        sums = np.concatenate([self._sums, sums])
        order, starts = _groups(keys)
        self._keys = keys[order][starts]
        self._sums = np.add.reduceat(sums[order], starts, axis=0)

    def _keep(self, keys: IntArray, key_hash: NDArray[np.uint64], xyz: FloatArray) -> None:
        self._kept.append((keys.astype(np.int32), key_hash, xyz))
        self._kept_count += len(keys)
        if self._kept_count > 1.5 * self._sorted_count + POINTS_PER_CHUNK // 4:
            self._compact()

    def _compact(self) -> None:
        """Of each box only the points with the smallest hashes: the same whichever came first."""
        if not self._kept:
            return
        keys, key_hash, xyz = (np.concatenate(part) for part in zip(*self._kept, strict=True))
        order, starts = _groups(keys, key_hash)
        order = order[_rank(starts, len(order)) < self.grid.sample]
        self._kept = [(keys[order], key_hash[order], xyz[order])]
        self._kept_count = self._sorted_count = len(order)

    def _thin(self) -> None:
        self.every *= 2
        on = np.all(self._keys[:, :2] % self.every == 0, axis=1)
        self._keys, self._sums = self._keys[on], self._sums[on]
        self._compact()
        keys, key_hash, xyz = self._kept[0]
        on = np.all(keys[:, :2] % self.every == 0, axis=1)
        self._kept = [(keys[on], key_hash[on], xyz[on])]
        self._kept_count = self._sorted_count = int(np.count_nonzero(on))

    def table(self) -> CellTable:
        """Everything gathered, in its canonical order."""
        self._compact()
        keys, xyz = np.empty((0, 5), dtype=np.int32), np.empty((0, 3))
        if self._kept:
            keys, _, xyz = self._kept[0]
        # Both lists are sorted by the same key and every box keeps at least one point.
        box = np.cumsum(np.any(np.diff(keys, axis=0, prepend=keys[:1]) != 0, axis=1))
        column, row, source, time_bin, layer = (np.ascontiguousarray(k) for k in self._keys.T)
        return CellTable(
            grid=self.grid,
            column=column,
            row=row,
            layer=layer,
            source=source,
            time_bin=time_bin,
            count=self._sums[:, 0].astype(np.int64),
            moments=self._sums[:, 1:],
            sample_box=box.astype(np.int64),
            sample_m=xyz,
            every=self.every,
            points_read=self.read,
            points_left_out=self.left_out,
        )


def _groups(
    keys: IntArray | NDArray[np.int32], key_hash: NDArray[np.uint64] | None = None
) -> tuple[IntArray, IntArray]:
    """Order that sorts (n, k) keys, then hashes; and where in that order each group begins."""
    low = keys.min(axis=0).astype(np.int64)
    span = keys.max(axis=0) - low + 1
    columns: list[Any] = [] if key_hash is None else [key_hash]
    if math.prod(int(s) for s in span) < 2**62:
        # One number instead of five: sorting is what takes the time.
        packed = np.zeros(len(keys), dtype=np.int64)
        for k in range(keys.shape[1]):
            packed = packed * span[k] + (keys[:, k] - low[k])
        columns.append(packed)
        order = np.lexsort(columns)
        change = np.diff(packed[order]) != 0
    else:
        order = np.lexsort([*columns, *keys.T[::-1]])
        change = np.any(np.diff(keys[order], axis=0) != 0, axis=1)
    starts = np.flatnonzero(np.concatenate([[True], change]))
    return order.astype(np.int64), starts.astype(np.int64)


def _rank(starts: IntArray, n: int) -> IntArray:
    """(n,) position of each sorted element within its group."""
    lengths = np.diff(np.append(starts, n))
    return np.arange(n) - np.repeat(starts, lengths)
