"""Overlapping flight lines and two epochs of open data, held against plain independent computations."""

from __future__ import annotations

from pathlib import Path

import laspy
import numpy as np
import pytest
from scipy.spatial import cKDTree

from accuracy.model import RelativeComparison
from accuracy.reading.cloud import read_headers
from accuracy.reading.patches import PointSelection
from accuracy.relative.differences import relative_evidence
from accuracy.relative.sampling import PlaceSettings
from accuracy.relative.surfaces import RunClouds, compare_surfaces, within_run

GROUND = PointSelection(classes=frozenset({2}))
TILES = (77050, 627755), (77050, 627760), (77055, 627755), (77055, 627760)


def between(result) -> RelativeComparison:
    """The comparison of passes, over all directions."""
    (found,) = (c for c in result.comparisons if c.kind == "pass-to-pass" and c.direction == "all")
    return found


def point_to_plane_m(path: Path, first: int, second: int) -> np.ndarray:
    """Ground points of the first line above planes through those of the second within 0.7 m: no cells."""
    las = laspy.read(path)
    ground = np.asarray(las.classification) == 2
    xyz = np.column_stack([las.x, las.y, las.z])[ground]
    source = np.asarray(las.point_source_id)[ground]
    xyz -= xyz.mean(axis=0)
    a, b = xyz[source == first], xyz[source == second]
    found = []
    for p, near in zip(a, cKDTree(b[:, :2]).query_ball_point(a[:, :2], 0.7), strict=True):
        if len(near) < 6:
            continue
        d = b[near] - p
        fit, _, rank, _ = np.linalg.lstsq(np.column_stack([np.ones(len(d)), d[:, :2]]), d[:, 2], rcond=None)
        if rank == 3 and np.hypot(*fit[1:]) < 0.1:
            found.append(-fit[0])
    return np.array(found)


@pytest.mark.parametrize(
    ("path", "first", "second"),
    [
        ("tiles/test_data_77055_627755_LA93_IGN69.laz", 706, 707),
        ("clouds/las_with_origin_dsmMarker.laz", 3025, 3026),
    ],
)
def test_flight_lines_agree_with_points_against_planes(
    shared_data: Path, path: str, first: int, second: int
) -> None:
    """Median difference of the lines as points against neighbouring planes give it, to 4 mm.

    For tile 77055_627755 the data's README states a median of -6 mm (707 against 706), NMAD 30 mm and
    RMSE 34 mm point by point: planes of whole cells scatter less, never more.
    """
    headers = read_headers([shared_data / path])
    found = between(within_run(RunClouds(name="line", headers=headers, selection=GROUND)))
    plain = point_to_plane_m(shared_data / path, first, second)
    assert found.n > 100
    assert plain.size > 500
    assert found.name_a.endswith(str(first))
    assert found.median_m == pytest.approx(float(np.median(plain)), abs=0.004)
    assert found.noise_rms_m < found.rmsd_m < float(np.sqrt(np.mean(plain**2)))
    if first == 706:
        assert found.median_m == pytest.approx(0.006, abs=0.004)
        assert found.rmsd_m < 0.034


def test_four_tiles_are_one_ground(shared_data: Path) -> None:
    """Cells are counted once across tile edges, and the evidence grades what the passes show."""
    paths = [shared_data / f"tiles/test_data_{e}_{n}_LA93_IGN69.laz" for e, n in TILES]
    alone = sum(
        between(within_run(RunClouds(name="t", headers=read_headers([p]), selection=GROUND))).n for p in paths
    )
    result = within_run(RunClouds(name="t", headers=read_headers(paths), selection=GROUND))
    together = between(result)
    assert together.n > 500
    assert abs(together.n - alone) < 0.15 * together.n
    evidence = relative_evidence(result.comparisons)
    assert evidence.places == together.n
    assert evidence.swath_to_swath_rmsd_m == together.rmsd_m
    assert evidence.within_swath_rmsd_m < evidence.within_swath_max_m
    assert not evidence.single_swath


def test_line_against_line_as_two_runs(shared_data: Path, tmp_path: Path) -> None:
    """Each line written to a file of its own: the same differences, and a rigid shift of that height.

    Airborne lines over flat ground: height is seen, and what walls there are decides on the rest.
    """
    whole = laspy.read(shared_data / "clouds/las_with_origin_dsmMarker.laz")
    runs = []
    for source in (3025, 3026):
        las = laspy.LasData(whole.header, whole.points[whole.point_source_id == source])
        las.write(tmp_path / f"{source}.laz")
        headers = read_headers([tmp_path / f"{source}.laz"])
        runs.append(RunClouds(name=str(source), headers=headers, selection=GROUND))
    result = compare_surfaces(runs[0], runs[1])
    headers = read_headers([shared_data / "clouds/las_with_origin_dsmMarker.laz"])
    inside = between(within_run(RunClouds(name="x", headers=headers, selection=GROUND)))
    found = result.comparisons[0]
    assert found.n == pytest.approx(inside.n, rel=0.1)
    assert found.median_m == pytest.approx(inside.median_m, abs=0.002)
    (shift,) = result.shifts
    along, across, up = shift.translations
    assert (along.value, across.value) == (None, None)
    assert up.value == pytest.approx(found.median_m, abs=0.01)
    assert shift.rms_after_m < shift.rms_before_m
    assert shift.misfit_ratio > 1


def test_two_epochs_thirteen_years_apart(shared_data: Path) -> None:
    """Thin clouds with heights in US survey feet: few places, no shift, and the reasons in words."""
    foot = 1200 / 3937
    a, b = (
        RunClouds(
            name=year,
            headers=read_headers([shared_data / f"pairs/autzen-bmx-{year}.las"]),
            vertical_unit_m=foot,
        )
        for year in ("2010", "2023")
    )
    result = compare_surfaces(a, b, settings=PlaceSettings(cell_m=4.0))
    found, shift = result.comparisons[0], result.shifts[0]
    assert 0 < found.n < 30
    assert found.max_m < 0.5
    assert found.rmsd_interval_95_m is None
    assert sum(found.left_out.values()) > 30
    assert shift.translations == ()
    assert shift.why_not
    fine = compare_surfaces(a, b, settings=PlaceSettings(cell_m=1.0))
    assert fine.comparisons[0].n == 0
    assert relative_evidence(fine.comparisons).places == 0
