"""Clocks of trajectory files: leap seconds, their expiry, rollovers, order."""

from __future__ import annotations

import datetime as dt
import hashlib
from pathlib import Path

import numpy as np
import pytest

from accuracy.errors import TrajectoryError
from accuracy.reading import trajectory_times as clocks


def utc(text: str) -> float:
    """UTC seconds since the GPS epoch, leap seconds not counted."""
    seconds = clocks.utc_seconds(text, dt.UTC)
    assert seconds is not None
    return seconds


@pytest.mark.parametrize(
    ("moment", "gps_minus_utc"),
    [
        # IERS leap-seconds.list: TAI - UTC less TAI - GPS = 19 s.
        ("1980-01-06T00:00:00", 0),
        ("1999-01-01T00:00:00", 13),
        ("2006-01-01T00:00:00", 14),
        ("2009-01-01T00:00:00", 15),
        ("2012-07-01T00:00:00", 16),
        ("2015-06-30T23:59:59", 16),
        ("2015-07-01T00:00:00", 17),
        ("2016-12-31T23:59:59", 17),
        ("2017-01-01T00:00:00", 18),
        ("2026-03-01T12:00:00", 18),
    ],
)
def test_gps_minus_utc_is_that_of_the_iers(moment: str, gps_minus_utc: int) -> None:
    """The bundled table gives the published offsets on and around the leap second dates."""
    seconds = np.array([utc(moment)])
    gps, cautions = clocks.bundled_leap_seconds().gps_from_utc(seconds)
    assert gps[0] - seconds[0] == gps_minus_utc
    assert cautions == ()


def test_zero_of_adjusted_gps_time() -> None:
    """Adjusted standard GPS time is zero at 2011-09-14 01:46:25 UTC (computed from its definition)."""
    gps, _ = clocks.bundled_leap_seconds().gps_from_utc(np.array([utc("2011-09-14T01:46:25")]))
    assert gps[0] == clocks.ADJUSTED_GPS_ZERO_S


def test_a_time_after_the_expiry_is_cautioned_and_one_before_is_not() -> None:
    """Past its expiry the table says when it expired and that it knows no later leap second."""
    table = clocks.bundled_leap_seconds()
    after = np.array([table.expires_utc_s])
    _, cautions = table.gps_from_utc(after)
    assert len(cautions) == 1
    assert f"expired on {table.expires}" in cautions[0]
    assert "no later leap second is known to it" in cautions[0]
    assert table.gps_from_utc(after - 1.0)[1] == ()


def _list_file(path: Path, rows: str, *, expires: int, spoil: bool = False) -> Path:
    """A list in the IERS form, with its SHA-1 over update, expiry and rows."""
    digits = (
        "3960835200" + str(expires) + "".join("".join(r.split("#")[0].split()) for r in rows.splitlines())
    )
    digest = hashlib.sha1(digits.encode(), usedforsecurity=False).hexdigest()
    words = " ".join(digest[i : i + 8].lstrip("0") or "0" for i in range(0, 40, 8))
    if spoil:
        rows = rows.replace("37", "38")
    path.write_text(f"# a comment\n#$\t3960835200\n#@\t{expires}\n{rows}#h\t{words}\n")
    return path


ROWS = "3644697600  36  # 1 Jul 2015\n3692217600  37  # 1 Jan 2017\n4070908800  38  # invented\n"


def test_a_newer_list_is_read_and_used(tmp_path: Path) -> None:
    """A later (invented) leap second in the user's list takes effect from its date on."""
    table = clocks.read_leap_seconds(_list_file(tmp_path / "leap-seconds.list", ROWS, expires=4102444800))
    # NTP 4070908800 is 2029-01-01 (computed: 47117 days after 1900-01-01).
    gps, cautions = table.gps_from_utc(np.array([utc("2028-12-31T23:59:59"), utc("2029-01-01T00:00:00")]))
    assert gps[1] - gps[0] == 2.0
    assert cautions == ()
    assert table.expires == dt.date(2030, 1, 1)


def test_a_damaged_list_is_refused(tmp_path: Path) -> None:
    """A list that does not match its own SHA-1 is not used."""
    path = _list_file(tmp_path / "leap-seconds.list", ROWS, expires=4102444800, spoil=True)
    with pytest.raises(TrajectoryError, match="does not match its own SHA-1"):
        clocks.read_leap_seconds(path)


def test_a_list_without_expiry_is_refused(tmp_path: Path) -> None:
    """Without an expiry nobody could say whether it still holds."""
    path = tmp_path / "leap-seconds.list"
    path.write_text("3692217600 37\n")
    with pytest.raises(TrajectoryError, match="no expiry line"):
        clocks.read_leap_seconds(path)


def test_a_row_that_is_none_is_named(tmp_path: Path) -> None:
    """The row's number and text stand in the message."""
    path = tmp_path / "leap-seconds.list"
    path.write_text("#@ 4102444800\nnonsense here now\n")
    with pytest.raises(TrajectoryError, match='row 2: "nonsense here now"'):
        clocks.read_leap_seconds(path)


def test_zones() -> None:
    """Offsets, names and UTC give the same instant; an unknown zone is refused."""
    for text, clock in (("+09:00", "09:00"), ("UTC", "00:00"), ("Asia/Tokyo", "09:00")):
        seconds = clocks.utc_seconds(f"2024-05-04T{clock}:00", clocks.parse_zone(text))
        assert seconds == utc("2024-05-04T00:00:00")
    with pytest.raises(TrajectoryError, match='"Nowhere/Land" is not known'):
        clocks.parse_zone("Nowhere/Land")


def test_week_rollover_is_continued_and_named() -> None:
    """Seconds of week that start again go on in the next week, and the row is named."""
    seconds = np.array([604_799.0, 604_799.5, 0.0, 0.5])
    out, remarks = clocks.unwrap(seconds, clocks.WEEK_S, np.arange(2, 6), "week seconds")
    np.testing.assert_allclose(np.diff(out), 0.5)
    assert "starts again at row 4" in remarks[0]


def test_backward_jumps_and_duplicates_are_named_and_sorted() -> None:
    """The order is by time; each kind of oddity is named with its row."""
    time = np.array([0.0, 1.0, 3.0, 2.0, 2.0, 4.0, 4.0])
    place = np.zeros((7, 3))
    place[:, 0] = [0, 1, 3, 2, 2, 4, 9]
    order = clocks.time_order(time, place, np.arange(10, 17))
    np.testing.assert_array_equal(time[order.index], [0, 1, 2, 3, 4])
    np.testing.assert_array_equal(place[order.index, 0], [0, 1, 2, 3, 4])
    words = " ".join(order.remarks)
    assert "backwards once, by up to 1.000 s, at row 13" in words
    assert "at the same position: 1 (row 14), dropped" in words
    assert "at another position, up to 5.000 m away: 1 (row 16)" in words


def test_a_clean_file_has_no_remarks() -> None:
    """Nothing is named where nothing is odd."""
    order = clocks.time_order(np.arange(5.0), np.zeros((5, 3)), np.arange(5))
    assert order.remarks == ()
