"""The weighing of explanations, held against scipy's and numpy's own computations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.stats import multivariate_normal

from accuracy.explaining.mistake_models import Explanation, Sample, Weighing, columns_of

# The noise models as the module's docstring states them: share of the variance, correlation length.
MODELS = [(0.0, 1.0), *((share, length) for share in (0.5, 0.85) for length in (60.0, 150.0, 400.0))]
CALIBRATION_M = 0.006


def sample_of(residual_m: np.ndarray, place_m: np.ndarray) -> Sample:
    """Equal uncertainties."""
    n = len(residual_m)
    return Sample(
        ids=tuple(f"P{i}" for i in range(n)),
        position_m=place_m,
        residual_m=residual_m.reshape(n, -1),
        uncertainty_m=np.full(n, 0.01),
    )


@pytest.mark.parametrize("constant_m", [0.0, 0.015, 0.3])
def test_deviance_against_scipy(rng: np.random.Generator, constant_m: float) -> None:
    """Without parameters the deviance is scipy's multivariate normal, maximised over the noise by scipy."""
    place = rng.uniform(-300, 300, (15, 2))
    residual = rng.normal(constant_m, 0.01, 15)
    apart = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))

    def deviance(log_variance: float, share: float, length: float) -> float:
        variance = np.exp(log_variance)
        shared = share * np.exp(-apart / length) if share else 0.0
        matrix = variance * ((1 - share) * np.eye(15) + shared) + CALIBRATION_M**2
        density = multivariate_normal(np.zeros(15), matrix).logpdf(residual)
        return float(-2 * density + share * variance / 0.02**2)

    best = min(
        minimize_scalar(deviance, bounds=bounds, args=model, method="bounded").fun
        for model in MODELS
        for bounds in ((-14.0, -7.0), (-7.0, 0.0))
    )
    found = Weighing(sample_of(residual, place)).fit(Explanation(name="nothing")).deviance_with_all
    # The noise is found by turns, not to the last digit: never better than the optimum, and close to it.
    assert best - 1e-4 <= found <= best + 0.6


def test_white_noise_fit_is_least_squares(rng: np.random.Generator) -> None:
    """Parameters and standard errors of a plane over far-apart points are numpy's least squares."""
    place = rng.uniform(-50_000, 50_000, (30, 2))
    design = np.column_stack([np.ones(30), place[:, 0] / 50_000, place[:, 1] / 50_000])
    residual = design @ [0.4, 0.3, -0.2] + rng.normal(0, 0.01, 30)
    fit = Weighing(sample_of(residual, place)).fit(
        Explanation(name="plane", columns=columns_of(*([column] for column in design.T)))
    )
    expected, rss, *_ = np.linalg.lstsq(design, residual, rcond=None)
    # The held constant pulls the first parameter by nothing: it is free beside it.
    np.testing.assert_allclose(fit.parameters_m, expected, atol=2e-4)
    error = np.sqrt(np.diagonal(np.linalg.inv(design.T @ design)) * rss[0] / 27)
    np.testing.assert_allclose(fit.standard_error_m[1:], error[1:], rtol=0.1)
    # That of the constant carries what a calibration leaves, too.
    assert fit.standard_error_m[0] == pytest.approx(np.hypot(error[0], CALIBRATION_M), rel=0.1)


def test_a_stray_is_set_aside_and_the_rest_fitted(rng: np.random.Generator) -> None:
    """One point a metre off changes nothing in a constant of 0.5 m, and is the one set aside."""
    residual = rng.normal(0.5, 0.01, 20)
    residual[7] += 1.0
    fit = Weighing(sample_of(residual, rng.uniform(-50_000, 50_000, (20, 2)))).fit(
        Explanation(name="constant", columns=columns_of([np.ones(20)]))
    )
    assert np.flatnonzero(fit.stray).tolist() == [7]
    assert fit.parameters_m[0] == pytest.approx(np.mean(np.delete(residual, 7)), abs=1e-3)
    assert fit.scale_m < 0.015


@settings(max_examples=15, deadline=None)
@given(st.permutations(range(12)))
def test_order_of_points_does_not_matter(order: list[int]) -> None:
    """The deviance of an explanation is the same in whatever order the table lists its points."""
    rng = np.random.default_rng(3)
    place, residual = rng.uniform(-200, 200, (12, 2)), rng.normal(0.1, 0.02, 12)
    deviance = []
    for index in (np.arange(12), np.array(order)):
        constant = Explanation(name="constant", columns=columns_of([np.ones(12)]))
        deviance.append(Weighing(sample_of(residual[index], place[index])).fit(constant).deviance)
    assert deviance[0] == pytest.approx(deviance[1], abs=1e-6)
