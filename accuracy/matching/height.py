"""Points of one layer -> the height at the checkpoint and an uncertainty that is true.

Between ``plane`` and ``correlation``, which do the algebra, and ``surface``, which decides. Pure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import stats
from scipy.spatial import cKDTree

from accuracy.matching.around import CURVED_P, STEP_M, STEP_P, Around, loose_penalty, step_odds
from accuracy.matching.correlation import (
    cells,
    inflation,
    pass_contrasts,
    scan_lines,
    strips,
    variance_components,
)
from accuracy.matching.edges import Cut, strongest_step
from accuracy.matching.layers import MAD_TO_SIGMA
from accuracy.matching.lumps import LumpyErrors
from accuracy.matching.plane import (
    Gain,
    SurfaceFit,
    cubic_columns,
    curvature_penalty,
    design_matrix,
    fit_surface,
    gain,
)
from accuracy.model import BoolArray, FloatArray, IntArray

_CURVED_POINTS = 12
_DOUBT_P = 5e-5
_UNEVEN_P = 1e-3
_UNEVEN_M = 0.002  # a shape that small moves the height by less than the noise does
_SHAPE_POINTS = 30
_BENT_SIGMAS = 2.0  # curvature beyond its tolerance by this much sets the tolerance aside
_PASS_SIGMAS = 3.0
_SMALLEST_UNCERTAINTY_M = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class HeightFit:
    """The height at the checkpoint and all that a report says about it."""

    height_m: float
    uncertainty_m: float
    coefficients: FloatArray
    """(6,) height, slopes, curvatures; the first is ``height_m``."""
    roughness_m: float
    points: int
    kept: BoolArray
    """(n,) points that carry weight."""
    residual_m: FloatArray
    """(n,) height above the fitted surface, each pass by its own."""
    curved: bool
    step: Cut | None
    """A straight step that runs through the points: a kerb, a lip, a joint."""
    uneven: bool
    """The points bend more than the surface can; a smaller radius would suit."""
    passes: int
    pass_difference_m: float | None
    passes_disagree: bool
    pass_uncertainty_m: float
    """The share of the passes' disagreement in ``uncertainty_m``."""
    lines: int | None


def fit_height(
    east_m: FloatArray,
    north_m: FloatArray,
    height_m: FloatArray,
    *,
    scale_m: float,
    start: FloatArray,
    passes: IntArray,
    offsets_m: FloatArray,
    time_s: FloatArray | None,
    curvature_sigma_per_m: float,
    pass_tolerance_m: float,
    step_m: float,
    around: Around | None = None,
) -> HeightFit:
    """Robust fit, shared errors, bending, passes and rounding, brought to one height and uncertainty.

    Args:
        east_m: (n,) offsets from the checkpoint of the layer's points.
        north_m: (n,)
        height_m: (n,)
        scale_m: robust scale from the search for layers.
        start: (6,) coefficients from it.
        passes: (n,) 0 .. k-1.
        offsets_m: (k,) where the search found each pass, above ``start``.
        time_s: (n,) or None.
        curvature_sigma_per_m: tolerance of the curvature's pseudo-observations.
        pass_tolerance_m: smallest difference between passes that is called a disagreement.
        step_m: step in which heights are stored, 0 where unknown.
        around: what a wider window showed, where neighbours share errors there; it then replaces what
            these points say of their errors, and of the bending.

    Raises:
        numpy.linalg.LinAlgError: the points do not determine a surface.
    """
    k = offsets_m.size
    shape = design_matrix(east_m, north_m, bend=True)
    bend = np.zeros(3)
    if around is not None:
        # What departs from the wider window's bending is counted among its lumps.
        bend, curvature_sigma_per_m = around.bend_per_m, around.bend_sigma_per_m
        height_m = height_m - shape[:, 3:6] @ bend
    design = np.column_stack([shape, pass_contrasts(passes, k)])
    first = np.concatenate([start, (offsets_m - np.mean(offsets_m))[: k - 1]])
    first[0] += np.mean(offsets_m)
    first[3:6] -= bend

    penalty = curvature_penalty(design.shape[1], curvature_sigma_per_m)
    fit = fit_surface(design, height_m, penalty=penalty, variance_m2=scale_m**2, scale_m=scale_m, start=first)
    kept = fit.weight > 0
    used = _Used.of(east_m, north_m, design, fit, passes, time_s, kept, around)

    n = used.count
    curved, bent = (around.curved, False) if around else _bending(used, curvature_sigma_per_m)
    if bent:
        penalty = loose_penalty(design.shape[1])
    # Balance the pseudo-observations against what the points are worth, their shared errors included.
    plain = gain(used.design, penalty=penalty, variance_m2=used.errors.point_m2).at_checkpoint
    noise_m2, _ = used.errors.variance(plain)
    worth = max(noise_m2 / float(plain @ plain), 1e-12)
    result = gain(used.design, penalty=penalty, variance_m2=worth)
    joined = _over_passes(used, result, penalty, worth, k, pass_tolerance_m)
    share = joined.gain.at_checkpoint
    coefficients = joined.gain.matrix @ used.pseudo_m
    coefficients[3:6] += bend
    prior = float(joined.gain.prior_covariance[0, 0])
    between = joined.between_m2
    noise_m2, dof = used.errors.variance(share)
    left = _shape_left(east_m[kept], north_m[kept], used, share)
    uncertainty_m2 = (
        noise_m2 * inflation(dof) + prior + between + left.doubt_m**2 + _rounding_m2(step_m, used)
    )
    roughness_m2 = float(np.sum(fit.residual_m[kept] ** 2)) / max(n - design.shape[1], 1)
    return HeightFit(
        height_m=float(coefficients[0]),
        uncertainty_m=max(float(np.sqrt(uncertainty_m2)), _SMALLEST_UNCERTAINTY_M),
        coefficients=np.asarray(coefficients[:6]),
        roughness_m=float(np.sqrt(roughness_m2)),
        points=n,
        kept=kept,
        residual_m=fit.residual_m,
        curved=curved,
        step=left.step,
        uneven=left.uneven,
        passes=k,
        pass_difference_m=joined.difference_m,
        passes_disagree=joined.disagree,
        pass_uncertainty_m=float(np.sqrt(between)),
        lines=used.lines,
    )


def _bending(used: _Used, curvature_sigma_per_m: float) -> tuple[bool, bool]:
    """Whether the points show curvature at all, and whether they show more than was allowed for."""
    if used.count < _CURVED_POINTS:
        return False, False
    free = gain(used.design, penalty=loose_penalty(used.design.shape[1]), variance_m2=used.errors.point_m2)
    curvature = free.matrix[3:6] @ used.pseudo_m
    noise = used.errors.covariance(free.matrix[3:6])
    # Wald's test in Hotelling's form, as few points know their own noise badly.
    statistic = curvature @ np.linalg.solve(noise + 1e-18 * np.eye(3), curvature) / 3
    curved = statistic > stats.f.isf(CURVED_P, 3, max(used.errors.least_dof, 3.0))
    # The mean curvature is what moves the height.
    mean = np.array([1.0, 0.0, 1.0])
    spread = 2 * curvature_sigma_per_m**2 + mean @ noise @ mean
    return bool(curved), bool(abs(mean @ curvature) > _BENT_SIGMAS * np.sqrt(spread))


@dataclass(frozen=True, slots=True, eq=False)
class _Joined:
    """One surface over all passes."""

    gain: Gain
    between_m2: float
    difference_m: float | None
    disagree: bool


def _over_passes(
    used: _Used, apart: Gain, penalty: FloatArray, worth_m2: float, k: int, tolerance_m: float
) -> _Joined:
    """One height from all passes, and the variance of their spread beyond what the points explain.

    The moment estimate of DerSimonian & Laird (1986, Controlled Clinical Trials 7, 177-188). Passes
    that disagree weigh alike, whichever has more points; others make one cloud.
    """
    if k == 1:
        return _Joined(apart, 0.0, None, False)
    to_pass = np.column_stack([np.ones(k), np.zeros((k, 5)), pass_contrasts(np.arange(k), k)])
    levels = to_pass @ (apart.matrix @ used.pseudo_m)
    covariance = used.errors.covariance(to_pass @ apart.matrix)
    high, low = int(np.argmax(levels)), int(np.argmin(levels))
    difference = float(levels[high] - levels[low])
    sigma = np.sqrt(covariance[high, high] + covariance[low, low] - 2 * covariance[high, low])
    expected = (np.trace(covariance) - np.sum(covariance) / k) / (k - 1)
    excess = max(float(np.var(levels, ddof=1) - expected), 0.0)
    if difference > max(_PASS_SIGMAS * sigma, tolerance_m):
        return _Joined(apart, excess / k, difference, True)
    joint = gain(used.design[:, :6], penalty=penalty[:6], variance_m2=worth_m2)
    shares = np.bincount(used.passes, weights=joint.at_checkpoint)
    return _Joined(joint, excess * float(shares @ shares), difference, False)


class _Errors(Protocol):
    """How the points' errors are spread and shared."""

    @property
    def point_m2(self) -> float: ...

    @property
    def least_dof(self) -> float: ...

    def variance(self, share: FloatArray) -> tuple[float, float]: ...

    def covariance(self, matrix: FloatArray) -> FloatArray: ...

    def beside(self, design: FloatArray, residual_m: FloatArray, /) -> _Errors: ...


@dataclass(frozen=True, slots=True, eq=False)
class _Used:
    """The points that carry weight, as pseudo-observations, and how they share their errors."""

    design: FloatArray
    pseudo_m: FloatArray
    fitted_m: FloatArray
    residual_m: FloatArray
    passes: IntArray
    errors: _Errors
    lines: int | None

    @property
    def count(self) -> int:
        return int(self.pseudo_m.size)

    @classmethod
    def of(
        cls,
        east_m: FloatArray,
        north_m: FloatArray,
        design: FloatArray,
        fit: SurfaceFit,
        passes: IntArray,
        time_s: FloatArray | None,
        kept: BoolArray,
        around: Around | None,
    ) -> _Used:
        x = design[kept]
        fitted = x @ fit.coefficients
        residual = fit.pseudo_residual_m[kept]
        east, north = east_m[kept], north_m[kept]
        lines = None
        errors: _Errors
        if around is not None:
            plain = fit.residual_m[kept]
            price = float(residual @ residual) / max(float(plain @ plain), 1e-18)
            errors = LumpyErrors.at(around.lumps.times(price), east, north)
        else:
            groups, lines = error_groups(
                east, north, residual, passes[kept], None if time_s is None else time_s[kept]
            )
            errors = variance_components(x, residual, groups)
        return cls(x, fitted + residual, fitted, residual, passes[kept], errors, lines)

    def beside(self, columns: FloatArray) -> _Errors:
        """The errors where further (n, q) columns are fitted."""
        return self.errors.beside(np.column_stack([self.design, columns]), self.residual_m)


def error_groups(
    east_m: FloatArray,
    north_m: FloatArray,
    residual_m: FloatArray,
    passes: IntArray,
    time_s: FloatArray | None,
) -> tuple[tuple[IntArray, ...], int | None]:
    """Groups of points that may share an error, and the number of scan lines where times show them."""
    groupings: list[IntArray] = []
    n = east_m.size
    lines = None if time_s is None else scan_lines(time_s, passes)
    count = None
    if lines is not None:
        _, lines = np.unique(lines, return_inverse=True)
        count = int(lines.max()) + 1
        if n >= 1.5 * count:
            groupings.append(np.asarray(lines, dtype=np.int64))
    elif n >= 60:
        found = strips(east_m, north_m, residual_m)
        if found is not None:
            groupings.append(found)
    if n >= 60:
        # About twenty cells: enough to judge their scatter by, and none so small as to hold no points.
        groupings.append(cells(east_m, north_m, float(np.max(np.hypot(east_m, north_m))) / 2.5))
    return tuple(groupings), count


@dataclass(frozen=True, slots=True)
class _Left:
    """What the bent surface leaves over beyond noise, shared errors included."""

    step: Cut | None = None
    uneven: bool = False
    """A smooth shape of third order: the radius is too large."""
    doubt_m: float = 0.0
    """What a step that is likely but not certain would move the height by."""


def _shape_left(east_m: FloatArray, north_m: FloatArray, used: _Used, share: FloatArray) -> _Left:
    """Look for a straight step, and for a smooth shape that explains the residuals as well as one."""
    found = None
    if used.count >= _SHAPE_POINTS:
        found = strongest_step(used.design, used.residual_m, east_m, north_m)
    if found is None:
        return _Left()
    cut, column, explained = found
    q, _ = np.linalg.qr(used.design)
    e = used.residual_m - q @ (q.T @ used.residual_m)
    size = float(np.max(np.hypot(east_m, north_m)))
    bends = _without(q, cubic_columns(east_m / size, north_m / size))
    solve = np.asarray(np.linalg.pinv(bends, rcond=1e-8), dtype=np.float64)
    shape = bends @ (solve @ e)
    if float(shape @ shape) >= explained:
        errors = used.beside(bends)
        noise = errors.covariance(solve)
        statistic = (solve @ e) @ np.linalg.pinv(noise, rcond=1e-10) @ (solve @ e) / 4
        certain = statistic > stats.f.isf(_UNEVEN_P, 4, max(errors.least_dof, 3.0))
        return _Left(uneven=bool(certain and np.sqrt(np.mean(shape**2)) > _UNEVEN_M))
    free = _without(q, column[:, None])[:, 0]
    weights = free / float(free @ free)
    height = float(weights @ e)
    variance, dof = used.beside(column[:, None]).variance(weights)
    odds = step_odds(height, variance, dof)
    if abs(height) < STEP_M or odds > _DOUBT_P:
        return _Left()
    certain = odds < STEP_P or _folded(east_m, north_m, e, height)
    return _Left(step=cut) if certain else _Left(doubt_m=abs(height * float(share @ column)))


def _folded(east_m: FloatArray, north_m: FloatArray, residual_m: FloatArray, step_m: float) -> bool:
    """Whether neighbours agree far better than the whole does, and the step is larger than its scatter.

    Then the scatter is shape, not noise: a second edge that hides the first from the test of odds.
    """
    places = np.column_stack([east_m, north_m])
    _, index = cKDTree(places).query(places, k=2)
    between = residual_m - residual_m[index[:, 1]]
    local = MAD_TO_SIGMA * float(np.median(np.abs(between))) / np.sqrt(2)
    scatter = float(np.sqrt(np.mean(residual_m**2)))
    return bool(abs(step_m) > scatter > 3 * local)


def _without(q: FloatArray, columns: FloatArray) -> FloatArray:
    return np.asarray(columns - q @ (q.T @ columns))


def _rounding_m2(step_m: float, used: _Used) -> float:
    """Variance left by heights stored in steps: q^2/12 on a level surface without noise (GUM 4.3.7).

    Noise and slope carry the heights across the steps and the rounding averages out; its first
    harmonic fades as exp(-4 pi^2 spread / q^2) (Widrow's theorem of quantisation, from memory).
    Heights on two neighbouring steps scatter by up to q/2 whatever the noise, so only what exceeds
    that is taken for noise.
    """
    noise_m2 = max(float(np.mean(used.residual_m**2)) - step_m**2 / 4, 0.0)
    spread_m2 = float(np.var(used.fitted_m)) + noise_m2
    return step_m**2 / 12 * float(np.exp(-4 * np.pi**2 * spread_m2 / step_m**2))
