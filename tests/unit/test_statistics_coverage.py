"""Intervals hold what they promise, and tests err as rarely as they promise: a small simulation.

``tests/benchmarks/sim_intervals.py`` is the full one. Seeds are fixed, so nothing here is left to
luck; the bounds are three standard errors of the count about the nominal level.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy import stats

from accuracy.model import FloatArray, Interval
from accuracy.relative.differences import models_of_places
from accuracy.rounding import LengthText
from accuracy.statistics.comparison import compare_groups, compare_runs, holm_corrected
from accuracy.statistics.comparison_words import finding
from accuracy.statistics.correlation import correlation_models, effective_sample
from accuracy.statistics.intervals import (
    chi_square_interval,
    mean_interval,
    median_interval,
    nmad_interval,
    probability_rmse_below,
    quantile_interval,
    radial_degrees_of_freedom,
    rmse_bootstrap_interval,
)
from accuracy.statistics.paired import RmseDifference, holm, pitman_morgan_p, rank_spread_p, swap_p
from accuracy.statistics.summary import outliers, rmse


def three_errors(share: float, draws: int) -> float:
    """Three standard errors of a share that is counted over so many draws."""
    return 3 * float(np.sqrt(share * (1 - share) / draws))


def radial(r: FloatArray) -> Interval | None:
    """Chi-square interval of RMSE_H from one column cut into two axes."""
    both = r.reshape(-1, 2)
    return chi_square_interval(rmse(np.hypot(*both.T)), radial_degrees_of_freedom(both))


INTERVALS: dict[str, tuple[Callable[[FloatArray], Interval | None], float]] = {
    "mean": (lambda r: mean_interval(float(r.mean()), float(stats.sem(r)), r.size - 1), 0.0),
    "standard deviation": (lambda r: chi_square_interval(float(r.std(ddof=1)), r.size - 1), 1.0),
    "rmse": (lambda r: chi_square_interval(rmse(r), r.size), 1.0),
    "rmse_h": (radial, 2**0.5),
    "median": (median_interval, 0.0),
    "nmad": (nmad_interval, 1.4826 * float(stats.norm.ppf(0.75))),
}


@pytest.mark.parametrize("n", [10, 30])
@pytest.mark.parametrize("name", INTERVALS)
def test_interval_covers(name: str, n: int) -> None:
    """95 % of normal samples have the truth inside, at 10 and at 30 residuals."""
    interval_of, truth = INTERVALS[name]
    generator, draws = np.random.default_rng(n), 1500
    inside = 0
    for _ in range(draws):
        interval = interval_of(generator.standard_normal(2 * n if name == "rmse_h" else n))
        assert interval is not None
        inside += interval[0] <= truth <= interval[1]
    assert inside / draws == pytest.approx(0.95, abs=three_errors(0.95, draws))


@pytest.mark.parametrize("n", [10, 30])
def test_bootstrap_covers(n: int) -> None:
    """The studentised bootstrap holds 95 % for normal residuals where BCa holds 85 % (n = 10)."""
    generator, draws = np.random.default_rng(n), 800
    inside = 0
    for _ in range(draws):
        interval = rmse_bootstrap_interval(np.abs(generator.standard_normal(n)))
        assert interval is not None
        inside += interval[0] <= 1 <= interval[1]
    assert inside / draws == pytest.approx(0.95, abs=three_errors(0.95, draws))


def test_quantile_covers_without_normality() -> None:
    """The 95 % quantile's interval holds for Laplace residuals too, from 72 on."""
    generator, draws, truth = np.random.default_rng(72), 1500, float(stats.laplace.ppf(0.975))
    inside = 0
    for _ in range(draws):
        interval = quantile_interval(np.abs(generator.laplace(size=72)), 0.95)
        assert interval is not None
        inside += interval[0] <= truth <= interval[1]
    assert inside / draws == pytest.approx(0.95, abs=three_errors(0.95, draws))


def test_probability_means_what_it_says() -> None:
    """Where the true RMSE is exactly the class, the stated probability is uniform between 0 and 1."""
    generator = np.random.default_rng(4)
    said = [probability_rmse_below(generator.standard_normal(12), 1.0) for _ in range(1500)]
    assert stats.kstest(said, "uniform").pvalue > 0.01


@pytest.mark.parametrize(
    ("length_m", "plain"),
    [(0.0, (0.93, 0.97)), (100.0, (0.0, 0.75))],
    ids=["independent", "drifting over 100 m"],
)
def test_intervals_along_a_drive(length_m: float, plain: tuple[float, float]) -> None:
    """Drift ruins the plain intervals of 48 checkpoints on 1.1 km; the widened ones hold in both."""
    n, draws = 48, 800
    place_m = np.linspace(0, 1100, n)
    models = correlation_models(place_m, np.zeros(n))
    assert models is not None
    truth = np.eye(n)
    if length_m:
        truth = np.exp(-np.abs(place_m[:, None] - place_m) / length_m)
    root, generator = np.linalg.cholesky(truth), np.random.default_rng(48)
    counts = np.zeros(4)
    for _ in range(draws):
        r = root @ generator.standard_normal(n)
        sample = effective_sample(r, models)
        assert sample is not None
        mean, deviation = float(r.mean()), float(r.std(ddof=1))
        for i, (interval, true) in enumerate(
            (
                (chi_square_interval(rmse(r), n), 1.0),
                (mean_interval(mean, deviation / n**0.5, n - 1), 0.0),
                (sample.rmse_interval_95_m(rmse(r)), 1.0),
                (sample.mean_interval_95_m(mean, deviation), 0.0),
            )
        ):
            assert interval is not None
            counts[i] += interval[0] <= true <= interval[1]
    for share in counts[:2] / draws:
        assert plain[0] <= share <= plain[1]
    for share in counts[2:] / draws:
        assert 0.945 <= share <= 0.99


@pytest.mark.parametrize(
    ("test", "draws"), [(pitman_morgan_p, 1500), (rank_spread_p, 1000)], ids=["pitman", "rank"]
)
def test_spread_tests_err_at_five_percent(
    test: Callable[[FloatArray, FloatArray], float | None], draws: int
) -> None:
    """Two equally accurate runs over one survey are told apart in one of twenty samples."""
    generator, n = np.random.default_rng(8), 30
    rejected = 0
    for _ in range(draws):
        shared = generator.standard_normal(n)
        p = test(shared + generator.standard_normal(n), shared + generator.standard_normal(n))
        assert p is not None
        rejected += p <= 0.05
    assert rejected / draws == pytest.approx(0.05, abs=three_errors(0.05, draws))


def test_swap_test_errs_at_five_percent() -> None:
    """The permutation test is exact: at n = 12 all 4,096 swaps are tried."""
    generator, draws = np.random.default_rng(9), 1000
    rejected = sum(
        swap_p(generator.standard_t(3, 12) ** 2, generator.standard_t(3, 12) ** 2) <= 0.05
        for _ in range(draws)
    )
    assert rejected / draws == pytest.approx(0.05, abs=three_errors(0.05, draws))


def test_holm_holds_the_family() -> None:
    """Fifteen pairs of six equal runs: any false rejection in at most one family of twenty."""
    generator, draws = np.random.default_rng(10), 600
    plain = corrected = 0
    for _ in range(draws):
        runs = generator.standard_normal((6, 30)) + generator.standard_normal(30)
        p_values = [pitman_morgan_p(runs[i], runs[j]) for i in range(6) for j in range(i)]
        plain += any(p is not None and p <= 0.05 for p in p_values)
        corrected += any(p is not None and p <= 0.05 for p in holm(p_values))
    assert plain / draws > 0.2  # without a correction the test would be useless
    assert corrected / draws <= 0.05 + three_errors(0.05, draws)


@pytest.mark.parametrize(("n", "axes", "scale"), [(10, 1, 1.3), (10, 2, 1.0), (20, 1, 1.0), (48, 3, 1.3)])
def test_difference_interval_covers(n: int, axes: int, scale: float) -> None:
    """The RMSE difference of two runs over one survey is held in 95 % of samples, few or many, any axes."""
    generator, draws = np.random.default_rng(11), 1000
    shared, own_a, own_b = generator.standard_normal((3, draws, n, axes))
    a_squares = ((shared + own_a) ** 2 / 2).sum(axis=2)
    b_squares = scale**2 * ((shared + own_b) ** 2 / 2).sum(axis=2)
    truth, inside = (1 - scale) * axes**0.5, 0
    for a, b in zip(a_squares, b_squares, strict=True):
        interval = RmseDifference(a, b).interval(0.95)
        assert interval is not None
        inside += interval[0] <= truth <= interval[1]
    assert inside / draws == pytest.approx(0.95, abs=three_errors(0.95, draws))


@pytest.mark.parametrize(
    ("runs_a", "runs_b", "n", "axes"), [(2, 2, 10, 2), (3, 3, 20, 1), (3, 1, 20, 1), (6, 1, 48, 2)]
)
def test_groups_of_runs_hold_their_level(runs_a: int, runs_b: int, n: int, axes: int) -> None:
    """Equal groups over one survey: intervals hold 95 %; the swap test errs in 5 %, uneven ones up to 7 %."""
    generator, draws = np.random.default_rng(14), 500
    shared = generator.standard_normal((draws, n, 1, axes))
    both = shared + generator.standard_normal((draws, n, runs_a + runs_b, axes))
    inside = mean_inside = told = 0
    for one in both:
        found = compare_groups(one[:, :runs_a], one[:, runs_a:], ids=("",) * n)
        interval, mean = found.rmse_difference_interval_95_m, found.mean_difference_interval_95_m
        assert interval is not None
        inside += interval[0] <= 0 <= interval[1]
        mean_inside += mean is not None and mean[0] <= 0 <= mean[1]
        told += next(test.p_value or 0.0 for test in found.tests if test.name == "swap") <= 0.05
    assert inside / draws == pytest.approx(0.95, abs=three_errors(0.95, draws))
    if axes == 1:
        assert mean_inside / draws == pytest.approx(0.95, abs=three_errors(0.95, draws))
    most = 0.05 if runs_a == runs_b else 0.07
    assert 0.05 - three_errors(0.05, draws) <= told / draws <= most + three_errors(most, draws)


def findings_of_pairs(scale: float, draws: int) -> tuple[list[str], float]:
    """Findings at 20 checkpoints, the second erring ``scale`` times; the share that the swap test tells."""
    generator, n = np.random.default_rng(15), 20
    said, told = [], 0
    for _ in range(draws):
        shared, own_a, own_b = generator.standard_normal((3, n))
        one = compare_runs(shared + own_a, scale * (shared + own_b), ids=("",) * n)
        said.append(finding(one))
        told += next(test.p_value or 0.0 for test in one.tests if test.name == "swap") <= 0.05
    return said, told / draws


def test_false_claims_between_two_runs_are_rare() -> None:
    """Of two equal runs one is called the more accurate in at most one of twenty samples."""
    said, told = findings_of_pairs(1.0, draws := 800)
    claimed = (said.count("first better") + said.count("second better")) / draws
    assert claimed <= 0.05 + three_errors(0.05, draws)
    assert claimed <= told


def test_asking_both_methods_still_finds_what_differs() -> None:
    """A run that errs 1.6 times as much is found nearly as often as by the swap test, and never praised."""
    said, told = findings_of_pairs(1.6, draws := 400)
    claimed = said.count("first better") / draws
    assert 0.75 * told <= claimed <= told
    assert claimed >= 0.4
    assert "second better" not in said


def test_claims_among_many_pairs() -> None:
    """Fifteen pairs of six equal runs: any run called the better in at most one family of twenty."""
    generator, draws, n = np.random.default_rng(16), 100, 20
    wrong = 0
    for _ in range(draws):
        runs = generator.standard_normal(n) + generator.standard_normal((6, n))
        pairs = [compare_runs(runs[i], runs[j], ids=("",) * n) for i in range(6) for j in range(i)]
        claims = [finding(one) for one in holm_corrected(pairs, LengthText())]
        wrong += any(claim in ("first better", "second better") for claim in claims)
    assert wrong / draws <= 0.05 + three_errors(0.05, draws)


@pytest.mark.parametrize("n", [20, 48])
def test_equivalence_errs_at_five_percent(n: int) -> None:
    """Runs at the very edge of the margin are called alike in at most one of twenty samples."""
    generator, draws = np.random.default_rng(13), 800
    shared, own_a, own_b = generator.standard_normal((3, draws, n, 2))
    a_squares, b_squares = (shared + own_a) ** 2 / 2, 1.3**2 * (shared + own_b) ** 2 / 2
    alike = 0
    for a, b in zip(a_squares.sum(axis=2), b_squares.sum(axis=2), strict=True):
        p = RmseDifference(a, b).equivalence_p(0.3 * 2**0.5)
        assert p is not None
        alike += p <= 0.05
    assert alike / draws <= 0.05 + three_errors(0.05, draws)


@pytest.mark.parametrize(("n", "bias"), [(200, 0.0), (2000, 0.0), (2000, 1.0)])
def test_relative_intervals_of_independent_places(n: int, bias: float) -> None:
    """Mean and RMSD of all places, not of those alone that the correlation is sought at; with a bias too."""
    generator, draws = np.random.default_rng(n), 600
    x, y = generator.uniform(0, 1000, n), generator.uniform(0, 8, n)
    chosen, models = models_of_places(x, y)
    assert models is not None
    inside = np.zeros(2)
    for d in bias + generator.standard_normal((draws, n)):
        worth = effective_sample(d[chosen], models)
        assert worth is not None
        mean = worth.mean_interval_95_m(float(d.mean()), float(d.std(ddof=1)))
        rmsd = worth.rmse_interval_95_m(rmse(d))
        inside += [mean[0] <= bias <= mean[1], rmsd[0] <= (1 + bias**2) ** 0.5 <= rmsd[1]]
    assert inside / draws == pytest.approx([0.955, 0.955], abs=three_errors(0.955, draws))


def test_relative_intervals_of_places_that_agree() -> None:
    """Places that share 70 % of their variance over 20 m, with a bias: both still hold nearly as often."""
    n, draws = 1000, 400
    generator = np.random.default_rng(20)
    x, y = generator.uniform(0, 1000, n), generator.uniform(0, 8, n)
    true = 0.7 * np.exp(-np.hypot(x[:, None] - x, y[:, None] - y) / 20)
    np.fill_diagonal(true, 1.0)
    chosen, models = models_of_places(x, y)
    assert models is not None
    inside = np.zeros(2)
    for d in 1 + generator.standard_normal((draws, n)) @ np.linalg.cholesky(true).T:
        worth = effective_sample(d[chosen], models)
        assert worth is not None
        mean = worth.mean_interval_95_m(float(d.mean()), float(d.std(ddof=1)))
        rmsd = worth.rmse_interval_95_m(rmse(d))
        inside += [mean[0] <= 1 <= mean[1], rmsd[0] <= 2**0.5 <= rmsd[1]]
    assert (inside / draws >= 0.935 - three_errors(0.935, draws)).all()


@pytest.mark.parametrize("n", [6, 10, 30, 100])
def test_sound_residuals_are_seldom_flagged(n: int) -> None:
    """Some sound residual of a normal sample is flagged in 4 to 6 % of samples."""
    generator, draws = np.random.default_rng(n), 1500
    flagged = sum(bool(outliers(generator.standard_normal(n)).any()) for _ in range(draws))
    assert flagged / draws == pytest.approx(0.05, abs=0.01 + three_errors(0.05, draws))
