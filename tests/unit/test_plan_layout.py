"""Proposed places keep their rules on corridors and areas of any shape."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from accuracy.model import FloatArray
from accuracy.planning.layout import (
    Line,
    bend_ends_m,
    fits,
    lay_along,
    nearest_pair_m,
    share_out,
    stretches,
    widest_gap_m,
)
from accuracy.planning.spread import spread_over


@st.composite
def corridors(draw: st.DrawFn) -> Line:
    """A road of gentle and sharp turns, 200 m to 6 km, in one to three parts, in map coordinates."""
    parts = []
    for _ in range(draw(st.integers(1, 3))):
        steps = draw(st.lists(st.floats(40.0, 250.0), min_size=5, max_size=12))
        turns = draw(st.lists(st.floats(-0.7, 0.7), min_size=len(steps), max_size=len(steps)))
        heading = np.cumsum(turns)
        steps_m = np.column_stack([np.cos(heading), np.sin(heading)]) * np.array(steps)[:, None]
        corners = np.vstack([np.zeros((1, 2)), np.cumsum(steps_m, axis=0)])
        parts.append(corners + np.array([4e5 + 2e4 * len(parts), 5.4e6]))
    return Line(tuple(parts))


@given(line=corridors(), number=st.integers(6, 120), share=st.floats(0.1, 0.5))
@settings(max_examples=60, deadline=None)
def test_places_along_a_line(line: Line, number: int, share: float) -> None:
    """Numbers, order, sides, offsets and spacings hold on random roads with a stratum in the middle."""
    length = line.length_m
    canopy = (length * (0.5 - share / 2), length * (0.5 + share / 2))
    pieces = stretches(line, {"canopy": [canopy]}, "open")
    assert sum(piece.length_m for piece in pieces) == pytest.approx(length)
    least = 4.0
    wanted = {"open": number, "canopy": 10}
    room = {n: sum(fits(p.length_m, least) for p in pieces if p.stratum == n) for n in wanted}
    assume(all(wanted[n] <= room[n] for n in wanted))
    laid = lay_along(
        line,
        pieces,
        wanted,
        bends_m=bend_ends_m(line),
        offset_m=(3.0, 3.0),
        inset_m=5.0,
        least_spacing_m=least,
    )
    assert {n: laid.stratum.count(n) for n in wanted} == wanted
    assert (np.diff(laid.chainage_m) > 0).all()
    assert np.diff(laid.chainage_m).min() >= least * 0.99
    inside = (laid.chainage_m >= canopy[0]) & (laid.chainage_m <= canopy[1])
    assert [name == "canopy" for name in laid.stratum] == inside.tolist()
    assert (laid.left == (np.arange(laid.left.size) % 2 == 0)).all()
    away = np.hypot(*(np.column_stack([laid.easting_m, laid.northing_m]) - line.at(laid.chainage_m)).T)
    np.testing.assert_allclose(away, 3.0, atol=1e-6)


def test_sides_are_the_road_s_own() -> None:
    """Going east, left is north; the first place is on the left."""
    line = Line((np.array([[0.0, 0.0], [1000.0, 0.0]]),))
    laid = lay_along(
        line,
        stretches(line, {}, "open"),
        {"open": 11},
        bends_m=bend_ends_m(line),
        offset_m=(2.0, 4.0),
        inset_m=0.0,
        least_spacing_m=1.0,
    )
    np.testing.assert_allclose(laid.chainage_m, np.linspace(0, 1000, 11))
    np.testing.assert_allclose(laid.northing_m, [2.0, -4.0] * 5 + [2.0], atol=1e-9)


def test_ends_of_a_bend_are_taken() -> None:
    """On a road with one quarter circle places are drawn to where it begins and ends."""
    angle = np.linspace(0, np.pi / 2, 40)
    arc = np.column_stack([300 + 80 * np.sin(angle), 80 - 80 * np.cos(angle)])
    line = Line((np.vstack([[[0.0, 0.0]], arc, [[380.0, 400.0]]]),))
    quarter = 80 * np.pi / 2
    ends = bend_ends_m(line)
    # The chord across the first metre of sagitta blurs the ends by some metres.
    np.testing.assert_allclose(ends, [300.0, 300.0 + quarter], atol=14.0)
    laid = lay_along(
        line,
        stretches(line, {}, "open"),
        {"open": 20},
        bends_m=ends,
        offset_m=(3.0, 3.0),
        inset_m=5.0,
        least_spacing_m=5.0,
    )
    assert laid.at_bend.sum() >= 1
    assert set(laid.chainage_m[laid.at_bend]) <= set(ends)
    assert bend_ends_m(Line((np.array([[0.0, 0.0], [50.0, 0.3], [100.0, 0.0]]),))).size == 0


@given(st.integers(0, 200), st.lists(st.floats(0.0, 50.0), min_size=1, max_size=8))
def test_sharing_out(total: int, weights: list[float]) -> None:
    """Shares add up to the total and differ from the exact ones by less than one."""
    shares = share_out(total, weights)
    if sum(weights) <= 0:
        assert sum(shares) == 0
        return
    assert sum(shares) == total
    for share, weight in zip(shares, weights, strict=True):
        assert abs(share - total * weight / sum(weights)) < 1 + 1e-6


@given(
    width=st.floats(200.0, 5000.0),
    ratio=st.floats(0.35, 1.0),
    number=st.integers(10, 120),
    east=st.sampled_from([0.0, 4.2e5]),
)
@settings(max_examples=40, deadline=None)
def test_rectangles_keep_both_rules(width: float, ratio: float, number: int, east: float) -> None:
    """On a rectangle every quadrant holds a fifth, and thirty places keep 10 % of the diagonal apart.

    ASPRS Ed. 1 C.4 and NSSDA App. 3-C (from memory).
    """
    area = shapely.box(east, 5e6, east + width, 5e6 + ratio * width)
    found = spread_over(area, (), "open", {"open": number})
    _checks(area, found.easting_m, found.northing_m, number)
    pair = nearest_pair_m(found.easting_m, found.northing_m)
    assert pair is not None
    if number <= 20:
        assert pair[0] >= 0.10 * width * (1 + ratio**2) ** 0.5
    # Never worse than half of what hexagons would give in the same area (Gonzalez 1985, and the rim).
    assert pair[0] >= 0.45 * (2 / 3**0.5 * area.area / number) ** 0.5


def _checks(area: Any, easting: FloatArray, northing: FloatArray, number: int) -> None:
    assert easting.size == number
    assert shapely.covers(area.buffer(1e-6), shapely.points(np.column_stack([easting, northing]))).all()
    west, south, east, north = area.bounds
    right, upper = easting >= (west + east) / 2, northing >= (south + north) / 2
    counts = [int((r & u).sum()) for r in (right, ~right) for u in (upper, ~upper)]
    # Four times a fifth, rounded up, is more than all of them where there are eleven.
    assert min(counts) >= min(np.ceil(0.2 * number - 1e-9), number // 4), counts


@given(
    st.lists(st.tuples(st.floats(-1, 1), st.floats(-1, 1)), min_size=6, max_size=14),
    st.integers(6, 60),
)
@settings(max_examples=40, deadline=None)
def test_any_polygon(corners: list[tuple[float, float]], number: int) -> None:
    """On any convex ground all places are inside, all different, and the same the second time."""
    area = shapely.MultiPoint([(5e5 + 800 * x, 4e6 + 800 * y) for x, y in corners]).convex_hull
    assume(area.geom_type == "Polygon" and area.area > 2e4)
    found = spread_over(area, (), "open", {"open": number})
    again = spread_over(area, (), "open", {"open": number})
    np.testing.assert_array_equal(found.easting_m, again.easting_m)
    at = np.column_stack([found.easting_m, found.northing_m])
    assert len(np.unique(at, axis=0)) == number
    assert shapely.covers(area.buffer(1e-6), shapely.points(at)).all()


def test_area_that_is_too_small_for_its_spacing() -> None:
    """Only as many places as keep the spacing are proposed."""
    area = shapely.box(0, 0, 100, 100)
    found = spread_over(area, (), "open", {"open": 30}, least_spacing_m=40.0)
    assert 4 <= found.easting_m.size < 30
    pair = nearest_pair_m(found.easting_m, found.northing_m)
    assert pair is not None
    assert pair[0] >= 40.0


def test_strata_of_an_area() -> None:
    """Each stratum gets its own number, inside its own polygon."""
    area, wood = shapely.box(0, 0, 1000, 1000), shapely.box(600, 600, 900, 950)
    found = spread_over(area, [("canopy", wood)], "open sky", {"open sky": 22, "canopy": 10})
    inside = shapely.covers(wood, shapely.points(np.column_stack([found.easting_m, found.northing_m])))
    assert [name == "canopy" for name in found.stratum] == inside.tolist()
    assert inside.sum() == 10


def test_widest_gap() -> None:
    """The ends of the line count as ends of a gap."""
    assert widest_gap_m(np.array([300.0, 100.0]), 900.0) == pytest.approx(600.0)
