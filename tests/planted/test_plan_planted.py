"""Whole plans on invented roads and grounds: rules kept, limits said, chances borne out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from accuracy.model import Cover
from accuracy.planning.making import make_plan
from accuracy.planning.options import plan_from_options
from accuracy.planning.plan import Plan


def _road(folder: Path, length_m: float = 1100.0) -> Path:
    x = np.arange(0.0, length_m + 1, 10.0)
    rows = [f"{352400 + a:.3f},{6031250 + 40 * np.sin(a / 150):.3f}" for a in x]
    path = folder / "road.csv"
    path.write_text("easting,northing\n" + "\n".join(rows), encoding="utf-8")
    return path


def _plan(folder: Path, length_m: float = 1100.0, **given: Any) -> Plan:
    return make_plan(plan_from_options({"line": _road(folder, length_m), "vertical_class": "3 cm", **given}))


def _said(plan: Plan, words: str) -> bool:
    return any(words in remark for remark in plan.remarks)


@pytest.mark.parametrize(("expected", "survey"), [("2 cm", "10 mm"), ("2.4 cm", "6 mm"), ("2.6 cm", "3 mm")])
def test_chances_are_borne_out(tmp_path: Path, rng: np.random.Generator, expected: str, survey: str) -> None:
    """Invented runs at the planned places pass and fail as often as the sheet says.

    The survey's errors are drawn occupation by occupation, and the figure is made as ASPRS Ed. 2
    7.11 has it: fit and survey in quadrature.
    """
    plan = _plan(tmp_path, expected=expected, survey_sigma_height=survey)
    (c,) = plan.components
    occupations = plan.survey.occupations
    assert occupations is not None
    single = float(survey.split(maxsplit=1)[0]) / 1000
    draws = 20_000
    for true_m, chance, within in ((c.expected_m, c.good_passes, True), (c.bad_m, c.bad_fails, False)):
        known = rng.normal(0, single, (draws, c.n, occupations)).mean(axis=2)
        residual = rng.normal(0, true_m, (draws, c.n)) - known
        tested = np.sqrt((residual**2).mean(axis=1) + single**2 / occupations)
        share = float(((tested <= 0.03) == within).mean())
        assert share == pytest.approx(chance, abs=4 * (0.25 / draws) ** 0.5)
    assert c.good_passes >= 0.9 or c.number_for_good is None
    assert c.bad_fails >= 0.9


def test_numbers_are_the_standard_s_and_the_decision_s(tmp_path: Path) -> None:
    """Thirty by Ed. 2 where that decides; more where the expected run is near its class."""
    easy = _plan(tmp_path, expected="1.5 cm", survey_sigma_height="4 mm")
    assert len(easy.places) == 30
    near = _plan(tmp_path, expected="2.6 cm", survey_sigma_height="4 mm")
    (c,) = near.components
    assert len(near.places) == max(30, c.number_for_good or 0, c.number_for_bad or 0) > 30


@pytest.mark.parametrize("rule", ["michigan", "caltrans-a", "40 m"])
def test_spacing_rules_are_kept(tmp_path: Path, rule: str) -> None:
    """No gap along the line, on each side where that is asked, exceeds the rule; by the places themselves."""
    plan = _plan(
        tmp_path, 2400.0, expected="2 cm", spacing=rule, canopy="520-760,1500-1610", vegetation="900-1100"
    )
    assert plan.asked.spacing is not None
    groups = [plan.places]
    if plan.asked.spacing.each_side:
        groups = [[p for p in plan.places if p.side == side] for side in ("left", "right")]  # type: ignore[misc]
    for group in groups:
        chainage = np.array([0.0, *[p.chainage_m or 0.0 for p in group], plan.length_m or 0.0])
        assert np.diff(chainage).max() <= plan.asked.spacing.most_m * (1 + 1e-9)
    counts = {s.name: s.placed for s in plan.strata}
    assert counts["vegetation"] == 30
    assert counts["canopy"] >= 10
    assert {p.cover for p in plan.places if p.stratum == "vegetation"} == {Cover.VEGETATED}


def test_what_does_not_fit_is_said(tmp_path: Path) -> None:
    """Thirty checkpoints 60 m apart do not fit 1.1 km: fewer are proposed, and the sheet says so."""
    plan = _plan(tmp_path, expected="2 cm", least_spacing="60")
    assert len(plan.places) < 30
    assert plan.nearest_pair_m is not None
    assert plan.nearest_pair_m >= 58.0  # along the line it is 60; across a bend the chord is shorter
    assert _said(plan, "30 checkpoints do not fit at least 60.0 m apart")
    assert _said(plan, "of the 30 checkpoints that the standard asks for")


def test_a_survey_too_poor_is_said(tmp_path: Path) -> None:
    """A part that all occupations share and that exceeds half the class cannot be averaged away."""
    plan = _plan(tmp_path, expected="1.5 cm", survey_sigma_height="5 mm", survey_common_height="16 mm")
    assert _said(plan, "the standard allows 1.5 cm")


def test_the_survey_the_standard_allows_may_not_be_enough(tmp_path: Path) -> None:
    """At three quarters of the class a survey of half the class stops the good run: less is asked for.

    By hand: (1 - 1/4) / (9/16 + 1/4) = 0.92 of the mean square that the run would need on average.
    """
    plan = _plan(tmp_path, expected="2.25 cm", survey_sigma_height="1 mm", survey_common_height="15 mm")
    (c,) = plan.components
    assert c.number_for_good is None
    assert c.good_passes < 0.5
    assert _said(plan, "no number of checkpoints up to 400 can let the expected run pass")
    assert c.worst_survey_m is not None
    assert c.worst_survey_m < 0.013


def test_occupations_rise_until_the_test_decides(tmp_path: Path) -> None:
    """A poor single occupation is repeated until thirty checkpoints decide."""
    few = _plan(tmp_path, expected="2 cm", survey_sigma_height="8 mm")
    many = _plan(tmp_path, expected="2 cm", survey_sigma_height="25 mm")
    assert few.survey.occupations == 2
    assert many.survey.occupations is not None
    assert many.survey.occupations > 2
    assert many.survey.height_m is not None
    assert many.survey.height_m <= 0.015


def test_shared_errors_limit_what_a_line_can_tell(tmp_path: Path) -> None:
    """On a short line with errors shared over most of it no number of checkpoints stops a bad run."""
    plan = _plan(tmp_path, 300.0, expected="2 cm", correlation_length="150", survey_sigma_height="3 mm")
    assert _said(plan, "no number of checkpoints on this line can stop the bad run")
    assert plan.components[0].worth < 10


def test_area_plan(tmp_path: Path) -> None:
    """A square kilometre gets thirty well spread places; a long thin one says what it cannot keep."""
    square = {
        "type": "Polygon",
        "coordinates": [[[1e3, 1e3], [2e3, 1e3], [2e3, 2e3], [1e3, 2e3], [1e3, 1e3]]],
    }
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps(square), encoding="utf-8")
    plan = make_plan(plan_from_options({"area": path, "vertical_class": "5 cm", "expected": "3 cm"}))
    assert len(plan.places) == 30
    assert plan.quadrant_shares is not None
    assert min(plan.quadrant_shares) >= 0.2
    assert plan.nearest_pair_m is not None
    assert plan.nearest_pair_m >= 0.1 * 1000 * 2**0.5
    assert [p.id for p in plan.places[:2]] == ["P01", "P02"]
    wedge = {"type": "Polygon", "coordinates": [[[1e3, 1e3], [3e3, 1e3], [1e3, 2e3], [1e3, 1e3]]]}
    path.write_text(json.dumps(wedge), encoding="utf-8")
    thin = make_plan(plan_from_options({"area": path, "vertical_class": "5 cm", "expected": "3 cm"}))
    assert _said(thin, "emptiest quadrant") or _said(thin, "of the diagonal apart")


def test_runs(tmp_path: Path) -> None:
    """Every speed in both directions in every round; driving times from length and speed by hand."""
    plan = _plan(tmp_path, expected="2 cm", speeds="24,6,12", repeats=2)
    speeds = [run.speed_km_per_h for run in plan.runs]
    assert speeds == [6, 6, 12, 12, 24, 24, 24, 24, 12, 12, 6, 6]
    assert plan.length_m is not None
    assert plan.runs[0].minutes == pytest.approx(plan.length_m / 100.0)  # 6 km/h is 100 m/min
    assert {run.direction for run in plan.runs} == {"with the chainage", "against the chainage"}
