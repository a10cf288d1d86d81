"""The points within one radius -> the sheet that the checkpoint is on, or why there is none.

Between ``layers``, which finds the sheets in a window, and ``surface``, which measures on one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from accuracy.matching.correlation import scan_lines, time_passes
from accuracy.matching.edges import Surround, supported, surround, width_and_length
from accuracy.matching.layers import (
    MEMBER_SIGMAS,
    Layer,
    densest_offset,
    find_layers,
    interleaved,
    two_levels,
)
from accuracy.matching.plane import design_matrix
from accuracy.matching.window import Points, SurfaceSettings, storage_step_m
from accuracy.model import BoolArray, FloatArray, IntArray, NotMeasured, Reason

_NARROW = 0.05  # a set this much narrower than long is a line (judgement)
_NARROW_M = 0.01
_HOLE_SPACINGS = 4.0  # at random spacing a circle of four spacings is never empty: exp(-16 pi)
_HOLE_M = 0.3  # a smooth surface is bridged over a hole of this radius, if all around it is there
_SAME_GROUND_SPACINGS = 4.0  # scan lines of two passes may lie apart
_THROUGH_SPACINGS = 1.5  # sheets seen through one another leave no gap that wide
_PASS_SHARE = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """The layer that the checkpoint is on, within one radius."""

    radius_m: float
    window: Points
    """Nearest first, thinned where they are more than needed."""
    thinning: float
    """Points within the radius for each point of the window."""
    layer: Layer
    layers: int
    above_m: FloatArray
    """(n,) heights of the window's points above the layer."""
    on: BoolArray
    """(n,) which of them are on it, all its passes together."""
    passes: IntArray
    """(n,) pass of each, 0 .. k-1; -1 where it has none that is used."""
    offsets_m: FloatArray
    """(k,) height of each pass above the layer."""
    surround: Surround
    spacing_m: float
    lines: int | None
    """Scan lines among the sheet's points, where times show them."""
    beside_m: float | None
    """Distance to another sheet that lies beside this one, at another height."""

    @property
    def points(self) -> int:
        """How many points of the window are on the sheet."""
        return int(np.count_nonzero(self.on))


def find_sheet(near: Points, radius_m: float, settings: SurfaceSettings) -> Sheet | NotMeasured:
    """Layers, then the one that the checkpoint is on, then the passes that share it.

    Args:
        near: the points within ``radius_m``, nearest first.
        radius_m: for the words of a refusal.
        settings: sizes and limits.
    """
    if len(near) < settings.fewest_points:
        return too_few(len(near), radius_m, settings)
    line = _collinear(near)
    if line is not None:
        return line
    window = near.thinned(settings.most_points)
    design = design_matrix(window.east_m, window.north_m, bend=True)
    layers = find_layers(
        window.east_m,
        window.north_m,
        window.up_m,
        fewest=settings.fewest_points,
        step_m=storage_step_m(window.up_m),
    )
    if not layers:
        return _no_surface(window, radius_m, settings)
    chosen = _layer_of_checkpoint(near, layers, settings)
    if isinstance(chosen, NotMeasured):
        return chosen
    layer, place, spacing = chosen
    above = layer.residual_m(design, window.up_m)
    thinning = len(near) / len(window)
    layer, upper = _parted(window, layer, above, spacing * np.sqrt(thinning))
    stack = _Stack(window, layers, layer, above, spacing * np.sqrt(thinning), settings, upper)
    on, passes, offsets = stack.passes()
    line = _collinear(window.take(on))
    if line is not None:
        return line
    lines = None
    if window.time_s is not None:
        labels = scan_lines(window.time_s[on], passes[on])
        lines = None if labels is None else int(np.unique(labels).size)
    return Sheet(
        radius_m=radius_m,
        window=window,
        thinning=thinning,
        layer=layer,
        layers=len(layers),
        above_m=above,
        on=on,
        passes=passes,
        offsets_m=offsets,
        surround=place,
        spacing_m=spacing,
        lines=lines,
        beside_m=stack.beside_m(),
    )


def too_few(count: int, radius_m: float, settings: SurfaceSettings) -> NotMeasured:
    """The refusal for too few points."""
    points = "1 point lies" if count == 1 else f"{count} points lie"
    return NotMeasured(
        code=Reason.TOO_FEW_POINTS,
        reason=(
            f"Only {points} within {radius_m:.2f} m of the checkpoint; "
            f"at least {settings.fewest_points} are needed for a surface."
        ),
    )


def _collinear(points: Points) -> NotMeasured | None:
    width, length = width_and_length(points.east_m, points.north_m)
    if width >= max(_NARROW * length, _NARROW_M):
        return None
    return NotMeasured(
        code=Reason.COLLINEAR,
        reason=(
            f"The {len(points)} points near the checkpoint lie along one line (about {4 * length:.2f} m long "
            f"and {4 * width:.2f} m wide), so the surface's slope across it is not known."
        ),
    )


def _no_surface(window: Points, radius_m: float, settings: SurfaceSettings) -> NotMeasured:
    low, high = (float(v) for v in np.quantile(window.up_m, [0.05, 0.95]))
    return NotMeasured(
        code=Reason.NO_SURFACE,
        reason=(
            f"The points within {radius_m:.2f} m of the checkpoint form no surface of "
            f"{settings.fewest_points} points or more: they are scattered from {low:+.2f} to {high:+.2f} m "
            "about the checkpoint's height, as foliage is."
        ),
    )


def _spacing_m(east_m: FloatArray, north_m: FloatArray) -> float:
    """Typical spacing of points over the area that they cover."""
    width, length = width_and_length(east_m, north_m)
    # A uniform disc of radius R has a standard deviation of R/2 along any axis.
    return float(np.sqrt(4 * np.pi * width * length / east_m.size))


def _layer_of_checkpoint(
    near: Points, layers: list[Layer], settings: SurfaceSettings
) -> tuple[Layer, Surround, float] | NotMeasured:
    """Under the checkpoint in plan; of several such, the nearest in height."""
    design = design_matrix(near.east_m, near.north_m, bend=True)
    seen = []
    for layer in layers:
        on = np.abs(layer.residual_m(design, near.up_m)) <= MEMBER_SIGMAS * layer.scale_m
        east, north = near.east_m[on], near.north_m[on]
        spacing = _spacing_m(east, north)
        solid = supported(east, north, spacing)
        seen.append((layer, surround(east[solid], north[solid]), spacing))
    around = [
        item
        for item in seen
        if item[1].outside_m <= item[2] and item[1].nearest_m <= max(_HOLE_SPACINGS * item[2], _HOLE_M)
    ]
    if not around:
        _, place, _ = min(seen, key=lambda item: item[1].nearest_m)
        where = (
            f"{place.outside_m:.2f} m outside the points of the surface"
            if place.outside_m > 0
            else f"in a gap of the surface, {place.nearest_m:.2f} m from its nearest point"
        )
        return NotMeasured(
            code=Reason.OUTSIDE_HULL,
            reason=f"The checkpoint lies {where}; a height there would be a guess.",
        )
    nearest = min(around, key=lambda item: abs(item[0].height_m))
    if abs(nearest[0].height_m) > settings.level_reach_m:
        # Far off in height (a datum, a unit): the ground is the lowest, whatever stands on it.
        return min(around, key=lambda item: item[0].height_m)
    return nearest


def _parted(window: Points, layer: Layer, above_m: FloatArray, spacing_m: float) -> tuple[Layer, IntArray]:
    """Two passes that the search took for one sheet: its scale about either, and the upper half."""
    members = layer.members
    found = two_levels(above_m[members], step_m=storage_step_m(window.up_m))
    if found is None:
        return layer, np.zeros(0, dtype=np.int64)
    upper, scale = found
    east, north = window.east_m[members], window.north_m[members]
    if not interleaved(east, north, upper, ~upper, _THROUGH_SPACINGS * spacing_m):
        return layer, np.zeros(0, dtype=np.int64)
    return replace(layer, scale_m=scale), members[upper]


@dataclass(frozen=True, slots=True, eq=False)
class _Stack:
    """A window's layers, one of them chosen."""

    window: Points
    layers: list[Layer]
    chosen: Layer
    above_m: FloatArray
    spacing_m: float
    settings: SurfaceSettings
    upper: IntArray
    """Points of the upper of two passes that the search took for one sheet."""

    def _mask(self, layer: Layer) -> BoolArray:
        mask = np.zeros(len(self.window), dtype=bool)
        mask[layer.members] = True
        return mask

    def _over_same_ground(self, first: BoolArray, second: BoolArray, spacings: float) -> bool:
        return interleaved(self.window.east_m, self.window.north_m, first, second, spacings * self.spacing_m)

    def passes(self) -> tuple[BoolArray, IntArray, FloatArray]:
        """Points on the sheet, their passes, and each pass's height above the layer."""
        window, above, scale = self.window, self.above_m, self.chosen.scale_m
        label = self._labels()
        main = self._mask(self.chosen)
        on = np.zeros(len(window), dtype=bool)
        passes = np.full(len(window), -1, dtype=np.int64)
        offsets: list[float] = []
        fewest = max(self.settings.fewest_points, int(_PASS_SHARE * self.chosen.members.size))
        for k in range(int(label.max()) + 1):
            own = label == k
            offset = densest_offset(above[own], width_m=5 * scale, reach_m=self.settings.pass_reach_m)
            if offset is None:
                continue
            here = own & (np.abs(above - offset) <= MEMBER_SIGMAS * scale)
            if np.count_nonzero(here) < fewest:
                continue
            if offset and not self._over_same_ground(main, here, _SAME_GROUND_SPACINGS):
                continue
            passes[here] = len(offsets)
            offsets.append(offset)
            on |= here
        if len(offsets) < 2:
            return main, np.where(main, 0, -1), np.zeros(1)
        return on, passes, np.array(offsets)

    def _labels(self) -> IntArray:
        window = self.window
        if window.time_s is not None:
            label = time_passes(window.time_s, window.source_id)
        else:
            _, label = np.unique(window.source_id, return_inverse=True)
        if int(label.max()) > 0:
            return np.asarray(label, dtype=np.int64)
        # Without ids or times: sheets a hand apart, seen through one another, are passes over one ground.
        label = np.zeros(len(window), dtype=np.int64)
        main = self._mask(self.chosen)
        for layer in self.layers:
            near = abs(layer.height_m - self.chosen.height_m) <= self.settings.pass_reach_m / 2
            if layer is not self.chosen and near:
                other = self._mask(layer)
                if self._over_same_ground(main, other, _THROUGH_SPACINGS):
                    label[other] = int(label.max()) + 1
        label[self.upper] = int(label.max()) + 1
        return label

    def beside_m(self) -> float | None:
        """Distance to the nearest sheet that does not lie over or under the chosen one."""
        main = self._mask(self.chosen)
        distances = [
            float(self.window.distance_m[layer.members[0]])
            for layer in self.layers
            if layer is not self.chosen
            and not self._over_same_ground(main, self._mask(layer), _THROUGH_SPACINGS)
        ]
        return min(distances, default=None)
