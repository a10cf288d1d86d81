"""The plane under the surface measurement, against published regression results and a general library."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from accuracy.matching.plane import (
    curvature_penalty,
    design_matrix,
    fit_surface,
    gain,
    intercept_and_uncertainty,
    tukey_weight,
)

# JCGM 100:2008 (GUM) H.3, table H.6: thermometer readings and corrections, degrees Celsius. From memory;
# they recompute to the published results (y1 -0.1712 u 0.0029; at 30 C -0.1494 u 0.0041).
READING_C = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTION_C = -np.array([171, 169, 166, 159, 164, 165, 156, 157, 159, 161, 160]) / 1000


@pytest.mark.parametrize(
    ("at_c", "value", "uncertainty"),
    [(20.0, -0.1712, 0.0029), (30.0, -0.1494, 0.0041)],
)
def test_gum_h3_prediction_off_the_centroid(at_c: float, value: float, uncertainty: float) -> None:
    """GUM H.3: the intercept function centred at 20 and at 30 degrees gives the published predictions."""
    design = np.column_stack([np.ones(11), READING_C - at_c])
    found, sigma = intercept_and_uncertainty(design, CORRECTION_C)
    assert found == pytest.approx(value, abs=5e-5)
    assert sigma == pytest.approx(uncertainty, abs=5e-5)


def square(points_a_side: int) -> tuple[np.ndarray, np.ndarray]:
    """A regular square of side 1 m about the origin, points in the middle of their cells."""
    line = (np.arange(points_a_side) + 0.5) / points_a_side - 0.5
    east, north = np.meshgrid(line, line)
    return east.ravel(), north.ravel()


# Var z(x0) = s^2/n (1 + 12 (x0^2 + y0^2)/L^2) on a uniform square (standard regression theory, computed).
PLACES = [((0.0, 0.0), 1.0), ((0.5, 0.0), 4.0), ((0.5, 0.5), 7.0), ((1.5, 0.0), 28.0)]


@pytest.mark.parametrize(("place", "factor"), PLACES)
def test_leverage_of_the_intercept(place: tuple[float, float], factor: float) -> None:
    """Variance of the height: 1x at the centre, 4x at mid-edge, 7x at the corner, 28x outside."""
    east, north = square(20)
    design = design_matrix(east - place[0], north - place[1], bend=False)
    share = gain(design, penalty=np.zeros(3), variance_m2=1.0).at_checkpoint
    # The 20 x 20 grid of cell centres is 0.25 % narrower than the uniform square.
    assert share @ share * east.size == pytest.approx(factor, rel=0.003)


@pytest.mark.parametrize(("place", "factor"), PLACES[:3])
def test_leverage_by_simulation(place: tuple[float, float], factor: float) -> None:
    """The same factors from 4,000 seeded fits of pure noise, and the stated uncertainty agrees."""
    east, north = square(10)
    design = design_matrix(east - place[0], north - place[1], bend=False)
    noise = np.random.default_rng(7).normal(0, 1, (4000, 100))
    found = np.array([intercept_and_uncertainty(design, z) for z in noise])
    # Relative standard error of a variance from 4,000 draws: sqrt(2/4000) = 2.2 %.
    assert np.var(found[:, 0]) * 100 == pytest.approx(factor, rel=0.09)
    assert np.mean(found[:, 1] ** 2) * 100 == pytest.approx(factor, rel=0.02)


def invented_patch() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented: 120 points off-centre on a slope of 7 %, a tenth of them strays."""
    rng = np.random.default_rng(11)
    east, north = rng.uniform(-0.1, 0.4, 120), rng.uniform(-0.3, 0.2, 120)
    up = 0.03 + 0.05 * east - 0.05 * north + rng.normal(0, 0.006, 120)
    up[:12] += rng.uniform(0.05, 0.5, 12)
    return east, north, up


def test_plain_fit_is_ordinary_least_squares() -> None:
    """Against statsmodels OLS: height and standard uncertainty at the checkpoint."""
    east, north, up = invented_patch()
    design = design_matrix(east, north, bend=False)
    height, sigma = intercept_and_uncertainty(design, up)
    reference = sm.OLS(up, design).fit()
    assert height == pytest.approx(reference.params[0], abs=1e-12)
    assert sigma == pytest.approx(reference.bse[0], rel=1e-9)


def test_robust_fit_is_the_weighted_fit_of_its_own_weights() -> None:
    """Against statsmodels WLS: a converged M-estimate is the weighted fit with its final weights."""
    east, north, up = invented_patch()
    design = design_matrix(east, north, bend=False)
    start = np.array([np.median(up), 0.0, 0.0])
    fit = fit_surface(design, up, penalty=np.zeros(3), variance_m2=1.0, scale_m=0.006, start=start)
    reference = sm.WLS(up, design, weights=tukey_weight(fit.residual_m / 0.006)).fit()
    assert fit.coefficients == pytest.approx(reference.params, abs=5e-7)
    assert np.count_nonzero(fit.weight[:12]) == 0
    assert fit.coefficients[0] == pytest.approx(0.03, abs=0.003)


def test_robust_fit_agrees_with_another_m_estimator() -> None:
    """Against statsmodels RLM with the same biweight, which estimates its own scale: same surface."""
    east, north, up = invented_patch()
    design = design_matrix(east, north, bend=False)
    reference = sm.RLM(up, design, M=sm.robust.norms.TukeyBiweight()).fit()
    start = np.array([np.median(up), 0.0, 0.0])
    fit = fit_surface(
        design, up, penalty=np.zeros(3), variance_m2=1.0, scale_m=float(reference.scale), start=start
    )
    assert fit.coefficients == pytest.approx(reference.params, abs=2e-5)


def test_curvature_tolerance_is_a_pseudo_observation() -> None:
    """Against statsmodels WLS with three rows added: curvature 0 +- 0.2 per metre."""
    east, north, up = invented_patch()
    design = design_matrix(east, north, bend=True)
    fit = fit_surface(design, up, penalty=curvature_penalty(6, 0.2), variance_m2=0.006**2)
    rows = np.vstack([design, np.eye(6)[3:]])
    weights = np.concatenate([np.full(120, 0.006**-2), np.full(3, 0.2**-2)])
    reference = sm.WLS(np.concatenate([up, np.zeros(3)]), rows, weights=weights).fit()
    assert fit.coefficients == pytest.approx(reference.params, rel=1e-8, abs=1e-11)


def test_variance_with_curvature_tolerance() -> None:
    """Noise and unruled bending add up to the posterior variance of Bayesian regression (computed)."""
    east, north, _ = invented_patch()
    design = design_matrix(east, north, bend=True)
    penalty = curvature_penalty(6, 0.2)
    result = gain(design, penalty=penalty, variance_m2=0.006**2)
    posterior = np.linalg.inv(design.T @ design / 0.006**2 + np.diag(penalty))
    noise = 0.006**2 * result.matrix @ result.matrix.T
    assert noise + result.prior_covariance == pytest.approx(posterior, rel=1e-6, abs=1e-12)


def test_no_tolerance_at_all_is_a_plane() -> None:
    """A curvature held at zero gives the plane's height and slopes."""
    east, north, up = invented_patch()
    bent = design_matrix(east, north, bend=True)
    held = fit_surface(bent, up, penalty=curvature_penalty(6, 0.0), variance_m2=0.006**2)
    plane, _ = intercept_and_uncertainty(bent[:, :3], up)
    assert held.coefficients[0] == pytest.approx(plane, abs=1e-9)
    assert held.coefficients[3:] == pytest.approx(0.0, abs=1e-6)


def test_points_that_fix_no_surface_are_an_error() -> None:
    """Three columns from points on one line: no silent answer."""
    along = np.linspace(-1, 1, 20)
    design = design_matrix(along, 2 * along, bend=False)
    with pytest.raises(np.linalg.LinAlgError, match="do not determine"):
        fit_surface(design, along, penalty=np.zeros(3), variance_m2=1.0)
