"""How many checkpoints a decision needs, and how well surveyed. After power, guidance and survey."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from accuracy.errors import RequestError
from accuracy.model import Component
from accuracy.planning.guidance import Demand
from accuracy.planning.plan import ChanceRow, ComponentPlan, PlanRequest, SurveyPlan
from accuracy.planning.power import (
    MOST_TRIED,
    SquareSum,
    Trial,
    chance_of_passing,
    freedom,
    smallest_number,
    worst_survey_m,
)
from accuracy.planning.survey import LEAST_OCCUPATIONS, MOST_OCCUPATIONS
from accuracy.rounding import LengthText

ASSUMED_EXPECTED = 0.75
"""Of the limit, where nobody says what the rig reaches."""
ASSUMED_SURVEY_TIMES = 4
"""How many times more accurate than the limit the survey is taken to be, where nothing is said."""
TABLE_NUMBERS = (10, 20, 30, 40, 60, 80, 100, 120)
_NUMBERS = np.arange(1, MOST_TRIED + 1, dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One component with its good and its bad run, before the survey is chosen."""

    demand: Demand
    good_m: tuple[float, ...]
    bad_m: tuple[float, ...]
    expected_assumed: bool
    heights: tuple[bool, ...]
    """Which of the axes are heights."""

    def trial(self, run_m: tuple[float, ...], height_m: float, horizontal_m: float) -> Trial:
        """The test of a run whose checkpoints are surveyed so well."""
        return Trial(
            limit_m=self.demand.limit_m,
            run_m=run_m,
            survey_m=tuple(height_m if height else horizontal_m for height in self.heights),
            survey_added=self.demand.survey_added,
            each_axis=self.demand.each_axis,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyUsed:
    """Survey uncertainties that the chances reckon with, per axis."""

    height_m: float
    horizontal_m: float
    assumed_height: bool
    assumed_horizontal: bool


def cases(asked: PlanRequest, demands: Sequence[Demand]) -> tuple[Case, ...]:
    """The good and the bad run of each component.

    Raises RequestError for an expectation above its class, and for one that no class asks about.
    """
    asked_for = {demand.component for demand in demands}
    for value, component, option in (
        (asked.expected_vertical_m, Component.VERTICAL, "--expected"),
        (asked.expected_horizontal_m, Component.HORIZONTAL, "--horizontal-expected"),
    ):
        if value is not None and not asked_for & {component, Component.THREE_D}:
            raise RequestError(
                f"{option} is given, and no {component} class is asked for",
                remedy="Leave it out, or give the class as well.",
            )
    return tuple(_case(asked, demand) for demand in demands)


def _case(asked: PlanRequest, demand: Demand) -> Case:
    vertical_m, horizontal_m = asked.expected_vertical_m, asked.expected_horizontal_m
    heights = {
        Component.VERTICAL: (True,),
        Component.HORIZONTAL: (False, False),
        Component.THREE_D: (False, False, True),
    }[demand.component]
    known = {
        Component.VERTICAL: vertical_m is not None,
        Component.HORIZONTAL: horizontal_m is not None,
        Component.THREE_D: vertical_m is not None and horizontal_m is not None,
    }[demand.component]
    if known:
        good = tuple((vertical_m or 0.0) if height else (horizontal_m or 0.0) / 2**0.5 for height in heights)
    else:
        share = 1.0 if demand.each_axis else demand.axes**0.5
        good = (ASSUMED_EXPECTED * demand.limit_m / share,) * demand.axes
    figure_m = figure(demand, good)
    if figure_m >= demand.limit_m:
        text = LengthText(asked.unit)
        raise RequestError(
            f"the expected {demand.component} RMSE, {text.small_beside(figure_m, demand.limit_m)} "
            f"{text.small_symbol}, is not below the {text.class_value(demand.limit_m)} {text.small_symbol} "
            "that the class allows: no number of checkpoints makes that run pass",
            remedy="Ask for a wider class, or improve the rig and expect less.",
        )
    scale = asked.bad_times * demand.limit_m / figure_m
    return Case(
        demand=demand,
        good_m=good,
        bad_m=tuple(scale * one for one in good),
        expected_assumed=not known,
        heights=heights,
    )


def figure(demand: Demand, per_axis_m: Sequence[float]) -> float:
    """The component's figure for these sizes per axis: the largest, or all axes in quadrature."""
    return max(per_axis_m) if demand.each_axis else float(np.sqrt(np.sum(np.square(per_axis_m))))


def allowed(found: Sequence[Case], *, height: bool) -> float | None:
    """The largest survey uncertainty per axis that the standard allows, over all components."""
    limits = [c.demand.survey_limit_m for c in found if height in c.heights]
    known = [one for one in limits if one is not None]
    return min(known) if known else None


def used_after(asked: PlanRequest, found: Sequence[Case], occupations: int) -> SurveyUsed:
    """What the survey reaches with so many occupations, or is assumed to reach."""

    def assumed(height: bool) -> float:
        limits = [
            c.demand.limit_m / (1.0 if c.demand.each_axis else c.demand.axes**0.5)
            for c in found
            if height in c.heights
        ]
        return min(limits) / ASSUMED_SURVEY_TIMES if limits else 0.0

    height, horizontal = asked.height_survey, asked.horizontal_survey
    return SurveyUsed(
        height_m=assumed(True) if height is None else height.after(occupations),
        horizontal_m=assumed(False) if horizontal is None else horizontal.after(occupations),
        assumed_height=height is None,
        assumed_horizontal=horizontal is None,
    )


def numbers_needed(
    case: Case, survey: SurveyUsed, wished: float, square_sum: SquareSum | None
) -> tuple[int | None, int | None]:
    """The fewest checkpoints with which the good run passes as wished, and with which the bad one fails."""
    good, bad = (
        chance_of_passing(case.trial(run, survey.height_m, survey.horizontal_m), _NUMBERS, square_sum)
        for run in (case.good_m, case.bad_m)
    )
    return smallest_number(good, wished), smallest_number(1 - bad, wished)


def occupations_needed(
    asked: PlanRequest, found: Sequence[Case], enough: int, square_sum: SquareSum | None
) -> int:
    """How often each checkpoint is to be occupied.

    The fewest occupations that keep the standard's rule and let ``enough`` checkpoints decide; where
    none does, the number that keeps the rule and needs fewest checkpoints.
    """
    limits = (allowed(found, height=True), allowed(found, height=False))
    best: int | None = None
    fewest = float("inf")
    for times in range(LEAST_OCCUPATIONS, MOST_OCCUPATIONS + 1):
        survey = used_after(asked, found, times)
        if any(
            limit is not None and reached > limit
            for limit, reached in zip(limits, (survey.height_m, survey.horizontal_m), strict=True)
        ):
            continue
        numbers = [n for case in found for n in numbers_needed(case, survey, asked.wished, square_sum)]
        most = max((float("inf") if n is None else n for n in numbers), default=0)
        if most <= enough:
            return times
        if best is None or most < fewest:
            best, fewest = times, most
    return MOST_OCCUPATIONS if best is None else best


def survey_plan(asked: PlanRequest, found: Sequence[Case], occupations: int) -> SurveyPlan:
    """What the sheet says of the survey."""
    height, horizontal = asked.height_survey, asked.horizontal_survey
    given = height is not None or horizontal is not None
    return SurveyPlan(
        allowed_height_m=allowed(found, height=True),
        allowed_horizontal_m=allowed(found, height=False),
        occupations=occupations if given else None,
        height_m=None if height is None else height.after(occupations),
        horizontal_m=None if horizontal is None else horizontal.after(occupations),
        height=height,
        horizontal=horizontal,
    )


def chances(case: Case, survey: SurveyUsed, n: int, square_sum: SquareSum | None) -> tuple[float, float]:
    """That the good run passes and that the bad one fails, with n checkpoints; 0 with none."""
    if n == 0:
        return 0.0, 0.0
    number = np.array([float(n)])
    good, bad = (
        float(chance_of_passing(case.trial(run, survey.height_m, survey.horizontal_m), number, square_sum)[0])
        for run in (case.good_m, case.bad_m)
    )
    return good, 1 - bad


def component_plan(
    asked: PlanRequest,
    case: Case,
    survey: SurveyUsed,
    n: int,
    *,
    along: SquareSum | None,
    placed: SquareSum | None,
) -> ComponentPlan:
    """All that can be said of one component.

    ``along`` is for other numbers spread evenly over the same line, ``placed`` for the n as they lie.
    """
    demand = case.demand
    good, bad = chances(case, survey, n, placed)
    trial = case.trial(case.good_m, survey.height_m, survey.horizontal_m)
    numbers = np.array(TABLE_NUMBERS, dtype=np.float64)
    bad_trial = case.trial(case.bad_m, survey.height_m, survey.horizontal_m)
    rows = zip(
        TABLE_NUMBERS,
        chance_of_passing(trial, numbers, along),
        1 - chance_of_passing(bad_trial, numbers, along),
        strict=True,
    )
    for_good, for_bad = numbers_needed(case, survey, asked.wished, along)
    per_axis = [
        (run**2 + (2 if demand.survey_added else 1) * s**2) ** 0.5
        for run, s in zip(trial.run_m, trial.survey_m, strict=True)
    ]
    worth = 0.0 if n == 0 else float(freedom(trial, np.array([float(n)]), placed)[0, 0])

    def passes(survey_m: float) -> float:
        same = case.trial(case.good_m, survey_m, survey_m)
        return float(chance_of_passing(same, np.array([float(n)]), placed)[0])

    return ComponentPlan(
        demand=demand,
        expected_m=figure(demand, case.good_m),
        expected_assumed=case.expected_assumed,
        bad_m=figure(demand, case.bad_m),
        survey_m=max(trial.survey_m),
        survey_assumed=(survey.assumed_height and any(case.heights))
        or (survey.assumed_horizontal and not all(case.heights)),
        likely_m=figure(demand, per_axis),
        worst_survey_m=None if n == 0 else worst_survey_m(passes, asked.wished, demand.limit_m),
        n=n,
        worth=worth,
        good_passes=good,
        bad_fails=bad,
        number_for_good=for_good,
        number_for_bad=for_bad,
        table=tuple(ChanceRow(n=k, good_passes=float(g), bad_fails=float(b)) for k, g, b in rows),
    )
