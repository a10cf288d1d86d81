"""United States National Map Accuracy Standards (Bureau of the Budget, revised 17 June 1947); legacy.

Read in reproductions of the text: not more than 10 % of the tested well-defined points in error by
more than 1/30 inch at map scale for scales larger than 1:20,000, 1/50 inch for 1:20,000 or smaller;
not more than 10 % of the tested elevations in error by more than half the contour interval.

The rule counts points. It is the same as: the error that nine tenths of the points do not exceed is
within the tolerance; that error is the tested figure. Heights of every cover are counted together.
The allowance for horizontal displacement in testing elevations is not used.

Ours: the text names no number of points; below 20 nothing is found to be met, since one in ten cannot
be shown by fewer (20 is the number of NSSDA 3.2.2).
"""

from __future__ import annotations

from functools import partial
from math import inf

import numpy as np

from accuracy.model import ClassRequest, Component, Outcome, Rule, RuleOutcome, Verdict
from accuracy.rounding import LengthText, counted, printed_pair
from accuracy.standards import rules
from accuracy.standards.base import Evidence, Figure, Sample, Standard

KEY = "nmas"
NAME = "United States National Map Accuracy Standards (1947)"
_NMAS = "NMAS (1947)"
_verdict = partial(rules.verdict, KEY, NAME)

INCH_M = 0.0254
LARGE_SCALE_DENOMINATOR = 20_000
LEAST_POINTS = 20
STATEMENT = "This map complies with National Map Accuracy Standards."


def horizontal_tolerance_m(map_scale: float) -> float:
    """1/30 inch on a map larger than 1:20,000, 1/50 inch otherwise, on the ground; metres."""
    return map_scale * INCH_M / (30 if map_scale < LARGE_SCALE_DENOMINATOR else 50)


def vertical_tolerance_m(contour_interval_m: float) -> float:
    """Half the contour interval."""
    return contour_interval_m / 2


def grade(evidence: Evidence, request: ClassRequest, text: LengthText) -> tuple[Verdict, ...]:
    """Elevations against the contour interval, well-defined points against the map's scale."""
    heights = _all_heights(evidence)
    scale, interval = request.map_scale, request.contour_interval_m
    verdicts = (
        _component(
            Component.VERTICAL,
            evidence,
            heights,
            None if interval is None else vertical_tolerance_m(interval),
            "No contour interval was given; the figure stands as found.",
            text,
        ),
        _component(
            Component.HORIZONTAL,
            evidence,
            evidence.horizontal,
            None if scale is None else horizontal_tolerance_m(scale),
            "No map scale was given; the figure stands as found.",
            text,
        ),
    )
    # The sentence speaks of the whole map: it needs everything that was asked for.
    asked = [verdict for verdict in verdicts if verdict.class_m is not None]
    if not asked or any(verdict.outcome is not Outcome.MET for verdict in asked):
        return verdicts
    return tuple(_with_statement(verdict) if verdict in asked else verdict for verdict in verdicts)


def _with_statement(found: Verdict) -> Verdict:
    return _verdict(
        found.component,
        found.class_m,
        found.tested_m,
        (found.outcome, found.why),
        found.rules,
        STATEMENT,
    )


def _all_heights(evidence: Evidence) -> Sample:
    ground, plants = evidence.open_heights, evidence.vegetated_heights
    return Sample(
        ids=ground.ids + plants.ids,
        residuals_m=np.concatenate([ground.residuals_m, plants.residuals_m]),
        survey_sigma_m=np.concatenate([ground.survey_sigma_m, plants.survey_sigma_m]),
        positions_m=None
        if ground.positions_m is None or plants.positions_m is None
        else np.concatenate([ground.positions_m, plants.positions_m]),
        not_measured=ground.not_measured + plants.not_measured,
        why_empty=ground.why_empty,
    )


def _may_exceed(sample: Sample) -> int:
    return sample.n // 10


def nine_tenths_m(sample: Sample) -> float:
    """The error that nine tenths of the points do not exceed, metres."""
    return sample.held_by(sample.n - _may_exceed(sample))


FIGURES = {
    Component.VERTICAL: Figure(
        name="error of nine tenths of the elevations",
        sample=_all_heights,
        of=nine_tenths_m,
        grows_with="rank",
    ),
    Component.HORIZONTAL: Figure(
        name="error of nine tenths of the points",
        sample=lambda e: e.horizontal,
        of=nine_tenths_m,
        grows_with="rank",
    ),
}


def _component(
    component: Component,
    evidence: Evidence,
    sample: Sample,
    tolerance_m: float | None,
    no_class: str,
    text: LengthText,
) -> Verdict:
    if sample.n == 0:
        return _verdict(component, tolerance_m, None, rules.nothing_measured(sample), ())
    may_exceed = _may_exceed(sample)
    tested_m = nine_tenths_m(sample)
    number = rules.number_rule(sample, LEAST_POINTS, source="ours, after NSSDA 3.2.2", what="tested")
    independence = rules.independence_rule(evidence.control_points_set_aside, source=_NMAS)
    accuracy = _accuracy(sample, tested_m, tolerance_m, may_exceed, text)
    concluded = rules.conclude(
        sample.places,
        "",
        (accuracy,),
        (number, independence),
        asked=tolerance_m is not None,
        no_class=no_class,
    )
    return _verdict(component, tolerance_m, tested_m, concluded, (accuracy, number, independence))


def _accuracy(
    sample: Sample, tested_m: float, tolerance_m: float | None, may_exceed: int, text: LengthText
) -> Rule:
    beyond = sample.n - sample.within(inf if tolerance_m is None else tolerance_m)
    if tolerance_m is None:
        outcome = RuleOutcome.NOT_APPLICABLE
        words = f"Nine tenths of the points err by no more than {text.small(tested_m)} {text.small_symbol}."
    else:
        outcome = RuleOutcome.MET if beyond <= may_exceed else RuleOutcome.NOT_MET
        value, limit = printed_pair(tested_m, tolerance_m, text)
        words = (
            f"{beyond} of {counted(sample.n, 'point')} err by more than {limit} {text.small_symbol}; "
            f"{may_exceed} may (nine tenths err by no more than {value} {text.small_symbol})."
        )
    return Rule(
        name="accuracy",
        source=_NMAS,
        value=tested_m,
        limit=tolerance_m,
        unit="m",
        outcome=outcome,
        words=words,
        decisive=True,
    )


STANDARD = Standard(
    key=KEY,
    title=NAME,
    takes=("map_scale", "contour_interval_m"),
    class_means="a map scale and a contour interval",
    figures=FIGURES,
    grade=grade,
)
