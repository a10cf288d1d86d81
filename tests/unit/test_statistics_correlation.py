"""Effective number of checkpoints: closed forms, recovery of a planted drift, honest refusals."""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.statistics.correlation import (
    LARGEST_BLOCK,
    CorrelationModels,
    Everywhere,
    correlation_models,
    effective_sample,
    lag_one_autocorrelation,
)
from accuracy.statistics.summary import summarise_axis


def test_effective_n_against_the_closed_form() -> None:
    """Evenly spaced exponential correlation is a first-order autoregression: its n_eff is known.

    Variance of the mean x n = (1 + p)/(1 - p) - 2 p (1 - p^n) / (n (1 - p)^2) with p = exp(-d/L)
    (any time-series text), which tends to the (1 + p)/(1 - p) of long series.
    """
    n, spacing_m = 60, 20.0
    models = correlation_models(np.arange(n) * spacing_m, np.zeros(n))
    assert models is not None
    full = slice(3, None, 3)  # the candidates in which 0.99 of the variance is correlated
    for length_m, share in zip(models.length_m[full], models.variance_of_mean[full], strict=True):
        p = np.exp(-spacing_m / length_m)
        series = (1 + p) / (1 - p) - 2 * p * (1 - p**n) / (n * (1 - p) ** 2)
        assert share == pytest.approx((0.99 * series + 0.01) / n, rel=1e-9)
    assert models.variance_of_mean[0] == pytest.approx(1 / n)


def test_standard_error_of_a_drifting_mean() -> None:
    """With the drift known, the stated standard error is the mean's own, over 4,000 invented drives.

    The sample's standard deviation is too small along a drive; the ratio makes up for it.
    """
    n = 30
    place_m = np.arange(n) * 20.0
    models = correlation_models(place_m, np.zeros(n))
    assert models is not None
    k = [33]  # correlated over 238 m
    known = CorrelationModels(
        n=n,
        length_m=models.length_m[k],
        variance_of_mean=models.variance_of_mean[k],
        mean_freedom=models.mean_freedom[k],
        square_freedom=models.square_freedom[k],
        blocks=tuple((block, *(array[k] for array in arrays)) for block, *arrays in models.blocks),
    )
    truth = 0.99 * np.exp(-np.abs(place_m[:, None] - place_m) / models.length_m[33])
    np.fill_diagonal(truth, 1.0)
    drives = np.random.default_rng(1).standard_normal((4000, n)) @ np.linalg.cholesky(truth).T
    sample = effective_sample(drives[0], known)
    assert sample is not None
    stated = sample.standard_error_ratio[0] ** 2 * drives.var(axis=1, ddof=1).mean()
    assert stated == pytest.approx(drives.mean(axis=1).var(), rel=0.08)
    assert sample.effective_n == pytest.approx(n**2 / truth.sum())


def test_some_places_stand_for_all() -> None:
    """Figures of 1,500 places, reckoned from 480 of them by chance, are those of all within a tenth."""
    generator = np.random.default_rng(4)
    east_m, north_m = generator.uniform(0, 500, 1500), generator.uniform(0, 8, 1500)
    few, some = slice(0, 60), slice(0, 480)
    everywhere = Everywhere(n=1500, easting_m=east_m[some], northing_m=north_m[some])
    found = correlation_models(east_m[few], north_m[few], everywhere)
    assert found is not None
    distance_m = np.hypot(east_m[:, None] - east_m, north_m[:, None] - north_m)
    for k in (0, 15, 24, 33):
        part = (0.0, *([1 / 3, 2 / 3, 0.99] * 12))[k]
        r = part * np.exp(-distance_m / found.length_m[k]) if part else np.eye(1500)
        np.fill_diagonal(r, 1.0)
        assert found.variance_of_mean[k] == pytest.approx(r.sum() / 1500**2, rel=0.1)
        assert found.square_freedom[k] == pytest.approx(1500**2 / np.vdot(r, r), rel=0.1)


def test_degrees_of_freedom_of_a_biased_mean_square() -> None:
    """The variance of the mean square that they stand for is that of 20,000 invented drives."""
    n, bias = 30, 1.5
    place_m = np.arange(n) * 20.0
    truth = 0.99 * np.exp(-np.abs(place_m[:, None] - place_m) / 100.0)
    np.fill_diagonal(truth, 1.0)
    drives = bias + np.random.default_rng(1).standard_normal((20_000, n)) @ np.linalg.cholesky(truth).T
    square = np.mean(drives**2, axis=1)
    known = CorrelationModels(
        n=n,
        length_m=np.array([100.0]),
        variance_of_mean=np.array([truth.sum() / n**2]),
        mean_freedom=np.array([5.0]),
        square_freedom=np.array([n**2 / np.vdot(truth, truth)]),
        blocks=(),
    )
    found = [effective_sample(r, known) for r in drives[:2000]]
    per_freedom = np.mean([1 / one.rmse_degrees_of_freedom for one in found if one])
    assert per_freedom == pytest.approx(square.var() / (2 * square.mean() ** 2), rel=0.1)


def test_degrees_of_freedom_against_matrices() -> None:
    """The written-out traces equal those of the matrices themselves, on scattered places."""
    generator = np.random.default_rng(3)
    east_m, north_m = generator.uniform(0, 400, (2, 25))
    models = correlation_models(east_m, north_m)
    assert models is not None
    n = 25
    centring = np.eye(n) - 1 / n
    distance_m = np.hypot(east_m[:, None] - east_m, north_m[:, None] - north_m)
    for k in (0, 5, 20, 36):
        part = (0.0, *([1 / 3, 2 / 3, 0.99] * 12))[k]
        r = np.eye(n) if part == 0 else part * np.exp(-distance_m / models.length_m[k])
        np.fill_diagonal(r, 1.0)
        centred = centring @ r @ centring
        assert models.mean_freedom[k] == pytest.approx(np.trace(centred) ** 2 / np.trace(centred @ centred))
        assert models.square_freedom[k] == pytest.approx(n**2 / np.trace(r @ r))


@pytest.mark.parametrize(
    ("length_m", "low", "high"), [(0.0, 36, 48), (60.0, 5, 15), (150.0, 2, 8)], ids=["none", "60", "150"]
)
def test_planted_drift_is_recovered(length_m: float, low: float, high: float) -> None:
    """Median over 200 invented drives: independent checkpoints keep their number, drifting ones lose it.

    The true effective numbers are 48, 9.8 and 4.3.
    """
    n = 48
    place_m = np.linspace(0, 1100, n)
    models = correlation_models(place_m, np.zeros(n))
    assert models is not None
    truth = np.exp(-np.abs(place_m[:, None] - place_m) / length_m) if length_m else np.eye(n)
    root, generator = np.linalg.cholesky(truth), np.random.default_rng(1)
    found = [effective_sample(root @ generator.standard_normal(n), models) for _ in range(200)]
    assert low <= np.median([one.effective_n for one in found if one]) <= high
    lengths_m = [one.correlation_length_m for one in found if one and one.correlation_length_m]
    if length_m:
        assert len(lengths_m) > 190
        assert 0.5 <= np.median(lengths_m) / length_m <= 2.0
    else:
        assert len(lengths_m) < 40


def test_one_direction_of_correlation_only() -> None:
    """Alternating residuals do not make 48 checkpoints worth more than 48."""
    n = 48
    models = correlation_models(np.arange(n) * 20.0, np.zeros(n))
    assert models is not None
    sample = effective_sample(np.tile([0.01, -0.01], n // 2), models)
    assert sample is not None
    assert sample.effective_n <= n
    assert sample.rmse_degrees_of_freedom <= n
    assert sample.correlation_length_m is None


def test_neither_shift_nor_scale_nor_place_matters() -> None:
    """Correlation does not hang on a bias, on the unit, or on where the false origin lies."""
    generator = np.random.default_rng(5)
    n = 30
    place_m, r = np.sort(generator.uniform(0, 900, n)), generator.normal(0, 0.02, n).cumsum()
    near, far = (
        correlation_models(place_m, np.zeros(n)),
        correlation_models(place_m + 5e5, np.full(n, 6e6)),
    )
    assert near is not None
    assert far is not None
    first, second = effective_sample(r, near), effective_sample(40 * (r + 3), far)
    assert first is not None
    assert second is not None
    assert second.effective_n == pytest.approx(first.effective_n, rel=1e-6)
    assert second.probability_correlated == pytest.approx(first.probability_correlated, rel=1e-6)


@pytest.mark.parametrize(
    ("east_m", "north_m"),
    [
        (np.arange(9.0), np.zeros(9)),
        (np.zeros(20), np.zeros(20)),
        (np.tile([0.0, 5.0], 10), np.zeros(20)),
    ],
    ids=["nine points", "one place", "two places"],
)
def test_too_little_to_tell(east_m: np.ndarray, north_m: np.ndarray) -> None:
    """Few points, or places without a range of distances, say nothing about correlation."""
    assert correlation_models(east_m, north_m) is None
    found = summarise_axis(
        np.linspace(-0.01, 0.02, east_m.size),
        ids=[str(i) for i in range(east_m.size)],
        survey_sigma_m=np.full(east_m.size, np.nan),
        easting_m=east_m,
        northing_m=north_m,
    )
    assert found is not None
    assert found.effective_n is None
    assert found.rmse_interval_correlated_95_m is None


def test_residuals_without_variation() -> None:
    """Equal residuals neither agree nor disagree with their neighbours."""
    models = correlation_models(np.arange(20.0), np.zeros(20))
    assert models is not None
    assert effective_sample(np.full(20, 0.02), models) is None
    assert lag_one_autocorrelation(np.full(20, 0.02)) is None
    assert lag_one_autocorrelation(np.array([0.0, 1.0])) is None


def test_pairs_at_one_place() -> None:
    """Checkpoints that share a position do not break the algebra."""
    place_m = np.repeat(np.arange(12) * 30.0, 2)
    models = correlation_models(place_m, np.zeros(24))
    assert models is not None
    sample = effective_sample(np.random.default_rng(1).normal(size=24), models)
    assert sample is not None
    assert 1 < sample.effective_n <= 24


def test_long_lists_are_cut_into_blocks() -> None:
    """Past the block size the drift is still found, from pieces along the line."""
    n = 2 * LARGEST_BLOCK + 20
    place_m = np.arange(n) * 10.0
    models = correlation_models(place_m, np.zeros(n))
    assert models is not None
    assert sorted(np.concatenate([block for block, *_ in models.blocks])) == list(range(n))
    generator = np.random.default_rng(2)
    r = np.zeros(n)
    for i in range(1, n):  # first-order autoregression with a length of 95 m
        r[i] = 0.9 * r[i - 1] + generator.normal() * np.sqrt(0.19)
    sample = effective_sample(r, models)
    assert sample is not None
    assert sample.correlation_length_m is not None
    assert 50 <= sample.correlation_length_m <= 180


def test_widened_intervals_contain_the_plain_ones() -> None:
    """Along a drifting drive mean and RMSE are known less well than n alone would say."""
    n = 40
    place_m = np.arange(n) * 25.0
    found = summarise_axis(
        0.02 * np.sin(place_m / 150),
        ids=[str(i) for i in range(n)],
        survey_sigma_m=np.full(n, np.nan),
        easting_m=place_m,
        northing_m=np.zeros(n),
    )
    assert found is not None
    assert found.effective_n is not None
    assert found.effective_n < 12
    assert found.lag_one_autocorrelation is not None
    assert found.lag_one_autocorrelation > 0.9
    for plain, wide in (
        (found.mean_interval_95_m, found.mean_interval_correlated_95_m),
        (found.rmse_interval_95_m, found.rmse_interval_correlated_95_m),
    ):
        assert plain is not None
        assert wide is not None
        assert wide[0] < plain[0] < plain[1] < wide[1]
