"""Result -> ReportView: every word, number and drawing of the report, ready to print.

The templates that follow only print what is here. Numbers become text in this layer alone,
through ``accuracy.rounding``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from accuracy.model import Result, TrajectorySeries
from accuracy.reporting import (
    view_conditions,
    view_drives,
    view_figures,
    view_pages,
    view_patches,
    view_relative,
    view_runs,
    view_singles,
    view_standards,
    view_statement,
    words,
)
from accuracy.reporting.lengths import in_unit
from accuracy.reporting.view_nouns import (
    ChartView,
    ConditionsView,
    DetailRow,
    DrivesView,
    ExclusionView,
    InputRow,
    MistakeView,
    Pair,
    PictureView,
    RelativeView,
    ResidualRow,
    RunsView,
    SinglesView,
    StandardsView,
    Table,
    VerdictView,
)
from accuracy.rounding import LengthText


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportView:
    """The report, section by section. Later sections get a field here and a template of their own."""

    # Statement
    title: str
    headline: str
    facts: tuple[Pair, ...]
    verdicts: tuple[VerdictView, ...]
    unmeasured: tuple[str, ...]
    subset: str | None
    warning: str | None
    """The strongest suggested mistake, for the first page."""
    speed: tuple[str, ...]
    standards: StandardsView | None
    """All standards side by side, where the record holds more than one."""
    figures: Table | None
    figures_note: str
    remarks: tuple[str, ...]
    exclusions: tuple[ExclusionView, ...]
    exclusion_figures: Table | None
    inputs_short: tuple[Pair, ...]
    software: str
    fingerprint: str | None
    author: str | None
    # Rules
    rules: tuple[VerdictView, ...]
    """The verdicts whose rules stand near the statement."""
    annex_rules: tuple[VerdictView, ...]
    """Those of standards that were only held beside it."""
    # Maps and charts
    maps: tuple[ChartView, ...]
    distribution: str | None
    charts: tuple[ChartView, ...]
    charts_note: str
    mistakes: tuple[MistakeView, ...]
    # Chapters that appear only where the record has their data
    runs: RunsView | None
    relative: RelativeView | None
    singles: SinglesView | None
    drives: DrivesView | None
    conditions: ConditionsView | None
    # Residuals
    small_symbol: str
    large_symbol: str
    has_horizontal: bool
    residuals: tuple[ResidualRow, ...]
    residuals_note: str
    pictures: tuple[PictureView, ...]
    # How it was measured
    how_measured: tuple[Pair, ...]
    definitions: tuple[Pair, ...]
    cautions: tuple[str, ...]
    # Annex
    inputs: tuple[InputRow, ...]
    settings: tuple[Pair, ...]
    details: tuple[DetailRow, ...]


def build(
    result: Result,
    *,
    series: Sequence[TrajectorySeries] | None = None,
    pictures: Mapping[str, str] | None = None,
    record_sha256: str | None = None,
) -> ReportView:
    """Prepare the whole report of ``result``.

    Args:
        result: the complete record.
        series: the epochs behind each trajectory comparison, in the same order; without them the
            chapter on trajectories has tables only.
        pictures: an SVG drawing of the patch of each checkpoint that has one, by checkpoint id.
        record_sha256: SHA-256 of ``result.json``; printed on every page, so that pages and record
            can be told to belong together.
    """
    run = result.run
    text = LengthText(result.unit)
    verdicts = view_statement.verdicts(run, result.unit)
    near, annex = view_standards.rules_near_and_far(verdicts)
    has_horizontal = any(c.horizontal.measured for c in run.checkpoints)
    return ReportView(
        title=result.title,
        headline=view_statement.headline(run.verdicts),
        facts=view_statement.facts(result),
        verdicts=verdicts,
        rules=near,
        annex_rules=annex,
        unmeasured=view_statement.unmeasured(run),
        subset=view_statement.subset(result),
        warning=view_pages.warning(run, result.unit),
        speed=view_runs.speed_lines(result),
        standards=view_standards.standards(run, result.unit),
        figures=view_figures.figures(run.summary, result.unit),
        figures_note=" ".join(
            filter(
                None,
                (
                    view_figures.note(run.summary),
                    view_figures.outliers(run.summary),
                    view_figures.face_shift(run.face_shift, result.unit),
                ),
            )
        ),
        remarks=view_statement.remarks(result),
        exclusions=view_statement.exclusions(result),
        exclusion_figures=view_figures.with_and_without(run.summary, result.unit),
        inputs_short=view_statement.inputs_short(result),
        software=f"accuracy-reporter {result.software.version}",
        fingerprint=record_sha256,
        author=result.prepared_by,
        maps=view_pages.maps(run, result.unit),
        distribution=view_statement.distribution(run.distribution, result.unit),
        charts=view_pages.charts(run, result.unit),
        charts_note=view_pages.charts_note(run),
        mistakes=view_pages.mistakes(run, result.unit),
        runs=view_runs.runs(result),
        relative=view_relative.relative(result),
        singles=view_singles.singles(result),
        drives=view_drives.drives(result, series),
        conditions=view_conditions.conditions(result),
        small_symbol=text.small_symbol,
        large_symbol=result.unit.symbol,
        has_horizontal=has_horizontal,
        residuals=view_pages.residual_rows(run, result.unit),
        residuals_note=view_pages.residuals_note(run, result.unit),
        pictures=view_patches.pictures(run, pictures or {}, result.unit),
        how_measured=tuple(Pair(label, in_unit(body, result.unit)) for label, body in words.HOW_MEASURED),
        definitions=tuple(Pair(label, body) for label, body in words.DEFINITIONS),
        cautions=words.CAUTIONS,
        inputs=view_statement.inputs(result),
        settings=tuple(Pair(name, in_unit(value, result.unit)) for name, value in result.settings.items()),
        details=view_pages.detail_rows(run, result.unit),
    )
