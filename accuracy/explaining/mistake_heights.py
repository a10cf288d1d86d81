"""Explanations of height residuals: units, height systems, poles, targets, tilt, shifts seen on slopes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import lgamma

import numpy as np

from accuracy.explaining.mistake_facts import FrameFacts
from accuracy.explaining.mistake_judging import Candidate, clear, relevant_m, suggestion
from accuracy.explaining.mistake_models import Explanation, Fit, Sample, columns_of
from accuracy.explaining.mistake_words import MOST_NAMED, Speech
from accuracy.model import BoolArray, FloatArray, Mistake
from accuracy.rounding import fixed, shortened
from accuracy.units import LengthUnit

FOOT_M = LengthUnit.INTERNATIONAL_FOOT.metres
# Poles and tripods: what a crew sets (common practice, no source).
POLES_M = (1.0, 2.6)
USUAL_POLES_M = (1.5, 1.8, 2.0)
# The geoid lies between 107 m below and 86 m above the ellipsoid (from memory, EGM2008); under 5 m it
# cannot be told from other constants. Its slope seldom exceeds an arc minute (common practice, no source).
GEOID_M = (5.0, 110.0)
STEEPEST_GEOID = 3e-4
_FEWEST_IN_GROUP = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeightContext:
    """What explanations of heights need beside the residuals; arrays are (n,) in the sample's order."""

    easting_m: FloatArray
    northing_m: FloatArray
    height_m: FloatArray
    """Of the checkpoints."""
    slope_east: FloatArray
    slope_north: FloatArray
    """Height residual per metre that the cloud is moved: the normal's ratios."""
    marked: BoolArray
    facts: FrameFacts
    speech: Speech
    class_m: float | None
    plan_is_known: bool
    """Whether horizontal residuals were measured: slopes then say nothing new."""


def height_candidates(sample: Sample, context: HeightContext) -> list[Candidate]:
    """Every explanation of heights that these checkpoints can bear out."""
    found = [_constant(sample, context), *_feet(sample, context), *_tilts(sample, context)]
    found += _part(sample, context)
    if _FEWEST_IN_GROUP <= int(context.marked.sum()) <= len(sample) - _FEWEST_IN_GROUP:
        found.append(_targets(sample, context))
    if not context.plan_is_known:
        found += _on_slopes(sample, context)
    return found


# --------------------------------------------------------------------------- constants


def _constant(sample: Sample, context: HeightContext) -> Candidate:
    n = len(sample)

    def judge(fit: Fit) -> Mistake | None:
        size, error = float(fit.parameters_m[0]), float(fit.standard_error_m[0])
        if not clear(size, error, relevant_m(context.class_m)):
            return None
        return _constant_mistake(size, error, fit, n, context)

    return Candidate(explanation=Explanation(name="constant", columns=columns_of([np.ones(n)])), judge=judge)


def _constant_mistake(
    size_m: float, error_m: float, fit: Fit, n: int, context: HeightContext, *, tilted: str = ""
) -> Mistake:
    """The most telling name for a constant difference of heights."""
    speech = context.speech
    kind = constant_kind(size_m, error_m, context.facts)
    fact = (
        f"Heights differ by a constant {speech.length(size_m, signed=True)} "
        f"{speech.holds(n - int(fit.stray.sum()), n, fit.scale_m)}{tilted}"
    )
    return suggestion(kind, size_m, "m", f"{fact}: {_constant_question(kind, size_m, error_m, context)}")


def constant_kind(size_m: float, error_m: float, facts: FrameFacts) -> str:
    """What a constant of this size is called."""
    size = abs(size_m)
    if facts.undulation_m is not None and abs(size - abs(facts.undulation_m)) < max(0.3, 3 * error_m):
        return "ellipsoidal_height"
    if POLES_M[0] <= size <= POLES_M[1] or _pole_slip(size, error_m) is not None:
        return "pole_height"
    if GEOID_M[0] <= size <= GEOID_M[1] and facts.undulation_m is None:
        return "ellipsoidal_height"
    return "shift"


def _pole_slip(size_m: float, error_m: float) -> str | None:
    """A usual pole applied with the wrong sign or in the wrong unit, in words."""
    near = max(0.005, 3 * error_m)
    for pole in USUAL_POLES_M:
        if abs(size_m - 2 * pole) < near:
            return f"twice the usual pole of {pole:.3f} m, so its height was applied with the wrong sign"
        if abs(size_m - pole * (1 / FOOT_M - 1)) < near:
            return f"a pole of {pole:.3f} m given in feet and taken as metres"
        if abs(size_m - pole * (1 - FOOT_M)) < near:
            return f"a pole of {pole:.3f} m given in metres and taken as feet"
    return None


def _constant_question(kind: str, size_m: float, error_m: float, context: HeightContext) -> str:
    facts = context.facts
    if kind == "ellipsoidal_height":
        if facts.undulation_m is not None:
            return (
                f"the geoid height here is {facts.undulation_m:.3f} m; ellipsoidal heights on one side and "
                "orthometric ones on the other?"
            )
        return (
            "the size of a geoid height; ellipsoidal heights on one side and orthometric ones on the other?"
        )
    if kind == "pole_height":
        slip = _pole_slip(abs(size_m), error_m)
        if slip is not None:
            return f"{slip}?"
        usual = any(abs(abs(size_m) - pole) < max(0.005, 3 * error_m) for pole in USUAL_POLES_M)
        word = "a usual pole height, " if usual else "a pole or instrument height "
        return f"{word}entered twice or not at all?"
    return "a wrong benchmark, antenna height or lever arm?"


def _part(sample: Sample, context: HeightContext) -> list[Candidate]:
    """One constant for some of the points: the best split of the sorted residuals into two."""
    r, n = sample.residual_m[:, 0], len(sample)
    if n < 2 * _FEWEST_IN_GROUP:
        return []
    order = np.argsort(r, kind="stable")
    total = np.cumsum(r[order])
    count = np.arange(1, n)
    between = (total[:-1] / count - (total[-1] - total[:-1]) / (n - count)) ** 2 * count * (n - count)
    allowed = (count >= _FEWEST_IN_GROUP) & (n - count >= _FEWEST_IN_GROUP)
    cut = int(count[np.argmax(np.where(allowed, between, -1.0))])
    low = np.zeros(n, dtype=bool)
    low[order[:cut]] = True
    # The group that is off is the one whose mean is farther from zero.
    off = low if abs(float(np.mean(r[low]))) > abs(float(np.mean(r[~low]))) else ~low
    return [_group(sample, context, off, name="part", ways=2 * _log_choose(n, int(off.sum())))]


def _group(sample: Sample, context: HeightContext, off: BoolArray, *, name: str, ways: float) -> Candidate:
    n, count = len(sample), int(off.sum())

    def judge(fit: Fit) -> Mistake | None:
        size, error = float(fit.parameters_m[0]), float(fit.standard_error_m[0])
        # Halves of one noisy crowd lie two or three spreads apart; real groups stand clear.
        if not clear(size, error, max(2 * relevant_m(context.class_m), 8 * fit.scale_m)):
            return None
        speech = context.speech
        ids = [one for one, is_off in zip(sample.ids, off, strict=True) if is_off]
        kind = constant_kind(size, error, context.facts)
        return suggestion(
            kind,
            size,
            "m",
            f"Heights of {count} of {n} checkpoints ({shortened(ids, MOST_NAMED)}) differ by a constant "
            f"{speech.length(size, signed=True)} and the others do not (spread {speech.spread(fit.scale_m)} "
            f"after removal): {_constant_question(kind, size, error, context)}",
        )

    explanation = Explanation(name=name, columns=columns_of([off.astype(np.float64)]), price=ways)
    return Candidate(explanation=explanation, judge=judge)


def _targets(sample: Sample, context: HeightContext) -> Candidate:
    n, count = len(sample), int(context.marked.sum())

    def judge(fit: Fit) -> Mistake | None:
        size, error = float(fit.parameters_m[0]), float(fit.standard_error_m[0])
        if not clear(size, error, 2 * relevant_m(context.class_m)):
            return None
        speech = context.speech
        return suggestion(
            "target_height",
            size,
            "m",
            f"Heights differ by a constant {speech.length(size, signed=True)} at the {count} checkpoints "
            f"with a target and not at the {n - count} without (spread {speech.spread(fit.scale_m)} after "
            "removal): the height of the target's centre against that of the ground?",
        )

    columns = columns_of([context.marked.astype(np.float64)])
    return Candidate(explanation=Explanation(name="targets", columns=columns), judge=judge)


# --------------------------------------------------------------------------- units and tilt


def _feet(sample: Sample, context: HeightContext) -> list[Candidate]:
    n, speech = len(sample), context.speech
    sides = (
        (FOOT_M - 1, "the table's heights were feet and were taken as metres"),
        (
            1 / FOOT_M - 1,
            "the table's heights were metres and were taken as feet, or the cloud's feet taken as metres",
        ),
    )

    def candidate(share: float, words: str) -> Candidate:
        offset = context.height_m * share

        def judge(fit: Fit) -> Mistake | None:
            if float(np.sqrt(np.mean(offset**2))) < 5 * relevant_m(context.class_m):
                return None
            return suggestion(
                "feet_for_metres",
                1 / FOOT_M if share > 0 else FOOT_M,
                "ratio",
                f"Height residuals are {fixed(share, 4, signed=True)} times the height, as they would be if "
                f"{words} {speech.holds(n - int(fit.stray.sum()), n, fit.scale_m)}.",
            )

        return Candidate(explanation=Explanation(name="feet", offset_m=offset[:, None]), judge=judge)

    return [candidate(share, words) for share, words in sides]


def _tilts(sample: Sample, context: HeightContext) -> list[Candidate]:
    """Tilt along the longest extent of the site, and, where it is wide enough, across it too."""
    n = len(sample)
    if n < 6:
        return []
    place = sample.position_m - np.mean(sample.position_m, axis=0)
    _, extent, axes = np.linalg.svd(place, full_matrices=False)
    if extent[0] <= 0:
        return []
    turned = place @ axes.T
    half = np.max(np.abs(turned), axis=0)
    ways = [[turned[:, 0] / half[0]]]
    # Across a corridor's few metres a tilt means nothing.
    if extent[1] > 0.1 * extent[0] and n >= 8:
        ways.append([turned[:, 1] / half[1]])
    choices = [[0], [1], [0, 1]] if len(ways) > 1 else [[0]]
    return [
        _tilt(sample, context, [ways[i] for i in chosen], axes[chosen], half[chosen], lifted=lifted)
        for chosen in choices
        for lifted in (False, True)
    ]


def _tilt(
    sample: Sample,
    context: HeightContext,
    ways: Sequence[Sequence[FloatArray]],
    axes: FloatArray,
    half_m: FloatArray,
    *,
    lifted: bool,
) -> Candidate:
    """One or two directions of tilt, about the middle of the site or lifted by a constant too."""
    n = len(sample)
    lift = [[np.ones(n)]] if lifted else []

    def judge(fit: Fit) -> Mistake | None:
        at_edge, error = fit.parameters_m[len(lift) :], fit.standard_error_m[len(lift) :]
        steep = int(np.argmax(np.abs(at_edge)))
        least = relevant_m(context.class_m)
        # End to end it is twice the size at the edge; every direction that is asked for must be clear.
        if not clear(float(at_edge[steep]), float(error[steep]), least):
            return None
        gradient = (at_edge / half_m) @ axes
        slope = float(np.hypot(*gradient))
        rises = float(np.degrees(np.arctan2(gradient[0], gradient[1])) % 360)
        speech = context.speech
        end_to_end = speech.length(2 * float(np.max(np.abs(at_edge))))
        words = f"{slope * 1e5:.1f} mm per 100 m, rising towards azimuth {rises:.0f} degrees"
        if lifted and slope < STEEPEST_GEOID:
            constant = float(fit.parameters_m[0])
            kind = constant_kind(constant, float(fit.standard_error_m[0]), context.facts)
            if kind == "ellipsoidal_height":
                return _constant_mistake(
                    constant, float(fit.standard_error_m[0]), fit, n, context, tilted=f", sloping by {words}"
                )
        return suggestion(
            "tilt",
            slope * 1000,
            "mm/m",
            f"Heights differ by a plane that tilts by {words}: {end_to_end} "
            f"from end to end {speech.holds(n - int(fit.stray.sum()), n, fit.scale_m)}. The cloud or its "
            "control is tilted?",
        )

    return Candidate(explanation=Explanation(name="tilt", columns=columns_of(*lift, *ways)), judge=judge)


# --------------------------------------------------------------------------- plan, seen on slopes


def _on_slopes(sample: Sample, context: HeightContext) -> list[Candidate]:
    """A shift in plan shows in heights where the ground slopes, if it slopes in more than one way."""
    n = len(sample)
    east, north = context.slope_east, context.slope_north
    spread = np.linalg.svd(
        np.column_stack([east - east.mean(), north - north.mean()]), compute_uv=False
    ) / np.sqrt(n)
    if n < 10 or spread[-1] < 0.01:
        return []
    speech = context.speech

    def judge(fit: Fit) -> Mistake | None:
        move, error = fit.parameters_m[1:], fit.standard_error_m[1:]
        seen = move[0] * (east - east.mean()) + move[1] * (north - north.mean())
        size = float(np.hypot(*move))
        if float(np.sqrt(np.mean(seen**2))) < relevant_m(context.class_m):
            return None
        if not clear(size, float(np.hypot(*error)), 2 * relevant_m(context.class_m)):
            return None
        return suggestion(
            "shift",
            size,
            "m",
            f"Heights are off as the ground slopes: the cloud seems to lie "
            f"{speech.length(float(move[0]), signed=True)} east and "
            f"{speech.length(float(move[1]), signed=True)} north of the marks "
            f"{speech.holds(n - int(fit.stray.sum()), n, fit.scale_m)}. No horizontal position was measured: "
            "put targets down and measure it.",
        )

    shift = Explanation(name="slopes", columns=columns_of([np.ones(n)], [east], [north]))
    return [Candidate(explanation=shift, judge=judge)]


def _log_choose(n: int, k: int) -> float:
    return lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1)
