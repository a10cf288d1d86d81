"""Groups of runs held against each other, and what is claimed of runs; for ``sim_intervals.py``.

Every figure comes from ``compare_groups``, ``compare_runs``, ``holm_corrected`` and ``finding`` on
invented residuals: a run's residual is its own error and what all runs share at that checkpoint (the
survey's error, the surface), whose standard deviation is given in terms of the own.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from accuracy.model import RunComparison
from accuracy.rounding import LengthText
from accuracy.statistics.comparison import compare_groups, compare_runs, holm_corrected
from accuracy.statistics.comparison_words import finding
from sim_tables import Table, covers, rejects

Array = NDArray[np.float64]
Side = tuple[int, ...]
"""How many runs of each likeness (direction, kind of cloud) a group has; each likeness counts alike."""
GROUPS: tuple[tuple[Side, Side], ...] = (
    ((1,), (1,)),
    ((2,), (2,)),
    ((3,), (3,)),
    ((3,), (1,)),
    ((6,), (1,)),
    ((3, 1), (1, 3)),
    ((3, 1), (2, 2)),
)
SIZES = (10, 20, 48)
FAMILIES_FOR_DRAWS = 5
"""A family of 15 pairs takes as long as many rows: a fifth of the draws."""
CLAIM_BAND = (0.0, 0.055)
"""A false claim may be as rare as it likes; 5 % and what the count of draws may add."""
CLAIMS = ("first better", "second better")


def runs_at(generator: np.random.Generator, shape: tuple[int, int, int], shared: float, kind: str) -> Array:
    """(n, runs, axes) residuals in terms of the runs' own standard deviation."""
    n, runs, axes = shape
    found = shared * generator.standard_normal((n, 1, axes)) + generator.standard_normal(shape)
    if kind == "t, 5 df":
        # One bad place spoils all axes of a run there; scaled back to the normal's variance.
        found /= np.sqrt(generator.chisquare(5, (n, runs, 1)) / 3)
    return found


def _named(one: RunComparison, name: str) -> float | None:
    return next(test.p_value for test in one.tests if test.name == name)


def _shares(side: Side) -> Array:
    """(runs,) what each run of a group counts."""
    return np.repeat([1 / (len(side) * runs) for runs in side], side)


def _written(groups: tuple[Side, Side]) -> str:
    return " v ".join("+".join(map(str, side)) for side in groups)


def _rows() -> Iterator[tuple[str, tuple[Side, Side], int, int, float, float]]:
    """Residuals, runs of each likeness in each group, axes, checkpoints, shared part, b / a."""
    for shared, groups, axes, n in itertools.product((0.5, 1.0), GROUPS, (1, 2), SIZES):
        yield "normal", groups, axes, n, shared, 1.0
    for groups, axes in itertools.product(GROUPS, (1, 2)):
        yield "t, 5 df", groups, axes, 20, 1.0, 1.0
    for groups, n in itertools.product(GROUPS, (10, 20)):
        yield "normal", groups, 1, n, 1.0, 2.0


def group_coverage(draws: int) -> str:
    """Intervals and tests of groups of runs, by the numbers of runs in each.

    3+1 are three of one likeness and one of another, which count alike. Where the groups have as many
    runs, all holds as for two runs. Six against one is an uneven match: the swap test supposes that
    either side might as well have had the other's residuals, and the mean of six squares wavers less
    than one square, so it errs more often, most with heavy tails; asking the interval too brings that
    down to 7 % at worst. The Wilcoxon test of sizes is made of like groups only. With b / a = 2 the
    worse side decides the interval, which is narrow where that is a single run. Claimed: one of two
    equal groups called the more accurate.
    """
    first = ("residuals", "runs", "n", "axes", "shared", "b / a")
    table, errors = Table(first), Table(first[:-1], band=(0.04, 0.06))
    for kind, groups, axes, n, shared, scale in _rows():
        runs_a, runs_b = (sum(side) for side in groups)
        shares = _shares(groups[0]), _shares(groups[1])
        ranked = np.array_equal(np.sort(shares[0]), np.sort(shares[1]))
        generator = np.random.default_rng(1000 * n + 100 * axes + 10 * runs_a + runs_b)
        truth = (1 - scale) * (axes * (1 + shared**2)) ** 0.5
        held: dict[str, list[float]] = {"RMSE difference": [], "mean difference": []}
        names = ("swap", "Wilcoxon size", "Wilcoxon signed", "claimed")
        wrong: dict[str, list[float]] = {name: [] for name in names}
        for _ in range(draws):
            both = runs_at(generator, (n, runs_a + runs_b, axes), shared, kind)
            one = compare_groups(both[:, :runs_a], scale * both[:, runs_a:], shares=shares, ids=("",) * n)
            held["RMSE difference"].append(covers(one.rmse_difference_interval_95_m, truth))
            wrong["swap"].append(rejects(_named(one, "swap")))
            wrong["claimed"].append(float(finding(one) in CLAIMS))
            if ranked:
                wrong["Wilcoxon size"].append(rejects(_named(one, "wilcoxon_size")))
            if axes == 1:
                held["mean difference"].append(covers(one.mean_difference_interval_95_m, 0))
                wrong["Wilcoxon signed"].append(rejects(_named(one, "wilcoxon_residual")))
        labels = (kind, _written(groups), n, axes, shared)
        table.row((*labels, scale), held)
        if scale == 1:
            # A claim may be rarer than 5 %, which is no fault.
            often = np.mean(wrong["claimed"]) > errors.band[1]
            errors.row(labels, wrong, unjudged=() if often else ("claimed",))
    said = "Rejected, and claimed, where both groups are equally accurate, in %:"
    return f"{table.text()}\n{said}\n\n{errors.text()}"


def claims(draws: int) -> str:
    """How often one of two runs is called the more accurate: swap test and interval must both say so.

    b / a = 1: any claim is false. Else the first is truly the better: called so (its power), and the
    second called so instead. "swap" is the test by itself, the rule that asks for one method only.
    Shared part as large as the runs' own.
    """
    equal = Table(("residuals", "n", "axes"), band=CLAIM_BAND)
    apart = Table(("residuals", "n", "axes", "b / a"))
    outcomes = (*CLAIMS, "test alone", "interval alone")
    cases = [("normal", n, axes) for n in SIZES for axes in (1, 2)] + [("t, 5 df", n, 1) for n in SIZES]
    for (kind, n, axes), scale in itertools.product(cases, (1.0, 1.3, 1.6)):
        generator = np.random.default_rng(100 * n + axes)
        found, tested = [], []
        for _ in range(draws):
            a, b = np.moveaxis(runs_at(generator, (n, 2, axes), 1.0, kind), 1, 0)
            one = compare_runs(a, scale * b, ids=("",) * n)
            found.append(finding(one))
            tested.append(rejects(_named(one, "swap")))
        shown = {name: [float(each == name) for each in found] for name in outcomes}
        swap = {"swap": tested}
        if scale == 1:
            claimed = {"claimed": [float(each in CLAIMS) for each in found]}
            alone = {name: shown[name] for name in ("test alone", "interval alone")}
            equal.row((kind, n, axes), {**claimed, **swap, **alone}, None, ("swap", *alone))
        else:
            apart.row((kind, n, axes, scale), {**shown, **swap}, None, (*shown, *swap))
    return (
        f"Two equal runs, in %:\n\n{equal.text()}\nThe first is the better, in %:\n\n{apart.text()}\n"
        f"{_families(draws // FAMILIES_FOR_DRAWS)}"
    )


def _families(draws: int) -> str:
    """Six runs, 15 pairs, Holm-corrected: any false claim, and how many of the true differences are found."""
    table = Table(("runs", "n", "axes"), band=CLAIM_BAND)
    pairs = list(itertools.combinations(range(6), 2))
    for scale, n, axes in itertools.product((1.0, 1.6), SIZES, (1, 2)):
        generator = np.random.default_rng(10 * n + axes)
        hits: dict[str, list[float]] = {"any false claim": [], "any false swap": []}
        power: dict[str, list[float]] = {"true ones claimed": [], "true ones by swap": []}
        for _ in range(draws):
            runs_m = runs_at(generator, (n, 6, axes), 1.0, "normal")
            runs_m[:, 5] *= scale
            family = holm_corrected(
                [compare_runs(runs_m[:, i], runs_m[:, j], ids=("",) * n) for i, j in pairs], LengthText()
            )
            claimed = np.array([finding(one) for one in family])
            tested = np.array([(_holm(one) or 1.0) <= 0.05 for one in family])
            true = np.array([j == 5 and scale != 1 for _, j in pairs])
            false = np.isin(claimed, CLAIMS) & ~(true & (claimed == CLAIMS[0]))
            hits["any false claim"].append(float(false.any()))
            hits["any false swap"].append(float((tested & ~true).any()))
            power["true ones claimed"] += list((claimed == CLAIMS[0])[true].astype(float))
            power["true ones by swap"] += list(tested[true].astype(float))
        name = "six equal" if scale == 1 else f"five equal, one {scale}"
        table.row((name, n, axes), {**hits, **power}, None, ("any false swap", *power))
    return f"Six runs, 15 pairs, Holm-corrected, {draws:,} families per row, in %:\n\n{table.text()}"


def _holm(one: RunComparison) -> float | None:
    return next(test.p_holm for test in one.tests if test.name == "swap")
