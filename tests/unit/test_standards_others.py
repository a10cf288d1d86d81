"""ASPRS Edition 1, NSSDA, USGS, NMAS: outcomes, rules, sentences; residuals invented."""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.model import ClassRequest, Component, Outcome, RuleOutcome
from accuracy.rounding import LengthText
from accuracy.standards import RelativeAccuracy, grade
from accuracy.units import LengthUnit
from evidence_cases import evidence, rule, spread

# --------------------------------------------------------------------------- ASPRS Edition 1


@pytest.mark.parametrize(
    ("up", "vegetated", "sigma_m", "outcome", "words"),
    [
        (spread(0.05, 20), (), 0.005, Outcome.MET, "5.00 cm, within the class of 5 cm"),
        (spread(0.051, 20), (), 0.005, Outcome.NOT_MET, "5.10 cm, more than the class of 5 cm"),
        # The survey's error is not added in this edition: 5.00 stays 5.00.
        (spread(0.05, 20), (), 0.016, Outcome.MET, "5.00 cm, within"),
        (spread(0.05, 20), (), 0.017, Outcome.NOT_GRADED, "may have 1.67 cm, so they cannot test"),
        (spread(0.05, 20), (), None, Outcome.NOT_GRADED, "was not given"),
        (spread(0.05, 19), (), 0.005, Outcome.NOT_GRADED, "20 are called for, 1 more is needed"),
        (spread(0.051, 19), (), 0.005, Outcome.NOT_MET, "5.10 cm, more than"),
        (spread(0.05, 20), spread(0.149, 5), 0.005, Outcome.MET, "14.90 cm, within the limit of 15 cm"),
        (
            spread(0.05, 20),
            spread(0.151, 5),
            0.005,
            Outcome.NOT_MET,
            "15.10 cm, more than the limit of 15 cm",
        ),
        (spread(0.05, 20), spread(0.149, 4), 0.005, Outcome.NOT_GRADED, "5 are called for"),
        (spread(0.9, 2), (), 0.005, Outcome.NOT_GRADED, "never graded"),
    ],
)
def test_edition_1_vertical(up, vegetated, sigma_m, outcome, words):
    """NVA to the class, VVA to three times it, twenty and five checkpoints, survey three times better."""
    verdict = grade(
        evidence(up, vegetated, sigma_m=sigma_m), ClassRequest(standard="asprs-2014", vertical_m=0.05)
    )[0]
    assert verdict.outcome is outcome
    assert words in verdict.why
    tested_to_meet = verdict.statement is not None and "was tested to meet" in verdict.statement
    assert tested_to_meet == (outcome is Outcome.MET)


def test_edition_1_statements():
    """The forms of 2014 (from memory) with vegetation, and per axis."""
    seen = evidence(
        spread(0.03, 20), spread(0.08, 5), across=(spread(0.02, 20), spread(0.04, 20)), sigma_m=0.005
    )
    vertical, horizontal = grade(
        seen, ClassRequest(standard="asprs-2014", vertical_m=0.05, horizontal_m=0.04)
    )
    opening = (
        "This data set was tested to meet ASPRS Positional Accuracy Standards for Digital Geospatial Data "
        "(2014) "
    )
    assert vertical.statement == opening + (
        "for a 5 (cm) RMSEz Vertical Accuracy Class. Actual NVA accuracy was found to be RMSEz = 3.00 (cm), "
        "equating to +/- 5.88 (cm) at 95% confidence level. Actual VVA accuracy was found to be +/- 8.00 "
        "(cm) at the 95th percentile."
    )
    # 1.7308 x 4.4721 cm.
    assert horizontal.statement == opening + (
        "for a 4 (cm) RMSEx / RMSEy Horizontal Accuracy Class. Actual positional accuracy was found to be "
        "RMSEx = 2.00 (cm) and RMSEy = 4.00 (cm) which equates to Positional Horizontal Accuracy = "
        "+/- 7.74 (cm) at 95% confidence level."
    )


def test_the_editions_mean_different_things_by_a_class():
    """Axes of 4 cm each are a 4 cm class of 2014 and exceed a 5 cm class of 2024."""
    seen = evidence(across=(spread(0.04, 30), spread(0.04, 30)), sigma_m=0.002)
    old = grade(seen, ClassRequest(standard="asprs-2014", horizontal_m=0.04))[1]
    new = grade(seen, ClassRequest(standard="asprs-2024", horizontal_m=0.05))[1]
    assert (old.outcome, new.outcome) == (Outcome.MET, Outcome.NOT_MET)


@pytest.mark.parametrize(("sigma_m", "outcome"), [(0.01, Outcome.MET), (0.0101, Outcome.NOT_GRADED)])
def test_edition_1_survey_of_position(sigma_m, outcome):
    """A class per axis, a survey per axis: a third of 3 cm on each of them is enough."""
    seen = evidence(across=(spread(0.02, 20), spread(0.02, 20)), sigma_m=sigma_m)
    assert grade(seen, ClassRequest(standard="asprs-2014", horizontal_m=0.03))[1].outcome is outcome


# --------------------------------------------------------------------------- NSSDA


@pytest.mark.parametrize(
    ("n", "class_m", "outcome", "has_statement"),
    [
        (20, None, Outcome.NOT_GRADED, True),
        (20, 0.06, Outcome.MET, True),
        (20, 0.05, Outcome.NOT_MET, True),
        (19, 0.06, Outcome.NOT_GRADED, False),
        (19, 0.05, Outcome.NOT_MET, False),
        (2, 0.05, Outcome.NOT_GRADED, False),
    ],
)
def test_nssda_vertical(n, class_m, outcome, has_statement):
    """No threshold of its own; the contract's holds 1.96 RMSEz; the sentence needs twenty points."""
    verdict = grade(evidence(spread(0.03, n)), ClassRequest(standard="nssda", vertical_m=class_m))[0]
    assert verdict.outcome is outcome
    assert (verdict.statement is not None) == has_statement
    if has_statement:
        assert verdict.statement == "Tested 0.059 meters vertical accuracy at 95% confidence level"


@pytest.mark.parametrize(
    ("unit", "words"),
    [
        (LengthUnit.INTERNATIONAL_FOOT, "Tested 0.193 feet vertical accuracy"),
        (LengthUnit.US_SURVEY_FOOT, "Tested 0.193 U.S. survey feet vertical accuracy"),
    ],
)
def test_nssda_in_feet(unit, words):
    """The sentence names the contract's unit."""
    assert (
        words
        in grade(evidence(spread(0.03, 20)), ClassRequest(standard="nssda"), LengthText(unit))[0].statement
    )


@pytest.mark.parametrize(
    ("easting_m", "northing_m", "tested_m"),
    [
        (0.03, 0.03, 1.7308 * 0.03 * 2**0.5),
        (0.03, 0.02, 2.4477 * 0.025),
        (0.018, 0.03, 2.4477 * 0.024),  # the ratio 0.6 itself still counts
        (0.0, 0.0, 0.0),
    ],
)
def test_nssda_horizontal(easting_m, northing_m, tested_m):
    """Equal axes by 1.7308 RMSEr, unequal ones by 2.4477 times their mean."""
    seen = evidence(across=(spread(easting_m, 20), spread(northing_m, 20)))
    verdict = grade(seen, ClassRequest(standard="nssda", horizontal_m=0.08))[1]
    assert verdict.tested_m == pytest.approx(tested_m, rel=1e-12)
    assert verdict.outcome is Outcome.MET


def test_nssda_refuses_very_unequal_axes():
    """Below the ratio 0.6 there is no figure to grade; the exact radius is told for information."""
    seen = evidence(across=(spread(0.01, 25), spread(0.02, 25)))
    verdict = grade(seen, ClassRequest(standard="nssda", horizontal_m=1.0))[1]
    assert verdict.outcome is Outcome.NOT_GRADED
    assert verdict.tested_m is verdict.statement is None
    assert "is 0.50 of the larger" in verdict.why
    # 2.0359 x 2 cm: computed by numerical integration.
    assert "exact 95 % radius for independent normal errors is 4.07 cm" in verdict.why


def test_nssda_survey_not_better_than_the_data():
    """A survey no better than the agreement is advised against, and decides nothing."""
    verdict = grade(
        evidence(spread(0.01, 20), sigma_m=0.02), ClassRequest(standard="nssda", vertical_m=0.05)
    )[0]
    assert rule(verdict, "source of higher accuracy").outcome is RuleOutcome.ADVISORY
    assert verdict.outcome is Outcome.MET


def test_nssda_tells_of_vegetation():
    """Vegetated heights are not in the figure, and the rules say so with their RMSE."""
    verdict = grade(evidence(spread(0.01, 20), spread(0.09, 6)), ClassRequest(standard="nssda"))[0]
    assert (
        "6 checkpoints in vegetation are not in this figure" in rule(verdict, "heights in vegetation").words
    )
    assert verdict.tested_m == pytest.approx(0.0196)


# --------------------------------------------------------------------------- USGS


@pytest.mark.parametrize(
    ("name", "rmse_m", "vva_m", "outcome"),
    [
        ("QL0", 0.05, 0.15, Outcome.MET),
        ("QL0", 0.0501, 0.15, Outcome.NOT_MET),
        ("QL0", 0.05, 0.1501, Outcome.NOT_MET),
        ("QL1", 0.0999, 0.30, Outcome.MET),
        ("QL2", 0.1001, 0.29, Outcome.NOT_MET),
        ("QL3", 0.1999, 0.60, Outcome.MET),
        (None, 0.02, 0.02, Outcome.NOT_GRADED),
    ],
)
def test_usgs_levels(name, rmse_m, vva_m, outcome):
    """Open terrain by RMSEz, vegetation by the 95th percentile, each at and beyond its limit."""
    seen = evidence(spread(rmse_m, 20), spread(vva_m, 5))
    # sqrt(mean(0.05^2)) is 0.05 only to a rounding error; the limit itself is tried elsewhere.
    verdict = grade(seen, ClassRequest(standard="usgs-lidar", class_name=name))[0]
    assert verdict.outcome is outcome
    assert verdict.class_name == name


@pytest.mark.parametrize(
    ("figures", "outcome"),
    [
        ({"within_swath_rmsd_m": 0.06, "swath_to_swath_rmsd_m": 0.08}, Outcome.MET),
        ({"within_swath_rmsd_m": 0.0601, "swath_to_swath_rmsd_m": 0.08}, Outcome.NOT_MET),
        ({"within_swath_rmsd_m": 0.06, "swath_to_swath_rmsd_m": 0.0801}, Outcome.NOT_MET),
        ({"within_swath_rmsd_m": 0.06}, Outcome.NOT_GRADED),
        ({"within_swath_rmsd_m": 0.06, "single_swath": True}, Outcome.MET),
        ({}, Outcome.NOT_GRADED),
    ],
)
def test_usgs_relative(figures, outcome):
    """QL2: repeatability to 6 cm, overlap to 8 cm; what was not measured does not pass."""
    seen = evidence(spread(0.05, 20), relative=RelativeAccuracy(places=9, **figures))
    verdict = grade(seen, ClassRequest(standard="usgs-lidar", class_name="QL2"))[1]
    assert verdict.component is Component.RELATIVE
    assert verdict.outcome is outcome


@pytest.mark.parametrize(
    ("density", "outcome"),
    [(1.999, RuleOutcome.ADVISORY), (2.0, RuleOutcome.MET), (None, RuleOutcome.NOT_KNOWN)],
)
def test_usgs_density_is_a_hint(density, outcome):
    """Points at the checkpoints are not pulses over the area: density advises and does not decide."""
    seen = evidence(spread(0.05, 20), density_per_m2=density)
    verdict = grade(seen, ClassRequest(standard="usgs-lidar", class_name="QL2"))[0]
    found = rule(verdict, "density")
    assert found.outcome is outcome
    if density is not None:
        assert (float(found.words.split()[0]) < 2.0) == (outcome is RuleOutcome.ADVISORY)
    assert verdict.outcome is Outcome.MET


# --------------------------------------------------------------------------- NMAS


@pytest.mark.parametrize(
    ("n", "beyond", "outcome"),
    [
        (20, 2, Outcome.MET),
        (20, 3, Outcome.NOT_MET),
        (29, 2, Outcome.MET),
        (29, 3, Outcome.NOT_MET),
        (30, 3, Outcome.MET),
        (19, 0, Outcome.NOT_GRADED),
        (19, 2, Outcome.NOT_MET),
        (2, 2, Outcome.NOT_GRADED),
    ],
)
def test_nmas_counts_points(n, beyond, outcome):
    """No more than a tenth of the points, by count, beyond half the contour interval."""
    # The largest within is half of 0.5 m exactly, which is not beyond it.
    up = [*np.linspace(0.26, 0.9, beyond), *np.linspace(0.05, 0.25, n - beyond)]
    verdict = grade(evidence(up), ClassRequest(standard="nmas", contour_interval_m=0.5))[0]
    assert verdict.outcome is outcome
    if n >= 3:
        assert f"{beyond} of {n} points err by more than 25 cm" in verdict.why
    assert (verdict.statement is not None) == (outcome is Outcome.MET)


def test_nmas_counts_every_cover():
    """Elevations in vegetation count like the others."""
    seen = evidence([0.1] * 20, [0.9] * 3)
    verdict = grade(seen, ClassRequest(standard="nmas", contour_interval_m=0.5))[0]
    assert "3 of 23 points" in verdict.why
    assert verdict.outcome is Outcome.NOT_MET


def test_nmas_map_needs_both():
    """The legend's sentence speaks of the map: position beyond its tolerance withholds it from heights."""
    seen = evidence([0.1] * 20, across=([15.0] * 20, [0.0] * 20))
    request = ClassRequest(standard="nmas", contour_interval_m=0.5, map_scale=24_000)
    vertical, horizontal = grade(seen, request)
    assert (vertical.outcome, horizontal.outcome) == (Outcome.MET, Outcome.NOT_MET)
    assert vertical.statement is horizontal.statement is None
    seen = evidence([0.1] * 20, across=([12.0] * 20, [0.0] * 20))
    assert {verdict.statement for verdict in grade(seen, request)} == {
        "This map complies with National Map Accuracy Standards."
    }
