"""Runs held against each other, pair by pair and group by group: the tables, each under its heading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from accuracy.model import Component, Cover, Result, RunComparison, RunRecord
from accuracy.reporting import words
from accuracy.reporting.view_nouns import PairsView, Table
from accuracy.rounding import LengthText, fixed, in_a_row
from accuracy.statistics.comparison_groups import plain
from accuracy.statistics.comparison_words import difference_text, finding, interval_text

DASH = "\N{EN DASH}"
MINUS = "\N{MINUS SIGN}"
_NOTE = (
    "Each row rests on the n checkpoints that all of its runs measured, points listed twice taken once. "
    "Differences are the first minus the second: "
    "negative where the first is the more accurate. The p-values are corrected for all that stands in the "
    "same table (Holm), the parts of the checkpoints together. Swap: residuals of the two exchanged at "
    "random; size: Wilcoxon signed ranks of the absolute residuals; spread: Pitman and Morgan. Alike: two "
    "one-sided tests that the RMSEs differ by less than {margin}. One is called the more accurate where swap "
    "test and interval both say so; where only one of them does, the row says which."
)
_GROUPS_NOTE = (
    "All runs of one value stand against all of the other, of those that have a like one on the other side "
    "in every other attribute, each likeness counting alike; where there is none, of those that share what "
    "can be shared. What is found holds for these drives at other checkpoints; "
    "another drive at the same speed may differ from them."
)
_UNEVEN_NOTE = (
    "Sizes are not ranked where the two have unequal numbers of runs, and the swap test is then not exact: "
    "in simulation it told six runs from an equally accurate seventh in up to 10 % of cases, and one of the "
    "two was called the more accurate in up to 7 %."
)
FINDINGS = {
    "nothing shared": "nothing shared",
    "too few": "too few to say",
    "first better": "first more accurate",
    "second better": "second more accurate",
    "differ within margin": "differ, but within the margin",
    "alike": "alike",
    "test alone": "not decided (swap test alone)",
    "interval alone": "not decided (interval alone)",
    "not decided": "not decided",
}
_NEAR = (Component.VERTICAL, Component.HORIZONTAL)
_SILENT = ("nothing shared", "too few")


@dataclass(frozen=True, slots=True, kw_only=True)
class PairTables:
    """Every table of comparisons, by where it stands."""

    chapter: tuple[PairsView, ...]
    """What differs in one thing, heights and positions."""
    annex: tuple[PairsView, ...]
    """Parts of the checkpoints, 3D, and pairs that differ in run and cloud."""
    annex_note: str
    """Which tables of the annex would say nothing in any row."""


def pairs(result: Result) -> PairTables:
    """The tables, the questions that are asked first before the others."""
    text = LengthText(result.unit)
    records = {record.label: record for record in result.runs}
    baseline = {label for label, record in records.items() if record.name == result.baseline_run}
    tables: dict[tuple[bool, int, str], list[RunComparison]] = {}
    for one in result.comparisons:
        rank, name = _kind(one, against_baseline=one.run_b in baseline)
        far = one.stratum is not None or one.component not in _NEAR or one.across == "runs and clouds"
        cloud = None if one.across != "runs" or one.attribute else records[one.run_a].cloud
        parts = [words.COMPONENT[one.component].lower(), *(part for part in (cloud, one.stratum) if part)]
        tables.setdefault((far, rank, f"{name}: {', '.join(parts)}"), []).append(one)
    views: dict[bool, list[PairsView]] = {False: [], True: []}
    silent, said = [], ""
    for (far, _, heading), found in sorted(tables.items(), key=lambda item: item[0][:2]):
        if far and all(finding(one) in _SILENT for one in found):
            silent.append(heading)
            continue
        note = _own_note(found)
        views[far].append(
            PairsView(heading=heading, note="" if note == said else note, table=_table(found, records, text))
        )
        said = note
    return PairTables(
        chapter=tuple(views[False]),
        annex=tuple(views[True]),
        annex_note=f"Too few checkpoints are shared to say how sure a difference is, and no table stands "
        f"here, for {'; '.join(silent)}."
        if silent
        else "",
    )


def _kind(one: RunComparison, *, against_baseline: bool) -> tuple[int, str]:
    """Where a comparison stands, and under which heading: the questions asked first come first."""
    if one.attribute is not None:
        return 0, "Runs by what they have in common"
    if one.across == "clouds":
        return 1, "Clouds of the same run"
    if one.across == "runs and clouds":
        return 4, "Other runs with other clouds"
    if against_baseline:
        return 2, "Runs against the baseline"
    return 3, "Pairs of runs"


def _own_note(found: Sequence[RunComparison]) -> str:
    """What a table of groups must say of who is in them."""
    if found[0].attribute is None:
        return ""
    apart = [
        f"{one.run_a} and {one.run_b} also differ in {in_a_row(one.also_apart_in)}"
        for one in found
        if one.also_apart_in
    ]
    uneven = any(len(one.members_a) != len(one.members_b) for one in found)
    limited: dict[str, list[str]] = {}
    for one in found:
        if one.limited_by is not None:
            limited.setdefault(one.limited_by, []).append(f"{one.run_a} and {one.run_b}")
    said = [_GROUPS_NOTE, *([_UNEVEN_NOTE] if uneven else [])]
    said += [f"{'; '.join(apart)}: the difference may come from that."] if apart else []
    said += [
        f"{label} measured least: without it at least twice as many checkpoints would be shared by "
        f"{'; '.join(between)}."
        for label, between in limited.items()
    ]
    return " ".join(said)


def note(result: Result) -> str:
    """How to read the tables, once for all of them."""
    text = LengthText(result.unit)
    margin = next((one.margin_m for one in result.comparisons if one.margin_m is not None), None)
    said = _NOTE.format(
        margin="the margin, where one was given"
        if margin is None
        else f"{text.class_value(margin)} {text.small_symbol}"
    )
    used = [c for record in result.runs for c in record.checkpoints if c.used and c.vertical.measured]
    if any(c.cover is Cover.VEGETATED for c in used):
        said += (
            " Vertical pairs count every height that both measured, those in vegetation included; the table "
            "of all runs, like the class, counts open ground only."
        )
    return said


def _table(found: Sequence[RunComparison], records: Mapping[str, RunRecord], text: LengthText) -> Table:
    groups = any(one.attribute is not None for one in found)
    rows = [
        (
            _pair(one, records),
            *([f"{len(one.members_a)}, {len(one.members_b)}"] if groups else []),
            str(one.n),
            text.small(one.rmse_a_m),
            text.small(one.rmse_b_m),
            difference_text(one, text),
            interval_text(one, text),
            _holm(one, "swap"),
            _holm(one, "wilcoxon_size"),
            *([] if groups else [_holm(one, "pitman_morgan")]),
            _p(one.equivalence_p),
            FINDINGS[finding(one)],
        )
        for one in found
    ]
    unit = text.small_symbol
    head = (
        "Groups" if groups else "Runs",
        *(["Pooled"] if groups else []),
        "n",
        f"RMSE first ({unit})",
        f"RMSE second ({unit})",
        f"Difference ({unit})",
        "95 % interval",
        "p swap",
        "p size",
        *([] if groups else ["p spread"]),
        "p alike",
        "Finding",
    )
    return Table(head=head, rows=tuple(rows))


def _pair(one: RunComparison, records: Mapping[str, RunRecord]) -> str:
    """Both names; what they share is said once."""
    if one.attribute is not None:
        name = f"{plain(one.attribute)} "
        return f"{name.strip()}: {one.run_a.removeprefix(name)} {MINUS} {one.run_b.removeprefix(name)}"
    a, b = records.get(one.run_a), records.get(one.run_b)
    if a is not None and b is not None and a.cloud is not None:
        if one.across == "clouds":
            return f"{a.name}: {a.cloud} {MINUS} {b.cloud}"
        if one.across == "runs":
            return f"{a.name} {MINUS} {b.name}"
    return f"{one.run_a} {MINUS} {one.run_b}"


def _p(value: float | None) -> str:
    if value is None:
        return DASH
    return "< 0.001" if value < 0.001 else fixed(value, 3)


def _holm(one: RunComparison, name: str) -> str:
    test = next((t for t in one.tests if t.name == name), None)
    if test is None:
        return DASH
    return _p(test.p_value if test.p_holm is None else test.p_holm)
