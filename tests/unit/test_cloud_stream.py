"""Which files are meant, where they lie, and that every point of them comes out once."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path

import laspy
import numpy as np
import pytest

from accuracy.errors import CloudError
from accuracy.model import Checkpoint
from accuracy.reading.cloud import (
    checkpoints_in_boxes,
    cloud_extent,
    expand_cloud_paths,
    hidden_clouds,
    read_header,
    read_headers,
    sha256_of,
    stream_points,
)


def write(path: Path, n: int = 100, *, east: float = 0.0, point_format: int = 6) -> Path:
    """``n`` points along a line that begins at ``east``."""
    header = laspy.LasHeader(version="1.4", point_format=point_format)
    header.scales = [0.001] * 3
    cloud = laspy.LasData(header)
    cloud.x = east + np.arange(n) * 0.1
    cloud.y = np.arange(n) * 0.2
    cloud.z = np.zeros(n)
    cloud.write(path)
    return path


def test_folders_files_and_endings(tmp_path: Path) -> None:
    """Folders are searched to the bottom, endings in either case, sorted; other files are passed over."""
    (tmp_path / "deep" / "er").mkdir(parents=True)
    names = ["b.las", "A.LAZ", "deep/c.copc.laz", "deep/er/d.Las", "notes.txt", "deep/cloud.las.bak"]
    for name in names:
        (tmp_path / name).touch()
    found = expand_cloud_paths([tmp_path])
    assert found == tuple(sorted(tmp_path / n for n in names[:4]))


def test_hidden_files_in_a_folder_are_passed_over(tmp_path: Path) -> None:
    """Companions such as ._tile.laz and hidden folders hold no points; named alone, they are taken."""
    (tmp_path / ".trash").mkdir()
    for name in ("tile.laz", "._tile.laz", ".trash/old.las"):
        (tmp_path / name).touch()
    assert expand_cloud_paths([tmp_path]) == (tmp_path / "tile.laz",)
    assert [path.name for path in hidden_clouds([tmp_path])] == ["._tile.laz", "old.las"]
    assert expand_cloud_paths([tmp_path / "._tile.laz"]) == (tmp_path / "._tile.laz",)
    assert expand_cloud_paths([tmp_path / ".trash"]) == (tmp_path / ".trash" / "old.las",)
    (tmp_path / "tile.laz").unlink()
    with pytest.raises(CloudError, match=r"holds no \.las or \.laz file but hidden ones"):
        expand_cloud_paths([tmp_path])


def test_a_file_named_twice_stands_once(tmp_path: Path) -> None:
    """By its folder, by itself, by a detour and by a link: one file."""
    path = tmp_path / "a.las"
    path.touch()
    link = tmp_path / "link.las"
    link.symlink_to(path)
    assert len(expand_cloud_paths([tmp_path, path, tmp_path / ".." / tmp_path.name / "a.las", link])) == 1


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("absent.las", r"absent\.las: does not exist\. Check the path"),
        ("empty", r"empty: the folder holds no \.las or \.laz file"),
        ("table.csv", r'table\.csv: the ending "\.csv" is not that of a cloud'),
        ("none", r'none: the ending "" is not that of a cloud'),
    ],
)
def test_paths_that_are_no_cloud(tmp_path: Path, name: str, words: str) -> None:
    """Each is refused by name, with the remedy."""
    (tmp_path / "empty").mkdir()
    (tmp_path / "table.csv").touch()
    (tmp_path / "none").touch()
    with pytest.raises(CloudError, match=words):
        expand_cloud_paths([tmp_path / name])


def test_no_path_at_all() -> None:
    """Nothing named is not an empty success."""
    with pytest.raises(CloudError, match="no cloud was named"):
        expand_cloud_paths([])
    with pytest.raises(CloudError, match="no cloud was named"):
        cloud_extent([])


@pytest.mark.parametrize("suffix", [".las", ".laz"])
@pytest.mark.parametrize("points_per_chunk", [1, 7, 99, 100, 101, 10_000])
def test_every_point_once(tmp_path: Path, suffix: str, points_per_chunk: int) -> None:
    """Whatever the chunk, the stream is the file as laspy reads it in one go."""
    path = write(tmp_path / f"c{suffix}")
    chunks = list(stream_points(read_header(path), points_per_chunk=points_per_chunk))
    assert max(len(chunk) for chunk in chunks) <= points_per_chunk
    np.testing.assert_array_equal(
        np.concatenate([chunk.array["X"] for chunk in chunks]), laspy.read(path).points.array["X"]
    )


def test_several_laz_chunks(tmp_path: Path) -> None:
    """A LAZ file of three chunks, read across their borders."""
    path = write(tmp_path / "c.laz", 120_000, point_format=1)
    read = np.concatenate([c.array["X"] for c in stream_points(read_header(path), points_per_chunk=33_333)])
    np.testing.assert_array_equal(read, np.arange(120_000) * 100)


def test_giant_chunks_are_read_in_series(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a compressed chunk is larger than memory should hold, the serial decoder gives the same."""
    path = write(tmp_path / "c.laz", 5000)
    backends = []
    reader = laspy.LasReader.__init__

    def watched(self: laspy.LasReader, *arguments: object, **options: object) -> None:
        backends.append(options["laz_backend"])
        reader(self, *arguments, **options)

    monkeypatch.setattr(laspy.LasReader, "__init__", watched)
    in_parallel = np.concatenate([c.array["X"] for c in stream_points(read_header(path))])
    monkeypatch.setattr("accuracy.reading.cloud.POINTS_PER_CHUNK", 100)
    in_series = np.concatenate([c.array["X"] for c in stream_points(read_header(path), points_per_chunk=70)])
    assert backends == [laspy.LazBackend.LazrsParallel, laspy.LazBackend.Lazrs]
    np.testing.assert_array_equal(in_parallel, np.arange(5000) * 100)
    np.testing.assert_array_equal(in_series, in_parallel)


def test_extent_and_coverage(tmp_path: Path) -> None:
    """Boxes together, and which box holds which checkpoint, in feet: the checkpoints are in metres."""
    headers = read_headers([write(tmp_path / "a.las"), write(tmp_path / "b.las", 50, east=100.0)])
    low, high = cloud_extent(headers)
    assert low == pytest.approx((0, 0, 0), abs=1e-9)
    assert high == pytest.approx((104.9, 19.8, 0), abs=1e-9)
    foot = 0.3048
    places_ft = [(5.0, 5.0), (102.0, 5.0), (50.0, 5.0), (-1.0, 5.0), (102.0, 9.9)]
    checkpoints = [
        Checkpoint(id=str(k), easting_m=e * foot, northing_m=n * foot, height_m=0.0)
        for k, (e, n) in enumerate(places_ft)
    ]
    held = checkpoints_in_boxes(headers, checkpoints, horizontal_unit_m=foot)
    np.testing.assert_array_equal(held, [[1, 0, 0, 0, 0], [0, 1, 0, 0, 0]])
    held = checkpoints_in_boxes(headers, checkpoints, horizontal_unit_m=foot, margin_m=1.01 * foot)
    np.testing.assert_array_equal(held, [[1, 0, 0, 1, 0], [0, 1, 0, 0, 1]])
    assert checkpoints_in_boxes(headers, [], horizontal_unit_m=1.0).shape == (2, 0)
    assert checkpoints_in_boxes([], checkpoints, horizontal_unit_m=1.0).shape == (0, 5)


@pytest.mark.parametrize(
    ("copy", "words"),
    [("copy.las", "holds the same bytes as"), ("same.laz", "the same number of points in the same box as")],
)
def test_copies_are_refused(tmp_path: Path, copy: str, words: str) -> None:
    """The same cloud twice, as a copy or compressed beside the plain one, would count double."""
    original = write(tmp_path / "a.las")
    if copy.endswith(".las"):
        shutil.copy(original, tmp_path / copy)
    else:
        write(tmp_path / copy)
    with pytest.raises(CloudError, match=f"{words}.*every point would count twice.*Name only one"):
        read_headers([tmp_path])


def test_alike_is_not_a_copy(tmp_path: Path) -> None:
    """Two files of one size, count and box, but with other heights inside, are two clouds."""
    heights = {"a.las": [0.0, 1.0, 2.0, 9.0], "b.las": [0.0, 1.5, 2.0, 9.0]}
    for name, values in heights.items():
        cloud = laspy.LasData(laspy.LasHeader(version="1.4", point_format=6))
        cloud.x, cloud.y, cloud.z = np.arange(4.0), np.arange(4.0), np.array(values)
        cloud.write(tmp_path / name)
    assert len(read_headers([tmp_path])) == 2


def test_sha256(tmp_path: Path) -> None:
    """The digest of "abc" is the one in FIPS 180-4's examples; a file of many blocks agrees with hashlib."""
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    data = os.urandom(1) * 9_000_001
    path.write_bytes(data)
    seen: list[tuple[int, int]] = []
    assert (
        sha256_of(path, lambda _what, done, total: seen.append((done, total)))
        == hashlib.sha256(data).hexdigest()
    )
    assert seen[-1] == (9_000_001, 9_000_001)
    assert len(seen) > 1
    with pytest.raises(CloudError, match="absent: cannot be read"):
        sha256_of(tmp_path / "absent")


def test_interrupt_passes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The user's interrupt is not turned into a complaint about the file."""
    header = read_header(write(tmp_path / "a.las"))

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt("stopped by the user")

    monkeypatch.setattr(laspy.LasReader, "read_points", interrupted)
    with pytest.raises(KeyboardInterrupt, match="stopped by the user"):
        list(stream_points(header))


class Panic(BaseException):
    """As the decoder's: not an Exception."""


def test_a_decoder_panic_is_a_cloud_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What "except Exception" lets through is caught and named all the same."""
    header = read_header(write(tmp_path / "a.las"))

    def panicking(*_: object) -> None:
        raise Panic("index out of bounds\nsecond line")

    monkeypatch.setattr(laspy.LasReader, "read_points", panicking)
    with pytest.raises(CloudError, match=r"a\.las: reading points 1 to 100 failed \(index out of bounds\)"):
        list(stream_points(header))
