"""The raw public header block and the records behind it, checked for room. Before cloud_header.

Layout: LAS 1.4 R15, tables 3 to 5 (ASPRS 2019); the compression record: LASzip's own description.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from accuracy.errors import AccuracyError, CloudError

COPY_AGAIN = "Copy the file again from its source, or export it again."
EXPORT_AGAIN = "Export the cloud again from the program that made it."
HEADER_BEHIND = "The program that wrote it did not bring its header up to date: export the cloud again."

RECORD_HEAD, EXTENDED_HEAD = 54, 60
"""Bytes before the data of a record and of an extended record."""

_LARGEST_RECORD = 1_000_000


@contextmanager
def lower_level_faults(path: Path, doing: str, remedy: str = COPY_AGAIN) -> Iterator[None]:
    """Turn whatever a library raises into a CloudError that names the file.

    The LAZ decoder panics with an exception that derives from BaseException, so that is what must
    be caught; an interrupt by the user still passes.
    """
    try:
        yield
    except (AccuracyError, KeyboardInterrupt, SystemExit, GeneratorExit):
        raise
    except BaseException as fault:
        words = (str(fault).strip().splitlines() or [type(fault).__name__])[0]
        raise CloudError(f"{doing} failed ({words})", path=path, remedy=remedy) from fault


class Block:
    """The public header block and the means to complain about one of its fields."""

    def __init__(self, path: Path, data: bytes, file_size: int) -> None:
        self.path, self.data, self.file_size = path, data, file_size

    def get(self, code: str, at: int) -> int:
        """The integer of struct's ``code`` at a byte."""
        return int(struct.unpack_from("<" + code, self.data, at)[0])

    def reals(self, at: int, count: int) -> tuple[float, ...]:
        """``count`` doubles from a byte on."""
        return struct.unpack_from(f"<{count}d", self.data, at)

    def text(self, at: int, size: int) -> str:
        """A text field, to its first zero byte."""
        return self.data[at : at + size].split(b"\0")[0].decode("latin-1").strip()

    def fault(self, at: int, field: str, what: str, remedy: str = EXPORT_AGAIN) -> CloudError:
        """The error that names a field of this block."""
        return CloudError(what, path=self.path, place=f"byte {at}, {field}", remedy=remedy)


def walk_records(
    block: Block, file: BinaryIO, at: int, count: int, end: int, *, extended: bool
) -> list[tuple[str, int, bytes]]:
    """The records that matter here (coordinate system, LAZ, COPC), after checking the room of all."""
    head_size, kind = (EXTENDED_HEAD, "extended record") if extended else (RECORD_HEAD, "record")
    found = []
    for number in range(1, count + 1):
        file.seek(at)
        head = file.read(head_size)
        if at + head_size > end or len(head) < head_size:
            raise block.fault(
                at, f"{kind} {number} of {count}", f"the {kind} runs past byte {end:,}", COPY_AGAIN
            )
        user = head[2:18].split(b"\0")[0].decode("latin-1")
        record_id, length = struct.unpack_from("<HQ" if extended else "<HH", head, 18)
        at += head_size
        if length > end - at:
            raise block.fault(
                at - head_size,
                f"{kind} {number} of {count}",
                f'{kind} "{user}" {record_id} claims {length:,} bytes where {end - at:,} are left',
                COPY_AGAIN,
            )
        if user in ("LASF_Projection", "laszip encoded", "copc") and length <= _LARGEST_RECORD:
            found.append((user, int(record_id), file.read(length)))
        at += length
    return found


def check_compressor(block: Block, record: bytes | None, record_length: int) -> None:
    """The LASzip record: what the decoder here can read, and sizes that add up."""
    if record is None or len(record) < 34:
        raise CloudError(
            "the points are marked as compressed but the record that says how is missing",
            path=block.path,
            remedy=EXPORT_AGAIN,
        )
    compressor, coder = struct.unpack_from("<HH", record, 0)
    items = struct.unpack_from("<H", record, 32)[0]
    if compressor not in (2, 3) or coder != 0:
        major, minor = record[4], record[5]
        raise CloudError(
            f"the points were compressed by LASzip {major}.{minor} in a way (compressor {compressor}, coder "
            f"{coder}) that is no longer read",
            path=block.path,
            remedy="Decompress it to LAS, or compress it again with a present-day program.",
        )
    if len(record) < 34 + 6 * items:
        raise CloudError("the compression record is cut short", path=block.path, remedy=COPY_AGAIN)
    size = sum(struct.unpack_from("<HHH", record, 34 + 6 * k)[1] for k in range(items))
    if size != record_length:
        raise CloudError(
            f"the compression record describes points of {size} bytes, the header points of {record_length}",
            path=block.path,
            remedy=EXPORT_AGAIN,
        )
