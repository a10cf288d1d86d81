"""A million epochs compared: time and memory. Run by hand: ``python tests/benchmarks/bench_trajectory.py``.

Five hundred seconds of an invented drive, repeated to 1,000,000 epochs of the rig at 200 Hz against
a reference at 20 Hz (and the other way round), with fixes lost and regained.
"""

from __future__ import annotations

import resource
import time

import numpy as np

from accuracy.model import Trajectory
from accuracy.trajectory.compare import compare


def invented(name: str, hz: float, duration_s: float, shift_s: float, arm_m: float) -> Trajectory:
    """A winding drive at a wandering speed."""
    rng = np.random.default_rng([int(hz), len(name)])
    t = np.arange(0.0, duration_s, 1 / hz)
    true = t - shift_s
    phase = true / 20.0
    way = 5.0 * true + 30.0 * np.sin(phase)
    heading = 0.8 * np.sin(way / 150.0)
    # Positions by fine integration of the way, the same for every rate.
    fine = np.arange(-10.0, 5.0 * duration_s + 50.0, 0.05)
    turn = 0.8 * np.sin(fine / 150.0)
    east = np.interp(way, fine, np.cumsum(np.sin(turn)) * 0.05)
    north = np.interp(way, fine, np.cumsum(np.cos(turn)) * 0.05)
    noise = rng.normal(size=(3, t.size)) * 0.01
    fix = np.where(np.mod(t, 300.0) < 270.0, "fixed", "bridged")
    return Trajectory(
        name=name,
        time_s=t + 1.4e9,
        time_scale="gps",
        easting_m=500_000 + east + arm_m * np.sin(heading) + noise[0],
        northing_m=4_000_000 + north + arm_m * np.cos(heading) + noise[1],
        height_m=50 + noise[2],
        roll_rad=np.zeros(t.size),
        pitch_rad=np.zeros(t.size),
        heading_rad=heading,
        fix=fix,
    )


def peak_mib() -> float:
    """Peak resident memory of this process."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Print one line per case."""
    duration = 5000.0
    for title, rig_hz, reference_hz in (
        ("1,000,000 rig epochs at 200 Hz, reference at 200 Hz", 200.0, 200.0),
        ("1,000,000 rig epochs at 200 Hz, reference at 20 Hz", 200.0, 20.0),
        ("100,000 rig epochs at 20 Hz, reference of 1,000,000 at 200 Hz", 20.0, 200.0),
    ):
        rig = invented("rig", rig_hz, duration, 0.1, 0.0)
        reference = invented("reference", reference_hz, duration, 0.0, 0.7)
        before = peak_mib()
        wall, cpu = time.perf_counter(), time.process_time()
        found, _ = compare(rig, reference)
        print(
            f"{title}: {time.perf_counter() - wall:.2f} s ({time.process_time() - cpu:.2f} s of CPU), "
            f"peak {peak_mib():.0f} MiB (before: {before:.0f}), n {found.n}, clock {found.clock_offset_s}, "
            f"arm {found.lever_arm_m}, rmse {found.rmse_horizontal_m}"
        )


if __name__ == "__main__":
    main()
