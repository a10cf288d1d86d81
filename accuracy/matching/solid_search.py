"""What the search for a sphere and for a pole have in common: candidates, and what must be true of one.

After ``solid``; before ``sphere`` and ``pole``. A candidate is refused at a stage; where every one is,
the one that came furthest says why.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from accuracy.matching.solid import Fit, Position
from accuracy.model import FloatArray, NotMeasured, Reason

# Where no source is named the value is our judgement, held by the simulations in the tests.
FEWEST_POINTS = 40
"""Fewer leave the size unproved and the uncertainty unsure."""
SEEDS = 300
"""Random samples that candidates are made of."""
_CANDIDATES = 6
_LARGEST_UNCERTAINTY_M = 0.005
TIMES_SCALE = 4.685
"""Points further off than this many robust scales carry no weight."""
_MOST_SCATTER_M = 0.011
_SIZE_SIGMAS = 3.0
_OTHER_SIZE = 0.2
"""A mark this share larger or smaller must be excluded, at two and a half standard uncertainties."""
_EXCLUDED_SIGMAS = 2.5


@dataclass(frozen=True, slots=True)
class Sought:
    """The mark that is looked for."""

    name: Literal["sphere", "pole"]
    radius_m: float
    search_radius_m: float

    @property
    def tolerance_m(self) -> float:
        """How far off its surface a point may lie and still count for a candidate."""
        return max(0.012, 0.06 * self.radius_m)

    @property
    def axes(self) -> int:
        """A sphere has a place in space, a pole one in plan."""
        return 3 if self.name == "sphere" else 2

    @property
    def apart_m(self) -> float:
        """Two candidates nearer than this are one mark."""
        return self.radius_m * (0.5 if self.name == "sphere" else 1.0)

    @property
    def nothing(self) -> NotMeasured:
        """Said where no candidate came anywhere."""
        kind = "sphere" if self.name == "sphere" else "upright pole"
        return NotMeasured(
            code=Reason.NO_LOCK,
            reason=f"No {kind} of {2 * self.radius_m:.3f} m diameter was found within "
            f"{self.search_radius_m:.2f} m of the checkpoint.",
        )


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a candidate is none, and how far it came."""

    stage: int
    why: NotMeasured


def sampled(places_m: FloatArray, most: int, generator: np.random.Generator) -> FloatArray:
    """At most that many of the places (n, k), drawn at random."""
    if len(places_m) <= most:
        return places_m
    return np.asarray(places_m[generator.choice(len(places_m), most, replace=False)])


def distances_between(centres_m: FloatArray, places_m: FloatArray) -> FloatArray:
    """(c, n) from every centre to every place."""
    square = np.sum(centres_m**2, axis=1)[:, None] - 2 * centres_m @ places_m.T + np.sum(places_m**2, axis=1)
    return np.asarray(np.sqrt(np.maximum(square, 0)))


def best_supported(
    centres_m: FloatArray, support: np.ndarray, *, apart_m: float, least_share: float
) -> list[FloatArray]:
    """The centres with the most support, none near a better one; only a share of the best's is little."""
    chosen: list[FloatArray] = []
    order = np.argsort(-support, kind="stable")
    for index in order:
        if support[index] < max(8, least_share * support[order[0]]) or len(chosen) >= _CANDIDATES:
            break
        if all(np.linalg.norm(centres_m[index] - other) > apart_m for other in chosen):
            chosen.append(centres_m[index])
    return chosen


def the_only_one(
    sought: Sought, candidates: Iterable[FloatArray], judge: Callable[[FloatArray], Position | Refused]
) -> Position | NotMeasured:
    """The one candidate that passes; none and two are refused."""
    found: list[Position] = []
    refused: list[Refused] = []

    def known(place_m: FloatArray) -> bool:
        axes = sought.axes
        return any(np.linalg.norm(place_m[:axes] - f.place_m[:axes]) < sought.apart_m for f in found)

    for centre in candidates:
        if known(centre):
            continue
        result = judge(centre)
        if isinstance(result, Refused):
            refused.append(result)
        elif not known(result.place_m):
            found.append(result)
    if len(found) > 1:
        apart = float(np.linalg.norm((found[0].place_m - found[1].place_m)[: sought.axes]))
        return NotMeasured(
            code=Reason.NOT_UNIQUE,
            reason=f"Two {sought.name}s of {2 * sought.radius_m:.3f} m diameter stand {apart:.2f} m apart "
            "near the checkpoint; which one was surveyed cannot be told.",
        )
    if found:
        return found[0]
    return max(refused, key=lambda one: one.stage).why if refused else sought.nothing


def too_few_to_look(name: str, count: int) -> NotMeasured | None:
    """Refused before any search."""
    if count >= FEWEST_POINTS:
        return None
    return NotMeasured(
        code=Reason.TOO_FEW_POINTS,
        reason=f"Only {count} points lie where the {name} may be; at least {FEWEST_POINTS} are needed on it.",
    )


def too_few_on_it(name: str, count: int) -> NotMeasured | None:
    """Refused once the mark is found."""
    if count >= FEWEST_POINTS:
        return None
    remedy = " Drive slower or closer, or use a larger sphere." if name == "sphere" else ""
    return NotMeasured(
        code=Reason.TOO_SPARSE,
        reason=f"Only {count} points lie on the {name}; at least {FEWEST_POINTS} are needed.{remedy}",
    )


def not_alone(
    body: Literal["ball", "pole"], fit: Fit, radius_m: float, *, inside: int, beside: int, most_beside: float
) -> NotMeasured | None:
    """Points inside, or a surface that goes on beside it: a bush, a wall, a body's corner."""
    count = int(np.count_nonzero(fit.kept))
    why = None
    if inside > 0.12 * count + 3:
        why = f": {inside} points lie inside it and {count} on it, as in a bush."
    elif fit.scale_m > _MOST_SCATTER_M + 0.02 * radius_m:
        why = f" of that size: its points scatter by {1000 * fit.scale_m:.0f} mm about one."
    elif beside > most_beside * count + 3:
        why = f": its surface goes on beside it ({beside} points beside, {count} on it)."
    if why is None:
        return None
    return NotMeasured(code=Reason.NO_FIT, reason=f"What stands here is no {body}{why}")


def not_that_size(
    body: Literal["ball", "pole"],
    radius_m: float,
    free_radius_m: float | None,
    sigma_radius_m: float,
    *,
    slack: float,
    seen_enough: bool,
    too_little: NotMeasured,
    stage: int,
) -> Refused | None:
    """A free radius must agree with the known one, and be sure enough to exclude another size.

    ``slack`` is the share of the radius by which a true mark may differ. ``too_little`` is said where
    what was seen proves no size.
    """
    little = Refused(stage, too_little)
    sure = sigma_radius_m <= _OTHER_SIZE / _EXCLUDED_SIGMAS * radius_m
    if free_radius_m is None or not seen_enough or not sure:
        return little
    other = abs(free_radius_m - radius_m)
    if other > _SIZE_SIGMAS * sigma_radius_m + slack * radius_m:
        why = f"The {body} here has a diameter of {2 * free_radius_m:.3f} m, not {2 * radius_m:.3f} m."
        return Refused(stage + 1, NotMeasured(code=Reason.WRONG_SIZE, reason=why))
    return little if other + _EXCLUDED_SIGMAS * sigma_radius_m > _OTHER_SIZE * radius_m else None


def too_unsure(what: str, sigma_m: float, count: int) -> NotMeasured | None:
    """Refused where the place is known worse than a mark should be."""
    if sigma_m <= _LARGEST_UNCERTAINTY_M:
        return None
    return NotMeasured(
        code=Reason.TOO_SPARSE,
        reason=f"The {what} is known to {sigma_m * 1000:.1f} mm only, from {count} points.",
    )
