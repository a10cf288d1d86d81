"""The checkpoint maps: height residuals as bars, horizontal residuals as vectors with ellipses."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from accuracy.model import CheckpointResult, Cover, HorizontalResidual, Role, VerticalResidual
from accuracy.reporting import charts_plan as plan
from accuracy.reporting import svg
from accuracy.rounding import LengthText, counted
from accuracy.units import LengthUnit

LONGEST = 34.0
"""Page length of the largest residual."""
SMALLEST_FULL_SCALE_M = 0.005
"""Residuals are never blown up beyond this: 5 mm fill the longest bar."""
ELLIPSE_95 = math.sqrt(-2 * math.log(0.05))
"""Half axes of a 95 % ellipse in standard deviations: the root of chi-square (2 degrees of freedom)."""
ROOM_FOR_VECTORS = 36.0
"""Page space above and below the ground: the longest vector, which has a label beside it."""
LONGEST_LABEL = 14
CROWD = 60
"""From this many vectors on they are drawn shorter, so that ellipses do not cover each other."""

Kind = Literal["open", "vegetated", "unused", "control"]
KIND_WORDS: dict[Kind, str] = {
    "open": "open ground",
    "vegetated": "in vegetation",
    "unused": "not used, or not measured",
    "control": "control point, not a test",
}


USED: tuple[Kind, ...] = ("open", "vegetated")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """What is drawn at one checkpoint, the boxes that it fills or outlines, and its rank for a label."""

    svg: str
    solid: list[plan.Box]
    thin: list[plan.Box]
    rank: float


@dataclass(frozen=True, slots=True)
class Drawn:
    """A finished map and how many labels found no room."""

    svg: str
    unlabelled: int
    caption: str


def kind_of(checkpoint: CheckpointResult, *, measured: bool) -> Kind:
    """Which symbol a checkpoint is drawn with."""
    if checkpoint.role is Role.CONTROL:
        return "control"
    if not checkpoint.used or not measured:
        return "unused"
    return "vegetated" if checkpoint.cover is Cover.VEGETATED else "open"


def _shared(ids: Sequence[str]) -> int:
    """How many characters all ids begin with."""
    first, last = min(ids), max(ids)
    return next((k for k, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), len(first))


def short_names(ids: Sequence[str]) -> dict[str, str]:
    """Labels for the map: where ids are long, what all of them share at either end is left out."""
    head = tail = 0
    if len(ids) > 1 and max(map(len, ids)) > LONGEST_LABEL:
        head = _shared(ids)
        tail = _shared([i[head:][::-1] for i in ids])
    dots = "\N{HORIZONTAL ELLIPSIS}"
    cut = {i: f"{dots if head else ''}{i[head : len(i) - tail]}{dots if tail else ''}" for i in ids}
    return {i: svg.shorten(name, LONGEST_LABEL) for i, name in cut.items()}


def symbol(kind: Kind, x: float, y: float) -> str:
    """Disc, diamond, cross or square: told apart without colour."""
    style: dict[str, svg.Attribute] = {"fill": svg.PAPER, "stroke": svg.INK, "stroke_width": 1.3}
    if kind == "open":
        return svg.circle(x, y, 2.8, **style)
    if kind == "vegetated":
        return svg.path([(x, y - 4), (x + 4, y), (x, y + 4), (x - 4, y)], closed=True, **style)
    if kind == "control":
        return svg.rect(x - 3, y - 3, 6, 6, **style)
    return svg.line(x - 3.2, y - 3.2, x + 3.2, y + 3.2, svg.INK, width=1.3) + svg.line(
        x - 3.2, y + 3.2, x + 3.2, y - 3.2, svg.INK, width=1.3
    )


def height_bar(x: float, y: float, length: float) -> str:
    """Above: filled, pointing up. Below (negative length): outlined, pointing down."""
    up = length >= 0
    tip = y - length
    away = 1 if up else -1
    head = min(6.0, abs(length))
    shaft = [(x - 2.2, y), (x - 2.2, tip + away * head), (x + 2.2, tip + away * head), (x + 2.2, y)]
    arrow = [(x - 4.6, tip + away * head), (x, tip), (x + 4.6, tip + away * head)]
    outline = [shaft[0], shaft[1], *arrow, shaft[2], shaft[3]]
    colour = svg.ABOVE if up else svg.BELOW
    return svg.path(
        outline,
        closed=True,
        fill=colour if up else svg.PAPER,
        stroke=colour,
        stroke_width=1.2,
        stroke_linejoin="round",
    )


def _assemble(
    checkpoints: Sequence[CheckpointResult],
    unit: LengthUnit,
    *,
    draw: Callable[[plan.Strip, CheckpointResult, float, float], Mark],
    key: Callable[[float, float], str],
    kinds: Sequence[Kind],
    description: str,
    room: float = plan.ROOM_FOR_BARS,
) -> Drawn:
    """Lay out the sheet, draw every checkpoint with ``draw``, label by rank, add the key."""
    sheet = plan.lay_out(
        np.array([c.easting_m for c in checkpoints]),
        np.array([c.northing_m for c in checkpoints]),
        room=room,
    )
    places = plan.Places()
    drawn: list[tuple[float, CheckpointResult, plan.Strip, float, float]] = []
    marks: list[str] = []
    for checkpoint, number in zip(checkpoints, sheet.strip_of, strict=True):
        strip = sheet.strips[number]
        x, y = strip.page(checkpoint.easting_m, checkpoint.northing_m)
        mark = draw(strip, checkpoint, x, y)
        places.solid.extend(mark.solid)
        places.thin.extend(mark.thin)
        marks.append(mark.svg)
        drawn.append((mark.rank, checkpoint, strip, x, y))
    ground = plan.frame_and_grid(sheet, unit, places)
    labels: list[str] = []
    unlabelled = 0
    names = short_names([c.id for c in checkpoints])
    for _, checkpoint, strip, x, y in sorted(drawn, key=lambda d: -d[0]):
        put = places.put(x, y, names[checkpoint.id], strip)
        unlabelled += put is None
        labels.append(put or "")
    top = sheet.height
    furniture = [
        plan.scale_bar(sheet.strips[0], unit, 14, top + 28),
        key(205, top) if any(k in USED for k in kinds) else "",
        _kinds_key(kinds, 430, top),
    ]
    picture = svg.picture(
        plan.SHEET_WIDTH, top + 66, description, [*ground, *marks, *labels, *furniture], "map"
    )
    caption = "The corridor is turned until it lies across the page." if sheet.is_corridor else ""
    if len(sheet.strips) > 1:
        caption = (
            f"The corridor is cut into {len(sheet.strips)} strips, each turned until it lies across the "
            "page; mind the north arrows."
        )
    return Drawn(svg=picture, unlabelled=unlabelled, caption=caption)


def _kinds_key(kinds: Sequence[Kind], x: float, y: float) -> str:
    present = [k for k in KIND_WORDS if k in kinds]
    return svg.group(
        symbol(k, x, y + 10 + 14 * i) + svg.label(x + 10, y + 13.5 + 14 * i, KIND_WORDS[k], size=9)
        for i, k in enumerate(present)
    )


def height_map(checkpoints: Sequence[CheckpointResult], unit: LengthUnit) -> Drawn:
    """Map of all checkpoints (at least one) with a bar for each used height residual."""
    text = LengthText(unit)
    kinds = {id(c): kind_of(c, measured=c.vertical.measured) for c in checkpoints}
    shown = {
        id(c): c.vertical.residual_m
        for c in checkpoints
        if kinds[id(c)] in USED and isinstance(c.vertical, VerticalResidual)
    }
    full = max((abs(v) for v in shown.values()), default=0.0)
    full = max(full, SMALLEST_FULL_SCALE_M)

    def draw(_strip: plan.Strip, c: CheckpointResult, x: float, y: float) -> Mark:
        kind, value = kinds[id(c)], shown.get(id(c))
        if value is None:
            box = (x - 5, y - 5, x + 5, y + 5)
            drawn = svg.point(c.id, KIND_WORDS[kind], [symbol(kind, x, y)])
            return Mark(svg=drawn, solid=[box], thin=[], rank=0.0)
        length = value / full * LONGEST
        words = f"height {text.small(value, signed=True)} {text.small_symbol}"
        box = (x - 5, min(y, y - length) - 4, x + 5, max(y, y - length) + 4)
        drawn = svg.point(c.id, words, [height_bar(x, y, length), symbol(kind, x, y)])
        return Mark(svg=drawn, solid=[box], thin=[], rank=abs(value))

    def key(x: float, y: float) -> str:
        return _length_key(svg.Lengths(unit), LONGEST / full, x, y, bars=True)

    description = (
        f"Map of {counted(len(checkpoints), 'checkpoint')}. A bar at each shows its height residual: filled "
        "and upward where the cloud lies above the mark, outlined and downward where it lies below. The "
        "values stand in the table of residuals."
    )
    return _assemble(
        checkpoints, unit, draw=draw, key=key, kinds=list(kinds.values()), description=description
    )


def horizontal_map(checkpoints: Sequence[CheckpointResult], unit: LengthUnit) -> Drawn:
    """Map of all checkpoints with a vector and a 95 % error ellipse where a mark was measured."""
    text = LengthText(unit)
    kinds = {id(c): kind_of(c, measured=c.horizontal.measured) for c in checkpoints}
    shown = {
        id(c): c.horizontal
        for c in checkpoints
        if kinds[id(c)] in USED and isinstance(c.horizontal, HorizontalResidual)
    }
    full = max((math.hypot(h.residual_easting_m, h.residual_northing_m) for h in shown.values()), default=0.0)
    full = max(full, SMALLEST_FULL_SCALE_M)
    factor = LONGEST * min(1.0, max(0.45, math.sqrt(CROWD / max(len(shown), 1)))) / full

    def draw(strip: plan.Strip, c: CheckpointResult, x: float, y: float) -> Mark:
        kind, h = kinds[id(c)], shown.get(id(c))
        if h is None:
            box = (x - 5, y - 5, x + 5, y + 5)
            drawn = svg.point(c.id, KIND_WORDS[kind], [symbol(kind, x, y)])
            return Mark(svg=drawn, solid=[box], thin=[], rank=0.0)
        dx, dy = strip.page_vector(h.residual_easting_m * factor, h.residual_northing_m * factor)
        tx, ty = x + dx, y + dy
        words = (
            f"easting {text.small(h.residual_easting_m, signed=True)}, northing "
            f"{text.small(h.residual_northing_m, signed=True)} {text.small_symbol}"
        )
        ellipse, reach = _ellipse(strip, h.covariance_m2, factor, (tx, ty))
        return Mark(
            svg=svg.point(c.id, words, [ellipse, arrow(x, y, tx, ty), symbol(kind, x, y)]),
            solid=[(x - 4, y - 4, x + 4, y + 4), *_along_arrow(x, y, tx, ty)],
            thin=[(tx - reach, ty - reach, tx + reach, ty + reach)],
            rank=math.hypot(h.residual_easting_m, h.residual_northing_m),
        )

    def key(x: float, y: float) -> str:
        return _length_key(svg.Lengths(unit), factor, x, y, bars=False)

    description = (
        f"Map of {counted(len(checkpoints), 'checkpoint')}. An arrow leads from the mark towards where the "
        "cloud shows it, much enlarged; the ellipse at its tip is the 95 % error ellipse. The values stand "
        "in the table of residuals."
    )
    return _assemble(
        checkpoints,
        unit,
        draw=draw,
        key=key,
        kinds=list(kinds.values()),
        description=description,
        room=ROOM_FOR_VECTORS,
    )


def _along_arrow(x1: float, y1: float, x2: float, y2: float) -> list[plan.Box]:
    """Small boxes along an arrow, so that labels may stand in the corners beside a slanting one."""
    return [
        (x1 + t * (x2 - x1) - 3, y1 + t * (y2 - y1) - 3, x1 + t * (x2 - x1) + 3, y1 + t * (y2 - y1) + 3)
        for t in (0.25, 0.5, 0.75, 1.0)
    ]


def arrow(x1: float, y1: float, x2: float, y2: float, colour: str = svg.ABOVE) -> str:
    """A line with a filled head at its second end."""
    length = math.hypot(x2 - x1, y2 - y1)
    if length < 0.5:
        return ""
    ux, uy = (x2 - x1) / length, (y2 - y1) / length
    head = min(6.0, length)
    bx, by = x2 - ux * head, y2 - uy * head
    return svg.line(x1, y1, bx, by, colour, width=1.6) + svg.path(
        [
            (x2, y2),
            (bx - uy * head * 0.45, by + ux * head * 0.45),
            (bx + uy * head * 0.45, by - ux * head * 0.45),
        ],
        closed=True,
        fill=colour,
    )


def _ellipse(
    strip: plan.Strip,
    covariance_m2: tuple[float, float, float] | None,
    factor: float,
    centre: tuple[float, float],
) -> tuple[str, float]:
    """The 95 % ellipse on the page and its longer half axis; nothing where no uncertainty is known."""
    if covariance_m2 is None:
        return "", 0.0
    ee, nn, en = covariance_m2
    values, vectors = np.linalg.eigh(np.array([[ee, en], [en, nn]]))
    major, minor = (math.sqrt(max(float(v), 0.0)) * ELLIPSE_95 * factor for v in (values[1], values[0]))
    dx, dy = strip.page_vector(float(vectors[0, 1]), float(vectors[1, 1]))
    x, y, turn = (svg.coordinate(v) for v in (*centre, math.degrees(math.atan2(dy, dx))))
    drawn = svg.element(
        "ellipse",
        cx=0,
        cy=0,
        rx=max(major, 0.6),
        ry=max(minor, 0.6),
        fill="none",
        stroke=svg.BELOW,
        stroke_width=0.9,
        transform=f"translate({x} {y}) rotate({turn})",
    )
    return drawn, major


def _length_key(lengths: svg.Lengths, factor: float, x: float, y: float, *, bars: bool) -> str:
    value = svg.nice_length(LONGEST / factor / lengths.small_m)
    length = value * lengths.small_m * factor
    words = f"{svg.tick_text(value, value)} {lengths.small_symbol}"
    if not bars:
        return svg.group(
            [
                arrow(x, y + 14, x + length, y + 14),
                svg.label(x + length + 8, y + 17.5, words, size=9),
                svg.label(x, y + 36, "from the mark to where", size=9),
                svg.label(x, y + 48, "the cloud shows it;", size=9),
                svg.label(x, y + 60, "ellipse: 95 %", size=9),
            ]
        )
    base = y + 6 + length
    return svg.group(
        [
            height_bar(x, base, length),
            height_bar(x + 16, y + 6, -length),
            svg.label(x + 30, y + 13, words, size=9, weight="600"),
            svg.label(x + 30, y + 27, "filled, upward: cloud above the mark", size=9),
            svg.label(x + 30, y + 41, "outlined, downward: cloud below", size=9),
        ]
    )
