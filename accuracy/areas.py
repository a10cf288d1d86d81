"""Polygons of a GeoJSON file, and which places they hold. Part of the pipeline."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely
import shapely.geometry

from accuracy.conversion import convert
from accuracy.errors import RequestError
from accuracy.frames import declared_crs


def inside_area(places: Sequence[tuple[float, float]], path: Path, *, crs_wkt: str | None) -> list[bool]:
    """Which places (easting, northing in metres) lie in or on the polygons of a GeoJSON file.

    Raises RequestError for a file without polygons, and for longitudes where no system is known.
    """
    area = _polygons(path)
    west, south, east, north = area.bounds
    if max(abs(west), abs(east)) <= 360 and max(abs(south), abs(north)) <= 90:
        # RFC 7946: GeoJSON is longitude and latitude on WGS 84, unless it is plainly a grid.
        if crs_wkt is None:
            raise RequestError(
                "the area is in longitude and latitude, and the record names no coordinate system",
                path=path,
                remedy="Give the area in the working frame's coordinates.",
            )
        crs = pyproj.CRS.from_wkt(crs_wkt)
        area = shapely.transform(area, lambda corners: _to_grid(corners, crs, path))
    where = shapely.points(np.array(places, dtype=np.float64).reshape(-1, 2))
    return [bool(within) for within in shapely.covers(area, where)]


def _to_grid(corners: np.ndarray[Any, np.dtype[np.float64]], crs: pyproj.CRS, path: Path) -> Any:
    plane = crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()
    found = convert(
        corners[:, 0],
        corners[:, 1],
        np.zeros(len(corners)),
        source=declared_crs("EPSG:4326"),
        target=plane,
        path=path,
    )
    unit_m = plane.axis_info[0].unit_conversion_factor
    return np.column_stack([found.easting, found.northing]) * unit_m


def _polygons(path: Path) -> Any:
    remedy = "Give a GeoJSON file with at least one polygon."
    try:
        content = json.loads(path.read_text("utf-8"))
    except OSError as error:
        raise RequestError(f"cannot be read: {error.strerror}", path=path, remedy=remedy) from None
    except ValueError as error:
        raise RequestError(f"is not JSON: {error}", path=path, remedy=remedy) from None
    features = content.get("features", [content]) if isinstance(content, dict) else []
    shapes = []
    for feature in features:
        geometry = feature.get("geometry", feature) if isinstance(feature, dict) else None
        try:
            shape = shapely.geometry.shape(geometry)
        except (AttributeError, KeyError, TypeError, ValueError, shapely.errors.ShapelyError):
            raise RequestError("holds something that is no geometry", path=path, remedy=remedy) from None
        if shape.geom_type in ("Polygon", "MultiPolygon"):
            shapes.append(shapely.make_valid(shape))
    if not shapes:
        raise RequestError("holds no polygon", path=path, remedy=remedy)
    return shapely.union_all(shapes)
