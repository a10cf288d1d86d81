"""How many places a number of checkpoints stands at. Beside the standards, before their rules.

A standard's number of checkpoints is a number of independent places: a point that is listed twice,
or occupied again under another name, tells nothing new of the cloud.
"""

from __future__ import annotations

from collections import defaultdict
from math import floor, hypot

from accuracy.model import SAME_PLACE_M, FloatArray

SAME_HEIGHT_M = 1.0
"""Points above one another by more than this are two surfaces: a bridge and the road under it (common
practice, no source)."""


def count_places(positions_m: FloatArray) -> int:
    """Places among (n, 3) eastings, northings and heights, metres.

    A point nearer than 5 cm in plan and a metre in height to a place already counted is no new one.
    """
    taken: dict[tuple[int, int], list[tuple[float, float, float]]] = defaultdict(list)
    places = 0
    for east, north, height in positions_m.tolist():
        column, row = floor(east / SAME_PLACE_M), floor(north / SAME_PLACE_M)
        around = (
            place for i in (-1, 0, 1) for j in (-1, 0, 1) for place in taken.get((column + i, row + j), ())
        )
        if any(
            hypot(east - e, north - n) < SAME_PLACE_M and abs(height - h) <= SAME_HEIGHT_M
            for e, n, h in around
        ):
            continue
        taken[column, row].append((east, north, height))
        places += 1
    return places
