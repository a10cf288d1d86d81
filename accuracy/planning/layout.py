"""Proposed places along a corridor line. After line_input; positions in, positions out.

Chainage runs from the line's start along its parts, one after the other. Places are spread evenly
inside each stretch (a stratum, or what lies between two), alternate between the verges, and are
drawn to the ends of bends where that keeps their spacing: a rig's heading and roll errors show there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.spatial.distance import pdist, squareform

from accuracy.model import BoolArray, FloatArray

BEND_DEGREES = 20.0
"""A turn of less is not a bend: our judgement, as the other figures here."""
BEND_JOIN_M = 40.0
"""Turns the same way that lie nearer to each other are one bend."""
BEND_TOLERANCE_M = 1.0
"""Wiggles of a digitised or driven line below this are no turns."""
DRAW_SHARE = 0.45
"""A place moves to the end of a bend by at most this share of its spacing."""
_CHORD_M = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """A corridor as parts of (k, 2) easting, northing in metres."""

    parts: tuple[FloatArray, ...]

    @property
    def length_m(self) -> float:
        """Of all parts together, gaps between them left out."""
        return float(sum(_steps_m(part).sum() for part in self.parts))

    @property
    def joints_m(self) -> tuple[float, ...]:
        """Chainages at which one part ends and the next begins, with 0 and the whole length."""
        return (0.0, *np.cumsum([_steps_m(part).sum() for part in self.parts]).tolist())

    def at(self, chainage_m: FloatArray) -> FloatArray:
        """(n, 2) positions at (n,) chainages; those beyond an end are taken at the end."""
        joints = self.joints_m
        found = np.empty((chainage_m.size, 2))
        which = np.clip(np.searchsorted(joints, chainage_m, side="right") - 1, 0, len(self.parts) - 1)
        for number, part in enumerate(self.parts):
            here = which == number
            along = np.concatenate([[0.0], np.cumsum(_steps_m(part))])
            at = np.clip(chainage_m[here] - joints[number], 0.0, along[-1])
            found[here] = np.column_stack([np.interp(at, along, part[:, axis]) for axis in (0, 1)])
        return found

    def leftward(self, chainage_m: FloatArray) -> FloatArray:
        """(n, 2) unit vectors to the left of the line, across a short chord so that corners are halved."""
        joints = np.array(self.joints_m)
        part = np.clip(np.searchsorted(joints, chainage_m, side="right") - 1, 0, len(self.parts) - 1)
        # A chord never reaches into the next part.
        low = np.maximum(chainage_m - _CHORD_M, joints[part])
        high = np.minimum(chainage_m + _CHORD_M, joints[part + 1] - 1e-6)
        ahead = self.at(high) - self.at(low)
        size = np.hypot(*ahead.T)
        ahead[size < 1e-9] = (1.0, 0.0)
        size[size < 1e-9] = 1.0
        return np.asarray(np.column_stack([-ahead[:, 1], ahead[:, 0]]) / size[:, None], dtype=np.float64)


def _steps_m(part: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(*np.diff(part, axis=0).T), dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A piece of the line that lies in one stratum."""

    stratum: str
    from_m: float
    to_m: float

    @property
    def length_m(self) -> float:
        """Of the piece."""
        return self.to_m - self.from_m


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """Places along a line, in order of chainage; all (n,)."""

    easting_m: FloatArray
    northing_m: FloatArray
    chainage_m: FloatArray
    left: BoolArray
    stratum: tuple[str, ...]
    at_bend: BoolArray


def stretches(
    line: Line, pieces: Mapping[str, Sequence[tuple[float, float]]], rest: str
) -> tuple[Stretch, ...]:
    """Cut the line at its strata and joints; where strata overlap the first named one has it."""
    ends = [end for ranges in pieces.values() for one in ranges for end in one]
    cuts = sorted({*line.joints_m, *(min(max(end, 0.0), line.length_m) for end in ends)})
    found: list[Stretch] = []
    for low, high in pairwise(cuts):
        if high - low < 1e-6:
            continue
        middle = (low + high) / 2
        name = next(
            (name for name, ranges in pieces.items() if any(a <= middle <= b for a, b in ranges)), rest
        )
        if found and found[-1].stratum == name and low not in line.joints_m:
            found[-1] = Stretch(stratum=name, from_m=found[-1].from_m, to_m=high)
        else:
            found.append(Stretch(stratum=name, from_m=low, to_m=high))
    return tuple(found)


def bend_ends_m(line: Line) -> FloatArray:
    """Chainages at which bends begin and end, (k,) sorted."""
    import shapely

    ends: list[float] = []
    for part, start in zip(line.parts, line.joints_m, strict=False):
        shape = shapely.LineString(part)
        simple = shapely.get_coordinates(shape.simplify(BEND_TOLERANCE_M))
        if len(simple) < 3:
            continue
        step = np.diff(simple, axis=0)
        turn = np.diff(np.arctan2(step[:, 1], step[:, 0]))
        turn = np.degrees((turn + np.pi) % (2 * np.pi) - np.pi)
        at = start + shapely.line_locate_point(shape, shapely.points(simple[1:-1]))
        first = 0
        for k in range(1, turn.size + 1):
            if k < turn.size and turn[k] * turn[first] > 0 and at[k] - at[k - 1] <= BEND_JOIN_M:
                continue
            if abs(turn[first:k].sum()) >= BEND_DEGREES:
                ends += [float(at[first]), float(at[k - 1])]
            first = k
    return np.unique(np.array(ends, dtype=np.float64))


def share_out(total: int, weights: Sequence[float]) -> list[int]:
    """``total`` split in proportion to the weights, by largest remainders; earlier ones first on ties."""
    if not weights or sum(weights) <= 0:
        return [0] * len(weights)
    exact = [total * weight / sum(weights) for weight in weights]
    whole = [int(one) for one in exact]
    by_rest = sorted(range(len(exact)), key=lambda k: (whole[k] - exact[k], k))
    for k in by_rest[: total - sum(whole)]:
        whole[k] += 1
    return whole


def fits(length_m: float, least_spacing_m: float) -> int:
    """How many places a stretch holds that keeps half a spacing free at either end."""
    return int(length_m / least_spacing_m + 1e-9)


def lay_along(
    line: Line,
    pieces: Sequence[Stretch],
    numbers: Mapping[str, int],
    *,
    bends_m: FloatArray,
    offset_m: tuple[float, float],
    inset_m: float,
    least_spacing_m: float,
    most_spacing_m: float | None = None,
) -> Laid:
    """Place so many checkpoints in each stratum, evenly, alternating between left and right.

    Args:
        numbers: how many per stratum.
        bends_m: (k,) chainages of the ends of bends.
        offset_m: from the line to the places on its left and on its right.
        inset_m: how far the first and the last place lie from the ends of the line.
        least_spacing_m: no two places come nearer to each other along the line by moving to a bend.
        most_spacing_m: nor farther from each other than this.
    """
    chainage, names = _even(line, pieces, numbers, inset_m, least_spacing_m)
    at_bend = np.zeros(chainage.size, dtype=np.bool_)
    room = (least_spacing_m, np.inf if most_spacing_m is None else most_spacing_m)
    for end in bends_m:
        _draw_to(float(end), chainage, at_bend, names, pieces, room)
    left = np.arange(chainage.size) % 2 == 0
    across = np.where(left, offset_m[0], -offset_m[1])
    where = line.at(chainage) + line.leftward(chainage) * across[:, None]
    return Laid(
        easting_m=where[:, 0],
        northing_m=where[:, 1],
        chainage_m=chainage,
        left=left,
        stratum=tuple(names),
        at_bend=at_bend,
    )


def _even(
    line: Line,
    pieces: Sequence[Stretch],
    numbers: Mapping[str, int],
    inset_m: float,
    least_spacing_m: float,
) -> tuple[FloatArray, list[str]]:
    """Chainages in order: evenly inside each stretch, the line's own two ends reached."""
    per_piece: dict[int, int] = {}
    for name, number in numbers.items():
        own = [k for k, piece in enumerate(pieces) if piece.stratum == name]
        # By whole places that fit, so that no short stretch gets more than it holds.
        shared = share_out(number, [fits(pieces[k].length_m, least_spacing_m) for k in own])
        per_piece.update(zip(own, shared, strict=True))
    chainage: list[FloatArray] = []
    names: list[str] = []
    whole = line.length_m
    for k, piece in enumerate(pieces):
        count = per_piece.get(k, 0)
        if count == 0:
            continue
        # Half a spacing free at a border to the next stretch, none at an end of the line.
        low_free = 0.0 if piece.from_m <= 1e-6 else 0.5
        high_free = 0.0 if piece.to_m >= whole - 1e-6 else 0.5
        low = piece.from_m + (0.0 if low_free else min(inset_m, piece.length_m / 4))
        high = piece.to_m - (0.0 if high_free else min(inset_m, piece.length_m / 4))
        step = (high - low) / max(count - 1 + low_free + high_free, 1e-9)
        if count == 1:
            chainage.append(np.array([(low + high) / 2]))
        else:
            chainage.append(np.asarray(low + step * (low_free + np.arange(count)), dtype=np.float64))
        names += [piece.stratum] * count
    return (np.concatenate(chainage) if chainage else np.empty(0)), names


def _draw_to(
    end_m: float,
    chainage: FloatArray,
    at_bend: BoolArray,
    names: Sequence[str],
    pieces: Sequence[Stretch],
    room_m: tuple[float, float],
) -> None:
    """Move the nearest free place to the end of a bend, where its neighbours leave it room."""
    stratum = next((p.stratum for p in pieces if p.from_m <= end_m <= p.to_m), None)
    free = [
        k
        for k in range(1, chainage.size - 1)
        if not at_bend[k] and names[k] == stratum and chainage[k - 1] < end_m < chainage[k + 1]
    ]
    if not free:
        return
    k = min(free, key=lambda j: abs(chainage[j] - end_m))
    before, after = chainage[k - 1], chainage[k + 1]
    spacing = (after - before) / 2
    near, far = sorted((end_m - before, after - end_m))
    if (
        abs(chainage[k] - end_m) <= DRAW_SHARE * spacing
        and near >= max(room_m[0], spacing / 2)
        and far <= room_m[1]
    ):
        chainage[k] = end_m
        at_bend[k] = True


def widest_gap_m(chainage_m: FloatArray, length_m: float) -> float:
    """The longest piece of the line without a place, its ends included."""
    return float(np.diff(np.concatenate([[0.0], np.sort(chainage_m), [length_m]])).max())


def nearest_pair_m(easting_m: FloatArray, northing_m: FloatArray) -> tuple[float, int, int] | None:
    """The distance between the two nearest of (n,) places and their indices; None below two."""
    if easting_m.size < 2:
        return None
    apart = squareform(pdist(np.column_stack([easting_m - easting_m.mean(), northing_m - northing_m.mean()])))
    np.fill_diagonal(apart, np.inf)
    i, j = divmod(int(np.argmin(apart)), easting_m.size)
    return float(apart[i, j]), min(i, j), max(i, j)
