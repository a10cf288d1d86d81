"""Charts of the residuals themselves: histogram, Q-Q plot, along the drive, horizontal scatter."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv, ndtri

from accuracy.model import FloatArray
from accuracy.reporting import charts_map, svg
from accuracy.rounding import LengthText
from accuracy.units import LengthUnit

FEWEST_FOR_HISTOGRAM = 5
FEWEST_FOR_QUANTILES = 5
SMALL_WIDTH, SMALL_HEIGHT = 300.0, 240.0
WIDE, WIDE_HEIGHT = 600.0, 250.0


@dataclass(frozen=True, slots=True)
class Frame:
    """A plotting area with its two scales, in axis units."""

    x: svg.Scale
    y: svg.Scale

    def axes(
        self,
        x_ticks: Sequence[float],
        y_ticks: Sequence[float],
        x_name: str,
        y_name: str,
    ) -> list[str]:
        """Grid lines, numbers and names of both axes."""
        left, right = self.x.start, self.x.end
        bottom, top = self.y.start, self.y.end
        x_step = x_ticks[1] - x_ticks[0] if len(x_ticks) > 1 else 1.0
        y_step = y_ticks[1] - y_ticks[0] if len(y_ticks) > 1 else 1.0
        drawn = [
            svg.line(left, self.y(v), right, self.y(v), svg.GRID if v else svg.HAIR, width=1) for v in y_ticks
        ]
        drawn += [svg.line(self.x(v), bottom, self.x(v), bottom + 4, svg.HAIR, width=1) for v in x_ticks]
        drawn += [
            svg.label(
                left - 6, self.y(v) + 3.5, svg.tick_text(v, y_step), size=10, anchor="end", colour=svg.QUIET
            )
            for v in y_ticks
        ]
        drawn += [
            svg.label(
                self.x(v), bottom + 16, svg.tick_text(v, x_step), size=10, anchor="middle", colour=svg.QUIET
            )
            for v in x_ticks
        ]
        drawn.append(svg.line(left, bottom, right, bottom, svg.INK, width=1))
        drawn.append(svg.label((left + right) / 2, bottom + 33, x_name, size=10.5, anchor="middle"))
        drawn.append(svg.label(left - 38, (top + bottom) / 2, y_name, size=10.5, anchor="middle", turn=-90))
        return drawn


def _padded(low: float, high: float, share: float = 0.06) -> tuple[float, float]:
    span = high - low
    if span <= 0:
        span = max(abs(high), 1.0)
    return low - share * span, high + share * span


def _bin_edges(values: FloatArray) -> FloatArray:
    """Freedman and Diaconis (1981) width, made round; between 5 and 30 bins."""
    low, high = float(values.min()), float(values.max())
    span = max(high - low, 1e-6)
    iqr = float(np.subtract(*np.percentile(values, [75, 25])))
    width = 2 * iqr / len(values) ** (1 / 3) if iqr > 0 else span / 8
    width = min(max(width, span / 30), span / 5)
    power = 10.0 ** math.floor(math.log10(width))
    step = min((f * power for f in (1, 2, 2.5, 5, 10)), key=lambda w: abs(math.log(w / width)))
    first, last = math.floor(low / step), math.floor(high / step) + 1
    return np.arange(first, last + 1, dtype=np.float64) * step


def histogram(residuals_m: FloatArray, unit: LengthUnit, what: str) -> str | None:
    """Counts per bin with the normal curve of the same mean and spread; None below five values."""
    n = len(residuals_m)
    if n < FEWEST_FOR_HISTOGRAM:
        return None
    lengths, text = svg.Lengths(unit), LengthText(unit)
    values = residuals_m / lengths.small_m
    edges = _bin_edges(values)
    counts, _ = np.histogram(values, edges)
    step = float(edges[1] - edges[0])
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    low, high = _padded(float(edges[0]), float(edges[-1]))
    grid = np.linspace(low, high, 121)
    curve = (
        np.exp(-0.5 * ((grid - mean) / sd) ** 2) / (sd * np.sqrt(2 * np.pi)) * n * step
        if sd > 0
        else np.zeros_like(grid)
    )
    top = max(float(counts.max()), float(curve.max())) * 1.08
    frame = Frame(svg.Scale(low, high, 48, SMALL_WIDTH - 8), svg.Scale(0, top, SMALL_HEIGHT - 44, 10))
    y_ticks = [t for t in svg.ticks(0, top, 5) if float(t).is_integer()]
    drawn = frame.axes(
        svg.ticks(low, high, 7), y_ticks, f"Cloud minus checkpoint ({lengths.small_symbol})", "Checkpoints"
    )
    for count, left in zip(counts, edges[:-1], strict=True):
        if not count:
            continue
        x1, x2 = frame.x(float(left)), frame.x(float(left) + step)
        drawn.append(
            svg.rect(
                x1,
                frame.y(float(count)),
                x2 - x1,
                frame.y(0) - frame.y(float(count)),
                fill="#c9d6d6",
                stroke=svg.BELOW,
                stroke_width=0.8,
            )
        )
    if sd > 0:
        points = [(frame.x(float(g)), frame.y(float(c))) for g, c in zip(grid, curve, strict=True)]
        drawn.append(svg.path(points, fill="none", stroke=svg.ABOVE, stroke_width=1.8))
    drawn.append(
        svg.line(frame.x(0), frame.y(0), frame.x(0), frame.y(top), svg.INK, width=1, dash="2 3")
        if low < 0 < high
        else ""
    )
    drawn.append(
        svg.line(frame.x(mean), frame.y(0), frame.x(mean), frame.y(top), svg.ABOVE, width=1, dash="6 3")
    )
    drawn += [
        svg.line(frame.x(float(v)), frame.y(0), frame.x(float(v)), frame.y(0) - 5, svg.INK, width=0.7)
        for v in values
    ]
    description = (
        f"Histogram of {n} {what}, {text.small_symbol}, with a normal curve of mean "
        f"{text.small(float(residuals_m.mean()), signed=True)} and standard deviation "
        f"{text.small(float(residuals_m.std(ddof=1)))}."
    )
    return svg.picture(SMALL_WIDTH, SMALL_HEIGHT, description, drawn, "small")


def quantile_band(n: int, level: float = 0.95) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Normal plotting positions of n sorted values and the pointwise band about them, each (n,).

    The i-th of n uniform values has a Beta(i, n+1-i) distribution (David and Nagaraja, Order
    Statistics, 3rd ed., 2.1); its median and its ``level`` limits are carried through the normal
    quantile function. About a line with the residuals' own mean and standard deviation the band holds
    more than ``level``: by simulation 99.6 % of the outermost of 20 points, 98.5 % of 48.
    """
    i = np.arange(1, n + 1)
    return (
        ndtri(betaincinv(i, n + 1 - i, 0.5)),
        ndtri(betaincinv(i, n + 1 - i, (1 - level) / 2)),
        ndtri(betaincinv(i, n + 1 - i, (1 + level) / 2)),
    )


def quantile_plot(residuals_m: FloatArray, unit: LengthUnit, what: str) -> str | None:
    """Sorted residuals against normal quantiles with a pointwise band; None below five or all alike."""
    n = len(residuals_m)
    if n < FEWEST_FOR_QUANTILES or float(np.ptp(residuals_m)) == 0:
        return None
    lengths = svg.Lengths(unit)
    values = np.sort(residuals_m / lengths.small_m)
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    position, low_band, high_band = quantile_band(n)
    lower, upper = mean + sd * low_band, mean + sd * high_band
    x_low, x_high = _padded(float(position[0]), float(position[-1]))
    y_low, y_high = _padded(
        min(float(values[0]), mean + sd * x_low, float(lower[0])),
        max(float(values[-1]), float(upper[-1])),
        0.03,
    )
    frame = Frame(
        svg.Scale(x_low, x_high, 48, SMALL_WIDTH - 8), svg.Scale(y_low, y_high, SMALL_HEIGHT - 44, 10)
    )
    drawn = frame.axes(
        svg.ticks(x_low, x_high, 7),
        svg.ticks(y_low, y_high, 6),
        "Normal quantile (standard deviations)",
        f"Cloud minus checkpoint ({lengths.small_symbol})",
    )
    xs = [frame.x(float(p)) for p in position]
    band = [(x, frame.y(float(v))) for x, v in zip(xs, upper, strict=True)]
    band += [(x, frame.y(float(v))) for x, v in reversed(list(zip(xs, lower, strict=True)))]
    drawn.insert(0, svg.path(band, closed=True, fill="#dfe6e4", stroke="none"))
    drawn.append(
        svg.line(
            frame.x(x_low),
            frame.y(mean + sd * x_low),
            frame.x(x_high),
            frame.y(mean + sd * x_high),
            svg.ABOVE,
            width=1.5,
        )
    )
    outside = 0
    for x, value, low, high in zip(xs, values, lower, upper, strict=True):
        stray = not low <= value <= high
        outside += stray
        drawn.append(
            svg.circle(
                x,
                frame.y(float(value)),
                2.6,
                fill=svg.INK if stray else svg.PAPER,
                stroke=svg.INK,
                stroke_width=1,
            )
        )
    description = (
        f"Q-Q plot of {n} {what} against the normal distribution, with a band for each point; {outside} of "
        f"{n} points lie outside the band."
    )
    return svg.picture(SMALL_WIDTH, SMALL_HEIGHT, description, drawn, "small")


@dataclass(frozen=True, slots=True)
class AlongPoint:
    """One residual on the chart along the drive."""

    id: str
    at: float
    residual_m: float
    uncertainty_m: float
    kind: charts_map.Kind


def along_chart(
    points: Sequence[AlongPoint], unit: LengthUnit, x_name: str, class_m: float | None, *, whole_numbers: bool
) -> str | None:
    """Height residuals along the corridor or in the table's order, with the class as dashed lines."""
    if not points:
        return None
    lengths, text = svg.Lengths(unit), LengthText(unit)
    k = lengths.small_m
    xs = [p.at for p in points]
    # Points that are not used do not stretch the axis: they may be wrong by metres.
    framing = [p for p in points if p.kind in charts_map.USED] or points
    ends = [(p.residual_m + s * p.uncertainty_m) / k for p in framing for s in (-1, 1)]
    limit = None if class_m is None else class_m / k
    shown = [*ends, 0.0]
    if limit is not None and limit < 4 * max(abs(e) for e in ends) + 1e-9:
        shown += [limit, -limit]
    y_low, y_high = _padded(min(shown), max(shown), 0.12 if len(framing) < len(points) else 0.06)
    x_low, x_high = _padded(min(xs), max(xs), 0.025)
    frame = Frame(svg.Scale(x_low, x_high, 52, WIDE - 8), svg.Scale(y_low, y_high, WIDE_HEIGHT - 42, 12))
    x_ticks = [
        t for t in svg.ticks(x_low, x_high, 12) if t >= 0 and (not whole_numbers or float(t).is_integer())
    ]
    drawn = frame.axes(
        x_ticks, svg.ticks(y_low, y_high, 7), x_name, f"Cloud minus checkpoint ({lengths.small_symbol})"
    )
    if limit is not None:
        limit_words = f"{text.class_value(limit * k)} {text.small_symbol}"
        for value, words in ((limit, "+ class"), (-limit, "\N{MINUS SIGN} class")):
            if y_low < value < y_high:
                y = frame.y(value)
                drawn.append(svg.line(frame.x.start, y, frame.x.end, y, svg.LIMIT, width=1.3, dash="7 4"))
                drawn.append(
                    svg.label(
                        frame.x.end - 2,
                        y - 4,
                        f"{words} {limit_words}",
                        size=9.5,
                        anchor="end",
                        colour=svg.LIMIT,
                    )
                )
    for p in points:
        drawn.append(_along_mark(frame, p, k, text))
    measured = sum(p.kind in charts_map.USED for p in points)
    description = (
        f"Height residuals of {measured} used checkpoints, {x_name[0].lower()}{x_name[1:]}; whiskers show "
        "one standard uncertainty."
    )
    return svg.picture(WIDE, WIDE_HEIGHT, description, drawn, "wide")


def _along_mark(frame: Frame, p: AlongPoint, k: float, text: LengthText) -> str:
    x, y = frame.x(p.at), frame.y(p.residual_m / k)
    words = f"{text.small(p.residual_m, signed=True)} {text.small_symbol}"
    if not frame.y.end <= y <= frame.y.start:
        up = y < frame.y.end
        y = frame.y.end + 6 if up else frame.y.start - 6
        tip = y - 6 if up else y + 6
        pointer = svg.path([(x - 3, y), (x, tip), (x + 3, y)], closed=True, fill=svg.QUIET)
        beside = svg.label(x + 6, y + 3, f"{words}, not used", size=9, colour=svg.QUIET)
        return svg.point(p.id, words, [pointer, beside])
    reach = abs(frame.y(0) - frame.y(p.uncertainty_m / k))
    colour = svg.QUIET if p.kind in {"unused", "control"} else svg.ABOVE if p.residual_m >= 0 else svg.BELOW
    whisker = svg.line(x, y - reach, x, y + reach, colour, width=1)
    stem = svg.line(x, frame.y(0), x, y, colour, width=0.6, dash="1 2")
    fill = colour if p.residual_m >= 0 else svg.PAPER
    if p.kind == "vegetated":
        mark = svg.path(
            [(x, y - 4.4), (x + 4.4, y), (x, y + 4.4), (x - 4.4, y)],
            closed=True,
            fill=fill,
            stroke=colour,
            stroke_width=1.3,
        )
    elif p.kind == "open":
        mark = svg.circle(x, y, 3.3, fill=fill, stroke=colour, stroke_width=1.3)
    else:
        mark = charts_map.symbol(p.kind, x, y)
    return svg.point(p.id, words, [stem, whisker, mark])


def scatter_chart(
    east_m: FloatArray, north_m: FloatArray, unit: LengthUnit, rmse_m: float, class_m: float | None
) -> str:
    """Horizontal residuals about the mark, with circles at RMSE_H and at the class; n at least 1."""
    lengths, text = svg.Lengths(unit), LengthText(unit)
    k = lengths.small_m
    radial = np.hypot(east_m, north_m)
    reach = max(float(radial.max()), rmse_m, 1e-4) / k
    if class_m is not None and class_m / k < 2.5 * reach:
        reach = max(reach, class_m / k)
    reach *= 1.1
    size, left, top = 200.0, 60.0, 8.0
    frame = Frame(svg.Scale(-reach, reach, left, left + size), svg.Scale(-reach, reach, top + size, top))
    values = svg.ticks(-reach, reach, 6)
    drawn = frame.axes(
        values, values, f"Easting ({lengths.small_symbol})", f"Northing ({lengths.small_symbol})"
    )
    x0, y0 = frame.x(0), frame.y(0)
    drawn += [svg.line(frame.x(v), top, frame.x(v), top + size, svg.GRID if v else svg.HAIR) for v in values]
    per_unit = frame.x(1) - x0
    drawn.append(svg.circle(x0, y0, rmse_m / k * per_unit, fill="none", stroke=svg.ABOVE, stroke_width=1.5))
    if class_m is not None and class_m / k <= reach:
        drawn.append(
            svg.circle(
                x0,
                y0,
                class_m / k * per_unit,
                fill="none",
                stroke=svg.LIMIT,
                stroke_width=1.3,
                stroke_dasharray="7 4",
            )
        )
    drawn += [
        svg.circle(
            frame.x(float(e) / k), frame.y(float(n) / k), 2.6, fill=svg.PAPER, stroke=svg.INK, stroke_width=1
        )
        for e, n in zip(east_m, north_m, strict=True)
    ]
    class_words = "" if class_m is None else f", class {text.class_value(class_m)}"
    description = (
        f"Scatter of {len(east_m)} horizontal residuals about the mark, {text.small_symbol}; RMSE_H "
        f"{text.small(rmse_m)}{class_words}."
    )
    return svg.picture(SMALL_WIDTH, SMALL_HEIGHT + 10, description, drawn, "small")


def verdict_gauge(
    tested_m: float,
    class_m: float | None,
    fit_m: float | None,
    interval_m: tuple[float, float] | None,
    unit: LengthUnit,
    *,
    called: str = "class",
) -> str:
    """The tested figure on a rule beside its class; the same of the residuals alone, with its interval.

    ``called`` is what the rule calls ``class_m``: a limit, where that is not the class itself.
    """
    lengths, text = svg.Lengths(unit), LengthText(unit)
    k = lengths.small_m
    width, height, left, right, y = 210.0, 46.0, 7.0, 203.0, 21.0
    largest = max(v for v in (tested_m, class_m, interval_m and interval_m[1]) if v is not None) / k
    scale = svg.Scale(0, max(largest * 1.12, 1e-6), left, right)
    values = svg.ticks(0, scale.high, 6)
    step = values[1] - values[0] if len(values) > 1 else 1.0
    drawn: list[str] = []
    if class_m is not None:
        drawn.append(svg.rect(left, y - 8, scale(class_m / k) - left, 16, fill="#e6ebe4", stroke="none"))
        drawn.append(svg.line(scale(class_m / k), y - 11, scale(class_m / k), y + 11, svg.LIMIT, width=2))
    drawn.append(svg.line(left, y + 8, right, y + 8, svg.INK, width=1))
    for value in values:
        drawn.append(svg.line(scale(value), y + 8, scale(value), y + 12, svg.INK, width=1))
        drawn.append(
            svg.label(
                scale(value), y + 23, svg.tick_text(value, step), size=9, anchor="middle", colour=svg.QUIET
            )
        )
    if interval_m is not None:
        drawn.append(svg.line(scale(interval_m[0] / k), y, scale(interval_m[1] / k), y, svg.INK, width=1.4))
        drawn += [svg.line(scale(v / k), y - 4, scale(v / k), y + 4, svg.INK, width=1.4) for v in interval_m]
    if fit_m is not None:
        drawn.append(svg.circle(scale(fit_m / k), y, 3.4, fill=svg.PAPER, stroke=svg.INK, stroke_width=1.5))
    x = scale(tested_m / k)
    drawn.append(svg.path([(x, y - 6), (x + 6, y), (x, y + 6), (x - 6, y)], closed=True, fill=svg.INK))
    if class_m is not None:
        at_class, late = scale(class_m / k), scale(class_m / k) > width * 0.6
        drawn.append(
            svg.label(
                at_class + (-4 if late else 4),
                y - 12,
                called,
                size=9,
                anchor="end" if late else "start",
                colour=svg.LIMIT,
                weight="600",
            )
        )
    against = "" if class_m is None else f" against the {called} of {text.class_value(class_m)}"
    description = f"Rule from zero: tested figure {text.small(tested_m)} {text.small_symbol}{against}."
    if interval_m is not None:
        description += (
            f" The 95 % interval of the residuals' own figure runs from {text.small(interval_m[0])} to "
            f"{text.small(interval_m[1])}."
        )
    return svg.picture(width, height, description, drawn, "gauge")
