"""A point that is listed twice is one checkpoint: numbers of checkpoints are numbers of places."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from accuracy.model import (
    CheckpointResult,
    ClassRequest,
    ContractLimit,
    Outcome,
    RuleOutcome,
)
from accuracy.model.places import count_places
from accuracy.rounding import LengthText
from accuracy.standards import evidence_from, grade
from accuracy.statistics.summary import summarise
from measured_cases import checkpoint_result, horizontal_residual, vertical_residual


def checkpoint(index: int, name: str, *, off_m: float = 0.0, above_m: float = 0.0) -> CheckpointResult:
    """A used checkpoint, 40 m from the next, with residuals of a centimetre; invented."""
    size_m = 0.01 if index % 2 else -0.01
    return checkpoint_result(
        name,
        vertical_residual(size_m),
        horizontal_residual((size_m, -size_m)),
        at_m=(352_400.0 + 40.0 * index + off_m, 6_031_250.0, 12.0 + above_m),
    )


def twice(n: int, **more: float) -> list[CheckpointResult]:
    """n points, each listed again under another id; ``more`` says how far off the second time."""
    return [one for i in range(n) for one in (checkpoint(i, f"P{i:02}"), checkpoint(i, f"P{i:02}b", **more))]


REQUESTS = [
    (ClassRequest(standard="asprs-2024", vertical_m=0.05, horizontal_m=0.05, three_d_m=0.05), 18, 30),
    (ClassRequest(standard="asprs-2014", vertical_m=0.05, horizontal_m=0.05), 18, 20),
    (ClassRequest(standard="nssda", vertical_m=0.05, horizontal_m=0.05), 18, 20),
    (ClassRequest(standard="usgs-lidar", class_name="QL2"), 18, 20),
    (ClassRequest(standard="nmas", contour_interval_m=0.5, map_scale=500), 18, 20),
    (
        ClassRequest(
            standard="contract",
            limits=(
                ContractLimit(
                    name="heights", statistic="rmse_m", limit_m=0.05, stratum="open", least_checkpoints=20
                ),
            ),
        ),
        18,
        20,
    ),
]


@pytest.mark.parametrize(("request_", "n", "wanted"), REQUESTS, ids=[r[0].standard for r in REQUESTS])
def test_points_listed_twice_are_not_enough(request_: ClassRequest, n: int, wanted: int) -> None:
    """36 rows at 18 places fall short in every standard and component; rows at places of their own do not."""
    results = twice(n)
    verdicts = grade(evidence_from(results, summarise(results)), request_, LengthText())
    assert verdicts
    for verdict in verdicts:
        number = next(rule for rule in verdict.rules if rule.name == "number of checkpoints")
        assert (number.value, number.limit) == (n, wanted)
        assert number.outcome is RuleOutcome.NOT_MET
        assert f"{2 * n} checkpoints at {n} places" in number.words
        assert verdict.outcome is Outcome.NOT_GRADED
    apart = [checkpoint(i, f"P{i:02}") for i in range(2 * n)]
    for verdict in grade(evidence_from(apart, summarise(apart)), request_, LengthText()):
        number = next(rule for rule in verdict.rules if rule.name == "number of checkpoints")
        assert number.outcome is RuleOutcome.MET
        assert "place" not in number.words
        assert verdict.outcome is Outcome.MET, verdict.why


def test_the_reduced_sentence_counts_places() -> None:
    """The edition's sentence for fewer than thirty names the rows and their places."""
    results = twice(18)
    request = ClassRequest(standard="asprs-2024", vertical_m=0.05)
    verdict = grade(evidence_from(results, summarise(results)), request, LengthText())[0]
    assert verdict.statement is not None
    assert "using ONLY 36 checkpoints at 18 places" in verdict.statement


def test_two_places_are_never_graded() -> None:
    """Two points, each listed twice, are two anecdotes."""
    results = twice(2)
    request = ClassRequest(standard="asprs-2024", vertical_m=0.005)
    verdict = grade(evidence_from(results, summarise(results)), request, LengthText())[0]
    assert verdict.outcome is Outcome.NOT_GRADED
    assert "fewer than 3 are never graded" in verdict.why


@pytest.mark.parametrize(
    ("off_m", "above_m", "places"),
    [
        (0.0, 0.0, 18),
        (0.049, 0.02, 18),
        (0.051, 0.0, 36),
        # A pole height taken wrong is no new place; a bridge over a road is.
        (0.02, 0.5, 18),
        (0.0, 5.0, 36),
    ],
)
def test_how_far_apart_two_places_are(off_m: float, above_m: float, places: int) -> None:
    """Five centimetres in plan, as for the remarks of the table; a metre in height."""
    results = twice(18, off_m=off_m, above_m=above_m)
    assert evidence_from(results, summarise(results)).open_heights.places == places


def test_places_of_many_points() -> None:
    """Ten thousand points on one spot are one place, whatever their order; so is a point and its repeats."""
    rng = np.random.default_rng(4)
    spots = rng.uniform(0, 1000, (50, 3))
    many = np.repeat(spots, 200, axis=0)
    assert count_places(rng.permutation(many)) == 50
    assert count_places(np.zeros((10_000, 3))) == 1
    assert count_places(np.empty((0, 3))) == 0


def test_leaving_one_of_a_pair_out_leaves_its_place() -> None:
    """A place is lost only with the last of its checkpoints."""
    results = [*twice(4), replace(checkpoint(9, "alone"))]
    sample = evidence_from(results, summarise(results)).open_heights
    assert sample.places == 5
    assert sample.without(0).places == 5
    assert sample.without(8).places == 4
