"""Other coordinate systems that a table may truly be in: neighbouring zones, and those used at the site."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyproj
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.network import set_network_enabled  # type: ignore[attr-defined]

from accuracy.model import FloatArray

_MOST_SYSTEMS = 150
Moved = tuple[FloatArray, FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class OtherSystem:
    """A system that the table may be in, and the way from it to the cloud's."""

    name: str
    same_family: bool
    """Another zone of the cloud's own kind of system."""
    source: pyproj.CRS
    target: pyproj.CRS

    def to_frame(self, easting_m: FloatArray, northing_m: FloatArray) -> Moved | None:
        """(n,) coordinates of this system, metres, in the cloud's; None where that cannot be."""
        # Only a hint is wanted, good to the size of a site: a datum shift of a few metres does not matter.
        return _through(
            self.source, self.target, easting_m / _unit_m(self.source), northing_m / _unit_m(self.source)
        )


def from_degrees(longitude_deg: FloatArray, latitude_deg: FloatArray, target: pyproj.CRS) -> Moved | None:
    """(n,) geographic coordinates on the target's own datum, in the target, metres."""
    geodetic = target.geodetic_crs
    return None if geodetic is None else _through(geodetic.to_2d(), target, longitude_deg, latitude_deg)


def other_systems(frame: pyproj.CRS, middle_m: tuple[float, float]) -> Iterator[OtherSystem]:
    """UTM zones up to two away, then every EPSG system used around the site."""
    seen = {frame.name}
    for source in _utm_neighbours(frame):
        seen.add(source.name)
        yield OtherSystem(source.name, True, source, frame)
    geodetic = frame.geodetic_crs
    if geodetic is None:
        return
    place = _through(
        frame,
        geodetic.to_2d(),
        np.array([middle_m[0]]) / _unit_m(frame),
        np.array([middle_m[1]]) / _unit_m(frame),
    )
    if place is None:
        return
    longitude, latitude = float(place[0][0]), float(place[1][0])
    # Half a degree around: the zone next door is the one that is taken by mistake.
    area = AreaOfInterest(longitude - 0.5, max(latitude - 0.5, -90), longitude + 0.5, min(latitude + 0.5, 90))
    listed = query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS, area_of_interest=area)
    own, datum = _family(frame.name), frame.name.split("/", maxsplit=1)[0]
    # The cloud's own kind of system first, on its own datum first; then the most local ones.
    listed.sort(
        key=lambda info: (
            _family(info.name) != own,
            info.name.split("/", maxsplit=1)[0] != datum,
            360.0 if info.area_of_use is None else info.area_of_use.east - info.area_of_use.west,
        )
    )
    for info in [one for one in listed if one.name not in seen][:_MOST_SYSTEMS]:
        try:
            source = pyproj.CRS.from_authority(info.auth_name, info.code)
        except pyproj.exceptions.CRSError:
            continue
        yield OtherSystem(info.name, _family(info.name) == own, source, frame)


def _utm_neighbours(frame: pyproj.CRS) -> Iterator[pyproj.CRS]:
    zone = frame.utm_zone
    if zone is None or frame.geodetic_crs is None:
        return
    number, southern = int(zone[:-1]), zone[-1] == "S"
    half = "S" if southern else "N"
    for step in (1, -1, 2, -2):
        other = (number + step - 1) % 60 + 1
        conversion = pyproj.crs.coordinate_operation.UTMConversion(str(other), hemisphere=half)
        name = re.sub(r"\d{1,2}[NS]?$", f"{other}{half}", frame.name)
        yield pyproj.crs.ProjectedCRS(
            conversion=conversion,
            name=name if name != frame.name else f"UTM zone {other}{half}",
            geodetic_crs=frame.geodetic_crs.to_2d(),
        )


def _family(name: str) -> str:
    """A system's name without what tells its zones apart: numbers, points of the compass, the foot."""
    body = name.rsplit("/", maxsplit=1)[-1].lower()
    body = re.sub(r"\((ft|ftus|m|n-e|e-n)\)|\b(north|south|east|west|central|zone)\b", " ", body)
    return " ".join(re.sub(r"[-+]?\d+[a-z]?", " ", body).split())


def _unit_m(crs: pyproj.CRS) -> float:
    return 1.0 if crs.is_geographic or not crs.axis_info else float(crs.axis_info[0].unit_conversion_factor)


def _through(source: pyproj.CRS, target: pyproj.CRS, first: FloatArray, second: FloatArray) -> Moved | None:
    """Coordinates in the source's own units, in the target's, metres or degrees."""
    set_network_enabled(False)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)
            transformer = pyproj.Transformer.from_crs(source, target, always_xy=True)
            moved = transformer.transform(first, second, errcheck=False)
    except pyproj.exceptions.ProjError:
        return None
    east, north = (np.asarray(one, dtype=np.float64) * _unit_m(target) for one in moved)
    if not (np.isfinite(east) & np.isfinite(north)).any():
        return None
    # What PROJ cannot reach lies nowhere, and in no box.
    return np.where(np.isfinite(east), east, np.nan), np.where(np.isfinite(north), north, np.nan)
