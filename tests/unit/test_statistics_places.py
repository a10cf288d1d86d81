"""A place that is listed twice tells once: intervals rest on places, figures are those of all rows."""

from __future__ import annotations

from dataclasses import fields, replace
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from accuracy.grading import graded_record
from accuracy.model import (
    AxisSummary,
    CheckpointResult,
    ClassRequest,
    Cover,
    FloatArray,
    HorizontalResidual,
    Role,
    VerticalResidual,
)
from accuracy.model.places import Places, alone, places
from accuracy.reporting import view
from accuracy.reporting.spoken import spoken
from accuracy.statistics.summary import summarise, summarise_axis
from accuracy.units import LengthUnit

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
    east, north, up = residual_m
    return CheckpointResult(
        id=name,
        easting_m=352_400.0 + 30.0 * place,
        northing_m=6_031_250.0,
        height_m=12.0,
        sigma_easting_m=0.003,
        sigma_northing_m=0.003,
        sigma_height_m=0.004,
        cover=Cover.OPEN,
        role=Role.CHECK,
        mark="quartered-disc",
        used=True,
        why_not_used=None,
        vertical=VerticalResidual(
            residual_m=up,
            standard_uncertainty_m=0.003,
            fit_uncertainty_m=0.002,
            survey_uncertainty_m=0.004,
            points=500,
            radius_m=0.3,
            density_per_m2=1800.0,
            slope_percent=1.0,
            roughness_m=0.005,
            normal=(0.0, 0.0, 1.0),
        ),
        horizontal=HorizontalResidual(
            method="target",
            residual_easting_m=east,
            residual_northing_m=north,
            standard_uncertainty_m=0.003,
            covariance_m2=(9e-6, 9e-6, 0.0),
        ),
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


def test_the_report_counts_places(report_cases: ModuleType) -> None:
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
    single = replace(result, run=replace(run, checkpoints=tuple(survey(35, 1, 0))))
    assert any(one.text.startswith("35 checkpoints: ") for one in view.build(single).facts)
