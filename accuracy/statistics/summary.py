"""Residuals -> Summary. After matching, before the standards: no class is graded here."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtri

from accuracy.model import (
    AxisSummary,
    BoolArray,
    CheckpointResult,
    Cover,
    FloatArray,
    HorizontalResidual,
    HorizontalSummary,
    Interval,
    Role,
    Summary,
    ThreeDSummary,
    VerticalResidual,
)
from accuracy.model.places import Places, alone, places
from accuracy.rounding import exceeds
from accuracy.statistics.correlation import (
    CorrelationModels,
    EffectiveSample,
    correlation_models,
    effective_sample,
    lag_one_autocorrelation,
)
from accuracy.statistics.distribution import distance_along_line_m
from accuracy.statistics.intervals import (
    NMAD_FACTOR,
    chi_square_interval,
    mean_interval,
    median_interval,
    nmad_interval,
    quantile_interval,
    radial_degrees_of_freedom,
    root_ratio_interval,
)

BLUNDER_FACTOR = 3.0
"""Times the class's RMSE: ASPRS Edition 2, 7.2 (excerpt only; verify against the published text)."""
SMALLEST_N_FOR_OUTLIERS = 6


def mean_and_standard_deviation(values: FloatArray) -> tuple[float, float | None]:
    """Mean and standard deviation (n-1) of (n,) values; the latter None for one value.

    Two passes with exactly rounded sums (``math.fsum``), so that neither large offsets nor the
    order of the values matter.
    """
    n = values.size
    mean = math.fsum(values) / n
    if n < 2:
        return mean, None
    deviation = values - mean
    squares = math.fsum(deviation**2) - math.fsum(deviation) ** 2 / n
    return mean, math.sqrt(max(squares, 0.0) / (n - 1))


def rmse(residual: FloatArray) -> float:
    """Root mean square of (n,) residuals: divides by n."""
    return math.sqrt(math.fsum(residual**2) / residual.size)


def skewness_and_excess_kurtosis(values: FloatArray) -> tuple[float | None, float | None]:
    """Both corrected for sample size: G1 and G2 of Joanes & Gill 1998, The Statistician 47, 183-189.

    None below three (skewness) or four values (kurtosis), and where the values do not vary.
    """
    n = values.size
    mean, deviation = mean_and_standard_deviation(values)
    if n < 3 or not deviation:
        return None, None
    z = (values - mean) / (deviation * math.sqrt((n - 1) / n))
    g1, g2 = math.fsum(z**3) / n, math.fsum(z**4) / n - 3
    skewness = math.sqrt(n * (n - 1)) / (n - 2) * g1
    kurtosis = ((n + 1) * g2 + 6) * (n - 1) / ((n - 2) * (n - 3)) if n > 3 else None
    return skewness, kurtosis


def nmad(values: FloatArray) -> float:
    """Normalised median absolute deviation, Höhle & Höhle 2009, ISPRS J. 64, 398-406."""
    return float(NMAD_FACTOR * np.median(np.abs(values - np.median(values))))


def outliers(residual_m: FloatArray) -> BoolArray:
    """Mask (n,) of residuals that lie too far from the median to belong with the rest.

    |r - median| > k NMAD with k = 3.5 (Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers),
    raised for small n, where the NMAD itself is uncertain, to z_{1-0.05/2n} (1 + 7/n). By simulation
    some sound residual is then flagged in 4 to 6 % of normal samples of 6 to 400 (6.2 % at seven). None are
    flagged below six residuals, or where more than half of them are equal.
    """
    n, scale_m = residual_m.size, nmad(residual_m)
    if n < SMALLEST_N_FOR_OUTLIERS or scale_m == 0:
        return np.zeros(n, dtype=bool)
    factor = max(3.5, -float(ndtri(0.025 / n)) * (1 + 7 / n))
    mask: BoolArray = np.abs(residual_m - np.median(residual_m)) > factor * scale_m
    return mask


def summarise_axis(
    residual_m: FloatArray,
    *,
    ids: Sequence[str],
    survey_sigma_m: FloatArray,
    easting_m: FloatArray | None = None,
    northing_m: FloatArray | None = None,
    target_rmse_m: float | None = None,
    seed: int | None = None,
    models: CorrelationModels | None = None,
    at: Places | None = None,
) -> AxisSummary | None:
    """Every figure of one signed component; None where there is no residual.

    Args:
        residual_m: (n,) residuals.
        ids: their checkpoints' ids.
        survey_sigma_m: (n,) standard uncertainties of the survey, NaN where unknown. One unknown
            leaves the figures with the survey out: a mean over the known ones would flatter.
        easting_m, northing_m: (n,) positions, for the correlation along the drive.
        target_rmse_m: the class asked for, which decides the blunder candidates.
        seed: for the bootstrap; taken from the residuals where None.
        models: correlation models of the places, where they are at hand already.
        at: who shares a place; each stands by itself where None. Every figure is that of all n; what an
            interval rests on is places: their effective number for RMSE, mean and standard deviation, whole
            places for the bootstrap, one residual of each for order statistics and correlation.

    Quantiles of the absolute residual interpolate linearly between order statistics at rank
    1 + P (n - 1), as ASPRS Edition 1 (2014) Annex D.2 does (from memory). Raises ValueError when a
    residual is not finite.
    """
    n = residual_m.size
    if n == 0:
        return None
    _require_finite(residual_m)
    mean_m, deviation_m = mean_and_standard_deviation(residual_m)
    rmse_m = rmse(residual_m)
    size_m = np.abs(residual_m)
    skewness, kurtosis = skewness_and_excess_kurtosis(residual_m)
    survey_rms_m = _rms_if_all_known(survey_sigma_m)
    far = tuple(name for name, is_far in zip(ids, outliers(residual_m), strict=True) if is_far)
    at = alone(n) if at is None else at
    one_m, freedom = residual_m[at.first], at.effective
    # Residuals that repeat one another make the plain deviation too small.
    spread_m = (
        None if deviation_m is None or at.count < 2 else deviation_m * math.sqrt((n - 1) / (n - n / freedom))
    )
    summary = AxisSummary(
        n=n,
        places=at.count,
        mean_m=mean_m,
        median_m=float(np.median(residual_m)),
        standard_deviation_m=deviation_m,
        rmse_m=rmse_m,
        rmse_with_survey_m=None if survey_rms_m is None else math.hypot(rmse_m, survey_rms_m),
        survey_rms_m=survey_rms_m,
        nmad_m=nmad(residual_m) if n > 1 else None,
        minimum_m=float(residual_m.min()),
        maximum_m=float(residual_m.max()),
        absolute_quantile_683_m=float(np.quantile(size_m, 0.683)),
        absolute_quantile_95_m=float(np.quantile(size_m, 0.95)),
        skewness=skewness,
        excess_kurtosis=kurtosis,
        mean_interval_95_m=None
        if spread_m is None
        else mean_interval(mean_m, spread_m / math.sqrt(freedom), freedom - 1),
        standard_deviation_interval_95_m=None
        if spread_m is None
        else chi_square_interval(spread_m, freedom - 1),
        rmse_interval_95_m=chi_square_interval(rmse_m, freedom) if at.count > 1 else None,
        rmse_bootstrap_95_m=_bootstrap(size_m, at, seed),
        median_interval_95_m=median_interval(one_m),
        nmad_interval_95_m=nmad_interval(one_m),
        absolute_quantile_95_interval_m=quantile_interval(np.abs(one_m), 0.95),
        effective_n=None,
        rmse_degrees_of_freedom=freedom,
        blunder_candidates=far if target_rmse_m is None else _beyond(size_m, ids, target_rmse_m),
        outliers=far,
    )
    if easting_m is None or northing_m is None:
        return summary
    along = np.argsort(distance_along_line_m(easting_m[at.first], northing_m[at.first]), kind="stable")
    summary = replace(summary, lag_one_autocorrelation=lag_one_autocorrelation(one_m[along]))
    models = _models(easting_m, northing_m, at) if models is None else models
    sample = None if models is None else effective_sample(one_m, models)
    return summary if sample is None else _with_correlation(summary, sample, spread_m or 0.0, at)


def summarise_horizontal(
    residual_easting_m: FloatArray,
    residual_northing_m: FloatArray,
    *,
    ids: Sequence[str],
    survey_sigma_easting_m: FloatArray,
    survey_sigma_northing_m: FloatArray,
    easting_m: FloatArray | None = None,
    northing_m: FloatArray | None = None,
    target_rmse_m: float | None = None,
    seed: int | None = None,
    at: Places | None = None,
) -> HorizontalSummary | None:
    """Both axes and the radial figures; arguments as ``summarise_axis``, the class being RMSE_H's."""
    at = alone(residual_easting_m.size) if at is None else at
    models = _models(easting_m, northing_m, at)

    def axis(residual_m: FloatArray, sigma_m: FloatArray) -> AxisSummary | None:
        return summarise_axis(
            residual_m,
            ids=ids,
            survey_sigma_m=sigma_m,
            easting_m=easting_m,
            northing_m=northing_m,
            target_rmse_m=target_rmse_m,
            seed=seed,
            models=models,
            at=at,
        )

    easting = axis(residual_easting_m, survey_sigma_easting_m)
    northing = axis(residual_northing_m, survey_sigma_northing_m)
    if easting is None or northing is None:
        return None
    both_m = np.column_stack([residual_easting_m, residual_northing_m])
    radial_m = np.hypot(residual_easting_m, residual_northing_m)
    rmse_m = math.hypot(easting.rmse_m, northing.rmse_m)
    survey_rms_m = _rms_if_all_known(np.hypot(survey_sigma_easting_m, survey_sigma_northing_m))
    far = tuple(name for name in ids if name in {*easting.outliers, *northing.outliers})
    freedom, correlated_freedom, alike = _radial_freedoms(both_m, at, models)
    return HorizontalSummary(
        n=easting.n,
        places=at.count,
        mean_easting_m=easting.mean_m,
        mean_northing_m=northing.mean_m,
        standard_deviation_easting_m=easting.standard_deviation_m,
        standard_deviation_northing_m=northing.standard_deviation_m,
        rmse_easting_m=easting.rmse_m,
        rmse_northing_m=northing.rmse_m,
        rmse_m=rmse_m,
        rmse_with_survey_m=None if survey_rms_m is None else math.hypot(rmse_m, survey_rms_m),
        survey_rms_m=survey_rms_m,
        rmse_interval_95_m=chi_square_interval(rmse_m, freedom) if at.count > 1 else None,
        rmse_bootstrap_95_m=_bootstrap(radial_m, at, seed),
        radial_95_m=float(np.quantile(radial_m, 0.95)),
        maximum_m=float(radial_m.max()),
        easting=easting,
        northing=northing,
        blunder_candidates=far if target_rmse_m is None else _beyond(radial_m, ids, target_rmse_m),
        outliers=far,
        rmse_degrees_of_freedom=correlated_freedom or freedom,
        probability_correlated=alike,
        rmse_interval_correlated_95_m=None
        if correlated_freedom is None
        else chi_square_interval(rmse_m, correlated_freedom),
    )


def summarise_three_d(
    residual_m: FloatArray,
    *,
    survey_sigma_m: FloatArray,
    easting_m: FloatArray | None = None,
    northing_m: FloatArray | None = None,
    seed: int | None = None,
    at: Places | None = None,
) -> ThreeDSummary | None:
    """Figures of (n, 3) residuals in easting, northing and height; ``survey_sigma_m`` is (n, 3)."""
    n = residual_m.shape[0]
    if n == 0:
        return None
    _require_finite(residual_m)
    size_m = np.sqrt((residual_m**2).sum(axis=1))
    rmse_m = rmse(size_m)
    survey_rms_m = _rms_if_all_known(np.sqrt((survey_sigma_m**2).sum(axis=1)))
    at = alone(n) if at is None else at
    models = _models(easting_m, northing_m, at)
    freedom, correlated_freedom, alike = _radial_freedoms(residual_m, at, models)
    return ThreeDSummary(
        n=n,
        places=at.count,
        rmse_m=rmse_m,
        rmse_with_survey_m=None if survey_rms_m is None else math.hypot(rmse_m, survey_rms_m),
        survey_rms_m=survey_rms_m,
        rmse_bootstrap_95_m=_bootstrap(size_m, at, seed),
        maximum_m=float(size_m.max()),
        rmse_interval_95_m=chi_square_interval(rmse_m, freedom) if at.count > 1 else None,
        rmse_degrees_of_freedom=correlated_freedom or freedom,
        probability_correlated=alike,
        rmse_interval_correlated_95_m=None
        if correlated_freedom is None
        else chi_square_interval(rmse_m, correlated_freedom),
    )


def summarise(
    results: Sequence[CheckpointResult],
    *,
    excluded_ids: Collection[str] = (),
    vertical_class_m: float | None = None,
    horizontal_class_m: float | None = None,
) -> Summary:
    """Every stratum of the checkpoints that are used and measured.

    Heights by cover, horizontal and 3D over both covers. ``excluded_ids`` are those that the user
    set aside: where any of them was measured, ``with_exclusions`` holds the figures as if none had
    been. Control points never count. The vertical class decides the blunder candidates in open
    terrain; in vegetation no edition sets one, so there they are the outliers. The order of
    ``results`` changes nothing.
    """

    def set_aside(one: CheckpointResult) -> bool:
        measured = one.vertical.measured or one.horizontal.measured
        return measured and not one.used and one.role is Role.CHECK and one.id in excluded_ids

    results = sorted(results, key=lambda one: one.id)

    def over(chosen: Sequence[CheckpointResult]) -> Summary:
        return Summary(
            vertical=_heights(chosen, Cover.OPEN, vertical_class_m),
            vegetated=_heights(chosen, Cover.VEGETATED, None),
            horizontal=_horizontal(chosen, horizontal_class_m),
            three_d=_three_d(chosen),
        )

    summary = over([one for one in results if one.counts])
    if not any(set_aside(one) for one in results):
        return summary
    return replace(summary, with_exclusions=over([one for one in results if one.counts or set_aside(one)]))


def _heights(
    results: Sequence[CheckpointResult], cover: Cover, target_rmse_m: float | None
) -> AxisSummary | None:
    rows = [
        (one, one.vertical.residual_m)
        for one in results
        if one.cover is cover and isinstance(one.vertical, VerticalResidual)
    ]
    return summarise_axis(
        _array([residual_m for _, residual_m in rows]),
        ids=[one.id for one, _ in rows],
        survey_sigma_m=_array([one.sigma_height_m for one, _ in rows]),
        easting_m=_array([one.easting_m for one, _ in rows]),
        northing_m=_array([one.northing_m for one, _ in rows]),
        target_rmse_m=target_rmse_m,
        at=_places([one for one, _ in rows]),
    )


def _horizontal(results: Sequence[CheckpointResult], target_rmse_m: float | None) -> HorizontalSummary | None:
    rows = [(one, one.horizontal) for one in results if isinstance(one.horizontal, HorizontalResidual)]
    return summarise_horizontal(
        _array([found.residual_easting_m for _, found in rows]),
        _array([found.residual_northing_m for _, found in rows]),
        ids=[one.id for one, _ in rows],
        survey_sigma_easting_m=_array([one.sigma_easting_m for one, _ in rows]),
        survey_sigma_northing_m=_array([one.sigma_northing_m for one, _ in rows]),
        easting_m=_array([one.easting_m for one, _ in rows]),
        northing_m=_array([one.northing_m for one, _ in rows]),
        target_rmse_m=target_rmse_m,
        at=_places([one for one, _ in rows]),
    )


def _three_d(results: Sequence[CheckpointResult]) -> ThreeDSummary | None:
    rows = [
        (one, one.horizontal, one.vertical)
        for one in results
        if isinstance(one.horizontal, HorizontalResidual) and isinstance(one.vertical, VerticalResidual)
    ]
    return summarise_three_d(
        np.array([(h.residual_easting_m, h.residual_northing_m, v.residual_m) for _, h, v in rows]).reshape(
            -1, 3
        ),
        survey_sigma_m=np.array(
            [(one.sigma_easting_m, one.sigma_northing_m, one.sigma_height_m) for one, _, _ in rows],
            dtype=np.float64,
        ).reshape(-1, 3),
        easting_m=_array([one.easting_m for one, _, _ in rows]),
        northing_m=_array([one.northing_m for one, _, _ in rows]),
        at=_places([one for one, _, _ in rows]),
    )


def _places(results: Sequence[CheckpointResult]) -> Places:
    return places(np.array([(one.easting_m, one.northing_m, one.height_m) for one in results]).reshape(-1, 3))


def _array(values: Sequence[float | None]) -> FloatArray:
    return np.array(values, dtype=np.float64)  # None becomes NaN: not known


def _require_finite(residual_m: FloatArray) -> None:
    if not np.isfinite(residual_m).all():
        raise ValueError("a residual is not a finite number; leave unmeasured checkpoints out")


def _rms_if_all_known(sigma_m: FloatArray) -> float | None:
    return rmse(sigma_m) if np.isfinite(sigma_m).all() else None


def _beyond(size_m: FloatArray, ids: Sequence[str], target_rmse_m: float) -> tuple[str, ...]:
    limit_m = BLUNDER_FACTOR * target_rmse_m
    return tuple(name for name, size in zip(ids, size_m, strict=True) if exceeds(float(size), limit_m))


def _models(
    easting_m: FloatArray | None, northing_m: FloatArray | None, at: Places
) -> CorrelationModels | None:
    if easting_m is None or northing_m is None:
        return None
    return _models_of_bytes(easting_m[at.first].tobytes(), northing_m[at.first].tobytes())


@lru_cache(maxsize=8)
def _models_of_bytes(easting: bytes, northing: bytes) -> CorrelationModels | None:
    # Heights, horizontal and 3D, with and without exclusions, mostly stand at the same places.
    return correlation_models(np.frombuffer(easting), np.frombuffer(northing))


def _bootstrap(size_m: FloatArray, at: Places, seed: int | None) -> Interval | None:
    """Of the RMSE of (n,) sizes, whole places drawn."""
    squares, shared = at.sums(size_m**2), at.sums(np.ones(size_m.size))
    order = np.lexsort((shared, squares))
    return root_ratio_interval(squares[order], shared[order], seed=seed)


def _radial_freedoms(
    components_m: FloatArray, at: Places, models: CorrelationModels | None
) -> tuple[float, float | None, float | None]:
    """Degrees of freedom of (n, k) components at their places, without and with correlation; and its
    probability."""
    one_m = components_m[at.first]
    freedom = radial_degrees_of_freedom(one_m) * (at.effective / at.count)
    return freedom, *radial_correlated_freedom(freedom, one_m, models)


def radial_correlated_freedom(
    freedom: float, components_m: FloatArray, models: CorrelationModels | None
) -> tuple[float | None, float | None]:
    """Radial degrees of freedom, fewer by what correlation along the drive takes from each axis.

    And the probability that an axis is correlated, of the axis where it is largest.
    """
    if models is None:
        return None, None
    n = components_m.shape[0]
    weights = (components_m**2).mean(axis=0) ** 2
    if not weights.sum() > 0:
        return None, None
    samples = [effective_sample(component_m, models) for component_m in components_m.T]
    inverse_freedoms = [1 / n if one is None else 1 / one.rmse_degrees_of_freedom for one in samples]
    return (
        freedom * float(weights.sum() / n / (weights @ np.array(inverse_freedoms))),
        max((one.probability_correlated for one in samples if one is not None), default=None),
    )


def _with_correlation(
    summary: AxisSummary, sample: EffectiveSample, spread_m: float, at: Places
) -> AxisSummary:
    return replace(
        summary,
        effective_n=sample.effective_n,
        correlation_length_m=sample.correlation_length_m,
        probability_correlated=sample.probability_correlated,
        rmse_degrees_of_freedom=sample.rmse_degrees_of_freedom * (at.effective / at.count),
        mean_interval_correlated_95_m=sample.mean_interval_95_m(summary.mean_m, spread_m),
        rmse_interval_correlated_95_m=sample.rmse_interval_95_m(summary.rmse_m),
    )
