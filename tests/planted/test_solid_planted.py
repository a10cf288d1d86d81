"""Solid marks with planted truth: errors, whether the stated uncertainty is true, survey, passes.

Scenes are invented (solid_scene.py); the table over many more of them comes from
tests/benchmarks/sim_solids.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import solid_scene as scenes
from accuracy.matching.corner import measure_corner
from accuracy.matching.pole import measure_pole
from accuracy.matching.sphere import measure_sphere
from accuracy.model import Flag, HorizontalResidual, NotMeasured
from solid_scene import Ball, Drive, Post, ground, scan


@pytest.mark.parametrize(
    ("shape", "density", "largest_rms_mm"),
    [
        ("sphere 0.3 m", 5000, 2.0),
        ("pole 0.2 m", 4000, 2.0),
        ("corner outside", 2500, 2.0),
        ("kerb end", 4000, 4.0),
        ("face", 1000, 1.0),
    ],
)
def test_near_planted_truth_and_true_to_its_uncertainty(shape, density, largest_rms_mm, rng) -> None:
    """Twelve scenes of each: most are measured, near the truth, and errors match what is stated.

    The limits on z are the 0.1 % points of its RMS over as few scenes; the tight ones are held by
    the table of hundreds.
    """
    errors, ratios = [], []
    for _ in range(12):
        scene = scenes.PLANTED[shape](density, rng)
        found = scenes.measure(scene)
        if not isinstance(found, NotMeasured):
            error, sigma = scenes.planted_errors(scene, found)
            errors.append(error[:2])
            ratios.append(error[:2] / sigma[:2])
    assert len(errors) >= 8
    assert 1000 * np.sqrt(np.mean(np.square(errors))) < largest_rms_mm
    assert 0.45 < np.sqrt(np.mean(np.square(ratios))) < 1.7


BALL = Ball((0.031, -0.042, 0.013), 0.1)
DRIVE = Drive(density_per_m2=6000, distance_m=4.0)


def sphere(patch, survey=None, sigma_height=None):
    """The measurement of a 0.2 m sphere."""
    return measure_sphere(
        patch, diameter_m=0.2, survey_covariance_m2=survey, survey_sigma_height_m=sigma_height
    )


def test_survey_is_added_in_quadrature(rng) -> None:
    """The survey's covariance adds to the measurement's and changes nothing else (GUM 5.1.2)."""
    patch = scan([BALL, ground(-1.3)], DRIVE, rng)
    alone, both = sphere(patch), sphere(patch, (9e-6, 4e-6, 1e-6), 0.005)
    assert isinstance(alone, HorizontalResidual)
    assert alone.covariance_m2 == alone.measurement_covariance_m2
    assert both.measurement_covariance_m2 == alone.measurement_covariance_m2
    difference = np.subtract(both.covariance_m2, alone.covariance_m2)
    assert difference == pytest.approx([9e-6, 4e-6, 1e-6])
    assert both.standard_uncertainty_m == pytest.approx(np.sqrt(sum(both.covariance_m2[:2]) / 2))
    added = both.standard_uncertainty_height_m**2 - alone.standard_uncertainty_height_m**2
    assert added == pytest.approx(25e-6)
    assert (both.residual_easting_m, both.mark, both.mark_size_m) == (alone.residual_easting_m, "sphere", 0.2)


@pytest.mark.parametrize(("apart_m", "differ"), [(0.0, False), (0.03, True)])
def test_two_passes_are_told_apart(apart_m, differ, rng) -> None:
    """Two passes give two positions; where they disagree it is flagged and the uncertainty holds it."""
    first = scan([BALL, ground(-1.3)], DRIVE, rng)
    moved = Ball((BALL.centre[0] + apart_m, *BALL.centre[1:]), 0.1)
    second = scan([moved, ground(-1.3)], replace(DRIVE, start_time_s=2000.0, source_id=2), rng)
    found = sphere(scenes.both(first, second))
    assert isinstance(found, HorizontalResidual)
    assert [p.source_id for p in found.passes] == [1, 2]
    assert found.passes[1].residual_easting_m - found.passes[0].residual_easting_m == pytest.approx(
        apart_m, abs=0.005
    )
    assert (Flag.PASSES_DISAGREE in found.flags) == differ
    assert found.residual_easting_m == pytest.approx(BALL.centre[0] + apart_m / 2, abs=0.004)
    if differ:
        assert np.sqrt(found.covariance_m2[0]) > 0.006


def test_order_of_points_changes_nothing(rng) -> None:
    """A shuffled patch gives the same residual to the last digits."""
    patch = scan([BALL, ground(-1.3)], DRIVE, rng)
    order = rng.permutation(len(patch))
    xyz = np.column_stack([patch.east_m, patch.north_m, patch.up_m])[order]
    again = sphere(scenes.patch_of(xyz, patch.gps_time_s[order]))
    first = sphere(patch)
    assert again.residual_easting_m == pytest.approx(first.residual_easting_m, abs=1e-9)
    assert again.covariance_m2 == pytest.approx(first.covariance_m2, rel=1e-6)


def test_pole_is_evaluated_where_it_was_surveyed(rng) -> None:
    """On a pole that leans by 2.3 degrees, the axis at 0.8 m stands 16 mm from that at 0.4 m."""
    post = Post((0.0, 0.0), 0.1, 0.0, 1.2, (0.04, 0.0))
    patch = scan([post, ground(0.0)], DRIVE, rng)
    low, high = (
        measure_pole(patch, diameter_m=0.2, survey_covariance_m2=None, height_m=at) for at in (0.4, 0.8)
    )
    assert low.residual_easting_m == pytest.approx(0.016, abs=0.004)
    assert high.residual_easting_m == pytest.approx(0.032, abs=0.004)
    assert high.residual_height_m is None


def test_foot_and_top_of_a_kerb_agree_in_plan_but_not_in_height(rng) -> None:
    """Where the checkpoint lies halfway up a kerb's end, plan is measured and height is left open."""
    scene = scenes.PLANTED["kerb end"](8000, rng)
    patch, truth = scene.patch, scene.truth
    centred = scenes.patch_of(
        np.column_stack([patch.east_m - truth[0], patch.north_m - truth[1], patch.up_m - truth[2] + 0.075]),
        patch.gps_time_s,
    )
    found = measure_corner(centred, survey_covariance_m2=None, survey_sigma_height_m=None)
    assert isinstance(found, HorizontalResidual)
    assert np.hypot(found.residual_easting_m, found.residual_northing_m) < 0.012
    assert found.residual_height_m is None
