"""Comparison by place, where one of the trajectories has no times: nearest approach.

Each reference point is held against the nearest point of the rig's path that runs its way.
That shows how far it lies to the side and how much higher; how far along it lies, it does not show.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np
from scipy.spatial import KDTree

from accuracy.errors import TrajectoryError
from accuracy.model import (
    BoolArray,
    Fix,
    FloatArray,
    Gap,
    IntArray,
    Trajectory,
    TrajectoryComparison,
    TrajectoryGroup,
    TrajectorySeries,
)
from accuracy.rounding import counted, fixed
from accuracy.trajectory import components as parts
from accuracy.trajectory.correlation import correlated_sum
from accuracy.trajectory.interpolate import GAP_FACTOR, make_track
from accuracy.trajectory.prepare import ComparisonSettings, positions, usable_reference

_FARTHEST_M = 5.0
"""Farther from the path than this a reference point belongs to another place."""
_STEP_M = 0.2  # chord of an 8 m turn: 0.6 mm of sagitta
_CANDIDATES = 12


@dataclass(frozen=True, slots=True, eq=False)
class _Path:
    """The rig's way as a dense polyline."""

    point_m: FloatArray
    """(n, 3)"""
    chainage_m: FloatArray
    epoch: IntArray
    """Nearest epoch of the rig."""
    solid: BoolArray
    """(n-1,) no gap of the rig in between."""


@dataclass(frozen=True, slots=True, eq=False)
class _Feet:
    """For each reference point that lies beside the path."""

    which: IntArray
    offset_m: FloatArray
    """(m, 3) rig minus reference."""
    heading_rad: FloatArray
    chainage_m: FloatArray
    epoch: IntArray


def compare_by_place(
    rig: Trajectory, reference: Trajectory, settings: ComparisonSettings
) -> tuple[TrajectoryComparison, TrajectorySeries]:
    """Cross-track and up by nearest approach; along-track is not measured.

    Raises TrajectoryError where fewer than three reference points lie beside the rig's path.
    """
    remarks = [
        "One of the two has no times: cross-track and up were measured from the nearest approach, "
        "along-track was not measured.",
    ]
    kept = usable_reference(reference, settings, remarks)
    points = positions(reference)[kept]
    path = _path(rig)
    forward, left, up = settings.alignment.lever_arm_m
    feet = _feet(path, points, forward or 0.0)
    if feet.which.size < 3:
        raise TrajectoryError(
            f"{counted(feet.which.size, 'reference point')} within {_FARTHEST_M:g} m of the rig's path",
            remedy="Check the coordinate systems and units of both files.",
        )
    if feet.which.size < points.shape[0]:
        remarks.append(
            f"Reference points more than {_FARTHEST_M:g} m from the rig's path, or beyond its ends: "
            f"{points.shape[0] - feet.which.size}, not compared."
        )
    if (np.diff(feet.chainage_m) < -_FARTHEST_M).any():
        remarks.append(
            "The reference points do not follow the rig's path in order: where the rig passes a place "
            "several times, the nearest pass that runs the same way was taken."
        )
    resolved = parts.resolve(feet.offset_m, feet.heading_rad)
    resolved[:, 0] = np.nan
    arm, doubt = [0.0, left, up], [None, 0.0, 0.0]
    effective = _effective(feet.chainage_m, resolved[:, 1:])
    for axis in (1, 2):
        value = arm[axis]
        if value is None:
            value = -float(np.median(resolved[:, axis]))
            spread = 1.4826 * float(np.median(np.abs(resolved[:, axis] + value)))
            # The median's standard error for normal noise: root of pi/2 times the mean's.
            doubt[axis] = spread * float(np.sqrt(np.pi / 2 / effective))
        arm[axis] = value
        resolved[:, axis] += value
    estimated = tuple(name for name, given in (("left", left), ("up", up)) if given is None)
    if estimated:
        remarks.append(
            f"The {' and '.join(estimated)} lever arm was estimated from these same data, so a constant "
            "offset of the rig to the side or in height cannot show in the residuals."
        )
    gaps, share = _gaps(path, feet, rig)
    every = parts.group("all points", resolved)
    fix = np.full(len(rig), Fix.UNKNOWN.value) if rig.fix is None else rig.fix
    chain, seen_fix = feet.chainage_m, fix[feet.epoch]
    comparison = TrajectoryComparison(
        run=rig.name,
        reference=reference.name,
        n=every.n,
        effective_n=effective,
        clock_offset_s=None,
        clock_offset_standard_uncertainty_s=None,
        lever_arm_m=(forward, arm[1], arm[2]),
        lever_arm_standard_uncertainty_m=(None if forward is None else 0.0, doubt[1], doubt[2]),
        estimated=estimated,
        attitude_source="course",
        rmse_along_m=None,
        rmse_cross_m=every.cross.rmse_m,
        rmse_up_m=every.up.rmse_m,
        rmse_horizontal_m=None,
        rmse_3d_m=None,
        all_epochs=every,
        by_fix=parts.groups(resolved, parts.by_fix(seen_fix)),
        by_speed=_by_speed(rig, feet, resolved, settings),
        by_direction=parts.groups(
            resolved, parts.by_direction(feet.heading_rad, np.ones(every.n, dtype=np.bool_))
        ),
        by_segment=parts.groups(resolved, parts.by_segment(chain, settings.segment_m)),
        by_distance=_by_range(points[feet.which], resolved, settings),
        drift=None,
        verified_share=share,
        verified_share_of_distance=share,
        gaps=gaps,
        false_fixes=0,
        worst_false_fix_m=None,
        remarks=(
            *remarks,
            f"The verified share ({fixed(share * 100, 0)} %) is one of distance, not of time.",
            *rig.remarks,
            *reference.remarks,
        ),
    )
    return comparison, _series(rig, points, feet, resolved, seen_fix, settings)


def _path(rig: Trajectory) -> _Path:
    """Nodes at least ``_STEP_M`` apart (a standing rig's noise is no way), joined by the interpolant."""
    point = positions(rig)
    keep = [0]
    east, north = point[:, 0].tolist(), point[:, 1].tolist()
    last_east, last_north = east[0], north[0]
    for index, (e, n) in enumerate(zip(east, north, strict=True)):
        if hypot(e - last_east, n - last_north) >= _STEP_M:
            keep.append(index)
            last_east, last_north = e, n
    node = np.array(keep, dtype=np.int64)
    if node.size < 3:
        raise TrajectoryError(f"the rig {rig.name} hardly moves: it has no path to compare with")
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(point[node, :2], axis=0), axis=1))])
    track = make_track(way, point[node] - point[0], point[0], gap_s=np.inf)
    solid = np.diff(way) <= max(GAP_FACTOR * float(np.median(np.diff(way))), 2.0)
    if rig.time_s is not None:
        dt = np.diff(rig.time_s)
        late = np.concatenate([[0], np.cumsum(dt > GAP_FACTOR * np.median(dt))])
        solid = np.diff(late[node]) == 0
    dense = np.unique(np.concatenate([way, np.arange(0.0, way[-1], _STEP_M)]))
    interval = np.clip(np.searchsorted(way, dense, side="right") - 1, 0, way.size - 2)
    place = np.asarray(track.spline(dense)) + point[0]
    return _Path(place, dense, node[interval], solid[interval[:-1]])


def _feet(path: _Path, points: FloatArray, forward_m: float) -> _Feet:
    direction = _directions(points)
    wanted = points[:, :2] - forward_m * direction
    a, b = path.point_m[:-1], path.point_m[1:]
    along = b - a
    length2 = np.maximum(np.sum(along[:, :2] ** 2, axis=1), 1e-12)
    middle = (a[:, :2] + b[:, :2]) / 2
    count = min(_CANDIDATES, middle.shape[0])
    _, near = KDTree(middle).query(wanted, k=count)
    near = np.asarray(near).reshape(wanted.shape[0], count)
    to = wanted[:, None, :] - a[near][:, :, :2]
    share = np.sum(to * along[near][:, :, :2], axis=2) / length2[near]
    held = np.clip(share, 0.0, 1.0)
    away = np.linalg.norm(to - held[:, :, None] * along[near][:, :, :2], axis=2)
    same_way = np.einsum("nki,ni->nk", along[near][:, :, :2], direction) >= 0
    ends = (near == 0) & (share < 0) | (near == middle.shape[0] - 1) & (share > 1)
    away = np.where(same_way & path.solid[near] & ~ends, away, np.inf)
    best = np.argmin(away, axis=1)
    rows = np.arange(points.shape[0])
    kept = np.flatnonzero(away[rows, best] <= _FARTHEST_M)
    segment, at = near[kept, best[kept]], held[kept, best[kept]]
    foot = a[segment] + at[:, None] * along[segment]
    offset = foot - points[kept]
    offset[:, :2] += forward_m * direction[kept]
    return _Feet(
        which=kept,
        offset_m=offset,
        heading_rad=np.arctan2(along[segment, 0], along[segment, 1]),
        chainage_m=path.chainage_m[segment] + at * (path.chainage_m[segment + 1] - path.chainage_m[segment]),
        epoch=path.epoch[segment],
    )


def _directions(points: FloatArray) -> FloatArray:
    """(n, 2) unit direction of the reference's own order; 0 where it does not move."""
    ahead = np.gradient(points[:, :2], axis=0)
    size = np.linalg.norm(ahead, axis=1, keepdims=True)
    return np.where(size > 1e-6, ahead / np.maximum(size, 1e-6), 0.0)


def _effective(chainage_m: FloatArray, values: FloatArray) -> float:
    order = np.argsort(chainage_m, kind="stable")
    at = np.maximum.accumulate(chainage_m[order] + 1e-6 * np.arange(order.size))
    middle = np.median(values, axis=0)
    return correlated_sum(np.ones((*values.shape, 1)), (values - middle)[order], at)[1]


def _gaps(path: _Path, feet: _Feet, rig: Trajectory) -> tuple[tuple[Gap, ...], float]:
    at = np.unique(feet.chainage_m)
    usual = float(np.median(np.diff(at))) if at.size > 1 else 0.0
    ends = np.concatenate([[0.0], at, [path.chainage_m[-1]]])
    long = np.flatnonzero(np.diff(ends) > max(GAP_FACTOR * usual, _STEP_M))
    gaps = []
    for place in long:
        low, high = float(ends[place]), float(ends[place + 1])
        index = np.clip(np.searchsorted(path.chainage_m, [low, high]), 0, path.epoch.size - 1)
        begin, end = path.epoch[index]
        start = None if rig.time_s is None else float(rig.time_s[begin])
        gaps.append(
            Gap(
                of="reference",
                start_s=start,
                duration_s=None if rig.time_s is None else float(rig.time_s[end] - rig.time_s[begin]),
                start_chainage_m=low,
                length_m=high - low,
                easting_m=float(path.point_m[index[0], 0]),
                northing_m=float(path.point_m[index[0], 1]),
            )
        )
    return tuple(gaps), 1.0 - sum(gap.length_m for gap in gaps) / float(path.chainage_m[-1])


def _by_speed(
    rig: Trajectory, feet: _Feet, resolved: FloatArray, settings: ComparisonSettings
) -> tuple[TrajectoryGroup, ...]:
    if rig.speed_m_per_s is not None:
        speed = rig.speed_m_per_s
    elif rig.time_s is not None:
        place = positions(rig)
        speed = make_track(rig.time_s - rig.time_s[0], place - place[0], place[0]).speed_m_per_s
    else:
        return ()
    return parts.groups(resolved, parts.by_speed(speed[feet.epoch], settings.speed_bands_km_h))


def _by_range(
    points: FloatArray, resolved: FloatArray, settings: ComparisonSettings
) -> tuple[TrajectoryGroup, ...]:
    if settings.instrument_m is None:
        return ()
    away = np.linalg.norm(points - np.array(settings.instrument_m), axis=1)
    return parts.groups(resolved, parts.by_distance(away, settings.distance_bands_m))


def _series(
    rig: Trajectory,
    points: FloatArray,
    feet: _Feet,
    resolved: FloatArray,
    fix: np.ndarray,
    settings: ComparisonSettings,
) -> TrajectorySeries:
    thin = slice(None, None, max(1, -(-feet.which.size // settings.most_series_points)))
    at = points[feet.which][thin]
    speed = np.full(feet.which.size, np.nan) if rig.speed_m_per_s is None else rig.speed_m_per_s[feet.epoch]
    return TrajectorySeries(
        time_s=None if rig.time_s is None else rig.time_s[feet.epoch][thin],
        chainage_m=feet.chainage_m[thin],
        easting_m=at[:, 0],
        northing_m=at[:, 1],
        along_m=resolved[thin, 0],
        cross_m=resolved[thin, 1],
        up_m=resolved[thin, 2],
        speed_m_per_s=speed[thin],
        fix=fix[thin],
    )
