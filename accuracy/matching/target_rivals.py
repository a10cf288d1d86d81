"""Whether another mark explains the points better than the one that was sought.

After target_fit, before target_lock. The checks on one fit ask how well the sought mark does; here
another template is laid over the same points, of whatever size, and the two likelihoods are held
against each other. A quartered disc passes for a quartered square until one asks that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from accuracy.matching.target_field import Raster, raster_of
from accuracy.matching.target_fit import Priors, climb, first_parameters
from accuracy.matching.target_model import MarkModel, Parameters
from accuracy.matching.target_refine import Start, refine, window_of
from accuracy.matching.target_search import candidates
from accuracy.matching.template import Template
from accuracy.model import FloatArray

_SIZES = (0.8, 0.9, 1.0, 1.1, 1.25)
"""Extents that a rival is first tried at, over the extent of the sought mark; its fit then frees them."""
_FREE_SCALE = 0.3
_WORTH_A_CLIMB = 0.06
"""A rival that least squares finds to explain less than the sought mark by this is none."""
_MOST_POINTS = 800
_STEPS = 20
_ROUGHLY = 0.1
_BETTER = 10.0
"""Least advantage in log likelihood; a rival's own free size and tones are worth three or four."""
_BETTER_SHARE = 0.03
"""And least advantage over what the sought mark itself explains, for marks with hundreds of points."""


def rival_of(
    model: MarkModel,
    place: Parameters,
    x_m: FloatArray,
    y_m: FloatArray,
    value: FloatArray,
    others: Sequence[Template],
    *,
    explained: float,
    log_odds: float,
) -> Template | None:
    """The first of the other marks that explains the points (n,) around ``place`` better, or None.

    ``explained`` is the share of variance that least squares gave the sought mark there, ``log_odds``
    what its pattern gains over the same tones strewn without one. Only marks with no more tones than
    the sought one are asked: a mark with more would take any shadow for a tone.
    """
    raster = model.raster
    c, s = float(np.cos(place.rotation_rad)), float(np.sin(place.rotation_rad))
    u, v = (model.size_m * middle for middle in raster.centre)
    x0, y0 = place.x_m + c * u - s * v, place.y_m + s * u + c * v
    extent = model.size_m * raster.half
    near = np.hypot(x_m - x0, y_m - y0) < 2 * extent
    around = (x_m[near] - x0, y_m[near] - y0, value[near])
    compared = np.nonzero(
        window_of(raster, model.size_m, x_m, y_m, (place.x_m, place.y_m, place.rotation_rad))
    )[0]
    margin = max(_BETTER, _BETTER_SHARE * log_odds)
    every = -(-len(compared) // _MOST_POINTS)
    compared = compared[::every]
    x, y, z = x_m[compared], y_m[compared], value[compared]
    priors = replace(Priors(), scale=_FREE_SCALE)
    own: float | None = None
    for other in others:
        if len(other.tones) > len(raster.template.tones):
            continue
        found = _laid(raster_of(other), extent, around)
        if found is None or found[0].explained < explained - _WORTH_A_CLIMB:
            continue
        if own is None:
            fit = climb(model, place, x, y, z, priors, most_steps=_STEPS, enough=_ROUGHLY)
            own = float(fit.log_density.sum())
        start, size_m = found
        rival = MarkModel(raster_of(other), size_m, (start.x_m, start.y_m), model.value_range)
        first = first_parameters(rival, start, priors)
        theirs = climb(rival, first, x - x0, y - y0, z, priors, most_steps=_STEPS, enough=_ROUGHLY)
        if every * (float(theirs.log_density.sum()) - own) > margin:
            return other
    return None


def _laid(
    other: Raster, extent_m: float, points: tuple[FloatArray, FloatArray, FloatArray]
) -> tuple[Start, float] | None:
    """Where, and at which of a few sizes, least squares likes another mark best."""
    best: tuple[Start, float] | None = None
    for factor in _SIZES:
        size = factor * extent_m / other.half
        for place in candidates(other, size, *points, 0.7 * extent_m, 1):
            start = refine(other, size, *points, place, stage=0.15)
            if start is not None and (best is None or start.explained > best[0].explained):
                best = start, size
    return best
