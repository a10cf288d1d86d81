"""Errors in lumps: the covariance comes back, and its sums over pairs are those of plain matrices."""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.matching.lumps import Lumps, LumpyErrors, fit_lumps, neighbours_agree, neighbours_may_agree
from accuracy.matching.plane import design_matrix


def places(rng: np.random.Generator, count: int) -> tuple[np.ndarray, np.ndarray]:
    """At random in a disc of 1 m."""
    radius, angle = np.sqrt(rng.random(count)), rng.uniform(0, 2 * np.pi, count)
    return radius * np.cos(angle), radius * np.sin(angle)


def kernel(east: np.ndarray, north: np.ndarray, length: float) -> np.ndarray:
    """(n, n) exp(-(d / length)^2)."""
    square = (east[:, None] - east) ** 2 + (north[:, None] - north) ** 2
    return np.asarray(np.exp(-square / length**2))


@pytest.mark.parametrize("length", [0.08, 0.2, 0.35])
def test_sums_over_pairs_are_those_of_the_full_matrix(length: float) -> None:
    """Variance and covariance by the grid against share' Sigma share with all n^2 pairs.

    Cells of 0.4 of the shortest length move points by a fifth of it at most: 2 % of a variance.
    """
    rng = np.random.default_rng(2)
    east, north = places(rng, 400)
    errors = LumpyErrors.at(Lumps(4.0, length, 9.0, 300.0, 40.0), east, north)
    sigma = 4.0 * np.eye(400) + 9.0 * kernel(east, north, length)
    design = design_matrix(east, north, bend=False)
    matrix = np.linalg.solve(design.T @ design, design.T)
    expected = matrix @ sigma @ matrix.T
    size = np.sqrt(np.diag(expected))
    assert errors.covariance(matrix) / np.outer(size, size) == pytest.approx(
        expected / np.outer(size, size), abs=0.02
    )
    variance, dof = errors.variance(matrix[0])
    assert variance == pytest.approx(float(matrix[0] @ sigma @ matrix[0]), rel=0.02)
    assert 40 <= dof < 341
    assert errors.least_dof == 40


@pytest.mark.parametrize("length", [0.1, 0.2])
def test_planted_covariance_comes_back_under_a_fitted_surface(length: float) -> None:
    """Forty draws with white noise of 1 and a field of 4: both variances and the length, on average.

    The field is drawn exactly, from the Cholesky factor of its covariance at the points.
    """
    rng = np.random.default_rng(5)
    east, north = places(rng, 700)
    design = design_matrix(east, north, bend=True)
    root = np.linalg.cholesky(4.0 * kernel(east, north, length) + 1e-8 * np.eye(700))
    found = [
        fit_lumps(design, root @ rng.normal(size=700) + rng.normal(size=700), east, north) for _ in range(40)
    ]
    assert np.mean([one.field_m2 for one in found]) == pytest.approx(4, rel=0.1)
    assert np.mean([one.length_m for one in found]) == pytest.approx(length, rel=0.1)
    assert np.mean([one.point_m2 for one in found]) == pytest.approx(1, rel=0.2)


def test_independent_noise_and_scan_lines_are_no_lumps() -> None:
    """White noise, and lines of a spread as large as its own, seldom pass; a field of that size always."""
    rng = np.random.default_rng(7)
    white = lined = lumpy = 0
    for _ in range(40):
        east, north = places(rng, 1200)
        design = design_matrix(east, north, bend=True)
        noise = rng.normal(size=1200)
        across = np.floor((-east * np.sin(0.5) + north * np.cos(0.5)) / 0.2).astype(np.int64)
        lines = rng.normal(size=40)[across + 20]
        field = sum(
            np.cos(12 * (east * np.cos(a) + north * np.sin(a)) + p)
            for a, p in zip(rng.uniform(0, np.pi, 8), rng.uniform(0, 2 * np.pi, 8), strict=True)
        )
        white += neighbours_agree(design, noise, east, north)
        lined += neighbours_agree(design, noise + lines, east, north)
        lumpy += neighbours_agree(design, noise + field / 2, east, north)
        assert neighbours_may_agree(design, noise + field / 2, east, north)
    assert white <= 1
    assert lined <= 6
    assert lumpy == 40


def test_few_points_show_no_lumps() -> None:
    """Of a hundred points nothing is said, and the first look leaves the question to the second."""
    rng = np.random.default_rng(1)
    east, north = places(rng, 100)
    design = design_matrix(east, north, bend=True)
    smooth = np.sin(9 * east) * np.cos(9 * north)
    assert not neighbours_agree(design, smooth, east, north)
    assert neighbours_may_agree(design, smooth, east, north)
