"""Rank statistics of two columns: correlation, slope and shift. Arrays in, numbers out.

On special functions alone: the library's own tests take longer to load than a whole recheck may last.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import ndtr, ndtri, stdtr

from accuracy.model import FloatArray, IntArray


def average_ranks(values: FloatArray) -> FloatArray:
    """Ranks from 1 of (n,) values; equal ones share the mean of theirs."""
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - (count - 1) / 2)[place], dtype=np.float64)


def spearman(a: FloatArray, b: FloatArray) -> tuple[float, float]:
    """Spearman's rank correlation of (n,) and (n,), and its two-sided p-value.

    By Student's t with n-2 degrees of freedom (Kendall and Stuart, vol. 2, section 31.19, from memory).
    n is 3 or more, and neither column is constant.
    """
    rank = float(np.corrcoef(average_ranks(a), average_ranks(b))[0, 1])
    freedom = len(a) - 2
    left = (1 + rank) * (1 - rank)
    if left <= 0:
        return rank, 0.0
    return rank, 2 * float(stdtr(freedom, -abs(rank) * math.sqrt(freedom / left)))


def theil_sen(y: FloatArray, x: FloatArray) -> tuple[float, float, float]:
    """Median of the slopes of all pairs of (n,) and (n,), and its 95 % interval (Sen 1968).

    The interval is that of Kendall's statistic, its variance corrected for ties (Sen's equation 2.6).
    """
    rise, run = y[:, None] - y, x[:, None] - x
    slopes = np.sort(rise[run > 0] / run[run > 0])
    n, pairs = len(y), len(slopes)

    def share(m: IntArray | int) -> float:
        counts = np.asarray(m, dtype=np.float64)
        return float(np.sum(counts * (counts - 1) * (2 * counts + 5)))

    variance = (share(n) - share(_ties(x)) - share(_ties(y))) / 18
    reach = -float(ndtri(0.025)) * math.sqrt(max(variance, 0.0))
    low = max(round((pairs - reach) / 2) - 1, 0)
    high = min(round((pairs + reach) / 2), pairs - 1)
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])


def mann_whitney_p(a: FloatArray, b: FloatArray) -> float:
    """Two-sided p-value that values of (n,) and (m,) come from one distribution (Mann and Whitney 1947).

    By the normal approximation, corrected for continuity and ties: from eight a group on it is within
    0.004 of the exact one where that says 0.05 or less.
    """
    n, m = len(a), len(b)
    both = np.concatenate([a, b])
    first = float(average_ranks(both)[:n].sum()) - n * (n + 1) / 2
    ties = _ties(both).astype(np.float64)
    total = n + m
    variance = n * m / 12 * (total + 1 - float(np.sum(ties**3 - ties)) / (total * (total - 1)))
    if variance <= 0:
        return 1.0
    z = (max(first, n * m - first) - n * m / 2 - 0.5) / math.sqrt(variance)
    return min(1.0, 2 * float(ndtr(-z)))


def _ties(values: FloatArray) -> IntArray:
    """How often each repeated value occurs."""
    count = np.unique(values, return_counts=True)[1]
    return np.asarray(count[count > 1], dtype=np.int64)
