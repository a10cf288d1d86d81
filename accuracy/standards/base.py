"""What every standard grades and what a standard is: the evidence, and the registry's entry.

Stands after statistics and before the report. Nothing here knows any one standard.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import compress
from typing import Literal

import numpy as np

from accuracy.model import (
    CheckpointResult,
    ClassRequest,
    Component,
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
from accuracy.model.places import Places, alone
from accuracy.model.places import places as places_of
from accuracy.rounding import LengthText, counted, exceeds

UNKNOWN_DISTRIBUTION = Distribution(shape="unknown")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """The residuals of one stratum, and what its survey and its places are like."""

    ids: tuple[str, ...] = ()
    residuals_m: FloatArray = field(default_factory=lambda: np.empty((0, 1)))
    """(n, axes): height; or easting, northing; or easting, northing, height."""
    survey_sigma_m: FloatArray = field(default_factory=lambda: np.empty(0))
    """(n,): the survey's standard uncertainty over those axes together; NaN where none was given."""
    positions_m: FloatArray | None = None
    """(n, 3): easting, northing, height; None where each checkpoint is known to stand by itself."""
    slopes_over_10_percent: tuple[str, ...] = ()
    breaks_within_3_m: tuple[str, ...] = ()
    not_measured: int = 0
    why_empty: str = "no checkpoint was used"

    @property
    def n(self) -> int:
        """Checkpoints in the sample."""
        return len(self.ids)

    @property
    def places(self) -> int:
        """Places that they stand at: a point listed under two ids counts once."""
        return self.at.count

    @property
    def at(self) -> Places:
        """Who shares a place."""
        return alone(self.n) if self.positions_m is None else places_of(self.positions_m)

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

    def without(self, *indices: int) -> Sample:
        """All checkpoints but these."""
        kept = np.ones(self.n, dtype=bool)
        kept[list(indices)] = False
        return replace(
            self,
            ids=tuple(compress(self.ids, kept.tolist())),
            residuals_m=self.residuals_m[kept],
            survey_sigma_m=self.survey_sigma_m[kept],
            positions_m=None if self.positions_m is None else self.positions_m[kept],
        )

    @property
    def rmse_m(self) -> float:
        """Root mean square of the sizes. Only for n > 0."""
        return math.sqrt(math.fsum((self.residuals_m**2).ravel()) / self.n)

    def within(self, limit_m: float) -> int:
        """How many residuals do not exceed ``limit_m``."""
        return sum(not exceeds(float(size), limit_m) for size in self.sizes_m)

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
    why_nobody: str | None = None
    """Why no checkpoint was chosen by them, where none was."""
    subsets: tuple[Evidence, ...] = ()
    """The same for the parts that a contract's limits single out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """What a standard holds against the class of one component."""

    name: str
    """As the standard writes it."""
    sample: Callable[[Evidence], Sample]
    """The residuals that it is made of."""
    of: Callable[[Sample], float | None] = lambda sample: sample.rmse_m
    """The figure of such residuals in metres, the survey's share left out. None where the standard
    offers none for them."""
    grows_with: Literal["rmse", "larger axis", "rank"] = "rmse"
    """A multiple of the RMSE for such residuals; or the larger of the RMSEs per axis; or one residual by
    its rank, of which no RMSE tells."""
    survey_added: bool = False
    """Whether the survey's own error is added in quadrature, where it is known."""

    def tested_m(self, sample: Sample) -> float | None:
        """The figure itself; None without residuals."""
        alone_m = self.of(sample) if sample.n else None
        if alone_m is None or not self._with_survey(sample):
            return alone_m
        return math.hypot(alone_m, sample.survey_rms_m or 0.0)

    def title(self, sample: Sample) -> str:
        """The name, and whether a survey's share that belongs to it is lacking."""
        lacking = self.survey_added and not self._with_survey(sample)
        return f"{self.name} of the fit alone" if lacking else self.name

    def _with_survey(self, sample: Sample) -> bool:
        return self.survey_added and sample.survey_rms_m is not None


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
    figures: Mapping[Component, Figure] = field(default_factory=dict)
    """What is held against the class, by component; empty where each limit names its own."""
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
    why_nobody: str | None = None,
    subsets: tuple[Evidence, ...] = (),
) -> Evidence:
    """Gather what the standards look at from the checkpoints and their summary.

    ``summary`` must be that of the used checkpoints among ``checkpoints``, control points left out;
    ValueError otherwise, because a verdict on figures of other checkpoints would be false.
    Without ``area_m2`` the extent of the checkpoints stands in for the project's area.
    """
    used = [c for c in checkpoints if c.counts]
    evidence = Evidence(
        summary=summary,
        open_heights=_heights(checkpoints, used, Cover.OPEN, "in open terrain"),
        vegetated_heights=_heights(checkpoints, used, Cover.VEGETATED, "in vegetation"),
        horizontal=_horizontal(used),
        three_d=_three_d(used),
        vertical_distribution=vertical_distribution,
        horizontal_distribution=horizontal_distribution,
        area_m2=vertical_distribution.area_m2 if area_m2 is None else area_m2,
        control_points_set_aside=sum(c.role is Role.CONTROL for c in checkpoints),
        density_per_m2=_density(used),
        relative=relative,
        subset=dict(subset or {}),
        why_nobody=why_nobody,
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


def _heights(
    checkpoints: Sequence[CheckpointResult], counted: Sequence[CheckpointResult], cover: Cover, where: str
) -> Sample:
    used = [c for c in counted if c.cover is cover]
    # Those with nothing measured at all are not used; where that is all of them, it is the reason.
    nothing = [
        c.vertical
        for c in checkpoints
        if c.cover is cover
        and not c.used
        and isinstance(c.vertical, NotMeasured)
        and c.why_not_used == c.vertical.reason
    ]
    measured = [(c, c.vertical) for c in used if isinstance(c.vertical, VerticalResidual)]
    missing = [c.vertical for c in used if isinstance(c.vertical, NotMeasured)]
    return Sample(
        ids=tuple(c.id for c, _ in measured),
        residuals_m=_columns([(v.residual_m,) for _, v in measured], 1),
        survey_sigma_m=_together([(c.sigma_height_m,) for c, _ in measured]),
        positions_m=_positions([c for c, _ in measured]),
        slopes_over_10_percent=_flagged(measured, Flag.SLOPE_OVER_10_PERCENT),
        breaks_within_3_m=_flagged(measured, Flag.BREAK_WITHIN_3_M),
        not_measured=len(missing),
        why_empty=_why_empty(missing + nothing, "height", f"no checkpoint {where} was used"),
    )


def _horizontal(used: Sequence[CheckpointResult]) -> Sample:
    measured = [(c, c.horizontal) for c in used if isinstance(c.horizontal, HorizontalResidual)]
    missing = [c.horizontal for c in used if isinstance(c.horizontal, NotMeasured)]
    return Sample(
        ids=tuple(c.id for c, _ in measured),
        residuals_m=_columns([(h.residual_easting_m, h.residual_northing_m) for _, h in measured], 2),
        survey_sigma_m=_together([(c.sigma_easting_m, c.sigma_northing_m) for c, _ in measured]),
        positions_m=_positions([c for c, _ in measured]),
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
        positions_m=_positions([c for c, _, _ in both]),
        not_measured=len(used) - len(both),
        why_empty="no checkpoint has both a horizontal position and a height measured",
    )


def _positions(checkpoints: Sequence[CheckpointResult]) -> FloatArray:
    return _columns([(c.easting_m, c.northing_m, c.height_m) for c in checkpoints], 3)


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
        return f"none of {counted(len(missing), 'checkpoint')} has a measured {what}: {reason}"
    return (
        f"none of {counted(len(missing), 'checkpoint')} has a measured {what}; at {times} of them: {reason}"
    )
