"""The plane a flat mark lies on, and the points of that layer in the plane's own coordinates.

Before target_search. A road, a tilted kerb stone or a wall: the dominant plane near the checkpoint,
found by random samples of three points (Fischler and Bolles 1981) with a fixed seed, then fitted to
its layer by total least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from accuracy.model import BoolArray, FloatArray, IntArray

_TRIALS = 160
_SAMPLE = 600
_TOLERANCE_M = 0.02
_THINNEST_M = 0.012
_THICKEST_M = 0.05
_STEEP = 0.7
"""Normals whose upward part is below this belong to a wall."""


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One plane and its points; offsets from the checkpoint in metres."""

    origin: FloatArray
    """(3,) a point of the plane: above or below the checkpoint, or level with it before a wall."""
    axis_x: FloatArray
    axis_y: FloatArray
    normal: FloatArray
    """(3,) unit vectors; on the ground x points east, on a wall y points up."""
    members: IntArray
    """Indices of the points that belong to it."""
    x_m: FloatArray
    y_m: FloatArray
    """(members,) coordinates in the plane."""
    roughness_m: float
    is_wall: bool

    def place(self, x_m: float, y_m: float) -> FloatArray:
        """East, north, up (3,) of a place in the plane."""
        return np.asarray(self.origin + x_m * self.axis_x + y_m * self.axis_y)

    def horizontal(self, covariance: FloatArray, normal_variance_m2: float) -> FloatArray:
        """Covariance (2, 2) in east and north, from that in the plane and that along its normal."""
        turn = np.column_stack((self.axis_x, self.axis_y, self.normal))[:2]
        whole = np.zeros((3, 3))
        whole[:2, :2] = covariance
        whole[2, 2] = normal_variance_m2
        return np.asarray(turn @ whole @ turn.T)


def layers(
    east_m: FloatArray, north_m: FloatArray, up_m: FloatArray, radius_m: float, most: int = 2
) -> list[Layer]:
    """The dominant planes within ``radius_m`` of the checkpoint, largest first; arrays (n,) offsets."""
    points = np.column_stack((east_m, north_m, up_m))
    horizontal = np.hypot(east_m, north_m)
    left = np.nonzero(horizontal <= radius_m)[0]
    found: list[Layer] = []
    generator = np.random.default_rng(0)
    while len(left) >= 12 and len(found) < most:
        layer = _layer(points, left, radius_m, generator)
        if layer is None:
            break
        found.append(layer)
        left = np.setdiff1d(left, layer.members, assume_unique=True)
        if len(left) < 0.2 * len(layer.members):
            break
    return found


def _layer(
    points: FloatArray, left: IntArray, radius_m: float, generator: np.random.Generator
) -> Layer | None:
    sample = points[left if len(left) <= _SAMPLE else generator.choice(left, _SAMPLE, replace=False)]
    triples = sample[generator.integers(0, len(sample), (_TRIALS, 3))]
    normals = np.cross(triples[:, 1] - triples[:, 0], triples[:, 2] - triples[:, 0])
    length = np.linalg.norm(normals, axis=1)
    # Three points close together make a plane of their noise.
    normals, corner = normals[length > 0.02 * radius_m**2], triples[length > 0.02 * radius_m**2, 0]
    if not len(normals):
        return None
    normals = normals / np.linalg.norm(normals, axis=1)[:, None]
    away = np.abs(sample @ normals.T - (normals * corner).sum(axis=1))
    best = int((away < _TOLERANCE_M).sum(axis=0).argmax())
    centre, normal, tolerance = corner[best], normals[best], _TOLERANCE_M
    for _ in range(4):
        distance = (points[left] - centre) @ normal
        member: BoolArray = np.abs(distance) < tolerance
        if member.sum() < 8:
            return None
        inside = points[left][member]
        centre = inside.mean(axis=0)
        _, _, axes = np.linalg.svd((inside - centre).T @ (inside - centre))
        normal = axes[2]
        distance = (points[left] - centre) @ normal
        spread = 1.4826 * float(np.median(np.abs(distance[np.abs(distance) < 1.5 * tolerance])))
        tolerance = float(np.clip(3.5 * spread, _THINNEST_M, _THICKEST_M))
    if normal[2] < 0:
        normal = -normal
    distance = (points[left] - centre) @ normal
    member = np.abs(distance) < tolerance
    is_wall = bool(normal[2] < _STEEP)
    if is_wall:
        # Towards the checkpoint's own height; the nearest place of the plane to the checkpoint.
        origin = normal * float(centre @ normal)
        axis_x = np.array([-normal[1], normal[0], 0.0]) / np.hypot(normal[0], normal[1])
    else:
        origin = np.array([0.0, 0.0, float(centre @ normal) / normal[2]])
        axis_x = np.array([1.0, 0.0, 0.0]) - normal[0] * normal
        axis_x /= np.linalg.norm(axis_x)
    axis_y = np.cross(normal, axis_x)
    members = left[member]
    offset = points[members] - origin
    return Layer(
        origin=origin,
        axis_x=axis_x,
        axis_y=axis_y,
        normal=normal,
        members=members,
        x_m=offset @ axis_x,
        y_m=offset @ axis_y,
        roughness_m=float(distance[member].std(ddof=1)),
        is_wall=is_wall,
    )
