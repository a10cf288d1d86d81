"""Tables for flat marks: error, bound, z-score and refusals by shape and density; and locks on decoys.

Run it by hand; everything it draws is invented.

    python tests/benchmarks/sim_target.py table --count 200 --out tests/benchmarks/results/target_table.md
    python tests/benchmarks/sim_target.py decoys --count 10000
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

from accuracy.matching.target import TargetSettings, measure_target
from accuracy.matching.target_bound import cramer_rao_bound
from accuracy.matching.template import BUILT_IN
from accuracy.model import NotMeasured

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "planted"))

import target_decoys as decoys_of
import target_scene as scene_of

DENSITIES = (300, 600, 1200, 2500, 5000, 10000, 20000)


def measure(patch, mark, size_m, **settings):
    """The product's measurement with nothing but the defaults."""
    return measure_target(
        patch,
        mark=mark,
        mark_size_m=size_m,
        survey_covariance_m2=None,
        settings=TargetSettings(**settings),
        templates=BUILT_IN,
    )


def trial(scene, rng, most_m=0.3):
    """One planted mark: (error (2,), whitened error (2,), result)."""
    planted = scene_of.moved(scene, rng, most_m)
    result = measure(scene_of.patch_of(planted, rng), scene.shape, scene.size_m)
    if isinstance(result, NotMeasured):
        return None, None, result
    error = np.array(
        [result.residual_easting_m - planted.east_m, result.residual_northing_m - planted.north_m]
    )
    ee, nn, en = result.covariance_m2
    return error, np.linalg.solve(np.linalg.cholesky([[ee, en], [en, nn]]), error), result


def row_of(scene, count, rng):
    """Figures of many planted marks: dict of millimetres, z-score and shares."""
    errors, whitened, seconds, refused = [], [], [], Counter()
    for _ in range(count):
        start = time.process_time()
        error, z, result = trial(scene, rng)
        seconds.append(time.process_time() - start)
        if error is None:
            refused[result.code.value] += 1
        else:
            errors.append(error)
            whitened.append(z)
    rms = float(np.sqrt(np.mean(np.square(errors)))) if errors else np.nan
    bound = cramer_rao_bound(
        BUILT_IN[scene.shape],
        size_m=scene.size_m,
        density_per_m2=scene.density_per_m2,
        edge_width_m=float(np.hypot(scene.position_noise_m, scene.footprint_m)),
        tones=scene.tones,
        spreads=scene.spreads,
    )
    per_axis = float(np.sqrt(np.trace(bound) / 2))
    return {
        "measured": len(errors),
        "refused": dict(refused),
        "rms_mm": 1e3 * rms,
        "bound_mm": 1e3 * per_axis,
        "ratio": rms / per_axis,
        "z": float(np.sqrt(np.mean(np.square(whitened)))) if errors else np.nan,
        "p95_mm": 1e3 * float(np.percentile(np.abs(errors), 95)) if errors else np.nan,
        "max_mm": 1e3 * float(np.abs(errors).max()) if errors else np.nan,
        "ms": 1e3 * float(np.median(seconds)),
    }


HEAD = (
    "| mark | size m | points/m² | targets | refused | RMS mm | bound mm | ratio | z RMS "
    "| 95 % mm | largest mm | ms |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|---|"
)


def table_line(scene, count, row):
    """One row of the table, as Markdown."""
    refused = 100 * (count - row["measured"]) / count
    figures = " | ".join(
        "–" if not np.isfinite(row[key]) else f"{row[key]:.2f}"
        for key in ("rms_mm", "bound_mm", "ratio", "z", "p95_mm", "max_mm")
    )
    return (
        f"| {scene.shape} | {scene.size_m:g} | {scene.density_per_m2:g} | {count} "
        f"| {refused:.0f} % | {figures} | {row['ms']:.0f} |"
    )


def make_table(count, shapes, densities, out, **scene_options):
    """Simulate and print the table; write it where asked."""
    lines = [HEAD]
    print(HEAD, flush=True)
    for shape in shapes:
        for density in densities:
            scene = scene_of.Scene(
                shape=shape,
                size_m=scene_of.NATURAL_SIZE_M[shape],
                density_per_m2=float(density),
                **scene_options,
            )
            rng = np.random.default_rng([20240229, sum(map(ord, shape)), int(density)])
            lines.append(table_line(scene, count, row_of(scene, count, rng)))
            print(lines[-1], flush=True)
            if out:
                Path(out).parent.mkdir(parents=True, exist_ok=True)
                Path(out).write_text(_PREFACE + "\n".join(lines) + "\n", encoding="utf-8")


_PREFACE = """# Flat marks: error against density

Simulated marks at a random place and turn within 0.3 m of the checkpoint, shots strewn at random, each
reported with 6 mm of position noise per axis; light over dark over ground 30000 : 6000 : 9000, spreads
2500, 1000, 1200. RMS error and the Cramér-Rao bound are per horizontal component; z RMS is the root mean
square of the error over its stated uncertainty (1 is true, above 1 is too confident). Written by
`tests/benchmarks/sim_target.py`; all data invented.

"""


def decoy_window(number, seed=7):
    """One window without the mark that is sought: (patch, mark, size, kind)."""
    rng = np.random.default_rng([seed, number])
    mark = decoys_of.MARKS[number % len(decoys_of.MARKS)]
    kind = decoys_of.KINDS[(number // len(decoys_of.MARKS)) % len(decoys_of.KINDS)]
    size = scene_of.NATURAL_SIZE_M[mark]
    tone = decoys_of.decoy(kind, mark, size, rng, scene_of.tone_at, scene_of.NATURAL_SIZE_M)
    ground = rng.uniform(6000, 15000)
    tones = (ground, ground * rng.uniform(0.2, 0.8), ground * rng.uniform(1.4, 4.0))
    relative = rng.uniform(0.06, 0.2, 3)
    scene = scene_of.Scene(
        shape="nothing",
        half_m=1.3,
        density_per_m2=float(np.exp(rng.uniform(np.log(300), np.log(5000)))),
        position_noise_m=float(rng.uniform(0.003, 0.01)),
        footprint_m=float(rng.choice([0.0, 0.004])),
        tones=tones,
        spreads=tuple(np.array(tones) * relative),
        texture=float(rng.choice([0.0, 0.1, 0.2])),
        gain_per_m=tuple(rng.uniform(-0.1, 0.1, 2)),
        worn=float(rng.choice([0.0, 0.0, 0.2])),
        shadow=float(rng.uniform(0.3, 0.8)) if kind == "shadow-edge" or rng.random() < 0.05 else None,
        layout=str(rng.choice(["scattered", "lines"])),
    )
    return scene_of.patch_of(scene, rng, tone), mark, size, kind


def make_decoys(first, count):
    """Look for marks where none is; print every lock."""
    outcome, locks, seconds = Counter(), [], []
    for number in range(first, first + count):
        patch, mark, size, kind = decoy_window(number)
        start = time.process_time()
        result = measure(patch, mark, size)
        seconds.append(time.process_time() - start)
        if isinstance(result, NotMeasured):
            outcome[result.code.value] += 1
        else:
            locks.append(number)
            print(f"lock: window {number}, {mark} on {kind}, {result.flags}", flush=True)
        if (number + 1 - first) % 250 == 0:
            print(f"{number + 1 - first} windows, {len(locks)} locks", flush=True)
    print(f"{count} windows, {len(locks)} locks; {dict(outcome)}; {1e3 * np.median(seconds):.0f} ms each")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=["table", "decoys"])
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--shapes", nargs="*", default=list(scene_of.NATURAL_SIZE_M))
    parser.add_argument("--densities", nargs="*", type=int, default=list(DENSITIES))
    parser.add_argument("--out")
    chosen = parser.parse_args()
    if chosen.what == "table":
        make_table(chosen.count, chosen.shapes, chosen.densities, chosen.out)
    else:
        make_decoys(chosen.first, chosen.count)
