"""A round pole in the cloud -> where its axis stands, or why that is not known.

After ``solid``; beside ``sphere``. Bollards, lamp posts and sign posts of known diameter, seen from one
side. The axis may lean; it is evaluated at the checkpoint's height, or at a given height above the
ground. A free diameter is fitted only to check the size: seen over less than a half-turn it trades
against the distance along the line of sight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from accuracy.matching.solid import (
    Cloud,
    Fit,
    Position,
    Surface,
    cloud_of,
    fit_distances,
    in_company,
    over_passes,
    residual_of,
    split_variance,
)
from accuracy.model import FloatArray, HorizontalResidual, IntArray, NotMeasured, Patch, Reason

# Where no source is named the value is our judgement, held by the simulations in the tests.
FEWEST_POINTS = 40
_LEAST_ARC_DEGREES = 75.0
_WIDEST_GAP_DEGREES = 40.0
_FEWEST_LINES = 6
"""Two or three scan lines up a wall are strips that a circle fits as well as a plane does; with five on a
pole the stated uncertainty was too small in simulation."""
_MOST_LEAN_DEGREES = 5.0
_LEAST_LENGTH_M = 0.25
_CLEAR_OF_GROUND_M = 0.1
_BAND_M = 0.25
"""Half the height of the band around a given height."""
_SIZE_SIGMAS = 3.0
_SIZE_SLACK = 0.02
_OTHER_SIZE = 0.2
"""A mark this share larger or smaller must be excluded, at two and a half standard uncertainties."""
_EXCLUDED_SIGMAS = 2.5
_MOST_SCATTER_M = 0.011
_SEEDS = 300
_MOST_SEARCHED = 5000
_CANDIDATES = 6
_LARGEST_UNCERTAINTY_M = 0.005


def measure_pole(
    patch: Patch,
    *,
    diameter_m: float,
    survey_covariance_m2: tuple[float, float, float] | None,
    survey_sigma_height_m: float | None = None,
    search_radius_m: float = 0.5,
    height_m: float | None = None,
) -> HorizontalResidual | NotMeasured:
    """Axis of a vertical cylinder of known diameter minus the surveyed point: easting and northing.

    Args:
        patch: points within ``search_radius_m`` plus the diameter of the checkpoint.
        diameter_m: its diameter where it was surveyed.
        survey_covariance_m2: easting variance, northing variance, their covariance; None if unknown.
        survey_sigma_height_m: taken so that all solid marks are called alike; a pole gives no height.
        search_radius_m: how far from the checkpoint the axis may appear.
        height_m: height above the ground of the circle that was surveyed. None: everything from 0.1 m
            above the ground is fitted and the axis evaluated at the checkpoint's height, or at the
            nearest height that the pole reaches.
    """
    if not 0.03 <= diameter_m <= 2.0:
        return NotMeasured(
            code=Reason.NO_MARK,
            reason=f"A pole of {diameter_m:g} m diameter cannot be looked for; 0.03 to 2 m can.",
        )
    radius = diameter_m / 2
    cloud = cloud_of(patch, search_radius_m + 2.0 * radius)
    settings = _Search(radius, search_radius_m, height_m)
    seen = over_passes(cloud, lambda part: _find(part, settings))
    if isinstance(seen, NotMeasured):
        return seen
    return residual_of(
        seen,
        method="pole",
        size_m=diameter_m,
        survey_covariance_m2=survey_covariance_m2,
        survey_sigma_height_m=survey_sigma_height_m,
    )


@dataclass(frozen=True, slots=True)
class _Search:
    radius_m: float
    search_radius_m: float
    height_m: float | None

    @property
    def tolerance_m(self) -> float:
        return max(0.012, 0.06 * self.radius_m)

    @property
    def no_pole(self) -> NotMeasured:
        return NotMeasured(
            code=Reason.NO_LOCK,
            reason=f"No upright pole of {2 * self.radius_m:.3f} m diameter was found within "
            f"{self.search_radius_m:.2f} m of the checkpoint.",
        )


@dataclass(frozen=True, slots=True)
class _Refused:
    stage: int
    why: NotMeasured


def distances(xyz: FloatArray, level_m: float, radius_m: float | None, noise_m2: float = 0.0) -> Surface:
    """Distances off a cylinder: (east, north) of its axis at ``level_m``, its lean per metre[, radius].

    Noise of variance s^2 in every direction carries points outwards by s^2/(2r) on average, as the
    tangential part does (expansion of the distance to second order); that much is taken off.
    """
    above = xyz[:, 2] - level_m

    def surface(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        lean = parameters[2:4]
        axis = np.array([lean[0], lean[1], 1.0]) / math.sqrt(1 + float(lean @ lean))
        off = xyz - np.array([parameters[0], parameters[1], level_m])
        along = off @ axis
        across = off - along[:, None] * axis
        length = np.maximum(np.linalg.norm(across, axis=1), 1e-9)
        normal = across / length[:, None]
        radius = parameters[4] if radius_m is None else radius_m
        # Leaning by d moves the axis at a point's height by about d times that height.
        columns = [-normal[:, 0], -normal[:, 1], -normal[:, 0] * above, -normal[:, 1] * above]
        if radius_m is None:
            columns.append(-np.ones(len(xyz)))
        return length - radius - noise_m2 / (2 * max(radius, 1e-3)), np.column_stack(columns)

    return surface


def axis_covariance(fit: Fit, lines: IntArray | None) -> FloatArray:
    """Covariance (p, p) of a fitted cylinder's parameters, errors shared along scan lines included."""
    normals = np.column_stack([-fit.design[:, 0], -fit.design[:, 1], np.zeros(len(fit.design))])
    split = split_variance(fit.design, fit.pseudo_m, normals, lines)
    return split.covariance(fit.gain, normals, lines)


def ground_height_m(up_m: FloatArray) -> float:
    """Height of the ground around a pole: the lowest well-filled 5 cm of the window.

    The ground fills one level with more points than a like slice of a pole does.
    """
    low = float(np.quantile(up_m, 0.005))
    level = np.floor((up_m - low) / 0.05).astype(np.int64)
    counts = np.bincount(level[level >= 0])
    full = np.nonzero(counts >= max(0.25 * counts[: min(counts.size, 20)].max(), 3))[0]
    first = int(full[0])
    # The ground may straddle two slices.
    there = (level == first) | (level == first + 1)
    return float(np.median(up_m[there]))


def _find(cloud: Cloud, settings: _Search) -> Position | NotMeasured:
    if len(cloud) < FEWEST_POINTS:
        return NotMeasured(
            code=Reason.TOO_FEW_POINTS,
            reason=f"Only {len(cloud)} points lie where the pole may be; at least "
            f"{FEWEST_POINTS} are needed on it.",
        )
    ground = ground_height_m(cloud.xyz[:, 2])
    up = cloud.xyz[:, 2] - ground
    low = _CLEAR_OF_GROUND_M if settings.height_m is None else settings.height_m - _BAND_M
    high = math.inf if settings.height_m is None else settings.height_m + _BAND_M
    standing = cloud.take((up > max(low, _CLEAR_OF_GROUND_M)) & (up < high))
    if len(standing) < FEWEST_POINTS:
        return NotMeasured(
            code=Reason.TOO_FEW_POINTS,
            reason=f"Only {len(standing)} points stand above the ground near the checkpoint; at least "
            f"{FEWEST_POINTS} are needed on a pole.",
        )
    found: list[Position] = []
    refused: list[_Refused] = []
    tree = cKDTree(standing.xyz[:, :2])
    for centre in _candidates(standing.xyz, settings):
        if any(np.linalg.norm(centre - f.place_m[:2]) < settings.radius_m for f in found):
            continue
        result = _judge(standing, tree, centre, ground, settings)
        if isinstance(result, _Refused):
            refused.append(result)
        elif not any(np.linalg.norm((result.place_m - f.place_m)[:2]) < settings.radius_m for f in found):
            found.append(result)
    if len(found) > 1:
        apart = float(np.linalg.norm((found[0].place_m - found[1].place_m)[:2]))
        return NotMeasured(
            code=Reason.NOT_UNIQUE,
            reason=f"Two poles of {2 * settings.radius_m:.3f} m diameter stand {apart:.2f} m apart near the "
            "checkpoint; which one was surveyed cannot be told.",
        )
    if found:
        return found[0]
    return max(refused, key=lambda r: r.stage).why if refused else settings.no_pole


def _candidates(xyz: FloatArray, settings: _Search) -> list[FloatArray]:
    """Circles through two neighbouring points in plan, best supported first (Fischler & Bolles 1981)."""
    radius, tolerance = settings.radius_m, settings.tolerance_m
    generator = np.random.default_rng(0)
    keep = np.arange(len(xyz))
    if len(xyz) > _MOST_SEARCHED:
        keep = generator.choice(len(xyz), _MOST_SEARCHED, replace=False)
    sample = xyz[keep, :2]
    tree = cKDTree(sample)
    seeds = generator.integers(0, len(sample), _SEEDS)
    near = tree.query_ball_point(sample[seeds], 1.4 * radius)
    pairs = [
        (seed, int(generator.choice(others)))
        for seed, others in zip(seeds, near, strict=True)
        if len(others) >= 8
    ]
    if not pairs:
        return []
    a, b = (sample[index] for index in np.array(pairs).T)
    chord = b - a
    length = np.linalg.norm(chord, axis=1)
    good = (length > 0.3 * radius) & (length < 1.98 * radius)
    a, chord, length = a[good], chord[good], length[good]
    lift = np.sqrt(radius**2 - (length / 2) ** 2)[:, None] * np.column_stack([-chord[:, 1], chord[:, 0]])
    lift = lift / length[:, None]
    centres = np.concatenate([a + chord / 2 + lift, a + chord / 2 - lift])
    centres = centres[np.hypot(*centres.T) <= 1.2 * settings.search_radius_m]
    if not len(centres):
        return []
    away = np.sqrt(
        np.maximum(
            np.sum(centres**2, axis=1)[:, None] - 2 * centres @ sample.T + np.sum(sample**2, axis=1), 0
        )
    )
    # A pole that leans blurs its circle: the shell is wider than for a sphere.
    support = np.count_nonzero(np.abs(away - radius) < 1.5 * tolerance, axis=1) - np.count_nonzero(
        away < radius - 3 * tolerance, axis=1
    )
    order = np.argsort(-support, kind="stable")
    chosen: list[FloatArray] = []
    for index in order:
        if support[index] < max(8, 0.15 * support[order[0]]) or len(chosen) >= _CANDIDATES:
            break
        if all(np.linalg.norm(centres[index] - other) > radius for other in chosen):
            chosen.append(centres[index])
    return chosen


def _judge(  # noqa: C901, PLR0911, PLR0912 - one return for each reason
    cloud: Cloud, tree: cKDTree, centre: FloatArray, ground_m: float, settings: _Search
) -> Position | _Refused:
    """Fit one candidate and hold it against everything that a pole must be."""
    radius, tolerance = settings.radius_m, settings.tolerance_m
    near = cloud.take(np.sort(np.asarray(tree.query_ball_point(centre, 2.0 * radius + 0.06), dtype=np.int64)))
    near = near.take(in_company(near.xyz))
    if not len(near):
        return _Refused(0, settings.no_pole)
    level = float(np.median(near.xyz[:, 2]))
    start = np.array([centre[0], centre[1], 0.0, 0.0])
    # First where a lean does not show yet, then over the whole pole, then as tightly as the noise allows.
    middle = near.take(np.abs(near.xyz[:, 2] - level) < _BAND_M)
    fit = fit_distances(distances(middle.xyz, level, radius), start, gate_m=3 * tolerance)
    if fit is not None:
        fit = fit_distances(distances(near.xyz, level, radius), fit.parameters, gate_m=3 * tolerance)
    if fit is not None:
        noise_m2 = min(float(np.var(fit.residual_m)), tolerance**2)
        fit = fit_distances(
            distances(near.xyz, level, radius, noise_m2), fit.parameters, gate_m=2.5 * tolerance
        )
    if fit is None or np.linalg.norm(fit.parameters[:2] - centre) > radius + 0.05:
        return _Refused(0, settings.no_pole)
    kept = near.take(fit.kept)
    lean = float(np.degrees(np.arctan(np.hypot(*fit.parameters[2:4]))))
    low, high = (float(v) for v in np.quantile(kept.xyz[:, 2], [0.02, 0.98]))
    at = _height_of_mark(settings, ground_m, high)
    place = fit.parameters[:2] + fit.parameters[2:4] * (at - level)
    if math.hypot(*place) > settings.search_radius_m:
        return _Refused(0, settings.no_pole)
    why = _not_a_pole(near, fit, settings, level)
    if why is not None:
        return _Refused(1, why)
    count = len(kept)
    if high - low < _LEAST_LENGTH_M:
        return _Refused(
            1,
            NotMeasured(
                code=Reason.PARTLY_COVERED,
                reason=f"Only {high - low:.2f} m of the pole's height was seen; at least "
                f"{_LEAST_LENGTH_M:.2f} m is needed.",
            ),
        )
    if count < FEWEST_POINTS:
        return _Refused(
            2,
            NotMeasured(
                code=Reason.TOO_SPARSE,
                reason=f"Only {count} points lie on the pole; at least {FEWEST_POINTS} are needed.",
            ),
        )
    if lean > _MOST_LEAN_DEGREES:
        return _Refused(
            3,
            NotMeasured(
                code=Reason.NO_FIT,
                reason=f"The pole leans by {lean:.1f} degrees; more than "
                f"{_MOST_LEAN_DEGREES:.0f} degrees leaves open "
                "where on it the surveyed point lies.",
            ),
        )
    arc, gap = arc_degrees(fit)
    lines = _lines_on(kept)
    strips = gap > _WIDEST_GAP_DEGREES or (lines is not None and lines < _FEWEST_LINES)
    free = fit_distances(
        distances(near.xyz, level, None, noise_m2), np.append(fit.parameters, radius), gate_m=2.5 * tolerance
    )
    free_lines = None if free is None or near.lines is None else near.lines[free.kept]
    sigma_radius = math.inf if free is None else math.sqrt(axis_covariance(free, free_lines)[4, 4])
    too_little = _Refused(
        4,
        NotMeasured(
            code=Reason.PARTLY_COVERED,
            reason=f"What was seen ({count} points over an arc of {arc:.0f} degrees) is too "
            f"little to prove its "
            "diameter: too short an arc, too few scan lines, or no pole.",
        ),
    )
    sure = sigma_radius <= _OTHER_SIZE / _EXCLUDED_SIGMAS * radius
    if free is None or arc < _LEAST_ARC_DEGREES or strips or not sure:
        return too_little
    other = abs(free.parameters[4] - radius)
    if other > _SIZE_SIGMAS * sigma_radius + _SIZE_SLACK * radius:
        return _Refused(
            5,
            NotMeasured(
                code=Reason.WRONG_SIZE,
                reason=f"The pole here has a diameter of {2 * free.parameters[4]:.3f} m, not "
                f"{2 * radius:.3f} m.",
            ),
        )
    if other + _EXCLUDED_SIGMAS * sigma_radius > _OTHER_SIZE * radius:
        return too_little
    whole = axis_covariance(fit, kept.lines)
    lever = np.array([[1, 0, at - level, 0], [0, 1, 0, at - level]])
    covariance = np.eye(3)
    covariance[:2, :2] = lever @ whole @ lever.T
    sigma = math.sqrt(float(np.trace(covariance[:2, :2])) / 2)
    if sigma > _LARGEST_UNCERTAINTY_M:
        return _Refused(
            6,
            NotMeasured(
                code=Reason.TOO_SPARSE,
                reason=f"The axis of the pole is known to {sigma * 1000:.1f} mm only, from {count} points.",
            ),
        )
    return Position(
        place_m=np.array([place[0], place[1], at]),
        covariance_m2=covariance,
        points=count,
        source_id=int(kept.source_id[0]),
        time_s=kept.median_time_s,
        has_height=False,
    )


def _height_of_mark(settings: _Search, ground_m: float, top_m: float) -> float:
    if settings.height_m is not None:
        return ground_m + settings.height_m
    return min(max(0.0, ground_m), top_m)


def arc_degrees(fit: Fit) -> tuple[float, float]:
    """How much of the circumference was seen, and the widest gap inside that arc, in degrees.

    The arc is 360 less the widest gap between well-filled 10 degrees.
    """
    angle = np.degrees(np.arctan2(-fit.design[:, 1], -fit.design[:, 0])) % 360
    counts = np.bincount((angle // 10).astype(np.int64), minlength=36)
    full = np.nonzero(counts >= max(2, 0.02 * counts.sum() / 3.6))[0]
    if full.size < 2:
        return 0.0, 0.0
    gaps = np.sort(np.diff(np.append(full, full[0] + 36)) - 1)
    return float(360 - 10 * gaps[-1]), float(10 * gaps[-2])


def _lines_on(kept: Cloud) -> int | None:
    """Scan lines with at least three points on the pole; None where times show no lines."""
    if kept.lines is None:
        return None
    return int(np.count_nonzero(np.bincount(kept.lines) >= 3))


def _not_a_pole(near: Cloud, fit: Fit, settings: _Search, level_m: float) -> NotMeasured | None:
    """Points inside, or a surface that goes on beside the pole: a bush, a wall, a body's corner."""
    distance, _ = distances(near.xyz, level_m, settings.radius_m)(fit.parameters)
    kept_up = near.xyz[fit.kept, 2]
    band = (near.xyz[:, 2] >= kept_up.min()) & (near.xyz[:, 2] <= kept_up.max())
    count = int(np.count_nonzero(fit.kept))
    reach = max(4.685 * fit.scale_m, 0.05 * settings.radius_m)
    inside = int(np.count_nonzero(band & (distance < -reach)))
    beside = int(np.count_nonzero(band & (distance > reach) & (distance < 0.5 * settings.radius_m + reach)))
    if inside > 0.12 * count + 3:
        return NotMeasured(
            code=Reason.NO_FIT,
            reason=f"What stands here is no pole: {inside} points lie inside it and {count} on "
            f"it, as in a bush.",
        )
    if fit.scale_m > _MOST_SCATTER_M + 0.02 * settings.radius_m:
        return NotMeasured(
            code=Reason.NO_FIT,
            reason=f"What stands here is no pole of that size: its points scatter by "
            f"{1000 * fit.scale_m:.0f} mm "
            "about one.",
        )
    if beside > 0.25 * count + 3:
        return NotMeasured(
            code=Reason.NO_FIT,
            reason=f"What stands here is no pole: its surface goes on beside it ({beside} points "
            f"beside, {count} on it).",
        )
    return None
