"""The sheet that a plan is drawn on: turning, strips, grid, north arrow, scale bar, label places.

A corridor is cut into strips, as road plans are, each turned until it lies across the page; an
area is drawn in one frame with north up. Everything here is geometry in the working frame
(metres) and page coordinates (y downwards); what is drawn at each checkpoint is the business of
``charts_map``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from accuracy.model import FloatArray, IntArray
from accuracy.reporting import svg
from accuracy.rounding import LengthText, fixed
from accuracy.units import LengthUnit

SHEET_WIDTH = 600.0
MARGIN = 1.0
ROOM_FOR_BARS = 50.0
"""Space above and below the ground of a strip, for the longest residual bar and a label."""
ROOM_AT_ENDS = 42.0
CORRIDOR_RATIO = 4.0
"""Extent along the axis to extent across it, from which a set of points is drawn as a corridor."""
POINTS_PER_STRIP = 16
MOST_STRIPS = 6
MOST_HEIGHT = 660.0
"""Of all strips together: heading, map, key and caption share one A4 page."""
LABEL_SIZE = 8.5
APART = 3.0
"""Between labels in one line, so that two names do not read as one."""
LEADER_FROM = 10.0
"""Distance from which on a label has a line to its mark."""
SMALLEST_EXTENT_M = 20.0


@dataclass(frozen=True, slots=True)
class Axis:
    """The principal axis of a set of points: where it passes, which way, how long and wide."""

    easting_m: float
    northing_m: float
    angle_rad: float
    """Direction of the axis, anticlockwise from east; towards east, or north where it runs due north."""
    along_m: float
    across_m: float

    @property
    def is_corridor(self) -> bool:
        """Whether the points lie along a line rather than over an area."""
        return self.along_m > CORRIDOR_RATIO * max(self.across_m, 1e-9) and self.along_m > 0

    def chainage_m(self, easting_m: FloatArray, northing_m: FloatArray) -> FloatArray:
        """Distance along the axis from the first point, (n,) metres."""
        along = (easting_m - self.easting_m) * math.cos(self.angle_rad) + (
            northing_m - self.northing_m
        ) * math.sin(self.angle_rad)
        return np.asarray(along - along.min(), dtype=np.float64)


def principal_axis(easting_m: FloatArray, northing_m: FloatArray) -> Axis:
    """Principal axis of (n,) positions by their covariance; a single point gives an axis due east."""
    e0, n0 = float(easting_m.mean()), float(northing_m.mean())
    offsets = np.column_stack((easting_m - e0, northing_m - n0))
    _, vectors = np.linalg.eigh(offsets.T @ offsets)
    direction = vectors[:, 1] if np.ptp(offsets) > 0 else np.array([1.0, 0.0])
    if direction[0] < -1e-9 or (abs(direction[0]) <= 1e-9 and direction[1] < 0):
        direction = -direction
    along = offsets @ direction
    across = offsets @ np.array([-direction[1], direction[0]])
    return Axis(
        easting_m=e0,
        northing_m=n0,
        angle_rad=math.atan2(direction[1], direction[0]),
        along_m=float(np.ptp(along)),
        across_m=float(np.ptp(across)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One frame of the sheet: which ground it shows, how that is turned, where it is drawn."""

    easting_m: float
    northing_m: float
    """The ground position at the middle of the frame."""
    turn_rad: float
    """Direction on the ground, anticlockwise from east, that points to the right on the page."""
    scale: float
    """Page units per metre."""
    x: float
    y: float
    width: float
    height: float

    def page(self, easting_m: float, northing_m: float) -> tuple[float, float]:
        """Where a ground position is drawn."""
        dx, dy = self.page_vector(easting_m - self.easting_m, northing_m - self.northing_m)
        return (
            self.x + self.width / 2 + dx * self.scale,
            self.y + self.height / 2 + dy * self.scale,
        )

    def ground(self, x: float, y: float) -> tuple[float, float]:
        """The inverse of ``page``."""
        u, v = (x - self.x - self.width / 2) / self.scale, (self.y + self.height / 2 - y) / self.scale
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        return self.easting_m + u * c - v * s, self.northing_m + u * s + v * c

    def page_vector(self, east: float, north: float) -> tuple[float, float]:
        """A direction on the ground as a direction on the page, length kept."""
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        return east * c + north * s, east * s - north * c


@dataclass(frozen=True, slots=True)
class Sheet:
    """The strips, and which of them shows each point."""

    strips: tuple[Strip, ...]
    strip_of: tuple[int, ...]
    is_corridor: bool
    height: float


def lay_out(
    easting_m: FloatArray,
    northing_m: FloatArray,
    *,
    most_strips: int = MOST_STRIPS,
    room: float = ROOM_FOR_BARS,
) -> Sheet:
    """Choose strips, their turning and their common scale for (n,) positions, n at least 1.

    ``room`` is the page space above and below the ground of each strip.
    """
    axis = principal_axis(easting_m, northing_m)
    count = 1
    if axis.is_corridor:
        count = min(most_strips, math.ceil(len(easting_m) / POINTS_PER_STRIP))
    while True:
        sheet = _lay_out_strips(axis, count, easting_m, northing_m, room)
        if sheet.height <= MOST_HEIGHT + 20 or count == 1:
            return sheet
        count -= 1


def _lay_out_strips(
    axis: Axis, count: int, easting_m: FloatArray, northing_m: FloatArray, room: float
) -> Sheet:
    parts = _cut(axis, count, easting_m, northing_m)
    members = [np.flatnonzero(parts == k) for k in range(int(parts.max()) + 1)]
    frames = [_turned_extent(axis, easting_m[m], northing_m[m]) for m in members]
    inner = SHEET_WIDTH - 2 * MARGIN
    longest = max(SMALLEST_EXTENT_M, *(along for _, along, _, _ in frames))
    tallest = max(SMALLEST_EXTENT_M, *(across for _, _, across, _ in frames))
    scale = (inner - 2 * ROOM_AT_ENDS) / longest
    if count == 1:
        scale = min(scale, (MOST_HEIGHT - 2 * room) / tallest)
    strips: list[Strip] = []
    y = MARGIN
    for turn, _, across, (e, n) in frames:
        height = across * scale + 2 * room
        strips.append(
            Strip(
                easting_m=e,
                northing_m=n,
                turn_rad=turn,
                scale=scale,
                x=MARGIN,
                y=y,
                width=inner,
                height=height,
            )
        )
        y += height + 10
    return Sheet(tuple(strips), tuple(int(p) for p in parts), axis.is_corridor, y)


def _cut(axis: Axis, count: int, easting_m: FloatArray, northing_m: FloatArray) -> IntArray:
    """Number of the strip for each point: equal lengths along the axis, empty ones left out."""
    at = axis.chainage_m(easting_m, northing_m)
    number = np.minimum((at / max(axis.along_m, 1e-9) * count).astype(np.int64), count - 1)
    return np.unique(number, return_inverse=True)[1].reshape(len(at)).astype(np.int64)


def _turned_extent(
    whole: Axis, easting_m: FloatArray, northing_m: FloatArray
) -> tuple[float, float, float, tuple[float, float]]:
    """Turn, extent along and across, and middle of the turned box of one strip's points."""
    turn = 0.0
    if whole.is_corridor:
        own = principal_axis(easting_m, northing_m)
        turn = own.angle_rad if own.is_corridor else whole.angle_rad
        if math.cos(turn - whole.angle_rad) < 0:  # every strip reads in the direction of the whole
            turn += math.pi
    c, s = math.cos(turn), math.sin(turn)
    e0, n0 = float(easting_m.mean()), float(northing_m.mean())
    u = (easting_m - e0) * c + (northing_m - n0) * s
    v = (northing_m - n0) * c - (easting_m - e0) * s
    um, vm = float(u.max() + u.min()) / 2, float(v.max() + v.min()) / 2
    return turn, float(np.ptp(u)), float(np.ptp(v)), (e0 + um * c - vm * s, n0 + um * s + vm * c)


# --------------------------------------------------------------------------- places for labels


Box = tuple[float, float, float, float]
"""Left, top, right, bottom on the page."""


@dataclass(slots=True)
class Places:
    """What is already drawn, so that a label can be put where nothing is."""

    solid: list[Box] = field(default_factory=list)
    thin: list[Box] = field(default_factory=list)
    """Outlines that a label may cross where there is no other room."""
    names: list[Box] = field(default_factory=list)
    """Labels, which are among the solid as well."""

    def free(self, box: Box, *, of_thin: bool = True) -> bool:
        """Whether nothing that is drawn touches the box."""
        left, top, right, bottom = box
        drawn = [*self.solid, *self.thin] if of_thin else self.solid
        return not any(a < right and c > left and b < bottom and d > top for a, b, c, d in drawn)

    def _apart(self, box: Box) -> bool:
        left, top, right, bottom = box
        return not any(
            a < right + APART and c > left - APART and b < bottom and d > top for a, b, c, d in self.names
        )

    def put(self, x: float, y: float, words: str, within: Strip) -> str | None:
        """Draw ``words`` near x, y where there is room inside the strip; None where there is none.

        A label that had to move away keeps a line to what it names.
        """
        for of_thin in (True, False):
            for distance in (5.0, 12.0, 20.0):
                for box, anchor, tx, ty in _around(x, y, words, distance):
                    if _inside(box, within) and self.free(box, of_thin=of_thin) and self._apart(box):
                        self.solid.append(box)
                        self.names.append(box)
                        drawn = svg.label(tx, ty, words, size=LABEL_SIZE, anchor=anchor)
                        return drawn if distance < LEADER_FROM else _leader(x, y, box) + drawn
        return None


def _leader(x: float, y: float, box: Box) -> str:
    """A fine line from beside the mark to the nearest point of the label's box."""
    tx, ty = min(max(x, box[0]), box[2]), min(max(y, box[1]), box[3])
    length = math.hypot(tx - x, ty - y)
    start = min(4.0 / length, 1.0) if length else 1.0
    return svg.line(x + start * (tx - x), y + start * (ty - y), tx, ty, svg.QUIET, width=0.6)


def _around(x: float, y: float, words: str, d: float) -> list[tuple[Box, str, float, float]]:
    """Boxes for a label about a mark, the best first, each with its anchor and baseline."""
    w, h = svg.text_width(words, LABEL_SIZE), LABEL_SIZE
    beside, above, below = y + h * 0.35, y - d - h * 0.15, y + d + h * 0.85
    return [
        ((x + d, y - h / 2, x + d + w, y + h / 2), "start", x + d, beside),
        ((x - d - w, y - h / 2, x - d, y + h / 2), "end", x - d, beside),
        ((x - w / 2, y + d, x + w / 2, y + d + h), "middle", x, below),
        ((x - w / 2, y - d - h, x + w / 2, y - d), "middle", x, above),
        ((x + 3, y + d, x + 3 + w, y + d + h), "start", x + 3, below),
        ((x - 3 - w, y - d - h, x - 3, y - d), "end", x - 3, above),
        ((x + 3, y - d - h, x + 3 + w, y - d), "start", x + 3, above),
        ((x - 3 - w, y + d, x - 3, y + d + h), "end", x - 3, below),
    ]


def _inside(box: Box, strip: Strip) -> bool:
    return (
        box[0] > strip.x + 2
        and box[1] > strip.y + 2
        and box[2] < strip.x + strip.width - 2
        and box[3] < strip.y + strip.height - 2
    )


# --------------------------------------------------------------------------- furniture


def frame_and_grid(sheet: Sheet, unit: LengthUnit, places: Places) -> list[str]:
    """The strips' frames with coordinate lines and north arrows; each line is named at the frame."""
    drawn: list[str] = []
    first = sheet.strips[0]
    step_m = svg.nice_step(first.width / first.scale / unit.metres, 5) * unit.metres
    for number, strip in enumerate(sheet.strips):
        drawn.append(svg.rect(strip.x, strip.y, strip.width, strip.height, fill=svg.SAND, stroke="none"))
        on_top = []
        if len(sheet.strips) > 1:
            words = f"Strip {number + 1} of {len(sheet.strips)}"
            places.solid.append((strip.x, strip.y, strip.x + svg.text_width(words, 9) + 12, strip.y + 15))
            on_top.append(svg.label(strip.x + 6, strip.y + 12, words, size=9, weight="600"))
        on_top.append(_north(strip, places))
        drawn.extend([*_grid(strip, step_m, unit, places), *on_top])
        drawn.append(
            svg.rect(
                strip.x, strip.y, strip.width, strip.height, fill="none", stroke=svg.HAIR, stroke_width=1
            )
        )
    return drawn


def _grid(strip: Strip, step_m: float, unit: LengthUnit, places: Places) -> list[str]:
    text = LengthText(unit)
    right, bottom = strip.x + strip.width, strip.y + strip.height
    corners = [(strip.x, bottom), (right, bottom), (right, strip.y), (strip.x, strip.y)]
    ground = [strip.ground(*c) for c in corners]
    lines: list[str] = []
    names: list[str] = []
    for index, letter in ((0, "E"), (1, "N")):
        values = [g[index] for g in ground]
        for k in range(math.ceil(min(values) / step_m), math.floor(max(values) / step_m) + 1):
            ends = _crossings(corners, [v - k * step_m for v in values])
            if len(ends) == 2:
                lines.append(svg.line(*ends[0], *ends[1], colour=svg.GRID))
                names.extend(_grid_name(strip, ends, f"{letter} {text.large(k * step_m, 0)}", places))
    return lines + names


def _crossings(corners: list[tuple[float, float]], signed: list[float]) -> list[tuple[float, float]]:
    """Where the zero line of a linear function, known at the frame's corners, meets the frame."""
    found: list[tuple[float, float]] = []
    for i in range(4):
        (x1, y1), (x2, y2), a, b = corners[i], corners[(i + 1) % 4], signed[i], signed[(i + 1) % 4]
        if (a < 0) != (b < 0):
            t = a / (a - b)
            found.append((x1 + t * (x2 - x1), y1 + t * (y2 - y1)))
    return found


def _grid_name(strip: Strip, ends: list[tuple[float, float]], words: str, places: Places) -> list[str]:
    w = svg.text_width(words, 7.5)
    bottom = strip.y + strip.height
    for x, y in sorted(ends, key=lambda p: (-p[1], p[0])):
        left = min(max(x + 3, strip.x + 3), strip.x + strip.width - w - 3)
        if x < strip.x + 1 or x > strip.x + strip.width - 1:
            top = min(max(y - 10, strip.y + 3), bottom - 11)
        else:
            top = bottom - 11 if y > strip.y + 1 else y + 3
        box = (left, top, left + w, top + 9)
        if places.free(box):
            places.solid.append(box)
            return [svg.label(left, top + 8, words, size=7.5, colour=svg.QUIET)]
    return []


def _north(strip: Strip, places: Places) -> str:
    """Grid north, turned with the strip, in the first corner that is free."""
    right, bottom = strip.x + strip.width - 26, strip.y + strip.height - 36
    corners = [(right, strip.y + 26), (right, bottom), (strip.x + 26, bottom), (strip.x + 90, strip.y + 26)]
    boxes = [(x - 22, y - 22, x + 22, y + 22) for x, y in corners]
    choice = next((i for i, box in enumerate(boxes) if places.free(box)), 0)
    places.solid.append(boxes[choice])
    x, y = corners[choice]
    needle = svg.group(
        [
            svg.path([(0, -12), (4, 6), (0, 3)], closed=True, fill=svg.INK, stroke=svg.INK, stroke_width=0.8),
            svg.path(
                [(0, -12), (-4, 6), (0, 3)], closed=True, fill=svg.PAPER, stroke=svg.INK, stroke_width=0.8
            ),
        ],
        transform=(
            f"translate({svg.coordinate(x)} {svg.coordinate(y)}) "
            f"rotate({svg.coordinate(math.degrees(strip.turn_rad))})"
        ),
    )
    dx, dy = strip.page_vector(0, 1)
    return needle + svg.label(x + dx * 18, y + dy * 18 + 3.2, "N", size=9, anchor="middle", weight="600")


def scale_bar(strip: Strip, unit: LengthUnit, x: float, y: float) -> str:
    """A bar of a round ground length with its left end at x, y."""
    length = svg.nice_length(150 / strip.scale / unit.metres)
    width = length * unit.metres * strip.scale
    half = width / 2
    words = f"{fixed(length, 0 if length >= 1 else 2)} {unit.symbol}"
    return svg.group(
        [
            svg.rect(x, y, half, 5, fill=svg.INK, stroke=svg.INK, stroke_width=0.8),
            svg.rect(x + half, y, half, 5, fill=svg.PAPER, stroke=svg.INK, stroke_width=0.8),
            svg.label(x, y - 4, "0", size=9, anchor="middle"),
            svg.label(x + width, y - 4, words, size=9, anchor="middle"),
        ]
    )
