"""Which cells are smooth ground, told apart by layer, pass and shape; and what a pair of passes gives."""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.matching.plane import design_matrix, intercept_and_uncertainty
from accuracy.model import RelativeComparison
from accuracy.reading.pairs import CellGatherer, CellGrid, CellTable
from accuracy.relative.differences import (
    ANOTHER,
    by_direction,
    compare,
    plane_differences,
    ranges_within,
    relative_evidence,
)
from accuracy.relative.sampling import (
    Fault,
    PlaceSettings,
    best_pass,
    common_cells,
    judge_roughness,
    next_passes,
    pass_cells,
    smoothness_limit,
)
from accuracy.standards import grade
from accuracy.standards.base import Evidence

GRID = CellGrid(origin_m=(1000.0, 2000.0, 50.0), cell_m=1.0)
SETTINGS = PlaceSettings()


def table_of(points: np.ndarray, time: np.ndarray | float = 0.0, source: int = 0) -> CellTable:
    """Cells of offsets from the grid's origin."""
    n = len(points)
    gatherer = CellGatherer(GRID)
    key = np.random.default_rng(1).integers(0, 2**63, n).astype(np.uint64)
    gatherer.add(points, np.broadcast_to(time, n).astype(float), np.full(n, source), key)
    return gatherer.table()


def patch(rng: np.random.Generator, n: int = 60, *, x0: float = 3.0, noise: float = 0.01) -> np.ndarray:
    """Points of a gently sloping plane in one cell."""
    x, y = rng.uniform(x0, x0 + 1, n), rng.uniform(4, 5, n)
    return np.column_stack([x, y, 1.5 + 0.03 * (x - x0) - 0.02 * y + rng.normal(0, noise, n)])


def test_plane_and_variance_are_those_of_an_ordinary_fit(rng: np.random.Generator) -> None:
    """From moments alone: the height at a place and its uncertainty, as a fit to the points gives them."""
    points, other = patch(rng), patch(rng) + np.array([0, 0, 0.03])
    a, b = pass_cells(table_of(points), SETTINGS), pass_cells(table_of(other), SETTINGS)
    found = plane_differences(a, b, table_of(points), SETTINGS)
    assert found.difference_m.size == 1
    at = np.array([found.easting_m[0] - 1000, found.northing_m[0] - 2000])
    heights, variances = [], []
    for p in (points, other):
        x, y = (p[:, :2] - at).T
        height, u = intercept_and_uncertainty(design_matrix(x, y, bend=False), p[:, 2])
        heights.append(height)
        variances.append(u**2 * 57 / 55)  # Student's variance for 57 degrees of freedom
    assert found.difference_m[0] == pytest.approx(heights[0] - heights[1], abs=1e-9)
    assert found.uncertainty_m[0] == pytest.approx(np.sqrt(sum(variances)), rel=1e-6)


def test_what_hangs_above_does_not_disturb(rng: np.random.Generator) -> None:
    """A canopy three metres up, and a surface that lies across two layers, leave the ground as it is."""
    ground = patch(rng) + np.array([0, 0, 0.48])  # z about 1.9 to 2.0
    leaves = rng.uniform((3, 4, 5), (4, 5, 9), (500, 3))
    alone, both = (pass_cells(table_of(p), SETTINGS) for p in (ground, np.concatenate([leaves, ground])))
    assert len(both) == 1
    assert both.fault[0] == Fault.NONE
    assert both.count[0] == 60
    assert both.z_m[0] == pytest.approx(alone.z_m[0], abs=1e-12)


@pytest.mark.parametrize(
    ("change", "fault"),
    [
        (lambda p, _: p[:5], Fault.TOO_FEW),
        (lambda p, _: np.column_stack([3.2 + 0.05 * (p[:, 0] - 3), p[:, 1:]]), Fault.LOPSIDED),
        (lambda p, _: p + np.column_stack([0 * p[:, 0], 0 * p[:, 0], 0.2 * (p[:, 0] - 3)]), Fault.STEEP),
        (lambda p, r: p + np.column_stack([np.zeros((60, 2)), 0.3 * (r.random(60) < 0.3)]), Fault.ROUGH),
        (lambda p, r: p + np.column_stack([np.zeros((60, 2)), r.uniform(0, 4, 60)]), None),
        (lambda p, _: p, Fault.NONE),
    ],
    ids=["few", "one side", "steep", "kerb", "bush", "sound"],
)
def test_faults(rng: np.random.Generator, change, fault: Fault | None) -> None:
    """Each way in which a cell is no smooth ground is told by its name."""
    cells = judge_roughness(pass_cells(table_of(change(patch(rng), rng)), SETTINGS), 0.03)
    assert len(cells) == 1
    if fault is None:
        assert cells.fault[0] != Fault.NONE
    else:
        assert cells.fault[0] == fault


def test_passes_are_told_apart_by_time_and_source(rng: np.random.Generator) -> None:
    """Minutes apart is another pass, seconds are not, another source always is."""
    p = patch(rng)
    gatherer = CellGatherer(GRID)
    for time, source in ((100.0, 1), (115.0, 1), (400.0, 1), (105.0, 2)):
        gatherer.add(p, np.full(60, time), np.full(60, source), rng.integers(0, 2**63, 60).astype(np.uint64))
    cells = pass_cells(gatherer.table(), SETTINGS)
    assert cells.source.tolist() == [1, 1, 2]
    assert cells.count.tolist() == [120, 60, 60]
    np.testing.assert_allclose(cells.time_s, [107.5, 400.0, 105.0])
    before, after = next_passes(cells)
    assert (before.tolist(), after.tolist()) == ([0, 1], [1, 2])
    assert best_pass(cells).count.tolist() == [120]


def test_direction_of_travel_comes_from_the_times(rng: np.random.Generator) -> None:
    """East and west over the same cells: the pair is opposite; times without order show no direction."""
    p = np.concatenate([patch(rng, x0=float(x0), n=40) for x0 in range(12)])
    east, west = (
        pass_cells(table_of(p, p[:, 0] / 3), SETTINGS),
        pass_cells(table_of(p, 500 - p[:, 0] / 3), SETTINGS),
    )
    lost = pass_cells(table_of(p, rng.uniform(0, 5, len(p))), SETTINGS)
    np.testing.assert_allclose(east.travel, np.tile([1.0, 0.0], (12, 1)), atol=1e-6)
    np.testing.assert_allclose(west.travel, -east.travel, atol=1e-6)
    assert np.all(lost.travel == 0)
    found = plane_differences(east, west, table_of(p), SETTINGS)
    np.testing.assert_allclose(found.same_way, -1, atol=1e-6)
    common = {"name_a": "a", "name_b": "b", "kind": "run-to-run", "settings": SETTINGS, "roughest_m": 0.03}
    assert [c.direction for c in by_direction(found, **common)] == ["all"]


def test_parked_cars_are_named_and_a_wrong_run_is_not_hidden(rng: np.random.Generator) -> None:
    """A roof in one run is another surface; but if everything is that far apart, nothing is left out."""
    p = np.concatenate([patch(rng, x0=float(x0), n=40) for x0 in range(30)])
    roof = p + np.column_stack([np.zeros((len(p), 2)), 1.4 * (p[:, 0] < 2)])
    one = pass_cells(table_of(p), SETTINGS)
    table = table_of(p)
    cars = plane_differences(pass_cells(table_of(roof), SETTINGS), one, table, SETTINGS)
    assert cars.left_out == {ANOTHER: 2}
    assert np.abs(cars.difference_m).max() < 0.02
    off = plane_differences(pass_cells(table_of(p + np.array([0, 0, 1.4])), SETTINGS), one, table, SETTINGS)
    assert ANOTHER not in off.left_out
    assert off.difference_m.size == 30
    np.testing.assert_allclose(off.difference_m, 1.4, atol=1e-9)


def test_smoothness_limit_follows_the_smoothest_fifth(rng: np.random.Generator) -> None:
    """Twice the lower fifth, never above the ceiling; as set where it is set."""
    p = np.concatenate([patch(rng, x0=float(x), n=200, noise=0.01 if x < 20 else 0.05) for x in range(40)])
    cells = pass_cells(table_of(p), SETTINGS)
    assert smoothness_limit((cells,), SETTINGS) == pytest.approx(0.02, rel=0.1)
    assert smoothness_limit((cells,), PlaceSettings(roughest_m=0.5)) == 0.5
    assert smoothness_limit((cells.take(np.arange(20, 40)),), SETTINGS) == 0.08
    assert smoothness_limit((cells.take(np.zeros(0, dtype=np.int64)),), SETTINGS) == 0.08


def test_only_common_cells_are_compared(rng: np.random.Generator) -> None:
    """Cells of one run alone are no pair."""
    a = pass_cells(table_of(np.concatenate([patch(rng, x0=float(x)) for x in (1, 2, 5)])), SETTINGS)
    b = pass_cells(table_of(np.concatenate([patch(rng, x0=float(x)) for x in (2, 5, 9)])), SETTINGS)
    in_a, in_b = common_cells(a, b)
    assert a.column[in_a].tolist() == b.column[in_b].tolist() == [2, 5]


def test_range_within_a_pass_is_that_of_its_kept_points(rng: np.random.Generator) -> None:
    """Range about the fitted plane, never below what range minus slope x cell x 1.414 gives."""
    p = patch(rng, n=32)
    table = table_of(p)
    cells = pass_cells(table, SETTINGS)
    found = ranges_within(table, cells)
    assert found.difference_m.size == 1
    about = p[:, 2] - np.column_stack([np.ones(32), p[:, :2]]) @ np.linalg.lstsq(
        np.column_stack([np.ones(32), p[:, :2]]), p[:, 2], rcond=None
    )[0]  # fmt: skip
    assert found.difference_m[0] == pytest.approx(np.ptp(about), abs=1e-9)
    assert found.difference_m[0] >= np.ptp(p[:, 2]) - cells.slope_percent[0] / 100 * 1.414


def comparison(
    kind: str, n: int, rmsd: float | None, largest: float | None, way: str = "all"
) -> RelativeComparison:
    """An invented comparison."""
    return RelativeComparison(
        name_a="a", name_b="b", kind=kind, direction=way, cell_m=1.0, n=n, rmsd_m=rmsd, max_m=largest
    )


def test_evidence_pools_and_grades() -> None:
    """RMSDs pool by places, the parts by direction do not count twice, and the standards grade them."""
    evidence = relative_evidence([
        comparison("within-swath", 500, 0.020, 0.028),
        comparison("pass-to-pass", 300, 0.030, 0.060),
        comparison("pass-to-pass", 100, 0.050, 0.070),
        comparison("pass-to-pass", 150, 0.9, 0.9, "opposite"),
    ])  # fmt: skip
    assert evidence.places == 400
    assert evidence.swath_to_swath_rmsd_m == pytest.approx(np.sqrt((300 * 0.03**2 + 100 * 0.05**2) / 400))
    assert evidence.swath_to_swath_max_m == 0.070
    assert (evidence.within_swath_rmsd_m, evidence.within_swath_max_m) == (0.020, 0.028)
    assert not evidence.single_swath


def test_thin_evidence_never_passes() -> None:
    """No comparison, an empty one, or a single swath: figures are absent, not nought."""
    nothing = relative_evidence([])
    assert (nothing.places, nothing.swath_to_swath_rmsd_m, nothing.within_swath_max_m) == (0, None, None)
    empty = relative_evidence([comparison("run-to-run", 0, None, None)])
    assert (empty.places, empty.swath_to_swath_rmsd_m, empty.single_swath) == (0, None, False)
    single = relative_evidence([comparison("within-swath", 40, 0.01, 0.02)])
    assert (single.places, single.single_swath, single.swath_to_swath_rmsd_m) == (40, True, None)


def test_nothing_in_common_is_said(rng: np.random.Generator) -> None:
    """Without a place there is no figure, and the sentence says so."""
    a = pass_cells(table_of(patch(rng)), SETTINGS)
    none = np.zeros(0, dtype=np.int64)
    found = plane_differences(a.take(none), a.take(none), table_of(patch(rng)), SETTINGS)
    said = compare(found, name_a="a", name_b="b", kind="run-to-run", settings=SETTINGS, roughest_m=0.02)
    assert (said.n, said.rmsd_m, said.max_m, said.places) == (0, None, None, ())
    assert "share no smooth place" in said.words


@pytest.mark.parametrize(("class_m", "outcome"), [(0.10, "met"), (0.04, "not met")])
def test_asprs_grades_what_was_found(class_m: float, outcome: str) -> None:
    """The standard's shares of the class (0.60, 0.80, 1.60) are applied to these figures."""
    from accuracy.model import ClassRequest
    from accuracy.rounding import LengthText
    from accuracy.units import LengthUnit

    evidence = relative_evidence([
        comparison("within-swath", 500, 0.020, 0.030),
        comparison("pass-to-pass", 300, 0.035, 0.060),
    ])  # fmt: skip
    verdicts = grade(
        Evidence(relative=evidence),
        ClassRequest(standard="asprs-2024", vertical_m=class_m),
        LengthText(LengthUnit.METRE),
    )
    relative = [v for v in verdicts if v.component == "relative"]
    assert [v.outcome for v in relative] == [outcome]
