"""The road itself: alignment, cross-section, surfaces and what stands beside it. All invented.

Road coordinates: chainage along the centre line from the west gate, offset to the left of it
(towards the land), height in the working frame. Everything is a pure function of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LENGTH_M = 1100.0
# The place is invented; its coordinates lie in open water on purpose.
ORIGIN_EASTING_M = 352_400.0
ORIGIN_NORTHING_M = 6_031_250.0
CRS = "EPSG:25832+7837"

HALF_CARRIAGEWAY_M = 3.5
KERB_M = 0.12
FOOTWAY_END_M = 6.0
VERGE_END_M = 9.0
SEA_WALL_OFFSET_M = -6.2
SEA_WALL_HEIGHT_M = 1.1
BRIDGE_M = (300.0, 345.0)
AVENUE_M = (520.0, 760.0)
SETTS_M = (345.0, 520.0)

_STEP_M = 0.25
_CHAINAGE_M: FloatArray = np.arange(0.0, LENGTH_M + 60.0, _STEP_M) - 30.0


def _heading_rad(chainage_m: FloatArray) -> FloatArray:
    """Heading of the centre line, clockwise from grid north: two gentle bends along the quay."""
    return np.radians(62.0 + 16.0 * np.sin(2 * np.pi * chainage_m / 900.0) + 0.010 * chainage_m)


_HEADING_RAD = _heading_rad(_CHAINAGE_M)
_EASTING_M = ORIGIN_EASTING_M + np.cumsum(np.sin(_HEADING_RAD)) * _STEP_M
_NORTHING_M = ORIGIN_NORTHING_M + np.cumsum(np.cos(_HEADING_RAD)) * _STEP_M


def heading_rad(chainage_m: FloatArray) -> FloatArray:
    """Heading of the centre line at ``chainage_m`` (n,), clockwise from grid north."""
    return np.asarray(np.interp(chainage_m, _CHAINAGE_M, _HEADING_RAD))


def position_m(chainage_m: FloatArray, offset_m: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Easting and northing (n,) of road coordinates (n,)."""
    heading = heading_rad(chainage_m)
    easting = np.interp(chainage_m, _CHAINAGE_M, _EASTING_M) - offset_m * np.cos(heading)
    northing = np.interp(chainage_m, _CHAINAGE_M, _NORTHING_M) + offset_m * np.sin(heading)
    return easting, northing


def between(chainage_m: FloatArray, stretch_m: tuple[float, float]) -> NDArray[np.bool_]:
    """Which chainages (n,) lie in a stretch."""
    return (chainage_m >= stretch_m[0]) & (chainage_m < stretch_m[1])


def ground_m(chainage_m: FloatArray, offset_m: FloatArray) -> FloatArray:
    """Height of the hard or bare ground (n,): long profile, crown, kerbs, footways, verge."""
    profile = (
        3.2
        + 0.55 * np.sin(2 * np.pi * chainage_m / 780.0)
        + 0.12 * np.sin(2 * np.pi * chainage_m / 210.0 + 1.0)
    )
    across = np.abs(offset_m)
    crown = -0.022 * np.minimum(across, HALF_CARRIAGEWAY_M)
    kerb = np.where(across > HALF_CARRIAGEWAY_M, KERB_M, 0.0)
    footway = 0.02 * np.clip(across - HALF_CARRIAGEWAY_M, 0.0, FOOTWAY_END_M - HALF_CARRIAGEWAY_M)
    verge = 0.06 * np.clip(offset_m - FOOTWAY_END_M, 0.0, VERGE_END_M - FOOTWAY_END_M)
    height = profile + crown + kerb + footway + verge
    # The swing bridge carries a flat steel deck without kerbs, 4 cm above the abutments.
    deck = profile + 0.04
    return np.where(between(chainage_m, BRIDGE_M) & (across < FOOTWAY_END_M), deck, height)


def texture_m(chainage_m: FloatArray, offset_m: FloatArray) -> FloatArray:
    """Small true relief (n,): granite setts 20 x 14 cm with 6 mm joints, 1 mm asphalt grain."""
    on_setts = between(chainage_m, SETTS_M) & (np.abs(offset_m) <= HALF_CARRIAGEWAY_M)
    along = np.abs((chainage_m / 0.20) % 1.0 - 0.5)
    across = np.abs((offset_m / 0.14) % 1.0 - 0.5)
    joint = (along > 0.46) | (across > 0.45)
    return np.where(on_setts & joint, -0.006, 0.0)


def tone(chainage_m: FloatArray, offset_m: FloatArray) -> FloatArray:
    """Reflectance (n,) of the bare surface, 0 to 1."""
    across = np.abs(offset_m)
    value = np.where(across <= HALF_CARRIAGEWAY_M, 0.22, 0.34)
    value = np.where(between(chainage_m, SETTS_M) & (across <= HALF_CARRIAGEWAY_M), 0.38, value)
    value = np.where(between(chainage_m, BRIDGE_M) & (across < FOOTWAY_END_M), 0.30, value)
    value = np.where(offset_m > FOOTWAY_END_M, 0.48, value)
    centre_line = (across < 0.06) & ((chainage_m % 6.0) < 3.0)
    return np.where(centre_line, 0.72, value)


def surface_name(chainage_m: float, offset_m: float) -> str:
    """What a surveyor would write down as the surface there."""
    if offset_m > FOOTWAY_END_M:
        return "grass verge"
    if BRIDGE_M[0] <= chainage_m < BRIDGE_M[1]:
        return "steel deck"
    if abs(offset_m) > HALF_CARRIAGEWAY_M:
        return "footway"
    return "granite setts" if SETTS_M[0] <= chainage_m < SETTS_M[1] else "asphalt"
