"""Charts of the cloud against itself: where two captures differ, and how the differences are spread."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

import numpy as np

from accuracy.model import RelativePlace
from accuracy.reporting import charts_plan as plan
from accuracy.reporting import charts_runs, svg
from accuracy.reporting.charts_residuals import Frame
from accuracy.rounding import LengthText
from accuracy.units import LengthUnit

REACH = 13.0
"""Page size of a sign at full scale."""
ROOM = 30.0
"""Space above and below the ground of a strip: signs are smaller than residual bars."""
SMALLEST_FULL_SCALE_M = 0.002
LABELLED = 3
"""The largest differences, which are named with their value."""
FEWEST_FOR_HISTOGRAM = 5
MOST_BINS = 30
WIDTH, HEIGHT = 600.0, 220.0
BAR = "#c58a72"
"""Of the positive side; the negative one is outlined only."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A drawing and what has to be said with it."""

    svg: str
    caption: str


def full_scale_m(places: Sequence[RelativePlace]) -> float:
    """The difference that fills a sign: a wild one must not shrink all others to dots."""
    sizes = sorted(abs(place.difference_m) for place in places)
    return max(sizes[int(0.95 * (len(sizes) - 1))], SMALLEST_FULL_SCALE_M)


def places_map(places: Sequence[RelativePlace], unit: LengthUnit, *, signed: bool) -> Drawn:
    """Map of at least one place; without a sign (ranges within a swath) discs stand for triangles."""
    text = LengthText(unit)
    easting = np.array([place.easting_m for place in places])
    northing = np.array([place.northing_m for place in places])
    sheet = plan.lay_out(easting, northing, room=ROOM)
    full = full_scale_m(places)
    labels = plan.Places()
    signs: list[str] = []
    named: list[tuple[float, float, str, plan.Strip]] = []
    # The largest first, so that a small sign is drawn on top of a large one.
    order = sorted(range(len(places)), key=lambda k: (-abs(places[k].difference_m), k))
    for rank, k in enumerate(order):
        value, strip = places[k].difference_m, sheet.strips[sheet.strip_of[k]]
        x, y = strip.page(places[k].easting_m, places[k].northing_m)
        shown = text.small(value, signed=signed)
        tip = svg.element("title", escape(f"{shown} {text.small_symbol}"))
        sign = charts_runs.glyph(value, x, y, REACH, full, signed=signed)
        signs.append(svg.group([tip, sign]))
        half = max(REACH * min(abs(value) / full, 1.0) ** 0.5, 1.6) / 2
        labels.solid.append((x - half, y - half, x + half, y + half))
        if rank < LABELLED:
            named.append((x, y, f"{shown} {text.small_symbol}", strip))
    ground = plan.frame_and_grid(sheet, unit, labels)
    words = [put for x, y, shown, strip in named if (put := labels.put(x, y, shown, strip)) is not None]
    top = sheet.height
    furniture = [plan.scale_bar(sheet.strips[0], unit, 14, top + 28), _key(full, 215, top + 12, text, signed)]
    what = (
        "A triangle at each shows the difference: filled and upward where the first lies above the second, "
        "outlined and downward where it lies below; the larger, the farther apart."
        if signed
        else "A disc at each shows the range of heights about the plane; the larger, the wider."
    )
    drawing = svg.picture(
        plan.SHEET_WIDTH,
        top + 46,
        f"Map of {len(places)} places. {what}",
        [*ground, *signs, *words, *furniture],
        "map",
    )
    said = [_turned(sheet)] if sheet.is_corridor else []
    if any(abs(place.difference_m) > full for place in places):
        said.append(f"Signs grow no further beyond {text.small(full)} {text.small_symbol}.")
    return Drawn(drawing, " ".join(said))


def _turned(sheet: plan.Sheet) -> str:
    if len(sheet.strips) > 1:
        return (
            f"The corridor is cut into {len(sheet.strips)} strips, each turned until it lies across the "
            "page; mind the north arrows."
        )
    return "The corridor is turned until it lies across the page."


def _key(full: float, x: float, y: float, text: LengthText, signed: bool) -> str:
    k = svg.Lengths(text.unit).small_m
    largest = svg.nice_length(full / k) * k
    drawn: list[str] = []
    sides = (
        ((1, "filled, upward: first above second"), (-1, "outlined, downward: first below second"))
        if signed
        else ((1, "range of heights about the plane"),)
    )
    for row, (side, words) in enumerate(sides):
        at = x
        for share in (1.0, 0.2):
            value = largest * share
            drawn.append(
                charts_runs.glyph(side * value, at + 6, y + 17 * row, REACH, full, signed=signed),
            )
            shown = f"{text.class_value(value)} {text.small_symbol}"
            drawn.append(svg.label(at + 17, y + 3.5 + 17 * row, shown, size=9, weight="600"))
            at += 27 + svg.text_width(shown, 9)
        drawn.append(svg.label(at + 4, y + 3.5 + 17 * row, words, size=9))
    return svg.group(drawn)


# --------------------------------------------------------------------------- spread


def differences_chart(
    places: Sequence[RelativePlace],
    unit: LengthUnit,
    *,
    marks_m: Sequence[tuple[float, str]],
    signed: bool,
) -> Drawn | None:
    """Counts of the differences per bin; None below five places.

    The axis spans the bulk of the places; those beyond it are counted in the caption. ``marks_m``
    are values in metres, each with its name, drawn as upright lines.
    """
    if len(places) < FEWEST_FOR_HISTOGRAM:
        return None
    text, lengths = LengthText(unit), svg.Lengths(unit)
    values = np.array([place.difference_m for place in places]) / lengths.small_m
    low, high = (float(q) for q in np.quantile(values, (0.01, 0.99)))
    low, high = (
        min(low, *(m / lengths.small_m for m, _ in marks_m), 0.0),
        max(high, *(m / lengths.small_m for m, _ in marks_m), 0.0),
    )
    step = svg.nice_step(max(high - low, SMALLEST_FULL_SCALE_M / lengths.small_m), MOST_BINS)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    edges = np.arange(first, max(last, first + 1) + 1) * step
    counts, _ = np.histogram(values, edges)
    beyond = len(values) - int(counts.sum())
    top = float(counts.max()) * 1.18
    frame = Frame(
        svg.Scale(float(edges[0]) - step, float(edges[-1]) + step, 48, WIDTH - 8),
        svg.Scale(0, top, HEIGHT - 44, 18),
    )
    axis = "First minus second" if signed else "Range about the plane"
    drawn = frame.axes(
        svg.ticks(frame.x.low, frame.x.high, 12),
        [t for t in svg.ticks(0, top, 5) if float(t).is_integer()],
        f"{axis} ({lengths.small_symbol})",
        "Places",
    )
    for count, left in zip(counts, edges[:-1], strict=True):
        if not count:
            continue
        x1, x2 = frame.x(float(left)), frame.x(float(left) + step)
        above = float(left) > -step / 2
        bar = svg.rect(
            x1,
            frame.y(float(count)),
            x2 - x1,
            frame.y(0) - frame.y(float(count)),
            fill=BAR if above else svg.PAPER,
            stroke=svg.ABOVE if above else svg.BELOW,
            stroke_width=1,
        )
        ends = f"{svg.tick_text(float(left), step)} to {svg.tick_text(float(left) + step, step)}"
        tip = f"{ends} {lengths.small_symbol}: {count} {'place' if count == 1 else 'places'}"
        drawn.append(svg.group([svg.element("title", escape(tip)), bar]))
    if signed:
        drawn.append(svg.line(frame.x(0), frame.y(0), frame.x(0), frame.y(top), svg.INK, dash="2 3"))
    taken: list[tuple[float, float]] = []
    for mark_m, name in marks_m:
        x = frame.x(mark_m / lengths.small_m)
        drawn.append(svg.line(x, frame.y(0), x, frame.y(top), svg.LIMIT, width=1.2, dash="6 3"))
        half = svg.text_width(name, 9) / 2
        if all(x + half < a or x - half > b for a, b in taken):
            taken.append((x - half, x + half))
            drawn.append(svg.label(x, frame.y(top) - 4, name, size=9, anchor="middle", colour=svg.LIMIT))
    said = ", ".join(f"{name} {text.small(mark_m, signed=signed)}" for mark_m, name in marks_m)
    description = f"Histogram of {len(values)} places in {text.small_symbol}" + (
        f": {said}." if said else "."
    )
    caption = ""
    if beyond:
        caption = f"Beyond the ends of the axis: {beyond} {'place' if beyond == 1 else 'places'}."
    return Drawn(svg.picture(WIDTH, HEIGHT, description, drawn, "wide"), caption)
