"""Clock offset and lever arm between rig and reference, jointly over runs that share a mounting.

Model, for every epoch of the sparser of the two trajectories (the denser one is interpolated):

    reference(t) = rig(t + clock) + R(attitude) arm + noise

``clock`` is the rig's clock minus the reference's; ``arm`` leads from the rig's point to the
reference's antenna or prism, forward, left and up in the vehicle. Solved by Gauss-Newton with
Tukey's biweight (Beaton and Tukey 1974), horizontal and vertical apart, because fixes may be
false. The covariance is that of an M-estimator (Huber 1981, section 7.6: "sandwich") whose middle
part takes the correlation of the residuals along time into account.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from accuracy.errors import TrajectoryError
from accuracy.model import BoolArray, FloatArray
from accuracy.trajectory.correlation import correlated_sum
from accuracy.trajectory.interpolate import STANDING_M_PER_S, Attitude, Track, arm_in_grid, vehicle_axes

_TUKEY = 5.0  # 95 % efficient for normal noise at 4.69 (one component) and 5.12 (two)
_TURN_STEP_S = 0.05
_SEARCH_STEP_S = 0.5
_SEARCH_EPOCHS = 1500
_ITERATIONS = 40
_SETTLED = (1e-7, 1e-6)  # seconds, metres
NOT_SEPARABLE = 0.995
"""Correlation of clock and forward arm beyond which they are not told apart: on a straight drive
this is a speed that varies by less than a tenth of itself. A convention of this software."""
CLOCK, FORWARD, LEFT, UP = range(4)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentSettings:
    """What is known beforehand; everything that is None is estimated."""

    clock_offset_s: float | None = None
    lever_arm_m: tuple[float | None, float | None, float | None] = (None, None, None)
    search_s: float = 30.0
    """How far from zero the clock offset is searched."""
    most_epochs: int = 20_000
    """Evenly thinned to this many per run for the estimate; residuals are still taken at all."""


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """One run: rig and reference on one time scale and one origin."""

    name: str
    rig: Track
    reference: Track
    attitude: Attitude
    trusted: BoolArray
    """(rig epochs,) which of them may take part in the estimate."""

    @property
    def nodes_on(self) -> Literal["rig", "reference"]:
        """Whose epochs the residuals are taken at: the sparser one's, the rig's if alike."""
        return "reference" if self.reference.usual_s > 1.01 * self.rig.usual_s else "rig"


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """Rig minus (reference less arm) at the nodes, easting, northing, height."""

    residual_m: FloatArray
    usable: BoolArray
    rig_time_s: FloatArray
    reference_time_s: FloatArray
    angles_rad: FloatArray
    attitude_known: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class RunClock:
    """A run's own clock offset, the arm taken from all runs."""

    run: str
    clock_offset_s: float
    standard_uncertainty_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """Clock offset and lever arm; None where the drive does not determine them."""

    clock_offset_s: float | None
    clock_offset_standard_uncertainty_s: float | None
    lever_arm_m: tuple[float | None, float | None, float | None]
    lever_arm_standard_uncertainty_m: tuple[float | None, float | None, float | None]
    applied_clock_s: float
    applied_arm_m: tuple[float, float, float]
    """What residuals are computed with: where clock and forward arm are not told apart, one carries both."""
    estimated: tuple[bool, bool, bool, bool]
    """Clock, forward, left, up: whether it was fitted to these data."""
    separable: bool
    correlation: FloatArray
    """(4, 4) clock, forward, left, up; 0 beside what was not estimated."""
    covariance: FloatArray
    """(4, 4) of the same, seconds and metres."""
    sigma_horizontal_m: float
    """Robust, per component."""
    sigma_up_m: float
    epochs: int
    effective_epochs: float
    mean_speed_m_per_s: float
    slowest_m_per_s: float
    fastest_m_per_s: float
    heading_spread: float
    """0 where all epochs head the same way, 1 where headings cancel out."""
    attitude_source: str
    run_clocks: tuple[RunClock, ...] = ()
    at_search_edge: bool = False


def evaluate(pair: Pair, node_s: FloatArray, clock_s: float, arm_m: FloatArray) -> Evaluation:
    """Residuals of one run at (m,) instants of the clock that ``pair.nodes_on`` names."""
    on_rig = pair.nodes_on == "rig"
    rig_s = node_s if on_rig else node_s + clock_s
    reference_s = node_s - clock_s if on_rig else node_s
    rig, rig_usable = pair.rig.at(rig_s)
    reference, reference_usable = pair.reference.at(reference_s)
    angles, known = pair.attitude.at(rig_s if pair.attitude.clock == "rig" else reference_s)
    return Evaluation(
        residual_m=rig + arm_in_grid(angles, arm_m) - reference,
        usable=rig_usable & reference_usable,
        rig_time_s=rig_s,
        reference_time_s=reference_s,
        angles_rad=angles,
        attitude_known=known,
    )


def _design(pair: Pair, seen: Evaluation, arm_m: FloatArray) -> FloatArray:
    """(m, 3, 4) derivatives of the residual by clock, forward, left, up."""
    on_rig = pair.nodes_on == "rig"
    moving = (
        pair.reference.velocity_at(seen.reference_time_s) if on_rig else pair.rig.velocity_at(seen.rig_time_s)
    )
    at = seen.rig_time_s if pair.attitude.clock == "rig" else seen.reference_time_s
    if np.any(arm_m) and (pair.attitude.clock == "rig") != on_rig:
        # The attitude is read at an instant that moves with the clock offset: the arm swings.
        later, _ = pair.attitude.at(at + _TURN_STEP_S)
        earlier, _ = pair.attitude.at(at - _TURN_STEP_S)
        swing = (arm_in_grid(later, arm_m) - arm_in_grid(earlier, arm_m)) / (2 * _TURN_STEP_S)
        moving = moving - swing if on_rig else moving + swing
    return np.concatenate([moving[:, :, None], vehicle_axes(seen.angles_rad)], axis=2)


# ----------------------------------------------------------------------- estimate


@dataclass(slots=True)
class _Run:
    pair: Pair
    node_s: FloatArray
    seen: Evaluation
    design: FloatArray
    weights: FloatArray
    """(m, 3)"""


def align_runs(pairs: Sequence[Pair], settings: AlignmentSettings) -> Alignment:
    """Estimate clock offset and lever arm over all runs; one clock and one mounting for all.

    Raises TrajectoryError where rig and reference do not overlap.
    """
    known = (settings.clock_offset_s, *settings.lever_arm_m)
    free = np.array([value is None for value in known])
    theta = np.array([0.0 if value is None else value for value in known])
    nodes = [_nodes(pair, settings.most_epochs) for pair in pairs]
    edge = False
    if free[CLOCK]:
        theta[CLOCK], edge = _search_clock(pairs, nodes, theta[1:], settings.search_s)
    theta, runs, sigma = _solve(pairs, nodes, theta, free)
    separable = True
    if free[CLOCK] and not _clock_separable(runs, free, sigma):
        separable = False
        # One of the two carries both: the clock if anything moves, else nothing can be said of it.
        free = free.copy()
        free[FORWARD if _fastest(runs) > STANDING_M_PER_S and free[FORWARD] else CLOCK] = False
        theta = np.where(free, theta, [0.0 if value is None else value for value in known])
        theta, runs, sigma = _solve(pairs, nodes, theta, free)
    covariance, effective = _covariance(runs, free, sigma)
    clocks = _run_clocks(pairs, nodes, theta, free, float(np.sqrt(covariance[FORWARD, FORWARD])))
    return _alignment(theta, covariance, free, known, runs, sigma, separable, effective, edge, clocks)


def _nodes(pair: Pair, most: int) -> FloatArray:
    times = pair.rig.time_s[pair.trusted] if pair.nodes_on == "rig" else pair.reference.time_s
    return times[:: max(1, -(-times.shape[0] // most))]


def _look(pair: Pair, node_s: FloatArray, theta: FloatArray) -> tuple[Evaluation, BoolArray]:
    seen = evaluate(pair, node_s, float(theta[CLOCK]), theta[1:])
    index, _ = pair.rig.interval(seen.rig_time_s)
    # In between two epochs both must be trusted; on an epoch only that one.
    late = seen.rig_time_s - pair.rig.time_s[index] > pair.rig.time_s[index + 1] - seen.rig_time_s
    nearest = np.where(late, index + 1, index)
    trusted = pair.trusted[nearest]
    if pair.nodes_on == "reference":
        trusted = pair.trusted[index] & pair.trusted[index + 1]
    return seen, seen.usable & seen.attitude_known & trusted


def _search_clock(
    pairs: Sequence[Pair], nodes: Sequence[FloatArray], arm_m: FloatArray, search_s: float
) -> tuple[float, bool]:
    """Coarse start: the offset with the least scatter of the residuals in the vehicle's axes."""
    tries = np.arange(0.0, search_s + _SEARCH_STEP_S / 2, _SEARCH_STEP_S)
    tries = np.concatenate([-tries[:0:-1], tries])
    few = [node[:: max(1, node.shape[0] // _SEARCH_EPOCHS)] for node in nodes]
    scatter, counts = np.full(tries.size, np.inf), np.zeros(tries.size)
    for place, clock in enumerate(tries):
        theta = np.array([clock, *arm_m])
        parts = []
        for pair, node in zip(pairs, few, strict=True):
            seen, usable = _look(pair, node, theta)
            axes = vehicle_axes(seen.angles_rad[usable])
            parts.append(np.einsum("nij,ni->nj", axes, seen.residual_m[usable]))
        body = np.concatenate(parts)
        counts[place] = body.shape[0]
        if body.shape[0]:
            scatter[place] = np.median(np.linalg.norm(body - np.median(body, axis=0), axis=1))
    scatter[counts < max(0.5 * counts.max(), 4)] = np.inf
    if not np.isfinite(scatter).any():
        raise TrajectoryError(
            "rig and reference share no usable epochs within the clock offsets that were searched "
            f"(up to {search_s:g} s)",
            remedy="Check the date, the time scale (GPS or UTC) and the fix states of both files.",
        )
    best, zero = int(np.argmin(scatter)), tries.size // 2
    # Without a clear gain the clocks are presumed to agree: a straight steady drive fits any offset.
    if scatter[zero] < 1.1 * scatter[best]:
        best = zero
    return float(tries[best]), search_s > 0 and best in (0, tries.size - 1)


def _solve(
    pairs: Sequence[Pair], nodes: Sequence[FloatArray], start: FloatArray, free: BoolArray
) -> tuple[FloatArray, list[_Run], tuple[float, float]]:
    theta, sigma = start.copy(), (0.0, 0.0)
    for turn in range(_ITERATIONS):
        runs = [_run(pair, node, theta) for pair, node in zip(pairs, nodes, strict=True)]
        if sum(run.node_s.size for run in runs) < 10:
            raise TrajectoryError(
                "fewer than ten epochs can be compared",
                remedy="Check that rig and reference overlap in time and place.",
            )
        if turn == 0 and free[1:].any():
            # A robust start of the arm: medians in the vehicle's axes.
            body = np.concatenate(
                [np.einsum("nij,ni->nj", r.design[:, :, 1:], r.seen.residual_m) for r in runs]
            )
            theta[1:] -= np.where(free[1:], np.median(body, axis=0), 0.0)
            continue
        sigma = _scale(runs) if turn < 8 else sigma  # fixed later, so that the steps settle
        for run in runs:
            run.weights = _weights(run.seen.residual_m, sigma)
        normal, gradient = np.zeros((4, 4)), np.zeros(4)
        inverse = np.array([sigma[0], sigma[0], sigma[1]]) ** -2.0
        for run in runs:
            weighted = run.design * (run.weights * inverse)[:, :, None]
            normal += np.einsum("nij,nik->jk", weighted, run.design)
            gradient += np.einsum("nij,ni->j", weighted, run.seen.residual_m)
        step = np.zeros(4)
        if free.any():
            step[free] = -np.linalg.lstsq(normal[np.ix_(free, free)], gradient[free], rcond=1e-12)[0]
        step[CLOCK] = np.clip(step[CLOCK], -2.0, 2.0)
        theta = theta + step
        if turn >= 8 and abs(step[CLOCK]) < _SETTLED[0] and np.max(np.abs(step[1:])) < _SETTLED[1]:
            break
    return theta, runs, sigma


def _run(pair: Pair, node_s: FloatArray, theta: FloatArray) -> _Run:
    seen, usable = _look(pair, node_s, theta)
    kept = Evaluation(
        seen.residual_m[usable],
        seen.usable[usable],
        seen.rig_time_s[usable],
        seen.reference_time_s[usable],
        seen.angles_rad[usable],
        seen.attitude_known[usable],
    )
    design = _design(pair, kept, theta[1:])
    return _Run(pair, node_s[usable], kept, design, np.ones_like(kept.residual_m))


def _scale(runs: list[_Run]) -> tuple[float, float]:
    """Robust standard deviations per horizontal component and up, of normal noise."""
    residual = np.concatenate([run.seen.residual_m for run in runs])
    # Medians of |normal| and of Rayleigh: 0.6745 and 1.1774 standard deviations.
    horizontal = float(np.median(np.hypot(residual[:, 0], residual[:, 1]))) / 1.17741
    up = float(np.median(np.abs(residual[:, 2]))) / 0.67449
    return max(horizontal, 1e-6), max(up, 1e-6)


def _weights(residual_m: FloatArray, sigma: tuple[float, float]) -> FloatArray:
    """(m, 3) Tukey weights: one for the horizontal pair, one for up."""
    horizontal = _tukey(np.hypot(residual_m[:, 0], residual_m[:, 1]) / sigma[0])
    return np.column_stack([horizontal, horizontal, _tukey(residual_m[:, 2] / sigma[1])])


def _tukey(scaled: FloatArray) -> FloatArray:
    return np.clip(1 - (scaled / _TUKEY) ** 2, 0.0, None) ** 2


def _slopes(residual_m: FloatArray, sigma: tuple[float, float]) -> tuple[float, float]:
    """Mean derivative of the weighted residual: (horizontal, per component; up)."""
    horizontal = (np.hypot(residual_m[:, 0], residual_m[:, 1]) / sigma[0] / _TUKEY) ** 2
    up = (residual_m[:, 2] / sigma[1] / _TUKEY) ** 2
    h = np.where(horizontal < 1, (1 - horizontal) * (1 - 3 * horizontal), 0.0)
    u = np.where(up < 1, (1 - up) * (1 - 5 * up), 0.0)
    return max(float(h.mean()), 0.05), max(float(u.mean()), 0.05)


def _information(run: _Run, sigma: tuple[float, float]) -> FloatArray:
    slope_h, slope_u = _slopes(run.seen.residual_m, sigma)
    scale = np.array([slope_h, slope_h, slope_u]) / np.array([sigma[0], sigma[0], sigma[1]]) ** 2
    return np.asarray(np.einsum("nij,i,nik->jk", run.design, scale, run.design))


def _fastest(runs: list[_Run]) -> float:
    speeds = np.concatenate([np.hypot(*run.design[:, :2, CLOCK].T) for run in runs])
    return float(np.quantile(speeds, 0.95)) if speeds.size else 0.0


def _clock_separable(runs: list[_Run], free: BoolArray, sigma: tuple[float, float]) -> bool:
    """Whether speeds vary enough, beyond their own noise, to tell the clock from the forward arm."""
    information = sum((_information(run, sigma) for run in runs), np.zeros((4, 4)))
    # Position noise over the base of a velocity (1 s): what speeds seem to vary by, standing rig included.
    epochs = sum(run.node_s.size for run in runs)
    information[CLOCK, CLOCK] -= epochs * 4.0
    if information[CLOCK, CLOCK] <= 0:
        return False
    part = information[np.ix_(free, free)]
    size = np.sqrt(np.diag(part))
    scaled = part / np.outer(size, size)
    if np.linalg.eigvalsh(scaled)[0] < 1e-9:
        return False
    if not free[FORWARD]:
        return True
    inverse = np.linalg.inv(scaled)
    return bool(abs(inverse[0, 1]) < NOT_SEPARABLE * np.sqrt(inverse[0, 0] * inverse[1, 1]))


def _covariance(runs: list[_Run], free: BoolArray, sigma: tuple[float, float]) -> tuple[FloatArray, float]:
    information, middle, effective = np.zeros((4, 4)), np.zeros((4, 4)), 0.0
    for run in runs:
        information += _information(run, sigma)
        part, count = _middle(run, sigma)
        middle += part
        effective += count
    covariance = np.zeros((4, 4))
    if free.any():
        inverse = np.linalg.pinv(information[np.ix_(free, free)])
        # Few independent epochs: the deviation of Student's t (GUM Supplement 1, 6.4.9.4), three components.
        degrees = max(3 * effective - int(free.sum()), 3.0)
        widened = degrees / (degrees - 2)
        covariance[np.ix_(free, free)] = inverse @ middle[np.ix_(free, free)] @ inverse * widened
    return covariance, effective


def _middle(run: _Run, sigma: tuple[float, float]) -> tuple[FloatArray, float]:
    """Covariance of the estimating sums of one run, and its effective number of epochs (horizontal)."""
    if run.node_s.size < 3:
        return np.zeros((4, 4)), 0.0
    series = run.seen.residual_m * run.weights
    flat, count = correlated_sum(run.design[:, :2], series[:, :2], run.node_s)
    up, _ = correlated_sum(run.design[:, 2:], series[:, 2:], run.node_s)
    return flat / sigma[0] ** 4 + up / sigma[1] ** 4, count


def _run_clocks(
    pairs: Sequence[Pair], nodes: Sequence[FloatArray], theta: FloatArray, free: BoolArray, forward_m: float
) -> tuple[RunClock, ...]:
    """Each run's own clock, the arm held; ``forward_m`` is the arm's standard uncertainty forward."""
    if len(pairs) < 2 or not free[CLOCK]:
        return ()
    only_clock = np.array([True, False, False, False])
    found = []
    for pair, node in zip(pairs, nodes, strict=True):
        try:
            own, runs, sigma = _solve([pair], [node], theta, only_clock)
        except TrajectoryError:
            continue  # too little of it overlaps to say anything of its clock
        speed = _fastest(runs)
        if speed < STANDING_M_PER_S:
            continue
        variance = _covariance(runs, only_clock, sigma)[0][CLOCK, CLOCK] + (forward_m / speed) ** 2
        found.append(
            RunClock(
                run=pair.name,
                clock_offset_s=float(own[CLOCK]),
                standard_uncertainty_s=float(np.sqrt(variance)),
            )
        )
    return tuple(found)


def _alignment(
    theta: FloatArray,
    covariance: FloatArray,
    free: BoolArray,
    known: tuple[float | None, ...],
    runs: list[_Run],
    sigma: tuple[float, float],
    separable: bool,
    effective: float,
    edge: bool,
    clocks: tuple[RunClock, ...],
) -> Alignment:
    deviation = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    size = np.where(deviation > 0, deviation, 1.0)
    speeds = np.concatenate([np.hypot(*run.design[:, :2, CLOCK].T) for run in runs])
    headings = np.concatenate([run.seen.angles_rad[:, 2] for run in runs])

    def said(which: int) -> float | None:
        # Not told apart: the clock carries the forward arm, or is not known at all.
        mixed = not separable and (which == CLOCK or (which == FORWARD and free[CLOCK]))
        return None if mixed and known[which] is None else float(theta[which])

    def doubt(which: int) -> float | None:
        return None if said(which) is None else float(deviation[which])

    return Alignment(
        clock_offset_s=said(CLOCK),
        clock_offset_standard_uncertainty_s=doubt(CLOCK),
        lever_arm_m=(said(FORWARD), said(LEFT), said(UP)),
        lever_arm_standard_uncertainty_m=(doubt(FORWARD), doubt(LEFT), doubt(UP)),
        applied_clock_s=float(theta[CLOCK]),
        applied_arm_m=(float(theta[FORWARD]), float(theta[LEFT]), float(theta[UP])),
        estimated=(bool(free[0]), bool(free[1]), bool(free[2]), bool(free[3])),
        separable=separable,
        correlation=covariance / np.outer(size, size),
        covariance=covariance,
        sigma_horizontal_m=sigma[0],
        sigma_up_m=sigma[1],
        epochs=sum(run.node_s.size for run in runs),
        effective_epochs=effective,
        mean_speed_m_per_s=float(np.mean(speeds)),
        slowest_m_per_s=float(np.quantile(speeds, 0.05)),
        fastest_m_per_s=float(np.quantile(speeds, 0.95)),
        heading_spread=float(1 - np.abs(np.mean(np.exp(1j * headings)))),
        attitude_source=runs[0].pair.attitude.source,
        run_clocks=clocks,
        at_search_edge=edge,
    )
