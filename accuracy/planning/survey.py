"""How accurately a checkpoint is known after so many independent occupations. Numbers in, numbers out."""

from __future__ import annotations

import math
from dataclasses import dataclass

LEAST_OCCUPATIONS = 2
"""One occupation shows no mistake of its own; a second finds it (common practice, no source)."""
MOST_OCCUPATIONS = 8
"""Beyond this another method costs less than another visit: our judgement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Occupation:
    """One component of a survey method."""

    single_m: float
    """Standard uncertainty of one occupation, of what changes between independent ones."""
    common_m: float = 0.0
    """What all occupations share and no repeating averages out: the base's own coordinates, the
    geoid, a pole's length."""

    def after(self, occupations: int) -> float:
        """sqrt(common^2 + single^2 / m): the standard uncertainty of the mean of m occupations."""
        return math.hypot(self.common_m, self.single_m / math.sqrt(occupations))

    def needed(self, wanted_m: float) -> int | None:
        """The fewest occupations whose mean is known to ``wanted_m``; None where no number suffices."""
        room = wanted_m**2 - self.common_m**2
        if room <= 0:
            return None
        # A hair of slack, so that 10 mm wanted from 20 mm single is four occupations and not five.
        return max(1, math.ceil(self.single_m**2 / room * (1 - 1e-12)))
