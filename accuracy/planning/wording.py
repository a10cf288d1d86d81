"""What a plan cannot meet, what it assumed, and what follows: sentences, the gravest first."""

from __future__ import annotations

from collections.abc import Iterator

from accuracy.model import Component, Cover
from accuracy.planning.guidance import HALF_A_MILE_M
from accuracy.planning.plan import Plan
from accuracy.planning.power import MOST_TRIED
from accuracy.planning.spread import QUADRANT_SHARE, SPACING_SHARE
from accuracy.rounding import LengthText, fixed


def wish(share: float) -> str:
    """The chance that was asked for, in percent as it was given."""
    return f"{100 * share:g} %"


def percent(chance: float) -> str:
    """A chance in whole percent, never 0 or 100: nothing that is planned is certain."""
    if chance < 0.01:
        return "under 1 %"
    if chance > 0.99:
        return "over 99 %"
    return f"{fixed(100 * chance, 0)} %"


COMPONENT_WORDS = {
    Component.VERTICAL: "vertical",
    Component.HORIZONTAL: "horizontal",
    Component.THREE_D: "three-dimensional",
}


def remarks_on(plan: Plan) -> tuple[str, ...]:
    """Every remark on a plan whose figures stand."""
    return (*_numbers(plan), *_decisions(plan), *_survey(plan), *_spread(plan), *_assumed(plan))


def _numbers(plan: Plan) -> Iterator[str]:
    large = LengthText(plan.asked.unit)
    for stratum in plan.strata:
        if stratum.placed < stratum.wanted:
            extent = (
                f"{large.large(stratum.extent, 0)} {large.unit.symbol}"
                if plan.length_m is not None
                else f"{stratum.extent:,.0f} m2"
            )
            spacing = plan.asked.least_spacing_m
            apart = (
                "" if spacing is None else f" at least {large.large(spacing, 1)} {large.unit.symbol} apart"
            )
            yield (
                f"{stratum.wanted} checkpoints do not fit{apart} into {stratum.name} ({extent}): "
                f"{stratum.placed} are proposed there."
            )
    counted = sum(s.placed for s in plan.strata if s.cover is Cover.OPEN)
    for component in plan.components:
        if counted < component.demand.least:
            yield (
                f"Only {counted} of the {component.demand.least} checkpoints that the standard asks for "
                f"({component.demand.source}) are planned in open ground: its full statement cannot be made "
                f"for the {COMPONENT_WORDS[component.demand.component]} class."
            )
    for stratum in plan.strata:
        least = max(c.demand.least_vegetated for c in plan.components)
        if stratum.cover is Cover.VEGETATED and stratum.placed < least:
            yield f"{stratum.name}: {stratum.placed} of the {least} vegetated checkpoints asked for."


def _decisions(plan: Plan) -> Iterator[str]:
    wished = wish(plan.asked.wished)
    shared = plan.asked.correlation_length_m is not None
    where = "on this line" if shared else f"up to {MOST_TRIED}"
    for c in plan.components:
        name = f"{COMPONENT_WORDS[c.demand.component].capitalize()} class"
        for number, what in (
            (c.number_for_good, "let the expected run pass"),
            (c.number_for_bad, "stop the bad run"),
        ):
            if number is None:
                why = ""
                if what.startswith("let") and c.likely_m >= c.demand.limit_m:
                    why = ": the survey's own error takes what is left of the class, so survey better"
                elif shared:
                    why = (
                        ": neighbours share their errors, so judge a longer line or independent runs together"
                    )
                yield f"{name}: no number of checkpoints {where} can {what} with a chance of {wished}{why}."
            elif number > c.n:
                yield f"{name}: to {what} with a chance of {wished} takes {number} checkpoints, not {c.n}."


def _survey(plan: Plan) -> Iterator[str]:
    text = LengthText(plan.asked.unit)
    survey = plan.survey
    for allowed, reached, what in (
        (survey.allowed_height_m, survey.height_m, "heights"),
        (survey.allowed_horizontal_m, survey.horizontal_m, "horizontal positions (per axis)"),
    ):
        if allowed is not None and reached is not None and reached > allowed:
            yield (
                f"The survey's {what} reach {text.small_beside(reached, allowed)} {text.small_symbol} with "
                f"{survey.occupations} occupations; the standard allows {text.class_value(allowed)} "
                f"{text.small_symbol}. What all occupations share does not average out: use a better method."
            )


def _spread(plan: Plan) -> Iterator[str]:
    large = LengthText(plan.asked.unit)
    rule = plan.asked.spacing
    if rule is not None and plan.widest_gap_m is not None:
        if plan.widest_gap_m > rule.most_m * (1 + 1e-9):
            yield (
                f"The longest stretch without a checkpoint, {large.large(plan.widest_gap_m, 1)} "
                f"{large.unit.symbol}, is more than the {large.large(rule.most_m, 1)} asked for."
            )
        if rule.name == "michigan" and plan.length_m is not None and plan.length_m <= HALF_A_MILE_M:
            yield "The corridor is not over half a mile long, so the chosen spacing rule does not bind."
    if plan.quadrant_shares is not None and min(plan.quadrant_shares) < QUADRANT_SHARE - 1e-9:
        yield (
            f"The emptiest quadrant holds {fixed(100 * min(plan.quadrant_shares), 0)} % of the checkpoints; "
            "20 % is advised for a rectangular area, and this shape does not allow it."
        )
    if plan.area_m2 is not None and plan.nearest_pair_m is not None:
        rings = [corner for ring in plan.outline.areas for corner in ring]
        spans = [max(v) - min(v) for v in zip(*rings, strict=True)]
        diagonal = (spans[0] ** 2 + spans[1] ** 2) ** 0.5
        if plan.nearest_pair_m < SPACING_SHARE * diagonal:
            yield (
                f"The two nearest places are {fixed(100 * plan.nearest_pair_m / diagonal, 1)} % of the "
                "diagonal apart; 10 % is advised, and so many places do not keep it here."
            )


def _assumed(plan: Plan) -> Iterator[str]:
    text = LengthText(plan.asked.unit)
    for c in plan.components:
        if c.expected_assumed:
            yield (
                f"What the rig reaches was not given: a {COMPONENT_WORDS[c.demand.component]} RMSE of "
                f"{text.small(c.expected_m)} {text.small_symbol}, three quarters of the limit, is assumed."
            )
        if c.survey_assumed:
            per = "" if c.demand.component is Component.VERTICAL else " per axis"
            yield (
                "The survey's uncertainty was not given for the "
                f"{COMPONENT_WORDS[c.demand.component]} class: "
                f"{text.small(c.survey_m)} {text.small_symbol}{per} is assumed, a quarter of the limit."
            )
    if plan.asked.correlation_length_m is None and plan.length_m is not None:
        yield (
            "The checkpoints are taken as independent. Neighbours along a drive often share their error; "
            "give the correlation length of an earlier run to see what they are worth."
        )
