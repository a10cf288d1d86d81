"""Measured checkpoints -> figures and verdicts of one run; the same for a check and a recheck.

Part of the pipeline: after matching, before the record.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from accuracy.model import (
    AxisSummary,
    CheckpointInfluence,
    CheckpointResult,
    ClassRequest,
    Component,
    Distribution,
    FaceShift,
    FloatArray,
    HorizontalSummary,
    Interval,
    Outcome,
    Result,
    RunRecord,
    Summary,
    ThreeDSummary,
    Verdict,
)
from accuracy.rounding import LengthText
from accuracy.standards import STANDARDS, Figure, Sample, grade, overall_outcome
from accuracy.standards.base import Evidence, RelativeAccuracy, evidence_from
from accuracy.standards.rules import LEAST_TO_GRADE
from accuracy.statistics.distribution import distribution
from accuracy.statistics.influence import influence
from accuracy.statistics.intervals import probability_rmse_below
from accuracy.statistics.stated import rmse_interval
from accuracy.statistics.summary import summarise
from accuracy.subsets import attribute, nobody_has
from accuracy.units import LengthUnit


def graded_record(
    *,
    name: str,
    cloud: str | None = None,
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
        cloud=cloud,
        attributes=attributes,
        checkpoints=checkpoints,
        summary=summary,
        verdicts=tuple(_with_uncertainty(verdict, evidence) for verdict in verdicts),
        influence=_influence(verdicts, evidence),
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
        why = None if members else nobody_has(checkpoints, dict(where))
        parts.append(evidence_from(members, summarise(members), subset=dict(where), why_nobody=why))
    return tuple(parts)


def _distribution(checkpoints: Sequence[CheckpointResult]) -> Distribution:
    return distribution(
        np.array([c.easting_m for c in checkpoints], dtype=np.float64),
        np.array([c.northing_m for c in checkpoints], dtype=np.float64),
    )


def _with_uncertainty(verdict: Verdict, evidence: Evidence) -> Verdict:
    """The interval of the standard's own figure and the chance that the true one meets the class.

    Both follow from the RMSEs that the figure grows with: where it is a multiple of one, its interval
    is that multiple of the RMSE's, and the true figure is within the class where the true RMSE is
    within that part of it. Where each axis is held against the class, the chances multiply.
    """
    figure = STANDARDS[verdict.standard].figures.get(verdict.component)
    if figure is None or verdict.tested_m is None:
        return verdict
    sample = figure.sample(evidence)
    fit_m = figure.of(sample)
    parts = _parts(figure, sample, verdict.component, evidence.summary)
    if fit_m is None or not parts or fit_m == 0:
        return dataclasses.replace(verdict, fit_m=fit_m)
    largest = max(parts, key=lambda part: part.rmse_m)
    times = fit_m / largest.rmse_m
    interval = largest.interval_95_m
    chance = None
    # Too few to grade, or for an interval, are too few for a chance.
    if verdict.class_m is not None and interval is not None and sample.places >= LEAST_TO_GRADE:
        survey_m = math.sqrt(max(verdict.tested_m**2 - fit_m**2, 0.0))
        chances = [
            probability_rmse_below(
                part.residuals_m,
                verdict.class_m / times,
                degrees_of_freedom=part.degrees_of_freedom,
                survey_rms_m=survey_m / times,
            )
            for part in parts
        ]
        # An axis without any error is within every class.
        chance = math.prod(1.0 if one is None else one for one in chances)
    return dataclasses.replace(
        verdict,
        fit_m=fit_m,
        fit_interval_95_m=None if interval is None else (times * interval[0], times * interval[1]),
        probability_met=chance,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """Residuals with the one RMSE that speaks of them."""

    residuals_m: FloatArray
    rmse_m: float
    interval_95_m: Interval | None
    degrees_of_freedom: float | None


def _parts(figure: Figure, sample: Sample, component: Component, summary: Summary) -> tuple[_Part, ...]:
    """What a figure grows with; nothing where no RMSE tells of it."""
    if figure.grows_with == "rank":
        return ()
    if figure.grows_with == "larger axis":
        axes = () if summary.horizontal is None else (summary.horizontal.easting, summary.horizontal.northing)
        return tuple(_part(sample.axis(index), axis) for index, axis in enumerate(axes))
    whole = summary.of(component)
    return () if whole is None else (_part(sample, whole),)


def _part(sample: Sample, figures: AxisSummary | HorizontalSummary | ThreeDSummary) -> _Part:
    return _Part(
        residuals_m=sample.residuals_m,
        rmse_m=figures.rmse_m,
        interval_95_m=rmse_interval(figures),
        degrees_of_freedom=figures.rmse_degrees_of_freedom,
    )


def _face_shift(checkpoints: Sequence[CheckpointResult]) -> FaceShift | None:
    """The shift of the run that its faces show; None without a face that counts."""
    faces = [point.face for point in checkpoints if point.used and point.face is not None]
    if not faces:
        return None
    # Loaded only where there is a face.
    from accuracy.matching.face import combine_faces

    return combine_faces(faces)


def _influence(verdicts: Sequence[Verdict], evidence: Evidence) -> dict[str, tuple[CheckpointInfluence, ...]]:
    """What leaving out each checkpoint would do to the standard's own figure, by component with a class.

    Checkpoints at one place are left out together: any one of them would leave the others to say the same.
    """
    found = {}
    for verdict in verdicts:
        figure = STANDARDS[verdict.standard].figures.get(verdict.component)
        if figure is None or verdict.class_m is None or verdict.component.value in found:
            continue
        sample = figure.sample(evidence)
        members = sample.at.members
        if verdict.tested_m is None or len(members) < 2:
            continue
        without = [figure.tested_m(sample.without(*those)) for those in members]
        known = [one for one in without if one is not None]
        # Where one removal leaves no figure at all, none is told: the answer would have a hole.
        if len(known) == len(members):
            found[verdict.component.value] = influence(
                verdict.tested_m,
                known,
                ids=[", ".join(sample.ids[index] for index in those) for those in members],
                limit_m=verdict.class_m,
            )
    return found


def outcome(result: Result) -> Outcome:
    """The answer of the statement's run: not met before not graded before met.

    Without a class the answer is met if anything was measured at all: the job was done.
    """
    if not any(c.used for c in result.run.checkpoints):
        return Outcome.NOT_GRADED
    return overall_outcome(result.run.verdicts) or Outcome.MET
