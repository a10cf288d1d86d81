"""The cloud held against itself: passes and runs compared without a checkpoint."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from accuracy.model.arrays import Interval


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
