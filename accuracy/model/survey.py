"""What goes in: surveyed points, and the cloud's points around them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from accuracy.model.arrays import FloatArray

HeightKind = Literal["ellipsoidal", "orthometric"]
SAME_PLACE_M = 0.05
"""Points nearer than this in plan stand at one place (common practice, no source)."""


class Cover(StrEnum):
    """What stands on the ground at a checkpoint: the stratum of a vertical assessment."""

    OPEN = "open"
    VEGETATED = "vegetated"


class LeftOut(StrEnum):
    """Why a point of the cloud was not measured with; where several hold, the first counts."""

    WITHHELD = "withheld"
    NOISE = "noise"
    CLASS = "class"
    SOURCE = "source"
    RETURN = "return"


_LEFT_OUT_WORDS = {
    LeftOut.WITHHELD: "{} withheld",
    LeftOut.NOISE: "{} classed as noise",
    LeftOut.CLASS: "{} of classes not chosen",
    LeftOut.SOURCE: "{} of sources not chosen",
    LeftOut.RETURN: "{} of returns not chosen",
}


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
    left_out: Mapping[LeftOut, int] = field(default_factory=dict)
    """How many points within the outer radius were left out, by reason."""

    def __len__(self) -> int:
        return int(self.east_m.shape[0])

    @property
    def withheld_or_noise(self) -> int:
        """How many points near the checkpoint were left out as withheld or noise."""
        return sum(self.left_out.get(why, 0) for why in (LeftOut.WITHHELD, LeftOut.NOISE))

    @property
    def left_out_by_choice(self) -> int:
        """How many were left out by the user's choice of classes, returns or sources."""
        return sum(self.left_out.values()) - self.withheld_or_noise

    @property
    def left_out_words(self) -> str:
        """Those points in words, such as "1,203 withheld, 41 classed as noise"; empty for none."""
        return ", ".join(
            words.format(f"{self.left_out[why]:,}")
            for why, words in _LEFT_OUT_WORDS.items()
            if self.left_out.get(why)
        )
