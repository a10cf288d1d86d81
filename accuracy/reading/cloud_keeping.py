"""What is kept around one checkpoint while the clouds stream by. After model, used by patches.

All near points are kept and a bounded share of the farther ones. What is kept depends on the points
alone, never on the order in which they arrive.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from accuracy.errors import CloudError, RequestError
from accuracy.model import BoolArray, FloatArray, LeftOut, Patch
from accuracy.reading.cloud_header import WEEK_S, TimeKind

_SHRINK = 0.9
_MOST_SHRINKS = 40
_HASH_STEP_M = 1e-5

POINT = np.dtype(
    [
        ("east", "f8"),
        ("north", "f8"),
        ("up", "f8"),
        ("time", "f8"),
        ("intensity", "u2"),
        ("red", "u2"),
        ("green", "u2"),
        ("blue", "u2"),
        ("source", "u2"),
        ("class", "u1"),
        ("return", "u1"),
        ("returns", "u1"),
    ]
)
KeptPoints = NDArray[np.void]


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchWindow:
    """How much around a checkpoint is kept: all points near it, a bounded share of those farther out.

    Should more than ``whole_limit`` points lie within ``whole_radius_m``, the radius shrinks in steps of
    a tenth until they do not, and the rest joins the outer zone.
    """

    whole_radius_m: float = 1.5
    outer_radius_m: float = 4.0
    outer_limit: int = 20_000
    whole_limit: int = 400_000

    def __post_init__(self) -> None:
        if not 0 < self.whole_radius_m <= self.outer_radius_m or self.outer_limit < 1 or self.whole_limit < 1:
            raise RequestError(
                f"a window of {self.whole_radius_m} m inside {self.outer_radius_m} m, with at most "
                f"{self.whole_limit} and {self.outer_limit} points, is impossible",
                remedy="The inner radius must be positive and not exceed the outer; the limits at least 1.",
            )


def beyond_week(time: FloatArray) -> BoolArray:
    """Times that cannot be seconds of a week; one week's overrun is common practice, no source."""
    return np.asarray((time < -WEEK_S) | (time > 2 * WEEK_S))


@dataclass(eq=False)
class Collector:
    """What has been kept around one checkpoint so far; never more than its limits and one chunk."""

    checkpoint_id: str
    window: PatchWindow
    left_out: Counter[LeftOut] = field(default_factory=Counter)
    time_kinds: set[TimeKind] = field(default_factory=set)
    colours: set[bool] = field(default_factory=set)
    _whole: list[KeptPoints] = field(default_factory=list)
    _whole_count: int = 0
    _shrinks: int = 0
    _outer: KeptPoints = field(default_factory=lambda: np.zeros(0, dtype=POINT))
    _outer_keys: NDArray[np.uint64] = field(default_factory=lambda: np.zeros(0, dtype=np.uint64))
    _outer_seen: int = 0

    @property
    def held(self) -> int:
        """Points in memory."""
        return self._whole_count + len(self._outer)

    @property
    def whole_radius_m(self) -> float:
        """Within this every admitted point is held."""
        return self.window.whole_radius_m * _SHRINK**self._shrinks

    def add(self, points: KeptPoints, path: Path) -> None:
        """Take points that are admitted and within the outer radius."""
        square = points["east"] ** 2 + points["north"] ** 2
        inside = square <= self.whole_radius_m**2
        self._whole.append(points[inside])
        self._whole_count += len(self._whole[-1])
        self._add_outer(points[~inside])
        if self._whole_count > self.window.whole_limit:
            self._shrink(path)

    def _shrink(self, path: Path) -> None:
        """The largest radius of the ladder that holds no more than the limit; the rest moves outwards.

        The counts only grow, so the radius at the end is the same in whatever order points came.
        """
        whole = np.concatenate(self._whole)
        square = whole["east"] ** 2 + whole["north"] ** 2
        while np.count_nonzero(square <= self.whole_radius_m**2) > self.window.whole_limit:
            self._shrinks += 1
            if self._shrinks > _MOST_SHRINKS:
                raise CloudError(
                    f"more than {self.window.whole_limit:,} points lie within {self.whole_radius_m:.3f} m of "
                    f"checkpoint {self.checkpoint_id}: they are stacked upon each other",
                    path=path,
                    remedy="Remove the duplicate points from the cloud.",
                )
        inside = square <= self.whole_radius_m**2
        self._whole, self._whole_count = [whole[inside]], int(np.count_nonzero(inside))
        self._add_outer(whole[~inside])

    def _add_outer(self, points: KeptPoints) -> None:
        """Keep the ``outer_limit`` points with the smallest hashes of all that ever came."""
        self._outer_seen += len(points)
        keys = point_hash(points)
        if len(self._outer) == self.window.outer_limit:
            small = keys < self._outer_keys.max()
            points, keys = points[small], keys[small]
        if not len(points):
            return
        self._outer = np.concatenate([self._outer, points])
        self._outer_keys = np.concatenate([self._outer_keys, keys])
        if len(self._outer) > self.window.outer_limit:
            least = np.argpartition(self._outer_keys, self.window.outer_limit - 1)[: self.window.outer_limit]
            self._outer, self._outer_keys = self._outer[least], self._outer_keys[least]

    def _time_kind(self, time: FloatArray) -> TimeKind:
        """What the times count, by the headers and by their own size; "none" if that is not one thing.

        LAS knows two ways of counting, so times that no week holds are of the other. Many producers
        leave the header's bit unset.
        """
        beyond = beyond_week(time)
        if len(time) and beyond.all() and "none" not in self.time_kinds:
            return "adjusted-gps"
        if len(self.time_kinds) != 1 or ("week-seconds" in self.time_kinds and beyond.any()):
            return "none"
        return next(iter(self.time_kinds))

    def patch(self) -> Patch:
        """The patch in its canonical order: by north, east, up, then the hash of everything."""
        points = np.concatenate([*self._whole, self._outer])
        points = points[np.lexsort((point_hash(points), points["up"], points["east"], points["north"]))]
        self._whole, self._outer = [], points[:0]
        kind = self._time_kind(points["time"])
        # Zero throughout is how LAS says that a field was not recorded.
        coloured = self.colours == {True} and any(points[c].any() for c in ("red", "green", "blue"))
        return Patch(
            checkpoint_id=self.checkpoint_id,
            east_m=points["east"].copy(),
            north_m=points["north"].copy(),
            up_m=points["up"].copy(),
            whole_radius_m=self.whole_radius_m,
            outer_radius_m=self.window.outer_radius_m,
            outer_share=len(self._outer_keys) / self._outer_seen if self._outer_seen else 1.0,
            intensity=points["intensity"].astype(np.float64) if points["intensity"].any() else None,
            red=points["red"].astype(np.float64) if coloured else None,
            green=points["green"].astype(np.float64) if coloured else None,
            blue=points["blue"].astype(np.float64) if coloured else None,
            gps_time_s=points["time"].copy() if kind != "none" else None,
            time_kind=kind,
            classification=points["class"].copy(),
            return_number=points["return"].copy(),
            number_of_returns=points["returns"].copy(),
            source_id=points["source"].copy(),
            left_out={why: self.left_out[why] for why in LeftOut if self.left_out[why]},
        )


def point_hash(points: KeptPoints) -> NDArray[np.uint64]:
    """A 64-bit hash of all that a point is, (n,): equal only for points that are equal in every field.

    Offsets enter in steps of 0.01 mm, so that the last bits of a float do not decide. Mixing function:
    the finalizer of SplitMix64 (Steele, Lea, Flood 2014; constants from memory).
    """
    key = np.zeros(len(points), dtype=np.uint64)
    for name in POINT.names or ():
        values = points[name]
        if name in ("east", "north", "up"):
            bits = np.rint(values / _HASH_STEP_M).astype(np.int64).view(np.uint64)
        elif name == "time":
            bits = (values + 0.0).view(np.uint64)  # adding zero makes one of the two zeros
        else:
            bits = values.astype(np.uint64)
        key = (key ^ bits) + np.uint64(0x9E3779B97F4A7C15)
        key = (key ^ (key >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        key = (key ^ (key >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        key ^= key >> np.uint64(31)
    return key
