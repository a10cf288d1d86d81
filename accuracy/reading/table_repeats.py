"""Points that stand in a table more than once: same id, or same place. Last step of reading a table."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from statistics import fmean, stdev

import numpy as np
from scipy.spatial import cKDTree

from accuracy.errors import TableError
from accuracy.model import FloatArray
from accuracy.reading.table_types import RepeatedPoint, SamePosition, SurveyedRow, TableOptions

MOST_SPREAD_M = 1.0
"""Occupations further apart than this are not of one point (common practice, no source)."""
METRES_PER_DEGREE = 111_320.0
"""On a sphere; good to 0.6 %, enough for saying how far apart two occupations are."""


def positions_m(rows: tuple[SurveyedRow, ...]) -> FloatArray:
    """Positions in plan as (n, 2) metres about the first row; degrees on a local sphere."""
    if rows[0].latitude_deg is None:
        grid = np.array([(r.easting_m, r.northing_m) for r in rows], dtype=np.float64)
        return np.asarray(grid - grid[0])
    degrees = np.array([(r.longitude_deg, r.latitude_deg) for r in rows], dtype=np.float64)
    scale = METRES_PER_DEGREE * np.array([np.cos(np.radians(degrees[0, 1])), 1.0])
    return np.asarray((degrees - degrees[0]) * scale)


def settle_repeats(
    rows: tuple[SurveyedRow, ...], options: TableOptions, path: Path
) -> tuple[tuple[SurveyedRow, ...], tuple[RepeatedPoint, ...], list[str]]:
    """Average repeated ids where that was asked for; refuse them otherwise."""
    groups: dict[str, list[SurveyedRow]] = {}
    for row in rows:
        groups.setdefault(row.id, []).append(row)
    repeated = [group for group in groups.values() if len(group) > 1]
    remarks = _near_ids(groups)
    if not repeated:
        return rows, (), remarks
    if not options.average_duplicates:
        first = repeated[0]
        lines = " and ".join(f"{row.row:,}" for row in first)
        spread = _spread(first)
        more = f" {len(repeated) - 1:,} other ids are repeated too." if len(repeated) > 1 else ""
        raise TableError(
            f'id "{first[0].id}" stands in rows {lines} (apart by {spread.spread_easting_m:.3f} m east, '
            f"{spread.spread_northing_m:.3f} m north, {spread.spread_height_m:.3f} m in height)",
            path=path,
            place=f"row {first[1].row:,}",
            remedy="Rename or delete one, or ask for occupations of one point to be averaged with "
            f"--average-duplicates.{more}",
        )
    spreads = tuple(_spread(group) for group in repeated)
    for group, spread in zip(repeated, spreads, strict=True):
        _refuse_different(group, spread, path)
    remarks += [
        f'"{s.id}" was occupied {len(s.rows)} times (rows {", ".join(f"{r:,}" for r in s.rows)}) '
        f"and averaged; the occupations spread {s.spread_easting_m:.3f} m east, "
        f"{s.spread_northing_m:.3f} m north, {s.spread_height_m:.3f} m in height."
        for s in spreads
    ]
    averaged = tuple(group[0] if len(group) == 1 else _average(group) for group in groups.values())
    return averaged, spreads, remarks


def _near_ids(groups: dict[str, list[SurveyedRow]]) -> list[str]:
    folded: dict[str, str] = {}
    for name in groups:
        other = folded.setdefault(name.casefold(), name)
        if other != name:
            return [f'Ids "{other}" and "{name}" differ only in upper and lower case; both are kept.']
    return []


def _spread(group: list[SurveyedRow]) -> RepeatedPoint:
    plan = np.ptp(positions_m(tuple(group)), axis=0)
    heights = [row.height_m for row in group]
    return RepeatedPoint(
        id=group[0].id,
        rows=tuple(row.row for row in group),
        spread_easting_m=float(plan[0]),
        spread_northing_m=float(plan[1]),
        spread_height_m=max(heights) - min(heights),
    )


def _refuse_different(group: list[SurveyedRow], spread: RepeatedPoint, path: Path) -> None:
    place = f"rows {' and '.join(f'{row.row:,}' for row in group)}"
    largest = max(spread.spread_easting_m, spread.spread_northing_m, spread.spread_height_m)
    if largest > MOST_SPREAD_M:
        raise TableError(
            f'rows with id "{spread.id}" lie {largest:.3f} m apart: they are not occupations of one point',
            path=path,
            place=place,
            remedy="Rename or delete one of them.",
        )
    for name in ("cover", "role", "mark", "mark_size_m", "observed"):
        values = list(dict.fromkeys(getattr(row, name) for row in group))
        if len(values) > 1:
            shown = " and ".join(f'"{value}"' for value in values[:2])
            raise TableError(
                f'occupations of "{spread.id}" contradict each other: {name.removesuffix("_m")} is {shown}',
                path=path,
                place=place,
                remedy="Correct the table so that they agree.",
            )


def _mean(values: list[float]) -> float:
    # About the first: the mean of equal values is then that value exactly.
    return values[0] + fmean(value - values[0] for value in values)


def _average(group: list[SurveyedRow]) -> SurveyedRow:
    """The mean occupation.

    Its standard uncertainty is that of the mean from the spread, sd / sqrt(n) (GUM 4.2.3), but never
    less than the stated one: occupations share base, antenna and satellites, so stated uncertainties
    do not fall with their number, and two or three occupations can agree by chance.
    """

    def mean(name: str) -> float | None:
        return None if getattr(group[0], name) is None else _mean([getattr(row, name) for row in group])

    plan = positions_m(tuple(group))
    offsets = {
        "sigma_easting_m": plan[:, 0].tolist(),
        "sigma_northing_m": plan[:, 1].tolist(),
        "sigma_height_m": [row.height_m - group[0].height_m for row in group],
    }
    sigmas: dict[str, float | None] = {}
    for name, values in offsets.items():
        stated = [s for row in group if (s := getattr(row, name)) is not None]
        sigmas[name] = max([stdev(values) / len(group) ** 0.5, *stated]) or None
    attributes: dict[str, str] = {}
    for key in dict.fromkeys(key for row in group for key in row.attributes):
        attributes[key] = " / ".join(
            dict.fromkeys(row.attributes[key] for row in group if key in row.attributes)
        )
    return replace(
        group[0],
        text="\n".join(row.text for row in group),
        easting_m=mean("easting_m"),
        northing_m=mean("northing_m"),
        latitude_deg=mean("latitude_deg"),
        longitude_deg=mean("longitude_deg"),
        height_m=_mean([row.height_m for row in group]),
        sigma_easting_m=sigmas["sigma_easting_m"],
        sigma_northing_m=sigmas["sigma_northing_m"],
        sigma_height_m=sigmas["sigma_height_m"],
        attributes=attributes,
    )


def same_positions(rows: tuple[SurveyedRow, ...], within_m: float) -> tuple[SamePosition, ...]:
    """Pairs of different ids nearer than ``within_m`` in plan: each point with its nearest other."""
    if len(rows) < 2:
        return ()
    plan = positions_m(rows)
    # Exact repeats first: a search tree degrades where many points coincide.
    unique, first, inverse = np.unique(plan, axis=0, return_index=True, return_inverse=True)
    pairs = {(int(first[k]), i) for i, k in enumerate(inverse.ravel().tolist()) if int(first[k]) != i}
    if len(unique) > 1:
        distance, nearest = cKDTree(unique).query(unique, k=2)
        for i in np.flatnonzero(distance[:, 1] < within_m).tolist():
            a, b = int(first[i]), int(first[nearest[i, 1]])
            pairs.add((min(a, b), max(a, b)))
    return tuple(
        SamePosition(
            ids=(rows[a].id, rows[b].id),
            rows=(rows[a].row, rows[b].row),
            distance_m=float(np.hypot(*(plan[a] - plan[b]))),
            height_difference_m=rows[b].height_m - rows[a].height_m,
        )
        for a, b in sorted(pairs)
    )


def position_remarks(pairs: tuple[SamePosition, ...]) -> list[str]:
    """Shared positions in words; many are counted, not listed."""
    remarks = [
        f'"{p.ids[0]}" (row {p.rows[0]:,}) and "{p.ids[1]}" (row {p.rows[1]:,}) stand '
        f"{p.distance_m * 1000:.0f} mm apart in plan, {abs(p.height_difference_m) * 1000:.0f} mm in height; "
        "both are kept: one point under two ids counts twice in means and RMSEs, and once, as a place, in "
        "numbers of checkpoints and in intervals."
        for p in pairs[:10]
    ]
    if len(pairs) > 10:
        remarks.append(f"{len(pairs) - 10:,} more pairs of points share a position.")
    return remarks
