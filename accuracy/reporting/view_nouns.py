"""The parts of a ReportView: prepared text and SVG, nothing else."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Tone = Literal["met", "not-met", "not-graded", "quiet"]
"""Which of the outcome symbols stands beside a text."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A label and what it says."""

    label: str
    text: str


@dataclass(frozen=True, slots=True)
class Table:
    """A small table of figures; the first cell of each row is its heading."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleView:
    """One rule of a verdict."""

    name: str
    value: str
    limit: str
    outcome: str
    tone: Tone
    words: str
    source: str
    decisive: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictView:
    """One verdict, from the large word to its last rule."""

    component: str
    standard: str | None
    """Named only where the report speaks of more than one."""
    outcome: str
    tone: Tone
    headline: str
    class_text: str | None
    tested: str | None
    tested_name: str
    why: str
    chance: str | None
    statement: str | None
    words_of: str | None
    """The standard whose words the statement is; None where they name it themselves."""
    gauge: str | None
    rules: tuple[RuleView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardRow:
    """What one standard says of one component, in a line."""

    standard: str
    component: str
    statistic: str
    tested: str
    class_text: str
    """The class asked for, or the best one that is met."""
    outcome: str
    tone: Tone
    missing: str
    lacks: bool
    """Whether anything is missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardsView:
    """All standards side by side."""

    rows: tuple[StandardRow, ...]
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExclusionView:
    """A checkpoint set aside, why, and what it measured."""

    id: str
    reason: str
    residual: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartView:
    """A drawing with its heading and what to read in it."""

    title: str
    svg: str
    caption: str
    wide: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MistakeView:
    """A suggested explanation of the residuals."""

    kind: str
    evidence: str
    check_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResidualRow:
    """One checkpoint in the table of residuals."""

    id: str
    easting: str
    northing: str
    height: str
    used: bool
    cover: str
    height_residual: str
    height_uncertainty: str
    easting_residual: str
    northing_residual: str
    horizontal_uncertainty: str
    notes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DetailRow:
    """How one height was measured."""

    id: str
    points: str
    density: str
    radius: str
    slope: str
    roughness: str
    fit_uncertainty: str
    survey_uncertainty: str
    spread: str
    surface: str
    passes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InputRow:
    """One input file in the annex."""

    role: str
    path: str
    sha256: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureView:
    """The patch of one checkpoint, drawn elsewhere."""

    id: str
    svg: str
    caption: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionView:
    """What the runs say about the speed, for one component."""

    component: str
    tone: Tone
    sentence: str
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PairsView:
    """One table of runs, clouds or groups held against each other."""

    heading: str
    note: str
    table: Table


@dataclass(frozen=True, slots=True, kw_only=True)
class RunsView:
    """Runs compared."""

    decisions: tuple[DecisionView, ...]
    undecided: str | None
    table: Table
    chart: ChartView | None
    matrices: tuple[ChartView, ...]
    matrices_note: str
    pairs: tuple[PairsView, ...]
    pairs_note: str
    annex_matrices: tuple[tuple[str, Table], ...]
    annex_pairs: tuple[PairsView, ...]
    annex_pairs_note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SinglesView:
    """What hangs on single checkpoints, and the figures of parts of them."""

    sentences: tuple[str, ...]
    influence: Table | None
    parts_note: str
    parts: Table | None
    annex_parts: Table | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveView:
    """One run against one reference, in full."""

    title: str
    sentences: tuple[str, ...]
    figures: Table
    charts: tuple[ChartView, ...]
    groups: Table
    gaps: Table | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivesView:
    """All trajectory comparisons: one table over all, then the statement's run."""

    summary: Table
    summary_note: str
    mounting: Table
    mounting_notes: tuple[str, ...]
    drives: tuple[DriveView, ...]
    annex_groups: Table | None
    annex_gaps: Table | None
    annex_notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionsView:
    """Residuals against the rig's state at capture."""

    sentences: tuple[str, ...]
    chart: ChartView | None
    table: Table | None
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftView:
    """One rigid shift of a run from another."""

    title: str
    table: Table | None
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RelativeView:
    """The cloud against itself."""

    how: tuple[str, ...]
    findings: tuple[str, ...]
    table: Table | None
    table_note: str
    map: ChartView | None
    histogram: ChartView | None
    shifts: tuple[ShiftView, ...]
    shifts_note: tuple[str, ...]
    limits: tuple[str, ...]
