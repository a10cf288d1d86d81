"""A patch's points, in a fixed order when asked for, and the sizes and limits a height is measured by.

The ground floor of ``surface``: nothing here decides anything.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from accuracy.model import BoolArray, FloatArray, IntArray, Patch

_COARSE_STEP_M = 0.01
_SAME_HEIGHT_M = 5e-5  # offsets may have been rounded to 10 micrometres


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceSettings:
    """What the measurement of a height goes by. The defaults suit 2 to 20,000 points per square metre.

    Where no source is named the value is our judgement, held by the simulations in the tests.
    """

    wanted_points: int = 200
    """Points sought: with them 6 mm of noise leaves well under 1 mm in the height."""
    fewest_points: int = 10
    most_points: int = 1500
    """More are thinned evenly: they share their errors, so they would add time and no precision."""
    smallest_radius_m: float = 0.2
    """Radius in dense clouds: a few tips of a pole wide, so that the ground's texture averages out."""
    smallest_look_m: float = 0.5
    """Radius within which errors that neighbours share are looked for: twice the smallest of a fit."""
    largest_radius_m: float = 3.0
    """ASPRS Edition 2, 7.12 asks for 3 m between a checkpoint and a break, second-hand."""
    curvature_sigma_per_m: float = 0.2
    """Bending allowed for before the points are asked: a radius of 5 m, tighter than a road's crown."""
    steepest_percent: float = 100.0
    """Above 45 degrees a horizontal error weighs more in the height than the vertical error does."""
    advised_percent: float = 10.0
    """Slope that standards advise for a vertical checkpoint (ASPRS Edition 1, from memory)."""
    roughest_m: float = 0.15
    rough_m: float = 0.05
    largest_uncertainty_m: float = 0.05
    """A height known no better than this says nothing (passes that disagree apart)."""
    nearest_edge_m: float = 0.05
    """An edge nearer than this may lie on either side of the mark: the cloud's own horizontal error."""
    break_within_m: float = 3.0
    """ASPRS Edition 2, 7.12, second-hand."""
    pass_reach_m: float = 0.3
    """Passes further apart in height than this are not taken for the same surface."""
    pass_tolerance_m: float = 0.01
    """A significant difference between passes is flagged from here on."""
    level_reach_m: float = 2.0
    """Where every layer is further from the checkpoint than this, heights no longer tell which it is on."""


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Points as offsets from the checkpoint; all arrays are (n,)."""

    east_m: FloatArray
    north_m: FloatArray
    up_m: FloatArray
    distance_m: FloatArray
    """Horizontal distance from the checkpoint."""
    source_id: IntArray
    time_s: FloatArray | None = None

    def __len__(self) -> int:
        return int(self.distance_m.size)

    def take(self, which: BoolArray | IntArray) -> Points:
        """Those points only, in the order named."""
        return Points(
            self.east_m[which],
            self.north_m[which],
            self.up_m[which],
            self.distance_m[which],
            self.source_id[which],
            None if self.time_s is None else self.time_s[which],
        )

    def count_within(self, radius_m: float) -> int:
        """How many points are no further away than that."""
        return int(np.count_nonzero(self.distance_m <= radius_m))

    def within(self, radius_m: float) -> Points:
        """The points no further away than that, nearest first, each return once.

        Distance leads the order, so that turning a patch changes nothing; the other keys only break
        ties. A return that overlapping tiles deliver twice (same place, time and source) counts once.
        """
        near = self.take(self.distance_m <= radius_m)
        keys = [near.source_id, near.north_m, near.east_m, near.up_m, near.distance_m]
        near = near.take(np.lexsort(keys if near.time_s is None else [near.time_s, *keys]))
        if near.time_s is None or len(near) < 2:
            return near
        repeated = np.ones(len(near) - 1, dtype=bool)
        for values in (near.east_m, near.north_m, near.up_m, near.source_id, near.time_s):
            repeated &= np.diff(values) == 0
        return near.take(np.concatenate([[True], ~repeated]))

    def radius_of(self, count: int) -> float:
        """Distance of the ``count``-th nearest point; there must be as many."""
        return float(np.partition(self.distance_m, count - 1)[count - 1])

    def thinned(self, most: int) -> Points:
        """At most that many, evenly picked in their order."""
        if len(self) <= most:
            return self
        return self.take(np.linspace(0, len(self) - 1, most).astype(np.int64))


def points_of(patch: Patch) -> Points:
    """The patch's points, in the patch's order."""
    east, north, up = (np.asarray(v, dtype=np.float64) for v in (patch.east_m, patch.north_m, patch.up_m))
    time = None
    if patch.gps_time_s is not None and patch.time_kind != "none":
        time = np.asarray(patch.gps_time_s, dtype=np.float64)
    return Points(east, north, up, np.hypot(east, north), np.asarray(patch.source_id, dtype=np.int64), time)


def storage_step_m(height_m: FloatArray) -> float:
    """The step in which heights are stored: the smallest difference among them.

    Where all are equal the step cannot be seen: a centimetre, the coarsest in common use (common
    practice, no source).
    """
    steps = np.diff(np.unique(height_m))
    steps = steps[steps > _SAME_HEIGHT_M]
    return float(np.min(steps)) if steps.size else _COARSE_STEP_M
