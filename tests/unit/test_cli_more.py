"""The smaller commands: inspect, marks, compare, and help for all."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from accuracy.cli import main
from accuracy.request import cloud_name


def run(*arguments: str | Path) -> Result:
    """One command, in process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def site(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A small invented site."""
    return make_site(tmp_path_factory.mktemp("site"), points=6)


def test_inspect_says_what_was_understood(site: Any) -> None:
    """A cloud and a table, each with its facts, first rows as read, and what is odd."""
    done = run("inspect", site.cloud, site.table, "--quiet")
    assert done.exit_code == 0
    assert "19,440 points, LAZ 1.4, point format 6" in done.stdout
    assert "ETRS89 / UTM zone 32N" in done.stdout
    assert "6 checkpoints" in done.stdout
    assert "P01" in done.stdout
    assert done.stdout.count("odd:") == 2


def test_inspect_a_trajectory(tmp_path: Path) -> None:
    """A trajectory is told from a table by its times, and shown with span, interval and speed."""
    rows = ["gps_week,gps_seconds,easting,northing,height,fix"]
    rows += [f"2426,{208800 + i / 10:.1f},{352400 + i * 0.3:.3f},6031250.000,5.000,fixed" for i in range(60)]
    path = tmp_path / "rig.csv"
    path.write_text("\n".join(rows) + "\n")
    done = run("inspect", path)
    assert done.exit_code == 0
    assert "trajectory" in done.stdout
    assert "60 epochs over 17.7 m" in done.stdout
    assert "median 10.8 km/h" in done.stdout
    assert "fixed 100.0%" in done.stdout


def test_inspect_goes_on_after_a_bad_file(site: Any, tmp_path: Path) -> None:
    """One unreadable file is named, the others are still described, and the status tells."""
    bad = tmp_path / "bad.laz"
    bad.write_bytes(b"not a cloud")
    done = run("inspect", bad, site.table)
    assert done.exit_code == 2
    assert 'begins with "not a cloud"' in done.stdout
    assert "6 checkpoints" in done.stdout


def test_inspect_shows_why_a_table_is_refused(tmp_path: Path) -> None:
    """A table that cannot be used is described as far as it was read, with the reason."""
    path = tmp_path / "table.csv"
    path.write_text("id,easting,northing\nA,1,2\n")
    done = run("inspect", path)
    assert "cannot be used" in done.stdout
    assert "height" in done.stdout
    assert "nothing was found" not in done.stdout
    assert done.exit_code == 2


def test_inspect_shows_why_a_trajectory_is_refused(tmp_path: Path) -> None:
    """A trajectory that cannot be used has the status of unusable input too."""
    path = tmp_path / "rig.csv"
    path.write_text("time,easting,northing,height\n100,1,2,3\n101,1,2,3\n")
    done = run("inspect", path)
    assert "does not say which clock it counts" in done.stdout
    assert "nothing was found" not in done.stdout
    assert done.exit_code == 2


def test_inspect_a_folder_of_clouds(site: Any, tmp_path: Path) -> None:
    """A folder stands for the clouds in it, as it does for check; one without clouds is refused."""
    for name in ("a.laz", "b.laz"):
        shutil.copy(site.cloud, tmp_path / name)
    (tmp_path / "readme.txt").write_text("tiles")
    done = run("inspect", tmp_path, "--quiet")
    assert done.exit_code == 0
    assert done.stdout.count("19,440 points, LAZ 1.4") == 2
    (tmp_path / "none").mkdir()
    assert "holds no .las or .laz file" in run("inspect", tmp_path / "none").stderr


@pytest.mark.parametrize(
    ("file", "name"),
    [
        ("2024.07.08 run 1.las", "2024.07.08 run 1"),
        ("1.2-x.LAZ", "1.2-x"),
        ("road.copc.laz", "road"),
        ("tiles 1.5", "tiles 1.5"),
    ],
)
def test_a_run_is_named_after_its_cloud(file: str, name: str) -> None:
    """Only a cloud's own ending is taken off its name."""
    assert cloud_name(Path("somewhere") / file) == name


def test_marks_are_shown_and_drawn(tmp_path: Path) -> None:
    """The page names every built-in mark; a sheet is a PDF; half a request is refused."""
    done = run("marks", "--out", tmp_path / "m", "--sheet", "quartered-disc", "--size", "15 cm")
    assert done.exit_code == 0, done.output
    page = (tmp_path / "m" / "marks.html").read_text()
    for name in ("quartered-disc", "quartered-square", "disc", "ring", "cross", "ell", "stripe-end"):
        assert name in page
    assert (tmp_path / "m" / "quartered-disc.pdf").read_bytes().startswith(b"%PDF")
    assert "belong together" in run("marks", "--out", tmp_path / "n", "--sheet", "disc").stderr
    wrong = run("marks", "--out", tmp_path / "n", "--sheet", "star", "--size", "1 m")
    assert wrong.exit_code == 2
    assert 'no mark is called "star"' in wrong.stderr


def test_two_results_are_compared(site: Any, tmp_path: Path) -> None:
    """The same result differs in nothing; another class shows in the settings and the verdict."""
    base = ("check", site.cloud, "--checkpoints", site.table, "--no-pdf", "--quiet")
    run(*base, "--out", tmp_path / "a", "--class", "5 cm")
    run("recheck", tmp_path / "a", "--out", tmp_path / "b", "--class", "1 cm", "--quiet")
    same = run("compare", tmp_path / "a", tmp_path / "a")
    assert same.exit_code == 0
    other = run("compare", tmp_path / "a", tmp_path / "b", "--out", tmp_path / "page")
    assert other.exit_code == 0
    assert other.stdout != same.stdout
    assert "5 cm" in other.stdout
    assert "1 cm" in other.stdout
    assert "<html" in (tmp_path / "page" / "compare.html").read_text()


@pytest.mark.parametrize(
    "command", ["check", "job", "recheck", "compare", "inspect", "marks", "plan", "demo"]
)
def test_every_command_explains_itself(command: str) -> None:
    """Each command has help that says what it does and what its options mean."""
    done = run(command, "--help")
    assert done.exit_code == 0
    assert len(done.stdout.splitlines()) > 5


def test_an_unknown_option_is_a_usage_error(site: Any) -> None:
    """A mistyped option exits with 2, never with a verdict's status."""
    done = run("check", site.cloud, "--checkpoint", site.table)
    assert done.exit_code == 2
