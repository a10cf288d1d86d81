"""Invented streets, driven twice: planes of known shape, points at random, and a planted rigid shift.

Nothing here is measured data. The road has a crown and a grade; walls stand along it and across it.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from accuracy.reading.pairs import CellGatherer, CellGrid, CellTable

GRID = CellGrid(origin_m=(500_000.0, 5_600_000.0, 100.0), cell_m=1.0)
MIDDLE_M = np.array([30.37, 12.61, 5.43])
"""Of the street, from the grid's origin."""


def road(rng, *, length=60.0, width=8.0, density=60, crown=0.02, grade=0.01):
    """(n, 3) true points on the road about the street's middle."""
    n = int(length * width * density)
    x = rng.uniform(-length / 2, length / 2, n)
    y = rng.uniform(-width / 2, width / 2, n)
    return np.column_stack([x, y, grade * x - crown * np.abs(y)])


def wall(rng, start, end, *, height=3.0, density=60):
    """(n, 3) true points on an upright wall over a line of the plan."""
    start, end = np.array(start, dtype=float), np.array(end, dtype=float)
    n = int(np.linalg.norm(end - start) * height * density)
    along = start + rng.uniform(0, 1, (n, 1)) * (end - start)
    return np.column_stack([along, rng.uniform(-0.2, height - 0.2, n)])


def street(rng, *, walls="both", density=60):
    """Road with no walls, with a long wall on one side, or with cross walls as well."""
    parts = [road(rng, density=density)]
    if walls in ("one", "both"):
        parts.append(wall(rng, (-30, -5.0), (30, -5.0), density=density))
    if walls == "both":
        parts += [wall(rng, (x, 4.5), (x, 8.5), density=density) for x in (-24.0, -8.0, 6.0, 22.0)]
    return np.concatenate(parts)


def moved(points, turn=(0, 0, 0), shift=(0, 0, 0)):
    """Points turned about the street's middle by a rotation vector (radians) and shifted."""
    return points @ Rotation.from_rotvec(turn).as_matrix().T + np.array(shift)


def table_of(points, rng, *, noise_m=0.005, time_s=None, source=None, grid=GRID) -> CellTable:
    """Cells of points about the street's middle, with equal noise on every axis."""
    points = points + rng.normal(0, noise_m, points.shape) + MIDDLE_M
    gatherer = CellGatherer(grid)
    gatherer.add(
        points,
        np.zeros(len(points)) if time_s is None else time_s,
        np.zeros(len(points), dtype=np.int64) if source is None else source,
        rng.integers(0, 2**63, len(points)).astype(np.uint64),
    )
    return gatherer.table()
