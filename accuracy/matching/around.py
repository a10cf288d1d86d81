"""The sheet further out than the fit's window -> the errors that neighbouring points share, and the bending.

Between ``sheet`` and ``lumps``, which find the ground and the covariance there, and ``height``, which
carries both through the fit. Clouds matched from images need it: their errors come in lumps of
centimetres to decimetres, without scan lines to show it. The window widens only while it shows lumps
that are large against it, and keeps to the checkpoint's own side of any step. The radius of the fit does
not grow, as a lump cannot be told from a wave of the ground: averaged over a real wave the height would
be wrong by more than is stated, whereas from nearby its stated uncertainty is at worst too large.

What remains: lumps so large that the widest window holds few of them (half a metre and more), or cut
short by edges, are partly taken for ground. Where no scan lines are seen, ground that is uneven over
decimetres is taken for lumps, so the uncertainty is stated larger there than it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from accuracy.matching.correlation import pass_contrasts
from accuracy.matching.edges import Cut, strongest_step
from accuracy.matching.layers import MAD_TO_SIGMA
from accuracy.matching.lumps import Lumps, LumpyErrors, fit_lumps, neighbours_agree, neighbours_may_agree
from accuracy.matching.plane import curvature_penalty, design_matrix, gain
from accuracy.matching.sheet import Sheet, find_sheet
from accuracy.matching.window import Points, SurfaceSettings
from accuracy.model import FloatArray, NotMeasured

STEP_M = 0.01
"""A lower lip cannot be told from texture and harms no height (judgement)."""

STEP_P = 3e-6
"""Some three hundred lines are tried at each checkpoint."""

CURVED_P = 0.001

_FREE_CURVATURE_PER_M = 10.0
_LUMPS_ACROSS = 8.0  # radius over length: more than a hundred degrees of freedom
_WIDEST_M = 1.5  # half a street
_GROWTH = 1.4
_MOST_LOOKS = 12
_BAND_M = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Around:
    """What a wider window says of a sheet whose neighbouring points share errors."""

    lumps: Lumps
    bend_per_m: FloatArray
    """(3,) curvatures."""
    bend_sigma_per_m: float
    curved: bool


def loose_penalty(columns: int) -> FloatArray:
    """Curvature all but free: radii down to a hand."""
    return curvature_penalty(columns, _FREE_CURVATURE_PER_M)


def look_around(
    points: Points,
    coefficients: FloatArray,
    roughness_m: float,
    radius_m: float,
    largest_m: float,
    settings: SurfaceSettings,
) -> Around | None:
    """Errors that neighbours share, from a window that holds many lumps; None where there are none.

    Args:
        points: all around the checkpoint.
        coefficients: (6,) of the surface fitted near the checkpoint.
        roughness_m: scatter of the points about it.
        radius_m: of that fit.
        largest_m: beyond which no window goes.
        settings: sizes and limits.
    """
    reach = min(max(settings.smallest_look_m, radius_m), largest_m)
    if not _worth_looking(points, coefficients, roughness_m, reach):
        return None
    end = max(reach, min(largest_m, _WIDEST_M))
    found: Around | None = None
    for _ in range(_MOST_LOOKS):
        sheet = find_sheet(points.within(reach), reach, settings)
        seen = None if isinstance(sheet, NotMeasured) else _seen(sheet, settings.curvature_sigma_per_m)
        if seen is None:
            return found
        if isinstance(seen, Cut):
            points = points.take(~seen.beyond(points.east_m, points.north_m))
            continue
        found = seen
        wanted = _LUMPS_ACROSS * seen.lumps.length_m
        if wanted <= reach or reach >= end:
            return found
        reach = min(max(wanted, _GROWTH * reach), end)
    return found


def _worth_looking(points: Points, coefficients: FloatArray, roughness_m: float, reach_m: float) -> bool:
    """Whether points near the extended surface show anything; saves even ground the search for layers."""
    near = points.distance_m <= reach_m
    east, north, up = points.east_m[near], points.north_m[near], points.up_m[near]
    # Curvature from a small window means nothing further out.
    above = up - (coefficients[0] + coefficients[1] * east + coefficients[2] * north)
    on = np.abs(above) <= _BAND_M + 6 * roughness_m
    design = design_matrix(east, north, bend=True)
    for _ in range(2):
        if np.count_nonzero(on) < design.shape[1]:
            return True
        solution, *_ = np.linalg.lstsq(design[on], above[on], rcond=None)
        rest = above - design @ solution
        on = np.abs(rest) <= 4 * MAD_TO_SIGMA * float(np.median(np.abs(rest[on])))
    return neighbours_may_agree(design[on], rest[on], east[on], north[on])


def _seen(sheet: Sheet, curvature_sigma_per_m: float) -> Around | Cut | None:
    """Lumps and bending of one window, or a step to cut it at first; None where no error is shared."""
    on, window = sheet.on, sheet.window
    east, north, height, passes = window.east_m[on], window.north_m[on], window.up_m[on], sheet.passes[on]
    design = np.column_stack(
        [design_matrix(east, north, bend=True), pass_contrasts(passes, sheet.offsets_m.size)]
    )
    if not neighbours_agree(design, height, east, north):
        return None
    cut = _step(design, height, east, north)
    if cut is not None:
        return cut
    lumps = fit_lumps(design, height, east, north)
    if lumps.field_m2 == 0:
        return None
    errors = LumpyErrors.at(lumps, east, north)
    free = gain(design, penalty=loose_penalty(design.shape[1]), variance_m2=lumps.point_m2).matrix[3:6]
    curvature, noise = free @ height, errors.covariance(free)
    # Held towards a plane by the bending allowed for, as far as the lumps hide it (normal prior).
    allowed = curvature_sigma_per_m**2 * np.eye(3)
    held = allowed @ np.linalg.inv(allowed + noise)
    left = allowed - held @ allowed
    statistic = curvature @ np.linalg.solve(noise, curvature) / 3
    return Around(
        lumps=lumps,
        bend_per_m=held @ curvature,
        bend_sigma_per_m=float(np.sqrt(max(np.trace(left), 0.0) / 3)),
        curved=bool(statistic > stats.f.isf(CURVED_P, 3, max(errors.least_dof, 3.0))),
    )


def _step(design: FloatArray, height: FloatArray, east: FloatArray, north: FloatArray) -> Cut | None:
    """A straight step that the lumps seen beside it do not explain."""
    found = strongest_step(design, height, east, north)
    if found is None:
        return None
    cut, column, _ = found
    both = np.column_stack([design, column])
    weights = np.linalg.pinv(both)[-1]
    errors = LumpyErrors.at(fit_lumps(both, height, east, north), east, north)
    step_m, (variance, dof) = float(weights @ height), errors.variance(weights)
    return cut if abs(step_m) > STEP_M and step_odds(step_m, variance, dof) < STEP_P else None


def step_odds(step_m: float, variance_m2: float, dof: float) -> float:
    """How seldom chance alone makes a step that high, to one side."""
    # Few lines judge a step badly, but a kerb is no matter of odds: twenty degrees of freedom at least.
    return float(stats.t.sf(abs(step_m) / np.sqrt(max(variance_m2, 1e-24)), max(dof, 20.0)))
