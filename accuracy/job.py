"""What is asked for, as one set of nouns: a job file and the command line both end here."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from accuracy.errors import RequestError
from accuracy.model import ClassRequest, Exclusion, HeightKind, label_of
from accuracy.reading.cloud_keeping import PatchWindow
from accuracy.reading.patches import PointSelection
from accuracy.reading.table_types import TableOptions
from accuracy.reading.trajectory import TrajectoryFormat
from accuracy.reading.trajectory_polar import PolarSetup
from accuracy.units import LengthUnit

_OWN_KEYS = {
    "cloud": "[[run.cloud]] with a name",
    "run": "the run's name",
    "speed": "speed_km_per_h",
    "speed_km_per_h": "the key speed_km_per_h of the run itself",
}
"""What has a key of its own, and would say it twice as an attribute."""


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
class CloudInput:
    """One point cloud of a run: the files that make it up together."""

    files: tuple[Path, ...]
    name: str | None = None
    """What it is, such as lidar or photogrammetric; None where the run has no other."""
    selection: PointSelection | None = None
    """Which of its points are measured on; None takes the job's choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInput:
    """One run: its clouds, how it was driven, its own trajectory and its references."""

    name: str
    clouds: tuple[CloudInput, ...]
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
        if not self.clouds or not all(cloud.files for cloud in self.clouds):
            raise RequestError(f'run "{self.name}" names no cloud', remedy="Add clouds = [...].")
        _check_cloud_names(self)
        _check_attributes(self)
        names = [reference.name for reference in self.references]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise RequestError(
                f'two references of run "{self.name}" are named "{twice}"',
                remedy="Give each a name of its own; if they are one file, name it once.",
            )


def _check_attributes(run: RunInput) -> None:
    """Attributes are compared by their values, under their names."""
    for name, value in run.attributes.items():
        if not name.strip() or not value.strip():
            raise RequestError(
                f'run "{run.name}" has the attribute {name} = "{value}", which says nothing',
                remedy="Give it a name and a value, or leave it out.",
            )
        if name in _OWN_KEYS:
            raise RequestError(
                f'run "{run.name}" has an attribute named "{name}"', remedy=f"Use {_OWN_KEYS[name]}."
            )


def _check_cloud_names(run: RunInput) -> None:
    """Clouds of one run are told apart by their names, and none may hold another's file."""
    names = [cloud.name for cloud in run.clouds]
    for name in names:
        if name is not None and not name.strip():
            raise RequestError(
                f'"{name}" is no name for a cloud of run "{run.name}"', remedy="Write lidar, for example."
            )
        if len(names) > 1 and name is None:
            raise RequestError(
                f'run "{run.name}" has {len(names)} clouds, and one of them has no name',
                remedy="Name each, such as lidar and photogrammetric.",
            )
        if names.count(name) > 1:
            raise RequestError(
                f'two clouds of run "{run.name}" are named "{name}"',
                remedy="Give each a name of its own; files of one cloud stand in one list.",
            )
    seen: dict[Path, CloudInput] = {}
    for cloud in run.clouds:
        for file in cloud.files:
            other = seen.setdefault(file.resolve(), cloud)
            if other is not cloud:
                raise RequestError(
                    f'the clouds "{other.name}" and "{cloud.name}" of run "{run.name}" both hold {file.name}',
                    remedy="A file belongs to one cloud of a run.",
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class CloudOfRun:
    """One cloud with the run that it was captured on: what is measured, graded and compared."""

    run: RunInput
    cloud: CloudInput

    @property
    def label(self) -> str:
        """As every table and sentence calls it."""
        return label_of(self.run.name, self.cloud.name)


def _check_kinds(clouds: Sequence[CloudOfRun]) -> None:
    """Like is held against like by the names of clouds, and every table calls a cloud by its label."""
    named = next((one for one in clouds if one.cloud.name is not None), None)
    unnamed = next((one for one in clouds if one.cloud.name is None), None)
    if named is not None and unnamed is not None:
        raise RequestError(
            f'run "{named.run.name}" names its cloud "{named.cloud.name}", and the cloud of run '
            f'"{unnamed.run.name}" has no name',
            remedy="Name the clouds of every run or of none: like is held against like by their names.",
        )
    labels: set[str] = set()
    kinds: dict[str, str] = {}
    for one in clouds:
        if one.label in labels:
            raise RequestError(
                f'two clouds of this job would be called "{one.label}"',
                remedy="Give one of their runs another name.",
            )
        labels.add(one.label)
        name = one.cloud.name or ""
        first = kinds.setdefault(name.casefold(), name)
        if first != name:
            raise RequestError(
                f'clouds are named "{first}" and "{name}"',
                remedy="Write one kind of cloud alike in every run: like is held against like.",
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
    """A run's name means its cloud of the statement's kind; a run and a cloud mean that one."""
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
    statement_cloud: str | None = None
    """Which of its clouds; None takes the first."""
    baseline_run: str | None = None
    """The run that every other is held against first, such as one carried by hand."""
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

    def __post_init__(self) -> None:
        _check_kinds(self.clouds)
        for what, key, run in (
            ("the statement is to speak of", "statement_run", self.statement_run),
            ("the baseline is to be", "baseline_run", self.baseline_run),
        ):
            if run is not None and run not in self._run_names:
                raise RequestError(
                    f'{what} run "{run}", and there is no such run',
                    place=f"key {key}",
                    remedy=f"Use one of {', '.join(self._run_names)}.",
                )
        kinds = [one.cloud.name for one in self.clouds if one.run.name == self.statement_run]
        if self.statement_cloud is not None and self.statement_cloud not in kinds:
            named = [name for name in kinds if name is not None]
            raise RequestError(
                f'the statement is to speak of the cloud "{self.statement_cloud}" of run '
                f'"{self.statement_run}", which has no such cloud',
                place="key statement_cloud",
                remedy=f"Use one of {', '.join(named)}."
                if named
                else "Name the run's clouds: [[run.cloud]].",
            )
        self._check_relative()

    def _check_relative(self) -> None:
        """Every run or cloud that the statement's is to be held against must be there."""
        if self.relative is None:
            return
        labels = [one.label for one in self.clouds]
        for name in self.relative.runs:
            if self.meant_by(name) not in labels:
                raise RequestError(
                    f'there is no "{self.meant_by(name)}" to compare "{self.statement.label}" with',
                    place="key relative.runs",
                    remedy=f"Use some of {', '.join(labels)}.",
                )

    def meant_by(self, name: str) -> str:
        """The label that a run's name, or a run's and a cloud's, stands for.

        A run alone means its cloud of the statement's kind.
        """
        return label_of(name, self.statement.cloud.name) if name in self._run_names else name

    def selection_of(self, cloud: CloudInput) -> PointSelection:
        """Which points of a cloud are measured on."""
        return self.selection if cloud.selection is None else cloud.selection

    @property
    def _run_names(self) -> list[str]:
        return [run.name for run in self.runs]

    @property
    def clouds(self) -> tuple[CloudOfRun, ...]:
        """Every cloud of every run, in the order of the job."""
        return tuple(CloudOfRun(run=run, cloud=cloud) for run in self.runs for cloud in run.clouds)

    @property
    def statement(self) -> CloudOfRun:
        """The cloud that the statement speaks of."""
        return next(
            one
            for one in self.clouds
            if one.run.name == self.statement_run and self.statement_cloud in (None, one.cloud.name)
        )
