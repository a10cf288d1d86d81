"""Positions, velocities and attitude between epochs, never across a gap. First stage of comparison.

Interpolant: a cubic through both epochs with the slopes of the parabola through three neighbours
(cubic Hermite with three-point slopes). Worst errors on a half turn of 8 m radius at 10 km/h, the
jump in curvature at its ends included: 0.120 m for the chord and 0.038 m for the cubic at 1 Hz,
1.2 and 0.4 mm at 10 Hz, 16 and 5 mm at one point per metre (a spline: 26, 0.3 and 4 mm). It is
local: a false fix spoils only the intervals beside it, where a spline would ring along the run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from accuracy.errors import TrajectoryError
from accuracy.model import BoolArray, FloatArray, IntArray, Trajectory

GAP_FACTOR = 2.5
"""An interval longer than this many usual ones is a gap."""
STANDING_M_PER_S = 0.3
"""Slower than this the direction of travel is noise: the rig counts as standing."""
_COURSE_KNOWN_M_PER_S = 1.0
"""Slower than this, a centimetre of noise turns the course by a degree: no estimate rests on it."""
_HALF_BASE_S = 0.5  # velocities over a second: centimetre noise makes 1.4 cm/s, half a degree at 6 km/h
_AT_EPOCH_S = 1e-3  # nearer than this to an epoch nothing is interpolated (3 cm at 100 km/h, extrapolated)
_USUAL_SHARE = 0.5
_CHUNK = 50_000


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """A trajectory made ready for interpolation; positions are offsets from ``origin_m``."""

    time_s: FloatArray
    """(n,) strictly increasing."""
    position_m: FloatArray
    """(n, 3) easting, northing, height, less the origin."""
    origin_m: FloatArray
    velocity_m_per_s: FloatArray
    """(n, 3) smoothed over about a second."""
    whole: BoolArray
    """(n-1,) whether the interval after each epoch is no gap."""
    chainage_m: FloatArray
    """(n,) distance travelled, noise while standing left out."""
    spaced_by: Literal["time", "distance"]
    usual_s: float
    """Median interval between epochs."""
    spline: CubicHermiteSpline

    def __len__(self) -> int:
        return int(self.time_s.shape[0])

    def interval(self, at_s: FloatArray) -> tuple[IntArray, BoolArray]:
        """The interval that each instant lies in, and whether it may be interpolated there."""
        t = self.time_s
        index = np.clip(np.searchsorted(t, at_s, side="right") - 1, 0, t.shape[0] - 2)
        near = np.minimum(np.abs(at_s - t[index]), np.abs(t[index + 1] - at_s)) <= _AT_EPOCH_S
        inside = (at_s >= t[0] - _AT_EPOCH_S) & (at_s <= t[-1] + _AT_EPOCH_S)
        return index, inside & (near | self.whole[index])

    def at(self, at_s: FloatArray) -> tuple[FloatArray, BoolArray]:
        """(m, 3) positions at (m,) instants, and where they may be used."""
        _, usable = self.interval(at_s)
        return np.asarray(self.spline(at_s), dtype=np.float64), usable

    def velocity_at(self, at_s: FloatArray) -> FloatArray:
        """(m, 3) smoothed velocity."""
        return _columns_at(at_s, self.time_s, self.velocity_m_per_s)

    @property
    def speed_m_per_s(self) -> FloatArray:
        """(n,) smoothed horizontal speed."""
        return np.hypot(self.velocity_m_per_s[:, 0], self.velocity_m_per_s[:, 1])


def make_track(
    time_s: FloatArray, position_m: FloatArray, origin_m: FloatArray, *, gap_s: float | None = None
) -> Track:
    """Prepare a trajectory for interpolation.

    Args:
        time_s: (n,) strictly increasing.
        position_m: (n, 3) less ``origin_m``.
        gap_s: intervals longer than this are gaps; None finds the limit from the trajectory.

    Raises TrajectoryError for fewer than three epochs.
    """
    if time_s.shape[0] < 3:
        raise TrajectoryError(
            f"{time_s.shape[0]} usable epochs are too few to interpolate between",
            remedy="Check the fix states and the overlap of the two trajectories.",
        )
    whole, spaced_by = _whole_intervals(time_s, position_m, gap_s)
    spline = CubicHermiteSpline(time_s, position_m, three_point_slopes(time_s, position_m, whole))
    velocity = _smoothed_velocity(spline, time_s, whole)
    return Track(
        time_s=time_s,
        position_m=position_m,
        origin_m=origin_m,
        velocity_m_per_s=np.asfortranarray(velocity),  # columns are read one by one
        whole=whole,
        chainage_m=_chainage(time_s, position_m, velocity, whole),
        spaced_by=spaced_by,
        usual_s=float(np.median(np.diff(time_s))),
        spline=spline,
    )


def _whole_intervals(
    time_s: FloatArray, position_m: FloatArray, gap_s: float | None
) -> tuple[BoolArray, Literal["time", "distance"]]:
    """A logger that ticks by time is late when time is long; one that ticks by metres, when way is."""
    dt = np.diff(time_s)
    if gap_s is not None:
        return dt <= gap_s, "time"
    step = np.linalg.norm(np.diff(position_m[:, :2], axis=0), axis=1)
    if _by_distance(dt, step):
        return step <= GAP_FACTOR * np.median(step), "distance"
    return dt <= GAP_FACTOR * np.median(dt), "time"


def _by_distance(dt: FloatArray, step: FloatArray) -> bool:
    """Whether the steps are more regular in way than in time (relative median deviation)."""

    def irregularity(values: FloatArray) -> float:
        middle = float(np.median(values))
        return float(np.median(np.abs(values - middle)) / middle) if middle > 0 else np.inf

    # A time logger's ticks repeat almost exactly; only clearly uneven ticks make a distance logger.
    return irregularity(dt) > 0.02 and irregularity(step) < _USUAL_SHARE * irregularity(dt)


def three_point_slopes(time_s: FloatArray, position_m: FloatArray, whole: BoolArray) -> FloatArray:
    """(n, 3) slopes of the parabola through each epoch and its neighbours; one-sided beside a gap."""
    dt = np.diff(time_s)[:, None]
    secant = np.diff(position_m, axis=0) / dt
    slopes = np.empty_like(position_m)
    slopes[1:-1] = (secant[:-1] * dt[1:] + secant[1:] * dt[:-1]) / (dt[:-1] + dt[1:])
    slopes[0], slopes[-1] = secant[0], secant[-1]
    before = np.concatenate([[False], whole])
    after = np.concatenate([whole, [False]])
    n = time_s.shape[0]
    # Beside a gap: end slope of the parabola through the three epochs on this side, if there are three.
    first = np.flatnonzero(after & ~before)
    slopes[first] = secant[first]
    deep = first[(first + 2 < n) & after[np.minimum(first + 1, n - 1)]]
    h0, h1 = dt[deep], dt[np.minimum(deep + 1, n - 2)]
    slopes[deep] += (secant[deep] - secant[np.minimum(deep + 1, n - 2)]) * h0 / (h0 + h1)
    last = np.flatnonzero(before & ~after)
    slopes[last] = secant[last - 1]
    deep = last[(last - 2 >= 0) & before[np.maximum(last - 1, 0)]]
    h0, h1 = dt[deep - 1], dt[np.maximum(deep - 2, 0)]
    slopes[deep] += (secant[deep - 1] - secant[np.maximum(deep - 2, 0)]) * h0 / (h0 + h1)
    slopes[~before & ~after] = 0.0
    return slopes


def _smoothed_velocity(spline: CubicHermiteSpline, time_s: FloatArray, whole: BoolArray) -> FloatArray:
    """(n, 3) over a base of about a second, kept within the stretch between two gaps."""
    half = max(_HALF_BASE_S, float(np.median(np.diff(time_s))))
    stretch = np.concatenate([[0], np.cumsum(~whole)])
    starts = np.searchsorted(stretch, stretch, side="left")
    ends = np.searchsorted(stretch, stretch, side="right") - 1
    early = np.maximum(time_s - half, time_s[starts])
    late = np.minimum(time_s + half, time_s[ends])
    base = (late - early)[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        velocity = (np.asarray(spline(late)) - np.asarray(spline(early))) / base
    return np.where(base > 0, velocity, 0.0)


def _chainage(
    time_s: FloatArray, position_m: FloatArray, velocity: FloatArray, whole: BoolArray
) -> FloatArray:
    """Distance travelled: speed times time while moving, the chord across a gap."""
    speed = np.hypot(velocity[:, 0], velocity[:, 1])
    speed = np.where(speed >= STANDING_M_PER_S, speed, 0.0)
    step = np.diff(time_s) * (speed[1:] + speed[:-1]) / 2
    chord = np.linalg.norm(np.diff(position_m[:, :2], axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(np.where(whole, step, chord))])


def interpolation_error_m(track: Track) -> float:
    """What interpolation costs on this path: 95 % of its errors are smaller, in metres.

    Every second epoch is predicted from the others. The error falls with the second power of the
    interval where the curvature jumps and with the fourth in a steady turn: the third is taken
    between, so an eighth of the error belongs to the full rate. Noise is in it.
    """
    if len(track) < 7:
        return float("nan")
    t, p = track.time_s, track.position_m
    whole = (track.whole[:-1] & track.whole[1:])[::2][: t[::2].shape[0] - 1]
    spline = CubicHermiteSpline(t[::2], p[::2], three_point_slopes(t[::2], p[::2], whole))
    between = t[1::2][: whole.shape[0]]
    error = np.linalg.norm(np.asarray(spline(between)) - p[1::2][: whole.shape[0]], axis=1)[whole]
    return float(np.quantile(error, 0.95) / 8) if error.size else float("nan")


def _columns_at(at: FloatArray, nodes: FloatArray, columns: FloatArray) -> FloatArray:
    return np.column_stack([np.interp(at, nodes, column) for column in columns.T])


# ----------------------------------------------------------------------- attitude

AttitudeSource = Literal["rig", "reference", "course"]


@dataclass(frozen=True, slots=True, eq=False)
class Attitude:
    """Roll, pitch, heading over time, on the clock of the trajectory that they come from."""

    source: AttitudeSource
    """Whose file gives it; "course": direction of travel and grade of the reference, roll taken as 0."""
    clock: Literal["rig", "reference"]
    time_s: FloatArray
    angles_rad: FloatArray
    """(n, 3) roll, pitch, heading; headings unwrapped."""
    known: BoolArray
    """(n,) false where only the course is known and the rig is too slow to have one."""

    def at(self, at_s: FloatArray) -> tuple[FloatArray, BoolArray]:
        """(m, 3) angles, and whether they are known there."""
        index = np.clip(np.searchsorted(self.time_s, at_s), 0, self.time_s.shape[0] - 1)
        return _columns_at(at_s, self.time_s, self.angles_rad), self.known[index]


def attitude_of(rig: Trajectory, reference: Trajectory, reference_track: Track) -> Attitude:
    """From the rig's file, else the reference's, else the reference's course and grade."""
    whose: Literal["rig", "reference"]
    for whose, trajectory in (("rig", rig), ("reference", reference)):
        if trajectory.heading_rad is None or trajectory.time_s is None:
            continue
        level = np.zeros(len(trajectory))
        angles = np.column_stack(
            [
                level if trajectory.roll_rad is None else trajectory.roll_rad,
                level if trajectory.pitch_rad is None else trajectory.pitch_rad,
                np.unwrap(trajectory.heading_rad),
            ]
        )
        if np.isfinite(angles).all():
            known = np.ones(len(trajectory), dtype=np.bool_)
            return Attitude(whose, whose, trajectory.time_s, np.asfortranarray(angles), known)
    return course_attitude(reference_track)


def course_attitude(track: Track) -> Attitude:
    """Direction of travel and grade; held from the last motion while standing."""
    v = track.velocity_m_per_s
    speed = track.speed_m_per_s
    moving = speed >= STANDING_M_PER_S
    angles = np.zeros((len(track), 3), order="F")
    if moving.any():
        last = np.maximum.accumulate(np.where(moving, np.arange(len(track)), -1))
        last = np.where(last < 0, np.flatnonzero(moving)[0], last)
        angles[:, 1] = np.arctan2(v[:, 2], np.maximum(speed, STANDING_M_PER_S))[last]
        angles[:, 2] = np.unwrap(np.arctan2(v[:, 0], v[:, 1])[last])
    return Attitude("course", "reference", track.time_s, angles, speed >= _COURSE_KNOWN_M_PER_S)


def vehicle_axes(angles_rad: FloatArray) -> FloatArray:
    """(m, 3, 3): columns are forward, left and up of the vehicle in easting, northing, height.

    Roll is positive with the right side down, pitch with the nose up, heading clockwise from north.
    """
    roll, pitch, heading = angles_rad.T
    sh, ch, sp, cp = np.sin(heading), np.cos(heading), np.sin(pitch), np.cos(pitch)
    sr, cr = np.sin(roll), np.cos(roll)
    forward = np.stack([sh * cp, ch * cp, sp], axis=-1)
    level_left = np.stack([-ch, sh, np.zeros_like(sh)], axis=-1)
    level_up = np.stack([-sh * sp, -ch * sp, cp], axis=-1)
    left = level_left * cr[:, None] + level_up * sr[:, None]
    up = level_up * cr[:, None] - level_left * sr[:, None]
    return np.stack([forward, left, up], axis=-1)


def arm_in_grid(angles_rad: FloatArray, arm_m: FloatArray) -> FloatArray:
    """(m, 3) the lever arm (forward, left, up) turned into easting, northing, height."""
    turned = np.zeros_like(angles_rad)
    if np.any(arm_m):
        for start in range(0, angles_rad.shape[0], _CHUNK):  # nine numbers per epoch: not all at once
            part = slice(start, start + _CHUNK)
            turned[part] = vehicle_axes(angles_rad[part]) @ arm_m
    return turned
