"""A target sphere in the cloud -> its centre as a residual from the checkpoint, or why there is none.

After ``solid``. The radius is the calibrated one: on the cap that a scanner sees, a free radius trades
against the distance along the line of sight (variance 12/(1-c)^2 against 3/(1+c+c^2), in units of
sigma^2/n, c the cosine of the cap's half-angle). The free radius is fitted only to check the size.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial import cKDTree

from accuracy.matching.solid import (
    Cloud,
    Fit,
    Position,
    Split,
    Surface,
    cloud_of,
    fit_distances,
    over_passes,
    residual_of,
    split_variance,
)
from accuracy.matching.solid_search import (
    SEEDS,
    TIMES_SCALE,
    Refused,
    Sought,
    best_supported,
    distances_between,
    not_alone,
    not_that_size,
    sampled,
    the_only_one,
    too_few_on_it,
    too_few_to_look,
    too_unsure,
)
from accuracy.model import FloatArray, HorizontalResidual, NotMeasured, Patch, Reason

# Where no source is named the value is our judgement, held by the simulations in the tests.
_LEAST_CAP_DEGREES = 45.0
_SIZE_SLACK = 0.015
_SUPPORT_COSINE = math.cos(math.radians(35.0))
_MOST_SEARCHED = 6000


def measure_sphere(
    patch: Patch,
    *,
    diameter_m: float,
    survey_covariance_m2: tuple[float, float, float] | None,
    survey_sigma_height_m: float | None,
    search_radius_m: float = 0.5,
) -> HorizontalResidual | NotMeasured:
    """Centre of a sphere of known diameter minus its surveyed centre: easting, northing, height.

    Args:
        patch: points within ``search_radius_m`` plus the diameter of the checkpoint.
        diameter_m: the calibrated diameter.
        survey_covariance_m2: easting variance, northing variance, their covariance; None if unknown.
        survey_sigma_height_m: None if unknown.
        search_radius_m: how far from the checkpoint the centre may appear, in plan and in height.
    """
    if not 0.04 <= diameter_m <= 2.0:
        return NotMeasured(
            code=Reason.NO_MARK,
            reason=f"A sphere of {diameter_m:g} m diameter cannot be looked for; 0.04 to 2 m can.",
        )
    sought = Sought("sphere", diameter_m / 2, search_radius_m)
    cloud = cloud_of(patch, search_radius_m + diameter_m)
    cloud = cloud.take(np.abs(cloud.xyz[:, 2]) <= search_radius_m + diameter_m)
    seen = over_passes(cloud, lambda part: _find(part, sought))
    if isinstance(seen, NotMeasured):
        return seen
    return residual_of(
        seen,
        method="sphere",
        size_m=diameter_m,
        survey_covariance_m2=survey_covariance_m2,
        survey_sigma_height_m=survey_sigma_height_m,
    )


def distances(xyz: FloatArray, radius_m: float | None, noise_m2: float = 0.0) -> Surface:
    """Distances off a sphere with parameters (east, north, up of the centre[, radius]).

    Noise of variance s^2 in every direction carries points outwards by s^2/r on average, as both
    tangential parts do (expansion of the distance to second order); that much is taken off.
    """

    def surface(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        away = xyz - parameters[:3]
        length = np.maximum(np.linalg.norm(away, axis=1), 1e-9)
        radius = parameters[3] if radius_m is None else radius_m
        slope = -away / length[:, None]
        if radius_m is None:
            slope = np.column_stack([slope, -np.ones(len(xyz))])
        return length - radius - noise_m2 / max(radius, 1e-3), slope

    return surface


def sphere_covariance(fit: Fit, lines_of_kept: np.ndarray | None) -> tuple[FloatArray, Split]:
    """Covariance (p, p) of a fitted sphere's parameters, errors shared along scan lines included."""
    normals = -fit.design[:, :3]
    split = split_variance(fit.design, fit.pseudo_m, normals, lines_of_kept)
    return split.covariance(fit.gain, normals, lines_of_kept), split


def _find(cloud: Cloud, sought: Sought) -> Position | NotMeasured:
    few = too_few_to_look("sphere", len(cloud))
    if few is not None:
        return few
    tree = cKDTree(cloud.xyz)
    return the_only_one(
        sought, _candidates(cloud.xyz, sought), lambda centre: _judge(cloud, tree, centre, sought)
    )


def _candidates(xyz: FloatArray, sought: Sought) -> list[FloatArray]:
    """Centres of spheres through three neighbouring points, best supported first.

    Random samples of the fewest points that fix a sphere (Fischler & Bolles 1981), drawn within the
    sphere's own size of each other. Support: points on the shell less twice those inside it, which
    an opaque ball does not have.
    """
    radius_m, search_radius_m, tolerance_m = sought.radius_m, sought.search_radius_m, sought.tolerance_m
    generator = np.random.default_rng(0)
    sample = sampled(xyz, _MOST_SEARCHED, generator)
    tree = cKDTree(sample)
    seeds = generator.integers(0, len(sample), SEEDS)
    near = tree.query_ball_point(sample[seeds], 1.3 * radius_m)
    picks = [
        (seed, *generator.choice(np.asarray(others), 2, replace=False))
        for seed, others in zip(seeds, near, strict=True)
        if len(others) >= 8
    ]
    if not picks:
        return []
    a, b, c = (sample[index] for index in np.array(picks).T)
    u, v = b - a, c - a
    cross = np.cross(u, v)
    square = np.sum(cross**2, axis=1)
    # Slivers make a centre of their noise.
    good = square > (0.15 * radius_m**2) ** 2
    a, u, v, cross, square = a[good], u[good], v[good], cross[good], square[good]
    across = (
        np.cross(cross, u) * np.sum(v**2, axis=1)[:, None]
        + np.cross(v, cross) * np.sum(u**2, axis=1)[:, None]
    )
    middle = a + across / (2 * square[:, None])
    lift2 = radius_m**2 - np.sum((middle - a) ** 2, axis=1)
    keep = lift2 > 0
    lift = np.sqrt(lift2[keep])[:, None] * cross[keep] / np.sqrt(square[keep])[:, None]
    centres = np.concatenate([middle[keep] + lift, middle[keep] - lift])
    inside_search = (np.hypot(centres[:, 0], centres[:, 1]) <= 1.1 * search_radius_m) & (
        np.abs(centres[:, 2]) <= 1.1 * search_radius_m
    )
    centres = centres[inside_search]
    if not len(centres):
        return []
    away = distances_between(centres, sample)
    support = np.count_nonzero(np.abs(away - radius_m) < tolerance_m, axis=1) - 2 * np.count_nonzero(
        away < radius_m - 2 * tolerance_m, axis=1
    )
    return best_supported(centres, support, apart_m=sought.apart_m, least_share=0.2)


def _judge(  # noqa: PLR0911 - one return for each reason
    cloud: Cloud, tree: cKDTree, centre: FloatArray, sought: Sought
) -> Position | Refused:
    """Fit one candidate and hold it against everything that a ball must be."""
    radius_m, tolerance_m = sought.radius_m, sought.tolerance_m
    around = np.sort(np.asarray(tree.query_ball_point(centre, 1.9 * radius_m), dtype=np.int64))
    # What carries the ball touches it from below: tripod, post or ground would pull the centre down.
    away = cloud.xyz[around] - centre
    held = away[:, 2] < -_SUPPORT_COSINE * np.linalg.norm(away, axis=1)
    near = cloud.take(around[~held])
    fit = fit_distances(distances(near.xyz, radius_m), centre, gate_m=2.5 * tolerance_m)
    if fit is None or np.linalg.norm(fit.parameters - centre) > radius_m:
        return Refused(0, sought.nothing)
    place, noise_m2 = fit.parameters, min(float(np.var(fit.residual_m)), tolerance_m**2)
    again = fit_distances(distances(near.xyz, radius_m, noise_m2), place, gate_m=2.5 * tolerance_m)
    if again is None:
        return Refused(0, sought.nothing)
    fit = again
    place = fit.parameters
    if max(math.hypot(place[0], place[1]), abs(place[2])) > sought.search_radius_m:
        return Refused(0, sought.nothing)
    kept = near.take(fit.kept)
    count = len(kept)
    why = _not_a_ball(near.xyz, fit, radius_m)
    if why is not None:
        return Refused(1, why)
    # Size before number: a wrong ball is a wrong ball with any number of points.
    free = fit_distances(
        distances(near.xyz, None, noise_m2), np.append(place, radius_m), gate_m=2.5 * tolerance_m
    )
    lines = kept.lines
    few = too_few_on_it("sphere", count)
    if few is not None:
        return Refused(2, few)
    cap = cap_half_angle_degrees(-fit.design)
    free_lines = None if free is None or near.lines is None else near.lines[free.kept]
    wrong = not_that_size(
        "ball",
        radius_m,
        None if free is None else float(free.parameters[3]),
        math.inf if free is None else math.sqrt(sphere_covariance(free, free_lines)[0][3, 3]),
        slack=_SIZE_SLACK,
        seen_enough=cap >= _LEAST_CAP_DEGREES,
        too_little=NotMeasured(
            code=Reason.PARTLY_COVERED,
            reason=f"What was seen ({count} points, {cap:.0f} degrees about their middle) is too little to "
            "prove the sphere's size: too small a part of it, too few points or scan lines, or no sphere. A "
            "larger sphere or a slower drive would help.",
        ),
        stage=3,
    )
    if wrong is not None:
        return wrong
    covariance, _ = sphere_covariance(fit, lines)
    sigma = math.sqrt(float(np.trace(covariance)) / 3)
    unsure = too_unsure("centre of the sphere", sigma, count)
    if unsure is not None:
        return Refused(5, unsure)
    return Position(
        place_m=place,
        covariance_m2=covariance,
        points=count,
        source_id=int(kept.source_id[0]),
        time_s=kept.median_time_s,
    )


def cap_half_angle_degrees(normals: FloatArray) -> float:
    """Half-angle of the cap that holds nine tenths of the outward normals (n, 3), about their mean."""
    mean = np.mean(normals, axis=0)
    mean = mean / max(float(np.linalg.norm(mean)), 1e-9)
    angle = np.degrees(np.arccos(np.clip(normals @ mean, -1, 1)))
    return float(np.quantile(angle, 0.9))


def _not_a_ball(xyz: FloatArray, fit: Fit, radius_m: float) -> NotMeasured | None:
    """Points inside, or a surface that goes on beside the ball: a bush, a pole, a body's corner."""
    away = xyz - fit.parameters[:3]
    length = np.linalg.norm(away, axis=1)
    reach = max(TIMES_SCALE * fit.scale_m, 0.05 * radius_m)
    # Below a ball stand its tripod and the ground.
    beside = (length > radius_m + reach) & (length < 1.35 * radius_m + reach) & (away[:, 2] > -0.5 * length)
    return not_alone(
        "ball",
        fit,
        radius_m,
        inside=int(np.count_nonzero(length < radius_m - reach)),
        beside=int(np.count_nonzero(beside)),
        most_beside=0.2,
    )
