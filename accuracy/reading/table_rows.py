"""Records to surveyed rows: every value read, brought to metres and checked. After header."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import inf, isfinite
from pathlib import Path
from typing import NoReturn

from accuracy.errors import TableError
from accuracy.model import Cover, Role
from accuracy.reading import table_words as words
from accuracy.reading.table_header import Layout
from accuracy.reading.table_heading import key_of, unit_of
from accuracy.reading.table_numbers import (
    DecimalMark,
    ReadNumber,
    choose_decimal_mark,
    doubtful_group,
    is_arc,
    is_empty,
    looks_numeric,
    plain_number,
    read_degrees,
    read_number,
)
from accuracy.reading.table_oddities import COARSE_M, Notes, refuse_degrees, row_remarks
from accuracy.reading.table_text import Record
from accuracy.reading.table_types import ColumnReading, SurveyedRow, TableOptions

MOST_COORDINATE_M = 1e8
MOST_HEIGHT_M = 9_000.0
"""Beyond any ground, of which the highest is at 8,849 m (common knowledge, no source): such a height is
another column, a code for no value, or in another unit."""
NO_VALUE_CODES = frozenset({-9999.0, -99999.0, -999999.0, -32768.0, -32767.0})
COORDINATES = ("easting", "northing", "height")


class _RowFaultError(Exception):
    def __init__(self, column: ColumnReading | None, what: str, remedy: str) -> None:
        super().__init__(what)
        self.column, self.what, self.remedy = column, what, remedy


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """All rows, the decimal mark they were read with, and remarks."""

    rows: tuple[SurveyedRow, ...]
    decimal_mark: DecimalMark
    remarks: tuple[str, ...]


def read_rows(layout: Layout, options: TableOptions, path: Path, *, blanks_separate: bool) -> Rows:
    """Read every row. Raises TableError at the first fault, naming how many more rows have one."""
    data = [_fitted(record, layout.columns, path, blanks_separate=blanks_separate) for record in layout.data]
    joined = [record.row for record, was_joined in data if was_joined]
    records = [record for record, _ in data]
    decimal_mark, remarks = _decimal_mark(records, layout, options, path)
    notes = Notes(joined=joined)
    reader = _RowReader(layout.columns, decimal_mark, notes)
    rows: list[SurveyedRow] = []
    faults: list[tuple[Record, _RowFaultError]] = []
    for record in records:
        try:
            rows.append(reader.read(record))
        except _RowFaultError as fault:
            faults.append((record, fault))
    if faults:
        raise _as_table_error(faults, path)
    refuse_degrees(rows, layout, notes, path)
    return Rows(
        rows=tuple(rows), decimal_mark=decimal_mark, remarks=(*remarks, *row_remarks(rows, layout, notes))
    )


def _as_table_error(faults: list[tuple[Record, _RowFaultError]], path: Path) -> TableError:
    record, fault = faults[0]
    others = [f"{r.row:,}" for r, _ in faults[1:]]
    more = ""
    if others:
        shown = ", ".join(others[:10]) + (f" and {len(others) - 10:,} more" if len(others) > 10 else "")
        more = f" Faults stand in other rows too: {shown}."
    place = f"row {record.row:,}" + (f", {fault.column.place}" if fault.column else "")
    return TableError(fault.what, path=path, place=place, remedy=fault.remedy + more)


def _fitted(
    record: Record, columns: tuple[ColumnReading, ...], path: Path, *, blanks_separate: bool
) -> tuple[Record, bool]:
    """The record with exactly one cell for each column; refuses rows that are cut otherwise."""
    cells, width = record.cells, len(columns)
    if len(cells) == width:
        return record, False
    if len(cells) < width:
        needed = max(c.position for c in columns if c.role not in ("attribute", "skip"))
        if blanks_separate and len(cells) < needed:
            raise TableError(
                f'the row has {len(cells)} values for {width} columns: "{record.text.strip()[:80]}"',
                path=path,
                place=f"row {record.row:,}",
                remedy="Where blanks separate columns an empty value cannot be seen: write - in its place.",
            )
        return record._replace(cells=cells + ("",) * (width - len(cells))), False
    # A remark with an unquoted delimiter in it: joined again, but only if nothing in it could be
    # a number, because a decimal comma cut in two would shift every column after it.
    tail = cells[width - 1 :]
    if columns[-1].role == "attribute" and not any(map(looks_numeric, tail)):
        return record._replace(
            cells=(*cells[: width - 1], (" " if blanks_separate else ", ").join(tail))
        ), True
    decimal_hint = (
        " Decimal commas beside commas as delimiters cannot be told apart: export with semicolons."
        if sum(map(looks_numeric, cells)) > sum(c.role in words.MEASURED for c in columns) + 1
        else ""
    )
    raise TableError(
        f'the row has {len(cells)} values for {width} columns: "{record.text.strip()[:80]}"',
        path=path,
        place=f"row {record.row:,}",
        remedy="Put text that holds the delimiter into quotation marks, or name every column." + decimal_hint,
    )


def _decimal_mark(
    records: list[Record], layout: Layout, options: TableOptions, path: Path
) -> tuple[DecimalMark, list[str]]:
    if options.decimal_mark is not None:
        return options.decimal_mark, []
    columns = [c for c in layout.columns if c.role in words.LENGTHS]
    choice = choose_decimal_mark(record.cells[c.position - 1] for record in records for c in columns)
    if choice.clash:
        place: dict[str, str] = {}
        for record in records:
            for c in layout.columns:
                cell = record.cells[c.position - 1]
                if cell in choice.clash and c.role in words.LENGTHS:
                    place.setdefault(cell, f"row {record.row:,}, {c.place}")
        first, second = sorted(choice.clash, key=lambda cell: list(place).index(cell))
        raise TableError(
            f'"{first}" and "{second}" ({place[second]}) use different decimal marks',
            path=path,
            place=place[first],
            remedy="Write all numbers with the same decimal mark, or say which it is with --decimal-mark.",
        )
    _refuse_doubtful(records, columns, choice.mark, path)
    remark = "Every comma could also separate thousands; it was read as the decimal mark."
    return choice.mark, [remark] if choice.assumed else []


def _refuse_doubtful(
    records: list[Record], columns: list[ColumnReading], mark: DecimalMark, path: Path
) -> None:
    """Refuse what could be a thousand times too large."""
    found = doubtful_group([[record.cells[c.position - 1] for record in records] for c in columns], mark)
    if found is None:
        return
    column = columns[found.column]

    def row_of(cell: str) -> str:
        return next(f"row {r.row:,}" for r in records if r.cells[column.position - 1] == cell)

    name = "comma" if mark == "." else "point"
    why = (
        "nothing in the table says which"
        if found.beside is None
        else f'the same column holds "{found.beside}" ({row_of(found.beside)})'
    )
    raise TableError(
        f'the {name} in "{found.cell}" could be a decimal mark or separate thousands: {why}',
        path=path,
        place=f"{row_of(found.cell)}, {column.place}",
        remedy="Write all numbers with one decimal mark and without thousands separators, or say which mark "
        "is the decimal one with --decimal-mark.",
    )


# --------------------------------------------------------------------------- one row


class _RowReader:
    """Reads rows of one layout."""

    def __init__(self, columns: tuple[ColumnReading, ...], mark: DecimalMark, notes: Notes) -> None:
        self.mark, self.notes = mark, notes
        self.by_role = {c.role: c for c in columns if c.role not in ("attribute", "skip")}
        self.attributes = [c for c in columns if c.role == "attribute"]
        self.coordinates = [c for c in columns if c.role in (*COORDINATES, *words.DEGREES)]
        self.optional = [c for c in columns if c.role in words.LENGTHS and c.role not in COORDINATES]

    def read(self, record: Record) -> SurveyedRow:
        """One record as a row. Raises _RowFaultError."""
        cells = record.cells
        name = " ".join(cells[self.by_role["id"].position - 1].split())
        if is_empty(name):
            written = f' ("{name}")' if name else ""
            raise _RowFaultError(self.by_role["id"], f"the id is empty{written}", "Give every point an id.")
        position = {c.role: self.coordinate(c, cells[c.position - 1]) for c in self.coordinates}
        lengths: dict[str, float | None] = {}
        for column in self.optional:
            lengths[column.role] = self.optional_length(column, cells[column.position - 1], name)
        self.check_observed(lengths)
        mark = self.mark_name(cells)
        if mark in words.MARKS_WITH_SIZE and lengths.get("mark_size") is None:
            raise _RowFaultError(
                self.by_role.get("mark_size", self.by_role["mark"]),
                f"mark {mark} has no size",
                "Give its principal dimension in a column mark_size.",
            )
        return SurveyedRow(
            row=record.row,
            text=record.text,
            id=name,
            easting_m=position.get("easting"),
            northing_m=position.get("northing"),
            latitude_deg=position.get("latitude"),
            longitude_deg=position.get("longitude"),
            height_m=position["height"],
            sigma_easting_m=lengths.get("sigma_easting"),
            sigma_northing_m=lengths.get("sigma_northing"),
            sigma_height_m=lengths.get("sigma_height"),
            cover=Cover(self.word("cover", cells, (("open", words.OPEN), ("vegetated", words.VEGETATED)))),
            role=Role(self.word("role", cells, (("check", words.CHECK), ("control", words.CONTROL)))),
            mark=mark,
            mark_size_m=lengths.get("mark_size"),
            observed_easting_m=lengths.get("observed_easting"),
            observed_northing_m=lengths.get("observed_northing"),
            observed_height_m=lengths.get("observed_height"),
            attributes={c.name: text for c in self.attributes if (text := cells[c.position - 1])},
        )

    def coordinate(self, column: ColumnReading, cell: str) -> float:
        """A required value: metres, or degrees where the column holds them."""
        if is_empty(cell):
            written = f' ("{cell}")' if cell else ""
            raise _RowFaultError(
                column, f"the {column.role} is missing{written}", "Give it, or delete the row."
            )
        if column.role in words.DEGREES:
            return self.degrees(column, cell)
        value = self.length(column, cell)
        if value < 0 and round(value / column.metres, 6) in NO_VALUE_CODES:
            raise _RowFaultError(
                column, f'"{cell}" is a code for no value', "Give the value, or delete the row."
            )
        most = MOST_HEIGHT_M if column.role == "height" else MOST_COORDINATE_M
        if abs(value) > most:
            raise _RowFaultError(
                column,
                f'"{cell}" is {abs(value):,.0f} m, beyond any {column.role}',
                "Check the order of the columns, the decimal mark and the unit.",
            )
        return value

    def optional_length(self, column: ColumnReading, cell: str, name: str) -> float | None:
        """An uncertainty, size or observed coordinate; None where the cell is empty."""
        if is_empty(cell):
            return None
        value = self.length(column, cell)
        if column.role in words.SIGMAS:
            if value < 0:
                raise _RowFaultError(
                    column, f'standard uncertainty "{cell}" is negative', "Give it as a positive length."
                )
            if value == 0:
                self.notes.zero_sigma.append(name)
                return None
        elif column.role == "mark_size" and value <= 0:
            if value == 0:
                return None
            raise _RowFaultError(column, f'mark size "{cell}" is negative', "Give it as a positive length.")
        elif column.role in words.OBSERVED and abs(value) > MOST_COORDINATE_M:
            raise _RowFaultError(
                column, f'"{cell}" is beyond any coordinate', "Check the decimal mark and the unit."
            )
        return value

    def length(self, column: ColumnReading, cell: str) -> float:
        """One cell in metres."""
        number = plain_number(cell, self.mark)
        if number is None:
            number = read_number(cell, self.mark)
            if number is None:
                _not_a_number(column, cell, self.mark)
        if not isfinite(number.value):
            raise _RowFaultError(column, f'"{cell[:40]}" is not a finite number', "Give the value.")
        if number.scientific or number.suffix or number.grouped:
            self.check_writing(column, cell, number)
        if column.role in COORDINATES:
            finest = self.notes.finest
            finest[column.role] = min(number.step * column.metres, finest.get(column.role, inf))
        return number.value * column.metres

    def check_writing(self, column: ColumnReading, cell: str, number: ReadNumber) -> None:
        """Refuse digits lost to a spreadsheet and units that contradict the column; note grouping."""
        if number.scientific and column.role in COORDINATES and number.step * column.metres > COARSE_M:
            raise _RowFaultError(
                column,
                f'"{cell}" has lost its digits: its last one is worth {number.step * column.metres:,.6g} m',
                "A spreadsheet shortened it. Go back to the original file, format the column as a number "
                "with three decimals, and save again.",
            )
        if number.suffix:
            unit = unit_of(number.suffix)
            same = unit is not None and (
                abs(unit.metres - column.metres) < 1e-9 or (unit.loose_foot and "foot" in (column.unit or ""))
            )
            if not same:
                raise _RowFaultError(
                    column,
                    f'"{cell}" ends in "{number.suffix}", but the column is read in {column.unit}',
                    "Name the column's unit in its heading or with --unit.",
                )
        if number.grouped:
            self.notes.grouped[column.heading or column.name] += 1

    def degrees(self, column: ColumnReading, cell: str) -> float:
        """Latitude or longitude in decimal degrees."""
        # Degrees have no thousands, so either mark is plain wherever it stands.
        number = read_degrees(cell, "." if "." in cell else ",")
        limit = 90.0 if column.role == "latitude" else 180.0
        other_axis = {"latitude": ("E", "W"), "longitude": ("N", "S")}[column.role]
        if number is None or number.suffix in other_axis:
            raise _RowFaultError(
                column,
                f'"{cell}" is not a {column.role}',
                "Write decimal degrees (52.657570), or degrees, minutes and seconds.",
            )
        if abs(number.value) > limit:
            raise _RowFaultError(
                column,
                f'{column.role} "{cell}" is beyond {limit:.0f} degrees',
                "If these are grid coordinates, name the columns easting and northing.",
            )
        finest = self.notes.finest
        finest[column.role] = min(number.step, finest.get(column.role, inf))
        return number.value

    def check_observed(self, lengths: dict[str, float | None]) -> None:
        """Observed coordinates come as a pair."""
        e, n = lengths.get("observed_easting"), lengths.get("observed_northing")
        lone_height = e is None and n is None and lengths.get("observed_height") is not None
        if (e is None) != (n is None) or lone_height:
            missing = "observed_easting" if e is None else "observed_northing"
            raise _RowFaultError(
                self.by_role[missing],
                f"{missing} is missing beside the other observed coordinates",
                "Give both observed_easting and observed_northing, or neither.",
            )

    def mark_name(self, cells: tuple[str, ...]) -> str:
        """A mark's template name: lower case with hyphens."""
        column = self.by_role.get("mark")
        cell = cells[column.position - 1] if column else ""
        if is_empty(cell) or cell.lower() == "no":
            return "none"
        return re.sub(r"[\s_\-]+", "-", cell.strip().lower())

    def word(self, role: str, cells: tuple[str, ...], choices: tuple[tuple[str, frozenset[str]], ...]) -> str:
        """A word out of two sets of synonyms; the first set is meant where nothing is written."""
        column = self.by_role.get(role)
        cell = cells[column.position - 1] if column else ""
        if column is None or is_empty(cell):
            return choices[0][0]
        key = key_of(cell)
        for meaning, synonyms in choices:
            if key in synonyms:
                self.notes.words_used[column.heading or role][cell] = meaning
                return meaning
        allowed = " or ".join(f"{meaning} (also {', '.join(sorted(s)[:6])})" for meaning, s in choices)
        raise _RowFaultError(column, f'{role} "{cell}" is not known', f"Write {allowed}.")


def _not_a_number(column: ColumnReading, cell: str, mark: DecimalMark) -> NoReturn:
    if is_arc(cell):
        raise _RowFaultError(
            column,
            f'"{cell}" is an angle, not a length',
            "Export grid coordinates; or name the columns latitude and longitude and give their system with "
            "--checkpoints-crs, for example EPSG:4326.",
        )
    if set(cell) == {"#"}:
        remedy = "The spreadsheet's column was too narrow to show the number: widen it and export again."
    elif cell.startswith("#"):
        remedy = "A spreadsheet formula failed there: give the value."
    elif cell.lower().lstrip("+-\u2212") in {"inf", "infinity", "1.#inf", "1.#qnan", "1.#ind"}:
        remedy = "It came from a calculation that failed: give the value, or delete the row."
    elif read_number(cell, "," if mark == "." else "."):
        remedy = (
            "Use a decimal point."
            if mark == "."
            else "Use a decimal comma, as the other numbers of the table do."
        )
    else:
        remedy = "Write the number alone, or leave the row out; a line that is no point may begin with #."
    raise _RowFaultError(column, f'"{cell}" is not a number', remedy)
