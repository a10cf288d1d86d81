"""One instant and one place, written in every notation that trajectories come in."""

from __future__ import annotations

import datetime as dt
from functools import reduce
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from accuracy.errors import TrajectoryError
from accuracy.model import Fix, FloatArray
from accuracy.reading.trajectory import TrajectoryFormat, read_trajectory
from accuracy.reading.trajectory_table import read_table
from accuracy.units import LengthUnit

# 2023-07-11 06:04:30 GPS time is week 2270, second 194670: the header of an open solution file says so.
GPS_S = 2270 * 604_800 + 194_670.0


def plain_grid(lat: FloatArray, lon: FloatArray, h: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """An invented converter: a hundred kilometres per degree, north up."""
    return lon * 1e5, lat * 1e5, h


def write(tmp_path: Path, text: str, name: str = "run.csv") -> Path:
    """The file."""
    path = tmp_path / name
    path.write_text(text)
    return path


PLACE = "10.0,20.0,3.0"
TABLES = [
    ("gps week and seconds", "GPS Week,GPS TOW (s),E,N,H\n2270,{0:.1f},", TrajectoryFormat(), 194_670.0),
    ("GPS seconds", "gps_seconds,E,N,H\n{0:.1f},", TrajectoryFormat(), GPS_S),
    ("adjusted GPS", "time,E,N,H\n{0:.1f},", TrajectoryFormat(time="adjusted-gps"), GPS_S - 1e9),
    ("week seconds", "tow,E,N,H\n{0:.1f},", TrajectoryFormat(gps_week=2270), 194_670.0),
    (
        "day seconds, UTC",
        "sod,E,N,H\n{0:.1f},",
        TrajectoryFormat(date=dt.date(2023, 7, 11)),
        6 * 3600 + 4 * 60 + 12.0,
    ),
    (
        "day seconds, GPS",
        "sod,E,N,H\n{0:.1f},",
        TrajectoryFormat(date=dt.date(2023, 7, 11), day_scale="gps"),
        6 * 3600 + 4 * 60 + 30.0,
    ),
]


@pytest.mark.parametrize(("name", "head", "how", "first"), TABLES, ids=[row[0] for row in TABLES])
def test_numeric_clocks(tmp_path: Path, name: str, head: str, how: TrajectoryFormat, first: float) -> None:
    """Every numeric clock gives the same GPS seconds."""
    row = head.split("\n")[1]
    text = head.format(first) + PLACE + "\n" + row.format(first + 1) + "11.0,20.0,3.0\n"
    found = read_trajectory(write(tmp_path, text), how)
    np.testing.assert_allclose(found.time_s, [GPS_S, GPS_S + 1], atol=1e-6)
    assert found.time_scale == "gps"
    np.testing.assert_array_equal(found.easting_m, [10.0, 11.0])


@pytest.mark.parametrize(
    ("heading", "text", "zone"),
    [
        ("utc", "2023-07-11T06:04:12", None),
        ("utc", "2023-07-11 06:04:12.000Z", None),
        ("local_time", "2023-07-11T15:04:12+09:00", None),
        ("local_time", "2023-07-11T15:04:12", "Asia/Tokyo"),
        ("time", "2023/07/11 15:04:12", "+09:00"),
    ],
)
def test_calendar_clocks(tmp_path: Path, heading: str, text: str, zone: str | None) -> None:
    """UTC and local times, with offset or declared zone, give the same GPS seconds: 18 s more than UTC."""
    rows = "\n".join(f"{t},{PLACE}" for t in (text, text.replace(":12", ":13")))
    found = read_trajectory(write(tmp_path, f"{heading},E,N,H\n{rows}\n"), TrajectoryFormat(zone=zone))
    np.testing.assert_allclose(found.time_s, [GPS_S, GPS_S + 1], atol=1e-6)


def test_date_and_time_in_two_columns(tmp_path: Path) -> None:
    """A separate date is joined to the time of day."""
    text = "date utc E N H\n2023-07-11 06:04:12 1 2 3\n2023-07-11 06:04:13 1 2 3\n"
    found = read_trajectory(write(tmp_path, text))
    assert found.time_s is not None
    assert found.time_s[0] == GPS_S


def test_utc_after_the_expiry_carries_the_caution(tmp_path: Path) -> None:
    """The caution about the leap second table reaches the trajectory's remarks."""
    text = "utc,E,N,H\n2099-01-01T00:00:00,1,2,3\n2099-01-01T00:00:01,1,2,3\n"
    found = read_trajectory(write(tmp_path, text))
    assert any("no later leap second is known" in remark for remark in found.remarks)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "   "])
def test_optional_columns_units_and_delimiters(tmp_path: Path, delimiter: str) -> None:
    """Attitude, speed, fix, satellites and deviations are taken with the units that headings name."""
    head = [
        "gps_seconds",
        "E",
        "N",
        "H",
        "Roll(deg)",
        "Pitch(rad)",
        "Heading(gon)",
        "Speed(km/h)",
        "Fix",
        "NS",
        "sde",
    ]
    row = ["1e9", "1", "2", "3", "90", "0.5", "100", "36", "fixed", "12", "0.02"]
    text = "\n".join(
        delimiter.join(cells) for cells in (head, row, ["1000000001", *row[1:8], "Float", *row[9:]])
    )
    found = read_trajectory(
        write(tmp_path, text), TrajectoryFormat(length_unit=LengthUnit.INTERNATIONAL_FOOT)
    )
    assert found.roll_rad is not None
    assert found.pitch_rad is not None
    assert found.heading_rad is not None
    assert found.speed_m_per_s is not None
    assert found.fix is not None
    assert found.satellites is not None
    assert found.sigma_easting_m is not None
    assert found.roll_rad[0] == pytest.approx(np.pi / 2)
    assert found.pitch_rad[0] == 0.5
    assert found.heading_rad[0] == pytest.approx(np.pi / 2)
    assert found.speed_m_per_s[0] == pytest.approx(10.0)
    assert found.fix.tolist() == ["fixed", "float"]
    assert found.satellites[0] == 12
    assert found.easting_m[0] == pytest.approx(0.3048)
    assert found.sigma_easting_m[0] == pytest.approx(0.02 * 0.3048)


FEET = LengthUnit.INTERNATIONAL_FOOT
SURVEY_FEET = LengthUnit.US_SURVEY_FOOT


@pytest.mark.parametrize(
    ("headings", "declared", "metres", "said"),
    [
        ("easting (ft),northing (ft),height (ft),sde", None, 0.3048, True),
        ("easting_ft,northing_ft,height_ft,sde_ft", None, 0.3048, True),
        ("E [US survey feet],N [US survey feet],H [US survey feet],sde", None, 1200 / 3937, False),
        ("easting (ft),northing (ft),height (ft),sde", SURVEY_FEET, 1200 / 3937, False),
        ("easting (m),northing (m),height (m),sde (m)", None, 1.0, False),
        ("easting,northing,height,sde", SURVEY_FEET, 1200 / 3937, False),
    ],
)
def test_the_unit_in_a_heading_is_the_unit(
    tmp_path: Path, headings: str, declared: LengthUnit | None, metres: float, said: bool
) -> None:
    """Feet in headings are feet, by the checkpoint table's rules; "ft" alone says which foot was taken."""
    text = f"gps_seconds,{headings}\n1,100,200,3,0.1\n2,110,200,3,0.1\n"
    found = read_trajectory(write(tmp_path, text), TrajectoryFormat(length_unit=declared))
    np.testing.assert_allclose(
        [found.easting_m[1], found.northing_m[0], found.height_m[0]], np.array([110, 200, 3]) * metres
    )
    assert found.sigma_easting_m is not None
    assert found.sigma_easting_m[0] == pytest.approx(0.1 * metres)
    assert any("read as international feet (0.3048 m)" in remark for remark in found.remarks) == said


@pytest.mark.parametrize(
    ("heading", "cell", "name", "si"),
    [
        ("heading_deg", "90", "heading", np.pi / 2),
        ("Yaw_rad", "0.5", "heading", 0.5),
        ("azimuth_gon", "100", "heading", np.pi / 2),
        ("heading (deg, true)", "90", "heading", np.pi / 2),
        ("Heading (\N{DEGREE SIGN})", "180", "heading", np.pi),
        ("roll_deg", "180", "roll", np.pi),
        ("pitch_degrees", "180", "pitch", np.pi),
        ("hz_gon", "200", "direction", np.pi),
        ("zenith_rad", "1.5", "zenith", 1.5),
        ("speed_mps", "7", "speed", 7.0),
        ("speed_m_per_s", "7", "speed", 7.0),
        ("speed_m_s", "7", "speed", 7.0),
        ("Ground speed [m/s]", "7", "speed", 7.0),
        ("speed_km_h", "36", "speed", 10.0),
        ("speed_kmh", "36", "speed", 10.0),
        ("ve_mph", "10", "velocity_east", 4.4704),  # 10 x 1609.344 m / 3600 s, exact
        ("velocity_north_kn", "9", "velocity_north", 4.63),  # 9 x 1852 m / 3600 s, exact
        ("speed_ft_per_s", "10", "speed", 3.048),
        ("lat_deg", "45", "latitude", 45.0),
        ("lon_rad", "0.5", "longitude", 28.6478897565),  # 0.5 x 180 / pi (arithmetic)
        ("Longitude (gon)", "100", "longitude", 90.0),
        ("easting_m", "7", "easting", 7.0),
        ("northing_ft", "10", "northing", 3.048),
        ("sigma_height_mm", "10", "sigma_height", 0.01),
        ("tow_ms", "2500", "week_seconds", 2.5),
        ("gps_time_s", "2.5", "gps_seconds", 2.5),
        ("sod_sec", "2.5", "day_seconds", 2.5),
    ],
)
def test_a_unit_at_the_end_of_a_heading(
    tmp_path: Path, heading: str, cell: str, name: str, si: float
) -> None:
    """Headings that end in their unit are the columns that they name, in that unit."""
    rows = read_table(tmp_path / "t.csv", f"{heading},other\n{cell},0\n", TrajectoryFormat(time="none"))
    assert rows.values[name][0] == pytest.approx(si, rel=1e-9)


def test_time_s_is_the_time(tmp_path: Path) -> None:
    """A column time_s counts seconds of whichever clock is declared."""
    text = "time_s,easting_m,northing_m,height_m,heading_deg\n1,2,3,4,90\n2,3,3,4,90\n"
    found = read_trajectory(write(tmp_path, text), TrajectoryFormat(time="gps-seconds"))
    np.testing.assert_array_equal(found.time_s, [1.0, 2.0])
    assert found.heading_rad is not None
    assert found.heading_rad[0] == pytest.approx(np.pi / 2)


@pytest.mark.parametrize("heading", ["yaw_rate_deg_s", "roll_std_deg", "heading_offset", "speed_limit_mph"])
def test_what_only_begins_like_a_column_is_none(tmp_path: Path, heading: str) -> None:
    """A rate, an uncertainty or an offset is not taken for the angle or speed itself."""
    rows = read_table(tmp_path / "t.csv", f"E,N,H,{heading}\n1,2,3,4\n", TrajectoryFormat())
    assert set(rows.values) == {"easting", "northing", "height"}


@pytest.mark.parametrize(
    ("heading", "declared", "message"),
    [
        ("heading_rad", "gon", "column heading_rad: the heading says radians, but .*angle_unit.* says gon"),
        ("Roll (deg)", "radians", "the heading says degrees, but .* says radians"),
        ("heading_grad", None, 'the unit "grad" of an angle is not known.*degrees, gon or radians'),
        ("lat (dms)", None, 'the unit "dms" of an angle is not known'),
        ("Speed (furlong)", None, 'the unit "furlong" of a speed is not known'),
    ],
)
def test_units_that_contradict_or_are_unknown(
    tmp_path: Path, heading: str, declared: Literal["gon", "radians"] | None, message: str
) -> None:
    """A heading's unit is never overruled by a declared one, nor passed over."""
    how = TrajectoryFormat(angle_unit=declared)
    with pytest.raises(TrajectoryError, match=message):
        read_table(tmp_path / "t.csv", f"E,N,H,{heading}\n1,2,3,4\n", how)


def test_a_declared_angle_unit_holds_where_no_heading_says_one(tmp_path: Path) -> None:
    """Gon where nobody else says; agreeing with a heading is no contradiction."""
    rows = read_table(
        tmp_path / "t.csv", "E,N,H,heading,roll_gon\n1,2,3,100,200\n", TrajectoryFormat(angle_unit="gon")
    )
    assert rows.values["heading"][0] == pytest.approx(np.pi / 2)
    assert rows.values["roll"][0] == pytest.approx(np.pi)


def test_slope_distances_in_feet(tmp_path: Path) -> None:
    """Polar observations name their unit as coordinates do."""
    text = "gps_seconds,direction (gon),zenith (gon),slope_distance (ft)\n1,0,100,10\n2,0,100,20\n"
    rows = read_table(tmp_path / "prism.csv", text, TrajectoryFormat())
    np.testing.assert_allclose(rows.values["slope_distance"], [3.048, 6.096])
    assert "slope_distance (ft): read as international feet" in rows.remarks[0]


def test_a_spreadsheets_note_on_its_delimiter(tmp_path: Path) -> None:
    """A first line sep=; is no heading, and commas in the rows are not taken for the delimiter."""
    found = read_trajectory(write(tmp_path, "sep=;\ngps_seconds;E;N;H;note\n1;2;3;4;a,b\n2;3;3;4;c,d\n"))
    np.testing.assert_array_equal(found.easting_m, [2.0, 3.0])


@pytest.mark.parametrize("rows", ["11.07.2023,06:04:{}", "11.7.2023,6:04:{}", "2023/07/11,06:04:{}"])
def test_dates_with_the_day_first(tmp_path: Path, rows: str) -> None:
    """Points between the parts of a date mean day first; the instant is the same."""
    rows = rows.replace(",6:", ",06:")
    text = "date,utc,E,N,H\n" + "".join(f"{rows.format(s)},{PLACE}\n" for s in ("12.000", "13.000"))
    found = read_trajectory(write(tmp_path, text))
    np.testing.assert_allclose(found.time_s, [GPS_S, GPS_S + 1], atol=1e-6)


def test_a_week_that_does_not_advance(tmp_path: Path) -> None:
    """Midnight on Saturday with the old week number: continued into the next week, and named."""
    text = "gps_week,tow,E,N,H\n2270,604799,1,2,3\n2270,0,2,2,3\n2270,1,3,2,3\n"
    found = read_trajectory(write(tmp_path, text))
    assert found.time_s is not None
    np.testing.assert_array_equal(np.diff(found.time_s), 1.0)
    np.testing.assert_array_equal(found.easting_m, [1.0, 2.0, 3.0])
    assert any("At row 3 the seconds of week start again" in remark for remark in found.remarks)


def test_declared_columns_without_headings(tmp_path: Path) -> None:
    """A headless table is read with its columns declared in order; - skips one."""
    text = "7 100.0 1 2 3\n8 100.5 4 5 6\n"
    how = TrajectoryFormat(columns=("-", "time", "easting", "northing", "height"), time="gps-seconds")
    found = read_trajectory(write(tmp_path, text), how)
    np.testing.assert_array_equal(found.northing_m, [2.0, 5.0])


def test_headings_mapped(tmp_path: Path) -> None:
    """A file's own headings are mapped to this project's names."""
    text = "Zeit;Rechtswert;Hochwert;Hoehe\n1;1;2;3\n2;4;5;6\n"
    how = TrajectoryFormat(
        columns={"Zeit": "gps_seconds", "Rechtswert": "easting", "Hochwert": "northing", "Hoehe": "height"}
    )
    assert read_trajectory(write(tmp_path, text), how).easting_m[1] == 4.0


def test_points_without_times(tmp_path: Path) -> None:
    """A table logged by distance has no times and says so."""
    found = read_trajectory(write(tmp_path, "E,N,H\n1,2,3\n2,2,3\n"))
    assert found.time_s is None
    assert found.time_scale == "none"
    assert "carries no times" in found.remarks[0]


def test_rows_without_a_position_are_counted(tmp_path: Path) -> None:
    """An empty position is left out and named, not taken for zero."""
    text = "gps_seconds,E,N,H\n1,1,2,3\n2,,,\n3,3,2,3\n"
    found = read_trajectory(write(tmp_path, text))
    assert len(found) == 2
    assert "Rows without a position: 1 (first: row 3)" in found.remarks[0]


def test_undeclared_fix_codes_count_as_unknown(tmp_path: Path) -> None:
    """A bare number means different things in different files: it is not guessed."""
    text = "gps_seconds,E,N,H,Q\n1,1,2,3,1\n2,1,2,3,5\n"
    found = read_trajectory(write(tmp_path, text))
    assert found.fix is not None
    assert found.fix.tolist() == ["unknown", "unknown"]
    assert any("declare fix_codes" in remark for remark in found.remarks)
    declared = {"solution": ["fixed", "single"], "nmea": ["single", "float"]}
    for codes, states in declared.items():
        again = read_trajectory(write(tmp_path, text), TrajectoryFormat(fix_codes=codes))  # type: ignore[arg-type]
        assert again.fix is not None
        assert again.fix.tolist() == states


def test_true_headings_are_turned_to_grid_north(tmp_path: Path) -> None:
    """Beside latitudes headings count from true north: the converter's convergence is added."""

    def tilted(lat: FloatArray, lon: FloatArray, h: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        turn = np.radians(2.0)  # invented: true north stands 2 degrees east of grid north
        e, n = lon * 1e5, lat * 1e5
        return e * np.cos(turn) + n * np.sin(turn), n * np.cos(turn) - e * np.sin(turn), h

    text = "gps_seconds,lat,lon,H,heading\n1,35,136,3,10\n2,35,136.0001,3,10\n"
    found = read_trajectory(write(tmp_path, text), to_grid=tilted)
    assert found.heading_rad is not None
    np.testing.assert_allclose(np.degrees(found.heading_rad), 12.0, atol=1e-6)


# ----------------------------------------------------------------------- NMEA


def sentence(body: str) -> str:
    """With its check sum."""
    return f"${body}*{reduce(lambda a, b: a ^ b, body.encode()):02X}"


def test_a_published_check_sum() -> None:
    """The example sentence of many receiver manuals carries check sum 47 (from memory)."""
    body = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert sentence(body).endswith("*47")


def gga(clock: str, quality: int, minutes: str = "30.000000") -> str:
    """One GGA at 35 degrees north, 10 degrees west."""
    return sentence(f"GNGGA,{clock},35{minutes},N,01000.000000,W,{quality},12,0.8,100.0,M,40.0,M,,")


def test_nmea_over_midnight(tmp_path: Path) -> None:
    """Date from RMC, day rollover, quality codes, ellipsoidal height, speed in knots, south and west."""
    log = [
        sentence("GNRMC,235959.00,A,3530.0,N,01000.0,W,10.0,90.0,110723,,,A"),
        gga("235959.00", 4),
        gga("000000.00", 5),
        sentence("GNRMC,000000.00,A,3530.0,N,01000.0,W,10.0,90.0,120723,,,A"),
        gga("000001.00", 1),
        sentence("GNRMC,000001.00,A,3530.0,N,01000.0,W,10.0,90.0,120723,,,A"),
    ]
    found = read_trajectory(write(tmp_path, "\n".join(log), "log.nmea"), to_grid=plain_grid)
    midnight = (dt.datetime(2023, 7, 12) - dt.datetime(1980, 1, 6)).total_seconds() + 18
    np.testing.assert_allclose(found.time_s, [midnight - 1, midnight, midnight + 1])
    np.testing.assert_allclose(found.northing_m, 35.5e5)
    np.testing.assert_allclose(found.easting_m, -10e5)
    np.testing.assert_allclose(found.height_m, 140.0)
    assert found.fix is not None
    assert found.fix.tolist() == [Fix.FIXED, Fix.FLOAT, Fix.SINGLE]
    assert found.speed_m_per_s is not None
    np.testing.assert_allclose(found.speed_m_per_s, 10 * 1852 / 3600)


def test_nmea_damaged_sentences_are_left_out(tmp_path: Path) -> None:
    """A sentence that fails its check sum is not used, and its row is named."""
    bad = gga("000002.00", 4).replace("35", "36", 1)
    log = [gga("000000.00", 4), gga("000001.00", 4), bad]
    how = TrajectoryFormat(date=dt.date(2023, 7, 12))
    found = read_trajectory(write(tmp_path, "\n".join(log)), how, to_grid=plain_grid)
    assert len(found) == 2
    assert "fail their check sum: 1 (first: row 3)" in found.remarks[0]


@pytest.mark.parametrize(
    "half", ["$GNGGA,000002.00,3530.0", gga("000002.00", 4)[:-3], gga("000002.00", 4)[:-1]]
)
def test_a_log_that_lost_power(tmp_path: Path, half: str) -> None:
    """A last sentence cut before or within its check sum is left out and named; the rest is read."""
    log = [gga("000000.00", 4), gga("000001.00", 4), half]
    how = TrajectoryFormat(date=dt.date(2023, 7, 12))
    found = read_trajectory(write(tmp_path, "\n".join(log)), how, to_grid=plain_grid)
    assert len(found) == 2
    assert "break off before their check sum: 1 (first: row 3), left out" in found.remarks[0]


# ----------------------------------------------------------------------- solution text

HEAD = "% program : invented\n%  {0}  latitude(deg) longitude(deg)  height(m) Q ns sdn(m) sde(m) sdu(m)\n"
REST = " 35.5 136.5 41.0 {0} 16 0.004 0.005 0.010\n"


@pytest.mark.parametrize(
    ("scale", "times"),
    [
        ("GPST", ("2270 194670.000", "2270 194671.000")),
        ("GPST", ("2023/07/11 06:04:30.000", "2023/07/11 06:04:31.000")),
        ("UTC", ("2023/07/11 06:04:12.000", "2023/07/11 06:04:13.000")),
        ("JST", ("2023/07/11 15:04:12.000", "2023/07/11 15:04:13.000")),
    ],
)
def test_solution_time_notations(tmp_path: Path, scale: str, times: tuple[str, str]) -> None:
    """Both notations and all three clocks of the text solution give the same GPS seconds."""
    text = HEAD.format(scale) + times[0] + REST.format(1) + times[1] + REST.format(5)
    found = read_trajectory(write(tmp_path, text, "run.pos"), to_grid=plain_grid)
    np.testing.assert_allclose(found.time_s, [GPS_S, GPS_S + 1], atol=1e-6)
    assert found.fix is not None
    assert found.fix.tolist() == ["fixed", "single"]
    # The notation writes north before east.
    assert found.sigma_northing_m is not None
    assert found.sigma_easting_m is not None
    assert (found.sigma_northing_m[0], found.sigma_easting_m[0]) == (0.004, 0.005)
