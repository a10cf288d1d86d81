"""Charts of one drive against one reference: profiles with a band for the fix, and the plan."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from accuracy.model import Fix, FloatArray, Gap, IntArray
from accuracy.reporting import charts_plan as plan
from accuracy.reporting import svg
from accuracy.rounding import counted
from accuracy.units import LengthUnit

WIDTH = 600.0
LEFT, RIGHT = 56.0, 584.0
BINS = 260
"""Columns of a profile; in each the smallest and largest value are drawn, so that no peak is lost."""
PANEL = 57.0
BAND = 11.0
SHOWN_SHARE = 0.995
MOST_PLACES = 360

FIX_WORDS: dict[str, str] = {
    Fix.FIXED.value: "fixed",
    Fix.FLOAT.value: "float",
    Fix.DIFFERENTIAL.value: "differential",
    Fix.SINGLE.value: "single",
    Fix.BRIDGED.value: "bridged",
    Fix.NONE.value: "none",
    Fix.UNKNOWN.value: "not stated",
}
LINE: dict[str, tuple[str, float, str]] = {
    Fix.FIXED.value: (svg.INK, 1.6, ""),
    Fix.FLOAT.value: (svg.ABOVE, 3.2, "5 3"),
    Fix.DIFFERENTIAL.value: (svg.LIMIT, 2.6, "8 3 2 3"),
    Fix.SINGLE.value: (svg.ABOVE, 2.6, "1.5 3"),
    Fix.BRIDGED.value: (svg.BELOW, 4.6, ""),
    Fix.NONE.value: (svg.QUIET, 1.6, "2 3"),
    Fix.UNKNOWN.value: (svg.QUIET, 1.1, ""),
}
"""Colour, width and dashes: each state differs from the others in width or dashes too."""


def fix_name(state: str) -> str:
    """The state in words."""
    return FIX_WORDS.get(state, state)


def breaks(at: FloatArray) -> IntArray:
    """Index of each first place after a stretch without comparison, (k,); chainages or times (n,)."""
    if len(at) < 3:
        return np.zeros(0, dtype=np.int64)
    step = np.abs(np.diff(at))
    usual = float(np.median(step[step > 0])) if (step > 0).any() else 0.0
    return np.flatnonzero(step > 12 * usual).astype(np.int64) + 1


# --------------------------------------------------------------------------- fix band


def _band_part(x1: float, x2: float, y: float, state: str) -> str:
    """One stretch of one state, told by its hatching."""
    box = svg.rect(
        x1,
        y,
        x2 - x1,
        BAND,
        fill={Fix.BRIDGED.value: svg.INK, Fix.FIXED.value: svg.GRID}.get(state, svg.PAPER),
        stroke=svg.QUIET,
        stroke_width=0.5,
    )
    lines: list[tuple[tuple[float, float], tuple[float, float]]] = []
    if state == Fix.FLOAT.value:
        lines = [((x, y), (x, y + BAND)) for x in np.arange(x1 + 1.5, x2, 3.0)]
    elif state == Fix.DIFFERENTIAL.value:
        lines = [((x1, y + d), (x2, y + d)) for d in (2.75, 5.5, 8.25)]
    elif state == Fix.UNKNOWN.value:
        lines = [((x1, y + BAND / 2), (x2, y + BAND / 2))]
    elif state in {Fix.SINGLE.value, Fix.NONE.value}:
        lines = [
            ((x, y + BAND), (min(x + BAND, x2), y + BAND - (min(x + BAND, x2) - x)))
            for x in np.arange(x1, x2, 5)
        ]
        if state == Fix.NONE.value:
            lines += [
                ((x, y), (min(x + BAND, x2), y + (min(x + BAND, x2) - x))) for x in np.arange(x1, x2, 5)
            ]
    if not lines:
        return box
    d = "".join(
        f"M{svg.coordinate(a)} {svg.coordinate(b)}L{svg.coordinate(c)} {svg.coordinate(e)}"
        for (a, b), (c, e) in lines
    )
    return box + svg.element("path", d=d, stroke=svg.INK, stroke_width=1.1, fill="none")


def fix_band(x: svg.Scale, at: FloatArray, fix: Sequence[str], y: float) -> list[str]:
    """The state of the fix along the axis; stretches without comparison stay empty."""
    order = np.argsort(at, kind="stable")
    at, states = at[order], np.asarray(fix)[order]
    cuts = set(breaks(at).tolist())
    drawn: list[str] = []
    start = 0
    for k in range(1, len(at) + 1):
        if k < len(at) and states[k] == states[start] and k not in cuts:
            continue
        end = at[k] if k < len(at) and k not in cuts else at[k - 1]
        x1, x2 = x(float(at[start])), x(float(end))
        drawn.append(_band_part(x1, max(x2, x1 + 0.6), y, str(states[start])))
        start = k
    return drawn


def band_key(states: Sequence[str], x: float, y: float) -> str:
    """What the hatchings mean, for the states that occur."""
    drawn = []
    for state in states:
        name = fix_name(state)
        drawn.append(_band_part(x, x + 20, y, state))
        drawn.append(svg.label(x + 25, y + 9, name, size=9))
        x += 40 + svg.text_width(name, 9)
    return svg.group(drawn)


# --------------------------------------------------------------------------- profiles


@dataclass(frozen=True, slots=True)
class Panel:
    """One curve over the common axis; values (n,) in axis units, NaN where not measured."""

    name: str
    values: FloatArray
    from_zero: bool = False


def profile_chart(
    at: FloatArray, panels: Sequence[Panel], fix: Sequence[str], x_name: str, description: str
) -> tuple[str, int]:
    """Curves one above another over one axis with a band for the fix; and how many values lie beyond.

    Args:
        at: (n,) chainage or time in axis units.
        panels: at least one.
        fix: (n,) states.
        x_name: the axis.
        description: for readers who do not see the drawing.
    """
    low, high = float(at.min()), float(at.max())
    scale = svg.Scale(low, high if high > low else low + 1, LEFT, RIGHT)
    drawn: list[str] = []
    y, beyond = 8.0, 0
    cuts = breaks(at)
    values = svg.ticks(scale.low, scale.high, 12)
    step = values[1] - values[0] if len(values) > 1 else 1.0
    for panel in panels:
        parts, out = _panel(panel, scale, at, cuts, y)
        drawn += [svg.line(scale(v), y, scale(v), y + PANEL, svg.GRID) for v in values]
        drawn += parts
        beyond += out
        y += PANEL + 9
    drawn += fix_band(scale, at, fix, y)
    drawn.append(svg.label(LEFT - 6, y + 9, "Fix", size=9, anchor="end", colour=svg.QUIET))
    y += BAND
    for v in values:
        drawn.append(svg.line(scale(v), y, scale(v), y + 4, svg.HAIR))
        drawn.append(
            svg.label(scale(v), y + 15, svg.tick_text(v, step), size=9.5, anchor="middle", colour=svg.QUIET)
        )
    drawn.append(svg.label((LEFT + RIGHT) / 2, y + 29, x_name, size=10, anchor="middle"))
    drawn.append(band_key(states_of(fix), LEFT, y + 38))
    return svg.picture(WIDTH, y + 56, description, drawn, "wide"), beyond


def states_of(fix: Sequence[str]) -> list[str]:
    """The states that occur, the best first."""
    present = {str(state) for state in fix}
    return [state for state in FIX_WORDS if state in present] + sorted(present - set(FIX_WORDS))


def _panel(panel: Panel, x: svg.Scale, at: FloatArray, cuts: IntArray, top: float) -> tuple[list[str], int]:
    known = panel.values[np.isfinite(panel.values)]
    if not len(known):
        return [
            svg.label((LEFT + RIGHT) / 2, top + PANEL / 2, f"{panel.name}: not measured", anchor="middle")
        ], 0
    tail = (1 - SHOWN_SHARE) / 2
    low, high = (float(v) for v in np.quantile(known, [tail, 1 - tail]))
    span = max(high - low, 1e-6)
    low = 0.0 if panel.from_zero else min(low - 0.25 * span, 0.0)
    high = max(min(high + 0.25 * span, float(known.max()) * 1.08), 1e-6)
    y = svg.Scale(low, high, top + PANEL, top)
    values = svg.ticks(low, high, 4)
    step = values[1] - values[0] if len(values) > 1 else 1.0
    drawn = [svg.line(LEFT, y(v), RIGHT, y(v), svg.GRID if v else svg.HAIR) for v in values]
    drawn += [
        svg.label(LEFT - 6, y(v) + 3.2, svg.tick_text(v, step), size=9, anchor="end", colour=svg.QUIET)
        for v in values
    ]
    drawn.append(svg.label(12, top + PANEL / 2, panel.name, size=9.5, anchor="middle", turn=-90))
    d, beyond = [], 0
    bounds = [0, *cuts.tolist(), len(at)]
    for start, stop in itertools.pairwise(bounds):
        points = thinned(at[start:stop], panel.values[start:stop], x)
        if points:
            d.append(
                "M"
                + "L".join(
                    f"{svg.coordinate(round(x(a), 1))} {svg.coordinate(round(y(min(max(v, low), high)), 1))}"
                    for a, v in points
                )
            )
    beyond = int(((known < low) | (known > high)).sum())
    drawn.append(
        svg.element(
            "path", d="".join(d), fill="none", stroke=svg.BELOW, stroke_width=1, stroke_linejoin="round"
        )
    )
    for side, edge in ((known.min() < low, low), (known.max() > high, high)):
        if side:
            tips = at[
                np.isfinite(panel.values) & ((panel.values < low) if edge == low else (panel.values > high))
            ]
            up = -1 if edge == high else 1
            drawn += [
                svg.path(
                    [(x(t) - 3, y(edge) - up * 5), (x(t) + 3, y(edge) - up * 5), (x(t), y(edge))],
                    closed=True,
                    fill=svg.ABOVE,
                )
                for t in _spread(tips, (x.high - x.low) / 60)
            ]
    return drawn, beyond


def _spread(at: FloatArray, apart: float) -> list[float]:
    """Some of the places, none nearer to the last than ``apart``."""
    kept: list[float] = []
    for value in np.sort(at).tolist():
        if not kept or value - kept[-1] > apart:
            kept.append(value)
    return kept


def thinned(at: FloatArray, values: FloatArray, x: svg.Scale) -> list[tuple[float, float]]:
    """Smallest and largest value of each column of the page, in the order in which they come."""
    keep = np.isfinite(values)
    at, values = at[keep], values[keep]
    if not len(at):
        return []
    column = np.floor((at - x.low) / (x.high - x.low) * BINS).astype(np.int64)
    starts = np.flatnonzero(np.r_[True, column[1:] != column[:-1]])
    points: list[tuple[float, float]] = []
    for start, stop in zip(starts, [*starts[1:], len(at)], strict=True):
        part = values[start:stop]
        picks = sorted({int(np.argmin(part)), int(np.argmax(part))})
        points += [(float(at[start + p]), float(part[p])) for p in picks]
    return points


# --------------------------------------------------------------------------- plan


def plan_chart(
    easting_m: FloatArray,
    northing_m: FloatArray,
    chainage_m: FloatArray,
    fix: Sequence[str],
    gaps: Sequence[Gap],
    unit: LengthUnit,
) -> str:
    """The drive from above, each state of the fix with a line of its own; numbered where a gap begins."""
    sheet = plan.lay_out(easting_m, northing_m, most_strips=1)
    strip = sheet.strips[0]
    places = plan.Places()
    states = np.asarray(fix)
    stride = max(1, len(states) // MOST_PLACES)
    bounds = sorted({0, *breaks(chainage_m).tolist(), len(states)})
    drawn: list[str] = []
    for start, stop in itertools.pairwise(bounds):
        changes = np.flatnonzero(states[start + 1 : stop] != states[start : stop - 1]) + start + 1
        edges = [start, *changes.tolist(), stop]
        for a, b in itertools.pairwise(edges):
            index = [*range(a, b, stride), min(b, stop - 1)]
            colour, width, dash = LINE.get(str(states[a]), LINE[Fix.UNKNOWN.value])
            points = [strip.page(float(easting_m[i]), float(northing_m[i])) for i in index]
            drawn.append(
                svg.path(
                    points, fill="none", stroke=colour, stroke_width=width, stroke_dasharray=dash or None
                )
            )
    first, last = (strip.page(float(easting_m[i]), float(northing_m[i])) for i in (0, -1))
    ground = plan.frame_and_grid(sheet, unit, places)
    drawn.append(svg.circle(*first, 4, fill=svg.PAPER, stroke=svg.INK, stroke_width=1.4))
    drawn.append(svg.rect(last[0] - 3.5, last[1] - 3.5, 7, 7, fill=svg.INK))
    places.solid += [(x - 5, y - 5, x + 5, y + 5) for x, y in (first, last)]
    for k in range(0, len(states), stride):
        x, y = strip.page(float(easting_m[k]), float(northing_m[k]))
        places.thin.append((x - 2, y - 2, x + 2, y + 2))
    to_name = [(*first, "start"), (*last, "end")]
    for number, gap in enumerate(gaps, start=1):
        x, y = strip.page(gap.easting_m, gap.northing_m)
        if strip.x < x < strip.x + strip.width and strip.y < y < strip.y + strip.height:
            drawn.append(svg.line(x, y - 7, x, y + 7, svg.ABOVE, width=1.4))
            places.solid.append((x - 2, y - 7, x + 2, y + 7))
            to_name.append((x, y, f"gap {number}"))
    # Labels last: a gap often begins where the drive does, and no sign may fall on another's name.
    drawn += [places.put(x, y, words, strip) or "" for x, y, words in to_name]
    top = sheet.height
    furniture = [plan.scale_bar(strip, unit, 14, top + 16)]
    x = 220.0
    for state in states_of(fix):
        colour, width, dash = LINE.get(state, LINE[Fix.UNKNOWN.value])
        furniture.append(svg.line(x, top + 16, x + 28, top + 16, colour, width=width, dash=dash))
        furniture.append(svg.label(x + 33, top + 19, fix_name(state), size=9))
        x += 48 + svg.text_width(fix_name(state), 9)
    named = ", ".join(fix_name(s) for s in states_of(fix))
    description = f"Plan of the drive; states of the fix: {named}; {counted(len(gaps), 'gap')}."
    return svg.picture(WIDTH, top + 30, description, [*ground, *drawn, *furniture], "map")
