"""Every way in which a height is refused or flagged, and what must not change it. All clouds are invented."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sim_surface as sim
from accuracy.matching.surface import SurfaceSettings, measure_height
from accuracy.model import Flag, LeftOut, NotMeasured, Patch, Reason, VerticalResidual


def scene(seed: int = 1, **changes: Any) -> Patch:
    """A patch of invented pavement, 1,000 points/m2, changed as asked."""
    what = sim.Scene(**{"density": 1000, "reach_m": 2.0, **changes})
    patch: Patch = sim.lay(what, np.random.default_rng(seed))
    return patch


def measured(patch: Patch, **more: Any) -> VerticalResidual:
    """The measurement, which must exist."""
    got = measure_height(patch, survey_sigma_m=None, **more)
    assert isinstance(got, VerticalResidual), got
    return got


def empty() -> Patch:
    """No point at all."""
    return sim.as_patch(np.zeros(0), np.zeros(0), np.zeros(0))


def ring(inner_m: float) -> Patch:
    """Level points only beyond that distance."""
    return scene(density=300, reach_m=3.9, keep=lambda e, n: np.hypot(e, n) > inner_m)


def one_line(seed: int = 1) -> Patch:
    """A single scan line through the mark, with a millimetre of wander."""
    rng = np.random.default_rng(seed)
    along = rng.uniform(-2, 2, 400)
    return sim.as_patch(
        along, rng.normal(0, 0.001, 400), rng.normal(0, 0.005, 400), times=along * 1e-5 + 100, reach_m=4.0
    )


def foliage() -> Patch:
    """Leaves from 0.5 to 4 m and no ground."""
    rng = np.random.default_rng(5)
    e, n = rng.uniform(-4, 4, (2, 900))
    return sim.as_patch(e, n, rng.uniform(0.5, 4, 900))


REFUSALS = [
    (empty, Reason.OUTSIDE_CLOUD, r"has no points within 3\.0 m .* None lies within 4\.0 m"),
    (lambda: ring(3.2), Reason.OUTSIDE_CLOUD, r"no points within 3\.0 m .* nearest point is 3\.2\d m away"),
    (
        lambda: scene(density=0.15, reach_m=4.0),
        Reason.TOO_FEW_POINTS,
        r"Only \d points? lies? within 3\.00 m",
    ),
    (one_line, Reason.COLLINEAR, r"lie along one line"),
    (lambda: scene(keep=lambda e, _: e > 0.4), Reason.OUTSIDE_HULL, r"0\.4\d m outside the points"),
    (lambda: ring(0.8), Reason.OUTSIDE_HULL, r"in a gap of the surface, 0\.8\d m"),
    (lambda: scene(ground=sim.sloped(130)), Reason.TOO_STEEP, r"rises 1\d\d %; over 100 %"),
    (lambda: scene(noise_m=0.2), Reason.TOO_ROUGH, r"scatter by 0\.\d\d m about the surface"),
    (foliage, Reason.NO_SURFACE, r"form no surface .* as foliage is"),
    (
        lambda: scene(ground=lambda e, _: np.where(e > 0, 0.12, 0.0)),
        Reason.EDGE,
        r"An edge \(a kerb, .*\) runs through the checkpoint",
    ),
    (
        lambda: scene(ground=lambda e, _: np.where(e > 0.03, 0.12, 0.0)),
        Reason.EDGE,
        r"runs 0\.0[23] m from the checkpoint",
    ),
    (
        lambda: scene(density=0.8, noise_m=0.13, reach_m=4.0),
        Reason.TOO_SPARSE,
        r"give the height only to 0\.\d\d m",
    ),
]


@pytest.mark.parametrize(("build", "code", "words"), REFUSALS, ids=[row[1].value for row in REFUSALS])
def test_refusals(build: Any, code: Reason, words: str) -> None:
    """Each kind of unfit evidence gives its own reason, in words with the figures, and no number."""
    got = measure_height(build(), survey_sigma_m=0.005)
    assert isinstance(got, NotMeasured), got
    assert got.code is code, got.reason
    assert re.search(words, got.reason), got.reason
    assert got.reason.endswith(".")


@pytest.mark.parametrize(
    ("build", "code", "words"),
    [
        (
            empty,
            Reason.LEFT_OUT,
            r"^The points within 4\.0 m of the checkpoint were left out "
            r"\(1,203 withheld, 41 of classes not chosen\); no other lies there\.$",
        ),
        (
            lambda: ring(3.2),
            Reason.LEFT_OUT,
            r"1,203 withheld.*; the nearest of the others is 3\.2\d m away\.",
        ),
        (
            lambda: scene(density=0.15, reach_m=4.0),
            Reason.TOO_FEW_POINTS,
            r"within 3\.00 m.* Left out within 4\.0 m of the checkpoint: 1,203 withheld, 41 of classes",
        ),
    ],
)
def test_points_left_out_are_part_of_the_reason(build: Any, code: Reason, words: str) -> None:
    """Where the choice took the points away, "no points" would be false: how many and why is said."""
    patch = replace(build(), left_out={LeftOut.WITHHELD: 1203, LeftOut.CLASS: 41}, outer_radius_m=4.0)
    got = measure_height(patch, survey_sigma_m=0.005)
    assert isinstance(got, NotMeasured), got
    assert got.code is code, got.reason
    assert re.search(words, got.reason), got.reason


def test_wall_foot_beside_the_mark() -> None:
    """A scanned wall face 2 cm from the mark is an edge; one 15 cm off leaves its own side measured."""
    rng = np.random.default_rng(3)

    def beside(wall_m: float) -> Patch:
        e, n = rng.uniform(-2, wall_m, 16000), rng.uniform(-2, 2, 16000)
        face_n, face_up = rng.uniform(-2, 2, 12000), rng.uniform(0, 2.5, 12000)
        return sim.as_patch(
            np.concatenate([e, rng.normal(wall_m, 0.003, 12000)]),
            np.concatenate([n, face_n]),
            np.concatenate([rng.normal(0, 0.005, 16000), face_up]),
            reach_m=2.0,
        )

    near = measure_height(beside(0.02), survey_sigma_m=None)
    assert isinstance(near, NotMeasured)
    assert near.code is Reason.EDGE
    clear = measured(beside(0.15))
    assert clear.residual_m == pytest.approx(0, abs=0.003)
    assert Flag.BREAK_WITHIN_3_M in clear.flags


FLAGS = [
    ({"ground": sim.sloped(14)}, Flag.SLOPE_OVER_10_PERCENT),
    ({"ground": sim.dip(2.0)}, Flag.CURVED),
    ({"roof": "over"}, Flag.SEVERAL_LAYERS),
    ({"noise_m": 0.07}, Flag.ROUGH),
    ({"density": 0.7, "reach_m": 4.0, "noise_m": 0.01}, Flag.SPARSE),
    ({"passes": 2, "pass_shift_m": 0.03}, Flag.PASSES_DISAGREE),
    ({"keep": lambda e, n: np.hypot(e, n) > 0.25}, Flag.FAR_FROM_CHECKPOINT),
]


@pytest.mark.parametrize(("changes", "flag"), FLAGS, ids=[row[1].value for row in FLAGS])
def test_flags(changes: dict[str, Any], flag: Flag) -> None:
    """What a reader should know is flagged, and clean pavement carries no flag at all."""
    assert flag in measured(scene(**changes)).flags
    assert measured(scene()).flags == ()


def test_what_is_reported() -> None:
    """Slope, normal, roughness, density, survey and time come out as planted (4 % slope to the east)."""
    patch = scene(ground=sim.sloped(4, 90), noise_m=0.006, shift_m=0.031)
    got = measure_height(patch, survey_sigma_m=0.012)
    assert isinstance(got, VerticalResidual)
    assert got.residual_m == pytest.approx(0.031, abs=0.003)
    assert got.slope_percent == pytest.approx(4, abs=0.6)
    assert got.normal == pytest.approx((-0.04, 0.0, 0.9992), abs=0.006)
    assert np.linalg.norm(got.normal) == pytest.approx(1)
    assert got.roughness_m == pytest.approx(0.006, rel=0.15)
    assert got.density_per_m2 == pytest.approx(1000, rel=0.15)
    assert got.standard_uncertainty_m == pytest.approx(np.hypot(got.fit_uncertainty_m, 0.012))
    assert got.survey_uncertainty_m == 0.012
    assert got.tin_residual_m == pytest.approx(0.031, abs=0.02)
    assert got.nearest_residual_m == pytest.approx(0.031, abs=0.02)
    heights = (got.residual_m, got.tin_residual_m, got.nearest_residual_m)
    assert got.spread_m == pytest.approx(np.ptp(heights))
    assert patch.gps_time_s is not None
    assert got.time_s is not None
    assert patch.gps_time_s.min() <= got.time_s <= patch.gps_time_s.max()


def test_without_survey_sigma_or_times() -> None:
    """Unknown survey uncertainty adds nothing and is None; without times there is no time."""
    got = measured(scene(times=False))
    assert got.survey_uncertainty_m is None
    assert got.standard_uncertainty_m == got.fit_uncertainty_m
    assert got.time_s is None


def test_the_car_is_not_taken_for_the_road_in_a_shifted_cloud() -> None:
    """A cloud 46 m too low (ellipsoidal heights): the ground is taken, not the roof that is nearer."""
    assert measured(scene(roof="over", shift_m=-46.0)).residual_m == pytest.approx(-46.0, abs=0.003)


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=12, deadline=None)
def test_order_changes_nothing(seed: int) -> None:
    """The same points in any order give the same result to the last bit."""
    patch = scene(stray_share=0.03, roof="over", reach_m=1.0)
    order = np.random.default_rng(seed).permutation(len(patch))
    names = ("east_m", "north_m", "up_m", "gps_time_s", "classification", "source_id")
    turned = replace(patch, **{name: getattr(patch, name)[order] for name in names})
    assert measured(turned) == measured(patch)


@given(shift=st.floats(-0.9, 0.9))
@settings(max_examples=12, deadline=None)
def test_a_shift_passes_through(shift: float) -> None:
    """Raising the cloud raises the residual by as much, and nothing else changes."""
    patch = scene(reach_m=1.0, stray_share=0.02)
    before, after = measured(patch), measured(replace(patch, up_m=patch.up_m + shift))
    assert after.residual_m - before.residual_m == pytest.approx(shift, abs=2e-6)
    assert after.fit_uncertainty_m == pytest.approx(before.fit_uncertainty_m, rel=1e-3)


@given(angle=st.floats(0, 2 * np.pi))
@settings(max_examples=12, deadline=None)
def test_turning_the_patch(angle: float) -> None:
    """Turning the cloud about the mark turns the normal and leaves height, slope and count."""
    patch = scene(reach_m=1.0, ground=sim.sloped(8))
    c, s = np.cos(angle), np.sin(angle)
    turned = replace(
        patch, east_m=c * patch.east_m - s * patch.north_m, north_m=s * patch.east_m + c * patch.north_m
    )
    before, after = measured(patch), measured(turned)
    # The cells in which shared errors are looked for keep their bearing, so the weights move a little.
    assert after.residual_m == pytest.approx(before.residual_m, abs=0.25 * before.fit_uncertainty_m)
    assert after.slope_percent == pytest.approx(before.slope_percent, abs=0.15)
    east, north, up = before.normal
    assert after.normal == pytest.approx((c * east - s * north, s * east + c * north, up), abs=0.002)


def test_a_point_delivered_twice_counts_once() -> None:
    """Overlapping tiles that repeat every return change nothing."""
    patch = scene(density=4000, reach_m=0.6)
    names = ("east_m", "north_m", "up_m", "gps_time_s", "classification", "source_id")
    doubled = replace(patch, **{name: np.repeat(getattr(patch, name), 2) for name in names})
    assert measured(doubled) == measured(patch)


def test_radius_follows_density_and_limit() -> None:
    """Dense clouds are measured close by, sparse ones further out, never beyond the limit or whole radius."""
    assert measured(scene(density=3000)).radius_m == pytest.approx(0.2)
    assert measured(scene(density=8, noise_m=0.02, reach_m=4.0)).radius_m > 2
    limit = SurfaceSettings(largest_radius_m=1.5)
    assert measured(scene(density=8, noise_m=0.02, reach_m=4.0), settings=limit).radius_m <= 1.5
    thin = replace(scene(density=20, noise_m=0.02, reach_m=4.0), whole_radius_m=1.2, outer_share=0.5)
    assert measured(thin).radius_m <= 1.2


def test_perfect_plane_is_exact() -> None:
    """Points without noise on a slope of 20 %: the height to a micrometre."""
    e, n = np.random.default_rng(2).uniform(-1, 1, (2, 3000))
    got = measured(sim.as_patch(e, n, 0.1 + 0.2 * e, reach_m=1.4))
    assert got.residual_m == pytest.approx(0.1, abs=1e-6)
    assert got.slope_percent == pytest.approx(20, abs=1e-3)


def test_identical_heights_are_not_perfect_knowledge() -> None:
    """Every height the same: stored in steps that cannot be seen, so half a centimetre is left open."""
    e, n = np.random.default_rng(2).uniform(-1, 1, (2, 3000))
    got = measured(sim.as_patch(e, n, np.full(3000, 0.02), reach_m=1.4))
    assert got.residual_m == pytest.approx(0.02, abs=1e-9)
    assert got.fit_uncertainty_m == pytest.approx(0.01 / np.sqrt(12), rel=0.01)


@pytest.mark.parametrize("kind", ["heap", "one spot", "one line", "lattice", "steps", "far off", "no noise"])
def test_no_cloud_breaks_it(kind: str) -> None:
    """Degenerate heaps of 0 to 400 points end in a finite measurement or a refusal in words."""
    for seed in range(25):
        rng = np.random.default_rng(seed)
        n = int(rng.choice([0, 1, 3, 9, 10, 12, 20, 100, 400]))
        e, m = rng.uniform(-1, 1, (2, n)) * rng.choice([0.001, 0.3, 3.0])
        up = rng.normal(0, rng.choice([1e-6, 0.01, 1.0]), n)
        if kind == "one spot":
            e, m = np.zeros(n), np.zeros(n)
        elif kind == "one line":
            m = 2 * e
        elif kind == "lattice":
            e, m = np.round(e, 1), np.round(m, 1)
        elif kind == "steps":
            up = np.round(up, 2) + np.where(e > 0, 0.3, 0.0)
        elif kind == "far off":
            up += 1e4
        elif kind == "no noise":
            up = 0.1 * e
        times = rng.uniform(0, rng.choice([0.0, 1e-3, 1e3]), n) if seed % 2 else None
        got = measure_height(
            sim.as_patch(e, m, up, times=times, source=rng.integers(0, 3, n)), survey_sigma_m=None
        )
        if isinstance(got, NotMeasured):
            assert got.reason.endswith(".")
        else:
            assert np.isfinite([got.residual_m, got.fit_uncertainty_m, got.roughness_m, got.spread_m]).all()
            assert got.fit_uncertainty_m > 0
            assert got.points >= 10
