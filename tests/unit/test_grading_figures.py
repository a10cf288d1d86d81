"""Interval, chance and influence speak of the very figure that the standard holds against its class."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import stats

from accuracy.grading import graded_record
from accuracy.model import (
    CheckpointResult,
    ClassRequest,
    Component,
    FloatArray,
    Outcome,
    RuleOutcome,
    RunRecord,
    Verdict,
)
from accuracy.reporting import view_statement
from accuracy.reporting.view_singles import singles
from accuracy.rounding import exceeds
from accuracy.runs import interval_of_tested
from accuracy.standards import STANDARDS
from accuracy.units import LengthUnit
from measured_cases import checkpoint_result, horizontal_residual, result_of, vertical_residual

SURVEY_M = 0.004
GRADED_BY_A_LENGTH = [
    ("asprs-2024", "vertical_m"),
    ("asprs-2024", "horizontal_m"),
    ("asprs-2024", "three_d_m"),
    ("asprs-2014", "vertical_m"),
    ("asprs-2014", "horizontal_m"),
    ("nssda", "vertical_m"),
    ("nssda", "horizontal_m"),
]
COMPONENT = {
    "vertical_m": Component.VERTICAL,
    "horizontal_m": Component.HORIZONTAL,
    "three_d_m": Component.THREE_D,
}


def checkpoint(index: int, east_m: float, north_m: float, up_m: float, **changed: Any) -> CheckpointResult:
    """A checkpoint of a long corridor with these residuals (invented)."""
    return replace(
        checkpoint_result(
            f"P{index:02d}",
            vertical_residual(up_m),
            horizontal_residual((east_m, north_m), covariance_m2=None),
            at_m=(352_400.0 + 40.0 * index, 6_031_250.0, 12.0),
            sigma_m=(0.003, 0.003, SURVEY_M),
        ),
        **changed,
    )


def survey(n: int, seed: int, scale_m: FloatArray) -> tuple[CheckpointResult, ...]:
    """n checkpoints with independent normal residuals, of that standard deviation east, north and up."""
    drawn = np.random.default_rng(seed).standard_normal((n, 3)) * scale_m
    return tuple(checkpoint(i, *(float(x) for x in row)) for i, row in enumerate(drawn))


def graded(checkpoints: tuple[CheckpointResult, ...], *requests: ClassRequest) -> RunRecord:
    """The record of these checkpoints."""
    return graded_record(
        name="run",
        attributes={},
        checkpoints=checkpoints,
        excluded_ids=(),
        requests=requests,
        unit=LengthUnit.METRE,
        remarks=(),
    )


def verdict_of(record: RunRecord, component: Component) -> Verdict:
    """The first verdict of a component."""
    return next(v for v in record.verdicts if v.component is component)


ALL = survey(36, 7, np.array([0.009, 0.008, 0.0106]))


@pytest.mark.parametrize("key", [key for key in STANDARDS if key != "contract"])
def test_every_standard_names_its_figure(key: str) -> None:
    """Whatever a standard tests stands in the registry with its name and its function, which agree."""
    record = graded(ALL, ClassRequest(standard=key))
    measured = [v for v in record.verdicts if v.tested_m is not None]
    assert len(measured) == len(STANDARDS[key].figures)
    for verdict in measured:
        assert verdict.tested_name == STANDARDS[key].figures[verdict.component].name
        assert verdict.fit_m is not None
        assert verdict.fit_m <= verdict.tested_m + 1e-15


@pytest.mark.parametrize(("standard", "field"), GRADED_BY_A_LENGTH)
def test_influence_is_what_regrading_finds(standard: str, field: str) -> None:
    """Each checkpoint's influence is the figure of a record graded anew without it, and so is the flip."""
    component = COMPONENT[field]
    whole = verdict_of(graded(ALL, ClassRequest(standard=standard)), component)
    # Just above the figure: some removals carry it across.
    request = ClassRequest(standard=standard, **{field: 0.995 * whole.tested_m})
    record = graded(ALL, request)
    found = {one.id: one for one in record.influence[component.value]}
    assert len(found) == len(ALL)
    flips = set()
    for left_out in ALL[::5]:
        rest = tuple(point for point in ALL if point.id != left_out.id)
        alone = verdict_of(graded(rest, request), component)
        one = found[left_out.id]
        assert one.rmse_without_m == pytest.approx(alone.tested_m, rel=1e-12)
        assert one.flips == (not exceeds(alone.tested_m, request_m(request)))
        flips.add(one.flips)
    assert any(one.flips for one in found.values())
    assert not all(one.flips for one in found.values())


def request_m(request: ClassRequest) -> float:
    """The one length that a request names."""
    return next(x for x in (request.vertical_m, request.horizontal_m, request.three_d_m) if x is not None)


@pytest.mark.parametrize(("standard", "field"), GRADED_BY_A_LENGTH)
@pytest.mark.parametrize("times", [0.7, 0.95, 1.05, 1.5])
def test_chance_and_print_agree_with_the_figure(standard: str, field: str, times: float) -> None:
    """A class well above the tested figure is likely met, one well below is not; page and figure agree."""
    component = COMPONENT[field]
    found = verdict_of(graded(ALL, ClassRequest(standard=standard)), component)
    record = graded(ALL, ClassRequest(standard=standard, **{field: times * found.tested_m}))
    verdict = verdict_of(record, component)
    assert verdict.probability_met is not None
    if times < 1:
        assert verdict.probability_met < 0.5
    elif times > 1.2:
        assert verdict.probability_met > 0.95
    interval = interval_of_tested(verdict)
    assert interval is not None
    assert interval[0] < verdict.tested_m < interval[1]
    (shown,) = (v for v in view_statement.verdicts(record, LengthUnit.METRE) if v.class_text)
    assert shown.tested_name.lower() == STANDARDS[standard].figures[component].name.lower()
    assert STANDARDS[standard].figures[component].name in shown.chance
    made = singles(result_of(record))
    assert made is not None
    assert STANDARDS[standard].figures[component].name in made.sentences[0]
    low, high = sorted(one.rmse_without_m for one in record.influence[component.value])[:: len(ALL) - 1]
    assert low < verdict.tested_m < high


def test_the_survey_counts_only_where_the_standard_adds_it() -> None:
    """The 2024 edition adds the survey's error to figure, chance and influence; the 2014 one to none.

    References: numpy for both figures, and scipy's chi-square for the chance that the 2014 one is met.
    """
    up = np.array([point.vertical.residual_m for point in ALL])
    rmse_m = float(np.sqrt(np.mean(up**2)))
    class_m = float(np.hypot(rmse_m, SURVEY_M / 2))
    newer, older = (
        verdict_of(graded(ALL, ClassRequest(standard=key, vertical_m=class_m)), Component.VERTICAL)
        for key in ("asprs-2024", "asprs-2014")
    )
    assert newer.tested_m == pytest.approx(np.hypot(rmse_m, SURVEY_M), rel=1e-12)
    assert older.tested_m == pytest.approx(rmse_m, rel=1e-12)
    assert newer.rules[0].outcome is RuleOutcome.NOT_MET
    assert older.rules[0].outcome is RuleOutcome.MET
    assert newer.probability_met < 0.5 < older.probability_met
    freedom = graded(ALL, ClassRequest()).summary.vertical.rmse_degrees_of_freedom
    assert older.probability_met == pytest.approx(
        stats.chi2.sf(freedom * rmse_m**2 / class_m**2, freedom), rel=1e-9
    )


@pytest.mark.parametrize("ratio", [1.0, 0.8])
def test_the_chance_of_accuracy_r_is_a_chance(ratio: float) -> None:
    """Where the true Accuracy_r is exactly the class, the stated chance is uniform between 0 and 1.

    Planted truth: 300 surveys of 36 checkpoints, errors normal and independent, axes alike or not.
    """
    sigma = np.array([0.01, 0.01 * ratio, 0.01])
    # NSSDA App. 3-A: 2.4477 times the mean of both axes (1.7308 RMSEr where they are equal).
    class_m = 2.4477 * float(sigma[:2].mean())
    said = [
        verdict_of(
            graded(survey(36, seed, sigma), ClassRequest(standard="nssda", horizontal_m=class_m)),
            Component.HORIZONTAL,
        ).probability_met
        for seed in range(300)
    ]
    # With axes too unequal for the formula there is no figure: rare here.
    known = [one for one in said if one is not None]
    assert len(known) > 280
    assert stats.kstest(known, "uniform").statistic < 0.1


def test_axes_held_apart_must_both_be_within() -> None:
    """The 2014 edition's class limits each axis, so the chance is that of both: here about one in four."""
    both = tuple(checkpoint(i, 0.01 * sign, 0.01 * sign, 0.0) for i, sign in enumerate([1.0, -1.0] * 18))
    verdict = verdict_of(
        graded(both, ClassRequest(standard="asprs-2014", horizontal_m=0.01)), Component.HORIZONTAL
    )
    assert verdict.probability_met == pytest.approx(0.25, abs=0.05)


@pytest.mark.parametrize(("standard", "field"), GRADED_BY_A_LENGTH)
@pytest.mark.parametrize("n", [1, 2])
def test_what_is_never_graded_has_no_chance(standard: str, field: str, n: int) -> None:
    """One or two residuals are not graded, and no chance that they are within the class is printed."""
    record = graded(ALL[:n], ClassRequest(standard=standard, **{field: 0.1}))
    verdict = verdict_of(record, COMPONENT[field])
    assert verdict.outcome is Outcome.NOT_GRADED
    assert verdict.probability_met is None


def test_ranks_have_no_chance() -> None:
    """The 1947 standards count points: no chance is claimed, influence is that of the tenth left out."""
    record = graded(ALL, ClassRequest(standard="nmas", contour_interval_m=0.03))
    verdict = verdict_of(record, Component.VERTICAL)
    assert verdict.probability_met is None
    assert verdict.fit_interval_95_m is None
    assert verdict.outcome is Outcome.NOT_MET
    assert {one.rmse_without_m for one in record.influence["vertical"]} <= {
        abs(point.vertical.residual_m) for point in ALL
    }


def test_a_residual_at_the_class_is_within_it() -> None:
    """12 mm between coordinates in millimetres, 3 and 4 mm of survey: 13 mm, whatever the last bits say."""
    points = tuple(
        checkpoint(
            i,
            0.0,
            (6_031_250.012 + i) - (6_031_250.0 + i),
            0.0,
            sigma_easting_m=0.003,
            sigma_northing_m=0.004,
        )
        for i in range(36)
    )
    record = graded(points, ClassRequest(horizontal_m=0.013))
    verdict = verdict_of(record, Component.HORIZONTAL)
    assert verdict.tested_m != 0.013
    assert verdict.rules[0].outcome is RuleOutcome.MET
    assert "is 1.30 cm, within the class of 1.3 cm" in verdict.rules[0].words
    shown = next(v for v in view_statement.verdicts(record, LengthUnit.METRE) if v.class_text)
    assert (shown.tested, shown.class_text) == ("1.30 cm", "1.3 cm")
