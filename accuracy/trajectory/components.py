"""Rig minus reference, resolved along travel, to its left and up, and summed up by group."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from accuracy.model import BoolArray, ComponentFigures, Fix, FloatArray, TrajectoryGroup

SPEED_BANDS_KM_H = (1.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0)
DISTANCE_BANDS_M = (25.0, 50.0, 100.0, 150.0, 200.0, 300.0, 500.0)
Members = Iterable[tuple[str, BoolArray]]
"""Groups' names and who belongs to each, made one at a time: a mask of a million epochs is a megabyte."""
RAYLEIGH_MEDIAN, NORMAL_MEDIAN = 1.17741, 0.67449
"""Of distances in plan and of absolute values, in standard deviations per axis of normal noise."""
_OCTANTS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def resolve(residual_m: FloatArray, heading_rad: FloatArray) -> FloatArray:
    """(n, 3) easting, northing, height -> along travel, left of it, up; headings clockwise from north."""
    sine, cosine = np.sin(heading_rad), np.cos(heading_rad)
    east, north = residual_m[:, 0], residual_m[:, 1]
    return np.column_stack([sine * east + cosine * north, sine * north - cosine * east, residual_m[:, 2]])


def figures(values_m: FloatArray) -> ComponentFigures:
    """Figures of (n,) values, n at least 1; RMSE divides by n."""
    middle = float(np.median(values_m))
    size = np.abs(values_m)
    return ComponentFigures(
        n=int(values_m.shape[0]),
        mean_m=float(np.mean(values_m)),
        median_m=middle,
        rmse_m=float(np.sqrt(np.mean(values_m**2))),
        nmad_m=float(1.4826 * np.median(np.abs(values_m - middle))),
        absolute_95_m=float(np.quantile(size, 0.95)),
        maximum_m=float(size.max()),
    )


def group(name: str, resolved_m: FloatArray) -> TrajectoryGroup:
    """One group's figures from (n, 3) along, cross, up; along NaN throughout where not measured."""
    along, cross, up = resolved_m.T
    timed = bool(np.isfinite(along).all())
    horizontal = np.hypot(along, cross)
    return TrajectoryGroup(
        name=name,
        n=int(resolved_m.shape[0]),
        along=figures(along) if timed else None,
        cross=figures(cross),
        up=figures(up),
        horizontal=figures(horizontal) if timed else None,
        three_d=figures(np.hypot(horizontal, up)) if timed else None,
    )


def groups(resolved_m: FloatArray, members: Members) -> tuple[TrajectoryGroup, ...]:
    """Figures of every named group that has members."""
    return tuple(group(name, resolved_m[which]) for name, which in members if which.any())


def by_fix(fix: NDArray[np.str_]) -> Members:
    """Groups in the order of Fix."""
    return ((state.value, fix == state.value) for state in Fix)


def by_speed(speed_m_per_s: FloatArray, edges_km_h: Sequence[float]) -> Members:
    """Bands of speed, the first one standing."""
    return _bands(speed_m_per_s * 3.6, edges_km_h, "km/h", first="standing, below {:g} km/h")


def by_distance(range_m: FloatArray, edges_m: Sequence[float]) -> Members:
    """Bands of distance from the instrument."""
    return _bands(range_m, edges_m, "m", first="below {:g} m")


def _bands(values: FloatArray, edges: Sequence[float], unit: str, *, first: str) -> Members:
    band = np.searchsorted(np.asarray(edges), values, side="right")
    names = [first.format(edges[0])]
    names += [f"{low:g} to {high:g} {unit}" for low, high in pairwise(edges)]
    names += [f"{edges[-1]:g} {unit} and over"]
    return ((name, band == place) for place, name in enumerate(names))


def by_direction(heading_rad: FloatArray, moving: BoolArray) -> Members:
    """Octants of the direction of travel; standing epochs belong to none."""
    octant = np.round(np.mod(heading_rad, 2 * np.pi) / (np.pi / 4)).astype(np.int64) % 8
    return ((f"{name}bound", moving & (octant == place)) for place, name in enumerate(_OCTANTS))


def by_segment(chainage_m: FloatArray, length_m: float) -> Members:
    """Stretches of the run of ``length_m`` each."""
    segment = np.floor(chainage_m / length_m).astype(np.int64)
    return (
        (f"{place * length_m:g} to {(place + 1) * length_m:g} m", segment == place)
        for place in np.unique(segment)
    )
