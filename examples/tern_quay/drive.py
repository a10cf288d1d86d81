"""One run: where the trike truly was, what its rig believed, and what the references saw. All invented.

The rig fixes its position by RTK GNSS under open sky and is bridged by SLAM under the plane trees,
where its error drifts with the distance travelled. Its lidar clock is late by a constant, so the
cloud is displaced along the track in proportion to the speed. Faster driving shakes the mast. Carried by
hand along the footway, the rig has no mast to shake, and time enough to average its fixes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import scene

FloatArray = NDArray[np.float64]

EPOCH_HZ = 20.0
LANE_OFFSET_M = 1.2
FOOTWAY_OFFSET_M = 4.6
RIG_HEIGHT_M = 1.9
LIDAR_CLOCK_LATE_S = 0.0025
# GPS week 2426 begins on Sunday 5 July 2026.
GPS_WEEK = 2426
SECONDS_PER_WEEK = 604_800.0
ANTENNA_LEVER_M = (-0.420, 0.085, 0.310)
PRISM_LEVER_M = (0.350, -0.110, 0.225)
ANTENNA_CLOCK_LATE_S = 0.040
PRISM_CLOCK_LATE_S = 0.110
GM_TIME_S = 40.0
ON_TRIKE = "on the trike"
BY_HAND = "by hand"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlan:
    """How one run was driven."""

    name: str
    speed_km_per_h: float
    direction: str
    carried: str = ON_TRIKE
    start_s: float
    """Seconds of the GPS week."""
    seed: int

    @property
    def speed_m_per_s(self) -> float:
        """Nominal speed."""
        return self.speed_km_per_h / 3.6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive:
    """True motion and the rig's error, epoch by epoch; arrays are (n,)."""

    plan: RunPlan
    time_s: FloatArray
    """Seconds of the GPS week."""
    chainage_m: FloatArray
    easting_m: FloatArray
    northing_m: FloatArray
    height_m: FloatArray
    heading_rad: FloatArray
    pitch_rad: FloatArray
    roll_rad: FloatArray
    speed_m_per_s: FloatArray
    fix: NDArray[np.str_]
    error_easting_m: FloatArray
    error_northing_m: FloatArray
    error_height_m: FloatArray

    def at_chainage(self, chainage_m: FloatArray) -> FloatArray:
        """Time (n,) at which the rig passed each chainage."""
        order = np.argsort(self.chainage_m)
        return np.asarray(np.interp(chainage_m, self.chainage_m[order], self.time_s[order]))

    def forward(self, time_s: FloatArray) -> FloatArray:
        """Unit vector (n, 2), east and north, in which the rig headed at ``time_s``."""
        heading = np.interp(time_s, self.time_s, self.heading_rad)
        return np.column_stack([np.sin(heading), np.cos(heading)])

    def rig_error_m(self, time_s: FloatArray) -> FloatArray:
        """Error (n, 3) of the position that the rig believed it had at ``time_s``."""
        return np.column_stack(
            [
                np.interp(time_s, self.time_s, error)
                for error in (self.error_easting_m, self.error_northing_m, self.error_height_m)
            ]
        )

    def cloud_error_m(self, time_s: FloatArray) -> FloatArray:
        """Displacement (n, 3) of lidar points captured at ``time_s``: rig error plus the late clock."""
        slip = np.interp(time_s, self.time_s, self.speed_m_per_s) * LIDAR_CLOCK_LATE_S
        displaced = self.rig_error_m(time_s)
        displaced[:, :2] += slip[:, None] * self.forward(time_s)
        return displaced


def _wandering(rng: np.random.Generator, time_s: FloatArray, sigma: float, tau_s: float) -> FloatArray:
    """A first-order Gauss-Markov process (n,) with that standard deviation and correlation time."""
    keep = np.exp(-np.diff(time_s) / tau_s)
    kicks = rng.normal(0.0, sigma, time_s.size)
    values = np.empty(time_s.size)
    values[0] = kicks[0]
    for index, factor in enumerate(keep):
        values[index + 1] = factor * values[index] + np.sqrt(1 - factor**2) * kicks[index + 1]
    return values


def _drift(
    rng: np.random.Generator,
    time_s: FloatArray,
    step_m: FloatArray,
    lost: NDArray[np.bool_],
    per_root_metre_m: float,
) -> FloatArray:
    """Bridging error (n,): a random walk in distance while the fix is lost, gone when it is back."""
    walk = np.cumsum(np.where(lost, rng.normal(0.0, 1.0, time_s.size) * np.sqrt(step_m), 0.0))
    return np.where(lost, per_root_metre_m * walk, 0.0)


def drive(plan: RunPlan) -> Drive:
    """Drive the road once, as planned."""
    rng = np.random.default_rng(plan.seed)
    speed = plan.speed_m_per_s
    duration = scene.LENGTH_M / speed * 1.08
    time = np.arange(0.0, duration, 1 / EPOCH_HZ)
    varying = speed * (1 + 0.06 * np.sin(2 * np.pi * time / 37.0) + 0.03 * np.sin(2 * np.pi * time / 11.0))
    varying *= np.clip(time / 4.0, 0.15, 1.0)
    travelled = np.concatenate([[0.0], np.cumsum(varying[:-1] / EPOCH_HZ)])
    inside = travelled <= scene.LENGTH_M
    time, varying, travelled = time[inside], varying[inside], travelled[inside]
    eastbound = plan.direction == "eastbound"
    chainage = travelled if eastbound else scene.LENGTH_M - travelled
    by_hand = plan.carried == BY_HAND
    aside = FOOTWAY_OFFSET_M if by_hand else LANE_OFFSET_M
    lane = -aside if eastbound else aside
    offset = lane + 0.15 * np.sin(2 * np.pi * travelled / 60.0 + plan.seed)
    easting, northing = scene.position_m(chainage, offset)
    shake = 0.0006 * (speed / 3.0) ** 2
    height = scene.ground_m(chainage, offset) + RIG_HEIGHT_M
    heading = np.unwrap(np.arctan2(np.gradient(easting), np.gradient(northing)))
    grade = np.arctan2(np.gradient(height), np.hypot(np.gradient(easting), np.gradient(northing)))
    lost = scene.between(chainage, scene.AVENUE_M)
    entering = lost & ~scene.between(chainage - np.sign(chainage[-1] - chainage[0]) * 25.0, scene.AVENUE_M)
    fix = np.where(lost, np.where(entering, "float", "bridged"), "fixed")
    step = np.abs(np.diff(chainage, prepend=chainage[0]))
    mast = 0.0 if by_hand else 0.010 * (speed / 3.333) ** 2
    fixed, calm = (0.004, 0.6) if by_hand else (0.006, 1.0)
    horizontal = [
        _wandering(rng, time, fixed, GM_TIME_S) + _drift(rng, time, step, lost, calm * 0.0019)
        for _ in range(2)
    ]
    vertical = (
        0.003
        + _wandering(rng, time, fixed, GM_TIME_S)
        + _wandering(rng, time, mast, 1.5)
        + _drift(rng, time, step, lost, calm * 0.0014)
    )
    return Drive(
        plan=plan,
        time_s=plan.start_s + time,
        chainage_m=chainage,
        easting_m=easting,
        northing_m=northing,
        height_m=height,
        heading_rad=heading,
        pitch_rad=grade + rng.normal(0.0, shake, time.size),
        roll_rad=rng.normal(0.0, shake, time.size),
        speed_m_per_s=varying,
        fix=fix.astype(str),
        error_easting_m=horizontal[0],
        error_northing_m=horizontal[1],
        error_height_m=vertical,
    )


def rig_csv(run: Drive) -> str:
    """The rig's own trajectory, as its software would write it."""
    lines = ["gps_week,gps_seconds,easting,northing,height,roll,pitch,heading,speed,fix,satellites"]
    satellites = np.where(run.fix == "fixed", 17, np.where(run.fix == "float", 9, 4))
    lines.extend(
        f"{GPS_WEEK},{run.time_s[i]:.3f},"
        f"{run.easting_m[i] + run.error_easting_m[i]:.4f},"
        f"{run.northing_m[i] + run.error_northing_m[i]:.4f},"
        f"{run.height_m[i] + run.error_height_m[i]:.4f},"
        f"{np.degrees(run.roll_rad[i]):.4f},{np.degrees(run.pitch_rad[i]):.4f},"
        f"{np.degrees(run.heading_rad[i]) % 360:.4f},{run.speed_m_per_s[i]:.3f},"
        f"{run.fix[i]},{satellites[i]}"
        for i in range(run.time_s.size)
    )
    return "\n".join(lines) + "\n"


def _carried(run: Drive, time_s: FloatArray, lever_m: tuple[float, float, float]) -> FloatArray:
    """True position (n, 3) of a point fixed to the vehicle (forward, left, up) at ``time_s``."""
    forward, left, up = lever_m
    heading = np.interp(time_s, run.time_s, run.heading_rad)
    pitch = np.interp(time_s, run.time_s, run.pitch_rad)
    level = forward * np.cos(pitch) - up * np.sin(pitch)
    east = np.interp(time_s, run.time_s, run.easting_m) + level * np.sin(heading) - left * np.cos(heading)
    north = np.interp(time_s, run.time_s, run.northing_m) + level * np.cos(heading) + left * np.sin(heading)
    high = np.interp(time_s, run.time_s, run.height_m) + forward * np.sin(pitch) + up * np.cos(pitch)
    return np.column_stack([east, north, high])


def gnss_csv(run: Drive) -> str:
    """A GNSS receiver on the same trike, 10 Hz: it loses its fix under the trees as well."""
    rng = np.random.default_rng(run.plan.seed + 1000)
    time = np.arange(run.time_s[0] + 0.5, run.time_s[-1] - 0.5, 0.1)
    chainage = np.interp(time, run.time_s, run.chainage_m)
    seen = ~scene.between(chainage, scene.AVENUE_M)
    position = _carried(run, time, ANTENNA_LEVER_M)
    for axis, sigma in enumerate((0.006, 0.006, 0.010)):
        position[:, axis] += _wandering(rng, time, sigma, 8.0) + rng.normal(0.0, sigma / 3, time.size)
    lines = ["gps_week,gps_seconds,easting,northing,height,fix"]
    lines.extend(
        f"{GPS_WEEK},{time[i] + ANTENNA_CLOCK_LATE_S:.3f},"
        f"{position[i, 0]:.4f},{position[i, 1]:.4f},{position[i, 2]:.4f},fixed"
        for i in np.flatnonzero(seen)
    )
    return "\n".join(lines) + "\n"


def station_m() -> tuple[float, float, float]:
    """Where the total station's axis stands: on the footway at chainage 430."""
    chainage, offset = np.array([430.0]), np.array([5.2])
    east, north = (float(value[0]) for value in scene.position_m(chainage, offset))
    return east, north, float(scene.ground_m(chainage, offset)[0]) + 1.6


def prism_csv(run: Drive) -> str:
    """A prism on the mast followed by a total station at chainage 430: 7 Hz, until lock is lost."""
    rng = np.random.default_rng(run.plan.seed + 2000)
    time = np.arange(run.time_s[0] + 1.0, run.time_s[-1] - 1.0, 1 / 7.0)
    chainage = np.interp(time, run.time_s, run.chainage_m)
    position = _carried(run, time, PRISM_LEVER_M)
    station = station_m()
    distance = np.hypot(position[:, 0] - station[0], position[:, 1] - station[1])
    seen = distance < 620.0
    # A passing van hides the prism for some seconds; at the highest speed lock is lost close by.
    seen &= ~scene.between(chainage, (232.0, 232.0 + 4.0 * max(run.plan.speed_m_per_s, 2.0)))
    if run.plan.speed_km_per_h > 20:
        seen &= ~scene.between(chainage, (405.0, 500.0))
    sigma = 0.0015 + distance * 4.0e-6
    position += rng.normal(0.0, 1.0, position.shape) * sigma[:, None]
    lines = ["gps_week,gps_seconds,easting,northing,height"]
    lines.extend(
        f"{GPS_WEEK},{time[i] + PRISM_CLOCK_LATE_S:.3f},"
        f"{position[i, 0]:.4f},{position[i, 1]:.4f},{position[i, 2]:.4f}"
        for i in np.flatnonzero(seen)
    )
    return "\n".join(lines) + "\n"
