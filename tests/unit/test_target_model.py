"""The likelihood of flat marks: derivatives, normalisation, blur and the bound, by independent means."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from accuracy.matching.target_bound import cramer_rao_bound
from accuracy.matching.target_field import blurred, raster_of
from accuracy.matching.target_fit import Fit, widening
from accuracy.matching.target_model import MarkModel, Parameters
from accuracy.matching.template import BUILT_IN


def _model(name="quartered-disc"):
    raster = raster_of(BUILT_IN[name])
    three = len(raster.template.tones) == 3
    tones = np.array([200.0, 120.0, 700.0]) if three else np.array([200.0, 700.0])
    spreads = np.log([40.0, 30.0, 60.0]) if three else np.log([40.0, 60.0])
    parameters = Parameters(
        x_m=0.01,
        y_m=-0.02,
        rotation_rad=0.3,
        log_scale=0.0,
        log_edge_m=float(np.log(0.012)),
        log_tau=float(np.log(0.7)),
        tones=tones,
        log_spreads=spreads,
        gain=np.array([0.1, -0.2]),
        wear=-3.0,
        stray=-4.0,
    )
    return MarkModel(raster, 0.6, (0.0, 0.0), (-400.0, 1600.0)), parameters


@pytest.mark.parametrize("name", ["quartered-disc", "disc", "ell"])
def test_scores_are_the_derivatives_of_the_density(name, rng):
    """Every analytic derivative against a central difference of the log density."""
    model, p = _model(name)
    x, y = rng.uniform(-0.5, 0.5, (2, 600))
    if len(p.tones) == 3:
        # Where three tones meet, the density turns from one pair of them to another by a small jump.
        alone = np.sort(model.shares(p, x, y), axis=0)[0] < 1e-6
        assert alone.sum() > 500
        x, y = x[alone], y[alone]
    value = p.tones[rng.integers(0, len(p.tones), len(x))] + rng.normal(0, 50, len(x))
    score = model.evaluate(p, x, y, value)[1].sum(axis=0)
    for index in range(len(score)):
        step = np.zeros(len(score))
        # Blur and size act through the raster, whose curvature is good to a few percent only.
        blurs = index in (3, 4)
        step[index] = 2e-3 if blurs else 1e-5 * max(1.0, abs(p.vector()[index]))
        ahead = model.evaluate(p.moved(step), x, y, value)[0].sum()
        behind = model.evaluate(p.moved(-step), x, y, value)[0].sum()
        numeric = (ahead - behind) / (2 * step[index])
        tolerance = 0.08 * abs(numeric) + 12.0 if blurs else 2e-3 * abs(numeric) + 0.05
        assert score[index] == pytest.approx(numeric, abs=tolerance), index


def test_density_is_normalised_and_scores_average_to_nothing():
    """At places on and off the edges the density integrates to 1 and every mean score is 0."""
    model, p = _model()
    value = np.linspace(-400, 1600, 8001)
    step = value[1] - value[0]
    for place in [(0.01, -0.02), (0.05, 0.02), (0.3, 0.0), (0.29, 0.05), (0.02, 0.1)]:
        log_density, score = model.evaluate(p, np.full(8001, place[0]), np.full(8001, place[1]), value)
        weight = np.exp(log_density) * step
        assert weight.sum() == pytest.approx(1.0, abs=2e-4)
        assert np.abs(weight @ score).max() < 0.02 * np.sqrt(weight @ score**2).max() + 1e-6


def test_blur_of_a_straight_edge_is_the_normal_integral():
    """Across a straight edge the light share is Phi(distance / width) (scipy's)."""
    raster = raster_of(BUILT_IN["quartered-disc"])
    across = np.linspace(-0.03, 0.03, 41)
    for width in (0.008, 0.012, 0.02):
        share = blurred(raster, width).at(across, np.full(41, 0.25))[0]
        assert np.abs(share[2] - norm.cdf(across / width)).max() < 2e-3


def test_bound_of_a_disc_agrees_with_the_closed_form():
    """Tones far apart: covariance = width / (L kappa pi r), kappa integrated by scipy.

    J = L kappa / w times the integral of n n^T along the rim, which is pi r in each direction.
    """
    kappa = quad(lambda t: norm.pdf(t) ** 2 / (norm.cdf(t) * norm.sf(t)), -8, 8)[0]
    assert kappa == pytest.approx(1.806, abs=1e-3)
    covariance = cramer_rao_bound(
        BUILT_IN["disc"],
        size_m=0.6,
        density_per_m2=2500.0,
        edge_width_m=0.006,
        tones=(0.0, 0.0, 1000.0),
        spreads=(1.0, 1.0, 1.0),
    )
    expected = 0.006 / (2500 * kappa * np.pi * 0.3)
    assert covariance[0, 0] == pytest.approx(expected, rel=0.02)
    assert covariance[1, 1] == pytest.approx(expected, rel=0.02)
    assert abs(covariance[0, 1]) < 0.01 * expected


def test_bound_falls_with_density_and_rises_with_edge_width():
    """Variance goes as edge width over density."""

    def variance(density, width):
        return cramer_rao_bound(
            BUILT_IN["cross"],
            size_m=0.8,
            density_per_m2=density,
            edge_width_m=width,
            tones=(9000.0, 6000.0, 30000.0),
            spreads=(1200.0, 1000.0, 2500.0),
        )[0, 0]

    assert variance(1000, 0.008) / variance(4000, 0.008) == pytest.approx(4.0, rel=1e-3)
    assert variance(1000, 0.016) / variance(1000, 0.008) == pytest.approx(2.0, rel=0.05)


def test_shots_that_share_their_error_widen_the_covariance(rng):
    """Scores equal within lines of ten: the variance of their sum is ten times that of independent ones."""
    _, p = _model()
    parameters = len(p.vector())
    covariance = np.eye(parameters)
    line = np.repeat(np.arange(400), 10)
    shared = rng.normal(size=(400, parameters))[line]
    alone = rng.normal(size=(4000, parameters))

    def fit(score):
        return Fit(p, np.zeros(4000), score, 0.0, np.zeros(parameters), True)

    assert widening(fit(shared), covariance, line) == pytest.approx(10.0, rel=0.2)
    assert widening(fit(alone), covariance, line, doubted=2.0) == 1.0
