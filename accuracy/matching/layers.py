"""A heap of points around a checkpoint -> the surfaces that lie in it, one above the other.

Ground, a parked car's roof, a kerb's top and bottom, a second pass a few centimetres off: each is a
layer, a dense sheet with less above and below it. Foliage, grass tips and stray points are scatter.
Pure functions on centred arrays; used by ``surface``, which decides which layer the checkpoint is on.

The search is a random-sample consensus (Fischler & Bolles 1981, CACM 24, 381-395) over planes, scored
by how much denser a band about the plane is than the bands beside it, over several band widths, so
that it needs neither a known noise nor a majority: a least-median fit breaks down as soon as half the
points belong to something else. Samples come from a fixed sequence, so that a result repeats.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from accuracy.matching.plane import curvature_penalty, design_matrix, fit_surface, tukey_weight
from accuracy.model import BoolArray, FloatArray, IntArray

MAD_TO_SIGMA = 1.4826
"""1 / 0.6745: median absolute deviation to standard deviation of a normal (standard)."""

MEMBER_SIGMAS = 4.685
"""Points further from a layer than this many scales have no weight in its fit."""

_HALF_BANDS_M = np.array([0.006, 0.012, 0.025, 0.05, 0.1, 0.2])
_INTERLEAVED = 0.8  # share of points, beside an edge that is shared only a strip is
_LEAST_SHARE = 0.04  # of the points around: thinner sheets than this turn up among strays by chance
_TRIPLES = 3000
_HYPOTHESES = 300
_SCORED_POINTS = 400
_LEAST_CONTRAST = 2.5  # a band must hold this many times what its neighbours hold
_FEWEST_FOR_LEVELS = 60
_SMALLEST_SCALE_M = 2e-4
_BEND_SIGMA_PER_M = 1.0  # membership only: the final fit has its own, tighter, tolerance


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One sheet of points: where it lies and which points are on it."""

    coefficients: FloatArray
    """(6,) of a surface that may bend, see ``plane``."""
    scale_m: float
    """Robust standard deviation of its points about it."""
    members: IntArray
    """Indices into the arrays searched, ascending."""

    @property
    def height_m(self) -> float:
        """Height at the checkpoint."""
        return float(self.coefficients[0])

    @property
    def slope(self) -> float:
        """Steepest slope at the checkpoint, as rise over run."""
        return float(np.hypot(self.coefficients[1], self.coefficients[2]))

    def residual_m(self, design: FloatArray, height_m: FloatArray) -> FloatArray:
        """(n,) height of points above the layer."""
        return np.asarray(height_m - design @ self.coefficients)


def find_layers(
    east_m: FloatArray,
    north_m: FloatArray,
    height_m: FloatArray,
    *,
    fewest: int,
    step_m: float = 0.0,
    steepest: float = 2.0,
    roughest_m: float = 0.3,
    most: int = 5,
) -> list[Layer]:
    """The surface-like layers, strongest first.

    Args:
        east_m: (n,) offsets from the checkpoint.
        north_m: (n,)
        height_m: (n,)
        fewest: points that a layer must hold.
        step_m: step in which heights are stored; no layer is thinner.
        steepest: rise over run beyond which a sheet is a wall and not looked for.
        roughest_m: scatter beyond which points are no sheet.
        most: layers after which the search ends.
    """
    design = design_matrix(east_m, north_m, bend=True)
    rest = np.arange(east_m.size)
    layers: list[Layer] = []
    failures = 0
    least = max(fewest, int(_LEAST_SHARE * east_m.size))
    thinnest = max(_SMALLEST_SCALE_M, step_m / np.sqrt(12))
    while rest.size >= fewest and len(layers) < most and failures < 2:
        found = _strongest_plane(design[rest, :3], height_m[rest], steepest=steepest)
        if found is None:
            break
        layer = _refine(design, height_m, rest, *found, thinnest_m=thinnest, roughest_m=roughest_m)
        if layer is None or layer.members.size < least or not _stands_out(design, height_m, rest, layer):
            failures += 1
            near = np.abs(height_m[rest] - design[rest, :3] @ found[0]) <= found[1]
            rest = rest[~near]
            continue
        layers.append(layer)
        near = np.abs(layer.residual_m(design[rest], height_m[rest])) <= 1.2 * MEMBER_SIGMAS * layer.scale_m
        rest = rest[~near]
    return layers


def _strongest_plane(
    plane_design: FloatArray, height_m: FloatArray, *, steepest: float
) -> tuple[FloatArray, float] | None:
    n = height_m.size
    # Every k-th point in the caller's order, which runs outward from the checkpoint.
    sample = np.arange(0, n, max(1, -(-n // _SCORED_POINTS)))
    design, height = plane_design[sample], height_m[sample]
    # A fixed sequence, not chance: the same points give the same layers.
    draws = np.random.default_rng(20_011).integers(0, sample.size, size=(_TRIPLES, 3))
    corner = np.column_stack([design[:, 1], design[:, 2], height])[draws]
    u, v = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    cross = np.cross(u, v)
    reach = float(np.max(np.hypot(design[:, 1], design[:, 2])))
    sound = np.abs(cross[:, 2]) > 0.05 * reach**2
    cross, corner = cross[sound], corner[sound]
    slope = -cross[:, :2] / cross[:, 2:]
    level = np.hypot(slope[:, 0], slope[:, 1]) <= steepest
    slope, corner = slope[level][:_HYPOTHESES], corner[level][:_HYPOTHESES]
    if slope.shape[0] == 0:
        return None
    at_zero = corner[:, 0, 2] - np.sum(slope * corner[:, 0, :2], axis=1)
    planes = np.column_stack([at_zero, slope])
    distance = np.sort(np.abs(height[None, :] - planes @ design.T), axis=1)
    best_score, choice = 0.0, None
    scores = np.empty((_HALF_BANDS_M.size, planes.shape[0]))
    for i, half in enumerate(_HALF_BANDS_M):
        inside = np.sum(distance <= half, axis=1)
        beside = (np.sum(distance <= 3 * half, axis=1) - inside) / 2
        scores[i] = np.where(inside >= 4, (inside - beside) / np.sqrt(inside + beside + 1), 0)
    best_score = float(np.max(scores))
    if best_score <= 0:
        return None
    for i, half in enumerate(_HALF_BANDS_M):
        k = int(np.argmax(scores[i]))
        if scores[i, k] >= 0.9 * best_score:
            choice = (np.asarray(planes[k]), float(half))
            break
    return choice


def _refine(
    design: FloatArray,
    height_m: FloatArray,
    rest: IntArray,
    plane: FloatArray,
    half_band_m: float,
    *,
    thinnest_m: float,
    roughest_m: float,
) -> Layer | None:
    """Local optimisation (Chum, Matas & Kittler 2003): grow from the plane's band to the whole sheet."""
    penalty = curvature_penalty(6, _BEND_SIGMA_PER_M)
    coefficients = np.concatenate([plane, np.zeros(3)])
    scale = half_band_m / 2
    x, z = design[rest], height_m[rest]
    for turn in range(8):
        residual = z - x @ coefficients
        reach = max(MEMBER_SIGMAS * scale, (2.0 if turn == 0 else 0.0) * half_band_m)
        near = np.abs(residual) <= reach
        if np.count_nonzero(near) < 4:
            return None
        try:
            fit = fit_surface(x[near], z[near], penalty=penalty, variance_m2=scale**2)
        except np.linalg.LinAlgError:
            return None
        coefficients = fit.coefficients
        n = int(np.count_nonzero(near))
        # Six coefficients take up part of the scatter of a few points.
        spare = np.sqrt(n / max(n - 6, 0.3 * n))
        fresh = max(float(MAD_TO_SIGMA * spare * np.median(np.abs(fit.residual_m))), thinnest_m)
        if fresh > roughest_m:
            return None
        if abs(fresh - scale) < 0.01 * scale and turn > 1:
            scale = fresh
            break
        scale = fresh
    residual = z - x @ coefficients
    members = rest[tukey_weight(residual / scale) > 0]
    return Layer(coefficients, scale, members)


def _stands_out(design: FloatArray, height_m: FloatArray, rest: IntArray, layer: Layer) -> bool:
    """Whether the sheet is denser than what lies beside it: a slice of foliage is not."""
    distance = np.abs(layer.residual_m(design[rest], height_m[rest]))
    half = 2.5 * layer.scale_m
    inside = int(np.count_nonzero(distance <= half))
    beside = (int(np.count_nonzero(distance <= 3 * half)) - inside) / 2
    return bool(inside >= _LEAST_CONTRAST * beside + 5 * np.sqrt(beside + 1))


def interleaved(
    east_m: FloatArray, north_m: FloatArray, first: BoolArray, second: BoolArray, reach_m: float
) -> bool:
    """Whether two sets of points cover the same ground: nearly all of the smaller lie beside the larger."""
    fewer, more = sorted((first, second), key=np.count_nonzero)
    if not np.any(fewer):
        return False
    tree = cKDTree(np.column_stack([east_m[more], north_m[more]]))
    distance, _ = tree.query(np.column_stack([east_m[fewer], north_m[fewer]]))
    beside = int(np.count_nonzero(distance <= reach_m))
    return beside >= _INTERLEAVED * int(np.count_nonzero(fewer))


def densest_offset(residual_m: FloatArray, *, width_m: float, reach_m: float) -> float | None:
    """Centre of the fullest window of that width within +-reach; the one about zero if nearly as full."""
    near = np.sort(residual_m[np.abs(residual_m) <= reach_m])
    if near.size == 0:
        return None
    counts = np.searchsorted(near, near + width_m, side="right") - np.arange(near.size)
    best = int(np.argmax(counts))
    about_zero = int(np.count_nonzero(np.abs(near) <= width_m / 2))
    if about_zero >= 0.5 * counts[best]:
        return 0.0
    return float(np.median(near[best : best + counts[best]]))


def two_levels(residual_m: FloatArray, *, step_m: float) -> tuple[BoolArray, float] | None:
    """Which residuals belong to the upper of two levels, and the scatter about them; None if one level.

    Two levels apart have a kurtosis below that of a uniform band, 1.8; a single one has 3 (computed).
    Levels that are only neighbouring storage steps do not count.
    """
    n = residual_m.size
    centred = residual_m - np.mean(residual_m)
    variance = float(np.mean(centred**2))
    if n < _FEWEST_FOR_LEVELS or variance <= 0 or float(np.mean(centred**4)) > 1.8 * variance**2:
        return None
    upper = centred > 0
    for _ in range(10):
        middle = (float(np.mean(residual_m[upper])) + float(np.mean(residual_m[~upper]))) / 2
        upper = residual_m > middle
    apart = float(np.mean(residual_m[upper]) - np.mean(residual_m[~upper]))
    if apart < 3 * step_m:
        return None
    within = np.where(
        upper, residual_m - np.mean(residual_m[upper]), residual_m - np.mean(residual_m[~upper])
    )
    return upper, max(float(np.std(within)), _SMALLEST_SCALE_M)
