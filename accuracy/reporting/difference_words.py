"""What differs between two results, in words: for a terminal, and as one small HTML page.

After difference, which finds it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from textwrap import wrap

from accuracy.model import Outcome, SpeedDecision
from accuracy.reporting import render, words
from accuracy.reporting.difference import (
    STATISTICS,
    STRATA,
    Change,
    CheckpointChange,
    ComparisonChange,
    DecisionChange,
    FigureChange,
    ResultDifference,
    VerdictChange,
)
from accuracy.reporting.lengths import in_unit
from accuracy.reporting.svg import clean
from accuracy.reporting.view_nouns import Table
from accuracy.reporting.view_pairs import FINDINGS
from accuracy.rounding import LengthText, counted, fixed, in_a_row
from accuracy.statistics.comparison_words import Finding

DASH = "\N{EN DASH}"
MOST_NAMED = 5
"""Of one kind of change, in the summary."""
MOST_ROWS = 40
"""Of one table, in a terminal."""
WIDEST_CELL = 72
NO_DECISION = "no decision"
NONE = "none"
_ANSWERS = {"fastest": "decided", "none": "no run meets it", "undecided": "not decided"}
_TOLD: Mapping[str, Callable[[SpeedDecision], str]] = {
    "answer": lambda one: _ANSWERS[one.answer],
    "fastest run within the class": lambda one: one.fastest_met or NONE,
    "fastest run sure to be": lambda one: one.fastest_assured or NONE,
    "in words": lambda one: one.sentence,
}
"""The parts of a decision."""


@dataclass(frozen=True, slots=True)
class _Section:
    title: str
    table: Table


def _summary(d: ResultDifference) -> list[str]:
    """What differs, counted, in sentences; of names only the first few, as the tables hold all of them."""
    if d.nothing:
        agreed = [f"all {d.figures_compared} figures", f"all {d.verdicts_compared} verdicts"]
        agreed += [f"all {d.decisions_compared} speed decisions"] if d.decisions_compared else []
        agreed += [f"all {d.comparisons_compared} comparisons of runs"] if d.comparisons_compared else []
        return [f"The two results agree in {in_a_row(['inputs', 'settings', 'checkpoints', *agreed])}."]
    clouds = len({c.run for c in d.checkpoints})
    said = [
        f"{counted(len(d.inputs), 'input')}, {counted(len(d.settings), 'setting')} "
        f"and {counted(len({c.id for c in d.checkpoints}), 'checkpoint')}"
        f"{f' (in {clouds} clouds)' if clouds > 1 else ''} differ; "
        f"{len(d.figures)} of {d.figures_compared} figures do."
    ]
    turned = [
        f"{_verdict_name(v)}: {_outcome(v.before)}, now {_outcome(v.after)}"
        for v in d.verdicts
        if v.before != v.after
    ]
    said += [
        f"Verdicts with another outcome: {_some(turned)}" if turned else "No verdict has another outcome."
    ]
    decided = [
        f"{_decision_name(c)}: {_answer(c.before)}, now {_answer(c.after)}"
        for c in d.decisions
        if _answer(c.before) != _answer(c.after)
    ]
    said += [f"Speed decisions that differ: {_some(decided)}"] if decided else []
    compared = [
        f"{_comparison_name(c)}: {_found(c.before, c)}, now {_found(c.after, c)}" for c in d.comparisons
    ]
    said += [f"Comparisons of runs with another finding: {_some(compared)}"] if compared else []
    return said


def _some(names: Sequence[str]) -> str:
    """The first of a list as the end of a sentence, and how many more there are."""
    more = len(names) - MOST_NAMED
    return "; ".join(names[:MOST_NAMED]) + (f"; and {more} more." if more > 0 else ".")


def _verdict_name(v: VerdictChange) -> str:
    of = v.standard if v.name is None else v.name
    return f"{v.run}, {words.COMPONENT[v.component].lower()} ({of})"


def _outcome(outcome: Outcome | None) -> str:
    return "none" if outcome is None else words.OUTCOME[outcome].lower()


def _decision_name(c: DecisionChange) -> str:
    return f"{words.COMPONENT[c.component].lower()}{f', {c.cloud}' if c.cloud is not None else ''}"


def _answer(one: SpeedDecision | None) -> str:
    """What was decided, without the figures."""
    if one is None:
        return NO_DECISION
    if one.answer == "none":
        return _ANSWERS[one.answer]
    sure = f"surely: {one.fastest_assured or NONE}"
    if one.answer == "fastest":
        return f"{one.fastest_met} ({sure})"
    return f"{_ANSWERS[one.answer]} (within the class: {one.fastest_met or NONE}; {sure})"


def _comparison_name(c: ComparisonChange) -> str:
    of = ", ".join(part for part in (words.COMPONENT[c.component].lower(), c.stratum) if part)
    return f"{c.first} and {c.second} ({of})"


def _found(found: Finding | None, c: ComparisonChange) -> str:
    if found is None:
        return "not compared"
    better = {"first better": c.first, "second better": c.second}.get(found)
    return FINDINGS[found] if better is None else f"{better} more accurate"


def _sections(d: ResultDifference) -> list[_Section]:
    text = LengthText(d.unit)
    found = [
        _Section("Verdicts", _verdict_table(d, text)),
        _Section("Speed decisions", _decision_table(d.decisions)),
        _Section("Comparisons of runs", _comparison_table(d.comparisons)),
        _Section("Figures", _figure_table(d, text)),
        _Section("Settings", _change_table(d.settings, "Setting")),
        _Section("Inputs", _change_table(d.inputs, "File", short=16)),
        _Section("Checkpoints", _point_table(d.checkpoints, text)),
    ]
    return [one for one in found if one.table.rows]


def _verdict_table(d: ResultDifference, text: LengthText) -> Table:
    rows = []
    for v in sorted(d.verdicts, key=lambda v: v.before == v.after):
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


def _decision_table(changes: Sequence[DecisionChange]) -> Table:
    """A row for each part of a decision that is another."""
    rows = []
    for c in changes:
        for name, told in _TOLD.items():
            before, after = (NO_DECISION if one is None else told(one) for one in (c.before, c.after))
            if before != after:
                rows.append((f"{_decision_name(c)}: {name}", before, after))
    return Table(head=("Decision", "Before", "After"), rows=tuple(rows))


def _comparison_table(changes: Sequence[ComparisonChange]) -> Table:
    return Table(
        head=("Comparison", "Before", "After"),
        rows=tuple((_comparison_name(c), _found(c.before, c), _found(c.after, c)) for c in changes),
    )


def _figure_table(d: ResultDifference, text: LengthText) -> Table:
    rows = []
    for one in d.figures:
        name = f"{one.run}, {STRATA[one.stratum].lower()}, {STATISTICS[one.statistic]}"
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
            for c in changes
        ),
    )


def _why(why: str, text: LengthText) -> str:
    """The program's own reason in the unit that is printed; the user's words stay as they were written."""
    return why if why.startswith("set aside by the user") else in_unit(why, text.unit)


def difference_text(difference: ResultDifference) -> str:
    """The difference for a terminal: a few sentences, then a table for each part that differs.

    Long tables are cut, and long cells go on below; the page holds everything.
    """
    lines = [f"{difference.title_before} -> {difference.title_after}", *_summary(difference)]
    for section in _sections(difference):
        shown = section.table.rows[:MOST_ROWS]
        more = len(section.table.rows) - len(shown)
        rows = [line for row in (section.table.head, *shown) for line in _wrapped(row)]
        widths = [max(len(row[k]) for row in rows) for k in range(len(section.table.head))]
        lines += ["", section.title]
        lines += [
            "  " + "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows
        ]
        lines += [f"  And {more} more; the page that --out writes has all."] if more > 0 else []
    return "\n".join(clean(line) for line in lines) + "\n"


def _wrapped(row: tuple[str, ...]) -> list[tuple[str, ...]]:
    """A row of a table as the lines of it, none of whose cells is wider than a terminal can show."""
    return list(zip_longest(*(wrap(cell, WIDEST_CELL) or [""] for cell in row), fillvalue=""))


def difference_html(difference: ResultDifference) -> str:
    """The difference as one HTML page without outside references, in the report's style."""
    return render.fill(
        "difference.html.j2",
        title_before=difference.title_before,
        title_after=difference.title_after,
        summary=_summary(difference),
        sections=_sections(difference),
    )
