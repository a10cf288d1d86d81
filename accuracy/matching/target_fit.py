"""Finding the parameters: maximum of the likelihood with weak priors, and the covariance there.

After target_model and target_refine, before target_checks. The step is Fisher scoring with the sum
of squared scores for the information (Berndt, Hall, Hall, Hausman 1974), damped (Levenberg 1944;
Marquardt 1963).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from accuracy.matching.target_model import (
    EDGE,
    GAIN,
    SCALE,
    STRAY,
    TAU,
    TONES,
    TURN,
    WEAR,
    MarkModel,
    Parameters,
)
from accuracy.matching.target_refine import Start
from accuracy.model import FloatArray, IntArray

_MOST_STEPS = 40
_ENOUGH = 2e-3
"""Stop when a step promises less than this in log likelihood: 0.06 standard uncertainties."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is known before looking: centre and standard deviation, wide against what points tell.

    Edge widths of a few millimetres to a few centimetres and a footprint of the size of the position
    noise: common practice in mobile mapping, no source. They matter only where points are few, and
    keep the edge from shrinking to nothing where by chance no shot strayed across it.
    """

    edge_m: float = 0.008
    log_edge: float = 0.45
    log_tau: tuple[float, float] = (-1.2, 0.8)
    scale: float = 0.01
    gain_per_mark: float = 0.3
    wear: tuple[float, float] = (-4.0, 1.5)
    stray: tuple[float, float] = (-5.0, 1.2)
    log_spread: float = 0.7
    """About the spread first seen; keeps a tone of three points from a spread of nothing."""

    def arrays(self, start: Parameters, size_m: float) -> tuple[FloatArray, FloatArray]:
        """Centre and precision (parameters,); precision 0 where nothing is known."""
        centre = start.vector()
        precision = np.zeros(len(centre))
        k = len(start.tones)
        precision[TURN] = 0.5**-2  # a radian or so: only a mark that looks the same all round needs it
        centre[SCALE], precision[SCALE] = 0.0, self.scale**-2
        centre[EDGE], precision[EDGE] = np.log(self.edge_m), self.log_edge**-2
        centre[TAU], precision[TAU] = self.log_tau[0], self.log_tau[1] ** -2
        centre[GAIN], precision[GAIN] = 0.0, (self.gain_per_mark / size_m) ** -2
        centre[WEAR], precision[WEAR] = self.wear[0], self.wear[1] ** -2
        centre[STRAY], precision[STRAY] = self.stray[0], self.stray[1] ** -2
        precision[TONES + k :] = self.log_spread**-2
        return centre, precision


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A maximum: parameters, log density of each point (n,), scores (n, parameters)."""

    parameters: Parameters
    log_density: FloatArray
    score: FloatArray
    log_posterior: float
    prior_precision: FloatArray
    converged: bool


_FIRST_EDGE_M = 0.012


def first_parameters(model: MarkModel, start: Start, priors: Priors) -> Parameters:
    """Where the climb begins: the place and tones of least squares, and what priors say of the rest."""
    edge_m = max(_FIRST_EDGE_M, 1.1 * model.raster.smallest_blur * model.size_m)
    return Parameters(
        x_m=start.x_m,
        y_m=start.y_m,
        rotation_rad=start.rotation_rad,
        log_scale=0.0,
        log_edge_m=float(np.log(edge_m)),
        log_tau=priors.log_tau[0],
        tones=start.tones,
        log_spreads=np.log(start.spreads),
        gain=np.zeros(2),
        wear=priors.wear[0] + 0.5,
        stray=priors.stray[0] + 0.5,
    )


_LARGEST = {0: 0.02, 1: 0.02, TURN: 0.15, SCALE: 0.05, EDGE: 0.5, TAU: 0.7, WEAR: 1.0, STRAY: 1.0}


def climb(
    model: MarkModel,
    start: Parameters,
    x_m: FloatArray,
    y_m: FloatArray,
    value: FloatArray,
    priors: Priors,
    held: tuple[int, ...] = (),
    most_steps: int = _MOST_STEPS,
    enough: float = _ENOUGH,
) -> Fit:
    """Climb from ``start`` to the nearest maximum; parameters whose index is in ``held`` stay."""
    centre, precision = priors.arrays(start, model.size_m)
    free = np.setdiff1d(np.arange(len(centre)), held)
    smallest = np.log(model.raster.smallest_blur * model.size_m)
    limit = np.full(len(centre), np.inf)
    for index, most in _LARGEST.items():
        limit[index] = most

    def look(p: Parameters) -> tuple[float, FloatArray, FloatArray]:
        log_density, score = model.evaluate(p, x_m, y_m, value)
        away = p.vector() - centre
        return float(log_density.sum() - 0.5 * precision @ (away * away)), log_density, score

    here, damping, converged = start, 1e-3, False
    best, log_density, score = look(here)
    for _ in range(most_steps):
        slope = (score.sum(axis=0) - precision * (here.vector() - centre))[free]
        curvature = score[:, free].T @ score[:, free] + np.diag(precision[free])
        diagonal = np.diag(curvature).copy()
        moved = False
        while damping < 1e6:
            step = np.zeros(len(centre))
            step[free] = np.linalg.solve(curvature + np.diag(damping * diagonal + 1e-12), slope)
            promise = 0.5 * float(slope @ step[free])
            step = np.clip(step, -limit, limit)
            if here.log_edge_m + step[EDGE] < smallest:
                step[EDGE] = smallest - here.log_edge_m
            there = here.moved(step)
            value_there, density_there, score_there = look(there)
            if value_there > best:
                here, best, log_density, score = there, value_there, density_there, score_there
                damping = max(damping / 5, 1e-6)
                moved = True
                break
            if promise < enough:
                break
            damping *= 6
        if promise < enough or not moved:
            converged = promise < enough
            break
    return Fit(here, log_density, score, best, precision, converged)


_FAR_POINTS = 150


def expected_covariance(model: MarkModel, fit: Fit, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
    """Covariance of all parameters were every shot independent: inverse expected information."""
    u, v = model.template_coordinates(fit.parameters, x_m, y_m)
    distance = model.raster.lookup(model.raster.edge_distance, u, v, np.inf) * model.size_m
    near = distance < 5.5 * float(np.exp(fit.parameters.log_edge_m))
    # Away from the edges a point tells of its tone alone: one in a few stands for all.
    far = np.nonzero(~near)[0]
    every = max(1, len(far) // _FAR_POINTS)
    chosen = np.concatenate((np.nonzero(near)[0], far[::every]))
    weight = np.where(near[chosen], 1.0, len(far) / max(len(far[::every]), 1))
    information = model.information(fit.parameters, x_m[chosen], y_m[chosen], weight)
    inverse = np.linalg.inv(information + np.diag(fit.prior_precision + 1e-9))
    return np.asarray((inverse + inverse.T) / 2)


_FITTED = 4
"""Parameters of place that the scores of the groups have been made to fit: shift, turn, size."""
_FEWEST_GROUPS = 8


def widening(fit: Fit, covariance: FloatArray, groups: IntArray, doubted: float = 0.0) -> float:
    """By how much the variance of the centre grows because shots in a group share their error.

    ``groups`` (n,) numbers the scan line, or the part of the mark, of each point. The scores of a
    group do not average as independent ones would (sandwich covariance by groups: Liang and Zeger
    1986, with their correction for the parameters fitted). The full sandwich is itself uncertain
    with few groups; only its overall size for the centre is taken, never less than 1, and only
    where it exceeds what chance gives by ``doubted`` standard deviations.
    """
    count = int(groups.max()) + 1
    root = np.linalg.cholesky(covariance[:2, :2])
    influence = np.linalg.solve(root, (fit.score @ covariance[:, :2]).T)
    per_group = np.stack([np.bincount(groups, weights=part, minlength=count) for part in influence])
    single = np.bincount(groups, weights=(influence**2).sum(axis=0), minlength=count)
    if single.sum() <= 0:
        return 1.0
    # Groups that carry weight: one line beside the mark is no evidence.
    effective = float(single.sum() ** 2 / (single**2).sum())
    if effective < _FEWEST_GROUPS:
        return 1.0
    ratio = float((per_group**2).sum() / single.sum()) * effective / (effective - _FITTED)
    # The ratio of independent shots scatters by about 1 / sqrt(groups): two components each.
    return ratio if ratio > 1.0 + doubted / float(np.sqrt(effective)) and ratio > 1.0 else 1.0
