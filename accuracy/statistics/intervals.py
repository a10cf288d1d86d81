"""Intervals and probabilities for the figures of a summary. Arrays in, numbers out.

Every interval is two-sided with equal tails, and its coverage is measured by simulation in
``tests/benchmarks/sim_intervals.py``. Three kinds are used:

* chi-square and t, exact for normal residuals;
* interpolated order statistics for the median, NMAD and quantiles: no normality assumed, no
  resampling, and they hold their level from ten checkpoints on;
* the studentised bootstrap for the RMSE. The percentile and BCa bootstraps were tried first and
  hold only 82 % and 85 % of normal samples at n = 10, because a small sample seldom contains
  the large residuals that make the true RMSE.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import numpy as np
from scipy.special import bdtr, chdtrc, chdtri, ndtr, stdtrit

from accuracy.model import FloatArray, IntArray, Interval

CONFIDENCE = 0.95
NMAD_FACTOR = 1.4826
"""1 / the normal distribution's upper quartile, as Höhle & Höhle (2009) print it."""
BOOTSTRAP_DRAWS = 4000
LARGEST_RESAMPLE = 1_000_000
"""Values resampled at once."""
END_OF_TAIL = 1000.0
"""Standard errors past which a resampled figure means no more than "far away"."""
SMALLEST_BOOTSTRAP_N = 8
"""Below this a resample too often repeats one value, and the studentised tails have no end."""


def chi_square_interval(
    scale_m: float, degrees_of_freedom: float, confidence: float = CONFIDENCE
) -> Interval | None:
    """Interval of a standard deviation (n-1 degrees of freedom) or of an RMSE (n of them).

    ``scale`` * sqrt(v / chi2_{1-a/2, v}) to ``scale`` * sqrt(v / chi2_{a/2, v}). Exact for normal
    residuals; for the RMSE also zero-mean. A bias makes the RMSE's interval too wide, not too
    narrow; heavy tails make both too narrow (t with 5 degrees of freedom: 80 % at n = 48).
    Fractional degrees of freedom are allowed. None below one degree of freedom.
    """
    if degrees_of_freedom < 1:
        return None
    tail = (1 - confidence) / 2
    low = scale_m * np.sqrt(degrees_of_freedom / chdtri(degrees_of_freedom, tail))
    high = scale_m * np.sqrt(degrees_of_freedom / chdtri(degrees_of_freedom, 1 - tail))
    return float(low), float(high)


def mean_interval(
    mean_m: float, standard_error_m: float, degrees_of_freedom: float, confidence: float = CONFIDENCE
) -> Interval | None:
    """Student's t interval of a mean; None below one degree of freedom."""
    if degrees_of_freedom < 1:
        return None
    half_m = -float(stdtrit(degrees_of_freedom, (1 - confidence) / 2)) * standard_error_m
    return mean_m - half_m, mean_m + half_m


def quantile_interval(values: FloatArray, share: float, confidence: float = CONFIDENCE) -> Interval | None:
    """Distribution-free interval of the ``share`` quantile from (n,) values.

    Order statistics, interpolated between the two whose coverage encloses the nominal one (Nyblom
    1992, Statistics & Probability Letters 14, 129-131; for the median it is Hettmansperger &
    Sheather 1986, ibid. 4, 75-79). None where even the smallest or largest value is not far
    enough out: for the 95 % quantile and 95 % confidence that is below n = 72, because all n
    values lie under the true quantile with probability 0.95^n.
    """
    ascending = np.sort(values)
    tail = (1 - confidence) / 2
    high = _upper_bound(ascending, share, 1 - tail)
    low = _upper_bound(-ascending[::-1], 1 - share, 1 - tail)
    return None if high is None or low is None else (-low, high)


def _upper_bound(ascending: FloatArray, share: float, confidence: float) -> float | None:
    n = ascending.size
    ranks = np.arange(1, n + 1)
    # Chance that the value of each rank lies at or above the true quantile.
    chance = bdtr(ranks - 1, n, share)
    enough = np.flatnonzero(chance >= confidence)
    if enough.size == 0:
        return None
    above = int(enough[0])
    if above == 0:
        return float(ascending[0])
    rank = above  # of the value below, counted from 1
    short, over = confidence - chance[above - 1], chance[above] - confidence
    weight = short * (n - rank) * share / (short * (n - rank) * share + over * rank * (1 - share))
    return float((1 - weight) * ascending[above - 1] + weight * ascending[above])


def median_interval(residual_m: FloatArray, confidence: float = CONFIDENCE) -> Interval | None:
    """Distribution-free interval of the median; None below n = 6 at 95 %."""
    return quantile_interval(residual_m, 0.5, confidence)


def nmad_interval(residual_m: FloatArray, confidence: float = CONFIDENCE) -> Interval | None:
    """Interval of 1.4826 x the median absolute deviation; None below n = 8.

    The order-statistic interval of the median, applied to the deviations from the sample median
    as if that were the true one. What this neglects shows below n = 8.
    """
    if residual_m.size < SMALLEST_BOOTSTRAP_N:
        return None
    interval = median_interval(np.abs(residual_m - np.median(residual_m)), confidence)
    return None if interval is None else (NMAD_FACTOR * interval[0], NMAD_FACTOR * interval[1])


def rmse_bootstrap_interval(
    magnitude_m: FloatArray, confidence: float = CONFIDENCE, seed: int | None = None
) -> Interval | None:
    """Studentised bootstrap interval of the RMSE of (n,) residuals or radial residuals.

    Resamples t = (m* - m) / se*, with m the mean square (bootstrap-t: Efron & Tibshirani 1993, An
    Introduction to the Bootstrap, ch. 12; on its logarithm, one blunder among ten would put the
    upper end at a hundred RMSEs). The tail level is moved out from a/2 to Phi(t_{a/2, 2(n-1)}), the
    small-sample adjustment of Hesterberg 2015, The American Statistician 69, 371-386, with twice
    the degrees of freedom because t is studentised already: by simulation that holds 94 to 96 %
    of normal samples for one, two and three axes from n = 10 on. With heavy tails about 91 % are held,
    where the chi-square interval falls to 80 %. Without a seed, one is taken from the values
    themselves, so that the same residuals in any order give the same interval.
    None below n = 8 and where too many magnitudes are equal: resampling then shows no spread.
    """
    squares = np.sort(magnitude_m**2)
    n = squares.size
    mean_square = float(squares.mean()) if n else 0.0
    if n < SMALLEST_BOOTSTRAP_N or mean_square == 0:
        return None
    relative = squares / mean_square
    error = float(relative.std(ddof=1)) / np.sqrt(n)
    if error <= 1e-9:
        return None
    means, spreads = np.empty(BOOTSTRAP_DRAWS), np.empty(BOOTSTRAP_DRAWS)
    for rows, chosen in resamples(n, squares, seed):
        drawn = relative[chosen]
        means[rows] = drawn.sum(axis=1) / n
        variance = np.einsum("ij,ij->i", drawn, drawn) / n - means[rows] ** 2
        spreads[rows] = np.sqrt(np.maximum(variance, 0.0) / (n - 1))
    tails = studentised_tails(means - 1, spreads, 2 * (n - 1), confidence)
    if tails is None:
        return None
    low, high = (mean_square * max(0.0, 1 - t * error) for t in reversed(tails))
    return float(np.sqrt(low)), float(np.sqrt(high))


def resamples(n: int, values: FloatArray, seed: int | None = None) -> Iterator[tuple[slice, IntArray]]:
    """Rows of the resampling and their (rows, n) indices, drawn with replacement.

    Seeded by the values where no seed is given. A part at a time, so that memory does not grow.
    """
    generator = np.random.default_rng(seed_of(values) if seed is None else seed)
    step = max(1, min(BOOTSTRAP_DRAWS, LARGEST_RESAMPLE // n))
    for start in range(0, BOOTSTRAP_DRAWS, step):
        stop = min(start + step, BOOTSTRAP_DRAWS)
        yield slice(start, stop), generator.integers(0, n, size=(stop - start, n))


def seed_of(values: FloatArray) -> int:
    """A seed that the values themselves decide."""
    return int.from_bytes(hashlib.sha256(np.ascontiguousarray(values).tobytes()).digest()[:8], "big")


def studentised_tails(
    change: FloatArray, error: FloatArray, degrees_of_freedom: int, confidence: float
) -> Interval | None:
    """Lower and upper quantile of resampled change / error, tails widened for small n.

    A resample that repeats one value has no error and stays in the far tail, where it belongs; None
    where there are so many of them that the tail has no end.
    """
    tail = float(ndtr(stdtrit(degrees_of_freedom, (1 - confidence) / 2)))
    t = studentised(change, error)
    low, high = (float(end) for end in np.quantile(t, [tail, 1 - tail]))
    return None if max(-low, high) >= END_OF_TAIL else (low, high)


def studentised(change: FloatArray, error: FloatArray) -> FloatArray:
    """``change / error``, beyond any end of a tail where the error is nothing."""
    no_error = error <= 1e-9 * np.median(error)
    t: FloatArray = np.clip(change / np.where(no_error, 1.0, error), -END_OF_TAIL, END_OF_TAIL)
    t[no_error] = np.sign(change[no_error]) * END_OF_TAIL
    return t


def radial_degrees_of_freedom(components_m: FloatArray) -> float:
    """Degrees of freedom of a radial mean square over (n, k) components: between n and k n.

    v = n (tr S)^2 / tr S^2 for covariance S about zero (Satterthwaite 1946, Biometrics Bulletin 2,
    110-114): 2n for two equal independent axes, n where one axis holds all the error. The sample's
    own S makes v too small, the two traces estimated without bias (normal residuals) make it
    waver; their mean holds 94 to 96 % from n = 10 on, by simulation.
    """
    n, k = components_m.shape
    second = components_m.T @ components_m / n
    square_of_trace, trace_of_square = float(np.trace(second)) ** 2, float((second**2).sum())
    if n < 2 or trace_of_square == 0:
        return float(n)
    unbiased_of_square = (trace_of_square - square_of_trace / n) / (1 + 1 / n - 2 / n**2)
    unbiased_of_trace = square_of_trace - 2 * unbiased_of_square / n
    low = square_of_trace / trace_of_square
    high = unbiased_of_trace / unbiased_of_square if unbiased_of_square > 0 else float(k)
    # Neither can truly lie outside 1 to k.
    return float(n * (np.clip(low, 1, k) + np.clip(high, 1, k)) / 2)


def probability_rmse_below(
    residual_m: FloatArray,
    class_m: float,
    *,
    degrees_of_freedom: float | None = None,
    survey_rms_m: float = 0.0,
) -> float | None:
    """Chance that the true RMSE is at or below ``class_m``, given the residuals.

    ``residual_m`` is (n,) for one axis or (n, k) for a radial figure. Posterior under normal
    residuals about zero and a flat prior on log sigma: n RMSE^2 / sigma^2 is chi-square with n
    degrees of freedom (Box & Tiao 1973, Bayesian Inference in Statistical Analysis, 2.3). Pass
    ``degrees_of_freedom`` where correlation along the drive leaves fewer. A survey uncertainty
    takes its share of the class first: sqrt(sigma^2 + survey^2) <= class.
    None where there is no residual or every residual is zero.
    """
    if residual_m.size == 0:
        return None
    components = residual_m.reshape(residual_m.shape[0], -1)
    mean_square = float((components**2).sum(axis=1).mean())
    if mean_square == 0:
        return None
    freedom = radial_degrees_of_freedom(components) if degrees_of_freedom is None else degrees_of_freedom
    left_for_fit = class_m**2 - survey_rms_m**2
    if left_for_fit <= 0:
        return 0.0
    return float(chdtrc(freedom, freedom * mean_square / left_for_fit))
