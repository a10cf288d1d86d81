"""Summaries: every figure against an independent reference, its properties and its edges."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.robust.scale import mad
from statsmodels.stats.weightstats import DescrStatsW

from accuracy.model import (
    AxisSummary,
    CheckpointResult,
    Cover,
    FloatArray,
    Role,
)
from accuracy.statistics.summary import (
    mean_and_standard_deviation,
    outliers,
    rmse,
    summarise,
    summarise_axis,
    summarise_horizontal,
    summarise_three_d,
)
from measured_cases import checkpoint_result, horizontal_residual, vertical_residual

residuals = st.lists(st.floats(-10, 10).map(lambda r: round(r, 4)), min_size=2, max_size=40).map(np.array)


def axis(residual_m: FloatArray, target_m: float | None = None, sigma_m: float = math.nan) -> AxisSummary:
    """A summary with ids p0, p1, ... and one survey uncertainty for all."""
    found = summarise_axis(
        residual_m,
        ids=[f"p{i}" for i in range(residual_m.size)],
        survey_sigma_m=np.full(residual_m.size, sigma_m),
        target_rmse_m=target_m,
    )
    assert found is not None
    return found


def checkpoint(name: str, height_m: float | None, plan_m: tuple[float, float] | None) -> CheckpointResult:
    """A used checkpoint in open terrain, 20 m from the next."""
    return checkpoint_result(
        name,
        vertical_residual(height_m),
        horizontal_residual(plan_m),
        at_m=(500_000.0 + 20.0 * int(name[1:]), 6_000_000.0, 12.0),
        sigma_m=(0.006, 0.008, 0.012),
    )


def test_figures_against_scipy_and_statsmodels(rng: np.random.Generator) -> None:
    """Every figure of a skewed sample equals the one that scipy or statsmodels computes."""
    r = rng.gamma(3, 0.01, 37) - 0.02
    found = axis(r)
    reference = DescrStatsW(r)
    assert found.mean_m == pytest.approx(reference.mean, rel=1e-12)
    assert found.standard_deviation_m == pytest.approx(stats.tstd(r), rel=1e-12)
    assert found.rmse_m == pytest.approx(math.sqrt(np.mean(r**2)), rel=1e-12)
    assert found.median_m == np.median(r)
    assert found.nmad_m == pytest.approx(mad(r), rel=5e-5)  # statsmodels does not round 1/0.6745
    assert found.skewness == pytest.approx(stats.skew(r, bias=False), rel=1e-9)
    assert found.excess_kurtosis == pytest.approx(stats.kurtosis(r, bias=False), rel=1e-9)
    assert found.mean_interval_95_m == pytest.approx(reference.tconfint_mean(), rel=1e-9)
    assert (found.minimum_m, found.maximum_m) == (r.min(), r.max())
    size = np.sort(np.abs(r))
    # ASPRS Edition 1, Annex D.2 (from memory): rank 1 + P (n - 1), linear between neighbours.
    for share, value in ((0.683, found.absolute_quantile_683_m), (0.95, found.absolute_quantile_95_m)):
        rank = 1 + share * 36
        below, part = int(rank), rank - int(rank)
        assert value == pytest.approx((1 - part) * size[below - 1] + part * size[below], rel=1e-12)


@given(residuals, st.floats(-1e6, 1e6))
def test_shift_leaves_standard_deviation(r: FloatArray, shift_m: float) -> None:
    """A constant added to every residual moves the mean and leaves the standard deviation."""
    mean, deviation = mean_and_standard_deviation(r)
    moved_mean, moved_deviation = mean_and_standard_deviation(r + shift_m)
    rounding = 1e-15 * (abs(shift_m) + 20)
    assert moved_mean == pytest.approx(mean + shift_m, abs=4 * rounding)
    assert moved_deviation == pytest.approx(deviation, abs=4 * rounding)


@given(residuals)
def test_mean_square_identity(r: FloatArray) -> None:
    """RMSE^2 = mean^2 + s^2 (n-1)/n for every sample."""
    mean, deviation = mean_and_standard_deviation(r)
    assert deviation is not None
    n = r.size
    assert rmse(r) ** 2 == pytest.approx(mean**2 + deviation**2 * (n - 1) / n, rel=1e-9, abs=1e-12)


@settings(max_examples=15, deadline=None)
@given(residuals, st.randoms(use_true_random=False))
def test_order_changes_nothing(r: FloatArray, shuffler: random.Random) -> None:
    """The same residuals in any order give the same figures and intervals, to the last bit."""
    shuffled = r.tolist()
    shuffler.shuffle(shuffled)
    first, second = axis(r), axis(np.array(shuffled))
    assert replace(first, outliers=(), blunder_candidates=()) == replace(
        second, outliers=(), blunder_candidates=()
    )


def test_nothing_to_summarise() -> None:
    """No residual gives no summary, never zeros."""
    none = np.empty(0)
    assert summarise_axis(none, ids=[], survey_sigma_m=none) is None
    assert (
        summarise_horizontal(none, none, ids=[], survey_sigma_easting_m=none, survey_sigma_northing_m=none)
        is None
    )
    assert summarise_three_d(np.empty((0, 3)), survey_sigma_m=np.empty((0, 3))) is None
    empty = summarise([])
    assert (empty.vertical, empty.vegetated, empty.horizontal, empty.three_d) == (None, None, None, None)


def test_one_residual_claims_nothing() -> None:
    """A single residual has its own value for a mean and RMSE, and no spread and no interval."""
    found = axis(np.array([-0.03]))
    assert (found.mean_m, found.rmse_m, found.maximum_m) == (-0.03, 0.03, -0.03)
    assert (found.standard_deviation_m, found.nmad_m) == (None, None)
    assert (found.skewness, found.excess_kurtosis) == (None, None)
    intervals = [
        value for name, value in as_mapping(found).items() if "95" in name and "quantile" not in name
    ]
    assert len(intervals) == 8
    assert set(intervals) == {None}
    assert found.effective_n is None


def as_mapping(found: AxisSummary) -> dict[str, object]:
    """Field values by name."""
    return {name: getattr(found, name) for name in found.__dataclass_fields__}


@pytest.mark.parametrize("n", [2, 5, 8, 30])
def test_equal_residuals(n: int) -> None:
    """Residuals without spread give zero deviation, no shape and no bootstrap, and no warning."""
    found = axis(np.full(n, 0.02))
    assert found.standard_deviation_m == 0
    assert (found.skewness, found.excess_kurtosis) == (None, None)
    assert found.rmse_bootstrap_95_m is None
    assert found.outliers == ()


def test_not_finite_is_refused() -> None:
    """A residual that is not a number never enters a figure."""
    with pytest.raises(ValueError, match="not a finite number"):
        axis(np.array([0.01, math.nan]))


def test_survey_uncertainty_is_added_in_quadrature() -> None:
    """Fit 3.0 cm and survey 2.0 cm make 3.606 cm (ASPRS Edition 2, 7.11; formula excerpt only)."""
    found = axis(np.array([0.03, -0.03]), sigma_m=0.02)
    assert found.survey_rms_m == pytest.approx(0.02)
    assert found.rmse_with_survey_m == pytest.approx(0.03606, abs=5e-6)


def test_one_unknown_survey_uncertainty_leaves_the_figure_out() -> None:
    """A survey RMS over only the known uncertainties would speak for points it does not know."""
    found = summarise_axis(np.array([0.01, -0.02]), ids=["a", "b"], survey_sigma_m=np.array([0.01, math.nan]))
    assert found is not None
    assert found.survey_rms_m is None
    assert found.rmse_with_survey_m is None


@pytest.mark.parametrize(("target_m", "expected"), [(0.05, ("p9",)), (0.0499, ("p8", "p9")), (0.06, ())])
def test_blunder_is_beyond_three_times_the_class(target_m: float, expected: tuple[str, ...]) -> None:
    """Above, not at, three times the class's RMSE, whatever the sign (ASPRS Edition 2, 7.2, excerpt)."""
    r = np.array([0.01, -0.01, 0.02, -0.02, 0.0, 0.01, -0.01, 0.03, 3 * 0.05, -0.16])
    assert axis(r, target_m).blunder_candidates == expected
    assert axis(r, target_m).n == 10  # flagged, and still counted


def test_outlier_is_found_where_no_class_is_asked() -> None:
    """A residual of eight times the spread is flagged without a class, and stays an outlier with one."""
    r = np.append(0.01 * stats.norm.ppf((np.arange(30) + 0.5) / 30), 0.08)
    assert axis(r).blunder_candidates == ("p30",)
    assert axis(r, target_m=0.5).blunder_candidates == ()
    assert axis(r, target_m=0.5).outliers == ("p30",)


@pytest.mark.parametrize(
    "r",
    [[0.0, 0.0, 0.0, 0.0, 5.0], [0.0, 0.0, 0.0, 0.0, 0.01, 0.02, 5.0]],
    ids=["fewer than six", "more than half equal"],
)
def test_outliers_need_a_spread_to_stand_out_from(r: list[float]) -> None:
    """Where the NMAD means nothing no residual is accused."""
    assert not outliers(np.array(r)).any()


def test_horizontal_figures() -> None:
    """Radial figures follow from both axes; the survey's radial error takes both variances."""
    east, north = np.array([0.03, -0.03, 0.03, -0.03]), np.array([0.04, 0.04, -0.04, -0.04])
    found = summarise_horizontal(
        east,
        north,
        ids=list("abcd"),
        survey_sigma_easting_m=np.full(4, 0.006),
        survey_sigma_northing_m=np.full(4, 0.008),
        target_rmse_m=0.0166,
    )
    assert found is not None
    assert found.rmse_m == pytest.approx(0.05)
    assert found.radial_95_m == pytest.approx(0.05)
    assert found.maximum_m == pytest.approx(0.05)
    assert found.survey_rms_m == pytest.approx(0.01)
    assert found.rmse_with_survey_m == pytest.approx(math.hypot(0.05, 0.01))
    # Each axis is within three times the class, the radial residual of 5 cm is not.
    assert found.easting.blunder_candidates == found.northing.blunder_candidates == ()
    assert found.blunder_candidates == ("a", "b", "c", "d")


def test_radial_interval_counts_both_axes(rng: np.random.Generator) -> None:
    """400 places with equal independent axes know RMSE_H as 800 single residuals would (scipy)."""
    east, north = rng.normal(0, 0.02, (2, 400))
    unknown = np.full(400, math.nan)
    found = summarise_horizontal(
        east, north, ids=[""] * 400, survey_sigma_easting_m=unknown, survey_sigma_northing_m=unknown
    )
    assert found is not None
    ends = [found.rmse_m * math.sqrt(800 / stats.chi2.ppf(p, 800)) for p in (0.975, 0.025)]
    assert found.rmse_interval_95_m == pytest.approx(ends, rel=0.002)
    assert found.rmse_degrees_of_freedom == pytest.approx(800, rel=0.05)


@pytest.mark.parametrize("drift_m", [0.0, 120.0])
def test_radial_intervals_along_a_drive(drift_m: float) -> None:
    """Degrees of freedom of H and 3D stay near 2n and 3n where residuals are independent, and fall
    below half of that where all three axes drift together over 120 m."""
    n = 48
    place_m, generator = np.linspace(0, 1100, n), np.random.default_rng(12)
    correlation = np.exp(-np.abs(place_m[:, None] - place_m) / drift_m) if drift_m else np.eye(n)
    r = 0.02 * np.linalg.cholesky(correlation) @ generator.standard_normal((n, 3))
    sigma = np.full((n, 3), math.nan)
    plan = summarise_horizontal(
        r[:, 0],
        r[:, 1],
        ids=[""] * n,
        survey_sigma_easting_m=sigma[:, 0],
        survey_sigma_northing_m=sigma[:, 1],
        easting_m=place_m,
        northing_m=0 * place_m,
    )
    space = summarise_three_d(r, survey_sigma_m=sigma, easting_m=place_m, northing_m=0 * place_m)
    assert plan is not None
    assert space is not None
    for found, most in ((plan, 2 * n), (space, 3 * n)):
        assert found.rmse_degrees_of_freedom is not None
        share = found.rmse_degrees_of_freedom / most
        assert share < 0.5 if drift_m else 0.8 < share <= 1
        assert found.rmse_interval_95_m is not None
        assert found.rmse_interval_correlated_95_m is not None
        assert found.rmse_interval_correlated_95_m[0] < found.rmse_interval_95_m[0]
        assert found.rmse_interval_correlated_95_m[1] > found.rmse_interval_95_m[1]


def test_strata_are_kept_apart() -> None:
    """Open and vegetated heights never mix; horizontal and 3D take both covers."""
    results = [checkpoint(f"c{i}", 0.01, (0.02, 0.0)) for i in range(4)]
    results += [replace(checkpoint(f"c{i}", 0.30, (0.0, 0.02)), cover=Cover.VEGETATED) for i in range(4, 6)]
    results += [checkpoint("c6", None, (0.02, 0.0)), checkpoint("c7", 0.01, None)]
    found = summarise(results)
    assert found.vertical is not None
    assert found.vegetated is not None
    assert found.horizontal is not None
    assert found.three_d is not None
    assert (found.vertical.n, found.vegetated.n) == (5, 2)
    assert (found.horizontal.n, found.three_d.n) == (7, 6)
    assert found.vertical.rmse_m == pytest.approx(0.01)
    assert found.vegetated.rmse_m == pytest.approx(0.30)
    assert found.vertical.survey_rms_m == pytest.approx(0.012)
    assert found.horizontal.survey_rms_m == pytest.approx(0.01)
    assert found.three_d.survey_rms_m == pytest.approx(math.hypot(0.01, 0.012))
    assert found.with_exclusions is None


def test_control_points_and_unused_ones_never_count() -> None:
    """A control point's residual proves nothing; an unused checkpoint is out of every figure."""
    results = [checkpoint(f"c{i}", 0.01, None) for i in range(3)]
    results.append(replace(checkpoint("c3", 9.0, (9.0, 9.0)), role=Role.CONTROL))
    results.append(replace(checkpoint("c4", 9.0, (9.0, 9.0)), used=False, why_not_used="duplicate"))
    found = summarise(results, excluded_ids=["c3"])
    assert found.vertical is not None
    assert found.vertical.n == 3
    assert found.horizontal is None
    assert found.with_exclusions is None


def test_exclusions_are_shown_both_ways() -> None:
    """What the user set aside leaves the figures and comes back in ``with_exclusions``."""
    results = [checkpoint(f"c{i}", 0.01 * (-1) ** i, None) for i in range(6)]
    set_aside = replace(
        results[5], vertical=vertical_residual(0.5), used=False, why_not_used="moved by a plough"
    )
    duplicate = replace(checkpoint("c9", 7.0, None), used=False, why_not_used="same place as c1")
    found = summarise([*results[:5], set_aside, duplicate], excluded_ids=["c5"])
    assert found.vertical is not None
    assert found.with_exclusions is not None
    assert found.with_exclusions.vertical is not None
    assert (found.vertical.n, found.with_exclusions.vertical.n) == (5, 6)
    assert found.vertical.maximum_m == 0.01
    assert found.with_exclusions.vertical.maximum_m == 0.5
    assert found.with_exclusions.with_exclusions is None


def test_an_exclusion_that_was_not_measured_changes_no_figure() -> None:
    """Nothing to show both ways where the excluded checkpoint has no residual."""
    results = [checkpoint("c0", 0.01, None), replace(checkpoint("c1", None, None), used=False)]
    assert summarise(results, excluded_ids=["c1"]).with_exclusions is None


def test_row_order_gives_the_same_bytes(rng: np.random.Generator) -> None:
    """The same checkpoints in another order of rows give the same summary, to the last bit."""
    results = [
        checkpoint(f"c{i}", float(h), (float(e), float(n)))
        for i, (h, e, n) in enumerate(rng.normal(0, 0.02, (24, 3)))
    ]
    backwards = summarise(results[::-1], vertical_class_m=0.01, horizontal_class_m=0.01)
    assert repr(summarise(results, vertical_class_m=0.01, horizontal_class_m=0.01)) == repr(backwards)
