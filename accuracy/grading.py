"""Measured checkpoints -> figures and verdicts of one run; the same for a check and a recheck.

Part of the pipeline: after matching, before the record.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping, Sequence

import numpy as np

from accuracy.model import (
    CheckpointInfluence,
    CheckpointResult,
    ClassRequest,
    Component,
    Cover,
    Distribution,
    FaceShift,
    HorizontalResidual,
    Outcome,
    Result,
    RunRecord,
    Summary,
    Verdict,
    VerticalResidual,
)
from accuracy.rounding import LengthText
from accuracy.standards import grade, overall_outcome
from accuracy.standards.base import Evidence, RelativeAccuracy, evidence_from
from accuracy.statistics.distribution import distribution
from accuracy.statistics.influence import influence
from accuracy.statistics.intervals import probability_rmse_below
from accuracy.statistics.summary import summarise
from accuracy.subsets import attribute
from accuracy.units import LengthUnit


def graded_record(
    *,
    name: str,
    attributes: Mapping[str, str],
    checkpoints: tuple[CheckpointResult, ...],
    excluded_ids: Collection[str],
    requests: Sequence[ClassRequest],
    unit: LengthUnit,
    remarks: Sequence[str],
    relative: RelativeAccuracy | None = None,
) -> RunRecord:
    """Summarise and grade measured checkpoints; the first request is the statement's."""
    summary = summarise(
        checkpoints,
        excluded_ids=excluded_ids,
        vertical_class_m=requests[0].vertical_m,
        horizontal_class_m=requests[0].horizontal_m,
    )
    of_heights = _distribution([c for c in checkpoints if c.used and c.vertical.measured])
    of_positions = _distribution([c for c in checkpoints if c.used and c.horizontal.measured])
    evidence = evidence_from(
        checkpoints,
        summary,
        of_heights,
        of_positions,
        relative=relative,
        subsets=_singled_out(checkpoints, requests),
    )
    verdicts = [verdict for request in requests for verdict in grade(evidence, request, LengthText(unit))]
    return RunRecord(
        name=name,
        attributes=attributes,
        checkpoints=checkpoints,
        summary=summary,
        verdicts=tuple(_with_probability(verdict, summary, checkpoints) for verdict in verdicts),
        influence=_influence(verdicts, checkpoints),
        face_shift=_face_shift(checkpoints),
        distribution=of_heights,
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _singled_out(
    checkpoints: Sequence[CheckpointResult], requests: Sequence[ClassRequest]
) -> tuple[Evidence, ...]:
    """The evidence of the parts that a contract's limits name by attribute."""
    wanted = {tuple(sorted(limit.where.items())) for request in requests for limit in request.limits}
    parts = []
    for where in sorted(wanted - {()}):
        members = [c for c in checkpoints if all(attribute(c, name) == value for name, value in where)]
        parts.append(evidence_from(members, summarise(members), subset=dict(where)))
    return tuple(parts)


def _distribution(checkpoints: Sequence[CheckpointResult]) -> Distribution:
    return distribution(
        np.array([c.easting_m for c in checkpoints], dtype=np.float64),
        np.array([c.northing_m for c in checkpoints], dtype=np.float64),
    )


def _with_probability(verdict: Verdict, summary: Summary, checkpoints: Sequence[CheckpointResult]) -> Verdict:
    """The chance that the true RMSE meets the class, where the verdict speaks of an RMSE."""
    if verdict.class_m is None or verdict.tested_m is None:
        return verdict
    used = [c for c in checkpoints if c.used]
    rows: list[tuple[float, ...]]
    freedom, survey = None, None
    if verdict.component is Component.VERTICAL and summary.vertical is not None:
        rows = [
            (c.vertical.residual_m,)
            for c in used
            if c.cover is Cover.OPEN and isinstance(c.vertical, VerticalResidual)
        ]
        survey = summary.vertical.survey_rms_m
        if summary.vertical.effective_n is not None:
            freedom = min(float(summary.vertical.n), summary.vertical.effective_n)
    elif verdict.component is Component.HORIZONTAL and summary.horizontal is not None:
        rows = [
            (c.horizontal.residual_easting_m, c.horizontal.residual_northing_m)
            for c in used
            if isinstance(c.horizontal, HorizontalResidual)
        ]
        survey = summary.horizontal.survey_rms_m
    else:
        return verdict
    chance = probability_rmse_below(
        np.array(rows, dtype=np.float64),
        verdict.class_m,
        degrees_of_freedom=freedom,
        survey_rms_m=survey or 0.0,
    )
    return dataclasses.replace(verdict, probability_met=chance)


def _face_shift(checkpoints: Sequence[CheckpointResult]) -> FaceShift | None:
    """The shift of the run that its faces show; None without a face that counts."""
    faces = [point.face for point in checkpoints if point.used and point.face is not None]
    if not faces:
        return None
    # Loaded only where there is a face.
    from accuracy.matching.face import combine_faces

    return combine_faces(faces)


def _influence(
    verdicts: Sequence[Verdict], checkpoints: Sequence[CheckpointResult]
) -> dict[str, tuple[CheckpointInfluence, ...]]:
    """What leaving out each checkpoint would do to the tested figure, survey error included."""
    found = {}
    for verdict in verdicts:
        if verdict.class_m is None or verdict.component.value in found:
            continue
        rows = [(point.id, size) for point in checkpoints if (size := _tested_size(point, verdict.component))]
        if len(rows) > 1:
            found[verdict.component.value] = influence(
                np.array([size for _, size in rows]), ids=[name for name, _ in rows], limit_m=verdict.class_m
            )
    return found


def _tested_size(point: CheckpointResult, component: Component) -> float | None:
    """Size of one checkpoint's residual with its survey uncertainty, as the tested figure adds them up."""
    if not point.used:
        return None
    parts: list[float | None] = []
    if component in (Component.HORIZONTAL, Component.THREE_D):
        if not isinstance(point.horizontal, HorizontalResidual):
            return None
        parts += [point.horizontal.residual_easting_m, point.horizontal.residual_northing_m]
        parts += [point.sigma_easting_m, point.sigma_northing_m]
    if component in (Component.VERTICAL, Component.THREE_D):
        open_only = component is Component.VERTICAL and point.cover is not Cover.OPEN
        if open_only or not isinstance(point.vertical, VerticalResidual):
            return None
        parts += [point.vertical.residual_m, point.sigma_height_m]
    return float(np.sqrt(sum(part**2 for part in parts if part is not None))) if parts else None


def outcome(result: Result) -> Outcome:
    """The answer of the statement's run: not met before not graded before met.

    Without a class the answer is met if anything was measured at all: the job was done.
    """
    if not any(c.used for c in result.run.checkpoints):
        return Outcome.NOT_GRADED
    return overall_outcome(result.run.verdicts) or Outcome.MET
