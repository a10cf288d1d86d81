"""Ground planes of two passes in the same cells -> their differences, and what these come to.

After sampling. Pure numerics and the sentences that go with them.

Within a swath the standards ask how far points of one pass scatter on a smooth surface. The USGS
Lidar Base Specification takes, per cell of a single swath, Precision = Range - Slope x CellSize x
1.414 (from memory). Here the fitted plane itself is taken out of the range. As a plane spans no more
than Slope x CellSize x 1.414 in its cell, this is never less than that formula gives for the same
points, and it does not hide noise under a slope. ASPRS Edition 2 (2024), 7.14 (second-hand text):
within-swath is the maximum on smooth hard surfaces, swath-to-swath are RMSD_Z and maximum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Literal

import numpy as np
from scipy.spatial import cKDTree

from accuracy.model import FloatArray, IntArray, RelativeComparison, RelativePlace
from accuracy.reading.pairs import CellTable
from accuracy.relative.sampling import FAULT_WORDS, Fault, PassCells, PlaceSettings
from accuracy.standards.base import RelativeAccuracy
from accuracy.statistics.correlation import (
    CorrelationModels,
    EffectiveSample,
    Everywhere,
    correlation_models,
    effective_sample,
)
from accuracy.statistics.intervals import NMAD_FACTOR

QUANTILES = (0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99)
_CLUSTERS, _PER_CLUSTER = 80, 3
"""Places that the correlation is estimated from; all of them fit one block of its likelihood."""
_FOR_FIGURES = 480
"""Places by chance, whose pairs stand for those of all places."""
_OFF_CENTRE = 3.0
"""Largest d'S^-1 d n at the common point: as at the middle of an edge of an evenly covered cell."""
_MOSTLY_ANOTHER = 0.1
"""If more places than this are apart, it is not cars that came and went: nothing is left out."""
_PARALLEL = 0.5
"""Cosine beyond which two passes ran the same, or the opposite, way."""

ONE_SIDE = "the two passes saw different parts of the cell"
ANOTHER = "another surface: too far apart to be the same thing"

Kind = Literal["within-swath", "pass-to-pass", "run-to-run"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Differences:
    """Differences at many places; arrays are (n,)."""

    easting_m: FloatArray
    northing_m: FloatArray
    difference_m: FloatArray
    uncertainty_m: FloatArray
    """NaN where it has none."""
    slope_percent: FloatArray
    roughness_m: FloatArray
    same_way: FloatArray
    """Cosine between the directions of travel; 0 where unknown."""
    left_out: Mapping[str, int] = field(default_factory=dict)

    def take(self, which: FloatArray | IntArray) -> Differences:
        """Some of the places; the count of those left out stays with the whole."""
        arrays = {name: getattr(self, name)[which] for name in self.__slots__ if name != "left_out"}
        return Differences(**arrays)


def plane_differences(
    a: PassCells, b: PassCells, grid_table: CellTable, settings: PlaceSettings
) -> Differences:
    """Height of a's plane minus height of b's, row by row, midway between their centroids.

    The variance of a plane's height at d from its centroid is s^2 (1/n + d' S^-1 d), S the sum of
    outer products (any regression text; standard texts' example: 1 at the centre of an even square,
    4 at the middle of an edge, 7 in a corner, in units of s^2/n). s has n - 3 degrees of freedom v;
    its square is taken times v/(v - 2), the variance of Student's t (JCGM 101:2008, 6.4.9.4), so that
    cells with few points do not claim too much.
    """
    x, y = (a.x_m + b.x_m) / 2, (a.y_m + b.y_m) / 2
    height_a, variance_a, off_a = _height_at(a, x, y)
    height_b, variance_b, off_b = _height_at(b, x, y)
    difference = height_a - height_b
    fault = np.maximum(a.fault, b.fault)
    left_out = {words: int(np.count_nonzero(fault == code)) for code, words in FAULT_WORDS.items()}
    sound = fault == Fault.NONE
    aside = sound & (np.maximum(off_a, off_b) > _OFF_CENTRE)
    left_out[ONE_SIDE] = int(np.count_nonzero(aside))
    sound &= ~aside
    another = sound & (np.abs(difference) > settings.another_surface_m)
    if int(np.count_nonzero(another)) <= _MOSTLY_ANOTHER * int(np.count_nonzero(sound)):
        left_out[ANOTHER] = int(np.count_nonzero(another))
        sound &= ~another
    places = _places(grid_table, a, x, y)
    everything = Differences(
        easting_m=places[0],
        northing_m=places[1],
        difference_m=difference,
        uncertainty_m=np.sqrt(variance_a + variance_b),
        slope_percent=np.maximum(a.slope_percent, b.slope_percent),
        roughness_m=np.maximum(a.roughness_m, b.roughness_m),
        same_way=np.sum(a.travel * b.travel, axis=1),
    )
    kept = everything.take(np.flatnonzero(sound))
    return replace(kept, left_out={words: n for words, n in left_out.items() if n})


def _height_at(cells: PassCells, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Height and its variance at x, y from the cell's centre; and n d' S^-1 d."""
    dx, dy = x - cells.x_m, y - cells.y_m
    xx, xy, yy = cells.spread.T
    determinant = xx * yy - xy**2
    safe = np.where(cells.fault >= Fault.LOPSIDED, 1.0, determinant)
    lever = (yy * dx**2 - 2 * xy * dx * dy + xx * dy**2) / safe
    freedom = np.maximum(cells.count - 3, 3)
    variance = cells.roughness_m**2 * freedom / (freedom - 2) * (1 / np.maximum(cells.count, 1) + lever)
    height = cells.z_m + cells.slope_x * dx + cells.slope_y * dy
    return height, variance, cells.count * lever


def _places(
    table: CellTable, cells: PassCells, x: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray]:
    origin, cell = table.grid.origin_m, table.grid.cell_m
    return origin[0] + (cells.column + 0.5) * cell + x, origin[1] + (cells.row + 0.5) * cell + y


def ranges_within(table: CellTable, cells: PassCells) -> Differences:
    """Range of heights about the plane in each smooth cell of each pass, from its kept points.

    The kept points are a fixed number per box, because a range grows with the number of points it is
    taken from: thousands of points on the same ground would give about twice the range of thirty.
    """
    row_of = _rows_of_boxes(table, cells)
    row = row_of[table.sample_box]
    order = np.flatnonzero(row >= 0)
    order = order[np.argsort(row[order], kind="stable")]
    row = row[order]
    # A surface that lies across two layers has points of both: the first ones are enough.
    starts = np.flatnonzero(np.diff(row, prepend=-1))
    middle = np.column_stack([cells.column[row] + 0.5, cells.row[row] + 0.5]) * table.grid.cell_m
    east, north, up = table.sample_m[order].T
    x, y = east - middle[:, 0] - cells.x_m[row], north - middle[:, 1] - cells.y_m[row]
    about = up - cells.z_m[row] - cells.slope_x[row] * x - cells.slope_y[row] * y
    found = row[starts]
    if not len(found):
        spans = np.empty(0)
    else:
        spans = np.maximum.reduceat(about, starts) - np.minimum.reduceat(about, starts)
    sound = cells.fault[found] == Fault.NONE
    found, spans = found[sound], spans[sound]
    kept = cells.take(found)
    easting, northing = _places(table, kept, kept.x_m, kept.y_m)
    counts = {words: int(np.count_nonzero(cells.fault == code)) for code, words in FAULT_WORDS.items()}
    return Differences(
        easting_m=easting,
        northing_m=northing,
        difference_m=spans,
        uncertainty_m=np.full(len(spans), np.nan),
        slope_percent=kept.slope_percent,
        roughness_m=kept.roughness_m,
        same_way=np.zeros(len(spans)),
        left_out={words: n for words, n in counts.items() if n},
    )


def _rows_of_boxes(table: CellTable, cells: PassCells) -> IntArray:
    """(m,) the row of ``cells`` that each box of the table went into; -1 for none."""
    rows = np.full(len(table), -1, dtype=np.int64)
    cell_key = (cells.column << 32) + cells.row
    box_key = (table.column << 32) + table.row
    begin = np.searchsorted(cell_key, box_key, side="left")
    end = np.searchsorted(cell_key, box_key, side="right")
    time = (table.time_bin + 0.5) * table.grid.time_bin_s
    for step in range(int((end - begin).max(initial=0))):
        at = np.minimum(begin + step, len(cells) - 1)
        fits = (begin + step < end) & (cells.source[at] == table.source)
        fits &= (cells.layers[at, 0] <= table.layer) & (table.layer <= cells.layers[at, 1])
        # Of the passes of one source the nearest in time.
        nearer = np.abs(cells.time_s[at] - time) < np.where(
            rows >= 0, np.abs(cells.time_s[np.maximum(rows, 0)] - time), np.inf
        )
        rows = np.where(fits & nearer, at, rows)
    return rows


# --------------------------------------------------------------------------- what they come to


def compare(
    differences: Differences,
    *,
    name_a: str,
    name_b: str,
    kind: Kind,
    settings: PlaceSettings,
    roughest_m: float,
    direction: Literal["all", "same", "opposite"] = "all",
) -> RelativeComparison:
    """Figures of the differences. Intervals consider that neighbouring places share their errors."""
    d = differences.difference_m
    base = RelativeComparison(
        name_a=name_a,
        name_b=name_b,
        kind=kind,
        direction=direction,
        cell_m=settings.cell_m,
        n=int(d.size),
        left_out=differences.left_out,
        roughest_m=roughest_m,
    )
    if not d.size:
        return replace(base, words=_words(base))
    median = float(np.median(d))
    rmsd = float(np.sqrt(np.mean(d**2)))
    sizes = np.abs(d)
    worth = None if kind == "within-swath" else _worth(differences)
    known = np.isfinite(differences.uncertainty_m)
    noise = float(np.sqrt(np.mean(differences.uncertainty_m[known] ** 2))) if known.any() else None
    found = replace(
        base,
        mean_m=float(np.mean(d)),
        median_m=median,
        nmad_m=float(NMAD_FACTOR * np.median(np.abs(d - median))),
        rmsd_m=rmsd,
        max_m=float(sizes.max()),
        absolute_quantile_683_m=float(np.quantile(sizes, 0.683)),
        absolute_quantile_95_m=float(np.quantile(sizes, 0.95)),
        quantiles_m=tuple(float(q) for q in np.quantile(d, QUANTILES)),
        noise_rms_m=noise,
        mean_interval_95_m=None
        if worth is None
        else worth.mean_interval_95_m(float(np.mean(d)), float(d.std(ddof=1))),
        rmsd_interval_95_m=None if worth is None else worth.rmse_interval_95_m(rmsd),
        effective_n=None if worth is None else worth.effective_n,
        correlation_length_m=None if worth is None else worth.correlation_length_m,
        places=_thinned(differences, settings.map_places),
    )
    return replace(found, words=_words(found))


def by_direction(
    differences: Differences,
    *,
    name_a: str,
    name_b: str,
    kind: Kind,
    settings: PlaceSettings,
    roughest_m: float,
) -> tuple[RelativeComparison, ...]:
    """All places together; then, where both occur, those passed the same and the opposite way."""
    figures = partial(
        compare, name_a=name_a, name_b=name_b, kind=kind, settings=settings, roughest_m=roughest_m
    )
    whole = figures(differences)
    same = np.flatnonzero(differences.same_way > _PARALLEL)
    opposite = np.flatnonzero(differences.same_way < -_PARALLEL)
    if min(len(same), len(opposite)) < _LEAST_PER_DIRECTION:
        return (whole,)
    ways: tuple[tuple[Literal["same", "opposite"], IntArray], ...] = (("same", same), ("opposite", opposite))
    return whole, *(figures(differences.take(which), direction=way) for way, which in ways)


_LEAST_PER_DIRECTION = 10


def _worth(differences: Differences) -> EffectiveSample | None:
    chosen, models = models_of_places(differences.easting_m, differences.northing_m)
    return None if models is None else effective_sample(differences.difference_m[chosen], models)


def models_of_places(
    easting_m: FloatArray, northing_m: FloatArray
) -> tuple[IntArray, CorrelationModels | None]:
    """Which of (n,) places tell how neighbours correlate, and the candidate correlations of all.

    Of many places, some by chance with their nearest neighbours: places by chance alone would lie too
    far apart to show, or to rule out, errors that are shared over a few metres.
    """
    n = easting_m.size
    if n <= _CLUSTERS * _PER_CLUSTER:
        chosen = _scattered(easting_m, northing_m, n)
        return chosen, correlation_models(easting_m[chosen], northing_m[chosen])
    middles = _scattered(easting_m, northing_m, _CLUSTERS)
    # Centred: the tree would lose digits of map coordinates.
    places_m = np.column_stack([easting_m - easting_m.mean(), northing_m - northing_m.mean()])
    chosen = np.unique(cKDTree(places_m).query(places_m[middles], k=_PER_CLUSTER)[1])
    some_m = places_m[_scattered(easting_m, northing_m, _FOR_FIGURES)]
    everywhere = Everywhere(n=n, easting_m=some_m[:, 0], northing_m=some_m[:, 1])
    return chosen, correlation_models(easting_m[chosen], northing_m[chosen], everywhere)


def _scattered(easting_m: FloatArray, northing_m: FloatArray, most: int) -> IntArray:
    """At most ``most`` places, as if by chance but always the same: every part of the ground alike."""
    n = easting_m.size
    order = np.lexsort([easting_m, northing_m])
    if n <= most:
        return order
    return np.asarray(order[np.sort(np.random.default_rng(n).choice(n, most, replace=False))])


def _thinned(differences: Differences, most: int) -> tuple[RelativePlace, ...]:
    chosen = _scattered(differences.easting_m, differences.northing_m, most)
    worst = int(np.argmax(np.abs(differences.difference_m)))
    if worst not in chosen:
        chosen = np.append(chosen[: most - 1], worst)
    return tuple(
        RelativePlace(
            easting_m=float(differences.easting_m[k]),
            northing_m=float(differences.northing_m[k]),
            difference_m=float(differences.difference_m[k]),
            standard_uncertainty_m=float(u) if np.isfinite(u := differences.uncertainty_m[k]) else None,
            slope_percent=float(differences.slope_percent[k]),
            roughness_m=float(differences.roughness_m[k]),
        )
        for k in chosen
    )


def _words(found: RelativeComparison) -> str:
    names = found.name_a if found.kind == "within-swath" else f"{found.name_a} and {found.name_b}"
    left = "; ".join(f"{n:,} {why}" for why, n in found.left_out.items())
    left = f" Left out: {left}." if left else ""
    if not found.n:
        seen = "has no smooth place" if found.kind == "within-swath" else "share no smooth place"
        return f"{names} {seen} in cells of {found.cell_m:g} m.{left}"
    where = f"{found.n:,} smooth {'place' if found.n == 1 else 'places'}"
    if found.kind == "within-swath":
        return f"{names}: range of heights about the plane at {where} within one pass.{left}"
    way = {"all": "", "same": " passed in the same direction", "opposite": " passed in opposite directions"}
    hard = "whether the ground is hard, only its class says"
    return f"{names} compared at {where}{way[found.direction]}; {hard}.{left}"


def relative_evidence(comparisons: Sequence[RelativeComparison]) -> RelativeAccuracy:
    """What the standards grade, over all comparisons: pooled RMSD (by places) and the largest of all.

    ``places`` counts those that show the same ground twice; where nothing overlaps, the smooth cells
    of the single swath.
    """
    within = [c for c in comparisons if c.kind == "within-swath" and c.n]
    between = [c for c in comparisons if c.kind != "within-swath" and c.direction == "all" and c.n]
    single = not any(c.kind != "within-swath" for c in comparisons)
    return RelativeAccuracy(
        places=sum(c.n for c in (between or (within if single else []))),
        within_swath_max_m=_largest(within),
        within_swath_rmsd_m=_pooled(within),
        swath_to_swath_rmsd_m=_pooled(between),
        swath_to_swath_max_m=_largest(between),
        single_swath=single,
    )


def _largest(comparisons: Sequence[RelativeComparison]) -> float | None:
    return max((c.max_m for c in comparisons if c.max_m is not None), default=None)


def _pooled(comparisons: Sequence[RelativeComparison]) -> float | None:
    n = sum(c.n for c in comparisons)
    return float(np.sqrt(sum(c.n * (c.rmsd_m or 0.0) ** 2 for c in comparisons) / n)) if n else None
