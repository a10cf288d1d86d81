"""What goes in: surveyed points, and the cloud's points around them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from accuracy.model.arrays import FloatArray


class Cover(StrEnum):
    """What stands on the ground at a checkpoint: the stratum of a vertical assessment."""

    OPEN = "open"
    VEGETATED = "vegetated"


class Role(StrEnum):
    """Whether a surveyed point tests the cloud or helped to make it."""

    CHECK = "check"
    CONTROL = "control"


@dataclass(frozen=True, slots=True, kw_only=True)
class Checkpoint:
    """One surveyed point, in the working frame (metres)."""

    id: str
    easting_m: float
    northing_m: float
    height_m: float
    sigma_easting_m: float | None = None
    sigma_northing_m: float | None = None
    sigma_height_m: float | None = None
    cover: Cover = Cover.OPEN
    role: Role = Role.CHECK
    mark: str = "none"
    mark_size_m: float | None = None
    observed_easting_m: float | None = None
    observed_northing_m: float | None = None
    observed_height_m: float | None = None
    attributes: Mapping[str, str] = field(default_factory=dict)
    row: int | None = None
    """Row of the table it came from, counted from 1 as a text editor does."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """The points of a cloud around one checkpoint, as offsets from it; all arrays are (n,).

    Within ``whole_radius_m`` of the checkpoint every admitted point is here. From there to
    ``outer_radius_m`` the points may be a deterministic thinning; ``outer_share`` is the share kept.
    """

    checkpoint_id: str
    east_m: FloatArray
    north_m: FloatArray
    up_m: FloatArray
    whole_radius_m: float
    outer_radius_m: float
    outer_share: float = 1.0
    intensity: FloatArray | None = None
    red: FloatArray | None = None
    green: FloatArray | None = None
    blue: FloatArray | None = None
    gps_time_s: FloatArray | None = None
    """As the file stores it; ``time_kind`` says what it counts."""
    time_kind: Literal["week-seconds", "adjusted-gps", "none"] = "none"
    classification: NDArray[np.uint8]
    return_number: NDArray[np.uint8]
    number_of_returns: NDArray[np.uint8]
    source_id: NDArray[np.uint16]
    """The LAS point source id: the flight line or pass, where the producer filled it in."""
    withheld_or_noise: int = 0
    """How many points near the checkpoint were left out as withheld or noise."""
    left_out_by_choice: int = 0
    """How many were left out by the user's choice of classes or returns."""

    def __len__(self) -> int:
        return int(self.east_m.shape[0])
