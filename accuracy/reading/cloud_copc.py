"""The parts of a COPC file that lie near the checkpoints. After cloud_header, used by cloud.

A COPC file is a LAZ file whose chunks are the nodes of an octree, so that a patch can be read
without decompressing the rest. Layout: COPC specification 1.0 (copc.io), "info VLR" and
"hierarchy VLR". The hierarchy is read here and not by laspy, which follows a page that points to
itself for ever; one pass over the nodes also decompresses none of them twice.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from accuracy.errors import CloudError
from accuracy.model import BoolArray, FloatArray
from accuracy.reading.cloud_header import CloudHeader
from accuracy.reading.cloud_laz import check_layers
from accuracy.reading.cloud_records import COPY_AGAIN, EXPORT_AGAIN, lower_level_faults

_ENTRY = np.dtype(
    [("level", "<i4"), ("key", "<i4", 3), ("offset", "<u8"), ("byte_size", "<i4"), ("points", "<i4")]
)
_INFO = struct.Struct("<5d2Q")  # centre, half size, spacing, root page's offset and size
_DEEPEST_LEVEL = 30


@dataclass(frozen=True, kw_only=True, eq=False)
class CopcNodes:
    """The octree's nodes that hold points; arrays are (m,) or (m, 3), lengths in the file's units."""

    low: FloatArray
    high: FloatArray
    offset: NDArray[np.uint64]
    byte_size: NDArray[np.int32]
    points: NDArray[np.int32]

    def near(self, boxes: FloatArray) -> BoolArray:
        """Which nodes touch any of the plan ``boxes`` (k, 4: west, south, east, north)."""
        touched = np.zeros(len(self.points), dtype=bool)
        for west, south, east, north in boxes:
            touched |= (
                (self.low[:, 0] <= east)
                & (self.high[:, 0] >= west)
                & (self.low[:, 1] <= north)
                & (self.high[:, 1] >= south)
            )
        return touched


def read_nodes(header: CloudHeader, file: BinaryIO) -> CopcNodes:
    """All nodes of the hierarchy, held against the header's count and the file's size.

    The nodes' counts must add up to the header's: that is how a COPC file of which only a part is
    decompressed is still counted. Raises CloudError otherwise.
    """
    info = header.storage_records[("copc", 1)]
    if len(info) < _INFO.size:
        raise CloudError("the COPC information record is cut short", path=header.path, remedy=COPY_AGAIN)
    x, y, z, half, _spacing, root_offset, root_size = _INFO.unpack_from(info)
    if not (np.all(np.isfinite([x, y, z, half])) and half > 0):
        raise CloudError(
            f"the COPC octree has its centre at ({x:g}, {y:g}, {z:g}) and half its size is {half:g}",
            path=header.path,
            remedy=EXPORT_AGAIN,
        )
    entries = _read_pages(header, file, root_offset, root_size)
    entries = entries[entries["points"] > 0]
    total = int(entries["points"].sum(dtype=np.int64))
    if total != header.point_count:
        raise CloudError(
            f"the header promises {header.point_count:,} points, the COPC hierarchy lists {total:,}",
            path=header.path,
            remedy=EXPORT_AGAIN,
        )
    end = entries["offset"].astype(np.float64) + entries["byte_size"]
    if np.any(entries["byte_size"] <= 0) or np.any(end > header.file_size):
        raise CloudError(
            f"the COPC hierarchy lists points at byte {end.max():,.0f}; the file has "
            f"{header.file_size:,} bytes",
            path=header.path,
            remedy=COPY_AGAIN,
        )
    if np.any((entries["level"] < 0) | (entries["level"] > _DEEPEST_LEVEL)):
        raise CloudError("the COPC hierarchy has impossible levels", path=header.path, remedy=EXPORT_AGAIN)
    side = 2 * half / 2.0 ** entries["level"].astype(np.float64)
    low = np.array([x, y, z]) - half + entries["key"] * side[:, np.newaxis]
    return CopcNodes(
        low=low,
        high=low + side[:, np.newaxis],
        offset=entries["offset"],
        byte_size=entries["byte_size"],
        points=entries["points"],
    )


def _read_pages(header: CloudHeader, file: BinaryIO, offset: int, size: int) -> NDArray[Any]:
    waiting, seen, found = [(offset, size)], set(), []
    while waiting:
        offset, size = waiting.pop()
        if offset in seen:
            raise CloudError(
                f"the COPC hierarchy refers twice to its page at byte {offset:,}",
                path=header.path,
                remedy=EXPORT_AGAIN,
            )
        seen.add(offset)
        if size <= 0 or size % _ENTRY.itemsize or offset + size > header.file_size:
            raise CloudError(
                f"a COPC hierarchy page of {size:,} bytes is said to stand at byte {offset:,}; the file has "
                f"{header.file_size:,} bytes",
                path=header.path,
                remedy=COPY_AGAIN,
            )
        file.seek(offset)
        page = np.frombuffer(file.read(size), dtype=_ENTRY)
        found.append(page[page["points"] >= 0])
        waiting += [(int(e["offset"]), int(e["byte_size"])) for e in page[page["points"] < 0]]
    return np.concatenate(found)


def stream_nodes(header: CloudHeader, file: BinaryIO, boxes: FloatArray, selection: Any) -> Iterator[Any]:
    """The points of every node that touches a box, node by node, in the order of the file.

    Yields laspy point records. A node whose points lie outside its own cube is refused: the tree could
    not be trusted to find the points near a checkpoint.
    """
    import laspy
    import lazrs
    from laspy.point.record import PackedPointRecord, ScaleAwarePointRecord

    with lower_level_faults(header.path, "reading the COPC hierarchy"):
        nodes = read_nodes(header, file)
        file.seek(0)
        las_header = laspy.LasHeader.read_from(file, read_evlrs=False)
    laszip = header.storage_records[("laszip encoded", 22204)]
    chosen = np.flatnonzero(nodes.near(boxes))
    for node in chosen[np.argsort(nodes.offset[chosen], kind="stable")]:
        count, size = int(nodes.points[node]), int(nodes.byte_size[node])
        place = f"COPC node at byte {int(nodes.offset[node]):,}"
        file.seek(int(nodes.offset[node]))
        packed = file.read(size)
        check_layers(header, packed, size, count, place)
        with lower_level_faults(header.path, f"decompressing the {place}"):
            raw = np.zeros(count * header.record_length, dtype=np.uint8)
            lazrs.decompress_points_with_chunk_table(
                packed, laszip, raw, [(count, size)], selection.to_lazrs()
            )
            record = PackedPointRecord.from_buffer(raw, las_header.point_format)
        points = ScaleAwarePointRecord(record.array, record.point_format, header.scales, header.offsets)
        for axis, name in enumerate("XYZ"):
            stored_values = points.array[name]
            ends = np.array([stored_values.min(), stored_values.max()]) * header.scales[axis]
            ends += header.offsets[axis]
            slack = 2 * header.scales[axis]
            if ends[0] < nodes.low[node, axis] - slack or ends[1] > nodes.high[node, axis] + slack:
                raise CloudError(
                    f"points lie outside the octree cube that is said to hold them (in {name})",
                    path=header.path,
                    place=place,
                    remedy=EXPORT_AGAIN,
                )
        yield points
