"""Runs compared: pair by pair, as a matrix, and the fastest one that meets the class.

Part of the pipeline: after the runs are measured and graded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from accuracy.model import (
    ClassRequest,
    Component,
    GradedRun,
    Interval,
    RunComparison,
    RunMatrix,
    RunRecord,
    SpeedDecision,
    Verdict,
)
from accuracy.rounding import LengthText
from accuracy.statistics.comparison import compare_all_runs, run_matrix
from accuracy.statistics.speed import decide_fastest
from accuracy.units import LengthUnit

SPEED = "speed_km_per_h"
"""The attribute of a run that holds its speed."""
_COMPONENTS = (Component.VERTICAL, Component.HORIZONTAL, Component.THREE_D)


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """What comparing the runs of a job found."""

    comparisons: tuple[RunComparison, ...] = ()
    matrices: tuple[RunMatrix, ...] = ()
    decisions: tuple[SpeedDecision, ...] = ()


def compare_records(
    records: Sequence[RunRecord],
    *,
    requests: Sequence[ClassRequest],
    margin_m: float | None,
    unit: LengthUnit,
    compare_by: str | None = None,
) -> Compared:
    """Compare every pair of runs in every component that both have, and decide on the speed."""
    if len(records) < 2:
        return Compared()
    text = LengthText(unit)
    comparisons: list[RunComparison] = []
    matrices = []
    for component in _COMPONENTS:
        matrix = run_matrix(records, component)
        if not any(value is not None for row in matrix.residual_m for value in row):
            continue
        matrices.append(matrix)
        found = compare_all_runs(records, component, margin_m=margin_m, text=text)
        if compare_by is not None:
            found += compare_all_runs(records, component, margin_m=margin_m, attribute=compare_by, text=text)
        comparisons.extend(one for one in found if one.n > 0)
    decisions = [_decision(records, requests[0].standard, component, text) for component in _COMPONENTS]
    return Compared(
        comparisons=tuple(comparisons),
        matrices=tuple(matrices),
        decisions=tuple(decision for decision in decisions if decision is not None),
    )


def _decision(
    records: Sequence[RunRecord], standard: str, component: Component, text: LengthText
) -> SpeedDecision | None:
    """The fastest run that meets the first request's class; None where no class or no speed was given."""
    graded = []
    class_m: float | None = None
    for record in records:
        verdict = next(
            (one for one in record.verdicts if (one.standard, one.component) == (standard, component)), None
        )
        if verdict is None or verdict.class_m is None:
            return None
        class_m = verdict.class_m
        speed = record.attributes.get(SPEED)
        graded.append(
            GradedRun(
                name=record.name,
                speed_m_per_s=None if speed is None else float(speed) / 3.6,
                outcome=verdict.outcome,
                tested_m=verdict.tested_m,
                interval_95_m=_interval(record, component, verdict),
                n=_count(record, component),
                why=verdict.why,
            )
        )
    if class_m is None or all(one.speed_m_per_s is None for one in graded):
        return None
    return decide_fastest(graded, class_m=class_m, component=component, text=text)


def _figures(record: RunRecord, component: Component) -> tuple[int, float | None, Interval | None]:
    """n, survey RMS and the interval of the RMSE of one component."""
    summary = record.summary
    if component is Component.VERTICAL and summary.vertical is not None:
        return summary.vertical.n, summary.vertical.survey_rms_m, summary.vertical.rmse_interval_95_m
    if component is Component.HORIZONTAL and summary.horizontal is not None:
        return summary.horizontal.n, summary.horizontal.survey_rms_m, summary.horizontal.rmse_interval_95_m
    if component is Component.THREE_D and summary.three_d is not None:
        return summary.three_d.n, summary.three_d.survey_rms_m, summary.three_d.rmse_bootstrap_95_m
    return 0, None, None


def _count(record: RunRecord, component: Component) -> int:
    return _figures(record, component)[0]


def _interval(record: RunRecord, component: Component, verdict: Verdict) -> Interval | None:
    """Of the tested figure: the survey's share is added to both ends, as it is to the figure itself."""
    _, survey_m, interval = _figures(record, component)
    if interval is None or verdict.tested_m is None:
        return interval
    share = survey_m or 0.0
    return (interval[0] ** 2 + share**2) ** 0.5, (interval[1] ** 2 + share**2) ** 0.5
