"""Plan -> the map of its field sheet. Beside charts_plan, whose frames, grid and labels it uses.

A corridor is cut into the strips that show it largest in the room there is; an area stands in one
frame with north up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from accuracy.model import Cover, FloatArray
from accuracy.planning.plan import Place, Plan
from accuracy.reporting import charts_plan as plan_chart
from accuracy.reporting import svg

MOST_STRIPS = 4
NARROW = 330.0
"""Width of the map of an area, which leaves room beside it."""
_GAP = 6.0
_EDGE = 26.0
"""Room inside the frame, for labels of the outermost places."""
_FOOT = 26.0
_SMALLEST_M = 20.0
_MANY = 60


@dataclass(frozen=True, slots=True)
class Map:
    """The drawing, whether it takes the sheet's whole width, and how many ids it has no room for."""

    svg: str
    wide: bool
    unlabelled: int
    strips: int


def plan_map(plan: Plan, height: float) -> Map:
    """Draw the plan into about so many page units of height; the sheet is 600 wide."""
    wide = plan.length_m is not None
    width = plan_chart.SHEET_WIDTH if wide else NARROW
    sheet = _best(plan, width, height) if wide else _area(plan, width, height)
    places = plan_chart.Places()
    # Many places are drawn smaller, so that neighbours stay apart.
    radius = 3.2 if len(plan.places) <= _MANY else 2.3
    places.thin += _under_the_line(plan, sheet)
    at = []
    for place, number in zip(plan.places, sheet.strip_of, strict=True):
        x, y = sheet.strips[number].page(place.easting_m, place.northing_m)
        places.solid.append((x - radius, y - radius, x + radius, y + radius))
        at.append((place, sheet.strips[number], x, y))
    ground = plan_chart.frame_and_grid(sheet, plan.asked.unit, places)
    beneath = [_ground(plan, strip, k) for k, strip in enumerate(sheet.strips)]
    marks = [_symbol(place, x, y, radius) for place, _, x, y in at]
    labels, unlabelled = [], 0
    # Every tenth first: where there is no room for all, the eye can still count.
    for place, strip, x, y in sorted(at, key=lambda one: (_rank(one[0].id), one[0].id)):
        put = places.put(x, y, place.id, strip)
        unlabelled += put is None
        labels.append(put or "")
    foot = sheet.height + 16
    furniture = [plan_chart.scale_bar(sheet.strips[0], plan.asked.unit, 14, foot), _key(plan, width, foot)]
    words = f"Map of {len(plan.places)} proposed checkpoints. Their coordinates stand in places.csv."
    drawn = svg.picture(
        width, sheet.height + _FOOT, words, [*ground, *beneath, *marks, *labels, *furniture], "map plan-map"
    )
    return Map(drawn, wide, unlabelled, len(sheet.strips))


def _under_the_line(plan: Plan, sheet: plan_chart.Sheet) -> list[plan_chart.Box]:
    """Small boxes along the line, so that arrow and labels keep off it where they can."""
    if plan.length_m is None:
        return []
    return [
        (x - 1.5, y - 1.5, x + 1.5, y + 1.5)
        for strip in sheet.strips
        for x, y in (strip.page(float(e), float(n)) for e, n in _dense(plan, 400))
        if strip.x <= x <= strip.x + strip.width and strip.y <= y <= strip.y + strip.height
    ]


def _rank(place_id: str) -> int:
    number = int(place_id[1:])
    return 0 if number == 1 or number % 10 == 0 else 1 if number % 5 == 0 else 2


def _best(plan: Plan, width: float, height: float) -> plan_chart.Sheet:
    """Between one and four strips: as many as show the line at the largest scale."""
    sheets = [_strips(plan, width, height, count) for count in range(1, MOST_STRIPS + 1)]
    best = sheets[0]
    for sheet in sheets[1:]:
        # A tenth more, so that a straight short road is not cut for nothing.
        if sheet.strips[0].scale > 1.1 * best.strips[0].scale:
            best = sheet
    return best


def _strips(plan: Plan, width: float, height: float, count: int) -> plan_chart.Sheet:
    line = _dense(plan, 400)
    chainage = np.linspace(0.0, 1.0, len(line))
    length = plan.length_m or 1.0
    own = np.minimum((chainage * count).astype(np.int64), count - 1)
    shown = np.array(
        [min(int((p.chainage_m or 0.0) / length * count), count - 1) for p in plan.places], dtype=np.int64
    )
    spots = np.array([(p.easting_m, p.northing_m) for p in plan.places], dtype=np.float64).reshape(-1, 2)
    frames = [_turned(np.vstack([line[own == k], spots[shown == k]])) for k in range(count)]
    each = (height - _GAP * (count - 1)) / count
    room_x, room_y = width - 2 - 2 * _EDGE, max(each - 2 * _EDGE, 8.0)
    scale = min(
        scale
        for _, along, across, _, _ in frames
        for scale in (room_x / max(along, _SMALLEST_M), room_y / max(across, _SMALLEST_M / 4))
    )
    strips, y = [], 1.0
    for turn, _, across, e, n in frames:
        own_height = min(each, max(across * scale + 2 * _EDGE, 64.0))
        strips.append(
            plan_chart.Strip(
                easting_m=e,
                northing_m=n,
                turn_rad=turn,
                scale=scale,
                x=1.0,
                y=y,
                width=width - 2,
                height=own_height,
            )
        )
        y += own_height + _GAP
    return plan_chart.Sheet(tuple(strips), tuple(int(k) for k in shown), True, y)


def _dense(plan: Plan, count: int) -> FloatArray:
    """The line's parts as (count, 2) points evenly along them."""
    parts = [np.array(ring, dtype=np.float64) for ring in plan.outline.lines]
    steps = [np.concatenate([[0.0], np.hypot(*np.diff(part, axis=0).T)]) for part in parts]
    along = np.cumsum(np.concatenate(steps))
    at = np.linspace(0.0, along[-1], count)
    whole = np.vstack(parts)
    return np.column_stack([np.interp(at, along, whole[:, axis]) for axis in (0, 1)])


def _turned(points: FloatArray) -> tuple[float, float, float, float, float]:
    """Turn, extent along and across, and the middle of the turned box."""
    centred = points - points.mean(axis=0)
    _, axes = np.linalg.eigh(centred.T @ centred)
    direction = axes[:, -1]
    if direction[0] < -1e-9 or (abs(direction[0]) <= 1e-9 and direction[1] < 0):
        direction = -direction
    turn = math.atan2(direction[1], direction[0])
    u, v = centred @ direction, centred @ np.array([-direction[1], direction[0]])
    um, vm = (u.max() + u.min()) / 2, (v.max() + v.min()) / 2
    middle = points.mean(axis=0) + um * direction + vm * np.array([-direction[1], direction[0]])
    return turn, float(np.ptp(u)), float(np.ptp(v)), float(middle[0]), float(middle[1])


def _area(plan: Plan, width: float, height: float) -> plan_chart.Sheet:
    corners = np.array([corner for ring in plan.outline.areas for corner in ring], dtype=np.float64)
    low, high = corners.min(axis=0), corners.max(axis=0)
    span = np.maximum(high - low, _SMALLEST_M)
    scale = float(min((width - 2 - _EDGE) / span[0], (height - 2 - _EDGE) / span[1]))
    strip = plan_chart.Strip(
        easting_m=float((low[0] + high[0]) / 2),
        northing_m=float((low[1] + high[1]) / 2),
        turn_rad=0.0,
        scale=scale,
        x=1.0,
        y=1.0,
        width=width - 2,
        height=min(height - 2, float(span[1]) * scale + _EDGE),
    )
    return plan_chart.Sheet((strip,), (0,) * len(plan.places), False, strip.height + 7)


def _ground(plan: Plan, strip: plan_chart.Strip, number: int) -> str:
    """The line or the outline and the strata, cut off at the frame."""
    name = f"frame-{number}"

    def drawn(ring: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
        return [strip.page(*corner) for corner in ring]

    shapes = []
    for _, rings in plan.outline.strata:
        if plan.length_m is None:
            shapes += [svg.path(drawn(r), closed=True, fill=svg.HAIR, fill_opacity=0.6) for r in rings]
        else:
            shapes += [
                svg.path(drawn(r), fill="none", stroke=svg.HAIR, stroke_width=17, stroke_opacity=0.75)
                for r in rings
            ]
    shapes += [
        svg.path(drawn(r), closed=True, fill="none", stroke=svg.QUIET, stroke_width=1.2)
        for r in plan.outline.areas
    ]
    shapes += [
        svg.path(drawn(r), fill="none", stroke=svg.QUIET, stroke_width=1.2) for r in plan.outline.lines
    ]
    clip = svg.element("clipPath", svg.rect(strip.x, strip.y, strip.width, strip.height), id_=name)
    return clip + svg.group(shapes, clip_path=f"url(#{name})")


def _symbol(place: Place, x: float, y: float, radius: float) -> str:
    what = f"{place.side} of the line" if place.side != "none" else place.stratum
    return svg.point(place.id, what, [_drawn(place.marked, place.cover, x, y, radius)])


def _drawn(marked: bool, cover: Cover, x: float, y: float, r: float = 3.2) -> str:
    """A quartered disc where a mark is laid, a ring where none is, a diamond in vegetation."""
    style: dict[str, svg.Attribute] = {"fill": svg.PAPER, "stroke": svg.INK, "stroke_width": 1.1}
    if cover is Cover.VEGETATED:
        d = r + 0.6
        return svg.path([(x, y - d), (x + d, y), (x, y + d), (x - d, y)], closed=True, **style)
    ring = svg.circle(x, y, r, **style)
    if not marked:
        return ring
    c = svg.coordinate
    wedges = (
        f"M{c(x)} {c(y)}V{c(y - r)}A{c(r)} {c(r)} 0 0 1 {c(x + r)} {c(y)}Z"
        f"M{c(x)} {c(y)}V{c(y + r)}A{c(r)} {c(r)} 0 0 1 {c(x - r)} {c(y)}Z"
    )
    return ring + svg.element("path", d=wedges, fill=svg.INK)


def _key(plan: Plan, width: float, y: float) -> str:
    """Only what the map shows, set from the right."""
    entries: list[tuple[str, str]] = []
    kinds = dict.fromkeys((p.marked, p.cover) for p in plan.places)
    for marked, cover in sorted(kinds, key=lambda k: (k[1].value, not k[0])):
        words = "in vegetation" if cover is Cover.VEGETATED else "with a mark" if marked else "checkpoint"
        entries.append((_drawn(marked, cover, 0, 0), words))
    if plan.outline.strata:
        band = svg.rect(-6, -4, 12, 8, fill=svg.HAIR, fill_opacity=0.75)
        entries.append((band, ", ".join(name for name, _ in plan.outline.strata)))
    drawn, x = [], width - 4.0
    for shape, words in reversed(entries):
        short = svg.shorten(words, 28)
        x -= svg.text_width(short, 8.5)
        drawn.append(svg.label(x, y + 4, short, size=8.5))
        x -= 10
        drawn.append(svg.group([shape], transform=f"translate({svg.coordinate(x)} {svg.coordinate(y + 1)})"))
        x -= 16
    return svg.group(drawn)
