"""Everything after the statement: maps, charts, suggested mistakes, the tables of checkpoints."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np

from accuracy.model import (
    CheckpointResult,
    Component,
    Cover,
    Flag,
    HorizontalResidual,
    NotMeasured,
    RunRecord,
    VerticalResidual,
)
from accuracy.reporting import charts_map, charts_plan, charts_residuals, words
from accuracy.reporting.lengths import in_unit
from accuracy.reporting.tables import observed_height_difference_m
from accuracy.reporting.view_nouns import ChartView, DetailRow, MistakeView, ResidualRow
from accuracy.rounding import LengthText, fixed
from accuracy.statistics.distribution import distance_along_line_m
from accuracy.units import LengthUnit

DASH = "\N{EN DASH}"


def _class_m(run: RunRecord, component: Component) -> float | None:
    return next((v.class_m for v in run.verdicts if v.component is component and v.class_m), None)


# --------------------------------------------------------------------------- maps and charts


def maps(run: RunRecord, unit: LengthUnit) -> tuple[ChartView, ...]:
    """A map of the heights, and one of the horizontal residuals where there are any."""
    if not run.checkpoints:
        return ()
    made = [("Height residuals", charts_map.height_map(run.checkpoints, unit))]
    if any(c.horizontal.measured for c in run.checkpoints):
        made.append(("Horizontal residuals", charts_map.horizontal_map(run.checkpoints, unit)))
    views = []
    for title, drawn in made:
        caption = [drawn.caption]
        if drawn.unlabelled:
            caption.append(
                f"{drawn.unlabelled} names found no room; the largest residuals are named first, and the "
                "table of residuals has all."
            )
        views.append(
            ChartView(title=title, svg=drawn.svg, caption=" ".join(filter(None, caption)), wide=True)
        )
    return tuple(views)


def _used_heights(run: RunRecord, cover: Cover) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array(
        [
            c.vertical.residual_m
            for c in run.checkpoints
            if c.counts and c.cover is cover and isinstance(c.vertical, VerticalResidual)
        ],
        dtype=np.float64,
    )


def _along(run: RunRecord, unit: LengthUnit) -> ChartView | None:
    measured = [(c, c.vertical) for c in run.checkpoints if isinstance(c.vertical, VerticalResidual)]
    if not measured:
        return None
    easting = np.array([c.easting_m for c, _ in measured])
    northing = np.array([c.northing_m for c, _ in measured])
    corridor = (
        run.distribution.shape == "corridor" or charts_plan.principal_axis(easting, northing).is_corridor
    )
    at = np.arange(1.0, len(measured) + 1)
    if corridor:
        along_m = distance_along_line_m(easting, northing)
        at = (along_m - along_m.min()) / unit.metres
    points = [
        charts_residuals.AlongPoint(
            id=c.id,
            at=float(a),
            residual_m=v.residual_m,
            uncertainty_m=v.standard_uncertainty_m,
            kind=charts_map.kind_of(c, measured=True),
        )
        for (c, v), a in zip(measured, at, strict=True)
    ]
    name = f"Distance along the corridor ({unit.symbol})" if corridor else "Order in the table"
    svg = charts_residuals.along_chart(
        points, unit, name, _class_m(run, Component.VERTICAL), whole_numbers=not corridor
    )
    caption = (
        "Filled above the mark, hollow below; discs on open ground, diamonds in vegetation, crosses not "
        "used. The whisker is one standard uncertainty. A class limits the RMSE of all residuals, not each "
        "one: single residuals beyond the dashed lines do not by themselves fail it."
    )
    title = "Height residuals along the corridor" if corridor else "Height residuals in the table's order"
    return None if svg is None else ChartView(title=title, svg=svg, caption=caption, wide=True)


def charts(run: RunRecord, unit: LengthUnit) -> tuple[ChartView, ...]:
    """Residuals along the drive, histogram, Q-Q plot and horizontal scatter, as far as there is data."""
    made: list[ChartView | None] = [_along(run, unit)]
    heights, what = _used_heights(run, Cover.OPEN), "height residuals on open ground"
    if not len(heights):
        heights, what = _used_heights(run, Cover.VEGETATED), "height residuals in vegetation"
    histogram = charts_residuals.histogram(heights, unit, what)
    if histogram is not None:
        caption = (
            f"The {len(heights)} {what}. Curve: the normal distribution with their mean and standard "
            "deviation. Long dashes: the mean. Short dashes: zero. Ticks at the foot: the residuals."
        )
        made.append(ChartView(title="Histogram", svg=histogram, caption=caption, wide=False))
    quantiles = charts_residuals.quantile_plot(heights, unit, what)
    if quantiles is not None:
        caption = (
            "Normal residuals follow the line. Where they are normal the band holds each point with more "
            "than 95 % probability, so of 20 such residuals hardly any stray; strays are filled."
        )
        made.append(ChartView(title="Q-Q plot", svg=quantiles, caption=caption, wide=False))
    made.append(_scatter(run, unit))
    return tuple(chart for chart in made if chart is not None)


def _scatter(run: RunRecord, unit: LengthUnit) -> ChartView | None:
    used = [c.horizontal for c in run.checkpoints if c.used and isinstance(c.horizontal, HorizontalResidual)]
    summary = run.summary.horizontal
    if not used or summary is None:
        return None
    limit = _class_m(run, Component.HORIZONTAL)
    svg = charts_residuals.scatter_chart(
        np.array([h.residual_easting_m for h in used]),
        np.array([h.residual_northing_m for h in used]),
        unit,
        summary.rmse_m,
        limit,
    )
    caption = "Where the cloud shows each mark, seen from the mark. Solid circle: RMSE_H."
    if limit is not None:
        caption += " Dashed circle: the class."
    return ChartView(title="Horizontal scatter", svg=svg, caption=caption, wide=False)


def charts_note(run: RunRecord) -> str:
    """Why a histogram is missing, where one is."""
    n = len(_used_heights(run, Cover.OPEN)) or len(_used_heights(run, Cover.VEGETATED))
    if n == 0:
        return "No height was measured, so there is nothing to draw."
    if n < charts_residuals.FEWEST_FOR_HISTOGRAM:
        return (
            f"With {n} height residual{'s' if n > 1 else ''} no distribution can be shown: a histogram and "
            f"a Q-Q plot are drawn from {charts_residuals.FEWEST_FOR_HISTOGRAM} on."
        )
    return ""


def mistakes(run: RunRecord, unit: LengthUnit) -> tuple[MistakeView, ...]:
    """Suggested explanations, the strongest first."""
    ranked = sorted(run.mistakes, key=lambda m: -m.score)
    return tuple(
        MistakeView(
            kind=words.mistake(m.kind),
            evidence=in_unit(m.evidence, unit, [c.id for c in run.checkpoints if " " in c.id]),
            check_by=m.check_by,
        )
        for m in ranked
    )


def warning(run: RunRecord, unit: LengthUnit) -> str | None:
    """The strongest suggested mistake in one line for the first page; None where none is suggested."""
    ranked = mistakes(run, unit)
    if not ranked:
        return None
    more = (
        ""
        if len(ranked) == 1
        else f" {len(ranked) - 1} other explanation{'s' if len(ranked) > 2 else ''} too."
    )
    return f"{ranked[0].kind}. {ranked[0].evidence}{more}"


# --------------------------------------------------------------------------- tables


def _notes(c: CheckpointResult, text: LengthText, *, usual_method: str | None) -> str:
    said: list[str] = []
    reason = None if isinstance(c.vertical, VerticalResidual) else c.vertical.reason
    if not c.used:
        why = c.why_not_used or "no reason recorded"
        # The user's own reasons stay as they were written.
        said.append(f"Not used: {in_unit(why, text.unit) if why == reason else why}")
    if isinstance(c.vertical, NotMeasured):
        if not (c.why_not_used and c.vertical.reason.strip(".") in c.why_not_used):
            said.append(f"Height not measured: {in_unit(c.vertical.reason, text.unit)}")
    elif c.vertical.flags:
        apart = None
        if c.vertical.observed_difference_m is not None:
            apart = text.small(c.vertical.observed_difference_m, signed=True)
        said.append("Height: " + ", ".join(_flag(f, apart, text) for f in c.vertical.flags))
    if isinstance(c.horizontal, HorizontalResidual):
        method = words.METHOD[c.horizontal.method]
        parts = [method] if method != usual_method else []
        parts += [_flag(f, _apart(c.horizontal, text), text) for f in c.horizontal.flags]
        if parts:
            said.append("Horizontal: " + ", ".join(parts))
    elif c.mark != "none" and c.used:
        said.append(f"Horizontal not measured: {words.REASON[c.horizontal.code]}")
    return " ".join(s if s.endswith((".", "!", "?")) else f"{s}." for s in said)


def _flag(flag: Flag, apart: str | None, text: LengthText) -> str:
    """A flag in words; that of an operator's reading with the difference, measured minus read."""
    if flag is Flag.OBSERVED_DISAGREES and apart is not None:
        return f"{words.FLAG[flag]} by {apart} {text.small_symbol}"
    return in_unit(words.FLAG[flag], text.unit)


def _apart(found: HorizontalResidual, text: LengthText) -> str | None:
    if found.observed_difference_m is None:
        return None
    parts = [*found.observed_difference_m, found.observed_height_difference_m]
    return ", ".join(text.small(one, signed=True) for one in parts if one is not None)


def _methods(run: RunRecord) -> Counter[str]:
    return Counter(
        words.METHOD[c.horizontal.method]
        for c in run.checkpoints
        if isinstance(c.horizontal, HorizontalResidual)
    )


def _usual_method(run: RunRecord) -> str | None:
    """How most horizontal positions were measured: said once above the table, and not in each row."""
    found = _methods(run).most_common(1)
    return found[0][0] if found else None


def residual_rows(run: RunRecord, unit: LengthUnit) -> tuple[ResidualRow, ...]:
    """Every checkpoint of the table, used or not."""
    text = LengthText(unit)
    usual = _usual_method(run)
    rows = []
    for c in run.checkpoints:
        v = c.vertical if isinstance(c.vertical, VerticalResidual) else None
        h = c.horizontal if isinstance(c.horizontal, HorizontalResidual) else None
        rows.append(
            ResidualRow(
                id=c.id,
                easting=text.large(c.easting_m),
                northing=text.large(c.northing_m),
                height=text.large(c.height_m),
                used=c.used,
                cover=words.COVER[c.cover],
                height_residual=DASH if v is None else text.small(v.residual_m, signed=True),
                height_uncertainty=DASH if v is None else text.small(v.standard_uncertainty_m),
                easting_residual=DASH if h is None else text.small(h.residual_easting_m, signed=True),
                northing_residual=DASH if h is None else text.small(h.residual_northing_m, signed=True),
                horizontal_uncertainty=DASH if h is None else text.small(h.standard_uncertainty_m),
                notes=_notes(c, text, usual_method=usual),
            )
        )
    return tuple(rows)


def _against_readings(run: RunRecord, text: LengthText) -> list[str]:
    """What was measured against what an operator read in the cloud, where both exist."""
    plan = [
        math.hypot(*c.horizontal.observed_difference_m)
        for c in run.checkpoints
        if isinstance(c.horizontal, HorizontalResidual) and c.horizontal.observed_difference_m is not None
    ]
    up = [one for c in run.checkpoints if (one := observed_height_difference_m(c)) is not None]
    said = []
    if plan:
        rms = math.sqrt(sum(one**2 for one in plan) / len(plan))
        said.append(
            f"Positions read by an operator and measured: {len(plan)}, apart by {text.small(rms)} "
            f"{text.small_symbol} RMS."
        )
    if up:
        rms = math.sqrt(sum(one**2 for one in up) / len(up))
        said.append(
            f"Heights read by an operator and measured: {len(up)}, measured minus read "
            f"{text.small(sum(up) / len(up), signed=True)} {text.small_symbol} on average, "
            f"{text.small(rms)} {text.small_symbol} RMS."
        )
    return said


def residuals_note(run: RunRecord, unit: LengthUnit) -> str:
    """How many rows were used and how many were not, and how readings agree with what was measured."""
    text = LengthText(unit)
    used = sum(c.used for c in run.checkpoints)
    said = [f"{len(run.checkpoints)} surveyed point{'s' if len(run.checkpoints) != 1 else ''}, {used} used."]
    methods = _methods(run)
    if methods:
        (usual, most), *others = methods.most_common()
        listed = ", ".join(f"{name} ({count})" for name, count in others)
        said.append(
            f"Horizontal positions measured by {usual} ({most})"
            + (f" where the notes name nothing else, {listed}." if others else ".")
        )
    said += _against_readings(run, text)
    said.append("The same table at full precision: residuals.csv.")
    return " ".join(said)


def detail_rows(run: RunRecord, unit: LengthUnit) -> tuple[DetailRow, ...]:
    """How each height was measured."""
    text = LengthText(unit)
    rows = []
    for c in run.checkpoints:
        v = c.vertical
        if not isinstance(v, VerticalResidual):
            continue
        passes = str(v.passes)
        if v.pass_difference_m is not None:
            passes += f", {text.small(v.pass_difference_m)} apart"
        rows.append(
            DetailRow(
                id=c.id,
                points=str(v.points),
                density=fixed(v.density_per_m2 * unit.metres**2, 1 if v.density_per_m2 < 100 else 0),
                radius=text.large(v.radius_m, 2),
                slope=fixed(v.slope_percent, 1),
                roughness=text.small(v.roughness_m),
                fit_uncertainty=text.small(v.fit_uncertainty_m),
                survey_uncertainty=text.small(v.survey_uncertainty_m),
                spread=text.small(v.spread_m),
                surface=v.surface if v.layers == 1 else f"{v.surface}, {v.layers} layers",
                passes=passes,
            )
        )
    return tuple(rows)
