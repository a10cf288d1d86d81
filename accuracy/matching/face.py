"""An upright face in the cloud -> one component of the horizontal residual; several faces -> a shift.

After ``facet``. A wall says how far the cloud is off along the wall's normal and nothing about the
direction along the wall. Walls in different directions together say how the run is shifted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import stats

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
from accuracy.matching.solid import Cloud, cloud_of
from accuracy.model import FaceResidual, FaceShift, FloatArray, NotMeasured, Patch, Reason

# Where no source is named the value is our judgement, held by the simulations in the tests.
_REACH_M = 0.6
_MOST_LEAN_DEGREES = 10.0
_BESIDE_M = 0.25
_CLEARLY_M = 0.08
_RIVAL_SHARE = 0.1
_LARGEST_UNCERTAINTY_M = 0.005
_LEAST_SHARE = 0.5
_ALIKE_DEGREES = 15.0
"""Normals within this of one direction see nothing useful across it: its variance is 15 times larger."""
_DOUBTFUL_P = 0.01


def measure_face(
    patch: Patch,
    *,
    survey_covariance_m2: tuple[float, float, float] | None,
    survey_sigma_height_m: float | None = None,
    search_radius_m: float = 0.5,
) -> FaceResidual | NotMeasured:
    """Offset of an upright face from the surveyed point on it, along the face's horizontal normal.

    The face is evaluated at the checkpoint's height. The normal points to the eastern half of the
    horizon; a positive residual lies that way from the checkpoint.

    Args:
        patch: points within ``search_radius_m`` plus 0.6 m of the checkpoint.
        survey_covariance_m2: easting variance, northing variance, their covariance; None if unknown.
        survey_sigma_height_m: its share through the face's lean is added; None if unknown.
        search_radius_m: how far from the checkpoint the face may appear.
    """
    reach = search_radius_m + _REACH_M
    cloud = cloud_of(patch, reach)
    cloud = cloud.take(np.abs(cloud.xyz[:, 2]) <= _REACH_M + search_radius_m)
    if len(cloud) < FEWEST_POINTS:
        return NotMeasured(
            code=Reason.TOO_FEW_POINTS,
            reason=f"Only {len(cloud)} points lie near the checkpoint; a face needs at least "
            f"{FEWEST_POINTS}.",
        )
    facets = find_facets(cloud.xyz)
    chosen = _choose(cloud, facets, search_radius_m)
    if isinstance(chosen, NotMeasured):
        return chosen
    not_on = np.zeros(len(cloud), dtype=bool)
    for other in facets:
        if other is not chosen and angle_degrees(other.normal, chosen.normal) > 30:
            not_on |= np.abs(other.distance(cloud.xyz)) < TOLERANCE_M + 0.005
    fit = fit_facet(cloud, chosen, _foot(chosen), reach_m=_REACH_M, not_on=not_on)
    if fit is None:
        return NotMeasured(
            code=Reason.TOO_SPARSE,
            reason=f"The face holds fewer than {FEWEST_POINTS} points within {_REACH_M} m of the checkpoint.",
        )
    return _residual(cloud, chosen, fit, survey_covariance_m2, survey_sigma_height_m)


def _foot(facet: Facet) -> FloatArray:
    """The place on the face nearest to the checkpoint at the checkpoint's own height."""
    level = facet.normal[:2] / float(facet.normal[:2] @ facet.normal[:2])
    return np.append(level * facet.offset_m, 0.0)


def _choose(cloud: Cloud, facets: list[Facet], search_radius_m: float) -> Facet | NotMeasured:
    """The upright face that the checkpoint is on."""
    upright = [facet for facet in facets if abs(facet.normal[2]) < math.sin(math.radians(_MOST_LEAN_DEGREES))]
    if not upright:
        there = sorted({facet.kind for facet in facets})
        seen = f"only: {', '.join(there)}" if there else "no flat face at all"
        return NotMeasured(
            code=Reason.NO_LOCK, reason=f"No upright face was found near the checkpoint ({seen})."
        )
    close: list[tuple[float, Facet]] = []
    beside = math.inf
    for facet in upright:
        foot = _foot(facet)
        distance = float(np.hypot(*foot[:2]))
        if distance > search_radius_m:
            continue
        gap = float(np.min(np.linalg.norm(cloud.xyz[facet.members] - foot, axis=1)))
        if gap > _BESIDE_M:
            beside = min(beside, gap)
        else:
            close.append((distance, facet))
    if not close:
        if beside < math.inf:
            return NotMeasured(
                code=Reason.OUTSIDE_HULL,
                reason=f"The nearest upright face ends {beside:.2f} m beside the checkpoint.",
            )
        return NotMeasured(
            code=Reason.NO_LOCK,
            reason=f"No upright face stands within {search_radius_m:.2f} m of the checkpoint.",
        )
    close.sort(key=lambda pair: pair[0])
    rivals = [f for d, f in close[1:] if d < close[0][0] + _CLEARLY_M]
    if any(f.members.size > _RIVAL_SHARE * close[0][1].members.size for f in rivals):
        return NotMeasured(
            code=Reason.NOT_UNIQUE,
            reason=f"Two upright faces stand almost equally near the checkpoint ({close[0][0]:.2f} m and "
            f"{close[1][0]:.2f} m); which one was surveyed cannot be told.",
        )
    return close[0][1]


def _residual(
    cloud: Cloud,
    facet: Facet,
    fit: FacetFit,
    survey_covariance_m2: tuple[float, float, float] | None,
    survey_sigma_height_m: float | None,
) -> FaceResidual | NotMeasured:
    if fit.roughness_m > ROUGHEST_M:
        return NotMeasured(
            code=Reason.TOO_ROUGH,
            reason=f"The face is rough: its points scatter by {fit.roughness_m * 1000:.0f} mm.",
        )
    foot = _foot(facet)
    near = np.linalg.norm(cloud.xyz - foot, axis=1) < _BESIDE_M
    share = float(np.mean(np.abs(facet.distance(cloud.xyz[near])) < 2 * TOLERANCE_M)) if np.any(near) else 0.0
    if share < _LEAST_SHARE:
        return NotMeasured(
            code=Reason.NO_FIT,
            reason=f"Only {100 * share:.0f} % of the points around the checkpoint lie on one "
            f"face, as in a hedge.",
        )
    normal, offset = fit.normal, float(fit.normal @ foot) + fit.at_m
    if normal[0] < 0 or (normal[0] == 0 and normal[1] < 0):
        normal, offset = -normal, -offset
    level = math.hypot(normal[0], normal[1])
    variance = fit.variance_m2 / level**2
    if math.sqrt(variance) > _LARGEST_UNCERTAINTY_M:
        return NotMeasured(
            code=Reason.TOO_SPARSE,
            reason=f"The face is known to {1000 * math.sqrt(variance):.1f} mm only, from "
            f"{fit.points} points.",
        )
    east, north = float(normal[0] / level), float(normal[1] / level)
    survey = 0.0
    if survey_covariance_m2 is not None:
        ee, nn, en = survey_covariance_m2
        survey = east**2 * ee + north**2 * nn + 2 * east * north * en
    survey += ((survey_sigma_height_m or 0.0) * float(normal[2]) / level) ** 2
    return FaceResidual(
        residual_m=offset / level,
        standard_uncertainty_m=math.sqrt(variance + survey),
        measurement_uncertainty_m=math.sqrt(variance),
        normal_easting=east,
        normal_northing=north,
        points=fit.points,
        roughness_m=fit.roughness_m,
    )


# --------------------------------------------------------------------------- many faces


def combine_faces(faces: Sequence[FaceResidual]) -> FaceShift:
    """Shift of the run from the offsets of its faces, by weighted least squares.

    Each face says ``residual = normal . shift + error``. The covariance is (A' W A)^-1; where the
    residuals are larger than their uncertainties explain (chi-square, p below 0.01) it is widened by
    chi-square over its degrees of freedom (Birge 1932, Phys. Rev. 40, 207-227, from memory).

    Args:
        faces: one or more. Positions do not matter: a shift alone is fitted, no rotation.

    Raises:
        ValueError: there is none.
    """
    if not faces:
        raise ValueError("no face was measured")
    normals = np.array([[f.normal_easting, f.normal_northing] for f in faces])
    offset = np.array([f.residual_m for f in faces])
    sigma = np.array([f.standard_uncertainty_m for f in faces])
    a, b = normals / sigma[:, None], offset / sigma
    information = a.T @ a
    values, vectors = np.linalg.eigh(information)
    best = vectors[:, 1] * np.sign(vectors[0, 1] if abs(vectors[0, 1]) > 1e-12 else vectors[1, 1])
    # Spread of the normals about the best-seen direction, as weighted.
    spread = math.degrees(math.atan(math.sqrt(max(values[0], 0.0) / values[1])))
    blind = spread < _ALIKE_DEGREES
    if blind:
        along = normals @ best
        variance = 1 / float(np.sum((along / sigma) ** 2))
        component = variance * float(np.sum(along * offset / sigma**2))
        left = (offset - along * component) / sigma
        free = len(faces) - 1
        shift, covariance = component * best, np.outer(best, best) * variance
    else:
        covariance = np.linalg.inv(information)
        shift = covariance @ (a.T @ b)
        left = b - a @ shift
        free = len(faces) - 2
        component, variance = float(best @ shift), float(best @ covariance @ best)
    chi_square = float(left @ left)
    p_value = float(stats.chi2.sf(chi_square, free)) if free > 0 else None
    consistent = None if p_value is None else p_value >= _DOUBTFUL_P
    widened = chi_square / free if consistent is False else 1.0
    covariance, variance = covariance * widened, variance * widened
    azimuth = math.degrees(math.atan2(best[0], best[1])) % 180
    return FaceShift(
        n=len(faces),
        shift_easting_m=None if blind else float(shift[0]),
        shift_northing_m=None if blind else float(shift[1]),
        covariance_m2=None
        if blind
        else (float(covariance[0, 0]), float(covariance[1, 1]), float(covariance[0, 1])),
        component_m=component,
        component_azimuth_degrees=azimuth,
        component_uncertainty_m=math.sqrt(variance),
        unobservable=_blind_words(azimuth, len(faces)) if blind else None,
        chi_square=chi_square,
        degrees_of_freedom=free,
        p_value=p_value,
        consistent=consistent,
    )


def _blind_words(azimuth_degrees: float, count: int) -> str:
    across = (azimuth_degrees + 90) % 180
    who = "The only face looks" if count == 1 else f"All {count} faces look"
    return (
        f"{who} along azimuth {azimuth_degrees:.0f} degrees: a shift along azimuth {across:.0f} "
        f"degrees, parallel to "
        "the face, cannot be seen. A face that stands across would show it."
    ).replace("the face, cannot", "the face, cannot" if count == 1 else "the faces, cannot")
