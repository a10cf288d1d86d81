"""Planted truth for runs held against each other: offsets, ranges and rigid shifts come back as told.

Invented streets from relative_scene; nothing here is measured data. Seeds are fixed. The full tables
are made by tests/benchmarks/sim_relative.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import relative_scene as scene
from accuracy.model import RigidShift
from accuracy.relative.differences import compare, plane_differences, ranges_within
from accuracy.relative.registration import RegistrationSettings, register
from accuracy.relative.sampling import (
    PlaceSettings,
    best_pass,
    common_cells,
    judge_roughness,
    pass_cells,
    smoothness_limit,
)

SETTINGS = PlaceSettings()
TURN = np.array([0.0004, -0.0002, 0.0006])
SHIFT_M = np.array([0.030, -0.020, 0.015])


def differences_of(a, b):
    """All smooth places of two tables."""
    cells = [pass_cells(table, SETTINGS) for table in (a, b)]
    limit = smoothness_limit(cells, SETTINGS)
    one, other = (best_pass(judge_roughness(each, limit)) for each in cells)
    in_a, in_b = common_cells(one, other)
    return plane_differences(one.take(in_a), other.take(in_b), a, SETTINGS)


@pytest.mark.parametrize("density", [12, 60])
def test_offset_comes_back_and_its_uncertainty_is_true(density: int) -> None:
    """A shift of 15 mm upwards on a level road: unbiased, and z-scores of each place near 1.

    About 470 independent places each, so the RMS of z is known to 0.033; 12 points per square metre
    are the thin case, where Student's t makes the difference.
    """
    rng = np.random.default_rng(31)
    flat = {"crown": 0.0, "density": density}
    a = scene.table_of(scene.road(rng, **flat) + np.array([0, 0, 0.015]), rng, noise_m=0.01)
    b = scene.table_of(scene.road(rng, **flat), rng, noise_m=0.01)
    found = differences_of(a, b)
    n = found.difference_m.size
    assert n > 300
    z = (found.difference_m - 0.015) / found.uncertainty_m
    assert np.sqrt(np.mean(z**2)) == pytest.approx(1.0, abs=0.12)
    assert abs(np.mean(z)) < 3 / np.sqrt(n)
    said = compare(found, name_a="a", name_b="b", kind="run-to-run", settings=SETTINGS, roughest_m=0.02)
    assert said.rmsd_m == pytest.approx(np.hypot(0.015, said.noise_rms_m), rel=0.03)
    low, high = said.mean_interval_95_m
    assert low < 0.015 < high
    assert said.correlation_length_m is None


def test_drift_between_runs_widens_the_interval() -> None:
    """A wave of 20 mm and 40 m along the road: few effective places, and an interval that says so."""
    rng = np.random.default_rng(5)
    b = scene.table_of(scene.road(rng, length=200), rng)
    wavy = scene.road(rng, length=200)
    wavy[:, 2] += 0.02 * np.sin(2 * np.pi * wavy[:, 0] / 40)
    found = differences_of(scene.table_of(wavy, rng), b)
    said = compare(found, name_a="a", name_b="b", kind="run-to-run", settings=SETTINGS, roughest_m=0.02)
    assert said.n > 1200
    assert said.rmsd_m == pytest.approx(0.02 / np.sqrt(2), rel=0.05)
    assert said.effective_n < 60
    assert said.correlation_length_m is not None
    low, high = said.rmsd_interval_95_m
    assert low < 0.02 / np.sqrt(2) < high
    assert high - low > 0.002
    worst = max(said.places, key=lambda place: abs(place.difference_m))
    assert len(said.places) == SETTINGS.map_places
    assert abs(worst.difference_m) == said.max_m


def test_range_within_a_pass_grows_no_further_with_density() -> None:
    """32 points are taken whether the cell holds 60 or 600: the mean range stays that of 32.

    Mean range of 32 normal values: 4.139 standard deviations (Tippett 1925; here by simulation).
    """
    reference = np.random.default_rng(0).normal(size=(20_000, 32))
    expected = np.ptp(reference, axis=1).mean()
    assert expected == pytest.approx(4.139, abs=0.02)
    for density in (60, 600):
        rng = np.random.default_rng(density)
        table = scene.table_of(scene.road(rng, length=24, crown=0, density=density), rng)
        cells = judge_roughness(pass_cells(table, SETTINGS), 0.02)
        inner = cells.take(np.flatnonzero(cells.count > 0.8 * density))
        found = ranges_within(table, inner)
        assert found.difference_m.size > 40
        # The fitted plane takes 3 of n degrees of freedom.
        fitted = expected * np.sqrt(1 - 3 / density)
        error = np.ptp(reference, axis=1).std() / np.sqrt(found.difference_m.size)
        assert found.difference_m.mean() / 0.005 == pytest.approx(fitted, abs=3 * error)


def test_a_wall_or_a_bush_gives_no_place() -> None:
    """Upright and ragged things in both runs are no smooth ground, and are counted."""
    rng = np.random.default_rng(8)

    def both():
        bush = rng.uniform((-10, 5, 0), (10, 8, 1.5), (9000, 3))
        return np.concatenate([scene.street(rng, walls="one"), bush])

    found = differences_of(scene.table_of(both(), rng), scene.table_of(both(), rng))
    north = found.northing_m - scene.GRID.origin_m[1] - scene.MIDDLE_M[1]
    assert found.northing_m.size > 300
    assert north.max() < 4.6
    assert north.min() > -4.6
    assert sum(found.left_out.values()) > 40


# --------------------------------------------------------------------------- rigid shift


def true_components(found: RigidShift, turn: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """What each component should be, about the centre that was chosen."""
    centre = np.array(found.centre_m) - scene.GRID.origin_m - scene.MIDDLE_M
    there = shift + Rotation.from_rotvec(turn).as_matrix() @ centre - centre
    along = [np.array([c.easting, c.northing, c.up]) for c in found.translations + found.rotations]
    return np.array([v @ (there if k < 3 else turn) for k, v in enumerate(along)])


def shifted(seed: int, *, walls: str, icp: bool = False, turn=TURN, shift=SHIFT_M, noise=0.005):
    """Registration of an invented street driven twice."""
    rng = np.random.default_rng(seed)
    b = scene.table_of(scene.street(rng, walls=walls, density=30), rng, noise_m=noise)
    a = scene.table_of(
        scene.moved(scene.street(rng, walls=walls, density=30), turn, shift), rng, noise_m=noise
    )
    return register(a, b, name_a="a", name_b="b", settings=RegistrationSettings(use_icp=icp))


def z_scores(found: RigidShift, turn=TURN, shift=SHIFT_M) -> list[float]:
    """Error over stated uncertainty per component; NaN where it was refused."""
    truth = true_components(found, turn, shift)
    components = found.translations + found.rotations
    return [
        np.nan if c.value is None else (c.value - t) / c.standard_uncertainty
        for c, t in zip(components, truth, strict=True)
    ]


def test_shift_comes_back_within_its_uncertainty() -> None:
    """Walls both ways, noise 15 mm: RMS of z between 0.8 and 1.2 for all six (its own spread is 0.09)."""
    z = np.array([z_scores(shifted(seed, walls="both", noise=0.015)) for seed in range(60)])
    assert np.isfinite(z).all()
    rms = np.sqrt(np.mean(z**2, axis=0))
    assert np.all((rms > 0.8) & (rms < 1.2)), rms
    assert np.all(np.abs(z.mean(axis=0)) < 0.45), z.mean(axis=0)


def test_misfit_is_held_against_the_points_alone() -> None:
    """A planted wave of 15 mm leaves several times what 5 mm of noise explains; without it, once that."""
    ratios, noises = [], []
    for wave_m in (0.0, 0.015):
        rng = np.random.default_rng(17)
        a, b = scene.road(rng, density=120), scene.road(rng, density=120)
        a[:, 2] += wave_m * np.sin(2 * np.pi * a[:, 0] / 12)
        found = register(
            scene.table_of(a, rng),
            scene.table_of(b, rng),
            name_a="a",
            name_b="b",
            settings=RegistrationSettings(use_icp=False),
        )
        ratios.append(found.misfit_ratio)
        noises.append(found.rms_after_m / found.misfit_ratio)
    assert ratios[0] == pytest.approx(1.0, abs=0.15)
    assert ratios[1] > 4
    assert noises[1] == pytest.approx(noises[0], rel=0.05)  # the points' own share is the same in both


@pytest.mark.parametrize(("walls", "refused"), [("none", {0, 1, 5}), ("one", {0})])
def test_what_is_not_seen_is_refused(walls: str, refused: set[int]) -> None:
    """A road shows height, roll and pitch; one long wall adds across and yaw; nothing shows along."""
    for seed in range(6):
        found = shifted(40 + seed, walls=walls)
        z = z_scores(found)
        assert {k for k, value in enumerate(z) if np.isnan(value)} == refused
        assert np.nanmax(np.abs(z)) < 4
        assert any("not seen by this geometry" in sentence for sentence in found.words)
        assert (found.steep_planes == 0) == (walls == "none")


@pytest.mark.parametrize(("share", "claimed"), [(0.0, True), (0.5, False)])
def test_a_few_ramps_do_not_vouch_for_a_crossfall(share: float, claimed: bool) -> None:
    """No shift was planted: one side of b is 2 cm higher, as a verge whose grass is seen at its tips.

    Ramps every 24 m show the direction across. Unless what is known of it must come from them, the road's
    fall of 2 % turns the higher side into a shift of many times its uncertainty.
    """
    rng = np.random.default_rng(12)

    def place() -> np.ndarray:
        points = scene.road(rng, length=400.0, density=30)
        ramp = (np.abs(points[:, 0] % 24.0 - 12.0) < 1.1) & (points[:, 1] < -2.9)
        points[ramp, 2] -= 0.3 * (points[ramp, 1] + 2.9)
        return points

    a, b = place(), place()
    b[b[:, 1] > 1.0, 2] += 0.02
    found = register(
        *(scene.table_of(points, rng) for points in (a, b)),
        name_a="a",
        name_b="b",
        settings=RegistrationSettings(use_icp=False, tilted_share=share),
    )
    across = found.translations[1]
    assert (across.value is not None) == claimed
    if claimed:
        assert abs(across.value) > 5 * across.standard_uncertainty


def test_seen_direction_follows_a_wall_at_an_angle() -> None:
    """A wall at 30 degrees to the street: the shift at right angles to it is seen, that along it is not."""
    rng = np.random.default_rng(3)
    slant = np.array([np.cos(np.pi / 6), np.sin(np.pi / 6)])

    def place():
        return np.concatenate([scene.road(rng), scene.wall(rng, -8 * slant, 8 * slant, height=4.0)])

    a, b = scene.table_of(scene.moved(place(), shift=SHIFT_M), rng), scene.table_of(place(), rng)
    found = register(a, b, name_a="a", name_b="b", settings=RegistrationSettings(use_icp=False))
    blind, seen = found.translations[:2]
    assert blind.value is None
    assert abs(blind.easting * slant[0] + blind.northing * slant[1]) > 0.99
    truth = seen.easting * SHIFT_M[0] + seen.northing * SHIFT_M[1]
    assert seen.value == pytest.approx(truth, abs=4 * seen.standard_uncertainty)
    assert seen.standard_uncertainty < 0.002


def test_large_shift_is_found_from_afar() -> None:
    """Half a metre and 0.7 degrees: open3d's ICP leads, the fit agrees with the plant."""
    turn, shift = np.array([0.003, -0.004, 0.012]), np.array([0.45, -0.5, 0.3])
    for seed in range(4):
        found = shifted(500 + seed, walls="both", icp=True, turn=turn, shift=shift)
        z = z_scores(found, turn, shift)
        assert np.isfinite(z).all()
        assert np.max(np.abs(z)) < 4


def test_too_little_is_refused() -> None:
    """A few patches, or streets apart, give no shift but the reason."""
    rng = np.random.default_rng(4)
    small = scene.table_of(scene.road(rng, length=2, width=2), rng)
    street = scene.table_of(scene.street(rng), rng)
    away = scene.table_of(scene.street(rng) + np.array([500.0, 0, 0]), rng)
    for a, b, why in ((street, small, "only"), (away, street, "share only 0"), (small, street, "share only")):
        found = register(a, b, name_a="a", name_b="b")
        assert found.centre_m is None
        assert found.translations == ()
        assert why in (found.why_not or "")
