"""The 48 checkpoints of Tern Quay, their marks, and the invented ground survey's own errors."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

import numpy as np

from . import scene

DISC_DIAMETER_M = 0.6
BOLLARD_DIAMETER_M = 0.24
SIGMA_HORIZONTAL_M = 0.005
SIGMA_HEIGHT_M = 0.004
COLUMNS = (
    *("id", "easting", "northing", "height", "sigma_easting", "sigma_northing", "sigma_height"),
    *("cover", "role", "mark", "mark_size", "surface", "sky"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """One surveyed point: where it truly is and what the survey says."""

    id: str
    chainage_m: float
    offset_m: float
    easting_m: float
    northing_m: float
    height_m: float
    surveyed_easting_m: float
    surveyed_northing_m: float
    surveyed_height_m: float
    kind: str
    size_m: float | None
    rotation_rad: float
    cover: str
    surface: str
    sky: str


def _plan() -> list[tuple[float, float, str]]:
    """Chainage, offset and kind of every point, spread along both sides of the road."""
    places: list[tuple[float, float, str]] = []
    targets = np.linspace(12.0, 1088.0, 32)
    for number, chainage in enumerate(targets):
        offset = (2.1, -2.1, 4.8, -4.8)[number % 4]
        places.append((float(chainage), offset, "quartered-disc"))
    places += [(215.0, -5.4, "pole"), (905.0, -5.4, "pole")]
    places += [(95.0, 0.8, "none"), (470.0, -1.2, "none"), (640.0, 1.4, "none"), (985.0, -0.9, "none")]
    places += [(float(chainage), 7.4, "none") for chainage in np.linspace(60.0, 1040.0, 10)]
    return sorted(places)


def make_marks(rng: np.random.Generator) -> tuple[Mark, ...]:
    """The checkpoints, with seeded survey errors of the stated standard uncertainties."""
    marks = []
    for number, (chainage, offset, kind) in enumerate(_plan(), start=1):
        s, t = np.array([chainage]), np.array([offset])
        easting, northing = (float(value[0]) for value in scene.position_m(s, t))
        height = float(scene.ground_m(s, t)[0])
        error = rng.normal(0.0, (SIGMA_HORIZONTAL_M, SIGMA_HORIZONTAL_M, SIGMA_HEIGHT_M))
        size = {"quartered-disc": DISC_DIAMETER_M, "pole": BOLLARD_DIAMETER_M}.get(kind)
        marks.append(
            Mark(
                id=f"TQ{number:02d}",
                chainage_m=chainage,
                offset_m=offset,
                easting_m=easting,
                northing_m=northing,
                height_m=height,
                # The table is written to the millimetre, so that is what was surveyed.
                surveyed_easting_m=round(easting + float(error[0]), 3),
                surveyed_northing_m=round(northing + float(error[1]), 3),
                surveyed_height_m=round(height + float(error[2]), 3),
                kind=kind,
                size_m=size,
                rotation_rad=float(rng.uniform(0.0, np.pi)),
                cover="vegetated" if offset > scene.FOOTWAY_END_M else "open",
                surface=scene.surface_name(chainage, offset),
                sky="canopy" if scene.AVENUE_M[0] <= chainage < scene.AVENUE_M[1] else "open",
            )
        )
    return tuple(marks)


def table_csv(marks: tuple[Mark, ...]) -> str:
    """The checkpoint table as the surveyor would hand it over: millimetres, metres."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for mark in marks:
        writer.writerow(
            [
                mark.id,
                f"{mark.surveyed_easting_m:.3f}",
                f"{mark.surveyed_northing_m:.3f}",
                f"{mark.surveyed_height_m:.3f}",
                SIGMA_HORIZONTAL_M,
                SIGMA_HORIZONTAL_M,
                SIGMA_HEIGHT_M,
                mark.cover,
                "check",
                mark.kind,
                "" if mark.size_m is None else mark.size_m,
                mark.surface,
                mark.sky,
            ]
        )
    return text.getvalue()
