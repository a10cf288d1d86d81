"""What was measured at a checkpoint, or why it was not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from accuracy.model.survey import Cover, Role


class Reason(StrEnum):
    """Why a checkpoint has no measurement; the words are in NotMeasured.reason."""

    CONTROL_POINT = "control_point"
    EXCLUDED = "excluded"
    OUTSIDE_CLOUD = "outside_cloud"
    LEFT_OUT = "left_out"
    """Points lie there, but all are withheld, noise or not of those chosen."""
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
    observed_difference_m: float | None = None
    """Measured minus operator-observed height, where both exist."""
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
    observed_height_difference_m: float | None = None
    """The same of the height of a mark that has no surface under it, as a sphere."""
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

    @property
    def counts(self) -> bool:
        """Whether it tests the cloud: a control point never does."""
        return self.used and self.role is Role.CHECK


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
