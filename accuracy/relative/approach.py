"""Points of one run and planes of another, far apart -> a first idea of the rigid shift.

After planes, before registration, which refines it and alone says how well it is known.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from accuracy.model import FloatArray
from accuracy.reading.pairs import CellTable
from accuracy.relative.planes import Planes, box_codes

Motion = tuple[FloatArray, FloatArray]
"""(3, 3) rotation R and (3,) shift t by which a lies off b: p_a = R (p_b - c) + c + t."""

_NEAR_M = 0.05
_STEP_M = 0.05
_FARTHEST_M = 1.5


def put_back(points: FloatArray, centre: FloatArray, motion: Motion) -> FloatArray:
    """Points of a where b has them: R'(p - c - t) + c."""
    turn, shift = motion
    return np.asarray((points - centre - shift) @ turn + centre)


def agreement(
    points: FloatArray, planes: Planes, table: CellTable, centre: FloatArray, motion: Motion
) -> float:
    """How well a's points lie on b's planes: the sum over points of exp(-(distance / 5 cm)^2 / 2)."""
    moved = put_back(points, centre, motion)
    plane = planes.find(box_codes(table, moved))
    inside = plane >= 0
    offset = moved[inside] - planes.centre_m[plane[inside]]
    distance = np.einsum("ij,ij->i", offset, planes.normal[plane[inside]])
    return float(np.sum(np.exp(-0.5 * (distance / _NEAR_M) ** 2)))


def search_along(
    points: FloatArray,
    planes: Planes,
    table: CellTable,
    centre: FloatArray,
    motion: Motion,
    axes: FloatArray,
    unseen: FloatArray,
) -> Motion:
    """The best of shifts up to 1.5 m along the (k, 6) unseen directions, each by itself."""
    turn, shift = motion
    steps = np.arange(-_FARTHEST_M, _FARTHEST_M + _STEP_M / 2, _STEP_M)
    tried: list[Motion] = [motion]
    tried += [(turn, shift + axes.T @ (u[3:] * s)) for u in unseen for s in steps]
    return max(tried, key=lambda m: agreement(points, planes, table, centre, m))


def icp_start(points: FloatArray, planes: Planes, centre: FloatArray, *, reach_m: float) -> Motion | None:
    """The motion by open3d's point-to-plane ICP from (n, 3) points about the centre; None without contact."""
    import open3d as o3d

    registration = o3d.pipelines.registration
    # Centred beforehand: at the size of a grid's coordinates little precision would be left to the fit.
    source = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(np.ascontiguousarray(points)))
    target_points, target_normals = _on_planes(planes, centre)
    target = o3d.geometry.PointCloud(o3d.utility.Vector3dVector(target_points))
    target.normals = o3d.utility.Vector3dVector(target_normals)
    found = np.eye(4)
    estimate = registration.TransformationEstimationPointToPlane(registration.TukeyLoss(k=0.3))
    criteria = registration.ICPConvergenceCriteria(max_iteration=30)
    for reach in (reach_m, reach_m / 2):
        result = registration.registration_icp(source, target, reach, found, estimate, criteria)
        if not result.fitness:
            return None
        found = np.asarray(result.transformation)
    # It takes a onto b: a lies off b by the reverse. Its threads add in no fixed order, so that the last
    # digits change from run to run: they are rounded off, and the same clouds give the same figures.
    turn = Rotation.from_rotvec(np.round(Rotation.from_matrix(found[:3, :3].T).as_rotvec(), 5)).as_matrix()
    shift: FloatArray = np.round(-found[:3, :3].T @ found[:3, 3], 3)
    return turn, shift


def _on_planes(planes: Planes, centre: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A few points on each plane of b, with its normal: the centre and four about it."""
    reach = np.sqrt(planes.tangent_variance)[:, :, None] * planes.tangents
    steps = (0 * reach[:, 0], reach[:, 0], -reach[:, 0], reach[:, 1], -reach[:, 1])
    points = np.concatenate([planes.centre_m - centre + step for step in steps])
    return np.ascontiguousarray(points), np.ascontiguousarray(np.tile(planes.normal, (5, 1)))
