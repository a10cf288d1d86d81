"""Clocks that differ by whole hours, leap seconds or weeks: seen on time spans, before anything is joined."""

from __future__ import annotations

from collections.abc import Iterator

from accuracy.explaining.mistake_words import CHECK_BY
from accuracy.model import Mistake
from accuracy.reading.trajectory_times import DAY_S, WEEK_S

# GPS minus UTC: 18 s since 2017-01-01, and one less at each leap second before (IERS Bulletin C 52).
LEAP_SECONDS_S = (18, 17, 16, 15, 14, 13)
HOUR_S = 3600.0
# The ten-bit week number of GPS starts again every 1024 weeks (IS-GPS-200).
ROLLOVER_S = 1024 * WEEK_S
_NOISE_S = 0.5
_MOST_OUTSIDE = 0.02
"""Share of the cloud's time that may lie outside once the slip is taken off."""


def find_time_slip(
    cloud_span_s: tuple[float, float], trajectory_span_s: tuple[float, float]
) -> Mistake | None:
    """A slip that would bring the cloud's times inside the trajectory's, where they are not already.

    Args:
        cloud_span_s: first and last time of the points, on the trajectory's scale as declared.
        trajectory_span_s: first and last epoch.

    Returns: kind ``leap_second``, ``time_zone`` or ``week_rollover``; size is the cloud's clock minus the
    trajectory's in seconds. None where the times fit, or no such slip makes them fit.
    """
    start, end = cloud_span_s
    if _outside_s(start, end, trajectory_span_s) <= _NOISE_S:
        return None
    for kind, slip, words in _slips():
        left = _outside_s(start - slip, end - slip, trajectory_span_s)
        if left <= max(_NOISE_S, _MOST_OUTSIDE * (end - start)):
            outside = _outside_s(start, end, trajectory_span_s)
            return Mistake(
                kind=kind,
                size=slip,
                size_unit="s",
                evidence=f"The cloud's times reach {outside:.1f} s outside the trajectory's; they would lie "
                f"inside if the cloud's clock were {words} {'ahead' if slip > 0 else 'behind'}.",
                check_by=CHECK_BY[kind],
                score=outside - left,
                rests_on="cloud",
            )
    return None


_LEAST_SHARED = 0.5
"""Of the shorter span."""
# Zeros of other clocks that a column of GPS seconds may really count from.
_OTHER_ZEROS = (
    (1e9, "a billion seconds (adjusted standard GPS time for GPS seconds)"),
    (315_964_800.0 - 18.0, "the years from 1970 to 1980 (Unix time for GPS seconds)"),
)


def slip_between(span_s: tuple[float, float], other_s: tuple[float, float]) -> str | None:
    """What would bring two spans of time that lie apart over each other, in words; None where nothing would.

    Args:
        span_s: first and last epoch of the one, GPS seconds.
        other_s: of the other, which the words speak of.
    """
    shorter = min(span_s[1] - span_s[0], other_s[1] - other_s[0])
    slips = [(slip, words) for _, slip, words in _slips()]
    slips += [(sign * slip, words) for slip, words in _OTHER_ZEROS for sign in (1, -1)]
    days = round((other_s[0] - span_s[0]) / DAY_S)
    if days:
        slips.append((days * DAY_S, "one day" if abs(days) == 1 else f"{abs(days):,} days"))
    for slip, words in slips:
        shared = min(span_s[1], other_s[1] - slip) - max(span_s[0], other_s[0] - slip)
        if shared > 0 and shared >= _LEAST_SHARED * shorter:
            return f"{words} too {'late' if slip > 0 else 'early'}"
    return None


def _outside_s(start_s: float, end_s: float, span_s: tuple[float, float]) -> float:
    """How much of a span lies outside another: its whole length and the distance where they are apart."""
    early, late = span_s[0] - start_s, end_s - span_s[1]
    return max(early, 0.0) + max(late, 0.0)


def _slips() -> Iterator[tuple[str, float, str]]:
    """Every slip asked for, the likeliest first: the slips that occur, then whole hours by their size."""
    for leap in LEAP_SECONDS_S:
        for sign in (-1, 1):
            yield "leap_second", float(sign * leap), f"{leap} s (the leap seconds between UTC and GPS time)"
    # Zones in use reach from UTC-12 to UTC+14; some stand at half or three quarters of an hour.
    quarters = sorted(range(1, 57), key=lambda quarter: (quarter % 4 != 0, quarter % 2 != 0, quarter))
    for quarter in quarters:
        for sign in (1, -1):
            hours = quarter / 4
            if sign < 0 and hours > 12:
                continue
            zone = sign * hours * HOUR_S
            yield "time_zone", zone, f"{hours:g} h (a time zone)"
            leap = LEAP_SECONDS_S[0]
            yield "time_zone", zone - leap, f"{hours:g} h (a time zone), less {leap} leap seconds,"
    for sign in (-1, 1):
        yield "week_rollover", sign * ROLLOVER_S, "1024 weeks (the GPS week number started again)"
