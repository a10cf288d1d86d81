"""Trajectories of a job's runs: read, compared with their references, joined to the checkpoints.

Part of the pipeline: after frames, reading and trajectory, before the record.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyproj

from accuracy.conversion import convert, undulation_m
from accuracy.errors import FrameError
from accuracy.explaining.conditions import capture_times, condition_effects, join_conditions
from accuracy.explaining.mistake_times import find_time_slip
from accuracy.frames import WorkingFrame, declared_crs
from accuracy.job import Job, RunInput, TrajectoryInput
from accuracy.model import (
    CaptureConditions,
    Checkpoint,
    CheckpointResult,
    ConditionEffect,
    FloatArray,
    Mistake,
    Patch,
    Progress,
    Trajectory,
    TrajectoryComparison,
    TrajectorySeries,
    VerticalResidual,
)
from accuracy.reading.trajectory import read_trajectory
from accuracy.reading.trajectory_polar import read_polar
from accuracy.reading.trajectory_times import ADJUSTED_GPS_ZERO_S, WEEK_S
from accuracy.trajectory.align import AlignmentSettings
from accuracy.trajectory.compare import align_trajectories, compare
from accuracy.trajectory.prepare import ComparisonSettings

_GEOGRAPHIC = "EPSG:4326"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drives:
    """What the trajectories of a job say."""

    rigs: Mapping[str, Trajectory]
    """The rig's own trajectory by run, where one was given."""
    comparisons: tuple[TrajectoryComparison, ...]
    series: tuple[TrajectorySeries, ...]
    """The epochs behind each comparison, in the same order, for charts."""


def read_drives(job: Job, frame: WorkingFrame, progress: Progress) -> Drives:
    """Read every trajectory and compare each run with each of its references.

    Runs that share a mounting share the lever arm and clock offset of a reference of one name: they
    are estimated together. Raises TrajectoryError and FrameError as the readers do.
    """
    rigs: dict[str, Trajectory] = {}
    pairs: defaultdict[tuple[str, str], list[tuple[RunInput, TrajectoryInput, Trajectory, Trajectory]]]
    pairs = defaultdict(list)
    for number, run in enumerate(job.runs, start=1):
        if run.trajectory is None:
            continue
        progress("Reading trajectories", number, len(job.runs))
        rigs[run.name] = _read(run.trajectory, frame, job)
        for reference in run.references:
            key = (run.mounting, reference.name)
            pairs[key].append((run, reference, rigs[run.name], _read(reference, frame, job)))
    found: dict[tuple[str, str], tuple[TrajectoryComparison, TrajectorySeries]] = {}
    done, total = 0, sum(len(group) for group in pairs.values())
    for group in pairs.values():
        settings = _settings(group[0][1])
        timed = [
            (rig, track) for _, _, rig, track in group if rig.time_s is not None and track.time_s is not None
        ]
        alignment = align_trajectories(timed, settings) if timed else None
        for run, reference, rig, track in group:
            done += 1
            progress("Comparing trajectories", done, total)
            found[run.name, reference.name] = compare(rig, track, _settings(reference), alignment=alignment)
    ordered = [
        found[run.name, reference.name]
        for run in job.runs
        if run.name in rigs
        for reference in run.references
    ]
    return Drives(
        rigs=rigs,
        comparisons=tuple(comparison for comparison, _ in ordered),
        series=tuple(series for _, series in ordered),
    )


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
        if job.frame.geoid is not None and job.frame.cloud_heights == "orthometric":
            height_m = height_m - undulation_m(job.frame.geoid, longitude_deg, latitude_deg)
        return converted.easting * unit_m, converted.northing * unit_m, height_m

    return to_grid


def conditions_of(
    rig: Trajectory,
    checkpoints: Sequence[Checkpoint],
    patches: Sequence[Patch],
    measured: Sequence[CheckpointResult],
) -> tuple[tuple[CaptureConditions, ...], tuple[ConditionEffect, ...]]:
    """The rig's state when each checkpoint was captured, and what goes with large height residuals."""
    captures = [capture_times(point, patch) for point, patch in zip(checkpoints, patches, strict=True)]
    conditions = join_conditions(captures, rig)
    residual_m = {
        one.id: one.vertical.residual_m
        for one in measured
        if one.used and isinstance(one.vertical, VerticalResidual)
    }
    joined = [one for one in conditions if one.why_not is None and one.checkpoint_id in residual_m]
    if not joined:
        return conditions, ()
    effects = condition_effects(np.array([residual_m[one.checkpoint_id] for one in joined]).tolist(), joined)
    return conditions, effects


def time_slip(rig: Trajectory, patches: Sequence[Patch]) -> Mistake | None:
    """A leap-second, time-zone or week slip between the points' times and the rig's; None where they fit."""
    if rig.time_s is None or rig.time_scale != "gps":
        return None
    first, last = float(rig.time_s[0]), float(rig.time_s[-1])
    spans = []
    for patch in patches:
        if patch.gps_time_s is None or not len(patch):
            continue
        # The week of points that count seconds of it is the rig's own.
        zero = ADJUSTED_GPS_ZERO_S if patch.time_kind == "adjusted-gps" else first - first % WEEK_S
        spans.append((float(patch.gps_time_s.min()) + zero, float(patch.gps_time_s.max()) + zero))
    if not spans:
        return None
    return find_time_slip((min(low for low, _ in spans), max(high for _, high in spans)), (first, last))
