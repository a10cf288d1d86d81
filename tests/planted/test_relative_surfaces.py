"""From cloud files to figures: an invented road driven there and back, and once more as another run."""

from __future__ import annotations

from pathlib import Path

import laspy
import numpy as np
import pytest

from accuracy.errors import CloudError
from accuracy.model import ClassRequest
from accuracy.reading.cloud import read_headers
from accuracy.reading.patches import PointSelection
from accuracy.relative.differences import relative_evidence
from accuracy.relative.sampling import PlaceSettings
from accuracy.relative.surfaces import RunClouds, compare_surfaces, within_run
from accuracy.rounding import LengthText
from accuracy.standards import grade
from accuracy.standards.base import Evidence

LENGTH_M, SPEED = 80.0, 4.0


def drive(rng: np.random.Generator, *, back: bool, lift_m: float) -> np.ndarray:
    """(n, 4) points of a road and their times; the way back starts five minutes later."""
    n = int(LENGTH_M * 6 * 40)
    x, y = rng.uniform(0, LENGTH_M, n), rng.uniform(0, 6, n)
    z = 7.0 + 0.01 * x + 0.015 * y + lift_m + rng.normal(0, 0.005, n)
    time = 1000 + 300 + (LENGTH_M - x) / SPEED if back else 1000 + x / SPEED
    return np.column_stack([x + 690_000, y + 5_330_000, z, time])


def cloud(path: Path, points: np.ndarray, source: np.ndarray | int = 0, cut: float = 0.0) -> Path:
    """Writes a cloud, as two tiles if it is cut somewhere."""
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales, header.offsets = np.full(3, 0.0001), np.array([690_000.0, 5_330_000.0, 0.0])
    path.mkdir()
    source = np.broadcast_to(source, len(points))
    for k, part in enumerate((points[:, 0] - 690_000 < cut, points[:, 0] - 690_000 >= cut)):
        if part.any():
            las = laspy.LasData(header)
            las.x, las.y, las.z = points[part, :3].T
            las.gps_time, las.point_source_id = points[part, 3], source[part]
            las.return_number = las.number_of_returns = np.ones(part.sum(), dtype=np.uint8)
            las.write(path / f"tile{k}.laz")
    return path


def test_there_and_back_is_compared_and_graded(tmp_path: Path, rng: np.random.Generator) -> None:
    """Two passes under one source id, 12 mm apart, told apart by their times and called opposite."""
    points = np.concatenate([drive(rng, back=False, lift_m=0.0), drive(rng, back=True, lift_m=0.012)])
    headers = read_headers([cloud(tmp_path / "run", points, cut=33.3)])
    assert len(headers) == 2
    steps: list[tuple[int, int]] = []
    result = within_run(
        RunClouds(name="run", headers=headers), progress=lambda _, done, total: steps.append((done, total))
    )
    within, passes = result.comparisons
    assert (within.kind, passes.kind, passes.direction) == ("within-swath", "pass-to-pass", "all")
    assert passes.n > 350
    assert passes.mean_m == pytest.approx(-0.012, abs=4 * 0.002 / np.sqrt(passes.n))
    assert steps[-1] == (len(points), len(points))
    # Both ways exist only together here: no part by direction stands beside the whole.
    evidence = relative_evidence(result.comparisons)
    outcomes = {
        class_m: [
            v.outcome
            for v in grade(
                Evidence(relative=evidence),
                ClassRequest(standard="asprs-2024", vertical_m=class_m),
                LengthText(),
            )
            if v.component == "relative"
        ]
        for class_m in (0.01, 0.10)
    }
    assert outcomes == {0.01: ["not met"], 0.10: ["met"]}


def test_directions_are_told_apart(tmp_path: Path, rng: np.random.Generator) -> None:
    """Half of the road is driven again the same way, half the other way; only the latter lies higher."""
    first = drive(rng, back=False, lift_m=0.0)
    back, again = drive(rng, back=True, lift_m=0.02), drive(rng, back=False, lift_m=0.0)
    again[:, 3] += 600
    middle = 690_000 + LENGTH_M / 2
    points = np.concatenate([first, back[back[:, 0] < middle], again[again[:, 0] >= middle]])
    result = within_run(RunClouds(name="run", headers=read_headers([cloud(tmp_path / "run", points)])))
    by_way = {c.direction: c for c in result.comparisons if c.kind == "pass-to-pass"}
    assert set(by_way) == {"all", "same", "opposite"}
    assert by_way["opposite"].median_m == pytest.approx(-0.02, abs=0.001)
    assert by_way["same"].median_m == pytest.approx(0.0, abs=0.001)
    # Relative accuracy that is taken twice would double the places.
    assert relative_evidence(result.comparisons).places == by_way["all"].n


def test_single_pass_has_nothing_to_overlap(tmp_path: Path, rng: np.random.Generator) -> None:
    """One pass: only the range within it, and the standard is told that there is one swath."""
    path = cloud(tmp_path / "run", drive(rng, back=False, lift_m=0.0))
    result = within_run(RunClouds(name="run", headers=read_headers([path])))
    assert [c.kind for c in result.comparisons] == ["within-swath"]
    assert relative_evidence(result.comparisons).single_swath


def test_two_runs_give_difference_and_shift(tmp_path: Path, rng: np.random.Generator) -> None:
    """Run a 15 mm above run b; the road alone shows height and no horizontal shift."""
    a = read_headers([cloud(tmp_path / "a", drive(rng, back=False, lift_m=0.015))])
    b = read_headers([cloud(tmp_path / "b", drive(rng, back=True, lift_m=0.0))])
    result = compare_surfaces(RunClouds(name="slow", headers=a), RunClouds(name="fast", headers=b))
    (found,), (shift,) = result.comparisons, result.shifts
    assert (found.name_a, found.name_b, found.kind) == ("slow", "fast", "run-to-run")
    low, high = found.mean_interval_95_m
    assert low < 0.0151
    assert high > 0.0149
    assert [c.value is None for c in shift.translations] == [True, True, False]
    assert shift.translations[2].value == pytest.approx(
        0.015, abs=3 * shift.translations[2].standard_uncertainty
    )
    assert result == compare_surfaces(RunClouds(name="slow", headers=a), RunClouds(name="fast", headers=b))


def test_runs_apart_and_empty_choices_give_reasons(tmp_path: Path, rng: np.random.Generator) -> None:
    """Runs in different places, and a class that no point has: no figure, no crash, the reason in words."""
    here = drive(rng, back=False, lift_m=0.0)
    a = read_headers([cloud(tmp_path / "a", here)])
    b = read_headers([cloud(tmp_path / "b", here + np.array([500.0, 0, 0, 0]))])
    apart = compare_surfaces(RunClouds(name="a", headers=a), RunClouds(name="b", headers=b))
    assert (apart.comparisons[0].n, apart.comparisons[0].rmsd_m) == (0, None)
    assert "share only 0" in (apart.shifts[0].why_not or "")
    nothing = PointSelection(classes=frozenset({2}))
    none = within_run(RunClouds(name="a", headers=a, selection=nothing))
    assert none.comparisons == ()
    assert "no point is left" in none.remarks[0]
    both = compare_surfaces(
        *(RunClouds(name=n, headers=h, selection=nothing) for n, h in (("a", a), ("b", b)))
    )
    assert both.comparisons[0].n == 0
    assert both.shifts[0].why_not


def test_ceiling_is_told(tmp_path: Path, rng: np.random.Generator) -> None:
    """A run with more cells than are kept is looked at on a lattice, and the remark says so."""
    headers = read_headers([cloud(tmp_path / "a", drive(rng, back=False, lift_m=0.0))])
    result = within_run(RunClouds(name="a", headers=headers), settings=PlaceSettings(most_boxes=200))
    assert 0 < result.comparisons[0].n <= 200
    assert "every 2th" not in result.remarks[0]
    assert "lattice" in result.remarks[0]


def test_a_damaged_tile_stops_everything(tmp_path: Path, rng: np.random.Generator) -> None:
    """Figures of half a cloud are none."""
    path = cloud(tmp_path / "a", drive(rng, back=False, lift_m=0.0))
    headers = read_headers([path])
    file = path / "tile1.laz"
    file.write_bytes(file.read_bytes()[:-20_000])
    with pytest.raises(CloudError, match="tile1"):
        within_run(RunClouds(name="a", headers=headers))
