"""Whether a LAZ file's chunks are whole, before they are decompressed. After cloud_header.

The decoder trusts the sizes that a file states: a cut file makes it panic, and one damaged byte makes
it ask for gigabytes. All that is stated is therefore added up first. Layout: LASzip's chunk table and
layered chunks, as its open-source library writes them; verified on every LAZ file of the open data.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import BinaryIO

from accuracy.errors import CloudError
from accuracy.reading.cloud_header import CloudHeader
from accuracy.reading.cloud_records import COPY_AGAIN, HEADER_BEHIND, lower_level_faults

_LASZIP = ("laszip encoded", 22204)
_LAYERED = 3
# Layers by item type: point, colour, colour with infrared, waveform; extra bytes have one layer each.
_LAYERS = {10: 9, 11: 1, 12: 2, 13: 1}
_EXTRA_BYTES = 14

_NEAR_END, _SLACK = 64, 8
"""Bytes before a chunk's end from which they are given one by one, and zero bytes that an encoder may leave
behind its last point. Those seen here, of LASzip and of lazrs, leave none."""
_MOST_DECODED, _AT_ONCE = 5_000_000, 100_000


def check_chunks(header: CloudHeader, file: BinaryIO) -> int:
    """Largest number of points in a chunk, after holding table and chunks against file and header.

    The points begin with the table's position (8 bytes); the table begins with a version and the
    number of chunks (4 bytes each). Raises CloudError for whatever does not add up.
    """
    import lazrs

    start = header.offset_to_points
    table = _table_position(header, file)
    file.seek(table)
    _version, chunks = struct.unpack("<II", file.read(8))
    layout = lazrs.LazVlr(header.storage_records[_LASZIP])
    variable = layout.uses_variable_size_chunks()
    # Every chunk begins with one uncompressed point, so more chunks than that have no room.
    most = (table - start) // header.record_length + 1
    file.seek(start)
    sizes = lazrs.read_chunk_table(file, layout) if 0 < chunks <= most else []
    points, compressed = sum(n for n, _ in sizes), sum(size for _, size in sizes)
    # A table of fixed chunks counts the last one as if it were full.
    enough = points == header.point_count if variable else points >= header.point_count
    if not enough or compressed != table - start - 8:
        raise CloudError(
            f"the table of compressed chunks lists {chunks:,} chunks, {points:,} points and "
            f"{compressed:,} bytes; the header promises {header.point_count:,} points and the chunks take "
            f"{table - start - 8:,} bytes",
            path=header.path,
            remedy=COPY_AGAIN,
        )
    _refuse_more(header, file, sizes)
    at, left = start + 8, header.point_count
    for number, (count, size) in enumerate(sizes, start=1):
        file.seek(at)
        head = file.read(min(size, header.record_length + 4 + 4 * header.record_length))
        check_layers(header, head, size, min(count, left), f"chunk {number:,} of {len(sizes):,}")
        at, left = at + size, left - count
    return max(int(n) for n, _ in sizes)


def _refuse_more(header: CloudHeader, file: BinaryIO, sizes: Sequence[tuple[int, int]]) -> None:
    """Raise CloudError where the chunks hold more points than the header promises.

    Layered chunks state their points. Of older ones the table tells bytes, and points only where chunks
    vary in size: that all but the last are full follows, how full the last is does not. Whether it goes on
    is seen by what is left of its bytes once the promised points are out. A single point more leaves two
    to ten of them; it is missed only where it is told in so few bits, as one that repeats its neighbour,
    that nothing but the encoder's closing zeros is left. The look is left out where the chunk holds more
    than five million points.
    """
    before, (full, size) = sum(n for n, _ in sizes[:-1]), sizes[-1]
    at = header.offset_to_points + 8 + sum(size for _, size in sizes[:-1])
    left = header.point_count - before
    held = f"{before + 1:,} or more"
    more = left <= 0
    if left > 0 and _is_layered(header):
        file.seek(at + header.record_length)
        stored = before + int.from_bytes(file.read(4), "little")
        held, more = f"{stored:,}", stored > header.point_count
    elif 0 < left < min(full, _MOST_DECODED):
        held, more = "more", _goes_on(_unread(header, file, before, left, at + size))
    if more:
        raise CloudError(
            f"the header promises {header.point_count:,} points, the file holds {held}",
            path=header.path,
            place=f"byte {at:,}, chunk {len(sizes):,}",
            remedy=HEADER_BEHIND,
        )


def _goes_on(unread: bytes) -> bool:
    return len(unread) > _SLACK or any(unread)


class _Trickle:
    """A file that gives the bytes before ``end`` one by one, so that a buffering reader stops where it is."""

    def __init__(self, file: BinaryIO, end: int) -> None:
        self._file, self._near_end = file, end - _NEAR_END

    def read(self, size: int = -1) -> bytes:
        """At most up to near the end, then a byte at a time."""
        most = max(self._near_end - self._file.tell(), 1)
        return self._file.read(min(size, most) if size >= 0 else most)

    def seek(self, offset: int, whence: int = 0) -> int:
        """As the file's own."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """As the file's own."""
        return self._file.tell()


def _unread(header: CloudHeader, file: BinaryIO, first: int, count: int, end: int) -> bytes:
    """The bytes of a chunk, ending at ``end``, that ``count`` points from its ``first`` on leave over.

    Of those further than ``_NEAR_END`` from the end some may be missing.
    """
    import lazrs

    file.seek(header.offset_to_points)
    with lower_level_faults(header.path, f"reading points {first + 1:,} to {first + count:,}"):
        decoder = lazrs.LasZipDecompressor(_Trickle(file, end), header.storage_records[_LASZIP])
        decoder.seek(first)
        for start in range(0, count, _AT_ONCE):
            decoder.decompress_many(bytearray(min(_AT_ONCE, count - start) * header.record_length))
    return file.read(max(end - file.tell(), 0))


def _is_layered(header: CloudHeader) -> bool:
    return bool(struct.unpack_from("<H", header.storage_records[_LASZIP])[0] == _LAYERED)


def check_layers(header: CloudHeader, head: bytes, size: int, count: int, place: str) -> None:
    """Hold one chunk's own statements (its number of points, the sizes of its layers) against it.

    ``head`` is the beginning of the chunk, ``size`` its bytes, ``count`` its points by the table. A
    layered chunk is one raw point, the number of points, the size of each layer, then the layers.
    Older chunks state nothing.
    """
    if not _is_layered(header):
        return
    record = header.storage_records[_LASZIP]
    items = [
        struct.unpack_from("<HH", record, 34 + 6 * k) for k in range(struct.unpack_from("<H", record, 32)[0])
    ]
    layers = sum(item_size if kind == _EXTRA_BYTES else _LAYERS.get(kind, 0) for kind, item_size in items)
    fixed = header.record_length + 4 + 4 * layers
    if len(head) < fixed:
        raise CloudError(
            f"a compressed chunk of {size:,} bytes is too short to hold any point",
            path=header.path,
            place=place,
            remedy=COPY_AGAIN,
        )
    stored, *sizes = struct.unpack_from(f"<{layers + 1}I", head, header.record_length)
    if stored != count or fixed + sum(sizes) != size:
        raise CloudError(
            f"the chunk says that it holds {stored:,} points in {fixed + sum(sizes):,} bytes; the tables say "
            f"{count:,} points in {size:,} bytes",
            path=header.path,
            place=place,
            remedy=COPY_AGAIN,
        )


def _table_position(header: CloudHeader, file: BinaryIO) -> int:
    start = header.offset_to_points
    file.seek(start)
    stored = file.read(8)
    table = struct.unpack("<q", stored)[0] if len(stored) == 8 else -1
    if table <= 0 and header.file_size >= start + 16:
        # A writer that could not seek back puts the position into the last eight bytes.
        file.seek(header.file_size - 8)
        table = struct.unpack("<q", file.read(8))[0]
    if not start + 8 <= table <= header.file_size - 8:
        raise CloudError(
            f"the table of compressed chunks is said to stand at byte {table:,}, but the file has "
            f"{header.file_size:,} bytes: it is cut short or was not finished",
            path=header.path,
            remedy=COPY_AGAIN,
        )
    return int(table)
