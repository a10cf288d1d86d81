"""A cloud's coordinate system records (WKT, GeoTIFF) -> a CRS, or why not. Before cloud_header.

Nothing here can stop a cloud from being read: records that contradict themselves become remarks.
Key numbers: OGC GeoTIFF 1.1 (19-008r4), clause 7; unit codes 9001 to 9003: EPSG.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from accuracy.units import LengthUnit

if TYPE_CHECKING:
    import pyproj

GeoKeys = Mapping[int, int | float | tuple[float, ...] | str]

_MODEL, _GEODETIC, _PROJECTED, _PROJECTED_UNIT = 1024, 2048, 3072, 3076
_VERTICAL, _VERTICAL_DATUM, _VERTICAL_UNIT = 4096, 4098, 4099
_USER_DEFINED = 32767
_UNITS = {
    9001: LengthUnit.METRE,
    9002: LengthUnit.INTERNATIONAL_FOOT,
    9003: LengthUnit.US_SURVEY_FOOT,
}
_JSON_UNITS: dict[LengthUnit, Any] = {
    LengthUnit.METRE: "metre",
    LengthUnit.INTERNATIONAL_FOOT: {"type": "LinearUnit", "name": "foot", "conversion_factor": 0.3048},
    LengthUnit.US_SURVEY_FOOT: {
        "type": "LinearUnit",
        "name": "US survey foot",
        "conversion_factor": 1200 / 3937,
    },
}


@dataclass(frozen=True, kw_only=True)
class CrsRecords:
    """The records as found, not yet believed."""

    wkt: str | None = None
    geo_keys: GeoKeys | None = None
    remarks: tuple[str, ...] = ()

    @property
    def geotiff_units(self) -> tuple[LengthUnit | None, LengthUnit | None]:
        """Units that the GeoTIFF record names for plan and heights, even where it names no system."""
        keys = self.geo_keys or {}
        return _UNITS.get(_code(keys, _PROJECTED_UNIT)), _UNITS.get(_code(keys, _VERTICAL_UNIT))


def parse_wkt(record: bytes | None) -> tuple[str | None, tuple[str, ...]]:
    """The text of a WKT record, and remarks; None where there is no text in it."""
    if record is None:
        return None, ()
    try:
        text = record.decode("utf-8").strip("\0 \r\n\t")
    except UnicodeDecodeError:
        text = record.decode("latin-1").strip("\0 \r\n\t")
    if not text:
        return None, ("The WKT record of the coordinate system is empty.",)
    return text, ()


def parse_geo_keys(
    directory: bytes | None, doubles: bytes | None, ascii_text: bytes | None
) -> tuple[GeoKeys | None, tuple[str, ...]]:
    """The GeoTIFF key directory with its values, and remarks on keys that point nowhere."""
    if directory is None:
        return None, ()
    if len(directory) < 8:
        return None, ("The GeoTIFF record of the coordinate system is too short to hold anything.",)
    claimed = struct.unpack_from("<4H", directory, 0)[3]
    keys: dict[int, int | float | tuple[float, ...] | str] = {}
    remarks: list[str] = []
    for k in range(min(claimed, len(directory) // 8 - 1)):
        key, location, count, value = struct.unpack_from("<4H", directory, 8 + 8 * k)
        if key == 0:
            continue
        if location == 0:
            keys[key] = value
        elif location == 34736 and doubles and count and 8 * (value + count) <= len(doubles):
            numbers = struct.unpack_from(f"<{count}d", doubles, 8 * value)
            keys[key] = numbers[0] if count == 1 else numbers
        elif location == 34737 and ascii_text and value + count <= len(ascii_text):
            keys[key] = ascii_text[value : value + count].decode("latin-1").strip("|\0 ")
        else:
            remarks.append(f"GeoTIFF key {key} points to a value that is not in the file.")
    return (keys or None), tuple(remarks)


def crs_of(records: CrsRecords) -> tuple[pyproj.CRS | None, tuple[str, ...]]:
    """The coordinate system that the records describe, and what is odd about them.

    The WKT record is preferred where both can be read; where they contradict each other in kind or
    unit, the remark says so.
    """
    remarks = list(records.remarks)
    from_wkt = _from_wkt(records.wkt, remarks) if records.wkt else None
    from_keys = None
    if records.geo_keys:
        from_keys = _from_keys(records.geo_keys, remarks, quiet=from_wkt is not None)
    if from_wkt is not None and from_keys is not None:
        ours, theirs = _unit_words(from_wkt), _unit_words(from_keys)
        if ours != theirs:
            remarks.append(
                f'The WKT record ("{from_wkt.name}", {ours}) and the GeoTIFF record ("{from_keys.name}", '
                f"{theirs}) contradict each other; the WKT record was followed."
            )
    return (from_wkt if from_wkt is not None else from_keys), tuple(remarks)


def _from_wkt(text: str, remarks: list[str]) -> pyproj.CRS | None:
    import pyproj

    try:
        return pyproj.CRS.from_wkt(text)
    except pyproj.exceptions.CRSError:
        start = text[:40].encode("unicode_escape").decode("ascii")
        remarks.append(f'The WKT record of the coordinate system cannot be read; it begins "{start}".')
        return None


def _from_keys(keys: GeoKeys, remarks: list[str], *, quiet: bool) -> pyproj.CRS | None:
    own: list[str] = []
    plan = _by_code(_code(keys, _PROJECTED)) or _by_code(_code(keys, _GEODETIC))
    unit = _UNITS.get(_code(keys, _PROJECTED_UNIT))
    if plan is None:
        if not quiet:
            named = next((v for k, v in sorted(keys.items()) if isinstance(v, str) and v), "no name")
            in_unit = f", unit {unit.value}" if unit else ""
            remarks.append(
                f'The GeoTIFF record ("{named}"{in_unit}) names no coordinate system by an EPSG code '
                "that is known; state it if it matters."
            )
        return None
    if unit is not None and plan.is_projected and not _has_unit(plan, unit):
        own.append(_unit_contradiction(plan, unit))
        plan = _with_unit(plan, unit)
    compound = _with_heights(plan, keys, own)
    remarks += [] if quiet else own
    return compound


def _with_heights(plan: pyproj.CRS, keys: GeoKeys, remarks: list[str]) -> pyproj.CRS:
    """Plan and vertical system as one, where the record says anything of heights."""
    import pyproj

    # Some writers swap the keys of system and datum, so both are tried.
    codes = [_code(keys, _VERTICAL), _code(keys, _VERTICAL_DATUM)]
    vertical = next((crs for crs in map(_by_code, codes) if crs is not None and crs.is_vertical), None)
    unit = _UNITS.get(_code(keys, _VERTICAL_UNIT))
    if vertical is None and (unit is None or plan.is_geographic):
        return plan
    if vertical is None:
        vertical = pyproj.CRS.from_json_dict(_unnamed_vertical(unit or LengthUnit.METRE))
    elif unit is not None and not _has_unit(vertical, unit):
        remarks.append(_unit_contradiction(vertical, unit))
        vertical = _with_unit(vertical, unit)
    return pyproj.crs.CompoundCRS(name=f"{plan.name} + {vertical.name}", components=[plan, vertical])


def _unit_contradiction(crs: pyproj.CRS, unit: LengthUnit) -> str:
    return (
        f'The GeoTIFF record names "{crs.name}", whose unit is the {crs.axis_info[0].unit_name}, '
        f"but states the unit {unit.value}; {unit.value} was taken."
    )


def _unnamed_vertical(unit: LengthUnit) -> dict[str, Any]:
    axis = {
        "name": "Gravity-related height",
        "abbreviation": "H",
        "direction": "up",
        "unit": _JSON_UNITS[unit],
    }
    return {
        "type": "VerticalCRS",
        "name": "heights, datum not recorded",
        "datum": {"type": "VerticalReferenceFrame", "name": "not recorded"},
        "coordinate_system": {"subtype": "vertical", "axis": [axis]},
    }


def _with_unit(crs: pyproj.CRS, unit: LengthUnit) -> pyproj.CRS:
    import pyproj

    described = crs.to_json_dict()
    for axis in described["coordinate_system"]["axis"]:
        axis["unit"] = _JSON_UNITS[unit]
    described.pop("id", None)
    described["name"] += f" ({unit.symbol})"
    return pyproj.CRS.from_json_dict(described)


def _has_unit(crs: pyproj.CRS, unit: LengthUnit) -> bool:
    # The two feet differ by 2 ppm; float noise in a factor is below 1e-9.
    return abs(crs.axis_info[0].unit_conversion_factor / unit.metres - 1) < 1e-9


def _by_code(code: int) -> pyproj.CRS | None:
    import pyproj

    if not 1024 <= code < _USER_DEFINED:
        return None
    try:
        return pyproj.CRS.from_epsg(code)
    except pyproj.exceptions.CRSError:
        return None


def _code(keys: GeoKeys, key: int) -> int:
    value = keys.get(key)
    return value if isinstance(value, int) else 0


def _unit_words(crs: pyproj.CRS) -> str:
    """Unit of the plan axes: "metre", "US survey foot", "degree"."""
    factor = crs.axis_info[0].unit_conversion_factor
    if crs.is_geographic:
        return "degree"
    return next((u.value for u in LengthUnit if abs(factor / u.metres - 1) < 1e-9), f"{factor:g} m")
