"""Planted spheres, poles, corners and faces: how far from truth, and is the stated uncertainty true?

Everything here is invented and seeded. Run as a script it prints one row per shape and density: the
share refused, RMS error, RMS of z = error / stated uncertainty over the components, and the time per
mark; with --decoys, how often something that is no such mark was taken for one. --write puts the
table beside this file. The tests draw from the same scenes with fewer seeds.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

from accuracy.model import NotMeasured

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "planted"))

from solid_scene import (
    DECOYS,
    PLANTED,
    measure,
    planted_errors,
)


def row(shape: str, density: float, count: int, seed: int) -> str:
    """One condition of the table."""
    rng = np.random.default_rng(seed)
    errors, ratios, refused, spent = [], [], 0, 0.0
    for _ in range(count):
        scene = PLANTED[shape](density, rng)
        start = time.process_time()
        found = measure(scene)
        spent += time.process_time() - start
        if isinstance(found, NotMeasured):
            refused += 1
            continue
        error, sigma = planted_errors(scene, found)
        errors.append(error)
        ratios.append(error / sigma)
    ms = 1000 * spent / count
    if len(errors) < 10:
        return f"| {shape} | {density:.0f} | {count} | {100 * refused / count:.0f} % | - | - | {ms:.0f} |"
    e, z = np.concatenate(errors), np.concatenate(ratios)
    return (
        f"| {shape} | {density:.0f} | {count} | {100 * refused / count:.0f} % "
        f"| {1000 * np.sqrt(np.mean(e**2)):.2f} | {np.sqrt(np.mean(z**2)):.2f} | {ms:.0f} |"
    )


def decoy_rows(count: int, seed: int) -> list[str]:
    """How often each decoy was taken for each mark."""
    rows = []
    for (mark, decoy), make in DECOYS.items():
        rng = np.random.default_rng(seed)
        taken = sum(not isinstance(measure(make(rng)), NotMeasured) for _ in range(count))
        rows.append(f"| {mark} | {decoy} | {count} | {taken} |")
        print(rows[-1], flush=True)
    return rows


def main() -> None:
    """Print, and write where asked, the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--decoys", type=int, default=0)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--shapes", nargs="*", default=list(PLANTED))
    parser.add_argument("--densities", nargs="*", type=float, default=[600, 2500, 10000])
    given = parser.parse_args()
    table = [
        "| mark | density, points/m2 | marks | refused | RMS error per component, mm | z RMS | ms each |",
        "|---|---|---|---|---|---|---|",
    ]
    for shape in given.shapes:
        for density in given.densities:
            table.append(row(shape, density, given.count, given.seed))
            print(table[-1], flush=True)
    if given.decoys:
        table += ["", "| sought | what is there | windows | taken for it |", "|---|---|---|---|"]
        table += decoy_rows(given.decoys, given.seed)
    if given.write:
        folder = Path(__file__).parent / "results"
        folder.mkdir(exist_ok=True)
        (folder / "solids_table.md").write_text("\n".join(table) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
