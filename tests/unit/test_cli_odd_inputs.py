"""Unfit or odd inputs through the whole job: what is refused, and what the record says of the rest."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from accuracy.cli import main


def run(*arguments: str | Path) -> Result:
    """One command, in process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def check(out: Path, cloud: Path, table: Path, *options: str) -> Result:
    """The main job, no PDF."""
    return run("check", cloud, "--checkpoints", table, "--out", out, "--no-pdf", "--quiet", *options)


@pytest.fixture(scope="module")
def site(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A small invented site of 32 checkpoints in UTM 32."""
    return make_site(tmp_path_factory.mktemp("site"))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (
            ("--crs", "EPSG:25832+7837", "--checkpoint-heights", "ellipsoidal"),
            r"checkpoints have ellipsoidal heights and the cloud orthometric ones, .*--geoid",
        ),
        (
            ("--checkpoint-heights", "ellipsoidal", "--cloud-heights", "orthometric"),
            r"checkpoints have ellipsoidal heights and the cloud orthometric ones, .*--geoid",
        ),
        (("--crs", "EPSG:7837"), "heights alone"),
        (("--crs", "EPSG:3857"), "lengths in .* are 1.4"),
    ],
)
def test_frames_in_which_nothing_can_be_graded(
    site: Any, tmp_path: Path, options: tuple[str, ...], words: str
) -> None:
    """Two kinds of height without a geoid, heights alone, a web map's lengths: status 2, nothing written."""
    done = check(tmp_path / "r", site.cloud, site.table, "--class", "5 cm", *options)
    assert done.exit_code == 2
    assert re.search(words, done.stderr), done.stderr
    assert not (tmp_path / "r" / "result.json").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--classes", "9"), "of classes not chosen"),
        (("--sources", "7"), "of sources not chosen"),
    ],
)
def test_points_that_the_choice_leaves_out_are_said_to_be_there(
    site: Any, tmp_path: Path, options: tuple[str, ...], words: str
) -> None:
    """A choice that removes every point: not graded because points were left out, not because none lie there.

    A recheck that measures again from the kept patches says the same.
    """
    out = tmp_path / "r"
    done = check(out, site.cloud, site.table, "--class", "5 cm", *options)
    assert done.exit_code == 4
    assert words in done.stdout
    assert "No point of the cloud lies near" not in (out / "report.html").read_text()
    again = tmp_path / "again"
    assert run("recheck", out, "--out", again, "--measure-again", "--quiet").exit_code == 4
    for folder in (out, again):
        record = json.loads((folder / "result.json").read_text())
        for point in record["checkpoints"]:
            assert point["vertical"]["code"] == "left_out"
            assert words in point["vertical"]["reason"]
        (said,) = [one for one in record["remarks"] if "left out" in one]
        assert "P01" in said


def test_rows_with_swapped_axes_are_pointed_out(site: Any, tmp_path: Path) -> None:
    """Three rows of 32 with swapped axes: named, with what would bring them onto the cloud."""
    lines = site.table.read_text().splitlines()
    for index in (4, 10, 12):
        cells = lines[index].split(",")
        lines[index] = ",".join([cells[0], cells[2], cells[1], *cells[3:]])
    table = tmp_path / "swapped.csv"
    table.write_text("\n".join(lines) + "\n")
    check(tmp_path / "r", site.cloud, table)
    record = json.loads((tmp_path / "r" / "result.json").read_text())
    (mistake,) = [one for one in record["mistakes"] if one["kind"] == "axes_swapped"]
    assert "do not lie on the cloud: P04, P10, P12. They would, if" in mistake["evidence"]
    assert sum(point["used"] for point in record["checkpoints"]) == 29


def test_hidden_files_beside_the_tiles_are_no_clouds(site: Any, tmp_path: Path) -> None:
    """A folder with a hidden companion of its tile is read, and the record says what was passed over."""
    folder = tmp_path / "tiles"
    folder.mkdir()
    shutil.copy(site.cloud, folder / "tile.laz")
    (folder / "._tile.laz").write_bytes(b"\0\5\x16\7" + bytes(60))
    assert check(tmp_path / "r", folder, site.table).exit_code == 0
    record = json.loads((tmp_path / "r" / "result.json").read_text())
    assert any("passed over: ._tile.laz" in remark for remark in record["remarks"])
