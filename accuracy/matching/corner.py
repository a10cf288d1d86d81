"""A corner of three faces in the cloud -> its place as a residual from the checkpoint, or why not.

After ``facet``. Two walls and the ground, or a kerb's or step's top, front and end: any three planes
that stand well across each other and reach close to where they meet.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from accuracy.matching.facet import (
    FEWEST_POINTS,
    ROUGHEST_M,
    TOLERANCE_M,
    Facet,
    FacetFit,
    angle_degrees,
    find_facets,
    fit_facet,
)
from accuracy.matching.solid import Cloud, Position, cloud_of, over_passes, residual_of
from accuracy.model import FloatArray, HorizontalResidual, NotMeasured, Patch, Reason

# Where no source is named the value is our judgement, held by the simulations in the tests.
_REACH_M = 0.6
_LEAST_VOLUME = 0.4
"""Of the box that three unit normals span: 1 for a right corner, 0 for planes that share a direction."""
_NEAR_M = 0.35
_LEAST_SHARE = 0.75
_SHARP_M = 0.12
_OTHER_DEGREES = 30.0
_SAME_PLAN_M = 0.015
_CLEARLY_M = 0.06
_GATE_M = TOLERANCE_M + 0.005
_LARGEST_UNCERTAINTY_M = 0.005


def measure_corner(
    patch: Patch,
    *,
    survey_covariance_m2: tuple[float, float, float] | None,
    survey_sigma_height_m: float | None,
    search_radius_m: float = 0.5,
) -> HorizontalResidual | NotMeasured:
    """Where three faces meet minus the surveyed corner: easting, northing and height.

    Args:
        patch: points within ``search_radius_m`` plus 0.6 m of the checkpoint.
        survey_covariance_m2: easting variance, northing variance, their covariance; None if unknown.
        survey_sigma_height_m: None if unknown.
        search_radius_m: how far from the checkpoint the corner may appear, in plan and in height.
    """
    reach = search_radius_m + _REACH_M
    cloud = cloud_of(patch, reach)
    cloud = cloud.take(np.abs(cloud.xyz[:, 2]) <= reach)
    seen = over_passes(cloud, lambda part: _find(part, search_radius_m))
    if isinstance(seen, NotMeasured):
        return seen
    return residual_of(
        seen,
        method="corner",
        size_m=None,
        survey_covariance_m2=survey_covariance_m2,
        survey_sigma_height_m=survey_sigma_height_m,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Corner:
    facets: tuple[Facet, Facet, Facet]
    place: FloatArray


def _find(cloud: Cloud, search_radius_m: float) -> Position | NotMeasured:
    if len(cloud) < 3 * FEWEST_POINTS:
        return NotMeasured(
            code=Reason.TOO_FEW_POINTS,
            reason=f"Only {len(cloud)} points lie near the checkpoint; a corner needs at least "
            f"{FEWEST_POINTS} "
            "on each of three faces.",
        )
    facets = find_facets(cloud.xyz)
    well = [three for three in combinations(facets, 3) if _volume(three) >= _LEAST_VOLUME]
    if not well:
        return NotMeasured(code=Reason.NO_FIT, reason=_missing(facets))
    corners = [_Corner(three, _meet(three)) for three in well]
    near = [c for c in corners if _away(c) <= search_radius_m]
    if not near:
        nearest = min(float(np.linalg.norm(c.place)) for c in corners)
        return NotMeasured(
            code=Reason.NO_LOCK,
            reason=f"The faces near the checkpoint meet {nearest:.2f} m away from it; corners "
            f"are sought within "
            f"{search_radius_m:.2f} m.",
        )
    near.sort(key=lambda c: float(np.linalg.norm(c.place)))
    measured: list[Position] = []
    why: NotMeasured | None = None
    for corner in near:
        result = _judge(cloud, facets, corner)
        if isinstance(result, NotMeasured):
            why = why or result
        else:
            measured.append(result)
    if not measured:
        assert why is not None  # noqa: S101 - each corner was either measured or refused
        return why
    return _the_one(measured)


def _the_one(measured: list[Position]) -> Position | NotMeasured:
    """The corner nearest to the checkpoint, if it is clearly the nearest."""
    first = measured[0]
    limit = float(np.linalg.norm(first.place_m)) + _CLEARLY_M
    rivals = [p for p in measured[1:] if float(np.linalg.norm(p.place_m)) < limit]
    for rival in rivals:
        if np.linalg.norm((rival.place_m - first.place_m)[:2]) > _SAME_PLAN_M:
            apart = float(np.linalg.norm(rival.place_m - first.place_m))
            return NotMeasured(
                code=Reason.NOT_UNIQUE,
                reason=f"Two corners {apart:.2f} m apart lie almost equally near the checkpoint; "
                f"which one was "
                "surveyed cannot be told.",
            )
    # Foot and top of one edge: the same in plan, but which height was surveyed is open.
    return replace(first, has_height=False) if rivals else first


def _volume(three: tuple[Facet, Facet, Facet]) -> float:
    return abs(float(np.linalg.det(np.array([facet.normal for facet in three]))))


def _meet(three: tuple[Facet, Facet, Facet]) -> FloatArray:
    normals = np.array([facet.normal for facet in three])
    return np.asarray(np.linalg.solve(normals, np.array([facet.offset_m for facet in three])))


def _away(corner: _Corner) -> float:
    """Distance in plan or in height, whichever is larger."""
    return max(math.hypot(corner.place[0], corner.place[1]), abs(float(corner.place[2])))


def _missing(facets: list[Facet]) -> str:
    """In words: which faces were found, and which one a corner lacks."""
    if not facets:
        return "No flat face was found near the checkpoint; a corner needs three."
    kinds = Counter(facet.kind for facet in facets)
    there = " and ".join(f"{n} {kind}{'s' if n > 1 else ''}" for kind, n in kinds.items())
    upright = [facet.normal for facet in facets if facet.kind == "upright face"]
    if not kinds["level surface"] and not kinds["sloping face"]:
        lacks = "a level surface"
    elif not upright:
        lacks = "two upright faces"
    elif len(upright) == 1:
        lacks = "an upright face in another direction"
    else:
        return f"Near the checkpoint there are {there}, but no three of them stand well across each other."
    return (
        f"Near the checkpoint there are only {there}: {lacks} is missing."
        if lacks != "two upright faces"
        else (f"Near the checkpoint there are only {there}: {lacks} are missing.")
    )


def _judge(cloud: Cloud, facets: list[Facet], corner: _Corner) -> Position | NotMeasured:
    """Fit the three faces near where they meet, and hold them against what a corner must be."""
    first = _fitted(cloud, facets, corner)
    if isinstance(first, NotMeasured):
        return first
    # Once more from there: the search's planes are rough, and a kerb's end is small.
    place = _met(corner.place, first)
    better = tuple(
        replace(facet, normal=fit.normal, offset_m=float(fit.normal @ corner.place) + fit.at_m)
        for facet, fit in zip(corner.facets, first, strict=True)
    )
    facets = [*better, *(f for f in facets if all(f is not mine for mine in corner.facets))]
    corner = _Corner((better[0], better[1], better[2]), place)
    fits = _fitted(cloud, facets, corner)
    if isinstance(fits, NotMeasured):
        return fits
    return _held(cloud, facets, corner, fits)


def _met(place: FloatArray, fits: list[FacetFit]) -> FloatArray:
    normals = np.array([fit.normal for fit in fits])
    return np.asarray(place + np.linalg.solve(normals, np.array([fit.at_m for fit in fits])))


def _fitted(cloud: Cloud, facets: list[Facet], corner: _Corner) -> list[FacetFit] | NotMeasured:
    fits: list[FacetFit] = []
    away = _away_from(cloud, facets)
    for facet in corner.facets:
        # A larger face beside it, such as the road below a kerb, may own points as well.
        others = [
            away[id(other)] < _GATE_M
            for other in facets
            if other is not facet
            and (any(other is mine for mine in corner.facets) or other.members.size > facet.members.size)
            and angle_degrees(other.normal, facet.normal) > _OTHER_DEGREES
        ]
        fit = fit_facet(
            cloud, facet, corner.place, reach_m=_REACH_M, not_on=np.asarray(np.any(others, axis=0))
        )
        if fit is None:
            return NotMeasured(
                code=Reason.TOO_SPARSE,
                reason=f"The {facet.kind} of the corner holds fewer than {FEWEST_POINTS} points "
                f"within {_REACH_M} m "
                "of it.",
            )
        if fit.roughness_m > ROUGHEST_M:
            return NotMeasured(
                code=Reason.TOO_ROUGH,
                reason=f"The {facet.kind} of the corner is rough: its points scatter by "
                f"{fit.roughness_m * 1000:.0f} mm.",
            )
        fits.append(fit)
    return fits


def _away_from(cloud: Cloud, facets: list[Facet]) -> dict[int, FloatArray]:
    return {id(facet): np.abs(facet.distance(cloud.xyz)) for facet in facets}


def _held(cloud: Cloud, facets: list[Facet], corner: _Corner, fits: list[FacetFit]) -> Position | NotMeasured:
    away = _away_from(cloud, facets)
    place = _met(corner.place, fits)
    inverse = np.linalg.inv(np.array([fit.normal for fit in fits]))
    for facet, fit in zip(corner.facets, fits, strict=True):
        distance = np.sort(np.linalg.norm(cloud.xyz[fit.kept] - place, axis=1))
        # The fifth nearest point: strays make no edge, and a sparse face may begin where it likes.
        limit = max(_SHARP_M, 2.0 * float(distance[-1]) * math.sqrt(5 / distance.size))
        if distance[4] > limit:
            return NotMeasured(
                code=Reason.NO_FIT,
                reason=f"The {facet.kind} ends {distance[4]:.2f} m short of where the faces "
                f"would meet: the corner is "
                "rounded, covered or not there.",
            )
    around = np.linalg.norm(cloud.xyz - place, axis=1) <= _NEAR_M
    on = np.min([away[id(facet)] for facet in corner.facets], axis=0)[around] < _GATE_M
    other = [away[id(f)][around] < _GATE_M for f in facets if all(f is not mine for mine in corner.facets)]
    elsewhere = np.any(other, axis=0) if other else np.zeros_like(on)
    counted = int(np.count_nonzero(on | ~elsewhere))
    share = np.count_nonzero(on) / max(counted, 1)
    if share < _LEAST_SHARE:
        return NotMeasured(
            code=Reason.NO_FIT,
            reason=f"Only {100 * share:.0f} % of the points around the supposed corner lie on "
            f"its three faces.",
        )
    covariance = inverse @ np.diag([fit.variance_m2 for fit in fits]) @ inverse.T
    sigma = math.sqrt(float(np.trace(covariance)) / 3)
    if sigma > _LARGEST_UNCERTAINTY_M:
        return NotMeasured(
            code=Reason.TOO_SPARSE,
            reason=f"The corner is known to {sigma * 1000:.1f} mm only: a face holds too few points "
            f"({min(fit.points for fit in fits)}).",
        )
    kept = cloud.take(np.unique(np.concatenate([fit.kept for fit in fits])))
    return Position(
        place_m=place,
        covariance_m2=covariance,
        points=len(kept),
        source_id=int(kept.source_id[0]),
        time_s=kept.median_time_s,
    )
