"""Which frame the clouds are in, and how the checkpoints come into it. After errors and units.

The working frame is the clouds' own projected coordinate system with every length in metres: a
cloud in feet is scaled, never reprojected, so that no residual depends on a map projection.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyproj

from accuracy.errors import FrameError
from accuracy.model import HeightKind
from accuracy.rounding import shortened
from accuracy.units import LengthUnit

# Lengths one part in a hundred off the truth are no survey's: beyond every national grid and every
# zone within reach of its meridian (our own limit).
_LARGEST_DISTORTION = 0.01
_PROJECTED = ("Projected CRS", "Derived Projected CRS")


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingFrame:
    """The clouds' projected system and the units that their files store."""

    crs: pyproj.CRS | None
    horizontal_unit: LengthUnit
    height_unit: LengthUnit
    words: str
    """The horizontal system in words, for the report."""
    vertical_words: str | None
    height_kind: HeightKind | None = None
    """Of the clouds' heights, as far as their system says."""
    remarks: tuple[str, ...] = ()


def working_frame(
    files: Sequence[tuple[Path, pyproj.CRS | None]],
    *,
    declared: str | None = None,
    horizontal_unit: LengthUnit | None = None,
    height_unit: LengthUnit | None = None,
) -> WorkingFrame:
    """The frame that all ``files`` share, from their own records or from what the user declares.

    A declared unit or system stands above the files' records, and a contradiction is a remark.

    A record that describes a local (engineering) system names no place on Earth: its unit is taken, and
    it counts as no system.

    Raises FrameError where files disagree, where the system is no map projection (degrees, heights
    alone, an Earth-centred frame), or where a unit is none of the three that survey data comes in.
    """
    remarks: list[str] = []
    crs = declared_crs(declared) if declared else None
    recorded = {path: found for path, found in files if found is not None}
    distinct: list[tuple[Path, pyproj.CRS]] = []
    for path, found in recorded.items():
        if not any(found.equals(other, ignore_axis_order=True) for _, other in distinct):
            distinct.append((path, found))
    if crs is None and len(distinct) > 1:
        (first_path, first), (second_path, second) = distinct[:2]
        raise FrameError(
            f'its coordinate system is "{second.name}", and that of {first_path} is "{first.name}"',
            path=second_path,
            remedy="Check them apart, or declare the one that is true with --crs.",
        )
    if crs is not None and distinct and not crs.equals(distinct[0][1], ignore_axis_order=True):
        remarks.append(
            f'The coordinate system was declared as "{crs.name}"; the cloud\'s own record says '
            f'"{distinct[0][1].name}".'
        )
    silent = [path.name for path, found in files if found is None]
    if crs is None and distinct and silent:
        carries = "carries" if len(silent) == 1 else "carry"
        remarks.append(
            f"{shortened(silent, 3)} {carries} no coordinate system record: that it is the other clouds' "
            f'"{distinct[0][1].name}" is taken on the surveyor\'s word.'
        )
    if crs is None and distinct:
        crs = distinct[0][1]
        plan = _parts(crs)[0]
        if plan.is_engineering:
            unit = _axis_unit(plan, 0, plan.name, files)
            return WorkingFrame(
                crs=None,
                horizontal_unit=horizontal_unit or unit,
                height_unit=height_unit or horizontal_unit or unit,
                words=f"{plan.name}, a local system",
                vertical_words=None,
                remarks=(
                    f'The cloud\'s record describes a local system, "{plan.name}", which names no place on '
                    "Earth: that cloud and checkpoints share it is taken on the surveyor's word.",
                ),
            )
    if crs is None:
        return WorkingFrame(
            crs=None,
            horizontal_unit=horizontal_unit or LengthUnit.METRE,
            height_unit=height_unit or horizontal_unit or LengthUnit.METRE,
            words="not recorded in the cloud; plane coordinates taken as they are",
            vertical_words=None,
            remarks=(
                "The cloud carries no coordinate system record: that cloud and checkpoints share "
                "one frame is taken on the surveyor's word.",
            ),
        )
    plan, vertical = _parts(crs)
    _refuse_other_than_plane(plan, None if declared else files[0][0])
    own_horizontal = _axis_unit(plan, 0, crs.name, files)
    own_height = _axis_unit(vertical, -1, crs.name, files) if vertical is not None else own_horizontal
    for what, said, own in (
        ("horizontal", horizontal_unit, own_horizontal),
        ("height", height_unit, own_height),
    ):
        if said is not None and said is not own:
            remarks.append(f"The cloud's {what} unit was declared as {said}; its record says {own}.")
    return WorkingFrame(
        crs=crs,
        horizontal_unit=horizontal_unit or own_horizontal,
        height_unit=height_unit or own_height,
        words=plan.name,
        vertical_words=vertical.name if vertical is not None and vertical is not plan else None,
        height_kind=height_kind(crs),
        remarks=tuple(remarks),
    )


def height_kind(crs: pyproj.CRS) -> HeightKind | None:
    """What the heights of a system are; None where it has none or does not say from what they count.

    A third axis of a plan system counts from its ellipsoid (ISO 19111); a vertical system of its own
    counts from a level surface, unless it names an ellipsoid, as some writers do.
    """
    vertical = _parts(crs)[1]
    if vertical is None or vertical.is_geocentric:
        return None
    if not vertical.is_vertical:
        return "ellipsoidal"
    datum = "" if vertical.datum is None else vertical.datum.name
    if "ellips" in f"{vertical.name} {datum}".lower():
        return "ellipsoidal"
    return None if datum.lower() in ("", "unknown", "not recorded", "unnamed") else "orthometric"


def refuse_distorted(
    frame: WorkingFrame, easting_m: float, northing_m: float, *, path: Path | None = None
) -> None:
    """Raise FrameError where lengths in the frame's projection are not those on the ground.

    At a place in the frame the scale may depart from 1 by 1 %. Residuals in a web map's projection at
    48 degrees of latitude would print half as large again as they are.
    """
    if frame.crs is None:
        return
    plan = _parts(frame.crs)[0]
    unit = frame.horizontal_unit.metres
    projection = pyproj.Proj(plan)
    longitude, latitude = projection(easting_m / unit, northing_m / unit, inverse=True, errcheck=False)
    if not np.isfinite([longitude, latitude]).all():
        return
    factors = projection.get_factors(longitude, latitude)
    scale = max(factors.tissot_semimajor, factors.tissot_semiminor, key=lambda one: abs(one - 1))
    if np.isfinite(scale) and abs(scale - 1) > _LARGEST_DISTORTION:
        raise FrameError(
            f'lengths in "{plan.name}" are {scale:.3f} times those on the ground where the cloud lies '
            f"({easting_m:.0f}, {northing_m:.0f} m), and every residual would be so too",
            path=path,
            remedy="Write cloud and checkpoints out in a surveying projection (a UTM zone or the national "
            "grid) and check those; or, if the system is not the true one, name that with --crs.",
        )


def declared_crs(text: str) -> pyproj.CRS:
    """The coordinate system that a user names. Raises FrameError where PROJ does not know it."""
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError as error:
        raise FrameError(
            f'coordinate system "{text}" is not known',
            remedy="Write an EPSG code such as EPSG:25832, two joined by a plus, or a WKT file's text.",
        ) from error


def _parts(crs: pyproj.CRS) -> tuple[pyproj.CRS, pyproj.CRS | None]:
    """The horizontal part and the vertical part, where there is one."""
    plan, vertical = crs, None
    if crs.is_compound:
        plan, vertical = crs.sub_crs_list[0], crs.sub_crs_list[1]
    elif len(crs.axis_info) == 3:
        vertical = crs
    bare = plan.source_crs if plan.is_bound else None
    return (plan if bare is None else bare), vertical


def _refuse_other_than_plane(plan: pyproj.CRS, path: Path | None) -> None:
    """Raise FrameError for a system in which no residual can be taken."""
    if plan.type_name in _PROJECTED:
        return
    whose = "its coordinate system" if path else "the coordinate system"
    remedy = "Name the projected system of the cloud with --crs: a UTM zone or the national grid."
    if plan.is_geographic:
        what = "is in degrees, and residuals need a plane"
        remedy = "Write the cloud out in a projected system (a UTM zone or the local grid) and check that."
    elif plan.is_vertical:
        what = "is one of heights alone and says nothing of easting and northing"
        remedy = "Name both parts with --crs, the plan first, such as EPSG:25832+7837."
    elif plan.is_geocentric:
        what = "counts from the Earth's centre, where no axis is a height"
        remedy = "Write the cloud out in a projected system (a UTM zone or the local grid) and check that."
    elif plan.is_engineering:
        what = "is a local one and names no place on Earth"
        remedy = "Leave out --crs: coordinates are then taken as they are."
    else:
        what = f"is no map projection ({plan.type_name})"
    raise FrameError(f'{whose} "{plan.name}" {what}', path=path, remedy=remedy)


def _axis_unit(
    crs: pyproj.CRS, axis: int, name: str, files: Sequence[tuple[Path, pyproj.CRS | None]]
) -> LengthUnit:
    path = files[0][0] if files else None
    information = crs.axis_info
    if not information:
        return LengthUnit.METRE
    factor = information[axis].unit_conversion_factor
    for unit in LengthUnit:
        # 1e-9 tells the two feet apart (they differ by 2e-6) and allows for decimals in WKT.
        if abs(factor / unit.metres - 1) < 1e-9:
            return unit
    raise FrameError(
        f'its coordinate system "{name}" has the unit "{information[axis].unit_name}", '
        "which is neither metre nor foot",
        path=path,
        remedy="Write the cloud out in metres or feet, or declare --cloud-unit.",
    )
