"""One drive, two clouds: lidar and photogrammetric, each measured, graded, compared and rechecked.

Invented clouds of one pavement with planted height shifts: two runs of two clouds each. The
photogrammetric ones carry no classes, no times and no coordinate system record.
"""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import laspy
import pytest
from click.testing import CliRunner

from accuracy.cli import main
from accuracy.model import Result
from accuracy.record import read_result

SHIFT_M = {
    "slow lidar": 0.004,
    "slow photogrammetric": 0.020,
    "fast lidar": 0.012,
    "fast photogrammetric": 0.060,
}
JOB = """
title = "Two clouds a drive"
statement_run = "slow"
baseline_run = "slow"
equivalence_margin = "1 cm"
[checkpoints]
file = "checkpoints.csv"
[class]
vertical = "3 cm"
[measure]
classes = [2]
[relative]
runs = ["fast", "slow photogrammetric"]
"""


@pytest.fixture(scope="module")
def folder(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The result of the job, beside its inputs."""
    folder = tmp_path_factory.mktemp("clouds")
    text = JOB
    for run, speed in (("slow", 6), ("fast", 24)):
        text += f'[[run]]\nname = "{run}"\nspeed_km_per_h = {speed}\n'
        for kind, classes in (("lidar", None), ("photogrammetric", [0])):
            label = f"{run} {kind}"
            site = make_site(
                folder / "made" / label,
                shift_m=SHIFT_M[label],
                scatter_m=0.002,
                noise_m=0.006 if kind == "lidar" else 0.012,
                crs="EPSG:25832" if kind == "lidar" else None,
                seed=len(label) + speed,
            )
            cloud = laspy.read(site.cloud)
            cloud.classification[:] = 2 if kind == "lidar" else 0
            cloud.write(folder / f"{run}-{kind}.laz")
            shutil.copy(site.table, folder / "checkpoints.csv")
            text += f'[[run.cloud]]\nname = "{kind}"\nfiles = "{run}-{kind}.laz"\n'
            text += "" if classes is None else f"classes = {classes}\n"
    (folder / "job.toml").write_text(text)
    command = ["job", str(folder / "job.toml"), "--out", str(folder / "result"), "--no-pdf"]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 0, done.output
    return folder


@pytest.fixture(scope="module")
def result(folder: Path) -> Result:
    """The record, read back."""
    return read_result(folder / "result")


def test_each_cloud_is_measured_by_itself(result: Result) -> None:
    """Mean residuals are the planted shifts, the statement's cloud stands on top, all keep their patches."""
    assert (result.run.name, result.run.cloud, result.run.label) == ("slow", "lidar", "slow lidar")
    assert [record.label for record in result.runs] == list(SHIFT_M)
    for record in result.runs:
        vertical = record.summary.vertical
        assert vertical is not None
        assert vertical.n == 32
        # 32 checkpoints that scatter by 2 mm, and what the surface itself is uncertain by.
        assert vertical.mean_m == pytest.approx(SHIFT_M[record.label], abs=4 * 0.0025 / 32**0.5)
    assert len({record.patches_sha256 for record in result.runs}) == 4


def test_the_record_names_run_and_cloud(folder: Path, result: Result) -> None:
    """In JSON the run keeps its own name, and every cloud file says whose it is."""
    mapping = json.loads((folder / "result" / "result.json").read_text())
    assert (mapping["run"], mapping["cloud"]) == ("slow", "lidar")
    clouds = [(i.run, i.cloud, Path(i.path).name) for i in result.inputs if i.role == "cloud"]
    assert ("fast", "photogrammetric", "fast-photogrammetric.laz") in clouds
    assert len(clouds) == 4
    assert result.settings["points"] == "classes 2"
    assert result.settings["points, photogrammetric clouds"] == "classes 0"


def test_a_cloud_without_a_system_is_said_to_be_taken_on_trust(result: Result) -> None:
    """The other clouds' system is used for it, and the first page says on whose word."""
    assert any(
        "fast-photogrammetric.laz carry no coordinate system record" in remark
        and "slow-photogrammetric.laz" in remark
        for remark in result.run.remarks
    )


def test_the_speed_is_decided_for_each_kind_of_cloud(result: Result) -> None:
    """By lidar the fast run meets the class, by photogrammetry only the slow one."""
    vertical = {one.cloud: one for one in result.decisions if one.component == "vertical"}
    assert list(vertical) == ["lidar", "photogrammetric"]
    assert vertical["lidar"].fastest_assured == "fast"
    assert vertical["photogrammetric"].fastest_assured == "slow"


def test_any_cloud_is_held_against_any(result: Result) -> None:
    """Runs, clouds of one run, and both at once are told apart; the baseline stands second."""
    whole = [one for one in result.comparisons if one.attribute is None]
    kinds = {(one.run_a, one.run_b): one.across for one in whole}
    assert kinds == {
        ("slow lidar", "slow photogrammetric"): "clouds",
        ("fast lidar", "fast photogrammetric"): "clouds",
        ("fast lidar", "slow lidar"): "runs",
        ("fast photogrammetric", "slow photogrammetric"): "runs",
        ("fast photogrammetric", "slow lidar"): "runs and clouds",
        ("fast lidar", "slow photogrammetric"): "runs and clouds",
    }
    for one in whole:
        planted = SHIFT_M[one.run_a] - SHIFT_M[one.run_b]
        assert one.mean_difference_m == pytest.approx(planted, abs=4 * 0.0035 / 32**0.5)


def test_kinds_of_cloud_and_speeds_are_compared_over_all_runs(result: Result) -> None:
    """Lidar against photogrammetric at both speeds, and both speeds with both clouds."""
    groups = {one.attribute: one for one in result.comparisons if one.attribute is not None}
    assert set(groups) == {"cloud", "speed_km_per_h"}
    cloud = groups["cloud"]
    assert (cloud.run_a, cloud.members_a) == ("cloud lidar", ("slow lidar", "fast lidar"))
    assert cloud.words.endswith("cloud lidar is the more accurate.")
    assert groups["speed_km_per_h"].run_b == "speed 24 km/h"


def test_the_drive_is_held_against_itself_cloud_by_cloud(result: Result) -> None:
    """Without checkpoints, too: the shift between both clouds of the statement's run comes back."""
    found = {
        (one.name_a, one.name_b): one
        for relative in result.relative
        for one in relative.comparisons
        if one.kind == "run-to-run" and one.direction == "all"
    }
    assert set(found) == {("slow lidar", "fast lidar"), ("slow lidar", "slow photogrammetric")}
    between = found["slow lidar", "slow photogrammetric"]
    assert between.mean_m == pytest.approx(0.004 - 0.020, abs=0.002)


def test_the_tables_have_run_and_cloud(folder: Path) -> None:
    """A spreadsheet can filter by either."""
    with (folder / "result" / "residuals.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 4 * 32
    assert {(row["run"], row["cloud"]) for row in rows} == {
        tuple(label.split(" ", maxsplit=1)) for label in SHIFT_M
    }


def test_the_report_says_which_cloud(folder: Path) -> None:
    """The statement's cloud on the first page, the decision by cloud, and a table for each question."""
    html = (folder / "result" / "report.html").read_text()
    for words in (
        "slow lidar, 6 km/h",
        "Vertical: The fastest run that meets the 3 cm class is fast (24 km/h)",
        "Photogrammetric clouds, fastest run within the class: vertical 6 km/h.",
        "Vertical, photogrammetric",
        "slow: lidar \N{MINUS SIGN} photogrammetric",
        "Clouds of the same run: vertical",
        "Runs against the baseline: vertical, lidar",
        "Runs by what they have in common: vertical",
        "Other runs with other clouds: vertical",
    ):
        assert words in html, words


@pytest.mark.parametrize("again", [(), ("--measure-again",)])
def test_a_recheck_repeats_every_cloud(folder: Path, tmp_path: Path, again: tuple[str, ...]) -> None:
    """From the result folder alone, the same record to the last byte, measured anew or not."""
    shutil.copytree(folder / "result", tmp_path / "copy")
    command = ["recheck", str(tmp_path / "copy"), "--out", str(tmp_path / "out"), *again]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 0, done.output
    for name in ("result.json", "residuals.csv", "patches-01.npz", "patches-04.npz"):
        assert (tmp_path / "out" / name).read_bytes() == (folder / "result" / name).read_bytes(), name


def test_the_statement_may_speak_of_another_cloud(folder: Path, tmp_path: Path) -> None:
    """A recheck turns to a cloud that misses the class; runs, comparisons and decisions stay."""
    command = ["recheck", str(folder / "result"), "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(main, [*command, "--statement", "fast photogrammetric"])
    assert done.exit_code == 3, done.output
    found, before = read_result(tmp_path / "out"), read_result(folder / "result")
    assert found.run == next(run for run in before.runs if run.label == "fast photogrammetric")
    assert (found.runs, found.comparisons, found.decisions) == (
        before.runs,
        before.comparisons,
        before.decisions,
    )
    assert "fast photogrammetric, 24 km/h" in (tmp_path / "out" / "report.html").read_text()


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("fast", "the run has several clouds. Name one of fast lidar, fast photogrammetric."),
        ("faster", "there is no such run. Name one of slow lidar, slow photogrammetric, fast lidar"),
    ],
)
def test_a_statement_of_no_one_cloud_is_refused(
    folder: Path, tmp_path: Path, name: str, message: str
) -> None:
    """Which cloud is meant must be plain; the message lists them, and nothing is written."""
    command = ["recheck", str(folder / "result"), "--out", str(tmp_path / "out"), "--statement", name]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 2
    assert f'--statement: the statement is to speak of "{name}", and {message}' in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_subset_counts_in_every_cloud(folder: Path, tmp_path: Path) -> None:
    """A reviewer's choice of checkpoints holds for all clouds alike, and they are compared again on it."""
    command = ["recheck", str(folder / "result"), "--out", str(tmp_path / "out"), "--random", "31"]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 0, done.output
    found = read_result(tmp_path / "out")
    assert {record.summary.vertical and record.summary.vertical.n for record in found.runs} == {31}
    assert {one.n for one in found.comparisons} == {31}
