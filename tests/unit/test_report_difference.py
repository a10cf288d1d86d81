"""Two results compared: every change is found, none is invented, and both renderings say the same."""

from __future__ import annotations

from dataclasses import replace

import pytest

import chapter_cases
import report_cases
from accuracy.model import (
    ClassRequest,
    Component,
    ContractLimit,
    Exclusion,
    Outcome,
    PairedTest,
    Result,
    RunComparison,
    RunRecord,
    VerticalResidual,
)
from accuracy.reporting.difference import ResultDifference, compare_results
from accuracy.reporting.difference_words import difference_html, difference_text
from accuracy.units import LengthUnit


@pytest.fixture
def before() -> Result:
    """An invented result."""
    result: Result = report_cases.make(horizontal=True)
    return replace(result, requests=(ClassRequest(vertical_m=0.05),))


def test_the_same_result_differs_in_nothing(before: Result) -> None:
    """A result held against itself has no change, and says how much was held against what."""
    found = compare_results(before, before)
    assert found.nothing
    assert found.figures_compared > 10
    assert found.verdicts_compared == 3
    said = difference_text(found)
    assert said.count("\n") == 2
    assert "agree in inputs, settings, checkpoints" in said
    assert "<table" not in difference_html(found)


def test_a_moved_folder_is_the_same_file_and_a_changed_one_is_not(before: Result) -> None:
    """Inputs are told apart by name and content, not by folder."""
    moved = tuple(replace(i, path=f"/elsewhere/{i.path}") for i in before.inputs)
    assert compare_results(before, replace(before, inputs=moved)).inputs == ()
    changed = (replace(moved[0], sha256="00" * 32), *moved[1:-1])
    found = compare_results(before, replace(before, inputs=changed)).inputs
    assert [(c.name, c.before is None, c.after is None) for c in found] == [
        ("Point cloud tile-01.laz", False, False),
        ("Checkpoint table checkpoints.csv", False, True),
    ]


def test_settings_classes_and_exclusions_are_named(before: Result) -> None:
    """A changed setting, class, subset and exclusion each have a line with both values."""
    after = replace(
        before,
        settings={**before.settings, "Radius": "0.5 m"},
        requests=(ClassRequest(vertical_m=0.03),),
        subset="only TQ01",
        exclusions=(*before.exclusions, Exclusion(id="TQ02", reason="under a parked van")),
    )
    found = {c.name: (c.before, c.after) for c in compare_results(before, after).settings}
    assert found == {
        "Radius": ("chosen by density, 0.25 to 3 m", "0.5 m"),
        "request 1: vertical": ("5 cm", "3 cm"),
        "checkpoints that count": ("all", "only TQ01"),
        "exclusion of TQ02": (None, "under a parked van"),
    }


@pytest.mark.parametrize(
    ("rmse_m", "change_m", "row"),
    [
        (0.01134, 0.00002, ("1.13", "1.14", "+0.002")),
        (0.01135, -0.00002, ("1.14", "1.13", "\N{MINUS SIGN}0.002")),
        (0.01130, 0.00002, ("1.13", "1.13", "+0.002")),
        (0.01130, 0.00012, ("1.13", "1.14", "+0.01")),
        (0.01130, 2e-9, ("1.13", "1.13", "+0.0000002")),
        (0.01135, 1e-17, ("1.14", "1.14", "under 0.0000001")),
    ],
)
def test_a_change_is_never_printed_as_none(
    before: Result, rmse_m: float, change_m: float, row: tuple[str, ...]
) -> None:
    """A change far below the print is found, and told with the digits that show it."""
    vertical = before.run.summary.vertical
    assert vertical is not None

    def with_rmse(value_m: float) -> Result:
        summary = replace(before.run.summary, vertical=replace(vertical, rmse_m=value_m))
        return replace(before, run=replace(before.run, summary=summary))

    found = compare_results(with_rmse(rmse_m), with_rmse(rmse_m + change_m))
    assert [(f.stratum, f.statistic) for f in found.figures] == [("vertical", "rmse_m")]
    assert " ".join(row) in " ".join(difference_text(found).split())


def test_a_changed_limit_has_a_line_of_its_own(before: Result) -> None:
    """One limit of a contract that moves is told by its name, and the others are left out."""
    limits = [
        ContractLimit(name=name, statistic="rmse_m", stratum="open", limit_m=0.04, where={"surface": "setts"})
        for name in ("setts", "kerbs")
    ]
    moved = [limits[0], replace(limits[1], limit_m=0.02)]
    a, b = (
        replace(before, requests=(*before.requests, ClassRequest(standard="contract", limits=tuple(given))))
        for given in (limits, moved)
    )
    found = {c.name: (c.before, c.after) for c in compare_results(a, b).settings}
    assert found == {
        "request 2: limit kerbs": (
            "rmse of open, limit 4 cm, where surface setts",
            "rmse of open, limit 2 cm, where surface setts",
        )
    }


def test_each_line_says_which_standard_or_limit_it_is(before: Result) -> None:
    """Several standards and several limits of one contract speak of the same component of the same run."""
    first = before.run.verdicts[0]
    lines = [
        first,
        replace(first, standard="asprs-2014"),
        replace(first, standard="usgs-lidar", class_name="QL1"),
        replace(first, standard="contract", component=Component.CONTRACT, class_name="heights on asphalt"),
        replace(first, standard="contract", component=Component.CONTRACT, class_name="95 % of heights"),
    ]
    turned = [replace(v, outcome=Outcome.NOT_MET) for v in lines]
    turned[2] = replace(turned[2], class_name="QL2")
    found = compare_results(
        replace(before, run=replace(before.run, verdicts=tuple(lines))),
        replace(before, run=replace(before.run, verdicts=tuple(turned))),
    )
    names = (
        "12-east, vertical (asprs-2024)",
        "12-east, vertical (asprs-2014)",
        "12-east, vertical (usgs-lidar)",
        "12-east, contract limit (heights on asphalt)",
        "12-east, contract limit (95 % of heights)",
    )
    for said in (difference_text(found), difference_html(found)):
        assert all(f"{name}: met, now not met" in said for name in names)
        assert all(said.count(name) > 1 for name in names)  # in the table as well


def test_a_verdict_that_turns_is_in_the_headline(before: Result) -> None:
    """Outcome, class and tested figure before and after; printed on the right side of their class."""
    first, *rest = before.run.verdicts
    turned = replace(first, outcome=Outcome.NOT_MET, tested_m=0.050001)
    found = compare_results(before, replace(before, run=replace(before.run, verdicts=(turned, *rest))))
    assert [(v.before, v.after) for v in found.verdicts] == [(Outcome.MET, Outcome.NOT_MET)]
    for said in (difference_text(found), difference_html(found)):
        assert "12-east, vertical (asprs-2024): met, now not met" in said
        assert "5.0001" in said


def test_checkpoints_that_count_or_measure_otherwise(before: Result) -> None:
    """Used or not, gone, new, and moved residuals; untouched ones are not listed."""
    points = list(before.run.checkpoints)
    assert isinstance(points[0].vertical, VerticalResidual)
    moved = replace(points[0].vertical, residual_m=points[0].vertical.residual_m + 0.012)
    points[0] = replace(points[0], vertical=moved)
    points[1] = replace(points[1], used=False, why_not_used="not in this subset of the checkpoints")
    new = replace(points[2], id="NEW")
    after = replace(before, run=replace(before.run, checkpoints=(*points[:-1], new)))
    found = {c.id: c for c in compare_results(before, after).checkpoints}
    assert set(found) == {"TQ01", "TQ02", "TQ48", "NEW"}
    assert found["TQ01"].height_change_m == pytest.approx(0.012)
    assert (found["TQ02"].used_before, found["TQ02"].used_after) == (True, False)
    assert found["TQ02"].why == "not in this subset of the checkpoints"
    assert (found["TQ48"].used_after, found["NEW"].used_before) == (None, None)
    assert "+1.20" in difference_text(compare_results(before, after))


def test_runs_are_paired_by_name(before: Result) -> None:
    """A run of one result alone shows as figures that went; lone runs are paired whatever their names."""
    three, two = chapter_cases.with_runs(before, count=3), chapter_cases.with_runs(before, count=2)
    found = compare_results(three, two)
    assert found.figures
    assert {f.run for f in found.figures} == {"36-eastbound"}
    assert all(f.after is None and f.before is not None for f in found.figures)
    renamed = replace(before, run=replace(before.run, name="another name"))
    assert compare_results(before, renamed).figures == ()


@pytest.fixture
def of_runs(before: Result) -> Result:
    """An invented result of three runs, compared, with a decision on the speed."""
    result: Result = chapter_cases.with_runs(before, count=3)
    assert result.decisions
    assert len(result.comparisons) == 3
    return result


def told(found: ResultDifference) -> str:
    """The text for a terminal, without its line breaks and columns."""
    return " ".join(difference_text(found).split())


def test_checkpoints_are_counted_once_whatever_the_clouds(of_runs: Result) -> None:
    """Two points left out of three runs are two checkpoints, not six; of one run alone no clouds are told."""

    def without(run: RunRecord, *ids: str) -> RunRecord:
        points = tuple(replace(c, used=c.used and c.id not in ids) for c in run.checkpoints)
        return replace(run, checkpoints=points)

    every = replace(of_runs, runs=tuple(without(run, "TQ01", "TQ02") for run in of_runs.runs))
    assert " 2 checkpoints (in 3 clouds) differ; " in told(compare_results(of_runs, every))
    one = replace(of_runs, runs=(without(of_runs.runs[0], "TQ01"), *of_runs.runs[1:]))
    assert " 1 checkpoint differ; " in told(compare_results(of_runs, one))


@pytest.mark.parametrize(
    ("changes", "named", "rows"),
    [
        (
            {"answer": "undecided", "sentence": "It is open."},
            "not decided (within the class: 24-westbound; surely: 12-east)",
            ["vertical: answer decided not decided", "It is open."],
        ),
        (
            {"fastest_met": "36-eastbound"},
            "36-eastbound (surely: 12-east)",
            ["vertical: fastest run within the class 24-westbound 36-eastbound"],
        ),
        (
            {"fastest_assured": None},
            "24-westbound (surely: none)",
            ["vertical: fastest run sure to be 12-east none"],
        ),
        ({"answer": "none"}, "no run meets it", ["vertical: answer decided no run meets it"]),
        ({"sentence": "Now at 1.2 cm."}, None, ["vertical: in words The other sentence. Now at 1.2 cm."]),
    ],
)
def test_a_changed_speed_decision_is_told(
    of_runs: Result, changes: dict[str, str | None], named: str | None, rows: list[str]
) -> None:
    """Answer, run within the class, run sure to be, sentence: each has a row where it is another."""
    (given,) = of_runs.decisions
    decision = replace(
        given,
        answer="fastest",
        fastest_met="24-westbound",
        fastest_assured="12-east",
        sentence="The other sentence.",
    )
    changed = replace(decision, **changes)  # type: ignore[arg-type]
    a, b = (replace(of_runs, decisions=(one,)) for one in (decision, changed))
    found = compare_results(a, b)
    assert not found.nothing
    assert [(c.component, c.before, c.after) for c in found.decisions] == [
        (Component.VERTICAL, decision, changed)
    ]
    said, page = told(found), difference_html(found)
    assert all(row in said for row in rows)
    assert "Speed decisions" in page
    head = "Speed decisions that differ: vertical: 24-westbound (surely: 12-east), now"
    assert (head in said) == (named is not None)
    if named is not None:
        assert f"{head} {named}." in said
        assert f"{head} {named}." in page
    gone = told(compare_results(a, replace(a, decisions=())))
    assert "vertical: 24-westbound (surely: 12-east), now no decision." in gone


def test_the_same_decision_in_another_unit_is_the_same(of_runs: Result) -> None:
    """Its sentence reads otherwise in feet; nothing was decided differently."""
    feet = replace(of_runs.decisions[0], sentence="In feet.")
    b = replace(of_runs, unit=LengthUnit.INTERNATIONAL_FOOT, decisions=(feet,))
    assert compare_results(of_runs, b).decisions == ()


def found_as(one: RunComparison, finding: str) -> RunComparison:
    """The comparison with evidence for that finding."""
    interval = {"first": (-0.02, -0.01), "second": (0.01, 0.02), "open": (-0.01, 0.01)}[finding]
    p = 0.5 if finding == "open" else 0.001
    return replace(
        one,
        rmse_difference_m=sum(interval) / 2,
        rmse_difference_interval_95_m=interval,
        tests=(PairedTest(name="swap", p_value=p),),
        equivalence_p=None,
    )


def test_a_changed_comparison_is_told_by_pair_component_and_part(of_runs: Result) -> None:
    """Which pair, in which component and where, was found to be what, and is now."""
    pair, *others = of_runs.comparisons
    a = replace(of_runs, comparisons=(found_as(pair, "first"), *others))
    b = replace(of_runs, comparisons=(found_as(pair, "open"), *others))
    found = compare_results(a, b)
    assert [(c.before, c.after) for c in found.comparisons] == [("first better", "not decided")]
    row = f"{pair.run_a} and {pair.run_b} (vertical)"
    for said in (told(found), difference_html(found)):
        assert f"{row}: {pair.run_a} more accurate, now not decided." in said
    assert f"{row} {pair.run_a} more accurate not decided" in told(found)
    part = replace(found_as(pair, "second"), stratum="sky: trees", component=Component.HORIZONTAL)
    more = told(compare_results(a, replace(a, comparisons=(*a.comparisons, part))))
    row = f"{pair.run_a} and {pair.run_b} (horizontal, sky: trees)"
    assert f"{row}: not compared, now {pair.run_b} more accurate." in more


def test_a_pair_told_the_other_way_round_is_the_same_pair(of_runs: Result) -> None:
    """A run that became the baseline stands second: who is the more accurate did not change by that."""
    pair, *others = of_runs.comparisons
    turned = replace(pair, run_a=pair.run_b, run_b=pair.run_a)
    a = replace(of_runs, comparisons=(found_as(pair, "first"), *others))
    same = replace(of_runs, comparisons=(found_as(turned, "second"), *others))
    assert compare_results(a, same).comparisons == ()
    other = replace(of_runs, comparisons=(found_as(turned, "first"), *others))
    (change,) = compare_results(a, other).comparisons
    assert (change.first, change.before, change.after) == (pair.run_a, "first better", "second better")


def test_groups_are_the_same_whatever_unit_names_their_speed(of_runs: Result) -> None:
    """Groups are known by the value that they share, which the second result calls by miles per hour."""
    slow, fast = of_runs.runs[:2]
    group = replace(
        found_as(of_runs.comparisons[0], "first"),
        run_a="speed 12 km/h",
        run_b="speed 24 km/h",
        attribute="speed_km_per_h",
        members_a=(slow.label,),
        members_b=(fast.label,),
    )
    in_miles = replace(group, run_a="speed 7.5 mph (12 km/h)", run_b="speed 14.9 mph (24 km/h)")
    a = replace(of_runs, comparisons=(group,))
    assert compare_results(a, replace(a, comparisons=(in_miles,))).comparisons == ()
    changed = replace(a, comparisons=(found_as(in_miles, "open"),))
    said = told(compare_results(a, changed))
    assert "speed 12 km/h and speed 24 km/h (vertical): speed 12 km/h more accurate, now not decided." in said


def test_the_baseline_and_the_attribute_of_the_parts_are_settings(of_runs: Result) -> None:
    """Both change what is corrected together, so that a finding may turn on them."""
    after = replace(of_runs, baseline_run="12-east", compare_by="surface")
    found = {c.name: (c.before, c.after) for c in compare_results(of_runs, after).settings}
    assert found == {"baseline run": ("none", "12-east"), "runs compared within each": ("none", "surface")}


def test_long_lists_are_cut_for_the_terminal_and_whole_on_the_page(before: Result) -> None:
    """Ninety verdicts that turn, and every checkpoint: a summary of short lines, all on the page."""
    first = before.run.verdicts[0]
    lines = [
        replace(first, standard="contract", component=Component.CONTRACT, class_name=f"limit {k:02d}")
        for k in range(90)
    ]
    gone = tuple(replace(c, used=False, why_not_used="not in this subset") for c in before.run.checkpoints)
    # One that has the same outcome and another figure comes after all that turn.
    turned = [replace(v, outcome=Outcome.NOT_MET) for v in lines[1:]]
    verdicts = (replace(lines[0], tested_m=0.012345), *turned)
    found = compare_results(
        replace(before, run=replace(before.run, verdicts=tuple(lines))),
        replace(before, run=replace(before.run, checkpoints=gone, verdicts=verdicts)),
    )
    said, page = difference_text(found), difference_html(found)
    summary = said.split("\n\n")[0]
    assert max(len(line) for line in summary.splitlines()) < 500
    assert "limit 05): met, now not met; and 84 more." in summary
    assert "And 50 more; the page that --out writes has all." in said
    assert "limit 40" in said
    assert "limit 41" not in said
    assert all(f"limit {k:02d}" in page for k in range(90))
    assert len(found.checkpoints) > 40
    assert all(f"{c.id}, 12-east" in page for c in found.checkpoints)
    assert page.index("limit 89") < page.rindex("limit 00")


def test_results_in_feet_are_told_in_feet(before: Result) -> None:
    """Figures, classes, settings and reasons in the first result's unit; the user's own words stay."""
    points = list(before.run.checkpoints)
    points[1] = replace(points[1], used=False, why_not_used="no point of the cloud within 3 m")
    points[2] = replace(points[2], used=False, why_not_used="set aside by the user: 3 m from a kerb")
    after = replace(
        before,
        settings={**before.settings, "Radius": "0.5 m"},
        measuring={"largest_radius_m": 0.5},
        requests=(ClassRequest(vertical_m=0.03),),
        equivalence_margin_m=0.003048,
        run=replace(before.run, checkpoints=tuple(points)),
    )
    feet = LengthUnit.INTERNATIONAL_FOOT
    found = compare_results(replace(before, unit=feet), replace(after, unit=feet))
    # A foot is 0.3048 m: 0.25, 3, 0.5, 0.05 and 0.03 m divided by it.
    assert {c.name: (c.before, c.after) for c in found.settings} == {
        "Radius": ("chosen by density, 0.82 to 9.8 ft", "1.6 ft"),
        "measuring: largest radius": (None, "1.6 ft"),
        "request 1: vertical": ("0.164 ft", "0.0984 ft"),
        "equivalence margin": (None, "0.01 ft"),
    }
    said = difference_text(found)
    assert "no point of the cloud within 9.8 ft" in said
    assert "set aside by the user: 3 m from a kerb" in said
    assert "Figure (cm)" not in said
    mixed = compare_results(replace(before, unit=feet), after)
    assert mixed.unit is feet
    assert {c.name for c in mixed.settings} == {c.name for c in found.settings} | {"contract's unit"}


def test_a_setting_changed_below_the_print_is_still_told(before: Result) -> None:
    """Two radii that print alike in feet differ in metres, and are then told in metres."""
    a, b = (
        replace(before, unit=LengthUnit.US_SURVEY_FOOT, settings={"Radius": said})
        for said in ("1 m", "1.01 m")
    )
    assert compare_results(a, a).nothing
    assert [c.name for c in compare_results(a, b).settings] == ["Radius"]


def test_hostile_words_stay_words(before: Result) -> None:
    """Markup in an id is text on the page, and control characters do not reach the terminal."""
    evil = replace(before, settings={"<script>\x1b[31m": "x"})
    found = compare_results(before, evil)
    assert "<script>" not in difference_html(found)
    assert "\x1b" not in difference_text(found)
    assert difference_html(found) == difference_html(compare_results(before, evil))
