"""Patches: the points near each checkpoint, all of them, the same whatever the way they came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

import accuracy.reading.patches as patches_module
from accuracy.errors import CloudError, RequestError
from accuracy.model import Checkpoint, LeftOut, Patch
from accuracy.reading.cloud import read_headers
from accuracy.reading.cloud_keeping import POINT, Collector
from accuracy.reading.kept import digest, load_patches, pack_patches, rounded
from accuracy.reading.patches import GatheredPatches, PatchWindow, PointSelection, gather_patches

ORIGIN = np.array([531_000.0, 5_204_000.0, 40.0])
FOOT = 0.3048
OFF_GRID = 0.00037


def make_cloud(rng: np.random.Generator, n: int = 20_000, side: float = 40.0) -> dict[str, Any]:
    """Points over a square, as arrays by dimension name; invented."""
    return {
        # In the steps of the file, so that the file holds exactly this.
        "x": ORIGIN[0] + np.round(rng.uniform(0, side, n), 3),
        "y": ORIGIN[1] + np.round(rng.uniform(0, side, n), 3),
        "z": ORIGIN[2] + rng.normal(0, 0.5, n),
        "gps_time": rng.uniform(3.0e8, 3.1e8, n),
        "intensity": rng.integers(0, 65536, n).astype(np.uint16),
        "red": rng.integers(0, 65536, n).astype(np.uint16),
        "green": rng.integers(0, 65536, n).astype(np.uint16),
        "blue": rng.integers(0, 65536, n).astype(np.uint16),
        "classification": rng.choice([1, 2, 5, 7, 18, 200], n).astype(np.uint8),
        "return_number": rng.integers(1, 4, n).astype(np.uint8),
        "number_of_returns": np.full(n, 3, np.uint8),
        "point_source_id": rng.integers(0, 300, n).astype(np.uint16),
        "withheld": (rng.uniform(size=n) < 0.02).astype(np.uint8),
    }


def write(path: Path, cloud: dict[str, Any], *, point_format: int = 7, adjusted: bool = True) -> Path:
    """Write what the point format can hold of ``cloud``."""
    header = laspy.LasHeader(version="1.4", point_format=point_format)
    header.scales, header.offsets = [0.001] * 3, ORIGIN
    header.global_encoding.gps_time_type = laspy.header.GpsTimeType(int(adjusted))
    data = laspy.LasData(header)
    for name, values in cloud.items():
        if name in {"x", "y", "z"} or name in data.point_format.dimension_names:
            setattr(data, name, values)
    data.write(path)
    return path


def checkpoints_at(*places: Sequence[float], unit: float = 1.0) -> list[Checkpoint]:
    """Checkpoints near offsets from ORIGIN, in metres after ``unit``.

    Off the file's grid by OFF_GRID, so that no point lies on a window's edge to the last bit.
    """
    return [
        Checkpoint(
            id=f"P{k}",
            easting_m=(ORIGIN[0] + e + OFF_GRID) * unit,
            northing_m=(ORIGIN[1] + n + OFF_GRID) * unit,
            height_m=ORIGIN[2] * unit,
        )
        for k, (e, n) in enumerate(places, start=1)
    ]


def gather(paths: Sequence[Path], checkpoints: Sequence[Checkpoint], **options: Any) -> GatheredPatches:
    """With metres unless said otherwise."""
    units = {"horizontal_unit_m": 1.0, "vertical_unit_m": 1.0} | options
    return gather_patches(read_headers(paths), checkpoints, **units)


def as_bytes(patch: Patch) -> dict[str, Any]:
    """Everything in a patch, arrays as bytes, for exact comparison."""
    values = {field.name: getattr(patch, field.name) for field in fields(patch)}
    return {k: v.tobytes() if isinstance(v, np.ndarray) else v for k, v in values.items()}


def same(one: GatheredPatches, other: GatheredPatches) -> bool:
    """Whether all patches are equal to the last bit."""
    pairs = zip(one.patches, other.patches, strict=True)
    return all(as_bytes(a) == as_bytes(b) for a, b in pairs)


PLACES = [(10.0, 10.0), (11.0, 12.0), (30.0, 5.5), (0.0, 0.0), (39.9, 20.0), (-2.5, 20.0), (20.0, 42.5)]


def test_the_same_points_as_a_search_tree(tmp_path: Path, rng: np.random.Generator) -> None:
    """Against scipy's cKDTree on the whole cloud: which points, where, and all their attributes.

    Checkpoints stand close together, at the cloud's edge and outside it.
    """
    path = write(tmp_path / "c.laz", make_cloud(rng))
    checkpoints = checkpoints_at(*PLACES)
    found = gather([path], checkpoints, window=PatchWindow(outer_limit=10**6)).patches
    las = laspy.read(path)
    tree = cKDTree(np.column_stack([las.x, las.y]))
    admitted = (las.withheld == 0) & ~np.isin(las.classification, [7, 18])
    for checkpoint, patch in zip(checkpoints, found, strict=True):
        near = np.array(tree.query_ball_point([checkpoint.easting_m, checkpoint.northing_m], 4.0))
        expected = near[admitted[near]]
        assert len(expected) > 15
        assert patch.withheld_or_noise == len(near) - len(expected)
        order = np.lexsort((las.z[expected], las.x[expected], las.y[expected]))
        expected = expected[order]
        for values, reference in [
            (patch.east_m + checkpoint.easting_m, las.x),
            (patch.north_m + checkpoint.northing_m, las.y),
            (patch.up_m + checkpoint.height_m, las.z),
        ]:
            np.testing.assert_allclose(values, np.asarray(reference)[expected], rtol=0, atol=2e-9)
        for values, name in [
            (patch.gps_time_s, "gps_time"),
            (patch.intensity, "intensity"),
            (patch.red, "red"),
            (patch.green, "green"),
            (patch.blue, "blue"),
            (patch.classification, "classification"),
            (patch.return_number, "return_number"),
            (patch.number_of_returns, "number_of_returns"),
            (patch.source_id, "point_source_id"),
        ]:
            np.testing.assert_array_equal(values, np.asarray(las[name])[expected])
        assert patch.checkpoint_id == checkpoint.id
        assert patch.time_kind == "adjusted-gps"
        assert patch.outer_share == 1.0


def test_offsets_keep_a_nanometre(tmp_path: Path) -> None:
    """At coordinates of millions, stored steps of 1e-4 come out as offsets true to 1e-9 m."""
    header = laspy.LasHeader(version="1.4", point_format=6)
    header.scales, header.offsets = [1e-4] * 3, [500_000.0, 9_000_000.0, 0.0]
    steps = np.array([-12345, 0, 1, 9999])
    record = laspy.ScaleAwarePointRecord.zeros(4, header=header)
    for name in "XYZ":
        record[name] = steps
    data = laspy.LasData(header, record)
    data.write(tmp_path / "c.las")
    checkpoint = Checkpoint(id="P", easting_m=500_000.0, northing_m=9_000_000.0, height_m=0.0)
    patch = gather([tmp_path / "c.las"], [checkpoint]).patches[0]
    for values in (patch.east_m, patch.north_m, patch.up_m):
        np.testing.assert_allclose(values, steps * 1e-4, rtol=0, atol=1e-9)


def test_feet_become_metres(tmp_path: Path, rng: np.random.Generator) -> None:
    """Plan in feet and heights in metres: windows and offsets are metres in both."""
    cloud = make_cloud(rng)
    path = write(tmp_path / "c.las", cloud)
    place = [(20.0, 20.0)]
    checkpoint = replace(checkpoints_at(*place, unit=FOOT)[0], height_m=float(ORIGIN[2]))
    patch = gather([path], [checkpoint], horizontal_unit_m=FOOT, vertical_unit_m=1.0).patches[0]
    las = laspy.read(path)
    distance_m = np.hypot(las.x - ORIGIN[0] - 20 - OFF_GRID, las.y - ORIGIN[1] - 20 - OFF_GRID) * FOOT
    expected = (distance_m <= 4.0) & (las.withheld == 0) & ~np.isin(las.classification, [7, 18])
    assert len(patch) == np.count_nonzero(expected)
    assert len(patch) > 1000
    np.testing.assert_allclose(np.sort(patch.up_m), np.sort(las.z[expected] - ORIGIN[2]), atol=1e-9)
    assert np.hypot(patch.east_m, patch.north_m).max() == pytest.approx(distance_m[expected].max(), abs=1e-9)


@pytest.mark.parametrize(
    ("selection", "keeps"),
    [
        (PointSelection(), lambda c: np.ones(len(c["x"]), bool)),
        (PointSelection(classes=frozenset({2})), lambda c: c["classification"] == 2),
        (PointSelection(classes=frozenset({2, 200})), lambda c: np.isin(c["classification"], [2, 200])),
        (PointSelection(returns="first"), lambda c: c["return_number"] == 1),
        (PointSelection(returns="last"), lambda c: c["return_number"] == 3),
        (PointSelection(returns="only"), lambda c: c["number_of_returns"] == 1),
        (PointSelection(source_ids=frozenset(range(100))), lambda c: c["point_source_id"] < 100),
        (
            PointSelection(classes=frozenset({1}), returns="first", source_ids=frozenset({5, 6, 7})),
            lambda c: (
                (c["classification"] == 1)
                & (c["return_number"] == 1)
                & np.isin(c["point_source_id"], [5, 6, 7])
            ),
        ),
    ],
)
def test_choice_of_points(tmp_path: Path, rng: np.random.Generator, selection: Any, keeps: Any) -> None:
    """Classes (full bytes), returns and sources; what is left out by choice is counted apart from noise."""
    cloud = make_cloud(rng)
    path = write(tmp_path / "c.las", cloud)
    window = PatchWindow(whole_radius_m=30, outer_radius_m=30)
    patch = gather([path], checkpoints_at((20, 20)), selection=selection, window=window).patches[0]
    noise = (cloud["withheld"] == 1) | np.isin(cloud["classification"], [7, 18])
    kept = keeps(cloud) & ~noise
    assert len(patch) == np.count_nonzero(kept)
    assert patch.withheld_or_noise == np.count_nonzero(noise)
    assert patch.left_out_by_choice == np.count_nonzero(~kept & ~noise)


def test_each_reason_for_leaving_points_out_is_counted(tmp_path: Path, rng: np.random.Generator) -> None:
    """Withheld, noise, class, source, return: each point under the first that holds; kept as they are."""
    cloud = make_cloud(rng)
    selection = PointSelection(classes=frozenset({1, 2}), returns="first", source_ids=frozenset(range(100)))
    window = PatchWindow(whole_radius_m=30, outer_radius_m=30)
    patch = gather(
        [write(tmp_path / "c.las", cloud)], checkpoints_at((20, 20)), selection=selection, window=window
    ).patches[0]
    left = np.ones(len(cloud["classification"]), dtype=bool)
    expected = {}
    for why, fit in (
        (LeftOut.WITHHELD, cloud["withheld"] == 0),
        (LeftOut.NOISE, ~np.isin(cloud["classification"], [7, 18])),
        (LeftOut.CLASS, np.isin(cloud["classification"], [1, 2])),
        (LeftOut.SOURCE, cloud["point_source_id"] < 100),
        (LeftOut.RETURN, cloud["return_number"] <= 1),
    ):
        expected[why] = int(np.count_nonzero(left & ~fit))
        left &= fit
    assert patch.left_out == expected
    assert len(patch) == np.count_nonzero(left)
    content = pack_patches([rounded(patch)])
    (tmp_path / "patches.npz").write_bytes(content)
    kept = load_patches(tmp_path / "patches.npz", sha256=digest(content))
    assert kept[patch.checkpoint_id].left_out == expected


@pytest.mark.parametrize("returns", ["first", "last", "only"])
def test_unrecorded_returns_count_as_only(tmp_path: Path, rng: np.random.Generator, returns: Any) -> None:
    """Producers that leave the return fields at zero do not lose their cloud by a choice of returns."""
    cloud = make_cloud(rng, 500, 2.0) | {
        "return_number": np.zeros(500, int),
        "number_of_returns": np.zeros(500, int),
    }
    cloud |= {"classification": np.full(500, 2), "withheld": np.zeros(500, int)}
    patch = gather(
        [write(tmp_path / "c.las", cloud)], checkpoints_at((1, 1)), selection=PointSelection(returns=returns)
    ).patches[0]
    assert len(patch) == 500


@pytest.mark.parametrize("flag", ["synthetic", "key_point", "overlap"])
def test_other_flags_are_kept(tmp_path: Path, rng: np.random.Generator, flag: str) -> None:
    """Synthetic, key and overlap points are measured: their flags do not say that they are wrong."""
    cloud = make_cloud(rng, 500, 2.0) | {"classification": np.full(500, 2), "withheld": np.zeros(500, int)}
    cloud[flag] = np.ones(500, int)
    patch = gather([write(tmp_path / "c.las", cloud)], checkpoints_at((1, 1))).patches[0]
    assert len(patch) == 500


@pytest.mark.parametrize("point_format", range(11))
def test_every_point_format(tmp_path: Path, rng: np.random.Generator, point_format: int) -> None:
    """Time and colour where the format has them, None where not; flags and classes everywhere."""
    cloud = make_cloud(rng, 2000, 4.0)
    cloud["classification"] = rng.choice([2, 7, 18], 2000).astype(np.uint8)
    cloud["gps_time"] = rng.uniform(0, 604_800, 2000)
    patch = gather(
        [write(tmp_path / "c.laz", cloud, point_format=point_format, adjusted=False)],
        checkpoints_at((2, 2)),
        window=PatchWindow(whole_radius_m=4, outer_radius_m=4),
    ).patches[0]
    noise = (cloud["withheld"] == 1) | (cloud["classification"] != 2)
    assert len(patch) == np.count_nonzero(~noise)
    assert patch.withheld_or_noise == np.count_nonzero(noise)
    assert (patch.gps_time_s is not None) == (point_format not in (0, 2))
    assert patch.time_kind == ("none" if point_format in (0, 2) else "week-seconds")
    assert (patch.red is not None) == (point_format in (2, 3, 5, 7, 8, 10))
    assert np.sum(patch.intensity) == np.sum(cloud["intensity"][~noise], dtype=float)


@pytest.mark.parametrize("name", ["intensity", "colour"])
def test_zero_throughout_is_not_recorded(tmp_path: Path, rng: np.random.Generator, name: str) -> None:
    """A channel of zeros is no channel, so that nothing is ever located in it."""
    cloud = make_cloud(rng, 500, 2.0)
    for dimension in ["intensity"] if name == "intensity" else ["red", "green", "blue"]:
        cloud[dimension] = np.zeros(500, np.uint16)
    patch = gather([write(tmp_path / "c.las", cloud)], checkpoints_at((1, 1))).patches[0]
    assert (patch.intensity is None) == (name == "intensity")
    assert (patch.red is None) == (name == "colour")


def _order_of(rng: np.random.Generator, cloud: dict[str, Any], order: Any) -> dict[str, Any]:
    return {name: values[order] for name, values in cloud.items()}


SMALL_WINDOW = PatchWindow(whole_radius_m=1.5, outer_radius_m=4.0, outer_limit=100, whole_limit=60)


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1),
    cuts=st.lists(st.integers(1, 3999), max_size=3, unique=True),
    points_per_chunk=st.sampled_from([97, 1000, 10_000]),
    compressed=st.booleans(),
)
def test_order_of_points_files_and_chunks_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory,
    seed: int,
    cuts: list[int],
    points_per_chunk: int,
    compressed: bool,
) -> None:
    """One file, or the same points shuffled, cut into files and read in other chunks: equal bytes.

    The limits are small, so that thinning and the shrinking of the whole zone take part.
    """
    folder = tmp_path_factory.mktemp("order")
    generator = np.random.default_rng(20240229)
    cloud = make_cloud(generator, 4000, 10.0)
    checkpoints = checkpoints_at((5, 5), (7, 4), (0, 9))
    expected = gather([write(folder / "one.las", cloud)], checkpoints, window=SMALL_WINDOW)
    shuffled = _order_of(generator, cloud, np.random.default_rng(seed).permutation(4000))
    edges = [0, *sorted(cuts), 4000]
    parts = folder / "parts"
    parts.mkdir()
    for k, (begin, end) in enumerate(pairwise(edges)):
        part = {name: values[begin:end] for name, values in shuffled.items()}
        write(parts / f"{seed % 7 + k}{'.laz' if compressed else '.las'}", part)
    found = gather([parts], checkpoints, window=SMALL_WINDOW, points_per_chunk=points_per_chunk)
    assert same(expected, found)
    assert sum(file.points for file in found.files) == 4000
    assert any(patch.outer_share < 1 for patch in found.patches)
    assert any(patch.whole_radius_m < 1.5 for patch in found.patches)


def test_thinning_is_fair_and_counted(tmp_path: Path, rng: np.random.Generator) -> None:
    """The whole zone is whole, the outer share is true, and the kept points are a fair sample.

    Fairness: under uniform sampling without replacement the mean of the kept northings has standard
    deviation sd/sqrt(k); four of those are allowed, as are four of a proportion's for the half east.
    """
    cloud = make_cloud(rng, 30_000, 10.0) | {
        "classification": np.full(30_000, 2),
        "withheld": np.zeros(30_000, int),
    }
    path = write(tmp_path / "c.las", cloud)
    patch = gather([path], checkpoints_at((5, 5)), window=PatchWindow(outer_limit=1000)).patches[0]
    radius = np.hypot(cloud["x"] - ORIGIN[0] - 5 - OFF_GRID, cloud["y"] - ORIGIN[1] - 5 - OFF_GRID)
    inner = np.hypot(patch.east_m, patch.north_m) <= 1.5
    assert np.count_nonzero(inner) == np.count_nonzero(radius <= 1.5)
    assert np.count_nonzero(~inner) == 1000
    assert patch.outer_share == pytest.approx(1000 / np.count_nonzero((radius > 1.5) & (radius <= 4)))
    east, north = patch.east_m[~inner], patch.north_m[~inner]
    assert abs(north.mean()) < 4 * north.std() / np.sqrt(1000)
    assert abs(np.mean(east > 0) - 0.5) < 4 * 0.5 / np.sqrt(1000)


def test_an_overfull_whole_zone_shrinks(tmp_path: Path, rng: np.random.Generator) -> None:
    """The radius falls by tenths until the limit is kept, and inside it every point is still there."""
    cloud = make_cloud(rng, 30_000, 10.0) | {
        "classification": np.full(30_000, 2),
        "withheld": np.zeros(30_000, int),
    }
    path = write(tmp_path / "c.las", cloud)
    window = PatchWindow(outer_limit=500, whole_limit=1000)
    patch = gather([path], checkpoints_at((5, 5)), window=window).patches[0]
    radius = np.hypot(cloud["x"] - ORIGIN[0] - 5 - OFF_GRID, cloud["y"] - ORIGIN[1] - 5 - OFF_GRID)
    ladder = 1.5 * 0.9 ** np.arange(10)
    assert patch.whole_radius_m == pytest.approx(next(r for r in ladder if np.sum(radius <= r) <= 1000))
    inner = np.hypot(patch.east_m, patch.north_m) <= patch.whole_radius_m
    assert np.count_nonzero(inner) == np.count_nonzero(radius <= patch.whole_radius_m)
    assert np.count_nonzero(~inner) == 500
    assert patch.outer_share == pytest.approx(
        500 / np.count_nonzero((radius > patch.whole_radius_m) & (radius <= 4))
    )


def test_memory_is_bounded_while_streaming(
    tmp_path: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After every chunk a checkpoint holds no more than its limits, however many points came by."""
    held: list[int] = []
    arrived: list[int] = []
    add = Collector.add

    def watched(self: Collector, points: Any, path: Path) -> None:
        add(self, points, path)
        held.append(self.held)
        arrived.append(len(points))

    monkeypatch.setattr(patches_module.Collector, "add", watched)
    path = write(tmp_path / "c.las", make_cloud(rng, 30_000, 8.0))
    window = PatchWindow(outer_limit=300, whole_limit=200)
    gather([path], checkpoints_at((4, 4)), window=window, points_per_chunk=1000)
    assert len(held) == 30
    assert sum(arrived) > 10_000
    assert max(held) <= 500


def test_stacked_points_are_refused(tmp_path: Path) -> None:
    """Points without number on one spot cannot be thinned by any radius: refused by name."""
    cloud = {"x": np.full(500, ORIGIN[0]), "y": np.full(500, ORIGIN[1]), "z": np.full(500, ORIGIN[2])}
    path = write(tmp_path / "c.las", cloud)
    with pytest.raises(
        CloudError, match=r"more than 100 points lie within .* of checkpoint P1: they are stacked"
    ):
        gather([path], checkpoints_at((0, 0)), window=PatchWindow(whole_limit=100))


def test_files_without_a_checkpoint_stay_closed(tmp_path: Path, rng: np.random.Generator) -> None:
    """A tile that no window touches is not opened past its header, even where it is damaged behind it."""
    near = write(tmp_path / "near.laz", make_cloud(rng, 1000, 10.0))
    cloud = make_cloud(rng, 1000, 10.0)
    cloud["x"] = cloud["x"] + 500
    far = write(tmp_path / "far.laz", cloud)
    far.write_bytes(far.read_bytes()[:-4000])
    found = gather([near, far], checkpoints_at((5, 5)))
    by_name = {file.path.name: file for file in found.files}
    assert (by_name["near.laz"].opened, by_name["near.laz"].points_read) == (True, 1000)
    assert (by_name["far.laz"].opened, by_name["far.laz"].points_read) == (False, 0)
    assert by_name["far.laz"].points == 1000
    with pytest.raises(CloudError, match=r"far\.laz: .*cut short"):
        gather([near, far], checkpoints_at((505, 5)))


def test_a_neighbouring_tile_is_read(tmp_path: Path, rng: np.random.Generator) -> None:
    """A checkpoint just beyond a tile's edge still gets that tile's points."""
    path = write(tmp_path / "c.las", make_cloud(rng, 20_000, 10.0))
    inside, beyond, away = gather([path], checkpoints_at((-1, 5), (-3.9, 5), (-4.2, 5))).patches
    assert len(inside) > len(beyond) > 0
    assert len(away) == 0


def test_no_points_is_an_empty_patch(tmp_path: Path, rng: np.random.Generator) -> None:
    """Inside the box but in a hole: a patch of length 0, with nothing invented."""
    cloud = make_cloud(rng, 20_000, 40.0)
    hole = np.hypot(cloud["x"] - ORIGIN[0] - 20, cloud["y"] - ORIGIN[1] - 20) > 5
    path = write(tmp_path / "c.las", {name: values[hole] for name, values in cloud.items()})
    patch = gather([path], checkpoints_at((20, 20))).patches[0]
    assert len(patch) == 0
    assert (patch.gps_time_s, patch.intensity, patch.red, patch.time_kind) == (None, None, None, "none")
    assert patch.outer_share == 1.0


def test_no_checkpoints_reads_nothing(tmp_path: Path, rng: np.random.Generator) -> None:
    """Without checkpoints there is nothing to gather, and no file is opened."""
    found = gather([write(tmp_path / "c.las", make_cloud(rng, 100))], [])
    assert found.patches == ()
    assert not found.files[0].opened


def _with_times(rng: np.random.Generator, times: Any) -> dict[str, Any]:
    return make_cloud(rng, 400, 2.0) | {
        "gps_time": np.resize(np.asarray(times, dtype=float), 400),
        "classification": np.full(400, 2),
        "withheld": np.zeros(400, int),
    }


@pytest.mark.parametrize(
    ("times", "adjusted", "kind", "words"),
    [
        ([345_000.0, 345_001.0], False, "week-seconds", None),
        ([604_900.0], False, "week-seconds", None),  # a drive over the week's end
        ([345_000.0], True, "adjusted-gps", None),
        ([3.1e8, 3.2e8], True, "adjusted-gps", None),
        ([3.1e8, 3.2e8], False, "adjusted-gps", "taken as adjusted standard GPS time"),
        ([-4.0e7], False, "adjusted-gps", "taken as adjusted standard GPS time"),
        ([345_000.0, 3.1e8], False, "none", "fit no beginning"),
        ([345_000.0, np.nan], False, "none", "the time of 200 of the points near"),
        ([np.inf], True, "none", "the time of 400 of the points near"),
    ],
)
def test_what_times_count(
    tmp_path: Path, rng: np.random.Generator, times: Any, adjusted: bool, kind: str, words: str | None
) -> None:
    """The header's bit is believed unless the times themselves cannot be what it says; never NaN."""
    path = write(tmp_path / "c.las", _with_times(rng, times), adjusted=adjusted)
    found = gather([path], checkpoints_at((1, 1)))
    patch = found.patches[0]
    assert len(patch) == 400
    assert patch.time_kind == kind
    if kind == "none":
        assert patch.gps_time_s is None
    else:
        np.testing.assert_array_equal(np.unique(patch.gps_time_s), np.unique(times))
    assert [words in remark for remark in found.remarks] == ([True] if words else [])


def test_two_ways_of_counting_time(tmp_path: Path, rng: np.random.Generator) -> None:
    """Files that count from different beginnings leave a shared checkpoint without time, and say so."""
    write(tmp_path / "a.las", _with_times(rng, [345_000.0]), adjusted=False)
    write(tmp_path / "b.las", _with_times(rng, [3.1e8]), adjusted=True)
    found = gather([tmp_path], checkpoints_at((1, 1)))
    assert found.patches[0].time_kind == "none"
    assert len(found.patches[0]) == 800
    assert ["count from different beginnings" in remark for remark in found.remarks] == [True]


def test_colour_needs_every_file(tmp_path: Path, rng: np.random.Generator) -> None:
    """A patch fed by a coloured and a colourless file has no colour: half a channel is none."""
    write(tmp_path / "a.las", make_cloud(rng, 500, 2.0), point_format=7)
    write(tmp_path / "b.las", make_cloud(rng, 500, 2.0), point_format=6)
    patch = gather([tmp_path], checkpoints_at((1, 1))).patches[0]
    assert patch.red is None
    assert patch.intensity is not None


def test_progress_reaches_the_end(tmp_path: Path, rng: np.random.Generator) -> None:
    """Progress counts points, never falls, and ends at the total."""
    path = write(tmp_path / "c.las", make_cloud(rng, 1000, 10.0))
    seen: list[tuple[int, int]] = []
    gather(
        [path],
        checkpoints_at((5, 5)),
        points_per_chunk=300,
        progress=lambda _what, done, total: seen.append((done, total)),
    )
    done = [d for d, _ in seen]
    assert done == sorted(done)
    assert seen[-1] == (1000, 1000)
    assert len(seen) >= 4


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: PointSelection(returns="second"), 'returns "second" are unknown'),  # type: ignore[arg-type]
        (lambda: PointSelection(classes=frozenset()), "no class is chosen"),
        (lambda: PointSelection(classes=frozenset({256})), "class 256 does not exist"),
        (lambda: PointSelection(source_ids=frozenset({-1})), "source id -1 does not exist"),
        (lambda: PointSelection(classes=frozenset({2, 7})), "class 7 is noise and is never measured"),
        (lambda: PatchWindow(whole_radius_m=5.0), "impossible"),
        (lambda: PatchWindow(whole_radius_m=0.0), "impossible"),
        (lambda: PatchWindow(outer_limit=0), "impossible"),
    ],
)
def test_impossible_requests(make: Any, words: str) -> None:
    """Choices that could keep nothing or mean nothing are refused at once."""
    with pytest.raises(RequestError, match=words):
        make()


def test_many_checkpoints(tmp_path: Path, rng: np.random.Generator) -> None:
    """Four hundred overlapping windows: each has what a search tree finds."""
    path = write(tmp_path / "c.las", make_cloud(rng, 20_000, 40.0) | {"withheld": np.zeros(20_000, int)})
    places = rng.uniform(-2, 42, (400, 2))
    checkpoints = checkpoints_at(*places.tolist())
    window = PatchWindow(whole_radius_m=1.0, outer_radius_m=1.0)
    found = gather([path], checkpoints, window=window)
    las = laspy.read(path)
    good = ~np.isin(las.classification, [7, 18])
    tree = cKDTree(np.column_stack([las.x[good], las.y[good]]))
    expected = tree.query_ball_point(
        [(c.easting_m, c.northing_m) for c in checkpoints], 1.0, return_length=True
    )
    np.testing.assert_array_equal([len(p) for p in found.patches], expected)
    assert np.sum(expected) > 5_000


def test_collector_alone_is_order_free(rng: np.random.Generator) -> None:
    """Points that come one by one, in either order, leave the same patch as all at once."""
    points = np.zeros(400, dtype=POINT)
    points["east"], points["north"] = rng.uniform(-2.8, 2.8, (2, 400))
    points["intensity"] = rng.integers(1, 9, 400)
    window = PatchWindow(outer_limit=50, whole_limit=30)
    results = []
    for order in (np.arange(400), np.arange(400)[::-1]):
        one_by_one = Collector("P", window)
        for k in order:
            one_by_one.add(points[k : k + 1], Path("c.las"))
        results.append(as_bytes(one_by_one.patch()))
    at_once = Collector("P", window)
    at_once.add(points, Path("c.las"))
    assert results[0] == results[1] == as_bytes(at_once.patch())
    assert results[0]["outer_share"] < 1
