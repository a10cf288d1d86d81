"""What is asked for, as one set of nouns: a job file and the command line both end here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from accuracy.errors import RequestError
from accuracy.model import ClassRequest, Exclusion
from accuracy.reading.cloud_keeping import PatchWindow
from accuracy.reading.patches import PointSelection
from accuracy.reading.table_types import HeightKind, TableOptions
from accuracy.reading.trajectory import TrajectoryFormat
from accuracy.reading.trajectory_polar import PolarSetup
from accuracy.units import LengthUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class TrajectoryInput:
    """One trajectory file, how to read it, and what is known of how it was carried."""

    path: Path
    name: str
    kind: Literal["gnss", "prism", "unknown"] = "unknown"
    crs: str | None = None
    format: TrajectoryFormat = field(default_factory=TrajectoryFormat)
    polar: PolarSetup | None = None
    """Where the file holds raw observations of a tracked prism."""
    instrument_m: tuple[float, float, float] | None = None
    clock_offset_s: float | None = None
    lever_arm_m: tuple[float | None, float | None, float | None] = (None, None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInput:
    """One run: its clouds, how it was driven, its own trajectory and its references."""

    name: str
    clouds: tuple[Path, ...]
    attributes: Mapping[str, str] = field(default_factory=dict)
    speed_km_per_h: float | None = None
    mounting: str = "the vehicle"
    """Runs that share a mounting share the lever arms and clock offsets of their references."""
    trajectory: TrajectoryInput | None = None
    references: tuple[TrajectoryInput, ...] = ()

    def __post_init__(self) -> None:
        speed = self.speed_km_per_h
        if speed is not None and not (math.isfinite(speed) and speed > 0):
            raise RequestError(
                f'the speed of run "{self.name}" is {speed:g} km/h',
                remedy="Give speed_km_per_h a number above 0, or leave it out.",
            )
        if self.references and self.trajectory is None:
            raise RequestError(
                f'run "{self.name}" has a reference, {self.references[0].path.name}, and no trajectory '
                "of its own to compare with it",
                remedy="Add the rig's trajectory ([run.trajectory]), or take the reference out.",
            )
        names = [reference.name for reference in self.references]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise RequestError(
                f'two references of run "{self.name}" are named "{twice}"',
                remedy="Give each a name of its own; if they are one file, name it once.",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundInput:
    """Ground coordinates: a factor, or the height to compute it from, and the scaling's origin."""

    origin_name: str
    grid_origin_m: tuple[float, float]
    ground_origin_m: tuple[float, float] | None = None
    combined_factor: float | None = None
    mean_height_m: float | None = None
    geoid_height_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameInput:
    """What is said about the frames of cloud and table."""

    cloud_crs: str | None = None
    cloud_unit: LengthUnit | None = None
    cloud_height_unit: LengthUnit | None = None
    cloud_heights: HeightKind | None = None
    table_crs: str | None = None
    table_heights: HeightKind | None = None
    geoid: Path | None = None
    grids: Path | None = None
    ground: GroundInput | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativeInput:
    """The cloud against itself: the statement's run by its own passes, and against other runs."""

    runs: tuple[str, ...] = ()
    cell_m: float | None = None
    graded: bool = False
    """Whether the standard's within-swath and swath-to-swath limits are held against it. They speak
    of the largest difference, which among thousands of places is a severe test."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Everything that one job asks for."""

    title: str
    checkpoints: Path
    runs: tuple[RunInput, ...]
    statement_run: str
    """The run that the statement speaks of."""
    table: TableOptions = field(default_factory=TableOptions)
    survey_sigma_m: tuple[float | None, float | None] = (None, None)
    """Horizontal (per axis) and height standard uncertainty for points whose row gives none."""
    frame: FrameInput = field(default_factory=FrameInput)
    unit: LengthUnit = LengthUnit.METRE
    request: ClassRequest = field(default_factory=ClassRequest)
    further_requests: tuple[ClassRequest, ...] = ()
    """Graded beside the first, on the same evidence: the contract's own limits, other standards."""
    window: PatchWindow = field(default_factory=PatchWindow)
    selection: PointSelection = field(default_factory=PointSelection)
    templates: Path | None = None
    exclusions: tuple[Exclusion, ...] = ()
    date: str | None = None
    project: str | None = None
    prepared_by: str | None = None
    prepared_for: str | None = None
    relative: RelativeInput | None = None
    compare_by: str | None = None
    """Attribute of the checkpoints within whose values runs are compared as well."""
    equivalence_margin_m: float | None = None
    """Runs whose mean heights differ by less than this count as equivalent."""
    measuring: Mapping[str, float] = field(default_factory=dict)
    """Settings of the measurement that differ from the defaults; see accuracy.measuring."""
    job_file: Path | None = None
