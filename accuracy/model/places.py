"""At how many places a number of checkpoints stands: for the summary and for the standards.

A point that is listed twice, or occupied again under another name, tells nothing new of the cloud: the
points near it and their error are the same. Figures such as the mean and the RMSE are those of every
checkpoint listed; numbers of checkpoints, and what intervals rest on, are numbers of places.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property
from math import floor, hypot

import numpy as np

from accuracy.model.arrays import FloatArray, IntArray
from accuracy.model.survey import SAME_PLACE_M

SAME_HEIGHT_M = 1.0
"""Points above one another by more than this are two surfaces: a bridge and the road under it (common
practice, no source)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Places:
    """Which of n checkpoints share a place."""

    of_each: IntArray
    """(n,) the place of each checkpoint, counted from 0."""

    @property
    def count(self) -> int:
        """How many places there are."""
        return int(self.first.size)

    @cached_property
    def first(self) -> IntArray:
        """(places,) one checkpoint of each place, the first in their order; all n where none is shared."""
        first: IntArray = np.sort(np.unique(self.of_each, return_index=True)[1])
        return first

    @cached_property
    def members(self) -> tuple[tuple[int, ...], ...]:
        """The checkpoints of each place, places in the order of their first."""
        found: dict[int, list[int]] = defaultdict(list)
        for index, place in enumerate(self.of_each.tolist()):
            found[place].append(index)
        return tuple(tuple(one) for one in found.values())

    @cached_property
    def effective(self) -> float:
        """How many independent residuals the n are worth where those of one place are one and the same.

        n^2 / sum of k^2 over places with k checkpoints (Kish 1965, Survey Sampling, 11.7; from memory): n
        where none is shared, half of n where each is listed twice, never more than the places. It is
        n^2 / sum R^2 of ``correlation`` with R = 1 within a place and 0 between them.
        """
        shared = np.bincount(self.of_each).astype(np.float64)
        n = float(self.of_each.size)
        return n**2 / float(shared @ shared) if n else 0.0

    def sums(self, values: FloatArray) -> FloatArray:
        """(places,) the sum of (n,) values at each."""
        return np.bincount(self.of_each, weights=values).astype(np.float64, copy=False)


def alone(n: int) -> Places:
    """Each of n checkpoints at a place of its own."""
    return Places(of_each=np.arange(n, dtype=np.int64))


def places(positions_m: FloatArray) -> Places:
    """Who shares a place among (n, 3) eastings, northings and heights, metres, whatever their order.

    From west to east: a point nearer than 5 cm in plan and a metre in height to the first of a place
    stands there.
    """
    taken: dict[tuple[int, int], list[tuple[float, float, float, int]]] = defaultdict(list)
    of_each = np.empty(positions_m.shape[0], dtype=np.int64)
    found = 0
    for index in np.lexsort(positions_m.T[::-1]).tolist():
        east, north, height = positions_m[index].tolist()
        column, row = floor(east / SAME_PLACE_M), floor(north / SAME_PLACE_M)
        around = (
            place for i in (-1, 0, 1) for j in (-1, 0, 1) for place in taken.get((column + i, row + j), ())
        )
        here = next(
            (
                number
                for e, n, h, number in around
                if hypot(east - e, north - n) < SAME_PLACE_M and abs(height - h) <= SAME_HEIGHT_M
            ),
            None,
        )
        if here is None:
            taken[column, row].append((east, north, height, found))
            here, found = found, found + 1
        of_each[index] = here
    return Places(of_each=of_each)


def count_places(positions_m: FloatArray) -> int:
    """How many places (n, 3) eastings, northings and heights are."""
    return places(positions_m).count
