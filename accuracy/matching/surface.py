"""Patch -> height of the cloud's surface above the checkpoint, or why there is none.

After ``reading``, before ``statistics``. The order of work: take the points near the checkpoint
(``window``), part them into layers and choose the one the checkpoint is on (``layers``, ``sheet``),
look for edges (``edges``), fit a surface that may bend slightly (``plane``), and state how well its
height is known, errors that neighbouring points share included (``correlation``, ``height``), from a
wider window where no scan lines show them (``around``, ``lumps``).
Radius and model follow from the points alone, so the same points in any order give the same answer.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from accuracy.matching.around import Around, look_around
from accuracy.matching.edges import break_distance, edge_distance
from accuracy.matching.height import HeightFit, fit_height
from accuracy.matching.layers import MEMBER_SIGMAS
from accuracy.matching.neighbours import nearest_height, tin_height
from accuracy.matching.sheet import Sheet, find_sheet, too_few
from accuracy.matching.window import Points, SurfaceSettings, points_of, storage_step_m
from accuracy.model import Flag, NotMeasured, Patch, Reason, VerticalResidual

__all__ = ["SurfaceSettings", "measure_height"]

_DEFAULT = SurfaceSettings()
_GROWTH = 1.4
_SHRINKAGE = 0.7
_ENOUGH_TO_SHRINK = 80
_MOST_TURNS = 10
_LINES_WANTED = 8
_LINES_RADIUS_M = 1.5  # half a street: for the sake of lines alone it grows no further


def measure_height(
    patch: Patch, *, survey_sigma_m: float | None, settings: SurfaceSettings = _DEFAULT
) -> VerticalResidual | NotMeasured:
    """Height of the cloud's surface at the checkpoint, as an offset from it, with its uncertainty.

    Args:
        patch: points around the checkpoint; withheld and noise points already left out.
        survey_sigma_m: standard uncertainty of the checkpoint's own height; None where not known.
        settings: sizes and limits.

    Returns:
        VerticalResidual, or NotMeasured with the reason in a surveyor's words.
    """
    measured = _measured(patch, survey_sigma_m, settings)
    if not isinstance(measured, NotMeasured) or not patch.left_out:
        return measured
    of_all = f"within {patch.outer_radius_m:.1f} m of the checkpoint"
    if measured.code is Reason.OUTSIDE_CLOUD:
        left = (
            f"the nearest of the others is {_nearest_m(patch):.2f} m away"
            if len(patch)
            else "no other lies there"
        )
        return NotMeasured(
            code=Reason.LEFT_OUT,
            reason=f"The points {of_all} were left out ({patch.left_out_words}); {left}.",
        )
    if measured.code is Reason.TOO_FEW_POINTS:
        return replace(measured, reason=f"{measured.reason} Left out {of_all}: {patch.left_out_words}.")
    return measured


def _nearest_m(patch: Patch) -> float:
    return float(np.min(np.hypot(patch.east_m, patch.north_m)))


def _measured(
    patch: Patch, survey_sigma_m: float | None, settings: SurfaceSettings
) -> VerticalResidual | NotMeasured:
    points = points_of(patch)
    # Beyond the whole radius points may be thinned, which would pass for a change of density.
    whole = patch.whole_radius_m if patch.outer_share < 1 else patch.outer_radius_m
    largest = min(settings.largest_radius_m, whole)
    sheet = _grown_sheet(points, largest, patch.outer_radius_m, settings)
    edge: float | None = None
    around: Around | None = None
    looked = False
    for _ in range(_MOST_TURNS):
        if isinstance(sheet, NotMeasured):
            return sheet
        found = _edge(sheet)
        edge = _nearer(edge, _nearer(found, sheet.beside_m))
        if found is not None and found < _too_near(sheet, settings):
            return _refused_edge(found)
        try:
            fit = _fit(sheet, settings, around)
            if sheet.lines is None and not looked:
                # Before any step is believed: lumps pass for steps where they are taken for even ground.
                looked = True
                around = look_around(
                    points, fit.coefficients, fit.roughness_m, sheet.radius_m, largest, settings
                )
                if around is not None:
                    fit = _fit(sheet, settings, around)
        except np.linalg.LinAlgError:
            return NotMeasured(
                code=Reason.COLLINEAR,
                reason=f"The {sheet.points} points of the surface do not fix its height and slope.",
            )
        if fit.step is None:
            smaller = _shrunk(points, sheet, settings) if fit.uneven else None
            if smaller is None:
                return _judged(points, sheet, fit, edge, survey_sigma_m, settings)
            sheet = smaller
        elif fit.step.offset_m < _too_near(sheet, settings):
            return _refused_edge(fit.step.offset_m)
        else:
            # The checkpoint's own side of the step.
            edge = _nearer(edge, fit.step.offset_m)
            points = points.take(~fit.step.beyond(points.east_m, points.north_m))
            sheet = _grown_sheet(points, sheet.radius_m, patch.outer_radius_m, settings)
    return NotMeasured(
        code=Reason.EDGE,
        reason=f"Several edges run within {edge or 0.0:.2f} m of the checkpoint; no even surface is left.",
    )


def _too_near(sheet: Sheet, settings: SurfaceSettings) -> float:
    return max(settings.nearest_edge_m, 1.5 * sheet.spacing_m)


# --------------------------------------------------------------------------- radius


def _grown_sheet(
    points: Points, largest_m: float, outer_m: float, settings: SurfaceSettings
) -> Sheet | NotMeasured:
    """The sheet within the smallest radius that holds enough points and scan lines of it."""
    near = points.count_within(largest_m)
    if near == 0:
        text = (
            f"The nearest point is {float(np.min(points.distance_m)):.2f} m away."
            if len(points)
            else f"None lies within {outer_m:.1f} m either."
        )
        return NotMeasured(
            code=Reason.OUTSIDE_CLOUD,
            reason=f"The cloud has no points within {largest_m:.1f} m of the checkpoint. {text}",
        )
    if near < settings.fewest_points:
        return too_few(near, largest_m, settings)
    radius = largest_m
    if near >= settings.wanted_points:
        enough = points.radius_of(settings.wanted_points)
        radius = float(np.clip(enough, min(settings.smallest_radius_m, largest_m), largest_m))
    best = find_sheet(points.within(radius), radius, settings)
    while radius < largest_m and _wants_more(best, settings):
        radius = min(_GROWTH * radius, largest_m)
        larger = find_sheet(points.within(radius), radius, settings)
        if isinstance(larger, Sheet) or isinstance(best, NotMeasured):
            best = larger
    return best


def _wants_more(sheet: Sheet | NotMeasured, settings: SurfaceSettings) -> bool:
    if isinstance(sheet, NotMeasured) or sheet.points < settings.wanted_points / 3:
        return True
    return sheet.lines is not None and sheet.lines < _LINES_WANTED and sheet.radius_m < _LINES_RADIUS_M


def _shrunk(points: Points, sheet: Sheet, settings: SurfaceSettings) -> Sheet | None:
    """The sheet within a smaller radius; None where that would leave too few points of it."""
    if sheet.points < _ENOUGH_TO_SHRINK:
        return None
    radius = _SHRINKAGE * sheet.radius_m
    smaller = find_sheet(points.within(radius), radius, settings)
    return smaller if isinstance(smaller, Sheet) else None


def _nearer(first: float | None, second: float | None) -> float | None:
    if first is None or second is None:
        return second if first is None else first
    return min(first, second)


# --------------------------------------------------------------------------- steps of the measurement


def _edge(sheet: Sheet) -> float | None:
    window = sheet.window
    return edge_distance(
        window.east_m,
        window.north_m,
        sheet.above_m,
        sheet.on,
        member_band_m=MEMBER_SIGMAS * sheet.layer.scale_m,
        cell_m=2.5 * sheet.spacing_m,
    )


def _fit(sheet: Sheet, settings: SurfaceSettings, around: Around | None) -> HeightFit:
    on, window = sheet.on, sheet.window
    return fit_height(
        window.east_m[on],
        window.north_m[on],
        window.up_m[on],
        scale_m=sheet.layer.scale_m,
        start=sheet.layer.coefficients,
        passes=sheet.passes[on],
        offsets_m=sheet.offsets_m,
        time_s=None if window.time_s is None else window.time_s[on],
        curvature_sigma_per_m=settings.curvature_sigma_per_m,
        pass_tolerance_m=settings.pass_tolerance_m,
        step_m=storage_step_m(window.up_m),
        around=around,
    )


def _refused_edge(distance_m: float) -> NotMeasured:
    where = "through" if distance_m < 0.005 else f"{distance_m:.2f} m from"
    return NotMeasured(
        code=Reason.EDGE,
        reason=(
            f"An edge (a kerb, a lip, a wall's foot or a drop) runs {where} the checkpoint: "
            "the cloud does not tell on which side of it the mark lies."
        ),
    )


def _judged(
    points: Points,
    sheet: Sheet,
    fit: HeightFit,
    edge_m: float | None,
    survey_sigma_m: float | None,
    settings: SurfaceSettings,
) -> VerticalResidual | NotMeasured:
    slope_percent = 100 * float(np.hypot(fit.coefficients[1], fit.coefficients[2]))
    if slope_percent > settings.steepest_percent:
        return NotMeasured(
            code=Reason.TOO_STEEP,
            reason=(
                f"The surface rises {slope_percent:.0f} %; over {settings.steepest_percent:.0f} % its height "
                "says more about the horizontal error than about the vertical."
            ),
        )
    if fit.roughness_m > settings.roughest_m:
        return NotMeasured(
            code=Reason.TOO_ROUGH,
            reason=(
                f"The points scatter by {fit.roughness_m:.2f} m about the surface; "
                f"over {settings.roughest_m:.2f} m it is no surface to measure to."
            ),
        )
    if fit.points < settings.fewest_points:
        return too_few(fit.points, sheet.radius_m, settings)
    own_m = float(np.sqrt(max(fit.uncertainty_m**2 - fit.pass_uncertainty_m**2, 0.0)))
    if own_m > settings.largest_uncertainty_m:
        return NotMeasured(
            code=Reason.TOO_SPARSE,
            reason=(
                f"The {fit.points} points within {sheet.radius_m:.2f} m give the height only to "
                f"{own_m:.2f} m (standard uncertainty); the limit is {settings.largest_uncertainty_m:.2f} m."
            ),
        )
    if edge_m is None:
        edge_m = _break(points, fit, settings)

    on = sheet.on
    kept = np.flatnonzero(on)[fit.kept]
    window = sheet.window.take(kept)
    plain = (tin_height(window.east_m, window.north_m, window.up_m), nearest_height(window.up_m))
    heights = [fit.height_m, *(v for v in plain if v is not None)]
    spread = float(np.ptp(heights))
    # Three points scatter by about their noise, and lie downhill or uphill by their distance.
    reach = float(np.max(window.distance_m[:3]))
    tolerated = 4 * fit.roughness_m + slope_percent / 100 * reach + fit.uncertainty_m
    area = float(np.pi * sheet.radius_m**2)
    density = fit.points * sheet.thinning / area
    place = sheet.surround
    said = {
        Flag.SLOPE_OVER_10_PERCENT: slope_percent > settings.advised_percent,
        Flag.BREAK_WITHIN_3_M: edge_m is not None and edge_m <= settings.break_within_m,
        Flag.SEVERAL_LAYERS: sheet.layers > 1,
        Flag.PASSES_DISAGREE: fit.passes_disagree,
        Flag.ESTIMATES_DISAGREE: spread > tolerated,
        Flag.SPARSE: fit.points < 30,
        Flag.ROUGH: fit.roughness_m > settings.rough_m,
        Flag.CURVED: fit.curved,
        Flag.FAR_FROM_CHECKPOINT: place.outside_m > 0 or place.nearest_m > 3 * sheet.spacing_m,
    }
    normal = np.array([-fit.coefficients[1], -fit.coefficients[2], 1.0])
    normal /= np.linalg.norm(normal)
    return VerticalResidual(
        residual_m=fit.height_m,
        standard_uncertainty_m=float(np.hypot(fit.uncertainty_m, survey_sigma_m or 0.0)),
        fit_uncertainty_m=fit.uncertainty_m,
        survey_uncertainty_m=survey_sigma_m,
        points=fit.points,
        radius_m=sheet.radius_m,
        density_per_m2=density,
        slope_percent=slope_percent,
        roughness_m=fit.roughness_m,
        normal=(float(normal[0]), float(normal[1]), float(normal[2])),
        tin_residual_m=plain[0],
        nearest_residual_m=plain[1],
        spread_m=spread,
        layers=sheet.layers,
        passes=fit.passes,
        pass_difference_m=fit.pass_difference_m,
        surface="quadratic" if fit.curved else "plane",
        time_s=None if window.time_s is None else float(np.median(window.time_s)),
        flags=tuple(flag for flag, holds in said.items() if holds),
    )


def _break(points: Points, fit: HeightFit, settings: SurfaceSettings) -> float | None:
    # The slope alone: curvature fitted within half a metre means nothing three metres away.
    above = points.up_m - (
        fit.coefficients[0] + fit.coefficients[1] * points.east_m + fit.coefficients[2] * points.north_m
    )
    return break_distance(
        points.east_m, points.north_m, above, within_m=settings.break_within_m, noise_m=fit.roughness_m
    )
