"""Whether a LAZ file's chunks are whole, before they are decompressed. After cloud_header.

The decoder trusts the sizes that a file states: a cut file makes it panic, and one damaged byte makes
it ask for gigabytes. All that is stated is therefore added up first. Layout: LASzip's chunk table and
layered chunks, as its open-source library writes them; verified on every LAZ file of the open data.
"""

from __future__ import annotations

import math
import struct
from typing import BinaryIO

from accuracy.errors import CloudError
from accuracy.reading.cloud_header import CloudHeader
from accuracy.reading.cloud_records import COPY_AGAIN

_LASZIP = ("laszip encoded", 22204)
_LAYERED = 3
# Layers by item type: point, colour, colour with infrared, waveform; extra bytes have one layer each.
_LAYERS = {10: 9, 11: 1, 12: 2, 13: 1}
_EXTRA_BYTES = 14


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
    if not variable:
        most = min(most, math.ceil(header.point_count / max(layout.chunk_size(), 1)) + 1)
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
    at, left = start + 8, header.point_count
    for number, (count, size) in enumerate(sizes, start=1):
        file.seek(at)
        head = file.read(min(size, header.record_length + 4 + 4 * header.record_length))
        check_layers(header, head, size, min(count, left), f"chunk {number:,} of {len(sizes):,}")
        at, left = at + size, left - count
    return max(int(n) for n, _ in sizes)


def check_layers(header: CloudHeader, head: bytes, size: int, count: int, place: str) -> None:
    """Hold one chunk's own statements (its number of points, the sizes of its layers) against it.

    ``head`` is the beginning of the chunk, ``size`` its bytes, ``count`` its points by the table. A
    layered chunk is one raw point, the number of points, the size of each layer, then the layers.
    Older chunks state nothing.
    """
    record = header.storage_records[_LASZIP]
    if struct.unpack_from("<H", record)[0] != _LAYERED:
        return
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
