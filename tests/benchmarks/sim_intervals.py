"""Coverage of every printed interval and error rate of every test, by simulation.

Run ``python tests/benchmarks/sim_intervals.py [--draws 10000] [--only NAME]``; all of it takes
the better part of an hour on one core. Every figure comes from the product's own functions on
invented residuals of known truth; nominal is 95 % coverage and 5 % error. With 10,000 draws a true
95 % shows as 94.6 to 95.4. ``test_statistics_coverage.py`` keeps a small version in the suite.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from accuracy.model import Interval
from accuracy.statistics.comparison import (
    compare_runs,
    holm,
    mean_equivalence_p,
    pitman_morgan_p,
    rank_spread_p,
    swap_p,
)
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
from accuracy.statistics.summary import mean_and_standard_deviation, outliers, rmse

Array = NDArray[np.float64]
SIZES = (10, 20, 30, 48, 100)

# Each distribution: a sampler, and its true mean, median, standard deviation and upper quartile
# and 95 % quantile of the size.
LAPLACE_SIZE = stats.expon
DISTRIBUTIONS: dict[str, tuple[Callable[[np.random.Generator, int], Array], dict[str, float]]] = {
    "normal": (
        lambda g, n: g.standard_normal(n),
        {"mean": 0, "sd": 1, "median": 0, "mad": stats.norm.ppf(0.75), "q95": stats.norm.ppf(0.975)},
    ),
    "normal, bias 0.5 sd": (
        lambda g, n: 0.5 + g.standard_normal(n),
        {
            "mean": 0.5,
            "sd": 1,
            "median": 0.5,
            "mad": stats.norm.ppf(0.75),
            "q95": float(np.sqrt(stats.ncx2.ppf(0.95, 1, 0.25))),
        },
    ),
    "t, 5 df": (
        lambda g, n: g.standard_t(5, n),
        {
            "mean": 0,
            "sd": stats.t.std(5),
            "median": 0,
            "mad": stats.t.ppf(0.75, 5),
            "q95": stats.t.ppf(0.975, 5),
        },
    ),
    "Laplace": (
        lambda g, n: g.laplace(size=n),
        {
            "mean": 0,
            "sd": 2**0.5,
            "median": 0,
            "mad": stats.laplace.ppf(0.75),
            "q95": stats.laplace.ppf(0.975),
        },
    ),
}


def covers(interval: Interval | None, truth: float) -> float:
    """1 where the interval holds the truth, 0 where not, NaN where there is none."""
    return float("nan") if interval is None else float(interval[0] <= truth <= interval[1])


def percent(values: list[float]) -> str:
    """Mean of ones and zeros as per cent; a dash where there is none."""
    return "  –  " if np.isnan(values).all() else f"{100 * np.mean(values):5.1f}"


def axis_coverage(draws: int) -> None:
    """Intervals of one axis."""
    names = ("mean t", "sd chi2", "RMSE chi2", "RMSE boot", "median", "NMAD", "|r| 95 %")
    for title, (sample, truth) in DISTRIBUTIONS.items():
        print(f"\n## {title}: coverage in %\n\n| n | {' | '.join(names)} |\n|---|{'---|' * len(names)}")
        true_rmse = float(np.hypot(truth["mean"], truth["sd"]))
        for n in SIZES:
            generator = np.random.default_rng(n)
            hits: dict[str, list[float]] = {name: [] for name in names}
            for _ in range(draws):
                r = sample(generator, n)
                mean, deviation = mean_and_standard_deviation(r)
                assert deviation is not None
                root = rmse(r)
                for name, interval, true in (
                    ("mean t", mean_interval(mean, deviation / n**0.5, n - 1), truth["mean"]),
                    ("sd chi2", chi_square_interval(deviation, n - 1), truth["sd"]),
                    ("RMSE chi2", chi_square_interval(root, n), true_rmse),
                    ("RMSE boot", rmse_bootstrap_interval(np.abs(r)), true_rmse),
                    ("median", median_interval(r), truth["median"]),
                    ("NMAD", nmad_interval(r), 1.4826 * truth["mad"]),
                    ("|r| 95 %", quantile_interval(np.abs(r), 0.95), truth["q95"]),
                ):
                    hits[name].append(covers(interval, true))
            print(f"| {n} | " + " | ".join(percent(hits[name]) for name in names) + " |", flush=True)


def radial_coverage(draws: int) -> None:
    """RMSE_H and RMSE_3D, equal, unequal and correlated axes."""
    cases = {
        "H, equal axes": np.eye(2),
        "H, 1 : 0.4": np.diag([1, 0.16]),
        "H, correlated 0.7": np.array([[1, 0.7], [0.7, 1]]),
        "3D, equal axes": np.eye(3),
        "3D, 1 : 1 : 2": np.diag([1.0, 1.0, 4.0]),
    }
    print("\n## Radial RMSE: coverage in % (chi-square with estimated freedom / bootstrap)\n")
    print(f"| case | {' | '.join(f'n = {n}' for n in SIZES)} |\n|---|{'---|' * len(SIZES)}")
    for title, covariance in cases.items():
        root, truth = np.linalg.cholesky(covariance), float(np.sqrt(np.trace(covariance)))
        cells = []
        for n in SIZES:
            generator = np.random.default_rng(n)
            hits: tuple[list[float], list[float]] = ([], [])
            for _ in range(draws):
                r = generator.standard_normal((n, covariance.shape[0])) @ root.T
                size = np.sqrt((r**2).sum(axis=1))
                interval = chi_square_interval(rmse(size), radial_degrees_of_freedom(r))
                hits[0].append(covers(interval, truth))
                hits[1].append(covers(rmse_bootstrap_interval(size), truth))
            cells.append(f"{percent(hits[0])} / {percent(hits[1])}")
        print(f"| {title} | {' | '.join(cells)} |", flush=True)


def correlated_coverage(draws: int) -> None:
    """Mean and RMSE along a corridor of 1.1 km whose residuals drift together."""
    print("\n## Along a 1.1 km corridor: coverage in %, plain and widened; effective n\n")
    print("| n | correlation length | part | mean t | mean widened | RMSE chi2 | RMSE widened |", end="")
    print(" true n_eff | median n_eff (10-90 %) | said to be correlated |\n|" + "---|" * 10)
    for n in (20, 48):
        for length_m, part in ((0, 0), (25, 1), (50, 1), (100, 1), (200, 1), (100, 0.5), (300, 0.5)):
            generator = np.random.default_rng(n)
            place_m = np.linspace(0, 1100, n)
            models = correlation_models(place_m, 0 * place_m)
            assert models is not None
            true = np.eye(n)
            if part:
                true = (1 - part) * true + part * np.exp(-np.abs(place_m[:, None] - place_m) / length_m)
            root = np.linalg.cholesky(true)
            hits: list[list[float]] = [[], [], [], []]
            effective, said = [], []
            for _ in range(draws):
                r = root @ generator.standard_normal(n)
                sample = effective_sample(r, models)
                assert sample is not None
                mean, deviation = mean_and_standard_deviation(r)
                assert deviation is not None
                wide = deviation * sample.standard_error_ratio
                for into, interval, truth in zip(
                    hits,
                    (
                        mean_interval(mean, deviation / n**0.5, n - 1),
                        mean_interval(mean, wide, sample.mean_degrees_of_freedom),
                        chi_square_interval(rmse(r), n),
                        chi_square_interval(rmse(r), sample.rmse_degrees_of_freedom),
                    ),
                    (0, 0, 1, 1),
                    strict=True,
                ):
                    into.append(covers(interval, truth))
                effective.append(sample.effective_n)
                said.append(float(sample.correlation_length_m is not None))
            low, middle, high = np.quantile(effective, [0.1, 0.5, 0.9])
            print(
                f"| {n} | {length_m} m | {part} | {' | '.join(map(percent, hits))} | "
                f"{n**2 / true.sum():.1f} | {middle:.1f} ({low:.1f} to {high:.1f}) | {percent(said)} |",
                flush=True,
            )


def probability_calibration(draws: int) -> None:
    """The probability that the class is met, where the true RMSE is log-uniform about the class."""
    print("\n## Probability that the class is met: said and true, in %\n")
    print("| case | 0-10 | 10-30 | 30-50 | 50-70 | 70-90 | 90-100 |\n|---|---|---|---|---|---|---|")
    edges = (0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0001)
    for n in (10, 30):
        for k in (1, 2):
            generator = np.random.default_rng(n)
            sigma = np.exp(generator.uniform(-2.5, 2.5, 4 * draws))
            said = np.array(
                [probability_rmse_below(s * generator.standard_normal((n, k)), k**0.5) for s in sigma],
                dtype=float,
            )
            cells = []
            for low, high in itertools.pairwise(edges):
                inside = (said >= low) & (said < high)
                cells.append(f"{100 * said[inside].mean():.1f} / {100 * np.mean(sigma[inside] <= 1):.1f}")
            print(f"| n = {n}, {k} axis | {' | '.join(cells)} |", flush=True)


def paired_tests(draws: int) -> None:
    """Error rate of each paired test where both runs are equally accurate, and its power."""
    print("\n## Paired tests: rejected at 5 %, in %\n")
    names = ("Wilcoxon size", "Wilcoxon signed", "Pitman-Morgan", "rank spread", "swap")
    print(f"| runs | n | {' | '.join(names)} |\n|---|---|{'---|' * len(names)}")
    cases: dict[str, tuple[str, float, float]] = {
        "equal, normal": ("normal", 1.0, 0.0),
        "equal, t 5 df": ("t", 1.0, 0.0),
        "b 1.5 times a": ("normal", 1.5, 0.0),
        "b shifted 0.5 sd": ("normal", 1.0, 0.5),
    }
    for title, (kind, scale, shift) in cases.items():
        for n in (10, 30, 48):
            generator = np.random.default_rng(n)
            hits: list[list[float]] = [[] for _ in names]
            for _ in range(draws):
                a, b = correlated_pair(generator, n, kind)
                b = scale * b + shift
                for into, p in zip(
                    hits,
                    (
                        stats.wilcoxon(np.abs(a) - np.abs(b)).pvalue,
                        stats.wilcoxon(a - b).pvalue,
                        pitman_morgan_p(a, b),
                        rank_spread_p(a, b),
                        swap_p(a**2, b**2),
                    ),
                    strict=True,
                ):
                    into.append(float(p is not None and p <= 0.05))
            print(f"| {title} | {n} | {' | '.join(map(percent, hits))} |", flush=True)


def correlated_pair(generator: np.random.Generator, n: int, kind: str) -> tuple[Array, Array]:
    """Two runs of unit scale that share half of their variance, as runs over one survey do."""
    shape = np.array([[1, 0.5], [0.5, 1]])
    pair = generator.standard_normal((n, 2)) @ np.linalg.cholesky(shape).T
    if kind == "t":
        pair /= np.sqrt(generator.chisquare(5, n) / 5)[:, None]
    return pair[:, 0], pair[:, 1]


def rmse_difference(draws: int) -> None:
    """Interval of the RMSE difference and the equivalence test at the edge of its margin."""
    print("\n## Difference of two runs' RMSE\n")
    print("| n | axes | b / a | coverage | alike at the margin's edge (<= 5) | mean alike at edge (<= 5) |")
    print("|" + "---|" * 6)
    for n in (10, 20, 48):
        for k in (1, 2, 3):
            for scale in (1.0, 1.3):
                generator = np.random.default_rng(100 * n + k)
                truth = (1 - scale) * k**0.5
                hits: list[list[float]] = [[], [], []]
                for _ in range(draws):
                    pairs = [correlated_pair(generator, n, "normal") for _ in range(k)]
                    a = np.column_stack([p[0] for p in pairs])
                    b = scale * np.column_stack([p[1] for p in pairs])
                    edge = abs(truth) or 0.3
                    found = compare_runs(a, b, ids=[""] * n, margin_m=edge)
                    hits[0].append(covers(found.rmse_difference_interval_95_m, truth))
                    p = found.equivalence_p
                    hits[1].append(np.nan if truth == 0 else float(p is not None and p <= 0.05))
                    if k == 1:
                        mean_p = mean_equivalence_p(a[:, 0] - b[:, 0] + edge, edge)
                        hits[2].append(float(mean_p is not None and mean_p <= 0.05))
                    else:
                        hits[2].append(np.nan)
                print(f"| {n} | {k} | {scale} | {' | '.join(map(percent, hits))} |", flush=True)


def family_wise(draws: int) -> None:
    """Chance of any false rejection among the 15 pairs of six equal runs, plain and Holm."""
    print("\n## Six equal runs, 15 pairs: any false rejection, in %\n")
    print("| test | uncorrected | Holm |\n|---|---|---|")
    generator = np.random.default_rng(6)
    hits: dict[str, tuple[list[float], list[float]]] = {"Pitman-Morgan": ([], []), "Wilcoxon": ([], [])}
    for _ in range(draws // 4):
        runs = generator.standard_normal((6, 30)) + generator.standard_normal(30)
        pairs = [(i, j) for i in range(6) for j in range(i)]
        for name, p_values in (
            ("Pitman-Morgan", [pitman_morgan_p(runs[i], runs[j]) for i, j in pairs]),
            ("Wilcoxon", [float(stats.wilcoxon(runs[i] - runs[j]).pvalue) for i, j in pairs]),
        ):
            for into, values in zip(hits[name], (p_values, holm(p_values)), strict=True):
                into.append(float(any(p is not None and p <= 0.05 for p in values)))
    for name, (plain, corrected) in hits.items():
        print(f"| {name} | {percent(plain)} | {percent(corrected)} |", flush=True)


def false_outliers(draws: int) -> None:
    """Chance that any sound residual is flagged, and that a planted blunder is."""
    print("\n## Outliers: any sound residual flagged, and one blunder of 8 sd found, in %\n")
    sizes = (6, 7, 8, 10, 15, 20, 30, 48, 100, 400)
    print(f"| n | {' | '.join(map(str, sizes))} |\n|---|{'---|' * len(sizes)}")
    flagged, found = [], []
    for n in sizes:
        generator = np.random.default_rng(n)
        samples = generator.standard_normal((draws, n))
        flagged.append(percent([float(outliers(r).any()) for r in samples]))
        samples[:, 0] = 8
        found.append(percent([float(outliers(r)[0]) for r in samples]))
    print(f"| false | {' | '.join(flagged)} |\n| found | {' | '.join(found)} |", flush=True)


PARTS: dict[str, tuple[Callable[[int], None], float]] = {
    "axis": (axis_coverage, 1),
    "radial": (radial_coverage, 0.5),
    "correlated": (correlated_coverage, 1),
    "probability": (probability_calibration, 1),
    "paired": (paired_tests, 1),
    "difference": (rmse_difference, 0.4),
    "family": (family_wise, 1),
    "outliers": (false_outliers, 1),
}
"""Each part, and the share of the draws that it is given: the slow ones make do with fewer."""


def main() -> None:
    """Print every table, or the one asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=10_000)
    parser.add_argument("--only", choices=PARTS)
    options = parser.parse_args()
    for name, (part, share) in PARTS.items():
        if options.only in (None, name):
            started = time.perf_counter()
            draws = int(options.draws * share)
            part(draws)
            print(f"\n{name}: {draws} draws, {time.perf_counter() - started:.0f} s")


if __name__ == "__main__":
    main()
