"""The nouns. Every stage takes some of these and returns others; none of them reads or prints.

Conventions (they hold everywhere): working frame in metres, right-handed easting, northing,
height; residual = cloud minus checkpoint, so a positive height residual lies above the mark;
numbers at full precision; ``None`` where a figure does not exist, never NaN.
Field names are the keys of ``result.json``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

Progress = Callable[[str, int, int], None]
"""Called with (what is being done, how much is done, how much there is to do)."""


def no_progress(_what: str, _done: int, _total: int) -> None:
    """A Progress that shows nothing."""


# --------------------------------------------------------------------------- checkpoints


class Cover(StrEnum):
    """What stands on the ground at a checkpoint: the stratum of a vertical assessment."""

    OPEN = "open"
    VEGETATED = "vegetated"


class Role(StrEnum):
    """Whether a surveyed point tests the cloud or helped to make it."""

    CHECK = "check"
    CONTROL = "control"


@dataclass(frozen=True, slots=True, kw_only=True)
class Checkpoint:
    """One surveyed point, in the working frame (metres)."""

    id: str
    easting_m: float
    northing_m: float
    height_m: float
    sigma_easting_m: float | None = None
    sigma_northing_m: float | None = None
    sigma_height_m: float | None = None
    cover: Cover = Cover.OPEN
    role: Role = Role.CHECK
    mark: str = "none"
    mark_size_m: float | None = None
    observed_easting_m: float | None = None
    observed_northing_m: float | None = None
    observed_height_m: float | None = None
    attributes: Mapping[str, str] = field(default_factory=dict)
    row: int | None = None
    """Row of the table it came from, counted from 1 as a text editor does."""


# --------------------------------------------------------------------------- points


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """The points of a cloud around one checkpoint, as offsets from it; all arrays are (n,).

    Within ``whole_radius_m`` of the checkpoint every admitted point is here. From there to
    ``outer_radius_m`` the points may be a deterministic thinning; ``outer_share`` is the share kept.
    """

    checkpoint_id: str
    east_m: FloatArray
    north_m: FloatArray
    up_m: FloatArray
    whole_radius_m: float
    outer_radius_m: float
    outer_share: float = 1.0
    intensity: FloatArray | None = None
    red: FloatArray | None = None
    green: FloatArray | None = None
    blue: FloatArray | None = None
    gps_time_s: FloatArray | None = None
    """As the file stores it; ``time_kind`` says what it counts."""
    time_kind: Literal["week-seconds", "adjusted-gps", "none"] = "none"
    classification: NDArray[np.uint8]
    return_number: NDArray[np.uint8]
    number_of_returns: NDArray[np.uint8]
    source_id: NDArray[np.uint16]
    """The LAS point source id: the flight line or pass, where the producer filled it in."""
    withheld_or_noise: int = 0
    """How many points near the checkpoint were left out as withheld or noise."""
    left_out_by_choice: int = 0
    """How many were left out by the user's choice of classes or returns."""

    def __len__(self) -> int:
        return int(self.east_m.shape[0])


# --------------------------------------------------------------------------- measurements


class Reason(StrEnum):
    """Why a checkpoint has no measurement; the words are in NotMeasured.reason."""

    CONTROL_POINT = "control_point"
    EXCLUDED = "excluded"
    OUTSIDE_CLOUD = "outside_cloud"
    TOO_FEW_POINTS = "too_few_points"
    COLLINEAR = "collinear"
    OUTSIDE_HULL = "outside_hull"
    TOO_STEEP = "too_steep"
    TOO_ROUGH = "too_rough"
    EDGE = "edge"
    NO_SURFACE = "no_surface"
    NO_MARK = "no_mark"
    UNKNOWN_MARK = "unknown_mark"
    NO_CHANNEL = "no_channel"
    NO_CONTRAST = "no_contrast"
    NO_LOCK = "no_lock"
    NOT_UNIQUE = "not_unique"
    TOO_SPARSE = "too_sparse"
    PARTLY_COVERED = "partly_covered"
    WRONG_SIZE = "wrong_size"
    NO_FIT = "no_fit"
    ONE_COMPONENT = "one_component"


class Flag(StrEnum):
    """Something that a reader should know about a measurement that was nevertheless made."""

    SLOPE_OVER_10_PERCENT = "slope_over_10_percent"
    BREAK_WITHIN_3_M = "break_within_3_m"
    SEVERAL_LAYERS = "several_layers"
    PASSES_DISAGREE = "passes_disagree"
    ESTIMATES_DISAGREE = "estimates_disagree"
    SPARSE = "sparse"
    ROUGH = "rough"
    CURVED = "curved"
    FAR_FROM_CHECKPOINT = "far_from_checkpoint"
    PARTLY_COVERED = "partly_covered"
    WORN = "worn"
    OBSERVED_DISAGREES = "observed_disagrees"
    BLUNDER_CANDIDATE = "blunder_candidate"


@dataclass(frozen=True, slots=True, kw_only=True)
class NotMeasured:
    """No number, and why: one sentence for the report and a code for programs."""

    code: Reason
    reason: str
    measured: Literal[False] = False


@dataclass(frozen=True, slots=True, kw_only=True)
class VerticalResidual:
    """Height of the cloud's surface above the checkpoint, and how well it is known."""

    residual_m: float
    standard_uncertainty_m: float
    """Fit and survey combined in quadrature (GUM 5.1.2)."""
    fit_uncertainty_m: float
    survey_uncertainty_m: float | None
    points: int
    radius_m: float
    density_per_m2: float
    slope_percent: float
    roughness_m: float
    """Standard deviation of the fitted points about the surface."""
    normal: tuple[float, float, float]
    """Upward unit normal of the surface (east, north, up)."""
    tin_residual_m: float | None = None
    nearest_residual_m: float | None = None
    spread_m: float = 0.0
    """Largest difference among plane, TIN and nearest-point heights."""
    layers: int = 1
    passes: int = 1
    pass_difference_m: float | None = None
    surface: Literal["plane", "quadratic"] = "plane"
    time_s: float | None = None
    """Median time of the fitted points, as the cloud stores it."""
    flags: tuple[Flag, ...] = ()
    measured: Literal[True] = True


@dataclass(frozen=True, slots=True, kw_only=True)
class PassPosition:
    """The same mark as one pass saw it."""

    source_id: int
    residual_easting_m: float
    residual_northing_m: float
    standard_uncertainty_m: float
    time_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HorizontalResidual:
    """Horizontal position of a mark in the cloud minus that of the checkpoint."""

    method: Literal["observed", "target", "sphere", "pole", "corner"]
    residual_easting_m: float
    residual_northing_m: float
    standard_uncertainty_m: float
    """Per horizontal component: the root of half the trace of ``covariance_m2``."""
    covariance_m2: tuple[float, float, float]
    """Easting variance, northing variance, their covariance; measurement and survey combined."""
    measurement_covariance_m2: tuple[float, float, float] | None = None
    """The same without the survey's share."""
    residual_height_m: float | None = None
    """Where the mark itself gives a height: observed coordinates, a sphere, a corner."""
    points: int | None = None
    channel: Literal["intensity", "colour"] | None = None
    mark: str | None = None
    mark_size_m: float | None = None
    rotation_degrees: float | None = None
    edge_width_m: float | None = None
    tones: tuple[float, ...] = ()
    """Mean value of each tone, darkest first."""
    normal: tuple[float, float, float] | None = None
    passes: tuple[PassPosition, ...] = ()
    observed_difference_m: tuple[float, float] | None = None
    """Measured minus operator-observed (easting, northing), where both exist."""
    flags: tuple[Flag, ...] = ()
    measured: Literal[True] = True


@dataclass(frozen=True, slots=True, kw_only=True)
class FaceResidual:
    """Offset of a vertical face along its horizontal normal: one component of the horizontal."""

    residual_m: float
    standard_uncertainty_m: float
    normal_easting: float
    normal_northing: float
    points: int
    roughness_m: float
    flags: tuple[Flag, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckpointResult:
    """What became of one checkpoint."""

    id: str
    easting_m: float
    northing_m: float
    height_m: float
    sigma_easting_m: float | None
    sigma_northing_m: float | None
    sigma_height_m: float | None
    cover: Cover
    role: Role
    mark: str
    used: bool
    why_not_used: str | None
    vertical: VerticalResidual | NotMeasured
    horizontal: HorizontalResidual | NotMeasured
    face: FaceResidual | None = None
    attributes: Mapping[str, str] = field(default_factory=dict)
    mark_size_m: float | None = None
    observed_easting_m: float | None = None
    observed_northing_m: float | None = None
    observed_height_m: float | None = None


# --------------------------------------------------------------------------- summaries

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisSummary:
    """Figures of one signed component: heights of a stratum, or one horizontal axis.

    Standard deviation divides by n-1, RMSE by n. Intervals are 95 %, None where n is too small.
    """

    n: int
    mean_m: float
    median_m: float
    standard_deviation_m: float | None
    rmse_m: float
    rmse_with_survey_m: float | None
    """RMSE combined in quadrature with the survey's RMS standard uncertainty."""
    survey_rms_m: float | None
    nmad_m: float
    minimum_m: float
    maximum_m: float
    absolute_quantile_683_m: float
    absolute_quantile_95_m: float
    skewness: float | None
    excess_kurtosis: float | None
    mean_interval_95_m: Interval | None
    standard_deviation_interval_95_m: Interval | None
    rmse_interval_95_m: Interval | None
    """Chi-square interval of the RMSE about the true one."""
    rmse_bootstrap_95_m: Interval | None
    median_bootstrap_95_m: Interval | None
    nmad_bootstrap_95_m: Interval | None
    absolute_quantile_95_bootstrap_m: Interval | None
    effective_n: float | None
    """Effective number of checkpoints, correlation along the drive considered."""
    correlation_length_m: float | None = None
    blunder_candidates: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HorizontalSummary:
    """Both axes and the radial figures (RMSE_H of ASPRS; RMSEr of older texts)."""

    n: int
    mean_easting_m: float
    mean_northing_m: float
    standard_deviation_easting_m: float | None
    standard_deviation_northing_m: float | None
    rmse_easting_m: float
    rmse_northing_m: float
    rmse_m: float
    rmse_with_survey_m: float | None
    survey_rms_m: float | None
    """Radial RMS of the survey's standard uncertainty: the root of E and N variances together."""
    rmse_interval_95_m: Interval | None
    rmse_bootstrap_95_m: Interval | None
    radial_95_m: float
    """95 % quantile of the radial residual."""
    maximum_m: float
    easting: AxisSummary
    northing: AxisSummary
    blunder_candidates: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreeDSummary:
    """Figures over the checkpoints that have both a horizontal and a vertical residual."""

    n: int
    rmse_m: float
    rmse_with_survey_m: float | None
    survey_rms_m: float | None
    rmse_bootstrap_95_m: Interval | None
    maximum_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Every stratum that has a measurement; None where it has none, with the reason in the verdicts."""

    vertical: AxisSummary | None = None
    """Heights in open terrain: what NVA is computed from."""
    vegetated: AxisSummary | None = None
    """Heights in vegetation: what VVA is computed from."""
    horizontal: HorizontalSummary | None = None
    three_d: ThreeDSummary | None = None
    with_exclusions: Summary | None = None
    """The same figures as if nothing had been excluded by the user; None when nothing was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Distribution:
    """How the used checkpoints lie: along a corridor, or over an area."""

    shape: Literal["corridor", "area", "unknown"]
    length_m: float | None = None
    """Extent along the fitted line of a corridor."""
    largest_gap_m: float | None = None
    median_spacing_m: float | None = None
    area_m2: float | None = None
    diagonal_m: float | None = None
    smallest_spacing_m: float | None = None
    quadrant_shares: tuple[float, float, float, float] | None = None
    """Shares of the checkpoints in the NE, NW, SW and SE quadrants of their extent."""


# --------------------------------------------------------------------------- verdicts


class Outcome(StrEnum):
    """What a standard says of a figure."""

    MET = "met"
    NOT_MET = "not met"
    NOT_GRADED = "not graded"


class RuleOutcome(StrEnum):
    """What became of one rule inside a verdict."""

    MET = "met"
    NOT_MET = "not met"
    ADVISORY = "advisory"
    """The rule only advises and its advice was not followed, or it needs a person's judgement."""
    NOT_APPLICABLE = "not applicable"
    NOT_KNOWN = "not known"
    """The rule applies but the evidence for it is missing, e.g. no survey uncertainty was given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule of a standard, held against this test."""

    name: str
    source: str
    """Edition and section, or the contract's clause."""
    value: float | None
    limit: float | None
    unit: Literal["m", "count", "ratio", "percent", "none"]
    outcome: RuleOutcome
    words: str
    """One sentence for the report, numbers already in the contract's unit."""
    decisive: bool = False
    """Whether the verdict turns on it."""


class Component(StrEnum):
    """What a class speaks of."""

    VERTICAL = "vertical"
    HORIZONTAL = "horizontal"
    THREE_D = "3d"
    RELATIVE = "relative"
    CONTRACT = "contract"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One standard's answer for one component."""

    standard: str
    standard_title: str
    component: Component
    class_m: float | None
    """The class asked for; None where none was asked."""
    class_name: str | None
    tested_m: float | None
    """The figure that is held against the class, unrounded."""
    outcome: Outcome
    why: str
    """The outcome in one sentence."""
    rules: tuple[Rule, ...]
    statement: str | None
    """The reporting sentences in the standard's own form; None where it gives none."""
    probability_met: float | None = None
    """Chance that the true RMSE meets the class, given the residuals (flat prior on log sigma)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassRequest:
    """What the contract asks: a standard and a class per component, in metres."""

    standard: str = "asprs-2024"
    vertical_m: float | None = None
    horizontal_m: float | None = None
    three_d_m: float | None = None
    class_name: str | None = None
    """For standards whose classes have names, e.g. QL2."""
    map_scale: float | None = None
    contour_interval_m: float | None = None


# --------------------------------------------------------------------------- trajectories


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


# --------------------------------------------------------------------------- the record


@dataclass(frozen=True, slots=True, kw_only=True)
class Software:
    """Which program made the record."""

    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """One file that the result rests on."""

    path: str
    sha256: str
    role: Literal["cloud", "checkpoints", "trajectory", "reference", "job", "geoid", "template", "result"]
    run: str | None = None
    points: int | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """A checkpoint that the user set aside, and the written reason."""

    id: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """A suggested explanation of the residuals; nothing is corrected by it."""

    kind: str
    size: float | None
    size_unit: str | None
    evidence: str
    check_by: str
    score: float
    """Evidence weight: larger explains more, after the price of its parameters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """One run's measurement: the core of the record."""

    name: str
    attributes: Mapping[str, str] = field(default_factory=dict)
    checkpoints: tuple[CheckpointResult, ...]
    summary: Summary
    verdicts: tuple[Verdict, ...]
    distribution: Distribution
    mistakes: tuple[Mistake, ...] = ()
    remarks: tuple[str, ...] = ()
    """Sentences that the report's first page must carry: duplicates, points outside, corrections."""
