"""Simulated truth for runs held against each other: z-scores of the rigid shift.

Run by hand: ``python tests/benchmarks/sim_relative.py``. Invented streets; seeds are fixed. Takes about
ten minutes on one core. Coverage of the intervals of the differences is in ``sim_intervals.py``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from accuracy.relative.registration import RegistrationSettings, register

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "planted"))

import relative_scene as scene

TURN, SHIFT_M = np.array([0.0004, -0.0002, 0.0006]), np.array([0.030, -0.020, 0.015])
NAMES = ("first", "second", "up", "roll", "pitch", "yaw")


def waves(points, rng, *, length_m, size_m):
    """Smooth errors of about ``length_m``: upwards on the road, sideways on walls."""
    k, phase = rng.normal(0, 1 / length_m, (40, 3)), rng.uniform(0, 2 * np.pi, 40)
    error = np.cos(points @ k.T + phase).sum(axis=1) / np.sqrt(20) * size_m
    low = np.abs(points[:, 2:]) < 0.35
    return points + error[:, None] * np.where(low, [[0, 0, 1.0]], [[0.7, 0.7, 0]])


def shift_scores(seeds, *, walls, noise_m=0.005, density=60, wave=None, turn=TURN, shift=SHIFT_M, icp=False):
    """(seeds, 6) z-scores, NaN where refused; and the mean uncertainties."""
    scores, stated = [], []
    for seed in range(seeds):
        rng = np.random.default_rng(10_000 + seed)
        b = scene.street(rng, walls=walls, density=density)
        a = scene.moved(scene.street(rng, walls=walls, density=density), turn, shift)
        if wave:
            a = waves(a, rng, length_m=wave[0], size_m=wave[1])
        found = register(
            scene.table_of(a, rng, noise_m=noise_m),
            scene.table_of(b, rng, noise_m=noise_m),
            name_a="a",
            name_b="b",
            settings=RegistrationSettings(use_icp=icp),
        )
        centre = np.array(found.centre_m) - scene.GRID.origin_m - scene.MIDDLE_M
        there = shift + Rotation.from_rotvec(turn).as_matrix() @ centre - centre
        row, uncertainties = [], []
        for k, c in enumerate(found.translations + found.rotations):
            truth = np.array([c.easting, c.northing, c.up]) @ (there if k < 3 else turn)
            row.append(np.nan if c.value is None else (c.value - truth) / c.standard_uncertainty)
            uncertainties.append(np.nan if c.value is None else c.standard_uncertainty)
        scores.append(row)
        stated.append(uncertainties)
    return np.array(scores), np.array(stated)


def print_shift(name, seeds, **case):
    """One row: share estimated, RMS of z, mean uncertainty."""
    z, u = shift_scores(seeds, **case)
    with np.errstate(all="ignore"):
        cells = [
            "  refused" if not np.isfinite(z[:, k]).any() else f"{np.sqrt(np.nanmean(z[:, k] ** 2)):9.2f}"
            for k in range(6)
        ]
        sizes = [
            "-" if not np.isfinite(u[:, k]).any() else f"{1e3 * np.nanmean(u[:, k]):.3f}" for k in range(6)
        ]
    print(f"{name:34s}{seeds:5d}" + "".join(cells) + "   u " + " ".join(sizes), flush=True)


def main(seeds=200):
    """Print the table."""
    print("Rigid shift: RMS of z, and mean stated uncertainty in mm and mrad")
    print(f"{'case':34s}{'seeds':>5s}" + "".join(f"{name:>9s}" for name in NAMES))
    print_shift("road only", seeds, walls="none")
    print_shift("one long wall", seeds, walls="one")
    print_shift("walls both ways", seeds, walls="both")
    print_shift("... noise 20 mm", seeds, walls="both", noise_m=0.02)
    print_shift("... 20 points/m2", seeds, walls="both", density=20)
    print_shift("... waves 1.5 m, 3 mm", seeds, walls="both", wave=(0.7, 0.003))
    print_shift("... waves 10 m, 3 mm", seeds, walls="both", wave=(5.0, 0.003))
    far = {"turn": np.array([0.003, -0.004, 0.012]), "shift": np.array([0.45, -0.5, 0.3]), "icp": True}
    print_shift("... half a metre off, with ICP", seeds // 5, walls="both", **far)


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
