"""PlanRequest -> Plan: reads the ground, decides the numbers, proposes the places."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence

import numpy as np

from accuracy.errors import RequestError
from accuracy.model import Cover, FloatArray
from accuracy.planning import deciding
from accuracy.planning.driving import planned_runs
from accuracy.planning.guidance import demands
from accuracy.planning.layout import (
    Laid,
    bend_ends_m,
    fits,
    lay_along,
    nearest_pair_m,
    widest_gap_m,
)
from accuracy.planning.plan import Place, Plan, PlanRequest, Side, StratumPlan
from accuracy.planning.power import SquareSum, as_placed, evenly_along
from accuracy.planning.site import Site, outline, read_site
from accuracy.planning.spread import spread_over
from accuracy.planning.wording import remarks_on
from accuracy.statistics.distribution import distribution

LEAST_IN_CONDITION = 10
"""Checkpoints in a stratum such as canopy, below which nothing is said of it: our judgement."""
LEAST_SPACING_M = 5.0
"""Nearer neighbours along a line see the same moment of the drive: our judgement."""
MOST_PLACES = 2000
_INSET_M = 5.0


def make_plan(asked: PlanRequest) -> Plan:
    """The plan for a request.

    Raises RequestError for options that contradict each other or a class that cannot be planned for,
    and what the readers raise for files that hold no line, area or stratum.
    """
    _check(asked)
    site = read_site(asked)
    length_m = None if site.line is None else site.line.length_m
    area_m2 = None if site.area is None else float(site.area.area)
    asked_of = demands(asked.request, area_m2)
    found = deciding.cases(asked, asked_of)
    shared_m = asked.correlation_length_m
    along: SquareSum | None = None
    if shared_m is not None and length_m is not None:
        along = evenly_along(length_m, shared_m)
    least = max(demand.least for demand in asked_of)
    base = max(least, _by_spacing(asked, site))
    occupations = deciding.occupations_needed(asked, found, asked.checkpoints or base, along)
    survey = deciding.used_after(asked, found, occupations)
    needed = [
        n
        for case in found
        for n in deciding.numbers_needed(case, survey, asked.wished, along)
        if n is not None
    ]
    wanted = _wanted(
        asked,
        site,
        asked.checkpoints or max(base, *needed, 1),
        max(demand.least_vegetated for demand in asked_of),
    )
    if sum(wanted.values()) > MOST_PLACES:
        raise RequestError(
            f"the plan would have {sum(wanted.values())} checkpoints",
            remedy="Ask for a wider spacing, or plan the corridor in parts.",
        )
    places = _placed(asked, site, wanted)
    if not places:
        raise RequestError(
            "not one checkpoint fits on what is planned",
            path=asked.line or asked.area,
            remedy="Check the file's coordinates and their unit, or lower --least-spacing.",
        )
    counted = [p for p in places if p.cover is Cover.OPEN]

    def sum_for(group: Sequence[Place]) -> SquareSum | None:
        if shared_m is None or site.line is None or not group:
            return None
        return as_placed(np.array([p.chainage_m for p in group], dtype=np.float64), shared_m)

    components = tuple(
        deciding.component_plan(asked, case, survey, len(counted), along=along, placed=sum_for(counted))
        for case in found
    )
    strata = []
    for name, number in wanted.items():
        own = [p for p in places if p.stratum == name]
        decides = site.covers[name] is Cover.OPEN
        strata.append(
            StratumPlan(
                name=name,
                cover=site.covers[name],
                extent=site.extents[name],
                wanted=number,
                placed=len(own),
                marked=sum(p.marked for p in own),
                chances=tuple(deciding.chances(c, survey, len(own), sum_for(own)) for c in found)
                if decides
                else (),
            )
        )
    easting, northing = _coordinates(places)
    pair = nearest_pair_m(easting, northing)
    plan = Plan(
        asked=asked,
        system_words=site.system.words,
        system_unit=site.system.unit,
        length_m=length_m,
        area_m2=area_m2,
        places=places,
        strata=tuple(strata),
        components=components,
        survey=deciding.survey_plan(asked, found, occupations),
        runs=planned_runs(asked, length_m),
        outline=outline(site),
        widest_gap_m=None if length_m is None else _widest(asked, places, length_m),
        nearest_pair_m=None if pair is None else pair[0],
        quadrant_shares=_quadrants(counted, site),
    )
    return dataclasses.replace(plan, remarks=tuple(dict.fromkeys((*remarks_on(plan), *site.remarks))))


def _check(asked: PlanRequest) -> None:
    """Refuse what contradicts itself, before any file is read."""
    if (asked.line is None) == (asked.area is None):
        raise RequestError(
            "a plan is for a corridor or for an area, one of them",
            remedy="Give either --line FILE or --area FILE.",
        )
    if asked.area is not None:
        for value, option in (
            (asked.spacing, "--spacing"),
            (asked.correlation_length_m, "--correlation-length"),
        ):
            if value is not None:
                raise RequestError(
                    f"{option} speaks of a line, and an area is planned", remedy="Leave it out."
                )
        if any(isinstance(one.where, tuple) for one in asked.strata):
            raise RequestError(
                "a stratum is given by chainages, and an area has none",
                remedy="Give its polygons as GeoJSON.",
            )
    if not (math.isfinite(asked.bad_times) and asked.bad_times > 1):
        raise RequestError(
            f"a bad run at {asked.bad_times:g} times the class is within it", remedy="Give more than 1."
        )
    if not 0.5 < asked.wished < 1:
        raise RequestError(
            f"a chance of {100 * asked.wished:g} % cannot be planned for",
            remedy="Give one above 50 and below 100 percent, such as --chance 90.",
        )
    if asked.checkpoints is not None and not 1 <= asked.checkpoints <= MOST_PLACES:
        raise RequestError(
            f"{asked.checkpoints} checkpoints cannot be planned", remedy=f"Give 1 to {MOST_PLACES}."
        )
    if asked.repeats < 1 or any(not (math.isfinite(v) and v > 0) for v in asked.speeds_km_per_h):
        raise RequestError("speeds and repeats must be above 0", remedy="Write them like --speeds 6,12,24.")
    least, rule = asked.least_spacing_m, asked.spacing
    if least is not None and rule is not None and least > _station_m(rule.most_m, each_side=rule.each_side):
        raise RequestError(
            f"places at least {least:g} m apart do not keep a spacing of at most {rule.most_m:g} m"
            + (" on each side" if rule.each_side else ""),
            remedy="Lower --least-spacing or raise --spacing.",
        )


# --------------------------------------------------------------------------- how many


def _station_m(most_m: float, *, each_side: bool) -> float:
    """From one place to the next; sides alternate, so one side has every second place."""
    return most_m / 2 if each_side else most_m


def _by_spacing(asked: PlanRequest, site: Site) -> int:
    if asked.spacing is None:
        return 0
    return (
        math.ceil(site.open_extent() / _station_m(asked.spacing.most_m, each_side=asked.spacing.each_side))
        + 1
    )


def _wanted(asked: PlanRequest, site: Site, number: int, least_vegetated: int) -> dict[str, int]:
    """Checkpoints per stratum: shares of the open ground, a least number in each, and the vegetated ones."""
    open_extent = site.open_extent()
    wanted: dict[str, int] = {}
    for name, extent in site.extents.items():
        if site.covers[name] is Cover.OPEN:
            share = number * extent / open_extent
            wanted[name] = max(round(share), 1) if name == site.rest else math.ceil(share - 1e-9)
            if name != site.rest and asked.checkpoints is None:
                wanted[name] = max(wanted[name], LEAST_IN_CONDITION)
        else:
            wanted[name] = least_vegetated
    short = number - sum(n for name, n in wanted.items() if site.covers[name] is Cover.OPEN)
    if site.rest in wanted and (short > 0 or asked.checkpoints is not None):
        wanted[site.rest] = max(wanted[site.rest] + short, 1)
    return wanted


# --------------------------------------------------------------------------- where


def _placed(asked: PlanRequest, site: Site, wanted: Mapping[str, int]) -> tuple[Place, ...]:
    if site.line is None:
        spread = spread_over(
            site.inner, site.polygons, site.rest, wanted, least_spacing_m=asked.least_spacing_m or 0.0
        )
        easting, northing, names = spread.easting_m, spread.northing_m, spread.stratum
        chainage: list[float | None] = [None] * len(names)
        sides: list[Side] = ["none"] * len(names)
        bends = [False] * len(names)
    else:
        laid = _along(asked, site, wanted)
        easting, northing, names = laid.easting_m, laid.northing_m, laid.stratum
        chainage = [float(c) for c in laid.chainage_m]
        sides = ["left" if left else "right" for left in laid.left]
        bends = [bool(b) for b in laid.at_bend]
    degrees = site.system.to_degrees(easting, northing) if len(names) else None
    digits = max(2, len(str(len(names))))
    marks = asked.request.horizontal_m is not None or asked.request.three_d_m is not None
    return tuple(
        Place(
            id=f"P{k + 1:0{digits}d}",
            easting_m=float(easting[k]),
            northing_m=float(northing[k]),
            longitude=None if degrees is None else float(degrees[k, 0]),
            latitude=None if degrees is None else float(degrees[k, 1]),
            side=sides[k],
            chainage_m=chainage[k],
            stratum=name,
            cover=site.covers[name],
            marked=marks and site.covers[name] is Cover.OPEN,
            at_bend=bends[k],
        )
        for k, name in enumerate(names)
    )


def _along(asked: PlanRequest, site: Site, wanted: Mapping[str, int]) -> Laid:
    """Places along the line; where a spacing rule is asked, more of them until it holds everywhere."""
    assert site.line is not None  # noqa: S101 - only called for a line
    least_m = LEAST_SPACING_M if asked.least_spacing_m is None else asked.least_spacing_m
    room = {name: sum(fits(p.length_m, least_m) for p in site.pieces if p.stratum == name) for name in wanted}
    numbers = {name: min(number, room[name]) for name, number in wanted.items()}
    inset_m = min(_INSET_M, site.line.length_m / 20)
    bends = bend_ends_m(site.line)
    for _ in range(MOST_PLACES):
        laid = lay_along(
            site.line,
            site.pieces,
            numbers,
            bends_m=bends,
            offset_m=(asked.verge_m, asked.verge_m),
            inset_m=inset_m,
            least_spacing_m=least_m,
            most_spacing_m=None
            if asked.spacing is None
            else _station_m(asked.spacing.most_m, each_side=asked.spacing.each_side),
        )
        wide = _too_wide(asked, site, laid)
        if not wide or asked.checkpoints is not None:
            return laid
        more = [name for name in wide if numbers[name] < room[name]]
        if not more:
            return laid
        for name in more:
            numbers[name] += 1
    return laid


def _too_wide(asked: PlanRequest, site: Site, laid: Laid) -> set[str]:
    """Strata of the open ground in which the next place is farther than the rule allows."""
    if asked.spacing is None or site.line is None:
        return set()
    most_m = _station_m(asked.spacing.most_m, each_side=asked.spacing.each_side)
    gaps = np.diff(laid.chainage_m)
    wide = np.flatnonzero(gaps > most_m * (1 + 1e-9))
    return {laid.stratum[k + side] for k in wide for side in (0, 1)}


def _widest(asked: PlanRequest, places: Sequence[Place], length_m: float) -> float | None:
    """The longest stretch without a place, on one side where the rule speaks of sides."""
    if not places:
        return None
    each = asked.spacing is not None and asked.spacing.each_side
    groups = [[p for p in places if p.side == side] for side in ("left", "right")] if each else [places]
    return max(
        widest_gap_m(np.array([p.chainage_m for p in group], dtype=np.float64), length_m) for group in groups
    )


def _coordinates(places: Sequence[Place]) -> tuple[FloatArray, FloatArray]:
    return (
        np.array([p.easting_m for p in places], dtype=np.float64),
        np.array([p.northing_m for p in places], dtype=np.float64),
    )


def _quadrants(places: Sequence[Place], site: Site) -> tuple[float, float, float, float] | None:
    if site.area is None or not places:
        return None
    return distribution(*_coordinates(places), extent_m=site.area.bounds).quadrant_shares
