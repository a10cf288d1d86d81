"""A contract's own limits: any statistic of any stratum, with a sentence of its own.

A limit holds a statistic's size (its absolute value) to a length, or asks that a share of the
checkpoints lie within a length. Fewer than three checkpoints, or than the limit itself asks for, are
never found to meet it.
"""

from __future__ import annotations

import re
from dataclasses import fields
from fractions import Fraction
from functools import partial
from math import ceil

from accuracy.errors import RequestError
from accuracy.model import (
    AxisSummary,
    ClassRequest,
    Component,
    ContractLimit,
    HorizontalSummary,
    Outcome,
    Rule,
    RuleOutcome,
    ThreeDSummary,
    Verdict,
)
from accuracy.rounding import LengthText, counted, in_a_row, printed_pair, shortened
from accuracy.standards import rules
from accuracy.standards.base import Evidence, RelativeAccuracy, Sample, Standard

KEY = "contract"
NAME = "The contract's own limits"
_verdict = partial(rules.verdict, KEY, NAME)

SHARE = "share_within"
LARGEST = "largest_absolute_m"
STRATUM_WORDS = {
    "open": "heights in open terrain",
    "vegetated": "heights in vegetation",
    "easting": "eastings",
    "northing": "northings",
    "horizontal": "horizontal positions",
    "3d": "positions in three dimensions",
    "relative": "places where the cloud is compared with itself",
}
_NAMES = {
    "absolute_quantile_683_m": "68.3 % quantile of the absolute errors",
    "absolute_quantile_95_m": "95 % quantile of the absolute errors",
    "radial_95_m": "95 % quantile of the radial errors",
    "nmad_m": "NMAD",
}
"""Statistics whose field does not read as words."""
PLACEHOLDERS = ("name", "value", "limit", "unit", "share", "n", "outcome")
_SUMMARY_TYPES = {
    "open": AxisSummary,
    "vegetated": AxisSummary,
    "easting": AxisSummary,
    "northing": AxisSummary,
    "horizontal": HorizontalSummary,
    "3d": ThreeDSummary,
    "relative": RelativeAccuracy,
}


def statistics_of(stratum: str) -> tuple[str, ...]:
    """The statistics that a limit on this stratum may name: every length of its summary, and two more."""
    lengths = tuple(
        field.name
        for field in fields(_SUMMARY_TYPES[stratum])
        if field.name.endswith("_m") and "interval" not in field.name and "bootstrap" not in field.name
    )
    return lengths if stratum == "relative" else (*lengths, LARGEST, SHARE)


def check(limit: ContractLimit) -> None:
    """Refuse a limit that cannot be evaluated, in words: RequestError."""
    place = f'contract limit "{limit.name}"'
    if limit.stratum not in _SUMMARY_TYPES:
        raise RequestError(
            f'stratum "{limit.stratum}" is not known',
            place=place,
            remedy=f"Use {in_a_row(_SUMMARY_TYPES, 'or')}.",
        )
    known = statistics_of(limit.stratum)
    if limit.statistic not in known:
        raise RequestError(
            f'statistic "{limit.statistic}" does not exist for {limit.stratum}',
            place=place,
            remedy=f"Use {in_a_row(known, 'or')}.",
        )
    if limit.statistic == SHARE:
        if limit.within_m is None or not 0 < limit.within_m < float("inf") or limit.limit_m is not None:
            raise RequestError(
                "share_within needs within_m, a length above 0, and no limit_m",
                place=place,
                remedy="Write within_m = 0.05 for 5 cm.",
            )
        if limit.least_share is None or not 0 < limit.least_share <= 1:
            raise RequestError(
                f"least_share is {limit.least_share}",
                place=place,
                remedy="Give the share as a number above 0 and up to 1, e.g. 0.95.",
            )
    elif limit.limit_m is None or not 0 <= limit.limit_m < float("inf") or limit.within_m is not None:
        raise RequestError(
            f"{limit.statistic} needs limit_m, a length of 0 or more, and no within_m",
            place=place,
            remedy="Write limit_m = 0.03 for 3 cm.",
        )
    unknown = set(re.findall(r"{(.*?)}", limit.sentence or "")) - set(PLACEHOLDERS)
    if unknown:
        raise RequestError(
            f"the sentence holds {{{min(unknown)}}}",
            place=place,
            remedy=f"A sentence may hold {in_a_row([f'{{{name}}}' for name in PLACEHOLDERS], 'or')}.",
        )


def grade(evidence: Evidence, request: ClassRequest, text: LengthText) -> tuple[Verdict, ...]:
    """A verdict per limit. Limits on a part of the checkpoints look it up in ``evidence.subsets``."""
    for limit in request.limits:
        check(limit)
    return tuple(_grade(evidence, limit, text) for limit in request.limits)


def _grade(evidence: Evidence, limit: ContractLimit, text: LengthText) -> Verdict:
    threshold_m = limit.within_m if limit.statistic == SHARE else limit.limit_m
    parts = [one for one in (evidence, *evidence.subsets) if one.subset == dict(limit.where)]
    if not parts:
        where = shortened([f"{key} = {value}" for key, value in limit.where.items()], rules.MOST_NAMED)
        concluded = (Outcome.NOT_GRADED, f"Not measured: no figures for the checkpoints with {where}.")
        return _verdict(Component.CONTRACT, threshold_m, None, concluded, (), class_name=limit.name)
    part = parts[0]
    sample, n = _sample(part, limit.stratum), _number(part, limit.stratum)
    value_m = _value(part, limit, sample)
    if value_m is None or threshold_m is None:
        why = f"Not measured: {_why_not(limit, sample, part)}."
        return _verdict(
            Component.CONTRACT, threshold_m, None, (Outcome.NOT_GRADED, why), (), class_name=limit.name
        )
    accuracy = _accuracy(limit, sample, value_m, threshold_m, text)
    applied = [accuracy]
    relative = limit.stratum == "relative"
    places = n if relative else sample.places
    if limit.least_checkpoints is not None:
        enough = places >= limit.least_checkpoints
        applied.append(
            Rule(
                name="number of checkpoints",
                source=f"contract: {limit.name}",
                value=float(places),
                limit=float(limit.least_checkpoints),
                unit="count",
                outcome=RuleOutcome.MET if enough else RuleOutcome.NOT_MET,
                words=f"{counted(n, 'checkpoint') if relative else rules.how_many(sample)} counted; "
                f"the contract asks for {limit.least_checkpoints}.",
                decisive=True,
            )
        )
    concluded = rules.conclude(places, "", (accuracy,), applied[1:], asked=True)
    return _verdict(
        Component.CONTRACT,
        threshold_m,
        value_m,
        concluded,
        applied,
        _statement(limit, sample, n, value_m, threshold_m, concluded[0], text),
        class_name=limit.name,
        tested_name=_figure_name(limit),
    )


def _sample(evidence: Evidence, stratum: str) -> Sample:
    return {
        "open": evidence.open_heights,
        "vegetated": evidence.vegetated_heights,
        "easting": evidence.horizontal.axis(0),
        "northing": evidence.horizontal.axis(1),
        "horizontal": evidence.horizontal,
        "3d": evidence.three_d,
    }.get(stratum, Sample())


def _number(evidence: Evidence, stratum: str) -> int:
    if stratum == "relative":
        return 0 if evidence.relative is None else evidence.relative.places
    return _sample(evidence, stratum).n


def _figures(evidence: Evidence, stratum: str) -> object | None:
    summary = evidence.summary
    horizontal = summary.horizontal
    return {
        "open": summary.vertical,
        "vegetated": summary.vegetated,
        "easting": None if horizontal is None else horizontal.easting,
        "northing": None if horizontal is None else horizontal.northing,
        "horizontal": horizontal,
        "3d": summary.three_d,
        "relative": evidence.relative,
    }[stratum]


def _value(evidence: Evidence, limit: ContractLimit, sample: Sample) -> float | None:
    """The size of the statistic; for a share, the error that the asked share does not exceed."""
    if limit.statistic == SHARE:
        return sample.held_by(_least(limit, sample.n)) if sample.n else None
    if limit.statistic == LARGEST:
        return sample.held_by(sample.n) if sample.n else None
    value = getattr(_figures(evidence, limit.stratum), limit.statistic, None)
    return None if value is None else abs(float(value))


def _figure_name(limit: ContractLimit) -> str:
    if limit.statistic == SHARE:
        return f"error that {100 * (limit.least_share or 0.0):g} % do not exceed"
    if limit.statistic == LARGEST:
        return "largest error"
    plain = limit.statistic.removesuffix("_m").replace("_", " ")
    return _NAMES.get(limit.statistic, plain.replace("rmse", "RMSE").replace("rmsd", "RMSD"))


def _least(limit: ContractLimit, n: int) -> int:
    """How many of n make the asked share; the share as written in decimals, so 0.95 of 20 is 19."""
    return ceil(Fraction(repr(limit.least_share)) * n)


def _why_not(limit: ContractLimit, sample: Sample, part: Evidence) -> str:
    if part.why_nobody is not None:
        return part.why_nobody
    if limit.stratum == "relative":
        return "the cloud was not compared with itself"
    if sample.n == 0:
        among = in_a_row([f'{name} "{value}"' for name, value in limit.where.items()]) if limit.where else ""
        return (f"of those with {among}, " if among else "") + sample.why_empty.rstrip(".")
    if "survey" in limit.statistic:
        return f"{limit.statistic} needs the survey uncertainty of every checkpoint"
    return f"{counted(sample.n, 'checkpoint')} give no {limit.statistic}"


def _accuracy(
    limit: ContractLimit, sample: Sample, value_m: float, threshold_m: float, text: LengthText
) -> Rule:
    kind, source = STRATUM_WORDS[limit.stratum], f"contract: {limit.name}"
    if limit.statistic != SHARE:
        figure = f"{limit.name}: {_figure_name(limit)} of {kind}"
        return rules.accuracy_rule(
            figure, value_m, threshold_m, source=source, text=text, limit_name="the limit of"
        )
    inside, least = sample.within(threshold_m), _least(limit, sample.n)
    bound = f"{text.class_value(threshold_m)} {text.small_symbol}"
    return Rule(
        name="accuracy",
        source=source,
        value=value_m,
        limit=threshold_m,
        unit="m",
        outcome=RuleOutcome.MET if inside >= least else RuleOutcome.NOT_MET,
        words=f"{limit.name}: {inside} of {sample.n} {kind} lie within {bound}; at least {least} must.",
        decisive=True,
    )


def _statement(
    limit: ContractLimit,
    sample: Sample,
    n: int,
    value_m: float,
    threshold_m: float,
    outcome: Outcome,
    text: LengthText,
) -> str | None:
    """The contract's sentence, where it is true: it must name the outcome, or the limit must be met."""
    if limit.sentence is None or not (outcome is Outcome.MET or "{outcome}" in limit.sentence):
        return None
    value, threshold = printed_pair(value_m, threshold_m, text)
    words = {
        "name": limit.name,
        "value": value,
        "limit": threshold,
        "unit": text.small_symbol,
        "share": f"{sample.within(threshold_m)} of {n}",
        "n": str(n),
        "outcome": str(outcome),
    }
    return re.sub(r"{(\w+)}", lambda found: words[found[1]], limit.sentence)


STANDARD = Standard(
    key=KEY,
    title=NAME,
    takes=("limits",),
    class_means="whatever the contract names",
    grade=grade,
)
