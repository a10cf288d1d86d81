"""What spheres, poles, corners and faces have in common: points in space, a robust fit, true covariances.

Before ``sphere``, ``pole``, ``corner`` and ``face``; after ``window`` and ``correlation``. Pure functions
on arrays of offsets from the checkpoint.

A solid mark is fitted to distances: every point lies some way off the surface along its normal. Errors
are shared by the points of one scan line, as a displacement in space and not as a distance: a line that
is 2 mm too high moves the top of a sphere by 2 mm and its side not at all. The variance is therefore
split between the single point and the line's displacement, seen through the normals (moments of
quadratic forms for random effects, Henderson 1953, Biometrics 9, 226-252).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats
from scipy.spatial import cKDTree

from accuracy.matching.correlation import inflation, scan_lines, time_passes
from accuracy.matching.plane import TUKEY_C, tukey_weight
from accuracy.matching.window import points_of
from accuracy.model import (
    BoolArray,
    Flag,
    FloatArray,
    HorizontalResidual,
    IntArray,
    NotMeasured,
    PassPosition,
    Patch,
)

_CHANCE = 0.5
_COMPANIONS = 5
_DISAGREE = 9.21  # 99 % point of chi-square with two degrees of freedom
_LEAST_VARIANCE_M2 = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Cloud:
    """Points near the checkpoint, and what their times say of them."""

    xyz: FloatArray
    """(n, 3) east, north, up."""
    lines: IntArray | None
    """(n,) scan lines, 0 .. L-1; None where times show none."""
    passes: IntArray
    """(n,)"""
    source_id: IntArray
    time_s: FloatArray | None

    def __len__(self) -> int:
        return int(self.xyz.shape[0])

    def take(self, which: BoolArray | IntArray) -> Cloud:
        """Those points only."""
        return Cloud(
            self.xyz[which],
            None if self.lines is None else self.lines[which],
            self.passes[which],
            self.source_id[which],
            None if self.time_s is None else self.time_s[which],
        )

    @property
    def median_time_s(self) -> float | None:
        """Median time, as the file stores it."""
        return None if self.time_s is None or not len(self) else float(np.median(self.time_s))


def cloud_of(patch: Patch, radius_m: float) -> Cloud:
    """The patch's points within that horizontal radius, each return once, nearest first."""
    near = points_of(patch).within(radius_m)
    near = near.take(np.isfinite(near.up_m) & np.isfinite(near.east_m) & np.isfinite(near.north_m))
    xyz = np.column_stack([near.east_m, near.north_m, near.up_m])
    if near.time_s is None or not np.all(np.isfinite(near.time_s)):
        _, passes = np.unique(near.source_id, return_inverse=True)
        return Cloud(xyz, None, np.asarray(passes, dtype=np.int64), near.source_id, None)
    passes = time_passes(near.time_s, near.source_id)
    return Cloud(xyz, scan_lines(near.time_s, passes), passes, near.source_id, near.time_s)


def in_company(places_m: FloatArray) -> BoolArray:
    """(n,) points with five others no further away than three times what is usual among them.

    A stray far beyond the end of a narrow face has so long a lever that the fit follows it, however
    robust: it must go before.
    """
    if len(places_m) < 2 * _COMPANIONS:
        return np.ones(len(places_m), dtype=bool)
    distance, _ = cKDTree(places_m).query(places_m, k=_COMPANIONS + 1)
    return np.asarray(distance[:, -1] <= 3.0 * np.median(distance[:, -1]))


# --------------------------------------------------------------------------- shared errors


@dataclass(frozen=True, slots=True, eq=False)
class Split:
    """Variance of a single point's distance, and of a line's displacement along any one axis."""

    point_m2: float
    line_m2: float
    point_dof: float
    line_dof: float

    def covariance(self, gain: FloatArray, normals: FloatArray, lines: IntArray | None) -> FloatArray:
        """(q, q) covariance of ``gain`` (q, n) @ distances, widened for few degrees of freedom."""
        total = self.point_m2 * inflation(self.point_dof) * (gain @ gain.T)
        if self.line_m2 > 0 and lines is not None:
            for axis in normals.T:
                moved = np.array([np.bincount(lines, weights=row * axis) for row in gain])
                total = total + self.line_m2 * inflation(self.line_dof) * (moved @ moved.T)
        return np.asarray((total + total.T) / 2)


def split_variance(
    design: FloatArray, residual_m: FloatArray, normals: FloatArray, lines: IntArray | None
) -> Split:
    """Split residuals' variance between points and line displacements; neither is negative.

    Args:
        design: (n, p) columns that were fitted.
        residual_m: (n,) distances off the fitted surface.
        normals: (n, 3) unit normals: how a displacement becomes a distance.
        lines: (n,) scan lines or None.
    """
    n = residual_m.size
    q, r = np.linalg.qr(design)
    independent = np.abs(np.diag(r)) > 1e-10 * np.max(np.abs(np.diag(r)))
    p = int(np.count_nonzero(independent))
    q = q[:, independent]
    e = residual_m - q @ (q.T @ residual_m)
    total = float(e @ e)
    alone = Split(max(total / max(n - p, 1), _LEAST_VARIANCE_M2), 0.0, float(max(n - p, 1)), 0.0)
    if lines is None:
        return alone
    _, lines = np.unique(lines, return_inverse=True)
    size = np.bincount(lines).astype(np.float64)
    count = size.size
    if count < 4 or n < 1.5 * count:
        return alone
    # Z_l' M Z_m for lines l, m, where Z_l holds the normals of line l and M projects the fit out.
    through = np.stack([[np.bincount(lines, weights=a * c) for c in q.T] for a in normals.T])  # (3, p, L)
    flat = through.transpose(2, 0, 1).reshape(3 * count, p)
    cross = -(flat @ flat.T)
    for i in range(3):
        for j in range(3):
            inner = np.bincount(lines, weights=normals[:, i] * normals[:, j])
            cross[np.arange(count) * 3 + i, np.arange(count) * 3 + j] += inner
    own = np.add.reduceat(np.diag(cross), np.arange(0, 3 * count, 3))  # tr Z_l' M Z_l
    moved = np.array([np.bincount(lines, weights=a * e) for a in normals.T])  # (3, L)
    form = float(np.sum(moved**2 / size))
    expected = np.array(
        [
            [n - p, float(np.sum(own))],
            [float(np.sum(own / size)), float(np.sum(cross**2 / np.repeat(size, 3)[:, None]))],
        ]
    )
    free, rest = expected[1, 0], n - p - expected[1, 0]
    if rest < 4 or free < 1:
        return alone
    between, within = form / free, max(total - form, 0.0) / rest
    if between <= within * stats.f.isf(_CHANCE, free, rest):
        return alone
    unit = max(total / max(n - p, 1), _LEAST_VARIANCE_M2)
    weight = 1 / np.sqrt(2 * expected[:, 0])
    solution, _ = optimize.nnls(expected * weight[:, None], np.array([total, form]) / unit * weight)
    return Split(
        max(float(solution[0]) * unit, _LEAST_VARIANCE_M2),
        float(solution[1]) * unit,
        float(rest),
        float(free),
    )


# --------------------------------------------------------------------------- robust fit

Surface = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""Parameters (p,) -> distances off the surface (n,) and their derivatives (n, p)."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A surface fitted to distances; arrays over the points that carry weight only."""

    parameters: FloatArray
    kept: BoolArray
    """Over all points: which carry weight."""
    residual_m: FloatArray
    design: FloatArray
    pseudo_m: FloatArray
    """Residuals that make the robust fit an ordinary one to first order (Huber 1981, section 7.8)."""
    scale_m: float

    @property
    def gain(self) -> FloatArray:
        """(p, n) how the parameters follow from the points' distances."""
        return np.asarray(-np.linalg.solve(self.design.T @ self.design, self.design.T))


def robust_scale(residual_m: FloatArray) -> float:
    """1.4826 times the median absolute residual."""
    return 1.4826 * float(np.median(np.abs(residual_m)))


def fit_distances(
    surface: Surface, start: FloatArray, *, gate_m: float, least_scale_m: float = 5e-4
) -> Fit | None:
    """Orthogonal distances brought to zero robustly: Gauss-Newton with biweights; None if it fails.

    The scale follows the points inside ``gate_m`` until it settles, then stays, so that the last
    steps are the M-step of an MM-estimate (Yohai 1987). Fewer points than parameters, or points
    that leave a parameter free, give None.
    """
    parameters = np.array(start, dtype=np.float64)
    scale = gate_m / TUKEY_C
    for step in range(40):
        distance, slope = surface(parameters)
        if step < 6:
            near = np.abs(distance) < gate_m
            if np.count_nonzero(near) <= parameters.size:
                return None
            scale = max(1.05 * robust_scale(distance[near]), least_scale_m)
        weight = tukey_weight(distance / scale)
        normal = (slope * weight[:, None]).T @ slope
        size = np.sqrt(np.diag(normal))
        if not np.all(size > 0):
            return None
        scaled = normal / np.outer(size, size)
        if np.linalg.cond(scaled) > 1e10:
            return None
        change = -np.linalg.solve(scaled, (slope.T @ (weight * distance)) / size) / size
        parameters = parameters + change
        moved = float(np.max(np.abs(slope @ change)))
        if not np.isfinite(moved) or moved > 100 * gate_m:
            return None
        if step >= 6 and moved < 1e-6:
            break
    distance, slope = surface(parameters)
    ratio = distance / scale
    weight = tukey_weight(ratio)
    kept = weight > 0
    if np.count_nonzero(kept) <= parameters.size:
        return None
    u2 = (ratio[kept] / TUKEY_C) ** 2
    mean_slope = max(float(np.mean((1 - u2) * (1 - 5 * u2))), 0.1)
    pseudo = weight[kept] * distance[kept] / mean_slope
    return Fit(parameters, kept, distance[kept], slope[kept], pseudo, scale)


# --------------------------------------------------------------------------- position and residual


@dataclass(frozen=True, slots=True, eq=False)
class Position:
    """Where a mark stands in the cloud, as an offset from the checkpoint."""

    place_m: FloatArray
    """(3,)"""
    covariance_m2: FloatArray
    """(3, 3), the survey's share not included."""
    points: int
    source_id: int
    time_s: float | None
    has_height: bool = True
    flags: tuple[Flag, ...] = ()


def over_passes(
    cloud: Cloud, find: Callable[[Cloud], Position | NotMeasured]
) -> list[Position] | NotMeasured:
    """What each pass sees, where at least two see the mark by themselves; else what all see together."""
    if np.unique(cloud.passes).size > 1:
        found = [find(cloud.take(cloud.passes == number)) for number in np.unique(cloud.passes)]
        seen = [position for position in found if isinstance(position, Position)]
        if len(seen) > 1:
            return seen
    together = find(cloud)
    return [together] if isinstance(together, Position) else together


def _joined(seen: Sequence[Position]) -> tuple[FloatArray, FloatArray, bool]:
    """Weighted mean place (3,), covariance (3, 3), and whether the passes disagree horizontally.

    The variance between passes follows from their differences (DerSimonian & Laird 1986, Controlled
    Clinical Trials 7, 177-188), for the plan and for the height apart.
    """
    if len(seen) == 1:
        return seen[0].place_m, seen[0].covariance_m2, False
    places = np.array([s.place_m for s in seen])
    extra = np.zeros(3)
    for axes in ([0, 1], [2]):
        weights = [np.linalg.inv(s.covariance_m2[np.ix_(axes, axes)]) for s in seen]
        part = places[:, axes]
        mean = np.linalg.solve(
            np.sum(weights, axis=0), sum(w @ x for w, x in zip(weights, part, strict=True))
        )
        q = sum(float((x - mean) @ w @ (x - mean)) for w, x in zip(weights, part, strict=True))
        sizes = np.array([np.trace(w) for w in weights])
        extra[axes] = max(
            0.0, (q - len(axes) * (len(seen) - 1)) / (sizes.sum() - (sizes**2).sum() / sizes.sum())
        )
    weights = [np.linalg.inv(s.covariance_m2 + np.diag(extra)) for s in seen]
    covariance = np.linalg.inv(np.sum(weights, axis=0))
    place = covariance @ sum(w @ x for w, x in zip(weights, places, strict=True))
    differ = any(
        float(
            (a.place_m - b.place_m)[:2]
            @ np.linalg.solve((a.covariance_m2 + b.covariance_m2)[:2, :2], (a.place_m - b.place_m)[:2])
        )
        > _DISAGREE
        for i, a in enumerate(seen)
        for b in seen[i + 1 :]
    )
    return np.asarray(place), np.asarray(covariance), differ


def residual_of(
    seen: Sequence[Position],
    *,
    method: str,
    size_m: float | None,
    survey_covariance_m2: tuple[float, float, float] | None,
    survey_sigma_height_m: float | None,
) -> HorizontalResidual:
    """The passes' positions as one residual, with the survey's uncertainty added in quadrature."""
    place, covariance, differ = _joined(seen)
    ee, nn, en = survey_covariance_m2 or (0.0, 0.0, 0.0)
    whole = covariance[:2, :2] + np.array([[ee, en], [en, nn]])
    flags = list(dict.fromkeys(flag for s in seen for flag in s.flags))
    if differ:
        flags.append(Flag.PASSES_DISAGREE)
    has_height = all(s.has_height for s in seen)
    sigma_height = math.sqrt(float(covariance[2, 2]) + (survey_sigma_height_m or 0.0) ** 2)
    passes = tuple(
        PassPosition(
            source_id=s.source_id,
            residual_easting_m=float(s.place_m[0]),
            residual_northing_m=float(s.place_m[1]),
            standard_uncertainty_m=math.sqrt(float(np.trace(s.covariance_m2[:2, :2])) / 2),
            time_s=s.time_s,
        )
        for s in seen
    )
    if method not in ("sphere", "pole", "corner"):
        raise ValueError(method)
    return HorizontalResidual(
        method=method,  # type: ignore[arg-type]
        residual_easting_m=float(place[0]),
        residual_northing_m=float(place[1]),
        standard_uncertainty_m=math.sqrt(float(np.trace(whole)) / 2),
        covariance_m2=(float(whole[0, 0]), float(whole[1, 1]), float(whole[0, 1])),
        measurement_covariance_m2=(float(covariance[0, 0]), float(covariance[1, 1]), float(covariance[0, 1])),
        residual_height_m=float(place[2]) if has_height else None,
        standard_uncertainty_height_m=sigma_height if has_height else None,
        points=sum(s.points for s in seen),
        mark=method,
        mark_size_m=size_m,
        passes=passes if len(passes) > 1 else (),
        flags=tuple(flags),
    )
