"""What inspection says about a cloud: planted oddities are named, sound clouds raise none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pyproj
import pytest

from accuracy.reading.cloud_description import describe_cloud

FRAME = pyproj.CRS.from_user_input("EPSG:25832+7837")


def write(path: Path, n: int = 10_000, *, crs: Any = FRAME, point_format: int = 7, **changes: Any) -> Path:
    """A sound cloud, 25 points per square metre over 20 by 20 m, but for the changes; invented."""
    generator = np.random.default_rng(3)
    header = laspy.LasHeader(version="1.4", point_format=point_format)
    header.scales, header.offsets = [0.001] * 3, [500_000.0, 5_000_000.0, 0.0]
    header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
    if crs is not None:
        header.add_crs(crs, keep_compatibility=False)
    cloud = laspy.LasData(header)
    values: dict[str, Any] = {
        "x": 500_000 + generator.uniform(0, 20, n),
        "y": 5_000_000 + generator.uniform(0, 20, n),
        "z": generator.normal(5, 0.1, n),
        "classification": generator.choice([2, 3, 7, 11], n).astype(np.uint8),
        "return_number": np.ones(n, np.uint8),
        "number_of_returns": np.ones(n, np.uint8),
        "intensity": generator.integers(0, 65536, n).astype(np.uint16),
        "red": generator.integers(0, 65536, n).astype(np.uint16),
        "point_source_id": generator.integers(1, 3, n).astype(np.uint16),
        "gps_time": generator.uniform(3.0e8, 3.1e8, n),
    }
    for name, value in (values | changes).items():
        if name in {"x", "y", "z"} or name in cloud.point_format.dimension_names:
            setattr(cloud, name, np.resize(value, n))
    cloud.write(path)
    return path


def test_a_sound_cloud_has_no_oddity(tmp_path: Path) -> None:
    """Nothing is called odd in a cloud without fault; counts and density are those planted."""
    found = describe_cloud(write(tmp_path / "c.laz"))
    assert found.oddities == ()
    assert (found.plan_unit, found.height_unit) == ("metre", "metre")
    assert sum(found.class_counts.values()) == sum(found.source_counts.values()) == 10_000
    assert found.return_counts == {1: 10_000}
    assert found.noise == found.class_counts[7]
    assert found.points_per_m2 == pytest.approx(25, rel=1e-9)
    assert found.colour_range == (0, 65535) or found.colour_range[1] > 60_000  # type: ignore[index]
    assert found.class_name(2) == "ground"
    assert found.class_name(30) == "reserved"
    assert found.class_name(64) == "user's own"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"crs": None}, "no record of a coordinate system"),
        ({"crs": pyproj.CRS.from_epsg(25832)}, "no record says the unit of heights"),
        ({"crs": pyproj.CRS.from_user_input("EPSG:25832+6360")}, "heights in the unit US survey foot"),
        ({"classification": np.uint8(2)}, "All points are of class 2 (ground)"),
        ({"classification": np.uint8(70)}, "All points are of class 70 (no standard name)"),
        ({"intensity": np.uint16(0)}, "Intensity is zero throughout"),
        ({"intensity": np.uint16(7)}, "Intensity is 7 throughout"),
        ({"intensity": np.array([0, 255], np.uint16)}, "Intensity does not exceed 255"),
        ({"red": np.uint16(0)}, "Colour is zero throughout"),
        ({"red": np.array([0, 255], np.uint16)}, "Colour does not exceed 255"),
        ({"return_number": np.uint8(0), "number_of_returns": np.uint8(0)}, "Return numbers are all zero"),
        ({"return_number": np.uint8(3)}, "return number exceeds their number of returns: 10,000"),
        ({"point_source_id": np.uint16(0)}, "Source ids are all zero"),
        ({"withheld": np.array([1] + [0] * 9999)}, "marked as withheld, which are never measured: 1."),
        ({"gps_time": 0.0}, "Times are zero throughout"),
        ({"gps_time": np.array([np.nan] + [3e8] * 9999)}, "Times that are not a number: 1."),
        ({"gps_time": np.linspace(1000, 2000, 10_000)}, "but they look like seconds of the week"),
        ({"point_format": 0}, "Point format 0 has no time"),
        (
            {"x": 500_000 + np.arange(5.0), "y": 5_000_000.0, "z": 5.0, "gps_time": 3e8},
            "repeat another point",
        ),
    ],
)
def test_oddities_are_named(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    """One planted oddity at a time."""
    oddities = describe_cloud(write(tmp_path / "c.las", **changes)).oddities
    assert any(words in oddity for oddity in oddities), oddities


def test_a_loose_box_is_named(tmp_path: Path) -> None:
    """A header box 500 m wider than the points, in northing."""
    path = write(tmp_path / "c.las")
    data = bytearray(path.read_bytes())
    data[195:203] = np.float64(5_000_520).tobytes()
    path.write_bytes(data)
    oddities = describe_cloud(path).oddities
    assert len(oddities) == 1
    assert "box is looser than the points in northing, by 500" in oddities[0]


def test_degrees_are_noticed_without_a_record(tmp_path: Path) -> None:
    """Small numbers in tiny steps are degrees; no density is given for them."""
    header = laspy.LasHeader(version="1.2", point_format=1)
    header.scales = [1e-7, 1e-7, 0.001]
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = 8 + np.arange(50) * 1e-6, 47 + np.arange(50) * 1e-6, np.zeros(50)
    cloud.write(tmp_path / "c.las")
    found = describe_cloud(tmp_path / "c.las")
    assert any("in degrees" in oddity for oddity in found.oddities)
    assert found.points_per_m2 is None


def test_duplicates_are_estimated(tmp_path: Path) -> None:
    """A tenth of the points planted twice: about a tenth of the points repeat another."""
    generator = np.random.default_rng(8)
    x = 500_000 + generator.uniform(0, 20, 9000)
    time = generator.uniform(3.0e8, 3.1e8, 9000)
    path = write(
        tmp_path / "c.las",
        x=np.append(x, x[:1000]),
        y=5_000_000.0,
        z=5.0,
        gps_time=np.append(time, time[:1000]),
    )
    assert "About 10.0% of the points repeat" in describe_cloud(path).oddities[-1]


def test_large_clouds_are_sampled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With room for few cells only, the sampled density and share of duplicates stay near the truth.

    About 40 of 400 cells of 25 points are sampled: the mean has a standard error of 5/sqrt(40), so
    within 20 % is more than six of them.
    """
    path = write(tmp_path / "c.las")
    monkeypatch.setattr("accuracy.reading.cloud_description._MOST_CELLS", 1000)
    monkeypatch.setattr("accuracy.reading.cloud_description._MOST_KEYS", 1000)
    found = describe_cloud(path)
    assert found.points_per_m2 == pytest.approx(25, rel=0.2)
    assert found.points_per_m2 != pytest.approx(25, rel=1e-9)
    assert found.oddities == ()
