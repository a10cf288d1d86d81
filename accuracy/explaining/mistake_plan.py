"""Explanations of horizontal residuals: shift, scale, rotation, mirror, swapped axes, the foot, the clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from accuracy.explaining.mistake_facts import FrameFacts
from accuracy.explaining.mistake_judging import Candidate, Judge, clear, relevant_m, suggestion
from accuracy.explaining.mistake_models import Explanation, Fit, Sample, columns_of
from accuracy.explaining.mistake_words import Speech
from accuracy.model import FloatArray, Mistake
from accuracy.rounding import fixed
from accuracy.units import LengthUnit

# US survey foot over international foot less one: 2 ppm (exact: 1200/3937 / 0.3048 - 1).
SURVEY_FOOT_EXCESS = LengthUnit.US_SURVEY_FOOT.metres / LengthUnit.INTERNATIONAL_FOOT.metres - 1
UNCOMMON = 6.0
"""Price of a scale or rotation: a constant is the commoner mistake, and a ground distance taken for a grid
distance a commoner one than any other scale (common practice, no source)."""
_GROSS_M = 0.5
"""Below this no one need ask whether a scan is mirrored."""
_GEOID_UNKNOWN_PPM = 10.0
"""Combined factors differ by so much where the geoid height is left out (60 m over the earth's radius)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanContext:
    """What explanations of positions need beside the residuals; arrays are (n,) in the sample's order."""

    easting_m: FloatArray
    northing_m: FloatArray
    """Of the checkpoints, in full."""
    facts: FrameFacts
    speech: Speech
    class_m: float | None
    velocity_m_per_s: FloatArray | None = None
    """(n, 2) east and north of the rig at capture; None where it is not known at every point."""


def plan_candidates(sample: Sample, context: PlanContext) -> list[Candidate]:
    """Every explanation of plan positions that these checkpoints can bear out."""
    n = len(sample)
    found = [_shift(sample, context), *_survey_foot(sample, context)]
    if context.velocity_m_per_s is not None and n >= 5:
        found += _clock(sample, context, context.velocity_m_per_s)
    if n < 5 or float(np.max(np.hypot(*sample.position_m.T))) <= 1.0:
        return found
    found += _ground(sample, context)
    for moves in ([], _moves(n)):
        found += [_scale(sample, context, moves), _rotation(sample, context, moves)]
    if float(np.sqrt(np.mean(sample.residual_m**2))) > _GROSS_M:
        found += [_swapped(sample, context), *_turned(sample, context)]
    return found


def _moves(n: int) -> list[Sequence[FloatArray]]:
    one, zero = np.ones(n), np.zeros(n)
    return [[one, zero], [zero, one]]


def _fits(fit: Fit, n: int, speech: Speech) -> str:
    return speech.holds(n - int(fit.stray.sum()), n, fit.scale_m)


def _shift(sample: Sample, context: PlanContext) -> Candidate:
    n, speech = len(sample), context.speech

    def judge(fit: Fit) -> Mistake | None:
        east, north = (float(value) for value in fit.parameters_m)
        size = float(np.hypot(east, north))
        if not clear(size, float(np.max(fit.standard_error_m)), relevant_m(context.class_m)):
            return None
        return suggestion(
            "shift",
            size,
            "m",
            f"Positions differ by a constant {speech.length(east, signed=True)} east and "
            f"{speech.length(north, signed=True)} north {_fits(fit, n, speech)}: wrong base coordinates, or "
            "a wrong lever arm on a run in one direction?",
        )

    return Candidate(explanation=Explanation(name="shift", columns=columns_of(*_moves(n))), judge=judge)


def _survey_foot(sample: Sample, context: PlanContext) -> list[Candidate]:
    n, speech = len(sample), context.speech
    full = np.column_stack([context.easting_m, context.northing_m])

    def candidate(share: float, words: str) -> Candidate:
        offset = full * share

        def judge(fit: Fit) -> Mistake | None:
            size = float(np.sqrt(np.mean(np.sum(offset**2, axis=1))))
            if size < relevant_m(context.class_m):
                return None
            east, north = (float(value) for value in np.mean(offset, axis=0))
            return suggestion(
                "survey_foot",
                share * 1e6,
                "ppm",
                f"Positions differ by 2 ppm of the full coordinates: {speech.length(east, signed=True)} east "
                f"and {speech.length(north, signed=True)} north here, as they would if {words} "
                f"{_fits(fit, n, speech)}.",
            )

        return Candidate(explanation=Explanation(name="survey foot", offset_m=offset), judge=judge)

    return [
        candidate(SURVEY_FOOT_EXCESS, "US survey feet in the table were taken as international feet"),
        candidate(-SURVEY_FOOT_EXCESS, "international feet in the table were taken as US survey feet"),
    ]


# --------------------------------------------------------------------------- scale and rotation


def _edge_m(sample: Sample) -> float:
    return float(np.max(np.hypot(*sample.position_m.T)))


def _scale(sample: Sample, context: PlanContext, moves: list[Sequence[FloatArray]]) -> Candidate:
    """About the middle of the site, or with a shift too."""
    n, edge, speech, facts = len(sample), _edge_m(sample), context.speech, context.facts

    def judge(fit: Fit) -> Mistake | None:
        at_edge, error = float(fit.parameters_m[0]), float(fit.standard_error_m[0])
        if not clear(at_edge, error, relevant_m(context.class_m)):
            return None
        ppm, error_ppm = at_edge / edge * 1e6, error / edge * 1e6
        for factor in _ground_shares(facts):
            if abs(ppm - factor * 1e6) < max(3 * error_ppm, _GEOID_UNKNOWN_PPM) and abs(factor) > 3e-5:
                return _ground_mistake(factor, fit, sample, context)
        return suggestion(
            "scale",
            ppm,
            "ppm",
            f"The cloud is larger than the survey by {fixed(ppm, 1, signed=True)} ppm: "
            f"{speech.length(at_edge, signed=True)} at {edge:.0f} m from the middle {_fits(fit, n, speech)}. "
            "A scale factor, an atmospheric correction or a range scale?",
        )

    return Candidate(
        explanation=Explanation(
            name="scale",
            columns=columns_of([sample.position_m[:, 0] / edge, sample.position_m[:, 1] / edge], *moves),
            price=2 * UNCOMMON,
        ),
        judge=judge,
    )


def _ground_shares(facts: FrameFacts) -> tuple[float, ...]:
    """Scale of the cloud against the survey if one is on the ground and the other on the grid."""
    factor = facts.combined_factor
    return () if factor is None else (factor - 1, 1 / factor - 1)


def _ground(sample: Sample, context: PlanContext) -> list[Candidate]:
    edge, found = _edge_m(sample), []
    for share in _ground_shares(context.facts):

        def judge(fit: Fit, share: float = share) -> Mistake | None:
            if abs(share) * edge < relevant_m(context.class_m):
                return None
            return _ground_mistake(share, fit, sample, context)

        explanation = Explanation(
            name="ground",
            offset_m=sample.position_m * share,
            columns=columns_of(*_moves(len(sample))),
            price=UNCOMMON,
        )
        found.append(Candidate(explanation=explanation, judge=judge))
    return found


def _ground_mistake(share: float, fit: Fit, sample: Sample, context: PlanContext) -> Mistake:
    factor, edge, speech = context.facts.combined_factor or 1.0, _edge_m(sample), context.speech
    on_ground = (
        "the survey's" if abs(share - (factor - 1)) <= abs(share - (1 / factor - 1)) else "the cloud's"
    )
    return suggestion(
        "ground_for_grid",
        factor,
        "ratio",
        f"The cloud's distances differ from the survey's by {fixed(share * 1e6, 1, signed=True)} ppm "
        f"({speech.length(share * edge, signed=True)} at {edge:.0f} m from the middle) and the combined "
        f"factor computed here is {factor:.8f} {_fits(fit, len(sample), speech)}: are {on_ground} distances "
        "on the ground and the other's on the grid?",
    )


def _rotation(sample: Sample, context: PlanContext, moves: list[Sequence[FloatArray]]) -> Candidate:
    """About the middle of the site, or with a shift too."""
    n, edge, speech = len(sample), _edge_m(sample), context.speech
    east, north = sample.position_m.T

    def judge(fit: Fit) -> Mistake | None:
        at_edge, error = float(fit.parameters_m[0]), float(fit.standard_error_m[0])
        if not clear(at_edge, error, relevant_m(context.class_m)):
            return None
        return _rotation_mistake(float(np.degrees(at_edge / edge)), at_edge, fit, n, context, speech, edge)

    columns = columns_of([-north / edge, east / edge], *moves)
    return Candidate(explanation=Explanation(name="rotation", columns=columns, price=UNCOMMON), judge=judge)


def _rotation_mistake(
    degrees: float, at_edge_m: float, fit: Fit, n: int, context: PlanContext, speech: Speech, edge: float
) -> Mistake:
    turn = "anticlockwise" if degrees > 0 else "clockwise"
    convergence = context.facts.convergence_deg
    close = convergence is not None and abs(abs(degrees) - abs(convergence)) < max(0.02 * abs(degrees), 0.002)
    question = (
        f"that is the meridian convergence here ({convergence:.4f} degrees): true north for grid north?"
        if close
        else "a wrong backsight or heading?"
    )
    return suggestion(
        "rotation",
        degrees,
        "degrees",
        f"The cloud is turned {turn} by {abs(degrees):.4f} degrees against the survey: "
        f"{speech.length(abs(at_edge_m))} at {edge:.0f} m from the middle "
        f"{_fits(fit, n, speech)}; {question}",
    )


# --------------------------------------------------------------------------- mirrors and swaps


def _swapped(sample: Sample, context: PlanContext) -> Candidate:
    n, speech = len(sample), context.speech
    east, north = context.easting_m, context.northing_m

    def judge(fit: Fit) -> Mistake:
        return suggestion(
            "axes_swapped",
            None,
            None,
            f"Each position in the cloud is the checkpoint's with easting and northing swapped "
            f"{_fits(fit, n, speech)}.",
        )

    offset = np.column_stack([north - east, east - north])
    return Candidate(explanation=Explanation(name="swapped", offset_m=offset), judge=judge)


def _turned(sample: Sample, context: PlanContext) -> list[Candidate]:
    """The best mirror image and the best turn by any angle, each with a shift, refined linearly.

    In complex numbers ``cloud = a * survey + b`` turns and ``cloud = a * conj(survey) + b`` mirrors,
    with ``|a| = 1``: least squares gives a from one sum.
    """
    n, speech = len(sample), context.speech
    survey = sample.position_m[:, 0] + 1j * sample.position_m[:, 1]
    move = sample.residual_m[:, 0] + 1j * sample.residual_m[:, 1]
    survey = survey - survey.mean()
    cloud = survey + move - move.mean()

    def candidate(name: str, image: np.ndarray, judge: Judge) -> Candidate:
        offset = image - survey + move.mean()
        columns = columns_of([-image.imag / _edge_m(sample), image.real / _edge_m(sample)], *_moves(n))
        return Candidate(
            explanation=Explanation(
                name=name, offset_m=np.column_stack([offset.real, offset.imag]), columns=columns
            ),
            judge=judge,
        )

    mirror = np.sum(cloud * survey)
    turn = np.sum(cloud * np.conj(survey))
    found = []
    if abs(mirror) > 0:
        mirror /= abs(mirror)
        axis = float(90 - np.degrees(np.angle(mirror)) / 2) % 180

        def mirrored(fit: Fit) -> Mistake:
            return suggestion(
                "mirrored",
                axis,
                "degrees",
                f"The cloud is the mirror image of the survey about a line of azimuth {axis:.1f} degrees "
                f"{_fits(fit, n, speech)}: an axis of the scanner, or of the table, with the wrong sign?",
            )

        found.append(candidate("mirrored", mirror * np.conj(survey), mirrored))
    if abs(turn) > 0:
        turn /= abs(turn)
        degrees, edge = float(np.degrees(np.angle(turn))), _edge_m(sample)

        def turned(fit: Fit) -> Mistake | None:
            at_edge = 2 * edge * float(np.sin(np.radians(abs(degrees)) / 2))
            if at_edge < relevant_m(context.class_m):
                return None
            return _rotation_mistake(degrees, at_edge, fit, n, context, speech, edge)

        found.append(candidate("turned", turn * survey, turned))
    return found


# --------------------------------------------------------------------------- clock


def _clock(sample: Sample, context: PlanContext, velocity_m_per_s: FloatArray) -> list[Candidate]:
    """Positions off along the drive in proportion to speed, if speed or direction varies."""
    n, speech = len(sample), context.speech
    usual = float(np.sqrt(np.mean(velocity_m_per_s**2)))
    varied = velocity_m_per_s - velocity_m_per_s.mean(axis=0)
    if usual < 0.1:
        return []

    def judge(fit: Fit) -> Mistake | None:
        offset, error = (float(value[0]) / usual for value in (fit.parameters_m, fit.standard_error_m))
        # At one constant velocity a clock slip is a shift; it must show in what varies.
        shown = abs(offset) * float(np.sqrt(np.mean(varied**2)))
        if shown * np.sqrt(2 * n) < 5 * fit.scale_m:
            return None
        if not clear(offset * usual, error * usual, relevant_m(context.class_m)):
            return None
        return suggestion(
            "clock_slip",
            offset,
            "s",
            f"Positions are off along the drive by {fixed(offset * 1000, 1, signed=True)} ms times the "
            f"speed {_fits(fit, n, speech)}: the scanner's clock against the trajectory's?",
        )

    columns = (velocity_m_per_s / usual)[:, :, None]
    return [Candidate(explanation=Explanation(name="clock", columns=columns), judge=judge)]
