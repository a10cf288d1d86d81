"""A place that is listed twice tells once: intervals rest on places, figures are those of all rows."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import report_cases
from accuracy.errors import RequestError
from accuracy.grading import graded_record
from accuracy.model import (
    AxisSummary,
    CheckpointResult,
    ClassRequest,
    FloatArray,
    RunRecord,
    VerticalResidual,
)
from accuracy.model.places import Places, alone, places
from accuracy.rechecking import _parts
from accuracy.reporting import view
from accuracy.reporting.spoken import spoken
from accuracy.statistics.summary import summarise, summarise_axis
from accuracy.units import LengthUnit
from measured_cases import checkpoint_result, horizontal_residual, result_of, vertical_residual

INTERVALS = [one.name for one in fields(AxisSummary) if "interval" in one.name or "bootstrap" in one.name]


def axis(residual_m: FloatArray, at: Places | None = None) -> AxisSummary:
    """A summary without positions."""
    n = residual_m.size
    found = summarise_axis(
        residual_m, ids=[f"p{i}" for i in range(n)], survey_sigma_m=np.full(n, np.nan), at=at
    )
    assert found is not None
    return found


def checkpoint(name: str, place: int, residual_m: tuple[float, float, float]) -> CheckpointResult:
    """A used checkpoint, 30 m from the next, with these residuals; invented."""
    return checkpoint_result(
        name,
        vertical_residual(residual_m[2]),
        horizontal_residual(residual_m[:2], method="target"),
        at_m=(352_400.0 + 30.0 * place, 6_031_250.0, 12.0),
        mark="quartered-disc",
    )


def survey(n: int, seed: int, doubled: int) -> list[CheckpointResult]:
    """n places, the first ``doubled`` of them listed again with the same residuals; drawn by chance."""
    residual_m = np.random.default_rng(seed).normal(0.002, 0.01, (n, 3)).tolist()
    once = [checkpoint(f"P{i:02}", i, tuple(one)) for i, one in enumerate(residual_m)]
    return once + [replace(one, id=f"{one.id} again") for one in once[:doubled]]


@pytest.mark.parametrize("n", [2, 5, 9, 12, 36, 80])
def test_listing_every_point_twice_changes_no_interval(n: int) -> None:
    """Heights, axes, horizontal and 3D: figures, intervals and degrees of freedom of the single list."""
    single, double = summarise(survey(n, n, 0)), summarise(survey(n, n, n))
    for once, twice in (
        (single.vertical, double.vertical),
        (single.horizontal, double.horizontal),
        (single.three_d, double.three_d),
        (single.horizontal and single.horizontal.easting, double.horizontal and double.horizontal.easting),
    ):
        assert once is not None
        assert twice is not None
        assert (once.n, once.places, twice.n, twice.places) == (n, n, 2 * n, n)
        assert twice.rmse_m == pytest.approx(once.rmse_m, rel=1e-12)
        for name in (one.name for one in fields(once)):
            if not ("interval" in name or "bootstrap" in name or "freedom" in name or "correlated" in name):
                continue
            before, after = getattr(once, name), getattr(twice, name)
            if before is None or after is None:
                assert before is after, name
            else:
                assert after == pytest.approx(before, rel=1e-9, abs=1e-15), name


def test_without_shared_places_nothing_is_other() -> None:
    """Each by itself is what a summary without places is, to the last bit."""
    residual_m = np.random.default_rng(3).normal(0, 0.01, 40)
    assert axis(residual_m, alone(40)) == axis(residual_m)
    assert axis(residual_m).places == 40


@settings(max_examples=60, deadline=None)
@given(
    shared=st.lists(st.integers(0, 9), min_size=2, max_size=30),
    seed=st.integers(0, 10_000),
)
def test_sharing_never_narrows_what_is_exact(shared: list[int], seed: int) -> None:
    """The chi-square and t intervals are no narrower than with each row by itself, whoever shares a place."""
    residual_m = np.random.default_rng(seed).normal(0, 0.01, len(shared))
    at = Places(of_each=np.unique(shared, return_inverse=True)[1].astype(np.int64))
    together, apart = axis(residual_m, at), axis(residual_m)
    assert at.effective <= at.count + 1e-9
    assert (together.rmse_m, together.mean_m, together.n) == (apart.rmse_m, apart.mean_m, apart.n)
    for name in ("rmse_interval_95_m", "mean_interval_95_m"):
        wide, narrow = getattr(together, name), getattr(apart, name)
        if wide is not None:
            assert wide[1] - wide[0] >= (narrow[1] - narrow[0]) * (1 - 1e-9)


def test_the_interval_holds_its_level_when_every_place_is_listed_twice() -> None:
    """20 places, normal residuals, each twice: 95 % hold the truth; counted as 40 rows it would be 83 %.

    1000 draws have a standard error of 0.7 %; four of them either way.
    """
    generator = np.random.default_rng(8)
    at = Places(of_each=np.tile(np.arange(20), 2))
    held = {"places": 0, "rows": 0}
    for _ in range(1000):
        twice = np.tile(generator.normal(0, 1, 20), 2)
        for name, who in (("places", at), ("rows", alone(40))):
            interval = axis(twice, who).rmse_interval_95_m
            assert interval is not None
            held[name] += interval[0] <= 1 <= interval[1]
    assert abs(held["places"] / 1000 - 0.95) < 0.028
    assert held["rows"] / 1000 < 0.90


def test_the_bootstrap_holds_its_level_too() -> None:
    """The studentised bootstrap draws whole places: of 250 samples of 20 places twice at least 90 % hold."""
    generator = np.random.default_rng(9)
    at = Places(of_each=np.repeat(np.arange(20), 2))
    held = 0
    for _ in range(250):
        interval = axis(np.repeat(generator.normal(0, 1, 20), 2), at).rmse_bootstrap_95_m
        assert interval is not None
        held += interval[0] <= 1 <= interval[1]
    assert held / 250 > 0.90


@pytest.mark.parametrize(
    ("of_each", "effective"),
    [
        ([0, 1, 2], 3.0),
        ([0, 0, 1, 1], 2.0),
        ([0, *range(35)], 36**2 / 38),  # 36 rows at 35 places: 4 + 34 x 1 (arithmetic)
        ([0] * 5, 1.0),
    ],
)
def test_what_shared_places_are_worth(of_each: list[int], effective: float) -> None:
    """n^2 over the sum of squares, by arithmetic."""
    assert Places(of_each=np.array(of_each)).effective == pytest.approx(effective)


def test_one_place_alone_has_no_interval() -> None:
    """Five rows at one place are one place: there is nothing to tell a spread from."""
    found = axis(np.array([0.01, 0.011, 0.012, 0.01, 0.009]), Places(of_each=np.zeros(5, dtype=np.int64)))
    assert found.places == 1
    assert all(getattr(found, name) is None for name in INTERVALS)


def test_the_order_of_the_table_changes_no_place() -> None:
    """A chain of points 4 cm apart: as many places from either end, and in any order."""
    chain = np.array([(0.04 * i, 0.0, 0.0) for i in range(7)])
    counts = set()
    for seed in range(20):
        order = np.random.default_rng(seed).permutation(7)
        counts.add(places(chain[order]).count)
    assert counts == {4}  # the first, and each second one: 8 cm on


def test_the_report_counts_places() -> None:
    """36 checkpoints at 35 places in title block, figures, rules, sentence and the command's words."""
    result = report_cases.make(oddities=False, horizontal=True)
    run = graded_record(
        name="12-east",
        attributes={},
        checkpoints=tuple(survey(35, 1, 1)),
        excluded_ids=(),
        requests=(ClassRequest(vertical_m=0.001),),
        unit=LengthUnit.METRE,
        remarks=(),
    )
    result = replace(result, run=run)
    made = view.build(result)
    assert any("36 checkpoints at 35 places: 36 used for height" in one.text for one in made.facts)
    assert made.figures is not None
    assert set(made.figures.rows[0][1:]) == {"36 at 35 places"}
    assert "using 36 checkpoints at 35 places." in (run.verdicts[0].statement or "")
    assert any("Height, open terrain: 36 checkpoints at 35 places, mean" in one for one in spoken(result))
    again = replace(run, name="24-east", summary=replace(run.summary, vertical=None, vegetated=None))
    runs = view.build(replace(result, runs=(run, again))).runs
    assert runs is not None
    assert runs.table.head[1] == "n at places"
    assert [row[1] for row in runs.table.rows] == ["36 at 35", "\N{EN DASH}"]
    single = replace(result, run=replace(run, checkpoints=tuple(survey(35, 1, 0))))
    assert any(one.text.startswith("35 checkpoints: ") for one in view.build(single).facts)


# --------------------------------------------------------------------------- left out, and dealt


def graded(checkpoints: list[CheckpointResult], class_m: float = 0.02) -> RunRecord:
    """The record of these checkpoints."""
    return graded_record(
        name="12-east",
        attributes={},
        checkpoints=tuple(checkpoints),
        excluded_ids=(),
        requests=(ClassRequest(vertical_m=class_m, horizontal_m=class_m),),
        unit=LengthUnit.METRE,
        remarks=(),
    )


def test_a_place_is_left_out_whole() -> None:
    """Where every point is listed twice, leaving out a place does what leaving out its point does.

    Each is named by all of its ids, and the report speaks of places.
    """
    once = survey(12, 5, 0)
    single, double = graded(once), graded(survey(12, 5, 12))
    for component in ("vertical", "horizontal"):
        of_each = {one.id: one.rmse_without_m for one in single.influence[component]}
        assert len(double.influence[component]) == len(of_each) == 12
        for one in double.influence[component]:
            name, again = one.id.split(", ")
            assert again == f"{name} again"
            assert one.rmse_without_m == pytest.approx(of_each[name], rel=1e-12)


def test_one_doubled_point_may_decide() -> None:
    """A bad point listed twice flips the verdict with both of its rows, and is told as a place."""
    points = survey(30, 8, 1)
    height = points[0].vertical
    assert isinstance(height, VerticalResidual)
    bad = replace(height, residual_m=0.1)
    points = [replace(one, vertical=bad) if one.id.startswith("P00") else one for one in points]
    record = graded(points)
    first = record.influence["vertical"][0]
    assert (first.id, first.flips) == ("P00, P00 again", True)
    assert [one.id for one in record.influence["vertical"] if one.flips] == [first.id]
    made = view.build(replace(report_cases.make(oddities=False), run=record, runs=(), comparisons=()))
    assert made.singles is not None
    said = made.singles.sentences[0]
    assert "single places decide. Leaving out P00, P00 again alone would move" in said


def test_a_single_place_has_no_influence() -> None:
    """With nothing beside it, leaving it out leaves no figure."""
    assert graded(survey(1, 4, 1)).influence == {}


@pytest.mark.parametrize("asked", ["leave-one-out", 2, 5, 12])
def test_parts_keep_a_place_together(asked: Literal["leave-one-out"] | int) -> None:
    """No place is split between folds, which hold as many of them as can be; one by one each is left out."""
    points = survey(12, 6, 4)
    requests = (ClassRequest(vertical_m=0.02),)
    result = result_of(graded(points))
    parts = _parts(result.run, asked, 3, requests, result)
    whole = {point.id for point in points}
    apart = [whole - set(part.ids) if asked == "leave-one-out" else set(part.ids) for part in parts]
    assert sorted(name for one in apart for name in one) == sorted(whole)
    for one in apart:
        assert {f"{name} again" for name in one} & whole <= one
    sizes = [len({name.removesuffix(" again") for name in one}) for one in apart]
    assert max(sizes) - min(sizes) <= 1
    if asked == "leave-one-out":
        assert parts[0].name == "without P00, P00 again"
        assert parts[4].name == "without P04"
    # The order of the rows deals no other folds.
    turned = replace(result.run, checkpoints=result.run.checkpoints[::-1])
    again = _parts(turned, asked, 3, requests, result)
    assert {part.ids for part in again} == {part.ids for part in parts}


def test_no_more_folds_than_places() -> None:
    """Sixteen rows at twelve places make no thirteen folds."""
    result = result_of(graded(survey(12, 6, 4)))
    with pytest.raises(RequestError, match="16 checkpoints at 12 places cannot be dealt into 13 folds"):
        _parts(result.run, 13, 3, (ClassRequest(vertical_m=0.02),), result)
