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
from accuracy.statistics.comparison import compare_runs, holm, pitman_morgan_p, rank_spread_p, swap_p
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
                (chi_square_interval(rmse(r), sample.rmse_degrees_of_freedom), 1.0),
                (
                    mean_interval(
                        mean, deviation * sample.standard_error_ratio, sample.mean_degrees_of_freedom
                    ),
                    0.0,
                ),
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


def test_difference_interval_and_equivalence() -> None:
    """The RMSE difference is covered, and runs at the edge of the margin are seldom called alike."""
    generator, draws, n = np.random.default_rng(11), 250, 20
    inside = alike = 0
    for _ in range(draws):
        shared = generator.standard_normal(n)
        a = (shared + generator.standard_normal(n)) / 2**0.5
        b = 1.3 * (shared + generator.standard_normal(n)) / 2**0.5
        found = compare_runs(a, b, ids=[""] * n, margin_m=0.3)
        assert found.rmse_difference_interval_95_m is not None
        assert found.equivalence_p is not None
        low, high = found.rmse_difference_interval_95_m
        inside += low <= -0.3 <= high
        alike += found.equivalence_p <= 0.05
    assert inside / draws == pytest.approx(0.95, abs=three_errors(0.95, draws))
    assert alike / draws <= 0.05 + three_errors(0.05, draws)


@pytest.mark.parametrize("n", [6, 10, 30, 100])
def test_sound_residuals_are_seldom_flagged(n: int) -> None:
    """Some sound residual of a normal sample is flagged in fewer than one sample of ten."""
    generator, draws = np.random.default_rng(n), 1500
    flagged = sum(bool(outliers(generator.standard_normal(n)).any()) for _ in range(draws))
    assert 0.02 <= flagged / draws <= 0.10
