"""Two results held against each other: what differs in inputs, settings, checkpoints, figures and answers.

Two records in, nouns out; difference_words says them.
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
    RunComparison,
    RunRecord,
    SpeedDecision,
    Verdict,
    VerticalResidual,
    label_of,
)
from accuracy.reporting import words
from accuracy.reporting.lengths import in_unit
from accuracy.reporting.view_statement import file_name
from accuracy.rounding import LengthText
from accuracy.statistics.comparison_words import Finding, finding
from accuracy.units import LengthUnit

STRATA = {
    "vertical": "Height, open ground",
    "vegetated": "Height, vegetated",
    "horizontal": "Horizontal",
    "three_d": "Three-dimensional",
}
STATISTICS = {"n": "n", "mean_m": "mean", "rmse_m": "RMSE", "rmse_with_survey_m": "RMSE with survey"}


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
class DecisionChange:
    """The decision on the speed for one component and kind of cloud; None where a result has none."""

    component: Component
    cloud: str | None
    before: SpeedDecision | None
    after: SpeedDecision | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonChange:
    """What two runs, clouds or groups of runs held against each other come to, in both results."""

    first: str
    second: str
    component: Component
    stratum: str | None
    before: Finding | None
    """Of the first against the second, whichever way round a result has them; None where it has not."""
    after: Finding | None


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
    decisions: tuple[DecisionChange, ...]
    comparisons: tuple[ComparisonChange, ...]
    figures_compared: int
    verdicts_compared: int
    decisions_compared: int
    comparisons_compared: int

    @property
    def nothing(self) -> bool:
        """Whether the two say the same in every respect that is compared."""
        told = (self.inputs, self.settings, self.checkpoints, self.figures, self.verdicts)
        return not any((*told, self.decisions, self.comparisons))


# --------------------------------------------------------------------------- comparing


def compare_results(a: Result, b: Result) -> ResultDifference:
    """What is different in ``b``, told in the unit of ``a``.

    Runs are paired by name; where each has one run, those are paired.
    """
    pairs = list(_paired_runs(a, b))
    figures = [change for name, x, y in pairs for change in _figures(name, x, y)]
    verdicts = [change for name, x, y in pairs for change in _verdicts(name, x, y)]
    decisions, comparisons = list(_decisions(a, b)), list(_comparisons(a, b))
    same_unit = a.unit is b.unit
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
        decisions=tuple(
            one for one in decisions if _decided(one.before, same_unit) != _decided(one.after, same_unit)
        ),
        comparisons=tuple(one for one in comparisons if one.before != one.after),
        figures_compared=len(figures),
        verdicts_compared=len(verdicts),
        decisions_compared=len(decisions),
        comparisons_compared=len(comparisons),
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
        "baseline run": result.baseline_run or "none",
        "runs compared within each": result.compare_by or "none",
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
    for stratum in STRATA:
        parts = [None if r is None else getattr(r.summary, stratum) for r in (a, b)]
        for statistic in STATISTICS:
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


def _decisions(a: Result, b: Result) -> Iterator[DecisionChange]:
    before, after = ({(d.component, d.cloud): d for d in result.decisions} for result in (a, b))
    for key in dict.fromkeys([*before, *after]):
        yield DecisionChange(component=key[0], cloud=key[1], before=before.get(key), after=after.get(key))


def _decided(one: SpeedDecision | None, same_unit: bool) -> tuple[str | None, ...]:
    """What makes two decisions the same; in another unit the same sentence reads otherwise."""
    if one is None:
        return ()
    said = one.sentence if same_unit else None
    return (one.answer, one.fastest_met, one.fastest_assured, said)


def _comparisons(a: Result, b: Result) -> Iterator[ComparisonChange]:
    before, after = _compared(a), _compared(b)
    for key in dict.fromkeys([*before, *after]):
        x, y = before.get(key), after.get(key)
        either = x or y
        if either is None:
            continue
        now = None if y is None else finding(y.one)
        if now is not None and x is not None and y is not None and x.sides != y.sides:
            # A run that became the baseline stands second from then on.
            now = _TURNED.get(now, now)
        yield ComparisonChange(
            first=either.one.run_a,
            second=either.one.run_b,
            component=either.one.component,
            stratum=either.one.stratum,
            before=None if x is None else finding(x.one),
            after=now,
        )


_TURNED: Mapping[Finding, Finding] = {"first better": "second better", "second better": "first better"}


@dataclass(frozen=True, slots=True)
class _Compared:
    one: RunComparison
    sides: tuple[str, str]


def _compared(result: Result) -> dict[object, _Compared]:
    """The comparisons by what they are of, whichever side stands first and whatever unit names a speed."""
    records = {run.label: run for run in result.runs}

    def side(label: str, members: Sequence[str], attribute: str | None) -> str:
        run = records.get(members[0]) if members else None
        if attribute is None or run is None:
            return label
        return run.attributes.get(attribute) or run.cloud or label

    found: dict[object, _Compared] = {}
    for one in result.comparisons:
        sides = (
            side(one.run_a, one.members_a, one.attribute),
            side(one.run_b, one.members_b, one.attribute),
        )
        found[one.component, one.stratum, one.attribute, frozenset(sides)] = _Compared(one, sides)
    return found


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
