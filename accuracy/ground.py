"""Grid and ground: the combined factor, and scaling about a named origin, both ways. After errors.

A total station measures on the ground; a map projection shrinks or stretches that distance. The
combined factor is the product of the grid scale factor and the elevation factor (NOAA Manual NOS
NGS 5, Stem, 1989, section 4.1), and a grid distance is the ground distance times it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyproj

from accuracy.errors import FrameError
from accuracy.model import FloatArray

# NOAA Manual NOS NGS 5, section 4.1: mean radius 20,906,000 ft, or 6,372,000 m.
MEAN_RADIUS_M = 6_372_000.0
# Farther from 1 than any projection and height on land: a slip of the decimal point, not a factor.
_LARGEST_DEPARTURE = 0.01


def elevation_factor(
    height_m: float, geoid_height_m: float = 0.0, *, radius_m: float = MEAN_RADIUS_M
) -> float:
    """R / (R + H + N): ground to ellipsoid. H orthometric, N geoid height, all in one unit.

    NOAA Manual NOS NGS 5 (1989), section 4.1.
    """
    return radius_m / (radius_m + height_m + geoid_height_m)


def combined_factor(
    grid_scale: float,
    height_m: float,
    geoid_height_m: float = 0.0,
    *,
    radius_m: float = MEAN_RADIUS_M,
) -> float:
    """Grid scale factor times elevation factor. NOAA Manual NOS NGS 5 (1989), section 4.1."""
    return grid_scale * elevation_factor(height_m, geoid_height_m, radius_m=radius_m)


def grid_scale_factor(crs: pyproj.CRS, easting: float, northing: float) -> float:
    """Scale factor of a conformal projection at a place given in the system's own unit.

    Raises FrameError where the system is no map projection, is not conformal there, or does not
    reach the place.
    """
    if not crs.is_projected:
        raise FrameError(
            f'"{crs.name}" is not a map projection, so it has no scale factor',
            remedy="Give the combined factor itself.",
        )
    projection = pyproj.Proj(crs)
    longitude, latitude = projection(easting, northing, inverse=True, errcheck=False)
    if not np.isfinite([longitude, latitude]).all():
        raise FrameError(
            f'the place {easting:.0f}, {northing:.0f} lies outside "{crs.name}"',
            remedy="Check the coordinates of the scaling's origin.",
        )
    factors = projection.get_factors(longitude, latitude)
    if abs(factors.meridional_scale / factors.parallel_scale - 1) > 1e-7:
        raise FrameError(
            f'"{crs.name}" is not conformal: its scale depends on direction',
            remedy="Give the combined factor itself.",
        )
    return float(factors.meridional_scale)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundScale:
    """How ground coordinates hang on the grid: one factor about one named origin.

    ``ground = ground_origin + (grid - grid_origin) / combined_factor``; the two origins are the same
    point, and differ only where the crew truncated or shifted its ground coordinates.
    """

    combined_factor: float
    origin_name: str
    grid_origin_easting_m: float
    grid_origin_northing_m: float
    ground_origin_easting_m: float
    ground_origin_northing_m: float

    def __post_init__(self) -> None:
        if not abs(self.combined_factor - 1) < _LARGEST_DEPARTURE:
            raise FrameError(
                f"the combined factor {self.combined_factor!r} is no combined factor",
                remedy="It is a number close to 1, such as 0.99963; check the decimal point.",
            )

    def to_grid(self, easting_m: FloatArray, northing_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Grid coordinates (n,) of ground coordinates (n,)."""
        return (
            self.grid_origin_easting_m + (easting_m - self.ground_origin_easting_m) * self.combined_factor,
            self.grid_origin_northing_m + (northing_m - self.ground_origin_northing_m) * self.combined_factor,
        )

    def to_ground(self, easting_m: FloatArray, northing_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Ground coordinates (n,) of grid coordinates (n,)."""
        return (
            self.ground_origin_easting_m + (easting_m - self.grid_origin_easting_m) / self.combined_factor,
            self.ground_origin_northing_m + (northing_m - self.grid_origin_northing_m) / self.combined_factor,
        )
