"""Two results held against each other: what differs in inputs, settings, checkpoints, figures and verdicts.

Two records in, nouns out; then the same as text for a terminal and as one small HTML page.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields

from accuracy.model import (
    CheckpointResult,
    Component,
    ContractLimit,
    HorizontalResidual,
    Outcome,
    Result,
    RunRecord,
    Verdict,
    VerticalResidual,
    label_of,
)
from accuracy.reporting import render, words
from accuracy.reporting.lengths import in_unit
from accuracy.reporting.svg import clean
from accuracy.reporting.view_nouns import Table
from accuracy.reporting.view_statement import file_name
from accuracy.rounding import LengthText, counted, fixed
from accuracy.units import LengthUnit

DASH = "\N{EN DASH}"
MOST_CHECKPOINTS = 40
_STRATA = {
    "vertical": "Height, open ground",
    "vegetated": "Height, vegetated",
    "horizontal": "Horizontal",
    "three_d": "Three-dimensional",
}
_STATISTICS = {"n": "n", "mean_m": "mean", "rmse_m": "RMSE", "rmse_with_survey_m": "RMSE with survey"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that was so and is now otherwise; None where it was not there."""

    name: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureChange:
    """One figure of one run in both results, unrounded; lengths in metres, counts as they are."""

    run: str
    stratum: str
    statistic: str
    before: float | None
    after: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictChange:
    """One standard's answer for one component of one run in both results."""

    run: str
    standard: str
    component: Component
    name: str | None
    """The contract limit's, several of which share standard and component."""
    class_before_m: float | None
    class_after_m: float | None
    tested_before_m: float | None
    tested_after_m: float | None
    before: Outcome | None
    after: Outcome | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckpointChange:
    """A checkpoint of one run that counts differently, or measures differently."""

    run: str
    id: str
    used_before: bool | None
    """None where that result has no such checkpoint."""
    used_after: bool | None
    why: str | None
    """Why it does not count afterwards, or did not before."""
    height_change_m: float | None
    horizontal_change_m: float | None
    """Length of the change of the horizontal residual."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultDifference:
    """Everything in which two results differ; unrounded figures are compared, so nothing is overlooked."""

    title_before: str
    title_after: str
    unit: LengthUnit
    inputs: tuple[Change, ...]
    settings: tuple[Change, ...]
    checkpoints: tuple[CheckpointChange, ...]
    figures: tuple[FigureChange, ...]
    verdicts: tuple[VerdictChange, ...]
    figures_compared: int
    verdicts_compared: int

    @property
    def nothing(self) -> bool:
        """Whether the two say the same in every respect that is compared."""
        return not (self.inputs or self.settings or self.checkpoints or self.figures or self.verdicts)


# --------------------------------------------------------------------------- comparing


def compare_results(a: Result, b: Result) -> ResultDifference:
    """What is different in ``b``, told in the unit of ``a``.

    Runs are paired by name; where each has one run, those are paired.
    """
    pairs = list(_paired_runs(a, b))
    figures = [change for name, x, y in pairs for change in _figures(name, x, y)]
    verdicts = [change for name, x, y in pairs for change in _verdicts(name, x, y)]
    return ResultDifference(
        title_before=a.title,
        title_after=b.title,
        unit=a.unit,
        inputs=_inputs(a, b),
        settings=_settings_changed(a, b),
        checkpoints=tuple(
            change
            for name, x, y in pairs
            if x is not None and y is not None
            for change in _points(name, x, y)
        ),
        figures=tuple(one for one in figures if one.before != one.after),
        verdicts=tuple(
            one
            for one in verdicts
            if (one.before, one.class_before_m, one.tested_before_m)
            != (one.after, one.class_after_m, one.tested_after_m)
        ),
        figures_compared=len(figures),
        verdicts_compared=len(verdicts),
    )


def _paired_runs(a: Result, b: Result) -> Iterator[tuple[str, RunRecord | None, RunRecord | None]]:
    before = {run.label: run for run in a.runs or (a.run,)}
    after = {run.label: run for run in b.runs or (b.run,)}
    if len(before) == len(after) == 1:
        yield b.run.label, a.run, b.run
        return
    for name in dict.fromkeys([*before, *after]):
        yield name, before.get(name), after.get(name)


def _differing(before: Mapping[str, str], after: Mapping[str, str]) -> tuple[Change, ...]:
    return tuple(
        Change(name=name, before=before.get(name), after=after.get(name))
        for name in dict.fromkeys([*before, *after])
        if before.get(name) != after.get(name)
    )


def _inputs(a: Result, b: Result) -> tuple[Change, ...]:
    """Files that came, went or changed; a file that only moved to another folder is the same file."""

    def listed(result: Result) -> dict[str, str]:
        found: dict[str, str] = {}
        for i in result.inputs:
            whose = f", run {label_of(i.run, i.cloud)}" if i.run else ""
            name = f"{words.INPUT_ROLE[i.role]} {file_name(i.path)}{whose}"
            found[name] = f"{found[name]}; {i.sha256}" if name in found else i.sha256
        return found

    return _differing(listed(a), listed(b))


def _settings_changed(a: Result, b: Result) -> tuple[Change, ...]:
    """Compared as the records hold them, in metres; told in the first one's unit, where that shows it."""
    told = {one.name: one for one in _differing(_settings(a, a.unit), _settings(b, a.unit))}
    held = _differing(_settings(a, LengthUnit.METRE), _settings(b, LengthUnit.METRE))
    return tuple(told.get(one.name, one) for one in held)


def _settings(result: Result, unit: LengthUnit) -> dict[str, str]:
    text = LengthText(unit)
    found = {
        "software": result.software.version,
        "statement's run": result.run.label,
        "contract's unit": str(result.unit),
        "frame": result.crs or "not stated",
        "heights": result.vertical_datum or "not stated",
        "checkpoints that count": result.subset or "all",
        **{str(name): in_unit(value, unit) for name, value in result.settings.items()},
        **{
            f"measuring: {name.removesuffix('_m').replace('_', ' ')}": in_unit(f"{value:g} m", unit)
            if name.endswith("_m")
            else f"{value:g}"
            for name, value in result.measuring.items()
        },
        **{f"exclusion of {one.id}": one.reason for one in result.exclusions},
    }
    if result.equivalence_margin_m is not None:
        found["equivalence margin"] = f"{text.class_value(result.equivalence_margin_m)} {text.small_symbol}"
    for number, request in enumerate(result.requests, start=1):
        for field in fields(request):
            value = getattr(request, field.name)
            if field.name == "limits":
                found |= {f"request {number}: limit {one.name}": _limit(one, text) for one in value}
            elif value is not None:
                name = field.name.removesuffix("_m").replace("_", " ").replace("three d", "3D class")
                name = f"request {number}: {name}"
                is_length = field.name.endswith("_m")
                found[name] = f"{text.class_value(value)} {text.small_symbol}" if is_length else str(value)
    return found


def _limit(one: ContractLimit, text: LengthText) -> str:
    said = [f"{one.statistic.removesuffix('_m').replace('_', ' ')} of {one.stratum}"]
    lengths = (("limit", one.limit_m), ("within", one.within_m))
    said += [f"{k} {text.class_value(v)} {text.small_symbol}" for k, v in lengths if v is not None]
    numbers = (("least share", one.least_share), ("least checkpoints", one.least_checkpoints))
    said += [f"{k} {v:g}" for k, v in numbers if v is not None]
    said += [f"where {k} {v}" for k, v in one.where.items()]
    return ", ".join([*said, *([one.sentence] if one.sentence else [])])


def _figures(run: str, a: RunRecord | None, b: RunRecord | None) -> Iterator[FigureChange]:
    for stratum in _STRATA:
        parts = [None if r is None else getattr(r.summary, stratum) for r in (a, b)]
        for statistic in _STATISTICS:
            before, after = (None if part is None else getattr(part, statistic, None) for part in parts)
            if before is not None or after is not None:
                yield FigureChange(run=run, stratum=stratum, statistic=statistic, before=before, after=after)


def _verdicts(run: str, a: RunRecord | None, b: RunRecord | None) -> Iterator[VerdictChange]:
    def keyed(record: RunRecord | None) -> dict[tuple[str, Component, str | None], Verdict]:
        named = [] if record is None else record.verdicts
        return {(v.standard, v.component, _limit_name(v)): v for v in named}

    before, after = keyed(a), keyed(b)
    for key in dict.fromkeys([*before, *after]):
        x, y = before.get(key), after.get(key)
        either = x or y
        if either is None:
            continue
        yield VerdictChange(
            run=run,
            standard=either.standard,
            component=either.component,
            name=_limit_name(either),
            class_before_m=None if x is None else x.class_m,
            class_after_m=None if y is None else y.class_m,
            tested_before_m=None if x is None else x.tested_m,
            tested_after_m=None if y is None else y.tested_m,
            before=None if x is None else x.outcome,
            after=None if y is None else y.outcome,
        )


def _limit_name(verdict: Verdict) -> str | None:
    """What tells several limits of one contract apart; another class of a standard is the same verdict."""
    return verdict.class_name if verdict.component is Component.CONTRACT else None


def _points(run: str, a: RunRecord, b: RunRecord) -> Iterator[CheckpointChange]:
    before, after = ({c.id: c for c in r.checkpoints} for r in (a, b))
    for name in dict.fromkeys([*before, *after]):
        x, y = before.get(name), after.get(name)
        height, horizontal = _moved(x, y)
        used = [None if c is None else c.used for c in (x, y)]
        if used[0] == used[1] and not height and not horizontal and _measured(x) == _measured(y):
            continue
        why = next((c.why_not_used for c in (y, x) if c is not None and c.why_not_used), None)
        yield CheckpointChange(
            run=run,
            id=name,
            used_before=used[0],
            used_after=used[1],
            why=why,
            height_change_m=height,
            horizontal_change_m=horizontal,
        )


def _measured(c: CheckpointResult | None) -> tuple[bool, bool] | None:
    return None if c is None else (c.vertical.measured, c.horizontal.measured)


def _moved(x: CheckpointResult | None, y: CheckpointResult | None) -> tuple[float | None, float | None]:
    if x is None or y is None:
        return None, None
    height, horizontal = None, None
    if isinstance(x.vertical, VerticalResidual) and isinstance(y.vertical, VerticalResidual):
        height = y.vertical.residual_m - x.vertical.residual_m
    if isinstance(x.horizontal, HorizontalResidual) and isinstance(y.horizontal, HorizontalResidual):
        east = y.horizontal.residual_easting_m - x.horizontal.residual_easting_m
        north = y.horizontal.residual_northing_m - x.horizontal.residual_northing_m
        horizontal = (east * east + north * north) ** 0.5
    return height, horizontal


# --------------------------------------------------------------------------- in words


@dataclass(frozen=True, slots=True)
class _Section:
    title: str
    table: Table
    note: str = ""


def _headline(d: ResultDifference) -> str:
    if d.nothing:
        return (
            f"The two results agree in inputs, settings, checkpoints, all {d.figures_compared} figures "
            f"and all {d.verdicts_compared} verdicts."
        )
    turned = [v for v in d.verdicts if v.before != v.after]
    said = (
        f"{counted(len(d.inputs), 'input')}, {counted(len(d.settings), 'setting')} "
        f"and {counted(len(d.checkpoints), 'checkpoint')} differ; "
        f"{len(d.figures)} of {d.figures_compared} figures do."
    )
    if not turned:
        return f"{said} No verdict has another outcome."
    listed = "; ".join(f"{_verdict_name(v)}: {_outcome(v.before)}, now {_outcome(v.after)}" for v in turned)
    return f"{said} Verdicts with another outcome: {listed}."


def _verdict_name(v: VerdictChange) -> str:
    of = v.standard if v.name is None else v.name
    return f"{v.run}, {words.COMPONENT[v.component].lower()} ({of})"


def _outcome(outcome: Outcome | None) -> str:
    return "none" if outcome is None else words.OUTCOME[outcome].lower()


def _sections(d: ResultDifference) -> list[_Section]:
    text = LengthText(d.unit)
    found = [
        _Section("Verdicts", _verdict_table(d, text)),
        _Section("Figures", _figure_table(d, text)),
        _Section("Settings", _change_table(d.settings, "Setting")),
        _Section("Inputs", _change_table(d.inputs, "File", short=16)),
        _Section("Checkpoints", _point_table(d.checkpoints, text), _more(d.checkpoints)),
    ]
    return [one for one in found if one.table.rows]


def _verdict_table(d: ResultDifference, text: LengthText) -> Table:
    rows = []
    for v in d.verdicts:
        cells = [_verdict_name(v)]
        for outcome, tested, class_m in (
            (v.before, v.tested_before_m, v.class_before_m),
            (v.after, v.tested_after_m, v.class_after_m),
        ):
            figure = DASH
            if tested is not None:
                figure = text.small(tested) if class_m is None else text.small_beside(tested, class_m)
            asked = DASH if class_m is None else text.class_value(class_m)
            cells += [_outcome(outcome), figure, asked]
        rows.append(tuple(cells))
    unit = text.small_symbol
    head = ("Verdict", "Before", f"Tested ({unit})", f"Class ({unit})")
    return Table(head=(*head, "After", f"Tested ({unit})", f"Class ({unit})"), rows=tuple(rows))


def _figure_table(d: ResultDifference, text: LengthText) -> Table:
    rows = []
    for one in d.figures:
        name = f"{one.run}, {_STRATA[one.stratum].lower()}, {_STATISTICS[one.statistic]}"
        if one.statistic == "n":
            before, after = (DASH if v is None else fixed(v, 0) for v in (one.before, one.after))
            change = None if None in (one.before, one.after) else fixed(_change(one), 0, signed=True)
        else:
            signed = one.statistic == "mean_m"
            before, after = (text.small(v, signed=signed) for v in (one.before, one.after))
            change = None if None in (one.before, one.after) else _visible(_change(one), text)
        rows.append((name, before, after, change or DASH))
    return Table(head=(f"Figure ({text.small_symbol})", "Before", "After", "Change"), rows=tuple(rows))


def _change(one: FigureChange) -> float:
    return (one.after or 0.0) - (one.before or 0.0)


def _visible(change_m: float, text: LengthText) -> str:
    """A change with as many digits as it takes to show it: however small, it is never printed as none."""
    return text.small_change(change_m)


def _change_table(changes: Sequence[Change], name: str, short: int | None = None) -> Table:
    return Table(
        head=(name, "Before", "After"),
        rows=tuple((c.name, _there(c.before, short), _there(c.after, short)) for c in changes),
    )


def _there(value: str | None, short: int | None) -> str:
    return "not there" if value is None else value[:short]


def _point_table(changes: Sequence[CheckpointChange], text: LengthText) -> Table:
    said = {True: "counts", False: "does not count", None: "not there"}
    return Table(
        head=(
            "Checkpoint",
            "Before",
            "After",
            f"Height ({text.small_symbol})",
            f"Horizontal ({text.small_symbol})",
        ),
        rows=tuple(
            (
                f"{c.id}, {c.run}",
                said[c.used_before],
                said[c.used_after] + (f": {_why(c.why, text)}" if c.why and c.used_after is False else ""),
                DASH if not c.height_change_m else _visible(c.height_change_m, text),
                DASH if not c.horizontal_change_m else _visible(c.horizontal_change_m, text),
            )
            for c in changes[:MOST_CHECKPOINTS]
        ),
    )


def _why(why: str, text: LengthText) -> str:
    """The program's own reason in the unit that is printed; the user's words stay as they were written."""
    return why if why.startswith("set aside by the user") else in_unit(why, text.unit)


def _more(changes: Sequence[CheckpointChange]) -> str:
    left = len(changes) - MOST_CHECKPOINTS
    return f"And {left} more." if left > 0 else ""


def difference_text(difference: ResultDifference) -> str:
    """The difference for a terminal: a sentence, then a table for each part that differs."""
    lines = [f"{difference.title_before} -> {difference.title_after}", _headline(difference)]
    for section in _sections(difference):
        rows = [section.table.head, *section.table.rows]
        widths = [max(len(row[k]) for row in rows) for k in range(len(section.table.head))]
        lines += ["", section.title]
        lines += [
            "  " + "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows
        ]
        lines += [f"  {section.note}"] if section.note else []
    return "\n".join(clean(line) for line in lines) + "\n"


def difference_html(difference: ResultDifference) -> str:
    """The difference as one HTML page without outside references, in the report's style."""
    return render.fill(
        "difference.html.j2",
        title_before=difference.title_before,
        title_after=difference.title_after,
        headline=_headline(difference),
        sections=_sections(difference),
    )
