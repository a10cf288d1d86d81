"""Drives with a planted clock offset, lever arm, drift and gaps: everything here is invented."""

from __future__ import annotations

import re
from dataclasses import replace

import cattrs
import numpy as np
import pytest

import sim_trajectory as sim
from accuracy.model import FloatArray, Trajectory, TrajectoryComparison
from accuracy.trajectory.align import AlignmentSettings, align_runs
from accuracy.trajectory.compare import align_trajectories, compare
from accuracy.trajectory.drift import SinceFix, drift_after_loss
from accuracy.trajectory.interpolate import make_track, vehicle_axes
from accuracy.trajectory.prepare import ComparisonSettings

NO_ARM = (0.0, 0.0, 0.0)
GIVEN = ComparisonSettings(alignment=AlignmentSettings(clock_offset_s=0.0, lever_arm_m=NO_ARM))


def test_stated_uncertainties_are_true() -> None:
    """Over 60 short drives the errors of clock and arm are as large as stated: z RMS near 1.

    Three standard errors of an RMS of 60 are 0.27; over 500 drives the simulator's own table holds.
    """
    rng = np.random.default_rng(11)
    scenario = sim.Scenario(name="short", duration_s=300.0, reference_hz=1.0, lasting_s=10.0)
    z = []
    for _ in range(60):
        planted, found = sim.one_drive(rng, scenario)
        estimate = np.array([found.applied_clock_s, *found.applied_arm_m])
        assert found.separable
        assert found.frame_shift_m == (None, None, None)
        z.append((estimate - planted) / np.sqrt(np.diag(found.covariance)))
    rms = np.sqrt(np.mean(np.array(z) ** 2, axis=0))
    assert (rms > 0.73).all()
    assert (rms < 1.27).all()


def drive(
    speed_km_h: float,
    *,
    clock_s: float = 0.0,
    arm: tuple[float, float, float] = NO_ARM,
    steady: bool = True,
    noise_m: float = 0.005,
    seconds: float = 200.0,
    attitude: bool = True,
    seed: int = 0,
    rate_hz: float = 10.0,
) -> tuple[Trajectory, Trajectory]:
    """Rig and reference on a straight road to the east (steady) or on a winding one at varying speed."""
    rng = np.random.default_rng(seed)
    fine = np.arange(0.0, seconds, 0.01)
    speed = np.full(fine.size, speed_km_h / 3.6)
    heading = np.full(fine.size, np.pi / 2)
    if not steady:
        speed = speed * (1 + 0.6 * np.sin(fine / 9.0))
        heading = heading + 0.9 * np.sin(fine / 15.0)
    place = np.cumsum(
        0.01 * speed[:, None] * np.column_stack([np.sin(heading), np.cos(heading), 0 * heading]), axis=0
    )
    t = np.arange(1.0, seconds - 1.0, 1 / rate_hz)

    def at(columns: FloatArray) -> FloatArray:
        return np.column_stack([np.interp(t, fine, column) for column in columns.T])

    angles = np.column_stack([0 * t, 0 * t, np.interp(t, fine, heading)])
    rig = at(place) + rng.normal(size=(t.size, 3)) * noise_m
    reference = at(place) + vehicle_axes(angles) @ np.array(arm) + rng.normal(size=(t.size, 3)) * noise_m
    return (
        Trajectory(
            name=f"{speed_km_h:g} km/h",
            time_s=t + clock_s + 1e9,
            time_scale="gps",
            easting_m=rig[:, 0] + 500_000,
            northing_m=rig[:, 1] + 4_000_000,
            height_m=rig[:, 2] + 20,
            heading_rad=angles[:, 2] if attitude else None,
        ),
        Trajectory(
            name="reference",
            time_s=t + 1e9,
            time_scale="gps",
            easting_m=reference[:, 0] + 500_000,
            northing_m=reference[:, 1] + 4_000_000,
            height_m=reference[:, 2] + 20,
        ),
    )


def test_a_tenth_of_a_second_at_30_km_h_is_0_83_m() -> None:
    """A rig clock that is 0.1 s fast shows as 0.83 m behind along the track, and as nothing else."""
    found, series = compare(*drive(30.0, clock_s=0.1, noise_m=0.0), GIVEN)
    assert found.all_epochs.along is not None
    assert found.all_epochs.along.mean_m == pytest.approx(-0.1 * 30 / 3.6, abs=1e-4)
    assert found.rmse_along_m == pytest.approx(0.833, abs=5e-4)
    assert found.rmse_cross_m < 1e-4
    assert any("along difference is nearly constant" in remark for remark in found.remarks)
    assert series.along_m.size == found.n


@pytest.mark.parametrize(
    ("arm", "axis"), [((0.7, 0, 0), "along"), ((0, 0.4, 0), "cross"), ((0, 0, 1.2), "up")]
)
def test_an_arm_that_is_left_out_shows_with_its_sign(arm: tuple[float, float, float], axis: str) -> None:
    """An antenna ahead, to the left or above makes the rig seem behind, to the right, below."""
    found, _ = compare(*drive(12.0, arm=arm, noise_m=0.0, steady=False), GIVEN)
    group = getattr(found.all_epochs, axis)
    assert group.median_m == pytest.approx(-max(arm), abs=2e-3)


def test_one_steady_straight_run_is_not_split() -> None:
    """Clock and forward arm are refused in words; their sum, the other arms and the residuals stand."""
    found, _ = compare(*drive(18.0, clock_s=0.1, arm=(0.8, 0.3, 1.5)))
    assert found.clock_offset_s is None
    assert found.clock_offset_standard_uncertainty_s is None
    forward, left, up = found.lever_arm_m
    assert forward is None
    assert left == pytest.approx(0.3, abs=0.005)
    assert up == pytest.approx(1.5, abs=0.005)
    words = found.remarks[0]
    assert "cannot be told apart" in words
    assert "speed times time" in words
    assert "Runs at other speeds" in words
    # By hand: reference = rig(t + 0.1 s) + 0.8 m, and 0.8 m is 0.16 s at 5 m/s: 0.26 s, 1.30 m together.
    assert "Together they amount to +1.300 m at 18 km/h" in words or "+1.299 m" in words
    assert found.rmse_along_m == pytest.approx(0.005 * np.sqrt(2), rel=0.2)


@pytest.mark.parametrize("attitude", [True, False])
def test_runs_at_other_speeds_separate_them(attitude: bool) -> None:
    """Three steady straight runs at 6, 12 and 24 km/h together give both, though each alone does not."""
    runs = [
        drive(v, clock_s=0.05, arm=(0.8, 0.3, 1.5), seed=i, attitude=attitude)
        for i, v in enumerate((6.0, 12.0, 24.0))
    ]
    found = align_trajectories(runs)
    assert found.separable
    assert found.clock_offset_s == pytest.approx(0.05, abs=4e-4)
    np.testing.assert_allclose(found.applied_arm_m, (0.8, 0.3, 1.5), atol=0.004)
    comparison, _ = compare(*runs[0], alignment=found)
    assert comparison.clock_offset_s == found.clock_offset_s
    assert any("all runs of this mounting together" in remark for remark in comparison.remarks)
    assert any("heads nearly the same way" in remark for remark in comparison.remarks)


def test_a_tape_measured_arm_separates_them() -> None:
    """With the arm given, one steady run determines the clock."""
    settings = ComparisonSettings(alignment=AlignmentSettings(lever_arm_m=(0.8, 0.3, 1.5)))
    found, _ = compare(*drive(18.0, clock_s=-0.2, arm=(0.8, 0.3, 1.5)), settings)
    assert found.clock_offset_s == pytest.approx(-0.2, abs=5e-4)
    assert found.lever_arm_standard_uncertainty_m == (0.0, 0.0, 0.0)
    assert found.estimated == ("clock",)


def test_a_standing_rig_has_no_clock() -> None:
    """Without motion the clock offset is refused, not invented."""
    rig, reference = drive(0.0, arm=(0.5, 0.0, 1.0))
    found, _ = compare(rig, reference)
    assert found.clock_offset_s is None
    assert "The rig hardly moves, so the clock offset does not show" in found.remarks[0]
    # Its heading is in the file, so the arm is seen all the same.
    np.testing.assert_allclose(found.lever_arm_m, (0.5, 0.0, 1.0), atol=0.003)


@pytest.mark.parametrize(("scale", "period_s"), [("week-seconds", 604_800.0), ("day-seconds", 86_400.0)])
def test_a_reference_of_an_unnamed_week_or_day(scale: str, period_s: float) -> None:
    """A reference that counts seconds of week or day meets a rig with full GPS times."""
    rig, reference = drive(12.0, steady=False, clock_s=0.03, arm=(0.5, 0.2, 1.0))
    assert reference.time_s is not None
    short = replace(reference, time_s=np.mod(reference.time_s, period_s), time_scale=scale)  # type: ignore[arg-type]
    found, _ = compare(rig, short)
    assert found.clock_offset_s == pytest.approx(0.03, abs=0.001)
    assert any("Only one of the two trajectories names its" in remark for remark in found.remarks)


def test_runs_that_do_not_share_a_clock_are_named() -> None:
    """One run whose clock is 50 ms off is found although the others agree."""
    arm = (0.5, 0.2, 1.0)
    runs = [drive(v, arm=arm, steady=False, seed=i) for i, v in enumerate((8.0, 12.0))]
    runs.append(drive(16.0, arm=arm, steady=False, seed=5, clock_s=0.05))
    comparison, _ = compare(*runs[0], alignment=align_trajectories(runs))
    assert any("do not share one clock offset" in remark for remark in comparison.remarks)


def test_whole_seconds_are_recognised() -> None:
    """Eighteen seconds between the files look like GPS against UTC, and the words say so."""
    found, _ = compare(*drive(12.0, clock_s=18.0, steady=False))
    assert found.clock_offset_s == pytest.approx(18.0, abs=0.002)
    assert any("close to +18 whole seconds" in remark for remark in found.remarks)


def test_arms_that_no_vehicle_carries_are_named() -> None:
    """Forty-five metres of height or a hundred of plan are files that do not belong together."""
    rig, reference = drive(12.0, steady=False)
    found, _ = compare(rig, replace(reference, height_m=reference.height_m + 45))
    assert "+45.0 m: the two files probably use different height systems" in found.remarks[0]
    found, _ = compare(rig, replace(reference, easting_m=reference.easting_m + 100))
    assert "Check that both files are of the same drive" in found.remarks[0]


def back_and_forth(pitch: bool, seed: int = 3) -> tuple[Trajectory, Trajectory]:
    """Invented: 200 m of hilly road driven both ways for three minutes, arm 0.35, -0.11, 0.25 m."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 180.0, 0.1)
    turn = 2 * np.pi * t / 90
    place = np.column_stack(
        [90 * (1 - np.cos(turn)), 1.5 * np.sin(2 * turn) + np.sin(3 * turn), 2 * np.sin(turn / 2)]
    )
    moving = np.gradient(place, 0.1, axis=0)
    angles = np.column_stack(
        [
            0 * t,
            np.arctan2(moving[:, 2], np.hypot(moving[:, 0], moving[:, 1])),
            np.unwrap(np.arctan2(moving[:, 0], moving[:, 1])),
        ]
    )
    both = []
    for name, arm in (("rig", (0.0, 0.0, 0.0)), ("reference", (0.35, -0.11, 0.25))):
        at = place + vehicle_axes(angles) @ np.array(arm) + rng.normal(size=place.shape) * 0.004
        seen = name == "rig"
        both.append(
            Trajectory(
                name=name,
                time_s=t + 1e9,
                time_scale="gps",
                easting_m=at[:, 0] + 500_000,
                northing_m=at[:, 1] + 4_000_000,
                height_m=at[:, 2] + 20,
                pitch_rad=angles[:, 1] if seen and pitch else None,
                heading_rad=angles[:, 2] if seen and pitch else None,
            )
        )
    return both[0], both[1]


@pytest.mark.parametrize("attitude", [True, False])
@pytest.mark.parametrize(
    ("shift", "words"),
    [
        ((0.0, 0.0, 40.0), r"higher than the rig by \+40.*height systems.*figures up and 3D contain it"),
        (
            (2.0, 0.0, 0.0),
            r"\+(2\.00|1\.99)\d .* in easting.*no lever arm.*along, cross, horizontal and 3D contain",
        ),
        ((-0.4, 0.3, 0.0), r"−0\.(40|39)\d .* in easting and \+0\.(30|29)\d .* in northing"),
    ],
)
def test_a_shift_between_frames_is_no_arm(
    attitude: bool, shift: tuple[float, float, float], words: str
) -> None:
    """Both ways over hills: a shift is told from the arm, stays in its own figures and spoils no other."""
    rig, reference = back_and_forth(attitude)
    moved = replace(
        reference,
        easting_m=reference.easting_m + shift[0],
        northing_m=reference.northing_m + shift[1],
        height_m=reference.height_m + shift[2],
    )
    found, _ = compare(rig, moved)
    assert re.search(words, found.remarks[0])
    assert found.remarks[1].startswith("Without the shift between the two frames the RMSE would be along 0.0")
    forward, left, up = found.lever_arm_m
    # The course of the reference's antenna is not quite the vehicle's heading.
    assert forward == pytest.approx(0.35, abs=0.003 if attitude else 0.03)
    assert left == pytest.approx(-0.11, abs=0.003 if attitude else 0.03)
    if shift[2] and not attitude:
        assert up is None
    else:
        assert up == pytest.approx(0.25, abs=0.06)
    plain, _ = compare(rig, reference)
    assert found.rmse_along_m is not None
    assert plain.rmse_along_m is not None
    assert found.rmse_up_m == pytest.approx(shift[2] or plain.rmse_up_m, rel=0.02)
    if shift[2]:
        assert found.rmse_along_m == pytest.approx(plain.rmse_along_m, rel=0.02)
        assert found.rmse_cross_m == pytest.approx(plain.rmse_cross_m, rel=0.02)
    else:
        assert found.rmse_horizontal_m == pytest.approx(np.hypot(shift[0], shift[1]), rel=0.02)


def test_no_shift_shows_where_none_is() -> None:
    """The same drive without a shift, and a straight one whose shift no drive could tell: none is claimed."""
    found, _ = compare(*back_and_forth(True))
    assert found.frame_shift_m == (None, None, None)
    rig, reference = drive(12.0, arm=(0.5, 0.2, 1.0))
    straight, _ = compare(rig, replace(reference, northing_m=reference.northing_m + 2))
    assert straight.frame_shift_m == (None, None, None)
    assert any(
        "a shift between the two coordinate frames looks like a lever arm" in r for r in straight.remarks
    )


def test_a_shift_s_uncertainty_is_true() -> None:
    """Sixty short drives with a planted shift: found each time, z RMS of shift, clock and arm near 1.

    Three standard errors of an RMS of 60 are 0.27.
    """
    rng = np.random.default_rng(11)
    scenario = sim.Scenario(name="short", duration_s=300.0, reference_hz=1.0, lasting_s=10.0)
    z = []
    for _ in range(60):
        shift = np.array([*rng.uniform(0.5, 3.0, 2) * rng.choice([-1, 1], 2), 0.0])
        planted = np.array([rng.uniform(-0.4, 0.4), *rng.uniform([-1.5, -1.0, 0.3], [1.5, 1.0, 2.0])])
        pair = sim.simulated_pair(rng, scenario, 12.0, planted[0], planted[1:])
        track = pair.reference
        moved = make_track(track.time_s, track.position_m + shift, track.origin_m)
        found = align_runs([replace(pair, reference=moved)], AlignmentSettings(search_s=2.0))
        assert found.frame_shift_m[0] is not None
        assert found.frame_shift_m[2] is None
        error = np.array([*found.frame_shift_m[:2], found.applied_clock_s, *found.applied_arm_m])
        error -= [*shift[:2], *planted]
        stated = [*found.frame_shift_standard_uncertainty_m[:2], *np.sqrt(np.diag(found.covariance))]
        z.append(error / np.array(stated))
    rms = np.sqrt(np.mean(np.array(z) ** 2, axis=0))
    assert (rms > 0.73).all()
    assert (rms < 1.27).all()


def test_false_fixes_do_not_move_the_estimate() -> None:
    """A tenth of the epochs 2 m off moves neither clock nor arm, and is counted."""
    rig, reference = drive(12.0, clock_s=0.03, arm=(0.5, 0.2, 1.0), steady=False)
    east = rig.easting_m.copy()
    east[500:700] += 2.0
    fix = np.full(east.size, "fixed")
    found, _ = compare(replace(rig, easting_m=east, fix=fix), reference)
    assert found.clock_offset_s == pytest.approx(0.03, abs=0.001)
    np.testing.assert_allclose(found.lever_arm_m, (0.5, 0.2, 1.0), atol=0.005)
    assert 195 <= found.false_fixes <= 202
    assert found.worst_false_fix_m == pytest.approx(2.0, abs=0.05)
    assert found.rmse_horizontal_m == pytest.approx(2.0 * np.sqrt(200 / found.n), rel=0.02)
    assert found.all_epochs.horizontal is not None
    assert found.all_epochs.horizontal.nmad_m < 0.01


def test_a_heading_in_another_convention_is_found() -> None:
    """Headings counted from east, anticlockwise, disagree with the travel and are not used."""
    rig, reference = drive(12.0, steady=False, noise_m=0.002)
    assert rig.heading_rad is not None
    found, _ = compare(replace(rig, heading_rad=np.pi / 2 - rig.heading_rad), reference)
    assert found.attitude_source == "course"
    assert any("differ from the direction of travel by" in remark for remark in found.remarks)


def test_gaps_and_verified_share() -> None:
    """A dropout of 30 s at 36 km/h is 300 m long, and its place, time and share are stated."""
    rig, reference = drive(36.0, noise_m=0.0, seconds=202.0)
    assert reference.time_s is not None
    t = reference.time_s - 1e9
    kept = (t < 101.0) | (t > 131.0)
    cut = replace(
        reference,
        time_s=reference.time_s[kept],
        easting_m=reference.easting_m[kept],
        northing_m=reference.northing_m[kept],
        height_m=reference.height_m[kept],
    )
    found, _ = compare(rig, cut, GIVEN)
    assert len(found.gaps) == 1
    gap = found.gaps[0]
    assert gap.of == "reference"
    assert gap.start_s is not None
    assert gap.start_s - 1e9 == pytest.approx(100.95, abs=0.1)
    assert gap.duration_s == pytest.approx(30.1, abs=0.15)
    assert gap.length_m == pytest.approx(301.0, abs=1.5)
    assert gap.start_chainage_m == pytest.approx(999.5, abs=1.5)
    assert found.verified_share == pytest.approx(1 - 30 / 200, abs=0.003)
    assert found.verified_share_of_distance == pytest.approx(1 - 30 / 200, abs=0.003)


def test_a_reference_that_starts_late_leaves_a_gap_at_the_beginning() -> None:
    """What was not covered at the ends counts as not verified."""
    rig, reference = drive(36.0, noise_m=0.0)
    late = replace(
        reference,
        time_s=None if reference.time_s is None else reference.time_s[500:],
        easting_m=reference.easting_m[500:],
        northing_m=reference.northing_m[500:],
        height_m=reference.height_m[500:],
    )
    found, _ = compare(rig, late, GIVEN)
    assert [gap.start_chainage_m for gap in found.gaps] == [0.0]
    assert found.gaps[0].duration_s == pytest.approx(50.0, abs=0.1)


def test_a_sparse_prism_is_compared_at_its_own_epochs() -> None:
    """One point per second against 10 Hz: residuals at the reference's epochs, the rig interpolated."""
    rig, reference = drive(12.0, arm=(0.5, 0.2, 1.0), steady=False, clock_s=0.02)
    thin = replace(
        reference,
        time_s=None if reference.time_s is None else reference.time_s[::10],
        easting_m=reference.easting_m[::10],
        northing_m=reference.northing_m[::10],
        height_m=reference.height_m[::10],
    )
    settings = ComparisonSettings(reference_kind="prism", instrument_m=(500_200.0, 4_000_050.0, 21.0))
    found, _ = compare(rig, thin, settings)
    assert found.n == len(thin) - 1 or found.n == len(thin)
    assert found.clock_offset_s == pytest.approx(0.02, abs=0.003)
    assert any("latency of the prism tracking" in remark for remark in found.remarks)
    assert any("prism constant" in remark for remark in found.remarks)
    assert len(found.by_distance) > 1
    assert sum(group.n for group in found.by_distance) == found.n


def test_a_wrong_prism_constant_shows_along_the_sight() -> None:
    """A reference 34 mm too far from the instrument is named with its size."""
    rig, reference = drive(12.0, steady=False, noise_m=0.003)
    station = np.array([500_150.0, 4_000_030.0])
    sight = np.column_stack([reference.easting_m, reference.northing_m]) - station
    out = 0.034 * sight / np.linalg.norm(sight, axis=1)[:, None]
    moved = replace(
        reference, easting_m=reference.easting_m + out[:, 0], northing_m=reference.northing_m + out[:, 1]
    )
    settings = replace(GIVEN, reference_kind="prism", instrument_m=(150_000.0 + 350_150.0, 4_000_030.0, 20.0))
    found, _ = compare(rig, moved, settings)
    words = " ".join(found.remarks)
    assert "check the prism constant" in words
    assert "+34.0 mm" in words or "+33.9 mm" in words or "+34.1 mm" in words


def test_points_logged_by_distance() -> None:
    """Without times cross-track and up are measured, along is not, and no horizontal figure is made up."""
    rig, reference = drive(12.0, arm=(0.0, 0.35, 0.0), steady=False, noise_m=0.0)
    points = replace(
        reference,
        time_s=None,
        time_scale="none",
        easting_m=reference.easting_m[::7],
        northing_m=reference.northing_m[::7],
        height_m=reference.height_m[::7] - 0.05,
    )
    found, series = compare(rig, points, GIVEN)
    assert found.rmse_along_m is None
    assert found.rmse_horizontal_m is None
    assert found.clock_offset_s is None
    assert found.all_epochs.cross.median_m == pytest.approx(-0.35, abs=0.002)
    assert found.all_epochs.up.mean_m == pytest.approx(0.05, abs=1e-6)
    assert found.verified_share > 0.97
    assert np.isnan(series.along_m).all()
    assert any("along-track was not measured" in remark for remark in found.remarks)
    estimated, _ = compare(rig, points)
    assert estimated.lever_arm_m[1] == pytest.approx(0.35, abs=0.002)
    assert estimated.rmse_cross_m < 0.01


def test_points_by_distance_leave_their_gap() -> None:
    """Fifty metres without points are listed with their length."""
    rig, reference = drive(36.0, noise_m=0.0)
    way = reference.easting_m - reference.easting_m[0]
    kept = (way < 500) | (way > 550)
    points = replace(
        reference,
        time_s=None,
        time_scale="none",
        easting_m=reference.easting_m[kept],
        northing_m=reference.northing_m[kept],
        height_m=reference.height_m[kept],
    )
    found, _ = compare(rig, points, GIVEN)
    assert len(found.gaps) == 1
    assert found.gaps[0].length_m == pytest.approx(51.0, abs=1.5)


@pytest.mark.parametrize(("growth", "power"), [("linear", 1.0), ("random walk", 0.5)])
def test_planted_drift(growth: str, power: float) -> None:
    """Forty outages of 20 s: the planted law and rate are found, the interval holds the rate."""
    rng = np.random.default_rng(8)
    rate = 0.02 if growth == "linear" else 0.06
    since, outage, errors = [], [], []
    for number in range(40):
        t = np.arange(0.0, 30.0, 0.2)
        lost = t >= 10.0
        grown = np.clip(t - 10.0, 0.0, None) ** power * rate
        if growth == "linear":
            drift = grown[:, None] * rng.normal(size=2) / np.sqrt(2)
        else:
            steps = np.where(lost[:, None], rng.normal(size=(t.size, 2)) * rate * np.sqrt(0.2 / 2), 0.0)
            drift = np.cumsum(steps, axis=0)
        since.append(np.where(lost, t - 10.0, 0.0))
        outage.append(np.where(lost, number, -1))
        errors.append(
            np.column_stack([drift + rng.normal(size=drift.shape) * 0.01, rng.normal(size=t.size) * 0.01])
        )
    times = np.concatenate(since)
    found = drift_after_loss(SinceFix(times, times * 3.0, np.concatenate(outage)), np.concatenate(errors))
    assert found is not None
    model = next(m for m in found.models if m.component == "horizontal" and m.against == "time")
    assert model.growth == growth
    assert model.rate_interval_95 is not None
    assert model.rate_interval_95[0] < rate < model.rate_interval_95[1]
    assert model.rate == pytest.approx(rate, rel=0.3)
    up = next(m for m in found.models if m.component == "up" and m.against == "time")
    assert up.growth == "none"


def test_the_comparison_goes_to_json_and_back() -> None:
    """Every value of the record is a plain number, text or None: nothing is lost on the way."""
    found, _ = compare(*drive(12.0, steady=False))
    plain = cattrs.unstructure(found)
    keys = {
        "run", "reference", "clock_offset_s", "clock_offset_standard_uncertainty_s", "lever_arm_m",
        "lever_arm_standard_uncertainty_m", "rmse_along_m", "rmse_cross_m", "rmse_up_m", "rmse_horizontal_m",
        "rmse_3d_m", "verified_share", "gaps", "by_fix", "by_speed", "by_direction", "by_segment",
        "by_distance", "drift", "remarks", "n",
    }  # fmt: skip
    assert keys <= set(plain)
    import json

    again = cattrs.structure(json.loads(json.dumps(plain, allow_nan=False)), TrajectoryComparison)
    assert again == found


def test_groups_partition_the_epochs() -> None:
    """Fix states, speed bands and segments each hold every epoch once."""
    rig, reference = drive(20.0, steady=False)
    fix = np.where(np.arange(len(rig)) % 300 < 250, "fixed", "bridged")
    found, _ = compare(replace(rig, fix=fix), reference)
    for groups in (found.by_fix, found.by_speed, found.by_segment):
        assert sum(group.n for group in groups) == found.n
    assert {group.name for group in found.by_fix} == {"fixed", "bridged"}


def test_the_estimate_does_not_depend_on_the_order_of_runs() -> None:
    """Three runs in another order give the same clock and arm."""
    rng = np.random.default_rng(4)
    scenario = sim.Scenario(name="x", duration_s=120.0, reference_hz=1.0)
    arm = np.array([0.5, -0.2, 1.0])
    pairs = [sim.simulated_pair(rng, scenario, v, 0.1, arm) for v in (6.0, 12.0, 20.0)]
    one, other = (align_runs(p, AlignmentSettings(search_s=1.0)) for p in (pairs, pairs[::-1]))
    assert one.applied_clock_s == pytest.approx(other.applied_clock_s, abs=1e-6)
    np.testing.assert_allclose(one.applied_arm_m, other.applied_arm_m, atol=1e-5)


@pytest.mark.parametrize("law", ["linear", "random walk", "none"])
def test_drift_intervals_hold_the_planted_rate(law: str) -> None:
    """A dozen outages, 300 times: 95 % of intervals hold the planted rate; no growth is seldom claimed.

    The bounds are three standard errors of the count.
    """
    rng, rate, drives = (
        np.random.default_rng(21),
        {"linear": 0.02, "random walk": 0.06, "none": 0.0}[law],
        300,
    )
    t = np.concatenate([np.zeros(20), np.arange(1.0, 16.0)])
    since, outage = np.tile(t, 12), np.repeat(np.arange(12), t.size)
    outage = np.where(since > 0, outage, -1)
    held = claimed = 0
    for _ in range(drives):
        if law == "random walk":
            grown = np.cumsum((t > 0)[:, None] * rng.normal(size=(12, t.size, 2)), axis=1)
        else:
            grown = t[:, None] * rng.normal(size=(12, 1, 2))
        errors = rng.normal(size=(since.size, 3)) * 0.01
        errors[:, :2] += rate * grown.reshape(-1, 2) / np.sqrt(2)
        found = drift_after_loss(SinceFix(since, since * 3.0, outage), errors)
        assert found is not None
        model = found.models[0]
        if model.growth == law != "none":
            assert model.rate_interval_95 is not None
            held += model.rate_interval_95[0] <= rate <= model.rate_interval_95[1]
        claimed += model.growth != "none"
    if law == "none":
        assert claimed <= drives * (0.05 + 3 * np.sqrt(0.05 * 0.95 / drives))
    else:
        assert claimed >= 0.95 * drives
        assert held / claimed == pytest.approx(0.95, abs=3 * np.sqrt(0.05 * 0.95 / claimed))
