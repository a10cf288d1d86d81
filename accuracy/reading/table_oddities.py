"""What is odd about a table's rows taken together: degrees for metres, and the remarks. After rows."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from accuracy.errors import TableError
from accuracy.reading import table_words as words
from accuracy.reading.table_header import Layout
from accuracy.reading.table_heading import key_of
from accuracy.reading.table_types import SurveyedRow
from accuracy.rounding import counted

COARSE_M = 0.0105
"""A last digit worth more than a centimetre (with slack for rounding) cannot serve as a checkpoint."""


@dataclass(slots=True)
class Notes:
    """What is worth a remark, collected over the rows."""

    grouped: Counter[str] = field(default_factory=Counter)
    zero_sigma: list[str] = field(default_factory=list)
    joined: list[int] = field(default_factory=list)
    finest: dict[str, float] = field(default_factory=dict)
    words_used: dict[str, dict[str, str]] = field(default_factory=lambda: defaultdict(dict))


def _like_degrees(rows: list[SurveyedRow], layout: Layout, notes: Notes) -> bool:
    """Whether plane coordinates could be degrees: small values, many decimals, close together."""
    if layout.geographic:
        return False
    e = np.array([row.easting_m for row in rows], dtype=np.float64)
    n = np.array([row.northing_m for row in rows], dtype=np.float64)
    # Six decimals of a degree are a decimetre; nobody writes six decimals of a metre.
    fine = max(notes.finest.get("easting", 1), notes.finest.get("northing", 1)) <= 1.5e-6
    small = bool((np.abs(e) <= 180).all() and (np.abs(n) <= 90).all()) or bool(
        (np.abs(e) <= 90).all() and (np.abs(n) <= 180).all()
    )
    # Half a degree is 50 km, more than a job; half a metre is less than any.
    return small and fine and bool(np.ptp(e) < 0.5 and np.ptp(n) < 0.5)


def refuse_degrees(rows: list[SurveyedRow], layout: Layout, notes: Notes, path: Path) -> None:
    """Refuse degrees under grid headings; one point alone proves nothing and gets a remark."""
    if len(rows) > 1 and _like_degrees(rows, layout, notes):
        first = rows[0]
        column = next(c for c in layout.columns if c.role == "easting")
        raise TableError(
            f"easting {first.easting_m:.6f} and northing {first.northing_m:.6f} look like degrees, "
            "as do all the others",
            path=path,
            place=f"row {first.row:,}, {column.place}",
            remedy="Export grid coordinates; or name the columns latitude and longitude and give their "
            "system with --checkpoints-crs, for example EPSG:4326.",
        )


def row_remarks(rows: list[SurveyedRow], layout: Layout, notes: Notes) -> list[str]:
    """Everything about the rows that a reader should know, in sentences."""
    remarks = []
    for heading, count in notes.grouped.items():
        remarks.append(
            f"{heading}: thousands separators were removed in {count:,} of {counted(len(rows), 'row')}."
        )
    if notes.joined:
        remarks.append(
            f"The last column's text held the delimiter and was joined again in "
            f"{counted(len(notes.joined), 'row')}, "
            f"first row {notes.joined[0]:,}."
        )
    if notes.zero_sigma:
        names = list(dict.fromkeys(notes.zero_sigma))
        shown = ", ".join(names[:5]) + (f" and {len(names) - 5:,} more" if len(names) > 5 else "")
        remarks.append(
            f"A standard uncertainty of zero was taken as not given, as no survey is perfect: {shown}."
        )
    largest = max(
        (s for r in rows for s in (r.sigma_easting_m, r.sigma_northing_m, r.sigma_height_m) if s), default=0.0
    )
    if largest > 0.5:
        remarks.append(f"Standard uncertainties reach {largest:.3g} m: are they in millimetres?")
    for heading, used in notes.words_used.items():
        said = [f'"{word}" as {meaning}' for word, meaning in used.items() if word.lower() != meaning]
        if said:
            remarks.append(f"{heading}: {', '.join(said[:8])}.")
    for role, step in notes.finest.items():
        metres = step * 111_320 if role in words.DEGREES else step
        if metres > COARSE_M:
            remarks.append(f"Every {role} is written to no better than {metres:.2g} m.")
    if len(rows) == 1 and _like_degrees(rows, layout, notes):
        remarks.append("Easting and northing could be degrees: small, with six decimals or more.")
    remarks += _control_hints(rows, layout)
    mangled = [r.id for r in rows if re.fullmatch(r"\d(\.\d+)?E\+\d+", r.id)]
    if mangled:
        remarks.append(f'Id "{mangled[0]}" looks as if a spreadsheet had read it as a number.')
    return remarks


def _control_hints(rows: list[SurveyedRow], layout: Layout) -> list[str]:
    """Control points hidden in a column that is not the role column."""
    if any(c.role == "role" for c in layout.columns):
        return []
    hints = []
    for column in layout.columns:
        if column.role == "attribute" and key_of(column.name) in words.ROLE_HINTS:
            named = [r for r in rows if key_of(r.attributes.get(column.name, "")) in words.CONTROL]
            if named:
                hints.append(
                    f'{column.name} says "{named[0].attributes[column.name]}" in '
                    f"{counted(len(named), 'row')} "
                    f"(first row {named[0].row:,}); all are read as checkpoints. If they were used in "
                    "processing, name the column role."
                )
    return hints
