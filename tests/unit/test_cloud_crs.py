"""Coordinate system records: believed where they agree with themselves, remarked on where not."""

from __future__ import annotations

import struct

import pyproj
import pytest

from accuracy.reading.cloud_crs import CrsRecords, crs_of, parse_geo_keys, parse_wkt
from accuracy.units import LengthUnit


def directory(*keys: tuple[int, int, int, int]) -> bytes:
    """A GeoTIFF key directory (OGC GeoTIFF 1.1, clause 7.1.1)."""
    return struct.pack("<4H", 1, 1, 0, len(keys)) + b"".join(struct.pack("<4H", *key) for key in keys)


def short(*pairs: tuple[int, int]) -> CrsRecords:
    """Records with keys that hold their value themselves."""
    keys, remarks = parse_geo_keys(directory(*((key, 0, 1, value) for key, value in pairs)), None, None)
    return CrsRecords(geo_keys=keys, remarks=remarks)


def test_key_values_of_all_three_kinds() -> None:
    """Short, double and text values come from their own records."""
    keys, remarks = parse_geo_keys(
        directory((1024, 0, 1, 1), (2057, 34736, 1, 1), (2062, 34736, 2, 0), (1026, 34737, 5, 3)),
        struct.pack("<2d", 0.5, 6378137.0),
        b"ab|quay|\0",
    )
    assert keys == {1024: 1, 2057: 6378137.0, 2062: (0.5, 6378137.0), 1026: "quay"}
    assert remarks == ()


@pytest.mark.parametrize(
    ("record", "words"),
    [
        (b"", "too short"),
        (b"\1\0\1\0", "too short"),
        (directory((2057, 34736, 1, 9)), "key 2057 points to a value that is not in the file"),
        (directory((1026, 34737, 9, 0)), "key 1026 points to a value that is not in the file"),
    ],
)
def test_damaged_key_directories(record: bytes, words: str) -> None:
    """A directory that is cut or points nowhere becomes a remark."""
    keys, remarks = parse_geo_keys(record, None, None)
    assert keys is None
    assert words in remarks[0]


def test_more_keys_claimed_than_there_are() -> None:
    """The number of keys is held against the record's length."""
    record = bytearray(directory((3072, 0, 1, 25832)))
    struct.pack_into("<H", record, 6, 9999)
    keys, _ = parse_geo_keys(bytes(record), None, None)
    assert keys == {3072: 25832}


@pytest.mark.parametrize(
    ("pairs", "name", "plan_unit_m", "height_unit_m"),
    [
        ([(3072, 25832)], "ETRS89 / UTM zone 32N", 1.0, None),
        ([(2048, 4326)], "WGS 84", None, None),
        ([(3072, 25832), (4096, 7837)], "ETRS89 / UTM zone 32N + DHHN2016 height", 1.0, 1.0),
        # System and datum swapped, as real files have it.
        ([(3072, 2903), (4096, 5103), (4098, 6360)], None, 1200 / 3937, 1200 / 3937),
        # The unit stated beside the code wins over the code's own.
        ([(3072, 26995), (3076, 9003)], "NAD83 / Mississippi West (ftUS)", 1200 / 3937, None),
        ([(3072, 25832), (4096, 5703), (4099, 9002)], None, 1.0, 0.3048),
        # A unit for heights without any datum.
        ([(3072, 25832), (4099, 9003)], None, 1.0, 1200 / 3937),
    ],
)
def test_geo_keys_make_a_system(
    pairs: list[tuple[int, int]], name: str | None, plan_unit_m: float | None, height_unit_m: float | None
) -> None:
    """Codes and units; names and units by the EPSG registry through pyproj."""
    crs, _ = crs_of(short(*pairs))
    assert crs is not None
    assert name is None or crs.name == name
    factors = [axis.unit_conversion_factor for axis in crs.axis_info]
    if plan_unit_m is not None:
        assert factors[:2] == pytest.approx([plan_unit_m] * 2, rel=1e-12)
    assert len(factors) == (2 if height_unit_m is None else 3)
    if height_unit_m is not None:
        assert factors[2] == pytest.approx(height_unit_m, rel=1e-12)


def test_a_unit_override_keeps_the_place() -> None:
    """The code's metres with the foot stated beside it are what EPSG registers in feet.

    Reference: EPSG:2255, the same zone in US survey feet, through pyproj. EPSG rounds its false
    easting to 0.001 ft, so the two may differ by 0.2 mm: 2e-9 degrees.
    """
    feet, remarks = crs_of(short((3072, 26995), (3076, 9003)))
    assert feet is not None
    assert "states the unit us-survey-foot" in remarks[0]
    place = (2_047_000.0, 1_270_000.0)
    found = pyproj.Transformer.from_crs(feet, 4269, always_xy=True).transform(*place)
    expected = pyproj.Transformer.from_crs(2255, 4269, always_xy=True).transform(*place)
    assert found == pytest.approx(expected, rel=0, abs=2e-9)


def test_a_user_defined_system_is_not_guessed() -> None:
    """Code 32767 means "see the other keys": no system, and the unit stays available."""
    records = short((3072, 32767), (3076, 9002), (4099, 9001))
    crs, remarks = crs_of(records)
    assert crs is None
    assert "names no coordinate system by an EPSG code" in remarks[0]
    assert "unit international-foot" in remarks[0]
    assert records.geotiff_units == (LengthUnit.INTERNATIONAL_FOOT, LengthUnit.METRE)


@pytest.mark.parametrize("code", [1024, 1, 0, 60000])
def test_codes_that_do_not_exist(code: int) -> None:
    """A code that the registry does not have is no system."""
    assert crs_of(short((3072, code)))[0] is None


@pytest.mark.parametrize(
    ("record", "text"),
    [(b"", None), (b"\0\0\0", None), (b'LOCAL_CS["a"]\0', 'LOCAL_CS["a"]'), (b"\xe9\0", "\xe9")],
)
def test_wkt_text(record: bytes, text: str | None) -> None:
    """Padding goes, legacy encodings stay readable, emptiness is said."""
    found, remarks = parse_wkt(record)
    assert found == text
    assert bool(remarks) == (text is None)


def test_unreadable_wkt_falls_back_on_the_keys() -> None:
    """A damaged WKT record does not hide a sound GeoTIFF record."""
    keys = short((3072, 2154)).geo_keys
    crs, remarks = crs_of(CrsRecords(wkt="PROJCS[broken", geo_keys=keys))
    assert crs is not None
    assert crs.to_epsg() == 2154
    assert 'cannot be read; it begins "PROJCS[broken"' in remarks[0]


def test_records_that_contradict_each_other() -> None:
    """Feet in one record and metres in the other is said; the WKT is followed."""
    crs, remarks = crs_of(
        CrsRecords(wkt=pyproj.CRS.from_epsg(2994).to_wkt(), geo_keys=short((3072, 2993)).geo_keys)
    )
    assert crs is not None
    assert crs.to_epsg() == 2994
    assert "contradict each other" in remarks[-1]
    assert "international-foot" in remarks[-1]


def test_records_that_agree_say_nothing() -> None:
    """No remark where both records speak of one unit."""
    records = CrsRecords(wkt=pyproj.CRS.from_epsg(2154).to_wkt(), geo_keys=short((3072, 2154)).geo_keys)
    assert crs_of(records)[1] == ()
