"""Cloud files -> points, chunk by chunk, counted. After cloud_header; before patches.

Nothing is believed that can be counted: the points that come out of a file are held against its
header's number and box before a caller may use what it gathered from them.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from accuracy.errors import CloudError
from accuracy.model import BoolArray, Checkpoint, FloatArray, Progress, no_progress
from accuracy.reading.cloud_copc import stream_nodes
from accuracy.reading.cloud_header import CloudHeader, read_header
from accuracy.reading.cloud_laz import check_chunks
from accuracy.reading.cloud_records import COPY_AGAIN, EXPORT_AGAIN, lower_level_faults
from accuracy.reading.cloud_room import Triple

__all__ = [
    "CloudHeader",
    "checkpoints_in_boxes",
    "cloud_extent",
    "expand_cloud_paths",
    "read_header",
    "read_headers",
    "sha256_of",
    "stream_points",
]

POINTS_PER_CHUNK = 1_000_000
_SUFFIXES = (".las", ".laz")
_HASH_BLOCK = 1 << 22

# laspy logs to the terminal what is refused here in words.
logging.getLogger("laspy").addHandler(logging.NullHandler())


# --------------------------------------------------------------------------- which files


def expand_cloud_paths(paths: Iterable[str | Path]) -> tuple[Path, ...]:
    """The cloud files that ``paths`` name: files as they are, folders with all below them but hidden ones.

    Sorted by path; a file that is named twice, by whatever way, stands once. Raises CloudError for a
    path that does not exist, a file that is not .las or .laz (.copc.laz included), and a folder
    without any.
    """
    found: dict[Path, Path] = {}
    for path in map(Path, paths):
        if path.is_dir():
            inside = [p for p in _clouds_in(path) if not _is_hidden(p, path)]
            if not inside:
                raise CloudError(
                    "the folder holds no .las or .laz file"
                    + (" but hidden ones" if hidden_clouds([path]) else ""),
                    path=path,
                    remedy="Name the folder that holds the tiles, or the files themselves.",
                )
        elif not path.exists():
            raise CloudError("does not exist", path=path, remedy="Check the path.")
        elif path.suffix.lower() not in _SUFFIXES:
            raise CloudError(
                f'the ending "{path.suffix}" is not that of a cloud',
                path=path,
                remedy="Give .las, .laz or .copc.laz files; other formats must be exported to one of these.",
            )
        else:
            inside = [path]
        for file in inside:
            found.setdefault(file.resolve(), file)
    if not found:
        raise CloudError("no cloud was named", remedy="Name at least one .las or .laz file, or a folder.")
    return tuple(sorted(found.values()))


def hidden_clouds(paths: Iterable[str | Path]) -> tuple[Path, ...]:
    """Files in folders that are passed over because their names, or a folder's below, begin with a dot.

    Some systems leave such a companion beside every file that they copy; it holds no points.
    """
    return tuple(
        p for path in map(Path, paths) if path.is_dir() for p in _clouds_in(path) if _is_hidden(p, path)
    )


def _clouds_in(folder: Path) -> list[Path]:
    return sorted(p for p in folder.rglob("*") if p.suffix.lower() in _SUFFIXES and p.is_file())


def _is_hidden(file: Path, folder: Path) -> bool:
    return any(part.startswith(".") for part in file.relative_to(folder).parts)


def read_headers(paths: Iterable[str | Path]) -> tuple[CloudHeader, ...]:
    """The headers of all clouds that ``paths`` name; copies of one cloud are refused.

    A cloud that is there twice (the same bytes under two names, or once plain and once compressed)
    would count every point double. Raises CloudError.
    """
    headers = tuple(read_header(path) for path in expand_cloud_paths(paths))
    refuse_copies(headers)
    return headers


def refuse_copies(headers: Sequence[CloudHeader]) -> None:
    """Raise CloudError where two headers speak of one and the same cloud."""
    first: dict[tuple[Any, ...], CloudHeader] = {}
    for header in headers:
        key = (header.point_count, header.minimum, header.maximum, header.counts_by_return)
        other = first.setdefault(key, header)
        if other is header:
            continue
        same_storage = (other.is_compressed, other.is_copc) == (header.is_compressed, header.is_copc)
        if same_storage and (other.file_size != header.file_size or not _same_bytes(other.path, header.path)):
            continue
        how = (
            "holds the same bytes as"
            if same_storage
            else "holds the same number of points in the same box as"
        )
        raise CloudError(
            f"{how} {other.path}: every point would count twice",
            path=header.path,
            remedy="Name only one of the two.",
        )


def _same_bytes(one: Path, other: Path) -> bool:
    if one.resolve() == other.resolve():
        return True
    with one.open("rb") as a, other.open("rb") as b:
        while True:
            block = a.read(_HASH_BLOCK)
            if block != b.read(_HASH_BLOCK):
                return False
            if not block:
                return True


def sha256_of(path: str | Path, progress: Progress = no_progress) -> str:
    """SHA-256 of a file's bytes in hexadecimal, read block by block. Raises CloudError if unreadable."""
    path = Path(path)
    digest = hashlib.sha256()
    try:
        size, done = path.stat().st_size, 0
        with path.open("rb") as file:
            while block := file.read(_HASH_BLOCK):
                digest.update(block)
                done += len(block)
                progress(f"Fingerprint of {path.name}", done, size)
    except OSError as fault:
        raise CloudError(
            f"cannot be read ({fault.strerror})", path=path, remedy="Check the path, the disk and its rights."
        ) from fault
    return digest.hexdigest()


# --------------------------------------------------------------------------- where they lie


def cloud_extent(headers: Sequence[CloudHeader]) -> tuple[Triple, Triple]:
    """Lowest and highest easting, northing and height of all header boxes, in the files' units."""
    if not headers:
        raise CloudError("no cloud was named", remedy="Name at least one .las or .laz file, or a folder.")
    low = np.min([header.minimum for header in headers], axis=0)
    high = np.max([header.maximum for header in headers], axis=0)
    return (float(low[0]), float(low[1]), float(low[2])), (float(high[0]), float(high[1]), float(high[2]))


def checkpoints_in_boxes(
    headers: Sequence[CloudHeader],
    checkpoints: Sequence[Checkpoint],
    *,
    horizontal_unit_m: float,
    margin_m: float = 0.0,
) -> BoolArray:
    """(files, checkpoints): whether each header's plan box, grown by the margin, holds each checkpoint."""
    east = np.array([c.easting_m for c in checkpoints]) / horizontal_unit_m
    north = np.array([c.northing_m for c in checkpoints]) / horizontal_unit_m
    margin = margin_m / horizontal_unit_m
    low = np.array([h.minimum[:2] for h in headers]).reshape(-1, 2, 1) - margin
    high = np.array([h.maximum[:2] for h in headers]).reshape(-1, 2, 1) + margin
    inside = (low[:, 0] <= east) & (east <= high[:, 0]) & (low[:, 1] <= north) & (north <= high[:, 1])
    return np.asarray(inside, dtype=bool)


# --------------------------------------------------------------------------- their points


def stream_points(
    header: CloudHeader, *, points_per_chunk: int = POINTS_PER_CHUNK, near: FloatArray | None = None
) -> Iterator[Any]:
    """The points of one file as laspy point records, at most ``points_per_chunk`` at a time.

    With ``near`` ((k, 4) plan boxes: west, south, east, north, in the file's units), a COPC file gives
    only the nodes that touch a box; any other file is read whole. What the caller gathered is valid only
    once the stream has ended without an error: count and box are held against the header at its end.

    Raises CloudError when the file cannot be decompressed, holds fewer points than promised, or holds
    points outside its header's box (by more than one step of the scale).
    """
    box = _BoxCheck(header)
    try:
        file = header.path.open("rb")
    except OSError as fault:
        raise CloudError(
            f"cannot be read ({fault.strerror})", path=header.path, remedy="Check the disk and its rights."
        ) from fault
    with file:
        if header.is_copc and near is not None:
            for points in stream_nodes(header, file, near, _selection()):
                box.check(points)
                yield points
        else:
            for points in _stream_all(header, file, points_per_chunk):
                box.check(points)
                yield points
    box.conclude()


def _stream_all(header: CloudHeader, file: BinaryIO, points_per_chunk: int) -> Iterator[Any]:
    import laspy

    backend = laspy.LazBackend.LazrsParallel
    if header.is_compressed:
        with lower_level_faults(header.path, "reading the table of compressed chunks"):
            largest = check_chunks(header, file)
        # The parallel decoder holds whole chunks in memory; a file of one giant chunk is read in series.
        if largest > 2 * POINTS_PER_CHUNK:
            backend = laspy.LazBackend.Lazrs
    file.seek(0)
    with lower_level_faults(header.path, "reading the header"):
        reader = laspy.LasReader(
            file, closefd=False, laz_backend=backend, read_evlrs=False, decompression_selection=_selection()
        )
    read = 0
    while read < header.point_count:
        last = min(read + points_per_chunk, header.point_count)
        with lower_level_faults(header.path, f"reading points {read + 1:,} to {last:,}"):
            points = reader.read_points(points_per_chunk)
        if len(points) == 0:
            break
        read += len(points)
        yield points
    if read != header.point_count:
        raise CloudError(
            f"the header promises {header.point_count:,} points, the file holds {read:,}",
            path=header.path,
            remedy=COPY_AGAIN,
        )


def _selection() -> Any:
    """Fields to decompress: waveforms, angles, infrared and extra bytes are not used here."""
    import laspy

    return (
        laspy.DecompressionSelection.all()
        .skip_scan_angle()
        .skip_user_data()
        .skip_nir()
        .skip_wavepacket()
        .skip_all_extra_bytes()
    )


class _BoxCheck:
    """Holds the points of one file against its header's box."""

    def __init__(self, header: CloudHeader) -> None:
        self._header = header
        self._outside = 0
        self._read = 0
        self._worst = (0.0, "X")

    def check(self, points: Any) -> None:
        outside = None
        for axis, name in enumerate("XYZ"):
            scale, offset = self._header.scales[axis], self._header.offsets[axis]
            # In steps of the scale; one step is rounding (some writers round the box, some the points).
            low = (self._header.minimum[axis] - offset) / scale - 1.001
            high = (self._header.maximum[axis] - offset) / scale + 1.001
            stored = points.array[name]
            beyond = max(low - int(stored.min()), int(stored.max()) - high)
            if beyond > 0:
                now = (stored < low) | (stored > high)
                outside = now if outside is None else outside | now
                if (beyond + 1) * scale > self._worst[0]:
                    self._worst = ((beyond + 1) * scale, name)
        self._read += len(points)
        if outside is not None:
            self._outside += int(np.count_nonzero(outside))

    def conclude(self) -> None:
        if self._outside:
            raise CloudError(
                f"{self._outside:,} of {self._read:,} points read lie outside the box in its header, "
                f"by up to {self._worst[0]:.3g} in {self._worst[1]}",
                path=self._header.path,
                remedy="One of the two is wrong. " + EXPORT_AGAIN,
            )
