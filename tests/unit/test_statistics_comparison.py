"""Runs compared: each test against an independent reference, then what is said of the whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import DescrStatsW, ttost_paired

from accuracy.model import (
    CheckpointResult,
    Component,
    PairedTest,
    Role,
    RunComparison,
    RunRecord,
)
from accuracy.statistics.comparison import compare_all_runs, compare_runs, run_matrix
from accuracy.statistics.paired import (
    holm,
    mean_equivalence_p,
    pitman_morgan_p,
    rank_spread_p,
    swap_p,
    wilcoxon_p,
)
from measured_cases import checkpoint_result, horizontal_residual, run_record, vertical_residual


def pair(n: int, scale: float = 1.0, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Two runs of centimetres that share half of their variance."""
    generator = np.random.default_rng(seed)
    shared = generator.normal(0, 0.01, n)
    return shared + generator.normal(0, 0.01, n), scale * (shared + generator.normal(0, 0.01, n))


def ids(n: int) -> list[str]:
    """Names of n checkpoints."""
    return [f"TQ{i:02d}" for i in range(n)]


def named(comparison: RunComparison, name: str) -> PairedTest:
    """The test of that name."""
    return next(test for test in comparison.tests if test.name == name)


def test_pitman_morgan_against_pearson() -> None:
    """The test is Pearson's correlation of sum and difference; scipy computes that on its own."""
    a, b = pair(25, 1.4)
    assert pitman_morgan_p(a, b) == pytest.approx(stats.pearsonr(a + b, a - b).pvalue, rel=1e-9)


def test_rank_spread_against_spearman() -> None:
    """The robust form is Spearman's correlation of the same, residuals centred on medians."""
    a, b = pair(25, 1.4)
    first, second = a - np.median(a), b - np.median(b)
    reference = stats.spearmanr(first + second, first - second).pvalue
    assert rank_spread_p(a, b) == pytest.approx(reference, rel=1e-9)


def test_swap_against_scipy_permutation_test() -> None:
    """All 1,024 swaps of ten pairs, as scipy's own permutation test goes through them."""
    a, b = pair(10, 1.8)
    reference = stats.permutation_test(
        (a, b),
        lambda x, y, axis: np.sqrt(np.mean(x**2, axis)) - np.sqrt(np.mean(y**2, axis)),
        permutation_type="samples",
        vectorized=True,
        n_resamples=np.inf,
    ).pvalue
    assert swap_p(a**2, b**2) == pytest.approx(reference, abs=2 / 1024)


def test_swap_by_drawing_agrees_with_all() -> None:
    """Past 13 pairs swaps are drawn; at 14 the p-value is near that of all 16,384."""
    a, b = pair(14, 1.6, seed=3)
    gap = a**2 - b**2
    signs = 1.0 - 2.0 * ((np.arange(2**14)[:, None] >> np.arange(14)) & 1)
    exact = np.mean(np.abs(signs @ gap) >= abs(gap.sum()) * (1 - 1e-12))
    assert swap_p(a**2, b**2) == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 9999))


def test_mean_equivalence_against_statsmodels() -> None:
    """Two one-sided paired t tests, as statsmodels does them."""
    a, b = pair(30)
    assert mean_equivalence_p(a - b, 0.004) == pytest.approx(ttost_paired(a, b, -0.004, 0.004)[0], rel=1e-9)


@pytest.mark.parametrize(
    "p_values", [[0.01, 0.04, 0.03, 0.005], [0.5], [0.2, 0.2, 0.2], [1e-9, 0.9, 0.04, 0.011, 0.02]]
)
def test_holm_against_statsmodels(p_values: list[float]) -> None:
    """Step-down correction, as statsmodels does it."""
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1], rel=1e-12)


def test_holm_leaves_out_what_was_not_tested() -> None:
    """A test that could not be made neither counts in the family nor gets a p-value."""
    assert holm([0.01, None, 0.03]) == [0.02, None, 0.03]
    assert holm([]) == []


def test_worked_by_hand() -> None:
    """RMSE 5 and 1 cm at two checkpoints: the differences are those of pencil and paper."""
    found = compare_runs(np.array([0.05, -0.05]), np.array([0.01, -0.01]), ids=ids(2))
    assert found.rmse_a_m == pytest.approx(0.05)
    assert found.rmse_b_m == pytest.approx(0.01)
    assert found.rmse_difference_m == pytest.approx(0.04)
    assert found.mean_difference_m == pytest.approx(0.0)
    assert found.rmse_difference_interval_95_m is None
    assert named(found, "swap").p_value is None
    assert named(found, "swap").why_not == "2 shared checkpoints; a test needs 6"
    assert "too few" in found.words


def test_mean_difference_interval_against_statsmodels() -> None:
    """Paired t interval of the mean height difference."""
    a, b = pair(20)
    found = compare_runs(a, b, ids=ids(20))
    assert found.mean_difference_interval_95_m == pytest.approx(DescrStatsW(a - b).tconfint_mean(), rel=1e-9)


def test_wilcoxon_against_scipy() -> None:
    """Both signed-rank tests, on sizes and on signed residuals."""
    a, b = pair(20, 1.5)
    found = compare_runs(a, b, ids=ids(20))
    assert named(found, "wilcoxon_size").p_value == pytest.approx(
        stats.wilcoxon(np.abs(a) - np.abs(b), method="exact").pvalue
    )
    assert named(found, "wilcoxon_residual").p_value == pytest.approx(
        stats.wilcoxon(a - b, method="exact").pvalue
    )


@pytest.mark.parametrize("n", [1, 2, 6, 13, 30, 50, 51, 80])
def test_signed_ranks_against_scipy(n: int) -> None:
    """Exact to 50 differences, approximate beyond: scipy's own p-values, whichever side is the larger."""
    generator = np.random.default_rng(n)
    for shift in (-0.8, 0.0, 0.3):
        difference = generator.normal(shift, 1, n)
        reference = stats.wilcoxon(difference, method="exact" if n <= 50 else "approx").pvalue
        assert wilcoxon_p(difference) == pytest.approx(reference, rel=1e-12)


@pytest.mark.parametrize(
    "difference",
    [[1.0, -1.0, 2.0, 3.0, 4.0, 5.0, 6.0], [0.0, 1.0, 2.0, -3.0, 4.0, 5.0, 6.0]],
    ids=["tie", "zero"],
)
def test_signed_ranks_with_ties_and_zeros(difference: list[float]) -> None:
    """Equal sizes or a difference of nothing: the normal approximation, as scipy makes it."""
    reference = stats.wilcoxon(difference, method="approx").pvalue
    assert wilcoxon_p(np.array(difference)) == pytest.approx(reference, rel=1e-12)


def test_paired_bootstrap_against_scipy() -> None:
    """In a large sample scipy's paired BCa interval is the same within a tenth of its width."""
    a, b = pair(500, 1.2)
    reference = stats.bootstrap(
        (a, b),
        lambda x, y, axis: np.sqrt(np.mean(x**2, axis)) - np.sqrt(np.mean(y**2, axis)),
        paired=True,
        vectorized=True,
        method="BCa",
        rng=1,
    ).confidence_interval
    found = compare_runs(a, b, ids=ids(500)).rmse_difference_interval_95_m
    width = reference.high - reference.low
    assert found == pytest.approx((reference.low, reference.high), abs=0.1 * width)


def test_a_planted_difference_is_found_and_named() -> None:
    """Run b errs twice as much as run a at 48 checkpoints: that is seen, and a is named."""
    a, b = pair(48, 2.0)
    found = compare_runs(a, b, ids=ids(48), run_a="12 km/h", run_b="24 km/h", margin_m=0.002)
    assert found.rmse_difference_interval_95_m is not None
    assert found.rmse_difference_interval_95_m[1] < 0
    for name in ("wilcoxon_size", "pitman_morgan", "rank_spread", "swap"):
        p = named(found, name).p_value
        assert p is not None
        assert p < 0.01
    assert found.words.endswith("12 km/h is the more accurate.")
    assert found.equivalence_p is not None
    assert found.equivalence_p > 0.5


def test_alike_runs_are_shown_to_be_alike_only_within_a_wide_margin() -> None:
    """Absence of a difference is no proof of equality: the margin decides."""
    a, b = pair(48)
    wide, narrow = (compare_runs(a, b, ids=ids(48), margin_m=margin) for margin in (0.02, 0.0005))
    assert wide.words.endswith("shown to be alike within 2 cm.")
    assert narrow.words.endswith("no difference is shown, and none is ruled out.")


def test_equivalence_agrees_with_the_90_percent_interval() -> None:
    """p <= 5 % exactly where the margin encloses the 90 % interval (interval inclusion)."""
    a, b = pair(30, 1.1)
    margins = np.linspace(0.001, 0.012, 60)
    p_values = [compare_runs(a, b, ids=ids(30), margin_m=float(m)).equivalence_p for m in margins]
    known = np.array([p for p in p_values if p is not None])
    assert known.size == 60
    assert (np.diff(known) <= 0).all()
    assert known[0] > 0.05 > known[-1]


@pytest.mark.parametrize("k", [2, 3])
def test_radial_comparison(k: int) -> None:
    """Horizontal and 3D runs are compared by the size of their residuals; signed tests are left out."""
    generator = np.random.default_rng(k)
    a, b = generator.normal(0, 0.01, (30, k)), generator.normal(0, 0.03, (30, k))
    found = compare_runs(a, b, ids=ids(30), component=Component.HORIZONTAL)
    assert found.rmse_a_m == pytest.approx(np.sqrt((a**2).sum(axis=1).mean()))
    assert found.mean_difference_m is None
    assert [test.name for test in found.tests] == ["wilcoxon_size", "swap"]
    assert found.words.endswith("a is the more accurate.")


@pytest.mark.parametrize("k", [1, 2])
def test_order_of_checkpoints_changes_nothing(k: int) -> None:
    """The same pairs in another order give the same comparison, to the last bit."""
    generator = np.random.default_rng(9)
    a, b = generator.normal(size=(2, 25, k))
    turn = generator.permutation(25)
    first = compare_runs(a, b, ids=ids(25), margin_m=0.5)
    second = compare_runs(a[turn], b[turn], ids=ids(25), margin_m=0.5)
    assert first == second


def test_the_same_run_twice() -> None:
    """Identical residuals: no difference, every p-value 1 or absent with a reason, no warning."""
    a, _ = pair(20)
    found = compare_runs(a, a, ids=ids(20), margin_m=0.01)
    assert found.rmse_difference_m == 0
    assert found.rmse_difference_interval_95_m is None
    assert named(found, "swap").p_value == 1
    assert named(found, "wilcoxon_size").p_value == 1
    assert named(found, "pitman_morgan").p_value is None
    assert named(found, "pitman_morgan").why_not


def test_ties_and_zeros_do_not_warn() -> None:
    """Residuals rounded to the centimetre tie and cancel; the tests still answer."""
    a, b = (np.round(r, 2) for r in pair(40, 1.5))
    found = compare_runs(a, b, ids=ids(40))
    p = named(found, "wilcoxon_size").p_value
    assert p is not None
    assert 0 < p < 1


def test_runs_that_differ_at_one_checkpoint_only() -> None:
    """One difference among twenty: resampling cannot bound it, and the report says no number."""
    a = np.full(20, 0.02)
    b = np.append(np.full(19, 0.02), 0.05)
    found = compare_runs(a, b, ids=ids(20), margin_m=0.001)
    assert found.rmse_difference_interval_95_m is None
    assert found.equivalence_p is not None
    assert found.equivalence_p > 0.2


def test_unpaired_or_missing_values_are_refused() -> None:
    """Arrays that do not pair, or hold NaN, are an error and never a comparison."""
    with pytest.raises(ValueError, match="do not pair at 3 ids"):
        compare_runs(np.zeros(3), np.zeros(2), ids=ids(3))
    with pytest.raises(ValueError, match="not a finite number"):
        compare_runs(np.array([0.0, np.nan]), np.zeros(2), ids=ids(2))


def test_no_shared_checkpoint() -> None:
    """Runs without a common checkpoint are not compared, in words."""
    found = compare_runs(np.empty(0), np.empty(0), ids=[], run_a="east", run_b="west")
    assert found.n == 0
    assert found.rmse_difference_m is None
    assert found.words == "east and west share no measured checkpoint."


# --------------------------------------------------------------------------- from records


def result(name: str, height_m: float | None, sky: str = "open sky") -> CheckpointResult:
    """A used checkpoint whose horizontal residual is twice its height residual, to the east."""
    number = int("".join(filter(str.isdigit, name)) or 0)
    return checkpoint_result(
        name,
        vertical_residual(height_m),
        horizontal_residual(None if height_m is None else (2 * height_m, 0.0)),
        at_m=(10.0 * number, 0.0, 0.0),  # each at a place of its own
        sigma_m=(None,) * 3,
        attributes={"sky": sky},
    )


def run(name: str, *checkpoints: CheckpointResult) -> RunRecord:
    """A run with those results and nothing else."""
    return run_record(name, checkpoints)


def test_only_shared_checkpoints_are_compared() -> None:
    """A checkpoint that one run missed, did not use or used as control is out of the pair."""
    first = run("a", *(result(f"c{i}", 0.01) for i in range(10)))
    second = run(
        "b",
        result("c0", None),
        replace(result("c1", 0.01), used=False),
        replace(result("c2", 0.01), role=Role.CONTROL),
        *(result(f"c{i}", 0.02) for i in range(3, 9)),
    )
    (found,) = compare_all_runs([first, second], Component.VERTICAL)
    assert found.ids == ("c3", "c4", "c5", "c6", "c7", "c8")
    assert found.rmse_difference_m == pytest.approx(-0.01)


@pytest.mark.parametrize(
    ("component", "rmse_m"),
    [(Component.VERTICAL, 0.01), (Component.HORIZONTAL, 0.02), (Component.THREE_D, 0.01 * 5**0.5)],
)
def test_components(component: Component, rmse_m: float) -> None:
    """Heights, horizontal and 3D each take their own components."""
    runs = [run(name, *(result(f"c{i}", 0.01) for i in range(7))) for name in "ab"]
    (found,) = compare_all_runs(runs, component)
    assert found.rmse_a_m == pytest.approx(rmse_m)
    assert found.component is component


def test_every_pair_is_corrected_together() -> None:
    """Three runs make three pairs, and each p-value is Holm's of the three."""
    generator = np.random.default_rng(2)
    runs = [
        run(name, *(result(f"c{i}", float(h)) for i, h in enumerate(generator.normal(0, scale, 20))))
        for name, scale in (("slow", 0.01), ("brisk", 0.014), ("fast", 0.03))
    ]
    found = compare_all_runs(runs, Component.VERTICAL)
    assert [(one.run_a, one.run_b) for one in found] == [
        ("slow", "brisk"),
        ("slow", "fast"),
        ("brisk", "fast"),
    ]
    plain = [named(one, "swap").p_value for one in found]
    reference = multipletests(plain, method="holm")[1]
    assert [named(one, "swap").p_holm for one in found] == pytest.approx(list(reference))


def test_strata() -> None:
    """Under the trees the runs differ, in the open they do not: each stratum speaks for itself."""
    generator = np.random.default_rng(3)
    slow, fast = [], []
    for i in range(40):
        sky = "canopy" if i % 2 else "open sky"
        slow.append(result(f"c{i}", float(generator.normal(0, 0.01)), sky))
        fast.append(result(f"c{i}", float(generator.normal(0, 0.05 if sky == "canopy" else 0.01)), sky))
    found = compare_all_runs([run("slow", *slow), run("fast", *fast)], Component.VERTICAL, attribute="sky")
    assert [(one.stratum, one.n) for one in found] == [("sky: canopy", 20), ("sky: open sky", 20)]
    assert found[0].words.endswith("slow is the more accurate.")
    assert found[1].words.endswith("none is ruled out.")


def test_matrix() -> None:
    """Rows are runs, columns checkpoints in the order met; what was not measured stays empty."""
    runs = [
        run("a", result("c1", 0.01), result("c2", -0.02)),
        run("b", result("c2", None), result("c3", 0.03)),
    ]
    heights = run_matrix(runs, Component.VERTICAL)
    assert heights.ids == ("c1", "c2", "c3")
    assert heights.residual_m == ((0.01, -0.02, None), (None, None, 0.03))
    assert run_matrix(runs, Component.HORIZONTAL).residual_m == ((0.02, 0.04, None), (None, None, 0.06))
