"""The chance that a run passes its class, before it is driven. Numbers in, chances out.

A residual is the run's own error plus the survey's. Over n checkpoints the mean square of each
axis is then (s_run^2 + s_survey^2) chi2_v / v, with v = n where checkpoints are independent and
fewer where the run's errors are shared by neighbours along the drive. Normal errors without bias
are reckoned with; a bias makes the mean square less scattered, so the chances are then further
from one half than these.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import pdist
from scipy.special import chdtr, chdtri

from accuracy.model import FloatArray

MOST_TRIED = 400
"""Larger numbers of checkpoints are not looked at: no one surveys them for one statement."""
_NODES = 2000

SquareSum = Callable[[FloatArray], FloatArray]
"""Numbers of checkpoints (m,) -> the sum of the squares of their correlation matrix, (m,)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """A test of one component: true errors, the survey's, and the limit of the figure.

    Both errors are standard deviations per axis, one entry per axis of the component: one for
    heights, two for the horizontal position, three for both together.
    """

    limit_m: float
    run_m: tuple[float, ...]
    survey_m: tuple[float, ...]
    survey_added: bool
    """Whether the standard adds the survey's uncertainty to the figure in quadrature, as Edition 2
    does (7.11; idea read in a summary): the survey's error then counts twice, because the residuals
    hold it already."""
    each_axis: bool = False
    """Whether every axis must stay below the limit by itself, as in Edition 1 for the horizontal."""


def freedom(trial: Trial, n: FloatArray, square_sum: SquareSum | None = None) -> FloatArray:
    """(axes, m) degrees of freedom of the mean square for (m,) numbers of checkpoints.

    v = (tr S)^2 / tr S^2 for S = s_run^2 R + s_survey^2 I (Satterthwaite 1946, Biometrics Bulletin
    2, 110-114): n where R is the identity. How near this comes to the truth for correlated
    errors is shown by simulation in the tests.
    """
    run, survey = (np.square(np.array(v, dtype=np.float64))[:, None] for v in (trial.run_m, trial.survey_m))
    squares = n if square_sum is None else square_sum(n)
    trace_of_square = run**2 * squares + (2 * run * survey + survey**2) * n
    return np.asarray((n * (run + survey)) ** 2 / trace_of_square, dtype=np.float64)


def chance_of_passing(trial: Trial, n: FloatArray, square_sum: SquareSum | None = None) -> FloatArray:
    """Chance that the tested figure stays within the limit, (m,) for (m,) numbers of checkpoints.

    Exact for independent normal errors: chi-square, or for axes of unequal size the integral of one
    chi-square over the other. 0 where the survey's uncertainty alone fills the class.
    """
    v = freedom(trial, n, square_sum)
    run, survey = (np.square(np.array(one, dtype=np.float64)) for one in (trial.run_m, trial.survey_m))
    whole = run + survey
    left = trial.limit_m**2 - (
        (float(survey.max()) if trial.each_axis else float(survey.sum())) if trial.survey_added else 0.0
    )
    if left <= 0:
        return np.zeros(n.shape)
    if trial.each_axis:
        each = [chdtr(f, f * left / w) for f, w in zip(v, whole, strict=True)]
        return np.asarray(np.prod(each, axis=0), dtype=np.float64)
    # Axes of one size share one chi-square of so many more degrees of freedom; there are two sizes at most.
    same = np.isclose(whole, whole[0], rtol=1e-9)
    total = v[same].sum(axis=0)
    if same.all():
        return np.asarray(chdtr(total, v[0] * left / whole[0]), dtype=np.float64)
    other = int(np.flatnonzero(~same)[0])
    first, second = (total, v[0], whole[0]), (v[~same].sum(axis=0), v[other], whole[other])
    return _two_sizes(*first, *second, left)


def _two_sizes(
    freedom_one: FloatArray,
    v_one: FloatArray,
    size_one: float,
    freedom_two: FloatArray,
    v_two: FloatArray,
    size_two: float,
    left: float,
) -> FloatArray:
    """P(one chi2 / v + two chi2 / v <= left), by equal slices of the first's probability."""
    probability = (np.arange(_NODES) + 0.5) / _NODES
    first = chdtri(freedom_one[:, None], 1 - probability) * size_one / v_one[:, None]
    room = np.maximum(left - first, 0.0) * v_two[:, None] / size_two
    return np.asarray(chdtr(freedom_two[:, None], room).mean(axis=1), dtype=np.float64)


def smallest_number(chance: FloatArray, wished: float) -> int | None:
    """The number from which on the chance stays at ``wished``; None where it never does.

    ``chance`` is (m,) for 1, 2, ..., m checkpoints. The chance of a good run dips before it rises,
    so the last number that fails decides.
    """
    short = np.flatnonzero(chance < wished)
    if short.size == 0:
        return 1
    last = int(short[-1]) + 1
    return None if last == chance.size else last + 1


def evenly_along(length_m: float, correlation_length_m: float) -> SquareSum:
    """Square sum for n places spread evenly from end to end, correlation exp(-distance / length).

    n + 2 sum_{k=1}^{n-1} (n - k) q^k with q = exp(-2 spacing / correlation length), summed in closed form.
    """

    def square_sum(n: FloatArray) -> FloatArray:
        q = np.exp(-2 * length_m / np.maximum(n - 1, 1) / correlation_length_m)
        apart = 1 - q
        tail = np.where(
            apart > 1e-9,
            q * (n * apart - (1 - q**n)) / np.maximum(apart, 1e-9) ** 2,
            n * (n - 1) / 2,
        )
        return np.asarray(n + 2 * tail, dtype=np.float64)

    return square_sum


def as_placed(chainage_m: FloatArray, correlation_length_m: float) -> SquareSum:
    """The same for places at the chainages (n,) that were proposed; the number asked for is theirs."""
    correlation = np.exp(-pdist(chainage_m[:, None]) / correlation_length_m)
    total = chainage_m.size + 2 * float(correlation @ correlation)

    def square_sum(n: FloatArray) -> FloatArray:
        return np.full(n.shape, total)

    return square_sum


def worst_survey_m(
    passes: Callable[[float], float], wished: float, at_most_m: float, steps: int = 60
) -> float | None:
    """The largest survey uncertainty with which the chance is still ``wished``; None where even 0 fails.

    ``passes`` falls as the survey's uncertainty grows; bisection between 0 and ``at_most_m``.
    """
    if passes(0.0) < wished:
        return None
    if passes(at_most_m) >= wished:
        return at_most_m
    low, high = 0.0, at_most_m
    for _ in range(steps):
        middle = (low + high) / 2
        low, high = (middle, high) if passes(middle) >= wished else (low, middle)
    return low
