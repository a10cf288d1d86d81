"""Whether what was fitted is the mark: evidence gathered from one fit, and the verdict on it.

After target_fit, before target. A likelihood always has a maximum, also on a manhole cover; these
checks decide whether the maximum is believed. They speak of the points, cell by cell in the
template's own axes: does each part of the mark show the tone that the template says?
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import expit, logsumexp

from accuracy.matching.target_field import Raster
from accuracy.matching.target_fit import Fit
from accuracy.matching.target_model import MarkModel, most_information
from accuracy.matching.template import Polarity, Tone
from accuracy.model import BoolArray, Flag, FloatArray, Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What speaks for and against a lock; shares are of the template's area, 0 to 1."""

    gain: float
    """Information per point that the place of the mark gives about the values (nats)."""
    efficiency: float
    """The same over what the template's tone shares could give at most: 1 for a clean mark."""
    fullness: float
    """The same over what tones and the levels between them at blurred edges could give at most."""
    contrast: float
    """Smallest distance between neighbouring tones, over their joint spread."""
    log_odds: float
    """Log likelihood ratio of the mark against the same tones strewn without a pattern."""
    wrong: float
    """Share of the cells with points that show another tone than the template's."""
    wrong_paint: float
    """The same among painted cells."""
    wrong_ground: float
    """The same among background cells."""
    seen: float
    """Share of the cells that hold points."""
    seen_edge: float
    """Share of the edges with points on and around them, in the direction that has fewest."""
    wear: float
    stray: float
    edge_m: float
    log_scale: float
    density_per_m2: float
    """Points per square metre of the template's window."""
    points: int


def gather(
    model: MarkModel,
    fit: Fit,
    x_m: FloatArray,
    y_m: FloatArray,
    value: FloatArray,
) -> Evidence:
    """Evidence of a fit at the points (n,) of its window."""
    p, raster = fit.parameters, model.raster
    share = model.shares(p, x_m, y_m)
    u, v = model.template_coordinates(p, x_m, y_m)
    belief, log_pure = _belief(model, fit, x_m, y_m, value)
    log_flat = -float(np.log(model.value_range[1] - model.value_range[0]))
    stray = float(expit(p.stray))
    gain = float((fit.log_density - _without_pattern(log_pure, log_flat, stray)).mean())
    mixed = share.mean(axis=1)
    most = -float((mixed * np.log(np.maximum(mixed, 1e-12))).sum())
    cells = _cells(model, fit, u, v, belief)
    area = raster.step**2 * float(raster.window.sum()) * model.size_m**2
    return Evidence(
        gain=gain,
        efficiency=gain / max(most, 1e-9),
        fullness=gain / max(most_information(p, share), 1e-9),
        contrast=_contrast(model, fit),
        log_odds=gain * len(value),
        wrong=cells.wrong,
        wrong_paint=cells.wrong_paint,
        wrong_ground=cells.wrong_ground,
        seen=cells.seen,
        seen_edge=cells.seen_edge,
        wear=float(expit(p.wear)),
        stray=stray,
        edge_m=float(np.exp(p.log_edge_m)),
        log_scale=p.log_scale,
        density_per_m2=len(value) / area,
        points=len(value),
    )


def _without_pattern(log_pure: FloatArray, log_flat: float, stray: float) -> FloatArray:
    """Log density of the values (n,) with the same tones in their best shares, strewn anywhere."""
    k = len(log_pure)
    mixing = np.full(k, 1.0 / k)
    log_stray = np.full(log_pure.shape[1], log_flat + np.log(stray))
    total = log_stray
    for _ in range(15):
        joint = log_pure + np.log(np.maximum(mixing, 1e-12))[:, None] + np.log1p(-stray)
        total = logsumexp(np.vstack((joint, log_stray)), axis=0)
        weight = np.exp(joint - total).sum(axis=1)
        mixing = weight / max(weight.sum(), 1e-12)
    return np.asarray(total)


def _contrast(model: MarkModel, fit: Fit) -> float:
    """Smallest separation that the mark's edges rest on: light against what it borders."""
    p, tones = fit.parameters, model.raster.template.tones
    spreads = np.exp(p.log_spreads)
    pairs = [(0, 1)] if len(tones) == 2 else [(1, 2)]
    return min(
        abs(float(p.tones[b] - p.tones[a])) / float(np.hypot(spreads[a], spreads[b])) for a, b in pairs
    )


@dataclass(frozen=True, slots=True)
class _Cells:
    wrong: float
    wrong_paint: float
    wrong_ground: float
    seen: float
    seen_edge: float


_CELLS_PER_DETAIL = 3.0
_FEW = 2


def _clearance(model: MarkModel, fit: Fit) -> float:
    """How far from an edge a point shows one tone for certain, in units of the mark's size."""
    edge = float(np.exp(fit.parameters.log_edge_m)) / model.size_m
    return min(2.0 * edge, 0.2 * model.raster.detail)


def _belief(
    model: MarkModel, fit: Fit, x_m: FloatArray, y_m: FloatArray, value: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """How far each value (n,) speaks for each tone (tones, n), and the log density of each tone."""
    p = fit.parameters
    gain = 1.0 + p.gain @ np.stack((x_m - model.origin_m[0], y_m - model.origin_m[1]))
    t = (value - gain * p.tones[:, None]) / np.exp(p.log_spreads)[:, None]
    log_pure = -0.5 * t**2 - p.log_spreads[:, None] - 0.5 * np.log(2 * np.pi)
    log_flat = -float(np.log(model.value_range[1] - model.value_range[0]))
    everything = np.vstack((log_pure, np.full(len(value), log_flat - 2.0)))
    return np.exp(log_pure - logsumexp(everything, axis=0)), log_pure


def _cells(
    model: MarkModel,
    fit: Fit,
    u: FloatArray,
    v: FloatArray,
    belief: FloatArray,
) -> _Cells:
    """Compare each cell's tone with the template's, away from the edges."""
    raster = model.raster
    area = raster.step**2 * float(raster.window.sum())
    # Fine enough for the narrowest part, coarse enough to hold points.
    cell = max(raster.detail / _CELLS_PER_DETAIL, float(np.sqrt(4 * area / max(len(u), 1))), 2 * raster.step)
    clear = _clearance(model, fit)
    half = raster.half
    side = int(np.ceil(2 * half / cell))

    def cell_of(x: FloatArray, y: FloatArray) -> FloatArray:
        column = np.clip(((x - raster.centre[0] + half) / cell).astype(np.int64), 0, side - 1)
        row = np.clip(((y - raster.centre[1] + half) / cell).astype(np.int64), 0, side - 1)
        return np.asarray(row * side + column)

    middle = -half + (np.arange(raster.window.shape[0]) + 0.5) * raster.step
    gx, gy = np.meshgrid(raster.centre[0] + middle, raster.centre[1] + middle)
    label = raster.share.argmax(axis=0)
    k = len(belief)
    inner = raster.window & (raster.edge_distance > clear)
    # A cell that an edge crosses has a part on either side: one entry per cell and tone.
    key_grid = cell_of(gx[inner], gy[inner]) * k + label[inner]
    cell_area = np.bincount(key_grid, minlength=side * side * k)
    point_label = raster.lookup(label, u, v, -1).astype(np.int64)
    away = (raster.lookup(raster.edge_distance, u, v, 0.0) > clear) & (point_label >= 0)
    key = cell_of(u[away], v[away]) * k + point_label[away]
    count = np.bincount(key, minlength=side * side * k)
    right = np.bincount(
        key, weights=belief[point_label[away], np.nonzero(away)[0]], minlength=side * side * k
    )
    used = cell_area > 0.15 * cell_area.max()
    seen: BoolArray = used & (count >= _FEW)
    tone = np.arange(side * side * k) % k
    weight = cell_area.astype(np.float64)
    agreement = np.where(seen, right / np.maximum(count, 1), 0.0)
    bad = seen & (agreement < 0.5)

    def part(which: BoolArray) -> float:
        return float(weight[bad & which].sum() / max(weight[seen & which].sum(), 1e-9))

    return _Cells(
        wrong=part(used),
        wrong_paint=part(tone > 0),
        wrong_ground=part(tone == 0),
        seen=float(weight[seen].sum() / max(weight[used].sum(), 1e-9)),
        seen_edge=_seen_edge(raster, u, v),
    )


def _seen_edge(raster: Raster, u: FloatArray, v: FloatArray) -> float:
    """Share of the edges that have points on both sides, in the direction in which it is least."""
    x, y, nx, ny = raster.edges.T
    area = raster.step**2 * float(raster.window.sum())
    near = 1.5 * float(np.sqrt(area / max(len(u), 1)))  # by chance empty once in a thousand
    beside = min(near, 0.5 * raster.detail)
    tree = cKDTree(np.column_stack((u, v)))
    seen = np.ones(len(x), dtype=bool)
    for side in (-beside, beside):
        apart, _ = tree.query(np.column_stack((x + side * nx, y + side * ny)))
        seen &= apart <= near
    normal = np.column_stack((nx, ny))
    whole, part = normal.T @ normal, normal[seen].T @ normal[seen]
    return float(np.linalg.eigvals(np.linalg.solve(whole, part)).real.min())


_NEIGHBOURS = 5


def misfits(model: MarkModel, fit: Fit, x_m: FloatArray, y_m: FloatArray, value: FloatArray) -> BoolArray:
    """Which points (n,) lie where the ground shows another tone than the template's.

    Chipped paint, a leaf, a corner under a wheel: most of the nearest points that are clear of the
    edges show a wrong tone. Points at an edge are judged by both its sides.
    """
    p, raster = fit.parameters, model.raster
    u, v = model.template_coordinates(p, x_m, y_m)
    belief = _belief(model, fit, x_m, y_m, value)[0]
    label = raster.lookup(raster.share.argmax(axis=0), u, v, 0).astype(np.int64)
    distance = raster.lookup(raster.edge_distance, u, v, 9.0)
    clear = _clearance(model, fit)
    places = np.column_stack((u, v))
    wrong = np.zeros(len(u), dtype=bool)
    for tone in range(len(belief)):
        inner = np.nonzero((label == tone) & (distance > clear))[0]
        if len(inner) < _NEIGHBOURS:
            continue
        concerned = np.nonzero((label == tone) | (distance < 2 * clear))[0]
        apart, nearest = cKDTree(places[inner]).query(places[concerned], k=_NEIGHBOURS)
        agreement = belief[tone, inner][nearest].mean(axis=1)
        # The far side of a narrow part is no neighbour.
        beside = (label[concerned] == tone) | (apart[:, 0] < 2 * distance[concerned] + 2 * clear)
        wrong[concerned] |= (agreement < 0.5) & beside
    return wrong


# --------------------------------------------------------------------------- the verdict

# Set between what simulated marks (clean, worn, partly covered, unevenly lit) give and what decoys
# give; the simulations are in the tests.
_LEAST_CONTRAST = 2.2
_LEAST_EFFICIENCY = 0.35
_LEAST_WHOLE_EFFICIENCY = 0.33
# Clean marks reach 1.0, where blurred edges and hardly any noise meet, as in images, 1.4.
_MOST_FULLNESS = 1.5
_LEAST_ODDS = 25.0
_MOST_WRONG = 0.30
_MOST_WRONG_PAINT = 0.42
_MOST_WEAR = 0.35
_MOST_STRAY = 0.15
_MOST_SCALE = float(np.log(1.08))
_SIZE_BY_ALL = 1.2
_WIDEST_EDGE_M = 0.022
_WIDEST_EDGE = 0.25
_LEAST_SEEN = 0.5
_LEAST_SEEN_EDGE = 0.55
_LEAST_KEPT_EDGE = 0.50
_FLAGGED = 0.08
_FLAGGED_WEAR = 0.06


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether a maximum is believed: a code and words where it is not, flags where it is."""

    code: Reason | None
    words: str
    flags: tuple[Flag, ...] = ()


def _widest_edge_m(model: MarkModel) -> float:
    return max(min(_WIDEST_EDGE_M, _WIDEST_EDGE * model.raster.detail * model.size_m), 0.008)


def hopeless(model: MarkModel, whole: Evidence) -> bool:
    """Whether a maximum is so far from the mark that leaving out misfits could not save it."""
    return (
        whole.contrast < 0.6 * _LEAST_CONTRAST
        or abs(whole.log_scale) > 2.5 * _MOST_SCALE
        or whole.edge_m > 2.0 * _widest_edge_m(model)
        or whole.wrong > 0.5
        or whole.efficiency < 0.2
    )


def much_amiss(whole: Evidence) -> bool:
    """Whether so much differs from the mark that only many points make up for it."""
    return whole.wrong > 0.12 or whole.wrong_paint > 0.2 or whole.wear > 0.2


def judge(  # noqa: PLR0911 - one return for each way to fail
    model: MarkModel, fit: Fit, whole: Evidence, kept: Evidence
) -> Verdict:
    """Judge a maximum by its evidence, at first over all points and then over those it was kept to."""
    p, template = fit.parameters, model.raster.template
    widest = _widest_edge_m(model)
    if Tone.LIGHT in template.tones and template.polarity is Polarity.LIGHT:
        light = template.tones.index(Tone.LIGHT)
        others = np.delete(p.tones, light) if len(template.tones) == 2 else p.tones[1:2]
        if p.tones[light] <= others.max():
            return Verdict(
                Reason.NO_LOCK, "The best place found is darker than its surroundings, not lighter."
            )
    # Leaving out misfits must not be what makes the contrast.
    contrast = min(whole.contrast, kept.contrast)
    if contrast < _LEAST_CONTRAST:
        return Verdict(
            Reason.NO_CONTRAST,
            f"Light and dark differ by only {contrast:.1f} times their spread where the mark fits best; "
            f"{_LEAST_CONTRAST:g} is the least that tells them apart.",
        )
    # Nor what makes the size: a damaged mark shows it over all its points already.
    log_scale = max(kept.log_scale, whole.log_scale / _SIZE_BY_ALL, key=abs)
    if abs(log_scale) > _MOST_SCALE:
        size = model.size_m * float(np.exp(log_scale))
        return Verdict(
            Reason.WRONG_SIZE,
            f"What fits best measures {size:.2f} m, not the {model.size_m:.2f} m of the mark.",
        )
    if max(whole.wrong_paint, whole.wrong_ground) > _MOST_WRONG_PAINT or whole.wrong > _MOST_WRONG:
        return Verdict(
            Reason.NO_LOCK,
            f"What fits best shows other tones than the mark over {100 * whole.wrong:.0f} % of its area.",
        )
    edge_m = max(kept.edge_m, whole.edge_m)
    if edge_m > widest:
        return Verdict(
            Reason.NO_LOCK,
            f"What fits best has edges {1000 * edge_m:.0f} mm wide; "
            f"those of a mark are at most {1000 * widest:.0f} mm.",
        )
    if (
        kept.efficiency < _LEAST_EFFICIENCY
        or kept.fullness > _MOST_FULLNESS
        or whole.efficiency < _LEAST_WHOLE_EFFICIENCY
        or kept.log_odds < _LEAST_ODDS
        or kept.stray > _MOST_STRAY
        or kept.wear > _MOST_WEAR
    ):
        return Verdict(Reason.NO_LOCK, "What fits best does not have the mark's pattern of light and dark.")
    if whole.seen < _LEAST_SEEN or whole.seen_edge < _LEAST_SEEN_EDGE or kept.seen_edge < _LEAST_KEPT_EDGE:
        return Verdict(
            Reason.PARTLY_COVERED,
            f"The mark can be made out over {100 * kept.seen:.0f} % of its area "
            f"and {100 * kept.seen_edge:.0f} % of its edges: too little.",
        )
    return Verdict(None, "", _flags(whole))


def _flags(whole: Evidence) -> tuple[Flag, ...]:
    flags = []
    worn = max(whole.wear, whole.wrong_paint) > _FLAGGED_WEAR
    if whole.wrong_ground > _FLAGGED or whole.seen_edge < 0.8 or whole.stray > 0.05:
        flags.append(Flag.PARTLY_COVERED)
    elif worn:
        flags.append(Flag.WORN)
    return tuple(flags)
