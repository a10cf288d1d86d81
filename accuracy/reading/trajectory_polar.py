"""Raw polar observations of a tracked prism -> Trajectory of the prism, and the backsight check.

The file is a table with the columns time (any clock that tables may have), direction, zenith,
slope_distance, and, where the backsight was observed too, target ("prism" or "backsight").

Reduction (the usual total station formulas, as manufacturers' manuals print them; k = 0.13 and the
mean Earth radius are common practice): with s the corrected slope distance, z the zenith angle,
X = s cos z and Y = s sin z,
    horizontal distance at the station's height = Y - (1 - k/2) X Y / R,
    height difference                           = X + (1 - k) Y^2 / (2 R).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from accuracy.errors import TrajectoryError
from accuracy.model import BoolArray, FloatArray, Trajectory
from accuracy.reading.trajectory import file_text
from accuracy.reading.trajectory_rows import Rows, TrajectoryFormat, build_trajectory
from accuracy.reading.trajectory_table import read_table
from accuracy.rounding import counted

EARTH_RADIUS_M = 6_371_000.0
REFRACTION_COEFFICIENT = 0.13
_ARCSECOND_RAD = np.pi / 648_000
# What a careful setup closes to: common practice, no source. Only words depend on it.
_CLOSES_WITHIN_M = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarSetup:
    """The instrument's setup, in the working frame (metres)."""

    station_m: tuple[float, float, float]
    """Easting, northing, height of the ground mark under the instrument."""
    instrument_height_m: float
    prism_height_m: float = 0.0
    """From the point that is wanted up to the prism; 0 gives the prism's own coordinates."""
    prism_constant_m: float = 0.0
    """Added to every distance to the tracked prism, on top of what the instrument already applied."""
    ppm: float = 0.0
    """Atmospheric correction, added to every distance in parts per million."""
    backsight_m: tuple[float, float, float] | None = None
    backsight_prism_height_m: float = 0.0
    backsight_prism_constant_m: float = 0.0
    orientation_rad: float | None = None
    """Added to directions to give grid bearings; None: from the first backsight observation."""
    scale_factor: float = 1.0
    """Ground to grid: multiplies horizontal distances."""
    refraction_coefficient: float = REFRACTION_COEFFICIENT


@dataclass(frozen=True, slots=True, kw_only=True)
class BacksightCheck:
    """Observed minus known at the backsight: worst of all its observations."""

    observations: int
    distance_difference_m: float
    height_difference_m: float
    direction_drift_arcseconds: float
    """Widest difference from the first observation, which set the orientation."""
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PolarTrack:
    """The prism's trajectory, with what the backsight said about the setup."""

    trajectory: Trajectory
    backsight: BacksightCheck | None
    instrument_m: tuple[float, float, float]
    """The instrument's tilting axis: the point that ranges are measured from."""


def reduce_polar(
    direction_rad: FloatArray,
    zenith_rad: FloatArray,
    slope_distance_m: FloatArray,
    *,
    setup: PolarSetup,
    prism_constant_m: float,
    prism_height_m: float,
    orientation_rad: float,
) -> FloatArray:
    """(n, 3) easting, northing, height of the points observed; formulas in the module's docstring."""
    second_face = zenith_rad > np.pi
    zenith = np.where(second_face, 2 * np.pi - zenith_rad, zenith_rad)
    bearing = direction_rad + orientation_rad + np.where(second_face, np.pi, 0.0)
    slope = slope_distance_m * (1 + setup.ppm * 1e-6) + prism_constant_m
    rise, run = slope * np.cos(zenith), slope * np.sin(zenith)
    k = setup.refraction_coefficient
    horizontal = (run - (1 - k / 2) * rise * run / EARTH_RADIUS_M) * setup.scale_factor
    up = rise + (1 - k) * run**2 / (2 * EARTH_RADIUS_M) + setup.instrument_height_m - prism_height_m
    return np.column_stack(
        [
            setup.station_m[0] + horizontal * np.sin(bearing),
            setup.station_m[1] + horizontal * np.cos(bearing),
            setup.station_m[2] + up,
        ]
    )


def read_polar(path: str | Path, setup: PolarSetup, how: TrajectoryFormat | None = None) -> PolarTrack:
    """Read and reduce one table of polar observations.

    Raises TrajectoryError for missing columns, impossible angles or distances, and where neither an
    orientation nor a backsight observation is given.
    """
    path, how = Path(path), how or TrajectoryFormat()
    rows = read_table(path, file_text(path), how)
    _refuse_impossible(rows)
    at_backsight = _backsight_rows(rows)
    orientation, check = _orientation(path, rows, at_backsight, setup)
    rows.keep(~at_backsight)
    if rows.numbers.size == 0:
        raise TrajectoryError("the file holds no observation of the tracked prism", path=path)
    position = reduce_polar(
        rows.values["direction"],
        rows.values["zenith"],
        rows.values["slope_distance"],
        setup=setup,
        prism_constant_m=setup.prism_constant_m,
        prism_height_m=setup.prism_height_m,
        orientation_rad=orientation,
    )
    rows.values |= {name: position[:, axis] for axis, name in enumerate(("easting", "northing", "height"))}
    rows.remarks.append(_setup_words(setup, check))
    e, n, h = setup.station_m
    return PolarTrack(
        trajectory=build_trajectory(rows, how, None),
        backsight=check,
        instrument_m=(e, n, h + setup.instrument_height_m),
    )


def _refuse_impossible(rows: Rows) -> None:
    needed = ("direction", "zenith", "slope_distance")
    missing = [name for name in needed if name not in rows.values]
    if missing:
        raise TrajectoryError(
            f"no column {', '.join(missing)}",
            path=rows.path,
            remedy="Polar observations need direction, zenith and slope_distance.",
        )
    complete = np.all([np.isfinite(rows.values[name]) for name in needed], axis=0)
    if not complete.all():
        rows.remarks.append(f"Rows without an angle or a distance: {int((~complete).sum())}, left out.")
        rows.keep(complete)
    zenith, slope = rows.values["zenith"], rows.values["slope_distance"]
    limits = (
        ("zenith", zenith, (zenith <= 0) | (zenith >= 2 * np.pi) | (zenith == np.pi)),
        ("slope_distance", slope, slope <= 0),
    )
    for name, column, impossible in limits:
        bad = np.flatnonzero(impossible)
        if bad.size:
            raise TrajectoryError(
                f"{name} {column[bad[0]]:.4f} is impossible",
                path=rows.path,
                place=f"row {int(rows.numbers[bad[0]])}, column {name}",
                remedy="Check the unit of the angles (degrees, gon) and that the angle is from the zenith.",
            )


def _backsight_rows(rows: Rows) -> BoolArray:
    names = rows.texts.get("target")
    if names is None:
        return np.zeros(rows.numbers.size, dtype=np.bool_)
    return np.array([name.strip().lower() == "backsight" for name in names], dtype=np.bool_)


def _orientation(
    path: Path, rows: Rows, at_backsight: BoolArray, setup: PolarSetup
) -> tuple[float, BacksightCheck | None]:
    observed = bool(at_backsight.any()) and setup.backsight_m is not None
    if not observed and setup.orientation_rad is None:
        raise TrajectoryError(
            "nothing orients the directions: no backsight was observed and no orientation is given",
            path=path,
            remedy="Give the backsight's coordinates and its observation, or the orientation.",
        )
    if not observed or setup.backsight_m is None:
        return float(setup.orientation_rad or 0.0), None
    station, known = np.array(setup.station_m), np.array(setup.backsight_m)
    bearing = float(np.arctan2(known[0] - station[0], known[1] - station[1]))
    angles = rows.values["direction"][at_backsight]
    zenith = rows.values["zenith"][at_backsight]
    pointing = angles + np.where(zenith > np.pi, np.pi, 0.0)
    orientation = setup.orientation_rad
    if orientation is None:
        orientation = bearing - float(pointing[0])
    seen = reduce_polar(
        angles,
        zenith,
        rows.values["slope_distance"][at_backsight],
        setup=setup,
        prism_constant_m=setup.backsight_prism_constant_m,
        prism_height_m=setup.backsight_prism_height_m,
        orientation_rad=orientation,
    )
    true_distance = float(np.hypot(*(known - station)[:2]))
    distance = np.hypot(*(seen - station)[:, :2].T) - true_distance
    turn = (pointing + orientation - bearing + np.pi) % (2 * np.pi) - np.pi
    return orientation, _check(distance, seen[:, 2] - known[2], turn, true_distance)


def _check(distance: FloatArray, height: FloatArray, turn: FloatArray, range_m: float) -> BacksightCheck:
    def worst(values: FloatArray) -> float:
        return float(values[np.argmax(np.abs(values))])

    along, up, across = worst(distance), worst(height), worst(turn) * range_m
    seconds = worst(turn) / _ARCSECOND_RAD
    closes = max(abs(along), abs(up), abs(across)) <= _CLOSES_WITHIN_M
    words = (
        f"Backsight ({counted(turn.size, 'observation')}, {range_m:.1f} m): distance {along * 1000:+.1f} mm, "
        f"height {up * 1000:+.1f} mm, direction {seconds:+.1f} arc seconds ({across * 1000:+.1f} mm "
        "across) at worst"
    )
    if turn.size == 1:
        words += "; one observation set the orientation, so the direction was not checked"
    words += "." if closes else ": more than 5 mm, check the setup before relying on the prism."
    return BacksightCheck(
        observations=int(turn.size),
        distance_difference_m=along,
        height_difference_m=up,
        direction_drift_arcseconds=seconds,
        words=words,
    )


def _setup_words(setup: PolarSetup, check: BacksightCheck | None) -> str:
    words = (
        f"Reduced from polar observations with k = {setup.refraction_coefficient:g}, prism constant "
        f"{setup.prism_constant_m * 1000:+.1f} mm, {setup.ppm:+.1f} ppm, "
        f"scale factor {setup.scale_factor:.7f}. "
    )
    return words + (check.words if check else "The backsight was not observed: the setup is unchecked.")
