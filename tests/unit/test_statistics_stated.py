"""Which interval of an RMSE is printed: plain where neighbours are independent, widened where alike."""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.model import HorizontalSummary
from accuracy.statistics.stated import LIKELY_ALIKE, likely_alike, rmse_interval
from accuracy.statistics.summary import summarise_horizontal

PLACE_M = np.linspace(0.0, 1100.0, 36)


def _figures(drift_m: float, seed: int = 5) -> HorizontalSummary:
    rng = np.random.default_rng(seed)
    wave = drift_m * np.sin(2 * np.pi * PLACE_M / 900.0)
    found = summarise_horizontal(
        wave + rng.normal(0, 0.004, PLACE_M.size),
        rng.normal(0, 0.004, PLACE_M.size),
        ids=[str(k) for k in range(PLACE_M.size)],
        survey_sigma_easting_m=np.full(PLACE_M.size, np.nan),
        survey_sigma_northing_m=np.full(PLACE_M.size, np.nan),
        easting_m=PLACE_M,
        northing_m=np.zeros(PLACE_M.size),
    )
    assert found is not None
    return found


@pytest.mark.parametrize(("drift_m", "alike"), [(0.0, False), (0.02, True)])
def test_one_drifting_axis_widens_the_horizontal_interval(drift_m: float, alike: bool) -> None:
    """A drift in easting alone is told of, and the interval that decides grows; without it, it stays."""
    found = _figures(drift_m)
    assert likely_alike(found) is alike
    assert found.probability_correlated is not None
    assert (found.probability_correlated > LIKELY_ALIKE) is alike
    plain, stated = found.rmse_interval_95_m, rmse_interval(found)
    assert plain is not None
    assert stated is not None
    if alike:
        assert stated[0] < plain[0]
        assert stated[1] > plain[1]
    else:
        assert stated == plain
