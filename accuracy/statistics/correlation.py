"""How many independent checkpoints the residuals are worth, when neighbours along a drive agree.

Errors of a mobile mapping rig drift: checkpoints passed within seconds of one another share one
error, and n of them say less than n independent ones. The model is an exponential correlation of
distance on part of the variance (the rest belongs to each checkpoint alone), averaged over
correlation lengths and parts in proportion to how well each explains the residuals.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import pdist, squareform

from accuracy.model import FloatArray, IntArray, Interval
from accuracy.statistics.intervals import mixed_mean_interval, mixed_scale_interval

SMALLEST_N = 10
"""Fewer residuals cannot tell drift from chance."""
LENGTHS = 12
CORRELATED_PARTS = (1 / 3, 2 / 3, 0.99)
"""Part of the variance that is correlated; not 1, so that two checkpoints side by side differ."""
LARGEST_BLOCK = 250
"""Residuals in one likelihood; a longer list is cut along the line, which keeps the time linear."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrelationModels:
    """What depends on the positions alone: (m,) arrays over models, the first without correlation."""

    n: int
    """Number of places that the figures are for."""
    length_m: FloatArray
    variance_of_mean: FloatArray
    """Variance of the mean in units of one residual's variance: 1'R1/n^2."""
    mean_freedom: FloatArray
    """Degrees of freedom of the sample variance (Satterthwaite): (tr HRH)^2 / tr (HRH)^2."""
    square_freedom: FloatArray
    """Degrees of freedom of the mean square about zero: n^2 / sum R^2."""
    blocks: tuple[tuple[IntArray, FloatArray, FloatArray, FloatArray], ...]
    """Per block of residuals: their indices (b,), R^-1 (m,b,b), its row sums (m,b), log norm (m,)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EffectiveSample:
    """What n correlated residuals are worth."""

    effective_n: float
    """n^2 / (1'R1), for the mean: the posterior's geometric mean."""
    rmse_degrees_of_freedom: float
    """For the RMSE about zero: n^2 / sum(R^2) without a bias; the posterior's harmonic mean."""
    weight: FloatArray
    """(m,) posterior of each candidate; the arrays below are per candidate too."""
    standard_error_ratio: FloatArray
    """Standard error of the mean, in units of the sample standard deviation."""
    mean_freedom: FloatArray
    square_freedom: FloatArray
    correlation_length_m: float | None
    """None where no correlation is the likelier reading."""
    probability_correlated: float

    def mean_interval_95_m(self, mean_m: float, standard_deviation_m: float) -> Interval:
        """Of the mean, whichever candidate is the true one."""
        error_m = standard_deviation_m * self.standard_error_ratio
        return mixed_mean_interval(mean_m, error_m, self.mean_freedom, self.weight)

    def rmse_interval_95_m(self, rmse_m: float) -> Interval:
        """Of the root mean square about zero."""
        return mixed_scale_interval(rmse_m, self.square_freedom, self.weight)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Everywhere:
    """All the places that a figure is of: how many, and where some of them lie, drawn by chance."""

    n: int
    easting_m: FloatArray
    northing_m: FloatArray


def correlation_models(
    easting_m: FloatArray, northing_m: FloatArray, everywhere: Everywhere | None = None
) -> CorrelationModels | None:
    """Candidate correlations for (n,) positions; None below ten or where they span no distance.

    With ``everywhere`` the likelihood is that of residuals at these positions, and the figures are
    those of many more places, of which these are a part.
    """
    n = easting_m.size
    if n < SMALLEST_N:
        return None
    places_m = np.column_stack([easting_m - easting_m.mean(), northing_m - northing_m.mean()])
    distance_m = squareform(pdist(places_m))
    apart_m = np.where(distance_m > 0, distance_m, np.inf)
    spacing_m, extent_m = float(np.median(apart_m.min(axis=1))), float(distance_m.max())
    if not np.isfinite(spacing_m) or extent_m <= spacing_m:
        return None
    # From half the usual spacing (no visible correlation) to half the extent (little but drift).
    lengths_m = np.geomspace(spacing_m / 2, extent_m / 2, LENGTHS)
    length_m = np.concatenate([[0.0], np.repeat(lengths_m, len(CORRELATED_PARTS))])
    part = np.concatenate([[0.0], np.tile(CORRELATED_PARTS, LENGTHS)])
    order: IntArray = np.argsort(_longest_axis_m(places_m), kind="stable")
    blocks: list[tuple[IntArray, FloatArray, FloatArray, FloatArray]] = []
    for block in np.array_split(order, -(-n // LARGEST_BLOCK)):
        stack = _correlation(distance_m[np.ix_(block, block)], length_m, part)
        inverse = np.asarray(np.linalg.inv(stack), dtype=np.float64)
        row_sums: FloatArray = inverse.sum(axis=2)
        log_norm: FloatArray = -0.5 * (np.linalg.slogdet(stack)[1] + np.log(row_sums.sum(axis=1)))
        blocks.append((block, inverse, row_sums, log_norm))
    if everywhere is not None:
        n = everywhere.n
        distance_m = squareform(pdist(np.column_stack([everywhere.easting_m, everywhere.northing_m])))
    # One model at a time: all of them over a long list would not fit into memory.
    figures = np.array(
        [_figures(_correlation(distance_m, length_m[[k]], part[[k]])[0], n) for k in range(length_m.size)]
    )
    return CorrelationModels(
        n=n,
        length_m=length_m,
        variance_of_mean=figures[:, 0],
        mean_freedom=figures[:, 1],
        square_freedom=figures[:, 2],
        blocks=tuple(blocks),
    )


def _figures(correlation: FloatArray, n: int) -> tuple[float, float, float]:
    """Variance of the mean, and degrees of freedom of the variance and of the mean square, of n places.

    ``correlation`` (m, m) is that of all of them, or of m drawn by chance: means over its pairs and
    triples of places are then those of all n, but for the luck of the draw.
    """
    m = correlation.shape[0]
    others = correlation.sum(axis=1) - 1
    squares_of_others = float(np.vdot(correlation, correlation)) - m
    pair, pair_squared = others.sum() / (m * (m - 1)), squares_of_others / (m * (m - 1))
    triple = (float(others @ others) - squares_of_others) / (m * (m - 1) * (m - 2))
    mean = (1 + (n - 1) * pair) / n
    squares = n * (1 + (n - 1) * pair_squared)
    # Sum over places of the squared mean of their row.
    rows = (1 + (n - 1) * (2 * pair + pair_squared + (n - 2) * triple)) / n
    # tr HRH and tr (HRH)^2 with H the centring matrix, written out.
    trace = n - n * mean
    centred_squares = max(squares - 2 * n * rows + n**2 * mean**2, trace**2 / (n - 1))
    return mean, trace**2 / centred_squares, n**2 / squares


def effective_sample(residual_m: FloatArray, models: CorrelationModels) -> EffectiveSample | None:
    """What (n,) residuals at those positions are worth; None where they do not vary.

    Even odds are given to "none" against "some", and equal odds to each candidate within "some".
    Each is weighted by its likelihood with the mean and log sigma integrated out under flat priors
    (Berger, De Oliveira & Sansó 2001, J. Am. Stat. Assoc. 96, 1361-1374):
    |R|^-1/2 (1'R^-1 1)^-1/2 (S^2)^-(n-1)/2 with S^2 the generalised residual sum of squares.

    The mean square of residuals with standard deviation s about a bias m has the variance
    (2 s^4 sum R^2 + 4 m^2 s^2 1'R1) / n^2; matched with a chi-square (Satterthwaite 1946, Biometrics
    Bulletin 2, 110-114) that gives its degrees of freedom. A bias then costs some where neighbours
    agree, and spares some where they do not.
    Simulated coverage of what follows stands in ``tests/benchmarks/results/intervals_table.md``: of a
    few dozen checkpoints the intervals are too wide without correlation and too narrow, down to 80 %,
    where residuals agree over a quarter of the drive; of hundreds of places they hold 95 to 97 % without,
    and 91 to 95 % with correlation over up to a twentieth of the road.
    """
    centred_m = _centred(residual_m)
    if centred_m is None:
        return None
    some = models.length_m > 0
    log_weight = np.full(some.size, np.log(0.5 / max(int(some.sum()), 1)))
    log_weight[~some] = np.log(0.5)
    for block, inverse, row_sums, log_norm in models.blocks:
        part_m = centred_m[block]
        squares = np.einsum("i,mij,j->m", part_m, inverse, part_m, optimize=True)
        squares -= (row_sums @ part_m) ** 2 / row_sums.sum(axis=1)
        log_weight = log_weight + log_norm - (block.size - 1) / 2 * np.log(np.maximum(squares, 1e-300))
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    n, share = models.n, models.variance_of_mean
    # The sample variance of correlated residuals is too small by (1 - share) n / (n - 1).
    ratio = np.sqrt(share / (1 - share) * (n - 1) / n)
    spread = float(np.mean(centred_m**2)) / (1 - share)
    bias = np.maximum(float(residual_m.mean()) ** 2 - spread * share, 0.0)
    per_freedom = (spread**2 / models.square_freedom + 2 * bias * spread * share) / (spread + bias) ** 2
    correlated = float(weight[some].sum())
    length_m = np.exp(weight[some] @ np.log(models.length_m[some]) / correlated) if correlated > 0 else 0
    return EffectiveSample(
        effective_n=float(np.exp(-weight @ np.log(share))),
        rmse_degrees_of_freedom=float(1 / (weight @ per_freedom)),
        weight=weight,
        standard_error_ratio=ratio,
        mean_freedom=models.mean_freedom,
        square_freedom=1 / per_freedom,
        correlation_length_m=float(length_m) if correlated > 0.5 else None,
        probability_correlated=correlated,
    )


def lag_one_autocorrelation(values: FloatArray) -> float | None:
    """Autocorrelation of (n,) values in the order given, between neighbours.

    sum (x_i - m)(x_{i+1} - m) / sum (x_i - m)^2, as NIST defines it for its reference data sets.
    None below three values or where they do not vary.
    """
    if values.size < 3:
        return None
    centred = _centred(values)
    return None if centred is None else float(centred[:-1] @ centred[1:] / (centred @ centred))


def _centred(values: FloatArray) -> FloatArray | None:
    """Values about their mean; None where they differ by no more than rounding."""
    centred: FloatArray = values - values.mean()
    centred -= centred.mean()  # takes out what rounding of a large mean left behind
    return centred if np.abs(centred).max() > 1e-13 * np.abs(values).max() else None


def _correlation(distance_m: FloatArray, length_m: FloatArray, part: FloatArray) -> FloatArray:
    """(m, n, n) correlation matrices for (m,) candidates; length 0 stands for none."""
    per_m = 1 / np.where(length_m > 0, length_m, 1.0)
    correlation: FloatArray = part[:, None, None] * np.exp(-distance_m * per_m[:, None, None])
    diagonal = np.arange(distance_m.shape[0])
    correlation[:, diagonal, diagonal] = 1.0
    return correlation


def _longest_axis_m(places_m: FloatArray) -> FloatArray:
    _, axes = np.linalg.eigh(places_m.T @ places_m)
    along_m: FloatArray = places_m @ axes[:, -1]
    return along_m
