"""Heights around a checkpoint -> the surface's height at the checkpoint, and its variance.

Pure numerics on arrays that are already centred on the checkpoint, so that the first parameter of
every surface is its height there. Used by ``surface``; knows nothing of layers, passes or refusals.

The surface is a plane that may bend slightly:
``z = a + b x + c y + kxx x^2/2 + kxy x y + kyy y^2/2``. The three curvatures carry pseudo-observations
"zero, give or take ``curvature_sigma``" (least squares with a priori information). Where the patch is
small these hold and the surface is a plane; where it is large the points decide. Either way the
variance of ``a`` holds the bending that the points could not rule out, which a plane alone hides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from accuracy.model import FloatArray

TUKEY_C = 4.685
"""Biweight constant for 95 % efficiency under normal errors (Holland & Welsch 1977; Yohai 1987)."""

_LARGEST_PENALTY = 1e12


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceFit:
    """A fitted surface, the weight each point got, and what a first-order analysis needs.

    ``pseudo_residual_m`` are the residuals that make the robust fit an ordinary least-squares fit to
    first order (pseudo-observations: Huber 1981, section 7.8; Street, Carroll & Ruppert 1988): for a
    weighted fit they are scale * psi(r / scale) / mean(psi'). Their variance exceeds that of the
    plain residuals by the price of the robustness, 1/0.95 for normal errors.
    """

    coefficients: FloatArray
    """(p,) height at the checkpoint, slopes, curvatures, and whatever columns followed."""
    residual_m: FloatArray
    """(n,) observed minus fitted."""
    weight: FloatArray
    """(n,) 0 to 1."""
    pseudo_residual_m: FloatArray
    """(n,)"""


def design_matrix(east_m: FloatArray, north_m: FloatArray, *, bend: bool) -> FloatArray:
    """(n, 3) for a plane, (n, 6) for a surface that may bend; the first column is 1."""
    columns = [np.ones_like(east_m), east_m, north_m]
    if bend:
        columns += [east_m**2 / 2, east_m * north_m, north_m**2 / 2]
    return np.column_stack(columns)


def cubic_columns(east_m: FloatArray, north_m: FloatArray) -> FloatArray:
    """(n, 4) the third-order terms: what a step or a lip leaves when the bending is removed."""
    return np.column_stack([east_m**3, east_m**2 * north_m, east_m * north_m**2, north_m**3])


def curvature_penalty(columns: int, curvature_sigma_per_m: float | None) -> FloatArray:
    """(p,) weights of the pseudo-observations of curvature; None leaves the curvature free."""
    penalty = np.zeros(columns)
    if curvature_sigma_per_m is not None and columns >= 6:
        weight = _LARGEST_PENALTY if curvature_sigma_per_m == 0 else curvature_sigma_per_m**-2
        penalty[3:6] = weight
    return penalty


def tukey_weight(ratio: FloatArray) -> FloatArray:
    """Biweight of residual / scale: (1 - (r/c)^2)^2 inside c, 0 outside (Beaton & Tukey 1974)."""
    inside = np.clip(1 - (ratio / TUKEY_C) ** 2, 0, None)
    return np.asarray(inside**2)


def fit_surface(
    design: FloatArray,
    height_m: FloatArray,
    *,
    penalty: FloatArray,
    variance_m2: float,
    scale_m: float | None = None,
    start: FloatArray | None = None,
) -> SurfaceFit:
    """Least squares, or its biweight M-step from a robust start where ``scale_m`` is given.

    With a start from ``layers`` (a high-breakdown search) and a fixed scale this is the M-step of
    an MM-estimate (Yohai 1987, Ann. Statist. 15, 642-656).

    Args:
        design: (n, p), full column rank unless ``penalty`` makes up for it.
        height_m: (n,)
        penalty: (p,) weight of the pseudo-observation that each coefficient is zero.
        variance_m2: variance of one point's height that the penalty is balanced against.
        scale_m: robust scale of the residuals; None gives every point weight 1.
        start: (p,) robust first coefficients of the iteration; None starts from least squares.

    Raises:
        numpy.linalg.LinAlgError: the points do not determine the surface.
    """
    prior = np.diag(variance_m2 * penalty)
    weight = np.ones_like(height_m)
    coefficients = _solve(design, height_m, weight, prior) if start is None else start
    if scale_m is None:
        residual = height_m - design @ coefficients
        return SurfaceFit(coefficients, residual, weight, residual)
    for _ in range(50):
        weight = tukey_weight((height_m - design @ coefficients) / scale_m)
        # The weights are the points' own; the pseudo-observations keep theirs.
        improved = _solve(design, height_m, weight, prior)
        change = float(np.max(np.abs(design @ (improved - coefficients)), initial=0.0))
        coefficients = improved
        if change < 1e-4 * scale_m:
            break
    residual = height_m - design @ coefficients
    ratio = residual / scale_m
    weight = tukey_weight(ratio)
    kept = weight > 0
    u2 = (ratio[kept] / TUKEY_C) ** 2
    mean_slope = float(np.mean((1 - u2) * (1 - 5 * u2)))
    pseudo = weight * residual / max(mean_slope, 0.1)
    return SurfaceFit(coefficients, residual, weight, pseudo)


def _solve(design: FloatArray, height_m: FloatArray, weight: FloatArray, prior: FloatArray) -> FloatArray:
    normal = (design * weight[:, None]).T @ design + prior
    return np.asarray(_scaled_solve(normal, design.T @ (weight * height_m)))


def _scaled_solve(normal: FloatArray, right: FloatArray) -> FloatArray:
    """Solve with the diagonal scaled to one: slopes and curvatures have other units than heights."""
    size = np.sqrt(np.diag(normal))
    if not np.all(size > 0):
        raise np.linalg.LinAlgError("a column of the design is empty")
    scaled = normal / np.outer(size, size)
    if np.linalg.cond(scaled) > 1e12:
        raise np.linalg.LinAlgError("the points do not determine the surface")
    if right.ndim == 1:
        return np.asarray(np.linalg.solve(scaled, right / size) / size)
    return np.asarray(np.linalg.solve(scaled, right / size[:, None]) / size[:, None])


@dataclass(frozen=True, slots=True, eq=False)
class Gain:
    """How coefficients follow from heights: coefficient change = ``matrix`` @ height change."""

    matrix: FloatArray
    """(p, n)"""
    prior_covariance: FloatArray
    """(p, p) what the pseudo-observations contribute, m2: the bending that was not ruled out."""

    @property
    def at_checkpoint(self) -> FloatArray:
        """(n,) weight of each point's height in the height at the checkpoint."""
        return np.asarray(self.matrix[0])


def gain(design: FloatArray, *, penalty: FloatArray, variance_m2: float) -> Gain:
    """Linear response of the coefficients to the heights, and the share of the pseudo-observations.

    For equal independent errors and no penalty, ``sum(at_checkpoint**2)`` is 1/n + d' S^-1 d with d
    from the points' centroid to the checkpoint and S their sum of outer products: the variance of a
    regression's prediction in units of the error variance (any regression text).
    """
    prior = np.diag(variance_m2 * penalty)
    normal = design.T @ design + prior
    matrix = _scaled_solve(normal, np.ascontiguousarray(design.T))
    inverse = _scaled_solve(normal, np.eye(design.shape[1]))
    # Coefficients move by -A^-1 (s2 P) k for true curvatures k with covariance P^-1, so the
    # covariance is s2^2 A^-1 P A^-1. Products are arranged so that a huge penalty stays finite.
    prior_covariance = variance_m2 * (inverse @ prior @ inverse)
    return Gain(matrix, np.asarray(prior_covariance))


def intercept_and_uncertainty(design: FloatArray, height: FloatArray) -> tuple[float, float]:
    """First coefficient of an ordinary fit and its standard uncertainty, errors equal and independent.

    Centre the design where the value is wanted. s^2 divides by n - p.
    """
    n, p = design.shape
    none = np.zeros(p)
    fit = fit_surface(design, height, penalty=none, variance_m2=1.0)
    s2 = float(fit.residual_m @ fit.residual_m) / (n - p)
    share = gain(design, penalty=none, variance_m2=1.0).at_checkpoint
    return float(fit.coefficients[0]), float(np.sqrt(s2 * (share @ share)))
