"""Invented scenes for flat marks: shots on a plane with planted truth. Nothing here is measured data.

The shapes are written a second time, as conditions on coordinates, so that a wrong polygon in the
product's templates cannot hide. A shot falls somewhere (uniformly, or along scan lines), returns the
mean value over its footprint, and is reported with a position error of its own and of its line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from accuracy.model import Patch

BACKGROUND, DARK, LIGHT = 0, 1, 2


def tone_at(shape, x, y):  # noqa: PLR0911
    """Tone of places in units of the mark's size, about its surveyed point."""
    x, y = np.asarray(x), np.asarray(y)
    r = np.hypot(x, y)
    if shape == "quartered-disc":
        return np.where(r > 0.5, BACKGROUND, np.where(x * y > 0, LIGHT, DARK))
    if shape == "quartered-square":
        return np.where(np.maximum(abs(x), abs(y)) > 0.5, BACKGROUND, np.where(x * y > 0, LIGHT, DARK))
    if shape == "disc":
        return np.where(r <= 0.5, LIGHT, BACKGROUND)
    if shape == "ring":
        return np.where((r <= 0.5) & (r >= 0.3), LIGHT, BACKGROUND)
    if shape == "cross":
        near, far = np.minimum(abs(x), abs(y)), np.maximum(abs(x), abs(y))
        return np.where((near <= 1 / 12) & (far <= 0.5), LIGHT, BACKGROUND)
    if shape == "ell":
        inside = (x >= 0) & (y >= 0) & (x <= 1) & (y <= 1)
        return np.where(inside & ((x <= 1 / 6) | (y <= 1 / 6)), LIGHT, BACKGROUND)
    if shape == "stripe-end":
        return np.where((abs(x) <= 0.5) & (y <= 0), LIGHT, BACKGROUND)
    if shape == "nothing":
        return np.zeros(np.broadcast(x, y).shape, dtype=int)
    raise ValueError(shape)


# A natural size of each shape in metres, and how far its paint reaches from the surveyed point.
NATURAL_SIZE_M = {
    "quartered-disc": 0.6,
    "quartered-square": 0.6,
    "disc": 0.6,
    "ring": 0.6,
    "cross": 0.8,
    "ell": 0.6,
    "stripe-end": 0.15,
}


@dataclass(frozen=True)
class Scene:
    """What is planted; lengths in metres."""

    shape: str = "quartered-disc"
    size_m: float = 0.6
    east_m: float = 0.0
    north_m: float = 0.0
    rotation_rad: float = 0.0
    density_per_m2: float = 2500.0
    layout: str = "scattered"  # or "lines"
    line_spacing_m: float | None = None
    line_noise_m: float = 0.0
    line_gap_share: float = 0.0
    position_noise_m: float = 0.006
    height_noise_m: float = 0.003
    footprint_m: float = 0.0
    tones: tuple[float, float, float] = (9000.0, 6000.0, 30000.0)
    spreads: tuple[float, float, float] = (1200.0, 1000.0, 2500.0)
    gain_per_m: tuple[float, float] = (0.0, 0.0)
    shadow: float | None = None  # factor on one side of a line through (near) the mark
    worn: float = 0.0
    covered: float = 0.0
    texture: float = 0.0
    saturate: float | None = None
    quantum: float = 1.0
    tilt: tuple[float, float] = (0.0, 0.0)
    half_m: float = 1.15
    source_id: int = 1
    start_time_s: float = 1000.0


def moved(scene: Scene, rng: np.random.Generator, most_m: float = 0.3) -> Scene:
    """The scene with its mark somewhere else, turned at random."""
    return replace(
        scene,
        east_m=float(rng.uniform(-most_m, most_m)),
        north_m=float(rng.uniform(-most_m, most_m)),
        rotation_rad=float(rng.uniform(-np.pi, np.pi)),
    )


def shots(scene: Scene, rng: np.random.Generator):
    """Where shots truly fall (n, 2), and the number of the scan line of each (n,)."""
    half = scene.half_m
    if scene.layout == "scattered":
        n = rng.poisson(scene.density_per_m2 * (2 * half) ** 2)
        order = np.arange(n)
        # Lines without meaning: consecutive shots far apart share nothing.
        return rng.uniform(-half, half, (n, 2)), order // 20
    spacing = scene.line_spacing_m or np.sqrt(3.0 / scene.density_per_m2)
    along = 1.0 / (scene.density_per_m2 * spacing)
    turn = rng.uniform(0, np.pi)
    reach = half * 1.5
    offsets = np.arange(-reach, reach, spacing) + rng.uniform(0, spacing)
    places, number = [], []
    for line, offset in enumerate(offsets):
        if rng.random() < scene.line_gap_share:
            continue
        run = np.arange(-reach, reach, along) + rng.uniform(0, along)
        places.append(np.column_stack((run, np.full(len(run), offset))))
        number.append(np.full(len(run), line))
    xy = np.concatenate(places)
    c, s = np.cos(turn), np.sin(turn)
    xy = xy @ np.array([[c, s], [-s, c]])
    number = np.concatenate(number)
    keep = np.abs(xy).max(axis=1) <= half
    return xy[keep], number[keep]


def blob_field(rng, half, size_m):
    """A smooth random field over the scene, standard normal, correlated over ``size_m``."""
    k = rng.normal(size=(24, 2)) / size_m
    phase = rng.uniform(0, 2 * np.pi, 24)
    return lambda x, y: (
        np.sqrt(2 / 24)
        * np.cos(np.multiply.outer(x, k[:, 0]) + np.multiply.outer(y, k[:, 1]) + phase).sum(-1)
    )


def values(scene: Scene, xy, rng: np.random.Generator, tone=None):
    """Mean value over each footprint, with the noise of its tone."""
    n = len(xy)
    samples = 1 if scene.footprint_m == 0 else 12
    level = np.zeros(n)
    variance = np.zeros(n)
    c, s = np.cos(scene.rotation_rad), np.sin(scene.rotation_rad)
    chips = blob_field(rng, scene.half_m, 0.05)
    limit = np.sqrt(2) * _erfinv(1 - 2 * scene.worn) if scene.worn else np.inf
    for _ in range(samples):
        x = xy[:, 0] + scene.footprint_m * rng.normal(size=n)
        y = xy[:, 1] + scene.footprint_m * rng.normal(size=n)
        if tone is None:
            dx, dy = (x - scene.east_m) / scene.size_m, (y - scene.north_m) / scene.size_m
            t = tone_at(scene.shape, c * dx + s * dy, -s * dx + c * dy)
        else:
            t = tone(x, y)
        if scene.worn:
            t = np.where(chips(x, y) > limit, BACKGROUND, t)
        if scene.covered:
            side = (x - scene.east_m) * np.cos(1.1) + (y - scene.north_m) * np.sin(1.1)
            t = np.where(side / scene.size_m > 0.5 - scene.covered, 3, t)
        tones = np.array([*scene.tones, 0.6 * scene.tones[0]])
        spreads = np.array([*scene.spreads, scene.spreads[0]])
        level += tones[t] / samples
        variance += spreads[t] ** 2 / samples
    gain = 1 + xy @ np.array(scene.gain_per_m)
    if scene.shadow is not None:
        lit = (xy[:, 0] - scene.east_m) * 0.6 + (xy[:, 1] - scene.north_m) * 0.8 > 0.07
        gain = gain * np.where(lit, 1.0, scene.shadow)
    if scene.texture:
        level = level * (1 + scene.texture * blob_field(rng, scene.half_m, 0.15)(xy[:, 0], xy[:, 1]))
    value = gain * (level + np.sqrt(variance) * rng.normal(size=n))
    if scene.saturate is not None:
        value = np.minimum(value, scene.saturate)
    return np.maximum(np.round(value / scene.quantum) * scene.quantum, 0.0)


def _erfinv(x):
    from scipy.special import erfinv

    return float(erfinv(x))


def patch_of(scene: Scene, rng: np.random.Generator, tone=None) -> Patch:
    """The points of one pass over the scene, as the product's reader would hand them over."""
    xy, line = shots(scene, rng)
    value = values(scene, xy, rng, tone)
    n = len(xy)
    seen = xy + scene.position_noise_m * rng.normal(size=(n, 2))
    if scene.line_noise_m and n:
        seen = seen + scene.line_noise_m * rng.normal(size=(line.max() + 1, 2))[line]
    up = xy @ np.array(scene.tilt) + scene.height_noise_m * rng.normal(size=n)
    time = scene.start_time_s + 0.005 * line + 2e-6 * np.arange(n)
    if scene.layout == "scattered":
        time = scene.start_time_s + 0.005 * np.arange(n)
    return as_patch(seen[:, 0], seen[:, 1], up, value, time, scene.source_id, scene.half_m)


def as_patch(east, north, up, intensity, time, source_id, half_m, colour=None) -> Patch:
    """A Patch with the usual plain attributes."""
    n = len(east)
    red, green, blue = (None, None, None) if colour is None else (colour, colour, colour)
    return Patch(
        checkpoint_id="planted",
        east_m=np.asarray(east, float),
        north_m=np.asarray(north, float),
        up_m=np.asarray(up, float),
        whole_radius_m=half_m,
        outer_radius_m=half_m,
        intensity=None if intensity is None else np.asarray(intensity, float),
        red=red,
        green=green,
        blue=blue,
        gps_time_s=None if time is None else np.asarray(time, float),
        time_kind="none" if time is None else "adjusted-gps",
        classification=np.full(n, 2, np.uint8),
        return_number=np.ones(n, np.uint8),
        number_of_returns=np.ones(n, np.uint8),
        source_id=np.full(n, source_id, np.uint16),
    )


def joined(*patches: Patch) -> Patch:
    """Several passes as one patch."""
    first = patches[0]
    arrays = (
        "east_m", "north_m", "up_m", "intensity", "red", "green", "blue", "gps_time_s",
        "classification", "return_number", "number_of_returns", "source_id",
    )  # fmt: skip
    merged = {
        name: None if getattr(first, name) is None else np.concatenate([getattr(p, name) for p in patches])
        for name in arrays
    }
    return replace(first, **merged)
