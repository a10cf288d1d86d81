"""A constant shift between the coordinate frames of rig and reference, told from a lever arm. Before the fit.

A lever arm turns with the vehicle, a shift (a base station with wrong coordinates, another datum,
geoid for ellipsoidal heights) does not. Left unseen, a shift of metres is taken for an arm, and a
height system's forty metres lean with every grade. Where the headings vary the two are told apart;
up, where the attitude was measured and the road rises and falls, or where no vehicle carries the arm.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from accuracy.model import BoolArray, FloatArray
from accuracy.trajectory.solving import (
    CLOCK,
    EAST,
    FEWEST_EPOCHS,
    HEIGHT,
    NORTH,
    SIZE,
    UP,
    Pair,
    Run,
    covariance_of,
    run_at,
    solve,
)

LONGEST_ARM_M = 10.0
"""No vehicle carries a longer one: common practice, no source."""
# Conventions of this software: a shift counts where it is large against the scatter, surely not 0,
# and large enough to matter. Up needs more: noise in the pitch passes a tenth of an arm off as a shift.
_CLEAR = 3.0
_SURE = 5.0
_LEAST_M = {EAST: 0.05, HEIGHT: 0.5}
_LEAST_SHARE = {EAST: 0.02, HEIGHT: 1e-6}
"""Of what the epochs tell of a shift, the part that no arm or clock tells as well."""
_TURNS = 20
_FLOOR_M = 1e-3
_MOST_EPOCHS = 5000
_PARTS = ([EAST, NORTH], [HEIGHT])


def with_frame_shift(
    pairs: Sequence[Pair], nodes: Sequence[FloatArray], theta: FloatArray, free: BoolArray
) -> tuple[FloatArray, BoolArray]:
    """The (7,) parameters to start from and those to estimate; both as given where no shift shows.

    ``theta`` holds the coarse clock and the arms that are known; ``free`` no shift yet.
    """
    runs = [run_at(pair, node, theta) for pair, node in zip(pairs, nodes, strict=True)]
    if not free.any() or sum(run.node_s.size for run in runs) < FEWEST_EPOCHS:
        return theta, free
    design = np.concatenate([run.design for run in runs])
    residual = np.concatenate([run.seen.residual_m for run in runs])
    stride = max(1, residual.shape[0] // _MOST_EPOCHS)
    design, residual = design[::stride], residual[::stride]
    wanted = free.copy()
    for part in _PARTS:
        measured = part[0] == EAST or all(pair.attitude.source != "course" for pair in pairs)
        wanted[part] = measured and _own_share(design, free, part) > _LEAST_SHARE[part[0]]
    kept = free.copy()
    start = _least_absolute(design, residual, theta, wanted)
    if any(_size(start, part) > _LEAST_M[part[0]] for part in _PARTS):
        kept = _clear_shifts(*solve(pairs, nodes, start, wanted), wanted, free)
    if free[UP] and abs(_least_absolute(design, residual, theta, kept)[UP]) > LONGEST_ARM_M:
        kept[HEIGHT], kept[UP] = True, False
    return (theta, free) if (kept == free).all() else (_least_absolute(design, residual, theta, kept), kept)


def _size(theta: FloatArray, part: list[int]) -> float:
    return float(np.linalg.norm(theta[part]))


def _clear_shifts(
    theta: FloatArray, runs: list[Run], sigma: tuple[float, float], wanted: BoolArray, free: BoolArray
) -> BoolArray:
    """``free`` and the shifts that are large against the scatter and surely not 0."""
    kept = free.copy()
    covariance, _ = covariance_of(runs, wanted, sigma)
    for part, scatter in zip(_PARTS, sigma, strict=True):
        if not wanted[part].all() or _size(theta, part) < max(_CLEAR * scatter, _LEAST_M[part[0]]):
            continue
        square = theta[part] @ np.linalg.pinv(covariance[part][:, part]) @ theta[part]
        kept[part] = bool(square > _SURE**2)
    return kept


def _own_share(design: FloatArray, free: BoolArray, part: list[int]) -> float:
    """0 where arm and clock tell the same of the epochs as the shift, 1 where they tell nothing of it."""
    information = np.einsum("nij,nik->jk", design, design)
    others = np.flatnonzero(free)
    mixed = information[part][:, others]
    inverse = np.linalg.pinv(information[others][:, others], rcond=1e-9, hermitian=True)
    own: FloatArray = np.linalg.eigvalsh(information[part][:, part] - mixed @ inverse @ mixed.T)
    return float(own[0] / design.shape[0])


def _least_absolute(
    design: FloatArray, residual_m: FloatArray, theta: FloatArray, free: BoolArray
) -> FloatArray:
    """(7,) parameters with the least sum of distances, by reweighting: it has no false optima to end in."""
    columns = design[:, :, free]
    weight: FloatArray = np.ones_like(residual_m)
    flat = columns.reshape(-1, columns.shape[2])
    for _ in range(_TURNS):
        weighted = (columns * weight[:, :, None]).reshape(flat.shape)
        normal, gradient = weighted.T @ flat, weighted.T @ residual_m.ravel()
        step = -np.linalg.lstsq(normal, gradient, rcond=1e-12)[0]
        left = residual_m + columns @ step
        away = np.hypot(left[:, 0], left[:, 1])
        away = np.column_stack([away, away, np.abs(left[:, 2])])
        weight = np.asarray(1 / np.maximum(away, _FLOOR_M), dtype=np.float64)
    change = np.zeros(SIZE)
    change[free] = step
    change[CLOCK] = np.clip(change[CLOCK], -2.0, 2.0)
    return theta + change
