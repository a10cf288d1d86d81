"""What a job file may say, table by table: the nouns that every key is checked against.

Before job_file, which reads the file into them and makes the Job. Names are the file's own keys.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, NewType

from accuracy.model import HeightKind
from accuracy.reading.trajectory import TrajectoryFormat
from accuracy.reading.trajectory_polar import PolarSetup
from accuracy.units import LengthUnit

# Lengths in metres, read from texts; the name is the unit of a text that holds a bare number.
Metres = NewType("Metres", float)
Centimetres = NewType("Centimetres", float)
Millimetres = NewType("Millimetres", float)
BARE_UNIT = {Metres: "m", Centimetres: "cm", Millimetres: "mm"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckpointsEntry:
    """[checkpoints]: the table, and how to read it."""

    file: Path
    columns: str | None = None
    unit: LengthUnit | None = None
    height_unit: LengthUnit | None = None
    decimal_mark: Literal[".", ","] | None = None
    average_duplicates: bool = False
    crs: str | None = None
    heights: HeightKind | None = None
    survey_sigma_horizontal: Millimetres | None = None
    survey_sigma_height: Millimetres | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundEntry:
    """[frame.ground]: the table's ground coordinates."""

    origin_name: str
    grid_origin: tuple[float, float]
    ground_origin: tuple[float, float] | None = None
    combined_factor: float | None = None
    mean_height: float | None = None
    geoid_height: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameEntry:
    """[frame]: what is said of the cloud's frame."""

    crs: str | None = None
    unit: LengthUnit | None = None
    height_unit: LengthUnit | None = None
    heights: HeightKind | None = None
    geoid: Path | None = None
    grids: Path | None = None
    ground: GroundEntry | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassEntry:
    """[class]: the standard and the classes asked for."""

    standard: str = "asprs-2024"
    vertical: Centimetres | None = None
    horizontal: Centimetres | None = None
    three_d: Centimetres | None = None
    name: str | None = None
    map_scale: float | None = None
    contour_interval: Metres | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitEntry:
    """[[limit]]: one limit of the contract."""

    name: str
    statistic: str
    stratum: Literal["open", "vegetated", "easting", "northing", "horizontal", "3d", "relative"]
    limit: Centimetres | None = None
    within: Centimetres | None = None
    least_share: float | None = None
    least_checkpoints: int | None = None
    where: dict[str, str] = field(default_factory=dict)
    sentence: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureEntry:
    """[measure]: which points, and how far to look."""

    classes: list[int] | None = None
    returns: Literal["all", "first", "last", "only"] = "all"
    search_radius: Metres | None = None
    largest_radius: Metres | None = None
    templates: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrajectoryEntry:
    """[run.trajectory] and [[run.reference]]."""

    file: Path
    name: str | None = None
    kind: Literal["gnss", "prism", "unknown"] = "unknown"
    crs: str | None = None
    format: TrajectoryFormat = field(default_factory=TrajectoryFormat)
    polar: PolarSetup | None = None
    instrument: tuple[float, float, float] | None = None
    clock_offset: float | None = None
    lever_arm: tuple[float | None, float | None, float | None] = (None, None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class CloudEntry:
    """[[run.cloud]]: one of several clouds of a run."""

    name: str
    files: list[Path]
    classes: list[int] | None = None
    returns: Literal["all", "first", "last", "only"] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEntry:
    """[[run]]: its clouds, how it was driven, its trajectories."""

    name: str
    clouds: list[Path] = field(default_factory=list)
    cloud: list[CloudEntry] = field(default_factory=list)
    speed_km_per_h: float | None = None
    mounting: str = "the vehicle"
    attributes: dict[str, str] = field(default_factory=dict)
    trajectory: TrajectoryEntry | None = None
    reference: list[TrajectoryEntry] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativeEntry:
    """[relative]: the cloud against itself."""

    runs: list[str] = field(default_factory=list)
    cell: Metres | None = None
    graded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ExcludeEntry:
    """[[exclude]]: a checkpoint set aside."""

    id: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JobEntries:
    """The whole file."""

    checkpoints: CheckpointsEntry
    run: list[RunEntry]
    title: str | None = None
    statement_run: str | None = None
    statement_cloud: str | None = None
    baseline_run: str | None = None
    contract_unit: LengthUnit = LengthUnit.METRE
    frame: FrameEntry = field(default_factory=FrameEntry)
    # "class" is a word of the language; the file says [class].
    graded: ClassEntry = field(default_factory=ClassEntry)
    limit: list[LimitEntry] = field(default_factory=list)
    measure: MeasureEntry = field(default_factory=MeasureEntry)
    exclude: list[ExcludeEntry] = field(default_factory=list)
    relative: RelativeEntry | None = None
    equivalence_margin: Centimetres | None = None
    compare_by: str | None = None
    all_standards: bool = False
    date: dt.date | None = None
    project: str | None = None
    prepared_by: str | None = None
    prepared_for: str | None = None
