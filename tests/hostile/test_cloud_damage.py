"""Every way in which a cloud can be unfit: refused by name, with place, value and remedy."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest

from accuracy.errors import CloudError
from accuracy.model import Checkpoint
from accuracy.reading.cloud import read_header, stream_points
from accuracy.reading.cloud_description import describe_cloud
from accuracy.reading.cloud_laz import check_chunks
from accuracy.reading.patches import gather_patches

N = 2000
Damage = Callable[[bytearray], bytes | bytearray]


def write(path: Path, *, point_format: int = 3, minor: int = 2, n: int = N) -> bytearray:
    """A sound cloud of n points over 20 by 20 m; its bytes."""
    generator = np.random.default_rng(7)
    header = laspy.LasHeader(version=f"1.{minor}", point_format=point_format)
    header.scales, header.offsets = [0.001] * 3, [1000.0, 2000.0, 0.0]
    cloud = laspy.LasData(header)
    cloud.x, cloud.y = 1000 + generator.uniform(0, 20, n), 2000 + generator.uniform(0, 20, n)
    cloud.z = generator.normal(5, 0.1, n)
    cloud.write(path)
    return bytearray(path.read_bytes())


def put(code: str, at: int, value: Any) -> Damage:
    """Overwrite one field."""

    def damage(data: bytearray) -> bytearray:
        struct.pack_into("<" + code, data, at, value)
        return data

    return damage


def instead(content: bytes) -> Damage:
    """Another file altogether."""
    return lambda _: content


def read_all(path: Path) -> int:
    """Header, stream, patches and description: each must refuse or all must agree on the count."""
    header = read_header(path)
    count = sum(len(points) for points in stream_points(header, points_per_chunk=700))
    assert count == header.point_count
    checkpoint = Checkpoint(id="P1", easting_m=1010.0, northing_m=2010.0, height_m=5.0)
    gather_patches([header], [checkpoint], horizontal_unit_m=1.0, vertical_unit_m=1.0)
    description = describe_cloud(path)
    assert sum(description.class_counts.values()) == count
    return count


PLAIN: list[tuple[str, Damage, str]] = [
    ("zero bytes", instead(b""), r"holds no byte at all\. Copy the file again"),
    ("only a signature", lambda d: d[:40], r"is 40 bytes long; the header alone takes 227"),
    (
        "a text file",
        instead(b"id,easting,northing\n1,2,3\n" * 20),
        r'byte 0, file signature: begins with "id,easting,n"',
    ),
    ("a zip archive", lambda d: b"PK\x03\x04" + d[4:], r'begins with "PK\\x03\\x04.* LAS, LAZ or COPC'),
    ("version 2.0", put("B", 24, 2), r"byte 24, version: LAS 2\.2 is not read"),
    ("version 1.5", put("B", 25, 5), r"byte 24, version: LAS 1\.5 is not read.*Export it as LAS 1\.2"),
    (
        "header size 0",
        put("H", 94, 0),
        r"byte 94, header size: the header claims to be 0 bytes.*did not finish",
    ),
    ("header beyond the points", put("H", 94, 60000), r"begin at byte 227, but the header ends at 60,000"),
    ("header beyond the file", lambda d: put("H", 94, 300)(d[:250]), r"header size: .*to be 300 bytes"),
    ("points inside the header", put("I", 96, 100), r"byte 96, offset to points: .*begin at byte 100"),
    ("points beyond the file", put("I", 96, 4_000_000_000), r"offset to points: .*byte 4,000,000,000"),
    (
        "a thousand million records",
        put("I", 100, 1_069_128_089),
        r"byte 100, .*1,069,128,089 records.*room for 0",
    ),
    ("one record too many", put("I", 100, 1), r"1 records are claimed.*room for 0 at most"),
    ("unknown format", put("B", 104, 11), r"byte 104, point format: point format 11 is unknown"),
    ("unknown compression bit", put("B", 104, 3 | 64), r"point format 67 is unknown"),
    ("short record", put("H", 105, 33), r"byte 105, point record length: .*33 bytes; format 3 takes 34"),
    ("no record length", put("H", 105, 0), r"a point is said to take 0 bytes"),
    ("empty cloud", put("I", 107, 0), r"byte 107, number of points: the cloud is empty.*holds the points"),
    (
        "one point too many",
        put("I", 107, N + 1),
        r"byte 107.*promises 2,001 points, the file has room for 2,000",
    ),
    ("absurd count", put("I", 107, 2**32 - 1), r"promises 4,294,967,295 points, the file has room for 2,000"),
    (
        "cut at a record's end",
        lambda d: d[: -34 * 10],
        r"promises 2,000 points, the file has room for 1,990: it is cut",
    ),
    (
        "cut inside a record",
        lambda d: d[:-5],
        r"promises 2,000 points, the file has room for 1,999: it is cut",
    ),
    ("cut to the header", lambda d: d[:227], r"room for 0: it is cut short.*Copy the file again"),
    ("scale not a number", put("d", 131, np.nan), r"byte 131, X scale: the scale is nan"),
    ("scale infinite", put("d", 139, np.inf), r"byte 139, Y scale: the scale is inf"),
    ("scale zero", put("d", 147, 0.0), r"byte 147, Z scale: the scale is 0\.0; no coordinate"),
    ("scale negative", put("d", 131, -0.001), r"X scale: the scale is -0\.001.*cannot be a survey"),
    ("scale huge", put("d", 131, 1e6), r"X scale: the scale is 1e\+06.*cannot be a survey"),
    ("scale tiny", put("d", 147, 1e-300), r"Z scale: the scale is 1e-300"),
    ("offset not a number", put("d", 155, np.nan), r"byte 155, X offset: the offset is nan"),
    ("offset infinite", put("d", 171, -np.inf), r"byte 171, Z offset: the offset is -inf"),
    ("box not a number", put("d", 179, np.nan), r"byte 179, box in X: .*runs from .* to nan"),
    ("box infinite", put("d", 219, -np.inf), r"byte 211, box in Z: .*from -inf"),
    ("box inside out", put("d", 195, 0.0), r"byte 195, box in Y: .*inside out: minimum 2000.*, maximum 0"),
    (
        "box out of reach",
        put("d", 179, 1e12),
        r"box in X: .*no point can reach with scale 0\.001 and offset 1000",
    ),
    ("offset moved", put("d", 155, 1e9), r"no point can reach with scale 0\.001 and offset 1000000000"),
    (
        "box too small",
        put("d", 179, 1015.0),
        r"[0-9]+ of 2,000 points read lie outside the box.*by up to .* in X",
    ),
    ("box too high", put("d", 219, 5.0), r"of 2,000 points read lie outside the box in its header.* in Z"),
    ("scale a tenth", put("d", 139, 0.0001), r"points read lie outside the box.* in Y"),
    (
        "count behind its points",
        put("I", 107, N - 200),
        r"byte 107, number of points: the header promises 1,800 points, the file holds 2,000: 200 more "
        r"records stand from byte 61,427 on\. .*export the cloud again",
    ),
    (
        "count and box behind the points",
        lambda d: put("d", 187, 1000.0)(put("d", 179, 1010.0)(put("I", 107, N - 200)(d))),
        r"promises 1,800 points, the file holds 2,000",
    ),
    (
        "compressed in name only",
        put("B", 104, 3 | 128),
        r"marked as compressed but the record that says how is missing",
    ),
]


@pytest.mark.parametrize(("damage", "words"), [case[1:] for case in PLAIN], ids=[case[0] for case in PLAIN])
def test_plain_files(tmp_path: Path, damage: Damage, words: str) -> None:
    """A LAS 1.2 file with one thing wrong; each case is sound without its damage."""
    path = tmp_path / "cloud.las"
    data = write(path)
    assert read_all(path) == N
    path.write_bytes(damage(data))
    with pytest.raises(CloudError, match=r"cloud\.las.*" + words):
        read_all(path)


LAS_1_4: list[tuple[str, Damage, str]] = [
    ("64-bit count zero", put("Q", 247, 0), r"byte 247.*promises 0 points\. "),
    ("64-bit count absurd", put("Q", 247, 2**63), r"byte 247, number of points: .*room for 2,000"),
    ("extended records absurd", put("I", 243, 2**32 - 1), r"byte 235, .*4,294,967,295 extended records"),
    (
        "extended records beyond",
        put("QI", 235, None),
        r"3 extended records are said to begin at byte 99,999,999",
    ),
    (
        "extended record runs over",
        put("QI", 235, 0),
        r"extended record 1 of 1: extended record .* claims .* bytes where",
    ),
    (
        "count behind its points",
        put("Q", 247, N - 1),
        r"byte 247, number of points: the header promises 1,999 points, the file holds 2,000: 1 more",
    ),
    (
        "extended records among the points",
        put("QI", 235, -1),
        r"byte 247, number of points: .*room for 1,9\d\d: extended records begin at byte",
    ),
    ("header of an older edition", put("H", 94, 227), r"claims to be 227 bytes long; LAS 1\.4 takes 375"),
]


@pytest.mark.parametrize(("name", "damage", "words"), LAS_1_4, ids=[case[0] for case in LAS_1_4])
def test_fields_of_las_1_4(tmp_path: Path, name: str, damage: Damage, words: str) -> None:
    """Fields that only LAS 1.4 has."""
    path = tmp_path / "cloud.las"
    data = write(path, point_format=6, minor=4)
    assert read_all(path) == N
    if name == "extended records beyond":
        struct.pack_into("<QI", data, 235, 99_999_999, 3)
        path.write_bytes(data)
    elif name == "extended record runs over":
        struct.pack_into("<QI", data, 235, len(data), 1)
        record = struct.pack("<H16sHQ32s", 0, b"LASF_Projection", 2112, 2**40, b"")
        path.write_bytes(bytes(data) + record + b"PROJCS[")
    elif name == "extended records among the points":
        struct.pack_into("<QI", data, 235, len(data) - 60, 1)
        data[-60:] = bytes(60)
        path.write_bytes(data)
    else:
        path.write_bytes(damage(data))
    with pytest.raises(CloudError, match=r"cloud\.las.*" + words):
        read_all(path)


def test_a_64_bit_count_left_out_is_explained(tmp_path: Path) -> None:
    """A writer that filled in only the older field: empty by the format, and the message says why."""
    path = tmp_path / "cloud.las"
    data = write(path, point_format=3, minor=4)
    struct.pack_into("<I", data, 107, N)
    struct.pack_into("<Q", data, 247, 0)
    path.write_bytes(data)
    with pytest.raises(CloudError, match=r"promises 0 points \(the field for older readers says 2,000\)"):
        read_header(path)


def test_a_record_before_the_points_that_runs_over(tmp_path: Path) -> None:
    """A record that claims more bytes than there are before the points."""
    header = laspy.LasHeader(version="1.2", point_format=0)
    header.vlrs.append(laspy.VLR("tern quay", 1, "", b"12345"))
    cloud = laspy.LasData(header)
    cloud.x = np.arange(5.0)
    path = tmp_path / "cloud.las"
    cloud.write(path)
    data = bytearray(path.read_bytes())
    assert read_all(path) == 5
    struct.pack_into("<H", data, 227 + 20, 60_000)
    path.write_bytes(data)
    with pytest.raises(
        CloudError,
        match=r'byte 227, record 1 of 1: record "tern quay" 1 claims 60,000 bytes where 5 are left',
    ):
        read_header(path)


def _laszip(data: bytearray) -> int:
    """Byte at which the compression record's data begins."""
    return data.index(b"laszip encoded") - 2 + 54


def _points(data: bytearray) -> int:
    return int(struct.unpack_from("<I", data, 96)[0])


def _table(data: bytearray) -> int:
    return int(struct.unpack_from("<q", data, _points(data))[0])


def at(where: Callable[[bytearray], int], code: str, shift: int, value: Any) -> Damage:
    """Overwrite one field at a place that depends on the file."""

    def damage(data: bytearray) -> bytearray:
        struct.pack_into("<" + code, data, where(data) + shift, value)
        return data

    return damage


COMPRESSED: list[tuple[str, Damage, str]] = [
    (
        "cut in the points",
        lambda d: d[: len(d) // 2],
        r"table of compressed chunks is said to stand at byte .*cut short",
    ),
    (
        "cut in the table",
        lambda d: d[:-1],
        r"table of compressed chunks failed|is said to stand|lists 1 chunks",
    ),
    ("table never written", at(_points, "q", 0, -1), r"table of compressed chunks"),
    ("table inside the header", at(_points, "q", 0, 10), r"said to stand at byte 10, but the file has"),
    (
        "table too early",
        lambda d: at(_points, "q", 0, _points(d) + 500)(d),
        r"lists .* chunks, 0 points and 0 bytes",
    ),
    ("absurd number of chunks", at(_table, "I", 4, 2**32 - 1), r"lists 4,294,967,295 chunks, 0 points"),
    ("no chunks", at(_table, "I", 4, 0), r"lists 0 chunks, 0 points and 0 bytes"),
    ("old compressor", at(_laszip, "H", 0, 1), r"in a way \(compressor 1, coder 0\) that is no longer read"),
    ("unknown coder", at(_laszip, "H", 2, 7), r"compressor [23], coder 7"),
    (
        "unknown item version",
        at(_laszip, "H", 38, 99),
        r"points 1 to .* failed \(.*version: 99 is not supported\)",
    ),
    (
        "items that do not add up",
        at(_laszip, "H", 36, 19),
        r"describes points of .* bytes, the header points of",
    ),
    ("items cut", at(_laszip, "H", 32, 200), r"compression record is cut short"),
    (
        "more points than the table",
        put("I", 107, 50_001),
        r"table of compressed chunks lists 1 chunks, 50,000 points",
    ),
    ("count behind its points", put("I", 107, N - 12), r"header promises 1,988 points, the file holds more"),
    ("count one behind", put("I", 107, N - 1), r"header promises 1,999 points, the file holds more"),
    ("points scrambled", at(_points, "40s", 200, b"\xa5" * 40), r"failed|outside the box|chunk says"),
]


@pytest.mark.parametrize(
    ("damage", "words"), [case[1:] for case in COMPRESSED], ids=[case[0] for case in COMPRESSED]
)
def test_compressed_files(tmp_path: Path, damage: Damage, words: str) -> None:
    """A LAZ file of the older kind (point by point) with one thing wrong."""
    path = tmp_path / "cloud.laz"
    data = write(path)
    assert read_all(path) == N
    path.write_bytes(damage(data))
    with pytest.raises(CloudError, match=r"cloud\.laz.*" + words):
        read_all(path)


@pytest.mark.parametrize("point_format", [0, 1, 2, 3])
@pytest.mark.parametrize("n", [2, 3, 17, 500, 50_001, 50_040])
def test_older_chunks_show_every_surplus_point(tmp_path: Path, point_format: int, n: int) -> None:
    """A sound file is read; with one to three points more than its header promises it is refused."""
    path = tmp_path / "cloud.laz"
    data = write(path, point_format=point_format, n=n)
    with path.open("rb") as file:
        assert check_chunks(read_header(path), file) >= min(n, 50_000)
    for surplus in (1, 2, 3):
        left_in_last_chunk = (n - 1) % 50_000 + 1 - surplus
        if left_in_last_chunk < 1:
            continue
        path.write_bytes(put("I", 107, n - surplus)(bytearray(data)))
        with path.open("rb") as file, pytest.raises(CloudError, match=r"the file holds more"):
            check_chunks(read_header(path), file)


@pytest.mark.parametrize(
    ("shift", "value", "words"),
    [
        (0, N - 1, r"chunk 1 of 1: the chunk says that it holds 1,999 points in"),
        (4, 2**31, r"says that it holds 2,000 points in 2,147,[0-9,]+ bytes; the tables say 2,000 points in"),
        (8, 1, r"the chunk says that it holds"),
    ],
)
def test_layered_chunks(tmp_path: Path, shift: int, value: int, words: str) -> None:
    """A LAZ 1.4 chunk states its points and the sizes of its layers.

    One damaged size makes the decoder ask for gigabytes, so the sum is checked before.
    """
    path = tmp_path / "cloud.laz"
    data = write(path, point_format=6, minor=4)
    assert read_all(path) == N
    struct.pack_into("<I", data, _points(data) + 8 + 30 + shift, value)
    path.write_bytes(data)
    with pytest.raises(CloudError, match=words):
        read_all(path)


@pytest.mark.parametrize(
    ("n", "promised", "words"),
    [
        (
            N,
            N - 1,
            r"chunk 1: the header promises 1,999 points, the file holds 2,000\. .*export the cloud again",
        ),
        (50_100, 50_000, r"chunk 2: the header promises 50,000 points, the file holds 50,001 or more"),
    ],
)
def test_a_layered_file_that_holds_more_than_it_promises(
    tmp_path: Path, n: int, promised: int, words: str
) -> None:
    """A LAZ 1.4 file whose header's count was not brought up to date, by one point or by a whole chunk."""
    path = tmp_path / "cloud.laz"
    data = write(path, point_format=6, minor=4, n=n)
    struct.pack_into("<Q", data, 247, promised)
    path.write_bytes(data)
    with pytest.raises(CloudError, match=words):
        read_all(path)


def test_count_that_shrinks_while_reading(tmp_path: Path) -> None:
    """A file that loses its end between header and points is refused by the count."""
    path = tmp_path / "cloud.las"
    data = write(path)
    header = read_header(path)
    path.write_bytes(data[: -34 * 700])
    with pytest.raises(CloudError, match=r"header promises 2,000 points, the file holds 1,300"):
        list(stream_points(header, points_per_chunk=500))


@pytest.mark.parametrize(("at_byte", "outwards"), [(187, -1), (179, 1)])
def test_a_looser_box_is_fine(tmp_path: Path, at_byte: int, outwards: int) -> None:
    """A box wider than the points, or off by the rounding of one step, is no contradiction; two steps are."""
    path = tmp_path / "cloud.las"
    data = write(path)
    edge = struct.unpack_from("<d", data, at_byte)[0]
    for wider, ok in [(500, True), (-0.001, True), (-0.0021, False)]:
        struct.pack_into("<d", data, at_byte, edge + outwards * wider)
        path.write_bytes(data)
        if ok:
            assert read_all(path) == N
        else:
            with pytest.raises(CloudError, match=r"1 of 2,000 points read lie outside the box .* 0\.002"):
                read_all(path)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (Path.mkdir, r"is a folder, not a cloud\. Name the files in it"),
        (lambda _: None, r"does not exist\. Check the path"),
    ],
)
def test_no_file(tmp_path: Path, make: Callable[[Path], None], words: str) -> None:
    """A folder by the name of a cloud, and nothing at all."""
    make(tmp_path / "cloud.las")
    with pytest.raises(CloudError, match=r"cloud\.las: " + words):
        read_header(tmp_path / "cloud.las")


def _copc(shared_data: Path) -> bytearray:
    return bytearray((shared_data / "clouds" / "simple.copc.laz").read_bytes())


_INFO = 375 + 54
_ROOT_PAGE = 31544 + 60  # simple.copc.laz: its only extended record begins at 31544


@pytest.mark.parametrize(
    ("code", "at_byte", "value", "words"),
    [
        ("Q", _INFO + 40, 10**9, r"COPC hierarchy page of .* at byte 1,000,000,000; the file has 33,684"),
        ("Q", _INFO + 48, 2**40, r"COPC hierarchy page of 1,099,511,627,776 bytes"),
        ("Q", _INFO + 48, 0, r"COPC hierarchy page of 0 bytes"),
        ("Q", _INFO + 48, 33, r"COPC hierarchy page of 33 bytes"),
        ("d", _INFO + 24, -1.0, r"COPC octree has its centre at .* half its size is -1"),
        ("d", _INFO, np.nan, r"COPC octree has its centre at \(nan"),
        ("d", _INFO, 0.0, r"points lie outside the octree cube that is said to hold them|lists|holds"),
        ("i", _ROOT_PAGE + 28, 5, r"header promises 1,065 points, the COPC hierarchy lists 1,046"),
        ("i", _ROOT_PAGE + 24, 10**8, r"COPC hierarchy lists points at byte 100,0"),
        ("i", _ROOT_PAGE + 24, 20, r"node at byte .*a compressed chunk of 20 bytes is too short"),
        ("Q", _ROOT_PAGE + 16, 3000, r"COPC node at byte 3,000"),
        ("i", _ROOT_PAGE, 99, r"COPC hierarchy has impossible levels"),
    ],
)
def test_copc_files(
    tmp_path: Path, shared_data: Path, code: str, at_byte: int, value: Any, words: str
) -> None:
    """A COPC file with one thing wrong in its octree; read where a checkpoint's window covers all of it."""
    data = _copc(shared_data)
    assert struct.unpack_from("<Q", data, _INFO + 40)[0] == _ROOT_PAGE
    struct.pack_into("<" + code, data, at_byte, value)
    path = tmp_path / "cloud.copc.laz"
    path.write_bytes(data)
    header = read_header(path)
    assert header.is_copc
    near = np.array([[-1e7, -1e7, 1e7, 1e7]])
    with pytest.raises(CloudError, match=words):
        list(stream_points(header, near=near))


def test_copc_page_that_points_to_itself(tmp_path: Path, shared_data: Path) -> None:
    """A hierarchy that refers to its own page must not be followed for ever."""
    data = _copc(shared_data)
    size = struct.unpack_from("<Q", data, _INFO + 48)[0]
    struct.pack_into("<Qii", data, _ROOT_PAGE + 16, _ROOT_PAGE, size, -1)
    path = tmp_path / "cloud.copc.laz"
    path.write_bytes(data)
    with pytest.raises(CloudError, match=r"refers twice to its page at byte 31,604"):
        list(stream_points(read_header(path), near=np.array([[-1e7, -1e7, 1e7, 1e7]])))


def test_copc_cut_short(tmp_path: Path, shared_data: Path) -> None:
    """The hierarchy stands at the end: a cut COPC file has lost it."""
    path = tmp_path / "cloud.copc.laz"
    path.write_bytes(_copc(shared_data)[:-100])
    with pytest.raises(CloudError, match=r"extended record .* claims|said to begin at byte"):
        read_header(path)


@pytest.mark.parametrize("kind", ["las", "laz", "laz14", "copc"])
def test_random_damage_never_escapes(tmp_path: Path, shared_data: Path, kind: str) -> None:
    """Random bytes, cuts and fields: the right count or a CloudError, never anything else.

    Seeded, so that a failure repeats.
    """
    generator = np.random.default_rng(["las", "laz", "laz14", "copc"].index(kind))
    path = tmp_path / ("cloud.las" if kind == "las" else "cloud.laz")
    if kind == "copc":
        sound = _copc(shared_data)
    else:
        sound = write(path, point_format=6 if kind == "laz14" else 3, minor=4 if kind == "laz14" else 2)
    outcomes = {"read": 0, "refused": 0, "not named": 0}
    for _ in range(60):
        data = sound.copy()
        if generator.uniform() < 0.2:
            data = data[: generator.integers(len(data))]
        else:
            end = min(len(data), 600) if generator.uniform() < 0.5 else len(data)
            for place in generator.integers(0, end, 3):
                data[place] = generator.integers(256)
        path.write_bytes(data)
        try:
            header = read_header(path)
            assert sum(len(points) for points in stream_points(header)) == header.point_count
            outcomes["read"] += 1
        except CloudError as refusal:
            outcomes["refused" if path.name in str(refusal) else "not named"] += 1
    assert outcomes["refused"] > 5
    assert outcomes["read"] + outcomes["refused"] == 60
