"""Centre and covariance where few points lie on the edges: the mean of the posterior, not its top.

After target_fit. With a handful of shots near the edges the likelihood of the centre is ragged and
its curvature at the top says little about its width; the mean over it is the better estimate of a
location (Pitman 1939) and its spread the truer uncertainty. Importance sampling from a Student
proposal about the maximum, over shift, turn and size, within a few levels of edge width and
footprint. The draws are fixed, so that the same points always give the same answer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.stats import norm, qmc
from scipy.stats import t as student

from accuracy.matching.target_field import blurred
from accuracy.matching.target_fit import Fit
from accuracy.matching.target_model import EDGE, SCALE, TAU, MarkModel
from accuracy.model import FloatArray

_DRAWS_PER_LEVEL = 14
_EDGE_LEVELS = 5
_TAU_LEVELS = 3
_FREEDOM = 6.0
_WIDER = 1.2
_PLACED = SCALE + 1


@dataclass(frozen=True, slots=True, eq=False)
class Average:
    """Posterior mean and covariance of the centre (2,), (2, 2), and how many draws really counted."""

    centre: FloatArray
    covariance: FloatArray
    effective_draws: float


@lru_cache(maxsize=1)
def _draws() -> FloatArray:
    """(levels, draws, 4) Student deviates of shift, turn and size."""
    levels = _EDGE_LEVELS * _TAU_LEVELS
    points = qmc.Sobol(_PLACED, scramble=True, rng=np.random.default_rng(1)).random(256)
    points = points[: levels * _DRAWS_PER_LEVEL]
    deviates = student.ppf(np.clip(points, 1e-4, 1 - 1e-4), _FREEDOM)
    return np.asarray(deviates.reshape(_DRAWS_PER_LEVEL, levels, _PLACED).transpose(1, 0, 2))


def _levels(count: int) -> tuple[FloatArray, FloatArray]:
    """Deviates in the middle of equally likely steps of a normal, and the log width of each step."""
    middle = norm.ppf((np.arange(count) + 0.5) / count)
    return middle, -norm.logpdf(middle)


def average(
    model: MarkModel,
    fit: Fit,
    covariance: FloatArray,
    prior_centre: FloatArray,
    x_m: FloatArray,
    y_m: FloatArray,
    value: FloatArray,
) -> Average:
    """Posterior mean of the centre about a maximum with that covariance; points (n,) near the edges."""
    top = fit.parameters.vector()
    root = np.linalg.cholesky(covariance[:_PLACED, :_PLACED]) * _WIDER
    smallest = np.log(model.raster.smallest_blur * model.size_m)
    gain = 1.0 + fit.parameters.gain @ np.stack((x_m - model.origin_m[0], y_m - model.origin_m[1]))
    spread_of = _WIDER * np.sqrt(np.diag(covariance))
    steps, log_weights = [], []
    edges, taus = _levels(_EDGE_LEVELS), _levels(_TAU_LEVELS)
    for level, deviates in enumerate(_draws()):
        e, f = divmod(level, _TAU_LEVELS)
        step = np.zeros((len(deviates), len(top)))
        step[:, :_PLACED] = deviates @ root.T
        step[:, EDGE] = max(float(edges[0][e]) * spread_of[EDGE], smallest - top[EDGE])
        step[:, TAU] = taus[0][f] * spread_of[TAU]
        here = replace(
            fit.parameters,
            log_edge_m=float(top[EDGE] + step[0, EDGE]),
            log_tau=float(top[TAU] + step[0, TAU]),
        )
        share = _shares(model, here.log_edge_m, top + step, x_m, y_m)
        count = len(deviates)
        density = model.log_density(here, share, np.tile(gain, count), np.tile(value, count))
        log_weight = density.reshape(count, -1).sum(axis=1)
        log_weight -= student.logpdf(deviates, _FREEDOM).sum(axis=1)
        log_weight += edges[1][e] + taus[1][f]
        away = top + step - prior_centre
        log_weights.append(log_weight - 0.5 * (away**2 @ fit.prior_precision))
        steps.append(step[:, :2])
    moves, log_all = np.concatenate(steps), np.concatenate(log_weights)
    weight = np.exp(log_all - log_all.max())
    weight /= weight.sum()
    centre = weight @ moves
    spread = (moves - centre).T @ ((moves - centre) * weight[:, None])
    return Average(top[:2] + centre, spread, float(1 / (weight**2).sum()))


def _shares(
    model: MarkModel, log_edge_m: float, vectors: FloatArray, x_m: FloatArray, y_m: FloatArray
) -> FloatArray:
    """Tone shares (tones, draws * n) with the mark at each of several places."""
    size = model.size_m * np.exp(vectors[:, SCALE : SCALE + 1])
    dx, dy = (x_m - vectors[:, :1]) / size, (y_m - vectors[:, 1:2]) / size
    c, s = np.cos(vectors[:, 2:3]), np.sin(vectors[:, 2:3])
    field = blurred(model.raster, max(float(np.exp(log_edge_m)) / model.size_m, model.raster.smallest_blur))
    return field.at((c * dx + s * dy).ravel(), (-s * dx + c * dy).ravel())[0]
