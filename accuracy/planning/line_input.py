"""Files -> the corridor's line, the area and the strata, in metres of the working frame.

A line comes as GeoJSON, as a table of its vertices, or as a trajectory that was already driven; an
area and strata as GeoJSON polygons. Longitudes and latitudes are brought into the plane system.
"""

from __future__ import annotations

import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely
import shapely.geometry
from scipy.spatial import cKDTree

from accuracy.conversion import convert
from accuracy.errors import FrameError, RequestError, TableError
from accuracy.frames import declared_crs, working_frame
from accuracy.model import FloatArray
from accuracy.planning.layout import Line
from accuracy.reading.trajectory import file_text, read_trajectory
from accuracy.units import LengthUnit

_GEOGRAPHIC = "EPSG:4326"
_EASTINGS = ("easting", "e", "east", "x")
_NORTHINGS = ("northing", "n", "north", "y")
_LONGITUDES = ("longitude", "lon", "long", "lng")
_LATITUDES = ("latitude", "lat")
_TIMES = ("time", "tow", "utc", "date", "second")
"""In a heading: the table is a drive, not a list of vertices."""
_STEP_M = 5.0
_SAME_ROAD_M = 12.0
"""A drive that comes back within this distance of itself is on the same road: our judgement."""
_BACK_M = 20.0


@dataclass(frozen=True, slots=True)
class PlaneSystem:
    """The plane coordinate system of the plan, if one was named."""

    crs: pyproj.CRS | None
    unit: LengthUnit
    words: str
    degrees_from: pyproj.CRS | None = None
    """The system's own longitudes and latitudes, where those of WGS 84 need a grid that is not here: a
    few metres at most, which a proposed place does not notice."""
    remarks: tuple[str, ...] = ()

    def to_metres(self, corners: FloatArray, *, geographic: bool, path: Path) -> FloatArray:
        """(n, 2) longitude, latitude or the system's own coordinates -> metres of the plane.

        Raises FrameError for longitudes where no system was named.
        """
        if not geographic:
            return np.asarray(corners * self.unit.metres, dtype=np.float64)
        if self.crs is None:
            raise FrameError(
                "it is in longitude and latitude, and a plan is laid out in a plane",
                path=path,
                remedy=f"Name a plane system with --crs, such as --crs {_utm(corners)}, the UTM zone that "
                "it lies in.",
            )
        source = self.degrees_from if self.degrees_from is not None else declared_crs(_GEOGRAPHIC)
        found = convert(
            corners[:, 0],
            corners[:, 1],
            np.zeros(len(corners)),
            source=source,
            target=self.crs,
            path=path,
        )
        return np.column_stack([found.easting, found.northing]) * self.unit.metres

    def to_degrees(self, easting_m: FloatArray, northing_m: FloatArray) -> FloatArray | None:
        """(n, 2) longitude and latitude; None where no system was named."""
        if self.crs is None:
            return None
        found = convert(
            easting_m / self.unit.metres,
            northing_m / self.unit.metres,
            np.zeros(easting_m.size),
            source=self.crs,
            target=self.degrees_from if self.degrees_from is not None else declared_crs(_GEOGRAPHIC),
        )
        return np.column_stack([found.easting, found.northing])


def plane_system(declared: str | None) -> PlaneSystem:
    """The system that the user names. Raises FrameError where it is unknown or in degrees."""
    if declared is None:
        return PlaneSystem(None, LengthUnit.METRE, "not named; plane coordinates in metres")
    crs = declared_crs(declared)
    plane = pyproj.CRS(crs.sub_crs_list[0]) if crs.is_compound else crs.to_2d()
    if plane.is_geographic or not plane.is_projected:
        raise FrameError(
            f'the coordinate system "{crs.name}" is not a plane one',
            remedy="Name a projected system with --crs: a UTM zone or the local grid.",
        )
    frame = working_frame([(Path(declared), plane)])
    own = plane.geodetic_crs
    if own is None or _reaches_wgs84(plane):
        return PlaneSystem(plane, frame.horizontal_unit, frame.words)
    return PlaneSystem(
        plane,
        frame.horizontal_unit,
        frame.words,
        degrees_from=own.to_2d(),
        remarks=(
            f'Longitudes and latitudes are taken as "{own.name}", not WGS 84, because the shift between '
            "them needs a grid that is not on this machine; a metre or two, no matter for a proposed place.",
        ),
    )


def _reaches_wgs84(plane: pyproj.CRS) -> bool:
    area = plane.area_of_use
    if area is None:
        return True
    middle = np.array([(area.west + area.east) / 2]), np.array([(area.south + area.north) / 2])
    try:
        convert(*middle, np.zeros(1), source=declared_crs(_GEOGRAPHIC), target=plane)
    except FrameError:
        return False
    return True


def _utm(corners: FloatArray) -> str:
    longitude, latitude = (float(v) for v in corners.mean(axis=0))
    zone = min(60, int((longitude + 180) // 6) + 1)
    return f"EPSG:{326 if latitude >= 0 else 327}{zone:02d}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadLine:
    """The corridor as read."""

    line: Line
    remarks: tuple[str, ...]


def read_line(path: Path, system: PlaneSystem) -> ReadLine:
    """Read the corridor from GeoJSON, a table of vertices or a driven trajectory.

    Raises RequestError, TableError or TrajectoryError where the file holds no line, and FrameError
    where its coordinates cannot be brought into the plane.
    """
    remarks: list[str] = []
    if path.suffix.lower() in (".geojson", ".json"):
        parts = [
            system.to_metres(corners, geographic=geographic, path=path)
            for corners, geographic in _geojson_lines(path)
        ]
        parts = _merged(parts)
    else:
        vertices = _vertices(path, system)
        if vertices is not None:
            parts = [vertices]
        else:
            parts, remark = _driven(path, system)
            remarks += remark
    parts = [kept for kept in (_without_repeats(part) for part in parts) if len(kept) >= 2]
    if not parts:
        raise RequestError(
            "it holds no line: fewer than two different points",
            path=path,
            remedy="Give at least the start and the end of the corridor.",
        )
    if len(parts) > 1:
        remarks.append(
            f"The corridor has {len(parts)} separate parts; chainage runs through them in the file's order."
        )
    return ReadLine(line=Line(tuple(parts)), remarks=tuple(remarks))


def read_polygons(path: Path, system: PlaneSystem) -> tuple[Any, tuple[str, ...]]:
    """The union of a GeoJSON file's polygons in metres, and remarks on what had to be repaired.

    Raises RequestError where it holds no polygon or none with an area.
    """
    shapes, remarks = [], []
    for shape in _geometries(path):
        if shape.geom_type not in ("Polygon", "MultiPolygon"):
            continue
        geographic = _is_geographic(shape)
        moved = shapely.transform(
            shape, lambda c, g=geographic: system.to_metres(np.asarray(c), geographic=g, path=path)
        )
        if not moved.is_valid:
            why = shapely.is_valid_reason(moved).split("[")[0].lower()
            remarks.append(
                f"{path.name}: a polygon is not valid ({why}); it was repaired, so look at its outline "
                "on the map."
            )
            moved = shapely.make_valid(moved)
        shapes.append(moved)
    whole = shapely.union_all(shapes)
    whole = shapely.union_all([part for part in shapely.get_parts(whole) if part.area > 0])
    if not shapes or whole.area <= 0:
        raise RequestError(
            "it holds no polygon with an area", path=path, remedy="Give a GeoJSON file with a polygon."
        )
    return whole, tuple(remarks)


def ranges_inside(line: Line, polygon: Any) -> tuple[tuple[float, float], ...]:
    """Chainages at which the line enters and leaves a polygon, found in steps of half a metre or finer."""
    count = int(min(200_000, max(200, line.length_m / 0.5))) + 1
    at = np.linspace(0.0, line.length_m, count)
    shapely.prepare(polygon)
    inside = shapely.covers(polygon, shapely.points(line.at(at)))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
    step = at[1] - at[0]
    return tuple(
        (max(0.0, float(at[a] - step / 2)), min(line.length_m, float(at[b - 1] + step / 2)))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


# --------------------------------------------------------------------------- GeoJSON


def _geometries(path: Path) -> list[Any]:
    remedy = "Give a GeoJSON file, as every geographic information system writes it."
    try:
        content = json.loads(path.read_text("utf-8-sig"))
    except OSError as error:
        raise RequestError(f"cannot be read: {error.strerror}", path=path, remedy=remedy) from None
    except ValueError as error:
        raise RequestError(f"is not JSON: {error}", path=path, remedy=remedy) from None
    features = content.get("features", [content]) if isinstance(content, dict) else []
    found: list[Any] = []
    for number, feature in enumerate(features if isinstance(features, list) else [], start=1):
        geometry = feature.get("geometry", feature) if isinstance(feature, dict) else None
        if geometry is None:
            continue  # RFC 7946 3.2: a feature without a place
        try:
            shape = shapely.force_2d(shapely.geometry.shape(geometry))
        except (AttributeError, KeyError, TypeError, ValueError, IndexError, shapely.errors.ShapelyError):
            raise RequestError(
                "holds something that is no geometry", path=path, place=f"feature {number}", remedy=remedy
            ) from None
        if not np.isfinite(shapely.get_coordinates(shape)).all():
            raise RequestError(
                "holds a coordinate that is no number", path=path, place=f"feature {number}", remedy=remedy
            )
        found += [part for part in shapely.get_parts([shape]) if not part.is_empty]
    return found


def _geojson_lines(path: Path) -> list[tuple[FloatArray, bool]]:
    shapes = _geometries(path)
    lines = [shape for shape in shapes if shape.geom_type == "LineString"]
    if not lines:
        kinds = ", ".join(sorted({shape.geom_type for shape in shapes})) or "nothing"
        raise RequestError(
            f"it holds no line, but {kinds}",
            path=path,
            remedy="Give a LineString with --line; a polygon belongs to --area.",
        )
    return [(shapely.get_coordinates(one), _is_geographic(one)) for one in lines]


def _is_geographic(shape: Any) -> bool:
    # RFC 7946: GeoJSON is longitude and latitude on WGS 84, unless it is plainly a grid.
    west, south, east, north = shape.bounds
    return bool(max(abs(west), abs(east)) <= 360 and max(abs(south), abs(north)) <= 90)


def _merged(parts: list[FloatArray]) -> list[FloatArray]:
    if len(parts) < 2:
        return parts
    usable = [shapely.LineString(part) for part in parts if len(part) >= 2]
    merged = shapely.line_merge(shapely.MultiLineString(usable), directed=True)
    return [shapely.get_coordinates(one) for one in shapely.get_parts(merged)]


# --------------------------------------------------------------------------- tables


def _vertices(path: Path, system: PlaneSystem) -> FloatArray | None:
    """(n, 2) of a table with only a heading and coordinates; None where it is something else."""
    lines = [line for line in file_text(path).splitlines() if line.strip() and not line.startswith("#")]
    if not lines:
        raise TableError("it is empty", path=path, remedy="Give a table of the corridor's vertices.")
    mark = max(",;\t", key=lines[0].count)
    rows = list(csv.reader(lines, delimiter=mark))
    names = [name.strip().lower().split("(")[0].strip().removesuffix("_m") for name in rows[0]]
    if any(word in heading.lower() for heading in rows[0] for word in _TIMES):
        return None
    plane, globe = _pair(names, _EASTINGS, _NORTHINGS), _pair(names, _LONGITUDES, _LATITUDES)
    columns = plane or globe
    if columns is None:
        return None
    found = []
    for number, row in enumerate(rows[1:], start=2):
        try:
            found.append([float(row[k]) for k in columns])
        except (ValueError, IndexError):
            raise TableError(
                f'"{mark.join(row)}" has no number for both coordinates',
                path=path,
                place=f"row {number}",
                remedy="Write a decimal point, and a number in each coordinate column.",
            ) from None
    corners = np.array(found, dtype=np.float64).reshape(-1, 2)
    if not np.isfinite(corners).all():
        raise TableError("a coordinate is not finite", path=path, remedy="Give numbers in every row.")
    if len(corners) == 0:
        return corners
    return system.to_metres(corners, geographic=plane is None, path=path)


def _pair(names: list[str], first: tuple[str, ...], second: tuple[str, ...]) -> tuple[int, int] | None:
    found = [next((k for k, name in enumerate(names) if name in words), None) for words in (first, second)]
    return None if found[0] is None or found[1] is None else (found[0], found[1])


def _driven(path: Path, system: PlaneSystem) -> tuple[list[FloatArray], list[str]]:
    """The road under a trajectory: standstills and second passes left out."""

    def to_grid(
        latitude_deg: FloatArray, longitude_deg: FloatArray, height_m: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        corners = np.column_stack([longitude_deg, latitude_deg])
        at = system.to_metres(corners, geographic=True, path=path)
        return at[:, 0], at[:, 1], height_m

    track = read_trajectory(path, to_grid=to_grid)
    at = np.column_stack([track.easting_m, track.northing_m])
    if len(at) < 2:
        return [at], []
    return first_passes(at)


def first_passes(at: FloatArray) -> tuple[list[FloatArray], list[str]]:
    """(n, 2) positions of a drive -> the parts of it that run where it had not been before."""
    moved = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(at, axis=0).T))])
    keep = np.concatenate([[True], np.diff(np.floor(moved / _STEP_M)) > 0])
    keep[-1] = True
    thin = at[keep]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(thin, axis=0).T))])
    near = cKDTree(thin).query_pairs(_SAME_ROAD_M, output_type="ndarray")
    driven_m = np.abs(along[near[:, 0]] - along[near[:, 1]])
    apart_m = np.hypot(*(thin[near[:, 0]] - thin[near[:, 1]]).T)
    # Much farther along the drive than across the ground: it has come back.
    back = near[driven_m > _BACK_M + 3 * apart_m].max(axis=1)
    again = np.zeros(len(thin), dtype=np.bool_)
    again[back] = True
    runs = np.flatnonzero(np.diff(np.concatenate([[True], again, [True]]).astype(np.int8)))
    parts = [thin[a:b] for a, b in zip(runs[::2], runs[1::2], strict=True)]
    kept = [part for part in parts if len(part) >= 2 and _length_m(part) > _BACK_M]
    if not again.any() or not kept:
        return [thin], []
    share = 100 * float(again.mean())
    return kept, [
        f"The drive comes back over its own road for {share:.0f} % of its length; each road is planned once."
    ]


def _length_m(part: FloatArray) -> float:
    return float(np.hypot(*np.diff(part, axis=0).T).sum())


def _without_repeats(part: FloatArray) -> FloatArray:
    if len(part) == 0:
        return part
    different = np.concatenate([[True], np.hypot(*np.diff(part, axis=0).T) > 1e-6])
    return np.asarray(part[different], dtype=np.float64)
