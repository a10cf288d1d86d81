"""Flat marks: decoys and degenerate input. Everything is invented; nothing here carries the mark sought."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import sim_target as simulation
import target_scene as scenes
from accuracy.matching.target import TargetSettings, measure_target
from accuracy.matching.template import BUILT_IN
from accuracy.model import NotMeasured, Reason
from target_decoys import KINDS, MARKS


def measure(patch, mark="quartered-disc", size_m=0.6):
    """The measurement with the defaults."""
    return measure_target(
        patch,
        mark=mark,
        mark_size_m=size_m,
        survey_covariance_m2=None,
        settings=TargetSettings(),
        templates=BUILT_IN,
    )


@pytest.mark.parametrize("kind", range(len(KINDS)), ids=KINDS)
def test_no_lock_on_a_decoy(kind):
    """Two windows of every kind of decoy, for two of the marks in turn."""
    for number in (kind * len(MARKS) + kind % len(MARKS), kind * len(MARKS) + (kind + 3) % len(MARKS)):
        patch, mark, size_m, name = simulation.decoy_window(number, seed=11)
        assert name == KINDS[kind]
        result = measure(patch, mark, size_m)
        assert isinstance(result, NotMeasured), (mark, name)
        assert result.reason.endswith((".", "!"))


@pytest.mark.parametrize(
    ("shape", "size_m", "codes"),
    [
        ("quartered-disc", 0.45, {Reason.WRONG_SIZE}),
        ("quartered-disc", 0.75, {Reason.WRONG_SIZE, Reason.NO_LOCK}),
        ("disc", 0.6, {Reason.NO_CONTRAST, Reason.NO_LOCK}),
        ("quartered-square", 0.6, {Reason.WRONG_SIZE, Reason.NO_LOCK}),
        ("nothing", 0.6, {Reason.NO_LOCK, Reason.NO_CONTRAST, Reason.WRONG_SIZE}),
    ],
)
def test_another_mark_is_refused_for_what_it_is(shape, size_m, codes):
    """The reason names the size, the contrast or the pattern."""
    rng = np.random.default_rng([12, len(shape)])
    scene = scenes.moved(scenes.Scene(shape=shape, size_m=size_m), rng)
    result = measure(scenes.patch_of(scene, rng))
    assert isinstance(result, NotMeasured)
    assert result.code in codes


@pytest.mark.parametrize(
    ("there", "size_m", "sought"),
    [("quartered-disc", 0.64, "quartered-square"), ("quartered-square", 0.53, "quartered-disc")],
)
def test_a_sibling_of_the_same_extent_is_named(there, size_m, sought):
    """What only its corners tell from the sought mark is refused, mostly for looking more like itself."""
    reasons = []
    for number in range(6):
        rng = np.random.default_rng([21, number])
        scene = scenes.Scene(
            shape=there,
            size_m=size_m,
            density_per_m2=1200.0,
            position_noise_m=0.009,
            footprint_m=0.009,
            texture=0.2,
        )
        result = measure(scenes.patch_of(scenes.moved(scene, rng), rng), sought)
        assert isinstance(result, NotMeasured), result
        reasons.append(result.reason)
    assert sum(f'looks more like the mark "{there}" than like "{sought}"' in words for words in reasons) >= 2


@pytest.mark.parametrize("number", [84613, 84890, 50310, 111956, 115182, 115814, 130423])
def test_windows_that_were_once_taken_for_a_mark_are_refused(number):
    """Found in longer simulations: siblings, letters, an arrow, a break in a stripe, a shadow's edge."""
    patch, mark, size_m, _ = simulation.decoy_window(number)
    assert isinstance(measure(patch, mark, size_m), NotMeasured)


def _plain(n=3000, seed=13):
    rng = np.random.default_rng(seed)
    scene = scenes.Scene(density_per_m2=n / 5.3)
    return scenes.patch_of(scene, rng)


DEGENERATE = {
    "empty": (lambda _: scenes.as_patch([], [], [], [], [], 1, 1.0), Reason.NO_CHANNEL),
    "one point": (lambda _: scenes.as_patch([0.0], [0.0], [0.0], [1.0], [0.0], 1, 1.0), Reason.NO_CHANNEL),
    "no channel": (lambda p: replace(p, intensity=None), Reason.NO_CHANNEL),
    "constant intensity": (lambda p: replace(p, intensity=np.full(len(p), 7.0)), Reason.NO_CHANNEL),
    "all far away": (lambda p: replace(p, east_m=p.east_m + 50), Reason.TOO_FEW_POINTS),
    "all in one place": (
        lambda p: replace(p, east_m=p.east_m * 0, north_m=p.north_m * 0, up_m=p.up_m * 0),
        Reason.NO_SURFACE,
    ),
    "all on one line": (lambda p: replace(p, north_m=p.east_m, up_m=p.up_m * 0), Reason.NO_SURFACE),
    "no surface": (
        lambda p: replace(p, up_m=np.random.default_rng(1).uniform(-3, 3, len(p))),
        None,
    ),
    "intensity not a number": (lambda p: replace(p, intensity=np.full(len(p), np.nan)), None),
    "values of two": (lambda p: replace(p, intensity=(p.intensity > 40000).astype(float)), None),
}


@pytest.mark.parametrize("name", DEGENERATE)
def test_degenerate_points_are_a_result_not_an_error(name):
    """A reason in words, whatever comes; warnings would fail the test."""
    change, code = DEGENERATE[name]
    result = measure(change(_plain()))
    assert isinstance(result, NotMeasured)
    assert code is None or result.code is code
    assert result.reason


@pytest.mark.parametrize(
    ("mark", "size_m", "code"),
    [
        ("octagon", 0.6, Reason.UNKNOWN_MARK),
        ("disc", 0.0, Reason.NO_MARK),
        ("disc", -1.0, Reason.NO_MARK),
        ("disc", float("nan"), Reason.NO_MARK),
        ("disc", 300.0, Reason.NO_MARK),
    ],
)
def test_impossible_marks_are_refused(mark, size_m, code):
    """A name that no template has; a size that no mark has."""
    result = measure(_plain(), mark, size_m)
    assert isinstance(result, NotMeasured)
    assert result.code is code


def test_order_of_points_changes_nothing():
    """The same points in another order give the same place to well within its uncertainty."""
    rng = np.random.default_rng(14)
    scene = scenes.moved(scenes.Scene(density_per_m2=1500.0), rng)
    patch = scenes.patch_of(scene, rng)
    order = rng.permutation(len(patch))
    names = ("east_m", "north_m", "up_m", "intensity", "gps_time_s", "classification", "return_number")
    shuffled = replace(
        patch,
        **{name: getattr(patch, name)[order] for name in (*names, "number_of_returns", "source_id")},
    )
    one, other = measure(patch), measure(shuffled)
    assert one.residual_easting_m == pytest.approx(other.residual_easting_m, abs=3e-4)
    assert one.residual_northing_m == pytest.approx(other.residual_northing_m, abs=3e-4)
