"""The demo held against its own planted truth: invented data, three of its seven runs, five clouds."""

from __future__ import annotations

import csv
import importlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest

from accuracy.job_file import read_job
from accuracy.model import HorizontalResidual, Result, RunComparison, RunRecord, VerticalResidual
from accuracy.pipeline import measure
from accuracy.rechecking import RecheckOptions, recheck
from accuracy.reporting.outputs import pack, write_outputs

RUNS = ("12-eastbound", "24-eastbound", "on-foot")
LIDAR = tuple(f"{name} lidar" for name in RUNS)
PHOTOGRAMMETRIC = ("12-eastbound photogrammetric", "24-eastbound photogrammetric")

WANDER_M = 0.001
"""The rig wanders by up to 2 mm within the passage that a patch was captured in."""


@dataclass(frozen=True)
class Quay:
    """The measured job, the truth beside its data, and where both lie."""

    result: Result
    truth: dict[str, Any]
    data: Path
    out: Path


@pytest.fixture(scope="module")
def quay(tmp_path_factory: pytest.TempPathFactory) -> Quay:
    """The demo, reduced to three runs and without the PDF."""
    make = importlib.import_module("accuracy.examples.tern_quay.make")
    data, out = tmp_path_factory.mktemp("quay"), tmp_path_factory.mktemp("result") / "result"
    result, archives = pack(measure(read_job(make.make(data, only=RUNS))))
    write_outputs(result, archives, out, pdf=False)
    return Quay(result, json.loads((data / "truth.json").read_text()), data, out)


def run(quay: Quay, label: str) -> RunRecord:
    """One cloud of one run."""
    return next(record for record in quay.result.runs if record.label == label)


def planted(quay: Quay, label: str) -> dict[str, dict[str, float]]:
    """The residuals planted in it, by checkpoint."""
    record = run(quay, label)
    truth: dict[str, Any] = quay.truth["runs"][record.name]
    of_cloud = truth if record.cloud == "lidar" else truth["clouds"][record.cloud]
    found: dict[str, dict[str, float]] = of_cloud["checkpoints"]
    return found


def heights_off(quay: Quay, label: str) -> tuple[np.ndarray, np.ndarray]:
    """Measured minus planted height on hard even ground, and the stated uncertainty of each, metres."""
    off, sigma = [], []
    for point in run(quay, label).checkpoints:
        hard = point.attributes["surface"] in ("asphalt", "footway", "steel deck")
        if hard and point.mark != "pole" and isinstance(point.vertical, VerticalResidual):
            off.append(point.vertical.residual_m - planted(quay, label)[point.id]["residual_height_m"])
            sigma.append(point.vertical.fit_uncertainty_m)
    return np.array(off), np.array(sigma)


def marks_off(quay: Quay, label: str) -> tuple[np.ndarray, int]:
    """Measured minus planted place (n, 2) of each disc that was measured, metres, and how many there are."""
    discs = [point for point in run(quay, label).checkpoints if point.mark == "quartered-disc"]
    off = [
        (
            point.horizontal.residual_easting_m - planted(quay, label)[point.id]["residual_easting_m"],
            point.horizontal.residual_northing_m - planted(quay, label)[point.id]["residual_northing_m"],
        )
        for point in discs
        if isinstance(point.horizontal, HorizontalResidual)
    ]
    return np.array(off), len(discs)


def compared(quay: Quay, **like: Any) -> list[RunComparison]:
    """The comparisons over all checkpoints whose fields are these."""
    return [
        one
        for one in quay.result.comparisons
        if one.stratum is None and all(getattr(one, name) == value for name, value in like.items())
    ]


def test_every_cloud_stands_in_the_record_under_run_and_kind(quay: Quay) -> None:
    """Five clouds of three runs; the statement speaks of the lidar cloud of the run at 12 km/h."""
    assert {record.label for record in quay.result.runs} == {*LIDAR, *PHOTOGRAMMETRIC}
    assert quay.result.run.label == "12-eastbound lidar"
    assert {(one.run, one.cloud) for one in quay.result.inputs if one.role == "cloud"} == {
        (record.name, record.cloud) for record in quay.result.runs
    }


@pytest.mark.parametrize("label", LIDAR)
def test_heights_are_those_that_were_planted(quay: Quay, label: str) -> None:
    """On hard ground every height residual is the planted one, as far as its uncertainty claims."""
    off, sigma = heights_off(quay, label)
    assert off.size > 25
    assert np.quantile(np.abs(off), 0.9) < 0.004
    assert 0.3 < float(np.sqrt(np.mean((off / np.hypot(sigma, WANDER_M)) ** 2))) < 1.6


@pytest.mark.parametrize("label", LIDAR)
def test_marks_are_found_where_they_were_planted(quay: Quay, label: str) -> None:
    """Most discs are measured, each within 5 mm of its planted displacement, and none elsewhere."""
    off, discs = marks_off(quay, label)
    assert len(off) >= 0.9 * discs
    assert np.abs(off).max() < 0.005
    assert np.quantile(np.abs(off), 0.95) < 0.0025


# What the lumps of matched patches, 6 mm over 8 cm, leave in a height on asphalt or footway: 2.1 mm where
# the surface within 0.2 m is a plane and 3.8 mm where it is free to bend (least squares on that noise,
# in closed form). Steel deck has lumps of 9 mm.
LUMPS_M = (0.0021, 0.0038)


@pytest.mark.parametrize("label", PHOTOGRAMMETRIC)
def test_heights_from_images_are_those_that_were_planted(quay: Quay, label: str) -> None:
    """The rig's error and the wave of the images come back, as far as their uncertainty claims.

    The wave has an RMS of 4.2 mm, so a truth without it would not pass. What is left is what the lumps
    leave, and the stated uncertainties hold it; the RMS of 33 ratios scatters by an eighth.
    """
    off, sigma = heights_off(quay, label)
    assert off.size > 25
    rms_m = float(np.sqrt(np.mean(off**2)))
    # Of 33 heights the RMS scatters by an eighth; a quarter is two such scatters.
    assert 0.75 * LUMPS_M[0] < rms_m < 1.25 * LUMPS_M[1]
    assert abs(float(off.mean())) < 3 * LUMPS_M[1] / np.sqrt(off.size)
    z = off / np.hypot(sigma, WANDER_M)
    assert 0.75 < float(np.sqrt(np.mean(z**2))) < 1.25
    assert np.mean(np.abs(z) <= 2) >= 0.85


@pytest.mark.parametrize("label", PHOTOGRAMMETRIC)
def test_marks_in_images_are_found_where_they_were_planted(quay: Quay, label: str) -> None:
    """By colour alone, smeared edges and all: the same limits as for the marks that the lidar saw."""
    off, discs = marks_off(quay, label)
    # Measured are 32 of 32 at 12 km/h and 32 of 32 at 24 km/h.
    assert len(off) == discs == 32
    assert np.abs(off).max() < 0.005
    assert np.quantile(np.abs(off), 0.95) < 0.0025
    assert {
        point.horizontal.channel
        for point in run(quay, label).checkpoints
        if point.mark == "quartered-disc" and isinstance(point.horizontal, HorizontalResidual)
    } == {"colour"}


def test_speed_smears_the_marks_of_images_and_not_those_of_the_lidar(quay: Quay) -> None:
    """Under the trees, where the shutter is open longest, edges are wider at 24 km/h than at 12."""

    def edge_m(label: str) -> float:
        return float(
            np.median(
                [
                    point.horizontal.edge_width_m
                    for point in run(quay, label).checkpoints
                    if point.mark == "quartered-disc"
                    and point.attributes["sky"] == "canopy"
                    and isinstance(point.horizontal, HorizontalResidual)
                    and point.horizontal.edge_width_m is not None
                ]
            )
        )

    assert edge_m("24-eastbound photogrammetric") > 1.15 * edge_m("12-eastbound photogrammetric")
    assert edge_m("24-eastbound lidar") == pytest.approx(edge_m("12-eastbound lidar"), rel=0.1)


@pytest.mark.parametrize("label", PHOTOGRAMMETRIC)
def test_points_matched_from_images_carry_colour_and_neither_times_nor_intensity(
    quay: Quay, label: str
) -> None:
    """Format 7, colour of 16 bits, unclassified; and no more points than the lidar cloud of the run has."""
    name = run(quay, label).name
    photo, lidar = (laspy.read(quay.data / file) for file in (f"{name}-photo.laz", f"{name}.laz"))
    assert photo.header.point_format.id == 7
    assert max(int(photo[colour].max()) for colour in ("red", "green", "blue")) > 255
    assert not np.asarray(photo.gps_time).any()
    assert not np.asarray(photo.intensity).any()
    assert set(np.unique(photo.classification)) == {1}
    assert set(np.unique(photo.number_of_returns)) == {1}
    assert len(photo) <= len(lidar)
    # No leaf is matched: nothing stands higher over the avenue than a car's roof.
    assert float(np.asarray(photo.z).max()) < 6.5 < float(np.asarray(lidar.z).max())


def test_clock_and_lever_arm_come_back(quay: Quay) -> None:
    """GNSS and prism: planted offset and arm, forward and left within four of their uncertainties."""
    result, truth = quay.result, quay.truth
    assert len(result.trajectories) == 4
    for found in result.trajectories:
        kind = "gnss" if "GNSS" in found.reference else "prism"
        planted = truth["runs"][found.run][kind]
        assert found.clock_offset_s is not None
        assert found.clock_offset_standard_uncertainty_s is not None
        off_s = abs(found.clock_offset_s - planted["clock_offset_s"])
        assert off_s < 4 * found.clock_offset_standard_uncertainty_s
        assert off_s < 0.005
        for axis in (0, 1):
            arm, sigma = found.lever_arm_m[axis], found.lever_arm_standard_uncertainty_m[axis]
            assert arm is not None
            assert sigma is not None
            assert abs(arm - planted["lever_arm_m"][axis]) < 4 * sigma + 0.002


def test_the_trees_cost_the_reference(quay: Quay) -> None:
    """The avenue shows as a gap in the GNSS reference, and as bridged states at capture."""
    result = quay.result
    gnss = next(one for one in result.trajectories if "GNSS" in one.reference)
    assert 0.70 < gnss.verified_share < 0.85
    assert any(gap.length_m is not None and gap.length_m > 200 for gap in gnss.gaps)
    states = {one.fix for one in run(quay, "12-eastbound lidar").conditions if one.why_not is None}
    assert {"fixed", "bridged"} <= states
    # Images carry no times: the same states by the place where the rig passed.
    by_place = run(quay, "12-eastbound photogrammetric").conditions
    assert {one.fix for one in by_place if one.by_place} == states


@pytest.mark.parametrize("cloud", ["lidar", "photogrammetric"])
def test_the_slower_run_meets_the_class(quay: Quay, cloud: str) -> None:
    """At 12 km/h heights meet 3 cm, at 24 km/h they do not; so says the decision of each kind of cloud."""
    (decision,) = [
        one for one in quay.result.decisions if one.component.value == "vertical" and one.cloud == cloud
    ]
    assert decision.fastest_met == "12-eastbound"
    assert not quay.result.run.mistakes


def test_the_walk_has_no_part_in_how_fast_one_may_drive(quay: Quay) -> None:
    """It is measured and graded like any run, and has no speed."""
    assert "speed_km_per_h" not in run(quay, "on-foot lidar").attributes
    assert "on-foot" not in {one.run for one in quay.result.trajectories}
    for decision in quay.result.decisions:
        assert "on-foot" not in decision.sentence


def test_clouds_of_one_run_are_held_against_each_other(quay: Quay) -> None:
    """Lidar against photogrammetric of the same drive, in height, plan and both, and over the surface."""
    for component in ("vertical", "horizontal", "3d"):
        pairs = {(one.run_a, one.run_b) for one in compared(quay, across="clouds", component=component)}
        assert {frozenset(pair) for pair in pairs if "eastbound" in pair[0]} == {
            frozenset({"12-eastbound lidar", "12-eastbound photogrammetric"}),
            frozenset({"24-eastbound lidar", "24-eastbound photogrammetric"}),
        }
    between = [one for result in quay.result.relative for one in result.comparisons if one.n]
    assert ("12-eastbound lidar", "12-eastbound photogrammetric") in {
        (one.name_a, one.name_b) for one in between
    }


def test_no_shift_in_plan_is_claimed_from_the_road_alone(quay: Quay) -> None:
    """Grass seen at its tips by one cloud would pass for a shift across: the crossfall of 2 % shows none."""
    shifts = [one for result in quay.result.relative for one in result.shifts]
    assert shifts
    for shift in shifts:
        assert [c.value for c in shift.translations[:2]] == [None, None]
        assert shift.translations[2].value is not None


def test_the_baseline_stands_second_in_every_pair(quay: Quay) -> None:
    """Each lidar cloud of a drive is held against the walk, and never the walk against a drive."""
    assert quay.result.baseline_run == "on-foot"
    pairs = compared(quay, attribute=None)
    assert not [one for one in pairs if one.run_a == "on-foot lidar"]
    of_like = {one.run_a for one in pairs if one.run_b == "on-foot lidar" and one.across == "runs"}
    assert of_like == {"12-eastbound lidar", "24-eastbound lidar"}


def test_runs_are_pooled_by_what_they_have_in_common(quay: Quay) -> None:
    """Speed, kind of cloud and how the rig was carried; 12 km/h is the more accurate in height."""
    groups = {one.attribute: one for one in compared(quay, component="vertical") if one.attribute}
    assert {"speed_km_per_h", "cloud", "carried"} <= groups.keys()
    speed = groups["speed_km_per_h"]
    assert speed.words.endswith("speed 12 km/h is the more accurate.")
    assert {len(speed.members_a), len(speed.members_b)} == {2}
    carried = groups["carried"]
    assert {carried.members_a, carried.members_b} >= {("on-foot lidar",)}
    # The walk is slower as well: the sentence must not lay it all to the hand.
    assert "speed" in carried.also_apart_in


def test_a_recheck_of_the_demo_gives_the_same_bytes(quay: Quay, tmp_path: Path) -> None:
    """Record and residuals of all clouds, from the result folder alone."""
    again = recheck(quay.out, RecheckOptions())
    write_outputs(again.result, again.archives, tmp_path / "again", pdf=False)
    for name in ("result.json", "residuals.csv", "patches-01.npz", "patches-05.npz"):
        assert (tmp_path / "again" / name).read_bytes() == (quay.out / name).read_bytes(), name


def test_the_table_of_residuals_says_run_and_cloud(quay: Quay) -> None:
    """One row for each cloud and checkpoint, told apart by the first two columns."""
    with (quay.out / "residuals.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0])[:2] == ["run", "cloud"]
    assert {(row["run"], row["cloud"]) for row in rows} == {
        (record.name, record.cloud) for record in quay.result.runs
    }
    assert len(rows) == len(quay.result.runs) * len(quay.result.run.checkpoints)


def test_the_walks_cloud_is_no_larger_than_that_of_the_slowest_drive() -> None:
    """Every third scan line of the walk is kept: its lines lie further apart than those at 6 km/h."""
    plans = importlib.import_module("accuracy.examples.tern_quay.make").plans()
    scan = importlib.import_module("accuracy.examples.tern_quay.scan")
    speeds = {plan.name: scan.line_spacing_m(plan) for plan in plans}
    assert speeds["on-foot"] >= speeds["06-eastbound"]
