"""Small multiples: height residuals against conditions of the drive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from accuracy.reporting import svg
from accuracy.rounding import LengthText
from accuracy.units import LengthUnit

PANEL_WIDTH, PANEL_HEIGHT = 300.0, 165.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One residual and the value of one condition."""

    id: str
    value: float
    residual_m: float
    fixed: bool


def small_multiples(panels: Sequence[tuple[str, Sequence[Point]]], unit: LengthUnit) -> str:
    """Two panels side by side, all with the same vertical axis; at least one panel with two points."""
    lengths, text = svg.Lengths(unit), LengthText(unit)
    k = lengths.small_m
    residuals = [p.residual_m / k for _, points in panels for p in points]
    span = max(max(residuals) - min(residuals), 1e-6)
    low, high = min(min(residuals) - 0.06 * span, 0.0), max(max(residuals) + 0.06 * span, 0.0)
    drawn: list[str] = []
    for number, (name, points) in enumerate(panels):
        x0, y0 = (number % 2) * PANEL_WIDTH, (number // 2) * (PANEL_HEIGHT + 8)
        drawn += _panel(name, points, low, high, x0, y0, lengths, text)
    rows = (len(panels) + 1) // 2
    n = max(len(points) for _, points in panels)
    names = ", ".join(name[0].lower() + name[1:] for name, _ in panels)
    description = f"Height residuals of up to {n} passes over checkpoints against {names}."
    return svg.picture(2 * PANEL_WIDTH, rows * (PANEL_HEIGHT + 8), description, drawn, "wide")


def _panel(
    name: str,
    points: Sequence[Point],
    low: float,
    high: float,
    x0: float,
    y0: float,
    lengths: svg.Lengths,
    text: LengthText,
) -> list[str]:
    values = [p.value for p in points]
    spread = max(max(values) - min(values), 1e-6)
    x = svg.Scale(min(values) - 0.05 * spread, max(values) + 0.05 * spread, x0 + 46, x0 + PANEL_WIDTH - 8)
    y = svg.Scale(low, high, y0 + PANEL_HEIGHT - 34, y0 + 8)
    y_ticks, x_ticks = svg.ticks(low, high, 5), svg.ticks(x.low, x.high, 6)
    y_step = y_ticks[1] - y_ticks[0] if len(y_ticks) > 1 else 1.0
    x_step = x_ticks[1] - x_ticks[0] if len(x_ticks) > 1 else 1.0
    drawn = [svg.line(x.start, y(v), x.end, y(v), svg.GRID if v else svg.INK) for v in y_ticks]
    drawn += [
        svg.label(x.start - 5, y(v) + 3.3, svg.tick_text(v, y_step), size=9, anchor="end", colour=svg.QUIET)
        for v in y_ticks
    ]
    drawn += [
        svg.label(x(v), y.start + 13, svg.tick_text(v, x_step), size=9, anchor="middle", colour=svg.QUIET)
        for v in x_ticks
        if x.low <= v <= x.high
    ]
    drawn.append(svg.label((x.start + x.end) / 2, y.start + 27, name, size=10, anchor="middle"))
    if x0 == 0:
        middle = (y.start + y.end) / 2
        drawn.append(
            svg.label(
                x0 + 12, middle, f"Residual ({lengths.small_symbol})", size=10, anchor="middle", turn=-90
            )
        )
    for p in points:
        px, py = x(p.value), y(p.residual_m / lengths.small_m)
        mark = (
            svg.circle(px, py, 2.7, fill=svg.PAPER, stroke=svg.INK, stroke_width=1.1)
            if p.fixed
            else svg.path(
                [(px, py - 4), (px + 4, py), (px, py + 4), (px - 4, py)], closed=True, fill=svg.ABOVE
            )
        )
        drawn.append(svg.point(p.id, f"{text.small(p.residual_m, signed=True)} {text.small_symbol}", [mark]))
    return drawn
