"""The note that neighbouring residuals are alike is given where they are, and seldom where they are not."""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.model import Summary
from accuracy.reporting.view_figures import note
from accuracy.statistics import summary as summaries

SURVEYS = 300
SPACING_M = 40.0


def share_told(n: int, reach_m: float | None) -> float:
    """Share of invented surveys of n checkpoints whose note calls the residuals alike."""
    along_m = SPACING_M * np.arange(n)
    root = np.eye(n)
    if reach_m is not None:
        root = np.linalg.cholesky(np.exp(-np.abs(along_m[:, None] - along_m) / reach_m) + 1e-9 * np.eye(n))
    told = 0
    for seed in range(SURVEYS):
        residual_m = 0.01 * root @ np.random.default_rng(seed).standard_normal(n)
        axis = summaries.summarise_axis(
            residual_m,
            ids=[str(index) for index in range(n)],
            survey_sigma_m=np.full(n, 0.004),
            easting_m=along_m,
            northing_m=np.zeros(n),
        )
        told += "are alike" in note(Summary(vertical=axis))
    return told / SURVEYS


@pytest.fixture(autouse=True)
def _no_bootstrap(monkeypatch: pytest.MonkeyPatch) -> None:
    """The note does not read it, and it takes most of the time."""
    monkeypatch.setattr(summaries, "root_ratio_interval", lambda *_, **__: None)


@pytest.mark.parametrize("n", [10, 20, 36])
def test_independent_residuals_are_seldom_called_alike(n: int) -> None:
    """Planted truth: independent residuals. One survey in ten would already be too many."""
    assert share_told(n, None) < 0.1


@pytest.mark.parametrize(("n", "least"), [(20, 0.7), (36, 0.9)])
def test_residuals_that_wander_together_are_called_alike(n: int, least: float) -> None:
    """Planted truth: an exponential correlation over 100 m, at checkpoints 40 m apart."""
    assert share_told(n, 100.0) > least
