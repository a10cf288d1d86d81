"""USGS 3DEP Lidar Base Specification: quality levels QL0 to QL3.

The levels' figures are from memory of versions 1.3 to 2.1 (tables 1, 2 and 4). Second-hand texts
agree on RMSEz of QL0 (5 cm), QL1 and QL2 (10 cm), on QL2's 19.6 cm and 30 cm, and on the swath limits
of 6 and 8 cm. Whether the revisions of 2024 and 2025 changed VVA or the number of checkpoints is not
verified: hold these tables against the current revision before relying on them.

Decisions of ours: the 95 % figure of open terrain (NVA) is 1.96 RMSEz, so it stands or falls with
RMSEz and is printed with it. Checkpoints follow the table by area of ASPRS Edition 1, whose terms the
specification uses, and so does the survey's accuracy. A quality level also asks for pulse density,
which the median point density at the checkpoints only hints at: it is advice here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from accuracy.model import ClassRequest, Component, Rule, RuleOutcome, Verdict
from accuracy.rounding import LengthText, held_apart
from accuracy.standards import rules
from accuracy.standards.asprs_2014 import (
    SURVEY_TIMES,
    VERTICAL_95_FACTOR,
    checkpoints_required,
    vva_rules,
)
from accuracy.standards.base import Evidence, Figure, RelativeAccuracy, Standard

KEY = "usgs-lidar"
NAME = "USGS 3DEP Lidar Base Specification"
_LBS = "USGS LBS"
_verdict = partial(rules.verdict, KEY, NAME)


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityLevel:
    """One level's limits, in metres and pulses per square metre."""

    name: str
    spacing_m: float
    density_per_m2: float
    smooth_surface_rmsd_m: float
    swath_overlap_rmsd_m: float
    rmse_m: float
    nva_95_m: float
    vva_95_m: float


QUALITY_LEVELS = {
    level.name: level
    for level in (
        QualityLevel(
            name="QL0",
            spacing_m=0.35,
            density_per_m2=8.0,
            smooth_surface_rmsd_m=0.03,
            swath_overlap_rmsd_m=0.04,
            rmse_m=0.050,
            nva_95_m=0.098,
            vva_95_m=0.15,
        ),
        QualityLevel(
            name="QL1",
            spacing_m=0.35,
            density_per_m2=8.0,
            smooth_surface_rmsd_m=0.06,
            swath_overlap_rmsd_m=0.08,
            rmse_m=0.100,
            nva_95_m=0.196,
            vva_95_m=0.30,
        ),
        QualityLevel(
            name="QL2",
            spacing_m=0.71,
            density_per_m2=2.0,
            smooth_surface_rmsd_m=0.06,
            swath_overlap_rmsd_m=0.08,
            rmse_m=0.100,
            nva_95_m=0.196,
            vva_95_m=0.30,
        ),
        QualityLevel(
            name="QL3",
            spacing_m=1.41,
            density_per_m2=0.5,
            smooth_surface_rmsd_m=0.12,
            swath_overlap_rmsd_m=0.16,
            rmse_m=0.200,
            nva_95_m=0.392,
            vva_95_m=0.60,
        ),
    )
}


def grade(evidence: Evidence, request: ClassRequest, text: LengthText) -> tuple[Verdict, ...]:
    """Absolute vertical accuracy, and relative accuracy where that was measured."""
    level = None if request.class_name is None else QUALITY_LEVELS[request.class_name]
    relative = evidence.relative
    return (
        _vertical(evidence, level, text),
        *(() if relative is None else (_relative(relative, level, text),)),
    )


def _vertical(evidence: Evidence, level: QualityLevel | None, text: LengthText) -> Verdict:
    sample, figures = evidence.open_heights, evidence.summary.vertical
    name = None if level is None else level.name
    class_m = None if level is None else level.rmse_m
    if figures is None:
        nothing = rules.nothing_measured(sample)
        return _verdict(Component.VERTICAL, class_m, None, nothing, (), class_name=name)
    at_95 = f"{text.small(VERTICAL_95_FACTOR * figures.rmse_m)} {text.small_symbol} at 95 %"
    accuracy = rules.accuracy_rule(
        f"RMSEz in open terrain (NVA {at_95})",
        figures.rmse_m,
        class_m,
        source=f"{_LBS} table 4",
        text=text,
        limit_name="the limit of",
    )
    required = checkpoints_required(evidence.area_m2)
    vva_limit_m = None if level is None else level.vva_95_m
    vva, vva_number = vva_rules(evidence, vva_limit_m, required.vva, source=f"{_LBS} table 4", text=text)
    measured = [accuracy, *(rule for rule in vva if rule.value is not None)]
    others = [
        rules.number_rule(
            sample, required.nva, source=f"{_LBS}, after ASPRS Ed. 1 Table C.1", what="in open terrain (NVA)"
        ),
        *vva_number,
        *(rule for rule in vva if rule.value is None),
        rules.survey_rule(sample, class_m, SURVEY_TIMES, source=f"{_LBS}, after ASPRS Ed. 1", text=text),
        rules.independence_rule(evidence.control_points_set_aside, source=f"{_LBS} checkpoints"),
        *rules.terrain_rules(sample, source=f"{_LBS}, after ASPRS Ed. 1 C.4"),
        *rules.distribution_rules(
            evidence.vertical_distribution, source=f"{_LBS}, after ASPRS Ed. 1 C.4", text=text
        ),
        _density(evidence.density_per_m2, level),
    ]
    concluded = rules.conclude(
        sample.places,
        "",
        measured,
        others,
        asked=level is not None,
        no_class="No quality level was asked for; the figures stand as found.",
    )
    return _verdict(
        Component.VERTICAL, class_m, figures.rmse_m, concluded, (*measured, *others), class_name=name
    )


def _density(density_per_m2: float | None, level: QualityLevel | None) -> Rule:
    limit = None if level is None else level.density_per_m2
    if density_per_m2 is None:
        outcome, words = RuleOutcome.NOT_KNOWN, "The density was not measured."
    else:
        shown = held_apart(density_per_m2, limit or 0.0, decimals=1)
        words = f"{shown} points per m2 at the checkpoints, all returns and passes counted"
        if limit is None:
            outcome = RuleOutcome.NOT_APPLICABLE
        else:
            outcome = RuleOutcome.MET if density_per_m2 >= limit else RuleOutcome.ADVISORY
            words += f"; the level asks for {limit:g} first-return pulses per m2 over the whole area"
        words += "."
    return Rule(
        name="density",
        source=f"{_LBS} table 1",
        value=density_per_m2,
        limit=limit,
        unit="none",
        outcome=outcome,
        words=words,
    )


def _relative(relative: RelativeAccuracy, level: QualityLevel | None, text: LengthText) -> Verdict:
    return rules.relative_verdict(
        relative,
        None if level is None else level.rmse_m,
        [
            (
                "within_swath_rmsd_m",
                "smooth-surface repeatability RMSDz",
                None if level is None else level.smooth_surface_rmsd_m,
            ),
            (
                "swath_to_swath_rmsd_m",
                "swath overlap difference RMSDz",
                None if level is None else level.swath_overlap_rmsd_m,
            ),
        ],
        standard=KEY,
        title=NAME,
        source=f"{_LBS} table 2",
        class_label=None if level is None else level.name,
        text=text,
    )


STANDARD = Standard(
    key=KEY,
    title=NAME,
    takes=("class_name",),
    class_names=tuple(QUALITY_LEVELS),
    class_means="a quality level: RMSEz in open terrain and the 95th percentile in vegetation",
    figures={Component.VERTICAL: Figure(name="RMSEz in open terrain (NVA)", sample=lambda e: e.open_heights)},
    grade=grade,
)
