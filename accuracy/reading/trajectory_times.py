"""Clock readings -> GPS seconds, in file order -> in time order. Part of reading trajectories.

GPS time counts seconds since 1980-01-06 00:00 UTC without leap seconds. UTC differs from it by
whole seconds that only a table can tell; the table ends on a date, and that date is checked.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from accuracy.errors import TrajectoryError
from accuracy.model import FloatArray, IntArray

GPS_EPOCH = dt.datetime(1980, 1, 6, tzinfo=dt.UTC)
WEEK_S = 604_800.0
DAY_S = 86_400.0
ADJUSTED_GPS_ZERO_S = 1_000_000_000.0
"""LAS "adjusted standard GPS time" is GPS seconds less 10^9 (ASPRS LAS specification 1.4)."""
TAI_MINUS_GPS_S = 19
_NTP_TO_GPS_S = (GPS_EPOCH - dt.datetime(1900, 1, 1, tzinfo=dt.UTC)).total_seconds()
_NAMED_AT_MOST = 3


# ----------------------------------------------------------------------- leap seconds


@dataclass(frozen=True, slots=True, eq=False)
class LeapSeconds:
    """GPS minus UTC: ``gps_minus_utc_s[i]`` holds from ``from_utc_s[i]``, UTC seconds since the epoch."""

    from_utc_s: FloatArray
    gps_minus_utc_s: FloatArray
    expires_utc_s: float
    source: str

    @property
    def expires(self) -> dt.date:
        """The day after which the table knows nothing."""
        return (GPS_EPOCH + dt.timedelta(seconds=self.expires_utc_s)).date()

    def gps_from_utc(self, utc_s: FloatArray) -> tuple[FloatArray, tuple[str, ...]]:
        """(n,) UTC seconds since 1980-01-06, leap seconds not counted -> GPS seconds, and cautions."""
        row = np.searchsorted(self.from_utc_s, utc_s, side="right") - 1
        gps_s = utc_s + self.gps_minus_utc_s[np.maximum(row, 0)]
        if utc_s.size and float(np.max(utc_s)) >= self.expires_utc_s:
            latest = (GPS_EPOCH + dt.timedelta(seconds=float(np.max(utc_s)))).date()
            return gps_s, (
                f"The leap second table ({self.source}) expired on {self.expires}, and the file's UTC times "
                f"reach {latest}: no later leap second is known to it. GPS minus UTC was taken as "
                f"{self.gps_minus_utc_s[-1]:.0f} s; give a newer IERS leap-seconds.list to be sure.",
            )
        return gps_s, ()


@cache
def bundled_leap_seconds() -> LeapSeconds:
    """The table that comes with the software."""
    table = tomllib.loads((files("accuracy.reading") / "leap_seconds.toml").read_text("utf-8"))
    dates = [dt.datetime.fromisoformat(day).replace(tzinfo=dt.UTC) for day in table["tai_minus_utc"]]
    return LeapSeconds(
        from_utc_s=np.array([(day - GPS_EPOCH).total_seconds() for day in dates]),
        gps_minus_utc_s=np.array([float(v - TAI_MINUS_GPS_S) for v in table["tai_minus_utc"].values()]),
        expires_utc_s=(dt.datetime.combine(table["expires"], dt.time(), dt.UTC) - GPS_EPOCH).total_seconds(),
        source=table["source"],
    )


def read_leap_seconds(path: Path) -> LeapSeconds:
    """Read an IERS ``leap-seconds.list``: NTP seconds since 1900 and TAI - UTC, with expiry and SHA-1.

    Raises TrajectoryError where it has no expiry line, an unreadable row, or a wrong check sum.
    """
    rows: list[tuple[float, float]] = []
    digest, expires, stated = "", None, None
    for number, line in enumerate(path.read_text("utf-8", errors="replace").splitlines(), 1):
        mark, body = line[:2], line.split("#")[0]
        try:
            if mark in ("#$", "#@"):
                digest += "".join(line[2:].split())
                expires = float(line[2:]) if mark == "#@" else expires
            elif mark == "#h":
                stated = "".join(word.zfill(8) for word in line[2:].split())
            elif body.strip():
                ntp, tai = body.split()
                rows.append((float(ntp) - _NTP_TO_GPS_S, float(tai) - TAI_MINUS_GPS_S))
                digest += ntp + tai
        except ValueError:
            raise TrajectoryError(
                f'"{line.strip()}" is not a row of a leap second list', path=path, place=f"row {number}"
            ) from None
    remedy = "Fetch leap-seconds.list again from the IERS."
    if expires is None or not rows:
        raise TrajectoryError(
            "the leap second list has no expiry line (#@) or no rows", path=path, remedy=remedy
        )
    # IERS README: SHA-1 over the digits of the update, the expiry and the rows, in the file's order.
    if stated is not None and hashlib.sha1(digest.encode(), usedforsecurity=False).hexdigest() != stated:
        raise TrajectoryError("the leap second list does not match its own SHA-1", path=path, remedy=remedy)
    table = np.array(rows)
    return LeapSeconds(table[:, 0], table[:, 1], expires - _NTP_TO_GPS_S, path.name)


# ----------------------------------------------------------------------- clock readings


def parse_zone(text: str) -> dt.tzinfo:
    """``+09:00``, ``UTC`` or a name of the time zone database, e.g. ``Europe/Lisbon``."""
    if text.strip().upper() in ("UTC", "Z"):
        return dt.UTC
    if text.strip()[:1] in "+-":
        try:
            zone = dt.datetime.fromisoformat(f"2000-01-01T00:00:00{text.strip()}").tzinfo
        except ValueError:
            zone = None
        if zone is not None:
            return zone
    try:
        return ZoneInfo(text.strip())
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise TrajectoryError(
            f'time zone "{text}" is not known', remedy="Write an offset such as +02:00, or Europe/Lisbon."
        ) from None


_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?=[T ]|$)")


def _iso(text: str) -> str:
    """A date and time as ISO has it: 2026/05/04 is year first, 04.05.2026 (with points) day first."""
    return _DAY_FIRST.sub(
        lambda date: f"{date[3]}-{date[2]:0>2}-{date[1]:0>2}", text.strip().replace("/", "-"), count=1
    )


def utc_seconds(text: str, zone: dt.tzinfo | None) -> float | None:
    """One ISO date and time -> UTC seconds since 1980-01-06; None if unreadable, or naive with no zone."""
    try:
        moment = dt.datetime.fromisoformat(_iso(text))
    except ValueError:
        return None
    if moment.tzinfo is None:
        if zone is None:
            return None
        moment = moment.replace(tzinfo=zone)
    return (moment - GPS_EPOCH).total_seconds()


def utc_seconds_of(texts: list[str], zone: dt.tzinfo | None) -> FloatArray:
    """(n,) UTC seconds of ISO texts; NaN where one cannot be read. Vectorised where all are plain UTC."""
    if zone is dt.UTC:
        try:
            plain: NDArray[Any] = np.array(
                [_iso(t).replace(" ", "T", 1).removesuffix("Z") for t in texts],
                dtype="datetime64[us]",
            )
            return (plain - np.datetime64("1980-01-06")).astype("timedelta64[us]").astype(np.float64) / 1e6
        except ValueError:
            pass
    read = [utc_seconds(text, zone) for text in texts]
    return np.array([np.nan if value is None else value for value in read])


def day_start_s(day: dt.date) -> float:
    """Seconds from the GPS epoch to 00:00 of ``day``, leap seconds not counted."""
    return float((day - GPS_EPOCH.date()).days) * DAY_S


def unwrap(seconds: FloatArray, period_s: float, rows: IntArray, what: str) -> tuple[FloatArray, list[str]]:
    """Continue a counter past its rollover: a drop of more than half a period starts the next one."""
    drops = np.flatnonzero(np.diff(seconds) < -period_s / 2)
    if not drops.size:
        return seconds, []
    turns = np.zeros(seconds.shape[0])
    np.add.at(turns, drops + 1, 1.0)
    named = _name_rows(rows[drops + 1])
    return seconds + period_s * np.cumsum(turns), [
        f"The {what} starts again at {named}: taken as the next {what.split(maxsplit=1)[0]}."
    ]


# ----------------------------------------------------------------------- order


@dataclass(frozen=True, slots=True, eq=False)
class Order:
    """Which rows to keep and in which order, with what was found, in words."""

    index: IntArray
    remarks: tuple[str, ...]


def time_order(time_s: FloatArray, position: FloatArray, rows: IntArray) -> Order:
    """Sort by time, name every backward jump and drop repeated instants.

    Args:
        time_s: (n,) in file order.
        position: (n, 3), to tell a repeated row from two positions at one instant.
        rows: (n,) row numbers of the file, for the words.
    """
    remarks = []
    back = np.flatnonzero(np.diff(time_s) < 0) + 1
    if back.size:
        worst = float(np.max(-np.diff(time_s)))
        remarks.append(
            f"Time runs backwards {_times(back.size)}, by up to {worst:.3f} s, at {_name_rows(rows[back])}: "
            "the rows were sorted by time. Check for joined or restarted logs."
        )
    index = np.argsort(time_s, kind="stable")
    same = np.flatnonzero(np.diff(time_s[index]) == 0) + 1
    if same.size:
        apart = np.linalg.norm(position[index[same]] - position[index[same - 1]], axis=1)
        clash = apart > 0.001  # a millimetre: the same position written twice
        remarks.extend(_duplicate_words(rows[index[same]], apart, clash))
        keep = np.ones(index.shape[0], dtype=bool)
        keep[same] = False
        index = index[keep]
    return Order(index.astype(np.int64), tuple(remarks))


def _duplicate_words(rows: IntArray, apart_m: FloatArray, clash: NDArray[np.bool_]) -> list[str]:
    words = []
    if (~clash).any():
        words.append(
            f"Rows that repeat an instant at the same position: {int((~clash).sum())} "
            f"({_name_rows(np.sort(rows[~clash]))}), dropped."
        )
    if clash.any():
        words.append(
            "Rows that repeat an instant at another position, up to "
            f"{float(apart_m[clash].max()):.3f} m away: {int(clash.sum())} "
            f"({_name_rows(np.sort(rows[clash]))}); the first row of each instant was kept."
        )
    return words


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _name_rows(rows: IntArray) -> str:
    shown = ", ".join(str(int(row)) for row in rows[:_NAMED_AT_MOST])
    more = f" and {rows.size - _NAMED_AT_MOST} more" if rows.size > _NAMED_AT_MOST else ""
    return f"row{'s' if rows.size > 1 else ''} {shown}{more}"
