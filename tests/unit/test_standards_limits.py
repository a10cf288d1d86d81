"""At the limit, one step under, one step over, and everywhere between: print and verdict agree."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from accuracy.model import (
    AxisSummary,
    ClassRequest,
    ContractLimit,
    HorizontalSummary,
    Outcome,
    RuleOutcome,
    Summary,
    ThreeDSummary,
)
from accuracy.rounding import LengthText, exceeds, printed_pair, printed_pair_large
from accuracy.standards import STANDARDS, Evidence, Sample, grade
from accuracy.standards.nmas import horizontal_tolerance_m
from accuracy.standards.rules import percent
from accuracy.units import LengthUnit

SUFFICIENT = 30
# Either side of what two coordinates of seven digits leave of a residual: half of 2**-30 m each.
WITHIN_NOISE_M = 0.9e-9
BEYOND_NOISE_M = 1.1e-9


def axis_figures(n, rmse_m, survey_m):
    """A summary of one axis with that RMSE; figures that no standard reads are left at zero."""
    return AxisSummary(
        n=n,
        mean_m=0.0,
        median_m=0.0,
        standard_deviation_m=0.0,
        rmse_m=rmse_m,
        rmse_with_survey_m=None if survey_m is None else math.hypot(rmse_m, survey_m),
        survey_rms_m=survey_m,
        nmad_m=0.0,
        minimum_m=0.0,
        maximum_m=0.0,
        absolute_quantile_683_m=0.0,
        absolute_quantile_95_m=0.0,
        skewness=None,
        excess_kurtosis=None,
        mean_interval_95_m=None,
        standard_deviation_interval_95_m=None,
        rmse_interval_95_m=None,
        rmse_bootstrap_95_m=None,
        median_interval_95_m=None,
        nmad_interval_95_m=None,
        absolute_quantile_95_interval_m=None,
        effective_n=None,
    )


def stratum(n, size_m, survey_m, axes):
    """n residuals of that size over their axes, alternating in sign."""
    signs = np.where(np.arange(n) % 2, 1.0, -1.0)[:, None]
    return Sample(
        ids=tuple(f"L{i}" for i in range(n)),
        residuals_m=signs * np.full((n, axes), size_m / math.sqrt(axes)),
        survey_sigma_m=np.full(n, np.nan if survey_m is None else survey_m),
    )


def evidence(n, rmse_m, *, survey_m=1e-6, vegetated=True):
    """Every stratum with n checkpoints and that RMSE, exactly: summaries are written, not computed."""
    if n == 0:
        return Evidence()
    figures = axis_figures(n, rmse_m, survey_m)
    per_axis_m = rmse_m / math.sqrt(2)
    both = math.hypot(rmse_m, survey_m or 0.0) if survey_m is not None else None
    return Evidence(
        summary=Summary(
            vertical=figures,
            vegetated=figures if vegetated else None,
            horizontal=HorizontalSummary(
                n=n,
                mean_easting_m=0.0,
                mean_northing_m=0.0,
                standard_deviation_easting_m=0.0,
                standard_deviation_northing_m=0.0,
                rmse_easting_m=per_axis_m,
                rmse_northing_m=per_axis_m,
                rmse_m=rmse_m,
                rmse_with_survey_m=both,
                survey_rms_m=survey_m,
                rmse_interval_95_m=None,
                rmse_bootstrap_95_m=None,
                radial_95_m=rmse_m,
                maximum_m=rmse_m,
                easting=axis_figures(n, per_axis_m, survey_m),
                northing=axis_figures(n, per_axis_m, survey_m),
            ),
            three_d=ThreeDSummary(
                n=n,
                rmse_m=rmse_m,
                rmse_with_survey_m=both,
                survey_rms_m=survey_m,
                rmse_bootstrap_95_m=None,
                maximum_m=rmse_m,
            ),
        ),
        open_heights=stratum(n, rmse_m, survey_m, 1),
        vegetated_heights=stratum(n if vegetated else 0, rmse_m, survey_m, 1),
        horizontal=stratum(n, rmse_m, survey_m, 2),
        three_d=stratum(n, rmse_m, survey_m, 3),
    )


def numbers(words):
    """The two numbers that an accuracy rule's sentence sets side by side."""
    value, limit = re.search(
        r"([\d.]+) \w+, (?:within|more than) [a-z ]+? ([\d.]+) \w+\.", words.rpartition(" is ")[2]
    ).groups()
    return Decimal(value), Decimal(limit)


# --------------------------------------------------------------------------- at the limit

# Standard, index of its verdict, field of the request that is its limit.
GRADED_BY_A_LENGTH = [
    ("asprs-2024", 0, "vertical_m"),
    ("asprs-2024", 1, "horizontal_m"),
    ("asprs-2024", 2, "three_d_m"),
    ("asprs-2014", 0, "vertical_m"),
    ("asprs-2014", 1, "horizontal_m"),
    ("nssda", 0, "vertical_m"),
    ("nssda", 1, "horizontal_m"),
]


@pytest.mark.parametrize("unit", list(LengthUnit))
@pytest.mark.parametrize("rmse_m", [0.03, 0.0333, 0.1, 1 / 3, 0.049999])
@pytest.mark.parametrize(("standard", "index", "field"), GRADED_BY_A_LENGTH)
def test_one_step_around_the_class(standard, index, field, rmse_m, unit):
    """Equal to the class is within it, as is noise above it; more is not, and the print tells them apart."""
    seen = evidence(SUFFICIENT, rmse_m)
    tested_m = grade(seen, ClassRequest(standard=standard))[index].tested_m
    for class_m, outcome in (
        (math.nextafter(tested_m, math.inf), Outcome.MET),
        (tested_m, Outcome.MET),
        (math.nextafter(tested_m, 0.0), Outcome.MET),
        (tested_m - WITHIN_NOISE_M, Outcome.MET),
        (tested_m - BEYOND_NOISE_M, Outcome.NOT_MET),
    ):
        request = ClassRequest(standard=standard, **{field: class_m})
        verdict = grade(seen, request, LengthText(unit))[index]
        assert verdict.outcome is outcome
        value, limit = numbers(verdict.rules[0].words)
        assert (value > limit) == (outcome is Outcome.NOT_MET)
        if standard == "asprs-2024":
            shown, found = re.search(
                r"a ([\d.]+) \(.*= ([\d.]+) \(", verdict.statement.partition("VVA")[0]
            ).groups()
            assert (Decimal(found) > Decimal(shown)) == (outcome is Outcome.NOT_MET)


@pytest.mark.parametrize("name", ["QL0", "QL1", "QL2", "QL3"])
def test_one_step_around_a_quality_level(name):
    """RMSEz and VVA at their limits pass, and a step beyond either fails."""
    limit_m = {"QL0": 0.05, "QL1": 0.1, "QL2": 0.1, "QL3": 0.2}[name]
    vva_m = {"QL0": 0.15, "QL1": 0.3, "QL2": 0.3, "QL3": 0.6}[name]
    over = math.nextafter
    for rmse_m, plants_m, outcome in (
        (limit_m, vva_m, Outcome.MET),
        (over(limit_m, 0.0), over(vva_m, 0.0), Outcome.MET),
        (limit_m + WITHIN_NOISE_M, vva_m + WITHIN_NOISE_M, Outcome.MET),
        (limit_m + BEYOND_NOISE_M, vva_m, Outcome.NOT_MET),
        (limit_m, vva_m + BEYOND_NOISE_M, Outcome.NOT_MET),
    ):
        seen = replace(evidence(SUFFICIENT, rmse_m), vegetated_heights=stratum(SUFFICIENT, plants_m, 1e-6, 1))
        verdict = grade(seen, ClassRequest(standard="usgs-lidar", class_name=name))[0]
        assert verdict.outcome is outcome
        for accuracy in verdict.rules[:2]:
            value, limit = numbers(accuracy.words)
            assert (value > limit) == (accuracy.outcome is RuleOutcome.NOT_MET)


@pytest.mark.parametrize("step_m", [-BEYOND_NOISE_M, 0, WITHIN_NOISE_M, BEYOND_NOISE_M])
def test_one_step_around_a_tolerance(step_m):
    """NMAS: half the contour interval and the map's fiftieth of an inch, at, under and over."""
    for index, tolerance_m, request in (
        (0, 0.25, ClassRequest(standard="nmas", contour_interval_m=0.5)),
        (1, horizontal_tolerance_m(24_000), ClassRequest(standard="nmas", map_scale=24_000)),
    ):
        size_m = tolerance_m + step_m
        over = step_m > WITHIN_NOISE_M
        column = np.full((SUFFICIENT, 1), size_m)
        seen = replace(
            evidence(SUFFICIENT, 0.1, vegetated=False),
            open_heights=replace(stratum(SUFFICIENT, 0.1, 1e-6, 1), residuals_m=column),
            horizontal=replace(
                stratum(SUFFICIENT, 0.1, 1e-6, 2), residuals_m=np.hstack([column, 0.0 * column])
            ),
        )
        verdict = grade(seen, request)[index]
        assert verdict.tested_m == size_m
        assert verdict.outcome is (Outcome.NOT_MET if over else Outcome.MET)
        words = verdict.rules[0].words
        limit, value = (
            Decimal(x) for x in re.search(r"more than ([\d.]+) .*no more than ([\d.]+) ", words).groups()
        )
        assert (value > limit) == over


@pytest.mark.parametrize("statistic", ["rmse_m", "largest_absolute_m"])
def test_one_step_around_a_contract_limit(statistic):
    """The same for a contract's own limit, in the verdict and in its sentence."""
    seen = evidence(SUFFICIENT, 0.03)
    for limit_m, outcome in (
        (math.nextafter(0.03, 1.0), Outcome.MET),
        (0.03, Outcome.MET),
        (0.03 - WITHIN_NOISE_M, Outcome.MET),
        (0.03 - BEYOND_NOISE_M, Outcome.NOT_MET),
    ):
        limit = ContractLimit(
            name="limit",
            statistic=statistic,
            stratum="open",
            limit_m=limit_m,
            sentence="{value}/{limit}/{outcome}",
        )
        (verdict,) = grade(seen, ClassRequest(standard="contract", limits=(limit,)))
        assert verdict.outcome is outcome
        value, shown, word = verdict.statement.split("/")
        assert (Decimal(value) > Decimal(shown)) == (outcome is Outcome.NOT_MET)
        assert word == outcome


# --------------------------------------------------------------------------- everywhere

lengths = st.floats(1e-5, 100.0)
steps = st.integers(-3, 3)


def stepped(length_m, count):
    """The count-th floating-point number above (or below) a length."""
    for _ in range(abs(count)):
        length_m = math.nextafter(length_m, math.inf if count > 0 else 0.0)
    return length_m


@settings(max_examples=300, deadline=None)
@given(lengths, lengths, steps, st.booleans(), st.sampled_from(list(LengthUnit)))
def test_printed_pair_keeps_the_order(value_m, limit_m, step, near, unit):
    """Whatever the figures and the unit, and however near, the printed pair stands as the true one."""
    if near:
        value_m = stepped(limit_m, step)
    text = LengthText(unit)
    for value, limit in (
        printed_pair(value_m, limit_m, text),
        printed_pair_large(value_m, limit_m, text),
    ):
        assert (Decimal(value) > Decimal(limit)) == exceeds(value_m, limit_m)
    # Neither is rounded by more than its last printed digit.
    value, limit = printed_pair(value_m, limit_m, text)
    size = Fraction(1, 100) if unit is LengthUnit.METRE else unit.exact_metres
    for printed, true_m in ((value, value_m), (limit, limit_m)):
        decimals = max(len(printed.partition(".")[2]), 2 if unit is LengthUnit.METRE else 4)
        assert abs(Fraction(printed) - Fraction(true_m) / size) <= Fraction(51, 100) / 10**decimals


@settings(max_examples=200, deadline=None)
@given(st.floats(0.0, 1.0), st.sampled_from([0.1, 0.2]), steps, st.booleans())
def test_percent_keeps_the_side(share, limit, step, near):
    """A share never prints on the other side of its limit."""
    if near:
        share = stepped(limit, step)
    assert (Decimal(percent(share, limit)) < Decimal(str(limit)) * 100) == (share < limit)


@settings(max_examples=250, deadline=None)
@given(
    st.sampled_from([key for key in STANDARDS if key != "contract"]),
    st.sampled_from([0, 1, 2, 3, 19, 20, 29, 30, 48]),
    st.floats(0.001, 0.7),
    st.floats(0.001, 0.7),
    st.one_of(st.none(), st.floats(1e-4, 0.1)),
    st.booleans(),
    st.sampled_from(list(LengthUnit)),
)
def test_verdicts_hold_together(key, n, rmse_m, class_m, survey_m, vegetated, unit):
    """What makes a verdict, for every standard and any figures.

    Met: every decisive rule is met and the figure is within the class. A figure beyond the class is
    never anything but not met. Fewer than three are never graded. Each rule's outcome is the true
    order of its value and its limit, and only a class that is met was "tested to meet".
    """
    asked = {
        "vertical_m": class_m,
        "horizontal_m": class_m,
        "three_d_m": class_m,
        "class_name": "QL2",
        "map_scale": 1000 * class_m,
        "contour_interval_m": class_m,
    }
    seen = evidence(n, rmse_m, survey_m=survey_m, vegetated=vegetated)
    request = ClassRequest(standard=key, **{name: asked[name] for name in STANDARDS[key].takes})
    for verdict in grade(seen, request, LengthText(unit)):
        assert verdict.class_m is not None
        assert verdict.why
        statement = verdict.statement or ""
        assert ("tested to meet" in statement) <= (verdict.outcome is Outcome.MET)
        assert ("does not meet" in statement) <= (verdict.outcome is Outcome.NOT_MET)
        # NMAS counts heights of both covers together.
        counted = sum(rule.value for rule in verdict.rules if rule.name == "number of checkpoints")
        assert counted in {n, 2 * n if key == "nmas" and vegetated else n}
        if counted < 3:
            assert verdict.outcome is Outcome.NOT_GRADED
            continue
        if exceeds(verdict.tested_m, verdict.class_m):
            assert verdict.outcome is Outcome.NOT_MET
        if verdict.outcome is Outcome.MET:
            assert not exceeds(verdict.tested_m, verdict.class_m)
            assert all(rule.outcome is RuleOutcome.MET for rule in verdict.rules if rule.decisive)
        if verdict.outcome is Outcome.NOT_MET:
            assert any(
                rule.name.startswith("accuracy") and rule.outcome is RuleOutcome.NOT_MET
                for rule in verdict.rules
            )
        for rule in verdict.rules:
            if rule.name.startswith("accuracy") and rule.value is not None and rule.limit is not None:
                assert exceeds(rule.value, rule.limit) == (rule.outcome is RuleOutcome.NOT_MET)
