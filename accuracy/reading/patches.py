"""Clouds + checkpoints -> one Patch per checkpoint, in one pass over the files. After cloud.

Memory does not grow with the clouds: of each chunk only the points near a checkpoint are kept, and
of those the far ones are thinned as they come. What is kept depends on the points alone, never on
the order in which files, chunks or points arrive, so the same cloud gives the same patches.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from accuracy.errors import RequestError
from accuracy.model import (
    BoolArray,
    Checkpoint,
    FloatArray,
    IntArray,
    LeftOut,
    Patch,
    Progress,
    no_progress,
)
from accuracy.reading.cloud import POINTS_PER_CHUNK, checkpoints_in_boxes, refuse_copies, stream_points
from accuracy.reading.cloud_header import WEEK_S, CloudHeader
from accuracy.reading.cloud_keeping import POINT, Collector, KeptPoints, PatchWindow, beyond_week

NOISE_CLASSES = (7, 18)
"""Low and high noise: LAS 1.4 R15, table 17. In formats 0 to 5 class 18 is reserved there; that it
means high noise in those too is common practice, no source."""

_RETURNS = ("all", "first", "last", "only")


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSelection:
    """Which points the user wants: classes, returns and sources (flight lines); None means all.

    Withheld points and noise are never kept. Synthetic, key and overlap points are kept: their flags
    say how they came about, not that they are wrong. A point whose return fields are both zero (not
    recorded) counts as an only return.
    """

    classes: frozenset[int] | None = None
    returns: Literal["all", "first", "last", "only"] = "all"
    source_ids: frozenset[int] | None = None

    def __post_init__(self) -> None:
        if self.returns not in _RETURNS:
            raise RequestError(
                f'returns "{self.returns}" are unknown', remedy=f"Choose one of {', '.join(_RETURNS)}."
            )
        for what, values, most in (("class", self.classes, 255), ("source id", self.source_ids, 65535)):
            if values is not None and not values:
                raise RequestError(
                    f"no {what} is chosen", remedy="Choose at least one, or leave the choice out."
                )
            wrong = sorted(v for v in values or () if not 0 <= v <= most)
            if wrong:
                raise RequestError(f"{what} {wrong[0]} does not exist", remedy=f"They run from 0 to {most}.")
        noise = sorted((self.classes or frozenset()) & set(NOISE_CLASSES))
        if noise:
            raise RequestError(
                f"class {noise[0]} is noise and is never measured", remedy="Leave it out of the choice."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class FileReading:
    """What was read of one cloud file."""

    path: Path
    points: int
    """As its header promises."""
    points_read: int
    """All of them for a plain or LAZ file; for COPC those of the nodes near checkpoints."""
    opened: bool
    """False where the header's box holds no checkpoint, so that nothing past the header was read."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GatheredPatches:
    """One patch per checkpoint, in the checkpoints' order, and what was read to get them."""

    patches: tuple[Patch, ...]
    files: tuple[FileReading, ...]
    remarks: tuple[str, ...] = ()

    @property
    def points_read(self) -> int:
        """Points that came out of the files."""
        return sum(file.points_read for file in self.files)

    @property
    def withheld_or_noise(self) -> int:
        """Points near checkpoints that were left out as withheld or noise."""
        return sum(patch.withheld_or_noise for patch in self.patches)

    @property
    def left_out_by_choice(self) -> int:
        """Points near checkpoints that were left out by the user's choice."""
        return sum(patch.left_out_by_choice for patch in self.patches)


def gather_patches(
    headers: Sequence[CloudHeader],
    checkpoints: Sequence[Checkpoint],
    *,
    horizontal_unit_m: float,
    vertical_unit_m: float,
    window: PatchWindow | None = None,
    selection: PointSelection | None = None,
    progress: Progress = no_progress,
    points_per_chunk: int = POINTS_PER_CHUNK,
) -> GatheredPatches:
    """Read the clouds once and keep what lies around each checkpoint.

    Checkpoints are in working metres: the files' coordinates times the unit factors. A checkpoint
    without any point near it gets an empty Patch. Raises CloudError as stream_points does, and where
    two headers speak of one cloud; no patch is returned then.
    """
    window = window or PatchWindow()
    selection = selection or PointSelection()
    refuse_copies(headers)
    collectors = [Collector(checkpoint.id, window) for checkpoint in checkpoints]
    unit = (horizontal_unit_m, horizontal_unit_m, vertical_unit_m)
    centres = np.array([(c.easting_m, c.northing_m, c.height_m) for c in checkpoints]).reshape(-1, 3) / unit
    near = checkpoints_in_boxes(
        headers, checkpoints, horizontal_unit_m=horizontal_unit_m, margin_m=window.outer_radius_m
    )
    to_read = sum(h.point_count for h, held in zip(headers, near, strict=True) if held.any())
    done = 0
    files: list[FileReading] = []
    remarks: list[str] = []
    too_late_in: list[Path] = []
    for header, held in zip(headers, near, strict=True):
        wanted = np.flatnonzero(held)
        read = without_time = too_late = 0
        if len(wanted):
            radius = window.outer_radius_m / horizontal_unit_m
            # Easting and northing in file units, widened to boxes that no rounding can make too small.
            boxes = np.hstack([centres[wanted, :2] - 1.001 * radius, centres[wanted, :2] + 1.001 * radius])
            for chunk in stream_points(header, points_per_chunk=points_per_chunk, near=boxes):
                bad, beyond = _take(chunk, header, centres, wanted, radius, unit, selection, collectors)
                without_time, too_late = without_time + bad, too_late + beyond
                read += len(chunk)
                progress("Reading points", done + read, to_read)
        done += header.point_count if len(wanted) else 0
        files.append(
            FileReading(
                path=header.path, points=header.point_count, points_read=read, opened=bool(len(wanted))
            )
        )
        if without_time:
            remarks.append(
                f"{header.path}: the time of {without_time:,} of the points near checkpoints is not a "
                "number; those checkpoints have no time."
            )
        if too_late:
            too_late_in.append(header.path)
    if to_read:
        progress("Reading points", to_read, to_read)
    patches = tuple(collector.patch() for collector in collectors)
    remarks += _time_remarks(collectors, patches, too_late_in)
    return GatheredPatches(patches=patches, files=tuple(files), remarks=tuple(remarks))


def _time_remarks(
    collectors: Sequence[Collector], patches: Sequence[Patch], too_late_in: Sequence[Path]
) -> list[str]:
    """What the patches' times came to, where that is not what the headers say."""
    told = list(zip(collectors, patches, strict=True))
    remarks = []
    if any(p.time_kind == "adjusted-gps" and "week-seconds" in c.time_kinds for c, p in told):
        remarks += [
            f"{path}: its header says that times are seconds of the GPS week, which runs to {WEEK_S:,}, but "
            "they lie far outside; they were taken as adjusted standard GPS time."
            for path in too_late_in
        ]
    if any(p.time_kind == "none" and len(p) and "none" not in c.time_kinds for c, p in told):
        remarks.append(
            "At some checkpoints the times count from different beginnings, or some fit no beginning; those "
            "checkpoints have no time."
        )
    return remarks


def _take(
    chunk: Any,
    header: CloudHeader,
    centres: FloatArray,
    wanted: IntArray,
    radius: float,
    unit: tuple[float, float, float],
    selection: PointSelection,
    collectors: list[Collector],
) -> tuple[int, int]:
    """Hand the points of one chunk to the collectors near them.

    Returns how many of the points kept have no valid time, and how many a time that no week holds
    although the header says seconds of the week.
    """
    east = chunk.array["X"] * header.scales[0] + header.offsets[0]
    north = chunk.array["Y"] * header.scales[1] + header.offsets[1]
    low = np.array([east.min(), north.min()]) - radius
    high = np.array([east.max(), north.max()]) + radius
    wanted = wanted[np.all((centres[wanted, :2] >= low) & (centres[wanted, :2] <= high), axis=1)]
    bad_times = too_late = 0
    for which, indices in _neighbours(east, north, centres[wanted, :2], radius):
        centre = centres[wanted[which]]
        collector = collectors[wanted[which]]
        points, withheld, bad_time = _near_points(chunk[indices], header, centre, unit)
        inside = points["east"] ** 2 + points["north"] ** 2 <= collector.window.outer_radius_m**2
        kept = inside.copy()
        for why, fit in _fit(points, withheld, selection):
            collector.left_out[why] += int(np.count_nonzero(kept & ~fit))
            kept &= fit
        if kept.any():
            bad = int(np.count_nonzero(kept & bad_time))
            bad_times += bad
            collector.time_kinds.add("none" if bad else header.time_kind)
            if header.time_kind == "week-seconds":
                too_late += int(np.count_nonzero(beyond_week(points["time"][kept])))
            collector.colours.add("red" in header.dimension_names)
            collector.add(points[kept], header.path)
    return bad_times, too_late


def _neighbours(
    east: FloatArray, north: FloatArray, centres: FloatArray, radius: float
) -> Iterable[tuple[int, IntArray]]:
    """For each centre (k, 2) with points about it: its number and the points in the 3 x 3 cells around it.

    Cells are ``radius`` wide, so that every point within the radius is among them. One sorted lookup
    per point finds the few that are near anything; the rest costs no more than that.
    """
    if not len(centres):
        return
    origin = centres.min(axis=0) - 2 * radius
    cells = np.floor((centres - origin) / radius).astype(np.int64)
    around = (cells[:, np.newaxis, np.newaxis, :] + _STEPS).reshape(-1, 2)
    needed = np.unique((around[:, 0] << 32) + around[:, 1])
    column = np.floor((east - origin[0]) / radius).astype(np.int64)
    row = np.floor((north - origin[1]) / radius).astype(np.int64)
    code = (column << 32) + row
    at = np.minimum(np.searchsorted(needed, code), len(needed) - 1)
    candidates = np.flatnonzero(needed[at] == code)
    code = code[candidates]
    order = np.argsort(code, kind="stable")
    candidates, code = candidates[order], code[order]
    for which, (cell_column, cell_row) in enumerate(cells):
        slices = []
        for step in (-1, 0, 1):
            first = ((cell_column + step) << 32) + cell_row - 1
            begin, end = np.searchsorted(code, [first, first + 3])
            slices.append(candidates[begin:end])
        found = np.concatenate(slices)
        if len(found):
            yield which, found


_STEPS = np.array([[(i, j) for j in (-1, 0, 1)] for i in (-1, 0, 1)], dtype=np.int64)


def _near_points(
    record: Any, header: CloudHeader, centre: FloatArray, unit: tuple[float, float, float]
) -> tuple[KeptPoints, BoolArray, BoolArray]:
    """Points as offsets from the checkpoint; which are withheld; which have no valid time."""
    points = np.zeros(len(record), dtype=POINT)
    for axis, (name, stored) in enumerate(zip(("east", "north", "up"), "XYZ", strict=True)):
        # The offset goes into the checkpoint first: large numbers cancel before anything is added.
        shift = header.offsets[axis] - centre[axis]
        points[name] = (record.array[stored] * header.scales[axis] + shift) * unit[axis]
    bad_time = np.zeros(len(record), dtype=bool)
    if header.time_kind != "none":
        time = np.asarray(record["gps_time"])
        bad_time = ~np.isfinite(time)
        points["time"] = np.where(bad_time, 0.0, time)
    if "red" in header.dimension_names:
        for name in ("red", "green", "blue"):
            points[name] = np.asarray(record[name])
    points["intensity"] = np.asarray(record["intensity"])
    points["source"] = np.asarray(record["point_source_id"])
    points["class"] = np.asarray(record["classification"])
    points["return"] = np.asarray(record["return_number"])
    points["returns"] = np.asarray(record["number_of_returns"])
    return points, np.asarray(record["withheld"]).astype(bool), bad_time


def _fit(
    points: KeptPoints, withheld: BoolArray, selection: PointSelection
) -> Iterator[tuple[LeftOut, BoolArray]]:
    """Which points (n,) each condition admits, in the order in which they are asked."""
    yield LeftOut.WITHHELD, ~withheld
    yield LeftOut.NOISE, ~np.isin(points["class"], NOISE_CLASSES)
    if selection.classes is not None:
        yield LeftOut.CLASS, np.isin(points["class"], sorted(selection.classes))
    if selection.source_ids is not None:
        yield LeftOut.SOURCE, np.isin(points["source"], sorted(selection.source_ids))
    if selection.returns == "first":
        yield LeftOut.RETURN, points["return"] <= 1
    elif selection.returns == "last":
        yield LeftOut.RETURN, points["return"] >= points["returns"]
    elif selection.returns == "only":
        yield LeftOut.RETURN, points["returns"] <= 1
