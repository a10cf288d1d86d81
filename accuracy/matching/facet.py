"""The flat faces around a checkpoint, level, upright or sloping, each with the variance of its offset.

After ``height`` and ``solid``, which say how errors are shared and fit robustly; before ``corner`` and
``face``. Pure functions on arrays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from accuracy.matching.correlation import inflation, variance_components
from accuracy.matching.height import error_groups
from accuracy.matching.solid import Cloud, fit_distances, in_company, split_variance
from accuracy.model import BoolArray, FloatArray, IntArray

# Where no source is named the value is our judgement, held by the simulations in the tests.
FEWEST_POINTS = 40
"""On each face: fewer leave its tilt, and so the uncertainty at its edge, unsure."""
ROUGHEST_M = 0.02
TOLERANCE_M = 0.025
_SEEDS = 250
_SAMPLE = 2500
_SEED_REACH_M = 0.25
_MOST_FITTED = 2500
_SAME_DEGREES = 20.0
_MOST_ABOUT = 0.6
"""Points from one to three tolerances off, for each point on the face: 2 where they fill the space."""


@dataclass(frozen=True, slots=True, eq=False)
class Facet:
    """One plane: ``normal`` @ place = ``offset_m``."""

    normal: FloatArray
    offset_m: float
    members: IntArray

    def distance(self, xyz: FloatArray) -> FloatArray:
        """(n,) signed distances along the normal."""
        return np.asarray(xyz @ self.normal - self.offset_m)

    @property
    def kind(self) -> str:
        """What a surveyor would call it."""
        steep = abs(float(self.normal[2]))
        return "level surface" if steep > 0.85 else "upright face" if steep < 0.3 else "sloping face"


def find_facets(xyz: FloatArray, *, most: int = 6) -> list[Facet]:
    """Planes with the most points, largest first, by repeated random samples (Fischler & Bolles 1981).

    Samples are three points within a quarter of a metre, so that a narrow face, such as a kerb's, is
    found beside a road that holds fifty times its points.
    """
    generator = np.random.default_rng(0)
    left = np.arange(len(xyz))
    found: list[Facet] = []
    tries = 0
    while len(found) < most and tries < 2 * most and left.size >= FEWEST_POINTS:
        sample = xyz[left if left.size <= _SAMPLE else generator.choice(left, _SAMPLE, replace=False)]
        facet = _largest(xyz, left, sample, generator)
        if facet is None:
            break
        if _stands_out(xyz, left, facet) and not any(_skin_of(xyz, facet, other) for other in found):
            found.append(facet)
        tries += 1
        left = np.setdiff1d(left, facet.members, assume_unique=True)
    return found


def _skin_of(xyz: FloatArray, facet: Facet, other: Facet) -> bool:
    """Whether it is but the stray points along a face that was already found."""
    return angle_degrees(facet.normal, other.normal) < _SAME_DEGREES and (
        float(np.median(np.abs(other.distance(xyz[facet.members])))) < 2 * TOLERANCE_M
    )


def _stands_out(xyz: FloatArray, left: IntArray, facet: Facet) -> bool:
    """Whether points lie on it rather than throughout the space about it, as leaves or strays do."""
    inside = xyz[facet.members]
    centre = np.median(inside, axis=0)
    reach = float(np.quantile(np.linalg.norm(inside - centre, axis=1), 0.9))
    near = xyz[left][np.linalg.norm(xyz[left] - centre, axis=1) <= reach]
    away = np.abs(facet.distance(near))
    on = np.count_nonzero(away < TOLERANCE_M)
    return bool(np.count_nonzero((away >= TOLERANCE_M) & (away < 3 * TOLERANCE_M)) < _MOST_ABOUT * on)


def _largest(
    xyz: FloatArray, left: IntArray, sample: FloatArray, generator: np.random.Generator
) -> Facet | None:
    tree = cKDTree(sample)
    seeds = generator.integers(0, len(sample), _SEEDS)
    near = tree.query_ball_point(sample[seeds], _SEED_REACH_M)
    picks = np.array(
        [
            (s, *generator.choice(np.asarray(o), 2, replace=False))
            for s, o in zip(seeds, near, strict=True)
            if len(o) >= 6
        ]
    )
    if not picks.size:
        return None
    a, b, c = (sample[index] for index in picks.T)
    normals = np.cross(b - a, c - a)
    length = np.linalg.norm(normals, axis=1)
    # Three points close together, or in a row, make a plane of their noise.
    good = length > 0.004
    if not np.any(good):
        return None
    normals, a = normals[good] / length[good, None], a[good]
    away = np.abs(sample @ normals.T - np.sum(normals * a, axis=1))
    best = int(np.argmax(np.count_nonzero(away < TOLERANCE_M, axis=0)))
    normal, offset = normals[best], float(normals[best] @ a[best])
    for _ in range(3):
        member = np.abs(xyz[left] @ normal - offset) < TOLERANCE_M
        if np.count_nonzero(member) < FEWEST_POINTS:
            return None
        inside = xyz[left][member]
        centre = inside.mean(axis=0)
        _, axes = np.linalg.eigh((inside - centre).T @ (inside - centre))
        normal = axes[:, 0]
        offset = float(normal @ centre)
    member = np.abs(xyz[left] @ normal - offset) < TOLERANCE_M
    if np.count_nonzero(member) < FEWEST_POINTS:
        return None
    return Facet(normal, offset, left[member])


@dataclass(frozen=True, slots=True, eq=False)
class FacetFit:
    """A facet fitted near one place."""

    normal: FloatArray
    at_m: float
    """Offset along the normal of the plane from the place it was fitted at."""
    variance_m2: float
    """Of that offset, shared errors included."""
    tilt_m2: FloatArray
    """(2, 2) covariance of its two tilts."""
    roughness_m: float
    points: int
    kept: IntArray
    """Indices into the cloud."""


def fit_facet(
    cloud: Cloud, facet: Facet, place: FloatArray, *, reach_m: float, not_on: BoolArray
) -> FacetFit | None:
    """Fit a plane robustly to the points near ``place`` and within reach; None where it is not determined.

    Args:
        cloud: all points.
        facet: where to look.
        place: (3,) where the offset is wanted.
        reach_m: points further away than this are left out.
        not_on: (n,) points that another face may own as well.
    """
    near = (np.linalg.norm(cloud.xyz - place, axis=1) <= reach_m) & ~not_on
    # Wider than the fit will cut, so that the cut is the fit's and not the window's.
    near &= np.abs(facet.distance(cloud.xyz)) < 2 * TOLERANCE_M
    index = np.nonzero(near)[0]
    if index.size > _MOST_FITTED:
        index = index[np.linspace(0, index.size - 1, _MOST_FITTED).astype(np.int64)]
    if index.size < FEWEST_POINTS:
        return None
    normal = facet.normal
    first = np.array([-normal[1], normal[0], 0.0]) if abs(normal[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    first = first - (first @ normal) * normal
    first = first / np.linalg.norm(first)
    second = np.cross(normal, first)
    off = cloud.xyz[index] - place
    usual = in_company(np.column_stack([off @ first, off @ second]))
    index, off = index[usual], off[usual]
    u, v, w = off @ first, off @ second, off @ normal
    design = np.column_stack([np.ones_like(u), u, v])
    fit = fit_distances(
        lambda parameters: (w - design @ parameters, -design),
        np.array([facet.offset_m - float(normal @ place), 0.0, 0.0]),
        gate_m=1.5 * TOLERANCE_M,
    )
    if fit is None or np.count_nonzero(fit.kept) < FEWEST_POINTS:
        return None
    kept = index[fit.kept]
    x = design[fit.kept]
    gain = np.linalg.solve(x.T @ x, x.T)
    covariance = _covariance(cloud, kept, x, u[fit.kept], v[fit.kept], fit.pseudo_m, gain, normal)
    tilted = normal + fit.parameters[1] * -first + fit.parameters[2] * -second
    scale = float(np.linalg.norm(tilted))
    return FacetFit(
        normal=tilted / scale,
        at_m=float(fit.parameters[0]) / scale,
        variance_m2=float(covariance[0, 0]) / scale**2,
        tilt_m2=np.asarray(covariance[1:, 1:]),
        roughness_m=float(np.sqrt(np.sum(fit.residual_m**2) / max(len(kept) - 3, 1))),
        points=len(kept),
        kept=kept,
    )


def _covariance(
    cloud: Cloud,
    kept: IntArray,
    design: FloatArray,
    u_m: FloatArray,
    v_m: FloatArray,
    pseudo_m: FloatArray,
    gain: FloatArray,
    normal: FloatArray,
) -> FloatArray:
    """Errors shared along scan lines, and where larger, those shared by patches of a wall's texture."""
    lines = None if cloud.lines is None else cloud.lines[kept]
    normals = np.tile(normal, (len(kept), 1))
    by_lines = split_variance(design, pseudo_m, normals, lines).covariance(gain, normals, lines)
    groups, _ = error_groups(u_m, v_m, pseudo_m, np.zeros(len(kept), dtype=np.int64), None)
    if lines is not None:
        _, relabelled = np.unique(lines, return_inverse=True)
        patches = groups[-1:] if len(kept) >= 60 else ()
        groups = (np.asarray(relabelled, dtype=np.int64), *patches)
    parts = variance_components(design, pseudo_m, groups)
    _, dof = parts.variance(gain[0])
    by_patches = parts.covariance(gain) * inflation(dof)
    return by_lines if by_lines[0, 0] >= by_patches[0, 0] else by_patches


def angle_degrees(first: FloatArray, second: FloatArray) -> float:
    """Angle between two planes, 0 to 90."""
    return math.degrees(math.acos(min(1.0, abs(float(first @ second)))))
