"""Flat marks with planted truth: every condition a mark is met in, and what the measurement says of it.

Scenes are invented (target_scene.py); the tables over many more of them come from
tests/benchmarks/sim_target.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import target_scene as scenes
from accuracy.matching.target import TargetSettings, measure_target, scan_lines
from accuracy.matching.template import BUILT_IN, load_templates
from accuracy.model import Flag, NotMeasured, Reason
from target_scene import Scene


def measure(patch, scene, templates=BUILT_IN, mark=None, survey=None, **settings):
    """The measurement with the defaults."""
    return measure_target(
        patch,
        mark=mark or scene.shape,
        mark_size_m=scene.size_m,
        survey_covariance_m2=survey,
        settings=TargetSettings(**settings),
        templates=templates,
    )


def error_of(result, scene):
    """Measured minus planted (2,), metres."""
    assert result.measured, result
    return np.array([result.residual_easting_m - scene.east_m, result.residual_northing_m - scene.north_m])


def test_quartered_discs_are_measured_to_millimetres():
    """0.6 m, 2,500 points/m2, 6 mm noise: 95 % of components within 2.5 mm, all within 5 mm, truly stated."""
    errors, ratios = [], []
    for number in range(25):
        rng = np.random.default_rng([1, number])
        scene = scenes.moved(Scene(), rng)
        result = measure(scenes.patch_of(scene, rng), scene)
        errors.append(error_of(result, scene))
        ratios.append(errors[-1] / np.sqrt(result.covariance_m2[:2]))
        assert result.channel == "intensity"
        assert result.flags == ()
        turn = np.degrees(scene.rotation_rad)
        assert (result.rotation_degrees - turn + 90) % 180 - 90 == pytest.approx(0, abs=1.5)
        assert result.edge_width_m == pytest.approx(0.006, abs=0.003)
        assert result.tones == pytest.approx((6000, 9000, 30000), rel=0.06)
    errors = np.abs(errors)
    assert np.percentile(errors, 95) < 0.0025
    assert errors.max() < 0.005
    # 50 components of a standard normal: RMS within 0.75 and 1.25 with 99 % probability.
    assert 0.75 < np.sqrt(np.mean(np.square(ratios))) < 1.25


CASES = {
    "uneven light": (Scene(gain_per_m=(0.3, -0.2)), ()),
    "saturated and coarse": (Scene(saturate=25000.0, quantum=1024.0), ()),
    "footprint as wide as the noise": (Scene(footprint_m=0.006), ()),
    "worn": (Scene(worn=0.30), (Flag.WORN,)),
    "partly covered": (Scene(covered=0.25), (Flag.PARTLY_COVERED,)),
    "sparse lines with gaps": (
        Scene(layout="lines", line_spacing_m=0.05, density_per_m2=2000.0, line_gap_share=0.2),
        (),
    ),
    "lines that share their error": (Scene(layout="lines", line_noise_m=0.004), ()),
    "shadow across": (Scene(shadow=0.6), None),
    "low contrast": (Scene(tones=(9000.0, 8000.0, 14000.0), spreads=(1000.0, 1000.0, 1500.0)), ()),
    "tilted ground": (Scene(tilt=(0.08, -0.05)), ()),
    "few points": (Scene(density_per_m2=380.0), (Flag.SPARSE,)),
}


@pytest.mark.parametrize("name", CASES)
def test_conditions_in_the_field(name):
    """Each is measured within four of its stated uncertainties, which stay small, and is flagged."""
    planted, flags = CASES[name]
    for number in range(2):
        rng = np.random.default_rng([2, number, len(name)])
        scene = scenes.moved(planted, rng)
        result = measure(scenes.patch_of(scene, rng), scene)
        error = error_of(result, scene)
        assert (np.abs(error) < 4 * np.sqrt(result.covariance_m2[:2])).all()
        assert result.standard_uncertainty_m < 0.0045
        if flags is not None:
            assert set(flags) <= set(result.flags)


@pytest.mark.parametrize("shape", [s for s in scenes.NATURAL_SIZE_M if s != "quartered-disc"])
def test_every_shape_is_found_wherever_it_lies(shape):
    """Anywhere within the search radius, at any turn."""
    density = 10000.0 if shape == "stripe-end" else 2500.0
    for number in range(2):
        rng = np.random.default_rng([3, number, len(shape)])
        scene = scenes.moved(
            Scene(shape=shape, size_m=scenes.NATURAL_SIZE_M[shape], density_per_m2=density), rng
        )
        result = measure(scenes.patch_of(scene, rng), scene)
        error = error_of(result, scene)
        assert (np.abs(error) < 4 * np.sqrt(result.covariance_m2[:2])).all()
        assert np.abs(error).max() < 0.01


@pytest.mark.parametrize("noise", [0.02, 0.08])
@pytest.mark.parametrize("shape", scenes.NATURAL_SIZE_M)
def test_marks_as_images_show_them(shape, noise):
    """Smooth edges and hardly any noise: more of the mark lies between its tones than a laser ever shows.

    Such marks say more about their place than whole tones could, and must not be refused for it.
    """
    tones = (14000.0, 5200.0, 51000.0)
    for number, (blur_m, off_m) in enumerate([(0.008, 0.002), (0.012, 0.001)]):
        rng = np.random.default_rng([22, number, len(shape)])
        planted = Scene(
            shape=shape,
            size_m=scenes.NATURAL_SIZE_M[shape],
            density_per_m2=10000.0 if shape == "stripe-end" else 2500.0,
            position_noise_m=off_m,
            footprint_m=blur_m,
            tones=tones,
            spreads=tuple(noise * tone for tone in tones),
        )
        scene = scenes.moved(planted, rng)
        result = measure(scenes.patch_of(scene, rng), scene)
        error = error_of(result, scene)
        assert (np.abs(error) < 4 * np.sqrt(result.covariance_m2[:2])).all()
        assert np.abs(error).max() < 0.004


def on_wall(patch, bearing_rad):
    """The patch's plane turned upright, facing a bearing; its y becomes up."""
    east, north = np.sin(bearing_rad), np.cos(bearing_rad)
    along = np.array([north, -east])
    return replace(
        patch,
        east_m=patch.east_m * along[0] + patch.up_m * east,
        north_m=patch.east_m * along[1] + patch.up_m * north,
        up_m=patch.north_m,
    )


def test_a_mark_on_a_wall_is_measured_in_east_north_and_height():
    """The normal comes from the plane; the plane's own offset is part of the residual."""
    rng = np.random.default_rng(4)
    bearing = 0.7
    scene = scenes.moved(Scene(), rng, 0.2)
    flat = scenes.patch_of(scene, rng)
    offset = 0.04
    patch = on_wall(replace(flat, up_m=flat.up_m + offset), bearing)
    result = measure(patch, scene)
    assert result.measured
    out = np.array([np.sin(bearing), np.cos(bearing)])
    along = np.array([out[1], -out[0]])
    truth = scene.east_m * along + offset * out
    error = np.array([result.residual_easting_m, result.residual_northing_m]) - truth
    assert np.abs(error).max() < 0.004
    assert result.residual_height_m == pytest.approx(scene.north_m, abs=0.004)
    assert abs(result.normal[2]) < 0.05


def test_colour_is_used_and_named_where_it_is_better():
    """Intensity without contrast: the luminance serves; both good: the smaller uncertainty is kept."""
    rng = np.random.default_rng(5)
    scene = scenes.moved(Scene(), rng)
    patch = scenes.patch_of(scene, rng)
    dull = np.round(rng.normal(9000, 1000, len(patch)))
    coloured = replace(
        patch, intensity=dull, red=patch.intensity, green=patch.intensity, blue=patch.intensity
    )
    result = measure(coloured, scene)
    assert np.abs(error_of(result, scene)).max() < 0.004
    assert result.channel == "colour"
    rough = patch.intensity + rng.normal(0, 6000, len(patch))
    both = replace(patch, red=rough, green=rough, blue=rough)
    assert measure(both, scene).channel == "intensity"


def test_passes_that_disagree_are_reported_both_with_their_difference_in_the_uncertainty():
    """Two sources 25 mm apart: both positions, their mean, an uncertainty that covers the difference."""
    rng = np.random.default_rng(6)
    first = scenes.moved(Scene(density_per_m2=1500.0, source_id=3), rng, 0.2)
    second = replace(first, east_m=first.east_m + 0.025, source_id=9, start_time_s=2000.0)
    result = measure(scenes.joined(scenes.patch_of(first, rng), scenes.patch_of(second, rng)), first)
    assert result.measured
    assert Flag.PASSES_DISAGREE in result.flags
    assert [p.source_id for p in result.passes] == [3, 9]
    gap = result.passes[1].residual_easting_m - result.passes[0].residual_easting_m
    assert gap == pytest.approx(0.025, abs=0.006)
    assert result.residual_easting_m == pytest.approx(first.east_m + 0.0125, abs=0.004)
    assert 0.006 < np.sqrt(result.covariance_m2[0]) < 0.02


def test_passes_that_agree_are_combined():
    """The same source twice, ten minutes apart: two passes by time, no flag, a smaller uncertainty."""
    rng = np.random.default_rng(7)
    scene = scenes.moved(Scene(density_per_m2=1500.0), rng, 0.2)
    later = replace(scene, start_time_s=1600.0)
    result = measure(scenes.joined(scenes.patch_of(scene, rng), scenes.patch_of(later, rng)), scene)
    assert np.abs(error_of(result, scene)).max() < 0.004
    assert len(result.passes) == 2
    assert Flag.PASSES_DISAGREE not in result.flags
    assert result.standard_uncertainty_m < min(p.standard_uncertainty_m for p in result.passes) + 1e-4


def test_the_surveys_share_is_added_and_kept_apart():
    """Covariance = measurement plus survey."""
    rng = np.random.default_rng(8)
    scene = scenes.moved(Scene(), rng)
    result = measure(scenes.patch_of(scene, rng), scene, survey=(4e-6, 9e-6, 1e-6))
    mine = np.array(result.measurement_covariance_m2)
    assert np.array(result.covariance_m2) - mine == pytest.approx(np.array([4e-6, 9e-6, 1e-6]))
    assert result.standard_uncertainty_m == pytest.approx(np.sqrt((mine[0] + mine[1] + 13e-6) / 2))


def test_a_users_own_template_is_matched(tmp_path):
    """A bow tie drawn as two triangles, dark on light ground: polarity is either."""
    path = tmp_path / "marks.toml"
    path.write_text(
        '[[template]]\nname = "bow-tie"\npolarity = "either"\n'
        '[[template.region]]\ntone = "light"\noutline = [[0, 0], [0.5, 0.5], [-0.5, 0.5]]\n'
        '[[template.region]]\ntone = "light"\noutline = [[0, 0], [-0.5, -0.5], [0.5, -0.5]]\n',
        encoding="utf-8",
    )
    rng = np.random.default_rng(9)
    scene = Scene(shape="bow-tie", size_m=0.6, east_m=0.11, north_m=-0.07, rotation_rad=0.4)
    c, s = np.cos(0.4), np.sin(0.4)

    def tone(x, y):
        u, v = (c * (x - 0.11) + s * (y + 0.07)) / 0.6, (-s * (x - 0.11) + c * (y + 0.07)) / 0.6
        return np.where((np.abs(u) < np.abs(v)) & (np.abs(v) < 0.5), 1, 0)

    patch = scenes.patch_of(replace(scene, tones=(20000.0, 6000.0, 0.0)), rng, tone)
    result = measure(patch, scene, load_templates(path))
    assert np.abs(error_of(result, scene)).max() < 0.005


def test_too_few_points_are_refused_with_the_density_that_would_do():
    """An ell at 200 points/m2: no uncertainty could be vouched for."""
    rng = np.random.default_rng(10)
    scene = scenes.moved(Scene(shape="ell", size_m=0.6, density_per_m2=220.0), rng)
    result = measure(scenes.patch_of(scene, rng), scene)
    assert isinstance(result, NotMeasured)
    assert result.code in (Reason.TOO_SPARSE, Reason.PARTLY_COVERED, Reason.NO_LOCK)
    disc = scenes.moved(Scene(shape="disc", density_per_m2=170.0), rng)
    result = measure(scenes.patch_of(disc, rng), disc)
    assert result.code is Reason.TOO_SPARSE
    assert "points per square metre" in result.reason


def test_two_marks_within_the_search_radius_are_not_told_apart():
    """Which of them was surveyed is not for the software to guess."""
    rng = np.random.default_rng(11)
    scene = Scene(shape="disc", size_m=0.4, half_m=1.0)

    def tone(x, y):
        return np.where(np.minimum(np.hypot(x - 0.3, y), np.hypot(x + 0.3, y)) < 0.2, 2, 0)

    result = measure(scenes.patch_of(scene, rng, tone), scene)
    assert isinstance(result, NotMeasured)
    assert result.code is Reason.NOT_UNIQUE


def test_scan_lines_are_told_by_the_gaps_in_time(rng):
    """Twelve lines of 30 shots; times without gaps tell of no lines."""
    time = (np.arange(12)[:, None] * 0.005 + np.arange(30) * 2e-6).ravel()
    shuffled = rng.permutation(len(time))
    line = scan_lines(time[shuffled])
    assert np.array_equal(line, np.repeat(np.arange(12), 30)[shuffled])
    assert scan_lines(np.arange(100) * 1e-3) is None
