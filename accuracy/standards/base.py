"""What every standard grades and what a standard is: the evidence, and the registry's entry.

Stands after statistics and before the report. Nothing here knows any one standard.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from accuracy.model import (
    CheckpointResult,
    ClassRequest,
    Cover,
    Distribution,
    Flag,
    FloatArray,
    HorizontalResidual,
    NotMeasured,
    Role,
    Summary,
    Verdict,
    VerticalResidual,
)
from accuracy.rounding import LengthText

UNKNOWN_DISTRIBUTION = Distribution(shape="unknown")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """The residuals of one stratum, and what its survey and its places are like."""

    ids: tuple[str, ...] = ()
    residuals_m: FloatArray = field(default_factory=lambda: np.empty((0, 1)))
    """(n, axes): height; or easting, northing; or easting, northing, height."""
    survey_sigma_m: FloatArray = field(default_factory=lambda: np.empty(0))
    """(n,): the survey's standard uncertainty over those axes together; NaN where none was given."""
    slopes_over_10_percent: tuple[str, ...] = ()
    breaks_within_3_m: tuple[str, ...] = ()
    not_measured: int = 0
    why_empty: str = "no checkpoint was used"

    @property
    def n(self) -> int:
        """Checkpoints in the sample."""
        return len(self.ids)

    @property
    def sizes_m(self) -> FloatArray:
        """(n,): length of each residual over its axes."""
        sizes: FloatArray = np.sqrt(np.sum(self.residuals_m**2, axis=1))
        return sizes

    @property
    def means_m(self) -> FloatArray:
        """(axes,): mean residual per axis. Only for n > 0."""
        means: FloatArray = np.mean(self.residuals_m, axis=0)
        return means

    @property
    def survey_lacking(self) -> int:
        """How many checkpoints came without a survey uncertainty on some axis."""
        return int(np.sum(np.isnan(self.survey_sigma_m)))

    @property
    def survey_rms_m(self) -> float | None:
        """Root mean square of the survey's uncertainties; None unless every checkpoint has one."""
        if self.n == 0 or self.survey_lacking:
            return None
        return math.sqrt(math.fsum(self.survey_sigma_m**2) / self.n)

    def axis(self, index: int) -> Sample:
        """The same checkpoints seen along one axis; survey figures are left with the whole."""
        return replace(self, residuals_m=self.residuals_m[:, index : index + 1])

    def within(self, limit_m: float) -> int:
        """How many residuals do not exceed ``limit_m``."""
        return int(np.sum(self.sizes_m <= limit_m))

    def held_by(self, count: int) -> float:
        """The size that ``count`` of the residuals do not exceed: the count-th smallest."""
        return float(np.sort(self.sizes_m)[count - 1])

    def percentile_95_m(self) -> float:
        """95th percentile of the sizes, linear between order statistics.

        ASPRS Edition 1 (2014), Annex D.2: rank n = 0.95 (N - 1) + 1 (from memory).
        """
        return float(np.percentile(self.sizes_m, 95.0, method="linear"))


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativeAccuracy:
    """How well the cloud agrees with itself on hard smooth surfaces; None where not measured."""

    places: int
    """How many places were compared."""
    within_swath_max_m: float | None = None
    within_swath_rmsd_m: float | None = None
    swath_to_swath_rmsd_m: float | None = None
    swath_to_swath_max_m: float | None = None
    single_swath: bool = False
    """Whether there is only one swath, so that nothing overlaps."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """All that a standard may look at."""

    summary: Summary = field(default_factory=Summary)
    open_heights: Sample = field(default_factory=Sample)
    vegetated_heights: Sample = field(default_factory=Sample)
    horizontal: Sample = field(default_factory=Sample)
    three_d: Sample = field(default_factory=Sample)
    vertical_distribution: Distribution = UNKNOWN_DISTRIBUTION
    horizontal_distribution: Distribution = UNKNOWN_DISTRIBUTION
    area_m2: float | None = None
    """Area of the project, where a standard's number of checkpoints depends on it."""
    control_points_set_aside: int = 0
    density_per_m2: float | None = None
    """Median density of points at the checkpoints: all passes, all returns."""
    relative: RelativeAccuracy | None = None
    subset: Mapping[str, str] = field(default_factory=dict)
    """The attributes by which the checkpoints were chosen; empty for all."""
    subsets: tuple[Evidence, ...] = ()
    """The same for the parts that a contract's limits single out."""


Grader = Callable[[Evidence, ClassRequest, LengthText], tuple[Verdict, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """An entry of the registry."""

    key: str
    title: str
    takes: tuple[str, ...]
    """The fields of ClassRequest that it reads; any other that is filled in is an error."""
    class_names: tuple[str, ...] = ()
    class_means: str
    """What its class is a limit of, in words for help texts."""
    grade: Grader


# --------------------------------------------------------------------------- gathering


def evidence_from(
    checkpoints: Sequence[CheckpointResult],
    summary: Summary,
    vertical_distribution: Distribution = UNKNOWN_DISTRIBUTION,
    horizontal_distribution: Distribution = UNKNOWN_DISTRIBUTION,
    *,
    area_m2: float | None = None,
    relative: RelativeAccuracy | None = None,
    subset: Mapping[str, str] | None = None,
    subsets: tuple[Evidence, ...] = (),
) -> Evidence:
    """Gather what the standards look at from the checkpoints and their summary.

    ``summary`` must be that of the used checkpoints among ``checkpoints``, control points left out;
    ValueError otherwise, because a verdict on figures of other checkpoints would be false.
    Without ``area_m2`` the extent of the checkpoints stands in for the project's area.
    """
    used = [c for c in checkpoints if c.used and c.role is Role.CHECK]
    evidence = Evidence(
        summary=summary,
        open_heights=_heights([c for c in used if c.cover is Cover.OPEN], "in open terrain"),
        vegetated_heights=_heights([c for c in used if c.cover is Cover.VEGETATED], "in vegetation"),
        horizontal=_horizontal(used),
        three_d=_three_d(used),
        vertical_distribution=vertical_distribution,
        horizontal_distribution=horizontal_distribution,
        area_m2=vertical_distribution.area_m2 if area_m2 is None else area_m2,
        control_points_set_aside=sum(c.role is Role.CONTROL for c in checkpoints),
        density_per_m2=_density(used),
        relative=relative,
        subset=dict(subset or {}),
        subsets=subsets,
    )
    for name, figures, sample in (
        ("vertical", summary.vertical, evidence.open_heights),
        ("vegetated", summary.vegetated, evidence.vegetated_heights),
        ("horizontal", summary.horizontal, evidence.horizontal),
        ("three_d", summary.three_d, evidence.three_d),
    ):
        counted = 0 if figures is None else figures.n
        if counted != sample.n:
            raise ValueError(f"summary.{name} counts {counted} residuals, the checkpoints hold {sample.n}")
    return evidence


def _heights(used: Sequence[CheckpointResult], where: str) -> Sample:
    measured = [(c, c.vertical) for c in used if isinstance(c.vertical, VerticalResidual)]
    missing = [c.vertical for c in used if isinstance(c.vertical, NotMeasured)]
    return Sample(
        ids=tuple(c.id for c, _ in measured),
        residuals_m=_columns([(v.residual_m,) for _, v in measured], 1),
        survey_sigma_m=_together([(c.sigma_height_m,) for c, _ in measured]),
        slopes_over_10_percent=_flagged(measured, Flag.SLOPE_OVER_10_PERCENT),
        breaks_within_3_m=_flagged(measured, Flag.BREAK_WITHIN_3_M),
        not_measured=len(missing),
        why_empty=_why_empty(missing, "height", f"no checkpoint {where} was used"),
    )


def _horizontal(used: Sequence[CheckpointResult]) -> Sample:
    measured = [(c, c.horizontal) for c in used if isinstance(c.horizontal, HorizontalResidual)]
    missing = [c.horizontal for c in used if isinstance(c.horizontal, NotMeasured)]
    return Sample(
        ids=tuple(c.id for c, _ in measured),
        residuals_m=_columns([(h.residual_easting_m, h.residual_northing_m) for _, h in measured], 2),
        survey_sigma_m=_together([(c.sigma_easting_m, c.sigma_northing_m) for c, _ in measured]),
        not_measured=len(missing),
        why_empty=_why_empty(missing, "horizontal position", "no checkpoint was used"),
    )


def _three_d(used: Sequence[CheckpointResult]) -> Sample:
    both = [
        (c, c.horizontal, c.vertical)
        for c in used
        if isinstance(c.horizontal, HorizontalResidual) and isinstance(c.vertical, VerticalResidual)
    ]
    return Sample(
        ids=tuple(c.id for c, _, _ in both),
        residuals_m=_columns(
            [(h.residual_easting_m, h.residual_northing_m, v.residual_m) for _, h, v in both], 3
        ),
        survey_sigma_m=_together(
            [(c.sigma_easting_m, c.sigma_northing_m, c.sigma_height_m) for c, _, _ in both]
        ),
        not_measured=len(used) - len(both),
        why_empty="no checkpoint has both a horizontal position and a height measured",
    )


def _columns(rows: Sequence[tuple[float, ...]], axes: int) -> FloatArray:
    return np.asarray(rows, dtype=np.float64).reshape(len(rows), axes)


def _together(rows: Sequence[tuple[float | None, ...]]) -> FloatArray:
    """(n,): root of the summed variances; NaN where any is missing or not positive.

    No survey is free of error: a zero in a table stands for a figure that nobody filled in.
    """
    return np.array(
        [
            math.hypot(*known)
            if len(known := [s for s in row if s is not None and s > 0]) == len(row)
            else np.nan
            for row in rows
        ],
        dtype=np.float64,
    )


def _flagged(measured: Sequence[tuple[CheckpointResult, VerticalResidual]], flag: Flag) -> tuple[str, ...]:
    return tuple(c.id for c, v in measured if flag in v.flags)


def _density(used: Sequence[CheckpointResult]) -> float | None:
    densities = [c.vertical.density_per_m2 for c in used if isinstance(c.vertical, VerticalResidual)]
    return float(np.median(densities)) if densities else None


def _why_empty(missing: Sequence[NotMeasured], what: str, without_any: str) -> str:
    if not missing:
        return without_any
    code, times = Counter(m.code for m in missing).most_common(1)[0]
    reason = next(m.reason for m in missing if m.code is code).rstrip(".")
    if times == len(missing):
        return f"none of {len(missing)} checkpoints has a measured {what}: {reason}"
    return f"none of {len(missing)} checkpoints has a measured {what}; at {times} of them: {reason}"
