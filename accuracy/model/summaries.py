"""The figures of many residuals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from accuracy.model.arrays import Interval
from accuracy.model.verdicts import Component


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisSummary:
    """Figures of one signed component: heights of a stratum, or one horizontal axis.

    Standard deviation divides by n-1, RMSE by n. Intervals are 95 %, None where n is too small.
    """

    n: int
    places: int | None = None
    """At how many places the n stand; None in a record that does not say."""
    mean_m: float
    median_m: float
    standard_deviation_m: float | None
    rmse_m: float
    rmse_with_survey_m: float | None
    """RMSE combined in quadrature with the survey's RMS standard uncertainty."""
    survey_rms_m: float | None
    nmad_m: float | None
    """None for one residual, which shows no spread."""
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
    median_interval_95_m: Interval | None
    """This and the next two are interpolated order statistics, which hold 95 % where resampling
    falls short; the last exists from 72 checkpoints on."""
    nmad_interval_95_m: Interval | None
    absolute_quantile_95_interval_m: Interval | None
    effective_n: float | None
    """Effective number of checkpoints, correlation along the drive considered."""
    correlation_length_m: float | None = None
    """Distance at which correlation falls to 1/e; None where the residuals show none."""
    probability_correlated: float | None = None
    """Posterior probability of correlation along the drive, from even odds."""
    lag_one_autocorrelation: float | None = None
    """Between neighbours along the line of checkpoints."""
    rmse_degrees_of_freedom: float | None = None
    """For the RMSE: about n where residuals are independent, fewer where they agree along the drive or
    checkpoints share a place."""
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
    places: int | None = None
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
    probability_correlated: float | None = None
    """The larger of the two axes."""
    rmse_interval_correlated_95_m: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ThreeDSummary:
    """Figures over the checkpoints that have both a horizontal and a vertical residual."""

    n: int
    places: int | None = None
    rmse_m: float
    rmse_with_survey_m: float | None
    survey_rms_m: float | None
    rmse_bootstrap_95_m: Interval | None
    maximum_m: float
    rmse_interval_95_m: Interval | None = None
    rmse_degrees_of_freedom: float | None = None
    """Between n and 3n, fewer where residuals are correlated along the drive."""
    probability_correlated: float | None = None
    """The largest of the three axes."""
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

    def of(self, component: Component) -> AxisSummary | HorizontalSummary | ThreeDSummary | None:
        """The figures that a class in that component is held against; heights are those in open terrain."""
        return {
            Component.VERTICAL: self.vertical,
            Component.HORIZONTAL: self.horizontal,
            Component.THREE_D: self.three_d,
        }.get(component)


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
