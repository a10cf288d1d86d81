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

from accuracy.model import FloatArray, IntArray

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

    length_m: FloatArray
    variance_of_mean: FloatArray
    """Variance of the mean in units of one residual's variance: 1'R1/n^2."""
    mean_freedom: FloatArray
    """Degrees of freedom of the sample variance (Satterthwaite): (tr HRH)^2 / tr (HRH)^2."""
    square_freedom: FloatArray
    """Degrees of freedom of the mean square about zero: n^2 / sum R^2."""
    blocks: tuple[tuple[IntArray, FloatArray, FloatArray, FloatArray], ...]
    """Per block of residuals: their indices (b,), R^-1 (m,b,b), its row sums (m,b), log norm (m,)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectiveSample:
    """What n correlated residuals are worth."""

    effective_n: float
    """n^2 / (1'R1), for the mean: the posterior's geometric mean."""
    standard_error_ratio: float
    """Standard error of the mean, in units of the sample standard deviation."""
    mean_degrees_of_freedom: float
    rmse_degrees_of_freedom: float
    """n^2 / sum(R^2), for the RMSE about zero: the posterior's harmonic mean."""
    correlation_length_m: float | None
    """None where no correlation is the likelier reading."""
    probability_correlated: float


def correlation_models(easting_m: FloatArray, northing_m: FloatArray) -> CorrelationModels | None:
    """Candidate correlations for (n,) positions; None below ten or where they span no distance."""
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
    # One model at a time: all of them over a long list would not fit into memory.
    figures = np.array(
        [_figures(_correlation(distance_m, length_m[[k]], part[[k]])[0]) for k in range(length_m.size)]
    )
    return CorrelationModels(
        length_m=length_m,
        variance_of_mean=figures[:, 0],
        mean_freedom=figures[:, 1],
        square_freedom=figures[:, 2],
        blocks=tuple(blocks),
    )


def _figures(correlation: FloatArray) -> tuple[float, float, float]:
    """Variance of the mean, and degrees of freedom of the variance and of the mean square."""
    n = correlation.shape[0]
    rows = correlation.sum(axis=1) / n
    mean = rows.sum() / n
    squares = float(np.vdot(correlation, correlation))
    # tr HRH and tr (HRH)^2 with H the centring matrix, written out.
    trace = n - n * mean
    centred_squares = squares - 2 * n * float(rows @ rows) + n**2 * mean**2
    return mean, trace**2 / centred_squares, n**2 / squares


def effective_sample(residual_m: FloatArray, models: CorrelationModels) -> EffectiveSample | None:
    """What (n,) residuals at those positions are worth; None where they do not vary.

    Even odds are given to "none" against "some", and equal odds to each candidate within "some".
    Each is weighted by its likelihood with the mean and log sigma integrated out under flat priors
    (Berger, De Oliveira & Sansó 2001, J. Am. Stat. Assoc. 96, 1361-1374):
    |R|^-1/2 (1'R^-1 1)^-1/2 (S^2)^-(n-1)/2 with S^2 the generalised residual sum of squares.
    Simulated coverage of what follows from it stands in ``tests/benchmarks/sim_intervals.py``.
    """
    n = residual_m.size
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
    share = models.variance_of_mean
    # The sample variance of correlated residuals is too small by (1 - share) n / (n - 1).
    variance = weight @ (share / (1 - share)) * (n - 1) / n
    correlated = float(weight[some].sum())
    length_m = np.exp(weight[some] @ np.log(models.length_m[some]) / correlated) if correlated > 0 else 0
    return EffectiveSample(
        effective_n=float(np.exp(-weight @ np.log(share))),
        standard_error_ratio=float(np.sqrt(variance)),
        mean_degrees_of_freedom=float(1 / (weight @ (1 / models.mean_freedom))),
        rmse_degrees_of_freedom=float(1 / (weight @ (1 / models.square_freedom))),
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
