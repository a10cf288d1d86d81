"""The main job on real clouds. None of them comes with surveyed checkpoints, so points of another
survey, or of another flight line, stand in for them: the bands are plausible ones, not published.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest
from click.testing import CliRunner

from accuracy.cli import main


def check(*arguments: str | Path) -> tuple[int, str]:
    """Run ``accuracy check``; exit status and everything it said."""
    done = CliRunner().invoke(main, ["check", *map(str, arguments), "--no-pdf", "--quiet"])
    return done.exit_code, done.output


def record(folder: Path) -> dict[str, Any]:
    """The record that a check wrote."""
    return json.loads((folder / "result.json").read_text())


def write_table(path: Path, points: np.ndarray, heading: str = "id,easting,northing,height") -> None:
    """Points (n, 3) as a checkpoint table."""
    rows = [f"R{i:03d},{e:.3f},{n:.3f},{h:.3f}" for i, (e, n, h) in enumerate(points, start=1)]
    path.write_text("\n".join([heading, *rows]) + "\n")


def test_one_flight_line_against_another(shared_data: Path, tmp_path: Path) -> None:
    """Airborne tiles: ground of line 707 as checkpoints for line 706; the README's band for the pair."""
    tiles = shared_data / "tiles"
    cloud = laspy.read(tiles / "test_data_77055_627755_LA93_IGN69.laz")
    other = (np.asarray(cloud.point_source_id) == 707) & (np.asarray(cloud.classification) == 2)
    points = np.column_stack([cloud.x, cloud.y, cloud.z])[other]
    chosen = points[np.random.default_rng(1).choice(len(points), 60, replace=False)]
    write_table(tmp_path / "line707.csv", chosen)
    status, said = check(
        tiles,
        *("--checkpoints", tmp_path / "line707.csv", "--out", tmp_path / "r"),
        *("--sources", "706", "--classes", "2", "--survey-sigma-height", "2 cm", "--class", "10 cm"),
    )
    found = record(tmp_path / "r")
    vertical = found["summary"]["vertical"]
    assert status == 0, said
    assert vertical["n"] >= 30
    # README of the open data: median -6 mm, NMAD 30 mm, RMSE 34 mm over 2,741 pairs.
    assert abs(vertical["median_m"]) < 0.025
    assert 0.015 < vertical["nmad_m"] < 0.050
    assert len([one for one in found["inputs"] if one["role"] == "cloud"]) == 4


def test_surface_model_posts_against_lidar(shared_data: Path, tmp_path: Path) -> None:
    """Mountain pair: with all returns the posts sit 0.2 m low, with the ground class they fit."""
    pairs = shared_data / "pairs"
    posts = laspy.read(pairs / "source_cloud_crop.laz")
    points = np.column_stack([posts.x, posts.y, posts.z])
    write_table(tmp_path / "posts.csv", points[:: max(1, len(points) // 80)])
    base = ("--checkpoints", tmp_path / "posts.csv", "--survey-sigma-height", "5 cm")
    medians = {}
    for name, classes in (("all", ()), ("ground", ("--classes", "2"))):
        status, said = check(pairs / "target_cloud_crop.laz", *base, *classes, "--out", tmp_path / name)
        assert status == 0, said
        vertical = record(tmp_path / name)["summary"]["vertical"]
        assert vertical["n"] > 10
        medians[name] = vertical["median_m"]
    # README: about -0.03 m for the ground class.
    assert abs(medians["ground"]) < 0.12


def test_the_same_ground_thirteen_years_apart(shared_data: Path, tmp_path: Path) -> None:
    """Plan in metres, heights in US survey feet: residuals come out in metres, and small."""
    pairs = shared_data / "pairs"
    old = laspy.read(pairs / "autzen-bmx-2010.las")
    points = np.column_stack([old.x, old.y, old.z])
    ground = points[np.asarray(old.classification) == 2]
    chosen = (ground if len(ground) > 40 else points)[::12]
    write_table(tmp_path / "old.csv", chosen, "id,easting [m],northing [m],height [ftUS]")
    status, said = check(
        pairs / "autzen-bmx-2023.las",
        *("--checkpoints", tmp_path / "old.csv", "--out", tmp_path / "r"),
        *("--contract-unit", "us-survey-foot"),
    )
    assert status == 0, said
    found = record(tmp_path / "r")
    vertical = found["summary"]["vertical"]
    assert vertical["n"] >= 10
    # The track was reshaped meanwhile; a foot taken for a metre would show as a hundred metres and more.
    assert abs(vertical["median_m"]) < 1.0
    assert "ftUS" in said


def test_a_mobile_slice_fits_itself(shared_data: Path, tmp_path: Path) -> None:
    """0.02 s of mobile scanning: the road's own points lie on its surface, and eleven grade nothing."""
    cloud = laspy.read(shared_data / "clouds" / "test_0.02_seconde.las")
    points = np.column_stack([cloud.x, cloud.y, cloud.z])
    write_table(tmp_path / "points.csv", points[::1000])
    status, said = check(
        shared_data / "clouds" / "test_0.02_seconde.las",
        *("--checkpoints", tmp_path / "points.csv", "--out", tmp_path / "r", "--class", "5 cm"),
    )
    assert status == 4, said
    found = record(tmp_path / "r")
    measured = [one["vertical"] for one in found["checkpoints"] if one["vertical"]["measured"]]
    assert len(measured) >= 5
    gentle = [one for one in measured if one["slope_percent"] < 10]
    assert len(gentle) >= 5
    assert abs(float(np.median([one["residual_m"] for one in gentle]))) < 0.003
    assert "more are needed" in said


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("epsg_4326.las", "in degrees"),
        ("../damaged/no-points.las", "the cloud is empty"),
        ("../damaged/1.2-with-color-clipped.las", "cut short"),
        ("../damaged/garbage_nVariableLength.las", "records are claimed"),
    ],
)
def test_clouds_that_cannot_be_used(shared_data: Path, tmp_path: Path, name: str, message: str) -> None:
    """Degrees and damage are refused with the file's name, exit status 2, and nothing is written."""
    write_table(tmp_path / "points.csv", np.array([[1.0, 2.0, 3.0]]))
    status, said = check(
        shared_data / "clouds" / name, "--checkpoints", tmp_path / "points.csv", "--out", tmp_path / "r"
    )
    assert status == 2
    assert message in said
    assert Path(name).name in said
    assert not (tmp_path / "r").exists()
