"""From the points of one layer to a believed place of the mark, or the reason why none is.

After target_checks and target_average, before target. Every start that explains the values nearly
as well as the best is followed to its maximum and judged; a lock is believed when exactly one place
passes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from accuracy.matching.target_average import average
from accuracy.matching.target_checks import Evidence, Verdict, gather, hopeless, judge, misfits, much_amiss
from accuracy.matching.target_field import Raster
from accuracy.matching.target_fit import (
    Fit,
    Priors,
    climb,
    expected_covariance,
    first_parameters,
    widening,
)
from accuracy.matching.target_model import MarkModel, Parameters
from accuracy.matching.target_refine import Start, refine, window_of
from accuracy.matching.target_rivals import rival_of
from accuracy.matching.target_search import candidates, symmetry_of
from accuracy.matching.template import Template
from accuracy.model import Flag, FloatArray, IntArray, NotMeasured, Reason

_STARTS = 6
_WORTH_A_LOOK = 0.5
_NEARLY_AS_GOOD = 0.6
_LEAST_EXPLAINED = 0.15
_RIVAL = 0.7
"""A second place that passes is a rival if it explains this share of what the best one does."""
_SAME_WINDOW = 0.06
_FIRST_STEPS = 25
_ROUGHLY = 0.02
_FREE_SCALE = 0.1
_BEYOND_DOUBT = {2: 0.8, 3: 0.65}
"""Efficiency by number of tones that simulated marks without damage all reach."""
_TRIMMED = 0.03
"""Share of cells that are wrong from which the points there are left out."""
_HOPELESS = 0.5
_AVERAGED_BELOW = 300
"""Points near the edges below which the posterior is averaged rather than topped."""
_SHARPEST = 0.60
"""Largest uncertainty of the centre, as a share of the edge width, at which it was found true."""
_USUAL_EDGE_M = 0.007
_SPARSE = 0.6
_CHIP_M = 0.12
_DAMAGED = 1.2
"""Side of the squares in which damage hangs together, and what it adds to the variance beyond what
the squares show; from simulated marks with chips of 5 to 10 cm."""
_FEWEST = 25


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lock:
    """A mark found in a layer; lengths in the layer's plane."""

    x_m: float
    y_m: float
    covariance_m2: FloatArray
    """(2, 2)"""
    rotation_rad: float
    edge_m: float
    tones: FloatArray
    points: int
    evidence: Evidence
    flags: tuple[Flag, ...]
    near: float
    """How near to too sparse: 1 at the limit."""


@dataclass(frozen=True, slots=True, eq=False)
class _Maximum:
    start: Start
    model: MarkModel
    fit: Fit
    whole: Evidence
    """Over all points of the window."""
    evidence: Evidence
    """Over those that were kept."""
    verdict: Verdict
    used: IntArray


def lock_on(
    raster: Raster,
    size_m: float,
    x_m: FloatArray,
    y_m: FloatArray,
    value: FloatArray,
    *,
    line: IntArray | None,
    radius_m: float,
    priors: Priors | None = None,
    others: Sequence[Template] = (),
) -> Lock | NotMeasured:
    """Find the template within ``radius_m`` of the plane's origin; arrays (n,), ``line`` the scan line.

    ``others`` are marks that it must not be taken for.
    """
    priors = priors or Priors()
    starts = _starts(raster, size_m, x_m, y_m, value, radius_m)
    if not starts:
        return NotMeasured(code=Reason.NO_LOCK, reason="Nothing within the search radius resembles the mark.")
    maxima = []
    for start in starts:
        found = _follow(raster, size_m, x_m, y_m, value, start, priors)
        if isinstance(found, _Maximum):
            maxima.append(found)
    if not maxima:
        return NotMeasured(code=Reason.TOO_FEW_POINTS, reason="Too few points lie on the mark.")
    passed = [m for m in maxima if m.verdict.code is None]
    if not passed:
        best = max(maxima, key=lambda m: m.whole.gain)
        assert best.verdict.code is not None  # noqa: S101 - only those without a code passed
        return NotMeasured(code=best.verdict.code, reason=best.verdict.words)
    best = max(passed, key=lambda m: m.whole.efficiency)
    twice = _second_place(best, passed)
    if twice is not None:
        return NotMeasured(
            code=Reason.NOT_UNIQUE,
            reason=f"Two places {twice:.2f} m apart both look like the mark; "
            "which of them was surveyed cannot be told.",
        )
    lock = _measured(best, x_m, y_m, value, line, priors)
    if isinstance(lock, Lock):
        rival = rival_of(
            best.model,
            best.fit.parameters,
            x_m,
            y_m,
            value,
            _worth_asking(best, lock, others),
            explained=best.start.explained,
            log_odds=best.whole.log_odds,
        )
        if rival is not None:
            return NotMeasured(
                code=Reason.NO_LOCK,
                reason=f'What is there looks more like the mark "{rival.name}" than like '
                f'"{raster.template.name}"; compare the column mark with what was painted.',
            )
    return lock


def _second_place(best: _Maximum, passed: Sequence[_Maximum]) -> float | None:
    """How far from the best another place lies that passes nearly as well; None where none does."""
    p, raster = best.fit.parameters, best.model.raster
    for other in passed:
        q = other.fit.parameters
        apart = float(np.hypot(q.x_m - p.x_m, q.y_m - p.y_m))
        as_good = other.whole.efficiency >= _RIVAL * best.whole.efficiency
        if as_good and apart > max(0.02, 0.1 * best.model.size_m * raster.detail):
            return apart
    return None


def _worth_asking(found: _Maximum, lock: Lock, others: Sequence[Template]) -> list[Template]:
    """The marks that a lock could be mistaken for: all where it is in doubt, else those of its tones."""
    tones = found.model.raster.template.tones
    if lock.flags or found.whole.efficiency < _BEYOND_DOUBT[len(tones)]:
        return list(others)
    return [other for other in others if len(tones) > 2 and other.tones == tones]


def _starts(
    raster: Raster, size_m: float, x_m: FloatArray, y_m: FloatArray, value: FloatArray, radius_m: float
) -> list[Start]:
    """Distinct least-squares starts, best first."""
    places = candidates(raster, size_m, x_m, y_m, value, radius_m, _STARTS)
    coarse = [
        start
        for place in places
        if place.explained >= _WORTH_A_LOOK * places[0].explained
        and (start := refine(raster, size_m, x_m, y_m, value, place, stage=0.22)) is not None
    ]
    coarse.sort(key=lambda start: -start.explained)
    distinct: list[Start] = []
    for start in coarse:
        if start.explained < max(_NEARLY_AS_GOOD * coarse[0].explained, _LEAST_EXPLAINED):
            break
        if all(
            np.hypot(start.x_m - s.x_m, start.y_m - s.y_m) > 0.1 * size_m * raster.detail for s in distinct
        ):
            distinct.append(start)
    fine = [refine(raster, size_m, x_m, y_m, value, start, stage=0.08) or start for start in distinct[:3]]
    return sorted(fine, key=lambda start: -start.explained)


def _follow(
    raster: Raster,
    size_m: float,
    x_m: FloatArray,
    y_m: FloatArray,
    value: FloatArray,
    start: Start,
    priors: Priors,
) -> _Maximum | None:
    """Climb from a start with the size free, and judge where it ends."""
    at = (start.x_m, start.y_m, start.rotation_rad)
    used = np.nonzero(window_of(raster, size_m, x_m, y_m, at))[0]
    if len(used) < _FEWEST:
        return None
    x, y, z = x_m[used], y_m[used], value[used]
    low, high = float(z.min()), float(z.max())
    wide = max(high - low, 1e-9)
    model = MarkModel(raster, size_m, (start.x_m, start.y_m), (low - 0.05 * wide, high + 0.05 * wide))
    p = first_parameters(model, start, priors)
    free = replace(priors, scale=_FREE_SCALE)
    fit = climb(model, p, x, y, z, free, most_steps=_FIRST_STEPS, enough=_ROUGHLY)
    whole = gather(model, fit, x, y, z)
    if hopeless(model, whole):
        return _Maximum(start, model, fit, whole, whole, judge(model, fit, whole, whole), used)
    for _ in range(3):
        # The window went with the start; where the mark has moved from there, look again.
        p = fit.parameters
        again = np.nonzero(window_of(raster, size_m, x_m, y_m, (p.x_m, p.y_m, p.rotation_rad)))[0]
        changed = len(np.setxor1d(again, used, assume_unique=True))
        if changed <= _SAME_WINDOW * len(used):
            break
        used = again
        if len(used) < _FEWEST:
            return None
        x, y, z = x_m[used], y_m[used], value[used]
        fit = climb(model, p, x, y, z, free)
        whole = gather(model, fit, x, y, z)
    evidence = whole
    if _TRIMMED < whole.wrong < _HOPELESS:
        kept = used
        for _ in range(2):
            keep = ~misfits(model, fit, x_m[used], y_m[used], value[used])
            if keep.sum() < _FEWEST:
                break
            kept = used[keep]
            fit = climb(model, fit.parameters, x_m[kept], y_m[kept], value[kept], free)
        used = kept
        evidence = gather(model, fit, x_m[used], y_m[used], value[used])
    return _Maximum(start, model, fit, whole, evidence, judge(model, fit, whole, evidence), used)


def _measured(
    found: _Maximum,
    x_m: FloatArray,
    y_m: FloatArray,
    value: FloatArray,
    line: IntArray | None,
    priors: Priors,
) -> Lock | NotMeasured:
    """The centre with the size held to what was stated, its covariance, and whether it can be true."""
    model, used = found.model, found.used
    x, y, z = x_m[used], y_m[used], value[used]
    fit = climb(model, found.fit.parameters, x, y, z, priors)
    p = fit.parameters
    covariance = expected_covariance(model, fit, x, y)
    edge = float(np.exp(p.log_edge_m))
    worst = float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2]).max()))
    # Where points are few the fitted edge width is itself uncertain, and the centre's uncertainty goes
    # with its root: together, what decides is how many points the edges could have, not how they fell.
    near = worst / (_SHARPEST * float(np.sqrt(edge * _USUAL_EDGE_M)))
    if near > 1.0:
        density = found.evidence.density_per_m2
        return NotMeasured(
            code=Reason.TOO_SPARSE,
            reason=f"The mark was found, but with {density:.0f} points per square metre its centre has no "
            f"uncertainty that can be vouched for; this mark needs about {_round_up(density * near**2)}.",
        )
    template = model.raster.template
    plain = len(template.regions) == 1
    if plain and near > _SPARSE:
        return NotMeasured(
            code=Reason.TOO_SPARSE,
            reason=f'A plain shape such as "{template.name}" is told from other things by its outline alone, '
            f"and {found.evidence.density_per_m2:.0f} points per square metre are too few for that.",
        )
    # Two strokes that meet are a letter: of one tone, only a shape that repeats itself is told by a part.
    lettering = len(template.tones) == 2 and symmetry_of(model.raster) == 1
    if (found.verdict.flags or found.whole.wrong > _TRIMMED) and (plain or lettering):
        return NotMeasured(
            code=Reason.PARTLY_COVERED,
            reason=f'What looks like the mark is worn or partly covered, and a damaged "{template.name}" '
            "cannot be told from a manhole or lettering; a quartered mark could.",
        )
    # Few points and damage together are what a wrong feature looks like, too.
    if near > _SPARSE and (much_amiss(found.whole) or found.verdict.flags):
        return NotMeasured(
            code=Reason.PARTLY_COVERED,
            reason=f"What looks like the mark differs from it over {100 * found.whole.wrong:.0f} % of its "
            "area, and the points are too few to be sure of the rest.",
        )
    damaged = found.whole.wrong > _TRIMMED or found.whole.wear > _TRIMMED
    wider = 1.0
    if line is not None:
        wider = widening(fit, covariance, np.unique(line[used], return_inverse=True)[1])
    side = _CHIP_M if damaged else max(model.raster.detail / 4 * model.size_m, 0.03)
    patchy = widening(fit, covariance, _parts(model, p, x, y, side), doubted=0.0 if damaged else 2.0)
    wider = max(wider, patchy * (_DAMAGED if damaged else 1.0))
    centre, shape = np.array([p.x_m, p.y_m]), covariance[:2, :2]
    u, v = model.template_coordinates(p, x, y)
    distance = model.raster.lookup(model.raster.edge_distance, u, v, 9.0) * model.size_m
    close = distance < 4 * edge + 4 * worst
    if close.sum() < _AVERAGED_BELOW:
        prior_centre, _ = priors.arrays(p, model.size_m)
        mean = average(model, fit, covariance, prior_centre, x[close], y[close], z[close])
        centre, shape = mean.centre, mean.covariance
    flags = list(found.verdict.flags)
    if near > _SPARSE:
        flags.append(Flag.SPARSE)
    return Lock(
        x_m=float(centre[0]),
        y_m=float(centre[1]),
        covariance_m2=shape * wider,
        rotation_rad=p.rotation_rad,
        edge_m=edge,
        tones=p.tones,
        points=len(used),
        evidence=found.evidence,
        flags=tuple(flags),
        near=near,
    )


def _parts(model: MarkModel, p: Parameters, x_m: FloatArray, y_m: FloatArray, side_m: float) -> IntArray:
    """Number of the small square of the mark that each point lies in: chipped paint is chipped there."""
    u, v = model.template_coordinates(p, x_m, y_m)
    side = side_m / model.size_m
    key = np.floor(u / side).astype(np.int64) * 100003 + np.floor(v / side).astype(np.int64)
    return np.asarray(np.unique(key, return_inverse=True)[1])


def _round_up(density: float) -> int:
    digits = 10 ** max(0, int(np.floor(np.log10(density))) - 1)
    return int(np.ceil(density / digits) * digits)
