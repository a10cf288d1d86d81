"""Polar observations of a prism, reduced: against exact geometry on a round Earth with a bent ray."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from accuracy.errors import TrajectoryError
from accuracy.reading.trajectory import TrajectoryFormat
from accuracy.reading.trajectory_polar import EARTH_RADIUS_M, PolarSetup, read_polar, reduce_polar

STATION = (1000.0, 2000.0, 50.0)


def observed(distance_m: float, rise_m: float, k: float) -> tuple[float, float]:
    """(zenith, slope distance) to a point at an arc ``distance_m`` along a sphere, ``rise_m`` higher.

    Exact plane geometry through the Earth's centre; the ray is an arc of radius R / k, whose chord
    the slope distance is (arc and chord differ by less than a nanometre here).
    """
    angle = distance_m / EARTH_RADIUS_M
    up, out = (
        (EARTH_RADIUS_M + rise_m) * np.cos(angle) - EARTH_RADIUS_M,
        (EARTH_RADIUS_M + rise_m) * np.sin(angle),
    )
    slope = float(np.hypot(out, up))
    # A ray bent downwards leaves the instrument higher than its chord by half its own central angle.
    return float(np.arctan2(out, up)) - k * slope / (2 * EARTH_RADIUS_M), slope


@pytest.mark.parametrize("distance_m", [10.0, 100.0, 300.0, 1000.0])
@pytest.mark.parametrize("rise_m", [-20.0, 0.0, 30.0])
def test_curvature_and_refraction(distance_m: float, rise_m: float) -> None:
    """Distance and height come back within 0.1 mm up to a kilometre."""
    setup = PolarSetup(station_m=STATION, instrument_height_m=0.0)
    zenith, slope = observed(distance_m, rise_m, 0.13)
    found = reduce_polar(
        np.array([0.0]),
        np.array([zenith]),
        np.array([slope]),
        setup=setup,
        prism_constant_m=0.0,
        prism_height_m=0.0,
        orientation_rad=np.pi / 2,
    )[0]
    assert found[0] - STATION[0] == pytest.approx(distance_m, abs=1e-4)
    assert found[2] - STATION[2] == pytest.approx(rise_m, abs=1e-4)


def test_curvature_is_worth_seven_centimetres_at_a_kilometre() -> None:
    """(1 - k) d^2 / 2R: 68 mm at 1 km with k = 0.13 (arithmetic)."""
    found = reduce_polar(
        np.array([0.0]),
        np.array([np.pi / 2]),
        np.array([1000.0]),
        setup=PolarSetup(station_m=STATION, instrument_height_m=0.0),
        prism_constant_m=0.0,
        prism_height_m=0.0,
        orientation_rad=0.0,
    )[0]
    assert found[2] - STATION[2] == pytest.approx(0.0683, abs=5e-5)


def test_second_face_is_the_same_point() -> None:
    """Direction plus 200 gon and 400 gon minus the zenith angle: the other face of one pointing."""
    zenith = 1.4
    found = reduce_polar(
        np.array([0.3, 0.3 + np.pi]),
        np.array([zenith, 2 * np.pi - zenith]),
        np.array([80.0, 80.0]),
        setup=PolarSetup(station_m=STATION, instrument_height_m=1.5),
        prism_constant_m=0.0,
        prism_height_m=0.1,
        orientation_rad=1.0,
    )
    np.testing.assert_allclose(found[0], found[1], atol=1e-9)


def polar_file(tmp_path: Path, drift_gon: float = 0.0, stretch_m: float = 0.0) -> Path:
    """Backsight 100 m north, prism passing 50 m east; angles in gon, circle zero at 30 gon west of north."""
    rows = ["time,direction (gon),zenith (gon),slope_distance,target"]
    rows.append(f"0,30.0,100.0,{100.0 + stretch_m},backsight")
    for step in range(5):
        north = -2.0 + step
        bearing = np.arctan2(50.0, north) * 200 / np.pi
        rows.append(f"{1 + step},{(bearing + 30.0) % 400:.8f},100.0,{np.hypot(50.0, north):.6f},prism")
    rows.append(f"9,{30.0 + drift_gon},100.0,{100.0 + stretch_m},backsight")
    path = tmp_path / "prism.csv"
    path.write_text("\n".join(rows))
    return path


SETUP = PolarSetup(
    station_m=STATION,
    instrument_height_m=1.6,
    backsight_m=(1000.0, 2100.0, 51.6),
    backsight_prism_height_m=0.0,
)
HOW = TrajectoryFormat(time="gps-seconds", angle_unit="gon")


def test_a_file_is_oriented_and_reduced(tmp_path: Path) -> None:
    """Orientation from the first backsight; coordinates, height and time of the tracked prism."""
    track = read_polar(polar_file(tmp_path), SETUP, HOW)
    np.testing.assert_allclose(track.trajectory.easting_m, 1050.0, atol=1e-5)
    np.testing.assert_allclose(track.trajectory.northing_m, 2000.0 + np.arange(-2.0, 3.0), atol=1e-5)
    np.testing.assert_allclose(track.trajectory.height_m, 51.6, atol=5e-4)  # 0.2 mm of curvature
    np.testing.assert_array_equal(track.trajectory.time_s, np.arange(1.0, 6.0))
    assert track.backsight is not None
    assert track.backsight.observations == 2
    assert abs(track.backsight.direction_drift_arcseconds) < 0.01
    assert track.instrument_m == (1000.0, 2000.0, 51.6)
    assert any("Backsight (2 observations" in remark for remark in track.trajectory.remarks)


def test_the_backsight_check_finds_a_turned_or_misplaced_setup(tmp_path: Path) -> None:
    """A circle that turned by 10 mgon and a distance 12 mm long are reported with their sizes."""
    track = read_polar(polar_file(tmp_path, drift_gon=0.010, stretch_m=0.012), SETUP, HOW)
    assert track.backsight is not None
    assert track.backsight.distance_difference_m == pytest.approx(0.012, abs=1e-5)
    # 10 mgon are 32.4 arc seconds (0.9 * 36), 15.7 mm across 100 m.
    assert track.backsight.direction_drift_arcseconds == pytest.approx(32.4, abs=0.01)
    assert "+15.7 mm across" in track.backsight.words
    assert "check the setup" in track.backsight.words


def test_prism_constant_ppm_and_scale() -> None:
    """Each correction moves a level sight of 1 km by its own amount: +10 mm, +20 mm, -40 mm."""
    base = {"station_m": (0.0, 0.0, 0.0), "instrument_height_m": 0.0}
    sight = (np.array([0.0]), np.array([np.pi / 2]), np.array([1000.0]))

    def north(constant_m: float = 0.0, ppm: float = 0.0, scale: float = 1.0) -> float:
        setup = PolarSetup(ppm=ppm, scale_factor=scale, **base)  # type: ignore[arg-type]
        return float(
            reduce_polar(
                *sight, setup=setup, prism_constant_m=constant_m, prism_height_m=0.0, orientation_rad=0.0
            )[0, 1]
        )

    assert north(constant_m=0.010) - north() == pytest.approx(0.010, abs=1e-9)
    assert north(ppm=20.0) - north() == pytest.approx(0.020, abs=1e-9)
    assert north(scale=0.99996) - north() == pytest.approx(-0.040, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "setup", "message"),
    [
        ("time,direction,zenith\n1,2,3\n", SETUP, "no column slope_distance"),
        (
            "time,direction,zenith,slope_distance\n1,2,400,5\n1,2,3,5\n",
            SETUP,
            "row 2, column zenith: zenith 6.2832 is impossible",
        ),
        (
            "time,direction,zenith,slope_distance\n1,2,100,5\n2,2,100,-5\n",
            SETUP,
            "row 3, column slope_distance: slope_distance -5.0000 is impossible",
        ),
        ("time,direction,zenith,slope_distance\n1,2,100,5\n", SETUP, "nothing orients the directions"),
    ],
)
def test_impossible_files_are_refused(tmp_path: Path, text: str, setup: PolarSetup, message: str) -> None:
    """What cannot be reduced is named with its row and column."""
    path = tmp_path / "prism.csv"
    path.write_text(text)
    with pytest.raises(TrajectoryError, match=message):
        read_polar(path, setup, HOW)
