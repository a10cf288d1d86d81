"""Simulated drives with a planted clock offset and lever arm: are the stated uncertainties true?

Run by hand: ``python tests/benchmarks/sim_trajectory.py [drives]``. Everything here is invented;
the planted values are what the estimates are held against. Prints, per scenario, the root mean
square of (estimate - planted) / stated standard uncertainty: 1 where the uncertainties are true.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from accuracy.trajectory.align import Alignment, AlignmentSettings, align_runs
from accuracy.trajectory.interpolate import Attitude, course_attitude, make_track, vehicle_axes
from accuracy.trajectory.solving import Pair


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """What one drive is like."""

    name: str
    duration_s: float = 600.0
    rig_hz: float = 10.0
    reference_hz: float = 5.0
    speeds_km_h: tuple[float, ...] = (12.0,)
    """One run each; within a run the speed wanders by a third and stops twice."""
    steady: bool = False
    """Constant speed on a straight line instead."""
    turn_rate: float = 0.1
    white_m: float = 0.006
    lasting_m: float = 0.010
    lasting_s: float = 30.0
    false_share: float = 0.0
    attitude: str = "rig"


def lasting_noise(rng: np.random.Generator, n: int, sigma: float, steps: float) -> np.ndarray:
    """(n, 3) first-order Gauss-Markov noise with a time constant of ``steps`` samples."""
    decay = np.exp(-1 / steps)
    drive = rng.normal(size=(n, 3)) * sigma * np.sqrt(1 - decay**2)
    drive[0] = rng.normal(size=3) * sigma
    return lfilter([1.0], [1.0, -decay], drive, axis=0)


def _smooth(rng: np.random.Generator, n: int, dt: float, constant_s: float) -> np.ndarray:
    """(n,) a smooth random series of unit variance."""
    kernel = np.exp(-0.5 * (np.arange(-4 * constant_s, 4 * constant_s, dt) / constant_s) ** 2)
    series = np.convolve(rng.normal(size=n + kernel.size - 1), kernel, mode="valid")
    return series / np.sqrt(np.sum(kernel**2))


def drive(rng: np.random.Generator, scenario: Scenario, speed_km_h: float) -> tuple[np.ndarray, ...]:
    """True times, positions, angles at 50 Hz."""
    dt = 0.02
    t = np.arange(0.0, scenario.duration_s, dt)
    v = np.full(t.size, speed_km_h / 3.6)
    rate = np.zeros(t.size)
    if not scenario.steady:
        v = v * np.clip(1 + 0.33 * _smooth(rng, t.size, dt, 8.0), 0.2, None)
        for at in rng.uniform(0.15, 0.85, 2) * scenario.duration_s:
            v = v * (1 - np.exp(-0.5 * ((t - at) / 4.0) ** 4))
        rate = scenario.turn_rate * _smooth(rng, t.size, dt, 5.0) * np.minimum(v, 1.0)
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rate) * dt
    grade = 0.02 * _smooth(rng, t.size, dt, 20.0)
    roll = 0.02 * _smooth(rng, t.size, dt, 10.0)
    step = v[:, None] * dt * np.column_stack([np.sin(heading), np.cos(heading), np.tan(grade)])
    position = np.cumsum(step, axis=0)
    return t, position, np.column_stack([roll, grade, heading])


def _at(t: np.ndarray, nodes: np.ndarray, columns: np.ndarray) -> np.ndarray:
    return np.column_stack([np.interp(t, nodes, c) for c in columns.T])


def simulated_pair(
    rng: np.random.Generator, scenario: Scenario, speed: float, clock_s: float, arm_m: np.ndarray
) -> Pair:
    """One run with its planted clock offset (rig minus reference) and lever arm."""
    t, position, angles = drive(rng, scenario, speed)

    def sampled(hz: float) -> tuple[np.ndarray, np.ndarray]:
        at = np.arange(5.0, scenario.duration_s - 5.0, 1 / hz) + rng.uniform(0, 0.02)
        white = rng.normal(size=(at.size, 3)) * scenario.white_m
        return at, white + lasting_noise(rng, at.size, scenario.lasting_m, scenario.lasting_s * hz)

    rig_t, rig_noise = sampled(scenario.rig_hz)
    rig = _at(rig_t, t, position) + rig_noise
    if scenario.false_share:
        length = int(scenario.rig_hz * 10)
        for start in rng.integers(0, rig_t.size - length, int(scenario.false_share * rig_t.size / length)):
            rig[start : start + length] += rng.normal(size=3) * 1.5
    reference_t, reference_noise = sampled(scenario.reference_hz)
    turned = vehicle_axes(_at(reference_t, t, angles))
    reference = _at(reference_t, t, position) + turned @ arm_m + reference_noise
    origin = np.zeros(3)
    rig_track = make_track(rig_t + clock_s, rig, origin)
    reference_track = make_track(reference_t, reference, origin)
    if scenario.attitude == "rig":
        seen = _at(rig_t, t, angles) + rng.normal(size=(rig_t.size, 3)) * 0.001
        attitude = Attitude("rig", "rig", rig_t + clock_s, seen, np.ones(rig_t.size, dtype=bool))
    else:
        attitude = course_attitude(reference_track)
    return Pair(f"{speed:g} km/h", rig_track, reference_track, attitude, np.ones(rig_t.size, dtype=bool))


def one_drive(rng: np.random.Generator, scenario: Scenario) -> tuple[np.ndarray, Alignment]:
    """Planted (clock, forward, left, up) and the alignment found."""
    planted = np.array([rng.uniform(-0.4, 0.4), *rng.uniform([-1.5, -1.0, 0.3], [1.5, 1.0, 2.0])])
    pairs = [simulated_pair(rng, scenario, v, planted[0], planted[1:]) for v in scenario.speeds_km_h]
    return planted, align_runs(pairs, AlignmentSettings(search_s=2.0))


SCENARIOS = (
    Scenario(name="one run, 10 Hz rig, 5 Hz reference"),
    Scenario(name="one run, 1 Hz reference", reference_hz=1.0),
    Scenario(name="three runs at 6, 12, 24 km/h", speeds_km_h=(6.0, 12.0, 24.0), duration_s=300.0),
    Scenario(name="lasting errors of 60 s", lasting_s=60.0),
    Scenario(name="white noise only", lasting_m=0.0),
    Scenario(name="5 % false fixes", false_share=0.05),
    Scenario(name="attitude from course", attitude="course", turn_rate=0.03),
)


def main(drives: int) -> None:
    """Print the table."""
    print(f"{drives} drives each; z RMS, mean error, mean stated uncertainty")
    for scenario in SCENARIOS:
        rng = np.random.default_rng(5)
        errors, stated, refused = [], [], 0
        start = time.perf_counter()
        for _ in range(drives):
            planted, found = one_drive(rng, scenario)
            if found.clock_offset_s is None or None in found.lever_arm_m:
                refused += 1
                continue
            errors.append(np.array([found.applied_clock_s, *found.applied_arm_m]) - planted)
            stated.append(np.sqrt(np.diag(found.covariance)))
        error, sigma = np.array(errors), np.array(stated)
        z = np.sqrt(np.mean((error / sigma) ** 2, axis=0))
        print(f"{scenario.name} ({refused} refused, {(time.perf_counter() - start) / drives:.2f} s each)")
        for name, unit, column in (
            ("clock", "ms", 0),
            ("forward", "mm", 1),
            ("left", "mm", 2),
            ("up", "mm", 3),
        ):
            rms = np.sqrt(np.mean(error[:, column] ** 2)) * 1000
            print(
                f"  {name:8s} z {z[column]:.2f}  error rms {rms:.2f} {unit}, "
                f"mean {error[:, column].mean() * 1000:+.2f}, stated {sigma[:, column].mean() * 1000:.2f}"
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
