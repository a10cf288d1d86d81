"""Recheck: other checkpoints, another class, from the result folder alone."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from accuracy.cli import main
from accuracy.model import Patch
from accuracy.remeasuring import where_thinned
from accuracy.subsets import expanded


def run(*arguments: str | Path) -> Result:
    """One command, in process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def result_folder(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A result folder whose cloud is gone: 32 checkpoints with attributes, scatter of 8 mm."""
    folder = tmp_path_factory.mktemp("recheck")
    site = make_site(folder / "site", scatter_m=0.008)
    lines = site.table.read_text().splitlines()
    lines[0] += ",surface"
    lines[1:] = [f"{line},{'asphalt' if i % 2 else 'setts'}" for i, line in enumerate(lines[1:])]
    site.table.write_text("\n".join(lines) + "\n")
    done = run(
        *("check", site.cloud, "--checkpoints", site.table),
        *("--out", folder / "result", "--no-pdf", "--class", "5 cm"),
    )
    assert done.exit_code == 0, done.output
    shutil.rmtree(site.folder)
    return folder / "result"


def record(folder: Path) -> dict[str, Any]:
    """The record in a folder."""
    return json.loads((folder / "result.json").read_text())


@pytest.mark.parametrize("again", [(), ("--measure-again",)])
def test_an_unchanged_recheck_gives_the_same_bytes(
    result_folder: Path, tmp_path: Path, again: tuple[str, ...]
) -> None:
    """From a copy of the folder alone, record and patches repeat to the last bit, measured anew or not."""
    shutil.copytree(result_folder, tmp_path / "copy")
    done = run("recheck", tmp_path / "copy", "--out", tmp_path / "out", *again)
    assert done.exit_code == 0, done.output
    for name in ("result.json", "patches.npz", "residuals.csv"):
        assert (tmp_path / "out" / name).read_bytes() == (result_folder / name).read_bytes(), name


@pytest.mark.parametrize(
    ("options", "n", "words"),
    [
        (("--only", "P01", "P02", "P03", "P07"), 4, "only P01, P02, P03, P07"),
        (("--only", "P01,P02, P03", "P07"), 4, "only P01, P02, P03, P07"),
        (("--where", "surface=asphalt"), 16, "surface is asphalt"),
        (("--where", "cover=open", "--where", "surface=setts"), 16, "cover is open; surface is setts"),
        (("--random", "12", "--seed", "3"), 12, "12 drawn at random with seed 3"),
    ],
)
def test_subsets_count_what_they_name(
    result_folder: Path, tmp_path: Path, options: tuple[str, ...], n: int, words: str
) -> None:
    """Each way to choose counts its points, says so, and keeps the others in the record."""
    done = run("recheck", result_folder, "--out", tmp_path / "out", *options)
    assert done.exit_code == 4, done.output  # fewer than thirty grade nothing
    found = record(tmp_path / "out")
    assert found["summary"]["vertical"]["n"] == n
    assert found["subset"] == words
    assert len(found["checkpoints"]) == 32
    assert words in (tmp_path / "out" / "report.html").read_text()


def test_an_area_in_the_grid_and_in_degrees(result_folder: Path, tmp_path: Path) -> None:
    """The same polygon counts the same points, drawn in grid coordinates or in longitude and latitude."""
    import pyproj

    corners = [
        (352_390.0, 6_031_200.0),
        (352_700.0, 6_031_200.0),
        (352_700.0, 6_031_300.0),
        (352_390.0, 6_031_300.0),
    ]
    to_degrees = pyproj.Transformer.from_crs(25832, 4326, always_xy=True)
    counts = []
    for name, ring in (("grid", corners), ("degrees", [to_degrees.transform(*corner) for corner in corners])):
        path = tmp_path / f"{name}.geojson"
        geometry = {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}
        path.write_text(json.dumps({"type": "Feature", "properties": {}, "geometry": geometry}))
        run("recheck", result_folder, "--out", tmp_path / name, "--area", path)
        counts.append(record(tmp_path / name)["summary"]["vertical"]["n"])
    assert counts[0] == counts[1]
    assert 10 < counts[0] < 22


def test_exclusions_are_added_with_their_reason(result_folder: Path, tmp_path: Path) -> None:
    """A reviewer's exclusion stands beside the figures without it."""
    done = run(
        *("recheck", result_folder, "--out", tmp_path / "out"),
        *("--without", "P04", "P05", "--reason", "disturbed by road works"),
    )
    assert done.exit_code == 0
    found = record(tmp_path / "out")
    assert [one["id"] for one in found["exclusions"]] == ["P04", "P05"]
    assert found["summary"]["vertical"]["n"] == 30
    assert found["summary"]["with_exclusions"]["vertical"]["n"] == 32


def test_another_class_and_standard(result_folder: Path, tmp_path: Path) -> None:
    """The same residuals fail a tighter class and are graded by another standard's rules."""
    tight = run("recheck", result_folder, "--out", tmp_path / "a", "--class", "1 cm")
    assert tight.exit_code == 3
    other = run(
        "recheck", result_folder, "--out", tmp_path / "b", "--standard", "usgs-lidar", "--class-name", "QL2"
    )
    assert other.exit_code in (0, 4)
    assert record(tmp_path / "b")["verdicts"][0]["standard"] == "usgs-lidar"
    assert record(tmp_path / "b")["summary"]["vertical"] == record(result_folder)["summary"]["vertical"] | {
        "blunder_candidates": record(tmp_path / "b")["summary"]["vertical"]["blunder_candidates"]
    }


def test_another_class_leaves_the_rest_of_the_contract(result_folder: Path, tmp_path: Path) -> None:
    """A vertical class alone changes neither the standard nor what else was asked; exit by all of it."""
    options = ("--standard", "asprs-2014", "--class", "1 cm", "--horizontal-class", "9 cm")
    run("recheck", result_folder, "--out", tmp_path / "a", *options)
    done = run("recheck", tmp_path / "a", "--out", tmp_path / "b", "--class", "4 cm")
    assert "Graded against the vertical class of 4 cm, where 1 cm was asked before." in done.stdout
    found = record(tmp_path / "b")
    (request,) = found["requests"]
    assert (request["standard"], request["vertical_m"], request["horizontal_m"]) == ("asprs-2014", 0.04, 0.09)
    assert [one["class_m"] for one in found["verdicts"]] == [0.04, 0.09]
    assert any("where 1 cm was asked before" in remark for remark in found["remarks"])
    assert done.exit_code == 4  # no checkpoint has a horizontal position
    dropped = run("recheck", tmp_path / "b", "--out", tmp_path / "c", "--drop", "horizontal")
    assert "No longer graded, as the recheck asked: the horizontal class of 9 cm." in dropped.stdout
    assert dropped.exit_code == 0


def test_a_result_is_never_written_over(result_folder: Path, tmp_path: Path) -> None:
    """Neither the result that is rechecked, by whatever name, nor another; every byte stays."""
    shutil.copytree(result_folder, tmp_path / "copy")
    shutil.copytree(result_folder, tmp_path / "other")
    (tmp_path / "link").symlink_to(tmp_path / "copy")
    before = {path: path.read_bytes() for path in tmp_path.glob("*/*")}
    for out, message in (
        ("copy", "is the folder of the result that is to be rechecked"),
        ("link", "is the folder of the result that is to be rechecked"),
        ("other/../copy", "is the folder of the result that is to be rechecked"),
        ("other", "holds another result already"),
    ):
        for source in (tmp_path / "copy", tmp_path / "copy" / "result.json"):
            done = run("recheck", source, "--out", tmp_path / out, "--class", "9 cm")
            assert done.exit_code == 2
            assert f"{message}. Name a new folder with --out." in done.stderr
    assert {path: path.read_bytes() for path in tmp_path.glob("*/*")} == before


def test_measuring_again_tells_what_differs(result_folder: Path, tmp_path: Path) -> None:
    """A record sealed anew after an edit is found out by its patches; a true one is said to be true."""
    true = run("recheck", result_folder, "--out", tmp_path / "a", "--measure-again")
    assert "Measured again from the kept patches: all 32 checkpoints are as recorded." in true.stdout
    assert "seal and SHA-256 fit" in true.stdout
    shutil.copytree(result_folder, tmp_path / "forged")
    forged = record(result_folder)
    forged["checkpoints"][4]["vertical"]["residual_m"] += 0.001
    del forged["seal"]
    (tmp_path / "forged" / "result.json").write_text(json.dumps(forged))
    plain = run("recheck", tmp_path / "forged", "--out", tmp_path / "b")
    assert "bears no seal, so whether it was changed since it was written is not known" in plain.stdout
    again = run("recheck", tmp_path / "forged", "--out", tmp_path / "c", "--measure-again")
    assert "The measurement at P05 differs from the record of run road." in again.stdout
    assert record(tmp_path / "c")["checkpoints"] == record(result_folder)["checkpoints"]
    assert any("P05 differs" in remark for remark in record(tmp_path / "c")["remarks"])


def test_another_radius_measures_again(result_folder: Path, tmp_path: Path) -> None:
    """A larger radius takes more points, moves no residual beyond its uncertainty and is recorded."""
    run("recheck", result_folder, "--out", tmp_path / "out", "--radius", "1.4 m")
    settings = record(tmp_path / "out")["settings"]
    assert (settings["smallest surface radius"], settings["largest surface radius"]) == ("1.4 m", "1.4 m")
    assert any("within 1.4 m of each checkpoint" in remark for remark in record(tmp_path / "out")["remarks"])
    assert "within 1.4 m of each checkpoint" in (tmp_path / "out" / "report.html").read_text()
    before = {one["id"]: one["vertical"] for one in record(result_folder)["checkpoints"]}
    after = {one["id"]: one["vertical"] for one in record(tmp_path / "out")["checkpoints"]}
    assert record(tmp_path / "out")["measuring"] == {"smallest_radius_m": 1.4, "largest_radius_m": 1.4}
    changed = 0
    for name, vertical in after.items():
        changed += vertical["radius_m"] != before[name]["radius_m"]
        both = (vertical["fit_uncertainty_m"] ** 2 + before[name]["fit_uncertainty_m"] ** 2) ** 0.5
        assert abs(vertical["residual_m"] - before[name]["residual_m"]) < 4 * both
    assert changed > 0


def test_folds_and_leaving_one_out(result_folder: Path, tmp_path: Path) -> None:
    """Every checkpoint lies in one fold; leaving one out counts one fewer each time."""
    run("recheck", result_folder, "--out", tmp_path / "a", "--folds", "4", "--seed", "9")
    parts = record(tmp_path / "a")["parts"]
    assert sorted(name for part in parts for name in part["ids"]) == [f"P{i:02d}" for i in range(1, 33)]
    run("recheck", result_folder, "--out", tmp_path / "b", "--leave-one-out")
    parts = record(tmp_path / "b")["parts"]
    assert len(parts) == 32
    assert {part["vertical_n"] for part in parts} == {31}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (
            ("--only", "P99"),
            '--only: checkpoint "P99" is to be counted, but no checkpoint in .*\\.csv has that id',
        ),
        (
            ("--where", "colour=red"),
            'no checkpoint has an attribute "colour".*There are cover, mark, role, surface',
        ),
        (("--where", "surface=sand"), 'no checkpoint has surface "sand".*asphalt, setts'),
        (("--where", "surfce=asphalt"), 'no checkpoint has an attribute "surfce".*Did you mean "surface"'),
        (("--where", "surface"), "is not NAME=VALUE"),
        (("--only", "P01,P99"), 'checkpoint "P99" is to be counted'),
        (("--only", ","), 'checkpoint "," is to be counted'),
        (("--radius", "50 m"), "a surface radius of 50 m reaches beyond the 4 m that are kept"),
        (("--drop", "limits"), "--drop limits: there are none"),
        (("--class-name", "QL2"), "--class-name means nothing to asprs-2024"),
        (("--random", "33"), "33 checkpoints are to be drawn and 32 are there"),
        (("--without", "P01"), "without a reason"),
        (
            ("--without", "P9", "--reason", "x"),
            '--without: checkpoint "P9" is to be left out, but no checkpoint in .*\\.csv has that.*mean "P',
        ),
        (("--folds", "2", "--leave-one-out"), "exclude each other"),
        (("--folds", "40"), "cannot be dealt into 40 folds"),
        (("--area", "absent.geojson"), "cannot be read"),
        (("--only", "P01", "--where", "surface=asphalt"), "no checkpoint is left"),
    ],
)
def test_choices_that_cannot_be_made(
    result_folder: Path, tmp_path: Path, options: tuple[str, ...], message: str
) -> None:
    """Each impossible choice exits with 2, says what there is, and writes nothing."""
    done = run("recheck", result_folder, "--out", tmp_path / "out", *options)
    assert done.exit_code == 2, done.output
    import re

    assert re.search(message, done.stderr), done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda folder: (folder / "result.json").unlink(), "no result.json here"),
        (lambda folder: (folder / "result.json").write_text("{"), "cannot be read"),
        (lambda folder: (folder / "result.json").write_text("[]"), "holds no record"),
        (lambda folder: (folder / "result.json").write_text('{"schema": "x"}'), 'the schema is "x"'),
        (
            lambda folder: (folder / "result.json").write_text('{"schema": "accuracy-result/1"}'),
            "the record is not complete",
        ),
        (lambda folder: (folder / "patches.npz").unlink(), "kept patches cannot be read"),
        (lambda folder: (folder / "patches.npz").write_bytes(b"other"), "SHA-256 differs"),
    ],
)
def test_a_damaged_folder_is_refused(
    result_folder: Path, tmp_path: Path, damage: Callable[[Path], object], message: str
) -> None:
    """A record or archive that is missing, damaged or another one's is refused, never guessed at."""
    shutil.copytree(result_folder, tmp_path / "copy")
    damage(tmp_path / "copy")
    done = run("recheck", tmp_path / "copy", "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert message in done.stderr


@pytest.mark.parametrize(
    ("reach_m", "share", "words"),
    [
        ((1.5, 1.5), 0.3, "At 2 of 2 checkpoints the points beyond 1.5 m were thinned"),
        ((1.2, 1.5), 0.3, "At 2 of 2 checkpoints the points beyond 1.2 to 1.5 m were thinned"),
        ((1.2, 3.0), 0.3, "At 1 of 2 checkpoints the points beyond 1.2 m were thinned"),
        ((1.5, 1.5), 1.0, None),
        ((3.0, 3.0), 0.3, None),
    ],
)
def test_where_thinned_points_end_a_radius(
    reach_m: tuple[float, float], share: float, words: str | None
) -> None:
    """A radius of 2 m that a patch cannot serve is told, with how far it was measured instead."""
    none, whole = np.zeros(0), np.zeros(0, dtype=np.uint8)
    patches = [
        Patch(
            checkpoint_id="P",
            east_m=none,
            north_m=none,
            up_m=none,
            whole_radius_m=reach,
            outer_radius_m=4.0,
            outer_share=share,
            classification=whole,
            return_number=whole,
            number_of_returns=whole,
            source_id=whole.astype(np.uint16),
        )
        for reach in reach_m
    ]
    found = where_thinned(patches, 2.0)
    assert found is words if words is None else found is not None and found.startswith(words)


def test_an_id_may_hold_a_comma() -> None:
    """A text that is an id is that id; only what is none is taken for several."""
    assert expanded(["A,1", "B, C"], {"A,1", "A", "B", "C"}, "to be counted") == ("A,1", "B", "C")
