"""Mistakes planted in the table of an invented site, and named by the whole job."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyproj
import pytest
from click.testing import CliRunner

from accuracy.cli import main

Row = dict[str, str]


@pytest.fixture(scope="module")
def site(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A sound site: 32 checkpoints, 6 mm of run error."""
    return make_site(tmp_path_factory.mktemp("sound"), shift_m=0.0, scatter_m=0.006)


def changed(site: Any, folder: Path, change: Callable[[Row], None]) -> Path:
    """The site's table with every row changed."""
    with site.table.open() as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        change(row)
    path = folder / "table.csv"
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def check(site: Any, table: Path, folder: Path) -> tuple[int, str, list[dict[str, Any]]]:
    """Exit status, what was said, and the mistakes of the record."""
    done = CliRunner().invoke(
        main, ["check", str(site.cloud), "--checkpoints", str(table), "--out", str(folder / "r"), "--no-pdf"]
    )
    record = folder / "r" / "result.json"
    mistakes = json.loads(record.read_text())["mistakes"] if record.exists() else []
    return done.exit_code, done.output, mistakes


def add(name: str, value: float) -> Callable[[Row], None]:
    """A change that adds to one column."""

    def apply(row: Row) -> None:
        row[name] = f"{float(row[name]) + value:.4f}"

    return apply


def times(name: str, factor: float) -> Callable[[Row], None]:
    """A change that multiplies one column."""

    def apply(row: Row) -> None:
        row[name] = f"{float(row[name]) * factor:.4f}"

    return apply


def test_a_sound_site_is_left_in_peace(site: Any, tmp_path: Path) -> None:
    """Nothing is suggested where nothing is wrong."""
    status, said, mistakes = check(site, site.table, tmp_path)
    assert status == 0, said
    assert mistakes == []


@pytest.mark.parametrize(
    ("name", "change", "kind"),
    [
        ("a pole of 2 m entered twice", add("height", 2.0), "pole_height"),
        ("ellipsoidal heights", add("height", 44.3), "ellipsoidal_height"),
        ("heights in feet", times("height", 1 / 0.3048), "feet_for_metres"),
    ],
)
def test_height_mistakes_are_named_first(
    site: Any, tmp_path: Path, name: str, change: Callable[[Row], None], kind: str
) -> None:
    """Metres between cloud and marks are still measured, and the likeliest cause is named with its check."""
    status, said, mistakes = check(site, changed(site, tmp_path, change), tmp_path)
    assert status == 0, said
    assert mistakes, f"{name}: nothing suggested"
    assert mistakes[0]["kind"] == kind, mistakes[0]
    assert mistakes[0]["evidence"]
    assert mistakes[0]["check_by"]


def swap(row: Row) -> None:
    """Easting and northing exchanged."""
    row["easting"], row["northing"] = row["northing"], row["easting"]


def other_zone(row: Row) -> None:
    """The neighbouring UTM zone."""
    transform = pyproj.Transformer.from_crs(25832, 25831, always_xy=True)
    east, north = transform.transform(float(row["easting"]), float(row["northing"]))
    row["easting"], row["northing"] = f"{east:.4f}", f"{north:.4f}"


def feet(row: Row) -> None:
    """Everything in international feet."""
    for name in ("easting", "northing", "height"):
        times(name, 1 / 0.3048)(row)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (swap, "easting and northing were swapped"),
        (other_zone, "zone 31"),
        (feet, "feet"),
    ],
)
def test_tables_that_lie_elsewhere_say_why(
    site: Any, tmp_path: Path, change: Callable[[Row], None], words: str
) -> None:
    """ "No checkpoint lies on the cloud" comes with what would bring them there, and nothing is written."""
    status, said, _ = check(site, changed(site, tmp_path, change), tmp_path)
    assert status == 2
    assert "no checkpoint lies on the cloud" in said
    assert words in said, said
    assert not (tmp_path / "r").exists()
