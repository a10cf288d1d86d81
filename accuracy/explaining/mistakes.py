"""Mistakes that surveyors make, as competing explanations of the residuals. After matching, before reporting.

Nothing is corrected here: each suggestion names a size, its evidence and the check that would confirm it.
Horizontal residuals are explained first; what they explain is taken off the heights through the slope.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from accuracy.explaining.mistake_apart import CloudBoxes, find_apart
from accuracy.explaining.mistake_facts import FrameFacts, frame_facts
from accuracy.explaining.mistake_heights import HeightContext, height_candidates
from accuracy.explaining.mistake_judging import Chosen, choose
from accuracy.explaining.mistake_models import Sample
from accuracy.explaining.mistake_plan import PlanContext, plan_candidates
from accuracy.explaining.mistake_points import control_among, duplicates, shuffled_candidates, too_good
from accuracy.explaining.mistake_times import find_time_slip
from accuracy.explaining.mistake_words import Speech
from accuracy.model import (
    CaptureConditions,
    CheckpointResult,
    Cover,
    FloatArray,
    HorizontalResidual,
    Mistake,
    Role,
    VerticalResidual,
)
from accuracy.rounding import LengthText

__all__ = ["CloudBoxes", "FrameFacts", "find_apart", "find_mistakes", "find_time_slip", "frame_facts"]

_FEWEST = 4
_MOST = 300
"""More than this are thinned evenly: the noise models are dense matrices."""
_ONE_PLANE_M = 2.0
"""The slope at a checkpoint says what a move of the cloud does to its height only nearby."""
_OBSERVED_SIGMA_M = 0.02
"""Of a position that states none, as of coordinates read by an operator (common practice, no source)."""


def find_mistakes(
    checkpoints: Sequence[CheckpointResult],
    *,
    frame: FrameFacts,
    conditions: Sequence[CaptureConditions] = (),
    text: LengthText | None = None,
    vertical_class_m: float | None = None,
    horizontal_class_m: float | None = None,
) -> tuple[Mistake, ...]:
    """What would explain these residuals, most likely first; empty where nothing need be explained.

    Args:
        checkpoints: all of a run; control points among them are only held against the others' places.
        frame: from ``frame_facts``.
        conditions: of ``join_conditions``, for clock slips.
        text: prints sizes in the contract's unit; metric by default.
        vertical_class_m: the class asked for; sizes under a quarter of it are no matter.
        horizontal_class_m: the same in plan.
    """
    speech = Speech(text or LengthText())
    used = [c for c in checkpoints if c.counts]
    plan = _plan(used, frame, conditions, horizontal_class_m, speech)
    moved = {} if plan is None else _moved(*plan)
    found = [] if plan is None else list(plan[1].mistakes)
    found += _heights(used, moved, plan is not None, frame, vertical_class_m, speech)
    found += _table(used, [c for c in checkpoints if c.role is Role.CONTROL], speech)
    return tuple(sorted(found, key=lambda mistake: -mistake.score))


# --------------------------------------------------------------------------- plan


def _plan(
    used: Sequence[CheckpointResult],
    frame: FrameFacts,
    conditions: Sequence[CaptureConditions],
    class_m: float | None,
    speech: Speech,
) -> tuple[Sample, Chosen] | None:
    points = _thinned([c for c in used if isinstance(c.horizontal, HorizontalResidual)])
    if len(points) < _FEWEST:
        return None
    velocity = _velocities(conditions)
    known = [c for c in points if c.id in velocity]
    chosen = _explain_plan(points, None, frame, class_m, speech)
    if len(known) >= max(5, 0.6 * len(points)):
        with_clock = _explain_plan(known, velocity, frame, class_m, speech)
        if with_clock[1].mistakes and with_clock[1].mistakes[0].kind == "clock_slip":
            return with_clock
    return chosen


def _explain_plan(
    points: Sequence[CheckpointResult],
    velocity: dict[str, FloatArray] | None,
    frame: FrameFacts,
    class_m: float | None,
    speech: Speech,
) -> tuple[Sample, Chosen]:
    seen = [c.horizontal for c in points if isinstance(c.horizontal, HorizontalResidual)]
    place = np.array([(c.easting_m, c.northing_m) for c in points])
    sample = Sample(
        ids=tuple(c.id for c in points),
        position_m=place - place.mean(axis=0),
        residual_m=np.array([(h.residual_easting_m, h.residual_northing_m) for h in seen]),
        uncertainty_m=np.array(
            [
                _OBSERVED_SIGMA_M if h.standard_uncertainty_m is None else h.standard_uncertainty_m
                for h in seen
            ]
        ),
        wander_m=_wander_m(class_m),
    )
    context = PlanContext(
        easting_m=place[:, 0],
        northing_m=place[:, 1],
        facts=frame,
        speech=speech,
        class_m=class_m,
        velocity_m_per_s=None if velocity is None else np.array([velocity[c.id] for c in points]),
    )
    candidates = [
        *plan_candidates(sample, context),
        *shuffled_candidates(sample, place, what="positions", speech=speech),
    ]
    return sample, choose(sample, candidates, class_m=class_m, speech=speech)


def _moved(sample: Sample, chosen: Chosen) -> dict[str, FloatArray]:
    """How far the explanation moves the cloud at each checkpoint, as far as its surface stays one plane."""
    if float(np.max(np.hypot(*chosen.predicted_m.T))) > _ONE_PLANE_M:
        return {}
    return dict(zip(sample.ids, chosen.predicted_m, strict=True))


def _velocities(conditions: Sequence[CaptureConditions]) -> dict[str, FloatArray]:
    """Mean velocity (east, north) of the rig at each checkpoint over its passes, by their points."""
    parts: dict[str, list[tuple[float, FloatArray]]] = {}
    for one in conditions:
        if one.speed_m_per_s is not None and one.course_rad is not None:
            way = np.array([np.sin(one.course_rad), np.cos(one.course_rad)])
            parts.setdefault(one.checkpoint_id, []).append((float(one.points), one.speed_m_per_s * way))
    return {
        name: np.asarray(sum(weight * part for weight, part in group) / sum(weight for weight, _ in group))
        for name, group in parts.items()
        if sum(weight for weight, _ in group) > 0
    }


# --------------------------------------------------------------------------- heights


def _heights(
    used: Sequence[CheckpointResult],
    moved: dict[str, FloatArray],
    plan_is_known: bool,
    frame: FrameFacts,
    class_m: float | None,
    speech: Speech,
) -> list[Mistake]:
    # Vegetation lifts heights by itself; it says nothing of mistakes.
    measured = [c for c in used if isinstance(c.vertical, VerticalResidual)]
    points = _thinned([c for c in measured if c.cover is Cover.OPEN])
    if len(points) < _FEWEST:
        return []
    seen = [c.vertical for c in points if isinstance(c.vertical, VerticalResidual)]
    place = np.array([(c.easting_m, c.northing_m, c.height_m) for c in points])
    slope = np.array([(v.normal[0] / v.normal[2], v.normal[1] / v.normal[2]) for v in seen])
    residual = np.array([v.residual_m for v in seen])
    through_slope = np.array([moved.get(c.id, np.zeros(2)) for c in points])
    sample = Sample(
        ids=tuple(c.id for c in points),
        position_m=place[:, :2] - place[:, :2].mean(axis=0),
        residual_m=(residual - np.sum(slope * through_slope, axis=1))[:, None],
        uncertainty_m=np.array([v.standard_uncertainty_m for v in seen]),
        wander_m=_wander_m(class_m),
    )
    context = HeightContext(
        easting_m=place[:, 0],
        northing_m=place[:, 1],
        height_m=place[:, 2],
        slope_east=slope[:, 0],
        slope_north=slope[:, 1],
        marked=np.array([c.mark != "none" for c in points]),
        facts=frame,
        speech=speech,
        class_m=class_m,
        plan_is_known=plan_is_known,
    )
    candidates = [
        *height_candidates(sample, context),
        *shuffled_candidates(sample, place[:, 2:], what="heights", speech=speech),
    ]
    chosen = choose(sample, candidates, class_m=class_m, speech=speech)
    survey = np.array([v.survey_uncertainty_m or 0.0 for v in seen])
    return [*chosen.mistakes, *too_good(sample, survey, speech)]


def _table(
    used: Sequence[CheckpointResult], control: Sequence[CheckpointResult], speech: Speech
) -> list[Mistake]:
    """What the table itself shows, whatever the residuals."""
    ids = [c.id for c in used]
    place = np.array([(c.easting_m, c.northing_m) for c in used]).reshape(-1, 2)
    height = np.array([c.height_m for c in used])
    control_place = np.array([(c.easting_m, c.northing_m) for c in control]).reshape(-1, 2)
    return [
        *duplicates(ids, place, height, speech),
        *control_among(ids, place, [c.id for c in control], control_place),
    ]


def _wander_m(class_m: float | None) -> float:
    """What a run may wander and be ordinary: of a coarse class more is expected than of a good fix."""
    return 0.02 if class_m is None else max(0.02, 0.25 * class_m)


def _thinned(points: Sequence[CheckpointResult]) -> list[CheckpointResult]:
    return list(points[:: -(-len(points) // _MOST) or 1])
