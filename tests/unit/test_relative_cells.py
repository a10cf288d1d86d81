"""Clouds into cells: nothing depends on the order of points, and memory has a ceiling."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import laspy
import numpy as np
import pytest

from accuracy.errors import RequestError
from accuracy.reading.cloud import read_header
from accuracy.reading.pairs import CellGatherer, CellGrid, CellTable, cell_grid, gather_cells
from accuracy.reading.patches import PointSelection

GRID = CellGrid(origin_m=(0.0, 0.0, 0.0), cell_m=1.0)
Write = Callable[..., Path]


def tabulate(points: np.ndarray, grid: CellGrid, order: np.ndarray, parts: int) -> CellTable:
    """Cells of points handed over in some order and in some parts; hashes go with the points."""
    rng = np.random.default_rng(7)
    key = rng.integers(0, 2**63, len(points)).astype(np.uint64)
    time, source = rng.uniform(0, 100, len(points)), rng.integers(0, 2, len(points))
    gatherer = CellGatherer(grid)
    for part in np.array_split(order, parts):
        gatherer.add(points[part], time[part], source[part], key[part])
    return gatherer.table()


@pytest.fixture
def write_cloud(tmp_path: Path) -> Write:
    """Writes a small invented cloud and returns its path."""

    def write(name: str, xyz: np.ndarray, **fields: np.ndarray) -> Path:
        header = laspy.LasHeader(version="1.4", point_format=6)
        header.scales, header.offsets = np.full(3, 0.001), np.floor(xyz.min(axis=0))
        las = laspy.LasData(header)
        las.x, las.y, las.z = xyz.T
        las.return_number = las.number_of_returns = np.ones(len(xyz), dtype=np.uint8)
        for field, values in fields.items():
            setattr(las, field, values)
        las.write(tmp_path / name)
        return tmp_path / name

    return write


@pytest.mark.parametrize("most_boxes", [150_000, 300])
@pytest.mark.parametrize("parts", [2, 5])
def test_order_and_parts_do_not_matter(rng: np.random.Generator, parts: int, most_boxes: int) -> None:
    """The same points in another order and other chunks give the same boxes, moments and kept points."""
    points = rng.uniform((0, 0, 0), (20, 10, 3), (8000, 3))
    grid = replace(GRID, most_boxes=most_boxes, sample=4)
    one = tabulate(points, grid, np.arange(len(points)), 1)
    other = tabulate(points, grid, rng.permutation(len(points)), parts)
    assert len(one) > 50
    assert one.every == other.every
    for name in ("column", "row", "layer", "source", "time_bin", "count", "sample_box", "sample_m"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    np.testing.assert_allclose(one.moments, other.moments, atol=1e-9)


def test_ceiling_is_held_on_a_lattice(rng: np.random.Generator) -> None:
    """Beyond the ceiling every second, fourth ... cell remains, whole, and no point is kept elsewhere."""
    points = rng.uniform((0, 0, 0), (40, 40, 1), (16_000, 3))
    table = tabulate(points, replace(GRID, most_boxes=500), np.arange(len(points)), 4)
    assert table.every > 1
    assert 0 < len(table) <= 500
    assert np.all(table.column % table.every == 0)
    assert np.all(table.row % table.every == 0)
    cell = np.floor(points[:, :2]).astype(int)
    there = np.all(cell % table.every == 0, axis=1)
    assert table.count.sum() == np.count_nonzero(there)


def test_moments_are_those_of_the_points(rng: np.random.Generator) -> None:
    """Count and moments of one box against sums written out; kept points lie in their box."""
    points = rng.uniform((2, 3, 1), (3, 4, 2), (50, 3))
    gatherer = CellGatherer(replace(GRID, sample=5))
    zero = np.zeros(50)
    gatherer.add(points, zero + 41.5, zero.astype(np.int64), np.arange(50).astype(np.uint64))
    table = gatherer.table()
    assert len(table) == 1
    assert (table.column[0], table.row[0], table.layer[0], table.time_bin[0]) == (2, 3, 1, 2)
    x, y, z = (points - (2.5, 3.5, 0)).T
    t = zero + 1.5
    expected = [x, y, z, x * x, x * y, x * z, y * y, y * z, z * z, t, x * t, y * t, t * t]
    np.testing.assert_allclose(table.moments[0], [e.sum() for e in expected], atol=1e-9)
    np.testing.assert_array_equal(table.sample_m, points[:5])


def test_soft_and_withheld_points_are_left_out(write_cloud: Write, rng: np.random.Generator) -> None:
    """Vegetation, water, noise and withheld points do not count, unless a class is asked for by name."""
    xyz = rng.uniform((100, 200, 5), (110, 210, 6), (900, 3))
    classes = np.repeat([1, 2, 3, 4, 5, 9, 7, 18, 2], 100).astype(np.uint8)
    withheld = np.zeros(900, dtype=np.uint8)
    withheld[-100:] = 1
    header = read_header(write_cloud("mixed.las", xyz, classification=classes, withheld=withheld))
    grid = cell_grid([((header,), (1.0, 1.0))])
    plain = gather_cells((header,), grid, horizontal_unit_m=1.0, vertical_unit_m=1.0)
    assert plain.count.sum() == 200
    assert (plain.points_read, plain.points_left_out) == (900, 700)
    chosen = PointSelection(classes=frozenset({5}))
    green = gather_cells((header,), grid, horizontal_unit_m=1.0, vertical_unit_m=1.0, selection=chosen)
    assert green.count.sum() == 100


def test_units_differ_in_plan_and_height(write_cloud: Write, rng: np.random.Generator) -> None:
    """A cloud in feet gives the same boxes and moments as its metric twin."""
    foot = 0.3048
    xyz = rng.uniform((1000, 2000, 5), (1010, 2010, 6), (2000, 3))
    metric = read_header(write_cloud("m.las", xyz))
    feet = read_header(write_cloud("ft.las", np.round(xyz / foot, 3)))
    grid = cell_grid([((metric,), (1.0, 1.0)), ((feet,), (foot, foot))])
    one = gather_cells((metric,), grid, horizontal_unit_m=1.0, vertical_unit_m=1.0)
    other = gather_cells((feet,), grid, horizontal_unit_m=foot, vertical_unit_m=foot)
    by_cell = {(c, r, k): n for c, r, k, n in zip(one.column, one.row, one.layer, one.count, strict=True)}
    same = [by_cell.get((c, r, k)) == n for c, r, k, n in zip(
        other.column, other.row, other.layer, other.count, strict=True)]  # fmt: skip
    assert len(same) > 100
    assert np.mean(same) > 0.9  # coordinates differ by up to half a step: a few points change boxes


def test_cells_lie_the_same_for_any_part_of_the_ground(write_cloud: Write) -> None:
    """The grid of a tile and that of its neighbour differ by whole cells."""
    origins = []
    for k, low in enumerate((0.0, 37.0)):
        xyz = np.random.default_rng(k).uniform((1000.3 + low, 2000, 5), (1020 + low, 2010, 6), (200, 3))
        header = read_header(write_cloud(f"{k}.las", xyz))
        origins.append(cell_grid([((header,), (1.0, 1.0))], cell_m=0.8).origin_m)
    steps = np.subtract(*origins)[:2] / 0.8
    assert steps[0] != 0
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)


def test_impossible_grid_is_refused() -> None:
    """Cells without extent cannot be asked for."""
    with pytest.raises(RequestError, match="cells of 0 m"):
        CellGrid(origin_m=(0.0, 0.0, 0.0), cell_m=0)
