"""Proposed places over an area: far from one another, in every quadrant. Beside layout.

Candidates on a grid are taken one by one, each time the one farthest from all places so far
(Gonzalez 1985, Theoretical Computer Science 38, 293-306: never worse than half the best spacing),
with as many per quadrant as its share of the ground and the 20 % rule ask for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from accuracy.model import FloatArray, IntArray
from accuracy.planning.layout import share_out

QUADRANT_SHARE = 0.20
SPACING_SHARE = 0.10
"""ASPRS Edition 1 (2014) C.4 and NSSDA (1998) App. 3-C, from memory: at least 20 % of the points in
each quadrant, at least 10 % of the diagonal between any two."""
_CANDIDATES = 4000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """Places over an area, (n,) each, in an order to walk or drive them."""

    easting_m: FloatArray
    northing_m: FloatArray
    stratum: tuple[str, ...]


def spread_over(
    area: Any,
    strata: Sequence[tuple[str, Any]],
    rest: str,
    numbers: Mapping[str, int],
    *,
    least_spacing_m: float = 0.0,
) -> Spread:
    """Place so many checkpoints in each stratum of a polygon; fewer where it has no room for them.

    Args:
        area: a shapely polygon or multipolygon in metres.
        strata: names and polygons; where they overlap the first has it.
        rest: the name of what lies outside them.
        numbers: how many per stratum.
        least_spacing_m: no two places lie nearer to each other.
    """
    at = _candidates(area)
    names = list(numbers)
    stratum: IntArray = np.full(len(at), names.index(rest) if rest in numbers else -1, dtype=np.int64)
    for one, polygon in reversed(list(strata)):
        covered = shapely.covers(polygon, shapely.points(at))
        stratum[covered] = names.index(one) if one in numbers else -1
    west, south, east, north = area.bounds
    quadrant: IntArray = (at[:, 0] >= (west + east) / 2).astype(np.int64)
    quadrant += 2 * (at[:, 1] >= (south + north) / 2).astype(np.int64)
    # One entry more, always empty, for ground that gets no place.
    left = np.array([*numbers.values(), 0], dtype=np.int64)
    ground = np.bincount(quadrant, minlength=4)
    apart_m2 = SPACING_SHARE**2 * ((east - west) ** 2 + (north - south) ** 2)
    holds = (ground / len(at) * area.area / apart_m2).astype(np.int64)
    room = np.array(_quadrant_room(int(left.sum()), ground.tolist(), holds.tolist()))
    # From the corner of the extent, so that the first place decides nothing else.
    far: FloatArray = -np.hypot(at[:, 0] - west, at[:, 1] - south)
    chosen: list[int] = []
    while left.sum() > 0:
        usable = left[stratum] > 0
        if chosen:
            usable &= (far > 0) & (far >= least_spacing_m)
        within = usable & (room[quadrant] > 0)
        pool = within if within.any() else usable
        if not pool.any():
            break
        pick = int(np.argmax(np.where(pool, far, -np.inf)))
        distance = np.hypot(at[:, 0] - at[pick, 0], at[:, 1] - at[pick, 1])
        far = distance if not chosen else np.minimum(far, distance)
        chosen.append(pick)
        left[stratum[pick]] -= 1
        room[quadrant[pick]] -= 1
    order = _walk(at[chosen]) if chosen else []
    picked = [chosen[k] for k in order]
    return Spread(
        easting_m=at[picked, 0], northing_m=at[picked, 1], stratum=tuple(names[stratum[k]] for k in picked)
    )


def _candidates(area: Any) -> FloatArray:
    west, south, east, north = area.bounds
    pitch = (area.area / _CANDIDATES) ** 0.5
    columns, rows = (max(2, int(np.ceil(size / pitch)) + 1) for size in (east - west, north - south))
    # A sliver of a polygon in a large extent must not ask for a grid of millions.
    shrink = max(1.0, (columns * rows / 400_000) ** 0.5)
    x, y = (
        np.linspace(low, high, max(2, int(count / shrink)))
        for low, high, count in ((west, east, columns), (south, north, rows))
    )
    grid = np.column_stack([one.ravel() for one in np.meshgrid(x, y)])
    # Corners are the farthest places of all, and no grid need meet them.
    grid = np.vstack([grid, shapely.get_coordinates(area)])
    shapely.prepare(area)
    return np.asarray(grid[shapely.covers(area, shapely.points(grid))], dtype=np.float64)


def _quadrant_room(total: int, ground: Sequence[int], holds: Sequence[int]) -> list[int]:
    """How many places each quadrant takes: its share of the ground, but a fifth where it has the room.

    A quadrant too small for a fifth at the advised spacing is not crowded for the sake of the other rule.
    """
    least = int(np.ceil(QUADRANT_SHARE * total - 1e-9))
    found = share_out(total, ground)
    floor = [
        max(share, min(least, hold)) if share < least else least
        for share, hold in zip(found, holds, strict=True)
    ]
    while any(have < need for have, need in zip(found, floor, strict=True)):
        poor = max(range(4), key=lambda k: (floor[k] - found[k], -k))
        rich = max(range(4), key=lambda k: (found[k] - floor[k], -k))
        if found[rich] <= floor[rich]:
            break
        found[poor] += 1
        found[rich] -= 1
    return found


def _walk(at: FloatArray) -> list[int]:
    """An order that goes from each place to the nearest one left, from the west."""
    left = list(range(len(at)))
    here = min(left, key=lambda k: (at[k, 0], at[k, 1]))
    order = [here]
    left.remove(here)
    while left:
        here = min(left, key=lambda k: (float(np.hypot(*(at[k] - at[order[-1]]))), k))
        order.append(here)
        left.remove(here)
    return order
