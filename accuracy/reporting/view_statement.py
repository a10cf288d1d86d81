"""The statement page in words: verdicts with their rules, title block, exclusions, inputs."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import PurePath, PureWindowsPath

import numpy as np

from accuracy.model import (
    SPEED,
    Component,
    Distribution,
    Interval,
    Outcome,
    Result,
    Role,
    Rule,
    RuleOutcome,
    RunRecord,
    Verdict,
    VerticalResidual,
    label_of,
)
from accuracy.model.places import count_places
from accuracy.reporting import charts_residuals, words
from accuracy.reporting.lengths import in_unit
from accuracy.reporting.view_nouns import ExclusionView, InputRow, Pair, RuleView, Tone, VerdictView
from accuracy.rounding import LengthText, at_places, beside_limit, fixed, printed_pair, speed
from accuracy.runs import interval_of_tested
from accuracy.statistics.stated import rmse_interval
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


_RMSE = {Component.VERTICAL: "RMSE_V", Component.HORIZONTAL: "RMSE_H", Component.THREE_D: "RMSE_3D"}


def class_text(verdict: Verdict, text: LengthText) -> str | None:
    """The class as its owner names it; None where none was asked."""
    if verdict.class_name is not None:
        return verdict.class_name
    return None if verdict.class_m is None else limit_text(verdict.class_m, verdict.tested_m, text)


def limit_text(limit_m: float, tested_m: float | None, text: LengthText) -> str:
    """A class or limit, with digits enough to stand on the true side of the tested figure."""
    limit = text.class_value(limit_m) if tested_m is None else printed_pair(tested_m, limit_m, text)[1]
    return f"{limit} {text.small_symbol}"


def tested_text(verdict: Verdict, text: LengthText) -> str | None:
    """The tested figure, never printed on the wrong side of its class."""
    if verdict.tested_m is None:
        return None
    if verdict.class_m is None:
        return f"{text.small(verdict.tested_m)} {text.small_symbol}"
    return f"{printed_pair(verdict.tested_m, verdict.class_m, text)[0]} {text.small_symbol}"


def tested_name(verdict: Verdict | None) -> str:
    """What the tested figure is, as the standard writes it."""
    return "tested figure" if verdict is None or verdict.tested_name is None else verdict.tested_name


def chance_text(verdict: Verdict) -> str | None:
    """The probability that the true figure meets the class, in words."""
    probability = verdict.probability_met
    if probability is None:
        return None
    if probability > 0.999:
        share = "more than 99.9 %"
    elif probability < 0.001:
        share = "less than 0.1 %"
    else:
        share = f"{fixed(probability * 100, 1 if probability > 0.99 or probability < 0.01 else 0)} %"
    return f"Chance that the true {tested_name(verdict)} is within the class: {share}."


_A_DISTANCE_M = 1.0  # what a rule finds beyond this is a distance on the ground, not an error


def rule(item: Rule, unit: LengthUnit) -> RuleView:
    """One rule with its value printed on the right side of its limit."""
    text = LengthText(unit)
    value, limit = _length_and_limit(item, text) if item.unit == "m" else _number_and_limit(item)
    return RuleView(
        name=item.name[:1].upper() + item.name[1:],
        value=value,
        limit=limit,
        outcome=words.RULE_OUTCOME[item.outcome],
        tone=_RULE_TONE[item.outcome],
        words=in_unit(item.words, unit, (item.source.removeprefix("contract: "),)),
        source=item.source,
        decisive=item.decisive,
    )


def _length_and_limit(item: Rule, text: LengthText) -> tuple[str, str]:
    symbol = text.small_symbol
    if item.value is None:
        return DASH, DASH if item.limit is None else f"{text.class_value(item.limit)} {symbol}"
    if item.limit is not None:
        value, limit = printed_pair(item.value, item.limit, text)
        return f"{value} {symbol}", f"{limit} {symbol}"
    if item.value >= _A_DISTANCE_M:
        return f"{text.large(item.value, 1)} {text.unit.symbol}", DASH
    return f"{text.small(item.value)} {symbol}", DASH


def _number_and_limit(item: Rule) -> tuple[str, str]:
    suffix = " %" if item.unit == "percent" else ""
    limit = DASH if item.limit is None else f"{_plain(item.limit)}{suffix}"
    if item.value is None:
        return DASH, limit
    if item.unit == "count":
        return f"{_plain(item.value)}{suffix}", limit
    if item.limit is None:
        return f"{fixed(item.value, 1)}{suffix}", limit
    return f"{beside_limit(item.value, item.limit, 1)}{suffix}", limit


def _plain(value: float) -> str:
    text = fixed(value, 6)
    return text.rstrip("0").rstrip(".") if "." in text else text


def verdicts(run: RunRecord, unit: LengthUnit) -> tuple[VerdictView, ...]:
    """All verdicts; each names its standard only where the report speaks of more than one."""
    several = len({v.standard_title for v in run.verdicts}) > 1
    return tuple(_verdict(v, unit, name_standard=several) for v in run.verdicts)


def _verdict(item: Verdict, unit: LengthUnit, *, name_standard: bool) -> VerdictView:
    text = LengthText(unit)
    component = words.COMPONENT[item.component]
    asked = class_text(item, text)
    outcome = words.OUTCOME[item.outcome]
    gauge = None
    if item.tested_m is not None:
        gauge = charts_residuals.verdict_gauge(
            item.tested_m,
            item.class_m,
            item.fit_m,
            item.fit_interval_95_m,
            unit,
            # A share of the class is no class, nor is what a contract sets.
            called="limit" if item.component in (Component.RELATIVE, Component.CONTRACT) else "class",
        )
    name = tested_name(item)
    return VerdictView(
        component=component,
        standard=item.standard_title if name_standard else None,
        outcome=outcome,
        tone=_TONE[item.outcome],
        headline=_headline(item, asked),
        class_text=asked,
        tested=tested_text(item, text),
        tested_name=name[:1].upper() + name[1:],
        why=in_unit(item.why, unit, (item.class_name or "",)),
        chance=chance_text(item),
        statement=item.statement,
        words_of=_not_said(item),
        gauge=gauge,
        rules=tuple(rule(r, unit) for r in item.rules),
    )


def _not_said(item: Verdict) -> str | None:
    """The standard whose words the statement is, where it does not name it itself."""
    if item.statement is None or item.standard_title in item.statement:
        return None
    return item.standard_title


def _headline(item: Verdict, asked: str | None) -> str:
    component, outcome = words.COMPONENT[item.component], words.OUTCOME[item.outcome].lower()
    if asked is None:
        return f"{component}: no class asked for"
    if item.component is Component.CONTRACT:
        return f"{component}, {asked}: {outcome}"
    return f"{component}: {asked if asked.endswith('class') else f'{asked} class'} {outcome}"


def tested_figure(
    component: Component, run: RunRecord
) -> tuple[int, float | None, Interval | None, Verdict | None]:
    """n, tested figure, its 95 % interval and the first verdict of a component of one run.

    Without a verdict's figure it is the RMSE, with the survey's share where that is known.
    """
    verdict = next((v for v in run.verdicts if v.component is component), None)
    part = run.summary.of(component)
    if part is None:
        return 0, None, None, verdict
    if verdict is not None and verdict.tested_m is not None:
        return part.n, verdict.tested_m, interval_of_tested(verdict), verdict
    share = part.survey_rms_m or 0.0
    interval = rmse_interval(part)
    if interval is not None:
        interval = (math.hypot(interval[0], share), math.hypot(interval[1], share))
    return (
        part.n,
        part.rmse_m if part.rmse_with_survey_m is None else part.rmse_with_survey_m,
        interval,
        verdict,
    )


def figure_name(component: Component, verdict: Verdict | None) -> str:
    """What ``tested_figure`` gives: the verdict's own figure, or the RMSE where there is none."""
    if verdict is not None and verdict.tested_m is not None:
        return tested_name(verdict)
    return _RMSE[component]


def headline(verdicts: Sequence[Verdict]) -> str:
    """The outcome in one line, for the document's description."""
    if not verdicts:
        return "No class was asked for."
    return " ".join(f"{words.COMPONENT[v.component]}: {words.OUTCOME[v.outcome].lower()}." for v in verdicts)


def facts(result: Result) -> tuple[Pair, ...]:
    """The title block; what was not given is left out."""
    verdicts = result.run.verdicts
    asked = [v for v in verdicts if class_text(v, LengthText(result.unit)) is not None]
    standards = list(dict.fromkeys(v.standard_title for v in asked or verdicts[:1]))
    run = result.run
    heights = sum(c.used and c.vertical.measured for c in run.checkpoints)
    positions = sum(c.used and c.horizontal.measured for c in run.checkpoints)
    check = [c for c in run.checkpoints if c.role is Role.CHECK]
    control = len(run.checkpoints) - len(check)
    own = [i for i in result.inputs if i.role == "cloud" and i.run in (None, run.name)]
    points = sum(i.points or 0 for i in own if i.cloud in (None, run.cloud))
    stand = count_places(np.array([(c.easting_m, c.northing_m, c.height_m) for c in check]).reshape(-1, 3))
    counts = f"{at_places(len(check), stand)}: {heights} used for height, {positions} for horizontal position"
    if control:
        counts += f"; {control} control point{'s' if control > 1 else ''} left out"
    pairs = [
        ("Project", result.project),
        ("Prepared for", result.prepared_for),
        ("Prepared by", result.prepared_by),
        ("Date", result.date),
        ("Cloud", f"{points:,} points".replace(",", "\N{NARROW NO-BREAK SPACE}") if points else None),
        ("Run", ", ".join([run.label, *(_attribute(k, v, result.unit) for k, v in run.attributes.items())])),
        ("Survey", counts),
        ("Standard", "; ".join(standards) or None),
        ("Frame", result.crs),
        ("Heights", result.vertical_datum),
    ]
    return tuple(Pair(label, text) for label, text in pairs if text)


def _attribute(name: str, value: str, unit: LengthUnit) -> str:
    return speed(float(value), unit) if name == SPEED else f"{name} {value}"


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
    users = (*names, *(run.label for run in (result.run, *result.runs)))
    files: dict[str, list[str]] = {}
    for remark in (*result.not_compared, *result.run.remarks):
        said = remark
        for path in paths:
            said = said.replace(path, file_name(path))
        name, colon, rest = said.partition(": ")
        if colon and name in names:
            files.setdefault(in_unit(rest, result.unit, users), []).append(name)
        else:
            files.setdefault(in_unit(said, result.unit, users), [])
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
                    i.run and f"run {label_of(i.run, i.cloud)}",
                    i.points is not None
                    and f"{i.points:,}".replace(",", "\N{NARROW NO-BREAK SPACE}") + " points",
                    i.note and in_unit(i.note, result.unit, (file_name(i.path),)),
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
