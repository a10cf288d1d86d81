"""The first bytes of a LAS or LAZ file -> CloudHeader, or a refusal. After errors, before cloud.

Every number that a reader would trust is held against the file's size before any library sees the
file: a header that claims a thousand million records must not start a loop over them.
Layout: LAS 1.4 R15, table 3 (public header block), tables 4 and 5 (records), ASPRS 2019.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Literal

from accuracy.errors import CloudError
from accuracy.reading.cloud_crs import CrsRecords, GeoKeys, crs_of, parse_geo_keys, parse_wkt
from accuracy.reading.cloud_records import (
    COPY_AGAIN,
    EXPORT_AGAIN,
    EXTENDED_HEAD,
    RECORD_HEAD,
    Block,
    check_compressor,
    lower_level_faults,
    walk_records,
)
from accuracy.reading.cloud_room import Triple, check_room

if TYPE_CHECKING:
    import pyproj

TimeKind = Literal["week-seconds", "adjusted-gps", "none"]

WEEK_S = 604_800
"""Seconds in a GPS week."""

# Sizes of the public header block by minor version, and of a point record by format (same source).
_BLOCK_SIZE = {0: 227, 1: 227, 2: 227, 3: 235, 4: 375}
_RECORD_SIZE = (20, 28, 26, 34, 57, 63, 30, 36, 38, 59, 67)
# The first minor version that defines each point format.
_FIRST_VERSION = (0, 0, 2, 2, 3, 3, 4, 4, 4, 4, 4)
_WITH_TIME = frozenset({1, 3, 4, 5, 6, 7, 8, 9, 10})
# A coordinate step coarser than the unit itself says nothing about accuracy, and one of a millionth
# of a millionth is no length at all. Our own limits: the format sets none.
_FINEST_SCALE, _COARSEST_SCALE = 1e-12, 1.0
_COARSE_SCALE = 0.011


@dataclass(frozen=True, kw_only=True)
class CloudHeader:
    """What a cloud file says of itself, checked against its size; coordinates in the file's units.

    ``records`` are the records that say how points are stored: (user id, record id) -> bytes.
    """

    path: Path
    file_size: int
    version: str
    point_format: int
    record_length: int
    point_count: int
    counts_by_return: tuple[int, ...]
    minimum: Triple
    maximum: Triple
    scales: Triple
    offsets: Triple
    is_compressed: bool
    is_copc: bool
    offset_to_points: int
    time_kind: TimeKind
    """As the global encoding says; the times themselves may contradict it."""
    generating_software: str
    system_id: str
    creation_date: date | None
    dimension_names: tuple[str, ...]
    crs_records: CrsRecords
    storage_records: dict[tuple[str, int], bytes]
    remarks: tuple[str, ...] = ()

    @property
    def crs_wkt(self) -> str | None:
        """The text of the WKT record, unparsed."""
        return self.crs_records.wkt

    @property
    def geo_keys(self) -> GeoKeys | None:
        """The GeoTIFF record as key number -> value."""
        return self.crs_records.geo_keys

    @cached_property
    def _crs(self) -> tuple[pyproj.CRS | None, tuple[str, ...]]:
        return crs_of(self.crs_records)

    @property
    def crs(self) -> pyproj.CRS | None:
        """The coordinate system of the records; None where there is none or it cannot be read."""
        return self._crs[0]

    @property
    def crs_remarks(self) -> tuple[str, ...]:
        """What is odd about the coordinate system records, in words."""
        return self._crs[1]


def read_header(path: str | Path) -> CloudHeader:
    """Read and check everything that stands before the points.

    LAS 1.0 to 1.4, point formats 0 to 10, plain, LAZ or COPC. Raises CloudError, naming the byte and
    field, the value and the remedy, for anything that contradicts the file's size or itself.
    """
    path = Path(path)
    if path.is_dir():
        raise CloudError("is a folder, not a cloud", path=path, remedy="Name the files in it.")
    try:
        with path.open("rb") as file:
            return _read(path, file)
    except FileNotFoundError:
        raise CloudError("does not exist", path=path, remedy="Check the path.") from None
    except OSError as fault:
        raise CloudError(
            f"cannot be read ({fault.strerror})", path=path, remedy="Check the disk and its rights."
        ) from fault


def _read(path: Path, file: BinaryIO) -> CloudHeader:
    block = _open_block(path, file)
    minor, header_size = _version_and_size(block)
    offset_to_points, records_claimed = _layout(block, header_size)
    point_format, is_compressed, record_length = _format(block)
    remarks: list[str] = []
    if minor < 2:
        remarks.append(f"LAS 1.{minor} is older than the editions in use (1.2 to 1.4); it was read as it is.")
    if minor < _FIRST_VERSION[point_format]:
        remarks.append(
            f"Point format {point_format} does not exist in LAS 1.{minor} "
            f"(it came with 1.{_FIRST_VERSION[point_format]}); it was read as it is."
        )
    point_count, by_return = _counts(block, minor, remarks)
    scales, offsets = _scales_and_offsets(block, remarks)
    minimum, maximum = _box(block, scales, offsets)

    records = walk_records(block, file, header_size, records_claimed, offset_to_points, extended=False)
    if minor >= 4:
        records += _extended(block, file, offset_to_points)
    storage = {(user, number): data for user, number, data in records if user in ("laszip encoded", "copc")}
    if is_compressed:
        check_compressor(block, storage.get(("laszip encoded", 22204)), record_length)
    else:
        remarks += check_room(
            block,
            file,
            minor=minor,
            offset_to_points=offset_to_points,
            point_count=point_count,
            record_length=record_length,
            scales=scales,
            offsets=offsets,
            minimum=minimum,
            maximum=maximum,
        )
    encoding = block.get("H", 6)
    has_time = point_format in _WITH_TIME
    wkt, wkt_remarks = parse_wkt(_data(records, 2112))
    keys, key_remarks = parse_geo_keys(_data(records, 34735), _data(records, 34736), _data(records, 34737))
    return CloudHeader(
        path=path,
        file_size=block.file_size,
        version=f"1.{minor}",
        point_format=point_format,
        record_length=record_length,
        point_count=point_count,
        counts_by_return=by_return,
        minimum=minimum,
        maximum=maximum,
        scales=scales,
        offsets=offsets,
        is_compressed=is_compressed,
        is_copc=is_compressed and ("copc", 1) in storage,
        offset_to_points=offset_to_points,
        time_kind=("adjusted-gps" if encoding & 1 else "week-seconds") if has_time else "none",
        generating_software=block.text(58, 32),
        system_id=block.text(26, 32),
        creation_date=_creation_date(block),
        dimension_names=_dimension_names(path, file),
        crs_records=CrsRecords(wkt=wkt, geo_keys=keys, remarks=wkt_remarks + key_remarks),
        storage_records=storage,
        remarks=tuple(remarks),
    )


def _open_block(path: Path, file: BinaryIO) -> Block:
    file_size = path.stat().st_size
    data = file.read(375)
    if not data:
        raise CloudError("holds no byte at all", path=path, remedy=COPY_AGAIN)
    if data[:4] != b"LASF":
        begins = data[:12].decode("latin-1").encode("unicode_escape").decode("ascii")
        raise CloudError(
            f'begins with "{begins}" where a LAS or LAZ file begins with "LASF"',
            path=path,
            place="byte 0, file signature",
            remedy="Give a LAS, LAZ or COPC file; other formats must be exported to one of these.",
        )
    if len(data) < 227:
        raise CloudError(
            f"is {file_size:,} bytes long; the header alone takes 227", path=path, remedy=COPY_AGAIN
        )
    return Block(path, data, file_size)


def _version_and_size(block: Block) -> tuple[int, int]:
    major, minor = block.data[24], block.data[25]
    if major != 1 or minor not in _BLOCK_SIZE:
        raise block.fault(
            24, "version", f"LAS {major}.{minor} is not read here", "Export it as LAS 1.2, 1.3 or 1.4."
        )
    size = block.get("H", 94)
    if size < _BLOCK_SIZE[minor] or size > block.file_size:
        raise block.fault(
            94,
            "header size",
            f"the header claims to be {size:,} bytes long; LAS 1.{minor} takes {_BLOCK_SIZE[minor]} "
            f"and the file has {block.file_size:,}",
            "The program that wrote it did not finish: export it again.",
        )
    return minor, size


def _layout(block: Block, header_size: int) -> tuple[int, int]:
    offset, records = block.get("I", 96), block.get("I", 100)
    if not header_size <= offset <= block.file_size:
        raise block.fault(
            96,
            "offset to points",
            f"the points are said to begin at byte {offset:,}, but the header ends at {header_size:,} "
            f"and the file at {block.file_size:,}",
            COPY_AGAIN,
        )
    room = (offset - header_size) // RECORD_HEAD
    if records > room:
        raise block.fault(
            100,
            "number of variable length records",
            f"{records:,} records are claimed; before the points there is room for {room:,} at most",
        )
    return offset, records


def _format(block: Block) -> tuple[int, bool, int]:
    """Point format, whether compressed (bit 7, by LASzip's convention), bytes per record."""
    stored = block.data[104]
    point_format = stored & 0x7F
    if point_format >= len(_RECORD_SIZE):
        raise block.fault(
            104, "point format", f"point format {stored} is unknown", "Export it as a format from 0 to 10."
        )
    length = block.get("H", 105)
    if length < _RECORD_SIZE[point_format]:
        raise block.fault(
            105,
            "point record length",
            f"a point is said to take {length} bytes; format {point_format} takes "
            f"{_RECORD_SIZE[point_format]} at least",
        )
    return point_format, bool(stored & 0x80), length


def _counts(block: Block, minor: int, remarks: list[str]) -> tuple[int, tuple[int, ...]]:
    legacy = block.get("I", 107)
    if minor >= 4:
        count = block.get("Q", 247)
        by_return = struct.unpack_from("<15Q", block.data, 255)
        if legacy and count and legacy != count:
            remarks.append(
                f"The header gives two counts: {count:,} points, and {legacy:,} in the field kept for older "
                "readers. The first was held against the points."
            )
    else:
        count, by_return = legacy, struct.unpack_from("<5I", block.data, 111)
    if count == 0:
        extra = f" (the field for older readers says {legacy:,})" if legacy else ""
        raise block.fault(
            247 if minor >= 4 else 107,
            "number of points",
            f"the cloud is empty: its header promises 0 points{extra}",
            "Give the file that holds the points.",
        )
    summed = sum(by_return)
    # Return numbers above 5 have no field before LAS 1.4, so fewer is ordinary there.
    if summed > count or (0 < summed < count and minor >= 4):
        remarks.append(f"The header's counts by return add up to {summed:,}, its points to {count:,}.")
    return count, tuple(int(n) for n in by_return)


def _scales_and_offsets(block: Block, remarks: list[str]) -> tuple[Triple, Triple]:
    scales, offsets = block.reals(131, 3), block.reals(155, 3)
    for axis, scale, offset, at in zip("XYZ", scales, offsets, (0, 8, 16), strict=True):
        if not math.isfinite(scale) or scale == 0:
            raise block.fault(131 + at, f"{axis} scale", f"the scale is {scale}; no coordinate can be formed")
        if not _FINEST_SCALE <= scale <= _COARSEST_SCALE:
            raise block.fault(
                131 + at,
                f"{axis} scale",
                f"the scale is {scale:g}: coordinates in steps of {scale:g} cannot be a survey",
            )
        if not math.isfinite(offset):
            raise block.fault(
                155 + at, f"{axis} offset", f"the offset is {offset}; no coordinate can be formed"
            )
    if max(scales) > _COARSE_SCALE:
        remarks.append(f"Coordinates are stored in steps of {max(scales):g} units, which is coarse.")
    return _triple(scales), _triple(offsets)


def _box(block: Block, scales: Triple, offsets: Triple) -> tuple[Triple, Triple]:
    values = block.reals(179, 6)  # max X, min X, max Y, min Y, max Z, min Z
    for k, axis in enumerate("XYZ"):
        high, low, at = values[2 * k], values[2 * k + 1], 179 + 16 * k
        if not (math.isfinite(high) and math.isfinite(low)):
            raise block.fault(at, f"box in {axis}", f"the header's box runs from {low} to {high}")
        if low > high:
            raise block.fault(
                at, f"box in {axis}", f"the header's box is inside out: minimum {low:g}, maximum {high:g}"
            )
        # Coordinates are 32-bit integers times the scale plus the offset: what they cannot reach
        # cannot be the extent of the points. One unit is allowed for rounding.
        reach = (2.0**31 + 1) * scales[k]
        if low < offsets[k] - reach or high > offsets[k] + reach:
            raise block.fault(
                at,
                f"box in {axis}",
                f"the header's box runs from {low:.12g} to {high:.12g}, which no point can reach with scale "
                f"{scales[k]:g} and offset {offsets[k]:.12g}: scale and box contradict each other",
            )
    return _triple(values[1::2]), _triple(values[0::2])


def _extended(block: Block, file: BinaryIO, offset_to_points: int) -> list[tuple[str, int, bytes]]:
    start, claimed = block.get("Q", 235), block.get("I", 243)
    if claimed == 0:
        return []
    if not offset_to_points <= start <= block.file_size - claimed * EXTENDED_HEAD:
        raise block.fault(
            235,
            "start of extended records",
            f"{claimed:,} extended records are said to begin at byte {start:,}; the file has "
            f"{block.file_size:,}",
            COPY_AGAIN,
        )
    return walk_records(block, file, start, claimed, block.file_size, extended=True)


def _dimension_names(path: Path, file: BinaryIO) -> tuple[str, ...]:
    import laspy

    file.seek(0)
    with lower_level_faults(path, "reading the header's records", EXPORT_AGAIN):
        return tuple(laspy.LasHeader.read_from(file, read_evlrs=False).point_format.dimension_names)


def _creation_date(block: Block) -> date | None:
    day, year = block.get("H", 90), block.get("H", 92)
    if not (1 <= day <= 366 and 1980 <= year <= 9998):
        return None
    return date(year, 1, 1) + timedelta(days=day - 1)


def _data(records: list[tuple[str, int, bytes]], number: int) -> bytes | None:
    return next((data for user, own, data in records if user == "LASF_Projection" and own == number), None)


def _triple(values: tuple[float, ...]) -> Triple:
    return values[0], values[1], values[2]
