"""Runs held against each other at the checkpoints that they share. After the summary of each run.

Residual arrays are (n, k): k = 1 for heights, 2 for horizontal, 3 for 3D. A comparison supposes that
checkpoints are independent of each other; what two runs share at one checkpoint (its survey error,
its surface) cancels in the pair.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np

from accuracy.model import (
    CheckpointResult,
    Component,
    FloatArray,
    HorizontalResidual,
    IntArray,
    PairedTest,
    RunComparison,
    RunMatrix,
    RunRecord,
    VerticalResidual,
)
from accuracy.model.places import places
from accuracy.rounding import LengthText
from accuracy.statistics.comparison_words import sentence
from accuracy.statistics.intervals import mean_interval
from accuracy.statistics.paired import (
    RmseDifference,
    holm,
    mean_equivalence_p,
    pitman_morgan_p,
    rank_spread_p,
    standard_error,
    swap_p,
    wilcoxon_p,
)

SMALLEST_N_FOR_TESTS = 6
"""Below this a two-sided signed-rank test cannot reach 5 %: 2 / 2^5 = 0.0625."""
LENGTHS = LengthText()


def compare_runs(
    a_m: FloatArray,
    b_m: FloatArray,
    *,
    ids: Sequence[str],
    run_a: str = "a",
    run_b: str = "b",
    across: Literal["runs", "clouds", "runs and clouds"] = "runs",
    component: Component = Component.VERTICAL,
    stratum: str | None = None,
    margin_m: float | None = None,
    text: LengthText = LENGTHS,
) -> RunComparison:
    """Compare residuals of two runs at the same checkpoints; arrays (n,) or (n, k), row by row.

    Tests, each against "no difference":
    ``wilcoxon_size`` signed ranks of the difference in size of residual (Wilcoxon 1945);
    ``wilcoxon_residual`` the same of the signed residual: a shift between the runs, heights only;
    ``pitman_morgan`` equal standard deviations of paired normal residuals (Pitman 1939, Morgan
    1939, Biometrika 31), heights only;
    ``rank_spread`` the same with rank correlation, for residuals with heavy tails (McCulloch 1987,
    J. Am. Stat. Assoc. 82, 310-313): by simulation it then errs in 6 to 8 % where Pitman-Morgan
    errs in 10 to 18 %;
    ``swap`` equal RMSE: runs swapped at random at each checkpoint, a permutation test that holds
    5 % whatever the tails. The sentence rests on this one and on the interval.

    The interval of the RMSE difference is a symmetric studentised paired bootstrap (Hall 1988, J. R.
    Stat. Soc. B 50, 35-45, from memory): with equal tails it was too wide at n = 10 for several axes,
    too narrow at n = 20 for one and held 92 % with heavy tails. The equivalence test is two one-sided
    tests (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657-680) on it; where the margin is as large as
    the better run's RMSE and the runs lie that far apart, it calls them alike in 6 to 11 %, not 5 %.
    Raises ValueError when the arrays differ in shape or hold a value that is not finite.
    """
    a_m, b_m = _as_columns(a_m), _as_columns(b_m)
    if a_m.shape != b_m.shape:
        raise ValueError(f"runs of shape {a_m.shape} and {b_m.shape} do not pair at {len(ids)} ids")
    found = compare_groups(
        a_m[:, None],
        b_m[:, None],
        ids=ids,
        component=component,
        stratum=stratum,
        margin_m=margin_m,
        text=text,
    )
    found = replace(found, run_a=run_a, run_b=run_b, across=across)
    return replace(found, words=sentence(found, text))


def compare_groups(
    a_m: FloatArray,
    b_m: FloatArray,
    *,
    shares: tuple[FloatArray, FloatArray] | None = None,
    ids: Sequence[str],
    component: Component = Component.VERTICAL,
    stratum: str | None = None,
    margin_m: float | None = None,
    text: LengthText = LENGTHS,
) -> RunComparison:
    """The same for groups of runs, (n, runs, k) each, which need not be of one size.

    At each checkpoint the squares of a group's runs are averaged, by ``shares`` (runs,) that add up to
    one, or alike: its RMSE is then that of all its residuals. Resampling and swapping deal with whole
    checkpoints, because what the runs of a group share there is not independent. The tests of spread
    are left out where a group has several runs: the spread of their average is not that of their
    residuals. ``wilcoxon_size`` is left out where the groups are not of like runs: of equally accurate
    ones, several together have the larger usual size at one place, and ranks would tell them from a
    single one. The swap test is exact for groups of as many runs only; how often it then errs stands in
    the table of simulated coverage.
    Raises ValueError when the arrays do not pair or hold a value that is not finite.
    """
    if a_m.shape[::2] != b_m.shape[::2] or a_m.shape[0] != len(ids):
        raise ValueError(f"runs of shape {a_m.shape} and {b_m.shape} do not pair at {len(ids)} ids")
    if not (np.isfinite(a_m).all() and np.isfinite(b_m).all()):
        raise ValueError("a residual is not a finite number; leave unmeasured checkpoints out")
    n, _, k = a_m.shape
    # In the order of their values, so that the order of runs and checkpoints changes nothing: a sum's
    # last bit would deal other resamples.
    a, b = (_Pooled.of(one, None if shares is None else shares[side]) for side, one in enumerate((a_m, b_m)))
    order = np.lexsort(np.column_stack([a.squares, b.squares, a.first_m, b.first_m]).T)
    a, b = a.take(order), b.take(order)
    difference = RmseDifference(a.squares, b.squares) if n else None
    signed_m = a.first_m - b.first_m if k == 1 and n > 1 else None
    found = RunComparison(
        run_a="a",
        run_b="b",
        component=component,
        stratum=stratum,
        ids=tuple(ids),
        n=n,
        rmse_a_m=difference.a_m if difference else None,
        rmse_b_m=difference.b_m if difference else None,
        rmse_difference_m=difference.value_m if difference else None,
        rmse_difference_interval_95_m=difference.interval(0.95) if difference else None,
        mean_difference_m=None if signed_m is None else float(signed_m.mean()),
        mean_difference_interval_95_m=None
        if signed_m is None
        else mean_interval(float(signed_m.mean()), standard_error(signed_m), n - 1),
        tests=_tests(a, b, k),
        margin_m=margin_m,
        equivalence_p=None if difference is None or margin_m is None else difference.equivalence_p(margin_m),
        mean_equivalence_p=None
        if signed_m is None or margin_m is None
        else mean_equivalence_p(signed_m, margin_m),
        words="",
    )
    return replace(found, words=sentence(found, text))


def compare_all_runs(
    runs: Sequence[RunRecord],
    component: Component,
    *,
    margin_m: float | None = None,
    attribute: str | None = None,
    baseline_run: str | None = None,
    text: LengthText = LENGTHS,
) -> tuple[RunComparison, ...]:
    """Every pair of runs and clouds at the checkpoints that both used and measured, if there are any.

    A point that is listed twice counts once: its two residuals are one piece of evidence.
    With ``attribute``, each pair that differs in one thing only (run or cloud) is compared within each
    value of that checkpoint attribute. A pair with a run of the baseline has it second. P-values are
    Holm-corrected within a family: one kind of test over all pairs that differ in the same thing, each
    kind of cloud by itself, and of these the pairs with the baseline apart from the others.
    """
    residuals = {run.label: run_residuals(run, component) for run in runs}
    families: dict[tuple[str, bool, str | None], list[RunComparison]] = {}
    for pair in combinations(runs, 2):
        first, second = sorted(pair, key=lambda run: run.name == baseline_run)
        across = _across(first, second)
        if attribute is not None and across == "runs and clouds":
            continue
        a, b = residuals[first.label], residuals[second.label]
        common = one_a_place(first, [name for name in a if name in b])
        if attribute is None:
            strata: dict[str | None, list[str]] = {None: common}
        else:
            value = {one.id: one.attributes.get(attribute, "") for one in first.checkpoints}
            strata = {
                f"{attribute}: {each or 'not given'}": [name for name in common if value[name] == each]
                for each in sorted({value[name] for name in common})
            }
        kind = first.cloud if across == "runs" else None
        against = across == "runs" and second.name == baseline_run
        family = families.setdefault((across, against, kind), [])
        family += [
            compare_runs(
                np.array([a[name] for name in names]).reshape(len(names), -1),
                np.array([b[name] for name in names]).reshape(len(names), -1),
                ids=names,
                run_a=first.label,
                run_b=second.label,
                across=across,
                component=component,
                stratum=stratum,
                margin_m=margin_m,
                text=text,
            )
            for stratum, names in strata.items()
            if names
        ]
    return tuple(one for family in families.values() for one in holm_corrected(family, text))


def _across(a: RunRecord, b: RunRecord) -> Literal["runs", "clouds", "runs and clouds"]:
    if a.cloud == b.cloud:
        return "runs"
    return "clouds" if a.name == b.name else "runs and clouds"


def run_residuals(run: RunRecord, component: Component) -> dict[str, tuple[float, ...]]:
    """Residual of each used and measured checkpoint, by id: one, two or three components."""
    found = {one.id: _components(one, component) for one in run.checkpoints if one.counts}
    return {name: values for name, values in found.items() if values is not None}


def one_a_place(run: RunRecord, ids: Sequence[str]) -> list[str]:
    """Those of the checkpoints that are the first of their place."""
    at = {one.id: (one.easting_m, one.northing_m, one.height_m) for one in run.checkpoints}
    positions_m = np.array([at[name] for name in ids]).reshape(-1, 3)
    return [ids[index] for index in places(positions_m).first]


def run_matrix(runs: Sequence[RunRecord], component: Component) -> RunMatrix:
    """Run x checkpoint: signed height residuals, or the size of horizontal and 3D ones."""
    rows = [run_residuals(run, component) for run in runs]
    ids = list(dict.fromkeys(one.id for run in runs for one in run.checkpoints if one.counts))

    def entry(row: Mapping[str, tuple[float, ...]], name: str) -> float | None:
        values = row.get(name)
        if values is None:
            return None
        return values[0] if len(values) == 1 else math.hypot(*values)

    return RunMatrix(
        component=component,
        runs=tuple(run.label for run in runs),
        ids=tuple(ids),
        residual_m=tuple(tuple(entry(row, name) for name in ids) for row in rows),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Pooled:
    """A group of runs as one value for each checkpoint."""

    squares: FloatArray
    """(n,) mean square over the group's runs."""
    first_m: FloatArray
    """(n,) mean of the first component: heights, where these are compared."""
    shares: FloatArray
    """(runs,) in order of size."""

    @classmethod
    def of(cls, group_m: FloatArray, shares: FloatArray | None) -> _Pooled:
        """From residuals (n, runs, k), whatever the order of the runs."""
        runs = group_m.shape[1]
        share = np.full(runs, 1 / max(runs, 1)) if shares is None else shares

        def pooled(values: FloatArray) -> FloatArray:
            return np.asarray(np.sort(values * share, axis=1).sum(axis=1))

        return cls(pooled((group_m**2).sum(axis=2)), pooled(group_m[:, :, 0]), np.sort(share))

    def take(self, order: IntArray) -> _Pooled:
        """The checkpoints in that order."""
        return _Pooled(self.squares[order], self.first_m[order], self.shares)


def _tests(a: _Pooled, b: _Pooled, k: int) -> tuple[PairedTest, ...]:
    """Of residuals with k components."""
    n = a.squares.size
    if n < SMALLEST_N_FOR_TESTS:
        why = f"{n} shared checkpoints; a test needs {SMALLEST_N_FOR_TESTS}"
        return tuple(PairedTest(name=name, p_value=None, why_not=why) for name in ("wilcoxon_size", "swap"))
    runs_a, runs_b = a.shares.size, b.shares.size
    if runs_a == runs_b and np.allclose(a.shares, b.shares):
        of_size = PairedTest(
            name="wilcoxon_size", p_value=wilcoxon_p(np.sqrt(a.squares) - np.sqrt(b.squares))
        )
    else:
        why = f"the size of {runs_a} residuals together is not to be ranked beside that of {runs_b}"
        of_size = PairedTest(name="wilcoxon_size", p_value=None, why_not=why)
    tests = [of_size, PairedTest(name="swap", p_value=swap_p(a.squares, b.squares))]
    if k == 1:
        tests.append(PairedTest(name="wilcoxon_residual", p_value=wilcoxon_p(a.first_m - b.first_m)))
    if k == 1 and runs_a == runs_b == 1:
        spread_p, rank_p = pitman_morgan_p(a.first_m, b.first_m), rank_spread_p(a.first_m, b.first_m)
        flat = "the two runs do not differ in spread that could be tested"
        tests += [
            PairedTest(name="pitman_morgan", p_value=spread_p, why_not=flat if spread_p is None else None),
            PairedTest(name="rank_spread", p_value=rank_p, why_not=flat if rank_p is None else None),
        ]
    return tuple(tests)


def _as_columns(values: FloatArray) -> FloatArray:
    return values.reshape(values.shape[0], -1) if values.size else values.reshape(0, 1)


def _components(one: CheckpointResult, component: Component) -> tuple[float, ...] | None:
    height = (one.vertical.residual_m,) if isinstance(one.vertical, VerticalResidual) else None
    if component is Component.VERTICAL:
        return height
    if not isinstance(one.horizontal, HorizontalResidual):
        return None
    plan = (one.horizontal.residual_easting_m, one.horizontal.residual_northing_m)
    if component is Component.HORIZONTAL:
        return plan
    return None if height is None else (*plan, *height)


def holm_corrected(comparisons: Sequence[RunComparison], text: LengthText) -> tuple[RunComparison, ...]:
    """One family: the p-values of each kind of test corrected for all of them, the sentences renewed."""
    names = {test.name for one in comparisons for test in one.tests}
    corrected = {}
    for name in names:
        family = [(i, t.p_value) for i, one in enumerate(comparisons) for t in one.tests if t.name == name]
        for (index, _), p in zip(family, holm([p for _, p in family]), strict=True):
            corrected[index, name] = p
    with_holm = [
        replace(one, tests=tuple(replace(t, p_holm=corrected[index, t.name]) for t in one.tests))
        for index, one in enumerate(comparisons)
    ]
    return tuple(replace(one, words=sentence(one, text)) for one in with_holm)
