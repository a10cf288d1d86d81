"""The checkpoint table placed in the working frame: CRS, heights, ground. After frames and reading.

The order is fixed: ground to grid first (the crew's own plane), then the coordinate system, then
the kind of height. Each step is either asked for or left out; nothing is guessed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj

from accuracy.conversion import convert, datum_remark, undulation_m
from accuracy.errors import FrameError, RequestError
from accuracy.frames import WorkingFrame, declared_crs, height_kind
from accuracy.ground import GroundScale
from accuracy.model import Checkpoint, FloatArray, HeightKind
from accuracy.reading.table_types import CheckpointTable
from accuracy.rounding import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacingOptions:
    """What the user says about the table's frame; None where nothing is said."""

    table_crs: str | None = None
    geoid: Path | None = None
    table_heights: HeightKind | None = None
    cloud_heights: HeightKind | None = None
    ground: GroundScale | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """The checkpoints in the working frame, and what was done to bring them there."""

    checkpoints: tuple[Checkpoint, ...]
    steps: tuple[str, ...]
    """One sentence per conversion, for the report's settings."""
    remarks: tuple[str, ...]


def place(table: CheckpointTable, frame: WorkingFrame, options: PlacingOptions) -> Placed:
    """Bring a table into the working frame.

    Raises FrameError where a conversion is impossible, RequestError where the options contradict
    each other or the table, and TableError for latitudes without a coordinate system.
    """
    source = None if options.table_crs is None else declared_crs(options.table_crs)
    heights = _Heights.of(table, frame, options, source)
    if source is None and options.ground is None and options.geoid is None:
        heights.refuse_mixed(table.path)
        return Placed(checkpoints=table.checkpoints, steps=(), remarks=heights.remarks)
    steps: list[str] = []
    remarks: list[str] = []
    moved = _Positions.of(table)
    if options.ground is not None:
        if table.geographic:
            raise RequestError(
                "latitudes and longitudes cannot be ground coordinates",
                path=table.path,
                remedy="Leave out the ground options, or give grid or ground coordinates.",
            )
        moved = moved.with_plan(*options.ground.to_grid(moved.first, moved.second))
        steps.append(
            f"Ground coordinates scaled to grid with the combined factor {options.ground.combined_factor!r} "
            f"about {options.ground.origin_name}."
        )
    if source is not None:
        moved = _reproject(table, moved, frame, source, heights, steps, remarks)
    elif table.geographic:
        return Placed(checkpoints=table.checkpoints, steps=(), remarks=())  # refuses in its own words
    if options.geoid is not None:
        moved = _change_heights(table, moved, frame, options.geoid, heights, steps)
    elif not heights.by_systems:
        heights.refuse_mixed(table.path)
    remarks += heights.remarks
    return Placed(checkpoints=moved.checkpoints(table), steps=tuple(steps), remarks=tuple(remarks))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heights:
    """The kinds of height of table and cloud, by whatever says so; None where nothing does."""

    table: HeightKind | None
    cloud: HeightKind | None
    by_systems: bool
    """Whether the two coordinate systems themselves bring the heights over."""
    remarks: tuple[str, ...]

    @classmethod
    def of(
        cls, table: CheckpointTable, frame: WorkingFrame, options: PlacingOptions, source: pyproj.CRS | None
    ) -> _Heights:
        """What is declared stands above what a system says, and that above the table's heading."""
        by_system = None if source is None else height_kind(source)
        of_table = options.table_heights or by_system or table.height_kind
        of_cloud = options.cloud_heights or frame.height_kind
        remarks = [
            f"{where} says {said} heights; they were declared {declared}."
            for where, said, declared in (
                ("The table's heading", table.height_kind, options.table_heights or by_system),
                ("The system of the checkpoints", by_system, options.table_heights),
                ("The cloud's own system", frame.height_kind, options.cloud_heights),
            )
            if said and declared and said != declared
        ]
        if of_table and not of_cloud:
            remarks.append(
                f"The checkpoints have {of_table} heights; of which kind the cloud's are, nothing "
                "says. That they are of the same kind is taken on the surveyor's word."
            )
        return cls(
            table=of_table,
            cloud=of_cloud,
            by_systems=options.geoid is None
            and source is not None
            and frame.crs is not None
            and _has_height(source)
            and _has_height(frame.crs),
            remarks=tuple(remarks),
        )

    def refuse_mixed(self, path: Path) -> None:
        """Raise FrameError where the kinds differ and nothing brings one to the other."""
        if self.table and self.cloud and self.table != self.cloud:
            raise FrameError(
                f"the checkpoints have {self.table} heights and the cloud {self.cloud} ones, and no geoid "
                "grid is named: their difference, often tens of metres, would stand in every residual",
                path=path,
                remedy="Name the geoid grid with --geoid; or, if both are of one kind, say so with "
                "--checkpoint-heights or --cloud-heights.",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Positions:
    """Positions of the rows, then of the observed marks, in one set of arrays."""

    first: FloatArray
    second: FloatArray
    height_m: FloatArray
    observed_rows: tuple[int, ...]
    observed_has_height: tuple[bool, ...]

    @classmethod
    def of(cls, table: CheckpointTable) -> _Positions:
        rows = table.rows
        if table.geographic:
            first, second = list(table.longitude_deg), list(table.latitude_deg)
        else:
            first = [row.easting_m for row in rows]
            second = [row.northing_m for row in rows]
        height = [row.height_m for row in rows]
        seen = [index for index, row in enumerate(rows) if row.observed is not None]
        has_height = []
        for index in seen:
            observed = rows[index].observed
            if observed is None:
                continue
            first.append(observed[0])
            second.append(observed[1])
            # A position needs some height to be converted; the checkpoint's own is the nearest.
            height.append(rows[index].height_m if observed[2] is None else observed[2])
            has_height.append(observed[2] is not None)
        return cls(
            first=np.array(first, dtype=np.float64),
            second=np.array(second, dtype=np.float64),
            height_m=np.array(height, dtype=np.float64),
            observed_rows=tuple(seen),
            observed_has_height=tuple(has_height),
        )

    def with_plan(self, first: FloatArray, second: FloatArray) -> _Positions:
        return self.moved(first, second, self.height_m)

    def moved(self, first: FloatArray, second: FloatArray, height_m: FloatArray) -> _Positions:
        return _Positions(
            first=first,
            second=second,
            height_m=height_m,
            observed_rows=self.observed_rows,
            observed_has_height=self.observed_has_height,
        )

    def checkpoints(self, table: CheckpointTable) -> tuple[Checkpoint, ...]:
        n = len(table.rows)
        observed: list[tuple[float, float, float | None] | None] = [None] * n
        for place, (index, has_height) in enumerate(
            zip(self.observed_rows, self.observed_has_height, strict=True), start=n
        ):
            height = float(self.height_m[place]) if has_height else None
            observed[index] = (float(self.first[place]), float(self.second[place]), height)
        return table.with_coordinates(self.first[:n], self.second[:n], self.height_m[:n], observed=observed)


def _reproject(
    table: CheckpointTable,
    positions: _Positions,
    frame: WorkingFrame,
    source: pyproj.CRS,
    heights: _Heights,
    steps: list[str],
    remarks: list[str],
) -> _Positions:
    target = frame.crs
    if target is None:
        raise FrameError(
            "the cloud has no coordinate system record, so the checkpoints cannot be converted to it",
            path=table.path,
            remedy="Declare the cloud's system with --crs.",
        )
    if source.is_geographic != table.geographic:
        raise FrameError(
            f"the table holds {'latitudes and longitudes' if table.geographic else 'plane coordinates'}, "
            f'and "{source.name}" is {"not " if table.geographic else ""}in degrees',
            path=table.path,
            remedy="Name the system that the table is truly in with --checkpoints-crs.",
        )
    if not heights.by_systems:
        # Heights are of one kind already, or a geoid grid of the user's changes them afterwards.
        source, target = _plan(source), _plan(target)
    if source.equals(target, ignore_axis_order=True):
        remarks.extend(datum_remark(source, target))
        return positions
    # PROJ speaks the systems' own units; the table and the working frame are in metres.
    unit, height_unit = _units_m(source)
    converted = convert(
        positions.first / unit,
        positions.second / unit,
        positions.height_m / height_unit,
        source=source,
        target=target,
        rows=[*(row.row for row in table.rows), *(table.rows[i].row for i in positions.observed_rows)],
        path=table.path,
    )
    unit, height_unit = _units_m(target)
    if not _has_height(target):
        height_unit = _units_m(source)[1]
    accuracy = (
        "no stated accuracy" if converted.accuracy_m is None else f"accuracy {converted.accuracy_m:g} m"
    )
    area = f"; area of use: {converted.area_of_use.rstrip('.')}" if converted.area_of_use else ""
    steps.append(
        f'Checkpoints converted from "{source.name}" to "{target.name}" by "{converted.operation}" '
        f"({accuracy}{area})."
    )
    remarks.extend(converted.remarks)
    return positions.moved(
        converted.easting * unit, converted.northing * unit, converted.height * height_unit
    )


def _has_height(crs: pyproj.CRS) -> bool:
    return crs.is_compound or len(crs.axis_info) == 3


def _plan(crs: pyproj.CRS) -> pyproj.CRS:
    return crs.sub_crs_list[0] if crs.is_compound else crs.to_2d()


def _units_m(crs: pyproj.CRS) -> tuple[float, float]:
    """Metres in one horizontal and one vertical unit; 1 for degrees, which are not lengths."""
    horizontal = 1.0 if _plan(crs).is_geographic else _plan(crs).axis_info[0].unit_conversion_factor
    vertical = crs.sub_crs_list[1] if crs.is_compound else crs
    factor = vertical.axis_info[-1].unit_conversion_factor if _has_height(crs) else 1.0
    return horizontal, factor


def _change_heights(
    table: CheckpointTable,
    positions: _Positions,
    frame: WorkingFrame,
    geoid: Path,
    heights: _Heights,
    steps: list[str],
) -> _Positions:
    if heights.table is None or heights.cloud is None:
        raise RequestError(
            "a geoid grid says nothing without the kind of both heights",
            path=geoid,
            remedy="Say --checkpoint-heights and --cloud-heights, each ellipsoidal or orthometric.",
        )
    if heights.table == heights.cloud:
        raise RequestError(
            f"checkpoints and cloud are both said to have {heights.table} heights, "
            "so there is nothing for a geoid grid to change",
            path=geoid,
            remedy="Leave out --geoid, or correct the kind of heights.",
        )
    if frame.crs is None or frame.crs.geodetic_crs is None:
        raise FrameError(
            "the cloud has no coordinate system record, so its place on the geoid is not known",
            path=geoid,
            remedy="Declare the cloud's system with --crs.",
        )
    plane = _plan(frame.crs)
    unit = plane.axis_info[0].unit_conversion_factor
    geographic = plane.geodetic_crs
    if geographic is None:
        raise FrameError(f'"{plane.name}" has no geodetic system', path=geoid)
    to_degrees = pyproj.Transformer.from_crs(plane, geographic.to_2d(), always_xy=True)
    longitude, latitude = to_degrees.transform(positions.first / unit, positions.second / unit)
    undulation = undulation_m(geoid, np.asarray(longitude), np.asarray(latitude))
    outside = np.flatnonzero(np.isnan(undulation))
    if outside.size:
        index = int(outside[0])
        rows = [*table.rows, *(table.rows[i] for i in positions.observed_rows)]
        raise FrameError(
            f'{counted(outside.size, "point")} outside the geoid grid, the first "{rows[index].id}"',
            path=geoid,
            remedy="Use a grid that covers the project.",
        )
    sign = -1.0 if heights.table == "ellipsoidal" else 1.0
    steps.append(
        f"Checkpoint heights changed from {heights.table} to {heights.cloud} with the geoid "
        f"grid {geoid.name} (geoid height {undulation.min():.3f} to {undulation.max():.3f} m)."
    )
    return positions.moved(positions.first, positions.second, positions.height_m + sign * undulation)


def ground_scale(
    *,
    frame: WorkingFrame,
    origin_name: str,
    grid_origin_m: tuple[float, float],
    ground_origin_m: tuple[float, float] | None,
    combined_factor: float | None,
    mean_height_m: float | None,
    geoid_height_m: float | None,
) -> GroundScale:
    """A ground scale from a given factor, or from position and height when none is given.

    Raises RequestError where neither a factor nor a height is given, FrameError where the scale
    factor cannot be computed.
    """
    from accuracy.ground import combined_factor as computed
    from accuracy.ground import grid_scale_factor

    if combined_factor is None:
        if mean_height_m is None or frame.crs is None:
            raise RequestError(
                "the combined factor is neither given nor can it be computed",
                remedy="Give combined_factor, or the mean height of the site and the cloud's system.",
            )
        plane = _plan(frame.crs)
        unit = plane.axis_info[0].unit_conversion_factor
        grid = grid_scale_factor(plane, grid_origin_m[0] / unit, grid_origin_m[1] / unit)
        combined_factor = computed(grid, mean_height_m, geoid_height_m or 0.0)
    if not math.isfinite(combined_factor):
        raise RequestError("the combined factor is not a number", remedy="It is close to 1, e.g. 0.99963.")
    ground = ground_origin_m or grid_origin_m
    return GroundScale(
        combined_factor=combined_factor,
        origin_name=origin_name,
        grid_origin_easting_m=grid_origin_m[0],
        grid_origin_northing_m=grid_origin_m[1],
        ground_origin_easting_m=ground[0],
        ground_origin_northing_m=ground[1],
    )
