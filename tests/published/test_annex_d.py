"""ASPRS Positional Accuracy Standards, Edition 1 (2014), Annex D: the worked example.

Table D.1, five points. The values are from memory; they recompute to every published result.
"""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.statistics.summary import summarise_axis, summarise_horizontal, summarise_three_d

# Map easting, northing, height; survey easting, northing, height (metres).
TABLE_D1 = np.array(
    [
        (359584.394, 5142449.934, 477.127, 359584.534, 5142450.004, 477.198),
        (359872.190, 5147939.180, 412.406, 359872.290, 5147939.280, 412.396),
        (359893.089, 5136979.824, 487.292, 359893.072, 5136979.894, 487.190),
        (359927.194, 5151084.129, 393.591, 359927.264, 5151083.979, 393.691),
        (372737.074, 5151675.999, 451.305, 372736.944, 5151675.879, 451.218),
    ]
)
RESIDUALS = TABLE_D1[:, :3] - TABLE_D1[:, 3:]
IDS = ("GCP1", "GCP2", "GCP3", "GCP4", "GCP5")
UNKNOWN = np.full(5, np.nan)


@pytest.mark.parametrize(
    ("axis", "mean", "deviation", "rmse"),
    [(0, "-0.033", "0.108", "0.102"), (1, "0.006", "0.119", "0.106"), (2, "0.006", "0.091", "0.081")],
)
def test_axis_figures(axis: int, mean: str, deviation: str, rmse: str) -> None:
    """Mean, standard deviation (n-1) and RMSE (n) agree with the table as it prints them."""
    summary = summarise_axis(RESIDUALS[:, axis], ids=IDS, survey_sigma_m=UNKNOWN)
    assert summary is not None
    assert summary.standard_deviation_m is not None
    assert f"{summary.mean_m:.3f}" == mean
    assert f"{summary.standard_deviation_m:.3f}" == deviation
    assert f"{summary.rmse_m:.3f}" == rmse


def test_radial_figure() -> None:
    """RMSEr prints as 0.147, and the 95 % figures come from the unrounded RMSE: 0.255 and 0.160."""
    horizontal = summarise_horizontal(
        RESIDUALS[:, 0],
        RESIDUALS[:, 1],
        ids=IDS,
        survey_sigma_easting_m=UNKNOWN,
        survey_sigma_northing_m=UNKNOWN,
    )
    height = summarise_axis(RESIDUALS[:, 2], ids=IDS, survey_sigma_m=UNKNOWN)
    assert horizontal is not None
    assert height is not None
    assert f"{horizontal.rmse_m:.3f}" == "0.147"
    assert f"{1.7308 * horizontal.rmse_m:.3f}" == "0.255"
    assert f"{1.9600 * height.rmse_m:.3f}" == "0.160"
    assert f"{1.7308 * 0.147:.3f}" == "0.254"  # what rounding first would print


def test_three_d_figure() -> None:
    """RMSE_3D of the same points, computed from first principles: 0.168228 m."""
    found = summarise_three_d(RESIDUALS, survey_sigma_m=np.full((5, 3), np.nan))
    assert found is not None
    assert found.rmse_m == pytest.approx(0.168228, abs=5e-7)
