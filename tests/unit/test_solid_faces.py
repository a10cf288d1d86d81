"""Several faces combined into a shift: known answers, what cannot be seen, contradictions."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from accuracy.matching.face import combine_faces
from accuracy.model import FaceResidual


def face(azimuth: float, residual_m: float, sigma_m: float = 0.002) -> FaceResidual:
    """A face whose normal points along an azimuth in degrees."""
    return FaceResidual(
        residual_m=residual_m,
        standard_uncertainty_m=sigma_m,
        normal_easting=math.sin(math.radians(azimuth)),
        normal_northing=math.cos(math.radians(azimuth)),
        points=100,
        roughness_m=0.005,
    )


def test_two_faces_at_right_angles_are_the_shift_itself() -> None:
    """A face to the east and one to the north give the shift's components and their variances."""
    shift = combine_faces([face(90, 0.010, 0.002), face(0, -0.020, 0.003)])
    assert shift.shift_easting_m == pytest.approx(0.010)
    assert shift.shift_northing_m == pytest.approx(-0.020)
    assert shift.covariance_m2 == pytest.approx((4e-6, 9e-6, 0.0), abs=1e-15)
    assert shift.degrees_of_freedom == 0
    assert shift.p_value is None
    assert shift.consistent is None
    assert shift.unobservable is None


def test_against_weighted_least_squares_of_statsmodels(rng) -> None:
    """Estimate, covariance and chi-square equal those of an independent library."""
    azimuth = rng.uniform(0, 180, 12)
    sigma = rng.uniform(0.001, 0.004, 12)
    design = np.column_stack([np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))])
    residual = design @ [0.012, -0.007] + rng.normal(0, sigma)
    found = combine_faces([face(a, r, s) for a, r, s in zip(azimuth, residual, sigma, strict=True)])
    model = sm.WLS(residual, design, weights=sigma**-2.0).fit()
    assert (found.shift_easting_m, found.shift_northing_m) == pytest.approx(tuple(model.params))
    expected = model.normalized_cov_params
    assert found.covariance_m2 == pytest.approx((expected[0, 0], expected[1, 1], expected[0, 1]))
    assert found.chi_square == pytest.approx(model.ssr)
    assert found.consistent is True


def test_parallel_faces_say_what_they_cannot_see() -> None:
    """Walls along one street give one component and name the direction in which they are blind."""
    shift = combine_faces([face(88, 0.010), face(90, 0.012), face(94, 0.011)])
    assert shift.shift_easting_m is None
    assert shift.covariance_m2 is None
    assert shift.component_m == pytest.approx(0.011, abs=0.0003)
    assert shift.component_azimuth_degrees == pytest.approx(90.7, abs=0.5)
    assert "azimuth 1 degrees" in shift.unobservable
    assert "cannot be seen" in shift.unobservable
    single = combine_faces([face(0, 0.01)])
    assert single.unobservable.startswith("The only face looks along azimuth 0 degrees")
    assert single.component_uncertainty_m == pytest.approx(0.002)


def test_contradicting_faces_widen_the_uncertainty() -> None:
    """Faces that no one shift explains are called inconsistent, and the uncertainty grows to match."""
    faces = [face(0, 0.010), face(0, -0.010), face(90, 0.010), face(90, -0.010)]
    shift = combine_faces(faces)
    assert shift.consistent is False
    assert shift.p_value < 1e-6
    assert shift.covariance_m2[0] == pytest.approx(0.002**2 / 2 * shift.chi_square / 2)


def test_shift_is_true_over_many_runs(rng) -> None:
    """Errors over stated uncertainty have unit scatter in both components."""
    ratios = []
    for _ in range(400):
        azimuth = rng.uniform(0, 180, 6)
        sigma = rng.uniform(0.001, 0.004, 6)
        truth = rng.normal(0, 0.02, 2)
        design = np.column_stack([np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))])
        residual = design @ truth + rng.normal(0, sigma)
        found = combine_faces([face(a, r, s) for a, r, s in zip(azimuth, residual, sigma, strict=True)])
        if found.unobservable is None:
            error = np.array([found.shift_easting_m, found.shift_northing_m]) - truth
            ratios.append(error / np.sqrt(found.covariance_m2[:2]))
    assert len(ratios) > 200
    assert np.sqrt(np.mean(np.square(ratios))) == pytest.approx(1.0, abs=0.1)


def test_no_faces() -> None:
    """Nothing measured is no shift of zero."""
    with pytest.raises(ValueError, match="no face was measured"):
        combine_faces([])
