"""What the report says: verdicts, figures, refusals, exclusions, units."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import report_cases
from accuracy.model import (
    Component,
    Cover,
    Distribution,
    Flag,
    InputFile,
    NotMeasured,
    Outcome,
    Reason,
    Role,
    Rule,
    RuleOutcome,
    Verdict,
    VerticalResidual,
)
from accuracy.reporting import view, view_statement, words
from accuracy.reporting.spoken import spoken
from accuracy.rounding import exceeds
from accuracy.units import LengthUnit
from measured_cases import run_record
from report_cases import texts

CASES = (
    "met",
    "not-met",
    "not-graded",
    "area",
    "horizontal",
    "area-horizontal",
    "feet",
    "no-class",
    "one",
    "two",
    "many",
    "long-words",
    "nothing",
)


def test_every_case_is_listed() -> None:
    """The parametrised tests below see every invented result."""
    assert set(CASES) == set(report_cases.CASES)


@pytest.mark.parametrize("case", CASES)
def test_every_case_becomes_a_view(case: str) -> None:
    """Thin, empty, large and odd results all become a view, and no text shows a None or NaN."""
    said = texts(view.build(report_cases.CASES[case]()))
    assert len(said) > 50
    assert not [t for t in said if t in {"None", "nan", "inf"} or "None " in t or " nan" in t]


@pytest.mark.parametrize(
    ("case", "headline"),
    [
        ("met", "Vertical: 5 cm class met"),
        ("not-met", "Vertical: 5 cm class not met"),
        ("not-graded", "Vertical: 5 cm class not graded"),
        ("no-class", "Vertical: no class asked for"),
        ("feet", "Vertical: 0.2 ftUS class met"),
    ],
)
def test_headline_says_the_outcome(case: str, headline: str) -> None:
    """The large words name component, class and outcome."""
    assert view.build(report_cases.CASES[case]()).verdicts[0].headline == headline


def verdict_of(tested_m: float, class_m: float) -> Verdict:
    """A vertical verdict with nothing but its figures."""
    return Verdict(
        standard="s",
        standard_title="S",
        component=Component.VERTICAL,
        class_m=class_m,
        class_name=None,
        tested_m=tested_m,
        outcome=Outcome.MET if tested_m <= class_m else Outcome.NOT_MET,
        why="w",
        rules=(),
        statement=None,
    )


@given(
    class_m=st.integers(1, 400).map(lambda k: k / 1000),
    offset_m=st.floats(-1e-3, 1e-3),
    unit=st.sampled_from(list(LengthUnit)),
)
def test_print_never_contradicts_the_verdict(class_m: float, offset_m: float, unit: LengthUnit) -> None:
    """However close the figure is to its class, the printed pair keeps the order of the true pair."""
    tested_m = max(class_m + offset_m, 0.0)
    item = verdict_of(tested_m, class_m)
    (shown,) = view_statement.verdicts(run_record("r", verdicts=(item,)), unit)
    assert shown.tested is not None
    assert shown.class_text is not None
    printed = Decimal(shown.tested.split()[0])
    # Six decimals of a class in feet can themselves round; half of the last one is allowed for.
    limit = Decimal(shown.class_text.split()[0])
    if exceeds(tested_m, class_m):
        assert printed > limit - Decimal("5e-7")
    else:
        assert printed <= limit + Decimal("5e-7")


@pytest.mark.parametrize(
    ("unit", "value", "limit", "printed"),
    [
        ("m", 0.0500001, 0.05, ("5.00001 cm", "5 cm")),
        ("m", 0.0213, 0.05, ("2.13 cm", "5 cm")),
        ("count", 29.0, 30.0, ("29", "30")),
        ("ratio", 1.96, 2.0, ("1.96", "2")),
        ("percent", 10.02, 10.0, ("10.02 %", "10 %")),
        ("none", None, None, ("\N{EN DASH}", "\N{EN DASH}")),
    ],
)
def test_rules_print_on_the_right_side_of_their_limit(
    unit: str, value: float | None, limit: float | None, printed: tuple[str, str]
) -> None:
    """Digits are added until a value and a limit that differ print differently."""
    item = Rule(name="n", source="s", value=value, limit=limit, unit=unit, outcome=RuleOutcome.MET, words="w")
    shown = view_statement.rule(item, LengthUnit.METRE)
    assert (shown.value, shown.limit) == printed


@pytest.mark.parametrize(
    ("probability", "ending"),
    [
        (0.97, ": 97 %."),
        (0.9954, ": 99.5 %."),
        (0.99999, ": more than 99.9 %."),
        (0.0004, ": less than 0.1 %."),
        (0.005, ": 0.5 %."),
    ],
)
def test_chance_is_never_certain(probability: float, ending: str) -> None:
    """A probability near its end is not printed as 100 % or 0 %, and the figure that it is of is named."""
    item = replace(verdict_of(0.04, 0.05), probability_met=probability, tested_name="Accuracy_z")
    said = view_statement.chance_text(item)
    assert said is not None
    assert said.startswith("Chance that the true Accuracy_z is within the class")
    assert said.endswith(ending)


def test_figures_agree_with_the_residuals() -> None:
    """The printed RMSE, mean and number are those of the used residuals, computed here with numpy."""
    result = report_cases.make()
    used = np.array(
        [
            c.vertical.residual_m
            for c in result.run.checkpoints
            if c.used and c.cover is Cover.OPEN and isinstance(c.vertical, VerticalResidual)
        ]
    )
    table = view.build(result).figures
    assert table is not None
    rows = {row[0]: row[1] for row in table.rows}
    assert rows["Checkpoints"] == str(len(used))
    assert rows["RMSE"] == f"{100 * np.sqrt(np.mean(used**2)):.2f}"
    assert rows["Mean"].replace("\N{MINUS SIGN}", "-") == f"{100 * used.mean():+.2f}"
    assert rows["Standard deviation"] == f"{100 * used.std(ddof=1):.2f}"


def test_lengths_without_a_sign_have_only_a_largest() -> None:
    """Horizontal and three-dimensional residuals show their largest, not a dash and a number."""
    result = report_cases.make(horizontal=True)
    table = view.build(result).figures
    assert table is not None
    shown = dict(
        zip(table.head, next(row for row in table.rows if row[0] == "Smallest, largest"), strict=True)
    )
    plan, space = result.run.summary.horizontal, result.run.summary.three_d
    assert plan is not None
    assert space is not None
    assert shown["Horizontal"] == f"largest {100 * plan.maximum_m:.2f}"
    assert shown["Three-dimensional"] == f"largest {100 * space.maximum_m:.2f}"
    assert re.fullmatch("[\\d.+\N{MINUS SIGN}]+, [\\d.+\N{MINUS SIGN}]+", shown["Easting"])


def test_a_foot_prints_as_a_foot() -> None:
    """In feet, a residual of 1200/3937 m prints as one US survey foot, and coordinates follow."""
    result = report_cases.make(n=1, oddities=False, unit=LengthUnit.US_SURVEY_FOOT)
    (point,) = result.run.checkpoints
    foot = 1200 / 3937
    moved = replace(
        point,
        easting_m=1000 * foot,
        vertical=replace(point.vertical, residual_m=-foot),
    )
    shown = view.build(replace(result, run=replace(result.run, checkpoints=(moved,))))
    assert shown.small_symbol == "ftUS"
    assert shown.residuals[0].height_residual == "\N{MINUS SIGN}1.0000"
    assert shown.residuals[0].easting == "1000.000"


def test_every_checkpoint_has_a_row_with_its_reason() -> None:
    """Refused, excluded and control points stay in the table, each with its reason in words."""
    result = report_cases.make()
    rows = {row.id: row for row in view.build(result).residuals}
    assert len(rows) == len(result.run.checkpoints) == 48
    assert not rows["TQ08"].used
    assert "kerb runs through" in rows["TQ08"].notes
    assert rows["TQ08"].height_residual == "\N{EN DASH}"
    assert "tripod knocked over" in rows["TQ18"].notes
    assert "control point" in rows["TQ26"].notes
    assert "slope over 10 %" in rows["TQ13"].notes


def test_exclusions_are_printed_with_both_sets_of_figures() -> None:
    """An exclusion shows its reason, the residual set aside, and the figures with it undone."""
    shown = view.build(report_cases.make())
    (item,) = shown.exclusions
    assert (item.id, item.residual) == ("TQ18", "+14.30 cm in height")
    assert "tripod" in item.reason
    assert shown.exclusion_figures is not None
    rows = {row[0]: row[1] for row in shown.exclusion_figures.rows}
    assert float(rows["RMSE, exclusions undone"]) > float(rows["RMSE, as reported"])
    assert int(rows["Checkpoints, exclusions undone"]) == int(rows["Checkpoints, as reported"]) + 1


@pytest.mark.parametrize(
    ("code", "said"),
    [
        (Reason.NO_MARK, "no checkpoint carries a mark"),
        (Reason.NO_CONTRAST, "no contrast (6)"),
    ],
)
def test_missing_horizontal_is_never_passed_over(code: Reason, said: str) -> None:
    """With no horizontal verdict at all, the statement still says that it was not measured, and why."""
    result = report_cases.make(n=6, oddities=False)
    points = tuple(replace(c, horizontal=NotMeasured(code=code, reason="r")) for c in result.run.checkpoints)
    run = replace(result.run, checkpoints=points, verdicts=result.run.verdicts[:1])
    (sentence,) = view.build(replace(result, run=run)).unmeasured
    assert said in sentence


def test_a_reference_that_was_not_compared_is_said_first() -> None:
    """What stands in the record as not compared stands on the first page and at the end of the command."""
    result = replace(report_cases.make(), not_compared=("Reference A was not compared.",))
    assert view_statement.remarks(result)[0] == "Reference A was not compared."
    assert "Reference A was not compared." in spoken(result)


def test_long_lists_of_inputs_are_cut_on_the_statement_only() -> None:
    """The statement names eight files and counts the rest; the annex has all with their full hashes."""
    tiles = tuple(
        InputFile(path=f"C:\\runs\\tile-{i}.laz", sha256=f"{i:064x}", role="cloud") for i in range(30)
    )
    shown = view.build(replace(report_cases.make(), inputs=tiles))
    assert len(shown.inputs_short) == 9
    assert shown.inputs_short[0].text == "tile-0.laz (000000000000)"
    assert shown.inputs_short[-1].text.startswith("22 more files")
    assert [row.sha256 for row in shown.inputs] == [t.sha256 for t in tiles]


def test_pictures_need_a_checkpoint() -> None:
    """Pictures follow the table's order; one of an unknown checkpoint is a mistake of the caller."""
    result = report_cases.make()
    shown = view.build(result, pictures={"TQ05": "<svg/>", "TQ02": "<svg/>"})
    assert [p.id for p in shown.pictures] == ["TQ02", "TQ05"]
    with pytest.raises(KeyError, match="pictures of unknown checkpoints: TQ99"):
        view.build(result, pictures={"TQ99": "<svg/>"})


@pytest.mark.parametrize(
    ("codes", "said"),
    [
        (Flag, words.FLAG),
        (Reason, words.REASON),
        (Outcome, words.OUTCOME),
        (RuleOutcome, words.RULE_OUTCOME),
        (Component, words.COMPONENT),
        (Cover, words.COVER),
        (Role, words.ROLE),
    ],
)
def test_every_code_has_words(codes: type, said: dict[object, str]) -> None:
    """No code of the record can reach the report without words, and no two share them."""
    members = list(codes)
    assert members
    assert set(said) == set(members)
    assert len(set(said.values())) == len(members)


@pytest.mark.parametrize(
    ("distribution", "said"),
    [
        (
            Distribution(shape="corridor", length_m=1092.0, largest_gap_m=61.0, median_spacing_m=23.0),
            "1092 m",
        ),
        (Distribution(shape="area", area_m2=268000.0), "26.8 ha"),
        (Distribution(shape="unknown"), None),
    ],
)
def test_distribution_in_words(distribution: Distribution, said: str | None) -> None:
    """A corridor is told by its length and gaps, an area by its size; nothing known, nothing said."""
    sentence = view_statement.distribution(distribution, LengthUnit.METRE)
    assert (sentence is None) if said is None else (sentence is not None and said in sentence)


def test_outliers_within_the_class_are_named() -> None:
    """Who stands far from the rest is named, though no blunder by the class; a blunder is not named twice."""
    result = report_cases.make(horizontal=True)
    summary = result.run.summary
    assert summary.horizontal is not None
    assert summary.vertical is not None
    far = replace(
        summary,
        horizontal=replace(summary.horizontal, outliers=("TQ31", "TQ33")),
        vertical=replace(summary.vertical, outliers=("TQ08",), blunder_candidates=("TQ08",)),
    )
    note = view.build(replace(result, run=replace(result.run, summary=far))).figures_note
    said = "Far from the rest by their own spread, kept in the figures: horizontal position TQ31, TQ33."
    assert said in note
    assert note.count("TQ08") == 1
    assert "Far from the rest" not in view.build(result).figures_note
