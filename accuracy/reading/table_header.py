"""Which row holds the headings, and which column each heading names. After text, before rows."""

from __future__ import annotations

import csv
import difflib
from dataclasses import dataclass, replace
from pathlib import Path

from accuracy.errors import TableError
from accuracy.model import HeightKind
from accuracy.reading import table_words as words
from accuracy.reading.table_heading import Unit, key_of, read_heading, required_roles, unit_of
from accuracy.reading.table_numbers import is_empty, looks_numeric
from accuracy.reading.table_text import Record, Records
from accuracy.reading.table_types import ColumnReading, TableOptions
from accuracy.reading.table_units import column_remarks, length_unit

MOST_TITLE_ROWS = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where the data begins, and what its columns are."""

    columns: tuple[ColumnReading, ...]
    title_rows: tuple[Record, ...]
    header_rows: tuple[Record, ...]
    data: tuple[Record, ...]
    geographic: bool
    height_kind: HeightKind | None
    remarks: tuple[str, ...]


# --------------------------------------------------------------------------- the table's layout


def column_names(named: str) -> list[str]:
    """The names in ``--columns``, one for each column of the table."""
    separator = ";" if ";" in named else ","
    return [name.strip() for name in next(csv.reader([named], delimiter=separator), [])]


def find_layout(cut: Records, options: TableOptions, path: Path) -> Layout:
    """Find headings and data, and settle every column's role and unit.

    Raises TableError where headings are missing, contradict each other or the options, or lack a column.
    """
    records = cut.records
    first_data = next(
        (i for i, r in enumerate(records) if sum(map(looks_numeric, r.cells)) >= 3), len(records)
    )
    if options.columns is not None:
        return _named_by_option(records, options.columns, options, path)
    head, start = _heading_row(cut, first_data)
    if head is None:
        raise _no_heading(records, first_data, path)
    columns = _match_columns(head.cells, path, place=f"row {head.row:,}")
    header_rows = [head]
    unit_row_units: dict[int, Unit] = {}
    if start < len(records) and (units := _units_row(records[start], columns)):
        unit_row_units = units
        header_rows.append(records[start])
        start += 1
    titles = tuple(r for r in records[:start] if r not in header_rows)
    _refuse_points_among(titles, columns, path)
    data = tuple(r for r in records[start:] if r.cells != head.cells)
    remarks = []
    if titles:
        remarks.append(f"Title lines above the headings were skipped: {_rows(titles)}.")
    if len(data) < len(records) - start:
        again = [r for r in records[start:] if r.cells == head.cells]
        remarks.append(f"The headings stand again, and were skipped, in {_rows(again)}.")
    return _settled(columns, unit_row_units, options, path, titles, tuple(header_rows), data, remarks)


def _refuse_points_among(titles: tuple[Record, ...], columns: list[ColumnReading], path: Path) -> None:
    """Lines above the headings are skipped, but never a line that holds a point."""
    places = [c.position - 1 for c in columns if c.role in ("easting", "northing", "height", *words.DEGREES)]
    for record in titles:
        if all(i < len(record.cells) and looks_numeric(record.cells[i]) for i in places):
            raise TableError(
                f'"{record.text.strip()[:80]}" stands above the headings but reads as a point',
                path=path,
                place=f"row {record.row:,}",
                remedy="Move the headings to the top, or delete the line.",
            )


def _rows(records: list[Record] | tuple[Record, ...]) -> str:
    numbers = [f"{r.row:,}" for r in records]
    shown = ", ".join(numbers[:5]) + (" and others" if len(numbers) > 5 else "")
    return f"row {shown}" if len(numbers) == 1 else f"rows {shown}"


def _heading_row(cut: Records, first_data: int) -> tuple[Record | None, int]:
    """The heading and the index of the record after it."""
    records = cut.records
    candidates = range(min(MOST_TITLE_ROWS, len(records)))
    best = max(candidates, key=lambda i: (required_roles(records[i].cells), -i), default=None)
    if best is not None and required_roles(records[best].cells) >= 3:
        return records[best], best + 1
    # Many programs write the headings behind a comment sign.
    before = records[first_data].row if first_data < len(records) else 0
    commented = [r for r in cut.comments if r.row < before and required_roles(r.cells) >= 3]
    if commented:
        head = commented[-1]
        return head, next(i for i, record in enumerate(records) if record.row > head.row)
    last = first_data - 1
    if last >= 0 and first_data < len(records):
        # Unknown headings are still headings when they stand above the data, one for each column.
        width = len(records[first_data].cells)
        if len(records[last].cells) >= min(width, 3) and not any(map(looks_numeric, records[last].cells)):
            return records[last], first_data
    if best is not None and first_data == len(records) and required_roles(records[best].cells) == 2:
        return records[best], best + 1
    return None, 0


def _no_heading(records: tuple[Record, ...], first_data: int, path: Path) -> TableError:
    shown = records[first_data % len(records)] if records else None
    if shown is None:
        return TableError(
            "holds nothing but comments",
            path=path,
            remedy="Export the table again: a line that begins with # is none.",
        )
    if first_data == len(records):
        return TableError(
            f'no row holds headings or three numbers; it begins "{shown.text[:80]}"',
            path=path,
            place=f"row {shown.row:,}",
            remedy="A checkpoint table has a row per point with id, easting, northing and height.",
        )
    count = len(shown.cells)
    example = ["id", "easting", "northing", "height", *["-"] * (count - 4)][: max(count, 4)]
    return TableError(
        "the table has no headings, and the order of its columns is not guessed; "
        f'its first row reads "{shown.text.strip()[:80]}"',
        path=path,
        place=f"row {shown.row:,}",
        remedy=f"Name the {count} columns in order with --columns, for example --columns {','.join(example)} "
        f"(or northing before easting); - skips a column.",
    )


def _match_columns(headings: tuple[str, ...], path: Path, *, place: str) -> list[ColumnReading]:
    """One ColumnReading per heading, units not yet settled; refuses two columns for one role."""
    columns: list[ColumnReading] = []
    taken: dict[str, str] = {}
    names: set[str] = set()
    roles = {read_heading(heading).role for heading in headings}
    # Exports often carry both kinds; grid coordinates are what a cloud is compared with.
    grid_given = {"easting", "northing"} <= roles
    for position, heading in enumerate(headings, start=1):
        role = read_heading(heading).role
        if role is None or (grid_given and role in words.DEGREES):
            name = " ".join(heading.split()) or f"column {position}"
            while name in names:
                name += " (again)"
            names.add(name)
            columns.append(ColumnReading(position=position, heading=heading, role="attribute", name=name))
            continue
        if role in taken:
            raise TableError(
                f'"{taken[role]}" and "{heading}" both name the {role} column',
                path=path,
                place=place,
                remedy=f"Rename the one that is not meant, or name all {len(headings)} columns with "
                "--columns, with - for the one to skip.",
            )
        taken[role] = heading
        columns.append(ColumnReading(position=position, heading=heading, role=role, name=role))
    _require(columns, headings, path, place)
    return columns


def _require(columns: list[ColumnReading], headings: tuple[str, ...], path: Path, place: str) -> None:
    roles = {column.role for column in columns}
    geographic = bool(roles & set(words.DEGREES)) and not roles & {"easting", "northing"}
    needed = words.REQUIRED_GEOGRAPHIC if geographic else words.REQUIRED_GRID
    missing = [role for role in needed if role not in roles]
    if missing:
        hints = []
        for role in missing:
            known = [key for key, other in words.COLUMN_OF.items() if other == role]
            spare = [c.heading or c.name for c in columns if c.role == "attribute"]
            near = [h for h in spare if difflib.get_close_matches(key_of(h), known, n=1, cutoff=0.75)]
            hints += [f'Is "{h}" meant as {role}?' for h in near[:1]]
        found = ", ".join(f'"{h}"' for h in headings)
        raise TableError(
            f"no column for {' and '.join(missing)}; the headings are {found}",
            path=path,
            place=place,
            remedy=" ".join([*hints, "Rename the column, or name all columns in order with --columns."]),
        )
    if not geographic and roles & set(words.DEGREES):
        # Only one of a pair, or a mixture: both readings would be guesses.
        raise TableError(
            "the headings mix latitude or longitude with easting or northing",
            path=path,
            place=place,
            remedy="Give one whole pair.",
        )
    partner = {"observed_easting": "observed_northing", "observed_northing": "observed_easting"}
    for role in words.OBSERVED:
        if role in roles and any(p not in roles for p in [partner.get(role, "observed_easting")]):
            raise TableError(
                f"the table has {role} but not {partner.get(role, 'observed_easting')}",
                path=path,
                place=place,
                remedy="Give both observed_easting and observed_northing, or neither.",
            )
    if geographic and roles & set(words.OBSERVED):
        raise TableError(
            "observed coordinates are lengths, but the positions are latitude and longitude",
            path=path,
            place=place,
            remedy="Give grid coordinates for both.",
        )


def _units_row(record: Record, columns: list[ColumnReading]) -> dict[int, Unit] | None:
    """The second heading line, if this is one: units under the coordinates, and nothing measured."""
    units: dict[int, Unit] = {}
    coordinates = 0
    for column in columns:
        cell = record.cells[column.position - 1] if column.position <= len(record.cells) else ""
        if column.role not in words.MEASURED or is_empty(cell):
            continue
        unit = unit_of(cell)
        if unit is None:
            return None
        units[column.position] = unit
        coordinates += column.role in ("easting", "northing", "height", *words.DEGREES)
    return units if coordinates >= 2 else None


def _named_by_option(records: tuple[Record, ...], named: str, options: TableOptions, path: Path) -> Layout:
    names = column_names(named)
    kept = [(i, name) for i, name in enumerate(names, start=1) if name not in {"", "-"}]
    matched = _match_columns(tuple(name for _, name in kept), path, place=f"--columns {named}")
    units = {i: unit for (i, name), _ in zip(kept, matched, strict=True) if (unit := read_heading(name).unit)}
    by_position = {
        i: replace(column, position=i, heading="") for (i, _), column in zip(kept, matched, strict=True)
    }
    columns = [
        by_position.get(i, ColumnReading(position=i, heading="", role="skip", name="skipped"))
        for i in range(1, len(names) + 1)
    ]
    measured = [
        c.position - 1 for c in columns if c.role in ("easting", "northing", "height", *words.DEGREES)
    ]

    def is_data(record: Record) -> bool:
        return any(looks_numeric(record.cells[i]) for i in measured if i < len(record.cells))

    start = next((i for i, record in enumerate(records[:MOST_TITLE_ROWS]) if is_data(record)), None)
    if start is None:
        raise TableError(
            "no row has a number where --columns puts a coordinate",
            path=path,
            place=f"row {records[0].row:,}" if records else None,
            remedy=f"Check --columns {named} against the table.",
        )
    remarks = []
    if start:
        remarks.append(
            f"Lines above the data were skipped, as --columns names the columns: {_rows(records[:start])}."
        )
    kinds = [read_heading(name).height_kind for _, name in kept]
    layout = _settled(columns, units, options, path, records[:start], (), records[start:], remarks)
    return replace(layout, height_kind=next(filter(None, kinds), None))


def _settled(
    columns: list[ColumnReading],
    second_line: dict[int, Unit],
    options: TableOptions,
    path: Path,
    titles: tuple[Record, ...],
    header_rows: tuple[Record, ...],
    data: tuple[Record, ...],
    remarks: list[str],
) -> Layout:
    place = f"row {header_rows[0].row:,}" if header_rows else "--columns"
    stated = {
        c.position: unit
        for c in columns
        if c.role in words.MEASURED
        and (unit := second_line.get(c.position) or read_heading(c.heading).unit) is not None
    }
    geographic = any(c.role in words.DEGREES for c in columns)
    units = {}
    for column in columns:
        if column.role in words.LENGTHS:
            units[column.position] = length_unit(column, columns, stated, options, path, place)
    settled = tuple(
        replace(c, unit=units[c.position].name, metres=units[c.position].metres)
        if c.position in units
        else (replace(c, unit="degree") if c.role in words.DEGREES else c)
        for c in columns
    )
    remarks += column_remarks(settled, stated, options)
    kinds = [read_heading(c.heading).height_kind for c in settled if c.role == "height"]
    if not data:
        raise TableError(
            "holds headings but no points",
            path=path,
            place=place,
            remedy="Export the table again with its points; lines that begin with # are comments.",
        )
    return Layout(
        columns=settled,
        title_rows=titles,
        header_rows=header_rows,
        data=data,
        geographic=geographic,
        height_kind=kinds[0] if kinds else None,
        remarks=tuple(remarks),
    )
