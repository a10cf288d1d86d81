"""From a place on the search's grid to within an edge width: least squares on the blurred template.

After target_search, before target_fit. Gauss-Newton on shift, turn and tone values with robust
weights (Gruen 1985; Huber 1964), first with wide edges, then narrower ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from accuracy.matching.target_field import Raster, blurred
from accuracy.matching.target_search import Candidate
from accuracy.model import BoolArray, FloatArray

_STEPS = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Start:
    """Where the likelihood starts: place, tones, and the share of variance explained there."""

    x_m: float
    y_m: float
    rotation_rad: float
    tones: FloatArray
    spreads: FloatArray
    explained: float


def window_of(
    raster: Raster, size_m: float, x_m: FloatArray, y_m: FloatArray, at: tuple[float, float, float]
) -> BoolArray:
    """Which points (n,) the template is compared with when it lies at (x, y, turn)."""
    u, v = _turned(size_m, x_m, y_m, at)
    return np.asarray(raster.lookup(raster.window, u, v, 0.0).astype(bool))


def _turned(
    size_m: float, x_m: FloatArray, y_m: FloatArray, at: tuple[float, float, float]
) -> tuple[FloatArray, FloatArray]:
    dx, dy = (x_m - at[0]) / size_m, (y_m - at[1]) / size_m
    c, s = np.cos(at[2]), np.sin(at[2])
    return c * dx + s * dy, -s * dx + c * dy


_MOST_POINTS = 700


def refine(
    raster: Raster,
    size_m: float,
    x_m: FloatArray,
    y_m: FloatArray,
    value: FloatArray,
    start: Candidate | Start,
    *,
    stage: float,
) -> Start | None:
    """Least squares from a place; None where the window holds too little to solve it.

    ``stage`` is the edge width to blur by, in units of the narrowest feature of the mark.
    """
    at = np.array([start.x_m, start.y_m, start.rotation_rad])
    k = len(raster.template.tones)
    field = blurred(raster, max(stage * raster.detail, 1.5 * raster.smallest_blur))
    inside = np.nonzero(window_of(raster, size_m, x_m, y_m, (at[0], at[1], at[2])))[0]
    if len(inside) < 3 * (k + 3):
        return None
    inside = inside[:: -(-len(inside) // _MOST_POINTS)]
    x, y, z = x_m[inside], y_m[inside], value[inside]
    low, high = np.percentile(z, [1, 99])
    share = residual = tones = np.empty(0)
    for _ in range(_STEPS + 1):
        u, v = _turned(size_m, x, y, (at[0], at[1], at[2]))
        share, by_u, by_v, _ = field.at(u, v)
        if (share.sum(axis=1) < 1.0).any():
            return None
        if not tones.size:
            tones = np.asarray(np.linalg.lstsq(share.T, z, rcond=None)[0])
        residual = z - tones @ share
        scale = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        weight = np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(residual), 1e-12))
        c, s = np.cos(at[2]) / size_m, np.sin(at[2]) / size_m
        du, dv = tones @ by_u, tones @ by_v
        design = np.column_stack((-c * du + s * dv, -s * du - c * dv, v * du - u * dv, share.T))
        normal = (design * weight[:, None]).T @ design
        # A little damping: the turn of a disc changes nothing.
        damping = np.diag(normal) * np.r_[1e-3, 1e-3, 1e-3, np.full(k, 1e-9)] + 1e-9 * np.trace(normal)
        step = np.linalg.solve(normal + np.diag(damping), design.T @ (residual * weight))
        step[:2] = np.clip(step[:2], -0.15 * size_m * raster.detail, 0.15 * size_m * raster.detail)
        step[2] = np.clip(step[2], -0.15, 0.15)
        at = at + step[:3]
        tones = tones + step[3:]
        if np.hypot(step[0], step[1]) < 1e-3 * size_m:
            break
    sure = share.argmax(axis=0)
    spreads = [
        1.4826 * float(np.median(np.abs(residual[sure == tone]))) if (sure == tone).sum() > 3 else z.std()
        for tone in range(k)
    ]
    modelled = np.clip(tones @ share, low, high)
    clipped = np.clip(z, low, high)
    explained = 1.0 - float(np.mean((clipped - modelled) ** 2)) / max(float(clipped.var()), 1e-12)
    return Start(
        x_m=float(at[0]),
        y_m=float(at[1]),
        rotation_rad=float(at[2]),
        tones=tones,
        spreads=np.maximum(spreads, 0.02 * max(float(np.ptp(tones)), 1e-9)),
        explained=explained,
    )
