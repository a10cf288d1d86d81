"""Shared errors: scan lines from times, variance split among points and groups, odd inputs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.interpolate import LinearNDInterpolator

from accuracy.matching.correlation import (
    cells,
    inflation,
    scan_lines,
    strips,
    time_passes,
    variance_components,
)
from accuracy.matching.edges import surround
from accuracy.matching.layers import two_levels
from accuracy.matching.neighbours import nearest_height, tin_height
from accuracy.matching.plane import design_matrix
from accuracy.matching.window import storage_step_m


def test_balanced_components_are_the_classical_ones() -> None:
    """One-way balanced layout: point MSW, group (MSB - MSW)/m, as textbooks have it; F as scipy has it."""
    rng = np.random.default_rng(4)
    labels = np.repeat(np.arange(12), 20)
    values = rng.normal(0, 1, 240) + rng.normal(0, 1.5, 12)[labels]
    groups = values.reshape(12, 20)
    within = float(np.mean(np.var(groups, axis=1, ddof=1)))
    between = 20 * float(np.var(groups.mean(axis=1), ddof=1))
    assert stats.f_oneway(*groups).statistic == pytest.approx(between / within)
    found = variance_components(np.ones((240, 1)), values, [labels])
    assert found.point_m2 == pytest.approx(within)
    assert found.group_m2[0] == pytest.approx((between - within) / 20)
    assert found.group_dof[0] == pytest.approx(11)


def test_components_are_unbiased_under_a_fitted_plane() -> None:
    """Over 300 draws with a plane and lines fitted out, the planted variances come back on average."""
    rng = np.random.default_rng(8)
    labels = np.repeat(np.arange(15), 12)
    east, north = rng.uniform(-1, 1, 180), labels / 7 - 1.0
    design = design_matrix(east, north, bend=True)
    found = [
        variance_components(design, rng.normal(0, 1, 180) + rng.normal(0, 1, 15)[labels], [labels])
        for _ in range(300)
    ]
    assert np.mean([f.point_m2 for f in found]) == pytest.approx(1, rel=0.03)
    assert np.mean([f.group_m2[0] for f in found]) == pytest.approx(1, rel=0.1)


def test_variance_of_a_mean_over_groups() -> None:
    """Variance of a plain mean: point/n + group * sum of squared group shares (computed)."""
    labels = np.repeat([0, 1, 2], [10, 20, 30])
    rng = np.random.default_rng(1)
    found = variance_components(np.ones((60, 1)), rng.normal(0, 1, 60) + 5.0 * labels, [labels])
    variance, dof = found.variance(np.full(60, 1 / 60))
    expected = found.point_m2 / 60 + found.group_m2[0] * (10**2 + 20**2 + 30**2) / 60**2
    assert variance == pytest.approx(expected)
    assert dof < 3


def burst_times(lines: int, points: int, period_s: float) -> np.ndarray:
    """Times of a beam that sweeps a patch in microseconds and returns a turn later."""
    rng = np.random.default_rng(6)
    return 5000.0 + np.repeat(np.arange(lines) * period_s, points) + rng.uniform(0, 2e-4, lines * points)


@pytest.mark.parametrize(("lines", "points", "period_s"), [(9, 40, 0.01), (12, 3, 0.02), (5, 200, 0.1)])
def test_scan_lines_from_bursts(lines: int, points: int, period_s: float) -> None:
    """Each burst is one line, whatever its length and the scanner's rate."""
    found = scan_lines(burst_times(lines, points, period_s), np.zeros(lines * points, dtype=np.int64))
    assert found is not None
    assert np.unique(found).size == lines
    assert np.array_equal(np.unique(found, return_inverse=True)[1], np.repeat(np.arange(lines), points))


def test_steady_times_show_no_lines() -> None:
    """Points at a steady rate, or at random times, are not cut into lines."""
    none = np.zeros(300, dtype=np.int64)
    assert scan_lines(np.arange(300) * 1e-4, none) is None
    at_random = scan_lines(np.sort(np.random.default_rng(0).uniform(0, 1, 300)), none)
    assert at_random is None or np.unique(at_random).size <= 3


def test_passes_by_source_and_by_time() -> None:
    """Another source is another pass, and so is the same source a quarter of an hour later."""
    time = np.array([0.0, 0.1, 900.0, 900.1, 0.05])
    source = np.array([1, 1, 1, 1, 2])
    labels = time_passes(time, source)
    assert labels[0] == labels[1]
    assert labels[2] == labels[3]
    assert np.unique(labels).size == 3


def test_strips_find_the_direction_of_lines() -> None:
    """Lines along 30 degrees are found without times; independent points seldom show any."""
    rng = np.random.default_rng(3)
    none, right = 0, 0
    for _ in range(40):
        east, north = rng.uniform(-1, 1, (2, 600))
        across = np.floor((-east * np.sin(0.52) + north * np.cos(0.52)) / 0.2).astype(np.int64)
        q, _ = np.linalg.qr(design_matrix(east, north, bend=True))
        noise, lines = rng.normal(0, 1, 600), rng.normal(0, 1, 40)[across]
        none += strips(east, north, noise - q @ (q.T @ noise)) is None
        lined = strips(east, north, noise + lines - q @ (q.T @ (noise + lines)))
        if lined is not None:
            turned = np.array([np.mean(across[lined == k]) for k in np.unique(lined)])
            right += bool(np.all(np.diff(turned) > 0) or np.all(np.diff(turned) < 0))
    assert none >= 28
    assert right >= 38


def test_student_inflation() -> None:
    """Variance of Student's t from scipy, for the degrees of freedom where it exists."""
    for dof in (5.0, 8.0, 30.0):
        assert inflation(dof) == pytest.approx(stats.t.var(dof))
    assert inflation(1.0) == 2.0


def test_cells_part_the_plane() -> None:
    """Points of one square share a label, others do not."""
    labels = cells(np.array([0.1, 0.2, -0.1, 0.1]), np.array([0.1, 0.3, 0.1, 1.1]), 0.5)
    assert labels[0] == labels[1]
    assert np.unique(labels).size == 3


@pytest.mark.parametrize(
    ("heights", "step"),
    [([0.0, 0.01, 0.03, 0.01], 0.01), ([0.5, 0.503048, 0.509144, 0.503038], 0.003048), ([0.2] * 5, 0.01)],
)
def test_storage_step(heights: list[float], step: float) -> None:
    """Centimetres, hundredths of a foot kept to 10 micrometres, and no difference at all."""
    assert storage_step_m(np.array(heights)) == pytest.approx(step, abs=2e-5)


def test_two_levels_need_two_levels() -> None:
    """Two passes are told from one noisy surface, a uniform band and neighbouring storage steps."""
    rng = np.random.default_rng(9)
    normal = rng.normal(0, 0.006, 400)
    assert two_levels(normal, step_m=0.001) is None
    # Just over the least kurtosis of a band.
    assert two_levels(rng.triangular(-1, 0, 1, 400), step_m=0.001) is None
    both = normal + np.where(np.arange(400) % 2 == 0, 0.025, -0.025)
    found = two_levels(both, step_m=0.001)
    assert found is not None
    assert np.array_equal(found[0], np.arange(400) % 2 == 0)
    assert found[1] == pytest.approx(0.006, rel=0.1)
    assert two_levels(np.where(np.arange(400) % 2 == 0, 0.01, 0.0), step_m=0.01) is None


def test_plainer_heights() -> None:
    """The triangle under the mark interpolates a plane exactly; outside the points there is none."""
    east, north = np.array([-1.0, 1.0, 0.0, 2.0]), np.array([-1.0, -1.0, 2.0, 2.0])
    up = 0.3 + 0.1 * east - 0.2 * north
    assert tin_height(east, north, up) == pytest.approx(0.3)
    assert tin_height(east + 5, north, up) is None
    assert tin_height(east[:2], north[:2], up[:2]) is None
    assert nearest_height(np.array([0.1, 0.5, 0.2, 9.0])) == 0.2
    assert nearest_height(np.zeros(0)) is None


@pytest.mark.parametrize("kind", ["scattered", "grid", "repeated", "circle"])
def test_the_triangle_is_that_of_scipys_interpolator(kind: str) -> None:
    """As LinearNDInterpolator has it, points on a grid, on a circle and listed twice included."""
    rng = np.random.default_rng(11)
    for trial in range(60):
        places = rng.uniform(-1, 1, (60, 2)) + rng.uniform(-0.8, 0.8, 2)
        if kind == "grid":
            places = np.round(places, 1)
        elif kind == "repeated":
            places = places[rng.integers(0, 12, 60)]
        elif kind == "circle":
            angle = rng.uniform(0, 2 * np.pi, 60)
            places = np.column_stack([np.cos(angle), np.sin(angle)]) + 0.4 * (trial % 3)
        up = rng.normal(size=60)
        if kind == "grid":
            # On a grid the diagonals are chosen by chance; only a plane has one answer.
            up = places @ np.array([0.3, -0.2]) + 0.1
        if kind == "repeated":
            up = np.sin(3 * places[:, 0]) + places[:, 1]
        expected = float(LinearNDInterpolator(places, up)(0.0, 0.0))
        found = tin_height(places[:, 0], places[:, 1], up)
        if np.isnan(expected):
            assert found is None
        else:
            assert found == pytest.approx(expected, abs=1e-9)


def test_surround() -> None:
    """Inside a square, outside it, and on a line: distance out and nearest point."""
    east, north = np.array([-1.0, 1.0, 1.0, -1.0]), np.array([-1.0, -1.0, 1.0, 1.0])
    inside = surround(east, north)
    assert inside.outside_m == pytest.approx(-1)
    assert inside.nearest_m == pytest.approx(np.sqrt(2))
    assert surround(east + 3, north).outside_m == pytest.approx(2)
    assert surround(np.array([1.0, 2.0]), np.zeros(2)).outside_m == pytest.approx(1)
