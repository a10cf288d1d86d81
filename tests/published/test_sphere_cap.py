"""Sphere centres on a cap against closed-form variances (computed from the normal equations).

For n points spread evenly over a cap of half-angle a, c = cos a, and radial noise sigma, in units of
sigma^2/n. Radius free: along the line of sight 12/(1-c)^2, across 6/(2-c-c^2), radius
4(1+c+c^2)/(1-c)^2. Radius known: along 3/(1+c+c^2), across as before.
"""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.matching.solid import fit_distances
from accuracy.matching.sphere import distances, sphere_covariance

RADIUS_M = 0.1
SIGMA_M = 0.001
# half-angle in degrees; radius free: along, across, radius; radius known: along
TABLE = [
    (180, 3.0, 3.0, 1.0, 3.0),
    (90, 12.0, 3.0, 4.0, 3.0),
    (60, 48.0, 4.8, 28.0, 1.71),
    (45, 139.9, 7.57, 102.9, 1.36),
    (30, 668.6, 15.6, 583.0, 1.15),
]


def cap(n: int, half_angle: float, rng: np.random.Generator) -> np.ndarray:
    """Points spread evenly over the cap about the east axis, with radial noise."""
    along = rng.uniform(np.cos(np.radians(half_angle)), 1, n)
    turn = rng.uniform(0, 2 * np.pi, n)
    across = np.sqrt(1 - along**2)
    way = np.column_stack([along, across * np.cos(turn), across * np.sin(turn)])
    return way * (RADIUS_M + rng.normal(0, SIGMA_M, n))[:, None]


@pytest.mark.parametrize(("half_angle", "along", "across", "radius", "along_known"), TABLE)
def test_stated_variances(half_angle, along, across, radius, along_known, rng) -> None:
    """The covariance that a fit states is the closed form's, with the radius free and known."""
    n = 6000
    points = cap(n, half_angle, rng)
    start = np.zeros(3)
    unit = SIGMA_M**2 / n
    free = fit_distances(distances(points, None), np.append(start, RADIUS_M), gate_m=0.02)
    known = fit_distances(distances(points, RADIUS_M), start, gate_m=0.02)
    by_free, by_known = sphere_covariance(free, None)[0] / unit, sphere_covariance(known, None)[0] / unit
    assert by_free[0, 0] == pytest.approx(along, rel=0.12)
    assert (by_free[1, 1] + by_free[2, 2]) / 2 == pytest.approx(across, rel=0.12)
    assert by_free[3, 3] == pytest.approx(radius, rel=0.12)
    assert by_known[0, 0] == pytest.approx(along_known, rel=0.12)
    assert (by_known[1, 1] + by_known[2, 2]) / 2 == pytest.approx(across, rel=0.12)


@pytest.mark.parametrize("row", [TABLE[1], TABLE[2]], ids=["hemisphere", "60 degrees"])
def test_scatter_of_many_fits(row, rng) -> None:
    """Centres of 1,500 simulated caps scatter as the closed form says; 10 % is 2.7 standard errors."""
    half_angle, along, across, radius, along_known = row
    n, count = 150, 1500
    free, known = [], []
    for _ in range(count):
        points = cap(n, half_angle, rng)
        known.append(fit_distances(distances(points, RADIUS_M), np.zeros(3), gate_m=0.02).parameters)
        free.append(
            fit_distances(distances(points, None), np.array([0, 0, 0, RADIUS_M]), gate_m=0.02).parameters
        )
    unit = SIGMA_M**2 / n / 0.95  # biweight: 95 % efficient (Holland & Welsch 1977)
    by_free, by_known = np.var(free, axis=0, ddof=1) / unit, np.var(known, axis=0, ddof=1) / unit
    assert by_free[0] == pytest.approx(along, rel=0.1)
    assert np.mean(by_free[1:3]) == pytest.approx(across, rel=0.1)
    assert by_free[3] == pytest.approx(radius, rel=0.1)
    assert by_known[0] == pytest.approx(along_known, rel=0.1)
    assert np.mean(by_known[1:3]) == pytest.approx(across, rel=0.1)
