"""Runs held against each other by what they have in common: speed, direction, how the rig was carried.

After comparison. For each attribute of the runs and each two of its values, all runs of one value
stand against all of the other. Only runs that have a like one in every other attribute on the other
side are taken, and each likeness counts alike, so that speed is compared at the same directions. Where
there are none, those are taken that share with the other side what can be shared, and the sentence says
in what else the two differ. The runs are taken as they are: the intervals are about other checkpoints,
not about other drives at the same speed.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from accuracy.model import SPEED, Component, FloatArray, RunComparison, RunRecord
from accuracy.rounding import LengthText, speed
from accuracy.statistics.comparison import LENGTHS, compare_groups, holm_corrected, one_a_place, run_residuals
from accuracy.statistics.comparison_words import sentence

CLOUD = "cloud"
"""Stands among the attributes for the kind of cloud."""


def compare_by_attributes(
    runs: Sequence[RunRecord],
    component: Component,
    *,
    margin_m: float | None = None,
    text: LengthText = LENGTHS,
) -> tuple[RunComparison, ...]:
    """Every two values of every attribute, pooled over the runs, at checkpoints that all of these measured.

    Holm-corrected over all of them. Left out: two values that one run each stands for, which is a
    pair of runs, and two whose runs share no checkpoint.
    """
    residuals = {run.label: run_residuals(run, component) for run in runs}
    # A run without any such residual would leave its group no checkpoint.
    described = [_Described(run, _attributes(run)) for run in runs if residuals[run.label]]
    found: list[RunComparison] = []
    for attribute in dict.fromkeys(name for one in described for name in one.attributes):
        values = dict.fromkeys(one.attributes[attribute] for one in described if attribute in one.attributes)
        for pair in combinations(sorted(values, key=_in_order), 2):
            sides = [[one for one in described if one.attributes.get(attribute) == value] for value in pair]
            groups, also = _matched(attribute, *sides)
            if max(len(group) for group in groups) < 2:
                continue
            ids = _measured_by_all([one.run for group in groups for one in group], residuals)
            if not ids:
                continue
            a_m, b_m = (
                np.array([[residuals[one.run.label][name] for one in group] for name in ids])
                for group in groups
            )
            one = compare_groups(
                a_m,
                b_m,
                shares=(_shares(groups[0], attribute), _shares(groups[1], attribute)),
                ids=ids,
                component=component,
                margin_m=margin_m,
                text=text,
            )
            one = replace(
                one,
                run_a=_called(attribute, pair[0], text),
                run_b=_called(attribute, pair[1], text),
                attribute=attribute,
                members_a=tuple(each.run.label for each in groups[0]),
                members_b=tuple(each.run.label for each in groups[1]),
                also_apart_in=also,
                limited_by=_limiting(groups, residuals, len(ids)),
            )
            found.append(replace(one, words=sentence(one, text)))
    return holm_corrected(found, text)


@dataclass(frozen=True, slots=True)
class _Described:
    run: RunRecord
    attributes: Mapping[str, str]


def _measured_by_all(runs: Sequence[RunRecord], residuals: Mapping[str, Mapping[str, object]]) -> list[str]:
    """The checkpoints that all of the runs measured, one of each place."""
    first = runs[0]
    ids = [name for name in residuals[first.label] if all(name in residuals[one.label] for one in runs)]
    return one_a_place(first, ids)


def _limiting(
    groups: Sequence[Sequence[_Described]], residuals: Mapping[str, Mapping[str, object]], n: int
) -> str | None:
    """The run that leaves the groups the fewest of their checkpoints, where it costs them half or more.

    A run that stands for its group alone cannot be left out of it.
    """
    runs = [one.run for group in groups for one in group]
    without = {
        one.run.label: len(_measured_by_all([run for run in runs if run is not one.run], residuals))
        for group in groups
        if len(group) > 1
        for one in group
    }
    most = min(without, key=lambda label: (-without[label], label))
    return most if without[most] >= 2 * n else None


def _attributes(run: RunRecord) -> dict[str, str]:
    return {**run.attributes, **({} if run.cloud is None else {CLOUD: run.cloud})}


def _others(one: _Described, attribute: str) -> frozenset[tuple[str, str]]:
    return frozenset((name, value) for name, value in one.attributes.items() if name != attribute)


def _matched(
    attribute: str, a: Sequence[_Described], b: Sequence[_Described]
) -> tuple[tuple[Sequence[_Described], Sequence[_Described]], tuple[str, ...]]:
    """The runs of both sides that have a like one on the other, and in what else they still differ."""
    on_a, on_b = ({_others(one, attribute) for one in side} for side in (a, b))
    if on_a & on_b:
        like_a, like_b = ([one for one in side if _others(one, attribute) in on_a & on_b] for side in (a, b))
        return (like_a, like_b), ()
    names = dict.fromkeys(name for one in (*a, *b) for name in one.attributes if name != attribute)
    # As like as they can be: cloud by cloud first, then direction and whatever else both sides share.
    for name in sorted(names, key=lambda name: name != CLOUD):
        shared = {one.attributes.get(name) for one in a} & {one.attributes.get(name) for one in b}
        if shared:
            a = [one for one in a if one.attributes.get(name) in shared]
            b = [one for one in b if one.attributes.get(name) in shared]
    also = tuple(
        plain(name)
        for name in names
        if {one.attributes.get(name) for one in a} != {one.attributes.get(name) for one in b}
    )
    return (a, b), also


def _shares(side: Sequence[_Described], attribute: str) -> FloatArray:
    """(runs,) what each run counts, so that every likeness counts alike, however many runs it has.

    Three eastbound runs and a westbound one at 6 km/h against one and three at 12 km/h would else
    compare directions under the name of speed.
    """
    alike = [_others(one, attribute) for one in side]
    kinds = Counter(alike)
    return np.array([1 / (len(kinds) * kinds[one]) for one in alike])


def plain(attribute: str) -> str:
    """An attribute of the runs as a sentence calls it."""
    return "speed" if attribute == SPEED else attribute


def _called(attribute: str, value: str, text: LengthText) -> str:
    number = _in_order(value)[0]
    driven = attribute == SPEED and math.isfinite(number)
    return f"{plain(attribute)} {speed(number, text.unit) if driven else value}"


def _in_order(value: str) -> tuple[float, str]:
    """Numbers by size, before words by the alphabet."""
    try:
        return float(value), value
    except ValueError:
        return float("inf"), value
