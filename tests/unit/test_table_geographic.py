"""Tables in latitude and longitude, and handing converted coordinates back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from accuracy.errors import TableError
from accuracy.reading.checkpoints import TableOptions, read_checkpoints

DEGREES = 52 + 39 / 60 + 27.25 / 3600  # definition of minutes and seconds


NOTATIONS = [
    "52°39'27.25\"N",
    "52° 39' 27.25\" N",
    "N52°39'27.25\"",
    "52 39 27.25",
    "+52:39:27.25",
    "52d39m27.25s",
    "52º39′27.25″",
    "52°39'27,25''N",
    "52°39.454166666666667'",
    "52.657569444444444444",
]
SOUTHERN = [text.replace("N", "S") for text in NOTATIONS if "N" in text] + [
    "-52 39 27.25",
    "−52.657569444444444444°",
]


@pytest.mark.parametrize(
    ("written", "sign"), [*((text, 1) for text in NOTATIONS), *((text, -1) for text in SOUTHERN)]
)
def test_degrees_minutes_seconds(written: str, sign: int, tmp_path: Path) -> None:
    """Every usual notation of one angle is the same angle; south is negative."""
    path = tmp_path / "checkpoints.csv"
    path.write_text(
        f"id;Lat.;Longitude (dd);Ellipsoidal Height\nTQ1;{written};-1.71791667;24.700\n", encoding="utf-8"
    )
    table = read_checkpoints(path)
    assert table.geographic
    assert table.latitude_deg == pytest.approx([sign * DEGREES], abs=1e-13)
    assert table.longitude_deg.tolist() == [-1.71791667]
    assert table.height_m.tolist() == [24.7]


def test_geographic_table_has_no_checkpoints_before_conversion(tmp_path: Path) -> None:
    """Degrees can never pass for metres: asking for checkpoints is refused with the remedy."""
    path = tmp_path / "checkpoints.csv"
    path.write_text("TQ1,52.6575694,1.7179167,24.7,disc,0.3\n")
    table = read_checkpoints(path, TableOptions(columns="id,latitude,longitude,height,mark,mark_size"))
    with pytest.raises(TableError, match="latitude and longitude, not grid"):
        _ = table.checkpoints
    (point,) = table.with_coordinates(np.array([426123.4]), np.array([5812345.6]), np.array([-20.5]))
    assert (point.easting_m, point.northing_m, point.height_m) == (426123.4, 5812345.6, -20.5)
    assert (point.id, point.mark, point.mark_size_m, point.row) == ("TQ1", "disc", 0.3, 1)
    assert type(point.easting_m) is float


def test_observed_coordinates_are_not_left_in_the_old_frame(tmp_path: Path) -> None:
    """Converting the checkpoints without the observed coordinates is an error, not a shift."""
    path = tmp_path / "checkpoints.csv"
    path.write_text("id,e,n,h,obs e,obs n\nA,100.25,200.25,3.25,100.26,200.24\nB,100.75,200.25,3.25,,\n")
    table = read_checkpoints(path)
    one = np.ones(2)
    with pytest.raises(ValueError, match="together with the checkpoints"):
        table.with_coordinates(one, one, one)
    points = table.with_coordinates(one, one, one, observed=[(1.01, 0.99, None), None])
    assert [(p.observed_easting_m, p.observed_northing_m) for p in points] == [(1.01, 0.99), (None, None)]


def test_occupations_in_degrees(tmp_path: Path) -> None:
    """Spread of occupations in degrees is told in metres: 1e-6 degree is 0.111 m along a meridian."""
    path = tmp_path / "checkpoints.csv"
    path.write_text("id,lat,lon,h\nA,60.000000,1.000000,3.000\nA,60.000001,1.000001,3.010\n")
    table = read_checkpoints(path, TableOptions(average_duplicates=True))
    (group,) = table.duplicates
    assert group.spread_northing_m == pytest.approx(0.1113, abs=2e-4)
    assert group.spread_easting_m == pytest.approx(0.1113 / 2, abs=2e-4)  # cos 60 degrees
    assert table.latitude_deg == pytest.approx([60.0000005], abs=1e-12)
