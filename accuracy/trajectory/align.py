"""Clock offset and lever arm between rig and reference, jointly over runs that share a mounting.

A coarse search for the clock, a look for a shift between the two coordinate frames, then the robust
estimate; what the drive does not tell apart is not said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from accuracy.errors import TrajectoryError
from accuracy.model import BoolArray, FloatArray
from accuracy.trajectory.frame_shift import with_frame_shift
from accuracy.trajectory.interpolate import STANDING_M_PER_S, vehicle_axes
from accuracy.trajectory.solving import (
    ARM,
    CLOCK,
    EAST,
    FORWARD,
    HEIGHT,
    LEFT,
    NORTH,
    SIZE,
    UP,
    Pair,
    Run,
    covariance_of,
    fastest,
    information_of,
    look,
    nodes_of,
    solve,
)

_SEARCH_STEP_S = 0.5
_SEARCH_EPOCHS = 1500
NOT_SEPARABLE = 0.995
"""Correlation of clock and forward arm beyond which they are not told apart: on a straight drive
this is a speed that varies by less than a tenth of itself. A convention of this software."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentSettings:
    """What is known beforehand; everything that is None is estimated."""

    clock_offset_s: float | None = None
    lever_arm_m: tuple[float | None, float | None, float | None] = (None, None, None)
    search_s: float = 30.0
    """How far from zero the clock offset is searched."""
    most_epochs: int = 20_000
    """Evenly thinned to this many per run for the estimate; residuals are still taken at all."""


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
    frame_shift_m: tuple[float | None, float | None, float | None] = (None, None, None)
    """Constant easting, northing, height of reference less rig that no arm explains; None where none shows.
    It is left in the residuals: it is an error of one of the two."""
    frame_shift_standard_uncertainty_m: tuple[float | None, float | None, float | None] = (None, None, None)


def align_runs(pairs: Sequence[Pair], settings: AlignmentSettings) -> Alignment:
    """Estimate clock offset and lever arm over all runs; one clock and one mounting for all.

    Raises TrajectoryError where rig and reference do not overlap.
    """
    known = (settings.clock_offset_s, *settings.lever_arm_m, 0.0, 0.0, 0.0)
    free = np.array([value is None for value in known])
    theta = np.array([0.0 if value is None else value for value in known])
    nodes = [nodes_of(pair, settings.most_epochs) for pair in pairs]
    edge = False
    if free[CLOCK]:
        theta[CLOCK], edge = _search_clock(pairs, nodes, theta[ARM], settings.search_s)
    theta, free = with_frame_shift(pairs, nodes, theta, free)
    theta, runs, sigma = solve(pairs, nodes, theta, free)
    separable = True
    if free[CLOCK] and not _clock_separable(runs, free, sigma):
        separable = False
        # One of the two carries both: the clock if anything moves, else nothing can be said of it.
        free = free.copy()
        free[FORWARD if fastest(runs) > STANDING_M_PER_S and free[FORWARD] else CLOCK] = False
        theta = np.where(free, theta, [0.0 if value is None else value for value in known])
        theta, runs, sigma = solve(pairs, nodes, theta, free)
    covariance, effective = covariance_of(runs, free, sigma)
    clocks = _run_clocks(pairs, nodes, theta, free, float(np.sqrt(covariance[FORWARD, FORWARD])))
    return _alignment(theta, covariance, free, known, runs, sigma, separable, effective, edge, clocks)


def _search_clock(
    pairs: Sequence[Pair], nodes: Sequence[FloatArray], arm_m: FloatArray, search_s: float
) -> tuple[float, bool]:
    """Coarse start: the offset with the least scatter of the residuals in the vehicle's axes."""
    tries = np.arange(0.0, search_s + _SEARCH_STEP_S / 2, _SEARCH_STEP_S)
    tries = np.concatenate([-tries[:0:-1], tries])
    few = [node[:: max(1, node.shape[0] // _SEARCH_EPOCHS)] for node in nodes]
    scatter, counts = np.full(tries.size, np.inf), np.zeros(tries.size)
    for place, clock in enumerate(tries):
        theta = np.array([clock, *arm_m, 0.0, 0.0, 0.0])
        parts = []
        for pair, node in zip(pairs, few, strict=True):
            seen, usable = look(pair, node, theta)
            axes = vehicle_axes(seen.angles_rad[usable])
            parts.append(np.einsum("nij,ni->nj", axes, seen.residual_m[usable]))
        body = np.concatenate(parts)
        counts[place] = body.shape[0]
        if body.shape[0]:
            scatter[place] = np.median(np.linalg.norm(body - np.median(body, axis=0), axis=1))
    scatter[counts < max(0.5 * counts.max(), 4)] = np.inf
    if not np.isfinite(scatter).any():
        raise TrajectoryError(
            f"{', '.join(pair.name for pair in pairs)}: rig and reference share no usable epochs within the "
            f"clock offsets that were searched (up to {search_s:g} s): where the one has them, the other has "
            "gaps or no fix",
            remedy="Check the date, the time scale (GPS or UTC) and the fix states of both files.",
        )
    best, zero = int(np.argmin(scatter)), tries.size // 2
    # Without a clear gain the clocks are presumed to agree: a straight steady drive fits any offset.
    if scatter[zero] < 1.1 * scatter[best]:
        best = zero
    return float(tries[best]), search_s > 0 and best in (0, tries.size - 1)


def _clock_separable(runs: list[Run], free: BoolArray, sigma: tuple[float, float]) -> bool:
    """Whether speeds vary enough, beyond their own noise, to tell the clock from the forward arm."""
    information = sum((information_of(run, sigma) for run in runs), np.zeros((SIZE, SIZE)))
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


def _run_clocks(
    pairs: Sequence[Pair], nodes: Sequence[FloatArray], theta: FloatArray, free: BoolArray, forward_m: float
) -> tuple[RunClock, ...]:
    """Each run's own clock, the arm held; ``forward_m`` is the arm's standard uncertainty forward."""
    if len(pairs) < 2 or not free[CLOCK]:
        return ()
    only_clock = np.arange(SIZE) == CLOCK
    found = []
    for pair, node in zip(pairs, nodes, strict=True):
        try:
            own, runs, sigma = solve([pair], [node], theta, only_clock)
        except TrajectoryError:
            continue  # too little of it overlaps to say anything of its clock
        speed = fastest(runs)
        if speed < STANDING_M_PER_S:
            continue
        variance = covariance_of(runs, only_clock, sigma)[0][CLOCK, CLOCK] + (forward_m / speed) ** 2
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
    runs: list[Run],
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
        mixed |= which == UP and not free[UP]  # a height shift carries it
        return None if mixed and known[which] is None else float(theta[which])

    def doubt(which: int) -> float | None:
        return None if said(which) is None else float(deviation[which])

    def shift(values: FloatArray) -> tuple[float | None, float | None, float | None]:
        east, north, up = (float(values[i]) if free[i] else None for i in (EAST, NORTH, HEIGHT))
        return east, north, up

    return Alignment(
        clock_offset_s=said(CLOCK),
        clock_offset_standard_uncertainty_s=doubt(CLOCK),
        lever_arm_m=(said(FORWARD), said(LEFT), said(UP)),
        lever_arm_standard_uncertainty_m=(doubt(FORWARD), doubt(LEFT), doubt(UP)),
        applied_clock_s=float(theta[CLOCK]),
        applied_arm_m=(float(theta[FORWARD]), float(theta[LEFT]), float(theta[UP])),
        estimated=(bool(free[0]), bool(free[1]), bool(free[2]), bool(free[3])),
        separable=separable,
        correlation=(covariance / np.outer(size, size))[:EAST, :EAST],
        covariance=covariance[:EAST, :EAST],
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
        frame_shift_m=shift(theta),
        frame_shift_standard_uncertainty_m=shift(deviation),
    )
