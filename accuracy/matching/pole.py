"""A round pole in the cloud -> where its axis stands, or why that is not known.

After ``solid``; beside ``sphere``. Bollards, lamp posts and sign posts of known diameter, seen from one
side. The axis may lean; it is evaluated at the checkpoint's height, or at a given height above the
ground. A free diameter is fitted only to check the size: seen over less than a half-turn it trades
against the distance along the line of sight.
"""

from __future__ import annotations

import math

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
from accuracy.matching.solid_search import (
    FEWEST_POINTS,
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
from accuracy.model import FloatArray, HorizontalResidual, IntArray, NotMeasured, Patch, Reason

# Where no source is named the value is our judgement, held by the simulations in the tests.
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
_SIZE_SLACK = 0.02
_MOST_SEARCHED = 5000


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
    sought = Sought("pole", diameter_m / 2, search_radius_m)
    cloud = cloud_of(patch, search_radius_m + diameter_m)
    seen = over_passes(cloud, lambda part: _find(part, sought, height_m))
    if isinstance(seen, NotMeasured):
        return seen
    return residual_of(
        seen,
        method="pole",
        size_m=diameter_m,
        survey_covariance_m2=survey_covariance_m2,
        survey_sigma_height_m=survey_sigma_height_m,
    )


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


def _find(cloud: Cloud, sought: Sought, height_m: float | None) -> Position | NotMeasured:
    few = too_few_to_look("pole", len(cloud))
    if few is not None:
        return few
    ground = ground_height_m(cloud.xyz[:, 2])
    up = cloud.xyz[:, 2] - ground
    low = _CLEAR_OF_GROUND_M if height_m is None else height_m - _BAND_M
    high = math.inf if height_m is None else height_m + _BAND_M
    standing = cloud.take((up > max(low, _CLEAR_OF_GROUND_M)) & (up < high))
    if len(standing) < FEWEST_POINTS:
        return NotMeasured(
            code=Reason.TOO_FEW_POINTS,
            reason=f"Only {len(standing)} points stand above the ground near the checkpoint; at least "
            f"{FEWEST_POINTS} are needed on a pole.",
        )
    tree = cKDTree(standing.xyz[:, :2])
    # Where the mark was surveyed, above the ground's height; None takes the checkpoint's own.
    mark_m = None if height_m is None else ground + height_m
    return the_only_one(
        sought,
        _candidates(standing.xyz, sought),
        lambda centre: _judge(standing, tree, centre, sought, ground, mark_m),
    )


def _candidates(xyz: FloatArray, sought: Sought) -> list[FloatArray]:
    """Circles through two neighbouring points in plan, best supported first (Fischler & Bolles 1981)."""
    radius, tolerance = sought.radius_m, sought.tolerance_m
    generator = np.random.default_rng(0)
    sample = sampled(xyz[:, :2], _MOST_SEARCHED, generator)
    tree = cKDTree(sample)
    seeds = generator.integers(0, len(sample), SEEDS)
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
    centres = centres[np.hypot(*centres.T) <= 1.2 * sought.search_radius_m]
    if not len(centres):
        return []
    away = distances_between(centres, sample)
    # A pole that leans blurs its circle: the shell is wider than for a sphere.
    support = np.count_nonzero(np.abs(away - radius) < 1.5 * tolerance, axis=1) - np.count_nonzero(
        away < radius - 3 * tolerance, axis=1
    )
    return best_supported(centres, support, apart_m=sought.apart_m, least_share=0.15)


def _judge(  # noqa: PLR0911 - one return for each reason
    cloud: Cloud,
    tree: cKDTree,
    centre: FloatArray,
    sought: Sought,
    ground_m: float,
    mark_m: float | None,
) -> Position | Refused:
    """Fit one candidate and hold it against everything that a pole must be."""
    radius, tolerance = sought.radius_m, sought.tolerance_m
    near = cloud.take(np.sort(np.asarray(tree.query_ball_point(centre, 2.0 * radius + 0.06), dtype=np.int64)))
    near = near.take(in_company(near.xyz))
    if not len(near):
        return Refused(0, sought.nothing)
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
        return Refused(0, sought.nothing)
    kept = near.take(fit.kept)
    lean = float(np.degrees(np.arctan(np.hypot(*fit.parameters[2:4]))))
    low, high = (float(v) for v in np.quantile(kept.xyz[:, 2], [0.02, 0.98]))
    at = min(max(0.0, ground_m), high) if mark_m is None else mark_m
    place = fit.parameters[:2] + fit.parameters[2:4] * (at - level)
    if math.hypot(*place) > sought.search_radius_m:
        return Refused(0, sought.nothing)
    why = _not_a_pole(near, fit, radius, level)
    if why is not None:
        return Refused(1, why)
    count = len(kept)
    if high - low < _LEAST_LENGTH_M:
        return Refused(
            1,
            NotMeasured(
                code=Reason.PARTLY_COVERED,
                reason=f"Only {high - low:.2f} m of the pole's height was seen; at least "
                f"{_LEAST_LENGTH_M:.2f} m is needed.",
            ),
        )
    few = too_few_on_it("pole", count)
    if few is not None:
        return Refused(2, few)
    if lean > _MOST_LEAN_DEGREES:
        return Refused(
            3,
            NotMeasured(
                code=Reason.NO_FIT,
                reason=f"The pole leans by {lean:.1f} degrees; more than {_MOST_LEAN_DEGREES:.0f} degrees "
                "leaves open where on it the surveyed point lies.",
            ),
        )
    arc, gap = arc_degrees(fit)
    lines = _lines_on(kept)
    strips = gap > _WIDEST_GAP_DEGREES or (lines is not None and lines < _FEWEST_LINES)
    free = fit_distances(
        distances(near.xyz, level, None, noise_m2), np.append(fit.parameters, radius), gate_m=2.5 * tolerance
    )
    free_lines = None if free is None or near.lines is None else near.lines[free.kept]
    wrong = not_that_size(
        "pole",
        radius,
        None if free is None else float(free.parameters[4]),
        math.inf if free is None else math.sqrt(axis_covariance(free, free_lines)[4, 4]),
        slack=_SIZE_SLACK,
        seen_enough=arc >= _LEAST_ARC_DEGREES and not strips,
        too_little=NotMeasured(
            code=Reason.PARTLY_COVERED,
            reason=f"What was seen ({count} points over an arc of {arc:.0f} degrees) is too little to prove "
            "its diameter: too short an arc, too few scan lines, or no pole.",
        ),
        stage=4,
    )
    if wrong is not None:
        return wrong
    whole = axis_covariance(fit, kept.lines)
    lever = np.array([[1, 0, at - level, 0], [0, 1, 0, at - level]])
    covariance = np.eye(3)
    covariance[:2, :2] = lever @ whole @ lever.T
    sigma = math.sqrt(float(np.trace(covariance[:2, :2])) / 2)
    unsure = too_unsure("axis of the pole", sigma, count)
    if unsure is not None:
        return Refused(6, unsure)
    return Position(
        place_m=np.array([place[0], place[1], at]),
        covariance_m2=covariance,
        points=count,
        source_id=int(kept.source_id[0]),
        time_s=kept.median_time_s,
        has_height=False,
    )


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


def _not_a_pole(near: Cloud, fit: Fit, radius_m: float, level_m: float) -> NotMeasured | None:
    """Points inside, or a surface that goes on beside the pole: a bush, a wall, a body's corner."""
    distance, _ = distances(near.xyz, level_m, radius_m)(fit.parameters)
    kept_up = near.xyz[fit.kept, 2]
    band = (near.xyz[:, 2] >= kept_up.min()) & (near.xyz[:, 2] <= kept_up.max())
    reach = max(TIMES_SCALE * fit.scale_m, 0.05 * radius_m)
    beside = band & (distance > reach) & (distance < 0.5 * radius_m + reach)
    return not_alone(
        "pole",
        fit,
        radius_m,
        inside=int(np.count_nonzero(band & (distance < -reach))),
        beside=int(np.count_nonzero(beside)),
        most_beside=0.25,
    )
