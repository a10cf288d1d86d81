"""The unit of every length column: its heading's, the option's, or metres. Part of reading the header."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from accuracy.errors import AccuracyError, TableError
from accuracy.reading import table_words as words
from accuracy.reading.table_heading import Unit, key_of, read_heading
from accuracy.reading.table_types import ColumnReading, TableOptions
from accuracy.units import LengthUnit


class Says(NamedTuple):
    """How the user says a unit where the headings do not, and whose error a contradiction is."""

    unit: str = "--unit"
    height_unit: str | None = "--height-unit"
    """None where heights have no unit of their own."""
    error: type[AccuracyError] = TableError


def length_unit(
    column: ColumnReading,
    columns: list[ColumnReading],
    stated: dict[int, Unit],
    options: TableOptions,
    path: Path,
    place: str,
    says: Says = Says(),  # noqa: B008 - immutable
) -> Unit:
    """The unit of one column: its heading's, the option's, or metres where nobody says."""
    is_height = column.role in words.HEIGHTS and says.height_unit is not None
    option = (options.height_unit if is_height else None) or options.unit
    mine = stated.get(column.position)
    flag = says.height_unit if is_height else says.unit
    if mine is not None and mine.name == "degree":
        raise says.error(
            "a length is given in degrees",
            path=path,
            place=f"{place}, {column.place}",
            remedy="Correct the heading.",
        )
    if mine is not None and math.isnan(mine.metres):
        raise says.error(
            f'the unit "{mine.name}" is not known',
            path=path,
            place=f"{place}, {column.place}",
            remedy="Write m, mm, cm, ft (international foot) or ftUS (US survey foot).",
        )
    if option is not None:
        chosen = Unit(option.value, option.metres)
        if mine is None or (mine.loose_foot and option is not LengthUnit.METRE):
            return chosen
        fine = mine.name in words.FINE_UNITS and column.role not in ("easting", "northing", "height")
        if mine.name != option.value and not fine:
            raise says.error(
                f"the heading says {mine.name}, but {flag} says {option.value}",
                path=path,
                place=f"{place}, {column.place}",
                remedy=f"Leave out the option, correct the heading, or give {flag} for this column.",
            )
        return mine
    if mine is not None:
        if mine.name == "feet":
            raise says.error(
                'the heading says "feet", which does not say which foot',
                path=path,
                place=f"{place}, {column.place}",
                remedy=f"Give {flag} international-foot (0.3048 m) or us-survey-foot (1200/3937 m).",
            )
        if mine.loose_foot:
            return Unit(LengthUnit.INTERNATIONAL_FOOT.value, mine.metres, loose_foot=True)
        return mine
    return _unstated_unit(column, columns, stated, path, place, says)


def _unstated_unit(
    column: ColumnReading,
    columns: list[ColumnReading],
    stated: dict[int, Unit],
    path: Path,
    place: str,
    says: Says,
) -> Unit:
    """Metres, or the foot of its own coordinate; a coordinate beside feet must say its unit."""
    metre = Unit(LengthUnit.METRE.value, 1.0)
    neighbours = [
        (c, stated[c.position])
        for c in columns
        if c.role in ("easting", "northing", "height") and c.position in stated
    ]
    if column.role in ("easting", "northing", "height"):
        feet = [(c, u) for c, u in neighbours if u.name != "metre"]
        if feet:
            raise says.error(
                f"{feet[0][0].place} is in {feet[0][1].name}, but {column.place} names no unit",
                path=path,
                place=place,
                remedy=f"Name the unit in every coordinate's heading, or give {says.unit}"
                + (f" (and {says.height_unit})." if says.height_unit else "."),
            )
        return metre
    partner = "height" if column.role in words.HEIGHTS else "easting"
    for other, unit in neighbours:
        if other.role == partner and unit.name not in words.FINE_UNITS:
            return Unit(LengthUnit.INTERNATIONAL_FOOT.value, unit.metres, True) if unit.loose_foot else unit
    return metre


def loose_feet_remarks(
    columns: Sequence[ColumnReading], stated: Mapping[int, Unit], options: TableOptions, way_out: str
) -> list[str]:
    """Which foot was taken where headings say only "ft" and no option says more."""
    loose = [c for c in columns if c.position in stated and stated[c.position].loose_foot]
    if not loose or options.unit is not None or options.height_unit is not None:
        return []
    return [
        f"{', '.join(c.heading or c.name for c in loose)}: read as international feet (0.3048 m); "
        f"give {way_out} if survey feet are meant."
    ]


def column_remarks(
    columns: tuple[ColumnReading, ...], stated: dict[int, Unit], options: TableOptions
) -> list[str]:
    """What was assumed about the columns, in sentences."""
    remarks = []
    by_role = {c.role: c for c in columns}
    x_y = [c for c in columns if c.role in ("easting", "northing") and key_of(c.heading) in {"x", "y"}]
    if x_y:
        remarks.append(
            f"{' and '.join(f'Column {c.heading} was taken as {c.role}' for c in x_y)}; "
            "in some countries X points north: check one point."
        )
    remarks += loose_feet_remarks(columns, stated, options, "--unit us-survey-foot")
    kinds = {c.heading: read_heading(c.heading).height_kind for c in columns if c.role == "height"}
    remarks += [
        f'The heading "{heading}" says that the heights are {kind}.'
        for heading, kind in kinds.items()
        if kind
    ]
    attributes = [c for c in columns if c.role == "attribute"]
    remarks += [
        f'Column "{c.heading}" was not used as an uncertainty: it does not say whether it is radial '
        "or per axis. Give sigma_easting and sigma_northing (or sigma_height)."
        for c in attributes
        if read_heading(c.heading).unclear_spread
    ]
    like = [c.heading for c in attributes if read_heading(c.heading).spread_like]
    if like:
        one = len(like) == 1
        remarks.append(
            f"{'Column' if one else 'Columns'} {', '.join(like)} {'looks' if one else 'look'} like survey "
            f"accuracies and {'is' if one else 'are'} not used: whether they are standard deviations or 95 % "
            "values, per axis or radial, is not said. Name them sigma_easting, sigma_northing, sigma_height "
            "if they are standard deviations per axis."
        )
    if "easting" in by_role and any(read_heading(c.heading).role in words.DEGREES for c in attributes):
        remarks.append("The table has grid and geographic coordinates; the grid coordinates were used.")
    precise = [
        c.heading
        for c in columns
        if c.role in words.SIGMAS and re.search("prec|unc", c.heading, re.IGNORECASE)
    ]
    if precise:
        remarks.append(f"{', '.join(precise)}: taken as one standard deviation.")
    return remarks
