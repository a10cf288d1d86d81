"""Runs pooled by what they have in common: who stands against whom, and the figures of a group."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import DescrStatsW

import report_cases
from accuracy.model import (
    CheckpointResult,
    Component,
    FloatArray,
    PairedTest,
    RunComparison,
    RunRecord,
)
from accuracy.reporting.view_pairs import pairs
from accuracy.statistics.comparison import compare_all_runs, compare_groups, compare_runs
from accuracy.statistics.comparison_groups import compare_by_attributes
from measured_cases import checkpoint_result, horizontal_residual, run_record, vertical_residual

SPEED = "speed_km_per_h"


def checkpoint(name: str, height_m: float | None, plan_m: Sequence[float] | None) -> CheckpointResult:
    """A used checkpoint with those residuals; everything else is invented and beside the point."""
    number = int("".join(filter(str.isdigit, name)) or 0)
    return checkpoint_result(
        name,
        vertical_residual(height_m),
        horizontal_residual(plan_m),
        at_m=(10.0 * number, 0.0, 0.0),  # each at a place of its own
        sigma_m=(None,) * 3,
    )


def run(
    name: str,
    attributes: Mapping[str, str],
    heights_m: Sequence[float | None],
    *,
    cloud: str | None = None,
    plan_m: Sequence[Sequence[float]] | None = None,
) -> RunRecord:
    """A run with those attributes and height residuals at c0, c1 and so on, in plan too where given."""
    checkpoints = (
        checkpoint(f"c{i}", height_m, None if plan_m is None else plan_m[i])
        for i, height_m in enumerate(heights_m)
    )
    return run_record(name, checkpoints, cloud=cloud, attributes=attributes)


def heights(seed: int, n: int = 12, scale_m: float = 0.01) -> list[float]:
    """Invented height residuals."""
    return list(np.random.default_rng(seed).normal(0, scale_m, n))


def drives(*described: Mapping[str, str]) -> list[RunRecord]:
    """Runs r0, r1 and so on of 12 checkpoints with those attributes."""
    return [run(f"r{i}", each, heights(i)) for i, each in enumerate(described)]


def named(one: RunComparison, name: str) -> PairedTest:
    """The test of that name."""
    return next(test for test in one.tests if test.name == name)


def groups(n: int, runs_a: int, runs_b: int, axes: int = 1) -> tuple[FloatArray, FloatArray]:
    """Two groups of runs that share a survey's error at each checkpoint."""
    generator = np.random.default_rng(10 * runs_a + runs_b)
    both = generator.normal(0, 0.005, (n, 1, axes)) + generator.normal(0, 0.01, (n, runs_a + runs_b, axes))
    return both[:, :runs_a], 1.5 * both[:, runs_a:]


# --------------------------------------------------------------------------- who stands against whom


EAST, WEST = {"direction": "east"}, {"direction": "west"}
SLOW, BRISK, FAST = {SPEED: "6"}, {SPEED: "12"}, {SPEED: "24"}

MEMBERS: dict[str, tuple[list[dict[str, str]], list[tuple[object, ...]]]] = {
    "every run has a like one in the other direction and at the other speed": (
        [SLOW | EAST, SLOW | WEST, FAST | EAST, FAST | WEST],
        [
            ("speed 6 km/h", "speed 24 km/h", ("r0", "r1"), ("r2", "r3"), ()),
            ("direction east", "direction west", ("r0", "r2"), ("r1", "r3"), ()),
        ],
    ),
    "a westward run without a like one is left out of the speeds": (
        [SLOW | EAST, SLOW | EAST, SLOW | WEST, FAST | EAST],
        [
            ("speed 6 km/h", "speed 24 km/h", ("r0", "r1"), ("r3",), ()),
            ("direction east", "direction west", ("r0", "r1"), ("r2",), ()),
        ],
    ),
    "no like runs: all are taken, and what else differs is named": (
        [SLOW | EAST | {"rig": "car"}, SLOW | EAST | {"rig": "car"}, FAST | WEST | {"rig": "car"}],
        [
            ("speed 6 km/h", "speed 24 km/h", ("r0", "r1"), ("r2",), ("direction",)),
            ("direction east", "direction west", ("r0", "r1"), ("r2",), ("speed",)),
        ],
    ),
    "an attribute that one side lacks is a difference too": (
        [SLOW, SLOW, FAST | {"rig": "car"}],
        [("speed 6 km/h", "speed 24 km/h", ("r0", "r1"), ("r2",), ("rig",))],
    ),
    "one run of each value is a pair of runs, and no group": ([SLOW | EAST, FAST | EAST], []),
    "one value alone has nothing to stand against": ([SLOW, SLOW, SLOW], []),
    "a run that has no such attribute is in no group": (
        [SLOW, SLOW, FAST, {}],
        [("speed 6 km/h", "speed 24 km/h", ("r0", "r1"), ("r2",), ())],
    ),
    "numbers by size, not by their first digit; words by the alphabet after them": (
        [{SPEED: value} for value in ("12", "unknown", "6", "12", "6", "unknown")],
        [
            ("speed 6 km/h", "speed 12 km/h", ("r2", "r4"), ("r0", "r3"), ()),
            ("speed 6 km/h", "speed unknown", ("r2", "r4"), ("r1", "r5"), ()),
            ("speed 12 km/h", "speed unknown", ("r0", "r3"), ("r1", "r5"), ()),
        ],
    ),
}


@pytest.mark.parametrize("case", MEMBERS)
def test_who_stands_against_whom(case: str) -> None:
    """Groups, their order and members, and what else sets them apart, for each kind of job."""
    described, expected = MEMBERS[case]
    found = compare_by_attributes(drives(*described), Component.VERTICAL)
    assert [
        (one.run_a, one.run_b, one.members_a, one.members_b, one.also_apart_in) for one in found
    ] == expected


def test_what_else_differs_is_said() -> None:
    """The sentence of unlike groups warns that the difference may be that of another attribute."""
    found = compare_by_attributes(drives(SLOW | EAST, SLOW | EAST, FAST | WEST), Component.VERTICAL)
    assert found[0].words.endswith(" The two also differ in direction.")
    assert "speed 6 km/h (2 pooled) has RMSE" in found[0].words
    assert "(1 run" not in found[0].words


def test_clouds_are_an_attribute() -> None:
    """The clouds of all runs stand against each other by kind, each run beside itself."""
    runs = [
        run(name, attributes, heights(i), cloud=cloud)
        for i, (name, attributes, cloud) in enumerate(
            (name, attributes, cloud)
            for name, attributes in (("slow", SLOW), ("fast", FAST))
            for cloud in ("lidar", "photo")
        )
    ]
    found = {one.attribute: one for one in compare_by_attributes(runs, Component.VERTICAL)}
    labels = [one.label for one in runs]
    assert found["cloud"].members_a == (labels[0], labels[2])
    assert found["cloud"].members_b == (labels[1], labels[3])
    assert found[SPEED].members_a == (labels[0], labels[1])


@pytest.mark.parametrize("which", [0, 1, 2], ids=["first", "second", "of the other group"])
def test_a_checkpoint_that_one_run_missed_is_left_out_of_all(which: int) -> None:
    """Groups stand on the same checkpoints: those that every one of their runs measured."""
    measured: list[list[float | None]] = [[*heights(i)] for i in range(3)]
    measured[which][4] = None
    runs = [run(f"r{i}", speed, measured[i]) for i, speed in enumerate((SLOW, SLOW, FAST))]
    (found,) = compare_by_attributes(runs, Component.VERTICAL)
    assert found.ids == tuple(f"c{i}" for i in range(12) if i != 4)
    assert found.n == 11


@pytest.mark.parametrize(
    ("measured", "limited_by"),
    [
        ((12, 6, 12), "r1"),
        ((12, 7, 12), None),  # without it 12, not twice 7
        ((2, 12, 12), "r0"),
        ((3, 4, 12), None),  # without r0 four
        ((12, 12, 2), None),  # alone in its group
    ],
)
def test_the_run_that_costs_a_comparison_its_checkpoints_is_named(
    measured: tuple[int, ...], limited_by: str | None
) -> None:
    """A poor run is named where leaving it out would at least double n, in the sentence too."""
    runs = [
        run(f"r{i}", speed, [*heights(i)[:count], *[None] * (12 - count)])
        for i, (speed, count) in enumerate(zip((SLOW, SLOW, FAST), measured, strict=True))
    ]
    for ordered in (runs, runs[::-1]):
        (found,) = compare_by_attributes(ordered, Component.VERTICAL)
        assert found.n == min(measured)
        assert found.limited_by == limited_by
        assert found.words.count(" measured least") == (limited_by is not None)
        assert limited_by is None or f"{limited_by} measured least: without it" in found.words


def test_the_table_of_groups_says_which_run_costs_them_checkpoints() -> None:
    """One sentence over the table, however many groups that run is in."""
    runs = [
        run(name, speed | way, [*heights(i)[:count], *[None] * (12 - count)])
        for i, (name, speed, way, count) in enumerate(
            (("a", SLOW, EAST, 12), ("b", SLOW, WEST, 12), ("c", FAST, EAST, 2), ("d", FAST, WEST, 12))
        )
    ]
    found = compare_by_attributes(runs, Component.VERTICAL)
    assert [one.limited_by for one in found] == ["c", "c"]
    result = replace(report_cases.make(), run=runs[0], runs=tuple(runs), comparisons=found)
    (table,) = pairs(result).chapter
    assert table.note.count("c measured least: without it at least twice as many") == 1
    assert "shared by speed 6 km/h and speed 24 km/h; direction east and direction west." in table.note


def test_no_shared_checkpoint_no_comparison() -> None:
    """Where no checkpoint was measured by all runs of both groups, nothing is said."""
    halves: list[list[float | None]] = [[0.01, 0.02, None, None], [None, None, 0.01, 0.02]]
    runs = [run("a", SLOW, halves[0]), run("b", SLOW, halves[1]), run("c", FAST, [0.01] * 4)]
    assert compare_by_attributes(runs, Component.VERTICAL) == ()


def test_a_run_without_such_residuals_leaves_the_others_compared() -> None:
    """One run has heights alone: in plan, the others of its speed stand without it."""
    plan = [tuple(row) for row in np.random.default_rng(5).normal(0, 0.01, (12, 2))]
    both = (("a", SLOW), ("b", SLOW), ("c", FAST))
    runs = [run(name, speed, heights(1), plan_m=plan) for name, speed in both]
    runs.append(run("d", FAST, heights(2)))
    (level,) = compare_by_attributes(runs, Component.HORIZONTAL)
    assert (level.members_a, level.members_b, level.n) == (("a", "b"), ("c",), 12)
    (upright,) = compare_by_attributes(runs, Component.VERTICAL)
    assert upright.members_b == ("c", "d")


def test_all_groups_are_one_family() -> None:
    """Every p-value is Holm's over all attributes and values together, as statsmodels corrects them."""
    runs = [
        run(f"r{i}", speed | way, heights(i, 20, 0.01 * (1 + i / 3)))
        for i, (speed, way) in enumerate(product((SLOW, BRISK, FAST), (EAST, WEST)))
    ]
    found = compare_by_attributes(runs, Component.VERTICAL)
    assert [one.attribute for one in found] == [SPEED, SPEED, SPEED, "direction"]
    for name in ("swap", "wilcoxon_size", "wilcoxon_residual"):
        plain = [named(one, name).p_value for one in found]
        corrected = [named(one, name).p_holm for one in found]
        assert corrected == pytest.approx(list(multipletests(plain, method="holm")[1]), rel=1e-12)
    assert [named(one, "swap").p_holm for one in found] != [named(one, "swap").p_value for one in found]


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(5)), st.permutations(range(10)))
def test_order_changes_nothing(of_runs: list[int], of_checkpoints: list[int]) -> None:
    """Runs and checkpoints listed in another order give the same figures, to the last bit."""
    generator = np.random.default_rng(6)
    r = generator.normal(0, 0.01, (5, 10, 3))
    speeds = ("6", "6", "6", "24", "24")

    def listed(runs: Sequence[int], points: Sequence[int]) -> list[RunRecord]:
        made = [
            run(f"r{i}", {SPEED: speeds[i]}, r[i, :, 2].tolist(), plan_m=r[i, :, :2].tolist())
            for i in range(len(speeds))
        ]
        return [replace(made[i], checkpoints=tuple(made[i].checkpoints[j] for j in points)) for i in runs]

    for component in Component:
        (first,) = compare_by_attributes(listed(range(5), range(10)), component, margin_m=0.01)
        (second,) = compare_by_attributes(listed(of_runs, of_checkpoints), component, margin_m=0.01)
        assert sorted(first.ids) == sorted(second.ids)
        assert sorted(first.members_a) == sorted(second.members_a)
        as_listed = {name: getattr(first, name) for name in ("ids", "members_a", "members_b")}
        assert replace(second, **as_listed) == first


# --------------------------------------------------------------------------- figures of a group


@pytest.mark.parametrize("axes", [1, 2, 3])
@pytest.mark.parametrize(("runs_a", "runs_b"), [(1, 1), (2, 2), (3, 1), (6, 1)])
def test_rmse_of_a_group_is_that_of_all_its_residuals(runs_a: int, runs_b: int, axes: int) -> None:
    """Pooled by numpy: the root of all squares over the number of residuals, radial where of several axes."""
    a_m, b_m = groups(15, runs_a, runs_b, axes)
    found = compare_groups(a_m, b_m, ids=[""] * 15)
    pooled = [np.linalg.norm(one.reshape(-1, axes), axis=1) for one in (a_m, b_m)]
    rmse_a_m, rmse_b_m = (float(np.sqrt(np.mean(one**2))) for one in pooled)
    assert found.rmse_a_m == pytest.approx(rmse_a_m, rel=1e-12)
    assert found.rmse_b_m == pytest.approx(rmse_b_m, rel=1e-12)
    assert found.rmse_difference_m == pytest.approx(rmse_a_m - rmse_b_m, rel=1e-9)


@pytest.mark.parametrize("axes", [1, 2])
def test_groups_of_one_run_are_a_pair(axes: int) -> None:
    """One run against one, as groups: every figure and test of the pair."""
    a_m, b_m = groups(20, 1, 1, axes)
    pair = compare_runs(a_m[:, 0], b_m[:, 0], ids=[""] * 20, margin_m=0.02)
    assert compare_groups(a_m, b_m, ids=[""] * 20, margin_m=0.02) == pair


@pytest.mark.parametrize(("runs_a", "runs_b"), [(2, 2), (3, 1)])
def test_signed_figures_against_scipy(runs_a: int, runs_b: int) -> None:
    """Mean difference, its t interval and the signed ranks are those of the groups' means, place by place."""
    a_m, b_m = groups(16, runs_a, runs_b)
    found = compare_groups(a_m, b_m, ids=[""] * 16)
    gap_m = np.average(a_m[:, :, 0], axis=1) - np.average(b_m[:, :, 0], axis=1)
    assert found.mean_difference_m == pytest.approx(gap_m.mean(), rel=1e-9)
    assert found.mean_difference_interval_95_m == pytest.approx(DescrStatsW(gap_m).tconfint_mean(), rel=1e-9)
    p = named(found, "wilcoxon_residual").p_value
    assert p == pytest.approx(stats.wilcoxon(gap_m, method="exact").pvalue, rel=1e-9)


def test_sizes_are_ranked_between_groups_of_as_many_runs() -> None:
    """Three against three: scipy's signed ranks of the groups' root mean squares at each checkpoint."""
    a_m, b_m = groups(16, 3, 3)
    size_a, size_b = (np.sqrt((one[:, :, 0] ** 2).mean(axis=1)) for one in (a_m, b_m))
    p = named(compare_groups(a_m, b_m, ids=[""] * 16), "wilcoxon_size").p_value
    assert p == pytest.approx(stats.wilcoxon(size_a - size_b, method="exact").pvalue, rel=1e-9)


def test_sizes_are_not_ranked_between_unequal_groups() -> None:
    """Six equal runs against a seventh: ranks would tell them apart by their number, and are left out."""
    generator, told = np.random.default_rng(1), 0
    for _ in range(100):
        a_m, b_m = generator.normal(size=(48, 6)), generator.normal(size=48)
        told += stats.wilcoxon(np.sqrt((a_m**2).mean(axis=1)) - np.abs(b_m)).pvalue <= 0.05
    assert told > 30  # one in twenty is what a test of equal runs may tell
    of_size = named(compare_groups(a_m[:, :, None], b_m[:, None, None], ids=[""] * 48), "wilcoxon_size")
    assert of_size.p_value is None
    assert of_size.why_not == "the size of 6 residuals together is not to be ranked beside that of 1"


def test_spread_is_tested_between_single_runs_only() -> None:
    """The spread of an average is not that of its residuals: no Pitman-Morgan for groups."""
    a_m, b_m = groups(12, 2, 2)
    names = [test.name for test in compare_groups(a_m, b_m, ids=[""] * 12).tests]
    assert names == ["wilcoxon_size", "swap", "wilcoxon_residual"]


def test_runs_that_share_an_error_do_not_count_twice() -> None:
    """The same run listed three times tells no more than once: interval and swap test stay as they are."""
    a_m, b_m = groups(20, 1, 1)
    once = compare_groups(a_m, b_m, ids=[""] * 20)
    thrice = compare_groups(np.repeat(a_m, 3, axis=1), np.repeat(b_m, 3, axis=1), ids=[""] * 20)
    assert once.rmse_difference_interval_95_m is not None
    assert thrice.rmse_difference_interval_95_m is not None
    # The last bits of a sum deal other resamples, of which there are 4,000.
    width_m = float(np.ptp(once.rmse_difference_interval_95_m))
    assert np.ptp(thrice.rmse_difference_interval_95_m) == pytest.approx(width_m, rel=0.1)
    p = named(once, "swap").p_value
    assert named(thrice, "swap").p_value == pytest.approx(p, abs=0.02)


def test_unpaired_or_missing_values_are_refused() -> None:
    """Groups whose checkpoints or axes differ, or with NaN, are an error and never a comparison."""
    with pytest.raises(ValueError, match=r"runs of shape \(3, 2, 1\) and \(2, 1, 1\) do not pair at 3 ids"):
        compare_groups(np.zeros((3, 2, 1)), np.zeros((2, 1, 1)), ids=["a", "b", "c"])
    with pytest.raises(ValueError, match="do not pair at 3 ids"):
        compare_groups(np.zeros((3, 2, 1)), np.zeros((3, 2, 2)), ids=["a", "b", "c"])
    with pytest.raises(ValueError, match="not a finite number"):
        compare_groups(np.full((2, 2, 1), np.nan), np.zeros((2, 1, 1)), ids=["a", "b"])


def test_an_unbalanced_mix_does_not_speak_for_its_speed() -> None:
    """Simpson's paradox: speed has no effect and direction has; three to one of each must not show one.

    Each direction counts alike at either speed, however many runs it has.
    """
    east, west = heights(1, 30, 0.025), heights(2, 30, 0.005)
    runs = [
        run(f"r{i}", {SPEED: speed, "direction": way}, east if way == "east" else west)
        for i, (speed, way) in enumerate(
            [("6", "east")] * 3 + [("6", "west"), ("12", "east")] + [("12", "west")] * 3
        )
    ]
    found = {one.attribute: one for one in compare_by_attributes(runs, Component.VERTICAL)}
    speed = found[SPEED]
    assert (len(speed.members_a), len(speed.members_b)) == (4, 4)
    assert speed.rmse_difference_m == pytest.approx(0.0, abs=1e-12)
    assert found["direction"].rmse_difference_m == pytest.approx(
        np.sqrt(np.mean(np.square(east))) - np.sqrt(np.mean(np.square(west)))
    )


def test_points_at_one_place_are_one_piece_of_evidence() -> None:
    """Twelve places, each under four ids: twelve count, in pairs and in groups, with the same p-values."""
    a, b = heights(3), heights(4, scale_m=0.02)
    plain = [run("a", {SPEED: "6"}, a), run("a2", {SPEED: "6"}, b), run("b", {SPEED: "12"}, b)]
    listed = [
        replace(
            one,
            checkpoints=tuple(
                replace(point, id=f"{point.id}-{copy}") for copy in range(4) for point in one.checkpoints
            ),
        )
        for one in plain
    ]
    for compare in (compare_all_runs, compare_by_attributes):
        once, many = compare(plain, Component.VERTICAL), compare(listed, Component.VERTICAL)
        assert len(once) == len(many) > 0
        for first, second in zip(once, many, strict=True):
            assert second.n == 12
            assert second.tests == first.tests
            assert second.rmse_difference_interval_95_m == first.rmse_difference_interval_95_m


def test_runs_that_share_nothing_are_left_out() -> None:
    """A run that measured other checkpoints, or none, stops no comparison of the others."""
    a, b = heights(5), heights(6)
    runs = [
        run("a", {}, a),
        run("b", {}, b),
        run("none", {}, [None] * 12),
        run("other", {}, [None] * 12 + [0.01] * 8),
    ]
    for component in Component.VERTICAL, Component.HORIZONTAL, Component.THREE_D:
        found = compare_all_runs(runs, component)
        assert [(one.run_a, one.run_b) for one in found] == (
            [("a", "b")] if component is Component.VERTICAL else []
        )


def test_the_baseline_sets_no_family_apart_but_among_runs() -> None:
    """Clouds of one run are corrected together, those of the baseline too; pairs of runs apart from its."""
    runs = [
        run(name, {}, heights(7 + k + 10 * j, 24, 0.01 * (1 + 0.3 * k)), cloud=cloud)
        for j, name in enumerate(("base", "x", "y"))
        for k, cloud in enumerate(("lidar", "photo"))
    ]
    found = compare_all_runs(runs, Component.VERTICAL, baseline_run="base")
    for across, count in (("clouds", 3), ("runs and clouds", 6)):
        family = [next(t for t in one.tests if t.name == "swap") for one in found if one.across == across]
        assert len(family) == count
        wanted = multipletests([test.p_value for test in family], method="holm")[1]
        assert [test.p_holm for test in family] == pytest.approx(list(wanted))
