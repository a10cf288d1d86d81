"""Rules that several standards share, and how rules make a verdict.

How a verdict follows from its rules (ours, the same for every standard):

* fewer than three checkpoints are never graded: one or two residuals are anecdotes;
* an accuracy rule that is not met makes the verdict "not met";
* the verdict is "met" only when every decisive rule is met;
* anything else is "not graded", with the words of the rules that are open.

So evidence that is empty, thin or of unknown quality never passes.
"""

from __future__ import annotations

from collections.abc import Sequence

from accuracy.model import (
    Component,
    Distribution,
    Outcome,
    Rule,
    RuleOutcome,
    Verdict,
)
from accuracy.rounding import LengthText, at_places, counted, exceeds, held_apart, printed_pair, shortened
from accuracy.standards.base import RelativeAccuracy, Sample

MOST_NAMED = 8
"""Checkpoints named in a rule before the rest is counted."""
LEAST_TO_GRADE = 3
NO_CLASS = "No class was asked for; the figures stand as found."


# --------------------------------------------------------------------------- rules


def accuracy_rule(
    figure: str,
    value_m: float,
    limit_m: float | None,
    *,
    source: str,
    text: LengthText,
    name: str = "accuracy",
    limit_name: str = "the class of",
) -> Rule:
    """The tested figure against its limit, both unrounded; equal to the limit is within it."""
    unit = text.small_symbol
    if limit_m is None:
        words = f"{figure} was found to be {text.small(value_m)} {unit}."
        return Rule(
            name=name,
            source=source,
            value=value_m,
            limit=None,
            unit="m",
            outcome=RuleOutcome.NOT_APPLICABLE,
            words=words,
            decisive=True,
        )
    value, limit = printed_pair(value_m, limit_m, text)
    met = not exceeds(value_m, limit_m)
    return Rule(
        name=name,
        source=source,
        value=value_m,
        limit=limit_m,
        unit="m",
        outcome=RuleOutcome.MET if met else RuleOutcome.NOT_MET,
        words=f"{figure} is {value} {unit}, {'within' if met else 'more than'} {limit_name} {limit} {unit}.",
        decisive=True,
    )


def number_rule(
    sample: Sample,
    required: int,
    *,
    source: str,
    what: str,
    name: str = "number of checkpoints",
    decisive: bool = True,
) -> Rule:
    """At least ``required`` checkpoints; ``what`` says of which kind, e.g. "in open terrain".

    What counts is the places that they stand at: one point under two ids is one checkpoint.
    """
    n = sample.places
    words = f"{how_many(sample)} {what}; {required} are called for"
    if n < required:
        words += f", {required - n} more {'is' if required - n == 1 else 'are'} needed"
    if sample.not_measured:
        words += f" ({sample.not_measured} further could not be measured)"
    return Rule(
        name=name,
        source=source,
        value=float(n),
        limit=float(required),
        unit="count",
        outcome=RuleOutcome.MET if n >= required else RuleOutcome.NOT_MET,
        words=words + ".",
        decisive=decisive,
    )


def percent(share: float, floor: float) -> str:
    """A share (0 to 1) in percent, without the sign, never rounded across its floor."""
    return held_apart(share, floor, times=100, decimals=1)


def how_many(sample: Sample) -> str:
    """How many checkpoints a sample has, and at how many places where some share one."""
    return at_places(sample.n, sample.places)


def survey_rule(sample: Sample, class_m: float | None, times: int, *, source: str, text: LengthText) -> Rule:
    """The survey at least ``times`` as accurate as the class: its RMS uncertainty <= class / times."""
    name, rms_m = "survey accuracy", sample.survey_rms_m
    limit_m = None if class_m is None else class_m / times
    if rms_m is None:
        return Rule(
            name=name,
            source=source,
            value=None,
            limit=limit_m,
            unit="m",
            outcome=RuleOutcome.NOT_KNOWN,
            words=f"The survey uncertainty of {sample.survey_lacking} of {counted(sample.n, 'checkpoint')} "
            "was not given; give it in the checkpoint table, or one figure for all (--survey-sigma-height or "
            "--survey-sigma-horizontal; in a job file checkpoints.survey_sigma_height or "
            "checkpoints.survey_sigma_horizontal).",
            decisive=True,
        )
    if limit_m is None:
        return Rule(
            name=name,
            source=source,
            value=rms_m,
            limit=None,
            unit="m",
            outcome=RuleOutcome.NOT_APPLICABLE,
            words=f"The checkpoints were surveyed to {text.small(rms_m)} {text.small_symbol} (RMS).",
            decisive=True,
        )
    # One round figure for all checkpoints, exactly a half or third of the class, is common: the last
    # bit of a root does not decide.
    met = not exceeds(rms_m, limit_m)
    value, limit = printed_pair(rms_m, limit_m, text)
    return Rule(
        name=name,
        source=source,
        value=rms_m,
        limit=limit_m,
        unit="m",
        outcome=RuleOutcome.MET if met else RuleOutcome.NOT_MET,
        words=f"The checkpoints were surveyed to {value} {text.small_symbol} (RMS); to be {times} times as "
        f"accurate as the class they may have {limit} {text.small_symbol}"
        + ("." if met else ", so they cannot test this class."),
        decisive=True,
    )


def independence_rule(control_points: int, *, source: str) -> Rule:
    """Points marked as control never count; that the others are independent, the surveyor vouches."""
    aside = (
        f"{counted(control_points, 'control point')} set aside"
        if control_points
        else "None is marked as control"
    )
    return Rule(
        name="independence",
        source=source,
        value=float(control_points),
        limit=None,
        unit="count",
        outcome=RuleOutcome.ADVISORY,
        words=f"Checkpoints must have had no part in processing. {aside}; the surveyor vouches for the rest.",
    )


def blunder_rule(
    sample: Sample, class_m: float | None, times: float, *, source: str, text: LengthText
) -> Rule:
    """Errors above ``times`` the class are treated as blunders: looked into, never dropped unsaid."""
    limit_m = None if class_m is None else times * class_m
    above = (
        ()
        if limit_m is None
        else tuple(i for i, size in zip(sample.ids, sample.sizes_m, strict=True) if exceeds(size, limit_m))
    )
    if limit_m is None:
        outcome, words = RuleOutcome.NOT_APPLICABLE, "Without a class no residual can be called a blunder."
    else:
        limit = f"{text.small(limit_m)} {text.small_symbol}"
        outcome = RuleOutcome.ADVISORY if above else RuleOutcome.MET
        words = (
            f"{counted(len(above), 'residual')} above {times:g} times the class ({limit}), to be looked "
            f"into: {shortened(above, MOST_NAMED)}."
            if above
            else f"No residual is above {times:g} times the class ({limit})."
        )
    return Rule(
        name="blunders",
        source=source,
        value=None if limit_m is None else float(len(above)),
        limit=None if limit_m is None else 0.0,
        unit="count",
        outcome=outcome,
        words=words,
    )


def distribution_rules(distribution: Distribution, *, source: str, text: LengthText) -> tuple[Rule, ...]:
    """Quadrants and spacing for an area; for a corridor the spacing along it, to be judged.

    ASPRS Edition 1 (2014) C.4 and NSSDA (1998) App. 3-C, from memory: at least 20 % of the points in
    each quadrant, spacing at least 10 % of the diagonal, where a rectangular and uniformly good data
    set may be assumed; other shapes are left to judgement.
    """
    if distribution.shape == "area" and distribution.quadrant_shares is not None:
        return _over_an_area(distribution, min(distribution.quadrant_shares), source, text)
    if distribution.shape == "corridor":
        return (_along_a_corridor(distribution, source, text),)
    return (
        Rule(
            name="distribution",
            source=source,
            value=None,
            limit=None,
            unit="none",
            outcome=RuleOutcome.NOT_KNOWN,
            words="How the checkpoints are distributed could not be worked out.",
        ),
    )


def _over_an_area(
    distribution: Distribution, emptiest: float, source: str, text: LengthText
) -> tuple[Rule, ...]:
    shares = [
        ("distribution: quadrants", emptiest, 0.20, "The emptiest quadrant holds {} % of the checkpoints")
    ]
    if distribution.smallest_spacing_m is not None and distribution.diagonal_m:
        spacing = f"{text.large(distribution.smallest_spacing_m, 2)} {text.unit.symbol}"
        share = distribution.smallest_spacing_m / distribution.diagonal_m
        words = f"The two nearest checkpoints are {spacing} apart, {{}} % of the diagonal"
        shares.append(("distribution: spacing", share, 0.10, words))
    return tuple(
        Rule(
            name=name,
            source=source,
            value=100 * share,
            limit=100 * advised,
            unit="percent",
            outcome=RuleOutcome.MET if share >= advised else RuleOutcome.ADVISORY,
            words=words.format(percent(share, advised)) + f"; at least {100 * advised:g} % is advised.",
        )
        for name, share, advised, words in shares
    )


def _along_a_corridor(distribution: Distribution, source: str, text: LengthText) -> Rule:
    gap_m, spacing_m = distribution.largest_gap_m, distribution.median_spacing_m
    words = "The checkpoints lie along a corridor, where quadrants mean nothing"
    if gap_m is not None and spacing_m is not None:
        words += (
            f": median spacing {text.large(spacing_m, 1)} {text.unit.symbol}, "
            f"largest gap {text.large(gap_m, 1)} {text.unit.symbol}"
        )
    return Rule(
        name="distribution: along the corridor",
        source=source,
        value=gap_m,
        limit=None,
        unit="m",
        outcome=RuleOutcome.ADVISORY,
        words=words + "; whether that represents the data is left to judgement.",
    )


def terrain_rules(sample: Sample, *, source: str) -> tuple[Rule, ...]:
    """Advice on where vertical checkpoints should not lie: slopes above 10 %, breaks nearer than 3 m."""
    return tuple(
        Rule(
            name=name,
            source=source,
            value=float(len(ids)),
            limit=0.0,
            unit="count",
            outcome=RuleOutcome.ADVISORY if ids else RuleOutcome.MET,
            words=f"{counted(len(ids), 'checkpoint')} {where}: {shortened(ids, MOST_NAMED)}."
            if ids
            else f"No checkpoint lies {where}.",
        )
        for name, where, ids in (
            ("slope", "on ground steeper than 10 %", sample.slopes_over_10_percent),
            ("breaks", "within 3 m of an abrupt change of height", sample.breaks_within_3_m),
        )
    )


# --------------------------------------------------------------------------- verdicts


def conclude(
    sample_n: int,
    why_empty: str,
    accuracies: Sequence[Rule],
    others: Sequence[Rule],
    *,
    asked: bool,
    no_class: str = NO_CLASS,
) -> tuple[Outcome, str]:
    """What the rules amount to, and why in words; see the top of this module."""
    if sample_n == 0:
        return Outcome.NOT_GRADED, f"Not measured: {why_empty.rstrip('.')}."
    if sample_n < LEAST_TO_GRADE:
        return (
            Outcome.NOT_GRADED,
            f"Only {counted(sample_n, 'checkpoint')} could be measured; fewer than {LEAST_TO_GRADE} are "
            "never graded.",
        )
    if not asked:
        return Outcome.NOT_GRADED, no_class
    failed = [rule for rule in accuracies if rule.outcome is RuleOutcome.NOT_MET]
    unsettled = [
        rule for rule in (*accuracies, *others) if rule.decisive and rule.outcome is not RuleOutcome.MET
    ]
    if failed:
        besides = [rule for rule in unsettled if rule not in failed]
        return Outcome.NOT_MET, " ".join(rule.words for rule in (*failed, *besides))
    if unsettled or not accuracies:
        shown = [rule for rule in accuracies if rule not in unsettled]
        return Outcome.NOT_GRADED, " ".join(rule.words for rule in (*shown, *unsettled))
    return Outcome.MET, " ".join(rule.words for rule in accuracies)


def relative_verdict(
    relative: RelativeAccuracy,
    class_m: float | None,
    limits: Sequence[tuple[str, str, float | None]],
    *,
    standard: str,
    title: str,
    source: str,
    class_label: str | None,
    text: LengthText,
) -> Verdict:
    """The cloud against itself: each figure of ``relative`` against its share of the class.

    ``limits``: field of RelativeAccuracy, its name in words, its limit in metres. The verdict's
    ``tested_m`` and ``class_m`` are the figure nearest to (or farthest over) its limit, and that limit.
    """
    rules: list[Rule] = []
    for field_name, words, limit_m in limits:
        value_m: float | None = getattr(relative, field_name)
        named = words[:1].upper() + words[1:]
        if value_m is not None:
            rules.append(
                accuracy_rule(
                    named,
                    value_m,
                    limit_m,
                    source=source,
                    text=text,
                    name=words,
                    limit_name="the limit of",
                )
            )
            continue
        one_swath = relative.single_swath and field_name.startswith("swath_to_swath")
        rules.append(
            Rule(
                name=words,
                source=source,
                value=None,
                limit=limit_m,
                unit="m",
                outcome=RuleOutcome.NOT_APPLICABLE if one_swath else RuleOutcome.NOT_KNOWN,
                words=f"{named}: {'there is only one swath' if one_swath else 'not measured'}.",
                decisive=not one_swath,
            )
        )
    known = [rule for rule in rules if rule.value is not None]
    outcome, why = conclude(
        relative.places if known else 0,
        "no place shows the same surface twice",
        known,
        [rule for rule in rules if rule.value is None],
        asked=class_m is not None,
    )
    if 0 < relative.places < LEAST_TO_GRADE and known:
        why = (
            f"Only {counted(relative.places, 'place')} compared; fewer than {LEAST_TO_GRADE} are never "
            "graded."
        )
    governing = max(known, key=_nearness, default=None)
    return Verdict(
        standard=standard,
        standard_title=title,
        component=Component.RELATIVE,
        class_m=None if governing is None else governing.limit,
        class_name=class_label,
        tested_m=None if governing is None else governing.value,
        outcome=outcome,
        why=why,
        rules=tuple(rules),
        statement=None,
        tested_name=None if governing is None else governing.name,
    )


def _nearness(rule: Rule) -> tuple[bool, float]:
    if rule.value is None or not rule.limit:
        return False, 0.0
    return rule.outcome is RuleOutcome.NOT_MET, rule.value / rule.limit


def verdict(
    standard: str,
    title: str,
    component: Component,
    class_m: float | None,
    tested_m: float | None,
    concluded: tuple[Outcome, str],
    applied: Sequence[Rule],
    statement: str | None = None,
    class_name: str | None = None,
    tested_name: str | None = None,
) -> Verdict:
    """The record of what ``conclude`` concluded."""
    outcome, why = concluded
    return Verdict(
        standard=standard,
        standard_title=title,
        component=component,
        class_m=class_m,
        class_name=class_name,
        tested_m=tested_m,
        outcome=outcome,
        why=why,
        rules=tuple(applied),
        statement=statement,
        tested_name=tested_name,
    )


def nothing_measured(sample: Sample) -> tuple[Outcome, str]:
    """The conclusion where a stratum holds no residual."""
    return conclude(0, sample.why_empty, (), (), asked=False)
