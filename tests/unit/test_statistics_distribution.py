"""Corridor or area, and the figures of each, on layouts whose answer is plain."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from accuracy.statistics.distribution import distance_along_line_m, distribution

EAST_M, NORTH_M = 431_000.0, 5_812_000.0


def along(line_m: np.ndarray, *, verge_m: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Places on a polyline (n, 2), put alternately on its two verges."""
    ahead = np.gradient(line_m, axis=0)
    ahead /= np.hypot(*ahead.T)[:, None]
    side = verge_m * (-1.0) ** np.arange(len(line_m))
    return (
        EAST_M + line_m[:, 0] - side * ahead[:, 1],
        NORTH_M + line_m[:, 1] + side * ahead[:, 0],
    )


def ring(n: int, radius_m: float, turn: float) -> np.ndarray:
    """An arc of that part of a full turn."""
    angle = np.linspace(0, 2 * np.pi * turn, n)
    return radius_m * np.column_stack([np.cos(angle), np.sin(angle)])


def bend(n: int, leg_m: float) -> np.ndarray:
    """Two legs at a right angle."""
    chainage = np.linspace(0, 2 * leg_m, n)
    return np.column_stack([np.minimum(chainage, leg_m), np.maximum(chainage - leg_m, 0)])


@pytest.mark.parametrize(
    ("line_m", "length_m"),
    [
        (np.column_stack([np.linspace(0, 1100, 48), np.linspace(0, 300, 48)]), math.hypot(1100, 300)),
        (ring(48, 300, 0.75), 0.75 * 2 * math.pi * 300),
        (bend(40, 500), 1000),
    ],
    ids=["straight", "three quarters of a ring", "right angle"],
)
@pytest.mark.parametrize("verge_m", [0.0, 6.0])
def test_corridors(line_m: np.ndarray, length_m: float, verge_m: float) -> None:
    """Straight, curved and bent roads are corridors; their length is the road's within 3 %."""
    found = distribution(*along(line_m, verge_m=verge_m))
    assert found.shape == "corridor"
    assert found.length_m == pytest.approx(length_m, rel=0.03)
    assert found.median_spacing_m == pytest.approx(length_m / (len(line_m) - 1), rel=0.15)


def test_gap_on_a_straight_road() -> None:
    """Along the line the largest gap is the one that was left, whatever the verge."""
    chainage_m = np.concatenate([np.arange(0, 500, 20.0), np.arange(700, 1100, 20.0)])
    found = distribution(*along(np.column_stack([chainage_m, 0 * chainage_m]), verge_m=4.0))
    assert found.shape == "corridor"
    assert found.length_m == pytest.approx(1080, rel=0.01)
    assert found.largest_gap_m == pytest.approx(220, abs=1)
    assert found.median_spacing_m == pytest.approx(20, abs=1)


def test_square_block() -> None:
    """A 6 x 6 grid of 100 m is an area, with its quadrants, hull, diagonal and spacing exact."""
    grid = np.stack(np.meshgrid(np.arange(6) * 100.0, np.arange(6) * 100.0)).reshape(2, -1)
    found = distribution(EAST_M + grid[0], NORTH_M + grid[1])
    assert found.shape == "area"
    assert found.length_m is None
    assert found.largest_gap_m is None
    assert found.area_m2 == pytest.approx(250_000)
    assert found.diagonal_m == pytest.approx(500 * math.sqrt(2))
    assert found.smallest_spacing_m == pytest.approx(100)
    assert found.quadrant_shares == (0.25, 0.25, 0.25, 0.25)


def test_random_areas_are_seldom_called_corridors() -> None:
    """Of 200 random squares of 20 places, at most four are taken for a winding road."""
    generator = np.random.default_rng(20)
    shapes = [distribution(*generator.uniform(0, 800, (2, 20))).shape for _ in range(200)]
    assert shapes.count("area") >= 196


def test_quadrants_are_ne_nw_sw_se() -> None:
    """Shares in the order that the field promises, of the data set's own extent where it is given."""
    east_m = np.array([9.0, 8.0, 9.0, 1.0, 1.0, 2.0, 9.0, 8.5])
    north_m = np.array([9.0, 8.0, 7.0, 9.0, 8.0, 1.0, 1.0, 7.5])
    found = distribution(east_m, north_m, extent_m=(0, 0, 10, 10))
    assert found.quadrant_shares == (4 / 8, 2 / 8, 1 / 8, 1 / 8)
    assert found.diagonal_m == pytest.approx(math.sqrt(200))


@pytest.mark.parametrize("n", [0, 1, 2, 4])
def test_too_few_to_tell(n: int) -> None:
    """With fewer than five places no shape is claimed."""
    found = distribution(EAST_M + np.arange(float(n)), np.full(n, NORTH_M))
    assert found.shape == "unknown"
    assert found.length_m is None


def test_pairs_on_both_verges_of_a_bend() -> None:
    """Two checkpoints per station, one on each verge, are one road and not a comb."""
    stations = ring(16, 300, 0.6)
    outward = stations / 300
    places = np.concatenate([stations - 7 * outward, stations + 7 * outward])
    found = distribution(*places.T)
    assert found.shape == "corridor"
    assert found.length_m == pytest.approx(0.6 * 2 * math.pi * 300, rel=0.05)


def test_a_dividing_line_belongs_to_the_north_and_east() -> None:
    """A place exactly in the middle counts once, as the docstring says."""
    found = distribution(np.array([0.0, 5.0, 10.0]), np.array([0.0, 5.0, 10.0]))
    assert found.quadrant_shares == pytest.approx((2 / 3, 0, 1 / 3, 0))


def test_few_places_off_a_line_are_unknown() -> None:
    """Eight scattered places might be a winding road or an area."""
    generator = np.random.default_rng(4)
    assert distribution(*generator.uniform(0, 500, (2, 8))).shape == "unknown"


def test_all_on_one_exact_line() -> None:
    """Places exactly in line have no area, and no error."""
    found = distribution(np.arange(12) * 10.0, np.arange(12) * 5.0)
    assert found.area_m2 == pytest.approx(0, abs=1e-6)
    assert found.shape == "corridor"


def test_duplicate_places() -> None:
    """Two checkpoints at one place have no spacing between them, and break nothing."""
    line = np.repeat(ring(15, 200, 0.6), 2, axis=0)
    found = distribution(line[:, 0], line[:, 1])
    assert found.smallest_spacing_m == 0
    assert found.shape == "corridor"


@given(st.floats(0, 2 * math.pi), st.floats(-1e6, 1e6))
def test_turning_and_moving_changes_no_length(angle: float, shift_m: float) -> None:
    """A corridor is as long in any direction and at any false origin."""
    chainage_m = np.array([0.0, 20, 45, 60, 95, 110, 150])
    side_m = np.array([3.0, -3, 3, -3, 3, -3, 3])
    east_m = chainage_m * math.cos(angle) - side_m * math.sin(angle) + shift_m
    north_m = chainage_m * math.sin(angle) + side_m * math.cos(angle)
    here, there = distribution(chainage_m, side_m), distribution(east_m, north_m)
    assert there.length_m == pytest.approx(here.length_m, rel=1e-6)
    assert there.largest_gap_m == pytest.approx(here.largest_gap_m, rel=1e-6)


def test_order_along_a_bend() -> None:
    """Distances along a bent road keep the road's order where a straight axis would not."""
    line = bend(30, 400)
    along_m = distance_along_line_m(line[:, 0], line[:, 1])
    steps_m = np.diff(along_m)
    assert (steps_m > 0).all() or (steps_m < 0).all()
