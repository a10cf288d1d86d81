"""Two trajectories -> one time scale, one origin, tracks, attitude. Before alignment."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from accuracy.errors import TrajectoryError
from accuracy.model import BoolArray, Fix, FloatArray, Trajectory
from accuracy.rounding import counted
from accuracy.trajectory.align import AlignmentSettings
from accuracy.trajectory.components import DISTANCE_BANDS_M, SPEED_BANDS_KM_H
from accuracy.trajectory.interpolate import (
    STANDING_M_PER_S,
    Attitude,
    Track,
    attitude_of,
    course_attitude,
    make_track,
)
from accuracy.trajectory.solving import FEWEST_EPOCHS, Pair

_PERIOD_S = {"week-seconds": 604_800.0, "day-seconds": 86_400.0}
_ENOUGH_FIXED = 50
_GPS_ZERO = dt.datetime(1980, 1, 6)
_HEADING_DISAGREES_RAD = np.pi / 6


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonSettings:
    """How rig and reference are compared."""

    alignment: AlignmentSettings = field(default_factory=AlignmentSettings)
    gap_s: float | None = None
    """Intervals longer than this are gaps; None: 2.5 times the usual interval of each trajectory."""
    reference_fixes: tuple[Fix, ...] = (Fix.FIXED,)
    """Fix states in which the reference counts, where its file has any."""
    reference_kind: Literal["gnss", "prism", "unknown"] = "unknown"
    instrument_m: tuple[float, float, float] | None = None
    """Easting, northing, height of a tracking instrument's axis."""
    segment_m: float = 100.0
    speed_bands_km_h: tuple[float, ...] = SPEED_BANDS_KM_H
    distance_bands_m: tuple[float, ...] = DISTANCE_BANDS_M
    most_series_points: int = 4000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prepared:
    """A pair ready for alignment, and what had to be decided about it."""

    pair: Pair
    rig_zero_s: float
    """Added to the pair's times to give the rig's own again."""
    remarks: tuple[str, ...]


def prepare(rig: Trajectory, reference: Trajectory, settings: ComparisonSettings) -> Prepared:
    """Bring both onto one time scale and one origin.

    Raises TrajectoryError where either has no times, repeated times, or too few epochs.
    """
    remarks: list[str] = []
    rig_s, reference_s, zero = _common_times(rig, reference, remarks)
    kept = usable_reference(reference, settings, remarks)
    origin = np.array([rig.easting_m[0], rig.northing_m[0], rig.height_m[0]])
    tracks = []
    for name, times, position in (
        (rig.name, rig_s, positions(rig)),
        (reference.name, reference_s[kept], positions(reference)[kept]),
    ):
        if (np.diff(times) <= 0).any():
            raise TrajectoryError(f"the times of {name} repeat or run backwards", remedy="Sort them first.")
        tracks.append(make_track(times, position - origin, origin, gap_s=settings.gap_s))
    attitude = _attitude(
        replace(rig, time_s=rig_s), replace(reference, time_s=reference_s), tracks[1], remarks
    )
    pair = Pair(rig.name, tracks[0], tracks[1], attitude, _trusted(rig, remarks))
    _refuse_apart(pair, rig, reference, zero, settings.alignment)
    return Prepared(pair=pair, rig_zero_s=zero, remarks=tuple(remarks))


def _refuse_apart(
    pair: Pair, rig: Trajectory, reference: Trajectory, zero_s: float, known: AlignmentSettings
) -> None:
    """Refuse two that do not meet in time, whatever the clock offset within the searched range."""
    slack = known.search_s if known.clock_offset_s is None else 0.0
    both_s = pair.rig.time_s - (known.clock_offset_s or 0.0), pair.reference.time_s
    low, high = max(one[0] for one in both_s) - slack, min(one[-1] for one in both_s) + slack
    shared = min(int(((one >= low) & (one <= high)).sum()) for one in both_s)
    if shared >= FEWEST_EPOCHS:
        return
    shares = f"only {counted(shared, 'usable epoch')}" if shared else "no usable epochs"
    raise TrajectoryError(
        f"rig and reference share {shares}, of at least {FEWEST_EPOCHS} that are needed: {rig.name} goes "
        f"from {_span(pair.rig, zero_s, rig.time_scale)}, {reference.name} from "
        f"{_span(pair.reference, zero_s, rig.time_scale)}",
        remedy="Check the date, the time scale (GPS or UTC), the kind of time and the fix states of both.",
    )


def _span(track: Track, zero_s: float, scale: str) -> str:
    first, last = float(track.time_s[0]) + zero_s, float(track.time_s[-1]) + zero_s
    if scale != "gps":
        return f"{first:.1f} to {last:.1f} s ({scale.replace('-', ' ')})"
    began, ended = (_GPS_ZERO + dt.timedelta(seconds=second) for second in (first, last))
    return f"{began:%Y-%m-%d %H:%M:%S} to {ended:%Y-%m-%d %H:%M:%S} GPS time"


def positions(trajectory: Trajectory) -> FloatArray:
    """(n, 3) easting, northing, height."""
    return np.column_stack([trajectory.easting_m, trajectory.northing_m, trajectory.height_m])


def _common_times(
    rig: Trajectory, reference: Trajectory, remarks: list[str]
) -> tuple[FloatArray, FloatArray, float]:
    for trajectory in (rig, reference):
        if trajectory.time_s is None or trajectory.time_scale == "none":
            raise TrajectoryError(
                f"{trajectory.name} carries no times", remedy="Compare by place, or export it with times."
            )
    if rig.time_s is None or reference.time_s is None:
        raise AssertionError  # for the type checker; refused above
    reference_s = reference.time_s
    if rig.time_scale != reference.time_scale:
        period = min(_PERIOD_S.get(t.time_scale, np.inf) for t in (rig, reference))
        turns = np.round((float(np.median(rig.time_s)) - float(np.median(reference_s))) / period)
        reference_s = reference_s + turns * period
        named = "week" if period > _PERIOD_S["day-seconds"] else "day"
        remarks.append(
            f"Only one of the two trajectories names its {named}: the other was taken to be of the same one"
            + (", whichever midnight (GPS or UTC) it counts from." if named == "day" else ".")
        )
    zero = float(rig.time_s[0])
    return rig.time_s - zero, reference_s - zero, zero


def usable_reference(reference: Trajectory, settings: ComparisonSettings, remarks: list[str]) -> BoolArray:
    """(n,) which reference epochs count; the others become gaps."""
    if reference.fix is None:
        return np.ones(len(reference), dtype=np.bool_)
    wanted = [state.value for state in settings.reference_fixes]
    kept = np.isin(reference.fix, wanted)
    if int(kept.sum()) < 3:
        remarks.append(
            f"The reference {reference.name} has {counted(int(kept.sum()), 'epoch')} with fix "
            f"{' or '.join(wanted)}: "
            "all its epochs were used, and its own error is in every figure."
        )
        return np.ones(len(reference), dtype=np.bool_)
    if not kept.all():
        remarks.append(
            f"Reference epochs that are not {' or '.join(wanted)}: {int((~kept).sum())} of {kept.size}, "
            "left out."
        )
    return np.asarray(kept, dtype=np.bool_)


def _trusted(rig: Trajectory, remarks: list[str]) -> BoolArray:
    everything = np.ones(len(rig), dtype=np.bool_)
    if rig.fix is None:
        return everything
    held = np.asarray(rig.fix == Fix.FIXED.value, dtype=np.bool_)
    if int(held.sum()) >= _ENOUGH_FIXED:
        return held
    remarks.append(
        f"Only {int(held.sum())} epochs of the rig have a fix: clock offset and lever arm rest on all epochs."
    )
    return everything


def _attitude(rig: Trajectory, reference: Trajectory, reference_track: Track, remarks: list[str]) -> Attitude:
    """The file's attitude where its heading agrees with the direction of travel, else the course."""
    for trajectory in (rig, reference):
        heading = trajectory.heading_rad
        if heading is not None and not np.isfinite(heading).all():
            remarks.append(
                f"Headings in {trajectory.name} are missing in "
                f"{counted(int((~np.isfinite(heading)).sum()), 'row')}: "
                "its attitude was not used."
            )
    attitude = attitude_of(rig, reference, reference_track)
    if attitude.source == "course":
        return attitude
    moving = reference_track.speed_m_per_s >= 2 * STANDING_M_PER_S
    if not moving.any():
        return attitude
    course = course_attitude(reference_track)
    angles, _ = attitude.at(reference_track.time_s[moving])
    off = angles[:, 2] - course.angles_rad[moving, 2]
    off = np.abs((off + np.pi) % (2 * np.pi) - np.pi)
    if float(np.median(off)) <= _HEADING_DISAGREES_RAD:
        return attitude
    remarks.append(
        f"The headings in the file of the {attitude.source} differ from the direction of travel by "
        f"{np.degrees(np.median(off)):.0f} degrees in the median: the direction of travel was used instead. "
        "Check that headings count clockwise from north, and their unit."
    )
    return course
