"""A recheck writes every chapter of the first report from the result folder: marks, drives, mistakes."""

from __future__ import annotations

import dataclasses
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest
from click.testing import CliRunner, Result

from accuracy.cli import main
from accuracy.explained import explained, recorded_units
from accuracy.record import read_result, result_bytes
from accuracy.units import LengthUnit

START_S = 2426 * 604_800.0 + 208_800.0
WEST_M, SOUTH_M, SPEED_M_PER_S = 352_400.0, 6_031_250.0, 10.0
JOB = """
title = "Two marks and a drive"
[checkpoints]
file = "checkpoints.csv"
[class]
vertical = "5 cm"
[measure]
templates = "marks.toml"
[[run]]
name = "out"
clouds = "road.laz"
[run.trajectory]
file = "RIG"
[[run.reference]]
name = "receiver"
file = "reference.csv"
"""
MARKS = """
[[template]]
name = "bow-tie"
[[template.region]]
tone = "light"
outline = [[0, 0], [0.5, 0.5], [-0.5, 0.5]]
[[template.region]]
tone = "light"
outline = [[0, 0], [-0.5, -0.5], [0.5, -0.5]]
"""


def run(*arguments: str | Path) -> Result:
    """One command, in process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def log(path: Path, *, late_s: float = 0.0, arm_m: float = 0.0, seed: int) -> None:
    """The drive at 10 Hz as a table; without a fix from 20 s to 40 s."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 62.0, 0.1)
    east = WEST_M + SPEED_M_PER_S * t + 3 * np.sin(t / 4) + rng.normal(0, 0.004, t.size)
    north = SOUTH_M + 4 * np.sin(t / 6) + rng.normal(0, 0.004, t.size)
    height = 6.0 + 0.012 * (east - WEST_M) + arm_m + rng.normal(0, 0.004, t.size)
    rows = [
        f"{START_S + s + late_s:.3f},{e:.4f},{n:.4f},{h:.4f},{'float' if 20 <= s < 40 else 'fixed'}"
        for s, e, n, h in zip(t, east, north, height, strict=True)
    ]
    if arm_m:
        rows = [row.replace("float", "fixed") for row in rows]
    path.write_text("\n".join(["gps_seconds,easting,northing,height,fix", *rows]) + "\n")


@pytest.fixture(scope="module")
def inputs(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cloud 0.4 m too high, captured on the drive; some checkpoints bear a mark, one of them our own."""
    folder = tmp_path_factory.mktemp("chapters")
    site = make_site(folder, shift_m=0.4, scatter_m=0.008)
    cloud = laspy.read(site.cloud)
    cloud.header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
    cloud.gps_time = START_S - 1e9 + (np.asarray(cloud.x) - WEST_M) / SPEED_M_PER_S
    cloud.intensity[:] = np.random.default_rng(8).integers(0, 4000, len(cloud.intensity))
    cloud.write(site.cloud)
    lines = site.table.read_text().splitlines()
    marks = {3: ("quartered-disc", "0.3"), 7: ("bow-tie", "0.4"), 9: ("sphere", "0.2")}
    lines = [
        f"{line},{','.join(marks.get(i, ('none', '')))}" if i else f"{line},mark,mark_size"
        for i, line in enumerate(lines)
    ]
    site.table.write_text("\n".join(lines) + "\n")
    (folder / "marks.toml").write_text(MARKS)
    log(folder / "rig.csv", seed=1)
    log(folder / "slow-clock.csv", late_s=18.0, seed=1)
    log(folder / "reference.csv", arm_m=0.4, seed=2)
    return folder


def job(inputs: Path, out: Path, *, rig: str = "rig.csv", more: str = "") -> Path:
    """The result of the job, with more said in it."""
    (inputs / "job.toml").write_text(JOB.replace("RIG", rig) + more)
    done = run("job", inputs / "job.toml", "--out", out)
    assert done.exit_code in {0, 3, 4}, done.output
    return out


@pytest.fixture(scope="module")
def first(inputs: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first result."""
    return job(inputs, tmp_path_factory.mktemp("first") / "result")


def record(folder: Path) -> dict[str, Any]:
    """The record in a folder."""
    return json.loads((folder / "result.json").read_text())


def test_the_same_job_gives_the_same_bytes(first: Path, inputs: Path, tmp_path: Path) -> None:
    """Marks, drives and all: a second run over the same files writes the same folder."""
    second = job(inputs, tmp_path / "second")
    for path in first.iterdir():
        assert (second / path.name).read_bytes() == path.read_bytes(), path.name


def test_an_unchanged_recheck_writes_the_same_report(first: Path, tmp_path: Path) -> None:
    """With the PDF every file of the folder comes again to the last byte, marks and drives included."""
    done = run("recheck", first, "--out", tmp_path / "out", "--pdf")
    assert done.exit_code in {0, 3, 4}, done.output
    names = sorted(path.name for path in first.iterdir())
    assert names == sorted(path.name for path in (tmp_path / "out").iterdir())
    assert {"drives.npz", "patches.npz", "report.html", "report.pdf"} <= set(names)
    for name in names:
        assert (tmp_path / "out" / name).read_bytes() == (first / name).read_bytes(), name
    html = (first / "report.html").read_text()
    assert html.count("<image") == 3
    assert "Plan of the drive" in html
    assert "Differences over time" in html


def test_pictures_are_drawn_where_they_are_asked_for(first: Path, tmp_path: Path) -> None:
    """A plain recheck has the charts of the drive and no marks; with --pictures the HTML is the first one."""
    run("recheck", first, "--out", tmp_path / "plain")
    run("recheck", first, "--out", tmp_path / "pictures", "--pictures")
    html = (tmp_path / "plain" / "report.html").read_text()
    assert "<image" not in html
    assert "Differences over time" in html
    assert (tmp_path / "pictures" / "report.html").read_bytes() == (first / "report.html").read_bytes()
    assert not (tmp_path / "pictures" / "report.pdf").exists()


def test_a_mark_of_ones_own_is_found_or_told(first: Path, inputs: Path, tmp_path: Path) -> None:
    """It is kept beside the record; without it the marks are drawn all the same, and it is said."""
    own = inputs / "marks.toml"
    assert (first / "marks.toml").read_bytes() == own.read_bytes()
    shutil.copytree(first, tmp_path / "copy")
    own.rename(inputs / "away.toml")
    try:
        alone = run("recheck", tmp_path / "copy", "--out", tmp_path / "alone", "--measure-again")
        (tmp_path / "copy" / "marks.toml").unlink()
        bare = run("recheck", tmp_path / "copy", "--out", tmp_path / "bare", "--pictures")
        refused = run("recheck", tmp_path / "copy", "--out", tmp_path / "again", "--measure-again")
        shutil.copy(inputs / "away.toml", tmp_path / "copy" / "marks.toml")
        beside = run("recheck", tmp_path / "copy", "--out", tmp_path / "beside", "--pictures")
        measured = run("recheck", tmp_path / "copy", "--out", tmp_path / "measured", "--measure-again")
    finally:
        (inputs / "away.toml").rename(own)
    assert "all 32 checkpoints are as recorded" in alone.stdout
    for name in ("result.json", "marks.toml"):
        assert (tmp_path / "alone" / name).read_bytes() == (first / name).read_bytes(), name
    said = "the file of your own marks is not there, or not the one of the record"
    missing = tmp_path / "copy" / "marks.toml"
    assert f"Your own marks are drawn without their outline: {missing}: {said}" in bare.stdout
    assert (tmp_path / "bare" / "report.html").read_text().count("<image") == 3
    assert refused.exit_code == 2
    assert f"{said}. Lay marks.toml beside the record." in refused.stderr
    assert said not in beside.stdout
    assert (tmp_path / "beside" / "report.html").read_bytes() == (first / "report.html").read_bytes()
    assert "all 32 checkpoints are as recorded" in measured.stdout


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda path: path.unlink(), "the kept epochs of the drives cannot be read"),
        (
            lambda path: path.write_bytes(b"other"),
            "the kept epochs of the drives are not those of the record",
        ),
    ],
)
def test_damaged_drives_are_refused(
    first: Path, tmp_path: Path, damage: Callable[[Path], object], message: str
) -> None:
    """Epochs that are missing or another record's end in a message, and nothing is written."""
    shutil.copytree(first, tmp_path / "copy")
    damage(tmp_path / "copy" / "drives.npz")
    done = run("recheck", tmp_path / "copy", "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert f"drives.npz: {message}" in done.stderr
    assert not (tmp_path / "out").exists()


def test_a_record_without_kept_drives_has_tables_of_them(first: Path, tmp_path: Path) -> None:
    """A record of an earlier version names no epochs: its trajectories are told without charts."""
    shutil.copytree(first, tmp_path / "copy")
    older = dataclasses.replace(read_result(first), drives_file=None, drives_sha256=None)
    (tmp_path / "copy" / "result.json").write_bytes(result_bytes(older))
    done = run("recheck", tmp_path / "copy", "--out", tmp_path / "out")
    assert done.exit_code in {0, 3, 4}, done.output
    html = (tmp_path / "out" / "report.html").read_text()
    assert "out against receiver" in html
    assert "Differences over time" not in html
    assert not (tmp_path / "out" / "drives.npz").exists()


def test_the_first_result_leaves_no_earlier_drives(first: Path, inputs: Path, tmp_path: Path) -> None:
    """A later job without trajectories takes away the epochs of an earlier one."""
    shutil.copytree(first, tmp_path / "result")
    given = ["check", inputs / "road.laz", "--checkpoints", inputs / "checkpoints.csv", "--no-pdf"]
    run(*given, "--templates", inputs / "marks.toml", "--out", tmp_path / "result")
    assert record(tmp_path / "result")["drives_file"] is None
    assert not (tmp_path / "result" / "drives.npz").exists()


# ----------------------------------------------------------------------- mistakes and effects


def test_another_choice_explains_as_a_first_measurement_would(
    first: Path, inputs: Path, tmp_path: Path
) -> None:
    """Mistakes and effects of a recheck are those of a job that left the same checkpoints out at once."""
    left_out = [f"P{i:02d}" for i in range(1, 9)]
    more = "".join(f'[[exclude]]\nid = "{name}"\nreason = "road works"\n' for name in left_out)
    fresh = record(job(inputs, tmp_path / "fresh", more=more))
    run("recheck", first, "--out", tmp_path / "out", "--without", *left_out, "--reason", "road works")
    found, before = record(tmp_path / "out"), record(first)
    for key in ("mistakes", "condition_effects"):
        assert found[key] == fresh[key], key
        assert found[key] != before[key], key
    assert found["mistakes"]
    assert {one["condition"] for one in found["condition_effects"]} >= {"range to the rig", "without a fix"}


def test_another_class_weighs_mistakes_anew(first: Path, tmp_path: Path) -> None:
    """0.4 m are a mistake to a class of 5 cm, and no matter to one of 2 m."""
    run("recheck", first, "--out", tmp_path / "out", "--class", "2 m")
    assert record(first)["mistakes"]
    assert record(tmp_path / "out")["mistakes"] == []


def test_another_radius_explains_its_own_residuals(first: Path, tmp_path: Path) -> None:
    """Suggestions and effects follow the residuals measured anew, and nothing is said to be as at first."""
    run("recheck", first, "--out", tmp_path / "out", "--radius", "1.4 m")
    result = read_result(tmp_path / "out")
    horizontal, height = recorded_units(result)
    anew = explained(
        result.run,
        crs_wkt=result.crs_wkt,
        cloud_unit=horizontal,
        cloud_height_unit=height,
        request=result.requests[0],
        unit=result.unit,
    )
    assert anew == result.run
    assert result.run.mistakes != read_result(first).run.mistakes
    assert result.run.condition_effects != read_result(first).run.condition_effects
    assert not any("at first" in remark for remark in result.run.remarks)


def test_what_needs_the_cloud_stays_and_is_said(inputs: Path, tmp_path: Path) -> None:
    """Leap seconds between two clocks are told as at first, once; unchanged, the record is the same."""
    slip = job(inputs, tmp_path / "slip", rig="slow-clock.csv")
    kinds = [(one["kind"], one["rests_on"]) for one in record(slip)["mistakes"]]
    assert kinds[0] == ("leap_second", "cloud")
    assert "residuals" in {rests_on for _, rests_on in kinds[1:]}
    run("recheck", slip, "--out", tmp_path / "same")
    assert (tmp_path / "same" / "result.json").read_bytes() == (slip / "result.json").read_bytes()
    run("recheck", slip, "--out", tmp_path / "a", "--random", "20")
    run("recheck", tmp_path / "a", "--out", tmp_path / "b", "--random", "15")
    for folder in ("a", "b"):
        found = record(tmp_path / folder)
        assert found["mistakes"][0] == record(slip)["mistakes"][0]
        said = [remark for remark in found["remarks"] if "as it was found at first" in remark]
        assert len(said) == 1
    assert record(tmp_path / "b")["mistakes"][1:] != record(slip)["mistakes"][1:]


@pytest.mark.parametrize(
    ("units", "expected"),
    [
        ((LengthUnit.US_SURVEY_FOOT, LengthUnit.METRE), (LengthUnit.US_SURVEY_FOOT, LengthUnit.METRE)),
        ((None, None), (LengthUnit.METRE, LengthUnit.METRE)),
    ],
)
def test_units_are_the_records_or_the_systems(
    first: Path, units: tuple[LengthUnit | None, ...], expected: tuple[LengthUnit, ...]
) -> None:
    """The record says in what the clouds' files count; one that does not is read by its system."""
    result = dataclasses.replace(read_result(first), cloud_unit=units[0], cloud_height_unit=units[1])
    assert recorded_units(result) == expected


@pytest.mark.parametrize("options", [(), ("--random", "20"), ("--class", "7 cm")])
def test_a_recheck_waits_for_no_reader_or_estimator(
    first: Path, tmp_path: Path, options: tuple[str, ...]
) -> None:
    """What takes long to load and is not needed is not loaded: readers, estimators, the library's tests."""
    script = (
        "import sys\n"
        "from accuracy.cli import main\n"
        "try:\n"
        "    main()\n"
        "finally:\n"
        "    print(*sorted(sys.modules), sep='\\n')\n"
    )
    command = [sys.executable, "-c", script, "recheck", str(first), "--out", str(tmp_path / "out"), *options]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in {0, 3, 4}, done.stderr
    loaded = set(done.stdout.splitlines())
    assert ("accuracy.explained" in loaded) == bool(options)
    assert "accuracy.rechecking" in loaded
    assert not loaded & {
        "scipy.stats",
        "laspy",
        "accuracy.matching.measure",
        "accuracy.pipeline",
        "weasyprint",
    }
