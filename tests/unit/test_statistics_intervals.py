"""Intervals and probabilities: against scipy, their limits, and what they refuse to claim."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from accuracy.statistics.intervals import (
    chi_square_interval,
    mean_interval,
    median_interval,
    mixed_mean_interval,
    mixed_scale_interval,
    nmad_interval,
    probability_rmse_below,
    quantile_interval,
    radial_degrees_of_freedom,
    resampled_means,
    rmse_bootstrap_interval,
    root_ratio_interval,
)


@pytest.mark.parametrize("freedom", [1, 2.5, 9, 48, 300.25])
@pytest.mark.parametrize("confidence", [0.68, 0.90, 0.95])
def test_chi_square_interval_against_scipy(freedom: float, confidence: float) -> None:
    """The ends are where scipy's chi-square puts half of the rest."""
    interval = chi_square_interval(0.04, freedom, confidence)
    assert interval is not None
    tails = [stats.chi2.cdf(freedom * (0.04 / end) ** 2, freedom) for end in interval]
    assert tails == pytest.approx([1 - (1 - confidence) / 2, (1 - confidence) / 2], rel=1e-9)


def test_no_interval_below_one_degree_of_freedom() -> None:
    """One value alone has no standard deviation to bound."""
    assert chi_square_interval(0.0, 0) is None


def test_a_mixture_of_one_is_that_one() -> None:
    """With a single candidate the mixed intervals are Student's and the chi-square one."""
    one = np.ones(1)
    mean = mixed_mean_interval(0.02, 0.003 * one, 7.5 * one, one)
    assert mean == pytest.approx(mean_interval(0.02, 0.003, 7.5), rel=1e-9)
    scale = mixed_scale_interval(0.04, 7.5 * one, one)
    assert scale == pytest.approx(chi_square_interval(0.04, 7.5), rel=1e-9)


def test_mixed_intervals_leave_out_five_percent() -> None:
    """Each end leaves out 2.5 % of the weighted distributions, as scipy reckons them."""
    weight, freedom = np.array([0.9, 0.08, 0.02]), np.array([40.0, 12.0, 3.0])
    error_m = np.array([0.001, 0.003, 0.02])
    low, high = mixed_mean_interval(0.0, error_m, freedom, weight)
    assert -low == high
    assert weight @ stats.t.sf(high / error_m, freedom) == pytest.approx(0.025, rel=1e-6)
    low, high = mixed_scale_interval(1.0, freedom, weight)
    assert weight @ stats.chi2.sf(freedom / low**2, freedom) == pytest.approx(0.025, rel=1e-6)
    assert weight @ stats.chi2.cdf(freedom / high**2, freedom) == pytest.approx(0.025, rel=1e-6)


@pytest.mark.parametrize("n", [12, 600])
def test_resampled_means_are_means_of_resamples(n: int, rng: np.random.Generator) -> None:
    """They scatter as a mean does, about the sample's own; a row of ones stays one, few values or many."""
    values = np.stack([rng.normal(size=n), np.ones(n)])
    means, ones = resampled_means(values)
    assert ones == pytest.approx(np.ones(means.size), rel=1e-12)
    error = values[0].std() / math.sqrt(n)
    assert means.mean() == pytest.approx(values[0].mean(), abs=4 * error / math.sqrt(means.size))
    assert means.std() == pytest.approx(error, rel=4 / math.sqrt(2 * means.size))


def test_root_ratio_interval_of_equal_weights_is_the_rmse_one() -> None:
    """The root of a ratio of sums knows neither the unit of what is above nor of what is below."""
    r = np.linspace(0.001, 0.05, 20)
    root = root_ratio_interval(r**2, np.ones(20), seed=1)
    assert root == rmse_bootstrap_interval(r, seed=1)
    scaled = root_ratio_interval(100 * r**2, np.full(20, 25.0), seed=1)
    assert root is not None
    assert scaled == pytest.approx((2 * root[0], 2 * root[1]), rel=1e-9)
    assert root_ratio_interval(r**2 - 1, np.ones(20)) is None


@pytest.mark.parametrize("share", [0.5, 0.683, 0.9])
def test_quantile_interval_lies_between_exact_ones(share: float, rng: np.random.Generator) -> None:
    """Each end is between the two order statistics whose exact coverage (binomial) encloses 97.5 %."""
    n = 60
    x = np.sort(rng.exponential(size=n))
    interval = quantile_interval(x, share)
    assert interval is not None
    below = [stats.binom.cdf(rank - 1, n, share) for rank in range(1, n + 1)]
    upper = next(i for i, chance in enumerate(below) if chance >= 0.975)
    assert x[upper - 1] <= interval[1] <= x[upper]
    above = [stats.binom.sf(rank - 1, n, share) for rank in range(1, n + 1)]
    lower = max(i for i, chance in enumerate(above) if chance >= 0.975)
    assert x[lower] <= interval[0] <= x[lower + 1]


@pytest.mark.parametrize(("n", "exists"), [(5, False), (6, True)])
def test_median_interval_needs_six(n: int, exists: bool) -> None:
    """Five values span the true median with 93.75 % only."""
    assert (median_interval(np.arange(float(n))) is not None) is exists


@pytest.mark.parametrize(("n", "exists"), [(7, False), (8, True)])
def test_nmad_and_bootstrap_need_eight(n: int, exists: bool) -> None:
    """Below eight neither holds its level, so neither is given."""
    x = np.arange(float(n))
    assert (nmad_interval(x) is not None) is exists
    assert (rmse_bootstrap_interval(x) is not None) is exists


def test_bootstrap_against_scipy(rng: np.random.Generator) -> None:
    """In a large sample scipy's BCa bootstrap finds the same interval within a tenth of its width."""
    r = rng.laplace(0, 0.03, 600)
    reference = stats.bootstrap(
        (r,), lambda x, axis: np.sqrt(np.mean(x**2, axis=axis)), method="BCa", rng=1
    ).confidence_interval
    interval = rmse_bootstrap_interval(np.abs(r))
    assert interval is not None
    width = reference.high - reference.low
    assert interval == pytest.approx((reference.low, reference.high), abs=0.1 * width)


def test_bootstrap_repeats_itself() -> None:
    """The residuals are the seed: same ones, same interval; a seed of one's own gives another draw."""
    r = np.linspace(0.001, 0.05, 20)
    assert rmse_bootstrap_interval(r) == rmse_bootstrap_interval(r[::-1].copy())
    assert rmse_bootstrap_interval(r, seed=1) != rmse_bootstrap_interval(r, seed=2)


@pytest.mark.parametrize(
    "r",
    [np.append(np.zeros(7), 1.0), np.append(np.zeros(15), 0.5), np.append(np.full(9, 0.02), 0.03)],
    ids=["seven zeros", "fifteen zeros", "nine equal"],
)
def test_bootstrap_of_nearly_equal_residuals_claims_nothing(r: np.ndarray) -> None:
    """One residual that differs from all others: too many resamples miss it for an end to exist."""
    assert rmse_bootstrap_interval(r) is None


def test_one_blunder_does_not_send_the_interval_to_infinity() -> None:
    """With one residual of eight standard deviations among 48 the upper end stays in sight."""
    r = np.append(stats.norm.ppf((np.arange(47) + 0.5) / 47), 8.0)
    interval = rmse_bootstrap_interval(np.abs(r))
    assert interval is not None
    assert 0.5 < interval[0] < 1.2
    assert interval[1] < 4 * math.sqrt(np.mean(r**2))


def test_bootstrap_of_a_long_list_goes_in_parts() -> None:
    """Thousands of residuals are resampled in parts; in a large sample the normal form agrees."""
    r = np.random.default_rng(8).normal(0, 0.02, 3000)
    interval, normal = rmse_bootstrap_interval(np.abs(r)), chi_square_interval(float(np.std(r)), 3000)
    assert interval is not None
    assert interval == pytest.approx(normal, rel=0.01)


def test_bootstrap_scales(rng: np.random.Generator) -> None:
    """In feet the interval is the one in metres over 0.3048, but for the other draw's noise."""
    r = np.abs(rng.normal(0, 0.02, 40))
    metres, feet = rmse_bootstrap_interval(r, seed=3), rmse_bootstrap_interval(r / 0.3048, seed=3)
    assert metres is not None
    assert feet is not None
    assert np.array(feet) * 0.3048 == pytest.approx(np.array(metres), rel=1e-12)


@pytest.mark.parametrize(
    ("covariance", "per_n"),
    [
        (np.eye(2), 2.0),
        (np.eye(3), 3.0),
        (np.diag([1.0, 1e-6]), 1.0),
        (np.array([[1.0, 0.999999], [0.999999, 1.0]]), 1.0),
        (np.diag([1.0, 0.25]), 1.5625 / 1.0625),
    ],
    ids=["two equal", "three equal", "one axis only", "fully correlated", "2 : 1"],
)
def test_radial_degrees_of_freedom(covariance: np.ndarray, per_n: float, rng: np.random.Generator) -> None:
    """n (tr S)^2 / tr S^2, worked by hand for each covariance; met within 3 % by 20,000 points."""
    n = 20_000
    r = rng.multivariate_normal(np.zeros(len(covariance)), covariance, n)
    assert radial_degrees_of_freedom(r) == pytest.approx(per_n * n, rel=0.03)


def test_probability_is_the_chi_square_posterior() -> None:
    """For 20 residuals of RMSE 3 cm against 4 cm: P(chi2_20 > 20 * 9/16), from scipy."""
    r = np.array([0.03, -0.03] * 10)
    assert probability_rmse_below(r, 0.04) == pytest.approx(stats.chi2.sf(20 * 9 / 16, 20), rel=1e-12)
    # Half of them effective: less sure.
    assert probability_rmse_below(r, 0.04, degrees_of_freedom=10) == pytest.approx(
        stats.chi2.sf(10 * 9 / 16, 10), rel=1e-12
    )


def test_probability_at_the_interval_ends() -> None:
    """A class at either end of the 95 % interval has 2.5 % or 97.5 %: both rest on one chi-square."""
    r = np.linspace(-0.04, 0.05, 31)
    interval = chi_square_interval(math.sqrt(np.mean(r**2)), 31)
    assert interval is not None
    assert [probability_rmse_below(r, end) for end in interval] == pytest.approx([0.025, 0.975], rel=1e-9)


def test_survey_takes_its_share_of_the_class() -> None:
    """A 5 cm class with a 3 cm survey leaves 4 cm; with a 6 cm survey it cannot be met."""
    r = np.array([0.03, -0.03] * 10)
    assert probability_rmse_below(r, 0.05, survey_rms_m=0.03) == pytest.approx(
        probability_rmse_below(r, 0.04), rel=1e-9
    )
    assert probability_rmse_below(r, 0.05, survey_rms_m=0.06) == 0.0


@pytest.mark.parametrize(
    "r", [np.empty(0), np.zeros(12), np.zeros((12, 2))], ids=["none", "zeros", "zeros H"]
)
def test_no_probability_without_evidence(r: np.ndarray) -> None:
    """No residual, or residuals that are all exactly zero, make nobody sure of anything."""
    assert probability_rmse_below(r, 0.05) is None
