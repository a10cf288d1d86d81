"""What would explain a run's residuals, and what of the drive goes with them: at first, and at a recheck.

Part of the pipeline: from what the record holds alone, so that the same residuals always find the same.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pyproj

from accuracy.explaining.condition_effects import condition_effects
from accuracy.explaining.mistakes import find_mistakes, frame_facts
from accuracy.frames import WorkingFrame, working_frame
from accuracy.model import (
    CaptureConditions,
    CheckpointResult,
    ClassRequest,
    ConditionEffect,
    Result,
    RunRecord,
    VerticalResidual,
)
from accuracy.record import RESULT_NAME
from accuracy.rounding import LengthText
from accuracy.units import LengthUnit


def explained(
    record: RunRecord,
    *,
    crs_wkt: str | None,
    cloud_unit: LengthUnit,
    cloud_height_unit: LengthUnit,
    request: ClassRequest,
    unit: LengthUnit,
) -> RunRecord:
    """The record with what its residuals suggest; mistakes that the cloud showed stay before the others.

    Args:
        record: measured, graded and joined to the conditions of its drive.
        crs_wkt: the working frame's system.
        cloud_unit: of the clouds' eastings and northings.
        cloud_height_unit: of their heights.
        request: the statement's; its classes say what sizes matter.
        unit: the contract's.
    """
    frame = WorkingFrame(
        crs=None if crs_wkt is None else pyproj.CRS.from_wkt(crs_wkt),
        horizontal_unit=cloud_unit,
        height_unit=cloud_height_unit,
        words="",
        vertical_words=None,
    )
    places = record.checkpoints
    found = find_mistakes(
        places,
        frame=frame_facts(
            frame,
            np.array([point.easting_m for point in places]),
            np.array([point.northing_m for point in places]),
            np.array([point.height_m for point in places]),
        ),
        conditions=record.conditions,
        text=LengthText(unit),
        vertical_class_m=request.vertical_m,
        horizontal_class_m=request.horizontal_m,
    )
    return dataclasses.replace(
        record,
        mistakes=(*(one for one in record.mistakes if one.rests_on == "cloud"), *found),
        condition_effects=_effects(places, record.conditions),
    )


def recorded_units(result: Result) -> tuple[LengthUnit, LengthUnit]:
    """The units of the clouds' coordinates and heights; as their system says, where the record is silent."""
    if result.cloud_unit is not None and result.cloud_height_unit is not None:
        return result.cloud_unit, result.cloud_height_unit
    crs = None if result.crs_wkt is None else pyproj.CRS.from_wkt(result.crs_wkt)
    frame = working_frame([(Path(RESULT_NAME), crs)])
    return frame.horizontal_unit, frame.height_unit


def _effects(
    checkpoints: Sequence[CheckpointResult], conditions: Sequence[CaptureConditions]
) -> tuple[ConditionEffect, ...]:
    """What goes with large height residuals; empty where no checkpoint that counts has a known state."""
    residual_m = {
        point.id: point.vertical.residual_m
        for point in checkpoints
        if point.used and isinstance(point.vertical, VerticalResidual)
    }
    joined = [one for one in conditions if one.why_not is None and one.checkpoint_id in residual_m]
    if not joined:
        return ()
    return condition_effects([residual_m[one.checkpoint_id] for one in joined], joined)
