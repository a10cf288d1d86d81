"""Which frame the clouds are in, and how the checkpoints come into it. After errors and units.

The working frame is the clouds' own projected coordinate system with every length in metres: a
cloud in feet is scaled, never reprojected, so that no residual depends on a map projection.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pyproj

from accuracy.errors import FrameError
from accuracy.units import LengthUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingFrame:
    """The clouds' projected system and the units that their files store."""

    crs: pyproj.CRS | None
    horizontal_unit: LengthUnit
    height_unit: LengthUnit
    words: str
    """The horizontal system in words, for the report."""
    vertical_words: str | None
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

    Raises FrameError where files disagree, where the system is geographic (degrees), or where a
    unit is none of the three that survey data comes in.
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
    if crs is None and distinct:
        crs = distinct[0][1]
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
        remarks=tuple(remarks),
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


def _axis_unit(
    crs: pyproj.CRS, axis: int, name: str, files: Sequence[tuple[Path, pyproj.CRS | None]]
) -> LengthUnit:
    path = files[0][0] if files else None
    if crs.is_geographic and axis == 0:
        raise FrameError(
            f'its coordinate system "{name}" is in degrees, and residuals need a plane',
            path=path,
            remedy="Write the cloud out in a projected system (a UTM zone or the local grid) and check that.",
        )
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
