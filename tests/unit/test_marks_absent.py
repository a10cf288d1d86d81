"""Marks that the table names and the cloud does not show: each refused in words, nothing breaks."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from click.testing import CliRunner

from accuracy.cli import main

MARKS = [
    ("quartered-disc", "0.6"),
    ("quartered-square", "0.6"),
    ("disc", "0.6"),
    ("ring", "0.6"),
    ("cross", "0.8"),
    ("ell", "0.6"),
    ("stripe-end", "0.15"),
    ("sphere", "0.2"),
    ("pole", "0.1"),
    ("corner", ""),
    ("face", ""),
    ("my-own-shape", "0.5"),
    ("none", ""),
]


@pytest.fixture(scope="module")
def checkpoints(
    make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory
) -> list[dict[str, Any]]:
    """A bare pavement whose table claims a different mark at every point."""
    folder = tmp_path_factory.mktemp("marks")
    site = make_site(folder / "site", points=len(MARKS))
    lines = site.table.read_text().splitlines()
    rows = [lines[0] + ",mark,mark_size"]
    rows += [f"{line},{mark},{size}" for line, (mark, size) in zip(lines[1:], MARKS, strict=True)]
    site.table.write_text("\n".join(rows) + "\n")
    arguments = ["check", str(site.cloud), "--checkpoints", str(site.table), "--out", str(folder / "r")]
    done = CliRunner().invoke(main, [*arguments, "--no-pdf", "--horizontal-class", "5 cm"])
    assert done.exit_code == 4, done.output
    return json.loads((folder / "r" / "result.json").read_text())["checkpoints"]


def test_no_mark_is_found_where_none_is(checkpoints: list[dict[str, Any]]) -> None:
    """Every absent mark is not measured, with a sentence and a code of its own kind."""
    assert len(checkpoints) == len(MARKS)
    for point in checkpoints:
        assert point["horizontal"]["measured"] is False, point["mark"]
        assert len(point["horizontal"]["reason"]) > 15
        assert point["face"] is None
    codes = {point["mark"]: point["horizontal"]["code"] for point in checkpoints}
    assert codes["none"] == "no_mark"
    assert codes["my-own-shape"] == "unknown_mark"


def test_heights_are_measured_all_the_same(checkpoints: list[dict[str, Any]]) -> None:
    """A mark that is not there costs its point no height; only a sphere's centre stands off the ground."""
    measured = {point["mark"]: point["vertical"]["measured"] for point in checkpoints}
    assert measured.pop("sphere") is False
    assert all(measured.values())
