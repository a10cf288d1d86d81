"""Messages name what the user can change: an option of the command, or a key of the job file."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from accuracy.cli import check, main
from accuracy.errors import FrameError
from accuracy.job_entries import CheckpointsEntry, FrameEntry
from accuracy.job_keys import KEYS, as_keys, keys_in_errors

PACKAGE = Path(__file__).resolve().parents[2] / "accuracy"
READ_BY_JOBS = (
    *("frames.py", "placing.py", "conversion.py", "ground.py", "off_cloud.py", "measuring.py", "drives.py"),
    *("inputs.py", "itself.py", "units.py"),
    *("reading/", "matching/", "trajectory/", "relative/"),
)
"""Where a job's own data can be refused or remarked upon."""
IN_BOTH_NAMES = ("explaining/mistake_words.py", "standards/rules.py")
"""What stays in a record names option and key, since a recheck does not know who asked."""


def options_in(path: Path) -> set[str]:
    """The options that a module's texts name, those in its docstrings left out."""
    tree = ast.parse(path.read_text("utf-8"))
    documents = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    texts = [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documents
    ]
    return {found for text in texts for found in re.findall(r"(?<!\S)\(?(--[a-z]+(?:-[a-z]+)*)", text)}


def test_every_option_that_a_job_may_meet_has_its_key() -> None:
    """No reader names an option that the job file has no key for, nor one that the command lacks."""
    modules = [
        path
        for path in PACKAGE.rglob("*.py")
        if str(path.relative_to(PACKAGE)).startswith((*READ_BY_JOBS, *IN_BOTH_NAMES))
    ]
    named = {option for path in modules for option in options_in(path)}
    assert {"--crs", "--checkpoints-crs", "--columns", "--decimal-mark", "--geoid"} <= named
    assert named <= set(KEYS)
    assert named <= {option for parameter in check.params for option in parameter.opts}


def test_every_key_is_one_of_the_job_file() -> None:
    """The keys that messages name are those that the job file is read by."""
    entries = {"checkpoints": CheckpointsEntry, "frame": FrameEntry}
    for key in KEYS.values():
        table, name = key.split(".")
        assert name in {field.name for field in fields(entries[table])}


@pytest.mark.parametrize("path", IN_BOTH_NAMES)
def test_what_stays_in_the_record_names_both(path: str) -> None:
    """Beside each option stands its key."""
    text = (PACKAGE / path).read_text("utf-8")
    named = options_in(PACKAGE / path)
    assert named
    assert all(KEYS[option] in text for option in named)


@pytest.mark.parametrize(
    ("said", "by_key"),
    [
        ("Declare the cloud's system with --crs.", "Declare the cloud's system with frame.crs."),
        (
            "Name both parts with --crs, the plan first, such as --crs EPSG:25832+7837.",
            'Name both parts with frame.crs, the plan first, such as frame.crs = "EPSG:25832+7837".',
        ),
        ("--columns id,easting,-", 'checkpoints.columns = "id,easting,-"'),
        ("Check --columns id,e,n,h against it.", 'Check checkpoints.columns = "id,e,n,h" against it.'),
        (
            "declare the unit (--unit us-survey-foot)",
            'declare the unit (checkpoints.unit = "us-survey-foot")',
        ),
        (
            'file "with --crs in its name.csv": say --checkpoint-heights',
            'file "with --crs in its name.csv": say checkpoints.heights',
        ),
        ("Name a new folder with --out, or x--crs.", "Name a new folder with --out, or x--crs."),
    ],
)
def test_options_become_keys(said: str, by_key: str) -> None:
    """Each option by its key, an example's value as the file writes it, names in quotes as they are."""
    assert as_keys(said) == by_key


def test_errors_keep_their_kind_and_place() -> None:
    """The error itself goes on, in other words."""
    said = r"^a\.las, checkpoints\.columns: no frame\.grids\. Check frame\.crs\.$"
    with pytest.raises(FrameError, match=said), keys_in_errors():
        raise FrameError("no --grids", path="a.las", place="--columns", remedy="Check --crs.")
    with pytest.raises(FrameError, match=r"^nothing to say\.$"), keys_in_errors():
        raise FrameError("nothing to say")


# --------------------------------------------------------------------------- as the user meets them


def run(*arguments: str | Path) -> Result:
    """One command, in process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def site(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A small invented site."""
    return make_site(tmp_path_factory.mktemp("site"))


def asked_both_ways(site: Any, folder: Path, table: Path, key: str, *options: str) -> tuple[str, str]:
    """What ``check`` and ``job`` say of the same data."""
    by_options = run(
        *("check", site.cloud, "--checkpoints", table, "--out", folder / "a", "--no-pdf"), *options
    )
    (folder / "job.toml").write_text(
        f"[checkpoints]\nfile = '{table}'\n{key}\n[[run]]\nname = 'one'\nclouds = ['{site.cloud}']\n"
    )
    by_keys = run("job", folder / "job.toml", "--out", folder / "b", "--no-pdf")
    assert (by_options.exit_code, by_keys.exit_code) == (2, 2), by_keys.output
    return by_options.stderr, by_keys.stderr


CASES = [
    ('crs = "EPSG:9518"', ("--checkpoints-crs", "EPSG:9518"), "--checkpoints-crs", "checkpoints.crs"),
    ('columns = "id,easting"', ("--columns", "id,easting"), "--columns id,easting", "checkpoints.columns"),
]


@pytest.mark.parametrize(("key", "options", "option", "by_key"), CASES)
def test_a_refusal_names_what_was_asked_with(
    site: Any, tmp_path: Path, key: str, options: tuple[str, ...], option: str, by_key: str
) -> None:
    """The same fault by option and by key: each user reads the name that is theirs, and no other."""
    said, by_job = asked_both_ways(site, tmp_path, site.table, key, *options)
    assert option in said
    assert by_key not in said
    assert by_key in by_job
    assert "--" not in by_job


def test_clouds_in_two_systems_are_told_by_the_key(site: Any, tmp_path: Path) -> None:
    """Runs in two zones: a job reads frame.crs, a check reads --crs."""
    import laspy
    import pyproj

    other = tmp_path / "other.laz"
    cloud = laspy.read(site.cloud)
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales, header.offsets = cloud.header.scales, cloud.header.offsets
    header.add_crs(pyproj.CRS("EPSG:25831"))
    copy = laspy.LasData(header)
    copy.x, copy.y, copy.z = np.array(cloud.x), np.array(cloud.y), np.array(cloud.z)
    copy.write(other)
    done = run("check", site.cloud, other, "--checkpoints", site.table, "--out", tmp_path / "a", "--no-pdf")
    assert "declare the one that is true with --crs." in done.stderr
    (tmp_path / "job.toml").write_text(
        f"[checkpoints]\nfile = '{site.table}'\n[[run]]\nname = 'one'\nclouds = ['{site.cloud}', '{other}']\n"
    )
    done = run("job", tmp_path / "job.toml", "--out", tmp_path / "b", "--no-pdf")
    assert done.exit_code == 2
    assert "declare the one that is true with frame.crs." in done.stderr


def test_the_decimal_mark_can_be_said_either_way(site: Any, tmp_path: Path) -> None:
    """A table that leaves the mark open is refused by option and by key; both are read, and settle it."""
    lines = site.table.read_text().splitlines()
    rows = [line.split(",") for line in lines]
    at = rows[0].index("height")
    rows[1][at] = f"{float(rows[1][at]):.3f}".replace(".", ",")
    table = tmp_path / "open.csv"
    table.write_text("\n".join(";".join(row) for row in rows) + "\n")
    said, by_job = asked_both_ways(site, tmp_path, table, "")
    assert "--decimal-mark" in said
    assert "checkpoints.decimal_mark" in by_job
    # With a point, the comma separates thousands, for better or worse: the user has said so.
    (tmp_path / "job.toml").write_text(
        f"[checkpoints]\nfile = '{table}'\ndecimal_mark = '.'\n"
        f"[[run]]\nname = 'one'\nclouds = ['{site.cloud}']\n"
    )
    by_options = ("check", site.cloud, "--checkpoints", table, "--decimal-mark", ".")
    for number, command in enumerate((by_options, ("job", tmp_path / "job.toml"))):
        out = tmp_path / f"said-{number}"
        done = run(*command, "--out", out, "--no-pdf")
        assert done.exit_code == 0, done.output
        first, second, *_ = json.loads((out / "result.json").read_text())["checkpoints"]
        assert first["height_m"] > 1000 > second["height_m"]
