"""How fast may the rig drive and still meet the class? One sentence from runs already graded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from accuracy.model import Component, GradedRun, Outcome, SpeedDecision
from accuracy.rounding import LengthText, at_places, exceeds, in_a_row, speed

LENGTHS = LengthText()


def decide_fastest(
    runs: Sequence[GradedRun],
    *,
    class_m: float,
    component: Component = Component.VERTICAL,
    text: LengthText = LENGTHS,
) -> SpeedDecision:
    """Name the fastest run that meets the class, or say that none does or that it is not decided.

    ``fastest``: that run's whole interval lies within the class and the whole interval of every
    faster run beyond it. ``none``: every run's whole interval lies beyond the class.
    ``undecided``: anything else, with what stands in the way: an interval that reaches across the
    class, a faster run that was not graded, equal speeds that disagree; and with what the tested
    figures alone would say, graded or not. A slower run that misses the class is pointed out:
    something other than speed is then at work.
    """
    timed = sorted(
        (run for run in runs if run.speed_km_per_h is not None), key=lambda run: (-_speed(run), run.name)
    )
    untimed = [run for run in runs if run.speed_km_per_h is None]
    met = next((run for run in timed if run.outcome is Outcome.MET), None)
    assured = next(
        (run for run in timed if _assured(run, class_m) and not _missed_beside(run, timed, class_m)), None
    )
    limit = f"{text.class_value(class_m)} {text.small_symbol}"
    evidence = tuple(_evidence(run, class_m, text) for run in (*timed, *untimed))
    obstacles = _obstacles(timed, met, class_m, text)
    answer: Literal["fastest", "none", "undecided"]
    if not timed:
        answer, sentence = "undecided", "No run with a known speed was graded, so no speed can be named."
    elif all(_beyond(run, class_m) for run in timed):
        answer = "none"
        sentence = f"No run meets the {limit} class: the slowest, {_named(timed[-1], text)}, does not either."
    elif met is not None and not obstacles:
        answer = "fastest"
        sentence = (
            f"The fastest run that meets the {limit} class is {_named(met, text)}"
            f" with {met.tested_name} {_tested(met, class_m, text)}."
        )
        slow = [_named(run, text) for run in timed if _speed(run) < _speed(met) and _beyond(run, class_m)]
        if slow:
            sentence += f" Something other than speed made {in_a_row(slow)} miss it."
    else:
        answer = "undecided"
        sentence = f"The evidence does not decide which is the fastest run within {limit}: "
        sentence += f"{'; '.join(obstacles)}. {_by_figures(timed, class_m, text)}"
        if assured is not None and assured is not met:
            sentence += f" The fastest run sure to meet it is {_named(assured, text)}."
    return SpeedDecision(
        answer=answer,
        component=component,
        class_m=class_m,
        fastest_met=met.name if met else None,
        fastest_assured=assured.name if assured else None,
        sentence=sentence,
        evidence=evidence,
    )


def _obstacles(
    timed: Sequence[GradedRun], met: GradedRun | None, class_m: float, text: LengthText
) -> list[str]:
    """What keeps the fastest run that meets the class from being the answer."""
    found = []
    in_the_way = [run for run in timed if met is None or _speed(run) >= _speed(met)]
    ungraded = [run for run in in_the_way if run.outcome is Outcome.NOT_GRADED]
    if ungraded:
        names = f"{in_a_row(_named(run, text) for run in ungraded)} {'was' if len(ungraded) == 1 else 'were'}"
        none = len(ungraded) == len(timed) > 1
        found.append("no run was graded" if none else f"{names} not graded")
    graded = [run for run in in_the_way if run not in ungraded]
    across = [run for run in graded if not _assured(run, class_m) and not _beyond(run, class_m)]
    if across:
        one = len(across) == 1
        runs = in_a_row(_named(run, text) for run in across)
        names = f"{'' if one else 's'} of {runs} {'reaches' if one else 'reach'}"
        found.append(f"the 95 % interval{names} across the class")
    for run in graded:
        if run in across:
            continue
        if met is not None and _beyond(run, class_m) and _speed(run) == _speed(met):
            found.append(f"{_named(run, text)} misses it at the same speed as {met.name}")
    return found


def _missed_beside(run: GradedRun, timed: Sequence[GradedRun], class_m: float) -> list[GradedRun]:
    """Runs of the same speed whose tested figure misses the class: no speed is safe that one of two met."""
    return [
        other
        for other in timed
        if _speed(other) == _speed(run) and other.tested_m is not None and exceeds(other.tested_m, class_m)
    ]


def _by_figures(timed: Sequence[GradedRun], class_m: float, text: LengthText) -> str:
    """What the tested figures would say if they were all that counts."""
    within = next(
        (run for run in timed if run.tested_m is not None and not exceeds(run.tested_m, class_m)), None
    )
    if within is None:
        measured = [run for run in timed if run.tested_m is not None]
        if not measured:
            return "None has a tested figure."
        which = "none" if len(measured) == len(timed) else "none that was measured"
        return f"By the tested figures alone, {which} meets it."
    if within.outcome is Outcome.NOT_GRADED:
        why = f": {within.why.rstrip('.')}" if within.why else ""
        return f"By the tested figures alone it would be {_named(within, text)}, which was not graded{why}."
    missed = _missed_beside(within, timed, class_m)
    if missed:
        return (
            f"By the tested figures alone {_named(within, text)} meets it, and at the same speed "
            f"{in_a_row(run.name for run in missed)} {'misses' if len(missed) == 1 else 'miss'} it."
        )
    return f"By the tested figures alone it is {_named(within, text)}."


def _assured(run: GradedRun, class_m: float) -> bool:
    return (
        run.outcome is Outcome.MET
        and run.interval_95_m is not None
        and not exceeds(run.interval_95_m[1], class_m)
    )


def _beyond(run: GradedRun, class_m: float) -> bool:
    low_m = None if run.interval_95_m is None else run.interval_95_m[0]
    return run.outcome is Outcome.NOT_MET and low_m is not None and exceeds(low_m, class_m)


def _speed(run: GradedRun) -> float:
    return run.speed_km_per_h or 0.0


def _named(run: GradedRun, text: LengthText) -> str:
    if run.speed_km_per_h is None:
        return run.name
    return f"{run.name} ({speed(run.speed_km_per_h, text.unit, in_brackets=True)})"


def _tested(run: GradedRun, class_m: float, text: LengthText) -> str:
    if run.tested_m is None:
        return "not known"
    words = f"{text.small_beside(run.tested_m, class_m)} {text.small_symbol}"
    if run.interval_95_m is not None:
        low, high = (text.small_beside(end, class_m) for end in run.interval_95_m)
        words += f" (95 % interval {low} to {high}, {at_places(run.n, run.places)})"
    return words


def _evidence(run: GradedRun, class_m: float, text: LengthText) -> str:
    words = f"{_named(run, text)}: {run.outcome.value}"
    if run.tested_m is not None:
        words += f", {run.tested_name} {_tested(run, class_m, text)}"
    if run.outcome is Outcome.NOT_GRADED and run.why:
        words += f"; {run.why.rstrip('.')}"
    if run.speed_km_per_h is None:
        words += "; its speed is not known, so it has no part in the decision"
    return words + "."
