"""Trajectory tables (comma, semicolon, tab or blanks) -> Rows. Part of reading trajectories."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from accuracy.errors import TrajectoryError
from accuracy.model import FloatArray
from accuracy.reading.table_heading import Unit, bracketed_unit, unit_of
from accuracy.reading.table_text import declared_delimiter
from accuracy.reading.table_types import ColumnReading, TableOptions
from accuracy.reading.table_units import Says, length_unit, loose_feet_remarks
from accuracy.reading.trajectory_rows import Rows, TimeKind, TrajectoryFormat
from accuracy.reading.trajectory_times import WEEK_S

# This project's names, then headings that loggers and processing programs commonly write for them.
_SYNONYMS = {
    "time": "timestamp t epoch",
    "date": "day calendar_date",
    "gps_week": "week gpsweek gps_wk wn",
    "week_seconds": "tow gps_tow gpstow sow gps_sow seconds_of_week gps_seconds_of_week time_of_week",
    "gps_seconds": "gps_time gpstime",
    "adjusted_time": "adjusted_gps_time adjusted_standard_gps_time",
    "utc": "utc_time utctime time_utc datetime_utc utc_datetime",
    "local": "local_time time_local datetime",
    "day_seconds": "seconds_of_day sod",
    "easting": "east e x",
    "northing": "north n y",
    "height": "elevation altitude alt ellipsoid_height ellipsoidal_height h z up",
    "latitude": "lat",
    "longitude": "lon long lng",
    "roll": "roll_angle",
    "pitch": "pitch_angle",
    "heading": "yaw azimuth hdg true_heading",
    "speed": "ground_speed velocity",
    "velocity_east": "east_velocity ve v_east",
    "velocity_north": "north_velocity vn v_north",
    "fix": "quality q fix_quality fix_state fix_type status solution solution_status",
    "satellites": "ns sats nsat num_sats satellite_count n_satellites",
    "sigma_easting": "sde sd_e sigma_e std_e sigma_east",
    "sigma_northing": "sdn sd_n sigma_n std_n sigma_north",
    "sigma_height": "sdu sd_u sigma_u std_u sigma_h sdh sigma_up",
    "direction": "horizontal_direction hz horizontal_angle",
    "zenith": "zenith_angle v_angle",
    "slope_distance": "distance slope sd",
    "target": "target_name point",
}
_NAMES = {word: name for name, words in _SYNONYMS.items() for word in (name, *words.split())}
_TEXT = {"utc", "local", "fix", "date", "target"}
_ANGLES = {"roll", "pitch", "heading", "direction", "zenith"}
_ANGLE_UNITS = {"degrees": np.pi / 180, "gon": np.pi / 200, "radians": 1.0}
_LENGTHS = (
    "easting",
    "northing",
    "height",
    "sigma_easting",
    "sigma_northing",
    "sigma_height",
    "slope_distance",
)
_SPEEDS = ("speed", "velocity_east", "velocity_north")
_UNIT = re.compile(r"[\(\[{]([^\)\]}]*)[\)\]}]")
_SAYS = Says("format = { length_unit = ... }", None, TrajectoryError)
# Units by kind of column, as _plain writes them: "m/s" is m_s. Exact: km/h, international knot (1852 m per
# hour), mile per hour (1609.344 m), international foot.
_SPEED_UNITS = {
    word: factor
    for words, factor in (
        ("m_s mps ms m_sec m_per_s m_s_1 ms_1", 1.0),
        ("km_h kmh kph kmph km_per_h", 1 / 3.6),
        ("kn kt kts knot knots", 1852 / 3600),
        ("mph mi_h mi_per_h", 0.44704),
        ("ft_s fps ftps ft_sec ft_per_s", 0.3048),
    )
    for word in words.split()
}
# Written and not read: a "grad" is a gon in one language and a degree in another.
_UNREAD = "grad grads mil mils dms arcmin arcsec mrad turn turns rev"
_ANGLE_WORDS = {
    word: unit
    for words, unit in (
        ("deg degs degree degrees decimal_degrees dd", "degrees"),
        ("gon gons", "gon"),
        ("rad rads radian radians", "radians"),
        (_UNREAD, ""),
    )
    for word in words.split()
}
_TIME_UNITS = {
    word: factor
    for words, factor in (
        ("s sec secs second seconds", 1.0),
        ("ms msec millisecond milliseconds", 1e-3),
        ("us usec microsecond microseconds", 1e-6),
        ("ns nsec nanosecond nanoseconds", 1e-9),
    )
    for word in words.split()
}
_TIMES = ("time", "week_seconds", "gps_seconds", "adjusted_time", "day_seconds")
_PLACES = ("latitude", "longitude")
_UNITS_OF: dict[str, Mapping[str, object]] = {
    **dict.fromkeys(_SPEEDS, _SPEED_UNITS),
    **dict.fromkeys((*_ANGLES, *_PLACES), _ANGLE_WORDS),
    **dict.fromkeys(_TIMES, _TIME_UNITS),
}
_BLANKS = ""
_REMEDY = "Use a decimal point, and one number per cell."


def read_table(path: Path, text: str, how: TrajectoryFormat) -> Rows:
    """Read a table with headings, or one whose columns are declared.

    Raises TrajectoryError naming row, column and value where a cell is not a number, and where the
    headings leave the position or the clock undecided.
    """
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith(("#", "%", "//"))
    ]
    declared = declared_delimiter(lines[0][1]) if lines else None
    if declared is not None:
        lines = lines[1:]
    if not lines:
        raise TrajectoryError("the file holds no rows", path=path, remedy="Export the trajectory again.")
    delimiter = _delimiter(lines[min(1, len(lines) - 1)][1]) if declared is None else declared.strip(" ")
    headings, lines = _headings(path, lines, delimiter, how)
    if not lines:
        raise TrajectoryError("the file holds headings and no rows", path=path, remedy="Export it again.")
    names = _recognise(path, headings, how)
    time_text = _time_is_text(lines[0][1], names, delimiter)
    text_names = _TEXT | ({"time"} if time_text else set())
    numbers = np.array([number for number, _ in lines], dtype=np.int64)
    values = _numbers(path, lines, delimiter, {n: i for n, i in names.items() if n not in text_names})
    texts = {
        name: [_cell(line, delimiter, names[name]) for _, line in lines]
        for name in names
        if name in text_names
    }
    lengths, remarks = _lengths(path, {n: headings[i] for n, i in names.items()}, how)
    for name in values:
        factor = lengths[name] if name in lengths else _factor(path, name, headings[names[name]], how)
        values[name] = values[name] * factor
    kind = _time_kind(path, values, texts, how)
    return Rows(path=path, numbers=numbers, values=values, texts=texts, time_kind=kind, remarks=remarks)


# ----------------------------------------------------------------------- headings


def _delimiter(line: str) -> str:
    return next((mark for mark in (";", "\t", ",") if mark in line), _BLANKS)


def _split(line: str, delimiter: str) -> list[str]:
    cells = line.split(delimiter) if delimiter else line.split()
    return [cell.strip().strip('"').strip() for cell in cells]


def _cell(line: str, delimiter: str, column: int) -> str:
    cells = _split(line, delimiter)
    return cells[column] if column < len(cells) else ""


def _headings(
    path: Path, lines: list[tuple[int, str]], delimiter: str, how: TrajectoryFormat
) -> tuple[list[str], list[tuple[int, str]]]:
    first = _split(lines[0][1], delimiter)
    has_headings = not any(_is_number(cell) for cell in first)
    if how.columns is not None and not isinstance(how.columns, Mapping):
        declared = list(how.columns)
        rest = lines[1:] if has_headings else lines
        width = len(_split(rest[0][1], delimiter)) if rest else len(first)
        if len(declared) > width:
            raise TrajectoryError(
                f"{len(declared)} columns are declared and the file has {width}",
                path=path,
                place=f"row {rest[0][0] if rest else lines[0][0]}",
                remedy="Declare the columns in the file's order, with - for those to skip.",
            )
        return declared, rest
    if not has_headings:
        raise TrajectoryError(
            f'the first row ("{lines[0][1].strip()[:60]}") is not a row of headings',
            path=path,
            place=f"row {lines[0][0]}",
            remedy="Declare the columns, e.g. time easting northing height.",
        )
    return first, lines[1:]


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _recognise(path: Path, headings: list[str], how: TrajectoryFormat) -> dict[str, int]:
    mapping = (
        {key.strip().lower(): value for key, value in how.columns.items()}
        if isinstance(how.columns, Mapping)
        else {}
    )
    found: dict[str, int] = {}
    for index, heading in enumerate(headings):
        declared = mapping.get(heading.strip().lower())
        name = declared or _named(heading)
        if declared is not None and declared not in _SYNONYMS:
            raise TrajectoryError(
                f'column name "{declared}" is not known',
                path=path,
                place=f"column {index + 1}",
                remedy=f"Known names: {', '.join(_SYNONYMS)}.",
            )
        if name is None:
            continue
        if name in found:
            # The first stands: processing programs append a second, local copy of coordinates.
            continue
        found[name] = index
    return found


def _plain(heading: str) -> str:
    return _words(_UNIT.sub("", heading))


def _words(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", text.lower().replace("\N{DEGREE SIGN}", " deg ")).strip("_")


def _named(heading: str) -> str | None:
    """The column that a heading names, its unit in brackets or last: ``Height (ft)``, ``heading_deg``."""
    plain = _plain(heading)
    if plain in _NAMES:
        return _NAMES[plain]
    parts = plain.split("_")
    for cut in range(len(parts) - 1, 0, -1):
        name = _NAMES.get("_".join(parts[:cut]))
        unit = "_".join(parts[cut:])
        if name in _LENGTHS and unit_of(unit.replace("_", " ")) is not None:
            return name
        if name is not None and unit in _UNITS_OF.get(name, ()):
            return name
    return None


def _unit_last(heading: str) -> list[str]:
    """What may be the unit at a heading's end, the longest first: m_s and s of ``speed_m_s``."""
    parts = _plain(heading).split("_")
    return ["_".join(parts[cut:]) for cut in range(1, len(parts))]


def _length_unit_in(heading: str) -> Unit | None:
    """The unit that a heading of a length names, in brackets or last."""
    match = _UNIT.search(heading)
    if match is not None:
        return bracketed_unit(match.group(1))
    tails = (unit_of(tail.replace("_", " ")) for tail in _unit_last(heading))
    return next((unit for unit in tails if unit is not None), None)


def _lengths(
    path: Path, headed: Mapping[str, str], how: TrajectoryFormat
) -> tuple[dict[str, float], list[str]]:
    """Metres per unit of every length column, by the checkpoint table's own rules, and what was assumed."""
    columns = [
        ColumnReading(position=place, heading=heading, role=name, name=name)
        for place, (name, heading) in enumerate(headed.items(), start=1)
        if name in _LENGTHS
    ]
    stated = {c.position: unit for c in columns if (unit := _length_unit_in(c.heading)) is not None}
    options = TableOptions(unit=how.length_unit)
    units = {
        c.name: length_unit(c, columns, stated, options, path, "the headings", _SAYS).metres for c in columns
    }
    way_out = 'format = { length_unit = "us-survey-foot" }'
    return units, loose_feet_remarks(columns, stated, options, way_out)


def _factor(path: Path, name: str, heading: str, how: TrajectoryFormat) -> float:
    """To radians, degrees of latitude, metres per second or seconds, from the unit that the heading names."""
    units = _UNITS_OF.get(name)
    if units is None:
        return 1.0
    match = _UNIT.search(heading)
    inside = "" if match is None else _words(match.group(1))
    # In brackets a unit may stand beside a word: (deg, true).
    written = _unit_last(heading) if match is None else [inside, *inside.split("_")]
    unit = next((one for one in written if one in units), None)
    if name in _TIMES:
        return 1.0 if unit is None else _TIME_UNITS[unit]
    if name in _SPEEDS:
        if unit is None and inside:
            raise _unknown_unit(path, inside, "speed", heading, "Write m/s, km/h, kn, mph or ft/s.")
        return 1.0 if unit is None else _SPEED_UNITS[unit]
    said = None if unit is None else _ANGLE_WORDS[unit]
    if said == "":
        raise _unknown_unit(path, unit or "", "angle", heading, "Write degrees, gon or radians.")
    if name in _PLACES:
        return 1.0 if said in (None, "degrees") else float(_ANGLE_UNITS[said] * 180 / np.pi)
    if said is not None and how.angle_unit not in (None, said):
        raise TrajectoryError(
            f"the heading says {said}, but format = {{ angle_unit = ... }} says {how.angle_unit}",
            path=path,
            place=f"column {heading}",
            remedy="Leave out angle_unit, or correct the heading.",
        )
    return float(_ANGLE_UNITS[said or how.angle_unit or "degrees"])


def _unknown_unit(path: Path, unit: str, of: str, heading: str, remedy: str) -> TrajectoryError:
    article = "an" if of == "angle" else "a"
    return TrajectoryError(
        f'the unit "{unit}" of {article} {of} is not known',
        path=path,
        place=f"column {heading}",
        remedy=remedy,
    )


# ----------------------------------------------------------------------- cells


def _numbers(
    path: Path, lines: list[tuple[int, str]], delimiter: str, columns: dict[str, int]
) -> dict[str, FloatArray]:
    if not columns:
        return {}
    used = list(columns.values())
    try:
        table = np.loadtxt(
            (line for _, line in lines),
            delimiter=delimiter or None,
            usecols=used,
            ndmin=2,
            comments=None,
            dtype=np.float64,
        )
    except ValueError:
        table = _numbers_one_by_one(path, lines, delimiter, columns)
    return {name: table[:, place] for place, name in enumerate(columns)}


def _numbers_one_by_one(
    path: Path, lines: list[tuple[int, str]], delimiter: str, columns: dict[str, int]
) -> FloatArray:
    """Slow and exact: finds the cell that is no number, and takes an empty cell for "not known"."""
    table = np.full((len(lines), len(columns)), np.nan)
    widest = max(columns.values())
    for row, (number, line) in enumerate(lines):
        cells = _split(line, delimiter)
        if len(cells) <= widest:
            raise TrajectoryError(
                f"the row has {len(cells)} columns where {widest + 1} are needed",
                path=path,
                place=f"row {number}",
                remedy="The row may be cut off; complete or remove it.",
            )
        for place, (name, column) in enumerate(columns.items()):
            if cells[column]:
                table[row, place] = _number(path, number, name, cells[column])
    return table


def _number(path: Path, row: int, name: str, cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        raise TrajectoryError(
            f'"{cell}" is not a number', path=path, place=f"row {row}, column {name}", remedy=_REMEDY
        ) from None


# ----------------------------------------------------------------------- the clock


def _time_is_text(line: str, names: dict[str, int], delimiter: str) -> bool:
    return "time" in names and not _is_number(_cell(line, delimiter, names["time"]))


_Rule = tuple[TimeKind, Callable[[dict[str, FloatArray], dict[str, list[str]]], bool]]
_BY_COLUMN: tuple[_Rule, ...] = (
    ("gps-week", lambda values, _: "gps_week" in values and "week_seconds" in values),
    ("gps-seconds", lambda values, _: "gps_seconds" in values),
    ("adjusted-gps", lambda values, _: "adjusted_time" in values),
    ("utc", lambda _, texts: "utc" in texts),
    ("local", lambda _, texts: "local" in texts or "time" in texts),
    ("week-seconds", lambda values, _: "week_seconds" in values),
    ("day-seconds", lambda values, _: "day_seconds" in values),
)


def _time_kind(
    path: Path, values: dict[str, FloatArray], texts: dict[str, list[str]], how: TrajectoryFormat
) -> TimeKind:
    seconds = values.get("gps_seconds") if how.time in ("auto", "gps-week") else None
    if (
        seconds is not None
        and "gps_week" in values
        and "week_seconds" not in values
        and np.nanmax(seconds) <= WEEK_S
    ):
        # Nobody drove in the first week of 1980: such a column counts from the start of its week.
        values["week_seconds"] = values.pop("gps_seconds")
    kind = how.time
    if kind == "auto":
        kind = next((kind for kind, holds in _BY_COLUMN if holds(values, texts)), "auto")
    if kind == "auto":
        if "time" in values:
            raise TrajectoryError(
                f"the column time (first value {values['time'][0]:.3f}) does not say which clock it counts",
                path=path,
                place="column time",
                remedy="Declare it: gps-seconds, adjusted-gps, day-seconds (with a date) or week-seconds "
                "(with a GPS week).",
            )
        return "none"
    _put_time_in_place(path, kind, values, texts)
    return kind


def _put_time_in_place(
    path: Path, kind: TimeKind, values: dict[str, FloatArray], texts: dict[str, list[str]]
) -> None:
    """The column that carries the declared clock becomes "time"; a separate date is joined to it."""
    if kind in ("utc", "local", "gps-calendar"):
        for name in ("utc", "local"):
            if name in texts:
                texts.setdefault("time", texts[name])
        if "date" in texts and "time" in texts:
            joined = zip(texts["date"], texts["time"], strict=True)
            texts["time"] = [f"{day.strip()}T{clock.strip()}" for day, clock in joined]
        needed = "time" in texts
    elif kind in ("gps-seconds", "adjusted-gps"):
        for name in ("gps_seconds", "adjusted_time"):
            if name in values:
                values.setdefault("time", values[name])
        needed = "time" in values
    elif kind == "gps-week":
        needed = "gps_week" in values and ("week_seconds" in values or "time" in values)
        if needed and "week_seconds" not in values:
            values["week_seconds"] = values["time"]
    elif kind in ("week-seconds", "day-seconds"):
        needed = "time" in values or kind.replace("-", "_") in values
    else:
        needed = True
    if not needed:
        raise TrajectoryError(
            f"the clock is declared as {kind} and no column carries it",
            path=path,
            remedy="Declare the columns, naming the one that holds the time.",
        )
