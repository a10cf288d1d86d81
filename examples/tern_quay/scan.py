"""What the lidar saw on one run: whole scan lines around every checkpoint, a thin corridor between.

Between the checkpoints the corridor is thinned to keep the demo small; around each of them the
density is that of the rig: scan lines a two-hundredth of a second apart, so it falls with speed. At a
walking pace every third line is kept, so that the file is no larger than that of the slowest drive.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pyproj
from numpy.typing import NDArray

from . import scene
from .drive import BY_HAND, GPS_WEEK, SECONDS_PER_WEEK, Drive, RunPlan
from .survey import BOLLARD_DIAMETER_M, Mark

FloatArray = NDArray[np.float64]

LINES_PER_S = 200.0
SHOT_SPACING_M = 0.014
WHOLE_RADIUS_M = 1.7
OUTER_RADIUS_M = 4.5
OUTER_PER_M2 = 120.0
CORRIDOR_PER_M2 = 12.0
SHOT_NOISE_M = 0.005
LINE_NOISE_M = 0.0008
FOOTPRINT_M = 0.005
CAR_ROOF_M = 1.45
PARKED_AT_M = (95.0, 985.0)
GROUND, UNCLASSIFIED, LOW_VEGETATION, HIGH_VEGETATION, NOISE = 2, 1, 3, 5, 7


def line_spacing_m(plan: RunPlan) -> float:
    """Between the scan lines that are kept: all of a drive, every third of a walk."""
    every = 3 if plan.carried == BY_HAND else 1
    return every * max(plan.speed_m_per_s, 0.5) / LINES_PER_S


def _around(mark: Mark, run: Drive, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Road coordinates (n,) of the shots around one mark, line by line."""
    spacing = line_spacing_m(run.plan)
    lines = np.arange(mark.chainage_m - OUTER_RADIUS_M, mark.chainage_m + OUTER_RADIUS_M, spacing)
    lines = lines[(lines > 0.0) & (lines < scene.LENGTH_M)] + rng.uniform(0, spacing)
    across = np.arange(mark.offset_m - OUTER_RADIUS_M, mark.offset_m + OUTER_RADIUS_M, SHOT_SPACING_M)
    chainage = np.repeat(lines, across.size)
    offset = np.tile(across, lines.size) + np.repeat(rng.uniform(0, SHOT_SPACING_M, lines.size), across.size)
    radius = np.hypot(chainage - mark.chainage_m, offset - mark.offset_m)
    share = OUTER_PER_M2 * spacing * SHOT_SPACING_M
    keep = (radius < WHOLE_RADIUS_M) | ((radius < OUTER_RADIUS_M) & (rng.random(radius.size) < share))
    keep &= (offset > scene.SEA_WALL_OFFSET_M) & (offset < scene.VERGE_END_M)
    return chainage[keep], offset[keep]


def _target_tone(mark: Mark, east_m: FloatArray, north_m: FloatArray, bare: FloatArray) -> FloatArray:
    """Tone (n,) where the mark is a quartered disc: quadrants light and dark in turn."""
    if mark.kind != "quartered-disc" or mark.size_m is None:
        return bare
    angle = np.arctan2(north_m, east_m) - mark.rotation_rad
    light = np.sin(2 * angle) > 0
    inside = np.hypot(east_m, north_m) < mark.size_m / 2
    return np.where(inside, np.where(light, 0.78, 0.08), bare)


def _shots(
    run: Drive, chainage: FloatArray, offset: FloatArray, mark: Mark | None, rng: np.random.Generator
) -> dict[str, NDArray[Any]]:
    """Everything the file stores of these shots, as true values displaced by the run's errors."""
    n = chainage.size
    easting, northing = scene.position_m(chainage, offset)
    height = scene.ground_m(chainage, offset) + scene.texture_m(chainage, offset)
    kind = np.where(offset > scene.FOOTWAY_END_M, UNCLASSIFIED, GROUND)
    tone = scene.tone(chainage, offset)
    if mark is not None:
        east, north = easting - mark.easting_m, northing - mark.northing_m
        # A footprint sees both sides of an edge: two samples of it are averaged.
        wobble = rng.normal(0.0, FOOTPRINT_M / 2, (2, n))
        tone = 0.5 * (
            _target_tone(mark, east + wobble[0], north + wobble[1], tone)
            + _target_tone(mark, east - wobble[0], north - wobble[1], tone)
        )
        if mark.kind == "pole":
            base = np.hypot(east, north) < BOLLARD_DIAMETER_M / 2
            angle = np.arctan2(north, east)
            up = rng.uniform(0.02, 1.0, n)
            easting = np.where(base, mark.easting_m + BOLLARD_DIAMETER_M / 2 * np.cos(angle), easting)
            northing = np.where(base, mark.northing_m + BOLLARD_DIAMETER_M / 2 * np.sin(angle), northing)
            height = np.where(base, height + up, height)
            kind = np.where(base, UNCLASSIFIED, kind)
        if mark.chainage_m in PARKED_AT_M:
            roof = (offset - mark.offset_m > 0.15) & (np.abs(chainage - mark.chainage_m) < 2.1)
            height = np.where(roof, height + CAR_ROOF_M, height)
            kind = np.where(roof, UNCLASSIFIED, kind)
    grass = (offset > scene.FOOTWAY_END_M) & (rng.random(n) < 0.45)
    height = height + np.where(grass, rng.exponential(0.045, n), 0.0)
    kind = np.where(grass, LOW_VEGETATION, kind)
    canopy = scene.between(chainage, scene.AVENUE_M) & (rng.random(n) < 0.12)
    height = height + np.where(canopy, rng.uniform(3.5, 9.0, n), 0.0)
    kind = np.where(canopy, HIGH_VEGETATION, kind)
    stray = rng.random(n) < 0.004
    height = height + np.where(stray, rng.uniform(-2.0, 5.0, n), 0.0)
    kind = np.where(stray & (rng.random(n) < 0.5), NOISE, kind)

    time = run.at_chainage(chainage) + (offset + 10.0) / 20.0 / LINES_PER_S
    line = np.round(time * LINES_PER_S).astype(np.int64)
    line_noise = rng.normal(0.0, LINE_NOISE_M, 4096)[line % 4096]
    displaced = run.cloud_error_m(time) + rng.normal(0.0, SHOT_NOISE_M, (n, 3))
    away = np.abs(offset) + 2.0
    intensity = 40_000.0 * tone / (1 + 0.012 * away) * (1 + rng.normal(0.0, 0.05, n))
    return {
        "easting": easting + displaced[:, 0],
        "northing": northing + displaced[:, 1],
        "height": height + displaced[:, 2] + line_noise,
        "intensity": np.clip(intensity, 0, 65_535).astype(np.uint16),
        "time": time,
        "kind": kind.astype(np.uint8),
    }


def new_cloud(point_format: int) -> laspy.LasData:
    """An empty LAS 1.4 cloud of the place, with steps of half a millimetre."""
    header = laspy.LasHeader(version="1.4", point_format=point_format)
    header.scales = np.array([0.0005, 0.0005, 0.0005])
    header.offsets = np.array([scene.ORIGIN_EASTING_M, scene.ORIGIN_NORTHING_M, 0.0])
    header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
    header.add_crs(pyproj.CRS(scene.CRS))
    header.system_identifier = "invented rig"
    header.generating_software = "Tern Quay simulator"
    header.creation_date = date(2026, 7, 8)
    return laspy.LasData(header)


def write_cloud(path: Path, run: Drive, marks: tuple[Mark, ...], source_id: int) -> int:
    """Write one run as LAZ 1.4, format 6; returns how many points it holds."""
    rng = np.random.default_rng(run.plan.seed + 3000)
    area = scene.LENGTH_M * (scene.VERGE_END_M - scene.SEA_WALL_OFFSET_M)
    between = int(area * CORRIDOR_PER_M2)
    parts = [
        _shots(
            run,
            rng.uniform(0.0, scene.LENGTH_M, between),
            rng.uniform(scene.SEA_WALL_OFFSET_M, scene.VERGE_END_M, between),
            None,
            rng,
        )
    ]
    # The thin corridor would lay bare asphalt over the marks: it keeps away from them.
    clear = np.ones(between, dtype=bool)
    for mark in marks:
        clear &= (
            np.hypot(parts[0]["easting"] - mark.easting_m, parts[0]["northing"] - mark.northing_m)
            > WHOLE_RADIUS_M
        )
    parts[0] = {name: values[clear] for name, values in parts[0].items()}
    parts += [_shots(run, *_around(mark, run, rng), mark, rng) for mark in marks]
    whole = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    order = np.argsort(whole["time"], kind="stable")
    cloud = new_cloud(6)
    cloud.x = whole["easting"][order]
    cloud.y = whole["northing"][order]
    cloud.z = whole["height"][order]
    cloud.intensity = whole["intensity"][order]
    cloud.gps_time = whole["time"][order] + GPS_WEEK * SECONDS_PER_WEEK - 1e9
    cloud.classification = whole["kind"][order]
    cloud.return_number = np.ones(order.size, dtype=np.uint8)
    cloud.number_of_returns = np.ones(order.size, dtype=np.uint8)
    cloud.point_source_id = np.full(order.size, source_id, dtype=np.uint16)
    cloud.write(path)
    return int(order.size)
