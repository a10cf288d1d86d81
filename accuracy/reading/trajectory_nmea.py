"""NMEA 0183 logs (GGA and RMC sentences) -> Rows. Part of reading trajectories.

Field positions and quality codes are common practice (the standard itself is sold): GGA holds
time of day UTC, latitude, longitude, quality, satellites, HDOP, altitude, geoid separation; RMC
holds the date and the speed over ground in knots. The check sum is the exclusive or of all
characters between $ and *.
"""

from __future__ import annotations

import datetime as dt
import re
from functools import reduce
from pathlib import Path

import numpy as np

from accuracy.errors import TrajectoryError
from accuracy.reading import trajectory_times as clocks
from accuracy.reading.trajectory_rows import NMEA_CODES, Rows, TrajectoryFormat

_SENTENCE = re.compile(r"\$([A-Z]{2})(GGA|RMC),([^*\r\n]*)(?:\*([0-9A-Fa-f]{2}))?")
_KNOT_M_PER_S = 1852 / 3600  # exact: international nautical mile per hour
_GGA_FIELDS = 11
_RMC_FIELDS = 9
# Two-digit years: GPS began in 1980.
_CENTURY_TURN = 80


def is_nmea(text: str) -> bool:
    """Whether the beginning of a file holds such sentences."""
    return _SENTENCE.search(text) is not None


def read_nmea(path: Path, text: str, how: TrajectoryFormat) -> Rows:
    """Read positions from GGA, dates and speeds from RMC.

    Heights are altitude plus geoid separation, so ellipsoidal. Sentences with a wrong check sum, and
    those that were cut short, are left out and counted. Raises TrajectoryError where no date is known.
    """
    found = [
        (number, match)
        for number, line in enumerate(text.splitlines(), 1)
        if (match := _SENTENCE.search(line)) is not None
    ]
    # Where a kind of sentence carries check sums, one without was cut before it: power was lost.
    summed = {match.group(2) for _, match in found if match.group(4) is not None}
    reader = _Reader(path, how.date)
    for place, (number, match) in enumerate(found, 1):
        cut = match.group(4) is None and match.group(2) in summed
        if cut or (place == len(found) and _ends_early(match)):
            reader.cut.append(number)
        else:
            reader.take(number, match)
    return reader.rows()


def _ends_early(match: re.Match[str]) -> bool:
    """Whether a sentence without a check sum has fewer fields than its kind: the log's last may be half."""
    fewest = _GGA_FIELDS if match.group(2) == "GGA" else _RMC_FIELDS
    return match.group(4) is None and match.group(3).count(",") + 1 < fewest


class _Reader:
    """Holds the running date and speed while the log passes by."""

    def __init__(self, path: Path, date: dt.date | None) -> None:
        self.path = path
        self.declared = date
        self.damaged: list[int] = []
        self.cut: list[int] = []
        self.unsummed = 0
        self.no_separation = 0
        self.numbers: list[int] = []
        self.columns: list[tuple[float, float, float, float, float]] = []
        """Seconds of day, latitude, longitude, height, satellites of each GGA."""
        self.fix: list[str] = []
        self.rmc: dict[float, float] = {}
        """Speed by seconds of day."""
        self.dates: list[tuple[int, dt.date, float]] = []
        """How many GGA had passed, the date, and the seconds of day of each RMC."""

    def take(self, number: int, match: re.Match[str]) -> None:
        talker, kind, body, stated = match.groups()
        if stated is None:
            self.unsummed += 1
        elif int(stated, 16) != reduce(lambda a, b: a ^ b, f"{talker}{kind},{body}".encode(), 0):
            self.damaged.append(number)
            return
        fields = body.split(",")
        try:
            self._gga(number, fields) if kind == "GGA" else self._rmc(fields)
        except (ValueError, IndexError):
            raise TrajectoryError(
                f'"{match.group(0)}" is not a {kind} sentence as the standard has it',
                path=self.path,
                place=f"row {number}",
                remedy="Remove the row, or log again.",
            ) from None

    def _gga(self, number: int, fields: list[str]) -> None:
        if len(fields) < _GGA_FIELDS:
            raise ValueError
        if not fields[1] or not fields[3] or not fields[0]:
            return  # no solution at this instant: nothing to place, and the gap will show it
        if not fields[10]:
            self.no_separation += 1
        self.numbers.append(number)
        self.columns.append(
            (
                _day_seconds(fields[0]),
                _degrees(fields[1], fields[2]),
                _degrees(fields[3], fields[4]),
                float(fields[8]) + float(fields[10] or 0.0),
                float(fields[6] or -1),
            )
        )
        self.fix.append(NMEA_CODES.get(int(fields[5] or -1), NMEA_CODES[0]).value)

    def _rmc(self, fields: list[str]) -> None:
        if len(fields) < _RMC_FIELDS:
            raise ValueError
        if not fields[0]:
            return
        seconds = _day_seconds(fields[0])
        if fields[6]:
            self.rmc[seconds] = float(fields[6]) * _KNOT_M_PER_S
        if fields[8]:
            day, month, year = int(fields[8][:2]), int(fields[8][2:4]), int(fields[8][4:6])
            date = dt.date(year + (1900 if year >= _CENTURY_TURN else 2000), month, day)
            self.dates.append((len(self.numbers), date, seconds))

    def rows(self) -> Rows:
        """Everything read, as Rows with UTC times."""
        if not self.numbers:
            raise TrajectoryError(
                "the log holds no GGA sentence with a position",
                path=self.path,
                remedy="Log GGA, which carries height and fix quality.",
            )
        table = np.array(self.columns)
        numbers = np.array(self.numbers, dtype=np.int64)
        seconds, remarks = clocks.unwrap(table[:, 0], clocks.DAY_S, numbers, "day seconds")
        start = clocks.day_start_s(self._first_day(seconds))
        utc = start + seconds
        values = {
            "latitude": table[:, 1],
            "longitude": table[:, 2],
            "height": table[:, 3],
            "satellites": table[:, 4],
            "utc_seconds": utc,
        }
        speeds = np.array([self.rmc.get(second, np.nan) for second in table[:, 0]])
        if np.isfinite(speeds).all():
            values["speed"] = speeds
        return Rows(
            path=self.path,
            numbers=numbers,
            values=values,
            texts={"fix": self.fix},
            time_kind="utc-seconds",
            remarks=[*self._remarks(), *remarks],
        )

    def _first_day(self, seconds: np.ndarray) -> dt.date:
        """The day of the first GGA: declared, or from the first RMC, days passed since taken off."""
        if self.declared is not None:
            return self.declared
        if not self.dates:
            raise TrajectoryError(
                "the log says the time of day but no date: it has GGA and no RMC with a date",
                path=self.path,
                remedy="Declare the date of the first row.",
            )
        passed, date, rmc_seconds = self.dates[0]
        near = float(seconds[min(passed, seconds.size - 1)])
        days = round((near - rmc_seconds) / clocks.DAY_S)
        return date - dt.timedelta(days=days)

    def _remarks(self) -> list[str]:
        remarks = []
        if self.damaged:
            remarks.append(
                f"Sentences that fail their check sum: {len(self.damaged)} "
                f"(first: row {self.damaged[0]}), left out."
            )
        if self.cut:
            remarks.append(
                f"Sentences that break off before their check sum: {len(self.cut)} (first: row "
                f"{self.cut[0]}), left out; a log that lost power ends so."
            )
        if self.unsummed:
            remarks.append(f"Sentences without a check sum: {self.unsummed}, taken unchecked.")
        if self.no_separation:
            remarks.append(
                f"GGA sentences without a geoid separation: {self.no_separation}; their altitudes were taken "
                "as ellipsoidal heights, which may be wrong by tens of metres."
            )
        return remarks


def _day_seconds(text: str) -> float:
    return int(text[:2]) * 3600.0 + int(text[2:4]) * 60.0 + float(text[4:])


def _degrees(text: str, hemisphere: str) -> float:
    point = text.index(".") if "." in text else len(text)
    degrees = int(text[: point - 2]) + float(text[point - 2 :]) / 60.0
    if hemisphere not in ("N", "S", "E", "W"):
        raise ValueError
    return -degrees if hemisphere in ("S", "W") else degrees
