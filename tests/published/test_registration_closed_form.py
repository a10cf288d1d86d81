"""The rigid shift against closed forms for known correspondences.

Least-squares rotation and shift of matched points: Arun, Huang & Blostein 1987 and Umeyama 1991 by
singular values, Horn 1987 by quaternions (from memory); computed here by scipy, an independent library.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import relative_scene as scene
from accuracy.relative.registration import RegistrationSettings, register


def horn_quaternion(a: np.ndarray, b: np.ndarray) -> Rotation:
    """Rotation that takes centred b onto centred a: largest eigenvector of Horn's 4 x 4 matrix."""
    s = b.T @ a
    delta = np.array([s[1, 2] - s[2, 1], s[2, 0] - s[0, 2], s[0, 1] - s[1, 0]])
    n = np.zeros((4, 4))
    n[0, 0], n[0, 1:], n[1:, 0] = np.trace(s), delta, delta
    n[1:, 1:] = s + s.T - np.trace(s) * np.eye(3)
    w, x, y, z = np.linalg.eigh(n)[1][:, -1]
    return Rotation.from_quat([x, y, z, w])


@pytest.mark.parametrize("seed", range(3))
def test_shift_is_that_of_the_closed_forms(seed: int) -> None:
    """The same points twice, one copy moved: planes give the motion that matched points give."""
    rng = np.random.default_rng(seed)
    turn, shift = rng.normal(0, 0.001, 3), rng.normal(0, 0.03, 3)
    b_points = scene.street(rng, walls="both") + rng.normal(0, 0.003, (1, 3))
    noisy = b_points + rng.normal(0, 0.002, b_points.shape)
    a_points = scene.moved(noisy, turn, shift)
    a = scene.table_of(a_points, rng, noise_m=0.0)
    b = scene.table_of(noisy, rng, noise_m=0.0)
    found = register(a, b, name_a="a", name_b="b", settings=RegistrationSettings(use_icp=False))
    centre = np.array(found.centre_m) - scene.GRID.origin_m - scene.MIDDLE_M
    by_svd, _ = Rotation.align_vectors(a_points - a_points.mean(axis=0), noisy - noisy.mean(axis=0))
    by_quaternion = horn_quaternion(a_points - a_points.mean(axis=0), noisy - noisy.mean(axis=0))
    np.testing.assert_allclose(by_svd.as_rotvec(), by_quaternion.as_rotvec(), atol=1e-9)
    moved_centre = by_svd.apply(centre - noisy.mean(axis=0)) + a_points.mean(axis=0)
    expected = moved_centre - centre
    assert len(found.translations) == 3
    for c in found.translations:
        assert c.value == pytest.approx(
            expected @ (c.easting, c.northing, c.up), abs=4 * c.standard_uncertainty
        )
        assert c.standard_uncertainty < 0.0003
    for c in found.rotations:
        truth = by_svd.as_rotvec() @ (c.easting, c.northing, c.up)
        assert c.value == pytest.approx(truth, abs=4 * c.standard_uncertainty)
