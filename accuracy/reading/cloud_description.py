"""One cloud file -> what it holds and what is odd about it, in words, for the eye. After cloud.

Nothing here is measured against a checkpoint; it is what a surveyor wants to know before that.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from accuracy.model import FloatArray, IntArray, Progress, no_progress
from accuracy.reading.cloud import read_header, stream_points
from accuracy.reading.cloud_header import WEEK_S, CloudHeader
from accuracy.reading.patches import NOISE_CLASSES

_FIRST_POINTS = 5
_MOST_CELLS = 1_000_000
_MOST_KEYS = 500_000
# Shares and sizes that call for a remark: our own judgement.
_LOOSE_BOX_STEPS, _LOOSE_BOX_SHARE = 10, 0.01
_DUPLICATE_SHARE = 0.001

_CLASS_NAMES = {
    # LAS 1.4 R15, table 17 (formats 6 to 10).
    0: "never classified", 1: "unclassified", 2: "ground", 3: "low vegetation", 4: "medium vegetation",
    5: "high vegetation", 6: "building", 7: "low noise", 8: "key point (older editions)", 9: "water",
    10: "rail", 11: "road surface", 12: "overlap (older editions)", 13: "wire guard", 14: "wire conductor",
    15: "transmission tower", 16: "wire connector", 17: "bridge deck", 18: "high noise",
    19: "overhead structure", 20: "ignored ground", 21: "snow", 22: "temporal exclusion",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class CloudDescription:
    """What one cloud file holds; coordinates and heights in the file's own units."""

    header: CloudHeader
    crs_name: str | None
    plan_unit: str
    """Name of the unit of easting and northing; "unknown" where no record says it."""
    height_unit: str
    minimum: tuple[float, float, float]
    """Of the points themselves, not of the header's box."""
    maximum: tuple[float, float, float]
    class_counts: Mapping[int, int]
    return_counts: Mapping[int, int]
    source_counts: Mapping[int, int]
    withheld: int
    noise: int
    synthetic: int
    overlap: int
    points_per_m2: float | None
    """Mean over the cells of one square metre that hold any point, so never below 1; None in degrees.
    A plan unit that no record names is taken as the metre."""
    median_points_per_m2: float | None
    intensity_range: tuple[int, int]
    colour_range: tuple[int, int] | None
    time_range_s: tuple[float, float] | None
    times_not_numbers: int
    first_points: tuple[Mapping[str, float], ...]
    oddities: tuple[str, ...]

    @property
    def path(self) -> Path:
        """The file."""
        return self.header.path

    def class_name(self, number: int) -> str:
        """What a class number means in LAS 1.4."""
        return _CLASS_NAMES.get(number, "reserved" if number < 64 else "user's own")


def describe_cloud(path: str | Path, *, progress: Progress = no_progress) -> CloudDescription:
    """Read all of one cloud, chunk by chunk, and say what it holds.

    Density counts all points in a sample of the occupied cells; duplicates are looked for in a sample
    of the positions. Raises CloudError as read_header and stream_points do.
    """
    header = read_header(path)
    crs = header.crs
    plan_unit, height_unit, metres = "unknown", "unknown", 1.0
    if crs is not None:
        plan_unit, metres = crs.axis_info[0].unit_name, crs.axis_info[0].unit_conversion_factor
        height_unit = crs.axis_info[2].unit_name if len(crs.axis_info) > 2 else "unknown"
    degrees = plan_unit == "degree" or (crs is None and _looks_like_degrees(header))
    tally = _Tally(header, square_metre_side=1 / metres)
    for chunk in stream_points(header):
        tally.add(chunk)
        progress(f"Reading {header.path.name}", tally.read, header.point_count)
    per_cell = np.zeros(0) if degrees else tally.cell_counts()
    low, high = tally.extent()
    return CloudDescription(
        header=header,
        crs_name=None if crs is None else crs.name,
        plan_unit=plan_unit,
        height_unit=height_unit,
        minimum=low,
        maximum=high,
        class_counts=_counted(tally.classes),
        return_counts=_counted(tally.returns),
        source_counts=_counted(tally.sources),
        withheld=tally.flags["withheld"],
        noise=int(tally.classes[list(NOISE_CLASSES)].sum()),
        synthetic=tally.flags["synthetic"],
        overlap=tally.flags.get("overlap", 0) + (int(tally.classes[12]) if header.point_format < 6 else 0),
        points_per_m2=float(per_cell.mean()) if len(per_cell) else None,
        median_points_per_m2=float(np.median(per_cell)) if len(per_cell) else None,
        intensity_range=tally.intensity,
        colour_range=tally.colour if tally.has_colour else None,
        time_range_s=tally.time_range(),
        times_not_numbers=tally.bad_times,
        first_points=tuple(tally.first),
        oddities=tuple(_oddities(header, tally, plan_unit, height_unit, low, high)),
    )


class _Tally:
    """Running counts over one file."""

    def __init__(self, header: CloudHeader, square_metre_side: float) -> None:
        self.header = header
        self._side = square_metre_side
        self.read = 0
        self.classes: IntArray = np.zeros(256, dtype=np.int64)
        self.returns: IntArray = np.zeros(16, dtype=np.int64)
        self.sources: IntArray = np.zeros(65536, dtype=np.int64)
        self.flags = {"withheld": 0, "synthetic": 0}
        if header.point_format >= 6:
            self.flags["overlap"] = 0
        self.has_colour = "red" in header.dimension_names
        self.has_time = header.time_kind != "none"
        self.intensity, self.colour = (65535, 0), (65535, 0)
        self.time, self.bad_times, self.times_outside_week = (np.inf, -np.inf), 0, 0
        self.bad_returns = 0
        self.first: list[Mapping[str, float]] = []
        self.steps_low = np.full(3, 2**31, dtype=np.int64)
        self.steps_high = np.full(3, -(2**31), dtype=np.int64)
        # Samples of cells and of positions: those whose hash is divisible by a fixed number.
        self._cell_share = max(1, header.point_count // _MOST_CELLS)
        self._key_share = max(1, header.point_count // _MOST_KEYS)
        self._cells: list[tuple[Any, Any]] = []
        self._keys: list[Any] = []

    def add(self, chunk: Any) -> None:
        self.read += len(chunk)
        classes = np.asarray(chunk["classification"])
        returns, of = np.asarray(chunk["return_number"]), np.asarray(chunk["number_of_returns"])
        self.classes += np.bincount(classes, minlength=256)
        self.returns += np.bincount(returns, minlength=16)
        self.bad_returns += int(np.count_nonzero(returns > of))
        self.sources += np.bincount(np.asarray(chunk["point_source_id"]), minlength=65536)
        for name in self.flags:
            self.flags[name] += int(np.count_nonzero(np.asarray(chunk[name])))
        self.intensity = _widened(self.intensity, np.asarray(chunk["intensity"]))
        if self.has_colour:
            for name in ("red", "green", "blue"):
                self.colour = _widened(self.colour, np.asarray(chunk[name]))
        if self.has_time:
            self._add_times(np.asarray(chunk["gps_time"]))
        for axis, name in enumerate("XYZ"):
            stored = chunk.array[name]
            self.steps_low[axis] = min(self.steps_low[axis], int(stored.min()))
            self.steps_high[axis] = max(self.steps_high[axis], int(stored.max()))
        self._sample(chunk)
        for k in range(min(_FIRST_POINTS - len(self.first), len(chunk))):
            self.first.append(self._point(chunk, k))

    def _add_times(self, time: FloatArray) -> None:
        good = time[np.isfinite(time)]
        self.bad_times += len(time) - len(good)
        if len(good):
            self.time = (min(self.time[0], float(good.min())), max(self.time[1], float(good.max())))
        self.times_outside_week += int(np.count_nonzero((good < 0) | (good > WEEK_S)))

    def _sample(self, chunk: Any) -> None:
        header = self.header
        east, north = (
            np.floor((chunk.array[name] * header.scales[k] + header.offsets[k]) / self._side).astype(np.int64)
            for k, name in enumerate("XY")
        )
        cell = _mixed(east, north)
        cells, counts = np.unique(cell[cell % np.uint64(self._cell_share) == 0], return_counts=True)
        self._cells.append((cells, counts))
        time = np.asarray(chunk["gps_time"]).view(np.int64) if self.has_time else np.zeros_like(east)
        key = _mixed(*(chunk.array[name].astype(np.int64) for name in "XYZ"), time)
        self._keys.append(key[key % np.uint64(self._key_share) == 0])

    def _point(self, chunk: Any, k: int) -> Mapping[str, float]:
        scales, offsets = self.header.scales, self.header.offsets
        point = {
            name: float(chunk.array[stored][k] * scales[axis] + offsets[axis])
            for axis, (name, stored) in enumerate(zip(("easting", "northing", "height"), "XYZ", strict=True))
        }
        names = ["intensity", "return_number", "number_of_returns", "classification", "point_source_id"]
        names += ["gps_time"] if self.has_time else []
        names += ["red", "green", "blue"] if self.has_colour else []
        return point | {name: float(np.asarray(chunk[name][k : k + 1])[0]) for name in names}

    def cell_counts(self) -> IntArray:
        """Number of points in each sampled cell that holds any."""
        cells = np.concatenate([c for c, _ in self._cells])
        counts = np.concatenate([n for _, n in self._cells])
        _, which = np.unique(cells, return_inverse=True)
        return np.bincount(which, weights=counts).astype(np.int64)

    def duplicate_share(self) -> float:
        """Share of the sampled points whose position and time another point has too."""
        keys = np.concatenate(self._keys)
        return 1 - len(np.unique(keys)) / len(keys) if len(keys) else 0.0

    def extent(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """Of the points, in the file's units."""
        low = self.steps_low * np.array(self.header.scales) + self.header.offsets
        high = self.steps_high * np.array(self.header.scales) + self.header.offsets
        return (float(low[0]), float(low[1]), float(low[2])), (float(high[0]), float(high[1]), float(high[2]))

    def time_range(self) -> tuple[float, float] | None:
        """First and last time as stored."""
        return self.time if np.isfinite(self.time[0]) else None


def _oddities(
    header: CloudHeader,
    tally: _Tally,
    plan_unit: str,
    height_unit: str,
    low: tuple[float, float, float],
    high: tuple[float, float, float],
) -> list[str]:
    odd = [*header.remarks, *_frame_oddities(header, plan_unit, height_unit), *header.crs_remarks]
    for axis, name in enumerate(("easting", "northing", "height")):
        slack = low[axis] - header.minimum[axis], header.maximum[axis] - high[axis]
        limit = max(_LOOSE_BOX_STEPS * header.scales[axis], _LOOSE_BOX_SHARE * (high[axis] - low[axis]))
        if max(slack) > limit:
            odd.append(f"The header's box is looser than the points in {name}, by {max(slack):.3g}.")
    odd += _attribute_oddities(tally)
    odd += _time_oddities(header, tally)
    share = tally.duplicate_share()
    if share > _DUPLICATE_SHARE:
        odd.append(f"About {share:.1%} of the points repeat another point's position and time.")
    return odd


def _frame_oddities(header: CloudHeader, plan_unit: str, height_unit: str) -> list[str]:
    odd = []
    if header.crs_wkt is None and header.geo_keys is None:
        odd.append("There is no record of a coordinate system.")
    elif header.crs_wkt is not None and header.geo_keys is not None:
        odd.append(
            "There is a WKT and a GeoTIFF record of the coordinate system; the WKT record is followed."
        )
    if plan_unit == "degree" or (header.crs is None and _looks_like_degrees(header)):
        odd.append("Plan coordinates are in degrees; project the cloud before it is measured.")
    elif "unknown" not in (plan_unit, height_unit) and plan_unit != height_unit:
        odd.append(f"Plan coordinates are in the unit {plan_unit}, heights in the unit {height_unit}.")
    elif plan_unit != "unknown" and height_unit == "unknown":
        odd.append(f"Plan coordinates are in the unit {plan_unit}; no record says the unit of heights.")
    return odd


def _attribute_oddities(tally: _Tally) -> list[str]:
    odd = []
    present = np.flatnonzero(tally.classes)
    if len(present) == 1:
        only = int(present[0])
        odd.append(f"All points are of class {only} ({_CLASS_NAMES.get(only, 'no standard name')}).")
    if not tally.returns[1:].any():
        odd.append("Return numbers are all zero: not recorded.")
    elif tally.bad_returns:
        odd.append(f"Points whose return number exceeds their number of returns: {tally.bad_returns:,}.")
    if tally.intensity == (0, 0):
        odd.append("Intensity is zero throughout: not recorded.")
    elif tally.intensity[0] == tally.intensity[1]:
        odd.append(f"Intensity is {tally.intensity[0]} throughout.")
    elif tally.intensity[1] <= 255:
        odd.append("Intensity does not exceed 255: it looks like 8 bits.")
    if tally.has_colour and tally.colour == (0, 0):
        odd.append("Colour is zero throughout: not recorded.")
    elif tally.has_colour and tally.colour[1] <= 255:
        odd.append("Colour does not exceed 255: it looks like 8 bits.")
    if tally.flags["withheld"]:
        odd.append(f"Points marked as withheld, which are never measured: {tally.flags['withheld']:,}.")
    if not tally.sources[1:].any():
        odd.append("Source ids are all zero: flight lines or passes cannot be told apart.")
    return odd


def _time_oddities(header: CloudHeader, tally: _Tally) -> list[str]:
    if not tally.has_time:
        return [f"Point format {header.point_format} has no time."]
    odd = []
    if tally.bad_times:
        odd.append(f"Times that are not a number: {tally.bad_times:,}.")
    span = tally.time_range()
    if span is None:
        return odd
    if span == (0.0, 0.0):
        odd.append("Times are zero throughout: not recorded.")
    elif header.time_kind == "week-seconds" and tally.times_outside_week:
        odd.append(
            f"The header says that times are seconds of the GPS week, but {tally.times_outside_week:,} of "
            f"them lie outside 0 to {WEEK_S:,}."
        )
    elif header.time_kind == "adjusted-gps" and span[0] >= 0 and span[1] <= WEEK_S:
        odd.append(
            "The header says that times count from the GPS epoch less 1,000,000,000 s, but they look like "
            "seconds of the week (or were taken in September 2011)."
        )
    return odd


def _looks_like_degrees(header: CloudHeader) -> bool:
    west, south, _ = header.minimum
    east, north, _ = header.maximum
    small_steps = max(header.scales[:2]) < 1e-5
    return small_steps and -360 <= west <= east <= 360 and -90 <= south <= north <= 90


def _widened(span: tuple[int, int], values: Any) -> tuple[int, int]:
    return min(span[0], int(values.min())), max(span[1], int(values.max()))


def _counted(counts: IntArray) -> dict[int, int]:
    return {int(k): int(counts[k]) for k in np.flatnonzero(counts)}


def _mixed(*columns: IntArray) -> Any:
    """A 64-bit hash per row, good enough to sample by (multiplicative, xor-shifted)."""
    key = np.zeros(len(columns[0]), dtype=np.uint64)
    for column in columns:
        key = (key ^ column.view(np.uint64)) * np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
    key = key * np.uint64(0xBF58476D1CE4E5B9)
    return key ^ (key >> np.uint64(32))
