"""A real constant height bias, put in as the checkpoints of a survey. Data: see the shared data's page."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from accuracy.explaining.mistakes import FrameFacts, find_mistakes
from accuracy.model import CheckpointResult
from measured_cases import checkpoint_result, vertical_residual


def test_dovre_heights_are_named_a_constant(shared_data: Path) -> None:
    """Every fortieth frame as a checkpoint: the bias of about +4.9 m is the first suggestion.

    Independent figure: the median of the same differences by numpy (+4.78 m; the mean of +4.906 m is
    pulled up by the first frames, which lie a metre higher).
    """
    text = (shared_data / "trajectories/rig_against_sbet/dovre_4_nordover_10hz.json").read_text("utf-8")
    frames = json.loads(text)["metadata"][::40]
    off = np.array([one["estimated_position"]["z"] - one["actual_position"]["z"] for one in frames])
    assert len(frames) == 22
    checkpoints = [_result(i, one["actual_position"], float(off[i])) for i, one in enumerate(frames)]
    found = find_mistakes(checkpoints, frame=FrameFacts())
    assert found
    assert found[0].kind in {"shift", "ellipsoidal_height", "pole_height"}
    assert found[0].size == pytest.approx(float(np.median(off)), abs=0.05)
    assert "Heights differ by a constant +4.7" in found[0].evidence


def _result(number: int, place: dict[str, float], residual_m: float) -> CheckpointResult:
    return checkpoint_result(
        f"F{number}",
        vertical_residual(
            residual_m, standard_uncertainty_m=0.02, fit_uncertainty_m=0.02, survey_uncertainty_m=None
        ),
        at_m=(place["x"], place["y"], place["z"]),
        sigma_m=(None,) * 3,
    )
