"""Trajectories of a job's runs: read, compared with their references, joined to the checkpoints.

Part of the pipeline: after frames, reading and trajectory, before the record.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pyproj

from accuracy.conversion import convert, undulation_m
from accuracy.errors import FrameError, RequestError, TrajectoryError
from accuracy.explaining.conditions import capture_times, join_conditions, times_given
from accuracy.explaining.mistake_times import find_time_slip, slip_between
from accuracy.frames import WorkingFrame, declared_crs
from accuracy.job import Job, RunInput, TrajectoryInput
from accuracy.model import (
    CaptureConditions,
    Checkpoint,
    FloatArray,
    Mistake,
    Patch,
    Progress,
    Trajectory,
    TrajectoryComparison,
    TrajectorySeries,
)
from accuracy.reading.cloud import sha256_of
from accuracy.reading.trajectory import read_trajectory
from accuracy.reading.trajectory_polar import read_polar
from accuracy.reading.trajectory_times import ADJUSTED_GPS_ZERO_S, WEEK_S
from accuracy.trajectory.align import AlignmentSettings
from accuracy.trajectory.compare import align_trajectories, compare
from accuracy.trajectory.prepare import ComparisonSettings, prepare

_GEOGRAPHIC = "EPSG:4326"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drives:
    """What the trajectories of a job say."""

    rigs: Mapping[str, Trajectory]
    """The rig's own trajectory by run, where one was given."""
    comparisons: tuple[TrajectoryComparison, ...]
    series: tuple[TrajectorySeries, ...]
    """The epochs behind each comparison, in the same order, for charts."""
    not_compared: Mapping[tuple[str, str], str] = field(default_factory=dict)
    """Why a reference says nothing of its run, in a sentence, by run and reference."""


def read_drives(job: Job, frame: WorkingFrame, progress: Progress) -> Drives:
    """Read every trajectory and compare each run with each of its references.

    Runs that share a mounting share the lever arm and clock offset of a reference of one name: they
    are estimated together. A reference that does not meet its run is left out with the reason, so that
    the others still stand. Raises TrajectoryError and FrameError as the readers do, and RequestError
    for a file that is there twice.
    """
    rigs: dict[str, Trajectory] = {}
    pairs: defaultdict[tuple[str, str], list[_Pair]] = defaultdict(list)
    for number, run in enumerate(job.runs, start=1):
        if run.trajectory is None:
            continue
        progress("Reading trajectories", number, len(job.runs))
        hashes = _hashes(run, run.trajectory)
        rigs[run.name] = _read(run.trajectory, frame, job)
        for reference in run.references:
            key = (run.mounting, reference.name)
            files = (hashes[run.trajectory.path], hashes[reference.path])
            pairs[key].append(_Pair(run, reference, rigs[run.name], _read(reference, frame, job), files))
    found: dict[tuple[str, str], tuple[TrajectoryComparison, TrajectorySeries]] = {}
    left_out: dict[tuple[str, str], str] = {}
    done, total = 0, sum(len(group) for group in pairs.values())
    for group in pairs.values():
        together = _meeting(group)
        alignment = None
        if len(together) > 1:
            # Where they cannot be aligned together, each is tried and answered for by itself.
            with suppress(TrajectoryError):
                alignment = align_trajectories(
                    [(one.rig, one.track) for one in together], _settings(group[0].reference)
                )
        for one in group:
            done += 1
            progress("Comparing trajectories", done, total)
            key = (one.run.name, one.reference.name)
            try:
                found[key] = compare(one.rig, one.track, _settings(one.reference), alignment=alignment)
            except TrajectoryError as error:
                left_out[key] = _why_not_compared(one, error)
    ordered = [
        found[run.name, reference.name]
        for run in job.runs
        for reference in run.references
        if (run.name, reference.name) in found
    ]
    return Drives(
        rigs=rigs,
        comparisons=tuple(comparison for comparison, _ in ordered),
        series=tuple(series for _, series in ordered),
        not_compared=left_out,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """A run's trajectory and one of its references."""

    run: RunInput
    reference: TrajectoryInput
    rig: Trajectory
    track: Trajectory
    files: tuple[str, str]
    """Hashes of the two files."""


def _hashes(run: RunInput, own: TrajectoryInput) -> dict[Path, str]:
    """By path; a file that is there twice would be compared with itself, or counted as two witnesses."""
    hashes = {one.path: sha256_of(one.path) for one in (own, *run.references)}
    seen: dict[str, Path] = {hashes[own.path]: own.path}
    for reference in run.references:
        other = seen.get(hashes[reference.path])
        if other is not None:
            what = "the run's own trajectory" if other == own.path else f"the reference {other.name}"
            raise RequestError(
                f'the reference "{reference.name}" of run "{run.name}" ({reference.path.name}) holds the '
                f"same bytes as {what}: it is no further evidence",
                remedy="Name each file once.",
            )
        seen[hashes[reference.path]] = reference.path
    return hashes


def _meeting(group: Sequence[_Pair]) -> list[_Pair]:
    """The pairs that carry times and meet in them, each two files once: whole-day logs serve several runs."""
    kept: dict[tuple[str, str], _Pair] = {}
    for one in group:
        if one.rig.time_s is None or one.track.time_s is None:
            continue
        try:
            prepare(one.rig, one.track, _settings(one.reference))
        except TrajectoryError:
            continue  # said where it is compared
        kept.setdefault(one.files, one)
    return list(kept.values())


def _why_not_compared(one: _Pair, error: TrajectoryError) -> str:
    own = one.run.trajectory
    files = f"{one.reference.path.name} against {own.path.name}" if own else one.reference.path.name
    words = f'Run "{one.run.name}", reference "{one.reference.name}" ({files}): not compared. '
    words += f"{error.what[:1].upper()}{error.what[1:]}."
    spans = [
        (float(t.time_s[0]), float(t.time_s[-1]))
        for t in (one.rig, one.track)
        if t.time_s is not None and t.time_scale == "gps"
    ]
    if len(spans) == 2 and (spans[0][1] < spans[1][0] or spans[1][1] < spans[0][0]):
        slip = slip_between(*spans)
        if slip is not None:
            words += f" They would meet if the reference's times are {slip}: declare its time with format."
    return f"{words} {error.remedy}" if error.remedy else words


def _settings(reference: TrajectoryInput) -> ComparisonSettings:
    instrument = reference.instrument_m
    if instrument is None and reference.polar is not None:
        east, north, height = reference.polar.station_m
        instrument = (east, north, height + reference.polar.instrument_height_m)
    return ComparisonSettings(
        alignment=AlignmentSettings(
            clock_offset_s=reference.clock_offset_s, lever_arm_m=reference.lever_arm_m
        ),
        reference_kind=reference.kind,
        instrument_m=instrument,
    )


def _read(given: TrajectoryInput, frame: WorkingFrame, job: Job) -> Trajectory:
    if given.polar is not None:
        return read_polar(given.path, given.polar, given.format).trajectory
    return read_trajectory(given.path, given.format, to_grid=_to_grid(given, frame, job))


def _to_grid(
    given: TrajectoryInput, frame: WorkingFrame, job: Job
) -> Callable[[FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray, FloatArray]]:
    """Latitude, longitude, ellipsoidal height -> working frame; heights change only with a geoid grid."""

    def to_grid(
        latitude_deg: FloatArray, longitude_deg: FloatArray, height_m: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        if frame.crs is None:
            raise FrameError(
                "the trajectory is in latitudes, and the cloud has no coordinate system record",
                path=given.path,
                remedy="Declare the cloud's system.",
            )
        plane = frame.crs.sub_crs_list[0] if frame.crs.is_compound else frame.crs.to_2d()
        converted = convert(
            longitude_deg,
            latitude_deg,
            height_m,
            source=declared_crs(given.crs or _GEOGRAPHIC),
            target=pyproj.CRS(plane),
            path=given.path,
        )
        unit_m = plane.axis_info[0].unit_conversion_factor
        if job.frame.geoid is not None and (job.frame.cloud_heights or frame.height_kind) == "orthometric":
            height_m = height_m - undulation_m(job.frame.geoid, longitude_deg, latitude_deg)
        return converted.easting * unit_m, converted.northing * unit_m, height_m

    return to_grid


def conditions_of(
    rig: Trajectory, checkpoints: Sequence[Checkpoint], patches: Sequence[Patch]
) -> tuple[CaptureConditions, ...]:
    """The rig's state when each checkpoint was captured."""
    captures = [capture_times(point, patch) for point, patch in zip(checkpoints, patches, strict=True)]
    return join_conditions(captures, rig)


def time_slip(rig: Trajectory, patches: Sequence[Patch]) -> Mistake | None:
    """A leap-second, time-zone or week slip between the points' times and the rig's; None where they fit.

    Patches whose times are all zero have none: a drive on a Sunday morning would seem an hour or two off.
    """
    if rig.time_s is None or rig.time_scale != "gps":
        return None
    first, last = float(rig.time_s[0]), float(rig.time_s[-1])
    spans = []
    for patch in patches:
        if patch.gps_time_s is None or not (known := times_given(patch.gps_time_s)).any():
            continue
        time_s = patch.gps_time_s[known]
        # The week of points that count seconds of it is the rig's own.
        zero = ADJUSTED_GPS_ZERO_S if patch.time_kind == "adjusted-gps" else first - first % WEEK_S
        spans.append((float(time_s.min()) + zero, float(time_s.max()) + zero))
    if not spans:
        return None
    return find_time_slip((min(low for low, _ in spans), max(high for _, high in spans)), (first, last))
