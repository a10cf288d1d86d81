"""The table of all standards side by side: a row for each, its own figure, and the best class that is met."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

import report_cases
from accuracy.grading import graded_record
from accuracy.model import ClassRequest, Component, ContractLimit, Outcome, Result
from accuracy.reporting import render, view
from accuracy.reporting.spoken import spoken
from accuracy.rounding import LengthText
from accuracy.standards import Evidence, RelativeAccuracy, evidence_from, grade, side_by_side
from accuracy.units import LengthUnit

METRE, FOOT = LengthUnit.METRE, LengthUnit.INTERNATIONAL_FOOT
LIMIT = ContractLimit(
    name="nine in ten", statistic="share_within", stratum="open", within_m=0.05, least_share=0.9
)
QUANTILE = ContractLimit(
    name="edges", statistic="absolute_quantile_95_m", stratum="open", limit_m=0.06, least_checkpoints=3
)


def graded(*requests: ClassRequest, unit: LengthUnit = METRE, **made: Any) -> tuple[Result, Evidence]:
    """An invented result, graded by every standard, and what they looked at."""
    result = report_cases.make(**{"n": 60, "horizontal": True, "unit": unit, **made})
    run = result.run
    evidence = evidence_from(run.checkpoints, run.summary, run.distribution)
    verdicts = side_by_side(evidence, requests, LengthText(unit))
    return replace(result, run=replace(run, verdicts=verdicts), comparisons=(), runs=()), evidence


def test_a_row_for_each_standard_and_component() -> None:
    """Three rows of Edition 2, two each of Edition 1, NSSDA and NMAS, one of USGS; each its own figure."""
    asked = ClassRequest(standard="asprs-2024", vertical_m=0.05)
    result, _ = graded(asked)
    made = view.build(result).standards
    assert made is not None
    assert [(row.standard.split()[0], row.component) for row in made.rows] == [
        *[("ASPRS", "Vertical"), ("ASPRS", "Horizontal"), ("ASPRS", "Three-dimensional")],
        *[("ASPRS", "Vertical"), ("ASPRS", "Horizontal")],
        *[("NSSDA", "Vertical"), ("NSSDA", "Horizontal"), ("USGS", "Vertical")],
        *[("NMAS", "Vertical"), ("NMAS", "Horizontal")],
    ]
    assert made.rows[0].class_text == "5 cm"
    assert made.rows[0].outcome == "Met"
    assert {row.outcome for row in made.rows[1:]} == {"As found"}
    assert len({row.statistic for row in made.rows}) > 6
    page = render.html_text(view.build(result))
    assert page.index('id="statement"') < page.index('id="standards"') < page.index('id="figures"')
    # The rules of what was asked stay near; those of the others are in the annex.
    assert page.index('id="rules"') < page.index('id="annex"') < page.index('id="annex-rules"')


@pytest.mark.parametrize(
    ("key", "named"),
    [("asprs-2024", None), ("nssda", "National Standard for Spatial Data Accuracy, FGDC-STD-007.3-1998")],
)
def test_words_of_a_standard_say_whose_they_are(key: str, named: str | None) -> None:
    """A sentence that does not name its standard has the name over it, with one standard or with several."""
    asked = ClassRequest(standard=key, vertical_m=0.1, horizontal_m=0.1)
    result, _ = graded(asked, oddities=False)
    own = tuple(one for one in result.run.verdicts if one.standard == key)
    for verdicts in (own, result.run.verdicts):
        made = view.build(replace(result, run=replace(result.run, verdicts=verdicts)))
        words_of = [one.words_of for one in made.verdicts if one.statement and one.class_text]
        assert words_of == [named] * 2
        page = render.html_text(made).split('id="figures"')[0].split("own words")[1]
        assert (f'<p class="standard">{named}:</p>' in page) == (named is not None)
    nssda = [one for one in view.build(result).verdicts if (one.statement or "").startswith("Tested 0.")]
    assert nssda
    assert all(one.words_of is not None and "FGDC" in one.words_of for one in nssda)


def test_one_standard_has_no_table() -> None:
    """Beside nothing there is nothing to compare."""
    made = view.build(report_cases.make())
    assert made.standards is None
    assert made.annex_rules == ()
    assert 'id="standards"' not in render.html_text(made)


@pytest.mark.parametrize("unit", [METRE, FOOT])
def test_best_met_is_met_and_a_step_stricter_is_not(unit: LengthUnit) -> None:
    """Each standard, graded at the class that the table names and at one step less."""
    result, evidence = graded(unit=unit)
    made = view.build(result).standards
    assert made is not None
    step_m = 0.001 if unit is METRE else 0.005 * unit.metres
    checked = 0
    for row, verdict in zip(made.rows, result.run.verdicts, strict=True):
        found = re.fullmatch(r"best met: (?:contours at )?([\d.]+) (?:cm|ft)", row.class_text)
        if found is None:
            continue
        field = "contour_interval_m" if verdict.standard == "nmas" else f"{verdict.component.value}_m"
        field = "three_d_m" if verdict.component is Component.THREE_D else field
        best_m = round(float(found[1]) * (0.01 if unit is METRE else unit.metres), 9)
        for class_m, met in ((best_m, True), (best_m - step_m, False)):
            request = ClassRequest(standard=verdict.standard, **{field: class_m})
            again = next(v for v in grade(evidence, request) if v.component is verdict.component)
            assert (again.outcome is Outcome.MET) == met
        checked += 1
    assert checked == 8
    assert next(r for r in made.rows if r.standard.startswith("USGS")).class_text == "best met: QL0"


def test_what_is_missing_is_named() -> None:
    """Nine checkpoints: no class is met, and the rows say how many checkpoints are called for."""
    result, _ = graded(n=9, oddities=False)
    made = view.build(result).standards
    assert made is not None
    assert made.rows[0].class_text == "none met"
    assert made.rows[0].missing == "Number of checkpoints: 9 of 30"
    beyond, _ = graded(ClassRequest(standard="asprs-2014", vertical_m=0.004))
    rows = view.build(beyond).standards
    assert rows is not None
    row = next(r for r in rows.rows if r.class_text == "0.4 cm")
    assert row.outcome == "Not met"
    assert row.missing.startswith("Accuracy beyond its limit")


def test_what_was_not_measured_says_why() -> None:
    """Without marks each horizontal row has a dash for figure and class, and the reason."""
    result, _ = graded(horizontal=False)
    made = view.build(result).standards
    assert made is not None
    rows = [row for row in made.rows if row.component == "Horizontal"]
    assert len(rows) == 4
    assert {(row.tested, row.class_text, row.outcome) for row in rows} == {
        ("\N{EN DASH}", "\N{EN DASH}", "Not measured")
    }
    assert all("no mark" in row.missing.lower() for row in rows)


def test_contract_limits_are_limits_and_no_classes() -> None:
    """A contract's limit reads as one, with its own name and the figure that it holds."""
    result, _ = graded(ClassRequest(standard="contract", limits=(LIMIT, QUANTILE)))
    made = view.build(result)
    assert made.standards is not None
    share, quantile = (row for row in made.standards.rows if row.standard == "Contract")
    assert (share.component, share.class_text) == ("nine in ten", "5 cm")
    assert "90 %" in share.statistic
    assert quantile.statistic == "95 % quantile of the absolute errors"
    assert "Contract limit, nine in ten: met" in [verdict.headline for verdict in made.verdicts]
    # Beside a contract that was asked for, what the other standards find does not crowd the title block.
    assert next(f.text for f in made.facts if f.label == "Standard") == "The contract's own limits"
    assert any("contract limit: met" in said for said in spoken(result))


@pytest.mark.parametrize(
    ("where", "stratum", "why"),
    [
        (
            {"surface": "3 m ice"},
            "open",
            'no checkpoint has surface "3 m ice" (there are "asphalt", "setts")',
        ),
        (
            {"cover": "opne", "surface": "sets"},
            "vegetated",
            'no checkpoint has cover "opne" (there are "open", "vegetated"); '
            'no checkpoint has surface "sets" (there are "asphalt", "setts")',
        ),
        (
            {"mark": "sphere", "surface": "setts"},
            "open",
            'no checkpoint has mark "sphere" (there are "none")',
        ),
        (
            {"cover": "control", "role": "control"},
            "open",
            'no checkpoint has cover "control" (there are "open", "vegetated")',
        ),
        (
            {"role": "control", "surface": "setts"},
            "open",
            'no checkpoint has role "control" and surface "setts" together',
        ),
        (
            {"cover": "vegetated"},
            "open",
            'of those with cover "vegetated", no checkpoint in open terrain was used',
        ),
        ({}, "3d", "no checkpoint has both a horizontal position and a height measured"),
    ],
)
@pytest.mark.parametrize("unit", [METRE, FOOT])
def test_a_limit_on_no_checkpoint_says_which_condition_none_meets(
    where: dict[str, str], stratum: str, why: str, unit: LengthUnit
) -> None:
    """The reason names value and what there is instead, and the command says which limit it is."""
    limit = ContractLimit(name="wet", statistic="rmse_m", stratum=stratum, limit_m=0.05, where=where)
    result: Result = report_cases.make(unit=unit)
    run = graded_record(
        name="12-east",
        attributes={},
        checkpoints=result.run.checkpoints,
        excluded_ids=(),
        requests=(ClassRequest(standard="contract", limits=(limit,)),),
        unit=unit,
        remarks=(),
    )
    (verdict,) = run.verdicts
    assert verdict.outcome is Outcome.NOT_GRADED
    assert verdict.why == f"Not measured: {why}."
    said = next(line for line in spoken(replace(result, run=run)) if "contract limit" in line)
    assert said.endswith(f'contract limit "wet": not graded. Not measured: {why}.')


@pytest.mark.parametrize("standard", ["asprs-2024", "asprs-2014", "usgs-lidar"])
@pytest.mark.parametrize("largest_m", [0.001, None])
def test_a_share_of_the_class_is_called_a_limit(standard: str, largest_m: float | None) -> None:
    """The ruler of the cloud against itself ends at a limit, that of heights at the class; each sentence
    begins with a capital, measured or not."""
    relative = RelativeAccuracy(
        places=40, within_swath_max_m=largest_m, within_swath_rmsd_m=largest_m, swath_to_swath_rmsd_m=0.001
    )
    asked = {"class_name": "QL1"} if standard == "usgs-lidar" else {"vertical_m": 0.05}
    result, evidence = graded()
    limit = ClassRequest(standard="contract", limits=(QUANTILE,))
    verdicts = [
        verdict
        for request in (ClassRequest(standard=standard, **asked), limit)
        for verdict in grade(replace(evidence, relative=relative), request)
        if verdict.component in (Component.VERTICAL, Component.RELATIVE, Component.CONTRACT)
    ]
    made = view.build(replace(result, run=replace(result.run, verdicts=tuple(verdicts)))).verdicts
    assert [verdict.component for verdict in made] == ["Vertical", "Relative", "Contract limit"]
    for verdict, called in zip(made, ("class", "limit", "limit"), strict=True):
        assert re.findall(r">(class|limit)</text>", verdict.gauge or "") == [called]
    said = [made[1].why, *(rule.words for rule in made[1].rules)]
    assert [one for one in said if one[:1].islower()] == []


def test_the_command_says_components_as_the_report_does() -> None:
    """Three-dimensional, on the page and on the console."""
    result, _ = graded(ClassRequest(standard="asprs-2024", three_d_m=0.06))
    assert any(", three-dimensional: met. " in said for said in spoken(result))


def test_table_and_sentence_print_one_limit() -> None:
    """A computed limit (NSSDA\'s RMSE, a quarter of 4.5 cm) prints in the table as in its sentence."""
    result, _ = graded(ClassRequest(standard="asprs-2024", vertical_m=0.045))
    found = 0
    for verdict in view.build(result).verdicts:
        for rule in verdict.rules:
            if rule.name in ("Mean error", "Source of higher accuracy") and rule.limit != "\N{EN DASH}":
                assert f"{rule.limit}" in rule.words
                assert len(rule.limit.split()[0].partition(".")[2]) <= 3
                found += 1
    assert found == 3
