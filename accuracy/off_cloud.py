"""Checkpoints that lie off the cloud altogether, and what would bring them onto it. Part of the pipeline.

Here no residual exists: what speaks are the headers' boxes and the bare coordinates.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from accuracy.errors import FrameError
from accuracy.explaining.mistakes import CloudBoxes, find_apart, frame_facts
from accuracy.frames import WorkingFrame
from accuracy.model import Checkpoint, FloatArray, Mistake
from accuracy.reading.cloud_header import CloudHeader
from accuracy.rounding import shortened

_MOST_NAMED = 8


def nowhere_near(
    run: str,
    headers: Sequence[CloudHeader],
    frame: WorkingFrame,
    checkpoints: Sequence[Checkpoint],
    table: Path,
) -> FrameError:
    """The refusal where no checkpoint lies on the cloud."""
    boxes = _boxes(headers, frame)
    west_m, south_m, east_m, north_m = boxes.whole_m
    suggested = _suggested(boxes, frame, checkpoints)
    first = checkpoints[0]
    words = (
        f"no checkpoint lies on the cloud of run {run}: the cloud reaches from {west_m:.1f} to "
        f"{east_m:.1f} m east and {south_m:.1f} to {north_m:.1f} m north, and checkpoint "
        f'"{first.id}" is at {first.easting_m:.1f}, {first.northing_m:.1f}'
    )
    if suggested:
        return FrameError(f"{words}. {suggested[0].evidence}", path=table, remedy=suggested[0].check_by)
    return FrameError(
        words, path=table, remedy="Check units, coordinate system and the order of the columns of both."
    )


def some_off_the_cloud(
    headers: Sequence[CloudHeader], frame: WorkingFrame, checkpoints: Sequence[Checkpoint]
) -> tuple[Mistake, ...]:
    """What would bring rows that lie off the cloud onto it, where others lie on it.

    Less than half of a table just beyond the cloud's end is taken for a survey that went on.
    """
    boxes, plan = _boxes(headers, frame), _plan(checkpoints)
    off = boxes.apart(*plan)
    if not off.any() or (2 * off.sum() < off.size and not boxes.far_off(*plan)[off].all()):
        return ()
    ids = [point.id for point, is_off in zip(checkpoints, off, strict=True) if is_off]
    named = shortened(ids, _MOST_NAMED)
    return tuple(
        dataclasses.replace(
            mistake,
            evidence=f"These checkpoints do not lie on the cloud: {named}. {mistake.evidence}",
        )
        for mistake in _suggested(boxes, frame, checkpoints)
    )


def _boxes(headers: Sequence[CloudHeader], frame: WorkingFrame) -> CloudBoxes:
    box = np.array([[*header.minimum[:2], *header.maximum[:2]] for header in headers])
    return CloudBoxes(box_m=box * frame.horizontal_unit.metres)


def _plan(checkpoints: Sequence[Checkpoint]) -> tuple[FloatArray, FloatArray]:
    return (
        np.array([point.easting_m for point in checkpoints]),
        np.array([point.northing_m for point in checkpoints]),
    )


def _suggested(
    boxes: CloudBoxes, frame: WorkingFrame, checkpoints: Sequence[Checkpoint]
) -> tuple[Mistake, ...]:
    west_m, south_m, east_m, north_m = boxes.whole_m
    middle = np.array([(west_m + east_m) / 2]), np.array([(south_m + north_m) / 2])
    height_m = np.array([float(np.median([point.height_m for point in checkpoints]))])
    return find_apart(boxes, *_plan(checkpoints), frame=frame_facts(frame, *middle, height_m))
