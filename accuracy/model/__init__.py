"""The nouns. Every stage takes some of these and returns others; none of them reads or prints.

Conventions (they hold everywhere): working frame in metres, right-handed easting, northing,
height; residual = cloud minus checkpoint, so a positive height residual lies above the mark;
numbers at full precision; ``None`` where a figure does not exist, never NaN.
Field names are the keys of ``result.json``.
"""

from __future__ import annotations

from accuracy.model.arrays import (
    BoolArray as BoolArray,
)
from accuracy.model.arrays import (
    FloatArray as FloatArray,
)
from accuracy.model.arrays import (
    IntArray as IntArray,
)
from accuracy.model.arrays import (
    Interval as Interval,
)
from accuracy.model.arrays import (
    Progress as Progress,
)
from accuracy.model.arrays import (
    no_progress as no_progress,
)
from accuracy.model.drives import (
    CaptureConditions as CaptureConditions,
)
from accuracy.model.drives import (
    ComponentFigures as ComponentFigures,
)
from accuracy.model.drives import (
    ConditionEffect as ConditionEffect,
)
from accuracy.model.drives import (
    Drift as Drift,
)
from accuracy.model.drives import (
    DriftBin as DriftBin,
)
from accuracy.model.drives import (
    DriftModel as DriftModel,
)
from accuracy.model.drives import (
    Fix as Fix,
)
from accuracy.model.drives import (
    Gap as Gap,
)
from accuracy.model.drives import (
    Trajectory as Trajectory,
)
from accuracy.model.drives import (
    TrajectoryComparison as TrajectoryComparison,
)
from accuracy.model.drives import (
    TrajectoryGroup as TrajectoryGroup,
)
from accuracy.model.drives import (
    TrajectorySeries as TrajectorySeries,
)
from accuracy.model.measurements import (
    CheckpointResult as CheckpointResult,
)
from accuracy.model.measurements import (
    FaceResidual as FaceResidual,
)
from accuracy.model.measurements import (
    FaceShift as FaceShift,
)
from accuracy.model.measurements import (
    Flag as Flag,
)
from accuracy.model.measurements import (
    HorizontalResidual as HorizontalResidual,
)
from accuracy.model.measurements import (
    NotMeasured as NotMeasured,
)
from accuracy.model.measurements import (
    PassPosition as PassPosition,
)
from accuracy.model.measurements import (
    Reason as Reason,
)
from accuracy.model.measurements import (
    VerticalResidual as VerticalResidual,
)
from accuracy.model.record import (
    SPEED as SPEED,
)
from accuracy.model.record import (
    Exclusion as Exclusion,
)
from accuracy.model.record import (
    InputFile as InputFile,
)
from accuracy.model.record import (
    Mistake as Mistake,
)
from accuracy.model.record import (
    Result as Result,
)
from accuracy.model.record import (
    RunRecord as RunRecord,
)
from accuracy.model.record import (
    Software as Software,
)
from accuracy.model.record import (
    label_of as label_of,
)
from accuracy.model.relative import (
    RelativeComparison as RelativeComparison,
)
from accuracy.model.relative import (
    RelativePlace as RelativePlace,
)
from accuracy.model.relative import (
    RelativeResult as RelativeResult,
)
from accuracy.model.relative import (
    RigidShift as RigidShift,
)
from accuracy.model.relative import (
    ShiftComponent as ShiftComponent,
)
from accuracy.model.runs import (
    CheckpointInfluence as CheckpointInfluence,
)
from accuracy.model.runs import (
    GradedRun as GradedRun,
)
from accuracy.model.runs import (
    PairedTest as PairedTest,
)
from accuracy.model.runs import (
    PartFigures as PartFigures,
)
from accuracy.model.runs import (
    RunComparison as RunComparison,
)
from accuracy.model.runs import (
    RunMatrix as RunMatrix,
)
from accuracy.model.runs import (
    SpeedDecision as SpeedDecision,
)
from accuracy.model.summaries import (
    AxisSummary as AxisSummary,
)
from accuracy.model.summaries import (
    Distribution as Distribution,
)
from accuracy.model.summaries import (
    HorizontalSummary as HorizontalSummary,
)
from accuracy.model.summaries import (
    Summary as Summary,
)
from accuracy.model.summaries import (
    ThreeDSummary as ThreeDSummary,
)
from accuracy.model.survey import (
    SAME_PLACE_M as SAME_PLACE_M,
)
from accuracy.model.survey import (
    Checkpoint as Checkpoint,
)
from accuracy.model.survey import (
    Cover as Cover,
)
from accuracy.model.survey import (
    HeightKind as HeightKind,
)
from accuracy.model.survey import (
    LeftOut as LeftOut,
)
from accuracy.model.survey import (
    Patch as Patch,
)
from accuracy.model.survey import (
    Role as Role,
)
from accuracy.model.verdicts import (
    ClassRequest as ClassRequest,
)
from accuracy.model.verdicts import (
    Component as Component,
)
from accuracy.model.verdicts import (
    ContractLimit as ContractLimit,
)
from accuracy.model.verdicts import (
    Outcome as Outcome,
)
from accuracy.model.verdicts import (
    Rule as Rule,
)
from accuracy.model.verdicts import (
    RuleOutcome as RuleOutcome,
)
from accuracy.model.verdicts import (
    Verdict as Verdict,
)
