"""What the rig's camera saw on one run: a cloud matched from the images, in colour. All invented.

Dense matching places a point in every few pixels, so spacing is even and does not fall with speed;
2 cm stand here for the 1 cm that such a camera gives, to keep the demo small. Neighbouring points
share the patch that they were matched by, so their errors come in lumps. The images hang on the same
trajectory as the lidar, without its late clock; instead the camera's boresight in pitch is off, which
moves every point forward by the same amount at any speed, and the block of images sags and rises along
the drive. What speed costs is sharpness: a moving camera smears the edges of the marks.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import erf

from . import scene
from .drive import Drive
from .scan import CAR_ROOF_M, OUTER_RADIUS_M, PARKED_AT_M, UNCLASSIFIED, WHOLE_RADIUS_M, new_cloud
from .survey import BOLLARD_DIAMETER_M, Mark

FloatArray = NDArray[np.float64]

SPACING_M = 0.020
OUTER_PER_M2 = 50.0
CORRIDOR_PER_M2 = 12.0
FORWARD_M = 0.011
WAVE_M = 0.006
WAVE_LENGTH_M = 60.0
LUMP_LENGTH_M = 0.08
PLAN_LUMP_M = 0.0015
POINT_NOISE_M = 0.0015
BLUR_M = 0.006
EXPOSURE_S = 0.002
SHADED_EXPOSURE_S = 0.004
GRASS_TOP_M = 0.035
KERB_SMEAR_M = 0.04
COLOUR_NOISE = 0.06

_TILE_STEP_M = 0.01
_TILE_SIDE = 1024


@dataclass(frozen=True, slots=True, eq=False)
class _Lumps:
    """Smooth noise of unit spread in height, forward and left; it repeats after 10 m."""

    tile: FloatArray
    """(3, side, side)."""

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> _Lumps:
        # White noise smoothed with width s is correlated as exp(-(d / 2 s)^2): to 1/e at the lump's length.
        width = LUMP_LENGTH_M / 2 / _TILE_STEP_M
        smooth = [
            gaussian_filter(rng.normal(size=(_TILE_SIDE, _TILE_SIDE)), width, mode="wrap") for _ in range(3)
        ]
        return cls(np.stack([one / one.std() for one in smooth]))

    def at(self, chainage_m: FloatArray, offset_m: FloatArray, rng: np.random.Generator) -> FloatArray:
        """(3, n), from a place in the tile of its own for each call: no two marks share their lumps."""
        shift = rng.integers(0, _TILE_SIDE, 2)
        row = np.floor(chainage_m / _TILE_STEP_M).astype(np.int64) + shift[0]
        column = np.floor(offset_m / _TILE_STEP_M).astype(np.int64) + shift[1]
        return np.asarray(self.tile[:, row % _TILE_SIDE, column % _TILE_SIDE])


def photo_error_m(run: Drive, chainage_m: FloatArray) -> FloatArray:
    """Displacement (n, 3) of matched points: rig error, boresight and the wave of the block, no lumps."""
    time = run.at_chainage(chainage_m)
    found = run.rig_error_m(time)
    found[:, :2] += FORWARD_M * run.forward(time)
    phase = np.random.default_rng(run.plan.seed + 5000).uniform(0.0, 2 * np.pi)
    found[:, 2] += WAVE_M * np.sin(2 * np.pi * chainage_m / WAVE_LENGTH_M + phase)
    return found


def _lump_size_m(chainage: FloatArray, offset: FloatArray) -> FloatArray:
    """Spread (n,) of the lumps in height: setts give the matcher texture, painted steel gives it little."""
    across = np.abs(offset)
    return np.select(
        [
            offset > scene.FOOTWAY_END_M,
            scene.between(chainage, scene.BRIDGE_M),
            scene.between(chainage, scene.SETTS_M) & (across <= scene.HALF_CARRIAGEWAY_M),
        ],
        [0.012, 0.009, 0.004],
        0.006,
    )


def _tint(chainage: FloatArray, offset: FloatArray) -> FloatArray:
    """Red, green and blue (3, n) over the tone: green grass, bluish steel, all else nearly grey."""
    grass = offset > scene.FOOTWAY_END_M
    steel = scene.between(chainage, scene.BRIDGE_M) & ~grass
    return np.stack(
        [
            np.select([grass, steel], [one, other], rest)
            for one, other, rest in ((0.75, 0.95, 1.02), (1.0, 0.98, 1.0), (0.45, 1.05, 0.97))
        ]
    )


def _seen_tone(run: Drive, chainage: FloatArray, offset: FloatArray, mark: Mark | None) -> FloatArray:
    """Tone (n,) as the images show it: out of focus by BLUR_M, smeared along the track by the motion."""
    time = run.at_chainage(chainage)
    exposure = np.where(scene.between(chainage, scene.AVENUE_M), SHADED_EXPOSURE_S, EXPOSURE_S)
    streak = np.interp(time, run.time_s, run.speed_m_per_s) * exposure
    steps = np.linspace(-0.5, 0.5, 7)
    seen = np.mean([scene.tone(chainage, offset + step * 4 * BLUR_M) for step in steps], axis=0)
    if mark is None or mark.kind != "quartered-disc" or mark.size_m is None:
        return np.asarray(seen)
    east, north = scene.position_m(chainage, offset)
    forward = run.forward(time)
    painted = np.zeros(chainage.size)
    covered = np.zeros(chainage.size)
    for step in steps:
        x = east - mark.easting_m + step * streak * forward[:, 0]
        y = north - mark.northing_m + step * streak * forward[:, 1]
        turn = mark.rotation_rad
        u = np.cos(turn) * x + np.sin(turn) * y
        v = np.cos(turn) * y - np.sin(turn) * x
        light = 0.5 * (1 + _edge(u) * _edge(v))
        inside = 0.5 * (1 - _edge(np.hypot(x, y) - mark.size_m / 2))
        painted += inside * (0.08 + 0.70 * light) / steps.size
        covered += inside / steps.size
    return np.asarray(painted + (1 - covered) * seen)


def _edge(distance_m: FloatArray) -> FloatArray:
    """From -1 to 1 across a blurred edge, (n,)."""
    return np.asarray(erf(distance_m / (BLUR_M * np.sqrt(2))))


def _matched(
    run: Drive,
    chainage: FloatArray,
    offset: FloatArray,
    mark: Mark | None,
    lumps: _Lumps,
    rng: np.random.Generator,
) -> dict[str, FloatArray]:
    """Everything the file stores of these points, as true values displaced by the errors."""
    n = chainage.size
    easting, northing = scene.position_m(chainage, offset)
    # A patch that lies across the kerb is matched as a ramp; joints of the setts are half filled.
    height = np.mean(
        [scene.ground_m(chainage, offset + step) for step in (-KERB_SMEAR_M, 0.0, KERB_SMEAR_M)], axis=0
    ) + 0.5 * scene.texture_m(chainage, offset)
    # The images see the tips of the grass and nothing below them.
    height = height + np.where(offset > scene.FOOTWAY_END_M, GRASS_TOP_M, 0.0)
    tone = _seen_tone(run, chainage, offset, mark)
    lump = lumps.at(chainage, offset, rng)
    up = _lump_size_m(chainage, offset) * lump[0]
    kept = np.ones(n, dtype=bool)
    if mark is not None and mark.kind == "pole":
        east, north = easting - mark.easting_m, northing - mark.northing_m
        base = np.hypot(east, north) < BOLLARD_DIAMETER_M / 2
        # Only the half that faces the road is ever in view.
        angle = scene.heading_rad(chainage) + rng.uniform(0.0, np.pi, n)
        radius = BOLLARD_DIAMETER_M / 2 + 0.5 * up
        easting = np.where(base, mark.easting_m - radius * np.cos(angle), easting)
        northing = np.where(base, mark.northing_m + radius * np.sin(angle), northing)
        height = np.where(base, height + rng.uniform(0.02, 1.0, n), height)
        up = np.where(base, 0.0, up)
    if mark is not None and mark.chainage_m in PARKED_AT_M:
        # How far inside the car's outline; below 0 outside.
        within = np.minimum(offset - mark.offset_m - 0.15, 2.1 - np.abs(chainage - mark.chainage_m))
        chance = rng.random(n)
        # A glossy roof matches badly, and the car hides the ground beside and beneath it.
        kept = np.where(within > 0, chance < 0.5, (within < -0.25) | (chance < 0.4))
        roof = (within > 0) & (chance > 0.01)
        height = height + np.where(roof, CAR_ROOF_M, 0.0)
        up = np.where(roof, 4 * up, up)
        stray = (np.abs(within) < 0.12) & (rng.random(n) < 0.3)
        height = np.where(stray, height + (np.where(roof, -1.0, 1.0)) * rng.uniform(0, CAR_ROOF_M, n), height)
    displaced = photo_error_m(run, chainage) + rng.normal(0.0, POINT_NOISE_M, (n, 3))
    forward = run.forward(run.at_chainage(chainage))
    along, left = PLAN_LUMP_M * lump[1], PLAN_LUMP_M * lump[2]
    shade = np.where(scene.between(chainage, scene.AVENUE_M), 0.6, 1.0)
    lit = np.clip(shade * tone * (1 + rng.normal(0.0, COLOUR_NOISE, n)), 0.0, 1.0)
    red, green, blue = np.round(255 * np.clip(lit * _tint(chainage, offset), 0.0, 1.0)) * 257
    found = {
        "easting": easting + displaced[:, 0] + along * forward[:, 0] - left * forward[:, 1],
        "northing": northing + displaced[:, 1] + along * forward[:, 1] + left * forward[:, 0],
        "height": height + displaced[:, 2] + up,
        "red": red,
        "green": green,
        "blue": blue,
    }
    return {name: values[kept] for name, values in found.items()}


def _around(mark: Mark, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Road coordinates (n,) of the points around one mark: a jittered lattice, thinned further out."""
    side = np.arange(-OUTER_RADIUS_M, OUTER_RADIUS_M, SPACING_M)
    along, across = (one.ravel() for one in np.meshgrid(side, side, indexing="ij"))
    radius = np.hypot(along, across)
    share = OUTER_PER_M2 * SPACING_M**2
    kept = (radius < WHOLE_RADIUS_M) | ((radius < OUTER_RADIUS_M) & (rng.random(radius.size) < share))
    jitter = rng.uniform(-0.3 * SPACING_M, 0.3 * SPACING_M, (2, radius.size))
    chainage = mark.chainage_m + (along + jitter[0])[kept]
    offset = mark.offset_m + (across + jitter[1])[kept]
    on_road = (
        (chainage > 0.0)
        & (chainage < scene.LENGTH_M)
        & (offset > scene.SEA_WALL_OFFSET_M)
        & (offset < scene.VERGE_END_M)
    )
    return chainage[on_road], offset[on_road]


def _corridor(marks: tuple[Mark, ...], rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Road coordinates (n,) between the marks, thin, and away from them: it would lay bare ground on them."""
    n = int(scene.LENGTH_M * (scene.VERGE_END_M - scene.SEA_WALL_OFFSET_M) * CORRIDOR_PER_M2)
    chainage = rng.uniform(0.0, scene.LENGTH_M, n)
    offset = rng.uniform(scene.SEA_WALL_OFFSET_M, scene.VERGE_END_M, n)
    clear = np.ones(n, dtype=bool)
    for mark in marks:
        clear &= np.hypot(chainage - mark.chainage_m, offset - mark.offset_m) > WHOLE_RADIUS_M
    return chainage[clear], offset[clear]


def write_photo_cloud(path: Path, run: Drive, marks: tuple[Mark, ...], source_id: int) -> int:
    """Write one run's matched cloud as LAZ 1.4, format 7; returns how many points it holds.

    Points matched from several images have no one time and no echo: times and intensities stay 0,
    and no classes are told.
    """
    rng = np.random.default_rng(run.plan.seed + 4000)
    lumps = _Lumps.drawn(rng)
    parts = [_matched(run, *_corridor(marks, rng), None, lumps, rng)]
    parts += [_matched(run, *_around(mark, rng), mark, lumps, rng) for mark in marks]
    whole = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    cloud = new_cloud(7)
    cloud.x, cloud.y, cloud.z = whole["easting"], whole["northing"], whole["height"]
    for colour in ("red", "green", "blue"):
        cloud[colour] = whole[colour].astype(np.uint16)
    count = whole["easting"].size
    cloud.classification = np.full(count, UNCLASSIFIED, dtype=np.uint8)
    cloud.return_number = np.ones(count, dtype=np.uint8)
    cloud.number_of_returns = np.ones(count, dtype=np.uint8)
    cloud.point_source_id = np.full(count, source_id, dtype=np.uint16)
    cloud.write(path)
    return int(count)
