"""Headers: what a sound file says of itself is understood, in every version and point format."""

from __future__ import annotations

import struct
from datetime import date
from pathlib import Path

import laspy
import numpy as np
import pyproj
import pytest

from accuracy.reading.cloud import read_header

# Minor versions that laspy writes for each point format.
WRITABLE = [
    (point_format, minor)
    for point_format in range(11)
    for minor in (1, 2, 3, 4)
    if minor >= {0: 1, 1: 1, 2: 2, 3: 2, 4: 3, 5: 3}.get(point_format, 4)
]


def write(path: Path, *, point_format: int = 6, minor: int = 4, n: int = 50, **header_fields: object) -> Path:
    """A small cloud with known content."""
    header = laspy.LasHeader(version=f"1.{minor}", point_format=point_format)
    header.scales, header.offsets = [0.001] * 3, [500_000.0, 5_000_000.0, 0.0]
    for name, value in header_fields.items():
        setattr(header, name, value)
    cloud = laspy.LasData(header)
    cloud.x = 500_000 + np.arange(n) * 0.1
    cloud.y = 5_000_000 + np.arange(n) * 0.2
    cloud.z = 10 + np.arange(n) * 0.01
    cloud.return_number = np.ones(n, dtype=np.uint8)
    cloud.number_of_returns = np.ones(n, dtype=np.uint8)
    cloud.write(path)
    return path


@pytest.mark.parametrize("suffix", [".las", ".laz"])
@pytest.mark.parametrize(("point_format", "minor"), WRITABLE)
def test_every_version_and_format(tmp_path: Path, point_format: int, minor: int, suffix: str) -> None:
    """Version, format, count, box, scale and compression of each kind that laspy can write."""
    header = read_header(write(tmp_path / f"c{suffix}", point_format=point_format, minor=minor))
    assert (header.version, header.point_format, header.point_count) == (f"1.{minor}", point_format, 50)
    assert header.is_compressed == (suffix == ".laz")
    assert not header.is_copc
    assert header.minimum == pytest.approx((500_000, 5_000_000, 10), abs=1e-6)
    assert header.maximum == pytest.approx((500_004.9, 5_000_009.8, 10.49), abs=1e-6)
    assert header.scales == (0.001,) * 3
    assert header.offsets == (500_000, 5_000_000, 0)
    assert ("gps_time" in header.dimension_names) == (header.time_kind != "none")
    assert sum(header.counts_by_return) == 50


@pytest.mark.parametrize(
    ("point_format", "bit", "kind"),
    [(0, 0, "none"), (0, 1, "none"), (1, 0, "week-seconds"), (1, 1, "adjusted-gps"), (6, 1, "adjusted-gps")],
)
def test_time_kind(tmp_path: Path, point_format: int, bit: int, kind: str) -> None:
    """Bit 0 of the global encoding says what times count (LAS 1.4 R15, table 3)."""
    path = write(tmp_path / "c.las", point_format=point_format)
    data = bytearray(path.read_bytes())
    struct.pack_into("<H", data, 6, bit)
    path.write_bytes(data)
    assert read_header(path).time_kind == kind


def test_provenance(tmp_path: Path) -> None:
    """Program, system and date are read as they were written."""
    path = write(
        tmp_path / "c.las",
        generating_software="Tern Quay exporter",
        system_identifier="cargo trike",
        creation_date=date(2024, 2, 29),
    )
    header = read_header(path)
    assert header.generating_software == "Tern Quay exporter"
    assert header.system_id == "cargo trike"
    assert header.creation_date == date(2024, 2, 29)


def test_extra_bytes_are_named(tmp_path: Path) -> None:
    """Extra dimensions appear among the names and do not disturb the count."""
    path = tmp_path / "c.laz"
    header = laspy.LasHeader(version="1.4", point_format=7)
    header.add_extra_dim(laspy.ExtraBytesParams(name="range", type=np.float32))
    cloud = laspy.LasData(header)
    cloud.x = np.arange(10.0)
    cloud.write(path)
    found = read_header(path)
    assert "range" in found.dimension_names
    assert found.record_length == 40
    assert found.point_count == 10


@pytest.mark.parametrize(("minor", "keep_both"), [(2, True), (4, False), (4, True)])
def test_crs_comes_back(tmp_path: Path, minor: int, keep_both: bool) -> None:
    """A coordinate system written by laspy (GeoTIFF, WKT or both) is the one that is read."""
    header = laspy.LasHeader(version=f"1.{minor}", point_format=3 if minor == 2 else 6)
    header.add_crs(pyproj.CRS.from_epsg(25832), keep_compatibility=keep_both)
    cloud = laspy.LasData(header)
    cloud.x = np.arange(3.0)
    cloud.write(tmp_path / "c.las")
    found = read_header(tmp_path / "c.las")
    assert found.crs is not None
    assert found.crs.equals(pyproj.CRS.from_epsg(25832), ignore_axis_order=True)
    assert found.crs_remarks == ()


def test_wkt_in_an_extended_record(tmp_path: Path) -> None:
    """LAS 1.4 allows the WKT record behind the points; it is found there too."""
    header = laspy.LasHeader(version="1.4", point_format=6)
    wkt = laspy.vlrs.known.WktCoordinateSystemVlr(pyproj.CRS.from_epsg(2154).to_wkt())
    header.evlrs = laspy.vlrs.vlrlist.VLRList([wkt])
    cloud = laspy.LasData(header)
    cloud.x = np.arange(3.0)
    cloud.write(tmp_path / "c.las")
    found = read_header(tmp_path / "c.las")
    assert found.crs is not None
    assert found.crs.to_epsg() == 2154


def test_no_crs_is_none_without_complaint(tmp_path: Path) -> None:
    """A cloud without a record has no system; saying so is left to whoever needs one."""
    header = read_header(write(tmp_path / "c.las"))
    assert (header.crs, header.crs_wkt, header.geo_keys, header.crs_remarks) == (None, None, None, ())


def _patched(path: Path, code: str, at: int, value: float) -> Path:
    data = bytearray(path.read_bytes())
    struct.pack_into("<" + code, data, at, value)
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(
    ("arguments", "code", "at", "value", "words"),
    [
        ({"point_format": 1, "minor": 2}, "B", 25, 1, "LAS 1.1 is older"),
        ({"point_format": 3, "minor": 2}, "B", 25, 1, "format 3 does not exist in LAS 1.1"),
        ({"point_format": 1, "minor": 4}, "I", 107, 49, "two counts: 50 points, and 49"),
        ({"point_format": 6, "minor": 4}, "Q", 255, 7, "by return add up to 7"),
        ({"point_format": 1, "minor": 2}, "I", 111, 70, "by return add up to 70"),
    ],
)
def test_harmless_oddities_are_remarks(
    tmp_path: Path, arguments: dict[str, int], code: str, at: int, value: int, words: str
) -> None:
    """What contradicts the format without endangering the points is told, not refused."""
    header = read_header(_patched(write(tmp_path / "c.las", **arguments), code, at, value))
    assert header.point_count == 50
    assert any(words in remark for remark in header.remarks), header.remarks


@pytest.mark.parametrize(("point_format", "minor"), [(1, 2), (4, 3), (1, 4), (6, 4), (9, 4)])
@pytest.mark.parametrize("behind", [b"\0" * 500, b"written by a scanner's own program; no point " * 12])
def test_bytes_behind_the_points_that_are_no_points(
    tmp_path: Path, point_format: int, minor: int, behind: bytes
) -> None:
    """Padding and text behind the last point are told, not taken for points that the header hides."""
    path = write(tmp_path / "c.las", point_format=point_format, minor=minor)
    path.write_bytes(path.read_bytes() + behind)
    (remark,) = read_header(path).remarks
    assert f"{len(behind)} more bytes, no points" in remark


def test_a_sound_file_has_no_remark(tmp_path: Path) -> None:
    """Remarks are not noise."""
    assert read_header(write(tmp_path / "c.las")).remarks == ()
    assert read_header(write(tmp_path / "d.laz", point_format=3, minor=2)).remarks == ()


def test_a_coarse_scale_is_told(tmp_path: Path) -> None:
    """Steps of 10 cm cannot show a centimetre; the file is read nevertheless."""
    header = read_header(write(tmp_path / "c.las", scales=np.array([0.1, 0.1, 0.1])))
    assert any("steps of 0.1 units" in remark for remark in header.remarks)
