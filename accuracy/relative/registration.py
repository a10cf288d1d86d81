"""Two runs of one place -> by how much one lies off the other as a rigid whole, and what shows that.

After planes. Points of run a are held against planes of run b along the planes' normals, and a small
rotation and shift are fitted by weighted least squares: rows [(p x n)', n'] (Chen & Medioni, Image and
Vision Computing 10(3), 1992, 145-155; Low, UNC TR04-004, 2004; both from memory). The covariance is
(H'WH)^-1 times the misfit. Its weak directions are motions that the geometry does not show (Gelfand
et al., 3DIM 2003; Censi, ICRA 2007; from memory): these are refused, not estimated.

open3d's point-to-plane ICP finds the way where the runs lie further apart than a patch is wide; what
is reported comes from the fit here, because ICP states no covariance and moves along what it cannot see.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from accuracy.matching.plane import tukey_weight
from accuracy.model import FloatArray, IntArray, RigidShift
from accuracy.reading.pairs import CellTable
from accuracy.relative.approach import Motion, agreement, icp_start, put_back, search_along
from accuracy.relative.planes import Planes, box_codes, find_planes
from accuracy.relative.rigid import RigidFit
from accuracy.relative.shift_words import describe
from accuracy.statistics.correlation import correlation_models, effective_sample
from accuracy.statistics.intervals import NMAD_FACTOR


@dataclass(frozen=True, slots=True, kw_only=True)
class RegistrationSettings:
    """How planes are chosen and when a direction counts as seen."""

    least_points: int = 10
    """In each plane of b, and of a's kept points against it half as many."""
    roughest_m: float = 0.05
    least_planes: int = 12
    tilted: float = 0.2
    """A plane shows a direction if moving 1 m along it changes its distance by this much."""
    least_tilted: int = 10
    """So many planes must show a direction; a road's crossfall of 2 % never counts."""
    tilted_share: float = 0.5
    """Of what is known of a direction, so much must come from planes that show it: over thousands of
    patches a crossfall of 2 % turns any height error of one side (a verge seen at its tips) into a shift."""
    noise_share: float = 0.1
    """The most that errors of the planes' normals may add to what a direction seems to be known by."""
    unseen_m: float = 0.10
    """Shift along an unseen direction that the uncertainties of the seen ones allow for."""
    most_points: int = 200_000
    use_icp: bool = True


def register(
    a: CellTable, b: CellTable, *, name_a: str, name_b: str, settings: RegistrationSettings | None = None
) -> RigidShift:
    """The rigid shift of run a from run b, from two tables of one grid; refused in words if not to be had."""
    settings = settings or RegistrationSettings()
    none = RigidShift(name_a=name_a, name_b=name_b, planes=0, steep_planes=0, centre_m=None)
    if not len(a) or not len(b):
        return describe(none, None, "one of the runs has no points to register")
    planes = find_planes(b, least_points=settings.least_points, roughest_m=settings.roughest_m)
    points = _sample(a, settings.most_points)
    if len(planes) < settings.least_planes:
        return describe(none, None, f"{name_b} shows only {len(planes)} smooth patches of surface")
    where = planes.find(box_codes(b, points))
    common = np.unique(where[where >= 0])
    if len(common) < settings.least_planes:
        why = f"the runs share only {len(common)} smooth patches; {settings.least_planes} are the fewest"
        return describe(none, None, why)
    centre = planes.centre_m[common].mean(axis=0)
    fit = fit_rigid(points, planes, b, centre, settings)
    if fit is None:
        return describe(none, None, f"fewer than {settings.least_planes} patches of the two runs match")
    return describe(none, fit, None, centre + b.grid.origin_m, unseen_m=settings.unseen_m)


def _sample(table: CellTable, most: int) -> FloatArray:
    """At most ``most`` of the kept points, evenly over the boxes: the first few of each."""
    starts = np.flatnonzero(np.diff(table.sample_box, prepend=-1))
    rank = np.arange(len(table.sample_box)) - np.repeat(
        starts, np.diff(np.append(starts, len(table.sample_box)))
    )
    per_box = table.grid.sample
    while per_box > 1 and np.count_nonzero(rank < per_box) > most:
        per_box -= 1
    kept = np.flatnonzero(rank < per_box)[:most]
    return table.sample_m[kept]


# --------------------------------------------------------------------------- the fit


def fit_rigid(
    points: FloatArray, planes: Planes, table: CellTable, centre: FloatArray, settings: RegistrationSettings
) -> RigidFit | None:
    """Iterate matching and least squares. (n, 3) points of a and planes of b, offsets from one origin."""
    axes = _axes(planes.centre_m - centre)
    whole = _whole(planes, centre, axes)
    blind = _seen(whole, whole.weight, settings)[2]
    starts: list[Motion] = [(np.eye(3), np.zeros(3))]
    if settings.use_icp:
        found = icp_start(points - centre, planes, centre, reach_m=2 * table.grid.cell_m)
        if found is not None:
            starts.append(_without(*found, blind, axes, whole.scale_m))
    start = max(starts, key=lambda s: agreement(points, planes, table, centre, s))
    state = _iterate(points, planes, table, centre, axes, start, settings)
    if state is not None and len(state.unseen) > len(blind):
        # b has surfaces that would show more, but a's did not meet them: look along what is missing.
        start = search_along(points, planes, table, centre, (state.turn, state.shift), axes, state.unseen)
        again = _iterate(points, planes, table, centre, axes, start, settings)
        if again is not None and len(again.unseen) < len(state.unseen):
            state = again
    if state is None:
        return None
    matched, system = state.matched, state.system
    before = _match(points, planes, table, 0.5 * table.grid.cell_m, settings)
    covariance, unseen = _covariance(system, matched.place_m, table.grid.cell_m, settings)
    after = _rms(matched.distance_m)
    return RigidFit(
        rotation=axes @ Rotation.from_matrix(state.turn).as_rotvec(),
        translation_m=axes @ state.shift,
        covariance=covariance,
        scale_m=system.scale_m,
        axes=axes,
        unseen=unseen,
        unmatched=len(unseen) > len(blind),
        planes=len(matched.plane),
        steep_planes=int(np.count_nonzero(np.abs(planes.normal[matched.plane, 2]) < 0.5)),
        rms_before_m=None if before is None else _rms(before.distance_m),
        rms_after_m=after,
        # Against the points' own scatter: the weights of the fit hold more, as much as it was found to miss.
        misfit_ratio=after / _rms(np.sqrt(matched.variance_m2)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    turn: FloatArray
    shift: FloatArray
    matched: _Matched
    system: _System
    unseen: FloatArray


def _iterate(
    points: FloatArray,
    planes: Planes,
    table: CellTable,
    centre: FloatArray,
    axes: FloatArray,
    start: Motion,
    settings: RegistrationSettings,
) -> _State | None:
    turn, shift = start
    gate = 0.5 * table.grid.cell_m
    state = None
    for _ in range(_MOST_STEPS):
        matched = _match(put_back(points, centre, (turn, shift)), planes, table, gate, settings)
        if matched is None:
            return None
        system = _system(matched, planes, centre, axes)
        unseen = _seen(system, system.weight, settings)[2]
        state = _State(turn, shift, matched, system, unseen)
        step = _solve(system, settings)
        left = matched.distance_m - system.rows @ step
        tighter = max(6 * NMAD_FACTOR * float(np.median(np.abs(left))), _LEAST_GATE_M)
        if np.max(np.abs(step)) < 1e-5 and tighter >= 0.9 * gate:
            break
        turn = turn @ Rotation.from_rotvec(axes.T @ (step[:3] / system.scale_m)).as_matrix()
        shift = shift + turn @ (axes.T @ step[3:])
        # What a start brought along a direction that turns out unseen is nobody's knowledge.
        turn, shift = _without(turn, shift, unseen, axes, system.scale_m)
        gate = min(gate, max(tighter, gate / 2))
    return state


_MOST_STEPS = 40
_LEAST_GATE_M = 0.05
"""Nearer than this a point of a may always count for a plane of b."""


def _whole(planes: Planes, centre: FloatArray, axes: FloatArray) -> _System:
    """What all planes of b could show, if each were met where it lies."""
    n = len(planes)
    met = _Matched(np.arange(n), planes.centre_m, np.zeros(n), planes.scatter_m**2 / planes.count)
    return _system(met, planes, centre, axes)


def _without(
    turn: FloatArray, shift: FloatArray, unseen: FloatArray, axes: FloatArray, scale_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The same motion without its part along unseen directions."""
    if not len(unseen):
        return turn, shift
    whole = np.concatenate([axes @ Rotation.from_matrix(turn).as_rotvec() * scale_m, axes @ shift])
    whole = whole - unseen.T @ (unseen @ whole)
    return Rotation.from_rotvec(axes.T @ (whole[:3] / scale_m)).as_matrix(), axes.T @ whole[3:]


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _axes(offsets: FloatArray) -> FloatArray:
    """Rows along, across and up: the horizontal principal axes, and the vertical."""
    _, vectors = np.linalg.eigh(offsets[:, :2].T @ offsets[:, :2])
    along = vectors[:, 1] * (1.0 if vectors[np.argmax(np.abs(vectors[:, 1])), 1] > 0 else -1.0)
    return np.array([[along[0], along[1], 0.0], [-along[1], along[0], 0.0], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, slots=True, eq=False)
class _Matched:
    plane: np.ndarray
    """(m,) planes of b that have points of a."""
    place_m: FloatArray
    """(m, 3) mean of those points."""
    distance_m: FloatArray
    """(m,) their mean distance along the normal."""
    variance_m2: FloatArray
    """(m,) of that distance, from the scatter of both."""


def _match(
    points: FloatArray, planes: Planes, table: CellTable, gate: float, settings: RegistrationSettings
) -> _Matched | None:
    plane = planes.find(box_codes(table, points))
    inside = np.flatnonzero(plane >= 0)
    plane, points = plane[inside], points[inside]
    offset = points - planes.centre_m[plane]
    distance = np.einsum("ij,ij->i", offset, planes.normal[plane])
    near = np.abs(distance) <= gate
    plane, offset, distance = plane[near], offset[near], distance[near]
    size = len(planes)
    count = np.bincount(plane, minlength=size)
    safe = np.maximum(count, 1)
    mean = np.bincount(plane, distance, size) / safe
    place = np.column_stack([np.bincount(plane, offset[:, k], size) for k in range(3)]) / safe[:, None]
    left = np.bincount(plane, (distance - mean[plane]) ** 2, size)
    enough = (count >= max(settings.least_points // 2, 3)) & (
        np.sqrt(left / np.maximum(count - 1, 1)) <= 1.5 * settings.roughest_m
    )
    used = np.flatnonzero(enough)
    if len(used) < settings.least_planes:
        return None
    # One scatter for all of a's patches: that of a few points says little about itself.
    scatter2 = float(np.sum(left[used]) / np.sum(count[used] - 1))
    in_plane = np.einsum("mkj,mj->mk", planes.tangents[used], place[used])
    lever = np.sum(in_plane**2 / planes.tangent_variance[used], axis=1)
    variance_b = planes.scatter_m[used] ** 2 * (1 + lever) / planes.count[used]
    return _Matched(
        used, place[used] + planes.centre_m[used], mean[used], scatter2 / count[used] + variance_b
    )


@dataclass(frozen=True, slots=True, eq=False)
class _System:
    rows: FloatArray
    """(m, 6) rotation about along, across, up (scaled to metres), then translation along them."""
    distance_m: FloatArray
    weight: FloatArray
    """(m,) inverse variance times the robust weight."""
    scale_m: FloatArray
    noise: FloatArray
    """(6, 6) what errors of the normals add to rows' W rows."""


def _system(matched: _Matched, planes: Planes, centre: FloatArray, axes: FloatArray) -> _System:
    lever = (matched.place_m - centre) @ axes.T
    square = np.mean(lever**2, axis=0)
    scale = np.sqrt(np.maximum(square.sum() - square, 1e-6))
    which = matched.plane
    variance = matched.variance_m2
    normal = planes.normal[which] @ axes.T
    rows = np.hstack([np.cross(lever, normal) / scale, normal])
    # Errors larger than the points' noise are common to all: the scale of the misfit is one.
    rough = matched.distance_m / np.sqrt(variance)
    unit = max(NMAD_FACTOR * float(np.median(np.abs(rough - np.median(rough)))), 1.0)
    floor = float(np.median(variance))
    variance = variance + (unit**2 - 1) * floor
    noise = np.zeros((6, 6))
    for k in range(2):
        tangent = planes.tangents[which][:, k] @ axes.T
        change = np.hstack([np.cross(lever, tangent) / scale, tangent])
        tilt = planes.scatter_m[which] ** 2 / (planes.count[which] * planes.tangent_variance[which][:, k])
        noise += (change * (tilt / variance)[:, None]).T @ change
    return _System(rows, matched.distance_m, 1 / variance, scale, noise)


def _seen(
    system: _System, weight: FloatArray, settings: RegistrationSettings
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Directions (6, s) that the geometry shows, their information (s,), and the others (k, 6)."""
    information = (system.rows * weight[:, None]).T @ system.rows
    values, vectors = np.linalg.eigh(information)
    moved = system.rows @ vectors
    shown = (np.abs(moved) >= settings.tilted) & (weight > 0)[:, None]
    enough = np.count_nonzero(shown, axis=0) >= settings.least_tilted
    enough &= weight @ (np.where(shown, moved, 0.0) ** 2) >= settings.tilted_share * values
    noise = np.einsum("ik,ij,jk->k", vectors, system.noise, vectors)
    seen = enough & (noise <= settings.noise_share * values)
    return vectors[:, seen], values[seen], vectors[:, ~seen].T


def _robust_weight(system: _System, residual: FloatArray) -> FloatArray:
    ratio = residual * np.sqrt(system.weight)
    unit = max(NMAD_FACTOR * float(np.median(np.abs(ratio))), 1e-12)
    return np.asarray(system.weight * tukey_weight(ratio / unit))


def _solve(system: _System, settings: RegistrationSettings) -> FloatArray:
    """Least squares with biweights within the seen directions: the (6,) step."""
    step = np.zeros(6)
    weight = system.weight
    for k in range(10):
        vectors, values, _ = _seen(system, weight, settings)
        change = vectors @ ((vectors.T @ (system.rows.T @ (weight * system.distance_m))) / values)
        done = float(np.max(np.abs(change - step))) < 1e-7
        step = change
        weight = _robust_weight(system, system.distance_m - system.rows @ step)
        if done and k:
            break
    return step


def _covariance(
    system: _System, place_m: FloatArray, cell_m: float, settings: RegistrationSettings
) -> tuple[FloatArray, FloatArray]:
    """Covariance within the seen directions, and the unseen ones.

    The misfit is that of pseudo-observations (Huber 1981, section 7.8): the sum of squared weighted
    residuals over the squared mean slope of the biweight. Where residuals of neighbouring patches go
    together, it is raised to the largest of three: as it is; from sums over blocks of ground (Liang &
    Zeger 1986, Biometrika 73, 13-22; from memory); as n correlated residuals share their errors.
    """
    weight = _robust_weight(system, system.distance_m)
    vectors, values, unseen = _seen(system, system.weight, settings)
    share = weight / system.weight
    root = np.sqrt(share)
    slope = max(float(np.mean(root * (5 * root - 4) * (share > 0))), 0.1)
    freedom = max(len(share) - vectors.shape[1], 1)
    misfit = np.sum(weight * share * system.distance_m**2) / freedom / slope**2
    # Each direction in units of its own standard deviation, were the residuals independent.
    scaled = vectors / np.sqrt(values)
    score = (system.rows @ scaled) * (weight * system.distance_m / slope)[:, None]
    ratio = (_shared(system, place_m) * system.weight) @ (system.rows @ scaled) ** 2
    blocks = _blocks(place_m, cell_m)
    number = int(blocks.max()) + 1
    if number >= _LEAST_BLOCKS:
        sums = np.column_stack([np.bincount(blocks, column) for column in score.T])
        together = sums.T @ sums * number / max(number - len(values), 1)
        ratio = np.maximum(ratio, np.diag(together) / misfit)
    return (scaled * (misfit * ratio)) @ scaled.T, unseen


def _shared(system: _System, place_m: FloatArray) -> FloatArray:
    """(m,) how many times the variance of a mean grows because neighbours agree; 1 if they do not.

    For lying and upright patches by themselves, whose errors have other directions; from at most 240
    of each. With mean correlation r between two of them, the mean of n has 1 + (n - 1) r times the
    variance that it would have without.
    """
    ratio = np.clip(system.distance_m * np.sqrt(system.weight), -5, 5)
    upright = np.max(np.abs(system.rows[:, 3:5]), axis=1) > np.abs(system.rows[:, 5])
    factor = np.ones(len(ratio))
    for group in (np.flatnonzero(~upright), np.flatnonzero(upright)):
        some = group
        if len(group) > _FOR_CORRELATION:
            some = np.sort(np.random.default_rng(0).choice(group, _FOR_CORRELATION, replace=False))
        models = correlation_models(place_m[some, 0], place_m[some, 1])
        worth = None if models is None else effective_sample(ratio[some], models)
        if worth is not None and worth.probability_correlated > 0.5:
            mutual = (len(some) / worth.effective_n - 1) / (len(some) - 1)
            factor[group] = max(1.0, 1 + (len(group) - 1) * mutual)
    return factor


_FOR_CORRELATION = 240
_LEAST_BLOCKS = 15
_BLOCKS_ALONG = 30


def _blocks(place_m: FloatArray, cell_m: float) -> IntArray:
    """(m,) number of the block of ground, a thirtieth of the extent wide but at least four cells."""
    low = place_m[:, :2].min(axis=0)
    width = max(float(np.max(place_m[:, :2].max(axis=0) - low)) / _BLOCKS_ALONG, 4 * cell_m)
    block = np.floor((place_m[:, :2] - low) / width).astype(np.int64)
    return np.asarray(np.unique(block, axis=0, return_inverse=True)[1]).ravel()
