"""What a comparison comes to, in one word and in one sentence.

After comparison's figures. The swap test and the interval of the RMSE difference are two methods; a
run is called the more accurate only where both say so, which errs less often than either alone.
"""

from __future__ import annotations

from typing import Literal

from accuracy.model import Interval, RunComparison
from accuracy.rounding import NOISE_M, LengthText, fixed, in_a_row

SIGNIFICANCE = 0.05

Finding = Literal[
    "nothing shared",
    "too few",
    "first better",
    "second better",
    "differ within margin",
    "alike",
    "test alone",
    "interval alone",
    "not decided",
]


def finding(one: RunComparison) -> Finding:
    """What the evidence carries.

    ``test alone``: the corrected swap test tells the two apart and the interval reaches across zero;
    ``interval alone``: the other way round.
    """
    interval = one.rmse_difference_interval_95_m
    if interval is None or one.rmse_difference_m is None:
        return "too few" if one.n else "nothing shared"
    p = swap_p_corrected(one)
    tested = p is not None and p <= SIGNIFICANCE
    apart = _apart(interval)
    alike = one.equivalence_p is not None and one.equivalence_p <= SIGNIFICANCE
    if alike:
        return "differ within margin" if tested and apart else "alike"
    if tested != apart:
        return "test alone" if tested else "interval alone"
    if not tested:
        return "not decided"
    return "first better" if one.rmse_difference_m < 0 else "second better"


def swap_p_corrected(one: RunComparison) -> float | None:
    """The p-value that the sentence rests on: of the swap test, corrected where others stand beside it."""
    test = next((test for test in one.tests if test.name == "swap"), None)
    if test is None:
        return None
    return test.p_value if test.p_holm is None else test.p_holm


def sentence(one: RunComparison, text: LengthText) -> str:
    """The comparison in one sentence, its evidence in it."""
    unit = text.small_symbol
    found = finding(one)
    a, b = _called(one.run_a, one.members_a), _called(one.run_b, one.members_b)
    if found == "nothing shared":
        return f"{a} and {b} share no measured checkpoint."
    said = (
        f"At {one.n} shared checkpoint{'' if one.n == 1 else 's'} {a} has RMSE {text.small(one.rmse_a_m)} "
        f"{unit} and {b} {text.small(one.rmse_b_m)} {unit}"
    )
    if one.rmse_difference_interval_95_m is not None:
        said += (
            f", a difference of {difference_text(one, text)} {unit} "
            f"(95 % interval {interval_text(one, text)})"
        )
    said += _conclusion(one, text)
    if one.also_apart_in:
        said += f" The two also differ in {in_a_row(one.also_apart_in)}."
    if one.limited_by:
        said += f" {one.limited_by} measured least: without it they would share at least twice as many."
    return said


def difference_text(one: RunComparison, text: LengthText) -> str:
    """The difference for print: as none only where the interval allows none."""
    difference_m, interval_m = one.rmse_difference_m, one.rmse_difference_interval_95_m
    if difference_m is None or interval_m is None or not _apart(interval_m):
        return text.small(difference_m, signed=True)
    return text.small_change(difference_m)


def interval_text(one: RunComparison, text: LengthText) -> str:
    """The interval for print, with as many digits as show on which side of zero it lies."""
    interval_m = one.rmse_difference_interval_95_m
    if interval_m is None:
        return text.small(None)
    if _apart(interval_m):
        low, high = (text.small_change(end_m) for end_m in interval_m)
    else:
        low, high = (text.small(end_m, signed=True) for end_m in interval_m)
    return f"{low} to {high}"


def _apart(interval_m: Interval) -> bool:
    """Whether an interval lies off zero by more than the noise of a coordinate."""
    return interval_m[0] > NOISE_M or interval_m[1] < -NOISE_M


def _called(label: str, members: tuple[str, ...]) -> str:
    return f"{label} ({len(members)} pooled)" if len(members) > 1 else label


def _conclusion(one: RunComparison, text: LengthText) -> str:
    margin = "" if one.margin_m is None else f"{text.class_value(one.margin_m)} {text.small_symbol}"
    p = swap_p_corrected(one)
    shown = "" if p is None else "p < 0.001" if p < 0.001 else f"p = {fixed(p, 3)}"
    return {
        "too few": "; that is too few, or too alike, to say how sure the difference is.",
        "first better": f": {one.run_a} is the more accurate.",
        "second better": f": {one.run_b} is the more accurate.",
        "differ within margin": f": a real difference, but within {margin} of each other.",
        "alike": f": shown to be alike within {margin}.",
        "test alone": f". The swap test tells them apart ({shown}), the interval does not: not decided.",
        "interval alone": ". The interval tells them apart, the swap test, corrected for all that was "
        f"tested alongside, does not ({shown}): not decided.",
        "not decided": ": no difference is shown, and none is ruled out.",
    }[finding(one)]
