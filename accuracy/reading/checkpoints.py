"""The surveyor's checkpoint table, in whatever dialect it was written: file to CheckpointTable.

The steps stand one module each: ``table_text`` (bytes to records), ``table_header`` (columns and
units), ``table_rows`` (values), ``table_repeats`` (points that stand there twice). Every fault is a
TableError that names the row as a text editor counts it, the column as the table heads it, the value
and the remedy; what was assumed or is odd is said in remarks. Nothing is dropped in silence.

>>> table = read_checkpoints("checkpoints.csv", TableOptions())      # doctest: +SKIP
>>> table.checkpoints                                                # doctest: +SKIP
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from accuracy.errors import AccuracyError
from accuracy.reading.table_header import column_names, find_layout
from accuracy.reading.table_heading import required_roles
from accuracy.reading.table_numbers import looks_numeric
from accuracy.reading.table_repeats import position_remarks, same_positions, settle_repeats
from accuracy.reading.table_rows import read_rows
from accuracy.reading.table_text import Records, cut, read_text
from accuracy.reading.table_types import (
    CheckpointTable,
    ColumnReading,
    Dialect,
    RepeatedPoint,
    SamePosition,
    SurveyedRow,
    TableOptions,
)
from accuracy.rounding import counted

__all__ = [
    "CheckpointTable",
    "ColumnReading",
    "Dialect",
    "RepeatedPoint",
    "RowAsRead",
    "SamePosition",
    "SurveyedRow",
    "TableDescription",
    "TableOptions",
    "describe_table",
    "read_checkpoints",
]

FIRST_ROWS = 5


def read_checkpoints(path: str | Path, options: TableOptions | None = None) -> CheckpointTable:
    """Read a checkpoint table.

    Returns positions in metres of the table's own frame, or, where its columns are latitude and
    longitude, in degrees with ``geographic`` set. Raises TableError for whatever cannot be used.
    """
    path, options = Path(path), options or TableOptions()
    decoded = read_text(path)
    records = cut(decoded.text, path, header_roles=required_roles, width=_width(options))
    layout = find_layout(records, options, path)
    read = read_rows(layout, options, path, blanks_separate=records.delimiter.is_blanks)
    rows, duplicates, repeat_remarks = settle_repeats(read.rows, options, path)
    pairs = same_positions(rows, options.same_position_m)
    heads = {record.row for record in layout.header_rows}
    comments = tuple(record.row for record in records.comments if record.row not in heads)
    return CheckpointTable(
        path=path,
        dialect=Dialect(
            encoding=decoded.encoding,
            byte_order_mark=decoded.byte_order_mark,
            delimiter=records.delimiter.name,
            decimal_mark=read.decimal_mark,
            title_rows=tuple(record.row for record in layout.title_rows),
            header_rows=tuple(record.row for record in layout.header_rows),
            comment_rows=comments,
            columns=layout.columns,
        ),
        geographic=layout.geographic,
        height_kind=layout.height_kind,
        rows=rows,
        duplicates=duplicates,
        same_positions=pairs,
        remarks=(
            *decoded.remarks,
            *_comment_remarks(records, comments),
            *layout.remarks,
            *read.remarks,
            *repeat_remarks,
            *position_remarks(pairs),
        ),
    )


def _width(options: TableOptions) -> int | None:
    return None if options.columns is None else len(column_names(options.columns))


def _comment_remarks(records: Records, comments: tuple[int, ...]) -> list[str]:
    """Skipped comments, and those among them that would have been points."""
    if not comments:
        return []
    width = max(len(record.cells) for record in records.records) if records.records else 0
    points = [
        c
        for c in records.comments
        if c.row in comments and len(c.cells) >= min(width, 4) and _has_numbers(c.cells)
    ]
    text = f"{len(comments):,} comment line{'s were' if len(comments) > 1 else ' was'} skipped"
    if points:
        shown = ", ".join(f'row {c.row:,} "{c.text[:60]}"' for c in points[:3])
        text += f"; {len(points):,} of them would read as a point: {shown}"
    return [text + "."]


def _has_numbers(cells: tuple[str, ...]) -> bool:
    return sum(map(looks_numeric, cells)) >= 3


# --------------------------------------------------------------------------- for inspection


@dataclass(frozen=True, slots=True, kw_only=True)
class RowAsRead:
    """One row, as it stands in the file and as it was understood."""

    row: int
    text: str
    parsed: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TableDescription:
    """What a table holds, in words."""

    path: Path
    understood: tuple[str, ...]
    first_rows: tuple[RowAsRead, ...]
    odd: tuple[str, ...]
    problem: str | None
    """Why the table cannot be used as it is; None where it can."""


def describe_table(path: str | Path, options: TableOptions | None = None) -> TableDescription:
    """Say what was understood of a table, with its first rows as read; a table that is refused is
    described as far as it could be read. Raises TableError only where the file is not text at all.
    """
    path = Path(path)
    decoded = read_text(path)
    try:
        table = read_checkpoints(path, options)
    except AccuracyError as error:
        lines = [(i, line) for i, line in enumerate(decoded.text.split("\n"), start=1) if line.strip()]
        return TableDescription(
            path=path,
            understood=(
                f"Text in {decoded.encoding}, "
                f"{counted(len(lines), 'line')} that {'is' if len(lines) == 1 else 'are'} not blank.",
            ),
            first_rows=tuple(RowAsRead(row=i, text=line[:200], parsed="") for i, line in lines[:FIRST_ROWS]),
            odd=decoded.remarks,
            problem=str(error),
        )
    return TableDescription(
        path=path,
        understood=_understood(table),
        first_rows=tuple(
            RowAsRead(row=row.row, text=row.text, parsed=_parsed(row)) for row in table.rows[:FIRST_ROWS]
        ),
        odd=table.remarks,
        problem=None,
    )


def _understood(table: CheckpointTable) -> tuple[str, ...]:
    dialect = table.dialect
    mark = {".": "point", ",": "comma"}[dialect.decimal_mark]
    encoding = dialect.encoding + (" with byte order mark" if dialect.byte_order_mark else "")
    headings = " and ".join(f"{row:,}" for row in dialect.header_rows)
    columns = [
        f"{c.heading or f'column {c.position}'} → "
        + ("skipped" if c.role == "skip" else "kept as an attribute" if c.role == "attribute" else c.role)
        + (f" in {c.unit}" if c.unit else "")
        for c in dialect.columns
    ]
    roles = [row.role.value for row in table.rows]
    covers = [row.cover.value for row in table.rows]
    counts = [counted(roles.count("check"), "checkpoint"), counted(roles.count("control"), "control point")]
    counts += [f"{covers.count('vegetated'):,} of all under vegetation"] if "vegetated" in covers else []
    frame = "latitude and longitude in degrees" if table.geographic else "grid coordinates"
    return (
        f"{encoding} text, columns separated by {dialect.delimiter}, decimal {mark}.",
        f"Headings in row {headings}." if headings else "No headings; columns as named by --columns.",
        "; ".join(columns) + ".",
        f"{frame[0].upper()}{frame[1:]}: {', '.join(counts)}.",
    )


def _parsed(row: SurveyedRow) -> str:
    if row.latitude_deg is not None and row.longitude_deg is not None:
        place = f"latitude {row.latitude_deg:.8f}°, longitude {row.longitude_deg:.8f}°"
    else:
        place = f"easting {row.easting_m:.4f} m, northing {row.northing_m:.4f} m"
    parts = [f"{row.id}: {place}, height {row.height_m:.4f} m"]
    for axis, sigma in (("E", row.sigma_easting_m), ("N", row.sigma_northing_m), ("H", row.sigma_height_m)):
        if sigma is not None:
            parts.append(f"σ{axis} {sigma:.4f} m")
    parts += [row.cover.value, row.role.value]
    if row.mark != "none":
        parts.append(row.mark + (f" {row.mark_size_m:.3f} m" if row.mark_size_m is not None else ""))
    parts += [f"{key}={value}" for key, value in row.attributes.items()]
    return ", ".join(parts)
