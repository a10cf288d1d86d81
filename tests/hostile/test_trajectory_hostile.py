"""Trajectory files and pairs that cannot be used: each is refused with place, value and remedy."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from accuracy.errors import TrajectoryError
from accuracy.model import Trajectory
from accuracy.reading.trajectory import TrajectoryFormat, read_trajectory
from accuracy.trajectory.compare import compare
from accuracy.units import LengthUnit

GPS = TrajectoryFormat(time="gps-seconds")
HEAD = "gps_seconds,E,N,H\n"
POS = "%  GPST  latitude(deg) longitude(deg)  height(m)   Q  ns\n"
CASES: list[tuple[str, str, TrajectoryFormat, str]] = [
    ("empty", "", GPS, "the file holds no rows"),
    ("comments only", "# nothing\n", GPS, "the file holds no rows"),
    ("headings only", HEAD, GPS, "headings and no rows"),
    ("no headings", "1,2,3,4\n2,2,3,4\n", GPS, r'first row \("1,2,3,4"\) is not a row of headings'),
    ("one epoch", HEAD + "1,2,3,4\n", GPS, "1 row with a position: a trajectory needs at least two"),
    ("no height", "gps_seconds,E,N\n1,2,3\n2,2,3\n", GPS, r"no complete position.*recognised: easting"),
    (
        "word for number",
        HEAD + "1,2,3,4\n2,2,wet,4\n",
        GPS,
        'row 3, column northing: "wet" is not a number. Use a decimal point',
    ),
    (
        "decimal comma",
        "gps_seconds;E;N;H\n1;2;3;4\n2;2,5;3;4\n",
        GPS,
        'row 3, column easting: "2,5" is not a number',
    ),
    ("cut row", HEAD + "1,2,3,4\n2,2,3\n", GPS, "row 3: the row has 3 columns where 4 are needed"),
    (
        "no time in a row",
        HEAD + "1,2,3,4\n,2,3,4\n",
        GPS,
        "row 3, column time: the row has a position but no",
    ),
    (
        "unsaid clock",
        "time,E,N,H\n100,2,3,4\n101,2,3,4\n",
        TrajectoryFormat(),
        "does not say which clock it counts",
    ),
    (
        "no such clock",
        "E,N,H\n2,3,4\n3,3,4\n",
        TrajectoryFormat(time="week-seconds"),
        "declared as week-seconds and no column",
    ),
    (
        "naive local",
        "local_time,E,N,H\n2024-05-04T10:00:00,2,3,4\n2024-05-04T10:00:01,2,3,4\n",
        TrajectoryFormat(),
        'row 2, column time: time "2024-05-04T10:00:00" does not say its zone. Declare the zone',
    ),
    (
        "no date",
        "utc,E,N,H\n2024-05-04T10:00:00Z,2,3,4\nyesterday,2,3,4\n",
        TrajectoryFormat(),
        'row 3, column time: time "yesterday" is not a date and time',
    ),
    (
        "seconds of week too large",
        "tow,E,N,H\n604799,2,3,4\n700000,2,3,4\n",
        TrajectoryFormat(),
        "row 3, column week_seconds: 700000.000 cannot be seconds of week",
    ),
    (
        "seconds of day too large",
        "time,E,N,H\n90000,2,3,4\n90001,2,3,4\n",
        TrajectoryFormat(time="day-seconds"),
        "row 2, column time: 90000.000 cannot be seconds of day",
    ),
    (
        "week modulo 1024",
        "gps_week,tow,E,N,H\n222,1,2,3,4\n222,2,2,3,4\n",
        TrajectoryFormat(),
        "GPS week 222 lies before August 1999.*Write the full week: 1246 or 2270",
    ),
    (
        "half a week",
        "gps_week,tow,E,N,H\n2222.5,1,2,3,4\n2222.5,2,2,3,4\n",
        TrajectoryFormat(),
        "GPS week 2222.5 is not a whole number",
    ),
    ("degrees without a grid", "gps_seconds,lat,lon,H\n1,50,8,3\n2,50,8,3\n", GPS, "no grid is declared"),
    (
        "latitude out of range",
        "gps_seconds,lat,lon,H\n1,50,8,3\n2,150,8,3\n",
        GPS,
        "row 3, column latitude: latitude 150 is outside ±90 degrees",
    ),
    (
        "feet, but which",
        "gps_seconds,easting (feet),northing (feet),height (feet)\n1,2,3,4\n2,2,3,4\n",
        GPS,
        r'"feet", which does not say which foot. Give format = \{ length_unit = ... \} international-foot',
    ),
    (
        "unknown unit",
        "gps_seconds,E (yards),N (yards),H\n1,2,3,4\n2,2,3,4\n",
        GPS,
        r'column E \(yards\): the unit "yards" is not known',
    ),
    (
        "feet beside nothing",
        "gps_seconds,E (ft),N (ft),H\n1,2,3,4\n2,2,3,4\n",
        GPS,
        "is in ft, but column H names no unit. Name the unit in every",
    ),
    (
        "two units at once",
        "gps_seconds,E (m),N (m),H (m)\n1,2,3,4\n2,2,3,4\n",
        TrajectoryFormat(length_unit=LengthUnit.US_SURVEY_FOOT),
        "the heading says metre, but format = .* says us-survey-foot",
    ),
    (
        "unknown unit of a speed",
        "gps_seconds,E,N,H,speed (leagues)\n1,2,3,4,5\n2,2,3,4,5\n",
        GPS,
        'the unit "leagues" of a speed is not known. Write m/s',
    ),
    (
        "feet for a notation in metres",
        POS + "2270 1.0 50 8 3 1 9\n2270 2.0 50 8 3 1 9\n",
        TrajectoryFormat(length_unit=LengthUnit.INTERNATIONAL_FOOT),
        "lengths of this notation are metres, and length_unit says international-foot",
    ),
    (
        "which is the month",
        "date,utc,E,N,H\n07/02/2024,10:00:00,2,3,4\n07/02/2024,10:00:01,2,3,4\n",
        TrajectoryFormat(),
        'date "07/02/2024" with time "10:00:00" is not a date .* does not say which is the month',
    ),
    (
        "unknown column name",
        "a,b,c,d\n1,2,3,4\n",
        TrajectoryFormat(columns={"a": "gps_seconds", "b": "eastings"}),
        'column 2: column name "eastings" is not known',
    ),
    (
        "too many columns declared",
        "1 2 3\n",
        TrajectoryFormat(columns=("time", "easting", "northing", "height"), time="gps-seconds"),
        "row 1: 4 columns are declared and the file has 3",
    ),
    (
        "solution in ECEF",
        "%  GPST  x-ecef(m)  y-ecef(m)\n2270 1.0 1 2 3 1\n",
        GPS,
        'positions are given as "x-ecef',
    ),
    ("solution without epochs", POS, GPS, "the solution holds no epochs"),
    (
        "solution cut",
        POS + "2270 1.0 50 8 3 1 9\n2270 2.0 50 8\n",
        GPS,
        "row 3: the row has 4 columns where 7 are needed",
    ),
    (
        "solution damaged",
        POS + "2270 1.0 50 8 3 1 9\n2270 2.0 50 8 x 1 9\n",
        GPS,
        'row 3, column height: "x" is not a number',
    ),
    (
        "two notations joined",
        POS + "2270 1.0 50 8 3 1 9\n2024/01/01 00:00:00.0 50 8 3 1 9\n",
        GPS,
        'row 3, column time: "2024/01/01 00:00:00.0" is not a GPS week and seconds as in the first row',
    ),
    (
        "NMEA without a date",
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\n",
        TrajectoryFormat(),
        "the time of day but no date",
    ),
    (
        "NMEA without positions",
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\n",
        TrajectoryFormat(),
        "no GGA sentence with a position",
    ),
    (
        "NMEA garbled",
        "$GPGGA,1235xx,48,N,011,E,1,08,0.9,5,M,4,M,,\n",
        TrajectoryFormat(),
        "row 1: .* is not a GGA",
    ),
]


@pytest.mark.parametrize(("name", "text", "how", "message"), CASES, ids=[case[0] for case in CASES])
def test_refused_with_place_and_remedy(
    tmp_path: Path, name: str, text: str, how: TrajectoryFormat, message: str
) -> None:
    """The message names the file and says what is wrong and where."""
    path = tmp_path / "run.txt"
    path.write_text(text)
    with pytest.raises(TrajectoryError, match=message) as caught:
        read_trajectory(path, how)
    assert "run.txt" in str(caught.value)


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    """No traceback for a wrong path."""
    with pytest.raises(TrajectoryError, match="cannot be read"):
        read_trajectory(tmp_path / "nowhere.csv")


def test_a_binary_file_is_refused(tmp_path: Path) -> None:
    """A binary log is named as such."""
    path = tmp_path / "run.bin"
    path.write_bytes(bytes(range(256)) * 10)
    with pytest.raises(TrajectoryError, match="binary, not text"):
        read_trajectory(path)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_common_encodings_are_read(tmp_path: Path, encoding: str) -> None:
    """Byte order marks and legacy encodings do not disturb the headings."""
    path = tmp_path / "run.csv"
    path.write_text("gps_seconds,E,N,H,Straße\n1,2,3,4,ü\n2,2,3,4,ü\n", encoding=encoding)
    assert len(read_trajectory(path)) == 2


@pytest.mark.parametrize("seed", range(30))
def test_random_damage_never_crashes(tmp_path: Path, seed: int) -> None:
    """Bytes changed at random give a trajectory or a TrajectoryError, never another exception."""
    rng = np.random.default_rng(seed)
    log = "".join(f"{i},{i * 2.5},{i},{3},fixed,{10}\n" for i in range(40))
    pos = POS + "".join(f"2270 {i}.0 50.0 8.0 3.0 1 9\n" for i in range(40))
    raw = bytearray((("gps_seconds,E,N,H,fix,ns\n" + log) if seed % 2 else pos).encode())
    for place in rng.integers(0, len(raw), 6):
        raw[place] = int(rng.integers(9, 127))
    path = tmp_path / "run.txt"
    path.write_bytes(bytes(raw))
    try:
        found = read_trajectory(path, to_grid=lambda lat, lon, h: (lon, lat, h))
    except TrajectoryError:
        return
    assert found.time_s is None or (np.diff(found.time_s) > 0).all()


# ----------------------------------------------------------------------- pairs


def straight(n: int = 200, start_s: float = 1e9) -> Trajectory:
    """Three metres per second to the north, 5 Hz."""
    t = np.arange(n) * 0.2
    return Trajectory(
        name="run",
        time_s=t + start_s,
        time_scale="gps",
        easting_m=0 * t,
        northing_m=3 * t,
        height_m=0 * t,
    )


@pytest.mark.parametrize(
    ("late_s", "shares"),
    [(86_400.0, "no usable epochs"), (-69.0, "only 5 usable epochs"), (3600.0, "no usable")],
)
def test_no_overlap_in_time(late_s: float, shares: str) -> None:
    """A day, an hour or all but a second apart: refused with both spans and what to check."""
    reference = replace(straight(start_s=1e9 + late_s), name="receiver")
    with pytest.raises(
        TrajectoryError,
        match=rf"share {shares}.*run goes from 2011-09-14 01:46:40 to 2011-09-14 01:47:19 GPS time, "
        r"receiver from 2011-09-1.*GPS time. Check the date, the time scale",
    ):
        compare(straight(), reference)


def test_too_short() -> None:
    """Two epochs are no trajectory to compare."""
    with pytest.raises(TrajectoryError, match="too few to interpolate"):
        compare(straight(), straight(2))


def test_repeated_times() -> None:
    """Arrays that were not put in order are refused."""
    run = straight()
    assert run.time_s is not None
    times = run.time_s.copy()
    times[5] = times[4]
    with pytest.raises(TrajectoryError, match="times of run repeat or run backwards"):
        compare(replace(run, time_s=times), straight())


def test_points_far_from_the_path() -> None:
    """Points of another street are not compared by place."""
    run = straight()
    far = replace(run, time_s=None, time_scale="none", easting_m=run.easting_m + 500)
    with pytest.raises(TrajectoryError, match="0 reference points within 5 m"):
        compare(run, far)


def test_a_rig_that_stands_has_no_path() -> None:
    """Comparison by place needs a path."""
    run = straight()
    points = replace(run, time_s=None, time_scale="none")
    with pytest.raises(TrajectoryError, match="hardly moves"):
        compare(replace(run, northing_m=run.northing_m * 0), points)


def test_a_reference_without_any_fix_is_used_and_said() -> None:
    """Every reference epoch single: used, with the consequence in words."""
    reference = replace(straight(), fix=np.full(200, "single"))
    found, _ = compare(straight(), reference)
    assert any("its own error is in every figure" in remark for remark in found.remarks)
