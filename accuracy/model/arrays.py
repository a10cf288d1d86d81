"""Arrays, intervals and progress: what every noun may hold. The floor of the model."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

Interval = tuple[float, float]

Progress = Callable[[str, int, int], None]
"""Called with (what is being done, how much is done, how much there is to do)."""


def no_progress(_what: str, _done: int, _total: int) -> None:
    """A Progress that shows nothing."""
