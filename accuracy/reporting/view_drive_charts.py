"""The charts of one trajectory comparison, each with its heading and caption."""

from __future__ import annotations

import numpy as np

from accuracy.model import FloatArray, TrajectoryComparison, TrajectorySeries
from accuracy.reporting import charts_drift, charts_drive, svg
from accuracy.reporting.view_nouns import ChartView
from accuracy.rounding import fixed, speed_unit
from accuracy.units import LengthUnit


def charts(
    one: TrajectoryComparison, series: TrajectorySeries | None, unit: LengthUnit
) -> tuple[ChartView, ...]:
    """Plan, profile and time plot where the epochs are at hand; drift and distance from the record."""
    made: list[ChartView] = []
    if series is not None and len(series.chainage_m) > 1:
        made.append(_plan(one, series, unit))
        made.append(_profile(one, series, unit))
        if series.time_s is not None:
            made.append(_over_time(one, series, series.time_s, unit))
    drift = one.drift
    if drift is not None:
        for against, bins in (("time", drift.by_time), ("distance", drift.by_distance)):
            per_m, x_name = 1.0, "Time since the last fix (s)"
            if against == "distance":
                per_m, x_name = unit.metres, f"Distance since the last fix ({unit.symbol})"
            models = [m for m in drift.models if m.against == against]
            drawn = charts_drift.drift_chart(bins, models, unit, x_name, per_m)
            if drawn is not None:
                said = "Each figure stands for what lies" if against == "time" else "The same, for what lies"
                plural = "" if drift.outages == 1 else "s"
                caption = f"{said} up to the next tick; {drift.outages} outage{plural}."
                if models:
                    caption += (
                        " Curves: the fitted growth, solid horizontal, dashed up; shaded: its 95 % interval."
                    )
                made.append(
                    ChartView(title=f"Drift against {against}", svg=drawn, caption=caption, wide=False)
                )
    distance = charts_drift.distance_chart(one.by_distance, unit)
    if distance is not None:
        made.append(
            ChartView(
                title="Error against distance",
                svg=distance,
                caption="What grows with distance comes from the instrument's angles, the rest from the rig.",
                wide=False,
            )
        )
    return tuple(made)


def _plan(one: TrajectoryComparison, series: TrajectorySeries, unit: LengthUnit) -> ChartView:
    svg_text = charts_drive.plan_chart(
        series.easting_m, series.northing_m, series.chainage_m, series.fix.tolist(), one.gaps, unit
    )
    caption = "Where the run was compared, by the rig's fix; where the line breaks, nothing verifies it."
    return ChartView(title="Plan of the drive", svg=svg_text, caption=caption, wide=True)


def _profile(one: TrajectoryComparison, series: TrajectorySeries, unit: LengthUnit) -> ChartView:
    k, symbol = svg.Lengths(unit).small_m, svg.Lengths(unit).small_symbol
    panels = [
        charts_drive.Panel(f"Along ({symbol})", series.along_m / k),
        charts_drive.Panel(f"Cross ({symbol})", series.cross_m / k),
        charts_drive.Panel(f"Up ({symbol})", series.up_m / k),
    ]
    drawn, beyond = charts_drive.profile_chart(
        series.chainage_m / unit.metres,
        panels,
        series.fix.tolist(),
        f"Chainage along the rig's path ({unit.symbol})",
        f"Along, cross and up differences of {one.run} and {one.reference} along the path, with the fix.",
    )
    return ChartView(
        title="Differences along the path", svg=drawn, caption=_profile_caption(beyond, one), wide=True
    )


def _profile_caption(beyond: int, one: TrajectoryComparison) -> str:
    said = "Rig minus reference; cross is positive to the left. The band tells the fix by its hatching"
    said += ", empty where nothing was compared." if one.gaps else "."
    if beyond:
        said += " Triangles point to single epochs beyond the panel; the tables have the largest."
    return said


def _over_time(
    one: TrajectoryComparison, series: TrajectorySeries, time_s: FloatArray, unit: LengthUnit
) -> ChartView:
    k, symbol = svg.Lengths(unit).small_m, svg.Lengths(unit).small_symbol
    speed, km_per_h = speed_unit(unit)
    minutes = (time_s - float(time_s.min())) / 60
    horizontal = np.hypot(series.along_m, series.cross_m) / k
    size = charts_drive.Panel(f"Horiz. ({symbol})", horizontal, from_zero=True)
    panels = [
        size
        if np.isfinite(horizontal).any()
        else charts_drive.Panel(f"Cross ({symbol})", series.cross_m / k),
        charts_drive.Panel(f"Up ({symbol})", series.up_m / k),
        charts_drive.Panel(f"Speed ({speed})", series.speed_m_per_s * 3.6 / km_per_h, from_zero=True),
    ]
    drawn, _ = charts_drive.profile_chart(
        minutes,
        panels,
        series.fix.tolist(),
        f"Minutes since {fixed(float(time_s.min()), 1)} s on the rig's clock",
        f"Horizontal and up differences and the speed of {one.run} over time, with the fix as a band.",
    )
    caption = "The same differences over time, with the speed."
    return ChartView(title="Differences over time", svg=drawn, caption=caption, wide=True)
