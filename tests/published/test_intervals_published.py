"""Intervals and identities against published or independently computed tables."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from accuracy.statistics.intervals import chi_square_interval, median_interval, quantile_interval
from accuracy.statistics.summary import (
    mean_and_standard_deviation,
    nmad,
    rmse,
    skewness_and_excess_kurtosis,
)

# n, RMSE low, RMSE high, one-sided 95 % upper, standard deviation low, high: factors computed
# from the chi-square distribution when the project's reference tables were drawn up. The rows for
# n = 20 and n = 100 round to published anchors: 0.76 to 1.46 and 0.88 to 1.16 (second-hand).
CHI_SQUARE_TABLE = [
    (5, 0.6242, 2.4526, 2.0893, 0.5991, 2.8736),
    (10, 0.6987, 1.7549, 1.5931, 0.6878, 1.8256),
    (15, 0.7387, 1.5477, 1.4373, 0.7321, 1.5771),
    (20, 0.7651, 1.4441, 1.3576, 0.7605, 1.4606),
    (25, 0.7843, 1.3804, 1.3080, 0.7808, 1.3912),
    (30, 0.7991, 1.3367, 1.2737, 0.7964, 1.3443),
    (40, 0.8210, 1.2795, 1.2284, 0.8192, 1.2840),
    (50, 0.8367, 1.2431, 1.1993, 0.8353, 1.2461),
    (60, 0.8487, 1.2174, 1.1787, 0.8476, 1.2197),
    (100, 0.8785, 1.1607, 1.1328, 0.8780, 1.1617),
    (120, 0.8879, 1.1447, 1.1198, 0.8875, 1.1454),
]


@pytest.mark.parametrize(("n", "low", "high", "upper", "sd_low", "sd_high"), CHI_SQUARE_TABLE)
def test_chi_square_factors(
    n: int, low: float, high: float, upper: float, sd_low: float, sd_high: float
) -> None:
    """RMSE with n, standard deviation with n-1 degrees of freedom, to the table's four decimals."""
    assert chi_square_interval(1.0, n) == pytest.approx((low, high), abs=5.1e-5)
    assert chi_square_interval(1.0, n - 1) == pytest.approx((sd_low, sd_high), abs=5.1e-5)
    # The two-sided 90 % interval ends where the one-sided 95 % one does.
    one_sided = chi_square_interval(1.0, n, confidence=0.90)
    assert one_sided is not None
    assert one_sided[1] == pytest.approx(upper, abs=5.1e-5)


def test_mean_square_identity_of_a_published_example() -> None:
    """Mean 0.062, population standard deviation 0.118: RMSE 0.1333, 1.96 RMSE 0.261 (second-hand)."""
    scores = stats.norm.ppf((np.arange(50) + 0.5) / 50)
    r = 0.062 + 0.118 * scores / scores.std()
    assert f"{rmse(r):.4f}" == "0.1333"
    assert f"{1.96 * rmse(r):.3f}" == "0.261"


def test_contaminated_sample() -> None:
    """One 3 m blunder among 51 (a handbook's example, second-hand): RMSE trebles, NMAD hardly moves.

    Published: 50 points of mean 0.062 and standard deviation 0.118; with the blunder mean
    0.120, standard deviation 0.428, RMSE 0.440; median 0.058 to 0.060, NMAD 0.112 to 0.114. The points
    themselves are not published: normal scores of that mean and spread stand in, so the moments
    must agree and the robust figures must move as little.
    """
    scores = stats.norm.ppf((np.arange(50) + 0.5) / 50)
    clean = 0.062 + 0.118 * scores / scores.std(ddof=1)
    spoilt = np.append(clean, 3.0)
    mean, deviation = mean_and_standard_deviation(spoilt)
    assert mean == pytest.approx(0.120, abs=5e-4)
    assert deviation == pytest.approx(0.428, abs=1e-3)
    assert rmse(spoilt) == pytest.approx(0.440, abs=1e-3)
    assert abs(np.median(spoilt) - np.median(clean)) < 0.004
    assert abs(nmad(spoilt) - nmad(clean)) < 0.006


def test_published_airborne_summary() -> None:
    """A US agency's acceptance report, Jean Lafitte, 51 open points (statistics only, second-hand).

    Mean -0.0053, standard deviation 0.0577, RMSE 0.0574, 95 % 0.1125. The three moments close only
    with n-1 in the one and n in the other.
    """
    scores = stats.norm.ppf((np.arange(51) + 0.5) / 51)
    r = -0.0053 + 0.0577 * (scores - scores.mean()) / scores.std(ddof=1)
    mean, deviation = mean_and_standard_deviation(r)
    assert mean == pytest.approx(-0.0053, abs=1e-12)
    assert deviation == pytest.approx(0.0577, abs=1e-12)
    assert f"{rmse(r):.4f}" == "0.0574"
    assert f"{1.96 * 0.0574:.4f}" == "0.1125"


@pytest.mark.parametrize("n", [6, 10, 15, 20, 48, 101])
def test_median_interval_is_hettmansperger_and_sheather(n: int, rng: np.random.Generator) -> None:
    """Against their formula of 1986 (Statistics & Probability Letters 4, 75-79; from memory).

    With gamma_k the coverage of (x_k, x_{n-k+1}) and gamma_k >= 0.95 > gamma_{k+1}:
    I = (gamma_k - 0.95) / (gamma_k - gamma_{k+1}), lambda = (n-k) I / (k + (n-2k) I).
    """
    x = np.sort(rng.normal(size=n))
    coverage = [1 - 2 * stats.binom.cdf(k - 1, n, 0.5) for k in range(n // 2 + 2)]
    k = max(k for k in range(1, n // 2 + 1) if coverage[k] >= 0.95)
    part = (coverage[k] - 0.95) / (coverage[k] - coverage[k + 1])
    weight = (n - k) * part / (k + (n - 2 * k) * part)
    low = (1 - weight) * x[k - 1] + weight * x[k]
    high = (1 - weight) * x[n - k] + weight * x[n - k - 1]
    assert median_interval(x) == pytest.approx((low, high), rel=1e-9)


@pytest.mark.parametrize(("n", "exists"), [(59, False), (71, False), (72, True), (93, True)])
def test_quantile_interval_needs_72(n: int, exists: bool) -> None:
    """0.95^n <= 0.025 first at n = 72: with fewer, all may lie under the true quantile."""
    assert (0.95**n <= 0.025) is exists
    assert (quantile_interval(np.arange(float(n)), 0.95) is not None) is exists


@pytest.mark.parametrize(("n", "exists"), [(58, False), (59, True)])
def test_one_sided_bound_needs_59(n: int, exists: bool) -> None:
    """The 95 %/95 % bound from the maximum needs n = 59 (computed; a classic of tolerance limits)."""
    assert (quantile_interval(np.arange(float(n)), 0.95, confidence=0.90) is not None) is exists


def test_corrected_skewness_and_kurtosis() -> None:
    """G1 and G2 agree with scipy's bias-corrected figures, written independently of ours."""
    x = np.array([1.0, 2.0, 2.5, 3.0, 9.0, 4.0, 4.5])
    skewness, kurtosis = skewness_and_excess_kurtosis(x)
    assert skewness == pytest.approx(stats.skew(x, bias=False), rel=1e-12)
    assert kurtosis == pytest.approx(stats.kurtosis(x, bias=False), rel=1e-12)
