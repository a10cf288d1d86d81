"""Plan -> places.csv and places.geojson, as bytes. The table becomes the checkpoint table in the field."""

from __future__ import annotations

import csv
import io
import json

from accuracy.planning.plan import Place, Plan
from accuracy.units import LengthUnit

COLUMNS = (
    "id",
    "easting",
    "northing",
    "height",
    "sigma_easting",
    "sigma_northing",
    "sigma_height",
    "cover",
    "role",
    "mark",
    "mark_size",
    "setting",
    "side",
    "chainage_m",
    "map_latitude",
    "map_longitude",
)


def places_csv(plan: Plan) -> bytes:
    """One row per place in the checkpoint table's own columns; heights and sigmas are left for the survey.

    Lengths are in the coordinate system's unit, chainages in metres.
    """
    unit = plan.system_unit
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for p in plan.places:
        writer.writerow(
            (
                p.id,
                _length(p.easting_m, unit),
                _length(p.northing_m, unit),
                "",
                "",
                "",
                "",
                p.cover.value,
                "check",
                plan.asked.mark if p.marked else "none",
                _length(plan.asked.mark_size_m, unit) if p.marked else "",
                p.stratum,
                p.side,
                "" if p.chainage_m is None else f"{p.chainage_m:.1f}",
                "" if p.latitude is None else f"{p.latitude:.9f}",
                "" if p.longitude is None else f"{p.longitude:.9f}",
            )
        )
    return out.getvalue().encode()


def _length(length_m: float, unit: LengthUnit) -> str:
    return f"{length_m / unit.metres:.3f}"


def places_geojson(plan: Plan) -> bytes:
    """RFC 7946 points in longitude and latitude; plane coordinates, and a note, where no system is known."""
    known = all(p.longitude is not None for p in plan.places)
    whole: dict[str, object] = {"type": "FeatureCollection"}
    if not known:
        whole["note"] = (
            "No coordinate system was named: the coordinates are plane eastings and northings in metres, "
            "not the longitudes and latitudes of RFC 7946."
        )
    whole["features"] = [
        {
            "type": "Feature",
            "id": p.id,
            "geometry": {"type": "Point", "coordinates": _position(p, known=known)},
            "properties": {
                "id": p.id,
                "easting": float(_length(p.easting_m, plan.system_unit)),
                "northing": float(_length(p.northing_m, plan.system_unit)),
                "stratum": p.stratum,
                "cover": p.cover.value,
                "side": p.side,
                "chainage_m": None if p.chainage_m is None else round(p.chainage_m, 1),
                "mark": plan.asked.mark if p.marked else "none",
                "mark_size_m": plan.asked.mark_size_m if p.marked else None,
            },
        }
        for p in plan.places
    ]
    return (json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _position(place: Place, *, known: bool) -> list[float]:
    if known and place.longitude is not None and place.latitude is not None:
        return [round(place.longitude, 9), round(place.latitude, 9)]
    return [round(place.easting_m, 3), round(place.northing_m, 3)]
