"""The statement page in words: verdicts with their rules, title block, exclusions, inputs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import PurePath, PureWindowsPath

from accuracy.model import (
    AxisSummary,
    Component,
    Distribution,
    HorizontalSummary,
    Interval,
    Outcome,
    Result,
    Role,
    Rule,
    RuleOutcome,
    RunRecord,
    Summary,
    ThreeDSummary,
    Verdict,
    VerticalResidual,
)
from accuracy.reporting import charts_residuals, words
from accuracy.reporting.view_nouns import ExclusionView, InputRow, Pair, RuleView, Tone, VerdictView
from accuracy.rounding import LengthText, beside_limit, fixed
from accuracy.runs import SPEED
from accuracy.units import LengthUnit

DASH = "\N{EN DASH}"
SHORT_HASH = 12
MOST_INPUTS_ON_STATEMENT = 8
MOST_FILES_NAMED = 3

_TONE: dict[Outcome, Tone] = {
    Outcome.MET: "met",
    Outcome.NOT_MET: "not-met",
    Outcome.NOT_GRADED: "not-graded",
}
_RULE_TONE: dict[RuleOutcome, Tone] = {
    RuleOutcome.MET: "met",
    RuleOutcome.NOT_MET: "not-met",
    RuleOutcome.ADVISORY: "not-graded",
    RuleOutcome.NOT_APPLICABLE: "quiet",
    RuleOutcome.NOT_KNOWN: "not-graded",
}
_TESTED_NAME = {
    Component.VERTICAL: "RMSE_V",
    Component.HORIZONTAL: "RMSE_H",
    Component.THREE_D: "RMSE_3D",
}


def class_text(verdict: Verdict, text: LengthText) -> str | None:
    """The class as its owner names it; None where none was asked."""
    if verdict.class_name is not None:
        return verdict.class_name
    if verdict.class_m is None:
        return None
    return f"{text.class_value(verdict.class_m)} {text.small_symbol}"


def tested_text(verdict: Verdict, text: LengthText) -> str | None:
    """The tested figure, never printed on the wrong side of its class."""
    if verdict.tested_m is None:
        return None
    if verdict.class_m is None:
        return f"{text.small(verdict.tested_m)} {text.small_symbol}"
    return f"{text.small_beside(verdict.tested_m, verdict.class_m)} {text.small_symbol}"


def chance_text(probability: float | None) -> str | None:
    """The probability that the true RMSE meets the class, in words."""
    if probability is None:
        return None
    if probability > 0.999:
        share = "more than 99.9 %"
    elif probability < 0.001:
        share = "less than 0.1 %"
    else:
        share = f"{fixed(probability * 100, 1 if probability > 0.99 or probability < 0.01 else 0)} %"
    return f"Chance that the true RMSE is within the class: {share}."


_A_DISTANCE_M = 1.0  # what a rule finds beyond this is a distance on the ground, not an error


def rule(item: Rule, unit: LengthUnit) -> RuleView:
    """One rule with its value printed on the right side of its limit."""
    text = LengthText(unit)
    value, limit = DASH, DASH
    suffix = {"m": f" {text.small_symbol}", "percent": " %"}.get(item.unit, "")
    if item.limit is not None:
        limit = text.class_value(item.limit) if item.unit == "m" else _plain(item.limit)
        limit += suffix
    if item.value is not None:
        if item.unit == "m" and item.limit is None and item.value >= _A_DISTANCE_M:
            value, suffix = text.large(item.value, 1), f" {unit.symbol}"
        elif item.unit == "m":
            value = (
                text.small(item.value) if item.limit is None else text.small_beside(item.value, item.limit)
            )
        elif item.unit == "count":
            value = _plain(item.value)
        elif item.limit is None:
            value = fixed(item.value, 1)
        else:
            value = beside_limit(item.value, item.limit, 1)
        value += suffix
    return RuleView(
        name=item.name[:1].upper() + item.name[1:],
        value=value,
        limit=limit,
        outcome=words.RULE_OUTCOME[item.outcome],
        tone=_RULE_TONE[item.outcome],
        words=item.words,
        source=item.source,
        decisive=item.decisive,
    )


def _plain(value: float) -> str:
    text = fixed(value, 6)
    return text.rstrip("0").rstrip(".") if "." in text else text


def verdicts(run: RunRecord, unit: LengthUnit) -> tuple[VerdictView, ...]:
    """All verdicts; each names its standard only where the report speaks of more than one."""
    several = len({v.standard_title for v in run.verdicts}) > 1
    return tuple(_verdict(v, run.summary, unit, name_standard=several) for v in run.verdicts)


def _verdict(item: Verdict, summary: Summary, unit: LengthUnit, *, name_standard: bool) -> VerdictView:
    text = LengthText(unit)
    component = words.COMPONENT[item.component]
    asked = class_text(item, text)
    outcome = words.OUTCOME[item.outcome]
    if asked is None:
        headline = f"{component}: no class asked for"
    elif item.outcome is Outcome.NOT_GRADED:
        headline = f"{component}: {asked} class not graded"
    else:
        headline = f"{component}: {asked} class {outcome.lower()}"
    rmse_m, interval_m = _rmse_of(item.component, summary)
    gauge = None
    if item.tested_m is not None:
        gauge = charts_residuals.verdict_gauge(item.tested_m, item.class_m, rmse_m, interval_m, unit)
    return VerdictView(
        component=component,
        standard=item.standard_title if name_standard else None,
        outcome=outcome,
        tone=_TONE[item.outcome],
        headline=headline,
        class_text=asked,
        tested=tested_text(item, text),
        tested_name=_TESTED_NAME.get(item.component, "tested"),
        why=item.why,
        chance=chance_text(item.probability_met),
        statement=item.statement,
        gauge=gauge,
        rules=tuple(rule(r, unit) for r in item.rules),
    )


def _rmse_of(component: Component, summary: Summary) -> tuple[float | None, Interval | None]:
    """RMSE of the residuals that the verdict's figure starts from, and its 95 % interval."""
    part = _part(component, summary)
    if part is None:
        return None, None
    if isinstance(part, ThreeDSummary):
        return part.rmse_m, part.rmse_bootstrap_95_m
    return part.rmse_m, part.rmse_interval_95_m


def _part(component: Component, summary: Summary) -> AxisSummary | HorizontalSummary | ThreeDSummary | None:
    return {
        Component.VERTICAL: summary.vertical,
        Component.HORIZONTAL: summary.horizontal,
        Component.THREE_D: summary.three_d,
    }.get(component)


def tested_figure(
    component: Component, run: RunRecord
) -> tuple[int, float | None, Interval | None, Verdict | None]:
    """n, tested figure, its 95 % interval and the first verdict of a component of one run.

    Where the tested figure includes the survey's share, the interval does too; without a verdict
    the figure is the RMSE with the survey.
    """
    verdict = next((v for v in run.verdicts if v.component is component), None)
    part = _part(component, run.summary)
    if part is None:
        return 0, None, None, verdict
    rmse, interval = _rmse_of(component, run.summary)
    tested = (
        verdict.tested_m if verdict is not None and verdict.tested_m is not None else part.rmse_with_survey_m
    )
    share = part.survey_rms_m or 0.0
    if interval is not None and share and tested != rmse:
        interval = (math.hypot(interval[0], share), math.hypot(interval[1], share))
    return part.n, rmse if tested is None else tested, interval, verdict


def headline(verdicts: Sequence[Verdict]) -> str:
    """The outcome in one line, for the document's description."""
    if not verdicts:
        return "No class was asked for."
    return " ".join(f"{words.COMPONENT[v.component]}: {words.OUTCOME[v.outcome].lower()}." for v in verdicts)


def facts(result: Result) -> tuple[Pair, ...]:
    """The title block; what was not given is left out."""
    standards = list(dict.fromkeys(v.standard_title for v in result.run.verdicts))
    run = result.run
    heights = sum(c.used and c.vertical.measured for c in run.checkpoints)
    places = sum(c.used and c.horizontal.measured for c in run.checkpoints)
    surveyed = sum(c.role is Role.CHECK for c in run.checkpoints)
    control = len(run.checkpoints) - surveyed
    points = sum(i.points or 0 for i in result.inputs if i.role == "cloud" and i.run in (None, run.name))
    plural = "s" if surveyed != 1 else ""
    counts = f"{surveyed} checkpoint{plural}: {heights} used for height, {places} for horizontal position"
    if control:
        counts += f"; {control} control point{'s' if control > 1 else ''} left out"
    pairs = [
        ("Project", result.project),
        ("Prepared for", result.prepared_for),
        ("Prepared by", result.prepared_by),
        ("Date", result.date),
        ("Run", ", ".join([run.name, *(_attribute(k, v) for k, v in run.attributes.items())])),
        ("Cloud", f"{points:,} points".replace(",", "\N{NARROW NO-BREAK SPACE}") if points else None),
        ("Survey", counts),
        ("Standard", "; ".join(standards) or None),
        ("Frame", result.crs),
        ("Heights", result.vertical_datum),
    ]
    return tuple(Pair(label, text) for label, text in pairs if text)


def _attribute(name: str, value: str) -> str:
    return f"{value} km/h" if name == SPEED else f"{name} {value}"


def unmeasured(run: RunRecord) -> tuple[str, ...]:
    """What has no verdict at all and would otherwise be passed over in silence."""
    graded = {v.component for v in run.verdicts}
    if run.summary.horizontal is None and Component.HORIZONTAL not in graded:
        return (_no_horizontal(run),)
    return ()


def _no_horizontal(run: RunRecord) -> str:
    reasons = Counter(
        words.REASON[c.horizontal.code]
        for c in run.checkpoints
        if not c.horizontal.measured and c.role is Role.CHECK
    )
    if not reasons or set(reasons) == {"no mark"}:
        return words.NO_HORIZONTAL
    listed = ", ".join(f"{reason} ({count})" for reason, count in reasons.most_common())
    return f"Horizontal position was not measured at any checkpoint: {listed}."


def subset(result: Result) -> str | None:
    """Which checkpoints count, where not all do."""
    if result.subset is None:
        return None
    counted = sum(c.used for c in result.run.checkpoints)
    return (
        f"These figures rest on a part of the checkpoints only: {result.subset.rstrip('.')}. {counted} of "
        f"{len(result.run.checkpoints)} count."
    )


def remarks(result: Result) -> tuple[str, ...]:
    """The record's remarks with file names for paths, the same remark on several files made once."""
    paths = sorted({i.path for i in result.inputs}, key=len, reverse=True)
    names = {file_name(path) for path in paths}
    files: dict[str, list[str]] = {}
    for remark in result.run.remarks:
        said = remark
        for path in paths:
            said = said.replace(path, file_name(path))
        name, colon, rest = said.partition(": ")
        if colon and name in names:
            files.setdefault(rest, []).append(name)
        else:
            files.setdefault(said, [])
    return tuple(f"{_listed(of)}: {said}" if of else said for said, of in files.items())


def _listed(names: Sequence[str]) -> str:
    each = list(dict.fromkeys(names))
    if len(each) <= MOST_FILES_NAMED + 1:
        return ", ".join(each)
    return f"{', '.join(each[:MOST_FILES_NAMED])} and {len(each) - MOST_FILES_NAMED} more files"


def exclusions(result: Result) -> tuple[ExclusionView, ...]:
    """Checkpoints that the user set aside, with the reason and the residual that was set aside."""
    text = LengthText(result.unit)
    by_id = {c.id: c for c in result.run.checkpoints}
    shown = []
    for item in result.exclusions:
        found = by_id.get(item.id)
        residual = "not measured"
        if found is not None and isinstance(found.vertical, VerticalResidual):
            residual = f"{text.small(found.vertical.residual_m, signed=True)} {text.small_symbol} in height"
        shown.append(ExclusionView(id=item.id, reason=item.reason, residual=residual))
    return tuple(shown)


def file_name(path: str) -> str:
    """The last part of a path of either kind of system."""
    return PureWindowsPath(path).name if "\\" in path else PurePath(path).name


def inputs_short(result: Result) -> tuple[Pair, ...]:
    """The inputs as the statement lists them: file name and the start of the hash."""
    shown = [
        Pair(words.INPUT_ROLE[i.role], f"{file_name(i.path)} ({i.sha256[:SHORT_HASH]})")
        for i in result.inputs[:MOST_INPUTS_ON_STATEMENT]
    ]
    more = len(result.inputs) - len(shown)
    if more > 0:
        shown.append(Pair("And", f"{more} more file{'s' if more > 1 else ''}, listed in the annex"))
    return tuple(shown)


def inputs(result: Result) -> tuple[InputRow, ...]:
    """Every input with its full hash."""
    return tuple(
        InputRow(
            role=words.INPUT_ROLE[i.role],
            path=i.path,
            sha256=i.sha256,
            note="; ".join(
                part
                for part in (
                    i.run and f"run {i.run}",
                    i.points is not None
                    and f"{i.points:,}".replace(",", "\N{NARROW NO-BREAK SPACE}") + " points",
                    i.note,
                )
                if part
            ),
        )
        for i in result.inputs
    )


def distribution(item: Distribution, unit: LengthUnit) -> str | None:
    """How the used checkpoints lie, as one or two sentences; None where nothing is known."""
    text = LengthText(unit)

    def far(length_m: float) -> str:
        return f"{text.large(length_m, 0)} {unit.symbol}"

    if item.shape == "corridor" and item.length_m is not None:
        said = f"The used checkpoints lie along a corridor of {far(item.length_m)}."
        if item.largest_gap_m is not None and item.median_spacing_m is not None:
            said += (
                f" Their median spacing is {far(item.median_spacing_m)}; the longest stretch without one is "
                f"{far(item.largest_gap_m)}."
            )
        return said
    if item.shape == "area" and item.area_m2 is not None:
        said = f"The used checkpoints lie over an area of {_area(item.area_m2, unit)}."
        if item.quadrant_shares is not None:
            shares = ", ".join(
                f"{name} {fixed(share * 100, 0)} %"
                for name, share in zip(("NE", "NW", "SW", "SE"), item.quadrant_shares, strict=True)
            )
            said += f" Shares by quadrant of their extent: {shares}."
        if item.smallest_spacing_m is not None:
            said += f" The two nearest are {far(item.smallest_spacing_m)} apart."
        return said
    return None


def _area(area_m2: float, unit: LengthUnit) -> str:
    if unit is LengthUnit.METRE:
        return (
            f"{fixed(area_m2 / 1e4, 1)} ha"
            if area_m2 < 1e6
            else f"{fixed(area_m2 / 1e6, 2)} km\N{SUPERSCRIPT TWO}"
        )
    return f"{fixed(area_m2 / unit.metres**2, 0)} sq {unit.symbol}"
