"""What is known of the frame before any residual is looked at. After frames and ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyproj

from accuracy.errors import FrameError
from accuracy.frames import WorkingFrame
from accuracy.ground import combined_factor, grid_scale_factor
from accuracy.model import FloatArray
from accuracy.units import LengthUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFacts:
    """The working frame's facts that mistakes are held against; None where not known."""

    crs: pyproj.CRS | None = None
    """The plane system; a compound one is reduced to it."""
    horizontal_unit: LengthUnit = LengthUnit.METRE
    """Of the cloud's files."""
    height_unit: LengthUnit = LengthUnit.METRE
    grid_scale: float | None = None
    """Scale factor of the projection at the site."""
    convergence_deg: float | None = None
    """Meridian convergence at the site: grid north seen from true north."""
    typical_height_m: float | None = None
    undulation_m: float | None = None
    """Geoid height at the site, where a geoid grid was given."""

    @property
    def combined_factor(self) -> float | None:
        """Ground to grid at the site (NOAA Manual NOS NGS 5, section 4.1)."""
        if self.grid_scale is None or self.typical_height_m is None:
            return None
        return combined_factor(self.grid_scale, self.typical_height_m, self.undulation_m or 0.0)


def frame_facts(
    frame: WorkingFrame,
    easting_m: FloatArray,
    northing_m: FloatArray,
    height_m: FloatArray,
    *,
    undulation_m: float | None = None,
) -> FrameFacts:
    """The facts at the middle of (n,) positions that lie in the frame: the cloud's or the checkpoints'."""
    plane = None if frame.crs is None else plane_of(frame.crs)
    height = float(np.median(height_m))
    scale = convergence = None
    if plane is not None and plane.is_projected:
        unit = frame.horizontal_unit.metres
        east, north = float(np.median(easting_m)) / unit, float(np.median(northing_m)) / unit
        # A place outside the system, or a projection that is not conformal, has no such factor.
        try:
            scale = grid_scale_factor(plane, east, north)
        except (FrameError, pyproj.exceptions.ProjError):
            scale = None
        if scale is not None:
            projection = pyproj.Proj(plane)
            longitude, latitude = projection(east, north, inverse=True)
            convergence = float(projection.get_factors(longitude, latitude).meridian_convergence)
    return FrameFacts(
        crs=plane,
        horizontal_unit=frame.horizontal_unit,
        height_unit=frame.height_unit,
        grid_scale=scale,
        convergence_deg=convergence,
        typical_height_m=height,
        undulation_m=undulation_m,
    )


def plane_of(crs: pyproj.CRS) -> pyproj.CRS:
    """The horizontal part of a system."""
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    return crs.to_2d()
