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

from accuracy.units import LengthUnit

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
    standard_uncertainty_m: float | None
    """Per horizontal component: the root of half the trace of ``covariance_m2``. None where neither
    the survey nor the measurement states one, as for coordinates read by an operator."""
    covariance_m2: tuple[float, float, float] | None
    """Easting variance, northing variance, their covariance; measurement and survey combined."""
    measurement_covariance_m2: tuple[float, float, float] | None = None
    """The same without the survey's share."""
    residual_height_m: float | None = None
    """Where the mark itself gives a height: observed coordinates, a sphere, a corner."""
    standard_uncertainty_height_m: float | None = None
    """Of that height: measurement and survey combined; None where not known."""
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
    """Measurement and survey combined."""
    normal_easting: float
    normal_northing: float
    points: int
    roughness_m: float
    flags: tuple[Flag, ...] = ()
    measurement_uncertainty_m: float | None = None
    """Without the survey's share."""


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
    """Studentised bootstrap: no normality assumed."""
    median_bootstrap_95_m: Interval | None
    """This and the next two are interpolated order statistics, which hold 95 % where resampling
    falls short; the last exists from 72 checkpoints on."""
    nmad_bootstrap_95_m: Interval | None
    absolute_quantile_95_bootstrap_m: Interval | None
    effective_n: float | None
    """Effective number of checkpoints, correlation along the drive considered."""
    correlation_length_m: float | None = None
    """Distance at which correlation falls to 1/e; None where the residuals show none."""
    probability_correlated: float | None = None
    """Posterior probability of correlation along the drive, from even odds."""
    lag_one_autocorrelation: float | None = None
    """Between neighbours along the line of checkpoints."""
    rmse_degrees_of_freedom: float | None = None
    """n where residuals are independent, fewer where they are correlated: for the RMSE."""
    mean_interval_correlated_95_m: Interval | None = None
    rmse_interval_correlated_95_m: Interval | None = None
    blunder_candidates: tuple[str, ...] = ()
    """Beyond three times the class's RMSE; where no class was asked, the outliers."""
    outliers: tuple[str, ...] = ()
    """Far from the rest of the residuals, whatever the class."""


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
    outliers: tuple[str, ...] = ()
    rmse_degrees_of_freedom: float | None = None
    """Between n and 2n, fewer where residuals are correlated along the drive."""
    rmse_interval_correlated_95_m: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreeDSummary:
    """Figures over the checkpoints that have both a horizontal and a vertical residual."""

    n: int
    rmse_m: float
    rmse_with_survey_m: float | None
    survey_rms_m: float | None
    rmse_bootstrap_95_m: Interval | None
    maximum_m: float
    rmse_interval_95_m: Interval | None = None
    rmse_degrees_of_freedom: float | None = None
    """Between n and 3n, fewer where residuals are correlated along the drive."""
    rmse_interval_correlated_95_m: Interval | None = None


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
class ContractLimit:
    """One limit of a contract: any statistic, of any stratum, with a sentence of its own."""

    name: str
    statistic: str
    """A field of that stratum's summary that is a length (``rmse_m``, ``mean_m``, ...), or
    ``largest_absolute_m``, or ``share_within``."""
    stratum: Literal["open", "vegetated", "easting", "northing", "horizontal", "3d", "relative"]
    limit_m: float | None = None
    """What the statistic's size must not exceed."""
    within_m: float | None = None
    least_share: float | None = None
    """For ``share_within``: at least this share (0 to 1) lies within ``within_m``."""
    least_checkpoints: int | None = None
    where: Mapping[str, str] = field(default_factory=dict)
    """Attributes that the checkpoints of this limit must have; empty for all."""
    sentence: str | None = None
    """May hold {name} {value} {limit} {unit} {share} {n} {outcome}."""


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
    """The denominator: 24000 for 1:24,000."""
    contour_interval_m: float | None = None
    limits: tuple[ContractLimit, ...] = ()
    """For the standard "contract"."""


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
    conditions: tuple[CaptureConditions, ...] = ()
    """The rig's state when each checkpoint was captured."""
    condition_effects: tuple[ConditionEffect, ...] = ()
    influence: Mapping[str, tuple[CheckpointInfluence, ...]] = field(default_factory=dict)
    """By component with a class: what leaving out each single checkpoint would do."""
    patches_file: str | None = None
    """The archive of its patches, beside the record."""
    patches_sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartFigures:
    """The figures of one part of the checkpoints: a fold, or all but one."""

    name: str
    ids: tuple[str, ...]
    vertical_n: int
    vertical_rmse_m: float | None
    horizontal_n: int
    horizontal_rmse_m: float | None
    outcome: Outcome | None
    """Of all classes asked for together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Everything that one job found: the complete record, from which every report is made."""

    schema: str = "accuracy-result/1"
    software: Software
    title: str
    """What was tested, e.g. "Tern Quay, run 12 km/h eastbound"."""
    unit: LengthUnit
    """The contract's unit: what the report prints in."""
    date: str | None
    """ISO date given by the user; None leaves it to the signature line."""
    inputs: tuple[InputFile, ...]
    settings: Mapping[str, str]
    """Every setting that shaped the numbers, as words."""
    exclusions: tuple[Exclusion, ...]
    run: RunRecord
    """The run that the statement speaks of."""
    runs: tuple[RunRecord, ...] = ()
    """Every run of a job of several, the statement's among them."""
    trajectories: tuple[TrajectoryComparison, ...] = ()
    comparisons: tuple[RunComparison, ...] = ()
    matrices: tuple[RunMatrix, ...] = ()
    decisions: tuple[SpeedDecision, ...] = ()
    parts: tuple[PartFigures, ...] = ()
    """The statement's run on parts of its checkpoints, where a recheck was asked for them."""
    requests: tuple[ClassRequest, ...] = ()
    """What was graded, the statement's request first."""
    measuring: Mapping[str, float] = field(default_factory=dict)
    """Settings of the measurement that the user changed, by name; lengths in metres."""
    equivalence_margin_m: float | None = None
    subset: str | None = None
    """Which checkpoints count, in words; None for all."""
    crs_wkt: str | None = None
    """The working frame's coordinate system (in its own units) as WKT 2."""
    crs: str | None = None
    """The working frame in words."""
    vertical_datum: str | None = None
    prepared_by: str | None = None
    prepared_for: str | None = None
    project: str | None = None


# --------------------------------------------------------------------------- runs and subsets


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckpointInfluence:
    """What leaving out one checkpoint would do to the RMSE."""

    id: str
    rmse_without_m: float
    change_m: float
    """RMSE without it minus RMSE with all."""
    flips: bool
    """Whether leaving it out alone would move the RMSE across the limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedTest:
    """One test of two runs at the same checkpoints."""

    name: Literal["wilcoxon_size", "wilcoxon_residual", "pitman_morgan", "rank_spread", "swap"]
    p_value: float | None
    p_holm: float | None = None
    """Corrected for every pair of runs that was tested alongside."""
    why_not: str | None = None
    """Why there is no p-value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunComparison:
    """Two runs at the checkpoints that both measured; differences are run a minus run b."""

    run_a: str
    run_b: str
    component: Component
    stratum: str | None = None
    """The attribute and value that these checkpoints share; None for all."""
    ids: tuple[str, ...]
    n: int
    rmse_a_m: float | None
    rmse_b_m: float | None
    rmse_difference_m: float | None
    rmse_difference_interval_95_m: Interval | None
    mean_difference_m: float | None
    """Of signed residuals: heights only."""
    mean_difference_interval_95_m: Interval | None
    tests: tuple[PairedTest, ...]
    margin_m: float | None
    equivalence_p: float | None
    """Two one-sided tests that the RMSEs differ by less than the margin."""
    mean_equivalence_p: float | None
    """The same for the mean height difference."""
    words: str
    """What follows, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunMatrix:
    """Residuals by run and checkpoint: signed for heights, radial otherwise."""

    component: Component
    runs: tuple[str, ...]
    ids: tuple[str, ...]
    residual_m: tuple[tuple[float | None, ...], ...]
    """One row per run, one column per checkpoint; None where that run has no measurement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedRun:
    """What the speed decision needs to know of a run."""

    name: str
    speed_m_per_s: float | None
    outcome: Outcome
    tested_m: float | None
    interval_95_m: Interval | None
    """Of the tested figure."""
    n: int
    why: str = ""
    """Why it was not graded, if it was not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedDecision:
    """Which is the fastest run that meets the class, and how firmly that is known."""

    answer: Literal["fastest", "none", "undecided"]
    component: Component
    class_m: float
    fastest_met: str | None
    """The fastest run whose tested figure meets the class."""
    fastest_assured: str | None
    """The fastest run whose whole 95 % interval lies within the class."""
    sentence: str
    evidence: tuple[str, ...]
    """One sentence per run, fastest first."""


# --------------------------------------------------------------------------- trajectory comparison


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
    """Bootstrap over outages; None for fewer than five."""
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrajectorySeries:
    """The compared epochs for charts, thinned; arrays are (n,), NaN where not measured. Not in the record."""

    time_s: FloatArray | None
    chainage_m: FloatArray
    easting_m: FloatArray
    northing_m: FloatArray
    along_m: FloatArray
    cross_m: FloatArray
    up_m: FloatArray
    speed_m_per_s: FloatArray
    fix: NDArray[np.str_]


# --------------------------------------------------------------------------- conditions


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


# --------------------------------------------------------------------------- the cloud against itself


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativePlace:
    """One cell of smooth ground that was captured twice, or (within a swath) once."""

    easting_m: float
    northing_m: float
    difference_m: float
    """Height in a minus height in b; within a swath the range of heights about the fitted plane."""
    standard_uncertainty_m: float | None
    """From the scatter of the points alone; None for a range."""
    slope_percent: float
    roughness_m: float
    """The larger of both standard deviations about the plane."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativeComparison:
    """The same smooth ground twice, without any checkpoint; differences are a minus b.

    Figures are None where no place was found.
    """

    name_a: str
    name_b: str
    kind: Literal["within-swath", "pass-to-pass", "run-to-run"]
    direction: Literal["all", "same", "opposite"] = "all"
    """Whether the places were passed in the same or in opposite directions; all takes both together."""
    cell_m: float
    n: int
    left_out: Mapping[str, int] = field(default_factory=dict)
    """Places that were seen twice but not compared: why, and how many."""
    mean_m: float | None = None
    median_m: float | None = None
    nmad_m: float | None = None
    rmsd_m: float | None = None
    """Root mean square of the differences."""
    max_m: float | None = None
    """Largest absolute difference."""
    absolute_quantile_683_m: float | None = None
    absolute_quantile_95_m: float | None = None
    quantiles_m: tuple[float, ...] = ()
    """Signed: 1, 5, 25, 50, 75, 95 and 99 %."""
    noise_rms_m: float | None = None
    """What the scatter of the points alone would make of the RMSD."""
    mean_interval_95_m: Interval | None = None
    rmsd_interval_95_m: Interval | None = None
    """Both with the correlation of neighbouring places considered."""
    effective_n: float | None = None
    correlation_length_m: float | None = None
    roughest_m: float | None = None
    """Cells rougher than this were not taken as smooth."""
    places: tuple[RelativePlace, ...] = ()
    """A thinned list for the map; the place of the largest difference is always among them."""
    words: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftComponent:
    """One direction of a rigid shift: along a unit vector, or a rotation about it."""

    name: str
    """In words: up, horizontally across, ... or the axis of a rotation."""
    easting: float
    northing: float
    up: float
    value: float | None
    """Metres, or radians (right-handed); None where the geometry does not show it."""
    standard_uncertainty: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RigidShift:
    """By how much run a lies away from run b as a whole: a = b turned about the centre and shifted."""

    name_a: str
    name_b: str
    planes: int
    """Patches of surface that both runs share and that were used."""
    steep_planes: int
    """Those of them that stand upright: walls, kerbs, the sides of things."""
    centre_m: tuple[float, float, float] | None
    """About which the rotations are: easting, northing, height."""
    translations: tuple[ShiftComponent, ...] = ()
    rotations: tuple[ShiftComponent, ...] = ()
    rms_before_m: float | None = None
    """Distance of a's patches from b's planes, as they are."""
    rms_after_m: float | None = None
    """The same when the shift is taken out."""
    misfit_ratio: float | None = None
    """How much larger the remaining distances are than the noise of the points explains."""
    why_not: str | None = None
    """Why no shift was estimated at all."""
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativeResult:
    """All that was found by holding clouds against themselves and each other."""

    comparisons: tuple[RelativeComparison, ...] = ()
    shifts: tuple[RigidShift, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FaceShift:
    """How a run is shifted horizontally, from the offsets of several upright faces."""

    n: int
    shift_easting_m: float | None
    """None where the faces all look one way: then only ``component_m`` is known."""
    shift_northing_m: float | None
    covariance_m2: tuple[float, float, float] | None
    """Easting variance, northing variance, their covariance."""
    component_m: float
    """The shift along the direction that the faces see best."""
    component_azimuth_degrees: float
    """That direction, from north through east, 0 to 180."""
    component_uncertainty_m: float
    unobservable: str | None
    """In words: the direction in which no shift can be seen; None where both are seen."""
    chi_square: float
    degrees_of_freedom: int
    p_value: float | None
    """Probability of residuals at least as large as these by their uncertainties alone."""
    consistent: bool | None
    """False: the faces contradict one shift, and the uncertainties were widened to match."""
