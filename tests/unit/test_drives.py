"""What the trajectories of a job say beside their comparison: slips between two clocks."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from accuracy.drives import Drives, read_drives, time_slip
from accuracy.errors import RequestError
from accuracy.frames import working_frame
from accuracy.job import CloudInput, Job, RunInput, TrajectoryInput
from accuracy.model import Patch, Trajectory, no_progress
from accuracy.reading.trajectory import TrajectoryFormat
from accuracy.units import LengthUnit

WEEK_S = 604_800.0
START_S = 2426 * WEEK_S + 208_800.0


def rig(shift_s: float = 0.0, start_s: float = START_S) -> Trajectory:
    """Ten minutes of driving, its clock shifted."""
    time_s = start_s + shift_s + np.arange(0.0, 600.0, 0.1)
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


# ----------------------------------------------------------------------- a job's references


def log(path: Path, *, late_s: float = 0.0, noise_m: float = 0.004, seed: int = 1) -> Path:
    """A minute of invented winding road at 5 Hz as a table, its clock late by so much."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 60.0, 0.2)
    east = 3 * t + 4 * np.sin(t / 4) + rng.normal(size=t.size) * noise_m
    north = 8 * np.sin(t / 6) + rng.normal(size=t.size) * noise_m
    rows = [
        f"{START_S + late_s + s:.3f},{e + 500_000:.4f},{n + 4_000_000:.4f},20.0"
        for s, e, n in zip(t, east, north, strict=True)
    ]
    path.write_text("\n".join(["gps_seconds,easting,northing,height", *rows]) + "\n")
    return path


def job_of(*runs: tuple[str, Path, dict[str, Path]]) -> Job:
    """A job with these runs: name, rig's file, references by name."""
    return Job(
        title="t",
        checkpoints=Path("none.csv"),
        runs=tuple(
            RunInput(
                name=name,
                clouds=(CloudInput(files=(Path("none.laz"),)),),
                trajectory=TrajectoryInput(path=rig, name=name, format=TrajectoryFormat(name=name)),
                references=tuple(TrajectoryInput(path=p, name=n) for n, p in references.items()),
            )
            for name, rig, references in runs
        ),
        statement_run=runs[0][0],
    )


def drives_of(job: Job) -> Drives:
    """Its trajectories, in a frame of metres without a system."""
    unit = LengthUnit.METRE
    frame = working_frame([(Path("none.laz"), None)], declared=None, horizontal_unit=unit, height_unit=unit)
    return read_drives(job, frame, no_progress)


def test_one_reference_that_does_not_meet_its_run_leaves_the_others(tmp_path: Path) -> None:
    """An hour off: named with files, times and the likely cause; the other run is compared all the same."""
    rig = log(tmp_path / "rig.csv", seed=1)
    other = log(tmp_path / "other.csv", seed=2)
    good = log(tmp_path / "good.csv", seed=3)
    late = log(tmp_path / "late.csv", late_s=3600.0, seed=4)
    found = drives_of(job_of(("out", rig, {"receiver": late}), ("back", other, {"receiver": good})))
    assert [one.run for one in found.comparisons] == ["back"]
    assert len(found.series) == 1
    why = found.not_compared["out", "receiver"]
    for part in (
        'Run "out", reference "receiver" (late.csv against rig.csv): not compared.',
        "2026-07-07 10:00:00 to 2026-07-07 10:00:59 GPS time",
        "2026-07-07 11:00:00 to 2026-07-07 11:00:59 GPS time",
        "if the reference's times are 1 h (a time zone) too late",
        "Check the date",
    ):
        assert part in why


@pytest.mark.parametrize(("off_s", "cause"), [(-1e9, "a billion seconds"), (86_400.0, "one day too late")])
def test_likely_causes_of_times_apart(tmp_path: Path, off_s: float, cause: str) -> None:
    """Adjusted GPS time for GPS seconds, and a wrong day, are named as such."""
    rig, late = log(tmp_path / "rig.csv"), log(tmp_path / "late.csv", late_s=off_s, seed=2)
    found = drives_of(job_of(("out", rig, {"receiver": late})))
    assert cause in found.not_compared["out", "receiver"]


def test_a_file_given_twice_is_no_second_witness(tmp_path: Path) -> None:
    """The same bytes under two names, or the rig's own as its reference, are refused."""
    rig, reference = log(tmp_path / "rig.csv"), log(tmp_path / "gnss.csv", seed=2)
    copy = tmp_path / "copy.csv"
    copy.write_bytes(reference.read_bytes())
    with pytest.raises(RequestError, match=r"copy\.csv\) holds the same bytes as the reference gnss\.csv"):
        drives_of(job_of(("out", rig, {"a": reference, "b": copy})))
    with pytest.raises(RequestError, match="holds the same bytes as the run's own trajectory"):
        drives_of(job_of(("out", rig, {"a": rig})))


def test_whole_day_logs_of_several_runs_count_once(tmp_path: Path) -> None:
    """Two runs that name the same two files have the evidence of one: the clock is no better known."""
    rig, reference = log(tmp_path / "rig.csv"), log(tmp_path / "gnss.csv", seed=2)
    once = drives_of(job_of(("out", rig, {"a": reference})))
    twice = drives_of(job_of(("out", rig, {"a": reference}), ("back", rig, {"a": reference})))
    assert len(twice.comparisons) == 2
    doubts = {one.clock_offset_standard_uncertainty_s for one in (*once.comparisons, *twice.comparisons)}
    assert len(doubts) == 1


def test_without_times_nothing_is_said() -> None:
    """No times, no slip."""
    bare = dataclasses.replace(patch(5.0), gps_time_s=None, time_kind="none")
    assert time_slip(rig(), [bare]) is None
    assert time_slip(dataclasses.replace(rig(), time_scale="day-seconds"), [patch(5.0)]) is None


@pytest.mark.parametrize("empty", [0.0, np.nan])
@pytest.mark.parametrize(
    ("kind", "start_s"),
    [
        ("week-seconds", 2426 * WEEK_S + 3600.0),  # a Sunday, an hour after the week began
        ("adjusted-gps", 1e9 + 3600.0),
        ("adjusted-gps", 1e9 + 1024 * WEEK_S),
    ],
)
def test_empty_times_are_no_slip(kind: str, start_s: float, empty: float) -> None:
    """Times that are zero at every point stand for none, though whole hours or weeks from the drive."""
    nothing = dataclasses.replace(patch(5.0, kind), gps_time_s=np.full(50, empty))
    assert time_slip(rig(start_s=start_s), [nothing, nothing]) is None
    # The same span with one point that says when it was captured does tell of a slip.
    some = dataclasses.replace(nothing, gps_time_s=np.array([0.0] * 49 + [1.0]))
    found = time_slip(rig(start_s=start_s), [nothing, some])
    assert found is not None


def test_patches_with_times_speak_for_those_without() -> None:
    """A cloud in which some points carry no times fits the drive by the others, and can slip by them."""
    nothing = dataclasses.replace(patch(5.0, "week-seconds"), gps_time_s=np.zeros(50))
    timed = [patch(5.0, "week-seconds"), patch(590.0, "week-seconds")]
    assert time_slip(rig(), [nothing, *timed]) is None
    found = time_slip(rig(-18.0), [nothing, *timed])
    assert found is not None
    assert found.kind == "leap_second"
