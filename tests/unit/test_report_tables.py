"""residuals.csv and residuals.gpkg: nothing lost, nothing rounded, readable by the letter of the standard."""

from __future__ import annotations

import csv
import sqlite3
import struct
from dataclasses import replace
from pathlib import Path

import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import report_cases
from accuracy.model import Flag, HorizontalResidual, VerticalResidual
from accuracy.reporting import tables, view


def read(path: Path) -> list[dict[str, str]]:
    """The rows of a CSV file, as Python's own reader sees them."""
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_csv_keeps_every_digit(tmp_path: Path) -> None:
    """Numbers read back from the CSV are the very floats of the record; reasons and flags are there."""
    result = report_cases.make(horizontal=True)
    tables.write_residuals_csv(result, tmp_path / "residuals.csv")
    rows = read(tmp_path / "residuals.csv")
    assert len(rows) == len(result.run.checkpoints) == 48
    measured = 0
    for row, c in zip(rows, result.run.checkpoints, strict=True):
        assert (row["run"], row["id"]) == ("12-east", c.id)
        assert float(row["easting_m"]) == c.easting_m
        assert (row["used"] == "yes") == c.used
        assert row["attribute surface"] == c.attributes["surface"]
        if isinstance(c.vertical, VerticalResidual):
            measured += 1
            assert float(row["residual_height_m"]) == c.vertical.residual_m
            assert row["flags_height"].split() == list(c.vertical.flags)
            assert row["why_no_height"] == ""
        else:
            assert row["residual_height_m"] == ""
            assert row["why_no_height"] == c.vertical.reason
        if isinstance(c.horizontal, HorizontalResidual):
            assert c.horizontal.covariance_m2 is not None
            assert float(row["variance_northing_m2"]) == c.horizontal.covariance_m2[1]
    assert measured == 47


def test_csv_names_units_and_is_repeatable(tmp_path: Path) -> None:
    """Every column of a length names metres; two writings give the same bytes; metres even in feet."""
    result = report_cases.CASES["feet"]()
    tables.write_residuals_csv(result, tmp_path / "a.csv")
    tables.write_residuals_csv(result, tmp_path / "b.csv")
    data = (tmp_path / "a.csv").read_bytes()
    assert data == (tmp_path / "b.csv").read_bytes()
    head = data.decode("utf-8").splitlines()[0].split(",")
    assert {"residual_height_m", "radius_m", "variance_easting_m2", "density_per_m2", "time_s"} <= set(head)
    assert float(read(tmp_path / "a.csv")[0]["radius_m"]) == 0.4
    assert len(list(tmp_path.iterdir())) == 2


@given(st.text(min_size=1, max_size=40))
@settings(max_examples=30, deadline=None)
def test_any_text_survives_the_csv(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    """Ids with commas, quotes and line ends come back as they were."""
    result = report_cases.make(n=1, oddities=False)
    (point,) = result.run.checkpoints
    result = replace(result, run=replace(result.run, checkpoints=(replace(point, id=text),)))
    path = tmp_path_factory.mktemp("csv") / "residuals.csv"
    tables.write_residuals_csv(result, path)
    (row,) = read(path)
    expected = text.encode("utf-8", "backslashreplace").decode("utf-8")
    assert row["id"] == expected


def test_all_runs_are_in_the_table_once(tmp_path: Path) -> None:
    """A result of two runs gives the rows of both, the statement's run first and not twice."""
    result = report_cases.make(n=4, oddities=False)
    other = replace(result.run, name="24-west")
    tables.write_residuals_csv(replace(result, runs=(other, result.run)), tmp_path / "r.csv")
    assert [r["run"] for r in read(tmp_path / "r.csv")] == ["12-east"] * 4 + ["24-west"] * 4


def test_geopackage_follows_the_standard(tmp_path: Path) -> None:
    """OGC 12-128r18: application id, required tables and rows, geometry header, integrity."""
    result = report_cases.make(horizontal=True)
    path = tmp_path / "residuals.gpkg"
    tables.write_residuals_gpkg(result, path)
    assert path.read_bytes()[:15] == b"SQLite format 3"
    assert path.read_bytes()[68:72] == b"GPKG"  # requirement 2
    with sqlite3.connect(path) as database:
        one = database.execute
        assert one("PRAGMA user_version").fetchone() == (10300,)
        assert one("PRAGMA integrity_check").fetchone() == ("ok",)
        assert one("PRAGMA foreign_key_check").fetchall() == []
        systems = dict(one("SELECT srs_id, organization FROM gpkg_spatial_ref_sys").fetchall())
        assert {-1, 0, 4326} <= set(systems)  # requirement 11
        assert one("SELECT table_name, data_type, srs_id FROM gpkg_contents").fetchall() == [
            ("checkpoints", "features", 25833)
        ]
        assert one("SELECT * FROM gpkg_geometry_columns").fetchall() == [
            ("checkpoints", "geom", "POINT", 25833, 1, 0)
        ]
        rows = one("SELECT geom, id, residual_height_m, residual_easting_m FROM checkpoints").fetchall()
        definition = one("SELECT definition FROM gpkg_spatial_ref_sys WHERE srs_id = 25833").fetchone()[0]
    database.close()
    assert pyproj.CRS.from_wkt(definition).to_epsg() == 25833
    assert len(rows) == 48
    for (geometry, name, up, east), c in zip(rows, result.run.checkpoints, strict=True):
        magic, version, flags, srs, order, kind = struct.unpack_from("<2sBBiBI", geometry)
        assert (magic, version, flags, srs, order, kind) == (b"GP", 0, 1, 25833, 1, 1001)
        assert struct.unpack_from("<ddd", geometry, 13) == (c.easting_m, c.northing_m, c.height_m)
        assert name == c.id
        assert up == getattr(c.vertical, "residual_m", None)
        assert east == getattr(c.horizontal, "residual_easting_m", None)
    database.close()


@pytest.mark.parametrize(
    ("crs", "srs_id"),
    [
        ("ETRS89 / UTM zone 33N (EPSG:25833)", 25833),
        ("EPSG:5555", 25832),  # compound: UTM 32N + DHHN92 height; the plan is attached
        ("NAD83(2011) / Oregon North (ftUS) EPSG:6559", -1),  # feet: the record is in metres
        ("WGS 84 (EPSG:4326)", -1),  # degrees are no working frame
        ("EPSG:999999", -1),
        ("local site grid", -1),
        (None, -1),
    ],
)
def test_geopackage_names_only_a_frame_that_fits(tmp_path: Path, crs: str | None, srs_id: int) -> None:
    """A system in feet or degrees, or an unknown one, is not attached to coordinates in metres."""
    path = tmp_path / "r.gpkg"
    tables.write_residuals_gpkg(replace(report_cases.make(n=2, oddities=False), crs=crs), path)
    with sqlite3.connect(path) as database:
        assert database.execute("SELECT srs_id FROM gpkg_contents").fetchone() == (srs_id,)
    database.close()


def test_geopackage_is_repeatable_and_takes_odd_attributes(tmp_path: Path) -> None:
    """Same bytes twice; attribute names that differ only in case, or hold quotes, stay apart."""
    result = report_cases.make(n=2, oddities=False)
    points = tuple(
        replace(c, attributes={"Kind": "a", "KIND": "b", 'say "x"': "c", "fid": "d"})
        for c in result.run.checkpoints
    )
    result = replace(result, run=replace(result.run, checkpoints=points))
    tables.write_residuals_gpkg(result, tmp_path / "a.gpkg")
    tables.write_residuals_gpkg(result, tmp_path / "b.gpkg")
    assert (tmp_path / "a.gpkg").read_bytes() == (tmp_path / "b.gpkg").read_bytes()
    with sqlite3.connect(tmp_path / "a.gpkg") as database:
        cursor = database.execute("SELECT * FROM checkpoints")
        row = dict(zip([d[0] for d in cursor.description], cursor.fetchone(), strict=True))
    database.close()
    assert [
        row[k] for k in ("attribute Kind", "attribute KIND 2", 'attribute say "x"', "attribute fid")
    ] == list("abcd")


def test_nothing_measured_still_writes_both_tables(tmp_path: Path) -> None:
    """With no checkpoint at all, the tables are there and empty, not missing."""
    result = report_cases.nothing_measured()
    result = replace(result, run=replace(result.run, checkpoints=()))
    tables.write_residuals_csv(result, tmp_path / "r.csv")
    tables.write_residuals_gpkg(result, tmp_path / "r.gpkg")
    assert read(tmp_path / "r.csv") == []
    with sqlite3.connect(tmp_path / "r.gpkg") as database:
        assert database.execute("SELECT count(*) FROM checkpoints").fetchone() == (0,)
    database.close()


def test_readings_of_an_operator_stand_beside_what_was_measured(tmp_path: Path) -> None:
    """Their differences are columns, the doubtful ones notes with their size, and all of them a sentence."""
    result = report_cases.make(horizontal=True, oddities=False)
    first, second, *others = result.run.checkpoints
    doubt = (Flag.OBSERVED_DISAGREES,)
    first = replace(
        first,
        vertical=replace(first.vertical, observed_difference_m=-0.04, flags=doubt),
        horizontal=replace(first.horizontal, observed_difference_m=(0.03, -0.01), flags=doubt),
    )
    second = replace(second, vertical=replace(second.vertical, observed_difference_m=0.002))
    result = replace(result, run=replace(result.run, checkpoints=(first, second, *others)))
    tables.write_residuals_csv(result, tmp_path / "residuals.csv")
    rows = read(tmp_path / "residuals.csv")
    shown = [
        [row[f"measured_minus_observed_{axis}_m"] for axis in ("easting", "northing", "height")]
        for row in rows[:3]
    ]
    assert shown == [["0.03", "-0.01", "-0.04"], ["", "", "0.002"], ["", "", ""]]
    made = view.build(result)
    minus = "\N{MINUS SIGN}"
    assert f"Height: differs from the operator's observation by {minus}4.00 cm" in made.residuals[0].notes
    assert f"by +3.00, {minus}1.00 cm" in made.residuals[0].notes
    assert (
        f"Heights read by an operator and measured: 2, measured minus read {minus}1.90 cm on average, "
        "2.83 cm RMS." in made.residuals_note
    )
    assert "Positions read by an operator and measured: 1, apart by 3.16 cm RMS." in made.residuals_note
