"""Real grids: the Ordnance Survey's forty test points, and the French geoid."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyproj
import pytest

from accuracy.conversion import convert, undulation_m, use_grid_folder
from accuracy.errors import FrameError

ETRS89_3D = pyproj.CRS(4937)
NATIONAL_GRID_AND_ODN = pyproj.CRS("EPSG:7405")


@pytest.fixture
def forty(shared_data: Path) -> list[tuple[float, float, float, float, float, float, str]]:
    """Ordnance Survey OSTN15/OSGM15 test points: input, published output, datum flag."""
    folder = shared_data / "geodesy"
    with (folder / "OSTN15_OSGM15_TestInput_ETRStoOSGB.txt").open() as file:
        given = {row["PointID"]: row for row in csv.DictReader(file)}
    points = []
    with (folder / "OSTN15_OSGM15_TestOutput_ETRStoOSGB.txt").open() as file:
        for row in csv.DictReader(file):
            start = given[row["PointID"]]
            points.append(
                (
                    float(start["ETRS89 Latitude"]),
                    float(start["ETRS Longitude"]),
                    float(start["ETRS Height"]),
                    *(float(row[name]) for name in ("OSGBEast", "OSGBNorth", "ODNHeight")),
                    row["OSGBDatumFlag"],
                )
            )
    return points


def test_ordnance_survey_points(
    shared_data: Path, forty: list[tuple[float, float, float, float, float, float, str]]
) -> None:
    """Every test point on the Newlyn datum comes out within the grid's own rendering, heights to 2 mm."""
    use_grid_folder(shared_data / "geodesy" / "grids")
    assert len(forty) == 40
    mainland = [point for point in forty if point[6] == "1"]
    assert len(mainland) > 20
    given = np.array(mainland)[:, :6].astype(float)
    found = convert(given[:, 1], given[:, 0], given[:, 2], source=ETRS89_3D, target=NATIONAL_GRID_AND_ODN)
    apart = np.column_stack([found.easting, found.northing, found.height]) - given[:, 3:6]
    # The plan shift here is the NTv2 rendering of OSTN15 on latitude and longitude, which follows the
    # defining 1 km grid to millimetres, not exactly; the heights come from the geoid grid itself.
    assert np.sqrt((apart[:, :2] ** 2).mean()) < 0.003
    assert np.abs(apart[:, :2]).max() < 0.010
    assert np.abs(apart[:, 2]).max() < 0.0025
    assert found.accuracy_m is not None
    assert "Great Britain" in (found.area_of_use or "")


def test_a_height_is_never_left_unchanged_in_silence(
    shared_data: Path, forty: list[tuple[float, float, float, float, float, float, str]]
) -> None:
    """Points on other datums are converted with a datum shift or refused, never 50 m wrong."""
    use_grid_folder(shared_data / "geodesy" / "grids")
    others = [point for point in forty if point[6] != "1"]
    assert others
    refused = 0
    for latitude, longitude, height, *_ in others:
        given = np.array([longitude]), np.array([latitude]), np.array([height])
        try:
            found = convert(*given, source=ETRS89_3D, target=NATIONAL_GRID_AND_ODN)
        except FrameError:
            refused += 1
        else:
            assert abs(found.height[0] - height) > 10
    # Both ways out occur: islands have datums of their own, and one point lies at sea.
    assert 0 < refused <= len(others)


def test_a_missing_grid_is_named() -> None:
    """Without its grids the British conversion is refused, and the missing files are named."""
    code = (
        "import numpy as np, pyproj\n"
        "from accuracy.conversion import convert\n"
        "one = np.array([1.7]), np.array([52.6]), np.array([100.0])\n"
        "convert(*one, source=pyproj.CRS(4937), target=pyproj.CRS('EPSG:7405'))\n"
    )
    # A process of its own: other tests have already told PROJ where the grids are.
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "needs the grid uk_os_OSGM15_GB.tif" in done.stderr
    assert "nothing is fetched from a network" in done.stderr


def test_geoid_height_at_paris(shared_data: Path) -> None:
    """RAF20 gives some 44 m at Paris (IGN's published grid), and nothing outside France."""
    grid = shared_data / "geodesy" / "grids" / "fr_ign_RAF20.tif"
    values = undulation_m(grid, np.array([2.35, 60.0]), np.array([48.85, 10.0]))
    assert values[0] == pytest.approx(44.0, abs=0.7)
    assert np.isnan(values[1])


def test_a_file_that_is_no_grid(tmp_path: Path) -> None:
    """A geoid file that PROJ cannot read is refused by name."""
    wrong = tmp_path / "geoid.gtx"
    wrong.write_text("not a grid")
    with pytest.raises(FrameError, match=r"geoid\.gtx: it is no geoid grid"):
        undulation_m(wrong, np.array([2.0]), np.array([48.0]))
    with pytest.raises(FrameError, match="no such geoid grid"):
        undulation_m(tmp_path / "absent.gtx", np.array([2.0]), np.array([48.0]))
