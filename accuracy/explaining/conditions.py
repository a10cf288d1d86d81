"""The rig's state when each checkpoint was captured. Before condition_effects.

Each checkpoint's points say when they were captured; the trajectory says what the rig was doing
then. Several passes over one checkpoint are kept apart. Points without times, as images give them, are
taken to be captured where the rig came nearest, if it passed but once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from accuracy.model import (
    CaptureConditions,
    Checkpoint,
    FloatArray,
    Patch,
    Trajectory,
)
from accuracy.reading.trajectory_times import ADJUSTED_GPS_ZERO_S, WEEK_S
from accuracy.trajectory.drift import SinceFix, since_fix
from accuracy.trajectory.interpolate import Track, make_track

PASS_PAUSE_S = 5.0
"""Points of one source id this far apart in time belong to two passes."""
FARTHEST_BY_PLACE_M = 30.0
"""A rig that came no nearer did not capture the place from the road (judgement)."""
_PASSING_M = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class CaptureTimes:
    """When the points around one checkpoint were captured."""

    checkpoint_id: str
    easting_m: float
    northing_m: float
    height_m: float
    time_s: FloatArray | None
    """(n,) as the cloud stores it."""
    time_kind: Literal["week-seconds", "adjusted-gps", "none"]
    source_id: NDArray[np.uint16]


def capture_times(checkpoint: Checkpoint, patch: Patch) -> CaptureTimes:
    """The times of a checkpoint's patch."""
    return CaptureTimes(
        checkpoint_id=checkpoint.id,
        easting_m=checkpoint.easting_m,
        northing_m=checkpoint.northing_m,
        height_m=checkpoint.height_m,
        time_s=patch.gps_time_s,
        time_kind=patch.time_kind,
        source_id=patch.source_id,
    )


def times_given(time_s: FloatArray) -> NDArray[np.bool_]:
    """Mask (n,) of the times of one patch that say anything: numbers, and not zero at every point."""
    known: NDArray[np.bool_] = np.isfinite(time_s)
    return known & bool(np.any(time_s[known]))


# ----------------------------------------------------------------------- joining


def join_conditions(
    captures: Sequence[CaptureTimes], trajectory: Trajectory, *, sensor_height_m: float | None = None
) -> tuple[CaptureConditions, ...]:
    """The rig's state at each pass over each checkpoint, in the order of the captures.

    Args:
        captures: from ``capture_times``.
        trajectory: the rig's. With GPS times it names the week of clouds that store seconds of week.
        sensor_height_m: of the scanner above the road; None leaves the incidence out.

    Returns: one entry per checkpoint and pass; ``why_not`` says why an entry has no state.
    """
    if trajectory.time_s is None or len(trajectory) < 3:
        return tuple(_none(one, "", None, 0, "the trajectory carries no times") for one in captures)
    rig = _Rig(trajectory, trajectory.time_s, sensor_height_m)
    return tuple(found for one in captures for found in rig.join(one))


class _Rig:
    """The rig's trajectory, made ready to be asked for its state at an instant."""

    def __init__(self, trajectory: Trajectory, time_s: FloatArray, sensor_height_m: float | None) -> None:
        self.trajectory, self.sensor_height_m = trajectory, sensor_height_m
        self.zero_s = float(time_s[0])
        place = np.column_stack([trajectory.easting_m, trajectory.northing_m, trajectory.height_m])
        self.track: Track = make_track(time_s - self.zero_s, place - place[0], place[0])
        self.since: SinceFix | None = (
            None
            if trajectory.fix is None
            else since_fix(self.track.time_s, self.track.chainage_m, trajectory.fix)
        )
        velocity = self.track.velocity_m_per_s
        course = np.unwrap(np.arctan2(velocity[:, 0], velocity[:, 1]))
        heading = trajectory.heading_rad
        turning = course if heading is None else np.unwrap(heading)
        self.turn_rate = np.abs(np.degrees(np.gradient(turning, self.track.time_s)))
        if heading is None:
            # The course of a standing rig is noise; such a rig does not turn.
            self.turn_rate = np.where(self.track.speed_m_per_s < 1.0, 0.0, self.turn_rate)

    def join(self, capture: CaptureTimes) -> list[CaptureConditions]:
        """One entry per pass."""
        if capture.time_s is None or capture.time_kind == "none" or capture.time_s.size == 0:
            return [self._by_place(capture, "the cloud's points carry no times")]
        known = times_given(capture.time_s)
        if not known.any():
            return [self._by_place(capture, "the times of the points are empty (all zero or not numbers)")]
        time_s, why = self._on_rig_clock(capture.time_s[known], capture.time_kind)
        if why is not None:
            return [_none(capture, "", None, int(known.sum()), why)]
        found = []
        for source in np.unique(capture.source_id[known]):
            of_source = np.sort(time_s[capture.source_id[known] == source])
            parts = np.split(of_source, np.flatnonzero(np.diff(of_source) > PASS_PAUSE_S) + 1)
            found += [
                self._state(capture, f"{int(source)}/{number}", part) for number, part in enumerate(parts, 1)
            ]
        return found

    def _by_place(self, capture: CaptureTimes, why: str) -> CaptureConditions:
        """The state where the rig came nearest; points of images, for one, carry no times.

        Told only where the rig passed once: which of several passes a point is of, no place can say.
        """
        here = np.array([capture.easting_m, capture.northing_m]) - self.track.origin_m[:2]
        away = np.hypot(*(self.track.position_m[:, :2] - here).T)
        nearest = int(np.argmin(away))
        if away[nearest] > FARTHEST_BY_PLACE_M:
            return _none(
                capture, "", None, 0, f"{why}, and the rig came no nearer than {away[nearest]:.0f} m"
            )
        near_s = self.track.time_s[away <= max(2 * away[nearest], away[nearest] + _PASSING_M)]
        passes = 1 + int(np.count_nonzero(np.diff(near_s) > PASS_PAUSE_S))
        if passes > 1:
            return _none(capture, "", None, 0, f"{why}, and the rig passed here {passes} times")
        found = self._state(capture, "", np.array([self.track.time_s[nearest] + self.zero_s]))
        return replace(found, points=int(capture.source_id.size), by_place=True)

    def _on_rig_clock(self, time_s: FloatArray, kind: str) -> tuple[FloatArray, str | None]:
        scale = self.trajectory.time_scale
        middle = self.zero_s + float(self.track.time_s[-1]) / 2
        if scale == "day-seconds":
            return time_s, "the trajectory counts seconds of an unnamed day: declare its date"
        if kind == "adjusted-gps":
            gps_s = time_s + ADJUSTED_GPS_ZERO_S
            # Adjusted to the trajectory's unnamed week, where that is all it has.
            return (gps_s, None) if scale == "gps" else (np.mod(gps_s, WEEK_S), None)
        if not ((time_s >= 0) & (time_s <= WEEK_S)).all():
            return time_s, f"point times such as {float(time_s[0]):.1f} are no seconds of a GPS week"
        weeks = np.round((middle - float(np.median(time_s))) / WEEK_S)
        return time_s + weeks * WEEK_S, None

    def _state(self, capture: CaptureTimes, name: str, time_s: FloatArray) -> CaptureConditions:
        at = float(np.median(time_s))
        rig_s = np.array([at - self.zero_s])
        track, trajectory = self.track, self.trajectory
        index, usable = track.interval(rig_s)
        if not usable[0]:
            inside = track.time_s[0] <= rig_s[0] <= track.time_s[-1]
            away = max(float(track.time_s[0] - rig_s[0]), float(rig_s[0] - track.time_s[-1]))
            why = (
                "captured in a gap of the trajectory"
                if inside
                else f"captured {away:.0f} s outside the trajectory's times"
            )
            return _none(capture, name, at, time_s.size, why)
        place, _ = track.at(rig_s)
        late = rig_s[0] - track.time_s[index[0]] > track.time_s[index[0] + 1] - rig_s[0]
        epoch = int(index[0] + late)
        sight = (
            np.array([capture.easting_m, capture.northing_m, capture.height_m]) - track.origin_m - place[0]
        )
        flat = float(np.hypot(sight[0], sight[1]))
        speed = trajectory.speed_m_per_s
        since = self.since
        return CaptureConditions(
            checkpoint_id=capture.checkpoint_id,
            pass_id=name,
            time_s=at,
            points=int(time_s.size),
            speed_m_per_s=float(track.speed_m_per_s[epoch] if speed is None else speed[epoch]),
            course_rad=_course(track.velocity_m_per_s[epoch]),
            fix=None if trajectory.fix is None else str(trajectory.fix[epoch]),
            time_since_fix_s=None if since is None else _or_none(since.time_s[epoch]),
            distance_since_fix_m=None if since is None else _or_none(since.distance_m[epoch]),
            range_m=float(np.linalg.norm(sight)),
            turn_rate_deg_per_s=float(self.turn_rate[epoch]),
            incidence_deg=None
            if self.sensor_height_m is None
            else float(np.degrees(np.arctan2(flat, self.sensor_height_m))),
            satellites=None if trajectory.satellites is None else int(trajectory.satellites[epoch]),
        )


def _none(capture: CaptureTimes, name: str, time_s: float | None, points: int, why: str) -> CaptureConditions:
    return CaptureConditions(
        checkpoint_id=capture.checkpoint_id, pass_id=name, time_s=time_s, points=points, why_not=why
    )


def _course(velocity_m_per_s: FloatArray) -> float | None:
    """Clockwise from grid north; the course of a standing rig is noise."""
    east, north = float(velocity_m_per_s[0]), float(velocity_m_per_s[1])
    return float(np.arctan2(east, north)) if np.hypot(east, north) > 0.1 else None


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
