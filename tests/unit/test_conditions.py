"""Residuals joined to the rig's state at capture, and which conditions go with large ones."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from accuracy.explaining.condition_effects import condition_effects
from accuracy.explaining.conditions import CaptureTimes, join_conditions
from accuracy.model import CaptureConditions, Checkpoint, Fix, FloatArray, Patch, Trajectory
from accuracy.reporting.lengths import in_unit
from accuracy.statistics.paired import holm
from accuracy.units import LengthUnit

START = 2270 * 604_800 + 100_000.0


def rig(*, fix: bool = True) -> Trajectory:
    """East at 4 m/s for 100 s, then at 8 m/s; the fix is lost from 40 s to 60 s; 2 m above the road."""
    t = np.arange(0.0, 200.0, 0.1)
    way = np.where(t < 100, 4 * t, 400 + 8 * (t - 100))
    return Trajectory(
        name="run",
        time_s=t + START,
        time_scale="gps",
        easting_m=way,
        northing_m=0 * t,
        height_m=0 * t + 2.0,
        fix=np.where((t >= 40) & (t < 60), "bridged", "fixed") if fix else None,
        satellites=np.full(t.size, 9),
    )


def capture(
    times: FloatArray | None, kind: str = "adjusted-gps", source: FloatArray | None = None
) -> CaptureTimes:
    """A checkpoint at 200 m along, 5 m to the left, on the road."""
    count = 0 if times is None else times.size
    return CaptureTimes(
        "P1",
        200.0,
        5.0,
        0.0,
        times,
        kind,  # type: ignore[arg-type]
        np.zeros(count, dtype=np.uint16) if source is None else source.astype(np.uint16),
    )


def test_state_at_capture() -> None:
    """At 50 s: 4 m/s, ten seconds and 40 m since the last fix, 5 m beside and 2 m below the rig."""
    found = join_conditions([capture(START - 1e9 + np.array([49.9, 50.0, 50.1]))], rig(), sensor_height_m=2.0)
    assert len(found) == 1
    one = found[0]
    assert one.why_not is None
    assert one.time_s == pytest.approx(START + 50)
    assert one.points == 3
    assert one.speed_m_per_s == pytest.approx(4.0, abs=1e-6)
    assert one.fix == "bridged"
    assert one.time_since_fix_s == pytest.approx(10.1, abs=0.11)
    assert one.distance_since_fix_m == pytest.approx(40.4, abs=0.5)
    assert one.range_m == pytest.approx(np.hypot(5.0, 2.0), abs=1e-6)
    assert one.turn_rate_deg_per_s == pytest.approx(0.0, abs=1e-6)
    assert one.incidence_deg == pytest.approx(np.degrees(np.arctan2(5.0, 2.0)), abs=1e-4)
    assert one.satellites == 9


def test_week_seconds_are_placed_in_the_trajectorys_week() -> None:
    """A cloud that stores seconds of week is joined to the same instant."""
    one = join_conditions([capture(np.array([100_050.0]), "week-seconds")], rig())[0]
    assert one.time_s == pytest.approx(START + 50)


def test_adjusted_times_meet_a_trajectory_of_week_seconds() -> None:
    """And the other way round."""

    run = rig()
    assert run.time_s is not None
    weekly = replace(run, time_s=run.time_s - 2270 * 604_800, time_scale="week-seconds")
    one = join_conditions([capture(START - 1e9 + np.array([50.0]))], weekly)[0]
    assert one.why_not is None
    assert one.fix == "bridged"


def test_several_passes_are_kept_apart() -> None:
    """Two visits in time and two source ids are separate entries with their own state."""
    times = START - 1e9 + np.array([50.0, 50.1, 150.0, 150.1, 50.0])
    found = join_conditions([capture(times, source=np.array([1, 1, 1, 1, 2]))], rig())
    assert [one.pass_id for one in found] == ["1/1", "1/2", "2/1"]
    assert [one.points for one in found] == [2, 2, 1]
    assert found[1].speed_m_per_s == pytest.approx(8.0, abs=1e-6)
    assert found[1].fix == "fixed"
    assert found[1].time_since_fix_s == 0.0


@pytest.mark.parametrize(
    ("times", "kind", "why"),
    [
        (np.array([START - 1e9 + 500.0]), "adjusted-gps", "captured 300 s outside the trajectory's times"),
        (np.array([700_000.0]), "week-seconds", "no seconds of a GPS week"),
    ],
)
def test_why_there_is_no_state(times: FloatArray | None, kind: str, why: str) -> None:
    """Absent, empty, impossible and non-overlapping times each have their own words."""
    found = join_conditions([capture(times, kind)], rig())
    assert len(found) == 1
    assert found[0].why_not is not None
    assert why in found[0].why_not
    assert found[0].speed_m_per_s is None


def test_a_gap_of_the_trajectory_has_no_state() -> None:
    """Nothing is read across a gap."""

    run = rig()
    assert run.time_s is not None
    kept = np.abs(run.time_s - START - 50) > 3
    cut = replace(
        run,
        time_s=run.time_s[kept],
        easting_m=run.easting_m[kept],
        northing_m=run.northing_m[kept],
        height_m=run.height_m[kept],
        fix=None if run.fix is None else run.fix[kept],
        satellites=None,
    )
    one = join_conditions([capture(START - 1e9 + np.array([50.0]))], cut)[0]
    assert one.why_not == "captured in a gap of the trajectory"


@pytest.mark.parametrize(("times", "kind"), [(None, "none"), (np.zeros(4), "adjusted-gps")])
def test_points_without_times_are_joined_by_place(times: FloatArray | None, kind: str) -> None:
    """Where the rig came nearest, 200 m along at 50 s, it drove 4 m/s and had lost its fix for 10 s."""
    (one,) = join_conditions([capture(times, kind)], rig())
    assert (one.why_not, one.by_place) == (None, True)
    assert one.time_s == pytest.approx(START + 50, abs=0.06)
    assert one.speed_m_per_s == pytest.approx(4.0, abs=1e-6)
    assert (one.fix, one.time_since_fix_s) == ("bridged", pytest.approx(10.0, abs=0.2))
    assert one.range_m == pytest.approx(np.hypot(5.0, 2.0), abs=0.05)


def test_a_place_that_was_passed_twice_or_from_afar_is_not_guessed() -> None:
    """There and back again, or 40 m off the road: which state, or whether any, the place cannot say."""
    there = rig()
    back = replace(
        there,
        easting_m=np.where(np.arange(2000) < 1000, there.easting_m, 800 - there.easting_m),
        northing_m=np.where(np.arange(2000) < 1000, 0.0, 8.0),
    )
    (twice,) = join_conditions([capture(None, "none")], back)
    assert twice.why_not == "the cloud's points carry no times, and the rig passed here 2 times"
    far = replace(capture(None, "none"), northing_m=40.0)
    (off,) = join_conditions([far], there)
    assert off.why_not == "the cloud's points carry no times, and the rig came no nearer than 40 m"


def test_capture_times_of_a_patch() -> None:
    """A patch's times and source ids are taken as they are."""
    from accuracy.explaining.conditions import capture_times

    zeros = np.zeros(2)
    patch = Patch(
        checkpoint_id="P7",
        east_m=zeros,
        north_m=zeros,
        up_m=zeros,
        whole_radius_m=1.0,
        outer_radius_m=1.0,
        gps_time_s=np.array([1.0, 2.0]),
        time_kind="week-seconds",
        classification=np.zeros(2, np.uint8),
        return_number=np.ones(2, np.uint8),
        number_of_returns=np.ones(2, np.uint8),
        source_id=np.array([4, 4], np.uint16),
    )
    point = Checkpoint(id="P7", easting_m=1.0, northing_m=2.0, height_m=3.0)
    found = capture_times(point, patch)
    assert (found.checkpoint_id, found.easting_m, found.time_kind) == ("P7", 1.0, "week-seconds")
    assert found.source_id.tolist() == [4, 4]


# ----------------------------------------------------------------------- effects


def conditions(speed: FloatArray, ranges: FloatArray, fix: list[str]) -> list[CaptureConditions]:
    """One pass each."""
    return [
        CaptureConditions(
            checkpoint_id=f"P{i}",
            pass_id="1/1",  # noqa: S106
            time_s=0.0,
            points=10,
            speed_m_per_s=v,
            range_m=r,
            fix=state,
        )
        for i, (v, r, state) in enumerate(zip(speed.tolist(), ranges.tolist(), fix, strict=True))
    ]


def test_a_planted_effect_is_found_and_the_idle_one_is_not() -> None:
    """Scatter grows with speed only: speed carries a sentence with its slope, range does not."""
    rng = np.random.default_rng(5)
    speed = rng.uniform(1.5, 8.0, 80)
    ranges = rng.uniform(2.0, 12.0, 80)
    residual = rng.normal(size=80) * 0.004 * speed
    found = {e.condition: e for e in condition_effects(residual, conditions(speed, ranges, ["fixed"] * 80))}
    assert found["speed"].carried
    assert found["speed"].interval_95 is not None
    low, high = found["speed"].interval_95
    # Mean of |normal| is 0.798 of its deviation; the median 0.674: metres per km/h between the two.
    assert low < 0.004 * 0.70 / 3.6 < high
    assert "larger with more speed" in found["speed"].words
    number = r"[+\N{MINUS SIGN}]\d+\.\d\d"
    unit = "mm per km/h"
    assert re.search(rf"{number} {unit} \(95 % interval {number} to {number} {unit}\)", found["speed"].words)
    # In feet figure and interval are both in feet per mph: no millimetre is left.
    assert re.search(r"mm|km/h", in_unit(found["speed"].words, LengthUnit.INTERNATIONAL_FOOT)) is None
    assert not found["range to the rig"].carried
    assert found["range to the rig"].words == "The residuals do not show an effect of range to the rig."
    assert "without a fix" not in found


def test_loss_of_fix_as_a_ratio() -> None:
    """Three times the scatter without a fix: the ratio's interval holds 3."""
    rng = np.random.default_rng(6)
    lost = np.arange(120) % 3 == 0
    residual = rng.normal(size=120) * np.where(lost, 0.03, 0.01)
    state = [Fix.BRIDGED.value if one else Fix.FIXED.value for one in lost]
    found = condition_effects(residual, conditions(np.full(120, 3.0), np.full(120, 5.0), state))
    assert [e.condition for e in found] == ["without a fix"]
    effect = found[0]
    assert effect.carried
    assert effect.interval_95 is not None
    assert effect.interval_95[0] < 3.0 < effect.interval_95[1]
    assert "Without a fix the residuals are" in effect.words


def test_conditions_that_move_together_are_said_to() -> None:
    """Where range follows speed, neither is blamed alone."""
    rng = np.random.default_rng(7)
    speed = rng.uniform(1.5, 8.0, 60)
    residual = rng.normal(size=60) * 0.006 * speed
    found = condition_effects(
        residual, conditions(speed, speed * 2 + rng.normal(size=60) * 0.2, ["fixed"] * 60)
    )
    assert found[0].carried
    assert "range to the rig moved together with it" in found[0].words


@pytest.mark.parametrize(
    ("others", "said"),
    [
        (1, "; range to the rig moved together with it, so either may be the cause."),
        (2, "; range to the rig and turn rate moved together with it, so any of them may be the cause."),
    ],
)
def test_companions_read_as_a_list(others: int, said: str) -> None:
    """One other or several: the sentence names them all and blames none."""
    rng = np.random.default_rng(7)
    speed = rng.uniform(1.5, 8.0, 60)
    residual = rng.normal(size=60) * 0.006 * speed
    state = conditions(speed, speed * 2 + rng.normal(size=60) * 0.2, ["fixed"] * 60)
    if others == 2:
        state = [replace(one, turn_rate_deg_per_s=3 * one.speed_m_per_s) for one in state]
    assert said in condition_effects(residual, state)[0].words


def test_figures_are_scipys() -> None:
    """Rank correlation, slope and interval are those of scipy on the same numbers."""
    rng = np.random.default_rng(8)
    speed = rng.uniform(1, 8, 30)
    residual = rng.normal(size=30) * 0.01
    effect = condition_effects(residual, conditions(speed, np.full(30, 4.0), ["fixed"] * 30))[0]
    slope, _, low, high = stats.theilslopes(np.abs(residual), speed * 3.6, alpha=0.95)
    assert effect.effect == pytest.approx(slope)
    assert effect.interval_95 == pytest.approx((low, high))
    assert effect.rank_correlation == pytest.approx(stats.spearmanr(np.abs(residual), speed).statistic)


def test_holm_is_statsmodels() -> None:
    """The correction agrees with an independent implementation."""
    p_values = [0.001, 0.04, 0.03, 0.5, 0.012, 0.9]
    expected = multipletests(p_values, method="holm")[1]
    assert holm(p_values) == pytest.approx(list(expected))


def test_false_sentences_are_rare() -> None:
    """With no effect at all, fewer than one table in twelve carries any sentence (nominal: one in twenty)."""
    rng = np.random.default_rng(9)
    wrong = 0
    for _ in range(120):
        speed, ranges = rng.uniform(1, 8, 30), rng.uniform(2, 9, 30)
        state = ["fixed" if one else "float" for one in rng.random(30) < 0.6]
        found = condition_effects(rng.normal(size=30), conditions(speed, ranges, state))
        wrong += any(effect.carried for effect in found)
    assert wrong <= 10


@pytest.mark.parametrize("count", [0, 3, 7])
def test_thin_evidence_says_nothing(count: int) -> None:
    """Fewer than eight residuals give no effect at all."""
    values = np.linspace(1, 5, count)
    assert condition_effects(values, conditions(values, values, ["fixed"] * count)) == ()


def test_lengths_must_agree() -> None:
    """Residuals and conditions belong together."""
    with pytest.raises(ValueError, match="2 residuals and 1 conditions"):
        condition_effects([1.0, 2.0], conditions(np.ones(1), np.ones(1), ["fixed"]))


def test_ratio_intervals_hold_the_planted_ratio() -> None:
    """Eight without and twenty with a fix, 800 times: 95 % of intervals hold 3, by three standard errors."""
    rng, draws = np.random.default_rng(10), 800
    state = [Fix.FLOAT.value] * 8 + [Fix.FIXED.value] * 20
    given = conditions(np.ones(28), np.ones(28), state)
    held = 0
    for _ in range(draws):
        residual = rng.normal(size=28) * np.where(np.arange(28) < 8, 0.03, 0.01)
        interval = condition_effects(residual, given)[0].interval_95
        assert interval is not None
        held += interval[0] < 3.0 < interval[1]
    assert held / draws == pytest.approx(0.95, abs=3 * np.sqrt(0.05 * 0.95 / draws))
