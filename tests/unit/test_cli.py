"""The command line: what it writes, what it says, and what it exits with."""

from __future__ import annotations

import json
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


@pytest.fixture(scope="module")
def site(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """An invented site with 32 checkpoints and a cloud 10 mm too high."""
    return make_site(tmp_path_factory.mktemp("site"))


@pytest.mark.parametrize(
    ("options", "status", "word"),
    [
        ((), 0, "32 of 32 checkpoints count"),
        (("--class", "3 cm"), 0, "vertical: met"),
        # The planted shift alone is 10 mm, and 4 mm of survey error come on top.
        (("--class", "0.9 cm"), 3, "vertical: not met"),
        (("--class", "3 cm", "--horizontal-class", "5 cm"), 4, "horizontal: not graded"),
    ],
)
def test_exit_status_follows_the_verdict(
    site: Any, tmp_path: Path, options: tuple[str, ...], status: int, word: str
) -> None:
    """0 met or no class asked, 3 not met, 4 not enough evidence; the last line says where the report is."""
    done = run(
        "check", site.cloud, "--checkpoints", site.table, "--out", tmp_path / "r", "--no-pdf", *options
    )
    assert done.exit_code == status, done.output
    assert word in done.stdout
    assert done.stdout.rstrip().endswith("report.html")


def test_the_record_holds_the_planted_shift(site: Any, tmp_path: Path) -> None:
    """result.json has the design's core keys, raw values, and every residual within its uncertainty."""
    out = tmp_path / "result"
    run("check", site.cloud, "--checkpoints", site.table, "--out", out, "--no-pdf", "--class", "5 cm")
    record = json.loads((out / "result.json").read_text())
    assert record["schema"] == "accuracy-result/1"
    assert {one["role"] for one in record["inputs"]} == {"cloud", "checkpoints"}
    assert len(record["checkpoints"]) == 32
    for point in record["checkpoints"]:
        vertical = point["vertical"]
        assert point["used"] is True
        assert vertical["measured"] is True
        assert abs(vertical["residual_m"] - 0.010) < 4 * vertical["fit_uncertainty_m"]
        assert point["horizontal"]["measured"] is False
        assert "no mark" in point["horizontal"]["reason"]
    summary = record["summary"]["vertical"]
    assert summary["n"] == 32
    assert summary["rmse_with_survey_m"] == pytest.approx((summary["rmse_m"] ** 2 + 0.004**2) ** 0.5)
    verdict = next(one for one in record["verdicts"] if one["component"] == "vertical")
    assert verdict["outcome"] == "met"
    assert verdict["class_m"] == pytest.approx(0.05)
    assert "tested to meet ASPRS Positional Accuracy Standards" in verdict["statement"]


def test_same_inputs_give_the_same_bytes(site: Any, tmp_path: Path) -> None:
    """Two runs over the same files write identical folders, byte for byte."""
    for name in ("one", "two"):
        out = tmp_path / name
        run("check", site.cloud, "--checkpoints", site.table, "--out", out, "--class", "5 cm")
    names = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert {"report.html", "report.pdf", "residuals.csv", "result.json", "patches.npz"} <= set(names)
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name


def test_order_and_tiling_change_nothing(site: Any, tmp_path: Path) -> None:
    """A table in another order gives the same residual at every point."""
    lines = site.table.read_text().splitlines()
    turned = tmp_path / "turned.csv"
    turned.write_text("\n".join([lines[0], *reversed(lines[1:])]) + "\n")
    found = []
    for number, table in enumerate((site.table, turned)):
        out = tmp_path / str(number)
        run("check", site.cloud, "--checkpoints", table, "--out", out, "--no-pdf")
        record = json.loads((out / "result.json").read_text())
        found.append({point["id"]: point["vertical"] for point in record["checkpoints"]})
    assert found[0] == found[1]


def test_an_exclusion_needs_a_reason_and_is_printed(site: Any, tmp_path: Path) -> None:
    """--without refuses to work without --reason; with it the point is kept in the record, unused."""
    base = ("check", site.cloud, "--checkpoints", site.table, "--out", tmp_path / "r", "--no-pdf")
    refused = run(*base, "--without", "P07")
    assert refused.exit_code == 2
    assert "without a reason" in refused.stderr
    assert not (tmp_path / "r").exists()
    done = run(*base, "--without", "P07", "--reason", "nail pulled out")
    assert done.exit_code == 0
    record = json.loads((tmp_path / "r" / "result.json").read_text())
    point = next(one for one in record["checkpoints"] if one["id"] == "P07")
    assert point["used"] is False
    assert "nail pulled out" in point["why_not_used"]
    assert record["summary"]["vertical"]["n"] == 31
    assert record["summary"]["with_exclusions"]["vertical"]["n"] == 32
    assert "nail pulled out" in (tmp_path / "r" / "report.html").read_text()


def test_unknown_survey_error_is_not_taken_for_none(make_site: Callable[..., Any], tmp_path: Path) -> None:
    """Without any survey uncertainty a class that the fit meets is not graded; given by option, it is."""
    site = make_site(tmp_path / "site", sigma_m=None)
    base = ("check", site.cloud, "--checkpoints", site.table, "--no-pdf", "--class", "5 cm")
    unknown = run(*base, "--out", tmp_path / "a")
    assert unknown.exit_code == 4
    assert "uncertainty" in unknown.stdout
    assert run(*base, "--out", tmp_path / "b", "--survey-sigma-height", "5 mm").exit_code == 0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("--class", "five"), '"five" is not a length'),
        (("--class", "0 cm"), "not a positive length"),
        (("--standard", "none-such"), 'standard "none-such" is not known'),
        (("--date", "yesterday"), '"yesterday" is not a date'),
        (("--classes", "2,x"), '"x" is not a point class'),
        (("--unit", "feet"), "does not say which foot"),
        (("--combined-factor", "0.9996"), "belong together"),
        (("--crs", "EPSG:0"), 'coordinate system "EPSG:0" is not known'),
        (
            ("--without", "P99", "--reason", "gone"),
            '--without: checkpoint "P99" is to be left out, but no checkpoint in checkpoints.csv has that',
        ),
        (("--without", "P01,P99", "--reason", "gone"), 'checkpoint "P99" is to be left out'),
        (("--geoid", "absent.gtx"), "says nothing without the kind of both heights"),
    ],
)
def test_impossible_requests_are_refused_whole(
    site: Any, tmp_path: Path, change: tuple[str, ...], message: str
) -> None:
    """A request that cannot be meant exits with 2, one message on standard error, and nothing written."""
    done = run("check", site.cloud, "--checkpoints", site.table, "--out", tmp_path / "r", *change)
    assert done.exit_code == 2, done.output
    assert message in done.stderr
    assert done.stderr.startswith("accuracy: ") or "accuracy: " in done.stderr
    assert not (tmp_path / "r").exists()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            '[[exclude]]\nid = "P01"\nreason = "moved"\n[[exclude]]\nid = "P99"\nreason = "gone"',
            'job.toml, key exclude 2.id: checkpoint "P99" is to be left out, but no checkpoint in check',
        ),
        (
            '[[exclude]]\nid = "P01"\nreason = " "',
            'job.toml, key exclude 1.reason: checkpoint "P01" is to be left out without a reason',
        ),
        (
            'compare_by = "markk"',
            'job.toml, key compare_by: no checkpoint has an attribute "markk". Did you mean "mark"?',
        ),
        (
            '[[limit]]\nname = "quay"\nstatistic = "rmse_m"\nstratum = "open"\nlimit = "4 cm"\n'
            'where = { cove = "open" }',
            'job.toml, key limit "quay": no checkpoint has an attribute "cove". Did you mean "cover"?',
        ),
        (
            '[measure]\nlargest_radius = "50 m"',
            "a surface radius of 50 m reaches beyond the 4 m that are kept around each checkpoint",
        ),
    ],
)
def test_a_job_that_cannot_be_meant_is_refused(site: Any, tmp_path: Path, text: str, message: str) -> None:
    """What no checkpoint has and no patch can serve is refused before any cloud is read."""
    (tmp_path / "job.toml").write_text(
        f"{text}\n[checkpoints]\nfile = '{site.table}'\n[[run]]\nname = 'one'\nclouds = '{site.cloud}'\n"
    )
    done = run("job", tmp_path / "job.toml", "--out", tmp_path / "r", "--no-pdf")
    assert done.exit_code == 2, done.output
    assert message in done.stderr
    assert not (tmp_path / "r").exists()


def test_checkpoints_elsewhere_are_named(site: Any, tmp_path: Path) -> None:
    """A table that lies nowhere on the cloud is refused with both extents."""
    table = tmp_path / "elsewhere.csv"
    table.write_text("id,easting,northing,height\nA,100.0,200.0,3.0\n")
    done = run("check", site.cloud, "--checkpoints", table, "--out", tmp_path / "r")
    assert done.exit_code == 2
    assert "no checkpoint lies on the cloud" in done.stderr
    assert "elsewhere.csv" in done.stderr


def test_output_that_is_a_file_is_refused_first(site: Any, tmp_path: Path) -> None:
    """A result folder that is a file is refused before any work, and the file stays."""
    busy = tmp_path / "busy"
    busy.write_text("mine")
    done = run("check", site.cloud, "--checkpoints", site.table, "--out", busy)
    assert done.exit_code == 2
    assert "is a file, not a folder" in done.stderr
    assert busy.read_text() == "mine"


def test_without_pango_the_rest_is_written(
    site: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the PDF library cannot load Pango, HTML and data are there and the message says what to do."""
    from accuracy.reporting import render

    def missing(_html: str) -> bytes:
        raise OSError("cannot load library 'libpango-1.0-0'")

    monkeypatch.setattr(render, "pdf_bytes", missing)
    done = run("check", site.cloud, "--checkpoints", site.table, "--out", tmp_path / "r")
    assert done.exit_code == 0
    assert "Pango" in done.stderr
    written = {path.name for path in (tmp_path / "r").iterdir()}
    assert {"report.html", "result.json", "residuals.csv"} <= written
    assert "report.pdf" not in written


def test_job_of_two_runs_is_compared(site: Any, make_site: Callable[..., Any], tmp_path: Path) -> None:
    """A job file with two runs grades both, compares them and names the fastest that meets the class."""
    worse = make_site(tmp_path / "fast", shift_m=0.08, seed=6)
    shutil.copy(site.cloud, tmp_path / "slow.laz")
    shutil.copy(worse.cloud, tmp_path / "fast.laz")
    shutil.copy(site.table, tmp_path / "checkpoints.csv")
    (tmp_path / "job.toml").write_text(
        """
title = "Two runs"
[checkpoints]
file = "checkpoints.csv"
[class]
vertical = "3 cm"
[[run]]
name = "slow"
clouds = "slow.laz"
speed_km_per_h = 6
[[run]]
name = "fast"
clouds = ["fast.laz"]
speed_km_per_h = 24
"""
    )
    done = run("job", tmp_path / "job.toml", "--out", tmp_path / "r", "--no-pdf")
    assert done.exit_code == 0, done.output
    record = json.loads((tmp_path / "r" / "result.json").read_text())
    assert [one["name"] for one in record["runs"]] == ["slow", "fast"]
    assert record["run"] == "slow"
    decision = record["decisions"][0]
    assert decision["answer"] == "fastest"
    assert decision["fastest_met"] == "slow"
    assert record["comparisons"][0]["rmse_difference_m"] < -0.05


def test_all_standards_side_by_side(site: Any, tmp_path: Path) -> None:
    """On request every other standard's finding stands beside the verdict, and changes nothing in it."""
    base = ("check", site.cloud, "--checkpoints", site.table, "--no-pdf", "--class", "5 cm")
    done = run(*base, "--out", tmp_path / "r", "--all-standards")
    assert done.exit_code == 0, done.output
    verdicts = json.loads((tmp_path / "r" / "result.json").read_text())["verdicts"]
    assert {one["standard"] for one in verdicts} == {
        "asprs-2024",
        "asprs-2014",
        "nssda",
        "usgs-lidar",
        "nmas",
    }
    assert [one["outcome"] for one in verdicts if one["class_m"]] == ["met"]


def test_conversions_stand_on_the_first_page(site: Any, tmp_path: Path) -> None:
    """What was done to the coordinates on request is a remark of the statement, not a footnote."""
    out = tmp_path / "r"
    about = ("--combined-factor", "1.0", "--scale-about", "352400", "6031250")
    done = run("check", site.cloud, "--checkpoints", site.table, "--no-pdf", "--out", out, *about)
    assert done.exit_code == 0, done.output
    remarks = json.loads((out / "result.json").read_text())["remarks"]
    assert any("Ground coordinates scaled to grid" in remark for remark in remarks)


def test_observed_coordinates_give_horizontal_and_3d(site: Any, tmp_path: Path) -> None:
    """Where an operator read the marks in the cloud, H and 3D are summarised and graded from that."""
    lines = site.table.read_text().splitlines()
    rows = [lines[0] + ",observed_easting,observed_northing"]
    for line in lines[1:]:
        cells = line.split(",")
        rows.append(f"{line},{float(cells[1]) + 0.012:.4f},{float(cells[2]) - 0.005:.4f}")
    table = tmp_path / "observed.csv"
    table.write_text("\n".join(rows) + "\n")
    out = tmp_path / "r"
    classes = ("--class", "5 cm", "--horizontal-class", "2 cm", "--three-d-class", "5 cm")
    done = run("check", site.cloud, "--checkpoints", table, "--out", out, "--no-pdf", *classes)
    assert done.exit_code == 0, done.output
    record = json.loads((out / "result.json").read_text())
    horizontal = record["summary"]["horizontal"]
    assert horizontal["n"] == 32
    assert horizontal["mean_easting_m"] == pytest.approx(0.012, abs=1e-4)
    assert horizontal["mean_northing_m"] == pytest.approx(-0.005, abs=1e-4)
    assert horizontal["rmse_m"] == pytest.approx(0.013, abs=1e-4)
    # 4 mm of survey error per axis add to the fit, as the edition asks.
    assert horizontal["rmse_with_survey_m"] == pytest.approx((0.013**2 + 2 * 0.004**2) ** 0.5, abs=1e-4)
    assert record["summary"]["three_d"]["n"] == 32
    assert {one["component"]: one["outcome"] for one in record["verdicts"]} == {
        "vertical": "met",
        "horizontal": "met",
        "3d": "met",
    }
    assert record["checkpoints"][0]["horizontal"]["method"] == "observed"
