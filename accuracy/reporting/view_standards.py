"""All standards side by side: one row per standard and component, with the class that would be met.

The verdicts stand in the record. For those without a class the smallest that the standard would find
met is looked up here, by grading the same evidence again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from accuracy.model import ClassRequest, Component, Outcome, Rule, RuleOutcome, RunRecord, Verdict
from accuracy.reporting import words
from accuracy.reporting.view_nouns import StandardRow, StandardsView, Tone, VerdictView
from accuracy.reporting.view_statement import class_text, limit_text, tested_name, tested_text
from accuracy.rounding import LengthText, fixed
from accuracy.standards import STANDARDS, Evidence, evidence_from, grade
from accuracy.units import LengthUnit

DASH = "\N{EN DASH}"
AS_FOUND = "As found"
NOT_MEASURED = "Not measured"
NO_FIGURE = "No figure"
SHORT = {
    "asprs-2024": "ASPRS Edition 2 (2024)",
    "asprs-2014": "ASPRS Edition 1 (2014)",
    "nssda": "NSSDA (1998)",
    "usgs-lidar": "USGS Lidar Base Specification",
    "nmas": "NMAS (1947)",
    "contract": "Contract",
}
_TONE: dict[Outcome, Tone] = {
    Outcome.MET: "met",
    Outcome.NOT_MET: "not-met",
    Outcome.NOT_GRADED: "not-graded",
}
_LARGEST = 2**20
"""Steps up to which a class is sought: beyond a kilometre nobody asks."""


def standards(run: RunRecord, unit: LengthUnit) -> StandardsView | None:
    """The table; None where the record holds the verdicts of one standard only."""
    if len({verdict.standard for verdict in run.verdicts}) < 2:
        return None
    text = LengthText(unit)
    evidence = evidence_from(run.checkpoints, run.summary, run.distribution)
    rows = tuple(_row(verdict, evidence, text) for verdict in run.verdicts)
    note = "Each standard tests a figure of its own, so the tested values differ."
    if any(row.outcome == AS_FOUND for row in rows):
        note += (
            " Best met: where no class was asked for, the strictest that the standard would find met, "
            f"lengths in steps of {_step_words(text)}; accuracy, survey and number of checkpoints all count."
        )
    return StandardsView(rows=rows, note=note)


def rules_near_and_far(
    verdicts: Sequence[VerdictView],
) -> tuple[tuple[VerdictView, ...], tuple[VerdictView, ...]]:
    """Rules that belong beside the statement, and those of standards that were only held beside it.

    Near are those of classes that were asked for; without any, those of the first standard.
    """
    with_rules = [one for one in verdicts if one.rules]
    near = [one for one in with_rules if one.class_text]
    if not near:
        near = [one for one in with_rules if one.standard == with_rules[0].standard]
    return tuple(near), tuple(one for one in with_rules if one not in near)


def _row(verdict: Verdict, evidence: Evidence, text: LengthText) -> StandardRow:
    asked = class_text(verdict, text)
    component = words.COMPONENT[verdict.component]
    if verdict.component is Component.CONTRACT and verdict.class_name is not None:
        component = verdict.class_name
        asked = None if verdict.class_m is None else limit_text(verdict.class_m, verdict.tested_m, text)
    outcome = words.OUTCOME[verdict.outcome] if asked else AS_FOUND
    if verdict.tested_m is None and not asked:
        outcome = NOT_MEASURED if verdict.why.startswith(NOT_MEASURED) else NO_FIGURE
    class_ = asked or (DASH if verdict.tested_m is None else _best(verdict, evidence, text))
    missing = _missing(verdict)
    return StandardRow(
        standard=SHORT.get(verdict.standard, verdict.standard_title),
        component=component,
        statistic=DASH if verdict.tested_m is None else tested_name(verdict),
        tested=tested_text(verdict, text) or DASH,
        class_text=class_,
        outcome=outcome,
        tone=_TONE[verdict.outcome] if asked else "quiet",
        missing=missing,
        lacks=missing != DASH,
    )


# --------------------------------------------------------------------------- what is missing


def _missing(verdict: Verdict) -> str:
    """What stands between the figure and a class, in a few words; a dash where nothing does."""
    if verdict.tested_m is None:
        said = verdict.why.removeprefix("Not measured: ").rstrip(".")
        return said[:1].upper() + said[1:]
    said = "; ".join(_lacks(rule) for rule in verdict.rules if _is_open(rule))
    return said[:1].upper() + said[1:] if said else DASH


def _is_open(rule: Rule) -> bool:
    return rule.decisive and rule.outcome in (RuleOutcome.NOT_MET, RuleOutcome.NOT_KNOWN)


def _lacks(rule: Rule) -> str:
    if rule.outcome is RuleOutcome.NOT_KNOWN:
        return f"{rule.name} not known"
    if rule.unit == "count" and rule.value is not None and rule.limit is not None:
        return f"{rule.name}: {fixed(rule.value, 0)} of {fixed(rule.limit, 0)}"
    return rule.name if rule.unit != "m" else f"{rule.name} beyond its limit"


# --------------------------------------------------------------------------- the best class that is met


@dataclass(frozen=True, slots=True)
class _Ladder:
    """The classes that a standard knows for a component, from the strictest up."""

    request: Callable[[int], ClassRequest]
    words: Callable[[int], str]
    most: int = _LARGEST


def _step_m(text: LengthText) -> float:
    return 0.001 if text.unit is LengthUnit.METRE else 0.005 * text.unit.metres


def _step_words(text: LengthText) -> str:
    return f"{text.class_value(_step_m(text))} {text.small_symbol}"


def _ladder(verdict: Verdict, text: LengthText) -> _Ladder | None:
    key, component = verdict.standard, verdict.component
    standard = STANDARDS.get(key)
    if standard is None:
        return None
    if component in (Component.RELATIVE, Component.CONTRACT):
        return None  # a share of another component's class, or a contract's own
    if standard.class_names:
        names = standard.class_names
        return _Ladder(
            lambda k: ClassRequest(standard=key, class_name=names[k - 1]), lambda k: names[k - 1], len(names)
        )
    step_m = _step_m(text)

    def length(field: str, before: str = "") -> _Ladder:
        return _Ladder(
            lambda k: _request(key, field, _exact(k, step_m)),
            lambda k: f"{before}{text.class_value(_exact(k, step_m))} {text.small_symbol}",
        )

    if "map_scale" in standard.takes:
        if component is Component.VERTICAL:
            return length("contour_interval_m", "contours at ")
        return _Ladder(
            lambda k: ClassRequest(standard=key, map_scale=10.0 * k),
            lambda k: f"map at 1:{10 * k:,}".replace(",", "\N{NARROW NO-BREAK SPACE}"),
        )
    field = f"{'three_d' if component is Component.THREE_D else component.value}_m"
    return length(field) if field in standard.takes else None


def _request(key: str, field: str, length_m: float) -> ClassRequest:
    return ClassRequest(
        standard=key,
        vertical_m=length_m if field == "vertical_m" else None,
        horizontal_m=length_m if field == "horizontal_m" else None,
        three_d_m=length_m if field == "three_d_m" else None,
        contour_interval_m=length_m if field == "contour_interval_m" else None,
    )


def _exact(steps: int, step_m: float) -> float:
    """So many steps, free of the noise that adding them up would leave."""
    return round(steps * step_m, 9)


def _best(verdict: Verdict, evidence: Evidence, text: LengthText) -> str:
    """The strictest class that the standard finds met for this component, in words."""
    ladder = _ladder(verdict, text)
    if ladder is None:
        return DASH

    def met(k: int) -> bool:
        graded = grade(evidence, ladder.request(k), text)
        return any(v.component is verdict.component and v.outcome is Outcome.MET for v in graded)

    # What meets a class meets every wider one: no rule asks more of it.
    high = 1
    while not met(high):
        if high >= ladder.most:
            return "none met"
        high = min(2 * high, ladder.most)
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if met(middle) else (middle, high)
    return f"best met: {ladder.words(high)}"
