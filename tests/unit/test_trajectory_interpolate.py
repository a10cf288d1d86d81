"""Interpolation between epochs: its error on a turn, gaps, velocities, attitude."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from accuracy.errors import TrajectoryError
from accuracy.model import FloatArray
from accuracy.trajectory.interpolate import (
    arm_in_grid,
    course_attitude,
    interpolation_error_m,
    make_track,
    vehicle_axes,
)

RADIUS_M, SPEED = 8.0, 10 / 3.6


def half_turn(t: FloatArray) -> FloatArray:
    """Straight, a half circle of 8 m radius at 10 km/h, straight back; exact positions."""
    lasts = np.pi * RADIUS_M / SPEED
    angle = np.clip(t, 0, lasts) * SPEED / RADIUS_M
    east = RADIUS_M * np.sin(angle) + np.where(t < 0, t, 0) * SPEED - np.maximum(t - lasts, 0) * SPEED
    return np.column_stack([east, RADIUS_M * (1 - np.cos(angle)), 0 * t])


@pytest.mark.parametrize(
    ("name", "interval_s", "most_m", "gain"),
    [("1 Hz", 1.0, 0.040, 3.0), ("10 Hz", 0.1, 0.0004, 3.0), ("one point per metre", 1 / SPEED, 0.005, 3.0)],
)
def test_error_on_a_turn(name: str, interval_s: float, most_m: float, gain: float) -> None:
    """The cubic stays within these errors, and at least three times nearer than the chord."""
    nodes = np.arange(-10.0, 15.0, interval_s) + 0.033
    track = make_track(nodes, half_turn(nodes), np.zeros(3))
    between = np.arange(-5.0, 13.0, 0.003)
    truth = half_turn(between)
    position, usable = track.at(between)
    assert usable.all()
    chord = np.column_stack([np.interp(between, nodes, column) for column in half_turn(nodes).T])
    cubic_error = np.linalg.norm(position - truth, axis=1).max()
    chord_error = np.linalg.norm(chord - truth, axis=1).max()
    assert cubic_error < most_m
    assert chord_error > gain * cubic_error


def test_inside_a_turn_the_error_falls_at_least_with_the_third_power() -> None:
    """Ten times the rate, about a thousand times less error or better."""
    errors = []
    for interval_s in (1.0, 0.1):
        nodes = np.arange(1.0, 8.0, interval_s)
        between = np.linspace(3.0, 6.0, 500)
        position, _ = make_track(nodes, half_turn(nodes), np.zeros(3)).at(between)
        errors.append(np.linalg.norm(position - half_turn(between), axis=1).max())
    assert errors[0] / errors[1] > 800


def test_a_false_fix_spoils_only_its_own_neighbourhood() -> None:
    """Two intervals away from a jump of 10 m nothing is left of it."""
    t = np.arange(0.0, 20.0)
    place = np.column_stack([3 * t, 0 * t, 0 * t])
    place[10, 1] = 10.0
    track = make_track(t, place, np.zeros(3))
    away = np.concatenate([np.linspace(0, 8, 50), np.linspace(12, 19, 50)])
    assert np.abs(track.at(away)[0][:, 1]).max() < 1e-9


def test_the_cost_of_interpolation_is_estimated() -> None:
    """On a steady circle at 1 Hz the estimate agrees with the true error within a factor of three."""
    t = np.arange(0.0, 60.0)
    circle = lambda at: np.column_stack([8 * np.sin(at * 0.35), 8 * np.cos(at * 0.35), 0 * at])  # noqa: E731
    track = make_track(t, circle(t), np.zeros(3))
    between = np.linspace(5, 50, 2000)
    true = np.linalg.norm(track.at(between)[0] - circle(between), axis=1).max()
    assert true / 3 < interpolation_error_m(track) < true * 3


def straight(t: FloatArray) -> FloatArray:
    """Five metres per second to the east."""
    return np.column_stack([5 * t, 0 * t, 0 * t])


def test_nothing_is_interpolated_across_a_gap() -> None:
    """Instants inside a gap are unusable; the epochs at its edges are usable."""
    t = np.concatenate([np.arange(0, 10, 0.2), np.arange(12, 20, 0.2)])
    track = make_track(t, straight(t), np.zeros(3))
    _, usable = track.at(np.array([5.05, 9.8, 9.9, 11.0, 12.0, 12.1, -0.5, 25.0]))
    assert usable.tolist() == [True, True, False, False, True, True, False, False]


def test_a_gap_may_be_declared() -> None:
    """The user's own limit replaces the usual one."""
    t = np.array([0.0, 1.0, 2.0, 4.0, 5.0])
    asked = np.array([3.0])
    assert make_track(t, straight(t), np.zeros(3)).at(asked)[1].tolist() == [True]
    assert make_track(t, straight(t), np.zeros(3), gap_s=1.5).at(asked)[1].tolist() == [False]


def test_a_logger_by_distance_has_gaps_by_distance() -> None:
    """One point per metre at a varying speed: a slow metre is no gap, three metres are."""
    way = np.concatenate([np.arange(0.0, 50.0), np.arange(53.0, 80.0)])
    speed = 2 + 1.5 * np.sin(way / 9)
    t = np.concatenate([[0.0], np.cumsum(np.diff(way) / speed[1:])])
    track = make_track(t, np.column_stack([way, 0 * way, 0 * way]), np.zeros(3))
    assert track.spaced_by == "distance"
    assert np.flatnonzero(~track.whole).tolist() == [49]


def test_chainage_does_not_grow_while_standing() -> None:
    """A centimetre of noise at 100 Hz adds no way to a rig that stands for a minute."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 80.0, 0.01)
    true = np.column_stack([4 * np.clip(t - 60, 0, None), 0 * t, 0 * t])
    track = make_track(t, true + rng.normal(size=true.shape) * 0.01, np.zeros(3))
    assert track.chainage_m[np.searchsorted(t, 59.0)] < 0.05
    assert track.chainage_m[-1] == pytest.approx(80.0, abs=0.5)


def test_course_and_grade() -> None:
    """Travel to the south-east up a slope of one in ten; standing keeps the last heading."""
    t = np.arange(0.0, 30.0, 0.1)
    moved = np.minimum(t, 20.0)[:, None]
    track = make_track(t, moved * np.array([2.0, -2.0, 0.1 * 2 * np.sqrt(2)]), np.zeros(3))
    attitude = course_attitude(track)
    angles, known = attitude.at(np.array([5.0, 28.0]))
    np.testing.assert_allclose(np.degrees(angles[:, 2]), 135.0, atol=1e-6)
    assert np.tan(angles[0, 1]) == pytest.approx(0.1, abs=1e-6)
    assert known.tolist() == [True, False]


@given(st.tuples(*[st.floats(-3.1, 3.1) for _ in range(3)]))
def test_vehicle_axes_are_a_rotation(angles: tuple[float, float, float]) -> None:
    """Forward, left and up are perpendicular unit vectors, right-handed, for any attitude."""
    axes = vehicle_axes(np.array([angles]))[0]
    np.testing.assert_allclose(axes.T @ axes, np.eye(3), atol=1e-12)
    assert np.linalg.det(axes) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("roll", "pitch", "heading", "arm", "expected"),
    [
        (0, 0, 0, (1, 0, 0), (0, 1, 0)),  # north
        (0, 0, 90, (1, 0, 0), (1, 0, 0)),  # east
        (0, 0, 90, (0, 1, 0), (0, 1, 0)),  # left of east is north
        (0, 90, 0, (1, 0, 0), (0, 0, 1)),  # nose up
        (90, 0, 0, (0, 1, 0), (0, 0, 1)),  # right side down: the left side is on top
        (0, 0, 45, (0, 0, 2), (0, 0, 2)),
    ],
)
def test_signs_of_attitude(
    roll: float, pitch: float, heading: float, arm: tuple[float, ...], expected: tuple[float, ...]
) -> None:
    """Each angle turns the vehicle the way that the convention says."""
    turned = arm_in_grid(np.radians([[roll, pitch, heading]]), np.array(arm, dtype=float))
    np.testing.assert_allclose(turned[0], expected, atol=1e-12)


def test_two_epochs_are_too_few() -> None:
    """A track needs three epochs."""
    with pytest.raises(TrajectoryError, match="2 usable epochs are too few"):
        make_track(np.array([0.0, 1.0]), np.zeros((2, 3)), np.zeros(3))
