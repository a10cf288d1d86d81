"""Charts of several runs: tested figures against the class, and the matrix of run and checkpoint."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from accuracy.model import Component, Interval
from accuracy.reporting import svg
from accuracy.rounding import LengthText
from accuracy.units import LengthUnit

COMPONENTS = (Component.VERTICAL, Component.HORIZONTAL, Component.THREE_D)
SHAPE_NAMES = ("filled disc", "open square", "open diamond", "filled triangle")
WIDTH = 600.0
NAMES_WIDTH = 140.0
ROW = 24.0
COLUMNS_PER_BAND = 50
"""Checkpoints side by side in the matrix."""
CELL = 15.0
LONGEST_NAME = 18
LONGEST_DETAIL = 32
LONGEST_LABEL = 30
"""Of a run with its cloud, beside the matrix."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFigure:
    """One component of one run."""

    name: str
    """What the figure is."""
    tested_m: float
    interval_m: Interval | None
    class_m: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRow:
    """One run on the chart, or one cloud of it."""

    label: str
    """As the chart's words call it."""
    name: str
    detail: str
    """Under the name: what tells it apart."""
    group: int
    """Which shape it is drawn with."""
    figures: Mapping[Component, RunFigure]


def marker(shape: int, x: float, y: float) -> str:
    """Disc, square, diamond or triangle: told apart without colour."""
    style: dict[str, svg.Attribute] = {"fill": svg.PAPER, "stroke": svg.INK, "stroke_width": 1.6}
    kind = shape % len(SHAPE_NAMES)
    if kind == 0:
        return svg.circle(x, y, 4.2, **{**style, "fill": svg.INK})
    if kind == 1:
        return svg.rect(x - 4, y - 4, 8, 8, **style)
    if kind == 2:
        return svg.path([(x, y - 5.2), (x + 5.2, y), (x, y + 5.2), (x - 5.2, y)], closed=True, **style)
    return svg.path([(x, y - 5), (x + 5, y + 4), (x - 5, y + 4)], closed=True, **{**style, "fill": svg.INK})


def runs_chart(rows: Sequence[RunRow], unit: LengthUnit) -> str | None:
    """Tested figures of all runs, one panel per component side by side; None without any figure."""
    shown = [c for c in COMPONENTS if any(c in row.figures for row in rows)]
    if not shown:
        return None
    top, bottom = 26.0, 26.0 + ROW * len(rows)
    width = (WIDTH - NAMES_WIDTH - 8) / len(shown)
    drawn: list[str] = []
    for k, row in enumerate(rows):
        y = top + ROW * (k + 0.5)
        if k % 2 == 0:
            drawn.append(svg.rect(0, y - ROW / 2, WIDTH, ROW, fill=svg.SAND))
        drawn.append(svg.label(4, y - 1, svg.shorten(row.name, LONGEST_NAME), size=9.5, weight="600"))
        drawn.append(svg.label(4, y + 9.5, svg.shorten(row.detail, LONGEST_DETAIL), size=8, colour=svg.QUIET))
    said = []
    for k, component in enumerate(shown):
        left = NAMES_WIDTH + k * width + 10
        drawn += _panel(rows, component, unit, left, left + width - 22, top, bottom)
        said.append(words_of(rows, component, unit))
    description = f"Tested figures of {len(rows)} runs with 95 % intervals. {' '.join(said)}"
    return svg.picture(WIDTH, bottom + 40, description, drawn, "wide")


def words_of(rows: Sequence[RunRow], component: Component, unit: LengthUnit) -> str:
    """The panel in words, for readers who do not see it."""
    text = LengthText(unit)
    names = list(dict.fromkeys(row.figures[component].name for row in rows if component in row.figures))
    figures = [
        f"{row.label} {text.small(row.figures[component].tested_m)}"
        for row in rows
        if component in row.figures
    ]
    limit = next((r.figures[component].class_m for r in rows if component in r.figures), None)
    against = "" if limit is None else f", class {text.class_value(limit)}"
    return f"{' or '.join(names)} in {text.small_symbol}{against}: {', '.join(figures)}."


def _panel(
    rows: Sequence[RunRow],
    component: Component,
    unit: LengthUnit,
    left: float,
    right: float,
    top: float,
    bottom: float,
) -> list[str]:
    lengths, text = svg.Lengths(unit), LengthText(unit)
    k = lengths.small_m
    figures = [row.figures[component] for row in rows if component in row.figures]
    limit = next((f.class_m for f in figures if f.class_m is not None), None)
    largest = max(f.tested_m if f.interval_m is None else max(f.interval_m[1], f.tested_m) for f in figures)
    scale = svg.Scale(0, max(largest, limit or 0.0, 1e-6) / k * 1.1, left, right)
    values = svg.ticks(0, scale.high, max(2, int((right - left) / 30)))
    step = values[1] - values[0] if len(values) > 1 else 1.0
    drawn = [svg.label(left, top - 12, _axis_name(component, figures, text), size=9.5, weight="600")]
    for value in values:
        drawn.append(svg.line(scale(value), top, scale(value), bottom, svg.GRID))
        drawn.append(
            svg.label(
                scale(value),
                bottom + 14,
                svg.tick_text(value, step),
                size=9,
                anchor="middle",
                colour=svg.QUIET,
            )
        )
    drawn.append(svg.line(left, bottom, right, bottom, svg.INK))
    if limit is not None:
        x = scale(limit / k)
        drawn.append(svg.line(x, top - 4, x, bottom, svg.LIMIT, width=1.6, dash="6 3"))
        words = f"class {text.class_value(limit)}"
        late = x > (left + right) / 2
        drawn.append(
            svg.label(
                x,
                bottom + 30,
                words,
                size=9,
                anchor="end" if late else "start",
                colour=svg.LIMIT,
                weight="600",
            )
        )
    for number, row in enumerate(rows):
        figure = row.figures.get(component)
        y = top + ROW * (number + 0.5)
        if figure is None:
            drawn.append(svg.label(left, y + 3, "not measured", size=8.5, colour=svg.QUIET))
            continue
        if figure.interval_m is not None:
            low, high = (scale(end / k) for end in figure.interval_m)
            drawn.append(svg.line(low, y, high, y, svg.INK, width=1.3))
            drawn += [svg.line(end, y - 4, end, y + 4, svg.INK, width=1.3) for end in (low, high)]
        drawn.append(marker(row.group, scale(figure.tested_m / k), y))
    return drawn


def _axis_name(component: Component, figures: Sequence[RunFigure], text: LengthText) -> str:
    name = {Component.VERTICAL: "Height", Component.HORIZONTAL: "Horizontal", Component.THREE_D: "3D"}
    what = "RMSE" if all(one.name.startswith("RMSE") for one in figures) else "tested"
    return f"{name[component]}, {what} ({text.small_symbol})"


# --------------------------------------------------------------------------- matrix


def matrix_chart(
    runs: Sequence[str],
    ids: Sequence[str],
    residual_m: Sequence[Sequence[float | None]],
    unit: LengthUnit,
    *,
    signed: bool,
) -> str:
    """One sign per run and checkpoint, sized by the residual; bands of checkpoints one below another."""
    text = LengthText(unit)
    known = sorted(abs(v) for row in residual_m for v in row if v is not None)
    # One wild residual must not shrink all others to dots: it is drawn at full size, as are its like.
    full = max(known[int(0.98 * (len(known) - 1))], 1e-4) if known else 1.0
    names_width = _names_width(runs)
    columns = min(COLUMNS_PER_BAND, max(len(ids), 12))
    step = (WIDTH - names_width - 4) / columns
    reach = min(step * 0.92, CELL - 1)
    drawn: list[str] = []
    y = 4.0
    for start in range(0, max(len(ids), 1), columns):
        part = ids[start : start + columns]
        longest = max((svg.text_width(svg.shorten(name, 10), 7) for name in part), default=0.0)
        y += longest + 4
        for k, name in enumerate(part):
            x = names_width + step * (k + 0.5)
            drawn.append(svg.label(x + 2.5, y - 4, svg.shorten(name, 10), size=7, turn=-90))
        for number, run in enumerate(runs):
            middle = y + CELL * (number + 0.5)
            if number % 2 == 0:
                drawn.append(svg.rect(0, middle - CELL / 2, WIDTH, CELL, fill=svg.SAND))
            drawn.append(svg.label(3, middle + 3, svg.shorten(run, LONGEST_LABEL), size=8.5))
            for k, name in enumerate(part):
                value = residual_m[number][start + k]
                x = names_width + step * (k + 0.5)
                drawn.append(_cell(name, run, value, x, middle, reach, full, text, signed=signed))
        y += CELL * len(runs) + 8
    drawn.append(_matrix_key(full, reach, names_width, y + 10, text, signed=signed))
    what = "height" if signed else "horizontal"
    description = (
        f"{what.capitalize()} residuals of {len(runs)} runs at {len(ids)} checkpoints, drawn by size; the "
        "values stand in the annex."
    )
    return svg.picture(WIDTH, y + 24, description, drawn, "wide")


def _names_width(runs: Sequence[str]) -> float:
    """As wide as the longest label, so that clouds of one run stay apart in print."""
    longest = max((svg.text_width(svg.shorten(run, LONGEST_LABEL), 8.5) for run in runs), default=0.0)
    return max(92.0, longest + 6)


def _cell(
    name: str,
    run: str,
    value: float | None,
    x: float,
    y: float,
    reach: float,
    full: float,
    text: LengthText,
    *,
    signed: bool,
) -> str:
    if value is None:
        return svg.line(x - 1.6, y - 1.6, x + 1.6, y + 1.6, svg.QUIET, width=0.7) + svg.line(
            x - 1.6, y + 1.6, x + 1.6, y - 1.6, svg.QUIET, width=0.7
        )
    words = f"{run}, {text.small(value, signed=signed)} {text.small_symbol}"
    return svg.point(name, words, [glyph(value, x, y, reach, full, signed=signed)])


def glyph(value: float, x: float, y: float, reach: float, full: float, *, signed: bool) -> str:
    """A triangle (filled upward, outlined downward) or a disc, whose area goes with the residual."""
    size = max(reach * min(abs(value) / full, 1.0) ** 0.5, 1.6) / 2
    if not signed:
        return svg.circle(x, y, size, fill=svg.BELOW)
    if value >= 0:
        return svg.path(
            [(x, y - size), (x + size, y + size), (x - size, y + size)], closed=True, fill=svg.ABOVE
        )
    return svg.path(
        [(x, y + size), (x + size, y - size), (x - size, y - size)],
        closed=True,
        fill=svg.PAPER,
        stroke=svg.BELOW,
        stroke_width=0.9,
    )


def _matrix_key(full: float, reach: float, x: float, y: float, text: LengthText, *, signed: bool) -> str:
    value = svg.nice_length(full / svg.Lengths(text.unit).small_m) * svg.Lengths(text.unit).small_m
    shown = f"{text.class_value(value)} {text.small_symbol}"
    parts = [glyph(value, x + 6, y, reach, full, signed=signed)]
    if signed:
        parts.append(svg.label(x + 16, y + 3, f"{shown} above", size=8.5))
        parts.append(glyph(-value, x + 110, y, reach, full, signed=True))
        parts.append(svg.label(x + 120, y + 3, f"{shown} below", size=8.5))
    else:
        parts.append(svg.label(x + 16, y + 3, shown, size=8.5))
    return svg.group(parts)
