"""Text solutions of open-source GNSS post-processing -> Rows. Part of reading trajectories.

The notation: comment lines start with %, the last of them names the columns; then one row per
epoch: GPS week and seconds, or calendar date and time, latitude, longitude, height, quality Q
(1 fixed, 2 float, 3 and 4 differential, 5 single, 6 precise point), satellites and deviations in
the order north, east, up. The quality codes are printed in the files' own headers.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from accuracy.errors import TrajectoryError
from accuracy.model import FloatArray
from accuracy.reading.trajectory_rows import SOLUTION_CODES, Rows, TimeKind, TrajectoryFormat

_HEADING = re.compile(r"^%\s*(GPST|UTC|JST)\s+(\S+)", re.MULTILINE)
_WEEK_ROW = re.compile(r"^\s*(\d{1,4})\s+(\d+\.?\d*)\s")
_CALENDAR_ROW = re.compile(r"^\s*(\d{4}/\d{2}/\d{2})\s+(\d{2}:\d{2}:\d{2}\.?\d*)\s")
_COLUMNS = ("latitude", "longitude", "height", "quality", "satellites", "sdn", "sde", "sdu")
_NEEDED = 4


def is_solution(text: str) -> bool:
    """Whether the beginning of a file looks like this notation."""
    return _HEADING.search(text) is not None


def read_solution(path: Path, text: str, _how: TrajectoryFormat) -> Rows:
    """Read a text solution in either time notation.

    Raises TrajectoryError for columns other than latitude, longitude, height, and for damaged rows.
    """
    heading = _HEADING.search(text)
    scale = heading.group(1) if heading else "GPST"
    if heading is not None and not heading.group(2).lower().startswith("latitude(deg"):
        raise TrajectoryError(
            f'positions are given as "{heading.group(2)}"',
            path=path,
            place="column headings",
            remedy="Write the solution as decimal degrees of latitude and longitude, and height.",
        )
    rows = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("%")
    ]
    if not rows:
        raise TrajectoryError("the solution holds no epochs", path=path, remedy="Process the log again.")
    by_week = _CALENDAR_ROW.match(rows[0][1]) is None
    table = _table(path, rows, 2)
    numbers = np.array([number for number, _ in rows], dtype=np.int64)
    values = {"latitude": table[:, 0], "longitude": table[:, 1], "height": table[:, 2]}
    for name, column in (("satellites", 4), ("sigma_northing", 5), ("sigma_easting", 6), ("sigma_height", 7)):
        if table.shape[1] > column:
            values[name] = table[:, column]
    codes = {str(code): state.value for code, state in SOLUTION_CODES.items()}
    result = Rows(
        path=path,
        numbers=numbers,
        values=values,
        texts={"fix": [codes.get(f"{code:g}", "unknown") for code in table[:, 3]]},
        time_kind="gps-week",
    )
    result.time_kind = _times(path, rows, by_week, scale, result)
    _remark_on_heights(text, result)
    return result


def _table(path: Path, rows: list[tuple[int, str]], skip: int) -> FloatArray:
    width = len(rows[0][1].split())
    used = list(range(skip, min(width, skip + len(_COLUMNS))))
    if len(used) < _NEEDED:
        raise TrajectoryError(
            f"the row has {width} columns: time, latitude, longitude, height and quality are needed",
            path=path,
            place=f"row {rows[0][0]}",
        )
    try:
        return np.loadtxt((line for _, line in rows), usecols=used, ndmin=2, comments=None)
    except ValueError:
        for number, line in rows:
            _check_row(path, number, line, used)
        raise


def _check_row(path: Path, number: int, line: str, used: list[int]) -> None:
    cells = line.split()
    if len(cells) <= used[-1]:
        raise TrajectoryError(
            f"the row has {len(cells)} columns where {used[-1] + 1} are needed",
            path=path,
            place=f"row {number}",
            remedy="The row may be cut off; complete or remove it.",
        )
    for column in used:
        try:
            float(cells[column])
        except ValueError:
            raise TrajectoryError(
                f'"{cells[column]}" is not a number',
                path=path,
                place=f"row {number}, column {_COLUMNS[column - used[0]]}",
                remedy="Correct or remove the row.",
            ) from None


def _times(path: Path, rows: list[tuple[int, str]], by_week: bool, scale: str, into: Rows) -> TimeKind:
    pattern = _WEEK_ROW if by_week else _CALENDAR_ROW
    notation = "a GPS week and seconds" if by_week else "a date and time"
    first, second = [], []
    for number, line in rows:
        match = pattern.match(line)
        if match is None:
            raise TrajectoryError(
                f'"{" ".join(line.split()[:2])}" is not {notation} as in the first row',
                path=path,
                place=f"row {number}, column time",
                remedy="Do not join solutions of two time notations.",
            )
        first.append(match.group(1))
        second.append(match.group(2))
    if by_week:
        into.values["gps_week"] = np.array(first, dtype=np.float64)
        into.values["week_seconds"] = np.array(second, dtype=np.float64)
        return "gps-week"
    # JST, the format's third clock, is UTC + 9 h.
    zone = {"GPST": "", "UTC": "", "JST": "+09:00"}[scale]
    into.texts["time"] = [f"{day}T{clock}{zone}" for day, clock in zip(first, second, strict=True)]
    kinds: dict[str, TimeKind] = {"GPST": "gps-calendar", "UTC": "utc", "JST": "local"}
    return kinds[scale]


def _remark_on_heights(text: str, rows: Rows) -> None:
    if "/geodetic" in text[:4000]:
        rows.remarks.append("The solution's header says that its heights are geoid heights, not ellipsoidal.")
