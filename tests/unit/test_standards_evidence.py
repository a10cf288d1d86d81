"""Gathering the evidence: which checkpoints count, what is missing, and agreement with the summary."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from accuracy.model import (
    Cover,
    Distribution,
    NotMeasured,
    Reason,
    Role,
)
from accuracy.standards import evidence_from
from accuracy.statistics.summary import summarise
from measured_cases import checkpoint_result, horizontal_residual, vertical_residual


def checkpoint(name, *, up_m=0.01, across_m=(0.02, -0.01), sigma_m=(0.004, 0.005, 0.006), density=900.0):
    """One used checkpoint in open terrain."""
    return checkpoint_result(
        name,
        vertical_residual(up_m, survey_uncertainty_m=sigma_m[2], density_per_m2=density),
        horizontal_residual(across_m),
        at_m=(10.0 * len(name), 0.0, 0.0),
        sigma_m=sigma_m,
    )


def nothing(code, reason):
    """No measurement, and why."""
    return NotMeasured(code=code, reason=reason)


def test_what_counts():
    """Used checkpoints by cover; excluded ones and control points nowhere, even when marked as used."""
    results = [
        checkpoint("a", density=100.0),
        checkpoint("bb", density=300.0),
        replace(checkpoint("ccc"), cover=Cover.VEGETATED),
        replace(checkpoint("dddd"), role=Role.CONTROL),
        replace(checkpoint("eeeee"), used=False, why_not_used="hit by a van"),
        replace(checkpoint("ffffff"), vertical=nothing(Reason.EDGE, "An edge runs through the patch")),
    ]
    seen = evidence_from(
        results, summarise(results), Distribution(shape="area", area_m2=1234.0, quadrant_shares=None)
    )
    assert seen.open_heights.ids == ("a", "bb")
    assert seen.open_heights.not_measured == 1
    assert seen.vegetated_heights.ids == ("ccc",)
    assert seen.horizontal.ids == ("a", "bb", "ccc", "ffffff")
    assert seen.three_d.ids == ("a", "bb", "ccc")
    assert seen.control_points_set_aside == 1
    assert seen.area_m2 == 1234.0
    assert seen.density_per_m2 == 300.0  # the median of 100, 300 and 900


def test_survey_figures_are_those_of_the_summary():
    """Height, both axes together, all three together: the same RMS in the evidence and the summary."""
    results = [checkpoint("a"), checkpoint("bb", sigma_m=(0.01, 0.01, 0.02)), checkpoint("ccc")]
    summary = summarise(results)
    seen = evidence_from(results, summary)
    assert seen.open_heights.survey_rms_m == summary.vertical.survey_rms_m
    assert seen.horizontal.survey_rms_m == pytest.approx(summary.horizontal.survey_rms_m, rel=1e-14)
    assert seen.three_d.survey_rms_m == pytest.approx(summary.three_d.survey_rms_m, rel=1e-14)
    by_hand = math.sqrt((2 * (0.004**2 + 0.005**2) + 2 * 0.01**2) / 3)
    assert seen.horizontal.survey_rms_m == pytest.approx(by_hand, rel=1e-12)


@pytest.mark.parametrize("sigma", [None, 0.0, -0.01, math.nan])
def test_an_uncertainty_that_is_none(sigma):
    """Missing, zero, negative or not a number: the survey's share is not known on any axis with it."""
    results = [checkpoint("a"), checkpoint("bb"), checkpoint("ccc")]
    summary = summarise(results)
    results[1] = replace(results[1], sigma_northing_m=sigma)
    seen = evidence_from(results, summary)
    assert (seen.open_heights.survey_lacking, seen.horizontal.survey_lacking) == (0, 1)
    assert seen.horizontal.survey_rms_m is seen.three_d.survey_rms_m is None


def test_a_summary_of_other_checkpoints_is_refused():
    """A verdict on figures that are not of these checkpoints would be false."""
    results = [checkpoint("a"), checkpoint("bb"), checkpoint("ccc")]
    with pytest.raises(ValueError, match=r"summary\.vertical counts 3 residuals, the checkpoints hold 2"):
        evidence_from(results[:2], summarise(results))


@pytest.mark.parametrize(
    ("codes", "words"),
    [
        ([], "no checkpoint in open terrain was used"),
        ([Reason.EDGE], "none of 1 checkpoint has a measured height: Because edge"),
        (
            [Reason.EDGE, Reason.TOO_FEW_POINTS, Reason.TOO_FEW_POINTS],
            "none of 3 checkpoints has a measured height; at 2 of them: Because too_few_points",
        ),
    ],
)
def test_why_nothing_was_measured(codes, words):
    """The commonest reason, with how often."""
    results = [
        replace(checkpoint(str(i)), vertical=nothing(code, f"Because {code}."))
        for i, code in enumerate(codes)
    ]
    assert evidence_from(results, summarise(results)).open_heights.why_empty == words


def test_why_nothing_was_measured_where_nothing_was_used():
    """Checkpoints without any measurement are not used: the reason given is theirs."""
    reason = "The points within 4.0 m of the checkpoint were left out (1,203 withheld); no other lies there."
    unmeasured = replace(
        checkpoint("a"),
        used=False,
        why_not_used=reason,
        vertical=nothing(Reason.LEFT_OUT, reason),
        horizontal=nothing(Reason.NO_MARK, "No mark."),
    )
    set_aside = replace(unmeasured, id="b", why_not_used="set aside by the user: hit by a van")
    results = [unmeasured, set_aside]
    seen = evidence_from(results, summarise(results))
    assert seen.open_heights.why_empty == f"none of 1 checkpoint has a measured height: {reason[:-1]}"


def test_figures_of_a_sample():
    """Sizes over the axes, counts within, the error that a number of points does not exceed."""
    results = [checkpoint(name, up_m=up) for name, up in (("a", -0.03), ("bb", 0.01), ("ccc", 0.02))]
    seen = evidence_from(results, summarise(results))
    assert seen.open_heights.sizes_m.tolist() == [0.03, 0.01, 0.02]
    assert seen.horizontal.sizes_m == pytest.approx([math.hypot(0.02, 0.01)] * 3)
    assert seen.horizontal.axis(1).sizes_m == pytest.approx([0.01] * 3)
    assert seen.three_d.means_m == pytest.approx([0.02, -0.01, 0.0], abs=1e-15)
    assert [seen.open_heights.within(x) for x in (0.009, 0.01, 0.02, 0.03)] == [0, 1, 2, 3]
    assert [seen.open_heights.held_by(k) for k in (1, 2, 3)] == [0.01, 0.02, 0.03]
