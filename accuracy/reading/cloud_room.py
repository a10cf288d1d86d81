"""Whether a plain LAS file holds the points that its header promises, no more or less. Before cloud_header.

Layout: LAS 1.4 R15, table 3 (ASPRS 2019): after the points only a waveform packet record (from LAS
1.3 on) and extended records (from LAS 1.4 on) may stand, and the header says where they begin.
"""

from __future__ import annotations

from typing import BinaryIO

import numpy as np

from accuracy.reading.cloud_records import COPY_AGAIN, HEADER_BEHIND, Block

Triple = tuple[float, float, float]

_SAMPLE = 1_000
"""Records looked at behind the promised ones: enough to tell points from padding."""


def check_room(
    block: Block,
    file: BinaryIO,
    *,
    minor: int,
    offset_to_points: int,
    point_count: int,
    record_length: int,
    scales: Triple,
    offsets: Triple,
    minimum: Triple,
    maximum: Triple,
) -> tuple[str, ...]:
    """Remarks on bytes behind the last promised point that hold no point.

    Raises CloudError, naming the field of the count, where the file has no room for the promised
    points, and where more points stand behind them.
    """
    field = 247 if minor >= 4 else 107, "number of points"
    end = offset_to_points + point_count * record_length
    until = _end_of_points(block, minor, end)
    if end > until:
        room = (until - offset_to_points) // record_length
        what = "it is cut short" if until == block.file_size else f"extended records begin at byte {until:,}"
        raise block.fault(
            *field,
            f"the header promises {point_count:,} points, the file has room for {room:,}: {what}",
            COPY_AGAIN,
        )
    left, more = until - end, (until - end) // record_length
    if not more:
        return ()
    file.seek(end)
    read = min(more, _SAMPLE)
    records = np.frombuffer(file.read(read * record_length), dtype=np.uint8).reshape(read, record_length)
    stored = np.ascontiguousarray(records[:, :12]).view("<i4")
    place = stored * np.array(scales) + np.array(offsets)
    # The box may leave out what the count leaves out, so ten boxes to each side are looked at: text or
    # noise lands in them once in a million, and zeros are padding.
    low, high = np.array(minimum), np.array(maximum)
    reach = 10 * (high - low) + 100.0
    near = ((place >= low - reach) & (place <= high + reach)).all(axis=1) & records.any(axis=1)
    if 2 * np.count_nonzero(near) >= read:
        raise block.fault(
            *field,
            f"the header promises {point_count:,} points, the file holds {point_count + more:,}: "
            f"{more:,} more records stand from byte {end:,} on",
            HEADER_BEHIND,
        )
    return (f"After the last promised point stand {left:,} more bytes, no points; they were not read.",)


def _end_of_points(block: Block, minor: int, end: int) -> int:
    """The byte before which every point must end: where something else begins, or the file ends."""
    limits = [block.file_size]
    if minor >= 4 and block.get("I", 243):
        limits.append(block.get("Q", 235))
    if minor >= 3:
        waveforms = block.get("Q", 227)
        # Many writers leave nonsense here; only a place behind the points can be one.
        if end <= waveforms <= block.file_size:
            limits.append(waveforms)
    return min(limits)
