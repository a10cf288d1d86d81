"""How a run was driven, and what that has to do with its residuals."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from accuracy.model.arrays import FloatArray, IntArray, Interval


class Fix(StrEnum):
    """State of a positioning solution."""

    FIXED = "fixed"
    FLOAT = "float"
    DIFFERENTIAL = "differential"
    SINGLE = "single"
    BRIDGED = "bridged"
    """Carried by SLAM or inertial sensors while satellites were lost."""
    NONE = "none"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trajectory:
    """A moving antenna, rig or prism: arrays are (n,), sorted by time where times exist."""

    name: str
    time_s: FloatArray | None
    """GPS seconds since 1980-01-06, continuous (no leap seconds); None if logged by distance only.
    Where ``time_scale`` is not "gps" the zero is another, and only differences mean anything."""
    time_scale: Literal["gps", "week-seconds", "day-seconds", "none"]
    easting_m: FloatArray
    northing_m: FloatArray
    height_m: FloatArray
    roll_rad: FloatArray | None = None
    pitch_rad: FloatArray | None = None
    heading_rad: FloatArray | None = None
    """Clockwise from grid north."""
    speed_m_per_s: FloatArray | None = None
    fix: NDArray[np.str_] | None = None
    """Values of Fix."""
    satellites: IntArray | None = None
    sigma_easting_m: FloatArray | None = None
    sigma_northing_m: FloatArray | None = None
    sigma_height_m: FloatArray | None = None
    remarks: tuple[str, ...] = ()
    """What was odd about the file, in words."""

    def __len__(self) -> int:
        return int(self.easting_m.shape[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class ComponentFigures:
    """Figures of one component of rig minus reference; of a distance (horizontal, 3D) all are positive."""

    n: int
    mean_m: float
    median_m: float
    rmse_m: float
    nmad_m: float
    """1.4826 times the median absolute deviation: what false fixes do not reach."""
    absolute_95_m: float
    """95 % quantile of the absolute value."""
    maximum_m: float
    """Largest absolute value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrajectoryGroup:
    """Rig minus reference over some of the epochs: along travel, to the left of it, up."""

    name: str
    n: int
    along: ComponentFigures | None
    """None where along-track was not measured (a reference without times)."""
    cross: ComponentFigures
    """Positive to the left of the direction of travel."""
    up: ComponentFigures
    horizontal: ComponentFigures | None
    three_d: ComponentFigures | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch of the run without usable epochs, on the rig's clock and along the rig's path."""

    of: Literal["reference", "rig"]
    start_s: float | None
    """None, as the duration, for a rig without times."""
    duration_s: float | None
    start_chainage_m: float
    length_m: float
    easting_m: float
    northing_m: float
    """Where it begins."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftBin:
    """Errors at about the same time, or distance, since the last fix."""

    since: float
    """Lower edge of the bin, seconds or metres."""
    until: float
    n: int
    outages: int
    rmse_horizontal_m: float | None
    """None where along-track was not measured."""
    rmse_up_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftModel:
    """How error grows after loss of fix: error^2 = start^2 + (rate s)^2 or start^2 + rate^2 s."""

    component: Literal["horizontal", "up"]
    against: Literal["time", "distance"]
    growth: Literal["linear", "random walk", "none"]
    start_m: float
    """RMSE with a fix, from the median, so that false fixes do not count."""
    rate: float
    """Metres per second or per metre if linear; per root second or root metre if a random walk."""
    rate_interval_95: Interval | None
    """Bootstrap over outages; None where the rate is not above zero."""
    outages: int
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Error against time and distance since the last fix."""

    outages: int
    by_time: tuple[DriftBin, ...] = ()
    by_distance: tuple[DriftBin, ...] = ()
    models: tuple[DriftModel, ...] = ()
    why_no_model: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrajectoryComparison:
    """One run's trajectory against one reference. Clock offset = rig's clock minus reference's."""

    run: str
    reference: str
    n: int
    """Epochs compared."""
    effective_n: float | None
    """As many independent epochs would say as much about the mean (horizontal)."""
    clock_offset_s: float | None
    """None where the drive does not tell it from the forward lever arm."""
    clock_offset_standard_uncertainty_s: float | None
    """0 where the offset was given, not estimated."""
    lever_arm_m: tuple[float | None, float | None, float | None]
    """From the rig's point to the reference's antenna or prism: forward, left, up in the vehicle."""
    lever_arm_standard_uncertainty_m: tuple[float | None, float | None, float | None]
    estimated: tuple[str, ...]
    """Which of clock, forward, left, up were fitted to these data, and so cannot show as errors."""
    attitude_source: str
    rmse_along_m: float | None
    rmse_cross_m: float
    rmse_up_m: float
    rmse_horizontal_m: float | None
    rmse_3d_m: float | None
    all_epochs: TrajectoryGroup
    by_fix: tuple[TrajectoryGroup, ...]
    by_speed: tuple[TrajectoryGroup, ...]
    by_direction: tuple[TrajectoryGroup, ...]
    by_segment: tuple[TrajectoryGroup, ...]
    by_distance: tuple[TrajectoryGroup, ...]
    """By distance from the instrument, where its position is known."""
    drift: Drift | None
    verified_share: float
    """Share of the run's time that a usable reference covers."""
    verified_share_of_distance: float
    gaps: tuple[Gap, ...]
    false_fixes: int
    """Epochs called fixed that lie farther off than five robust deviations of the fixed ones."""
    worst_false_fix_m: float | None
    remarks: tuple[str, ...]
    frame_shift_m: tuple[float | None, float | None, float | None] = (None, None, None)
    """Reference less rig, easting, northing, height: constant, and no lever arm. None where none shows.
    The residuals and their figures contain it."""
    frame_shift_standard_uncertainty_m: tuple[float | None, float | None, float | None] = (None, None, None)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrajectorySeries:
    """The compared epochs for charts, thinned; arrays are (n,), NaN where not measured.

    They stand in an archive beside the record.
    """

    time_s: FloatArray | None
    chainage_m: FloatArray
    easting_m: FloatArray
    northing_m: FloatArray
    along_m: FloatArray
    cross_m: FloatArray
    up_m: FloatArray
    speed_m_per_s: FloatArray
    fix: NDArray[np.str_]


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureConditions:
    """The rig's state when one pass captured one checkpoint; None where it is not known."""

    checkpoint_id: str
    pass_id: str
    """Source id and number of the pass, e.g. "706/1"."""
    time_s: float | None
    """GPS seconds, median of the points."""
    points: int
    speed_m_per_s: float | None = None
    course_rad: float | None = None
    """Direction of travel, clockwise from grid north; None at a standstill."""
    fix: str | None = None
    time_since_fix_s: float | None = None
    distance_since_fix_m: float | None = None
    range_m: float | None = None
    """From the rig's point to the checkpoint."""
    turn_rate_deg_per_s: float | None = None
    """Absolute."""
    incidence_deg: float | None = None
    """From the vertical, for level ground."""
    satellites: int | None = None
    by_place: bool = False
    """Joined where the rig came nearest, because the points carry no times."""
    why_not: str | None = None
    """Why no state is known: no times, another week, outside the run, in a gap."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionEffect:
    """How the size of residuals goes with one condition."""

    condition: str
    unit: str
    n: int
    kind: Literal["slope", "ratio"]
    effect: float
    """Slope: change of the absolute residual in metres per unit (Theil-Sen).
    Ratio: RMSE of the group over RMSE of the rest."""
    interval_95: Interval | None
    rank_correlation: float | None
    """Spearman, for slopes."""
    p_value: float | None
    p_value_corrected: float | None
    """Holm, over all conditions looked at together."""
    carried: bool
    """Whether the evidence carries a sentence: corrected p below 0.05 and an interval clear of no effect."""
    words: str
