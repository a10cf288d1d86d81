"""Errors that neighbours share over centimetres to decimetres without scan lines, and what they cost a fit.

Points matched from images err in lumps: neighbours rest on the same patch of the image. A lump as large
as the window of the fit cannot be seen from inside it, so the covariance of the errors is estimated over
a wider piece of the same sheet and carried through the fit.

Heights there are taken as white noise plus a smooth field whose covariance is exp(-(d / L)^2). Both
variances follow by least squares from the products of all pairs of residuals, which is MINQUE with equal
weights (Rao 1971, J. Multivariate Anal. 1, 257-275, from memory); the surface that was
fitted, and so taken out of the residuals, is allowed for. The variance of the height is then the sum of
share_i share_j C(d_ij), the estimation variance of geostatistics (Matheron 1963, Economic Geology 58,
1246-1266, from memory). A Gaussian factors into east and north, so all sums over pairs are small matrix
products on a grid. Pure functions on arrays; used by ``around`` and ``height``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from accuracy.matching.correlation import cells, strips
from accuracy.model import FloatArray, IntArray

_GRID_SIDE = 64
_TEST_CELLS = (2.5, 5.0, 10.0)  # cells over the radius, to see whether neighbours agree at all
_CHANCE = 1e-3
_STRIPS = 24  # some 4 cm each over half a metre, as scan lines lie apart
_LENGTHS = 2.0 ** -np.arange(1.5, 5.0, 0.25)  # of the window's radius
_LEAST_POINTS = 150


@dataclass(frozen=True, slots=True, eq=False)
class Lumps:
    """Covariance of the errors: ``point_m2`` at a distance of 0, plus ``field_m2`` exp(-(d / length)^2)."""

    point_m2: float
    length_m: float
    """Distance at which the field's covariance has fallen to 1/e."""
    field_m2: float
    point_dof: float
    field_dof: float

    def times(self, factor: float) -> Lumps:
        """Variances larger by that factor: the price of a robust fit."""
        return replace(self, point_m2=factor * self.point_m2, field_m2=factor * self.field_m2)


@dataclass(frozen=True, slots=True, eq=False)
class LumpyErrors:
    """Errors of that covariance at the places of one fit's points."""

    lumps: Lumps
    grid: _Grid

    @classmethod
    def at(cls, lumps: Lumps, east_m: FloatArray, north_m: FloatArray) -> LumpyErrors:
        """For points at these (n,) places."""
        return cls(lumps, _Grid.over(east_m, north_m))

    @property
    def point_m2(self) -> float:
        """Variance of what a point shares with no other."""
        return self.lumps.point_m2

    @property
    def least_dof(self) -> float:
        """Degrees of freedom of the component that is known worst."""
        return min(self.lumps.point_dof, self.lumps.field_dof)

    def variance(self, share: FloatArray) -> tuple[float, float]:
        """Variance of sum(share * height), m2, and its degrees of freedom (GUM G.4.1)."""
        laid = self.grid.laid(share)
        point = self.point_m2 * float(share @ share)
        field = self.lumps.field_m2 * float(np.sum(laid * self.grid.smoothed(laid, self.lumps.length_m)))
        total = point + field
        if total <= 0:
            return 0.0, self.lumps.point_dof
        return total, total**2 / (point**2 / self.lumps.point_dof + field**2 / self.lumps.field_dof)

    def covariance(self, matrix: FloatArray) -> FloatArray:
        """(q, q) covariance of ``matrix`` (q, n) @ heights."""
        laid = np.array([self.grid.laid(row) for row in matrix])
        field = np.tensordot(laid, self.grid.smoothed(laid, self.lumps.length_m), ((1, 2), (1, 2)))
        return np.asarray(self.point_m2 * (matrix @ matrix.T) + self.lumps.field_m2 * field)

    def beside(self, _design: FloatArray, _residual_m: FloatArray) -> LumpyErrors:
        """The same: lumps were seen over a wider window than any further column of the fit."""
        return self


def neighbours_agree(
    design: FloatArray, height_m: FloatArray, east_m: FloatArray, north_m: FloatArray
) -> bool:
    """Whether neighbours agree better than chance and scan lines let them.

    Args:
        design: (n, p) columns of the surface that the heights scatter about, full rank.
        height_m: (n,)
        east_m: (n,) offsets from the middle of the window.
        north_m: (n,)
    """
    if east_m.size < _LEAST_POINTS:
        return False
    q, _ = np.linalg.qr(design)
    e = height_m - q @ (q.T @ height_m)
    labels = _cells(east_m, north_m)
    if not any(_alike(q, e, one, _CHANCE) for one in labels):
        return False
    # Scan lines without times pass for lumps too; within strips along them their points do not agree.
    lines = strips(east_m, north_m, e, count=_STRIPS)
    if lines is None:
        return True
    columns = (lines[:, None] == np.arange(1, int(lines.max()) + 1)).astype(np.float64)
    q, _ = np.linalg.qr(np.column_stack([design, columns]))
    e = height_m - q @ (q.T @ height_m)
    return any(_alike(q, e, one, _CHANCE) for one in labels)


def neighbours_may_agree(
    design: FloatArray, height_m: FloatArray, east_m: FloatArray, north_m: FloatArray
) -> bool:
    """A first look at points that were sorted out only roughly: quick, and sooner yes than no."""
    if east_m.size < _LEAST_POINTS:
        return True
    q, _ = np.linalg.qr(design)
    e = height_m - q @ (q.T @ height_m)
    return any(_alike(q, e, one, 10 * _CHANCE) for one in _cells(east_m, north_m))


def _cells(east_m: FloatArray, north_m: FloatArray) -> list[IntArray]:
    radius = float(np.max(np.hypot(east_m, north_m)))
    return [cells(east_m, north_m, radius / count) for count in _TEST_CELLS]


def _alike(q: FloatArray, e: FloatArray, labels: IntArray, chance: float) -> bool:
    """Whether means over cells scatter more than independent errors would let them (F-test)."""
    size = np.bincount(labels).astype(np.float64)
    sums = np.column_stack([np.bincount(labels, weights=column) for column in q.T])
    between_dof = size.size - float(np.sum(sums**2 / size[:, None]))
    within_dof = e.size - q.shape[1] - between_dof
    between = float(np.sum(np.bincount(labels, weights=e) ** 2 / size))
    within = float(e @ e) - between
    if between_dof < 1 or within_dof < 1 or within <= 0:
        return within <= 0 < between
    f = (between / between_dof) / (within / within_dof)
    return bool(f > stats.f.isf(chance, between_dof, within_dof))


def fit_lumps(design: FloatArray, height_m: FloatArray, east_m: FloatArray, north_m: FloatArray) -> Lumps:
    """The covariance of the errors, by least squares of all products e_i e_j; see ``neighbours_agree``.

    With M taking the surface out, the products' mean is M Sigma M, which is linear in the two variances;
    the length is the one, of a series, that leaves the least.
    """
    q, _ = np.linalg.qr(design)
    e = height_m - q @ (q.T @ height_m)
    grid = _Grid.over(east_m, north_m)
    n = e.size
    free = float(n - q.shape[1])
    count, surface, error = grid.laid(np.ones(n)), np.array([grid.laid(v) for v in q.T]), grid.laid(e)
    white = float(e @ e)
    best = white**2 / free, Lumps(white / free, 1.0, 0.0, free, 1.0)
    for length in float(np.max(np.hypot(east_m, north_m))) * _LENGTHS:
        smooth = grid.smoothed(surface, length)
        inner = np.tensordot(surface, smooth, ((1, 2), (1, 2)))
        form = float(np.sum(error * grid.smoothed(error, length)))
        # tr(M), tr(M K) and tr(M K M K): a point pair's K K is a Gaussian again, narrower by sqrt(2).
        trace = n - float(np.trace(inner))
        pairs = float(np.sum(count * grid.smoothed(count, length / np.sqrt(2))))
        square = pairs - 2 * float(np.sum(count * smooth**2)) + float(np.sum(inner**2))
        determinant = free * square - trace**2
        if determinant <= 1e-9 * free * square:
            continue
        field = (free * form - trace * white) / determinant
        point = (square * white - trace * form) / determinant
        if point < 0:
            point, field = 0.0, form / square
        explained = point * white + field * form
        if field > 0 and explained > best[0]:
            # Satterthwaite: twice the square of the form's mean over its variance, were the field alone.
            best = explained, Lumps(point, float(length), field, free, max(trace**2 / square, 0.5))
    return best[1]


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Square cells about the middle of the points, fine against any length that is asked for."""

    cell: IntArray
    """(n,) the cell of each point, row by row."""
    centre_m: FloatArray
    """(side,) along either axis."""

    @classmethod
    def over(cls, east_m: FloatArray, north_m: FloatArray) -> _Grid:
        reach = max(float(np.max(np.abs(east_m))), float(np.max(np.abs(north_m))), 1e-6)
        step = 2 * reach / _GRID_SIDE
        column, row = (
            np.clip(np.floor((along_m + reach) / step).astype(np.int64), 0, _GRID_SIDE - 1)
            for along_m in (east_m, north_m)
        )
        centre = np.asarray((np.arange(_GRID_SIDE) + 0.5) * step - reach, dtype=np.float64)
        return cls(row * _GRID_SIDE + column, centre)

    def laid(self, value: FloatArray) -> FloatArray:
        """(side, side) sums of the points' values."""
        side = self.centre_m.size
        laid = np.bincount(self.cell, weights=value, minlength=side**2)
        return np.asarray(laid.reshape(side, side), dtype=np.float64)

    def smoothed(self, laid: FloatArray, length_m: float) -> FloatArray:
        """(..., side, side) sums over all cells, weighted by exp(-(d / length)^2)."""
        apart = (self.centre_m[:, None] - self.centre_m[None, :]) / length_m
        along = np.exp(-(apart**2))
        return np.asarray(along @ laid @ along)
