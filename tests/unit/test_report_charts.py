"""The drawings: geometry of the plan, labels, bars, ellipses, bins and bands."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import report_cases
from accuracy.reporting import charts_map, charts_residuals, svg, view
from accuracy.reporting import charts_plan as plan
from accuracy.units import LengthUnit

SVG = "{http://www.w3.org/2000/svg}"
metres = st.floats(-2000, 2000)


@given(angle=st.floats(-1.5, 1.5), length=st.floats(50, 5000))
def test_principal_axis_recovers_a_planted_line(angle: float, length: float) -> None:
    """Points planted on a straight line give back its direction, its length, and their distances."""
    at = np.array([0.0, 0.1, 0.35, 0.7, 1.0]) * length
    easting, northing = 4e5 + at * math.cos(angle), 5e6 + at * math.sin(angle)
    axis = plan.principal_axis(easting, northing)
    assert axis.is_corridor
    assert math.cos(axis.angle_rad - angle) == pytest.approx(1, abs=1e-9)
    assert axis.chainage_m(easting, northing) == pytest.approx(at, abs=1e-4)


@given(turn=st.floats(-7, 7), e=metres, n=metres)
def test_page_and_ground_are_inverse(turn: float, e: float, n: float) -> None:
    """A place drawn on a strip and read back is the same place; north stays left of east."""
    strip = plan.Strip(
        easting_m=10, northing_m=-20, turn_rad=turn, scale=0.7, x=1, y=2, width=600, height=150
    )
    assert strip.ground(*strip.page(e, n)) == pytest.approx((e, n), abs=1e-6)
    east, north = strip.page_vector(1, 0), strip.page_vector(0, 1)
    # y points down on the page, so the cross product of east and north is -1 there.
    assert east[0] * north[1] - east[1] * north[0] == pytest.approx(-1)


@given(
    st.lists(st.tuples(st.floats(0, 1100), st.floats(-20, 20)), min_size=1, max_size=80),
    st.floats(-3, 3),
)
@settings(max_examples=60)
def test_every_point_is_drawn_inside_its_strip(points: list[tuple[float, float]], turn: float) -> None:
    """Whatever the turning and the cut into strips, each point lies inside the frame that shows it."""
    along, across = np.array(points).T
    easting = along * math.cos(turn) - across * math.sin(turn)
    northing = along * math.sin(turn) + across * math.cos(turn)
    sheet = plan.lay_out(easting, northing)
    assert sheet.height <= plan.MOST_HEIGHT + 2 * plan.ROOM_FOR_BARS
    for e, n, number in zip(easting, northing, sheet.strip_of, strict=True):
        strip = sheet.strips[number]
        x, y = strip.page(float(e), float(n))
        assert strip.x < x < strip.x + strip.width
        assert strip.y + 40 < y < strip.y + strip.height - 40


@given(st.lists(st.tuples(st.floats(5, 595), st.floats(5, 145)), min_size=1, max_size=60))
@settings(max_examples=60)
def test_labels_never_overlap(places: list[tuple[float, float]]) -> None:
    """Every label that is drawn keeps clear of all others and of the frame; the rest are counted out."""
    strip = plan.Strip(easting_m=0, northing_m=0, turn_rad=0, scale=1, x=0, y=0, width=600, height=150)
    used = plan.Places()
    drawn = [used.put(x, y, f"TQ{i}", strip) for i, (x, y) in enumerate(places)]
    assert len(used.solid) == sum(d is not None for d in drawn) > 0
    for i, (a, b, c, d) in enumerate(used.solid):
        assert 0 < a < c < 600
        assert 0 < b < d < 150
        assert not any(a < g and c > e and b < h and d > f for e, f, g, h in used.solid[i + 1 :])


@given(st.lists(st.tuples(st.floats(5, 595), st.floats(5, 145)), min_size=2, max_size=60))
@settings(max_examples=60)
def test_names_in_one_line_do_not_read_as_one(places: list[tuple[float, float]]) -> None:
    """Labels whose heights overlap keep a gap between them."""
    strip = plan.Strip(easting_m=0, northing_m=0, turn_rad=0, scale=1, x=0, y=0, width=600, height=150)
    used = plan.Places()
    for i, (x, y) in enumerate(places):
        used.put(x, y, f"TQ{i}", strip)
    for i, (a, b, c, d) in enumerate(used.names):
        for e, f, g, h in used.names[i + 1 :]:
            if b < h and d > f:
                assert max(e - c, a - g) >= plan.APART


def test_a_label_that_moved_away_keeps_a_line_to_its_mark() -> None:
    """Beside its mark a label has none; where that is taken, a line leads to it."""
    strip = plan.Strip(easting_m=0, northing_m=0, turn_rad=0, scale=1, x=0, y=0, width=600, height=150)
    assert "<line" not in (plan.Places().put(300, 75, "TQ1", strip) or "")
    crowded = plan.Places(solid=[(292, 67, 308, 83)])
    assert "<line" in (crowded.put(300, 75, "TQ1", strip) or "")


def test_above_and_below_differ_in_shape_and_filling() -> None:
    """A bar above is filled and points up; one below is outlined and points down: no colour needed."""
    up = ET.fromstring(charts_map.height_bar(100, 50, 20))  # noqa: S314 - our own drawing
    down = ET.fromstring(charts_map.height_bar(100, 50, -20))  # noqa: S314
    assert up.get("fill") == svg.ABOVE
    assert down.get("fill") == svg.PAPER

    def heights(bar: ET.Element) -> list[float]:
        return [float(y) for _, y in re.findall(r"([-\d.]+) ([-\d.]+)", bar.get("d", ""))]

    assert min(heights(up)) == 30
    assert max(heights(down)) == 70


def test_ellipse_half_axes_are_those_of_the_chi_square_table() -> None:
    """95 %, two degrees of freedom: 5.991 in any chi-square table, so 2.4477 standard deviations."""
    assert pytest.approx(5.991, abs=5e-4) == charts_map.ELLIPSE_95**2
    result = report_cases.make(n=6, oddities=False, horizontal=True, area=True)
    points = tuple(
        replace(c, horizontal=replace(c.horizontal, covariance_m2=(0.01**2, 0.02**2, 0.0)))
        for c in result.run.checkpoints
        if c.horizontal.measured
    )
    drawing = charts_map.horizontal_map(points, LengthUnit.METRE).svg
    ellipses = ET.fromstring(drawing).findall(f".//{SVG}ellipse")  # noqa: S314
    assert len(ellipses) == 5
    ratio = float(ellipses[0].get("rx", "")) / float(ellipses[0].get("ry", ""))
    assert ratio == pytest.approx(2, rel=0.01)
    # The longer axis runs north, and an area is drawn with north up: a quarter turn.
    assert re.search(r"rotate\(-?90\)", ellipses[0].get("transform", ""))


def test_no_ellipse_without_an_uncertainty() -> None:
    """Where neither survey nor measurement states an uncertainty, the vector stands alone."""
    result = report_cases.make(n=3, oddities=False, horizontal=True)
    points = tuple(
        replace(c, horizontal=replace(c.horizontal, covariance_m2=None, standard_uncertainty_m=None))
        for c in result.run.checkpoints
    )
    drawing = charts_map.horizontal_map(points, LengthUnit.METRE).svg
    assert "<ellipse" not in drawing
    assert drawing.count('class="point"') == 3
    rows = view.build(replace(result, run=replace(result.run, checkpoints=points))).residuals
    assert {r.horizontal_uncertainty for r in rows} == {"\N{EN DASH}"}


@pytest.mark.parametrize("n", [5, 12, 48])
def test_quantile_band_against_the_binomial(n: int) -> None:
    """The i-th of n uniforms lies below u when at least i of n do: the band's ends by another route."""
    middle, low, high = charts_residuals.quantile_band(n)
    i = np.arange(1, n + 1)
    for quantile, probability in ((low, 0.025), (middle, 0.5), (high, 0.975)):
        assert stats.binom.sf(i - 1, n, stats.norm.cdf(quantile)) == pytest.approx(probability, abs=1e-9)


@given(st.lists(st.floats(-0.2, 0.2), min_size=5, max_size=200))
def test_bins_hold_every_residual(values: list[float]) -> None:
    """No residual falls outside the histogram, and the bins stay countable."""
    data = np.array(values) * 100
    edges = charts_residuals._bin_edges(data)
    assert np.histogram(data, edges)[0].sum() == len(values)
    assert 1 <= len(edges) - 1 <= 45


@given(low=st.floats(-1e4, 1e4), span=st.floats(1e-3, 1e5), most=st.integers(2, 12))
def test_ticks_are_round_and_few(low: float, span: float, most: int) -> None:
    """Ticks are multiples of 1, 2 or 5 times a power of ten, inside the axis, never too many."""
    step = svg.nice_step(span, most)
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - m) for m in (1, 2, 5)) < 1e-6
    values = svg.ticks(low, low + span, most)
    assert len(values) <= most + 1
    assert all(low - 1e-6 * span <= v <= low + span * (1 + 1e-6) for v in values)


@pytest.mark.parametrize("n", [0, 1, 4])
def test_too_few_residuals_make_no_distribution(n: int) -> None:
    """Below five residuals neither histogram nor Q-Q plot is drawn."""
    values = np.linspace(-0.01, 0.01, n)
    assert charts_residuals.histogram(values, LengthUnit.METRE, "r") is None
    assert charts_residuals.quantile_plot(values, LengthUnit.METRE, "r") is None


def test_residuals_all_alike_are_drawn() -> None:
    """Identical residuals have no spread: a histogram of one bar, no Q-Q plot, no division by zero."""
    values = np.full(9, 0.012)
    drawing = charts_residuals.histogram(values, LengthUnit.METRE, "r")
    assert drawing is not None
    assert drawing.count("<rect") == 1
    assert charts_residuals.quantile_plot(values, LengthUnit.METRE, "r") is None


def test_a_blunder_set_aside_does_not_stretch_the_axis() -> None:
    """An unused residual of 20 m is named at the edge; the used ones keep their scale."""
    points = [
        charts_residuals.AlongPoint(
            id=f"p{i}", at=float(i), residual_m=0.01, uncertainty_m=0.005, kind="open"
        )
        for i in range(5)
    ]
    wild = charts_residuals.AlongPoint(id="w", at=2.0, residual_m=20.0, uncertainty_m=0.005, kind="unused")
    drawing = charts_residuals.along_chart(
        [*points, wild], LengthUnit.METRE, "Order", 0.05, whole_numbers=True
    )
    assert drawing is not None
    assert "+2000.00 cm, not used" in drawing
    ticks = [
        float(t.replace("\N{MINUS SIGN}", "-"))
        for t in re.findall(r'text-anchor="end"[^>]*>([^<+]*\d)<', drawing)
    ]
    assert ticks
    assert max(ticks) <= 10


@pytest.mark.parametrize(
    ("ids", "names"),
    [
        (["A1", "A2"], ["A1", "A2"]),
        (["QUAY-WALL-NORTH-07-B", "QUAY-WALL-NORTH-11-B"], ["\u202607\u2026", "\u202611\u2026"]),
        (["only-one-and-it-is-long-indeed"], ["only-one\u2026ndeed"]),
    ],
)
def test_long_names_keep_what_tells_them_apart(ids: list[str], names: list[str]) -> None:
    """Labels drop what all ids share, not what distinguishes them."""
    assert [charts_map.short_names(ids)[i] for i in ids] == names


@given(st.lists(st.text(max_size=60), min_size=1, max_size=4, unique=True))
@settings(max_examples=40, deadline=None)
def test_drawings_are_well_formed_whatever_the_ids(ids: list[str]) -> None:
    """Ids with quotes, tags, controls or surrogates never break the XML of a drawing."""
    result = report_cases.make(n=len(ids), oddities=False, horizontal=True)
    points = tuple(replace(c, id=i) for c, i in zip(result.run.checkpoints, ids, strict=True))
    shown = view.build(replace(result, run=replace(result.run, checkpoints=points)))
    drawings = [c.svg for c in (*shown.maps, *shown.charts)]
    assert len(drawings) >= 3
    for drawing in drawings:
        root = ET.fromstring(drawing)  # noqa: S314
        title = root.find(f"{SVG}title")
        assert title is not None
        assert title.text
