"""Every open cloud at hand: read to its last point, or refused in the expected words."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import laspy
import numpy as np
import pytest

from accuracy.errors import CloudError
from accuracy.model import Checkpoint
from accuracy.reading.cloud import read_header, read_headers, stream_points
from accuracy.reading.cloud_description import describe_cloud
from accuracy.reading.patches import PatchWindow, PointSelection, gather_patches

# Number of points of each file, as an independent reader (laspy.read) counts them.
SOUND = {
    "clouds/1_4_w_evlr.laz": 1_000,
    "clouds/4_6_crop.las": 23_875,
    "clouds/AHN3.laz": 260_807,
    "clouds/append-bug.laz": 37_805,
    "clouds/autzen-dd.las": 1_065,
    "clouds/autzen_trim.laz": 110_000,
    "clouds/epsg_4326.las": 5_380,
    "clouds/extrabytes.las": 1_065,
    "clouds/file_with_both_wkt_and_geotiff_vlrs.las": 25_408,
    "clouds/fullwave.laz": 10_750,
    "clouds/las_with_origin_dsmMarker.laz": 67_826,
    "clouds/lone-star.copc.laz": 518_862,
    "clouds/mvk-thin.las": 6_280,
    "clouds/plane.laz": 28_185,
    "clouds/simple.copc.laz": 1_065,
    "clouds/simple.las": 1_065,
    "clouds/simple1_1.las": 1_065,
    "clouds/simple_with_page.copc.laz": 1_065,
    "clouds/test_0.02_seconde.las": 10_310,
    "clouds/vegetation_1_3.las": 10_683,
    "damaged/1.2-empty-geotiff-vlrs.las": 43,
    "damaged/gps-time-nan.las": 1,
    "damaged/lots_of_vlr.las": 1,
    "damaged/warsaw_small.las": 3_000,
    "pairs/autzen-bmx-2010.las": 829,
    "pairs/autzen-bmx-2023.las": 687,
    "pairs/source_cloud_crop.laz": 780,
    "pairs/target_cloud_crop.laz": 9_423,
    "tiles/test_data_77050_627755_LA93_IGN69.laz": 73_355,
    "tiles/test_data_77050_627760_LA93_IGN69.laz": 56_035,
    "tiles/test_data_77055_627755_LA93_IGN69.laz": 72_770,
    "tiles/test_data_77055_627760_LA93_IGN69.laz": 60_653,
}
REFUSED = {
    # Its header's box holds the raw integers, a thousand times too large.
    "clouds/simple1_3.las": r"box in X: .*-235434519 to -234935841, which no point can reach",
    "damaged/1.2-with-color-clipped.las": r"promises 1,065 points, the file has room for 1,064: it is cut",
    "damaged/Semis_2022_0906_6665_LA93_IGN69_nok.laz": r"header claims to be 0 bytes long.*did not finish",
    "damaged/garbage_nVariableLength.las": r"1,069,128,089 records are claimed; .*room for 0 at most",
    "damaged/no-points.las": r"the cloud is empty: its header promises 0 points",
    "damaged/simple-laszip-compressor-version-1.2r0.laz": r"LASzip 1\.2 .*no longer read\. Decompress",
}


def test_no_file_is_forgotten(shared_data: Path) -> None:
    """The two tables above name every cloud of the open data."""
    found = {str(path.relative_to(shared_data)) for path in shared_data.rglob("*.la[sz]")}
    assert found == set(SOUND) | set(REFUSED)


@pytest.mark.parametrize("name", SOUND)
def test_sound_files(shared_data: Path, name: str) -> None:
    """All points come out, and they are those that laspy reads in one go."""
    header = read_header(shared_data / name)
    assert header.point_count == SOUND[name]
    sums = np.zeros(3, dtype=np.int64)
    count = 0
    for chunk in stream_points(header, points_per_chunk=100_003):
        count += len(chunk)
        sums += [int(chunk.array[axis].sum(dtype=np.int64)) for axis in "XYZ"]
    assert count == SOUND[name]
    whole = laspy.read(shared_data / name, laz_backend=laspy.LazBackend.Lazrs)
    np.testing.assert_array_equal(sums, [whole.points.array[axis].sum(dtype=np.int64) for axis in "XYZ"])


@pytest.mark.parametrize("name", REFUSED)
def test_refused_files(shared_data: Path, name: str) -> None:
    """Refused before any library sees them, by name and with the reason."""
    with pytest.raises(CloudError, match=Path(name).name.replace(".", r"\.") + ".*" + REFUSED[name]):
        read_header(shared_data / name)


@pytest.mark.parametrize(
    ("name", "crs", "units"),
    [
        ("clouds/4_6_crop.las", "NAD83(HARN) / New Mexico Central (ftUS)", ["US survey foot"] * 3),
        # EPSG:26995 is in metres, the coordinates and the unit key are in feet.
        ("clouds/mvk-thin.las", "NAD83 / Mississippi West (ftUS)", ["US survey foot"] * 3),
        ("clouds/autzen_trim.laz", "NAD_1983_HARN_Lambert_Conformal_Conic", ["foot"] * 2),
        ("clouds/simple.copc.laz", "NAD83 / Oregon LCC (m)", ["metre", "metre", "US survey foot"]),
        ("clouds/append-bug.laz", "RGF93 / Lambert-93", ["metre"] * 2),
        ("clouds/epsg_4326.las", "WGS 84", ["degree"] * 2),
        ("clouds/AHN3.laz", None, []),
        ("clouds/plane.laz", None, []),
        ("damaged/warsaw_small.las", None, []),
        ("damaged/1.2-empty-geotiff-vlrs.las", None, []),
    ],
)
def test_coordinate_systems(shared_data: Path, name: str, crs: str | None, units: list[str]) -> None:
    """What the records say, with the units of every axis; a damaged record is no system, and no crash."""
    found = read_header(shared_data / name).crs
    if crs is None:
        assert found is None
    else:
        assert found is not None
        assert found.name.startswith(crs)
        assert [axis.unit_name for axis in found.axis_info] == units


ODDITIES = {
    "clouds/AHN3.laz": ["no record of a coordinate system", "seconds of the GPS week, but 260,807 of them"],
    "clouds/autzen_trim.laz": ["WKT and a GeoTIFF record", "Colour does not exceed 255"],
    "clouds/epsg_4326.las": ["in degrees", "Return numbers are all zero", "Intensity is 65535", "no time"],
    "clouds/autzen-dd.las": ["in degrees"],
    "clouds/mvk-thin.las": ["states the unit us-survey-foot"],
    "clouds/simple.copc.laz": ["in the unit metre, heights in the unit US survey foot"],
    "clouds/lone-star.copc.laz": ["All points are of class 0", "Times are zero throughout"],
    "clouds/plane.laz": ["repeat another point's position", "names no coordinate system by an EPSG code"],
    "clouds/simple1_1.las": ["LAS 1.1 is older"],
    "damaged/gps-time-nan.las": ["Times that are not a number: 1"],
    "damaged/warsaw_small.las": ["WKT record of the coordinate system cannot be read"],
    "pairs/autzen-bmx-2023.las": ["seconds of the GPS week, but 687 of them", "class 2 (ground)"],
    "pairs/source_cloud_crop.laz": ["Intensity is zero", "Colour is zero", "Source ids are all zero"],
}


@pytest.mark.parametrize("name", ODDITIES)
def test_oddities(shared_data: Path, name: str) -> None:
    """What a surveyor should be told about these files is told."""
    oddities = describe_cloud(shared_data / name).oddities
    for words in ODDITIES[name]:
        assert any(words in oddity for oddity in oddities), (words, oddities)


def test_description_of_a_mobile_slice(shared_data: Path) -> None:
    """Counts, span and density of the 0.02 s mobile slice, against laspy and numpy."""
    path = shared_data / "clouds" / "test_0.02_seconde.las"
    found = describe_cloud(path)
    las = laspy.read(path)
    assert found.class_counts == dict(Counter(np.asarray(las.classification).tolist()))
    assert found.time_range_s == (las.gps_time.min(), las.gps_time.max())
    assert 0.0199 < found.time_range_s[1] - found.time_range_s[0] < 0.0201
    assert found.intensity_range == (las.intensity.min(), las.intensity.max())
    _, counts = np.unique(np.floor(np.column_stack([las.x, las.y])), axis=0, return_counts=True)
    assert found.points_per_m2 == pytest.approx(counts.mean(), rel=1e-12)
    assert found.median_points_per_m2 == np.median(counts)
    first = found.first_points[0]
    assert len(found.first_points) == 5
    assert (first["easting"], first["height"]) == pytest.approx((las.x[0], las.z[0]), abs=1e-9)
    assert first["gps_time"] == las.gps_time[0]
    np.testing.assert_allclose([found.minimum, found.maximum], [las.xyz.min(axis=0), las.xyz.max(axis=0)])


def test_density_in_feet_is_per_square_metre(shared_data: Path) -> None:
    """Cells of one square metre in a cloud in feet (0.17 points per square foot: 1.8 per square metre)."""
    found = describe_cloud(shared_data / "clouds" / "autzen_trim.laz")
    las = laspy.read(shared_data / "clouds" / "autzen_trim.laz")
    _, counts = np.unique(np.floor(np.column_stack([las.x, las.y]) * 0.3048), axis=0, return_counts=True)
    assert found.points_per_m2 == pytest.approx(counts.mean(), rel=0.001)


def tile_checkpoints() -> list[Checkpoint]:
    """Around the corner where the four tiles meet, and inside each; places only, no survey."""
    places = [(0, 0), (2, -1), (-3, 3.5), (20, 20), (-20, 20), (20, -20), (-20, -20), (0.3, 30)]
    return [
        Checkpoint(id=f"T{k}", easting_m=770_550 + e, northing_m=6_277_550 + n, height_m=25.0)
        for k, (e, n) in enumerate(places, start=1)
    ]


def test_tile_order_and_chunks_change_nothing(shared_data: Path) -> None:
    """Four real tiles, in any order and any chunk, with thinning at work: the same patches."""
    headers = read_headers([shared_data / "tiles"])
    window = PatchWindow(outer_radius_m=6.0, outer_limit=300, whole_limit=150)
    results = []
    for order, chunk in [(headers, 1_000_000), (headers[::-1], 7_001), (headers[2:] + headers[:2], 50_000)]:
        found = gather_patches(
            order,
            tile_checkpoints(),
            horizontal_unit_m=1.0,
            vertical_unit_m=1.0,
            window=window,
            points_per_chunk=chunk,
        )
        results.append([(p.east_m.tobytes(), p.up_m.tobytes(), p.outer_share) for p in found.patches])
    assert results[0] == results[1] == results[2]
    assert any(share < 1 for _, _, share in results[0])


def test_patches_across_tiles(shared_data: Path) -> None:
    """At the corner of four tiles every tile gives its part: as a search in the merged cloud finds."""
    headers = read_headers([shared_data / "tiles"])
    checkpoints = tile_checkpoints()
    found = gather_patches(headers, checkpoints, horizontal_unit_m=1.0, vertical_unit_m=1.0)
    assert found.points_read == sum(header.point_count for header in headers)
    tiles = [laspy.read(header.path) for header in headers]
    xyz = np.concatenate([tile.xyz for tile in tiles])
    admitted = np.concatenate([~np.isin(t.classification, [7, 18]) & (t.withheld == 0) for t in tiles])
    # Strictly inside: the files' steps of 1 cm put points exactly on the circle.
    for checkpoint, patch in zip(checkpoints, found.patches, strict=True):
        distance = np.hypot(xyz[:, 0] - checkpoint.easting_m, xyz[:, 1] - checkpoint.northing_m)
        inside = np.hypot(patch.east_m, patch.north_m) < 3.995
        assert np.count_nonzero(inside) == np.count_nonzero((distance < 3.995) & admitted)
        assert np.count_nonzero(inside) > 500
        assert patch.time_kind == "adjusted-gps"
        assert set(np.unique(patch.source_id)) <= {706, 707}
    assert any("taken as adjusted standard GPS time" in remark for remark in found.remarks)


def test_choice_of_class_and_line(shared_data: Path) -> None:
    """Ground of one flight line, in the real tiles."""
    headers = read_headers([shared_data / "tiles"])
    selection = PointSelection(classes=frozenset({2}), source_ids=frozenset({707}))
    found = gather_patches(
        headers, tile_checkpoints(), horizontal_unit_m=1.0, vertical_unit_m=1.0, selection=selection
    )
    kept = [patch for patch in found.patches if len(patch)]
    assert len(kept) >= 5
    for patch in kept:
        assert set(np.unique(patch.classification)) == {2}
        assert set(np.unique(patch.source_id)) == {707}
    assert found.left_out_by_choice > 1000


@pytest.mark.parametrize("name", ["lone-star.copc.laz", "simple.copc.laz", "simple_with_page.copc.laz"])
def test_copc_equals_plain(shared_data: Path, tmp_path: Path, name: str) -> None:
    """Reading only the nodes near the checkpoints gives the very patches that the whole file gives."""
    path = shared_data / "clouds" / name
    whole = laspy.read(path)
    plain = laspy.LasData(laspy.LasHeader(version="1.4", point_format=whole.header.point_format.id))
    plain.header.scales, plain.header.offsets = whole.header.scales, whole.header.offsets
    plain.points = laspy.ScaleAwarePointRecord(
        whole.points.array, whole.point_format, whole.header.scales, whole.header.offsets
    )
    results = []
    places = np.random.default_rng(5).choice(whole.xyz, 6)
    radius = 0.3 if name.startswith("lone") else 150.0
    checkpoints = [
        Checkpoint(id=str(k), easting_m=east, northing_m=north, height_m=height)
        for k, (east, north, height) in enumerate(places.tolist())
    ]
    window = PatchWindow(whole_radius_m=radius, outer_radius_m=2 * radius, outer_limit=400)
    plain.write(tmp_path / "plain.las")
    plain.write(tmp_path / "plain.laz")
    for one in (path, tmp_path / "plain.las", tmp_path / "plain.laz"):
        found = gather_patches(
            [read_header(one)], checkpoints, horizontal_unit_m=1.0, vertical_unit_m=1.0, window=window
        )
        results.append([(p.east_m.tobytes(), p.up_m.tobytes(), p.outer_share) for p in found.patches])
        if one is path:
            assert found.files[0].points_read < found.files[0].points
    assert results[0] == results[1] == results[2]
    assert sum(share < 1 for *_, share in results[0]) >= (3 if name.startswith("lone") else 0)


def test_times_that_are_not_numbers(shared_data: Path) -> None:
    """The point is kept, its time is absent, and the remark names the file."""
    header = read_header(shared_data / "damaged" / "gps-time-nan.las")
    checkpoint = Checkpoint(id="P1", easting_m=0.0, northing_m=0.0, height_m=0.0)
    found = gather_patches([header], [checkpoint], horizontal_unit_m=1.0, vertical_unit_m=1.0)
    assert len(found.patches[0]) == 1
    assert found.patches[0].gps_time_s is None
    assert (
        "gps-time-nan.las: the time of 1 of the points near checkpoints is not a number" in found.remarks[0]
    )
