"""Invented measurements to test with: a height, a position in plan, a checkpoint, a run of checkpoints,
a result of a run.

A test names the fields that it is about; all others are those of a mark on an even road. Nothing here
was measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from accuracy.model import (
    CheckpointResult,
    Cover,
    Distribution,
    HorizontalResidual,
    NotMeasured,
    Reason,
    Result,
    Role,
    RunRecord,
    Software,
    Summary,
    VerticalResidual,
)
from accuracy.units import LengthUnit

NO_SURFACE = NotMeasured(code=Reason.NO_SURFACE, reason="No surface was found")
NO_MARK = NotMeasured(code=Reason.NO_MARK, reason="The checkpoint carries no mark")
EVEN_ROAD = VerticalResidual(
    residual_m=0.0,
    standard_uncertainty_m=0.003,
    fit_uncertainty_m=0.002,
    survey_uncertainty_m=0.004,
    points=500,
    radius_m=0.3,
    density_per_m2=1800.0,
    slope_percent=1.0,
    roughness_m=0.005,
    normal=(0.0, 0.0, 1.0),
)
READ_BY_EYE = HorizontalResidual(
    method="observed",
    residual_easting_m=0.0,
    residual_northing_m=0.0,
    standard_uncertainty_m=0.003,
    covariance_m2=(9e-6, 9e-6, 0.0),
)


def vertical_residual(residual_m: float | None, **fields: Any) -> VerticalResidual | NotMeasured:
    """A height residual (m) on an even road, with these fields otherwise; None is no surface."""
    if residual_m is None:
        return NO_SURFACE
    return replace(EVEN_ROAD, residual_m=residual_m, **fields)


def horizontal_residual(
    residual_m: Sequence[float] | None, **fields: Any
) -> HorizontalResidual | NotMeasured:
    """A horizontal residual (easting, northing; m), with these fields otherwise; None is no mark."""
    if residual_m is None:
        return NO_MARK
    east_m, north_m = residual_m
    return replace(READ_BY_EYE, residual_easting_m=east_m, residual_northing_m=north_m, **fields)


def checkpoint_result(
    name: str,
    vertical: VerticalResidual | NotMeasured = NO_SURFACE,
    horizontal: HorizontalResidual | NotMeasured = NO_MARK,
    *,
    at_m: Sequence[float] = (352_400.0, 6_031_250.0, 12.0),
    sigma_m: Sequence[float | None] = (0.003, 0.003, 0.004),
    **fields: Any,
) -> CheckpointResult:
    """A used checkpoint in the open, at an easting, northing and height (m) of those survey uncertainties."""
    easting_m, northing_m, height_m = at_m
    sigma_easting_m, sigma_northing_m, sigma_height_m = sigma_m
    usual = CheckpointResult(
        id=name,
        easting_m=easting_m,
        northing_m=northing_m,
        height_m=height_m,
        sigma_easting_m=sigma_easting_m,
        sigma_northing_m=sigma_northing_m,
        sigma_height_m=sigma_height_m,
        cover=Cover.OPEN,
        role=Role.CHECK,
        mark="none",
        used=True,
        why_not_used=None,
        vertical=vertical,
        horizontal=horizontal,
    )
    return replace(usual, **fields)


def run_record(name: str, checkpoints: Iterable[CheckpointResult] = (), **fields: Any) -> RunRecord:
    """A run of these checkpoints that nothing was worked out of yet, with these fields otherwise."""
    bare = RunRecord(
        name=name,
        checkpoints=tuple(checkpoints),
        summary=Summary(),
        verdicts=(),
        distribution=Distribution(shape="unknown"),
    )
    return replace(bare, **fields)


def result_of(record: RunRecord) -> Result:
    """A result in metres with nothing but this record."""
    return Result(
        software=Software(version="0"),
        title="invented",
        unit=LengthUnit.METRE,
        date=None,
        inputs=(),
        settings={},
        exclusions=(),
        run=record,
    )
