"""The report's further chapters: runs, single checkpoints, conditions, trajectories."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

import chapter_cases
import report_cases
from accuracy.explaining.mistake_words import CHECK_BY
from accuracy.model import Component, FaceShift, Mistake, Outcome, Result
from accuracy.reporting import (
    charts_drive,
    charts_runs,
    render,
    svg,
    view,
    view_patches,
    view_statement,
    words,
)
from accuracy.units import LengthUnit
from report_cases import texts

# --------------------------------------------------------------------------- which chapters there are


def test_chapters_appear_only_with_their_data() -> None:
    """A plain check of one run has none of the further chapters, in view, contents or page."""
    made = view.build(report_cases.make())
    assert (made.runs, made.singles, made.drives, made.conditions) == (None, None, None, None)
    page = render.html_text(made)
    for anchor in ("runs", "singles", "drives", "conditions", "pictures"):
        assert f'id="{anchor}"' not in page
        assert f'href="#{anchor}"' not in page


@pytest.mark.parametrize("case", ["met", "not-graded", "feet", "no-class", "long-words", "one", "nothing"])
def test_every_case_bears_every_chapter(case: str) -> None:
    """Thin and odd results with all chapters become a page; no text shows a None; links have ends."""
    result, series, _ = chapter_cases.everything(report_cases.CASES[case]())
    made = view.build(result, series=series)
    said = texts(made)
    assert not [t for t in said if t in {"None", "nan", "inf"} or "None " in t or " nan" in t]
    page = render.html_text(made)
    links = set(re.findall(r'href="#(\w+)"', page))
    assert {"runs", "singles", "drives", "conditions"} <= links
    assert links <= set(re.findall(r' id="([\w-]+)"', page))


def test_the_same_record_gives_the_same_page() -> None:
    """Built twice from scratch, the bytes are the same."""
    pages = []
    for _ in range(2):
        result, series, _ = chapter_cases.everything(report_cases.make(n=20, horizontal=True))
        pages.append(render.html_text(view.build(result, series=series)))
    assert pages[0] == pages[1]


# --------------------------------------------------------------------------- statement page


def test_first_page_names_subset_mistake_and_speed() -> None:
    """What limits or answers the statement stands on its page, the mistake's code in words."""
    result, _, _ = chapter_cases.everything(report_cases.make())
    mistake = Mistake(kind="antenna_height", size=0.1, size_unit="m", evidence="E.", check_by="C.", score=9.0)
    result = replace(result, run=replace(result.run, mistakes=(mistake,)))
    made = view.build(result)
    assert made.subset is not None
    assert "surface is asphalt" in made.subset
    assert f"{sum(c.used for c in result.run.checkpoints)} of 48 count" in made.subset
    assert made.warning == "Antenna height. E."
    assert made.speed == ("Vertical: The fastest run that meets the class is 12-east (12 km/h).",)
    statement = render.html_text(made).split('id="figures"')[0]
    assert "surface is asphalt" in statement
    assert "Antenna height. E." in statement
    assert "The fastest run that meets" in statement


@pytest.mark.parametrize(
    ("seen", "said"),
    [
        (
            {},
            "4 upright faces among the checkpoints show the cloud shifted by +1.20 cm in easting (u 0.30) "
            "and \N{MINUS SIGN}0.40 cm in northing (u 0.50).",
        ),
        (
            {"shift_easting_m": None, "shift_northing_m": None, "covariance_m2": None, "n": 1},
            "1 upright face among the checkpoints shows the cloud shifted by +1.10 cm (u 0.20) along the "
            "azimuth 85\N{DEGREE SIGN}.",
        ),
        ({"consistent": False}, "The faces contradict one common shift"),
        ({"unobservable": "A shift along the wall cannot be seen"}, "A shift along the wall cannot be seen."),
    ],
)
def test_upright_faces_are_told(seen: dict[str, object], said: str) -> None:
    """The shift that faces show, or its one component and what stays unseen, stands below the figures."""
    whole = FaceShift(
        n=4,
        shift_easting_m=0.012,
        shift_northing_m=-0.004,
        covariance_m2=(9e-6, 2.5e-5, 0.0),
        component_m=0.011,
        component_azimuth_degrees=85.0,
        component_uncertainty_m=0.002,
        unobservable=None,
        chi_square=2.0,
        degrees_of_freedom=2,
        p_value=0.4,
        consistent=True,
    )
    result = report_cases.make(n=6, oddities=False)
    result = replace(result, run=replace(result.run, face_shift=replace(whole, **seen)))
    assert said in view.build(result).figures_note


def test_every_kind_of_mistake_has_words() -> None:
    """What the search for mistakes can name, the report can say; an unknown code still reads as words."""
    assert set(words.MISTAKE) == set(CHECK_BY)
    assert words.mistake("pole_height") == "A wrong pole or antenna height"
    assert words.mistake("some_new_kind") == "Some new kind"


def test_remarks_name_files_once() -> None:
    """Paths become file names, and the same sentence on several tiles is said once."""
    result: Result = report_cases.make()
    clouds = tuple(replace(result.inputs[0], path=f"/data/run 1/tile-{k:02d}.laz") for k in range(6))
    remarks = (
        *(f"/data/run 1/tile-{k:02d}.laz: the header counts too few points." for k in range(6)),
        "tile-00.laz: no coordinate system is recorded.",
        "The bridge stood open: nothing was measured there.",
    )
    run = replace(result.run, remarks=remarks)
    assert view_statement.remarks(replace(result, inputs=clouds, run=run)) == (
        "tile-00.laz, tile-01.laz, tile-02.laz and 3 more files: the header counts too few points.",
        "tile-00.laz: no coordinate system is recorded.",
        "The bridge stood open: nothing was measured there.",
    )


def test_chainage_follows_a_bent_corridor() -> None:
    """On the bent road of 1.1 km the axis of the chart reaches as far as the road is long."""
    chart = view.build(report_cases.make()).charts[0]
    assert chart.title == "Height residuals along the corridor"
    ticks = [float(t) for t in re.findall(r">(\d+)</text>", chart.svg)]
    assert max(ticks) >= 1000


# --------------------------------------------------------------------------- runs


def test_runs_stand_by_speed_and_keep_their_side_of_the_class() -> None:
    """The fastest on top; each tested figure prints on the side of the class that its outcome says."""
    result = chapter_cases.with_runs(report_cases.make(scatter_m=0.012), count=3)
    made = view.build(result).runs
    assert made is not None
    assert [row[0] for row in made.table.rows] == ["36-eastbound", "24-westbound", "12-east"]
    checked = 0
    for row in made.table.rows:
        tested, outcome = float(row[2]), row[4]
        if outcome in {"Met", "Not met"}:
            assert (tested <= 5.0) == (outcome == "Met")
            checked += 1
    assert checked == 3


def test_interval_of_a_run_holds_its_tested_figure() -> None:
    """The survey's share is in the interval where it is in the figure, so the figure lies inside."""
    run = report_cases.make().run
    n, tested, interval, verdict = view_statement.tested_figure(Component.VERTICAL, run)
    assert verdict is not None
    assert n == run.summary.vertical.n
    assert tested == verdict.tested_m
    low, high = run.summary.vertical.rmse_interval_95_m
    assert interval == pytest.approx((np.hypot(low, 0.008), np.hypot(high, 0.008)))
    assert interval[0] < tested < interval[1]
    plain = replace(run, verdicts=(replace(verdict, tested_m=run.summary.vertical.rmse_m),))
    assert view_statement.tested_figure(Component.VERTICAL, plain)[2] == (low, high)
    # Without a verdict the RMSE with the survey stands in, and its interval.
    bare = view_statement.tested_figure(Component.VERTICAL, replace(run, verdicts=()))
    assert bare[:3] == (n, tested, pytest.approx(interval))


def test_no_graded_run_makes_no_speed_line() -> None:
    """Where nothing was graded the statement page keeps silent and the chapter says why."""
    result = chapter_cases.with_runs(report_cases.make())
    runs = tuple(
        replace(r, verdicts=tuple(replace(v, outcome=Outcome.NOT_GRADED) for v in r.verdicts))
        for r in result.runs
    )
    made = view.build(replace(result, runs=runs))
    assert made.speed == ()
    assert made.runs is not None
    assert made.runs.decisions[0].sentence == "No run was graded, so no speed can be named."


def test_pairs_conclude_and_correct() -> None:
    """The table shows corrected p-values, a dash where there is none, and the pair's own conclusion."""
    made = view.build(chapter_cases.with_runs(report_cases.make())).runs
    assert made is not None
    (shown,) = made.pairs
    assert shown.heading == "Pairs of runs: vertical"
    assert len(shown.table.rows) == 3
    row = shown.table.rows[0]
    assert row[0] == "12-east \N{MINUS SIGN} 24-westbound"
    assert row[6:9] == ("< 0.001", "0.040", "\N{EN DASH}")
    assert row[-1] == "first more accurate"
    assert "those in vegetation included" in made.pairs_note


def test_further_pairs_stand_by_component_and_part() -> None:
    """A table for each, so that the name of the part need not stand in every row."""
    result = chapter_cases.with_runs(report_cases.make())
    parts = [
        replace(one, component=component, stratum=stratum)
        for component, stratum in ((Component.VERTICAL, "sky: open"), (Component.THREE_D, None))
        for one in result.comparisons
    ]
    made = view.build(replace(result, comparisons=tuple(parts))).runs
    assert made is not None
    names = [one.heading for one in made.annex_pairs]
    assert names == ["Pairs of runs: vertical, sky: open", "Pairs of runs: three-dimensional"]
    assert sum(len(one.table.rows) for one in made.annex_pairs) == len(parts)
    assert not any("sky" in row[0] for one in made.annex_pairs for row in one.table.rows)


@pytest.mark.parametrize(("members_b", "warned"), [(("c", "d"), False), (("c",), True)])
def test_groups_of_unequal_numbers_are_warned_of(members_b: tuple[str, ...], warned: bool) -> None:
    """Two runs against one: the table says that the swap test is not exact; two against two: it does not."""
    result = chapter_cases.with_runs(report_cases.make())
    groups = tuple(
        replace(one, attribute="rig", members_a=("a", "b"), members_b=members_b) for one in result.comparisons
    )
    made = view.build(replace(result, comparisons=groups)).runs
    assert made is not None
    (shown,) = made.pairs
    assert ("the swap test is then not exact" in shown.note) is warned


def test_tables_that_would_say_nothing_are_named_instead() -> None:
    """Where no pair of a part has an interval, a sentence stands for its table; others stay."""
    result = chapter_cases.with_runs(report_cases.make())
    parts = [
        replace(one, stratum=f"sky: {sky}", rmse_difference_interval_95_m=interval)
        for sky, interval in (("canopy", None), ("open", (-0.01, 0.01)))
        for one in result.comparisons
    ]
    made = view.build(replace(result, comparisons=tuple(parts))).runs
    assert made is not None
    assert [one.heading for one in made.annex_pairs] == ["Pairs of runs: vertical, sky: open"]
    assert "for Pairs of runs: vertical, sky: canopy." in made.annex_pairs_note


@given(value=st.floats(-0.2, 0.2), full=st.floats(0.001, 0.1))
def test_matrix_signs_differ_without_colour(value: float, full: float) -> None:
    """Above is filled and points up, below is outlined and points down; none grows beyond its cell."""
    drawn = charts_runs.glyph(value, 50.0, 50.0, 10.0, full, signed=True)
    numbers = [float(v) for v in re.findall(r"-?\d+\.?\d*", re.search(r' d="([^"]+)"', drawn)[1])]
    ys = numbers[1::2]
    assert max(abs(v - 50.0) for v in numbers) <= 5.0 + 1e-9
    assert ys[0] == (min(ys) if value >= 0 else max(ys))
    assert (f'fill="{svg.PAPER}"' in drawn) == (value < 0)


def test_matrix_has_a_sign_for_every_value() -> None:
    """Every measured residual is drawn and named; the annex table has the same values."""
    result = chapter_cases.with_runs(report_cases.make(n=120))
    made = view.build(result).runs
    assert made is not None
    values = [v for row in result.matrices[0].residual_m for v in row]
    assert made.matrices[0].svg.count('class="point"') == sum(v is not None for v in values)
    ((_, table),) = made.annex_matrices
    assert len(table.rows) == 120
    assert sum(cell == "\N{EN DASH}" for row in table.rows for cell in row) == values.count(None) > 0


def test_too_many_checkpoints_are_not_drawn_but_said() -> None:
    """Beyond 400 checkpoints the picture gives way to a sentence."""
    made = view.build(chapter_cases.with_runs(report_cases.make(n=401, oddities=False), count=2)).runs
    assert made is not None
    assert made.matrices == ()
    assert "not drawn" in made.matrices_note


# --------------------------------------------------------------------------- single checkpoints and parts


@pytest.mark.parametrize(
    ("flips", "said"),
    [
        (True, "single checkpoints decide. Leaving out TQ01 alone would move the RMSE_V across"),
        (False, "no single checkpoint decides. Leaving out any one"),
    ],
)
def test_flips_are_told(flips: bool, said: str) -> None:
    """A verdict that one removal would turn says so, and that this is no reason to remove it."""
    made = view.build(chapter_cases.with_singles(report_cases.make(), flips=flips)).singles
    assert made is not None
    assert said in made.sentences[0]
    assert ("not to leave them out" in made.sentences[0]) == flips
    assert made.influence is not None
    assert [row[-1] for row in made.influence.rows] == ["yes" if flips else "no", *["no"] * 4]


@pytest.mark.parametrize(("parts", "in_chapter"), [(4, True), (30, False)])
def test_many_parts_move_to_the_annex(parts: int, in_chapter: bool) -> None:
    """A few parts stand in the chapter, many in the annex; the range is said either way."""
    made = view.build(chapter_cases.with_singles(report_cases.make(), flips=False, parts=parts)).singles
    assert made is not None
    assert (made.parts is not None, made.annex_parts is None) == (in_chapter, in_chapter)
    assert f"on {parts} parts" in made.parts_note
    assert "between 1.70 and" in made.parts_note


# --------------------------------------------------------------------------- conditions


def test_only_carried_effects_are_sentences() -> None:
    """An effect that the evidence carries is told; else one sentence says that none is."""
    told = view.build(chapter_cases.with_conditions(report_cases.make(), carried=True)).conditions
    silent = view.build(chapter_cases.with_conditions(report_cases.make(), carried=False)).conditions
    assert told is not None
    assert silent is not None
    assert told.sentences[0].startswith("Residuals are larger with more range to the rig")
    assert len(silent.sentences) == 1
    assert "carries no sentence" in silent.sentences[0]
    assert told.table is not None
    assert [row[-1] for row in told.table.rows] == ["yes", "no"]
    assert told.chart is not None
    assert "filled diamonds: without" in told.chart.caption


def test_missing_states_say_why_once() -> None:
    """Reasons that differ in numbers only are counted together; nothing is drawn without a state."""
    made = view.build(
        chapter_cases.with_conditions(report_cases.make(), carried=False, known=False)
    ).conditions
    assert made is not None
    assert made.chart is None
    assert made.table is None
    assert made.missing[0].startswith("The rig's state is not known for any of the passes")
    assert made.missing[1:] == ("48 passes: captured 400 s outside the trajectory's times (for example).",)


# --------------------------------------------------------------------------- trajectories


def test_tables_stand_without_series() -> None:
    """Without the epochs there are all tables, drift and distance, and no plan or profile."""
    result, series = chapter_cases.with_drives(report_cases.make())
    bare, whole = view.build(result).drives, view.build(result, series=series).drives
    assert bare is not None
    assert whole is not None
    assert bare.summary == whole.summary
    titles = [[chart.title for chart in drive.charts] for drive in (bare.drives[1], whole.drives[1])]
    assert titles[0] == ["Drift against time", "Error against distance"]
    assert titles[1] == [
        "Plan of the drive",
        "Differences along the path",
        "Differences over time",
        *titles[0],
    ]
    with pytest.raises(ValueError, match="3 trajectory comparisons and 1 series"):
        view.build(result, series=series[:1])


def test_own_run_in_full_others_in_short() -> None:
    """The statement's run has a part per reference, the other run is in the annex; remarks come once."""
    result, _ = chapter_cases.with_drives(report_cases.make())
    made = view.build(result).drives
    assert made is not None
    assert [d.title for d in made.drives] == [
        "12-east against GNSS receiver",
        "12-east against tracked prism",
    ]
    assert len(made.summary.rows) == 3
    assert made.annex_groups is not None
    assert all(row[0].startswith("24-west") for row in made.annex_groups.rows)
    shared = "Clock offset and lever arm come from all runs of this mounting together."
    assert texts(made).count(shared) == 1
    assert "Differences are taken at the epochs of tracked prism." in made.drives[1].sentences


def test_a_share_is_not_rounded_to_all() -> None:
    """A verified share just under one never prints as 100 %."""
    result, _ = chapter_cases.with_drives(report_cases.make())
    almost = tuple(replace(c, verified_share=0.99999) for c in result.trajectories)
    made = view.build(replace(result, trajectories=almost)).drives
    assert made is not None
    assert {row[-2] for row in made.summary.rows} == {"> 99.9"}


def test_what_cannot_be_separated_says_so() -> None:
    """A reference without times has no along-track figures, no clock and no time plot, in words."""
    result, series = chapter_cases.with_drives(report_cases.make(), timed=False)
    made = view.build(result, series=series).drives
    assert made is not None
    assert made.mounting.rows[0][1:3] == ("not separable", "not separable")
    assert any("could not be told apart" in note for note in made.mounting_notes)
    assert made.drives[0].figures.rows[0][:2] == ("Along", "not measured")
    assert "Differences over time" not in [c.title for c in made.drives[0].charts]
    assert "not measured" in next(c.svg for c in made.drives[0].charts if "path" in c.title)


@pytest.mark.parametrize(("outages", "said"), [(6, "grows by 1.0 cm"), (1, "too few for a growth model")])
def test_drift_has_a_model_or_a_reason(outages: int, said: str) -> None:
    """The model's own words, or why there is none; the curve is drawn only with a model."""
    result, _ = chapter_cases.with_drives(report_cases.make(), outages=outages)
    drive = view.build(result).drives.drives[0]
    assert any(said in sentence for sentence in drive.sentences)
    chart = next(c for c in drive.charts if c.title == "Drift against time")
    assert ("fitted growth" in chart.caption) == (outages >= 5)


def test_every_state_of_the_fix_reads_in_greyscale() -> None:
    """The bands differ in what is drawn, not in colour alone; so do the lines of the plan."""
    x = svg.Scale(0, 100, 0, 100)
    at = np.linspace(0, 100, 20)
    bands = ["".join(charts_drive.fix_band(x, at, [state] * 20, 0.0)) for state in charts_drive.FIX_WORDS]
    # Fillings are far apart in lightness or equal; hatchings differ in direction: no two bands are alike.
    assert len(set(bands)) == len(bands) == 7
    lines = {(width, dash) for _, width, dash in charts_drive.LINE.values()}
    assert len(lines) == len(charts_drive.LINE)


def test_a_gap_leaves_the_band_and_the_curve_open() -> None:
    """Over the stretch that was not compared neither the band nor a curve is drawn."""
    comparison, series = chapter_cases.drive("r", "GNSS receiver")
    gap = comparison.gaps[0]
    x = svg.Scale(0, 1100, 0, 1100)
    drawn = "".join(charts_drive.fix_band(x, series.chainage_m, series.fix.tolist(), 0.0))
    boxes = re.findall(r'<rect x="([\d.]+)" y="0" width="([\d.]+)"', drawn)
    assert len(boxes) >= 4
    for left, width in boxes:
        assert (
            float(left) + float(width) <= gap.start_chainage_m + 2 or float(left) >= gap.start_chainage_m + 98
        )
    chart, beyond = charts_drive.profile_chart(
        series.chainage_m,
        [charts_drive.Panel("Along (cm)", series.along_m * 100)],
        series.fix.tolist(),
        "Chainage (m)",
        "d",
    )
    curve = re.search(r'<path d="([^"]+)" fill="none" stroke="#17536f"', chart)
    assert curve is not None
    assert curve[1].count("M") == 2
    assert beyond >= 1  # the false fix, which would flatten the rest
    minutes = (series.time_s - series.time_s[0]) / 60
    assert len(charts_drive.breaks(minutes)) == len(charts_drive.breaks(series.chainage_m)) == 1


@given(
    values=st.lists(st.floats(-5, 5), min_size=3, max_size=400),
    spike=st.integers(0, 10**6),
)
def test_thinning_keeps_every_peak(values: list[float], spike: int) -> None:
    """The largest and the smallest value survive, and no column of the page holds more than two."""
    at = np.linspace(0, 100, len(values))
    data = np.array(values)
    data[spike % len(values)] = 50.0
    points = charts_drive.thinned(at, data, svg.Scale(0, 100, 0, 500))
    shown = [v for _, v in points]
    assert max(shown) == 50.0
    assert min(shown) == data.min()
    assert len(points) <= 2 * (charts_drive.BINS + 1)
    assert [a for a, _ in points] == sorted(a for a, _ in points)


def test_feet_stay_feet() -> None:
    """In a contract in feet the drive's chart and tables speak feet."""
    result, series = chapter_cases.with_drives(report_cases.make(unit=LengthUnit.INTERNATIONAL_FOOT))
    made = view.build(result, series=series).drives
    assert made is not None
    along = result.trajectories[0].rmse_along_m
    assert float(made.summary.rows[0][3]) == pytest.approx(along / 0.3048, abs=5.1e-5)
    assert "Along (ft)" in made.drives[0].charts[1].svg


@pytest.mark.skipif(not render.pdf_possible(), reason="the Pango library is not on this machine")
def test_every_chapter_prints() -> None:
    """The PDF of all chapters has their headings and pictures."""
    result, series, patches = chapter_cases.everything(report_cases.make(n=6, horizontal=True))
    pictures = view_patches.patch_pictures(result.run, patches, result.unit)
    page = render.html_text(view.build(result, series=series, pictures=pictures))
    read = pypdf.PdfReader(io.BytesIO(render.pdf_bytes(page)))
    said = "\n".join(sheet.extract_text() for sheet in read.pages)
    for heading in ("Runs compared", "Trajectories", "What hangs on single", "Why the cloud is off"):
        assert heading in said
    assert sum(len(sheet.images) for sheet in read.pages) >= len(pictures) > 2
