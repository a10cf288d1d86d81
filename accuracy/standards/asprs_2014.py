"""ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 1, Version 1.0 (2014).

Photogrammetric Engineering & Remote Sensing 81(3), March 2015, A1-A26. Its limits, tables and
sentences stand here from memory except where a comment says otherwise; verify them against the
published text.

What the edition asks and how it is read here:

* An "X cm" horizontal class limits RMSEx and RMSEy each (in Edition 2 it limits RMSE_H).
* An "X cm" vertical class limits RMSEz in open terrain (NVA) to X, and the 95th percentile of the
  absolute error in vegetation (VVA) to 3 X; both must hold.
* The survey is to be three times as accurate as the class, and its error is not added to the figure.

Decisions of ours: below the number of checkpoints of Table C.1, or without the survey's uncertainty,
a figure within the class is not graded; a figure beyond the class is not met. Without checkpoints in
vegetation the class speaks of open terrain only, and the rules say so.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from accuracy.model import ClassRequest, Component, Outcome, Rule, RuleOutcome, Verdict
from accuracy.rounding import LengthText, printed_pair
from accuracy.standards import rules
from accuracy.standards.base import Evidence, Figure, RelativeAccuracy, Sample, Standard

KEY = "asprs-2014"
NAME = "ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 1 (2014)"
_ED1 = "ASPRS Ed. 1 (2014)"
_verdict = partial(rules.verdict, KEY, NAME)

# The factors of NSSDA (1998), which the edition uses: read in quotation of its Appendix 3-A.
HORIZONTAL_95_FACTOR = 1.7308
VERTICAL_95_FACTOR = 1.9600
# From memory: VVA at the 95th percentile, and relative accuracy, as multiples of the vertical class.
VVA_TIMES = 3.00
WITHIN_SWATH_SHARE = 0.60
SWATH_TO_SWATH_RMSD_SHARE = 0.80
SWATH_TO_SWATH_MAX_SHARE = 1.60
# Read second-hand: at least three times more accurate than the data tested.
SURVEY_TIMES = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Required:
    """Checkpoints that Table C.1 calls for."""

    horizontal: int
    nva: int
    vva: int


# Table C.1, from memory: up to so many km2: horizontal, NVA, VVA.
CHECKPOINTS_BY_AREA_KM2 = (
    (500, Required(horizontal=20, nva=20, vva=5)),
    (750, Required(horizontal=25, nva=20, vva=10)),
    (1000, Required(horizontal=30, nva=25, vva=15)),
    (1250, Required(horizontal=35, nva=30, vva=20)),
    (1500, Required(horizontal=40, nva=35, vva=25)),
    (1750, Required(horizontal=45, nva=40, vva=30)),
    (2000, Required(horizontal=50, nva=45, vva=35)),
    (2250, Required(horizontal=55, nva=50, vva=40)),
    (2500, Required(horizontal=60, nva=55, vva=45)),
)


def checkpoints_required(area_m2: float | None) -> Required:
    """Checkpoints for a project of that area; an unknown area takes the table's first row.

    Beyond 2,500 km2, from memory: for each further 500 km2, begun ones counted whole, three more for
    NVA and two more for VVA; horizontally the edition leaves it to the client.
    """
    area_km2 = 0.0 if area_m2 is None else area_m2 / 1e6
    for most_km2, required in CHECKPOINTS_BY_AREA_KM2:
        if area_km2 <= most_km2:
            return required
    last_km2, last = CHECKPOINTS_BY_AREA_KM2[-1]
    further = int(-(-(area_km2 - last_km2) // 500))
    return Required(horizontal=last.horizontal, nva=last.nva + 3 * further, vva=last.vva + 2 * further)


# The reporting forms, from memory; verify them against the published text.
_OPENING = (
    "This data set was tested to meet ASPRS Positional Accuracy Standards for Digital Geospatial Data (2014) "
    "for a {class_} ({unit}) {title}."
)
_HORIZONTAL_TITLE = "RMSEx / RMSEy Horizontal Accuracy Class"
_VERTICAL_TITLE = "RMSEz Vertical Accuracy Class"
# Ours: the edition prescribes no sentence for data that do not meet their class.
_NOT_MET = (
    "This data set was tested against ASPRS Positional Accuracy Standards for Digital Geospatial Data (2014) "
    "and does not meet a {class_} ({unit}) {title}."
)
_OWN_WORDS = (
    "(These are this report's words: the edition prescribes none for data that do not meet their class.)"
)


def _larger_axis_m(sample: Sample) -> float:
    return max(sample.axis(0).rmse_m, sample.axis(1).rmse_m)


# The edition does not add the survey's error.
FIGURES = {
    Component.VERTICAL: Figure(name="RMSEz in open terrain (NVA)", sample=lambda e: e.open_heights),
    Component.HORIZONTAL: Figure(
        name="larger of RMSEx and RMSEy",
        sample=lambda e: e.horizontal,
        of=_larger_axis_m,
        grows_with="larger axis",
    ),
}


def grade(evidence: Evidence, request: ClassRequest, text: LengthText) -> tuple[Verdict, ...]:
    """Vertical and horizontal, and the cloud against itself where that was measured."""
    relative = evidence.relative
    return (
        _vertical(evidence, request.vertical_m, text),
        _horizontal(evidence, request.horizontal_m, text),
        *(() if relative is None else (_relative(relative, request.vertical_m, text),)),
    )


def _vertical(evidence: Evidence, class_m: float | None, text: LengthText) -> Verdict:
    sample, figures = evidence.open_heights, evidence.summary.vertical
    required = checkpoints_required(evidence.area_m2)
    if figures is None:
        return _verdict(Component.VERTICAL, class_m, None, rules.nothing_measured(sample), ())
    nva = rules.accuracy_rule(
        "RMSEz in open terrain (NVA)", figures.rmse_m, class_m, source=f"{_ED1} vertical classes", text=text
    )
    vva, vva_number = vva_rules(
        evidence, None if class_m is None else VVA_TIMES * class_m, required.vva, source=_ED1, text=text
    )
    others = [
        rules.number_rule(sample, required.nva, source=f"{_ED1} Table C.1", what="in open terrain (NVA)"),
        *vva_number,
        *_shared(evidence, sample, class_m, text),
        *rules.terrain_rules(sample, source=f"{_ED1} C.4"),
        *rules.distribution_rules(evidence.vertical_distribution, source=f"{_ED1} C.4", text=text),
    ]
    accuracies = [nva, *(rule for rule in vva if rule.value is not None)]
    others += [rule for rule in vva if rule.value is None]
    concluded = rules.conclude(sample.places, "", accuracies, others, asked=class_m is not None)
    statement = None
    if class_m is not None and concluded[0] is not Outcome.NOT_GRADED:
        value, limit = printed_pair(figures.rmse_m, class_m, text)
        unit, met = text.small_symbol, concluded[0] is Outcome.MET
        parts = [
            (_OPENING if met else _NOT_MET).format(class_=limit, unit=unit, title=_VERTICAL_TITLE),
            f"Actual NVA accuracy was found to be RMSEz = {value} ({unit}), equating to "
            f"+/- {text.small(VERTICAL_95_FACTOR * figures.rmse_m)} ({unit}) at 95% confidence level.",
        ]
        if evidence.vegetated_heights.n:
            found, _ = printed_pair(evidence.vegetated_heights.percentile_95_m(), VVA_TIMES * class_m, text)
            parts.append(f"Actual VVA accuracy was found to be +/- {found} ({unit}) at the 95th percentile.")
        statement = " ".join(parts if met else [*parts, _OWN_WORDS])
    return _verdict(Component.VERTICAL, class_m, figures.rmse_m, concluded, (*accuracies, *others), statement)


def _horizontal(evidence: Evidence, class_m: float | None, text: LengthText) -> Verdict:
    sample, figures = evidence.horizontal, evidence.summary.horizontal
    if figures is None:
        return _verdict(Component.HORIZONTAL, class_m, None, rules.nothing_measured(sample), ())
    axes = (("RMSEx", figures.rmse_easting_m), ("RMSEy", figures.rmse_northing_m))
    accuracies = [
        rules.accuracy_rule(
            name, value, class_m, source=f"{_ED1} horizontal classes", text=text, name=f"accuracy {name}"
        )
        for name, value in axes
    ]
    required = checkpoints_required(evidence.area_m2).horizontal
    others = [
        rules.number_rule(sample, required, source=f"{_ED1} Table C.1", what="with a horizontal position"),
        # RMSEr of the survey against the radial size of a per-axis class: both over the two axes.
        *_shared(evidence, sample, None if class_m is None else 2**0.5 * class_m, text),
        *rules.distribution_rules(evidence.horizontal_distribution, source=f"{_ED1} C.4", text=text),
    ]
    concluded = rules.conclude(sample.places, "", accuracies, others, asked=class_m is not None)
    statement = None
    if class_m is not None and concluded[0] is not Outcome.NOT_GRADED:
        x, limit = printed_pair(figures.rmse_easting_m, class_m, text)
        y, _ = printed_pair(figures.rmse_northing_m, class_m, text)
        unit, met = text.small_symbol, concluded[0] is Outcome.MET
        statement = " ".join(
            [
                (_OPENING if met else _NOT_MET).format(class_=limit, unit=unit, title=_HORIZONTAL_TITLE),
                f"Actual positional accuracy was found to be RMSEx = {x} ({unit}) and RMSEy = {y} ({unit}) "
                "which equates to Positional Horizontal Accuracy = "
                f"+/- {text.small(HORIZONTAL_95_FACTOR * figures.rmse_m)} ({unit}) at 95% confidence level.",
                *(() if met else (_OWN_WORDS,)),
            ]
        )
    tested_m = max(figures.rmse_easting_m, figures.rmse_northing_m)
    return _verdict(Component.HORIZONTAL, class_m, tested_m, concluded, (*accuracies, *others), statement)


def _shared(evidence: Evidence, sample: Sample, class_m: float | None, text: LengthText) -> tuple[Rule, ...]:
    return (
        rules.survey_rule(sample, class_m, SURVEY_TIMES, source=f"{_ED1} survey accuracy", text=text),
        rules.independence_rule(evidence.control_points_set_aside, source=f"{_ED1} checkpoints"),
    )


def vva_rules(
    evidence: Evidence, limit_m: float | None, required: int, *, source: str, text: LengthText
) -> tuple[tuple[Rule, ...], tuple[Rule, ...]]:
    """VVA at the 95th percentile and its number of checkpoints, where any stands in vegetation."""
    sample = evidence.vegetated_heights
    if sample.n == 0:
        missing = Rule(
            name="accuracy in vegetation",
            source=source,
            value=None,
            limit=limit_m,
            unit="m",
            outcome=RuleOutcome.NOT_APPLICABLE,
            words=f"VVA: {sample.why_empty}; the class is tested in open terrain only.",
        )
        return (missing,), ()
    accuracy = rules.accuracy_rule(
        "The 95th percentile in vegetation (VVA)",
        sample.percentile_95_m(),
        limit_m,
        source=source,
        text=text,
        name="accuracy in vegetation",
        limit_name="the limit of",
    )
    number = rules.number_rule(
        sample,
        required,
        source=source,
        what="in vegetation (VVA)",
        name="number of checkpoints in vegetation",
    )
    return (accuracy,), (number,)


def _relative(relative: RelativeAccuracy, class_m: float | None, text: LengthText) -> Verdict:
    limits = (
        ("within_swath_max_m", "within-swath largest difference", WITHIN_SWATH_SHARE),
        ("swath_to_swath_rmsd_m", "swath-to-swath RMSDz", SWATH_TO_SWATH_RMSD_SHARE),
        ("swath_to_swath_max_m", "swath-to-swath largest difference", SWATH_TO_SWATH_MAX_SHARE),
    )
    return rules.relative_verdict(
        relative,
        class_m,
        [(name, words, None if class_m is None else share * class_m) for name, words, share in limits],
        standard=KEY,
        title=NAME,
        source=f"{_ED1} vertical classes",
        class_label=None
        if class_m is None
        else f"{text.class_value(class_m)} {text.small_symbol} vertical class",
        text=text,
    )


STANDARD = Standard(
    key=KEY,
    title=NAME,
    takes=("vertical_m", "horizontal_m"),
    class_means="RMSEz in open terrain, and RMSEx and RMSEy each",
    figures=FIGURES,
    grade=grade,
)
