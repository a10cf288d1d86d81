"""National Standard for Spatial Data Accuracy, FGDC-STD-007.3-1998 (Part 3).

It sets no thresholds (3.2): it says how to test and how to report, at 95 % confidence. A class is
graded only where a contract names one, as a limit of Accuracy_r or Accuracy_z.

Read in quotation: RMSE over identical points against a source of higher accuracy (3.2.1), at least 20
checkpoints (3.2.2), the reporting sentence (3.2.3), Accuracy_r = 1.7308 RMSEr for equal axes
(App. 3-A). Second-hand: Accuracy_z = 1.9600 RMSEz, and the ratio limits 0.6 to 1.0. From memory: the
approximation for unequal axes, and that nothing is offered below 0.6.

Decisions of ours: Accuracy_z is taken in open terrain, since the factor assumes normal errors. Below
the ratio 0.6 no figure is graded; the exact 95 % radius is given for information. Fewer than 20
checkpoints give no statement and no verdict "met".
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from math import cos, erf, exp, inf, pi, sin, sqrt

from accuracy.model import ClassRequest, Component, Rule, RuleOutcome, Verdict
from accuracy.rounding import LengthText, counted, exceeds, held_apart, printed_pair_large
from accuracy.standards import rules
from accuracy.standards.base import Evidence, Figure, Sample, Standard
from accuracy.units import LengthUnit

KEY = "nssda"
NAME = "National Standard for Spatial Data Accuracy, FGDC-STD-007.3-1998"
_NSSDA = "NSSDA (1998)"
_verdict = partial(rules.verdict, KEY, NAME)

# App. 3-A, after Greenwalt and Schultz (1968).
EQUAL_AXES_FACTOR = 1.7308
PER_AXIS_FACTOR = 2.4477
VERTICAL_FACTOR = 1.9600
LEAST_RATIO = 0.6
# 3.2.2: a minimum of 20 checkpoints, so that at 95 % one may fail.
LEAST_CHECKPOINTS = 20

_UNIT_WORDS = {
    LengthUnit.METRE: "meters",
    LengthUnit.INTERNATIONAL_FOOT: "feet",
    LengthUnit.US_SURVEY_FOOT: "U.S. survey feet",
}


def accuracy_r_m(rmse_easting_m: float, rmse_northing_m: float) -> float | None:
    """Horizontal accuracy at 95 % by App. 3-A, metres; None where the axes are too unequal for it."""
    low, high = sorted((rmse_easting_m, rmse_northing_m))
    if low == high:
        return EQUAL_AXES_FACTOR * sqrt(low**2 + high**2)
    if exceeds(LEAST_RATIO * high, low):
        return None
    return PER_AXIS_FACTOR * 0.5 * (low + high)


def exact_radius_95_m(rmse_easting_m: float, rmse_northing_m: float) -> float:
    """Radius of the circle that holds 95 % of errors, normal, independent and centred, per axis.

    Solves P(R <= r) = 0.95 with P by one integral over the angle: for x = r sin(a) along the larger
    axis, the share of y within r cos(a) is an error function. Elementary; no table is used.
    """
    from scipy.integrate import quad
    from scipy.optimize import brentq

    low, high = sorted((rmse_easting_m, rmse_northing_m))
    if high == 0:
        return 0.0
    ratio = low / high

    def shortfall(radius: float) -> float:
        def density(angle: float) -> float:
            across = radius * cos(angle) / ratio if ratio > 0 else inf
            along = exp(-0.5 * (radius * sin(angle)) ** 2) / sqrt(2 * pi)
            return along * radius * cos(angle) * erf(across / sqrt(2))

        # Even in the angle; the integrand is steep only where the small axis vanishes, at the end.
        inside = 2 * quad(density, 0, pi / 2, points=(pi / 2 - min(1.0, 3 * ratio),), epsabs=1e-12)[0]
        return float(inside) - 0.95

    return high * float(brentq(shortfall, 1.9, 2.5, xtol=1e-12))


def accuracy_z_m(sample: Sample) -> float:
    """Vertical accuracy at 95 % by App. 3-A, metres. Only for n > 0."""
    return VERTICAL_FACTOR * sample.rmse_m


# The standard does not add the survey's error.
FIGURES = {
    Component.VERTICAL: Figure(name="Accuracy_z", sample=lambda e: e.open_heights, of=accuracy_z_m),
    Component.HORIZONTAL: Figure(
        name="Accuracy_r",
        sample=lambda e: e.horizontal,
        of=lambda sample: accuracy_r_m(sample.axis(0).rmse_m, sample.axis(1).rmse_m),
    ),
}


def grade(evidence: Evidence, request: ClassRequest, text: LengthText) -> tuple[Verdict, ...]:
    """Accuracy_z in open terrain and Accuracy_r."""
    return _vertical(evidence, request.vertical_m, text), _horizontal(evidence, request.horizontal_m, text)


def _vertical(evidence: Evidence, class_m: float | None, text: LengthText) -> Verdict:
    sample, figures = evidence.open_heights, evidence.summary.vertical
    if figures is None:
        return _verdict(Component.VERTICAL, class_m, None, rules.nothing_measured(sample), ())
    tested_m = accuracy_z_m(sample)
    accuracy = rules.accuracy_rule(
        "Accuracy_z (1.9600 RMSEz) at 95 %", tested_m, class_m, source=f"{_NSSDA} App. 3-A", text=text
    )
    others = [
        *_shared(evidence, sample, figures.rmse_m, text),
        *rules.distribution_rules(evidence.vertical_distribution, source=f"{_NSSDA} App. 3-C", text=text),
    ]
    if evidence.summary.vegetated is not None:
        others.append(_vegetation(evidence.summary.vegetated.rmse_m, evidence.vegetated_heights.n, text))
    return _graded(Component.VERTICAL, class_m, tested_m, sample, accuracy, others, text)


def _horizontal(evidence: Evidence, class_m: float | None, text: LengthText) -> Verdict:
    sample, figures = evidence.horizontal, evidence.summary.horizontal
    if figures is None:
        return _verdict(Component.HORIZONTAL, class_m, None, rules.nothing_measured(sample), ())
    tested_m = FIGURES[Component.HORIZONTAL].of(sample)
    low, high = sorted((figures.rmse_easting_m, figures.rmse_northing_m))
    ratio = low / high if high > 0 else 1.0
    if tested_m is not None:
        ratio = max(ratio, LEAST_RATIO)  # below it by the noise of coordinates is at it
    axes = Rule(
        name="equality of the axes",
        source=f"{_NSSDA} App. 3-A",
        value=ratio,
        limit=LEAST_RATIO,
        unit="ratio",
        outcome=RuleOutcome.MET if tested_m is not None else RuleOutcome.NOT_MET,
        words=f"The smaller of RMSEx and RMSEy is {held_apart(ratio, LEAST_RATIO, decimals=2)} of the "
        "larger; the standard's formula holds from 0.6 to 1."
        + (
            ""
            if tested_m is not None
            else " For information: the exact 95 % radius for independent normal errors is "
            f"{text.small(exact_radius_95_m(low, high))} {text.small_symbol}."
        ),
        decisive=True,
    )
    others = [
        axes,
        *_shared(evidence, sample, figures.rmse_m, text),
        *rules.distribution_rules(evidence.horizontal_distribution, source=f"{_NSSDA} App. 3-C", text=text),
    ]
    if tested_m is None:
        return _verdict(
            Component.HORIZONTAL,
            class_m,
            None,
            rules.conclude(sample.places, "", (), others, asked=True),
            others,
        )
    accuracy = rules.accuracy_rule(
        "Accuracy_r at 95 %", tested_m, class_m, source=f"{_NSSDA} App. 3-A", text=text
    )
    return _graded(Component.HORIZONTAL, class_m, tested_m, sample, accuracy, others, text)


def _shared(evidence: Evidence, sample: Sample, rmse_m: float, text: LengthText) -> list[Rule]:
    survey_m = sample.survey_rms_m
    higher = survey_m is not None and exceeds(rmse_m, survey_m)
    if survey_m is None:
        lacking = f"{sample.survey_lacking} of {counted(sample.n, 'checkpoint')}"
        words = f"The survey uncertainty of {lacking} was not given."
    else:
        words = (
            f"The checkpoints were surveyed to {text.small(survey_m)} {text.small_symbol} (RMS), "
            f"the data agree with them to {text.small(rmse_m)} {text.small_symbol}"
            + ("." if higher else ": the survey is not shown to be the more accurate of the two.")
        )
    survey = Rule(
        name="source of higher accuracy",
        source=f"{_NSSDA} 3.2.1",
        value=survey_m,
        limit=rmse_m,
        unit="m",
        outcome=RuleOutcome.NOT_KNOWN
        if survey_m is None
        else RuleOutcome.MET
        if higher
        else RuleOutcome.ADVISORY,
        words=words,
    )
    number = rules.number_rule(sample, LEAST_CHECKPOINTS, source=f"{_NSSDA} 3.2.2", what="measured")
    independence = rules.independence_rule(evidence.control_points_set_aside, source=f"{_NSSDA} 3.2.2")
    return [number, survey, independence]


def _vegetation(rmse_m: float, n: int, text: LengthText) -> Rule:
    return Rule(
        name="heights in vegetation",
        source="common practice, no source",
        value=rmse_m,
        limit=None,
        unit="m",
        outcome=RuleOutcome.NOT_APPLICABLE,
        words=f"{counted(n, 'checkpoint')} in vegetation "
        f"{'is' if n == 1 else 'are'} not in this figure, whose factor assumes normal errors; "
        f"their RMSE is {text.small(rmse_m)} {text.small_symbol}.",
    )


def _graded(
    component: Component,
    class_m: float | None,
    tested_m: float,
    sample: Sample,
    accuracy: Rule,
    others: Sequence[Rule],
    text: LengthText,
) -> Verdict:
    concluded = rules.conclude(
        sample.places,
        "",
        (accuracy,),
        others,
        asked=class_m is not None,
        no_class="The standard sets no thresholds and the contract names none; the figure stands as found.",
    )
    statement = None
    if all(rule.outcome is RuleOutcome.MET for rule in others if rule.decisive):
        value = text.large(tested_m) if class_m is None else printed_pair_large(tested_m, class_m, text)[0]
        # 3.2.3, read in quotation: Tested ____ (meters, feet) horizontal accuracy at 95% confidence level
        statement = f"Tested {value} {_UNIT_WORDS[text.unit]} {component} accuracy at 95% confidence level"
    return _verdict(component, class_m, tested_m, concluded, (accuracy, *others), statement)


STANDARD = Standard(
    key=KEY,
    title=NAME,
    takes=("vertical_m", "horizontal_m"),
    class_means="Accuracy_z and Accuracy_r at 95 % confidence; the standard itself names none",
    figures=FIGURES,
    grade=grade,
)
