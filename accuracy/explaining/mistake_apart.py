"""Gross mistakes, on bare coordinates: what would bring checkpoints onto a cloud that is nowhere near."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

import numpy as np

from accuracy.explaining.mistake_facts import FrameFacts
from accuracy.explaining.mistake_plan import SURVEY_FOOT_EXCESS
from accuracy.explaining.mistake_words import CHECK_BY
from accuracy.explaining.mistake_zones import from_degrees, other_systems
from accuracy.model import BoolArray, FloatArray, Mistake
from accuracy.rounding import MINUS
from accuracy.units import LengthUnit

FOOT_M = LengthUnit.INTERNATIONAL_FOOT.metres
_FEWEST_PART = 3
_LEAST_SHARE = 0.5
_FACTOR_REACH = 1.6e-5
"""Relative: what a geoid height of 100 m, the largest on Earth, does to a combined factor."""
_FACTOR_ROUNDING = 2e-6
"""Relative: a factor rounded to six decimals, or computed some kilometres away."""
_MOST_STEPS = 1000
_ALL = 99.0
"""Score of a change that brings every point onto the cloud, whatever its place in the order."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CloudBoxes:
    """Plan boxes of the cloud's files, metres: (m, 4) west, south, east, north."""

    box_m: FloatArray
    margin_m: float = 1.0

    def holds(self, easting_m: FloatArray, northing_m: FloatArray) -> BoolArray:
        """(n,) whether any box holds each position."""
        west, south, east, north = (side[:, None] for side in self.box_m.T)
        margin = self.margin_m
        inside = (
            (easting_m >= west - margin)
            & (easting_m <= east + margin)
            & (northing_m >= south - margin)
            & (northing_m <= north + margin)
        )
        return np.asarray(inside.any(axis=0))

    def far_off(self, easting_m: FloatArray, northing_m: FloatArray) -> BoolArray:
        """(n,) whether each position lies farther off than the cloud is long, and a kilometre at least.

        Nearer ones may be honest points of a road that goes on.
        """
        west, south, east, north = self.whole_m
        reach = max(1000.0, float(np.hypot(east - west, north - south)))
        away_east = np.maximum(np.maximum(west - easting_m, easting_m - east), 0)
        away_north = np.maximum(np.maximum(south - northing_m, northing_m - north), 0)
        return np.asarray(np.hypot(away_east, away_north) > reach)

    def apart(self, easting_m: FloatArray, northing_m: FloatArray) -> BoolArray:
        """(n,) the rows to be explained: those far off where there are some, or else all off the cloud.

        Of a table that lies partly on the cloud fewer than three are none: they land in a box by chance.
        """
        on, far = self.holds(easting_m, northing_m), self.far_off(easting_m, northing_m)
        if on.any() and far.sum() >= _FEWEST_PART:
            return far
        return ~on if not on.any() or (~on).sum() >= _FEWEST_PART else np.zeros_like(on)

    @property
    def whole_m(self) -> tuple[float, float, float, float]:
        """West, south, east and north of all boxes together."""
        low, high = self.box_m[:, :2].min(axis=0), self.box_m[:, 2:].max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])


@dataclass(frozen=True, slots=True, eq=False)
class _Change:
    """Coordinates as they would be, (n,) metres, and the words for it."""

    kind: str
    easting_m: FloatArray
    northing_m: FloatArray
    words: str
    size: float | None = None
    unit: str | None = None


def find_apart(
    boxes: CloudBoxes,
    easting_m: FloatArray,
    northing_m: FloatArray,
    *,
    frame: FrameFacts,
    table_unit: LengthUnit = LengthUnit.METRE,
) -> tuple[Mistake, ...]:
    """What would bring the checkpoints that lie off the cloud onto it, most likely first.

    Args:
        boxes: the headers' plan boxes.
        easting_m, northing_m: (n,) as read, in metres.
        frame: the cloud's; without a coordinate system no other zone can be tried.
        table_unit: what the table's numbers were taken to be in.

    Returns: one suggestion per change that brings at least half of the points that lie off the cloud
    onto it; each ``evidence`` reads on from "no checkpoint lies on the cloud": "They would, if ...".
    Empty where all lie on the cloud already or nothing helps.
    """
    on = boxes.holds(easting_m, northing_m)
    off = boxes.apart(easting_m, northing_m)
    total = int(off.sum())
    if not total:
        return ()
    east, north = easting_m[off], northing_m[off]
    found: list[Mistake] = []
    # The register of systems is searched, which takes seconds, only where every point lies off the cloud
    # and nothing simpler brings all onto it.
    tried = chain(
        ((change, False) for change in _simple(boxes, east, north, frame, table_unit)),
        ((change, True) for change in _zones(boxes, east, north, frame)),
    )
    for rank, (change, last_resort) in enumerate(tried):
        if last_resort and (on.any() or any(one.score > _ALL for one in found)):
            break
        held = int(boxes.holds(change.easting_m, change.northing_m).sum())
        if held < _LEAST_SHARE * total:
            continue
        of_what = (
            f"{held} of {total} checkpoints"
            if not on.any()
            else f"{held} of the {total} checkpoints that lie off the cloud"
        )
        found.append(
            Mistake(
                kind=change.kind,
                size=change.size,
                size_unit=change.unit,
                evidence=f"They would, if {change.words}: {of_what} then lie on it.",
                check_by=CHECK_BY[change.kind],
                # By the share that lands on the cloud; among equals the commoner mistake goes first.
                score=100.0 * held / total - 0.001 * rank,
                rests_on="cloud",
            )
        )
    # One word per kind: realisations and roundings of one mistake are not mistakes of their own.
    best: dict[str, Mistake] = {}
    for mistake in sorted(found, key=lambda one: -one.score):
        best.setdefault(mistake.kind, mistake)
    return tuple(best.values())


def _simple(
    boxes: CloudBoxes, east: FloatArray, north: FloatArray, frame: FrameFacts, table_unit: LengthUnit
) -> Iterator[_Change]:
    yield _Change("axes_swapped", north, east, "easting and northing were swapped")
    yield from _units(east, north)
    yield from _ground(boxes, east, north, frame)
    yield from _degrees(east, north, frame, table_unit)
    yield from _false_eastings(east, north, frame)
    yield from _digits(boxes, east, north)
    yield from _signs(east, north)
    for share, words in ((FOOT_M, "were feet"), (1 / FOOT_M, "were metres, not feet")):
        yield _Change(
            "axes_swapped",
            north * share,
            east * share,
            f"easting and northing were swapped and the table's coordinates {words}",
        )


def _units(east: FloatArray, north: FloatArray) -> Iterator[_Change]:
    yield _Change(
        "feet_for_metres",
        east * FOOT_M,
        north * FOOT_M,
        "the table's coordinates, taken as metres, were feet (or the cloud's, taken as feet, were metres)",
        FOOT_M,
        "ratio",
    )
    yield _Change(
        "feet_for_metres",
        east / FOOT_M,
        north / FOOT_M,
        "the table's coordinates, taken as feet, were metres (or the cloud's, taken as metres, were feet)",
        1 / FOOT_M,
        "ratio",
    )
    yield _Change(
        "survey_foot",
        east * (1 + SURVEY_FOOT_EXCESS),
        north * (1 + SURVEY_FOOT_EXCESS),
        "the table's feet were US survey feet and not international feet",
        SURVEY_FOOT_EXCESS * 1e6,
        "ppm",
    )
    yield _Change(
        "survey_foot",
        east / (1 + SURVEY_FOOT_EXCESS),
        north / (1 + SURVEY_FOOT_EXCESS),
        "the table's feet were international feet and not US survey feet",
        -SURVEY_FOOT_EXCESS * 1e6,
        "ppm",
    )


def _ground(boxes: CloudBoxes, east: FloatArray, north: FloatArray, frame: FrameFacts) -> Iterator[_Change]:
    """Ground and grid, scaled about the origin of the grid with the combined or the scale factor alone."""
    scale, combined = frame.grid_scale, frame.combined_factor
    if scale is None or combined is None:
        return
    known = frame.undulation_m is not None
    for computed, reach in (
        (combined, _FACTOR_ROUNDING if known else _FACTOR_REACH),
        (scale, _FACTOR_ROUNDING),
    ):
        for ground, grid in (("table", "cloud"), ("cloud", "table")):
            share = computed if ground == "table" else 1 / computed
            best = _best_share(boxes, east, north, share, reach)
            factor = best if ground == "table" else 1 / best
            yield _Change(
                "ground_for_grid",
                east * best,
                north * best,
                f"the {ground}'s coordinates were on the ground and the {grid}'s on the grid, with a factor "
                f"of about {factor:.6f} from the grid's origin (computed here: scale factor {scale:.6f}, "
                f"combined factor {combined:.6f}{'' if known else ' without the geoid height'})",
                factor,
                "ratio",
            )


def _best_share(boxes: CloudBoxes, east: FloatArray, north: FloatArray, share: float, reach: float) -> float:
    """The factor within ``reach`` of ``share`` that brings the most points onto the cloud.

    A factor that hardly differs from 1 is not searched about: any small shift would pass for it.
    """
    largest = float(max(np.abs(east).max(), np.abs(north).max()))
    wide = CloudBoxes(box_m=boxes.box_m, margin_m=boxes.margin_m + reach * largest)
    if abs(share - 1) <= reach or wide.holds(east * share, north * share).sum() < _LEAST_SHARE * east.size:
        return share
    steps = min(
        2 * int(np.ceil(reach * largest / boxes.margin_m)) if boxes.margin_m else _MOST_STEPS, _MOST_STEPS
    )
    shares = share * (1 + np.linspace(-reach, reach, steps + 1))
    held = np.array([int(boxes.holds(east * one, north * one).sum()) for one in shares])
    best = np.flatnonzero(held == held.max())
    return float(shares[best[best.size // 2]])


def _degrees(
    east: FloatArray, north: FloatArray, frame: FrameFacts, table_unit: LengthUnit
) -> Iterator[_Change]:
    """The table's numbers as longitude and latitude."""
    if frame.crs is None:
        return
    first, second = east / table_unit.metres, north / table_unit.metres
    for longitude, latitude, order in (
        (first, second, "longitude and latitude in degrees"),
        (second, first, "latitude and longitude in degrees"),
        (-first, second, "longitude, counted westwards, and latitude in degrees"),
        (-second, first, "latitude, and longitude counted westwards, in degrees"),
    ):
        if (np.abs(longitude) <= 180).all() and (np.abs(latitude) <= 90).all():
            moved = from_degrees(longitude, latitude, frame.crs)
            if moved is not None:
                yield _Change("geographic", *moved, f"the table's numbers were {order}")


def _zones(boxes: CloudBoxes, east: FloatArray, north: FloatArray, frame: FrameFacts) -> Iterator[_Change]:
    if frame.crs is None or not frame.crs.is_projected:
        return
    west, south, east_side, north_side = boxes.whole_m
    middle = ((west + east_side) / 2, (south + north_side) / 2)
    for system in other_systems(frame.crs, middle):
        moved = system.to_frame(east, north)
        if moved is not None:
            yield _Change(
                "wrong_zone" if system.same_family else "wrong_system",
                *moved,
                f'the checkpoints were in "{system.name}" and not in "{frame.crs.name}"',
            )


def _digits(boxes: CloudBoxes, east: FloatArray, north: FloatArray) -> Iterator[_Change]:
    """Leading digits left off: whole multiples of a power of ten far larger than the site."""
    west, south, east_side, north_side = boxes.whole_m
    for power in (1e4, 1e5, 1e6):
        # Rounding to a power of ten lands in a box by chance once in power / size.
        if power < 10 * max(east_side - west, north_side - south, float(np.ptp(east)), float(np.ptp(north))):
            continue
        add_east = round(((west + east_side) / 2 - float(np.median(east))) / power) * power
        add_north = round(((south + north_side) / 2 - float(np.median(north))) / power) * power
        if add_east == 0 and add_north == 0:
            continue
        parts = [
            f"{_signed_metres(add)} m were added to the {axis}s"
            for axis, add in (("easting", add_east), ("northing", add_north))
            if add
        ]
        yield _Change(
            "leading_digits",
            east + add_east,
            north + add_north,
            f"{' and '.join(parts)} (leading digits or a false origin left off)",
            float(np.hypot(add_east, add_north)),
            "m",
        )


def _signed_metres(length_m: float) -> str:
    """A whole number of metres with its sign, in groups of three."""
    return ("+" if length_m > 0 else MINUS) + f"{abs(length_m):,.0f}".replace(",", " ")


def _false_eastings(east: FloatArray, north: FloatArray, frame: FrameFacts) -> Iterator[_Change]:
    """A zone number before the easting, the other hemisphere, or the false easting of 500 km left off."""
    zone = None if frame.crs is None else frame.crs.utm_zone
    if zone is not None:
        number = int(zone[:-1]) * 1e6
        yield _Change(
            "leading_digits",
            east - number,
            north,
            f"the zone number {zone[:-1]} before the eastings were left off",
            number,
            "m",
        )
        south = zone.endswith("S")
        yield _Change(
            "wrong_zone",
            east,
            north + (10_000_000.0 if south else -10_000_000.0),
            f"the northings were those of the {'northern' if south else 'southern'} half of the zone",
        )
    for add in (500_000.0, -500_000.0):
        yield _Change(
            "leading_digits",
            east + add,
            north,
            "the false easting of 500 000 m were " + ("added" if add > 0 else "taken off"),
            add,
            "m",
        )


def _signs(east: FloatArray, north: FloatArray) -> Iterator[_Change]:
    yield _Change("mirrored", -east, north, "the eastings had the other sign")
    yield _Change("mirrored", east, -north, "the northings had the other sign")
    yield _Change("mirrored", -east, -north, "eastings and northings had the other sign")
    yield _Change("axes_swapped", -north, -east, "easting and northing were swapped and had the other sign")
