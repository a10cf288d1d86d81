"""Resolving and grouping residuals, drift bins, correlation: small cases with known answers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from accuracy.trajectory import components as parts
from accuracy.trajectory.correlation import autocovariance_model, correlated_sum
from accuracy.trajectory.drift import drift_after_loss, since_fix


@pytest.mark.parametrize(
    ("heading", "residual", "along", "cross"),
    [
        (0, (0, 1), 1, 0),  # heading north, rig ahead
        (90, (0, 1), 0, 1),  # heading east, north is to the left
        (180, (1, 0), 0, 1),  # heading south, east is to the left
        (270, (1, 0), -1, 0),  # heading west, east is behind
        (45, (1, 1), np.sqrt(2), 0),
    ],
)
def test_along_and_left(heading: float, residual: tuple[float, float], along: float, cross: float) -> None:
    """Positive along is ahead of the reference, positive cross is to its left."""
    found = parts.resolve(np.array([[*residual, 0.3]]), np.radians([heading]))[0]
    np.testing.assert_allclose(found, [along, cross, 0.3], atol=1e-12)


def test_figures_of_five_values() -> None:
    """Hand-computed: mean 1, RMSE sqrt(15/5), median 1, maximum 3."""
    found = parts.figures(np.array([-1.0, 0.0, 1.0, 2.0, 3.0]))
    assert (found.n, found.mean_m, found.median_m, found.maximum_m) == (5, 1.0, 1.0, 3.0)
    assert found.rmse_m == pytest.approx(np.sqrt(3.0))
    assert found.nmad_m == pytest.approx(1.4826)
    assert found.absolute_95_m == pytest.approx(2.8)


def test_ten_kilometres_per_hour_is_2_78_metres_per_second() -> None:
    """Speed bands are in km/h and speeds in m/s: 2.777 falls below 10 km/h, 2.778 not (arithmetic)."""
    members = dict(parts.by_speed(np.array([0.1, 2.777, 2.778, 40.0]), parts.SPEED_BANDS_KM_H))
    assert members["standing, below 1 km/h"].tolist() == [True, False, False, False]
    assert members["5 to 10 km/h"].tolist() == [False, True, False, False]
    assert members["10 to 15 km/h"].tolist() == [False, False, True, False]
    assert members["100 km/h and over"].tolist() == [False, False, False, True]


def test_octants_and_segments() -> None:
    """Directions by octant, standing epochs in none; segments of the run by chainage."""
    members = dict(parts.by_direction(np.radians([0, 350, 90, 225]), np.array([True, True, True, False])))
    assert members["northbound"].tolist() == [True, True, False, False]
    assert members["eastbound"].tolist() == [False, False, True, False]
    assert not members["south-westbound"].any()
    segments = dict(parts.by_segment(np.array([0.0, 99.0, 100.0, 250.0]), 100.0))
    assert list(segments) == ["0 to 100 m", "100 to 200 m", "200 to 300 m"]


def test_every_epoch_belongs_to_one_band() -> None:
    """Bands neither overlap nor leave a gap."""
    values = np.linspace(0, 60, 500)
    for members in (
        parts.by_speed(values, parts.SPEED_BANDS_KM_H),
        parts.by_distance(values * 20, parts.DISTANCE_BANDS_M),
    ):
        np.testing.assert_array_equal(np.sum([which for _, which in members], axis=0), 1)


def test_without_along_there_is_no_horizontal() -> None:
    """Along not measured leaves horizontal and 3D out rather than treating along as zero."""
    found = parts.group("x", np.array([[np.nan, 1.0, 2.0], [np.nan, -1.0, 2.0]]))
    assert found.along is None
    assert found.horizontal is None
    assert found.three_d is None
    assert found.cross.rmse_m == 1.0


def test_since_fix() -> None:
    """Time and distance count from the last fixed epoch; before the first there is none."""
    fix = np.array(["float", "fixed", "float", "bridged", "fixed", "single"])
    found = since_fix(np.arange(6.0), np.arange(6.0) * 2, fix)
    np.testing.assert_array_equal(found.time_s, [np.nan, 0, 1, 2, 0, 1])
    np.testing.assert_array_equal(found.distance_m, [np.nan, 0, 2, 4, 0, 2])
    assert found.outage.tolist() == [-1, -1, 0, 0, -1, 1]


def test_few_outages_give_bins_and_no_model() -> None:
    """Two outages are shown and not modelled, and the reason is given."""
    fix = np.array((["fixed"] * 50 + ["bridged"] * 10) * 2)
    t = np.arange(fix.size, dtype=float)
    found = drift_after_loss(since_fix(t, t, fix), np.full((fix.size, 3), 0.1))
    assert found is not None
    assert found.outages == 2
    assert found.models == ()
    assert found.why_no_model is not None
    assert "needs eight outages, and there are 2" in found.why_no_model
    assert sum(part.n for part in found.by_time) == 20


def test_no_loss_no_drift() -> None:
    """A run with its fix throughout has no drift to report."""
    t = np.arange(10.0)
    assert drift_after_loss(since_fix(t, t, np.array(["fixed"] * 10)), np.zeros((10, 3))) is None


def test_white_noise_counts_every_epoch() -> None:
    """The variance of the sum of independent values is n times theirs."""
    rng = np.random.default_rng(1)
    values = rng.normal(size=(4000, 1))
    total, effective = correlated_sum(np.ones((4000, 1, 1)), values, np.arange(4000.0))
    assert total[0, 0] == pytest.approx(4000, rel=0.1)
    assert effective > 3000


def test_lasting_noise_counts_few_epochs() -> None:
    """First-order Gauss-Markov noise: n (1 - r) / (1 + r) effective values (Bartlett 1946, large n).

    The estimate errs on the side of fewer, by up to a third: a longer lasting part cannot be excluded.
    """
    rng = np.random.default_rng(2)
    decay = np.exp(-1 / 25)
    found = []
    for _ in range(20):
        drive = rng.normal(size=20_000) * np.sqrt(1 - decay**2)
        drive[0] = rng.normal()
        values = lfilter([1.0], [1.0, -decay], drive)
        _, effective = correlated_sum(np.ones((values.size, 1, 1)), values[:, None], np.arange(20_000.0))
        found.append(effective)
    expected = 20_000 * (1 - decay) / (1 + decay)
    assert 0.67 * expected < np.mean(found) < 1.1 * expected


def test_the_model_is_a_covariance() -> None:
    """The modelled autocovariance never exceeds its value at lag 0 and never falls below zero."""
    rng = np.random.default_rng(4)
    series = np.cumsum(rng.normal(size=(1, 500)), axis=1)
    model = autocovariance_model(series, np.ones(500, dtype=bool))
    assert model[0] == model.max()
    assert model.min() >= 0
