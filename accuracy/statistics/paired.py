"""Two runs at the same places, as arrays: tests of no difference, the RMSE difference, correction for many.

Before comparison, which makes nouns of it. Arrays are (n,), one value or square for each checkpoint.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from scipy.special import stdtr

from accuracy.model import FloatArray
from accuracy.statistics.intervals import (
    END_OF_TAIL,
    SMALLEST_BOOTSTRAP_N,
    resampled_means,
    seed_of,
    studentised,
)
from accuracy.statistics.ranks import average_ranks

SWAPS = 9999
ALL_SWAPS_TO = 13
MOST_KEPT_SIGNS = 100
MOST_EXACT_RANKS = 50


def holm(p_values: Sequence[float | None]) -> list[float | None]:
    """Holm 1979, Scand. J. Statistics 6, 65-70: family-wise correction; None stays None, uncounted."""
    known = sorted((p, index) for index, p in enumerate(p_values) if p is not None)
    corrected: list[float | None] = [None] * len(p_values)
    largest = 0.0
    for rank, (p, index) in enumerate(known):
        largest = max(largest, min(1.0, (len(known) - rank) * p))
        corrected[index] = largest
    return corrected


def pitman_morgan_p(a_m: FloatArray, b_m: FloatArray) -> float | None:
    """Two-sided p that paired normal (n,) residuals have equal standard deviations.

    Correlation of sum and difference, t with n-2 degrees of freedom. None below three pairs or
    where sum or difference does not vary.
    """
    return _correlation_p(a_m + b_m, a_m - b_m)


def rank_spread_p(a_m: FloatArray, b_m: FloatArray) -> float | None:
    """Pitman-Morgan with Spearman's rank correlation, of residuals centred on their medians."""
    a_m, b_m = a_m - np.median(a_m), b_m - np.median(b_m)
    return _correlation_p(average_ranks(a_m + b_m), average_ranks(a_m - b_m))


def swap_p(a_squares: FloatArray, b_squares: FloatArray) -> float:
    """Two-sided p of equal RMSE when the runs are swapped at random at each of n checkpoints.

    The sum of squares of both runs together stays, so the difference of RMSEs moves with the
    difference of squares. All 2^n swaps up to n = 13, else 9,999 drawn ones and the real one
    (Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9, 39).
    """
    gap = a_squares - b_squares
    n = gap.size
    signs = _kept_signs(n) if n <= MOST_KEPT_SIGNS else _signs(n)
    # The drawn swaps are the same for every n values; the values themselves deal them.
    gap = gap[np.random.default_rng(seed_of(gap)).permutation(n)]
    as_far = np.abs(np.einsum("dn,n->d", signs, gap)) >= abs(gap.sum()) * (1 - 1e-12)
    if n <= ALL_SWAPS_TO:
        return float(np.mean(as_far))
    return float((1 + np.sum(as_far)) / (SWAPS + 1))


def _signs(n: int) -> FloatArray:
    """(swaps, n) of 1 and -1."""
    if n <= ALL_SWAPS_TO:
        swapped = (np.arange(2**n)[:, None] >> np.arange(n)) & 1
    else:
        swapped = np.random.default_rng(n).integers(0, 2, size=(SWAPS, n), dtype=np.int8)
    return np.asarray(1.0 - 2.0 * swapped, dtype=np.float64)


_kept_signs = lru_cache(maxsize=8)(_signs)


def wilcoxon_p(difference: FloatArray) -> float:
    """Two-sided p of the signed-rank test of (n,) paired differences (Wilcoxon 1945, Biometrics 1, 80-83).

    Exact to n = 50 where there are no ties and no zeros; the normal approximation serves the rest.
    """
    if not difference.any():
        return 1.0  # every pair is equal: nothing speaks against equality
    sizes, n = np.abs(difference), difference.size
    order = np.argsort(sizes)
    ascending = sizes[order]
    if n > MOST_EXACT_RANKS or ascending[0] == 0 or (ascending[1:] == ascending[:-1]).any():
        from scipy.stats import wilcoxon

        return float(wilcoxon(difference, method="approx").pvalue)
    of_positive = int(np.flatnonzero(difference[order] > 0).sum() + (difference > 0).sum())
    smaller = min(of_positive, n * (n + 1) // 2 - of_positive)
    return min(1.0, 2 * float(_share_of_rank_sums(n)[smaller]))


@lru_cache(maxsize=MOST_EXACT_RANKS)
def _share_of_rank_sums(n: int) -> FloatArray:
    """Share of the 2^n sets of ranks 1 to n whose sum is at most 0, 1, 2 and so on."""
    sets = np.zeros(n * (n + 1) // 2 + 1)
    sets[0] = 1.0
    for rank in range(1, n + 1):
        sets[rank:] += sets[:-rank].copy()
    share: FloatArray = np.cumsum(sets) / 2.0**n
    return share


def mean_equivalence_p(difference_m: FloatArray, margin_m: float) -> float | None:
    """Two one-sided t tests that the mean of (n,) paired differences lies within the margin."""
    error_m = standard_error(difference_m)
    if difference_m.size < 2 or error_m == 0:
        return None
    distance_m = margin_m - abs(float(difference_m.mean()))
    return float(stdtr(difference_m.size - 1, -distance_m / error_m))


class RmseDifference:
    """RMSE of a minus RMSE of b from squares at the same checkpoints, and its bootstrap."""

    def __init__(self, a_squares: FloatArray, b_squares: FloatArray) -> None:
        n = a_squares.size
        self.a_m, self.b_m = math.sqrt(a_squares.mean()), math.sqrt(b_squares.mean())
        self.value_m = self.a_m - self.b_m
        self.t = np.empty(0)
        """(draws,) sizes of the resampled change over its own standard error."""
        self.error_m = 0.0
        if n < SMALLEST_BOOTSTRAP_N or not (self.a_m > 0 and self.b_m > 0):
            return
        # Middle and gap, not a and b: two runs that are nearly alike would cancel each other.
        middle, gap = (a_squares + b_squares) / 2, a_squares - b_squares
        x, y = middle - middle.mean(), gap - gap.mean()
        rows = np.stack([x, y, x * x, x * y, y * y])
        self.error_m = float(_difference_and_error(rows.mean(axis=1), middle.mean(), gap.mean(), n)[1])
        if self.error_m <= 1e-9 * (self.a_m + self.b_m):
            return
        value_m, error_m = _difference_and_error(resampled_means(rows), middle.mean(), gap.mean(), n)
        self.t = np.abs(studentised(value_m - self.value_m, error_m))

    def interval(self, confidence: float) -> tuple[float, float] | None:
        """As far to either side; None below eight, or where resampling shows no spread."""
        if self.t.size == 0:
            return None
        reach = float(np.quantile(self.t, confidence))
        if reach >= END_OF_TAIL:
            return None
        return self.value_m - reach * self.error_m, self.value_m + reach * self.error_m

    def equivalence_p(self, margin_m: float) -> float | None:
        """Larger of both one-sided p-values; below p exactly where the 1-2p interval is within."""
        if self.t.size == 0:
            return None
        room = (margin_m - abs(self.value_m)) / self.error_m
        farther = float(np.mean(self.t >= abs(room))) / 2
        # Never 0: at least one resample in so many might have been as extreme.
        return max(farther, 1 / (self.t.size + 1)) if room > 0 else 1 - farther


def _difference_and_error(
    moments: FloatArray, middle: float, gap: float, n: int
) -> tuple[FloatArray, FloatArray]:
    """RMSE difference and its standard error by the delta method, (...,) each.

    ``moments`` (5, ...) are means of x, y, x^2, xy and y^2 over n checkpoints, where x is the mean
    of both squares about ``middle`` and y their difference about ``gap``.
    """
    x, y, xx, xy, yy = moments
    smallest = np.finfo(float).tiny
    a_m = np.sqrt(np.maximum(middle + x + (gap + y) / 2, smallest))
    b_m = np.sqrt(np.maximum(middle + x - (gap + y) / 2, smallest))
    difference_m = (gap + y) / (a_m + b_m)
    # a^2 / 2 rmse_a - b^2 / 2 rmse_b at one checkpoint, written in its middle and gap.
    by_gap, by_middle = (a_m + b_m) / (4 * a_m * b_m), difference_m / (2 * a_m * b_m)
    variance = by_gap**2 * (yy - y * y) - 2 * by_gap * by_middle * (xy - x * y) + by_middle**2 * (xx - x * x)
    return difference_m, np.sqrt(np.maximum(variance, 0.0) / (n - 1))


def standard_error(values: FloatArray) -> float:
    """Of the mean of (n,) values; 0 where one value alone says nothing of it."""
    return float(values.std(ddof=1)) / math.sqrt(values.size) if values.size > 1 else 0.0


def _correlation_p(x: FloatArray, y: FloatArray) -> float | None:
    n = x.size
    x, y = x - x.mean(), y - y.mean()
    size = math.sqrt(float(x @ x) * float(y @ y))
    if n < 3 or size == 0:
        return None
    r = float(x @ y) / size
    if abs(r) >= 1:
        return 0.0
    return float(2 * stdtr(n - 2, -abs(r) * math.sqrt((n - 2) / (1 - r * r))))
