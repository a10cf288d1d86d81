"""The report's chapter on the cloud against itself, from invented comparisons."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import chapter_cases
import report_cases
from accuracy.model import RelativePlace, RelativeResult, RigidShift
from accuracy.reporting import charts_relative, render, svg, view
from accuracy.reporting.view_relative import most_telling
from accuracy.units import LengthUnit
from report_cases import texts

FOOT = LengthUnit.INTERNATIONAL_FOOT
DASH = "\N{EN DASH}"


def places(values: list[float], *, spacing_m: float = 3.0) -> tuple[RelativePlace, ...]:
    """Places in a row due east with these differences in metres."""
    return tuple(
        RelativePlace(
            easting_m=431200.0 + spacing_m * k,
            northing_m=5512400.0,
            difference_m=value,
            standard_uncertainty_m=0.002,
            slope_percent=1.0,
            roughness_m=0.004,
        )
        for k, value in enumerate(values)
    )


# --------------------------------------------------------------------------- whether there is a chapter


@pytest.mark.parametrize("relative", [(), (RelativeResult(),)])
def test_nothing_held_against_itself_makes_no_chapter(relative: tuple[RelativeResult, ...]) -> None:
    """Without data there is no chapter, no line in the contents and no anchor."""
    made = view.build(replace(report_cases.make(), relative=relative))
    assert made.relative is None
    page = render.html_text(made)
    assert 'id="relative"' not in page
    assert 'href="#relative"' not in page


def test_chapter_is_in_page_and_contents_and_always_alike() -> None:
    """Built twice from scratch the bytes are the same; the contents lead to the chapter; nothing is None."""
    pages = []
    for _ in range(2):
        made = view.build(chapter_cases.with_relative(report_cases.make(n=12)))
        pages.append(render.html_text(made))
    assert pages[0] == pages[1]
    assert 'href="#relative"' in pages[0]
    assert 'id="relative"' in pages[0]
    assert not [t for t in texts(made.relative) if re.search(r"\b(None|nan|inf)\b", t)]


def test_remarks_alone_are_told() -> None:
    """A cloud without any point to compare has its remark and neither table nor drawing."""
    said = "12-east: no point is left to compare surfaces with."
    made = view.build(replace(report_cases.make(), relative=(RelativeResult(remarks=(said,)),))).relative
    assert made is not None
    assert (made.table, made.map, made.histogram, made.how) == (None, None, None, ())
    assert made.limits == (said,)


# --------------------------------------------------------------------------- words and table


def test_what_was_compared_is_said() -> None:
    """Kinds with their count, the cell, and what no such comparison can show."""
    made = view.build(chapter_cases.with_relative(report_cases.make())).relative
    assert made is not None
    first, method = (said.replace("\N{NO-BREAK SPACE}", " ") for said in made.how)
    assert "smooth ground (1 comparison)" in first
    assert "same ground (1 comparison)" in first  # parts by direction are no comparisons of their own
    assert "against each other (2 comparisons)" in first
    assert "only checkpoints show it" in first
    assert method.startswith("In cells of 0.50 m")
    assert "no more than 1.10 cm" in method


def test_table_has_the_comparisons_figures() -> None:
    """One row per comparison; figures in centimetres; ranges have no sign; an empty one has dashes."""
    result = chapter_cases.with_relative(report_cases.make())
    made = view.build(result).relative
    assert made is not None
    assert made.table is not None
    given_ = [one for part in result.relative for one in part.comparisons]
    assert len(made.table.rows) == len(given_) == 6
    for row, one in zip(made.table.rows, given_, strict=True):
        assert len(row) == len(made.table.head)
        if one.n:
            assert float(row[7]) == pytest.approx(one.rmsd_m * 100, abs=0.0051)
            assert float(row[10]) == pytest.approx(one.max_m * 100, abs=0.0051)
            assert int(row[3].replace(",", "")) == one.n
    within, all_passes, same, _, runs, empty = made.table.rows
    assert within[:3] == ("12-east", "within swath", DASH)
    assert not within[4].startswith("+")
    assert runs[0] == "12-east \N{MINUS SIGN} 24-westbound"
    assert runs[4].startswith("+")
    assert (all_passes[2], all_passes[-1]) == ("all", "31 %")  # 405 of 1305
    assert (same[2], same[-1]) == ("same", DASH)
    assert empty[3:] == ("0", *[DASH] * 7, "100 %")


def test_why_places_were_left_out_is_told() -> None:
    """Each comparison's own words stand once, those of its parts by direction do not repeat them."""
    made = view.build(chapter_cases.with_relative(report_cases.make())).relative
    assert made is not None
    assert len(made.limits) == len(set(made.limits)) == 5
    assert all("Left out: 95 too few points" in said for said in made.limits[:4])
    assert made.limits[4] == "12-east: surfaces were looked at on a lattice."


@pytest.mark.parametrize(
    ("mean_m", "said"),
    [
        (0.0100, "On average 12-east lies 1.00 cm above w"),
        (-0.0100, "On average 12-east lies 1.00 cm below w"),
        (0.0010, "No step between 12-east and w is shown"),
    ],
)
def test_a_step_is_told_only_where_the_interval_shows_it(mean_m: float, said: str) -> None:
    """The sentence follows the 95 % interval of the mean: above, below, or not shown."""
    one = chapter_cases.surface_comparison("12-east", "w", "run-to-run", n=200)
    one = replace(one, mean_m=mean_m, mean_interval_95_m=(mean_m - 0.002, mean_m + 0.002))
    made = view.build(replace(report_cases.make(), relative=(RelativeResult(comparisons=(one,)),))).relative
    assert made is not None
    (told,) = made.findings
    assert told.startswith(said)
    assert "the scatter of the points alone would make it 0.21 cm" in told
    assert "The 200 places count for about 38 independent ones" in told


def test_drawn_is_the_most_telling() -> None:
    """Runs before passes before swaths, then most places; empty ones and parts by direction never."""
    make = chapter_cases.surface_comparison
    swath = make("a", "a", "within-swath", n=900)
    passes = make("a, earlier", "a, later", "pass-to-pass", n=500)
    few, many = make("a", "b", "run-to-run", n=50), make("a", "c", "run-to-run", n=80)
    none, part = make("a", "d", "run-to-run", n=0), make("a", "c", "run-to-run", n=99, direction="same")
    assert most_telling([swath, passes, few, many, none, part]) is many
    assert most_telling([swath, passes, none]) is passes
    assert most_telling([swath]) is swath
    assert most_telling([none]) is None


def test_feet_stay_feet() -> None:
    """In a contract in feet every length of table, words and drawings is in feet."""
    result = chapter_cases.with_relative(report_cases.make(unit=FOOT))
    made = view.build(result).relative
    assert made is not None
    assert made.table is not None
    one = result.relative[1].comparisons[0]
    assert float(made.table.rows[4][7]) == pytest.approx(one.rmsd_m / 0.3048, abs=5.1e-5)
    assert "In cells of 1.64 ft" in made.how[1]
    assert made.shifts[0].table is not None
    assert made.shifts[0].table.rows[2][1:3] == ("+0.0200 ft", "0.0013 ft")  # 6.1 mm, 0.4 mm
    assert made.map is not None
    assert made.histogram is not None
    assert "First minus second (ft)" in made.histogram.svg
    assert not [t for t in texts(made) if re.search(r"\d (cm|m)\b", t)]


# --------------------------------------------------------------------------- rigid shift


def test_shift_says_what_it_does_not_see() -> None:
    """Components with their uncertainty; an unseen one has no figure, and the noun's reason stands below."""
    made = view.build(chapter_cases.with_relative(report_cases.make())).relative
    assert made is not None
    seen, refused = made.shifts
    assert seen.table is not None
    rows = {row[0]: row[1:] for row in seen.table.rows}
    assert rows["horizontally towards 28\N{DEGREE SIGN}"] == (
        "\N{MINUS SIGN}1.23 cm",
        "0.31 cm",
        "\N{MINUS SIGN}4.0",
    )
    assert rows["horizontally towards 118\N{DEGREE SIGN}"] == ("not seen", DASH, DASH)
    long_axis = "turned about the long axis, which points towards 62\N{DEGREE SIGN}"
    assert rows[long_axis] == ("+0.420 mrad", "0.110 mrad", "+3.8")
    assert rows["turned about the vertical"][0] == "+0.010 mrad"
    assert "is not seen by this geometry" in " ".join(seen.sentences)
    assert "1.18 cm (RMS)" in seen.sentences[-1]
    assert "the scatter of the points alone would leave 0.57 cm" in seen.sentences[-1]  # 0.82 / 1.43
    assert refused.table is None
    assert refused.sentences == ("No rigid shift between them: the runs share only 3 smooth patches.",)


@pytest.mark.parametrize(
    ("u_m", "half_m", "said"),
    [
        (
            0.001,
            0.008,
            "Value / u +6.1, stands out, while the interval of the mean difference (\N{MINUS SIGN}0.20 to",
        ),
        (
            0.005,
            0.002,
            "Value / u +1.2, does not stand out, while the interval of the mean difference (+0.40 to",
        ),
        (0.001, 0.002, None),
        (0.005, 0.008, None),
    ],
)
def test_two_answers_on_a_step_are_not_left_side_by_side(u_m: float, half_m: float, said: str | None) -> None:
    """Where shift and mean difference tell of a step differently, the report says which to go by."""
    one = chapter_cases.surface_comparison("a", "b", "run-to-run", n=200)
    one = replace(one, mean_m=0.006, mean_interval_95_m=(0.006 - half_m, 0.006 + half_m))
    shift = chapter_cases.rigid_shift("a", "b")
    *flat, up = shift.translations
    shift = replace(shift, translations=(*flat, replace(up, standard_uncertainty=u_m)))
    relative = (RelativeResult(comparisons=(one,), shifts=(shift,)),)
    made = view.build(replace(report_cases.make(), relative=relative)).relative
    assert made is not None
    told = [sentence for sentence in made.shifts[0].sentences if "Go by the mean" in sentence]
    assert len(told) == (said is not None)
    assert said is None or said in told[0]


def test_what_holds_for_every_shift_is_said_once() -> None:
    """The general caution stands below all shifts, however many; a refusal alone has no such note."""
    general = "A shift common to both runs shows in neither."
    many = tuple(chapter_cases.rigid_shift("12-east", name) for name in ("b", "c", "d"))
    for shifts in (many, many[:1]):
        made = view.build(replace(report_cases.make(), relative=(RelativeResult(shifts=shifts),))).relative
        assert made is not None
        assert texts(made).count(general) == 1
        assert general in made.shifts_note
        assert [item.sentences[0] for item in made.shifts] == [shift.words[0] for shift in shifts]
    none = RigidShift(name_a="a", name_b="b", planes=0, steep_planes=0, centre_m=None, words=("None.",))
    made = view.build(replace(report_cases.make(), relative=(RelativeResult(shifts=(none,)),))).relative
    assert made is not None
    assert made.shifts_note == ()


# --------------------------------------------------------------------------- drawings


def test_every_place_is_drawn_and_the_largest_named() -> None:
    """As many signs as places, filled where positive and outlined where negative; the worst has its value."""
    one = chapter_cases.surface_comparison("a", "b", "run-to-run")
    drawn = charts_relative.places_map(one.places, LengthUnit.METRE, signed=True)
    signs = re.findall(r"<g><title>([^<]+) cm</title><path ([^>]+)/></g>", drawn.svg)
    assert len(signs) == len(one.places) >= 400
    for value, style in signs:
        below = value.startswith("\N{MINUS SIGN}")
        assert (f'fill="{svg.PAPER}"' in style) == below or float(value.lstrip("+\N{MINUS SIGN}")) == 0
    assert ">+6.10 cm</text>" in drawn.svg
    assert "Signs grow no further beyond" in drawn.caption
    assert "6 strips" in drawn.caption


def test_ranges_are_discs() -> None:
    """Within a swath there is no sign to show: no triangle, and the key does not speak of two captures."""
    one = chapter_cases.surface_comparison("a", "a", "within-swath")
    drawn = charts_relative.places_map(one.places, LengthUnit.METRE, signed=False)
    assert drawn.svg.count("<g><title>") == len(one.places)
    assert "first above second" not in drawn.svg
    assert "range of heights" in drawn.svg


@given(values=st.lists(st.floats(-0.2, 0.2), min_size=1, max_size=60))
def test_drawings_bear_any_differences(values: list[float]) -> None:
    """Any differences make a map; from five on a histogram, which counts each place or says it is beyond."""
    found = places(values)
    assert charts_relative.places_map(found, LengthUnit.METRE, signed=True).svg.startswith("<svg")
    marks = [(float(np.median(values)), "median")]
    drawn = charts_relative.differences_chart(found, LengthUnit.METRE, marks_m=marks, signed=True)
    assert (drawn is None) == (len(values) < charts_relative.FEWEST_FOR_HISTOGRAM)
    if drawn is None:
        return
    counted = [int(count) for count in re.findall(r": (\d+) places?</title><rect", drawn.svg)]
    beyond = re.search(r"axis: (\d+) ", drawn.caption)
    assert sum(counted) + (int(beyond[1]) if beyond else 0) == len(values)
    assert len(counted) <= charts_relative.MOST_BINS + 2
    assert "nan" not in drawn.svg


def test_histogram_is_not_squeezed_by_one_wild_place() -> None:
    """A place far off is counted in words; the others keep their width; bars change shade at zero."""
    values = [*np.linspace(-0.010, 0.010, 200).tolist(), 0.25]
    drawn = charts_relative.differences_chart(places(values), LengthUnit.METRE, marks_m=[], signed=True)
    assert drawn is not None
    assert "Beyond the ends of the axis: 1 place." in drawn.caption
    filled = drawn.svg.count(f'fill="{charts_relative.BAR}"')
    outlined = len(re.findall(rf'<rect [^>]*fill="{svg.PAPER}"', drawn.svg))
    assert filled == outlined >= 8
