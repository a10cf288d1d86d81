"""Small charts of one drive: how errors grow after loss of fix, and with distance from the instrument."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np

from accuracy.model import DriftBin, DriftModel, TrajectoryGroup
from accuracy.reporting import svg
from accuracy.reporting.lengths import in_unit
from accuracy.units import LengthUnit

LEFT = 56.0
SMALL_FOOT = 132.0
"""Where the horizontal axis lies."""


def drift_chart(
    bins: Sequence[DriftBin], models: Sequence[DriftModel], unit: LengthUnit, x_name: str, per: float = 1.0
) -> str | None:
    """RMSE against time or distance since the last fix, with the fitted growth and its interval.

    ``per`` is how many seconds or metres the printed unit of the horizontal axis has.
    """
    if not bins:
        return None
    lengths = svg.Lengths(unit)
    k = lengths.small_m
    middle = [math.sqrt(max(b.since, b.until / 4) * b.until) for b in bins]
    x = svg.Scale(math.log(middle[0] / 1.3), math.log(bins[-1].until), LEFT, 292)
    figures = [v for b in bins for v in (b.rmse_horizontal_m, b.rmse_up_m) if v is not None]
    top = max(figures) / k * 1.15 or 1.0
    y = svg.Scale(0, top, SMALL_FOOT, 10)
    drawn = _small_axes(y, top, f"RMSE ({lengths.small_symbol})", x_name)
    for b in bins:
        at = x(math.log(b.until))
        drawn.append(svg.line(at, SMALL_FOOT, at, SMALL_FOOT + 4, svg.HAIR))
        drawn.append(
            svg.label(
                at,
                SMALL_FOOT + 16,
                svg.tick_text(b.until / per, 1.0),
                size=9,
                anchor="middle",
                colour=svg.QUIET,
            )
        )
    for model in models:
        drawn += _growth(model, x, y, k, top)
    for name, shape in (("horizontal", 0), ("up", 1)):
        points = []
        for at, b in zip(middle, bins, strict=True):
            value = b.rmse_horizontal_m if name == "horizontal" else b.rmse_up_m
            if value is not None:
                points.append((x(math.log(at)), y(value / k)))
        drawn += [_dot(shape, *p) for p in points]
    drawn.append(_component_key((("horizontal", 0), ("up", 1)), LEFT + 8, 17))
    said = "; ".join(
        f"up to {svg.tick_text(b.until / per, 1.0)}: "
        + ("" if b.rmse_horizontal_m is None else f"{b.rmse_horizontal_m / k:.1f} horizontal, ")
        + f"{b.rmse_up_m / k:.1f} up"
        for b in bins
    )
    description = f"RMSE in {lengths.small_symbol} against {x_name.lower()}: {said}."
    return svg.picture(300, SMALL_FOOT + 37, description, drawn, "small")


def _growth(model: DriftModel, x: svg.Scale, y: svg.Scale, k: float, top: float) -> list[str]:
    if model.growth == "none":
        return []
    at = np.exp(np.linspace(x.low, x.high, 40))

    def curve(rate: float) -> list[tuple[float, float]]:
        grown = (rate * at) ** 2 if model.growth == "linear" else rate**2 * at
        size = np.sqrt(model.start_m**2 + grown) / k
        return [(x(math.log(a)), y(min(float(s), top))) for a, s in zip(at, size, strict=True)]

    drawn = []
    if model.rate_interval_95 is not None:
        low, high = (curve(max(rate, 0.0)) for rate in model.rate_interval_95)
        drawn.append(svg.path([*high, *reversed(low)], closed=True, fill=svg.GRID, fill_opacity=0.7))
    dash = "" if model.component == "horizontal" else "5 3"
    drawn.append(
        svg.path(
            curve(model.rate), fill="none", stroke=svg.ABOVE, stroke_width=1.4, stroke_dasharray=dash or None
        )
    )
    return drawn


def _small_axes(y: svg.Scale, top: float, y_name: str, x_name: str) -> list[str]:
    values = svg.ticks(0, top, 5)
    step = values[1] - values[0] if len(values) > 1 else 1.0
    drawn = [svg.line(LEFT, y(v), 292, y(v), svg.GRID if v else svg.INK) for v in values]
    drawn += [
        svg.label(LEFT - 6, y(v) + 3.3, svg.tick_text(v, step), size=9, anchor="end", colour=svg.QUIET)
        for v in values
    ]
    drawn.append(svg.label(14, SMALL_FOOT / 2 + 5, y_name, size=10, anchor="middle", turn=-90))
    drawn.append(svg.label((LEFT + 292) / 2, SMALL_FOOT + 31, x_name, size=10, anchor="middle"))
    return drawn


def _dot(shape: int, x: float, y: float) -> str:
    if shape == 0:
        return svg.circle(x, y, 3.2, fill=svg.INK)
    if shape == 1:
        return svg.rect(x - 2.8, y - 2.8, 5.6, 5.6, fill=svg.PAPER, stroke=svg.INK, stroke_width=1.3)
    return svg.path(
        [(x, y - 4), (x + 4, y), (x, y + 4), (x - 4, y)], closed=True, fill=svg.PAPER, stroke=svg.INK
    )


def _component_key(names: Sequence[tuple[str, int]], x: float, y: float) -> str:
    drawn = []
    for name, shape in names:
        drawn.append(_dot(shape, x, y))
        drawn.append(svg.label(x + 7, y + 3.3, name, size=9))
        x += 20 + svg.text_width(name, 9)
    return svg.group(drawn)


def distance_chart(groups: Sequence[TrajectoryGroup], unit: LengthUnit) -> str | None:
    """RMSE of along, cross and up by distance from the instrument; None below two bands."""
    if len(groups) < 2:
        return None
    lengths = svg.Lengths(unit)
    k = lengths.small_m
    shown = [
        [
            ("along", 0, g.along.rmse_m if g.along else None),
            ("cross", 1, g.cross.rmse_m),
            ("up", 2, g.up.rmse_m),
        ]
        for g in groups
    ]
    top = max(v for row in shown for _, _, v in row if v is not None) / k * 1.15 or 1.0
    y = svg.Scale(0, top, SMALL_FOOT, 10)
    x_name = f"Distance from the instrument, up to ({unit.symbol})"
    drawn = _small_axes(y, top, f"RMSE ({lengths.small_symbol})", x_name)
    step = (292 - LEFT) / len(groups)
    for number, (group, row) in enumerate(zip(groups, shown, strict=True)):
        x = LEFT + step * (number + 0.5)
        for _, shape, value in row:
            if value is not None:
                drawn.append(_dot(shape, x + (shape - 1) * min(9.0, step / 4), y(value / k)))
        edges = [svg.tick_text(float(one) / unit.metres, 1.0) for one in re.findall(r"\d+", group.name)]
        words = f"over {edges[0]}" if "over" in group.name else edges[-1] if edges else group.name
        drawn.append(svg.label(x, SMALL_FOOT + 16, words, size=8.5, anchor="middle", colour=svg.QUIET))
    names = (
        [("along", 0), ("cross", 1), ("up", 2)] if shown[0][0][2] is not None else [("cross", 1), ("up", 2)]
    )
    drawn.append(_component_key(names, LEFT + 8, 17))
    said = "; ".join(
        f"{in_unit(g.name, unit)}: cross {g.cross.rmse_m / k:.1f}, up {g.up.rmse_m / k:.1f}" for g in groups
    )
    return svg.picture(
        300, SMALL_FOOT + 37, f"RMSE in {lengths.small_symbol} by distance: {said}.", drawn, "small"
    )
