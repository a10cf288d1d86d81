"""Rows of any trajectory file -> Trajectory. Every reader of trajectories ends here.

The readers (tables, solution text, NMEA) know their notation; this module knows clocks, units,
converters and order, so that an odd file is named in the same words whatever its notation.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from accuracy.errors import TrajectoryError
from accuracy.model import BoolArray, Fix, FloatArray, IntArray, Trajectory
from accuracy.reading import trajectory_times as clocks
from accuracy.rounding import counted
from accuracy.units import LengthUnit

ToGrid = Callable[[FloatArray, FloatArray, FloatArray], tuple[FloatArray, FloatArray, FloatArray]]
"""(latitude in degrees, longitude in degrees, ellipsoidal height in metres) -> easting, northing, height."""

TimeKind = Literal[
    "auto",
    "gps-seconds",
    "gps-week",
    "adjusted-gps",
    "utc",
    "local",
    "gps-calendar",
    "day-seconds",
    "week-seconds",
    "none",
]

_ROLLOVER_S = 3600.0
# Fix codes. The solution text's are printed in its own header; the NMEA ones are common practice.
# 6 (precise point positioning) fixes no integers unless it says so: it counts as float.
SOLUTION_CODES = {
    1: Fix.FIXED,
    2: Fix.FLOAT,
    3: Fix.DIFFERENTIAL,
    4: Fix.DIFFERENTIAL,
    5: Fix.SINGLE,
    6: Fix.FLOAT,
}
NMEA_CODES = {
    0: Fix.NONE,
    1: Fix.SINGLE,
    2: Fix.DIFFERENTIAL,
    3: Fix.SINGLE,
    4: Fix.FIXED,
    5: Fix.FLOAT,
    6: Fix.BRIDGED,
}
_FIX_WORDS = {
    "fixed": Fix.FIXED,
    "fix": Fix.FIXED,
    "rtk": Fix.FIXED,
    "rtk fixed": Fix.FIXED,
    "narrow int": Fix.FIXED,
    "float": Fix.FLOAT,
    "rtk float": Fix.FLOAT,
    "differential": Fix.DIFFERENTIAL,
    "dgps": Fix.DIFFERENTIAL,
    "dgnss": Fix.DIFFERENTIAL,
    "sbas": Fix.DIFFERENTIAL,
    "single": Fix.SINGLE,
    "autonomous": Fix.SINGLE,
    "bridged": Fix.BRIDGED,
    "slam": Fix.BRIDGED,
    "ins": Fix.BRIDGED,
    "dead reckoning": Fix.BRIDGED,
    "estimated": Fix.BRIDGED,
    "none": Fix.NONE,
    "no fix": Fix.NONE,
    "invalid": Fix.NONE,
    "unknown": Fix.UNKNOWN,
    "": Fix.UNKNOWN,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TrajectoryFormat:
    """What the user says of a trajectory file; what is not said is recognised or refused."""

    name: str | None = None
    """Default: the file's name without its ending."""
    kind: Literal["auto", "table", "solution", "nmea"] = "auto"
    columns: Sequence[str] | Mapping[str, str] | None = None
    """In order, this project's names of the columns of a table with no headings ("" or "-" to skip
    one); or a mapping from the file's headings to these names."""
    time: TimeKind = "auto"
    date: dt.date | None = None
    """The first day, for seconds of day and for NMEA logs that carry no date."""
    day_scale: Literal["gps", "utc"] = "utc"
    """Whose midnight seconds of day count from."""
    zone: str | None = None
    """Of ISO times written without an offset: "UTC", "+09:00", "Europe/Lisbon"."""
    gps_week: int | None = None
    """For seconds of week whose week is not in the file."""
    length_unit: LengthUnit | None = None
    """Of a table's lengths whose heading names no unit; a heading that names another is refused. Metres
    where nobody says."""
    angle_unit: Literal["degrees", "gon", "radians"] | None = None
    """Of attitude angles, directions and zenith angles whose heading names no unit; a heading that names
    another is refused. Degrees where nobody says."""
    heading_from: Literal["auto", "true", "grid"] = "auto"
    """The north that headings count from; auto: true north beside latitudes, grid north beside eastings."""
    fix_codes: Literal["solution", "nmea"] | Mapping[str, str] | None = None
    """How fix states are coded where a table writes them as numbers or in other words."""
    leap_seconds: Path | None = None
    """A newer IERS leap-seconds.list."""


@dataclass(slots=True, kw_only=True)
class Rows:
    """Columns as read: lengths in metres, latitudes in degrees, angles in radians, no order."""

    path: Path
    numbers: IntArray
    """Row of the file, counted from 1."""
    values: dict[str, FloatArray]
    texts: dict[str, list[str]] = field(default_factory=dict)
    time_kind: TimeKind | Literal["utc-seconds"]
    """"utc-seconds": UTC seconds since 1980-01-06 stand ready in the column utc_seconds."""
    remarks: list[str] = field(default_factory=list)

    def keep(self, which: BoolArray) -> None:
        """Drop the rows where ``which`` is false."""
        self.numbers = self.numbers[which]
        self.values = {name: column[which] for name, column in self.values.items()}
        self.texts = {
            name: [text for text, kept in zip(column, which, strict=True) if kept]
            for name, column in self.texts.items()
        }


def build_trajectory(rows: Rows, how: TrajectoryFormat, to_grid: ToGrid | None) -> Trajectory:
    """Clocks, units, converter and order. Raises TrajectoryError naming file, row, column and value."""
    _drop_rows_without_position(rows)
    position = _positions(rows, to_grid)
    _headings_to_grid_north(rows, how, to_grid)
    time_s, scale = _gps_seconds(rows, how)
    fix = _fix_states(rows, how)
    index = np.arange(rows.numbers.shape[0])
    if time_s is not None:
        _refuse_unreadable(rows, time_s)
        order = clocks.time_order(time_s, position, rows.numbers)
        index, time_s = order.index, time_s[order.index]
        rows.remarks.extend(order.remarks)
    values = {name: column[index] for name, column in rows.values.items()}
    satellites = values.get("satellites")
    return Trajectory(
        name=how.name or rows.path.stem,
        time_s=time_s,
        time_scale=scale,
        easting_m=position[index, 0],
        northing_m=position[index, 1],
        height_m=position[index, 2],
        roll_rad=values.get("roll"),
        pitch_rad=values.get("pitch"),
        heading_rad=values.get("heading"),
        speed_m_per_s=_speed(values),
        fix=None if fix is None else fix[index],
        satellites=None if satellites is None else np.nan_to_num(satellites, nan=-1.0).astype(np.int64),
        sigma_easting_m=values.get("sigma_easting"),
        sigma_northing_m=values.get("sigma_northing"),
        sigma_height_m=values.get("sigma_height"),
        remarks=tuple(rows.remarks),
    )


def _drop_rows_without_position(rows: Rows) -> None:
    names = _position_names(rows)
    finite = np.all([np.isfinite(rows.values[name]) for name in names], axis=0)
    if not finite.all():
        missing = rows.numbers[~finite]
        rows.remarks.append(
            f"Rows without a position: {missing.size} (first: row {int(missing[0])}), left out."
        )
        rows.keep(finite)
    if rows.numbers.size < 2:
        raise TrajectoryError(
            f"{counted(rows.numbers.size, 'row')} with a position: a trajectory needs at least two",
            path=rows.path,
            remedy="Check that the columns are declared as the file has them.",
        )


def _position_names(rows: Rows) -> tuple[str, str, str]:
    for names in (("easting", "northing", "height"), ("latitude", "longitude", "height")):
        if all(name in rows.values for name in names):
            return names
    present = ", ".join(sorted(rows.values)) or "none"
    raise TrajectoryError(
        f"no complete position: easting, northing, height or latitude, longitude, height "
        f"(recognised: {present})",
        path=rows.path,
        remedy="Declare the columns.",
    )


def _positions(rows: Rows, to_grid: ToGrid | None) -> FloatArray:
    names = _position_names(rows)
    first, second, third = (rows.values[name] for name in names)
    if names[0] == "easting":
        return np.column_stack([first, second, third])
    for name, column, limit in (("latitude", first, 90.0), ("longitude", second, 360.0)):
        bad = np.flatnonzero(np.abs(column) > limit)
        if bad.size:
            raise TrajectoryError(
                f"{name} {column[bad[0]]:g} is outside ±{limit:g} degrees",
                path=rows.path,
                place=f"row {int(rows.numbers[bad[0]])}, column {name}",
                remedy="Check the order of the columns and that the angles are decimal degrees.",
            )
    if to_grid is None:
        raise TrajectoryError(
            "positions are latitudes and longitudes, and no grid is declared for them",
            path=rows.path,
            remedy="Declare the coordinate system of the working frame.",
        )
    easting, northing, height = to_grid(first, second, third)
    position = np.column_stack([easting, northing, height])
    bad = np.flatnonzero(~np.isfinite(position).all(axis=1))
    if bad.size:
        raise TrajectoryError(
            f"latitude {first[bad[0]]:.6f}, longitude {second[bad[0]]:.6f} cannot be converted to the grid",
            path=rows.path,
            place=f"row {int(rows.numbers[bad[0]])}",
            remedy="Check that the declared coordinate system covers the place.",
        )
    return position


def _headings_to_grid_north(rows: Rows, how: TrajectoryFormat, to_grid: ToGrid | None) -> None:
    """Turn true headings by the meridian convergence, which the converter itself shows."""
    geographic = "latitude" in rows.values and "easting" not in rows.values
    if "heading" not in rows.values or to_grid is None or not geographic or how.heading_from == "grid":
        return
    latitude, longitude, height = (rows.values[name] for name in ("latitude", "longitude", "height"))
    step = np.where(latitude < 0, 1e-5, -1e-5)  # about a metre, towards the equator
    e0, n0, _ = to_grid(latitude, longitude, height)
    e1, n1, _ = to_grid(latitude + step, longitude, height)
    true_north = np.arctan2((e1 - e0) * np.sign(step), (n1 - n0) * np.sign(step))
    rows.values["heading"] = rows.values["heading"] + true_north
    rows.remarks.append(
        f"Headings were taken from true north and turned to grid north (up to "
        f"{np.degrees(np.max(np.abs(true_north))):.2f} degrees)."
    )


# ----------------------------------------------------------------------- clocks


def _gps_seconds(
    rows: Rows, how: TrajectoryFormat
) -> tuple[FloatArray | None, Literal["gps", "week-seconds", "day-seconds", "none"]]:
    kind = rows.time_kind
    if kind == "none":
        rows.remarks.append("The file carries no times: along-track differences cannot be measured with it.")
        return None, "none"
    if kind == "week-seconds":
        return _week_seconds(rows, how)
    if kind == "day-seconds":
        return _day_seconds(rows, how)
    if kind == "utc-seconds":
        seconds = _from_utc(rows, how, rows.values["utc_seconds"])
    elif kind == "gps-week":
        seconds = _weeks_and_seconds(rows)
    elif kind in ("utc", "local", "gps-calendar"):
        seconds = _calendar(rows, how)
    else:
        seconds = rows.values["time"] + (clocks.ADJUSTED_GPS_ZERO_S if kind == "adjusted-gps" else 0.0)
    return seconds, "gps"


def _weeks_and_seconds(rows: Rows) -> FloatArray:
    week, tow = _whole_weeks(rows), rows.values["week_seconds"]
    # Loggers that read the week once do not advance it at midnight on Saturday.
    over = (np.diff(week) == 0) & (tow[:-1] > clocks.WEEK_S - _ROLLOVER_S) & (tow[1:] < _ROLLOVER_S)
    if over.any():
        first = int(rows.numbers[1:][over][0])
        rows.remarks.append(
            f"At row {first} the seconds of week start again and the week does not advance: "
            "taken as the next week."
        )
        week = week + np.concatenate([[0.0], np.cumsum(over)])
    return week * clocks.WEEK_S + tow


def _whole_weeks(rows: Rows) -> FloatArray:
    week = rows.values["gps_week"]
    bad = np.flatnonzero(~np.isfinite(week) | (week != np.round(week)))
    if bad.size:
        raise TrajectoryError(
            f"GPS week {week[bad[0]]:g} is not a whole number",
            path=rows.path,
            place=f"row {int(rows.numbers[bad[0]])}, column gps_week",
        )
    # Weeks sent modulo 1024 restarted on 1999-08-22 and 2019-04-07 (IS-GPS-200, week number; from memory).
    early = np.flatnonzero(week < 1024)
    if early.size:
        value = int(week[early[0]])
        raise TrajectoryError(
            f"GPS week {value} lies before August 1999: the receiver counts weeks modulo 1024",
            path=rows.path,
            place=f"row {int(rows.numbers[early[0]])}, column gps_week",
            remedy=f"Write the full week: {value + 1024} or {value + 2048}.",
        )
    return week


def _week_seconds(rows: Rows, how: TrajectoryFormat) -> tuple[FloatArray, Literal["gps", "week-seconds"]]:
    name = "week_seconds" if "week_seconds" in rows.values else "time"
    _refuse_outside(rows, name, clocks.WEEK_S, "seconds of week")
    seconds, remarks = clocks.unwrap(rows.values[name], clocks.WEEK_S, rows.numbers, "week seconds")
    rows.remarks.extend(remarks)
    if how.gps_week is None:
        rows.remarks.append("Times are seconds of an unnamed GPS week.")
        return seconds, "week-seconds"
    return seconds + how.gps_week * clocks.WEEK_S, "gps"


def _day_seconds(rows: Rows, how: TrajectoryFormat) -> tuple[FloatArray, Literal["gps", "day-seconds"]]:
    name = "day_seconds" if "day_seconds" in rows.values else "time"
    _refuse_outside(rows, name, clocks.DAY_S + 1.0, "seconds of day")
    seconds, remarks = clocks.unwrap(rows.values[name], clocks.DAY_S, rows.numbers, "day seconds")
    rows.remarks.extend(remarks)
    if how.date is None:
        rows.remarks.append("Times are seconds of an unnamed day.")
        return seconds, "day-seconds"
    seconds = seconds + clocks.day_start_s(how.date)
    return (_from_utc(rows, how, seconds) if how.day_scale == "utc" else seconds), "gps"


def _refuse_outside(rows: Rows, name: str, limit_s: float, what: str) -> None:
    column = rows.values[name]
    bad = np.flatnonzero((column < 0) | (column > limit_s))
    if bad.size:
        raise TrajectoryError(
            f"{column[bad[0]]:.3f} cannot be {what}",
            path=rows.path,
            place=f"row {int(rows.numbers[bad[0]])}, column {name}",
            remedy="Declare which clock the times count: gps-seconds, adjusted-gps, utc, local, "
            "day-seconds or week-seconds.",
        )


def _calendar(rows: Rows, how: TrajectoryFormat) -> FloatArray:
    zone: dt.tzinfo | None = None
    if rows.time_kind in ("utc", "gps-calendar"):
        zone = dt.UTC
    elif how.zone is not None:
        zone = clocks.parse_zone(how.zone)
    texts = rows.texts["time"]
    seconds = clocks.utc_seconds_of(texts, zone)
    bad = np.flatnonzero(~np.isfinite(seconds))
    if bad.size:
        text = texts[bad[0]].strip()
        naive = clocks.utc_seconds(text, dt.UTC) is not None
        said = f'time "{text}"'
        if "date" in rows.texts and text.startswith(date := rows.texts["date"][bad[0]].strip()):
            said = f'date "{date}" with time "{text[len(date) + 1 :]}"'
        raise TrajectoryError(
            f"{said} does not say its zone" if naive else f"{said} is not a date and time that can be read",
            path=rows.path,
            place=f"row {int(rows.numbers[bad[0]])}, column time",
            remedy="Declare the zone, e.g. UTC, +02:00 or Europe/Lisbon."
            if naive
            else "Write dates as 2026-05-04 or 04.05.2026 (04/05/2026 does not say which is the month) and "
            "times as 09:30:00.000, with Z or an offset where it is known.",
        )
    return seconds if rows.time_kind == "gps-calendar" else _from_utc(rows, how, seconds)


def _from_utc(rows: Rows, how: TrajectoryFormat, utc_s: FloatArray) -> FloatArray:
    table = (
        clocks.bundled_leap_seconds()
        if how.leap_seconds is None
        else clocks.read_leap_seconds(how.leap_seconds)
    )
    gps_s, cautions = table.gps_from_utc(utc_s)
    rows.remarks.extend(cautions)
    return gps_s


def _refuse_unreadable(rows: Rows, time_s: FloatArray) -> None:
    bad = np.flatnonzero(~np.isfinite(time_s))
    if bad.size:
        raise TrajectoryError(
            "the row has a position but no time",
            path=rows.path,
            place=f"row {int(rows.numbers[bad[0]])}, column time",
            remedy="Complete or remove the row.",
        )


# ----------------------------------------------------------------------- the rest


def _fix_states(rows: Rows, how: TrajectoryFormat) -> NDArray[np.str_] | None:
    texts = rows.texts.get("fix")
    if texts is None:
        return None
    table: dict[str, str] = {}
    if how.fix_codes in ("solution", "nmea"):
        codes = SOLUTION_CODES if how.fix_codes == "solution" else NMEA_CODES
        table = {str(code): state.value for code, state in codes.items()}
    elif isinstance(how.fix_codes, Mapping):
        table = {str(key).strip().lower(): Fix(value).value for key, value in how.fix_codes.items()}
    unknown: set[str] = set()
    states: dict[str, str] = {}
    for text in set(texts):
        key = " ".join(text.strip().lower().replace("_", " ").replace("-", " ").split())
        key = key.removesuffix(".0")
        if key in table:
            states[text] = table[key]
        elif key in _FIX_WORDS:
            states[text] = _FIX_WORDS[key].value
        else:
            states[text] = Fix.UNKNOWN.value
            unknown.add(text.strip())
    if unknown:
        rows.remarks.append(
            f"Fix states {', '.join(sorted(unknown)[:5])} are not declared and count as unknown: "
            "declare fix_codes (solution, nmea, or one word per code)."
        )
    return np.array([states[text] for text in texts])


def _speed(values: Mapping[str, FloatArray]) -> FloatArray | None:
    if "speed" in values:
        return values["speed"]
    if "velocity_east" in values and "velocity_north" in values:
        return np.hypot(values["velocity_east"], values["velocity_north"])
    return None
