"""Coordinates from one system into another, or a refusal; never an approximation. After frames.

PROJ does the geodesy. It is held to three rules: it never fetches anything from a network, it
never falls back on a "ballpark" operation that leaves out a datum shift, and it uses the best
operation known for the place or none, so that a missing grid is an error and not a metre.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj
import pyproj.datadir
from pyproj.network import set_network_enabled  # type: ignore[attr-defined]
from pyproj.transformer import AreaOfInterest, TransformerGroup

from accuracy.errors import FrameError
from accuracy.model import FloatArray
from accuracy.rounding import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class Converted:
    """Coordinates in the target's own axes and units, (n,) each, and how they were got."""

    easting: FloatArray
    northing: FloatArray
    height: FloatArray
    operation: str
    accuracy_m: float | None
    """PROJ's stated accuracy of the operation; None where it states none."""
    area_of_use: str | None
    remarks: tuple[str, ...]


def _stay_offline() -> None:
    set_network_enabled(False)


def use_grid_folder(folder: Path) -> None:
    """Let PROJ find shift and geoid grids in ``folder`` beside its own.

    Raises FrameError where the folder does not exist.
    """
    if not folder.is_dir():
        raise FrameError("there is no such folder of grids", path=folder, remedy="Check --grids.")
    known = pyproj.datadir.get_data_dir().split(";" if ";" in pyproj.datadir.get_data_dir() else ":")
    if str(folder.resolve()) not in known:
        pyproj.datadir.append_data_dir(str(folder.resolve()))


def convert(
    first: FloatArray,
    second: FloatArray,
    height: FloatArray,
    *,
    source: pyproj.CRS,
    target: pyproj.CRS,
    rows: Sequence[int] | None = None,
    path: Path | None = None,
) -> Converted:
    """Bring (n,) coordinates from ``source`` to ``target``; order easting/longitude first.

    Raises FrameError where only a ballpark operation exists, where the best one needs a grid that
    is not here (it is named), and where a point falls outside the operation's reach (its row is
    named).
    """
    _stay_offline()
    with warnings.catch_warnings():
        # A missing grid is refused below, in the surveyor's words.
        warnings.simplefilter("ignore", UserWarning)
        group = TransformerGroup(
            source,
            target,
            always_xy=True,
            allow_ballpark=False,
            area_of_interest=_area(first, second, source),
        )
    if not group.transformers or not group.best_available:
        raise _no_operation(group, source, target, path)
    transformer = group.transformers[0]
    easting, northing, converted_height = transformer.transform(first, second, height, errcheck=False)
    outside = ~(np.isfinite(easting) & np.isfinite(northing) & np.isfinite(converted_height))
    if outside.any():
        index = int(np.flatnonzero(outside)[0])
        raise FrameError(
            f"{int(outside.sum())} of {counted(len(first), 'point')} lie outside the reach of "
            f'"{transformer.description}"',
            path=path,
            place=None if rows is None else f"row {rows[index]}",
            remedy="Check the coordinate system and the coordinates, or supply a grid that covers them.",
        )
    accuracy = None if transformer.accuracy is None or transformer.accuracy < 0 else transformer.accuracy
    area = transformer.area_of_use
    return Converted(
        easting=np.asarray(easting, dtype=np.float64),
        northing=np.asarray(northing, dtype=np.float64),
        height=np.asarray(converted_height, dtype=np.float64),
        operation=transformer.description,
        accuracy_m=accuracy,
        area_of_use=None if area is None else area.name,
        remarks=(*_accuracy_remark(accuracy, transformer.description), *datum_remark(source, target)),
    )


def _area(first: FloatArray, second: FloatArray, source: pyproj.CRS) -> AreaOfInterest | None:
    """Where the points lie, so that PROJ chooses the operation for that place."""
    if source.is_geographic:
        west, east, south, north = first.min(), first.max(), second.min(), second.max()
    else:
        geographic = source.geodetic_crs
        if geographic is None:
            return None
        plane = source.sub_crs_list[0] if source.is_compound else source
        to_degrees = pyproj.Transformer.from_crs(
            plane.to_2d(), geographic.to_2d(), always_xy=True, allow_ballpark=False
        )
        longitude, latitude = to_degrees.transform(first, second, errcheck=False)
        if not (np.isfinite(longitude).all() and np.isfinite(latitude).all()):
            return None
        west, east, south, north = longitude.min(), longitude.max(), latitude.min(), latitude.max()
    if not (-180 <= west <= east <= 180 and -90 <= south <= north <= 90):
        return None
    return AreaOfInterest(float(west), float(south), float(east), float(north))


def _no_operation(
    group: TransformerGroup, source: pyproj.CRS, target: pyproj.CRS, path: Path | None
) -> FrameError:
    missing = sorted(
        {
            grid.short_name
            for operation in group.unavailable_operations[:1]
            for grid in operation.grids
            if not grid.available
        }
    )
    if missing:
        return FrameError(
            f'converting "{source.name}" to "{target.name}" needs the grid {", ".join(missing)}, '
            "which is not on this machine",
            path=path,
            remedy="Put the file into a folder and name the folder with --grids; nothing is fetched "
            "from a network.",
        )
    return FrameError(
        f'no rigorous conversion from "{source.name}" to "{target.name}" is known',
        path=path,
        remedy="Have the points converted by their surveyor, or name the system that they are truly in.",
    )


def _accuracy_remark(accuracy_m: float | None, operation: str) -> tuple[str, ...]:
    if accuracy_m is None:
        return (f'The conversion "{operation}" states no accuracy.',)
    if accuracy_m >= 0.1:
        return (
            f'The conversion "{operation}" is accurate to {accuracy_m:g} m only: residuals smaller than '
            "that cannot be told from it.",
        )
    return ()


def datum_remark(source: pyproj.CRS, target: pyproj.CRS) -> tuple[str, ...]:
    """A caution where the two systems rest on different datum realisations.

    Plates move some centimetres a year, so two realisations fixed decades apart differ by as much
    as a metre or more (common practice, no source).
    """
    names = []
    for crs in (source, target):
        geodetic = crs.geodetic_crs
        if geodetic is None or geodetic.datum is None:
            return ()
        names.append(geodetic.datum.name.removesuffix(" ensemble"))
    if names[0] == names[1]:
        return ()
    return (
        f'The checkpoints rest on "{names[0]}" and the cloud on "{names[1]}". Between two realisations '
        "or epochs plate motion alone can amount to a metre: make sure that both were meant.",
    )


def undulation_m(grid: Path, longitude_deg: FloatArray, latitude_deg: FloatArray) -> FloatArray:
    """Geoid height N (n,) read from the user's own grid (GTX or GeoTIFF); NaN outside it.

    Raises FrameError where the file is missing or is no grid that PROJ can read.
    """
    _stay_offline()
    if not grid.is_file():
        raise FrameError("there is no such geoid grid", path=grid, remedy="Check --geoid.")
    try:
        shift = pyproj.Transformer.from_pipeline(
            "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
            f'+step +proj=vgridshift +grids="{grid.resolve()}" +multiplier=1 '
            "+step +proj=unitconvert +xy_in=rad +xy_out=deg"
        )
    except pyproj.exceptions.ProjError as error:
        raise FrameError(
            "it is no geoid grid that PROJ can read",
            path=grid,
            remedy="Use the grid as its agency publishes it for PROJ (.gtx or .tif).",
        ) from error
    # The forward step adds N to a height of zero.
    _, _, shifted = shift.transform(longitude_deg, latitude_deg, np.zeros(len(longitude_deg)), errcheck=False)
    values = np.asarray(shifted, dtype=np.float64)
    return np.where(np.isfinite(values), values, math.nan)
