"""Runs compared: the decision on the speed, all runs at a glance, pair by pair, checkpoint by checkpoint."""

from __future__ import annotations

from collections.abc import Sequence

from accuracy.model import (
    SPEED,
    Component,
    Outcome,
    Result,
    RunMatrix,
    RunRecord,
    SpeedDecision,
)
from accuracy.reporting import charts_runs, view_pairs, words
from accuracy.reporting.view_nouns import ChartView, DecisionView, RunsView, Table, Tone
from accuracy.reporting.view_statement import figure_name, tested_figure
from accuracy.rounding import LengthText, places_beside, speed
from accuracy.units import LengthUnit

DASH = "\N{EN DASH}"
_TONE: dict[str, Tone] = {"fastest": "met", "none": "not-met", "undecided": "not-graded"}
MOST_IN_PICTURE = 400
"""Checkpoints; beyond that the glyphs of the matrix would be too small to see."""
_MATRIX_TITLES = {
    Component.VERTICAL: "Height residual of every run at every checkpoint",
    Component.HORIZONTAL: "Horizontal residual of every run at every checkpoint",
    Component.THREE_D: "Three-dimensional residual of every run at every checkpoint",
}


def runs(result: Result) -> RunsView | None:
    """The chapter; None for a record of one run."""
    if len(result.runs) < 2:
        return None
    text = LengthText(result.unit)
    pairs = view_pairs.pairs(result)
    return RunsView(
        decisions=tuple(_decision(one, result.runs) for one in result.decisions),
        undecided=None
        if result.decisions
        else "No decision on the speed was asked for: it needs a class and the speed of each run.",
        table=_table(result.runs, text),
        chart=_chart(result.runs, result.unit),
        matrices=tuple(
            _matrix_chart(one, result.unit)
            for one in result.matrices
            if one.component is not Component.THREE_D and len(one.ids) <= MOST_IN_PICTURE
        ),
        matrices_note=_matrices_note(result.matrices),
        pairs=pairs.chapter,
        pairs_note=view_pairs.note(result) if pairs.chapter or pairs.annex else "",
        annex_matrices=tuple(
            (_MATRIX_TITLES[one.component], _matrix_table(one, text))
            for one in result.matrices
            if one.component is not Component.THREE_D
        ),
        annex_pairs=pairs.annex,
        annex_pairs_note=pairs.annex_note,
    )


def speed_lines(result: Result) -> tuple[str, ...]:
    """For the statement page: one sentence per component in which any run was graded.

    They speak of clouds of the statement's kind; each other kind is told in one line.
    """
    graded = [one for one in result.decisions if _graded(one, result.runs)]
    own = [one for one in graded if one.cloud == result.run.cloud]
    lines = [f"{words.COMPONENT[one.component]}: {one.sentence}" for one in own]
    others = dict.fromkeys(one.cloud for one in graded if one.cloud != result.run.cloud)
    return (*lines, *(_in_a_line([one for one in graded if one.cloud == cloud], result) for cloud in others))


def _in_a_line(found: Sequence[SpeedDecision], result: Result) -> str:
    """What was decided of one kind of cloud: the speed, that none meets, or that it is open."""
    speeds = {record.name: record.speed_km_per_h for record in result.runs}
    said = []
    for one in found:
        fastest = None if one.fastest_met is None else speeds.get(one.fastest_met)
        answer = {"none": "no run", "undecided": "not decided"}.get(one.answer)
        if answer is None:
            answer = DASH if fastest is None else speed(fastest, result.unit)
        component = "3D" if one.component is Component.THREE_D else words.COMPONENT[one.component].lower()
        said.append(f"{component} {answer}")
    kind = f"{found[0].cloud} clouds"
    return f"{kind[:1].upper()}{kind[1:]}, fastest run within the class: {', '.join(said)}."


def _graded(one: SpeedDecision, records: Sequence[RunRecord]) -> bool:
    return any(
        v.component is one.component and v.outcome is not Outcome.NOT_GRADED
        for r in records
        if r.cloud == one.cloud
        for v in r.verdicts
    )


def _decision(one: SpeedDecision, records: Sequence[RunRecord]) -> DecisionView:
    if not _graded(one, records):
        return DecisionView(
            component=words.decided(one),
            tone="not-graded",
            sentence="No run was graded, so no speed can be named.",
            evidence=(),
        )
    return DecisionView(
        component=words.decided(one),
        tone=_TONE[one.answer],
        sentence=one.sentence,
        evidence=one.evidence,
    )


# --------------------------------------------------------------------------- all runs at a glance


def by_speed(records: Sequence[RunRecord]) -> list[RunRecord]:
    """The fastest first, runs without a speed last, else in the record's order."""
    return sorted(records, key=lambda r: -(r.speed_km_per_h or -1.0))


def _table(records: Sequence[RunRecord], text: LengthText) -> Table:
    rows = []
    for record in by_speed(records):
        cells = [record.label]
        for component in charts_runs.COMPONENTS:
            n, tested, interval, verdict = tested_figure(component, record)
            part = record.summary.of(component)
            cells.append(DASH if part is None else places_beside(n, part.places))
            if tested is not None and verdict is not None and verdict.class_m is not None:
                cells.append(text.small_beside(tested, verdict.class_m))
            else:
                cells.append(text.small(tested))
            cells.append(
                DASH if interval is None else f"{text.small(interval[0])} to {text.small(interval[1])}"
            )
            asked = verdict is not None and (verdict.class_m is not None or verdict.class_name is not None)
            cells.append(words.OUTCOME[verdict.outcome] if asked and verdict is not None else DASH)
        rows.append(tuple(cells))
    head = ["Run"]
    kept = [0]
    for index, component in enumerate(charts_runs.COMPONENTS):
        columns = range(1 + 4 * index, 5 + 4 * index)
        counts = "n at places" if any(" at " in row[columns[0]] for row in rows) else "n"
        head += [counts, _figure_names(records, component), "95 % interval", "Class"]
        if any(row[columns[0]] != DASH for row in rows):
            kept += columns
    return Table(head=tuple(head[k] for k in kept), rows=tuple(tuple(row[k] for k in kept) for row in rows))


def _figure_names(records: Sequence[RunRecord], component: Component) -> str:
    found = [tested_figure(component, record) for record in records]
    names = dict.fromkeys(figure_name(component, verdict) for n, _, _, verdict in found if n)
    return " or ".join(names)


def _attributes(record: RunRecord, unit: LengthUnit) -> str:
    driven = record.speed_km_per_h
    said = [] if record.cloud is None else [record.cloud]
    said += [] if driven is None else [speed(driven, unit)]
    said += [value for name, value in record.attributes.items() if name != SPEED]
    # What does not fit on the line is left out as a whole.
    while len(said) > 1 and len(", ".join(said)) > charts_runs.LONGEST_DETAIL:
        said.pop()
    return ", ".join(said) or DASH


def _chart(records: Sequence[RunRecord], unit: LengthUnit) -> ChartView | None:
    kinds = {record.label: _kind(record, records) for record in records}
    names = list(dict.fromkeys(kind for kind in kinds.values() if kind))
    groups = {label: names.index(kind) for label, kind in kinds.items() if kind}
    rows = [
        charts_runs.RunRow(
            label=record.label,
            name=record.name,
            detail=_attributes(record, unit),
            group=groups.get(record.label, 0),
            figures={
                component: found
                for component in charts_runs.COMPONENTS
                if (found := _run_figure(record, component)) is not None
            },
        )
        for record in by_speed(records)
    ]
    drawn = charts_runs.runs_chart(rows, unit)
    if drawn is None:
        return None
    shapes = ", ".join(
        f"{charts_runs.SHAPE_NAMES[k % len(charts_runs.SHAPE_NAMES)]} {name}" for k, name in enumerate(names)
    )
    caption = (
        "The tested figure of each run, the survey's share included, with its 95 % interval; the fastest on "
        "top. Dashed: the class."
    )
    if len(names) > 1:
        caption += f" Shapes: {shapes}."
    return ChartView(title="Accuracy of the runs", svg=drawn, caption=caption, wide=True)


def _run_figure(record: RunRecord, component: Component) -> charts_runs.RunFigure | None:
    n, tested, interval, verdict = tested_figure(component, record)
    if not n or tested is None:
        return None
    return charts_runs.RunFigure(
        name=figure_name(component, verdict),
        tested_m=tested,
        interval_m=interval,
        class_m=None if verdict is None else verdict.class_m,
    )


def _kind(record: RunRecord, records: Sequence[RunRecord]) -> str | None:
    """What the shapes tell apart: kinds of cloud where there are several, else directions."""
    if len({one.cloud for one in records}) > 1:
        return record.cloud
    return record.attributes.get("direction")


# --------------------------------------------------------------------------- matrix


def _matrix_chart(one: RunMatrix, unit: LengthUnit) -> ChartView:
    signed = one.component is Component.VERTICAL
    caption = (
        "One column per checkpoint. The larger the sign, the larger the residual: filled and upward above "
        "the mark, outlined and downward below it."
        if signed
        else "One column per checkpoint. The larger the disc, the larger the horizontal residual."
    )
    return ChartView(
        title=_MATRIX_TITLES[one.component],
        svg=charts_runs.matrix_chart(one.runs, one.ids, one.residual_m, unit, signed=signed),
        caption=f"{caption} A small cross: not measured. Values: annex.",
        wide=True,
    )


def _matrices_note(matrices: Sequence[RunMatrix]) -> str:
    if any(len(one.ids) > MOST_IN_PICTURE for one in matrices):
        return f"With more than {MOST_IN_PICTURE} checkpoints the residuals of all runs are not drawn."
    return ""


def _matrix_table(one: RunMatrix, text: LengthText) -> Table:
    signed = one.component is Component.VERTICAL
    return Table(
        head=(text.small_symbol, *one.runs),
        rows=tuple(
            (name, *(text.small(row[k], signed=signed) for row in one.residual_m))
            for k, name in enumerate(one.ids)
        ),
    )
