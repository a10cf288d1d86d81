"""Rank statistics against the library's own, which take too long to load for every recheck."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst
from scipy import stats

from accuracy.statistics.ranks import average_ranks, mann_whitney_p, spearman, theil_sen

# Whole numbers make ties; a hundredth of them keeps the size of residuals.
COLUMN = npst.arrays(np.int64, st.integers(8, 40), elements=st.integers(-30, 30)).map(lambda a: a / 100)


def pairs(values: np.ndarray, slope: float) -> tuple[np.ndarray, np.ndarray]:
    """The values in pairs with others, some of them tied."""
    rng = np.random.default_rng(values.size)
    return values, np.round(slope * values + rng.normal(0, 0.1, values.size), 2)


@given(values=COLUMN)
def test_ranks(values: np.ndarray) -> None:
    """Equal values share the mean of their ranks."""
    np.testing.assert_array_equal(average_ranks(values), stats.rankdata(values))


@given(values=COLUMN, slope=st.sampled_from([0.0, 0.4, -3.0]))
def test_correlation_and_slope(values: np.ndarray, slope: float) -> None:
    """Coefficient, p-value, slope and interval are the library's, with ties and without."""
    x, y = pairs(values, slope)
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return
    theirs = stats.spearmanr(x, y)
    assert spearman(x, y) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-9, abs=1e-12)
    sen = stats.theilslopes(y, x, alpha=0.95)
    assert theil_sen(y, x) == pytest.approx((sen.slope, sen.low_slope, sen.high_slope), rel=1e-12)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_perfect_order(sign: float) -> None:
    """Columns in one order, or in opposite ones, leave no doubt and divide by no zero."""
    x = np.arange(12.0)
    rank, p_value = spearman(x, sign * x**3)
    assert rank == pytest.approx(sign)
    assert p_value == pytest.approx(0.0, abs=1e-12)


@given(a=COLUMN, b=COLUMN, shift=st.sampled_from([0.0, 0.2, -1.0]))
def test_two_groups(a: np.ndarray, b: np.ndarray, shift: float) -> None:
    """The normal approximation is the library's, whichever group lies higher."""
    if np.ptp(np.concatenate([a, b + shift])) == 0:
        assert mann_whitney_p(a, b + shift) == 1.0
        return
    theirs = stats.mannwhitneyu(a, b + shift, method="asymptotic").pvalue
    assert mann_whitney_p(a, b + shift) == pytest.approx(theirs, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize(("n", "m"), [(8, 8), (8, 12), (9, 30)])
def test_small_groups_against_the_exact_test(n: int, m: int, rng: np.random.Generator) -> None:
    """Where the exact p-value is 0.05 or less, the approximation is within 0.004 of it."""
    compared = 0
    for _ in range(300):
        a, b = rng.normal(size=n), rng.normal(size=m) + rng.normal()
        exact = stats.mannwhitneyu(a, b, method="exact").pvalue
        if exact <= 0.05:
            compared += 1
            assert mann_whitney_p(a, b) == pytest.approx(exact, abs=0.004)
    assert compared > 30
