"""ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2, Version 2 (2024).

Section numbers are those of Version 1.0 (2023), read second-hand, section by section, unless a
comment says otherwise; verify them against the published text.

What the edition asks and how it is read here:

* A class is any number: RMSE_V for heights (7.4), RMSE_H for position (7.3), RMSE_3D (7.5).
  In Edition 1 an "X cm" horizontal class limited each axis; here it limits RMSE_H.
* The product's accuracy is the fit to the checkpoints and the survey's own error, in quadrature
  (7.11): the survey's error makes the figure worse, it is never subtracted.
* The class of heights turns on NVA; VVA is reported as found (7.4).

Decisions of ours, where the edition is silent or leaves a choice:

* Without the survey's uncertainty the product's accuracy is not known. If the fit alone exceeds the
  class, the class is not met; otherwise it is not graded, because passing would be unproven.
* Below the required number of checkpoints the edition's form says "produced to meet ... using the
  reduced number", not "tested to meet". So: not met if the figure exceeds the class; otherwise not
  graded, with that form as the statement.
* A survey that is not twice as accurate as the class (7.12) cannot show that the class is met.
* VVA is combined with its own survey error like NVA, and a small number of vegetated checkpoints
  changes only the VVA sentence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from accuracy.model import (
    AxisSummary,
    ClassRequest,
    Component,
    HorizontalSummary,
    Outcome,
    Rule,
    RuleOutcome,
    ThreeDSummary,
    Verdict,
)
from accuracy.rounding import LengthText, exceeds, printed_pair
from accuracy.standards import rules
from accuracy.standards.base import Evidence, Figure, RelativeAccuracy, Sample, Standard

KEY = "asprs-2024"
NAME = "ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2, Version 2 (2024)"
_ED2 = "ASPRS Ed. 2 (2024)"
_verdict = partial(rules.verdict, KEY, NAME)

# 7.13: NVA, VVA and horizontal each on no fewer than 30.
LEAST_CHECKPOINTS = 30
# Table C.1 (location: excerpt only; rows from memory, the ends 30 and 120 read in a summary of the
# edition): project area up to so many km2, checkpoints.
CHECKPOINTS_BY_AREA_KM2 = (
    (1000, 30),
    (2000, 40),
    (3000, 50),
    (4000, 60),
    (5000, 70),
    (6000, 80),
    (7000, 90),
    (8000, 100),
    (9000, 110),
    (10000, 120),
)
MOST_CHECKPOINTS = 120

# 7.12: at least two times more accurate than the required product accuracy.
SURVEY_TIMES = 2
# 7.2: |mean error| recommended below 25 % of the target RMSE.
MEAN_SHARE = 0.25
# 7.2, excerpt only: an error above three times the target RMSE is treated as a blunder.
BLUNDER_TIMES = 3.0
# 7.4: shares of the vertical class, for relative accuracy.
WITHIN_SWATH_SHARE = 0.60
SWATH_TO_SWATH_RMSD_SHARE = 0.80
SWATH_TO_SWATH_MAX_SHARE = 1.60


def checkpoints_required(area_m2: float | None) -> int:
    """Checkpoints of each kind (horizontal, NVA, VVA) for a project of that area; Table C.1.

    The edition splits the area by land cover; here the whole area stands for each part, which never
    asks for too few.
    """
    for most_km2, number in CHECKPOINTS_BY_AREA_KM2:
        if area_m2 is None or area_m2 <= most_km2 * 1e6:
            return number
    return MOST_CHECKPOINTS


# The reporting forms. Verify each against the published text before relying on its letter:
# tested, horizontal: opening from an excerpt of the 2024 text, second sentence from memory;
# tested, vertical: sentences from a second-hand quotation of the 2023 text, with the 2024 opening;
# reduced: from an excerpt of the 2024 text; three-dimensional: by analogy, from memory.
_TESTED = f"This data set was tested to meet {NAME} for a {{class_}} ({{unit}}) {{symbol}} {{title}}."
_REDUCED = (
    f"This data set was tested as required by {NAME}. Although the Standards call for a minimum of "
    "thirty (30) checkpoints, this test was performed using ONLY {n}."
)
_PRODUCED = "This data set was produced to meet a {class_} ({unit}) {symbol} {title}."
_NVA = "The Non-Vegetated Vertical Accuracy (NVA)"
_VVA = "The Vegetated Vertical Accuracy (VVA)"
# Ours: the edition prescribes no sentence for these cases.
_NOT_MET = (
    f"This data set was tested against {NAME} and does not meet a {{class_}} ({{unit}}) {{symbol}} {{title}}."
)
_OWN_WORDS = (
    "(These are this report's words: the edition prescribes none for data that do not meet their class.)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Form:
    """How a component is named in rules and statements."""

    component: Component
    symbol: str
    class_title: str
    tested: str
    reduced: str
    has_produced: bool
    what: str


_VERTICAL = _Form(
    component=Component.VERTICAL,
    symbol="RMSE_V",
    class_title="Vertical Accuracy Class",
    tested="NVA accuracy",
    reduced=_NVA,
    has_produced=True,
    what="with a height in open terrain (NVA)",
)
_HORIZONTAL = _Form(
    component=Component.HORIZONTAL,
    symbol="RMSE_H",
    class_title="Horizontal Positional Accuracy Class",
    tested="The tested horizontal positional accuracy",
    reduced="The tested horizontal positional accuracy",
    has_produced=True,
    what="with a horizontal position",
)
_THREE_D = _Form(
    component=Component.THREE_D,
    symbol="RMSE_3D",
    class_title="Three-Dimensional Positional Accuracy Class",
    tested="The tested three-dimensional positional accuracy",
    reduced="The tested three-dimensional positional accuracy",
    # The edition has no "produced to meet" form in three dimensions (excerpt only).
    has_produced=False,
    what="with both a horizontal position and a height",
)


def grade(evidence: Evidence, request: ClassRequest, text: LengthText) -> tuple[Verdict, ...]:
    """Vertical, horizontal and 3D, and the cloud against itself where that was measured."""
    figures, relative = evidence.summary, evidence.relative
    return (
        _component(_VERTICAL, evidence, figures.vertical, request.vertical_m, text),
        _component(_HORIZONTAL, evidence, figures.horizontal, request.horizontal_m, text),
        _component(_THREE_D, evidence, figures.three_d, request.three_d_m, text),
        *(() if relative is None else (_relative(relative, request.vertical_m, text),)),
    )


# 7.1, 7.11.
FIGURES = {
    Component.VERTICAL: Figure(name="RMSE_V", sample=lambda e: e.open_heights, survey_added=True),
    Component.HORIZONTAL: Figure(name="RMSE_H", sample=lambda e: e.horizontal, survey_added=True),
    Component.THREE_D: Figure(name="RMSE_3D", sample=lambda e: e.three_d, survey_added=True),
}


def _sample(form: _Form, evidence: Evidence) -> Sample:
    return FIGURES[form.component].sample(evidence)


def _component(
    form: _Form,
    evidence: Evidence,
    figures: AxisSummary | HorizontalSummary | ThreeDSummary | None,
    class_m: float | None,
    text: LengthText,
) -> Verdict:
    sample = _sample(form, evidence)
    tested_m = FIGURES[form.component].tested_m(sample)
    if figures is None or tested_m is None:
        return _verdict(form.component, class_m, None, rules.nothing_measured(sample), ())
    accuracy = _accuracy(form, tested_m, class_m, text, survey_known=not sample.survey_lacking)
    required = checkpoints_required(evidence.area_m2)
    vertical = form is _VERTICAL
    distribution = evidence.vertical_distribution if vertical else evidence.horizontal_distribution
    others = [
        rules.number_rule(sample, required, source=f"{_ED2} 7.13, C.3 Table C.1", what=form.what),
        rules.survey_rule(sample, class_m, SURVEY_TIMES, source=f"{_ED2} 7.12", text=text),
        rules.independence_rule(evidence.control_points_set_aside, source=f"{_ED2} 7.12"),
        _mean(sample, class_m, text),
        rules.blunder_rule(sample, class_m, BLUNDER_TIMES, source=f"{_ED2} 7.2", text=text),
        *rules.distribution_rules(distribution, source=f"{_ED2} C.4", text=text),
    ]
    if vertical:
        others += rules.terrain_rules(sample, source=f"{_ED2} 7.12")
        others += _vva_rules(evidence, required, text)
    concluded = rules.conclude(sample.places, "", (accuracy,), others, asked=class_m is not None)
    applied = (accuracy, *others)
    statement = None
    if class_m is not None and sample.places >= rules.LEAST_TO_GRADE:
        statement = _statement(form, evidence, tested_m, class_m, concluded[0], applied, text)
    return _verdict(form.component, class_m, tested_m, concluded, applied, statement)


# --------------------------------------------------------------------------- rules


def product_accuracy_m(
    figures: AxisSummary | HorizontalSummary | ThreeDSummary, sample: Sample
) -> float | None:
    """Fit and survey in quadrature; None unless every checkpoint has a survey uncertainty.

    7.11 (excerpt only; subscripts from memory): RMSE_V = sqrt(RMSE_V1^2 + RMSE_V2^2), and the same
    for H. The survey's part of RMSE_H is taken as radial, both axes together, like RMSE_H itself;
    whether the edition means that is to be verified.
    """
    return None if sample.survey_lacking else figures.rmse_with_survey_m


def _accuracy(
    form: _Form, tested_m: float, class_m: float | None, text: LengthText, *, survey_known: bool
) -> Rule:
    source = f"{_ED2} 7.3 to 7.5, 7.11"
    figure = f"{form.symbol}, survey error included," if survey_known else f"{form.symbol} of the fit alone"
    if survey_known or class_m is None or exceeds(tested_m, class_m):
        return rules.accuracy_rule(figure, tested_m, class_m, source=source, text=text)
    value, limit = printed_pair(tested_m, class_m, text)
    return Rule(
        name="accuracy",
        source=source,
        value=tested_m,
        limit=class_m,
        unit="m",
        outcome=RuleOutcome.NOT_KNOWN,
        words=f"{figure} is {value} {text.small_symbol} for a class of {limit} "
        f"{text.small_symbol}, but the edition adds the survey's own error.",
        decisive=True,
    )


def _mean(sample: Sample, class_m: float | None, text: LengthText) -> Rule:
    # Several axes: the largest of their means, which is the stricter reading.
    mean_m = float(max(abs(sample.means_m)))
    limit_m = None if class_m is None else MEAN_SHARE * class_m
    if limit_m is None:
        outcome = RuleOutcome.NOT_APPLICABLE
        words = f"The mean error is {text.small(mean_m)} {text.small_symbol}."
    else:
        small = exceeds(limit_m, mean_m)
        outcome = RuleOutcome.MET if small else RuleOutcome.ADVISORY
        value, limit = printed_pair(mean_m, limit_m, text)
        words = (
            f"The mean error is {value} {text.small_symbol}; less than a quarter of the class, {limit} "
            f"{text.small_symbol}, is recommended"
            + ("." if small else ", so it is to be investigated and reported.")
        )
    return Rule(
        name="mean error",
        source=f"{_ED2} 7.2",
        value=mean_m,
        limit=limit_m,
        unit="m",
        outcome=outcome,
        words=words,
    )


def _vva_rules(evidence: Evidence, required: int, text: LengthText) -> tuple[Rule, ...]:
    sample, figures = evidence.vegetated_heights, evidence.summary.vegetated
    source = f"{_ED2} 7.4, 7.13"
    if figures is None or sample.n == 0:
        words = f"VVA: {sample.why_empty}; the class speaks of open terrain."
        return (_found(None, source, words),)
    tested_m = product_accuracy_m(figures, sample)
    shown_m = figures.rmse_m if tested_m is None else tested_m
    words = (
        f"VVA was found to be RMSE_V = {text.small(shown_m)} {text.small_symbol}"
        + ("" if tested_m is not None else " for the fit alone (the survey's uncertainty was not given)")
        + "; the edition sets it no limit."
    )
    number = rules.number_rule(
        sample,
        required,
        source=source,
        what="with a height in vegetation (VVA)",
        name="number of checkpoints in vegetation",
        decisive=False,
    )
    return _found(shown_m, source, words), number


def _found(value_m: float | None, source: str, words: str) -> Rule:
    return Rule(
        name="VVA as found",
        source=source,
        value=value_m,
        limit=None,
        unit="m",
        outcome=RuleOutcome.NOT_APPLICABLE,
        words=words,
    )


def _relative(relative: RelativeAccuracy, class_m: float | None, text: LengthText) -> Verdict:
    limits = (
        ("within_swath_max_m", "within-swath largest difference", WITHIN_SWATH_SHARE),
        ("swath_to_swath_rmsd_m", "swath-to-swath RMSD_Z", SWATH_TO_SWATH_RMSD_SHARE),
        ("swath_to_swath_max_m", "swath-to-swath largest difference", SWATH_TO_SWATH_MAX_SHARE),
    )
    return rules.relative_verdict(
        relative,
        class_m,
        [(name, words, None if class_m is None else share * class_m) for name, words, share in limits],
        standard=KEY,
        title=NAME,
        source=f"{_ED2} 7.4, 7.14",
        class_label=None
        if class_m is None
        else f"{text.class_value(class_m)} {text.small_symbol} vertical class",
        text=text,
    )


# --------------------------------------------------------------------------- statements


def _statement(
    form: _Form,
    evidence: Evidence,
    tested_m: float,
    class_m: float,
    outcome: Outcome,
    applied: Sequence[Rule],
    text: LengthText,
) -> str | None:
    """The edition's sentences for this outcome, a line per paragraph; None where none would be true."""
    sample = _sample(form, evidence)
    n, counted = sample.places, rules.how_many(sample)
    value, limit = printed_pair(tested_m, class_m, text)
    words = {"class_": limit, "unit": text.small_symbol, "symbol": form.symbol, "title": form.class_title}
    figure = f"{form.symbol} = {value} ({text.small_symbol})"
    vva = _vva_sentences(evidence, words, outcome, text) if form is _VERTICAL else ()
    if outcome is Outcome.MET:
        return _joined(_TESTED.format(**words), f"{form.tested} was found to be {figure}.", *vva)
    if outcome is Outcome.NOT_MET:
        known = sample.survey_rms_m is not None
        alone = "" if known else " for the fit alone, before the survey's own error is added"
        found = f"{form.reduced} was found to be {figure}{alone}, using {counted}."
        return _joined(_NOT_MET.format(**words), found, *vva, _OWN_WORDS)
    unsettled = [r.name for r in applied if r.decisive and r.outcome is not RuleOutcome.MET]
    if unsettled == ["number of checkpoints"] and n < LEAST_CHECKPOINTS:
        return _joined(
            _REDUCED.format(n=counted),
            *((_PRODUCED.format(**words),) if form.has_produced else ()),
            f"{form.reduced} was found to be {figure} using the reduced number of checkpoints.",
            *vva,
        )
    return None


def _joined(*parts: str) -> str:
    return " ".join(parts).replace(" \n", "\n")


def _vva_sentences(
    evidence: Evidence, words: Mapping[str, str], outcome: Outcome, text: LengthText
) -> tuple[str, ...]:
    """What the vertical statement says of vegetation: nothing where no checkpoint stands in it."""
    sample, figures = evidence.vegetated_heights, evidence.summary.vegetated
    if figures is None or sample.n == 0:
        return ()
    tested_m = product_accuracy_m(figures, sample)
    figure = f"RMSE_V = {text.small(figures.rmse_m if tested_m is None else tested_m)} ({text.small_symbol})"
    if tested_m is None:
        return (f"{_VVA} of the fit alone was found to be {figure}; the survey's own error is not known.",)
    if sample.places < LEAST_CHECKPOINTS and outcome is not Outcome.NOT_MET:
        return (
            "\n" + _REDUCED.format(n=rules.how_many(sample)),
            _PRODUCED.format(**words),
            f"{_VVA} was found to be {figure} using the reduced number of checkpoints.",
        )
    if outcome is Outcome.MET:
        return (f"VVA accuracy was found to be {figure}.",)
    return (f"{_VVA} was found to be {figure}, using {rules.how_many(sample)}.",)


STANDARD = Standard(
    key=KEY,
    title=NAME,
    takes=("vertical_m", "horizontal_m", "three_d_m"),
    class_means="RMSE_V, RMSE_H and RMSE_3D, survey error included",
    figures=FIGURES,
    grade=grade,
)
