"""Open trajectories with a reference, held against independent computations.

Data: see the shared data's own page for sources and licences. Nothing of the comparison's own code
is used for the expected figures: scipy interpolates, numpy takes the differences.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from pyproj import Transformer
from scipy.interpolate import CubicSpline

from accuracy.model import FloatArray, Trajectory
from accuracy.reading.trajectory import ToGrid, read_trajectory
from accuracy.trajectory.align import AlignmentSettings
from accuracy.trajectory.compare import compare
from accuracy.trajectory.prepare import ComparisonSettings

RAW = ComparisonSettings(alignment=AlignmentSettings(clock_offset_s=0.0, lever_arm_m=(0.0, 0.0, 0.0)))


def grid(zone: int) -> ToGrid:
    """UTM by PROJ."""
    transformer = Transformer.from_crs(4979, f"EPSG:326{zone}", always_xy=True)

    def to_grid(
        lat: FloatArray, lon: FloatArray, height: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        east, north = transformer.transform(lon, lat)
        return np.asarray(east), np.asarray(north), np.asarray(height)

    return to_grid


@pytest.fixture(scope="module")
def nagoya(shared_data: Path) -> Path:
    """A vehicle with a survey-grade reference."""
    return shared_data / "trajectories" / "nagoya"


@pytest.fixture(scope="module")
def reference(nagoya: Path) -> Trajectory:
    """5 Hz, with attitude."""
    return read_trajectory(nagoya / "reference.csv", to_grid=grid(53))


def by_hand(path: Path) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(GPS seconds, quality, (n, 3) positions) of a text solution in the week notation, by numpy alone."""
    table = np.loadtxt(path, comments="%", usecols=range(6))
    east, north = Transformer.from_crs(4979, "EPSG:32653", always_xy=True).transform(table[:, 3], table[:, 2])
    return table[:, 0] * 604_800 + table[:, 1], table[:, 5], np.column_stack([east, north, table[:, 4]])


def test_nagoya_is_read_as_it_stands(nagoya: Path, reference: Trajectory) -> None:
    """Counts, times, fix states and positions agree with numpy's own reading of the file."""
    found = read_trajectory(nagoya / "rover_rtk.pos", to_grid=grid(53))
    time_s, quality, place = by_hand(nagoya / "rover_rtk.pos")
    np.testing.assert_array_equal(found.time_s, time_s)
    np.testing.assert_allclose(np.column_stack([found.easting_m, found.northing_m]), place[:, :2], atol=1e-6)
    assert found.fix is not None
    assert int((found.fix == "fixed").sum()) == int((quality == 1).sum()) == 1799
    assert int((found.fix == "float").sum()) == int((quality == 2).sum()) == 3596
    assert len(reference) == 6151
    assert reference.heading_rad is not None
    assert any("turned to grid north" in remark for remark in reference.remarks)


def test_nagoya_both_notations_are_one_clock(nagoya: Path, reference: Trajectory) -> None:
    """The calendar notation of the 1 Hz reference falls on the same instants and places as the CSV."""
    other = read_trajectory(nagoya / "reference_1Hz.pos", to_grid=grid(53))
    assert other.time_s is not None
    assert reference.time_s is not None
    _, mine, theirs = np.intersect1d(reference.time_s, other.time_s, return_indices=True)
    assert mine.size == len(other) == 1231
    np.testing.assert_allclose(reference.easting_m[mine], other.easting_m[theirs], atol=0.002)
    np.testing.assert_allclose(reference.northing_m[mine], other.northing_m[theirs], atol=0.002)


def test_nagoya_figures_against_scipy(nagoya: Path, reference: Trajectory) -> None:
    """Real-time fixes against the reference: every figure agrees with scipy's interpolation and numpy."""
    found, series = compare(read_trajectory(nagoya / "rover_rtk.pos", to_grid=grid(53)), reference, RAW)
    time_s, quality, place = by_hand(nagoya / "rover_rtk.pos")
    assert reference.time_s is not None
    spline = CubicSpline(
        reference.time_s,
        np.column_stack([reference.easting_m, reference.northing_m, reference.height_m]),
    )
    off = place - spline(time_s)
    horizontal = np.hypot(off[:, 0], off[:, 1])
    assert found.n == time_s.size
    assert found.rmse_horizontal_m == pytest.approx(np.sqrt(np.mean(horizontal**2)), abs=1e-5)
    assert found.rmse_up_m == pytest.approx(np.sqrt(np.mean(off[:, 2] ** 2)), abs=1e-5)
    for state, code in (("fixed", 1), ("float", 2)):
        group = next(group for group in found.by_fix if group.name == state)
        mine = horizontal[quality == code]
        assert group.horizontal is not None
        assert group.n == mine.size
        assert group.horizontal.rmse_m == pytest.approx(np.sqrt(np.mean(mine**2)), abs=1e-5)
        assert group.horizontal.median_m == pytest.approx(np.median(mine), abs=1e-5)
        assert group.horizontal.absolute_95_m == pytest.approx(np.quantile(mine, 0.95), abs=1e-4)
        # A few rover epochs lie 7 ms beside the reference's: there the two interpolants differ.
        assert group.horizontal.maximum_m == pytest.approx(mine.max(), abs=1e-4)
    # The data's own page: fixed epochs have a median horizontal error of 0.07 m, and 42 m at the worst.
    held = next(group for group in found.by_fix if group.name == "fixed").horizontal
    assert held is not None
    assert held.median_m == pytest.approx(0.07, abs=0.005)
    assert held.maximum_m == pytest.approx(42, abs=0.5)
    assert found.worst_false_fix_m == pytest.approx(held.maximum_m)
    assert found.false_fixes > 50
    assert series.time_s is not None


def test_nagoya_alignment_against_scipy(nagoya: Path, reference: Trajectory) -> None:
    """Clock and arm agree with scipy's robust least squares on the fixed epochs, within two uncertainties."""
    from scipy.optimize import least_squares

    found, _ = compare(read_trajectory(nagoya / "rover_rtk.pos", to_grid=grid(53)), reference)
    time_s, quality, place = by_hand(nagoya / "rover_rtk.pos")
    assert reference.time_s is not None
    assert reference.heading_rad is not None
    zero = reference.time_s[0]
    t, place = time_s[quality == 1] - zero, place[quality == 1]
    spline = CubicSpline(
        reference.time_s - zero,
        np.column_stack([reference.easting_m, reference.northing_m, reference.height_m]) - place[0],
    )
    heading = np.interp(t, reference.time_s - zero, np.unwrap(reference.heading_rad))
    sine, cosine = np.sin(heading), np.cos(heading)

    def misfit(parameters: FloatArray) -> FloatArray:
        clock, forward, left, up = parameters
        off = place - place[0] - spline(t - clock)
        off[:, 0] += forward * sine - left * cosine  # level arm: pitch and roll matter below a centimetre
        off[:, 1] += forward * cosine + left * sine
        off[:, 2] += up
        return off.ravel()

    other = least_squares(misfit, np.zeros(4), loss="cauchy", f_scale=0.05)
    assert found.clock_offset_s is not None
    assert found.clock_offset_standard_uncertainty_s is not None
    assert abs(found.clock_offset_s - other.x[0]) < 2 * found.clock_offset_standard_uncertainty_s
    for mine, theirs, doubt in zip(
        found.lever_arm_m, other.x[1:], found.lever_arm_standard_uncertainty_m, strict=True
    ):
        assert mine is not None
        assert doubt is not None
        assert abs(mine - theirs) < max(2 * doubt, 0.01)


def test_nagoya_rig_gaps(nagoya: Path, reference: Trajectory) -> None:
    """The rover's own dropouts are those that its times show, and the verified share is what remains."""
    found, _ = compare(read_trajectory(nagoya / "rover_rtk.pos", to_grid=grid(53)), reference, RAW)
    time_s, _, _ = by_hand(nagoya / "rover_rtk.pos")
    dt = np.diff(time_s)
    long = dt > 0.5  # two and a half times 0.2 s
    assert {gap.of for gap in found.gaps} == {"rig"}
    assert len(found.gaps) == int(long.sum())
    assert sum(gap.duration_s or 0.0 for gap in found.gaps) == pytest.approx(dt[long].sum(), abs=1e-4)
    assert found.verified_share == pytest.approx(1 - dt[long].sum() / (time_s[-1] - time_s[0]), abs=1e-6)


def test_two_solvers_of_one_drive(shared_data: Path) -> None:
    """4,521 common epochs; fixed against fixed the published RMSE are 8, 14 and 24 mm (E, N, U)."""
    folder = shared_data / "trajectories" / "two_solvers"
    one = read_trajectory(folder / "py_0315f.pos", to_grid=grid(13))
    other = read_trajectory(folder / "demo5_b34f_f.pos", to_grid=grid(13))
    np.testing.assert_array_equal(one.time_s, other.time_s)
    assert len(one) == 4521
    assert one.fix is not None
    assert other.fix is not None
    both = (one.fix == "fixed") & (other.fix == "fixed")
    rmse = [
        float(np.sqrt(np.mean((getattr(one, axis) - getattr(other, axis))[both] ** 2)))
        for axis in ("easting_m", "northing_m", "height_m")
    ]
    np.testing.assert_allclose(rmse, [0.008, 0.014, 0.024], atol=0.0006)
    found, _ = compare(one, other, RAW)
    held = next(group for group in found.by_fix if group.name == "fixed")
    assert held.n == int(both.sum())
    assert held.horizontal is not None
    assert held.horizontal.rmse_m == pytest.approx(np.hypot(rmse[0], rmse[1]), abs=1e-6)
    assert held.up.rmse_m == pytest.approx(rmse[2], abs=1e-6)
    assert found.attitude_source == "course"


@pytest.mark.parametrize(
    ("name", "frames", "bias_m"), [("dovre_4_nordover_10hz", 870, 4.906), ("dovre_1_ned_20hz", 363, 5.700)]
)
def test_rig_against_an_independent_trajectory(
    shared_data: Path, name: str, frames: int, bias_m: float
) -> None:
    """The authors' along, across and 2D errors come out, signs aside, and the height bias is in words.

    The files carry no times, only frames in step with each other: the frame number stands for the time.
    """
    text = (shared_data / "trajectories" / "rig_against_sbet" / f"{name}.json").read_text()
    rows = [row for row in json.loads(text)["metadata"] if row.get("errors")]
    assert len(rows) == frames
    theirs = {key: np.array([row["errors"][key] for row in rows]) for key in ("along", "across", "2d")}
    frame = np.arange(float(frames))

    def track(key: str, *, heading: bool) -> Trajectory:
        place = np.array([[row[key][axis] for axis in "xyz"] for row in rows])
        headings = np.array([row[key]["heading"] for row in rows])
        return Trajectory(
            name=key,
            time_s=frame,
            time_scale="day-seconds",
            easting_m=place[:, 0],
            northing_m=place[:, 1],
            height_m=place[:, 2],
            heading_rad=headings if heading else None,
        )

    found, series = compare(
        track("estimated_position", heading=True), track("actual_position", heading=False), RAW
    )
    assert found.n == frames
    np.testing.assert_allclose(np.abs(series.along_m), np.abs(theirs["along"]), atol=1e-6)
    np.testing.assert_allclose(np.abs(series.cross_m), np.abs(theirs["across"]), atol=1e-6)
    assert found.rmse_horizontal_m == pytest.approx(np.sqrt(np.mean(theirs["2d"] ** 2)), abs=1e-6)
    assert found.all_epochs.up.mean_m == pytest.approx(bias_m, abs=0.001)
    assert any(
        "up difference is nearly constant" in remark and "height system" in remark for remark in found.remarks
    )
