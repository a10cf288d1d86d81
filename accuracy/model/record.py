"""Everything that one job found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from accuracy.model.drives import CaptureConditions, ConditionEffect, TrajectoryComparison
from accuracy.model.measurements import CheckpointResult, FaceShift
from accuracy.model.relative import RelativeResult
from accuracy.model.runs import CheckpointInfluence, PartFigures, RunComparison, RunMatrix, SpeedDecision
from accuracy.model.summaries import Distribution, Summary
from accuracy.model.verdicts import ClassRequest, Verdict
from accuracy.units import LengthUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class Software:
    """Which program made the record."""

    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """One file that the result rests on."""

    path: str
    sha256: str
    role: Literal["cloud", "checkpoints", "trajectory", "reference", "job", "geoid", "template", "result"]
    run: str | None = None
    cloud: str | None = None
    """Of the clouds of that run, the one it belongs to, where they have names."""
    points: int | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """A checkpoint that the user set aside, and the written reason."""

    id: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Mistake:
    """A suggested explanation of the residuals; nothing is corrected by it."""

    kind: str
    size: float | None
    size_unit: str | None
    evidence: str
    check_by: str
    score: float
    """Evidence weight: larger explains more, after the price of its parameters."""
    rests_on: Literal["residuals", "cloud"] = "residuals"
    """What showed it: the residuals, or the cloud's extent and times, which a recheck does not have."""


SPEED = "speed_km_per_h"
"""The attribute of a run that holds its speed; a job sets it from the run's own key only."""


def label_of(run: str, cloud: str | None) -> str:
    """A cloud of a run as tables and sentences call it: the run alone where the cloud has no name."""
    return run if cloud is None else f"{run} {cloud}"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """The measurement of one run, or of one cloud of a run: the core of the record."""

    name: str
    """Of the run."""
    cloud: str | None = None
    """Which of the run's clouds, such as lidar or photogrammetric; None where none is named."""
    attributes: Mapping[str, str] = field(default_factory=dict)
    checkpoints: tuple[CheckpointResult, ...]
    summary: Summary
    verdicts: tuple[Verdict, ...]
    distribution: Distribution
    mistakes: tuple[Mistake, ...] = ()
    remarks: tuple[str, ...] = ()
    """Sentences that the report's first page must carry: duplicates, points outside, corrections."""
    conditions: tuple[CaptureConditions, ...] = ()
    """The rig's state when each checkpoint was captured."""
    condition_effects: tuple[ConditionEffect, ...] = ()
    face_shift: FaceShift | None = None
    """The run's shift in plan that the upright faces among its checkpoints show together."""
    influence: Mapping[str, tuple[CheckpointInfluence, ...]] = field(default_factory=dict)
    """By component with a class: what leaving out each single checkpoint would do."""
    patches_file: str | None = None
    """The archive of its patches, beside the record."""
    patches_sha256: str | None = None

    @property
    def label(self) -> str:
        """Run and cloud as every table and sentence calls them; no other record has the same."""
        return label_of(self.name, self.cloud)

    @property
    def speed_km_per_h(self) -> float | None:
        """The speed that the run was driven at, as the job states it; None where it does not."""
        speed = self.attributes.get(SPEED)
        return None if speed is None else float(speed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Everything that one job found: the complete record, from which every report is made."""

    schema: str = "accuracy-result/1"
    software: Software
    title: str
    """What was tested, e.g. "Tern Quay, run 12 km/h eastbound"."""
    unit: LengthUnit
    """The contract's unit: what the report prints in."""
    date: str | None
    """ISO date given by the user; None leaves it to the signature line."""
    inputs: tuple[InputFile, ...]
    settings: Mapping[str, str]
    """Every setting that shaped the numbers, as words."""
    exclusions: tuple[Exclusion, ...]
    run: RunRecord
    """The run that the statement speaks of."""
    runs: tuple[RunRecord, ...] = ()
    """Every run of a job of several, cloud by cloud, the statement's among them."""
    trajectories: tuple[TrajectoryComparison, ...] = ()
    drives_file: str | None = None
    """The archive of the epochs that their charts are drawn from, beside the record."""
    drives_sha256: str | None = None
    not_compared: tuple[str, ...] = ()
    """References that could not be compared with their run, each with the reason, in sentences."""
    comparisons: tuple[RunComparison, ...] = ()
    matrices: tuple[RunMatrix, ...] = ()
    decisions: tuple[SpeedDecision, ...] = ()
    relative: tuple[RelativeResult, ...] = ()
    """The cloud against itself: each run's passes, and the statement's run against the others."""
    parts: tuple[PartFigures, ...] = ()
    """The statement's run on parts of its checkpoints, where a recheck was asked for them."""
    requests: tuple[ClassRequest, ...] = ()
    """What was graded, the statement's request first."""
    measuring: Mapping[str, float] = field(default_factory=dict)
    """Settings of the measurement that the user changed, by name; lengths in metres."""
    equivalence_margin_m: float | None = None
    baseline_run: str | None = None
    """The run that every other is held against first."""
    compare_by: str | None = None
    """Attribute of the checkpoints within whose values runs are compared as well."""
    subset: str | None = None
    """Which checkpoints count, in words; None for all."""
    crs_wkt: str | None = None
    """The working frame's coordinate system (in its own units) as WKT 2."""
    cloud_unit: LengthUnit | None = None
    """The unit that the clouds' files store eastings and northings in."""
    cloud_height_unit: LengthUnit | None = None
    crs: str | None = None
    """The working frame in words."""
    vertical_datum: str | None = None
    prepared_by: str | None = None
    prepared_for: str | None = None
    project: str | None = None
