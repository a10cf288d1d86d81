"""The ground of a plan: a line or an area, cut into its strata. After line_input, before making."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from accuracy.errors import RequestError
from accuracy.model import Cover
from accuracy.planning.layout import Line, Stretch, stretches
from accuracy.planning.line_input import PlaneSystem, plane_system, ranges_inside, read_line, read_polygons
from accuracy.planning.plan import Outline, PlanRequest, Ring

Ranges = tuple[tuple[float, float], ...]
_FINEST_M = 1.0
_RIM_SHARE = 0.02
"""Of the diagonal; our judgement, as the next."""
_RIM_KEEPS = 0.75
"""Share of the area that must remain for the wider rim to be kept free."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Site:
    """What is planned on."""

    system: PlaneSystem
    line: Line | None
    pieces: tuple[Stretch, ...]
    """The line cut at its strata; empty for an area."""
    area: Any
    """The polygon as it was given; None for a line."""
    inner: Any
    """The polygon less its edge, where places may lie."""
    polygons: tuple[tuple[str, Any], ...]
    covers: Mapping[str, Cover]
    extents: Mapping[str, float]
    """Metres or square metres per stratum; a stratum with none is left out."""
    rest: str
    """The name of what lies in no stratum."""
    remarks: tuple[str, ...]

    def open_extent(self) -> float:
        """Of all strata without vegetation together."""
        return sum(e for name, e in self.extents.items() if self.covers[name] is Cover.OPEN)


def read_site(asked: PlanRequest) -> Site:
    """Read the line or the area and its strata.

    Raises what the readers raise, and RequestError for chainages that are no stretch of the line.
    """
    system = plane_system(asked.crs)
    remarks = [*system.remarks]
    line: Line | None = None
    area: Any = None
    if asked.line is not None:
        read = read_line(asked.line, system)
        line = read.line
        remarks += read.remarks
    elif asked.area is not None:
        area, repaired = read_polygons(asked.area, system)
        remarks += repaired
    rest = "open sky" if any(one.cover is Cover.OPEN for one in asked.strata) else "open ground"
    covers = {**{one.name: one.cover for one in asked.strata}, rest: Cover.OPEN}
    if len(covers) < len(asked.strata) + 1:
        raise RequestError("two strata have one name", remedy="Give each its own.")
    ranges: dict[str, Ranges] = {}
    polygons: list[tuple[str, Any]] = []
    for one in asked.strata:
        if isinstance(one.where, tuple):
            ranges[one.name] = _checked(one.name, one.where)
            continue
        polygon, repaired = read_polygons(one.where, system)
        remarks += repaired
        polygons.append((one.name, polygon))
        if line is not None:
            ranges[one.name] = ranges_inside(line, polygon)
    pieces: tuple[Stretch, ...] = ()
    inner = None
    if line is not None:
        pieces = stretches(line, ranges, rest)
        extents = _lengths(pieces)
    else:
        inner = _inside(area, asked.break_m)
        if inner is None:
            inner = area
            remarks.append(
                f"The area is too narrow to keep {asked.break_m:g} m from its edge: places may lie at it."
            )
        extents = _areas(area, polygons, rest)
    remarks += [
        f'Nothing that is planned lies in the stratum "{one.name}".'
        for one in asked.strata
        if one.name not in extents
    ]
    return Site(
        system=system,
        line=line,
        pieces=pieces,
        area=area,
        inner=inner,
        polygons=tuple(polygons),
        covers=covers,
        # The rest first: it is what most of the plan is about.
        extents={name: extents[name] for name in (rest, *covers) if name in extents},
        rest=rest,
        remarks=tuple(remarks),
    )


def _inside(area: Any, break_m: float) -> Any:
    """The area without a rim, wider where it costs little: nobody walks a boundary line."""
    west, south, east, north = area.bounds
    rim_m = _RIM_SHARE * float(np.hypot(east - west, north - south))
    for margin_m, least in ((max(rim_m, break_m), _RIM_KEEPS), (break_m, 0.0)):
        inner = area.buffer(-margin_m)
        if not inner.is_empty and inner.area > least * area.area:
            return inner
    return None


def _checked(name: str, ranges: Ranges) -> Ranges:
    for low, high in ranges:
        if not 0 <= low < high:
            raise RequestError(
                f"{name}: {low:g} to {high:g} m is no stretch of a line", remedy="Write it like 520-760."
            )
    return ranges


def _lengths(pieces: Sequence[Stretch]) -> dict[str, float]:
    found: dict[str, float] = {}
    for piece in pieces:
        found[piece.stratum] = found.get(piece.stratum, 0.0) + piece.length_m
    return found


def _areas(area: Any, polygons: Sequence[tuple[str, Any]], rest: str) -> dict[str, float]:
    found: dict[str, float] = {}
    left = area
    for name, polygon in polygons:
        found[name] = float(shapely.intersection(left, polygon).area)
        left = shapely.difference(left, polygon)
    found[rest] = float(left.area)
    return {name: size for name, size in found.items() if size > 0}


def outline(site: Site) -> Outline:
    """What the map draws, thinned to a metre."""
    strata: dict[str, list[Ring]] = {}
    for piece in site.pieces:
        if piece.stratum != site.rest and site.line is not None:
            strata.setdefault(piece.stratum, []).append(_piece(site.line, piece))
    if site.line is None:
        for name, polygon in site.polygons:
            strata[name] = list(_rings(shapely.intersection(polygon, site.area)))
    lines = () if site.line is None else tuple(_ring(shapely.LineString(p)) for p in site.line.parts)
    return Outline(
        lines=lines,
        areas=() if site.area is None else _rings(site.area),
        strata=tuple((name, tuple(rings)) for name, rings in strata.items()),
    )


def _piece(line: Line, piece: Stretch) -> Ring:
    at = np.linspace(piece.from_m, piece.to_m - 1e-6, max(2, min(500, int(piece.length_m / 2))))
    return tuple((float(e), float(n)) for e, n in line.at(at))


def _rings(shape: Any) -> tuple[Ring, ...]:
    polygons = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return tuple(_ring(ring) for one in polygons for ring in (one.exterior, *one.interiors))


def _ring(shape: Any) -> Ring:
    simple = shapely.get_coordinates(shape.simplify(_FINEST_M))
    return tuple((float(e), float(n)) for e, n in simple)
