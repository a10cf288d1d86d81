"""ASPRS Edition 2: each outcome, each rule and each sentence, on planted residuals (invented)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from accuracy.model import (
    ClassRequest,
    Component,
    Cover,
    Distribution,
    Flag,
    Outcome,
    Role,
    RuleOutcome,
)
from accuracy.rounding import LengthText
from accuracy.standards import RelativeAccuracy, evidence_from, grade
from accuracy.statistics.summary import summarise
from accuracy.units import LengthUnit
from evidence_cases import rule, spread
from measured_cases import checkpoint_result, horizontal_residual, vertical_residual

ED2 = "ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2, Version 2 (2024)"


def place(index, *, up_m=None, across_m=None, sigma_m=0.005, cover=Cover.OPEN, role=Role.CHECK, flags=()):
    """One used checkpoint with planted residuals."""
    return checkpoint_result(
        f"{cover.value[0].upper()}{index}",
        vertical_residual(up_m, survey_uncertainty_m=sigma_m, flags=flags),
        horizontal_residual(across_m),
        at_m=(25.0 * index, 4.0 * (index % 2), 10.0),
        sigma_m=(sigma_m,) * 3,
        cover=cover,
        role=role,
    )


def heights(size_m, n, **more):
    """n checkpoints whose height residuals have that size and alternate: RMSE is the size."""
    return [place(i, up_m=up_m, **more) for i, up_m in enumerate(spread(size_m, n))]


def marks(size_m, n, **more):
    """n checkpoints with all three residuals of that size: RMSE_H is 1.41 and RMSE_3D 1.73 of it."""
    return [place(i, up_m=s, across_m=(s, -s), **more) for i, s in enumerate(spread(size_m, n))]


def evidence_of(results, **more):
    """Evidence through the same summary as the whole job."""
    return evidence_from(results, summarise(results), **more)


def vertical_of(results, class_m, unit=LengthUnit.METRE, **more):
    """The vertical verdict on these checkpoints."""
    return grade(evidence_of(results, **more), ClassRequest(vertical_m=class_m), LengthText(unit))[0]


# --------------------------------------------------------------------------- outcomes


@pytest.mark.parametrize(
    ("n", "fit_m", "sigma_m", "class_m", "outcome", "words"),
    [
        (30, 0.03, 0.02, 0.05, Outcome.MET, "3.61 cm, within the class of 5 cm"),
        (30, 0.03, 0.01, 0.03, Outcome.NOT_MET, "3.16 cm, more than the class of 3 cm"),
        # The fit alone is within the class; the survey's error, which the edition adds, is not.
        (30, 0.0499, 0.01, 0.05, Outcome.NOT_MET, "5.09 cm, more than the class of 5 cm"),
        (
            30,
            0.03,
            None,
            0.05,
            Outcome.NOT_GRADED,
            "fit alone is 3.00 cm for a class of 5 cm, but the edition adds",
        ),
        (30, 0.06, None, 0.05, Outcome.NOT_MET, "fit alone is 6.00 cm, more than the class of 5 cm"),
        (30, 0.01, 0.03, 0.05, Outcome.NOT_GRADED, "may have 2.5 cm, so they cannot test this class"),
        (29, 0.03, 0.005, 0.05, Outcome.NOT_GRADED, "30 are called for, 1 more is needed"),
        (29, 0.06, 0.005, 0.05, Outcome.NOT_MET, "6.02 cm, more than the class of 5 cm"),
        (3, 0.03, 0.005, 0.05, Outcome.NOT_GRADED, "27 more are needed"),
        (2, 0.50, 0.005, 0.05, Outcome.NOT_GRADED, "fewer than 3 are never graded"),
        (1, 0.00, 0.005, 0.05, Outcome.NOT_GRADED, "Only 1 checkpoint could be measured"),
        (0, 0.00, 0.005, 0.05, Outcome.NOT_GRADED, "Not measured: no checkpoint in open terrain was used."),
        (30, 0.03, 0.005, None, Outcome.NOT_GRADED, "No class was asked for"),
        # A zero in the column of uncertainties is a figure that nobody filled in.
        (30, 0.03, 0.0, 0.05, Outcome.NOT_GRADED, "uncertainty of 30 of 30 checkpoints was not given"),
    ],
)
def test_vertical_outcomes(n, fit_m, sigma_m, class_m, outcome, words):
    """Every way that the vertical verdict can come out, with its reason in words."""
    verdict = vertical_of(heights(fit_m, n, sigma_m=sigma_m), class_m)
    assert verdict.outcome is outcome
    assert words in verdict.why
    assert verdict.class_m == class_m


@pytest.mark.parametrize("sigma_m", [None, 0.0])
def test_one_missing_uncertainty_is_enough(sigma_m):
    """One checkpoint of thirty without a survey uncertainty leaves the product's accuracy unproven."""
    results = [*heights(0.02, 29), place(29, up_m=0.02, sigma_m=sigma_m)]
    verdict = vertical_of(results, 0.05)
    assert verdict.outcome is Outcome.NOT_GRADED
    assert "uncertainty of 1 of 30 checkpoints was not given" in verdict.why
    assert rule(verdict, "survey accuracy").outcome is RuleOutcome.NOT_KNOWN
    assert rule(verdict, "accuracy").outcome is RuleOutcome.NOT_KNOWN
    assert verdict.statement is None


def test_nothing_measured_says_why():
    """Without a surface anywhere the verdict quotes the commonest reason."""
    verdict = vertical_of([place(i) for i in range(4)], 0.05)
    assert verdict.outcome is Outcome.NOT_GRADED
    assert verdict.why == "Not measured: none of 4 checkpoints has a measured height: No surface was found."
    assert verdict.tested_m is None


def test_horizontal_not_measured_says_why():
    """Heights alone say nothing about position: horizontal and 3D say that, and pass nothing."""
    evidence = evidence_of(heights(0.01, 40))
    _, horizontal, three_d = grade(evidence, ClassRequest(vertical_m=0.05, horizontal_m=0.05, three_d_m=0.05))
    assert horizontal.outcome is three_d.outcome is Outcome.NOT_GRADED
    assert (
        "none of 40 checkpoints has a measured horizontal position: The checkpoint carries" in horizontal.why
    )
    assert "no checkpoint has both" in three_d.why


@pytest.mark.parametrize(
    ("component", "factor"), [(Component.HORIZONTAL, 2**0.5), (Component.THREE_D, 3**0.5)]
)
@pytest.mark.parametrize(("share", "outcome"), [(0.99, Outcome.NOT_MET), (1.01, Outcome.MET)])
def test_horizontal_and_3d_classes(component, factor, share, outcome):
    """RMSE_H and RMSE_3D take all their axes together, the survey's too."""
    figure_m = factor * (0.02**2 + 0.005**2) ** 0.5
    request = ClassRequest(horizontal_m=share * figure_m, three_d_m=share * figure_m)
    verdicts = {v.component: v for v in grade(evidence_of(marks(0.02, 30)), request)}
    assert verdicts[component].tested_m == pytest.approx(figure_m, rel=1e-12)
    assert verdicts[component].outcome is outcome


# --------------------------------------------------------------------------- rules


@pytest.mark.parametrize("n", [30, 37, 49])
@pytest.mark.parametrize("class_m", [0.02, 0.05, 0.1, 0.14, 0.333])
def test_survey_must_be_twice_as_accurate(class_m, n):
    """At half the class it is exactly twice as accurate, which is enough (7.12); beyond is not."""
    for sigma_m, outcome in ((class_m / 2, RuleOutcome.MET), (class_m / 2 + 2e-9, RuleOutcome.NOT_MET)):
        verdict = vertical_of(heights(0.01, n, sigma_m=sigma_m), class_m)
        assert rule(verdict, "survey accuracy").outcome is outcome


def test_survey_of_position_counts_radially():
    """Two axes of 2 cm are 2.83 cm together: too much for a 5 cm RMSE_H class, not for 6 cm."""
    evidence = evidence_of(marks(0.005, 30, sigma_m=0.02))
    for class_m, outcome in ((0.05, RuleOutcome.NOT_MET), (0.06, RuleOutcome.MET)):
        horizontal = grade(evidence, ClassRequest(horizontal_m=class_m))[1]
        assert rule(horizontal, "survey accuracy").outcome is outcome


@pytest.mark.parametrize(
    ("area_km2", "n", "outcome"),
    [(1000, 30, Outcome.MET), (1001, 39, Outcome.NOT_GRADED), (1001, 40, Outcome.MET)],
)
def test_more_checkpoints_for_a_larger_area(area_km2, n, outcome):
    """Beyond 1,000 km2 thirty are too few (Table C.1), and the form for under thirty does not apply."""
    verdict = vertical_of(heights(0.01, n), 0.05, area_m2=area_km2 * 1e6)
    assert verdict.outcome is outcome
    assert (verdict.statement is None) == (outcome is Outcome.NOT_GRADED)


@pytest.mark.parametrize(("mean_m", "outcome"), [(0.0124, RuleOutcome.MET), (-0.0126, RuleOutcome.ADVISORY)])
def test_mean_error_is_held_to_the_target(mean_m, outcome):
    """A quarter of the class asked for, not of the figure found; it advises and decides nothing."""
    results = [place(i, up_m=mean_m + (0.01 if i % 2 else -0.01)) for i in range(30)]
    verdict = vertical_of(results, 0.05)
    assert rule(verdict, "mean error").outcome is outcome
    assert verdict.outcome is Outcome.MET


def test_blunders_are_named():
    """A residual above three times the class is named and the verdict still counts it."""
    results = [*(place(i, up_m=0.0002 * (i - 20)) for i in range(40)), place(40, up_m=0.151)]
    verdict = vertical_of(results, 0.05)
    blunders = rule(verdict, "blunders")
    assert blunders.outcome is RuleOutcome.ADVISORY
    assert "1 residual above 3 times the class (15.00 cm)" in blunders.words
    assert "O40" in blunders.words
    assert verdict.tested_m > 0.02


@pytest.mark.parametrize(
    ("flag", "name"), [(Flag.SLOPE_OVER_10_PERCENT, "slope"), (Flag.BREAK_WITHIN_3_M, "breaks")]
)
def test_terrain_is_advice(flag, name):
    """Steep ground and near edges are counted and named, and decide nothing."""
    results = [*heights(0.005, 30), place(30, up_m=0.004, flags=(flag,))]
    verdict = vertical_of(results, 0.05)
    found = rule(verdict, name)
    assert (found.value, found.outcome) == (1.0, RuleOutcome.ADVISORY)
    assert "O30" in found.words
    assert verdict.outcome is Outcome.MET


def test_control_points_never_count():
    """Thirty points of which one is control are 29 checkpoints."""
    results = [*heights(0.01, 29), place(29, up_m=0.01, role=Role.CONTROL)]
    verdict = vertical_of(results, 0.05)
    assert verdict.outcome is Outcome.NOT_GRADED
    assert rule(verdict, "number of checkpoints").value == 29
    assert "1 control point set aside" in rule(verdict, "independence").words


@pytest.mark.parametrize(
    ("distribution", "names", "outcomes"),
    [
        (
            Distribution(shape="corridor", largest_gap_m=61.0, median_spacing_m=22.5),
            ["distribution: along the corridor"],
            [RuleOutcome.ADVISORY],
        ),
        (
            Distribution(
                shape="area",
                quadrant_shares=(0.20, 0.30, 0.25, 0.25),
                smallest_spacing_m=10.0,
                diagonal_m=100.0,
            ),
            ["distribution: quadrants", "distribution: spacing"],
            [RuleOutcome.MET, RuleOutcome.MET],
        ),
        (
            Distribution(
                shape="area",
                quadrant_shares=(0.1999, 0.3001, 0.25, 0.25),
                smallest_spacing_m=9.999,
                diagonal_m=100.0,
            ),
            ["distribution: quadrants", "distribution: spacing"],
            [RuleOutcome.ADVISORY, RuleOutcome.ADVISORY],
        ),
        (Distribution(shape="unknown"), ["distribution"], [RuleOutcome.NOT_KNOWN]),
    ],
)
def test_distribution(distribution, names, outcomes):
    """Quadrants and spacing for an area, spacing along a corridor; neither decides the verdict."""
    verdict = vertical_of(heights(0.01, 30), 0.05, vertical_distribution=distribution)
    found = [one for one in verdict.rules if one.name.startswith("distribution")]
    assert [one.name for one in found] == names
    assert [one.outcome for one in found] == outcomes
    assert verdict.outcome is Outcome.MET


def test_share_never_prints_across_its_limit():
    """19.99 % in the emptiest quadrant does not print as 20.0 %."""
    distribution = Distribution(shape="area", quadrant_shares=(0.19999, 0.30001, 0.25, 0.25))
    verdict = vertical_of(heights(0.01, 30), 0.05, vertical_distribution=distribution)
    assert "holds 19.999 %" in rule(verdict, "distribution: quadrants").words


@pytest.mark.parametrize(
    ("figures", "outcome", "tested_m", "limit_m"),
    [
        ({"within_swath_max_m": 0.03}, Outcome.MET, 0.03, 0.03),
        ({"within_swath_max_m": 0.031}, Outcome.NOT_MET, 0.031, 0.03),
        ({"swath_to_swath_rmsd_m": 0.041}, Outcome.NOT_MET, 0.041, 0.04),
        ({"swath_to_swath_max_m": 0.081}, Outcome.NOT_MET, 0.081, 0.08),
        ({"swath_to_swath_max_m": None}, Outcome.NOT_GRADED, 0.01, 0.03),
        ({"places": 2}, Outcome.NOT_GRADED, 0.01, 0.03),
        (
            {"swath_to_swath_max_m": None, "swath_to_swath_rmsd_m": None, "single_swath": True},
            Outcome.MET,
            0.01,
            0.03,
        ),
    ],
)
def test_relative_accuracy(figures, outcome, tested_m, limit_m):
    """The cloud against itself for a 5 cm class: the figure nearest to its limit stands for it."""
    relative = replace(
        RelativeAccuracy(
            places=12, within_swath_max_m=0.01, swath_to_swath_rmsd_m=0.01, swath_to_swath_max_m=0.01
        ),
        **figures,
    )
    evidence = evidence_of(heights(0.01, 30), relative=relative)
    verdict = grade(evidence, ClassRequest(vertical_m=0.05))[3]
    assert verdict.component is Component.RELATIVE
    assert verdict.outcome is outcome
    assert (verdict.tested_m, verdict.class_m) == (tested_m, pytest.approx(limit_m))


# --------------------------------------------------------------------------- statements


def test_statement_tested_vertical():
    """Tested to meet, NVA only: no word of vegetation where no checkpoint stands in it."""
    assert vertical_of(heights(0.03, 30, sigma_m=0.02), 0.05).statement == (
        f"This data set was tested to meet {ED2} for a 5 (cm) RMSE_V Vertical Accuracy Class. "
        "NVA accuracy was found to be RMSE_V = 3.61 (cm)."
    )


def test_statement_tested_vertical_with_vegetation():
    """Tested to meet, with VVA as found however large it is."""
    results = [*heights(0.03, 30, sigma_m=0.02), *heights(0.30, 31, sigma_m=0.02, cover=Cover.VEGETATED)]
    verdict = vertical_of(results, 0.05)
    assert verdict.outcome is Outcome.MET
    assert verdict.statement == (
        f"This data set was tested to meet {ED2} for a 5 (cm) RMSE_V Vertical Accuracy Class. "
        "NVA accuracy was found to be RMSE_V = 3.61 (cm). VVA accuracy was found to be RMSE_V = 30.07 (cm)."
    )


def test_statement_few_in_vegetation():
    """Enough in open terrain, few in vegetation: the VVA sentence alone takes the reduced form."""
    results = [*heights(0.03, 30, sigma_m=0.02), *heights(0.06, 12, sigma_m=0.02, cover=Cover.VEGETATED)]
    verdict = vertical_of(results, 0.05)
    assert verdict.outcome is Outcome.MET
    number = rule(verdict, "number of checkpoints in vegetation")
    assert (number.outcome, number.decisive) == (RuleOutcome.NOT_MET, False)
    assert verdict.statement == (
        f"This data set was tested to meet {ED2} for a 5 (cm) RMSE_V Vertical Accuracy Class. "
        "NVA accuracy was found to be RMSE_V = 3.61 (cm).\n"
        f"This data set was tested as required by {ED2}. Although the Standards call for a minimum of thirty "
        "(30) checkpoints, this test was performed using ONLY 12 checkpoints. This data set was produced to "
        "meet a 5 (cm) RMSE_V Vertical Accuracy Class. The Vegetated Vertical Accuracy (VVA) was found to be "
        "RMSE_V = 6.32 (cm) using the reduced number of checkpoints."
    )


def test_statement_reduced():
    """Fewer than thirty: the reduced form, never "tested to meet", and none produced to meet in 3D."""
    evidence = evidence_of(marks(0.01, 12))
    vertical, horizontal, three_d = grade(
        evidence, ClassRequest(vertical_m=0.05, horizontal_m=0.05, three_d_m=0.05)
    )
    opening = (
        f"This data set was tested as required by {ED2}. Although the Standards call for a minimum of thirty "
        "(30) checkpoints, this test was performed using ONLY 12 checkpoints. "
    )
    assert vertical.statement == opening + (
        "This data set was produced to meet a 5 (cm) RMSE_V Vertical Accuracy Class. The Non-Vegetated "
        "Vertical Accuracy (NVA) was found to be RMSE_V = 1.12 (cm) using the reduced number of checkpoints."
    )
    assert horizontal.statement == opening + (
        "This data set was produced to meet a 5 (cm) RMSE_H Horizontal Positional Accuracy Class. The tested "
        "horizontal positional accuracy was found to be RMSE_H = 1.58 (cm) using the reduced number of "
        "checkpoints."
    )
    assert three_d.statement == opening + (
        "The tested three-dimensional positional accuracy was found to be RMSE_3D = 1.94 (cm) using the "
        "reduced number of checkpoints."
    )


def test_statement_tested_horizontal_and_3d():
    """Tested to meet, for position and in three dimensions."""
    _, horizontal, three_d = grade(
        evidence_of(marks(0.01, 30)), ClassRequest(horizontal_m=0.025, three_d_m=0.03)
    )
    assert horizontal.statement == (
        f"This data set was tested to meet {ED2} for a 2.5 (cm) RMSE_H Horizontal Positional Accuracy Class. "
        "The tested horizontal positional accuracy was found to be RMSE_H = 1.58 (cm)."
    )
    assert three_d.statement == (
        f"This data set was tested to meet {ED2} for a 3 (cm) RMSE_3D Three-Dimensional Positional Accuracy "
        "Class. The tested three-dimensional positional accuracy was found to be RMSE_3D = 1.94 (cm)."
    )


@pytest.mark.parametrize("n", [12, 30])
def test_statement_not_met(n):
    """Beyond the class: the words are ours, say so, and claim neither form."""
    results = [*heights(0.06, n), *heights(0.07, 5, cover=Cover.VEGETATED)]
    assert vertical_of(results, 0.05).statement == (
        f"This data set was tested against {ED2} and does not meet a 5 (cm) RMSE_V Vertical Accuracy Class. "
        "The Non-Vegetated Vertical Accuracy (NVA) was found to be RMSE_V = 6.02 (cm), using "
        f"{n} checkpoints. The Vegetated Vertical Accuracy (VVA) was found to be RMSE_V = 7.02 (cm), using "
        "5 checkpoints. (These are this report's words: the edition prescribes none for data that do not "
        "meet their class.)"
    )


@pytest.mark.parametrize(
    ("unit", "class_m", "words"),
    [
        (LengthUnit.INTERNATIONAL_FOOT, 0.16 * 0.3048, "for a 0.16 (ft) RMSE_V"),
        (LengthUnit.US_SURVEY_FOOT, 0.16 * 1200 / 3937, "for a 0.16 (ftUS) RMSE_V"),
    ],
)
def test_statement_in_feet(unit, class_m, words):
    """A contract in feet gets its sentences in that foot."""
    statement = vertical_of(heights(0.03, 30, sigma_m=0.02), class_m, unit).statement
    assert words in statement
    assert "RMSE_V = 0.1183 (" in statement


def test_vegetation_without_survey_figures():
    """VVA without the survey's uncertainty is named as the fit alone; it never holds up the class."""
    results = [*heights(0.01, 30), *heights(0.05, 30, cover=Cover.VEGETATED, sigma_m=None)]
    verdict = vertical_of(results, 0.05)
    assert verdict.outcome is Outcome.MET
    assert "(VVA) of the fit alone was found to be RMSE_V = 5.00 (cm); the survey's own" in verdict.statement
