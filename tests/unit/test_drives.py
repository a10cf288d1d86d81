"""What the trajectories of a job say beside their comparison: slips between two clocks."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from accuracy.drives import time_slip
from accuracy.model import Patch, Trajectory

WEEK_S = 604_800.0
START_S = 2426 * WEEK_S + 208_800.0


def rig(shift_s: float = 0.0) -> Trajectory:
    """Ten minutes of driving, its clock shifted."""
    time_s = START_S + shift_s + np.arange(0.0, 600.0, 0.1)
    line = np.linspace(0.0, 1000.0, time_s.size)
    return Trajectory(
        name="rig",
        time_s=time_s,
        time_scale="gps",
        easting_m=line,
        northing_m=np.zeros_like(line),
        height_m=np.zeros_like(line),
    )


def patch(at_s: float, kind: str = "adjusted-gps") -> Patch:
    """A patch captured that long after the start, its times stored as the kind says."""
    stored = at_s + (START_S - 1e9 if kind == "adjusted-gps" else START_S % WEEK_S)
    n = 50
    codes = np.ones(n, dtype=np.uint8)
    return Patch(
        checkpoint_id="P",
        east_m=np.zeros(n),
        north_m=np.zeros(n),
        up_m=np.zeros(n),
        whole_radius_m=1.5,
        outer_radius_m=4.0,
        gps_time_s=np.full(n, stored),
        time_kind=kind,  # type: ignore[arg-type]
        classification=codes,
        return_number=codes,
        number_of_returns=codes,
        source_id=codes.astype(np.uint16),
    )


@pytest.mark.parametrize("kind", ["adjusted-gps", "week-seconds"])
def test_clocks_that_agree_suggest_nothing(kind: str) -> None:
    """Points captured within the drive fit it, whichever way the cloud stores its times."""
    assert time_slip(rig(), [patch(5.0, kind), patch(590.0, kind)]) is None


@pytest.mark.parametrize(
    ("shift_s", "kind"), [(-18.0, "leap_second"), (3600.0, "time_zone"), (-7200.0, "time_zone")]
)
def test_a_slip_is_named(shift_s: float, kind: str) -> None:
    """A rig on UTC, or an hour or two off, no longer covers its own points, and the slip is named."""
    found = time_slip(rig(shift_s), [patch(5.0), patch(595.0)])
    assert found is not None
    assert found.kind == kind
    assert found.size is not None
    assert abs(found.size) == pytest.approx(abs(shift_s))


def test_without_times_nothing_is_said() -> None:
    """No times, no slip."""
    bare = dataclasses.replace(patch(5.0), gps_time_s=None, time_kind="none")
    assert time_slip(rig(), [bare]) is None
    assert time_slip(dataclasses.replace(rig(), time_scale="day-seconds"), [patch(5.0)]) is None
