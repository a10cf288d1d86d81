"""Runs held against each other at the checkpoints that they share. After the summary of each run.

Residual arrays are (n, k): k = 1 for heights, 2 for horizontal, 3 for 3D. A comparison supposes that
checkpoints are independent of each other; what two runs share at one checkpoint (its survey error,
its surface) cancels in the pair.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import combinations

import numpy as np
from scipy.special import stdtr

from accuracy.model import (
    CheckpointResult,
    Component,
    FloatArray,
    HorizontalResidual,
    PairedTest,
    Role,
    RunComparison,
    RunMatrix,
    RunRecord,
    VerticalResidual,
)
from accuracy.rounding import LengthText
from accuracy.statistics.intervals import (
    END_OF_TAIL,
    SMALLEST_BOOTSTRAP_N,
    mean_interval,
    resampled_means,
    seed_of,
    studentised,
)

SIGNIFICANCE = 0.05
SMALLEST_N_FOR_TESTS = 6
"""Below this a two-sided signed-rank test cannot reach 5 %: 2 / 2^5 = 0.0625."""
SWAPS = 9999
ALL_SWAPS_TO = 13
MOST_KEPT_SIGNS = 100
LENGTHS = LengthText()


def compare_runs(
    a_m: FloatArray,
    b_m: FloatArray,
    *,
    ids: Sequence[str],
    run_a: str = "a",
    run_b: str = "b",
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
    5 % whatever the tails. The sentence rests on this one.

    The interval of the RMSE difference is a symmetric studentised paired bootstrap (Hall 1988, J. R.
    Stat. Soc. B 50, 35-45, from memory): with equal tails it was too wide at n = 10 for several axes,
    too narrow at n = 20 for one and held 92 % with heavy tails. The equivalence test is two one-sided
    tests (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657-680) on it.
    Raises ValueError when the arrays differ in shape or hold a value that is not finite.
    """
    a_m, b_m = _as_columns(a_m), _as_columns(b_m)
    if a_m.shape != b_m.shape or a_m.shape[0] != len(ids):
        raise ValueError(f"runs of shape {a_m.shape} and {b_m.shape} do not pair at {len(ids)} ids")
    if not (np.isfinite(a_m).all() and np.isfinite(b_m).all()):
        raise ValueError("a residual is not a finite number; leave unmeasured checkpoints out")
    # In the order of their values, so that the order of the checkpoints changes nothing.
    order = np.lexsort(np.column_stack([a_m, b_m]).T)
    a_m, b_m = a_m[order], b_m[order]
    n, k = a_m.shape
    a_squares, b_squares = (a_m**2).sum(axis=1), (b_m**2).sum(axis=1)
    difference = RmseDifference(a_squares, b_squares) if n else None
    signed_m = a_m[:, 0] - b_m[:, 0] if k == 1 and n > 1 else None
    comparison = RunComparison(
        run_a=run_a,
        run_b=run_b,
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
        else mean_interval(float(signed_m.mean()), _standard_error(signed_m), n - 1),
        tests=_tests(a_m, b_m, a_squares, b_squares),
        margin_m=margin_m,
        equivalence_p=None if difference is None or margin_m is None else difference.equivalence_p(margin_m),
        mean_equivalence_p=None
        if signed_m is None or margin_m is None
        else mean_equivalence_p(signed_m, margin_m),
        words="",
    )
    return replace(comparison, words=_words(comparison, text))


def compare_all_runs(
    runs: Sequence[RunRecord],
    component: Component,
    *,
    margin_m: float | None = None,
    attribute: str | None = None,
    text: LengthText = LENGTHS,
) -> tuple[RunComparison, ...]:
    """Every pair of runs at the checkpoints that both used and measured, p-values Holm-corrected.

    With ``attribute``, each pair is compared within each value of that checkpoint attribute.
    A family is one kind of test over every comparison that is returned.
    """
    found = []
    for first, second in combinations(runs, 2):
        a, b = run_residuals(first, component), run_residuals(second, component)
        common = [name for name in a if name in b]
        if attribute is None:
            strata: dict[str | None, list[str]] = {None: common}
        else:
            value = {one.id: one.attributes.get(attribute, "") for one in first.checkpoints}
            strata = {
                f"{attribute}: {each or 'not given'}": [name for name in common if value[name] == each]
                for each in sorted({value[name] for name in common})
            }
        found += [
            compare_runs(
                np.array([a[name] for name in names]).reshape(len(names), -1),
                np.array([b[name] for name in names]).reshape(len(names), -1),
                ids=names,
                run_a=first.name,
                run_b=second.name,
                component=component,
                stratum=stratum,
                margin_m=margin_m,
                text=text,
            )
            for stratum, names in strata.items()
        ]
    return _holm_corrected(found, text)


def run_residuals(run: RunRecord, component: Component) -> dict[str, tuple[float, ...]]:
    """Residual of each used and measured checkpoint, by id: one, two or three components."""
    found = {one.id: _components(one, component) for one in run.checkpoints if _counts(one)}
    return {name: values for name, values in found.items() if values is not None}


def run_matrix(runs: Sequence[RunRecord], component: Component) -> RunMatrix:
    """Run x checkpoint: signed height residuals, or the size of horizontal and 3D ones."""
    rows = [run_residuals(run, component) for run in runs]
    ids = list(dict.fromkeys(one.id for run in runs for one in run.checkpoints if _counts(one)))

    def entry(row: Mapping[str, tuple[float, ...]], name: str) -> float | None:
        values = row.get(name)
        if values is None:
            return None
        return values[0] if len(values) == 1 else math.hypot(*values)

    return RunMatrix(
        component=component,
        runs=tuple(run.name for run in runs),
        ids=tuple(ids),
        residual_m=tuple(tuple(entry(row, name) for name in ids) for row in rows),
    )


def holm(p_values: Sequence[float | None]) -> list[float | None]:
    """Holm 1979, Scand. J. Statistics 6, 65-70: family-wise correction; None stays None, uncounted."""
    known = sorted((p, index) for index, p in enumerate(p_values) if p is not None)
    corrected: list[float | None] = [None] * len(p_values)
    largest = 0.0
    for rank, (p, index) in enumerate(known):
        largest = max(largest, min(1.0, (len(known) - rank) * p))
        corrected[index] = largest
    return corrected


def pitman_morgan_p(a_m: FloatArray, b_m: FloatArray) -> float | None:
    """Two-sided p that paired normal (n,) residuals have equal standard deviations.

    Correlation of sum and difference, t with n-2 degrees of freedom. None below three pairs or
    where sum or difference does not vary.
    """
    return _correlation_p(a_m + b_m, a_m - b_m)


def rank_spread_p(a_m: FloatArray, b_m: FloatArray) -> float | None:
    """Pitman-Morgan with Spearman's rank correlation, of residuals centred on their medians."""
    from scipy.stats import rankdata

    a_m, b_m = a_m - np.median(a_m), b_m - np.median(b_m)
    return _correlation_p(rankdata(a_m + b_m), rankdata(a_m - b_m))


def swap_p(a_squares: FloatArray, b_squares: FloatArray) -> float:
    """Two-sided p of equal RMSE when the runs are swapped at random at each of n checkpoints.

    The sum of squares of both runs together stays, so the difference of RMSEs moves with the
    difference of squares. All 2^n swaps up to n = 13, else 9,999 drawn ones and the real one
    (Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9, 39).
    """
    gap = a_squares - b_squares
    n = gap.size
    signs = _kept_signs(n) if n <= MOST_KEPT_SIGNS else _signs(n)
    # The drawn swaps are the same for every n values; the values themselves deal them.
    gap = gap[np.random.default_rng(seed_of(gap)).permutation(n)]
    as_far = np.abs(np.einsum("dn,n->d", signs, gap)) >= abs(gap.sum()) * (1 - 1e-12)
    if n <= ALL_SWAPS_TO:
        return float(np.mean(as_far))
    return float((1 + np.sum(as_far)) / (SWAPS + 1))


def _signs(n: int) -> FloatArray:
    """(swaps, n) of 1 and -1."""
    if n <= ALL_SWAPS_TO:
        swapped = (np.arange(2**n)[:, None] >> np.arange(n)) & 1
    else:
        swapped = np.random.default_rng(n).integers(0, 2, size=(SWAPS, n), dtype=np.int8)
    return np.asarray(1.0 - 2.0 * swapped, dtype=np.float64)


_kept_signs = lru_cache(maxsize=8)(_signs)


def mean_equivalence_p(difference_m: FloatArray, margin_m: float) -> float | None:
    """Two one-sided t tests that the mean of (n,) paired differences lies within the margin."""
    error_m = _standard_error(difference_m)
    if difference_m.size < 2 or error_m == 0:
        return None
    distance_m = margin_m - abs(float(difference_m.mean()))
    return float(stdtr(difference_m.size - 1, -distance_m / error_m))


class RmseDifference:
    """RMSE of a minus RMSE of b from squares at the same checkpoints, and its bootstrap."""

    def __init__(self, a_squares: FloatArray, b_squares: FloatArray) -> None:
        n = a_squares.size
        self.a_m, self.b_m = math.sqrt(a_squares.mean()), math.sqrt(b_squares.mean())
        self.value_m = self.a_m - self.b_m
        self.t = np.empty(0)
        """(draws,) sizes of the resampled change over its own standard error."""
        self.error_m = 0.0
        if n < SMALLEST_BOOTSTRAP_N or not (self.a_m > 0 and self.b_m > 0):
            return
        # Middle and gap, not a and b: two runs that are nearly alike would cancel each other.
        middle, gap = (a_squares + b_squares) / 2, a_squares - b_squares
        x, y = middle - middle.mean(), gap - gap.mean()
        rows = np.stack([x, y, x * x, x * y, y * y])
        self.error_m = float(_difference_and_error(rows.mean(axis=1), middle.mean(), gap.mean(), n)[1])
        if self.error_m <= 1e-9 * (self.a_m + self.b_m):
            return
        value_m, error_m = _difference_and_error(resampled_means(rows), middle.mean(), gap.mean(), n)
        self.t = np.abs(studentised(value_m - self.value_m, error_m))

    def interval(self, confidence: float) -> tuple[float, float] | None:
        """As far to either side; None below eight, or where resampling shows no spread."""
        if self.t.size == 0:
            return None
        reach = float(np.quantile(self.t, confidence))
        if reach >= END_OF_TAIL:
            return None
        return self.value_m - reach * self.error_m, self.value_m + reach * self.error_m

    def equivalence_p(self, margin_m: float) -> float | None:
        """Larger of both one-sided p-values; below p exactly where the 1-2p interval is within."""
        if self.t.size == 0:
            return None
        room = (margin_m - abs(self.value_m)) / self.error_m
        farther = float(np.mean(self.t >= abs(room))) / 2
        # Never 0: at least one resample in so many might have been as extreme.
        return max(farther, 1 / (self.t.size + 1)) if room > 0 else 1 - farther


def _difference_and_error(
    moments: FloatArray, middle: float, gap: float, n: int
) -> tuple[FloatArray, FloatArray]:
    """RMSE difference and its standard error by the delta method, (...,) each.

    ``moments`` (5, ...) are means of x, y, x^2, xy and y^2 over n checkpoints, where x is the mean
    of both squares about ``middle`` and y their difference about ``gap``.
    """
    x, y, xx, xy, yy = moments
    smallest = np.finfo(float).tiny
    a_m = np.sqrt(np.maximum(middle + x + (gap + y) / 2, smallest))
    b_m = np.sqrt(np.maximum(middle + x - (gap + y) / 2, smallest))
    difference_m = (gap + y) / (a_m + b_m)
    # a^2 / 2 rmse_a - b^2 / 2 rmse_b at one checkpoint, written in its middle and gap.
    by_gap, by_middle = (a_m + b_m) / (4 * a_m * b_m), difference_m / (2 * a_m * b_m)
    variance = by_gap**2 * (yy - y * y) - 2 * by_gap * by_middle * (xy - x * y) + by_middle**2 * (xx - x * x)
    return difference_m, np.sqrt(np.maximum(variance, 0.0) / (n - 1))


def _tests(
    a_m: FloatArray, b_m: FloatArray, a_squares: FloatArray, b_squares: FloatArray
) -> tuple[PairedTest, ...]:
    n, k = a_m.shape
    if n < SMALLEST_N_FOR_TESTS:
        why = f"{n} shared checkpoints; a test needs {SMALLEST_N_FOR_TESTS}"
        return tuple(PairedTest(name=name, p_value=None, why_not=why) for name in ("wilcoxon_size", "swap"))
    tests = [
        PairedTest(name="wilcoxon_size", p_value=wilcoxon_p(np.sqrt(a_squares) - np.sqrt(b_squares))),
        PairedTest(name="swap", p_value=swap_p(a_squares, b_squares)),
    ]
    if k == 1:
        first_m, second_m = a_m[:, 0], b_m[:, 0]
        spread_p, rank_p = pitman_morgan_p(first_m, second_m), rank_spread_p(first_m, second_m)
        flat = "the two runs do not differ in spread that could be tested"
        tests += [
            PairedTest(name="wilcoxon_residual", p_value=wilcoxon_p(first_m - second_m)),
            PairedTest(name="pitman_morgan", p_value=spread_p, why_not=flat if spread_p is None else None),
            PairedTest(name="rank_spread", p_value=rank_p, why_not=flat if rank_p is None else None),
        ]
    return tuple(tests)


def wilcoxon_p(difference: FloatArray) -> float:
    """Two-sided p of the signed-rank test of (n,) paired differences."""
    from scipy.stats import wilcoxon

    if not difference.any():
        return 1.0  # every pair is equal: nothing speaks against equality
    # Exact where there are no ties and no zeros; the normal approximation serves the rest.
    sizes = np.abs(difference)
    tied = np.unique(sizes).size < sizes.size or bool((sizes == 0).any())
    exact = not tied and difference.size <= 50
    return float(wilcoxon(difference, method="exact" if exact else "approx").pvalue)


def _correlation_p(x: FloatArray, y: FloatArray) -> float | None:
    n = x.size
    x, y = x - x.mean(), y - y.mean()
    size = math.sqrt(float(x @ x) * float(y @ y))
    if n < 3 or size == 0:
        return None
    r = float(x @ y) / size
    if abs(r) >= 1:
        return 0.0
    return float(2 * stdtr(n - 2, -abs(r) * math.sqrt((n - 2) / (1 - r * r))))


def _standard_error(values: FloatArray) -> float:
    return float(values.std(ddof=1)) / math.sqrt(values.size) if values.size > 1 else 0.0


def _as_columns(values: FloatArray) -> FloatArray:
    return values.reshape(values.shape[0], -1) if values.size else values.reshape(0, 1)


def _counts(one: CheckpointResult) -> bool:
    return one.used and one.role is Role.CHECK


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


def _holm_corrected(comparisons: Sequence[RunComparison], text: LengthText) -> tuple[RunComparison, ...]:
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
    return tuple(replace(one, words=_words(one, text)) for one in with_holm)


def _words(one: RunComparison, text: LengthText) -> str:
    unit = text.small_symbol
    if one.n == 0 or one.rmse_difference_m is None:
        return f"{one.run_a} and {one.run_b} share no measured checkpoint."
    head = (
        f"At {one.n} shared checkpoints {one.run_a} has RMSE {text.small(one.rmse_a_m)} {unit} and "
        f"{one.run_b} {text.small(one.rmse_b_m)} {unit}"
    )
    if one.rmse_difference_interval_95_m is None:
        return f"{head}; that is too few, or too alike, to say how sure the difference is."
    low, high = (text.small(end, signed=True) for end in one.rmse_difference_interval_95_m)
    head += (
        f", a difference of {text.small(one.rmse_difference_m, signed=True)} {unit} "
        f"(95 % interval {low} to {high})"
    )
    p = next((t.p_value if t.p_holm is None else t.p_holm for t in one.tests if t.name == "swap"), None)
    differs = p is not None and p <= SIGNIFICANCE
    alike = one.equivalence_p is not None and one.equivalence_p <= SIGNIFICANCE
    margin = "" if one.margin_m is None else f"{text.class_value(one.margin_m)} {unit}"
    if differs and alike:
        return f"{head}: a real difference, but within {margin} of each other."
    if differs:
        better = one.run_a if one.rmse_difference_m < 0 else one.run_b
        return f"{head}: {better} is the more accurate."
    if alike:
        return f"{head}: shown to be alike within {margin}."
    return f"{head}: no difference is shown, and none is ruled out."


__all__ = [
    "RmseDifference",
    "compare_all_runs",
    "compare_runs",
    "holm",
    "mean_equivalence_p",
    "pitman_morgan_p",
    "rank_spread_p",
    "run_matrix",
    "run_residuals",
    "swap_p",
    "wilcoxon_p",
]
