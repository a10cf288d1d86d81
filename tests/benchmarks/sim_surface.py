"""Planted surfaces around a checkpoint: how far from truth, and is the stated uncertainty true?

Everything here is invented and seeded. Run as a script it prints one row per condition: the share
measured, bias and RMSE, RMS of z = error / stated fit uncertainty, share of |z| <= 2, and the processor
time per checkpoint. The tests draw from the same scenes with fewer seeds.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from accuracy.matching.surface import measure_height
from accuracy.model import Patch, VerticalResidual

Array = NDArray[np.float64]


def level(east: Array, _north: Array) -> Array:
    """Flat ground at the checkpoint's height."""
    return np.zeros_like(east)


def sloped(percent: float, azimuth_degrees: float = 35.0) -> Callable[[Array, Array], Array]:
    """A plane of that slope."""
    a = np.radians(azimuth_degrees)
    return lambda east, north: percent / 100 * (east * np.sin(a) + north * np.cos(a))


def crown(radius_m: float) -> Callable[[Array, Array], Array]:
    """A road's crown: a cylinder along 20 degrees, 0.1 m beside the checkpoint."""
    a = np.radians(20.0)
    return lambda east, north: (0.01 - (east * np.cos(a) - north * np.sin(a) + 0.1) ** 2) / (2 * radius_m)


def dip(radius_m: float) -> Callable[[Array, Array], Array]:
    """A bowl with the checkpoint at its bottom."""
    return lambda east, north: (east**2 + north**2) / (2 * radius_m)


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What surrounds the invented checkpoint. Truth is the ground's height at (0, 0): ``shift_m``."""

    density: float
    noise_m: float = 0.006
    ground: Callable[[Array, Array], Array] = level
    shift_m: float = 0.0
    stray_share: float = 0.0
    """Share of points thrown up or down by up to 1.5 m."""
    foliage_share: float = 0.0
    """Foliage points per ground point, 0.8 to 3 m above it."""
    roof: str = ""
    """``over``: a car's roof above half the window; ``instead``: the road under it was not seen."""
    line_spacing_m: float | None = None
    """Points on parallel scan lines this far apart; None scatters them at random."""
    line_sigma_m: float = 0.0
    """Spread of the offset that a scan line's points share."""
    passes: int = 1
    pass_shift_m: float = 0.0
    """Height of the second pass above the first; the truth stays midway."""
    pass_sigma_m: float = 0.0
    """Random height of each pass about the truth."""
    times: bool = True
    sources: bool = True
    quantum_m: float = 0.0
    keep: Callable[[Array, Array], NDArray[np.bool_]] | None = None
    """Where there are points at all."""
    reach_m: float = 4.0
    lump_length_m: float = 0.0
    """Errors that neighbours share, correlated as exp(-(d / length)^2), as in clouds matched from images."""
    lump_sigma_m: float = 0.0
    lattice: bool = False
    """A jittered lattice in place of places at random; such clouds have neither times nor lines."""


def as_patch(
    east: Array,
    north: Array,
    up: Array,
    *,
    times: Array | None = None,
    source: NDArray[np.int64] | None = None,
    reach_m: float = 4.0,
) -> Patch:
    """Points as the reader would deliver them."""
    n = east.size
    return Patch(
        checkpoint_id="invented",
        east_m=east,
        north_m=north,
        up_m=up,
        whole_radius_m=reach_m,
        outer_radius_m=reach_m,
        gps_time_s=times,
        time_kind="none" if times is None else "week-seconds",
        classification=np.full(n, 2, dtype=np.uint8),
        return_number=np.ones(n, dtype=np.uint8),
        number_of_returns=np.ones(n, dtype=np.uint8),
        source_id=np.zeros(n, np.uint16) if source is None else source.astype(np.uint16),
    )


def lay(scene: Scene, rng: np.random.Generator) -> Patch:
    """Points of the scene, in no order."""
    if scene.lump_length_m:
        return _lay_matched(scene, rng)
    parts = [_one_pass(scene, rng, number) for number in range(scene.passes)]
    east, north, up, times, source = (np.concatenate(column) for column in zip(*parts, strict=True))
    if scene.quantum_m:
        up = np.round(up / scene.quantum_m) * scene.quantum_m
    order = rng.permutation(east.size)
    return as_patch(
        east[order],
        north[order],
        up[order],
        times=times[order] if scene.times else None,
        source=source[order] if scene.sources else None,
        reach_m=scene.reach_m,
    )


def _lay_matched(scene: Scene, rng: np.random.Generator) -> Patch:
    """Points as matched from images: no times, and errors in lumps."""
    reach, spacing = scene.reach_m, scene.density**-0.5
    if scene.lattice:
        side = np.arange(-1.42 * reach, 1.42 * reach, spacing) + rng.uniform(0, spacing)
        x, y = (one.ravel() for one in np.meshgrid(side, side))
        x, y = np.array([x, y]) + rng.uniform(-0.3 * spacing, 0.3 * spacing, (2, x.size))
        turn = rng.uniform(0, np.pi)
        east, north = x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)
    else:
        east, north = rng.uniform(-reach, reach, (2, int(rng.poisson(scene.density * 4 * reach**2))))
    near = np.hypot(east, north) <= reach
    if scene.keep is not None:
        near &= scene.keep(east, north)
    east, north = east[near], north[near]
    up = scene.ground(east, north) + scene.shift_m + rng.normal(0, scene.noise_m, east.size)
    up += scene.lump_sigma_m * lumps(east, north, scene.lump_length_m, rng)
    stray = rng.random(east.size) < scene.stray_share
    up = np.where(stray, up + rng.uniform(-1.5, 1.5, east.size), up)
    return as_patch(east, north, up, reach_m=reach)


def lumps(east: Array, north: Array, length_m: float, rng: np.random.Generator) -> Array:
    """Smooth noise (n,) of unit variance, correlated as exp(-(d / length)^2)."""
    step = length_m / 8
    half = float(np.max(np.hypot(east, north))) + 2 * length_m
    # White noise of unit variance, smoothed with width s (in steps), keeps a variance of 1 / (4 pi s^2).
    side, width = int(2 * half / step) + 2, length_m / 2 / step
    tile = gaussian_filter(rng.normal(size=(side, side)), width, mode="wrap") * np.sqrt(4 * np.pi) * width
    return np.asarray(
        map_coordinates(tile, (np.array([north, east]) + half) / step, order=1, mode="grid-wrap")
    )


def _one_pass(
    scene: Scene, rng: np.random.Generator, number: int
) -> tuple[Array, Array, Array, Array, NDArray[np.int64]]:
    reach = scene.reach_m
    half = 1.42 * reach
    count = int(rng.poisson(scene.density / scene.passes * 4 * half**2))
    heading = np.radians(rng.uniform(0, 180))
    along = rng.uniform(-half, half, count)
    spacing = scene.line_spacing_m or max(0.03, scene.density**-0.5)
    # On exact rows where a line spacing is asked for; otherwise at random, a line being a band.
    across = rng.uniform(-half, half, count)
    line = np.floor(across / spacing).astype(np.int64)
    if scene.line_spacing_m is not None:
        across = (line + rng.uniform(0, 1)) * spacing
    line -= line.min()
    east = along * np.cos(heading) - across * np.sin(heading)
    north = along * np.sin(heading) + across * np.cos(heading)
    ground = (
        scene.ground(east, north) + scene.shift_m + (number - (scene.passes - 1) / 2) * scene.pass_shift_m
    )
    ground += rng.normal(0, scene.pass_sigma_m or 1e-12)
    up = ground + rng.normal(0, scene.noise_m, count)
    up += rng.normal(0, scene.line_sigma_m or 1e-12, int(line.max()) + 1)[line]
    times = 1000.0 + 600.0 * number + line * 0.01 + (along + half) * 1e-5

    stray = rng.random(count) < scene.stray_share
    up = np.where(stray, up + rng.uniform(-1.5, 1.5, count), up)
    near = np.hypot(east, north) <= reach
    if scene.keep is not None:
        near &= scene.keep(east, north)
    pick = [np.flatnonzero(near)]
    lift = [np.zeros(pick[0].size)]
    if scene.foliage_share:
        again = rng.choice(pick[0], int(scene.foliage_share * pick[0].size))
        pick.append(again)
        lift.append(rng.uniform(0.8, 3.0, again.size))
    if scene.roof:
        under = np.flatnonzero(near & (east > 0.0))
        if scene.roof == "instead":
            seen = east[pick[0]] <= 0.0
            pick[0], lift[0] = pick[0][seen], lift[0][seen]
        pick.append(under)
        lift.append(np.full(under.size, 1.45))
    index, above = np.concatenate(pick), np.concatenate(lift)
    source = np.full(index.size, number + 1)
    jitter = rng.uniform(-0.01, 0.01, index.size) * (above > 0)
    return east[index] + jitter, north[index] + jitter, up[index] + above, times[index] + 1e-7 * above, source


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What many draws of one scene gave."""

    measured: int
    drawn: int
    error_m: Array
    z: Array
    results: list[VerticalResidual]
    refusals: Counter[str]
    seconds: float

    @property
    def rms_z(self) -> float:
        """Root mean square of error over stated uncertainty; 1 where the uncertainty is true."""
        return float(np.sqrt(np.mean(self.z**2)))


def repeat(scene: Scene, *, seeds: int, first_seed: int = 1) -> Outcome:
    """Measure that many draws of one scene."""
    results: list[VerticalResidual] = []
    truth: list[float] = []
    refusals: Counter[str] = Counter()
    spent = 0.0
    for seed in range(first_seed, first_seed + seeds):
        rng = np.random.default_rng(seed)
        # Stored heights are steps: the truth must fall anywhere between two of them.
        drawn = replace(scene, shift_m=scene.shift_m + rng.uniform(-0.5, 0.5) * scene.quantum_m)
        patch = lay(drawn, rng)
        start = time.process_time()
        got = measure_height(patch, survey_sigma_m=None)
        spent += time.process_time() - start
        if got.measured:
            results.append(got)
            truth.append(drawn.shift_m)
        else:
            refusals[got.code.value] += 1
    error = np.array([r.residual_m for r in results]) - np.array(truth)
    sigma = np.array([r.fit_uncertainty_m for r in results])
    return Outcome(
        measured=len(results), drawn=seeds, error_m=error, z=error / sigma, results=results,
        refusals=refusals, seconds=spent / seeds,
    )  # fmt: skip


def conditions() -> dict[str, Scene]:
    """The table's rows."""
    mobile: dict[str, Any] = {"density": 2500, "reach_m": 0.8}
    table: dict[str, Scene] = {
        "clean pavement": Scene(**mobile),
        "clean, no times": Scene(**mobile, times=False),
        "foliage": Scene(**mobile, foliage_share=1.0),
        "roof over half": Scene(**mobile, roof="over"),
        "roof, road unseen": Scene(**mobile, roof="instead"),
        "3 % stray": Scene(**mobile, stray_share=0.03),
        "all of these": Scene(**mobile, stray_share=0.03, foliage_share=0.7, roof="over"),
        "ground 15 % of points": Scene(**mobile, foliage_share=6.0),
        "lines 2 mm, 5 cm apart": Scene(**mobile, line_sigma_m=0.002, line_spacing_m=0.05),
        "lines 2 mm, no times": Scene(**mobile, line_sigma_m=0.002, line_spacing_m=0.05, times=False),
        "lines 2 mm, 2 cm apart": Scene(**mobile, line_sigma_m=0.002, line_spacing_m=0.02),
        "lines 5 mm, noise 3 mm": Scene(
            density=1200, reach_m=1.5, noise_m=0.003, line_sigma_m=0.005, line_spacing_m=0.10
        ),
        "lines 0.33 m apart": Scene(density=300, reach_m=3.0, line_sigma_m=0.002, line_spacing_m=0.33),
        "passes 0, 2 mm each": Scene(**mobile, passes=2, pass_sigma_m=0.002),
        "passes 30 mm apart": Scene(**mobile, passes=2, pass_shift_m=0.03),
        "passes 30 mm, no ids": Scene(**mobile, passes=2, pass_shift_m=0.03, times=False, sources=False),
        "passes, none apart": Scene(**mobile, passes=2),
        "quantised 1 cm": Scene(**mobile, quantum_m=0.01, shift_m=0.0234),
        "quantised 1 cm, quiet": Scene(**mobile, quantum_m=0.01, noise_m=0.001, shift_m=0.0234),
    }
    for density in (2, 4, 8, 10, 30, 100, 600, 2500, 10000, 20000):
        noise = 0.03 if density <= 30 else 0.006
        reach = 4.0 if density <= 30 else (2.0 if density <= 100 else 0.8)
        common: dict[str, Any] = {
            "density": density,
            "noise_m": noise,
            "reach_m": reach,
            "stray_share": 0.03,
        }
        table[f"{density} per m2"] = Scene(**common)
        table[f"{density} per m2, 30 % slope"] = Scene(**common, ground=sloped(30), shift_m=-0.17)
        table[f"{density} per m2, crown 20 m"] = Scene(**common, ground=crown(20))
        table[f"{density} per m2, dip 20 m"] = Scene(**common, ground=dip(20))
    table |= _lumpy()
    table["8 per m2, lines 20 mm"] = Scene(density=8, noise_m=0.02, line_sigma_m=0.02, line_spacing_m=0.5)
    table["8 per m2, quantised 1 cm"] = Scene(density=8, noise_m=0.03, quantum_m=0.01)
    table["2500, dip 5 m"] = Scene(**mobile, ground=dip(5))
    table["2500, bump 2 m"] = Scene(**mobile, ground=dip(-2))
    table["cloud's edge 5 cm off"] = Scene(**mobile, keep=lambda e, _: e < 0.05)
    return table


def _lumpy() -> dict[str, Scene]:
    """Clouds matched from images: lumps of 3 to 25 cm, 3 mm of white noise, with a kerb and without."""
    table: dict[str, Scene] = {}
    for kind, density, lattice in (("2500", 2500, False), ("10000", 10000, False), ("2 cm grid", 2500, True)):
        for length in (0.03, 0.05, 0.08, 0.15, 0.25):
            for sigma in (0.003, 0.006, 0.010):
                name = f"lumps {100 * length:.0f} cm {1000 * sigma:.0f} mm, {kind}"
                scene = Scene(
                    density=density, noise_m=0.003, reach_m=1.5, lattice=lattice,
                    lump_length_m=length, lump_sigma_m=sigma,
                )  # fmt: skip
                table[name] = scene
                table[f"{name}, kerb"] = replace(scene, ground=kerb)
    return table


def kerb(east: Array, _north: Array) -> Array:
    """A kerb of 12 cm half a metre to the east."""
    return np.where(east > 0.5, 0.12, 0.0)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--only", default="", help="conditions that contain this text")
    wanted = parser.parse_args()
    print(f"{'condition':28} got  of   bias_mm rmse_mm p95_mm  rms_z  in2u  u_mm   R_m   quad  ms")
    for name, scene in conditions().items():
        if wanted.only not in name:
            continue
        o = repeat(scene, seeds=wanted.seeds)
        if not o.measured:
            print(f"{name:28} none {dict(o.refusals)}")
            continue
        mm = 1000 * o.error_m
        print(
            f"{name:28} {o.measured:4d} {o.drawn:4d} {np.mean(mm):7.2f} {np.sqrt(np.mean(mm**2)):7.2f} "
            f"{np.quantile(np.abs(mm), 0.95):6.2f} {o.rms_z:6.2f} {np.mean(np.abs(o.z) <= 2):6.2f} "
            f"{1000 * np.median([r.fit_uncertainty_m for r in o.results]):6.2f} "
            f"{np.median([r.radius_m for r in o.results]):5.2f} "
            f"{np.mean([r.surface == 'quadratic' for r in o.results]):5.2f} {1000 * o.seconds:4.0f}"
            f"{'  ' + str(dict(o.refusals)) if o.refusals else ''}",
            flush=True,
        )


if __name__ == "__main__":
    main()
