"""The estimator under the alignment: residuals of runs, their derivatives, robust steps, covariance.

Model, for every epoch of the sparser of the two trajectories (the denser one is interpolated):

    reference(t) = rig(t + clock) + R(attitude) arm + shift + noise

``clock`` is the rig's clock minus the reference's; ``arm`` leads from the rig's point to the
reference's antenna or prism, forward, left and up in the vehicle; ``shift`` is constant in easting,
northing and height, and nothing but 0 unless it is asked for. Solved by Gauss-Newton with
Tukey's biweight (Beaton and Tukey 1974), horizontal and vertical apart, because fixes may be
false. The covariance is that of an M-estimator (Huber 1981, section 7.6: "sandwich") whose middle
part takes the correlation of the residuals along time into account.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np

from accuracy.errors import TrajectoryError
from accuracy.model import BoolArray, FloatArray
from accuracy.trajectory.components import NORMAL_MEDIAN, RAYLEIGH_MEDIAN
from accuracy.trajectory.correlation import correlated_sum
from accuracy.trajectory.interpolate import Attitude, Track, arm_in_grid, vehicle_axes

_TUKEY = 5.0  # 95 % efficient for normal noise at 4.69 (one component) and 5.12 (two)
_TURN_STEP_S = 0.05
_ITERATIONS = 40
_SETTLED = (1e-7, 1e-6)  # seconds, metres
FEWEST_EPOCHS = 10
CLOCK, FORWARD, LEFT, UP, EAST, NORTH, HEIGHT = range(7)
SIZE = 7
ARM, SHIFT = slice(FORWARD, EAST), slice(EAST, HEIGHT + 1)


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

    def take(self, kept: BoolArray) -> Evaluation:
        """The same at those of the nodes."""
        return Evaluation(*(getattr(self, field.name)[kept] for field in fields(self)))


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
    """(m, 3, 7) derivatives of the residual by clock, forward, left, up, easting, northing, height."""
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
    world = np.broadcast_to(np.eye(3), (moving.shape[0], 3, 3))
    return np.concatenate([moving[:, :, None], vehicle_axes(seen.angles_rad), world], axis=2)


@dataclass(slots=True)
class Run:
    """The epochs of one run that take part in an estimate."""

    pair: Pair
    node_s: FloatArray
    seen: Evaluation
    design: FloatArray
    weights: FloatArray
    """(m, 3)"""


def nodes_of(pair: Pair, most: int) -> FloatArray:
    """The instants that residuals are taken at, thinned to ``most``."""
    times = pair.rig.time_s[pair.trusted] if pair.nodes_on == "rig" else pair.reference.time_s
    return times[:: max(1, -(-times.shape[0] // most))]


def look(pair: Pair, node_s: FloatArray, theta: FloatArray) -> tuple[Evaluation, BoolArray]:
    """Residuals with the arm of (7,) ``theta``, without its shift, and which may take part."""
    seen = evaluate(pair, node_s, float(theta[CLOCK]), theta[ARM])
    index, _ = pair.rig.interval(seen.rig_time_s)
    # In between two epochs both must be trusted; on an epoch only that one.
    late = seen.rig_time_s - pair.rig.time_s[index] > pair.rig.time_s[index + 1] - seen.rig_time_s
    nearest = np.where(late, index + 1, index)
    trusted = pair.trusted[nearest]
    if pair.nodes_on == "reference":
        trusted = pair.trusted[index] & pair.trusted[index + 1]
    return seen, seen.usable & seen.attitude_known & trusted


def solve(
    pairs: Sequence[Pair], nodes: Sequence[FloatArray], start: FloatArray, free: BoolArray
) -> tuple[FloatArray, list[Run], tuple[float, float]]:
    """Robust estimate of the ``free`` of (7,) parameters, from ``start``.

    Returns: the parameters, the runs at them, and the robust standard deviations (horizontal per
    component, up). Raises TrajectoryError for fewer than ten epochs.
    """
    theta, sigma = start.copy(), (0.0, 0.0)
    for turn in range(_ITERATIONS):
        runs = [run_at(pair, node, theta) for pair, node in zip(pairs, nodes, strict=True)]
        if sum(run.node_s.size for run in runs) < FEWEST_EPOCHS:
            raise TrajectoryError(
                "fewer than ten epochs can be compared",
                remedy="Check that rig and reference overlap in time and place.",
            )
        if turn == 0 and free[ARM].any():
            # A robust start of the arm: medians in the vehicle's axes.
            body = np.concatenate(
                [np.einsum("nij,ni->nj", r.design[:, :, ARM], r.seen.residual_m) for r in runs]
            )
            theta[ARM] -= np.where(free[ARM], np.median(body, axis=0), 0.0)
            continue
        sigma = robust_scale(runs) if turn < 8 else sigma  # fixed later, so that the steps settle
        for run in runs:
            run.weights = _weights(run.seen.residual_m, sigma)
        normal, gradient = np.zeros((SIZE, SIZE)), np.zeros(SIZE)
        inverse = np.array([sigma[0], sigma[0], sigma[1]]) ** -2.0
        for run in runs:
            weighted = run.design * (run.weights * inverse)[:, :, None]
            normal += np.einsum("nij,nik->jk", weighted, run.design)
            gradient += np.einsum("nij,ni->j", weighted, run.seen.residual_m)
        step = np.zeros(SIZE)
        if free.any():
            step[free] = -np.linalg.lstsq(normal[np.ix_(free, free)], gradient[free], rcond=1e-12)[0]
        step[CLOCK] = np.clip(step[CLOCK], -2.0, 2.0)
        theta = theta + step
        if turn >= 8 and abs(step[CLOCK]) < _SETTLED[0] and np.max(np.abs(step[1:])) < _SETTLED[1]:
            break
    return theta, runs, sigma


def run_at(pair: Pair, node_s: FloatArray, theta: FloatArray) -> Run:
    """The epochs of one run that may take part, at (7,) parameters; residuals hold the shift."""
    seen, usable = look(pair, node_s, theta)
    kept = seen.take(usable)
    kept = replace(kept, residual_m=kept.residual_m + theta[SHIFT])
    design = _design(pair, kept, theta[ARM])
    return Run(pair, node_s[usable], kept, design, np.ones_like(kept.residual_m))


def robust_scale(runs: list[Run]) -> tuple[float, float]:
    """Robust standard deviations per horizontal component and up, of normal noise."""
    residual = np.concatenate([run.seen.residual_m for run in runs])
    horizontal = float(np.median(np.hypot(residual[:, 0], residual[:, 1]))) / RAYLEIGH_MEDIAN
    up = float(np.median(np.abs(residual[:, 2]))) / NORMAL_MEDIAN
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


def information_of(run: Run, sigma: tuple[float, float]) -> FloatArray:
    """(7, 7) what one run tells of the parameters."""
    slope_h, slope_u = _slopes(run.seen.residual_m, sigma)
    scale = np.array([slope_h, slope_h, slope_u]) / np.array([sigma[0], sigma[0], sigma[1]]) ** 2
    return np.asarray(np.einsum("nij,i,nik->jk", run.design, scale, run.design))


def fastest(runs: list[Run]) -> float:
    """95 % of epochs are slower, metres per second."""
    speeds = np.concatenate([np.hypot(*run.design[:, :2, CLOCK].T) for run in runs])
    return float(np.quantile(speeds, 0.95)) if speeds.size else 0.0


def covariance_of(runs: list[Run], free: BoolArray, sigma: tuple[float, float]) -> tuple[FloatArray, float]:
    """(7, 7) covariance, 0 where nothing was estimated, and the effective number of epochs."""
    information, middle, effective = np.zeros((SIZE, SIZE)), np.zeros((SIZE, SIZE)), 0.0
    for run in runs:
        information += information_of(run, sigma)
        part, count = _middle(run, sigma)
        middle += part
        effective += count
    covariance = np.zeros((SIZE, SIZE))
    if free.any():
        inverse = np.linalg.pinv(information[np.ix_(free, free)])
        # Few independent epochs: the deviation of Student's t (GUM Supplement 1, 6.4.9.4), three components.
        degrees = max(3 * effective - int(free.sum()), 3.0)
        widened = degrees / (degrees - 2)
        covariance[np.ix_(free, free)] = inverse @ middle[np.ix_(free, free)] @ inverse * widened
    return covariance, effective


def _middle(run: Run, sigma: tuple[float, float]) -> tuple[FloatArray, float]:
    """Covariance of the estimating sums of one run, and its effective number of epochs (horizontal)."""
    if run.node_s.size < 3:
        return np.zeros((SIZE, SIZE)), 0.0
    series = run.seen.residual_m * run.weights
    flat, count = correlated_sum(run.design[:, :2], series[:, :2], run.node_s)
    up, _ = correlated_sum(run.design[:, 2:], series[:, 2:], run.node_s)
    return flat / sigma[0] ** 4 + up / sigma[1] ** 4, count
