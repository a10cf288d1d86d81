"""Intervals and probabilities for the figures of a summary. Arrays in, numbers out.

Every interval is two-sided with equal tails, and its coverage is measured by simulation in
``tests/benchmarks/results/intervals_table.md``. Three kinds are used:

* chi-square and t, exact for normal residuals, or a mixture of them where the degrees of freedom are
  not known;
* interpolated order statistics for the median, NMAD and quantiles: no normality assumed, no
  resampling, and they hold their level from ten checkpoints on;
* the studentised bootstrap for the RMSE. The percentile and BCa bootstraps were tried first and
  hold only 82 % and 85 % of normal samples at n = 10, because a small sample seldom contains
  the large residuals that make the true RMSE.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import bdtr, chdtr, chdtrc, chdtri, ndtr, stdtr, stdtrit

from accuracy.model import FloatArray, Interval

CONFIDENCE = 0.95
NMAD_FACTOR = 1.4826
"""1 / the normal distribution's upper quartile, as Höhle & Höhle (2009) print it."""
BOOTSTRAP_DRAWS = 4000
LARGEST_KEPT_RESAMPLE = 1_000_000
"""Counts of a resampling that are kept for the next values of the same number, or drawn at once."""
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


def mixed_mean_interval(
    mean_m: float,
    standard_error_m: FloatArray,
    degrees_of_freedom: FloatArray,
    weight: FloatArray,
    confidence: float = CONFIDENCE,
) -> Interval:
    """Interval of a mean whose Student's t is one of several, (m,) each, with weights that sum to 1.

    Its ends leave out what the weighted tails together hold. A single t with the mean variance would
    be far too wide where an unlikely candidate has a large one.
    """
    half_m = -stdtrit(degrees_of_freedom, (1 - confidence) / 2) * standard_error_m

    def left_out(x: float) -> float:
        return float(weight @ stdtr(degrees_of_freedom, -x / standard_error_m)) - (1 - confidence) / 2

    reach_m = _root(left_out, half_m)
    return mean_m - reach_m, mean_m + reach_m


def mixed_scale_interval(
    scale_m: float, degrees_of_freedom: FloatArray, weight: FloatArray, confidence: float = CONFIDENCE
) -> Interval:
    """As ``chi_square_interval``, with one of several numbers of degrees of freedom, (m,) each."""
    tail = (1 - confidence) / 2
    v = degrees_of_freedom
    low = _root(lambda x: float(weight @ chdtrc(v, v / x**2)) - tail, np.sqrt(v / chdtri(v, tail)))
    high = _root(lambda x: float(weight @ chdtr(v, v / x**2)) - tail, np.sqrt(v / chdtri(v, 1 - tail)))
    return scale_m * low, scale_m * high


def _root(excess: Callable[[float], float], of_each: FloatArray) -> float:
    """Where the mixture's tail is right: between the ends that its parts would have alone."""
    low, high = float(of_each.min()) * (1 - 1e-9), float(of_each.max()) * (1 + 1e-9)
    return float(brentq(excess, low, high, rtol=1e-12)) if high > 0 else 0.0


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
    return root_ratio_interval(np.sort(magnitude_m**2), np.ones(magnitude_m.size), confidence, seed)


def root_ratio_interval(
    above: FloatArray, below: FloatArray, confidence: float = CONFIDENCE, seed: int | None = None
) -> Interval | None:
    """The same of the root of sum(above) / sum(below), over (n,) independent pairs of either.

    The error of a ratio is that of above - ratio * below (delta method). None as above, and where the
    ratio is not positive.
    """
    n = above.size
    ratio = float(above.sum() / below.sum()) if n and below.sum() > 0 else 0.0
    if n < SMALLEST_BOOTSTRAP_N or ratio <= 0:
        return None
    x, y = above / above.mean(), below / below.mean()
    error = float((x - y).std(ddof=1)) / np.sqrt(n)
    if error <= 1e-9:
        return None
    x_mean, y_mean, xx, xy, yy = resampled_means(np.stack([x, y, x * x, x * y, y * y]), seed)
    drawn = x_mean / y_mean
    variance = np.maximum(xx - 2 * drawn * xy + drawn**2 * yy, 0.0) / (n - 1)
    tails = studentised_tails(drawn - 1, np.sqrt(variance) / y_mean, 2 * (n - 1), confidence)
    if tails is None:
        return None
    low, high = (ratio * max(0.0, 1 - t * error) for t in reversed(tails))
    return float(np.sqrt(low)), float(np.sqrt(high))


def resampled_means(values: FloatArray, seed: int | None = None) -> FloatArray:
    """(c, draws) means of each row of (c, n) values over resamples of the columns, with replacement.

    How often a resample takes each place is the same for every n values; the seed, which the values
    themselves decide where none is given, deals them onto the places. einsum, not a matrix product:
    its sums do not depend on the number of threads.
    """
    n = values.shape[1]
    order = np.random.default_rng(seed_of(values) if seed is None else seed).permutation(n)
    dealt = np.ascontiguousarray(values[:, order])
    small = n * BOOTSTRAP_DRAWS <= LARGEST_KEPT_RESAMPLE
    parts: Iterable[FloatArray] = (_kept_counts(n),) if small else _counts(n)
    sums: FloatArray = np.concatenate([np.einsum("cn,dn->cd", dealt, part) for part in parts], axis=1)
    sums /= n
    return sums


@lru_cache(maxsize=8)
def _kept_counts(n: int) -> FloatArray:
    return np.concatenate(list(_counts(n)))


def _counts(n: int) -> Iterator[FloatArray]:
    """(rows, n) how often each place is drawn, a part of the draws at a time."""
    generator = np.random.default_rng(n)
    step = max(1, min(BOOTSTRAP_DRAWS, LARGEST_KEPT_RESAMPLE // n))
    for start in range(0, BOOTSTRAP_DRAWS, step):
        rows = min(step, BOOTSTRAP_DRAWS - start)
        chosen = generator.integers(0, n, size=(rows, n)) + n * np.arange(rows)[:, None]
        yield np.bincount(chosen.ravel(), minlength=rows * n).reshape(rows, n).astype(np.float64)


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


_OWN_SHARE = 0.2


def radial_degrees_of_freedom(components_m: FloatArray) -> float:
    """Degrees of freedom of a radial mean square over (n, k) components: between n and k n.

    v = n (tr S)^2 / tr S^2 for covariance S about zero (Satterthwaite 1946, Biometrics Bulletin 2,
    110-114): 2n for two equal independent axes, n where one axis holds all the error. The sample's
    own S makes v too small, the two traces estimated without bias (normal residuals) make it
    waver; one part of the first to four of the second holds 94 to 96 % from n = 10 on, by simulation,
    for three equal axes up to 96.2 %.
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
    return float(n * (_OWN_SHARE * np.clip(low, 1, k) + (1 - _OWN_SHARE) * np.clip(high, 1, k)))


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
