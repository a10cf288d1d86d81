"""residuals.csv and residuals.gpkg: every checkpoint at full precision, in metres, for other programs."""

from __future__ import annotations

import csv
import io
import re
import sqlite3
import struct
from collections.abc import Callable, Iterable
from pathlib import Path

import pyproj

from accuracy.files import write_atomically
from accuracy.model import (
    CheckpointResult,
    HorizontalResidual,
    NotMeasured,
    Result,
    RunRecord,
    VerticalResidual,
)

Cell = str | int | float | None
Column = tuple[str, str, Callable[[CheckpointResult], Cell]]
"""Name, SQL type, and how the value is taken from a checkpoint."""


def _vertical(name: str) -> Callable[[CheckpointResult], Cell]:
    def take(c: CheckpointResult) -> Cell:
        value: Cell = getattr(c.vertical, name) if isinstance(c.vertical, VerticalResidual) else None
        return value

    return take


def _horizontal(name: str) -> Callable[[CheckpointResult], Cell]:
    def take(c: CheckpointResult) -> Cell:
        value: Cell = getattr(c.horizontal, name) if isinstance(c.horizontal, HorizontalResidual) else None
        return value

    return take


def _observed_difference(index: int) -> Callable[[CheckpointResult], Cell]:
    def take(c: CheckpointResult) -> Cell:
        known = c.horizontal.observed_difference_m if isinstance(c.horizontal, HorizontalResidual) else None
        return None if known is None else known[index]

    return take


def observed_height_difference_m(c: CheckpointResult) -> float | None:
    """Measured minus operator-observed height: of the surface, or of a mark that has none."""
    if isinstance(c.vertical, VerticalResidual) and c.vertical.observed_difference_m is not None:
        return c.vertical.observed_difference_m
    return c.horizontal.observed_height_difference_m if isinstance(c.horizontal, HorizontalResidual) else None


def _covariance(index: int) -> Callable[[CheckpointResult], Cell]:
    def take(c: CheckpointResult) -> Cell:
        known = c.horizontal.covariance_m2 if isinstance(c.horizontal, HorizontalResidual) else None
        return None if known is None else known[index]

    return take


def _face(name: str) -> Callable[[CheckpointResult], Cell]:
    def take(c: CheckpointResult) -> Cell:
        value: Cell = None if c.face is None else getattr(c.face, name)
        return value

    return take


def _flags(part: VerticalResidual | HorizontalResidual | NotMeasured) -> str:
    return "" if isinstance(part, NotMeasured) else " ".join(part.flags)


def _reason(part: VerticalResidual | HorizontalResidual | NotMeasured) -> str | None:
    return part.reason if isinstance(part, NotMeasured) else None


COLUMNS: tuple[Column, ...] = (
    ("id", "TEXT", lambda c: c.id),
    ("easting_m", "REAL", lambda c: c.easting_m),
    ("northing_m", "REAL", lambda c: c.northing_m),
    ("height_m", "REAL", lambda c: c.height_m),
    ("sigma_easting_m", "REAL", lambda c: c.sigma_easting_m),
    ("sigma_northing_m", "REAL", lambda c: c.sigma_northing_m),
    ("sigma_height_m", "REAL", lambda c: c.sigma_height_m),
    ("cover", "TEXT", lambda c: str(c.cover)),
    ("role", "TEXT", lambda c: str(c.role)),
    ("mark", "TEXT", lambda c: c.mark),
    ("used", "TEXT", lambda c: "yes" if c.used else "no"),
    ("why_not_used", "TEXT", lambda c: c.why_not_used),
    ("residual_height_m", "REAL", _vertical("residual_m")),
    ("uncertainty_height_m", "REAL", _vertical("standard_uncertainty_m")),
    ("fit_uncertainty_height_m", "REAL", _vertical("fit_uncertainty_m")),
    ("points", "INTEGER", _vertical("points")),
    ("radius_m", "REAL", _vertical("radius_m")),
    ("density_per_m2", "REAL", _vertical("density_per_m2")),
    ("slope_percent", "REAL", _vertical("slope_percent")),
    ("roughness_m", "REAL", _vertical("roughness_m")),
    ("surface", "TEXT", _vertical("surface")),
    ("tin_residual_height_m", "REAL", _vertical("tin_residual_m")),
    ("nearest_residual_height_m", "REAL", _vertical("nearest_residual_m")),
    ("layers", "INTEGER", _vertical("layers")),
    ("passes", "INTEGER", _vertical("passes")),
    ("pass_difference_m", "REAL", _vertical("pass_difference_m")),
    ("time_s", "REAL", _vertical("time_s")),
    ("flags_height", "TEXT", lambda c: _flags(c.vertical)),
    ("why_no_height", "TEXT", lambda c: _reason(c.vertical)),
    ("horizontal_method", "TEXT", _horizontal("method")),
    ("residual_easting_m", "REAL", _horizontal("residual_easting_m")),
    ("residual_northing_m", "REAL", _horizontal("residual_northing_m")),
    ("uncertainty_horizontal_m", "REAL", _horizontal("standard_uncertainty_m")),
    ("variance_easting_m2", "REAL", _covariance(0)),
    ("variance_northing_m2", "REAL", _covariance(1)),
    ("covariance_easting_northing_m2", "REAL", _covariance(2)),
    ("measured_minus_observed_easting_m", "REAL", _observed_difference(0)),
    ("measured_minus_observed_northing_m", "REAL", _observed_difference(1)),
    ("measured_minus_observed_height_m", "REAL", observed_height_difference_m),
    ("flags_horizontal", "TEXT", lambda c: _flags(c.horizontal)),
    ("why_no_horizontal", "TEXT", lambda c: _reason(c.horizontal)),
    ("face_residual_m", "REAL", _face("residual_m")),
    ("face_uncertainty_m", "REAL", _face("standard_uncertainty_m")),
    ("face_normal_easting", "REAL", _face("normal_easting")),
    ("face_normal_northing", "REAL", _face("normal_northing")),
)


def _runs(result: Result) -> list[RunRecord]:
    """The cloud of the statement first, then the others."""
    return [result.run, *(r for r in result.runs if r.label != result.run.label)]


def _attributes(result: Result) -> list[str]:
    names: dict[str, None] = {}
    for run in _runs(result):
        for c in run.checkpoints:
            names.update(dict.fromkeys(c.attributes))
    return list(names)


def _rows(result: Result) -> Iterable[tuple[RunRecord, CheckpointResult, list[Cell]]]:
    attributes = _attributes(result)
    for run in _runs(result):
        for c in run.checkpoints:
            yield (
                run,
                c,
                [
                    run.name,
                    run.cloud,
                    *(take(c) for _, _, take in COLUMNS),
                    *(c.attributes.get(name) for name in attributes),
                ],
            )


def _number(cell: Cell) -> Cell:
    # repr gives the shortest digits that read back as the same float.
    return repr(float(cell)) if isinstance(cell, float) else cell


def write_residuals_csv(result: Result, path: Path) -> None:
    """Write one row per run, cloud and checkpoint: metres, shortest exact digits, UTF-8, CRLF.

    Columns that the user's table had beyond the known ones follow at the end as ``attribute NAME``.
    """
    stream = io.StringIO()
    # RFC 4180; with a bare line feed the writer would leave a carriage return inside an id unquoted.
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(
        [
            "run",
            "cloud",
            *(name for name, _, _ in COLUMNS),
            *(f"attribute {name}" for name in _attributes(result)),
        ]
    )
    for _, _, row in _rows(result):
        writer.writerow([_number(cell) for cell in row])
    write_atomically(path, stream.getvalue().encode("utf-8", "backslashreplace"))


# --------------------------------------------------------------------------- GeoPackage

# OGC 12-128r18, GeoPackage 1.3: the required tables, the three required reference systems.
_TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
"""
_APPLICATION_ID = 0x47504B47  # "GPKG"
_VERSION = 10300
_UNDEFINED_CARTESIAN = -1
_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],'
    'AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],'
    'UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]'
)
_NO_DATE = "1970-01-01"
"""Stands for the time of the last change where the record has no date: the clock must not enter the file."""


def _reference_system(crs: str | None) -> tuple[str, int, str, int, str] | None:
    """Name, id, organization, code and WKT of the working frame, if it is a metric EPSG system."""
    found = re.search(r"EPSG:(\d{4,6})", crs or "")
    if found is None:
        return None
    try:
        system = pyproj.CRS.from_epsg(int(found[1]))
        plan = system.sub_crs_list[0] if system.is_compound else system
        code = plan.to_epsg()
        if code is None or not plan.is_projected:
            return None
        # The record is in metres. A system in feet would misplace every point by a factor of three.
        if any(axis.unit_conversion_factor != 1.0 for axis in plan.axis_info):
            return None
        return plan.name, code, "EPSG", code, plan.to_wkt("WKT1_GDAL")
    except pyproj.exceptions.CRSError:
        return None


def _point(c: CheckpointResult, srs_id: int) -> bytes:
    """GeoPackage binary (little-endian, no envelope) around an ISO WKB PointZ."""
    return (
        struct.pack("<2sBBi", b"GP", 0, 1, srs_id)
        + struct.pack("<BI", 1, 1001)
        + struct.pack("<ddd", c.easting_m, c.northing_m, c.height_m)
    )


def _column_names(attributes: Iterable[str]) -> list[str]:
    """Attribute names made unique, since SQL tells columns apart without regard to case."""
    taken = {"fid", "geom", "run", "cloud", *(name.lower() for name, _, _ in COLUMNS)}
    names = []
    for attribute in attributes:
        base = name = f"attribute {attribute}".replace("\0", "")
        count = 2
        while name.lower() in taken:
            name = f"{base} {count}"
            count += 1
        taken.add(name.lower())
        names.append(name)
    return names


def _quoted(name: str) -> str:
    doubled = name.replace('"', '""')
    return f'"{doubled}"'


def write_residuals_gpkg(result: Result, path: Path) -> None:
    """Write the same rows as the layer ``checkpoints`` of an OGC GeoPackage 1.3, points with height.

    Coordinates are metres in the working frame; its EPSG system is attached where the record names
    a projected one in metres, else the file says "undefined Cartesian". The same result gives the
    same bytes under the same SQLite library.
    """
    system = _reference_system(result.crs)
    srs_id = _UNDEFINED_CARTESIAN if system is None else system[1]
    systems = [
        ("Undefined Cartesian", -1, "NONE", -1, "undefined"),
        ("Undefined geographic", 0, "NONE", 0, "undefined"),
        ("WGS 84", 4326, "EPSG", 4326, _WGS84),
    ]
    if system is not None:
        systems.append(system)
    names = ["run", "cloud", *(name for name, _, _ in COLUMNS), *_column_names(_attributes(result))]
    types = ["TEXT", "TEXT", *(kind for _, kind, _ in COLUMNS), *("TEXT" for _ in _attributes(result))]
    layout = ", ".join(f"{_quoted(n)} {t}" for n, t in zip(names, types, strict=True))
    rows = list(_rows(result))
    eastings, northings = [c.easting_m for _, c, _ in rows], [c.northing_m for _, c, _ in rows]
    extent = (
        (min(eastings), min(northings), max(eastings), max(northings)) if rows else (None, None, None, None)
    )
    database = sqlite3.connect(":memory:")
    try:
        database.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        database.execute(f"PRAGMA user_version = {_VERSION}")
        database.executescript(_TABLES)
        database.executemany(
            "INSERT INTO gpkg_spatial_ref_sys VALUES (?,?,?,?,?,NULL)",
            systems,
        )
        database.execute(
            "INSERT INTO gpkg_contents VALUES ('checkpoints','features','checkpoints',?,?,?,?,?,?,?)",
            (
                f"Residuals at checkpoints, cloud minus checkpoint, metres: {result.title}",
                f"{result.date or _NO_DATE}T00:00:00.000Z",
                *extent,
                srs_id,
            ),
        )
        database.execute(
            f"CREATE TABLE checkpoints (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom POINT, {layout})"
        )
        database.execute(
            "INSERT INTO gpkg_geometry_columns VALUES ('checkpoints','geom','POINT',?,1,0)", (srs_id,)
        )
        holes = ",".join("?" * (len(names) + 1))
        columns = ", ".join(["geom", *map(_quoted, names)])
        database.executemany(
            f"INSERT INTO checkpoints ({columns}) VALUES ({holes})",  # noqa: S608 - names are quoted above
            [(_point(c, srs_id), *row) for _, c, row in rows],
        )
        database.commit()
        data = database.serialize()
    finally:
        database.close()
    write_atomically(path, data)
