"""Runs compared: pair by pair, as a matrix, and the fastest one that meets the class.

Part of the pipeline: after the runs are measured and graded.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

from accuracy.model import (
    ClassRequest,
    Component,
    GradedRun,
    Interval,
    Outcome,
    RuleOutcome,
    RunComparison,
    RunMatrix,
    RunRecord,
    SpeedDecision,
    Verdict,
)
from accuracy.rounding import LengthText
from accuracy.statistics.comparison import compare_all_runs, run_matrix
from accuracy.statistics.comparison_groups import compare_by_attributes
from accuracy.statistics.speed import decide_fastest
from accuracy.units import LengthUnit

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
    baseline_run: str | None = None,
) -> Compared:
    """Compare every pair of runs and clouds in every component that both have, and decide on the speed."""
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
        for attribute in dict.fromkeys((None, compare_by)):
            comparisons += compare_all_runs(
                records,
                component,
                margin_m=margin_m,
                attribute=attribute,
                baseline_run=baseline_run,
                text=text,
            )
        comparisons += compare_by_attributes(records, component, margin_m=margin_m, text=text)
    decisions = [
        _decision([one for one in records if one.cloud == cloud], requests[0].standard, component, text)
        for component in _COMPONENTS
        for cloud in dict.fromkeys(one.cloud for one in records)
    ]
    return Compared(
        comparisons=tuple(comparisons),
        matrices=tuple(matrices),
        decisions=tuple(decision for decision in decisions if decision is not None),
    )


def _decision(
    records: Sequence[RunRecord], standard: str, component: Component, text: LengthText
) -> SpeedDecision | None:
    """The fastest run that meets the first request's class, of runs with one kind of cloud.

    None where no class or no speed was given.
    """
    graded = []
    class_m: float | None = None
    for record in records:
        verdict = next(
            (one for one in record.verdicts if (one.standard, one.component) == (standard, component)), None
        )
        if verdict is None or verdict.class_m is None:
            return None
        class_m = verdict.class_m
        figures = record.summary.of(component)
        graded.append(
            GradedRun(
                name=record.name,
                speed_km_per_h=record.speed_km_per_h,
                outcome=verdict.outcome,
                tested_m=verdict.tested_m,
                interval_95_m=interval_of_tested(verdict),
                n=0 if figures is None else figures.n,
                places=None if figures is None else figures.places,
                why=_why_not_graded(verdict),
                tested_name=verdict.tested_name or "RMSE",
            )
        )
    if class_m is None or all(one.speed_km_per_h is None for one in graded):
        return None
    decided = decide_fastest(graded, class_m=class_m, component=component, text=text)
    return dataclasses.replace(decided, cloud=records[0].cloud)


def _why_not_graded(verdict: Verdict) -> str:
    """The rules that leave a verdict open, in words; empty where it is graded."""
    if verdict.outcome is not Outcome.NOT_GRADED:
        return ""
    open_rules = [rule for rule in verdict.rules if rule.decisive and rule.outcome is not RuleOutcome.MET]
    return " ".join(rule.words for rule in open_rules) or verdict.why


def interval_of_tested(verdict: Verdict) -> Interval | None:
    """The 95 % interval of the tested figure: what the figure adds to the fit is added to both ends."""
    interval = verdict.fit_interval_95_m
    if interval is None or verdict.tested_m is None or verdict.fit_m is None:
        return None
    added_m = math.sqrt(max(verdict.tested_m**2 - verdict.fit_m**2, 0.0))
    return math.hypot(interval[0], added_m), math.hypot(interval[1], added_m)
