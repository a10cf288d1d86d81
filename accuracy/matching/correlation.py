"""How far neighbouring points share their errors, and what that does to a mean over them.

Points on one scan line share the pose error of that instant; points side by side share the texture
of the ground. Counting them as independent makes an uncertainty too small. Here the variance of the
residuals is split among the single point and the groups (scan line, cell, pass) by the method of
moments for random effects (Henderson 1953, Biometrics 9, 226-252), and the split is carried through
the fit. Pure functions on arrays; used by ``surface``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from accuracy.model import FloatArray, IntArray

_SHORTEST_GAP_S = 1e-6  # times stored as seconds since 2011 resolve no better than this
_LONGEST_LINE_GAP_S = 2.0  # two sweeps of one pass over one spot are closer in time than this
_LEAST_RATIO = 4.0  # gaps between lines against gaps within lines, to call them lines at all
_LEAST_WITHIN = 0.3
_CHANCE = 0.2
PASS_GAP_S = 10.0
"""A break in the time of the points longer than this starts another pass (judgement)."""


@dataclass(frozen=True, slots=True, eq=False)
class Components:
    """Variances of the single point and of each kind of group, and their degrees of freedom."""

    groupings: tuple[IntArray, ...]
    """(n,) labels 0 .. G-1 of each kind."""
    point_m2: float
    group_m2: tuple[float, ...]
    point_dof: float
    group_dof: tuple[float, ...]

    @property
    def least_dof(self) -> float:
        """Degrees of freedom of the component that is known worst, of those that are there."""
        there = [free for value, free in zip(self.group_m2, self.group_dof, strict=True) if value > 0]
        return min([*there, self.point_dof])

    def variance(self, share: FloatArray) -> tuple[float, float]:
        """Variance of sum(share * height), m2, and its degrees of freedom (GUM G.4.1)."""
        parts = [self.point_m2 * float(share @ share)]
        dof = [self.point_dof]
        for variance, labels, free in zip(self.group_m2, self.groupings, self.group_dof, strict=True):
            if variance > 0:
                parts.append(variance * float(np.sum(np.bincount(labels, weights=share) ** 2)))
                dof.append(free)
        total = sum(parts)
        if total <= 0:
            return 0.0, self.point_dof
        return total, total**2 / sum(part**2 / max(free, 1.0) for part, free in zip(parts, dof, strict=True))

    def covariance(self, matrix: FloatArray) -> FloatArray:
        """(q, q) covariance of ``matrix`` (q, n) @ heights."""
        total = self.point_m2 * (matrix @ matrix.T)
        for variance, labels in zip(self.group_m2, self.groupings, strict=True):
            if variance > 0:
                summed = np.array([np.bincount(labels, weights=row) for row in matrix])
                total = total + variance * (summed @ summed.T)
        return np.asarray(total)

    def beside(self, design: FloatArray, residual_m: FloatArray) -> Components:
        """The same groups' where (n, p) other columns were fitted."""
        return variance_components(design, residual_m, self.groupings)


def variance_components(
    design: FloatArray, residual_m: FloatArray, groupings: Sequence[IntArray]
) -> Components:
    """Split the residuals' variance among single points and groups; no component is negative.

    Args:
        design: (n, p) the columns that were fitted.
        residual_m: (n,) residuals of that fit (projected again, so any origin is allowed).
        groupings: each (n,) labels 0 .. G-1.
    """
    n, p = design.shape
    q, _ = np.linalg.qr(design)
    e = residual_m - q @ (q.T @ residual_m)
    sums = [_Grouping.of(labels, q) for labels in groupings]
    k = len(sums)
    forms = np.empty(k + 1)
    expected = np.empty((k + 1, k + 1))
    forms[0] = e @ e
    expected[0, 0] = n - p
    for i, a in enumerate(sums, start=1):
        forms[i] = np.sum(np.bincount(a.labels, weights=e, minlength=a.size.size) ** 2 / a.size)
        expected[i, 0] = a.size.size - np.sum(a.sums**2 / a.size[:, None])
        expected[0, i] = n - np.sum(a.sums**2)
        for j, b in enumerate(sums, start=1):
            cross = -a.sums @ b.sums.T
            np.add.at(cross, (a.labels, b.labels), 1.0)
            expected[i, j] = np.sum(cross**2 / a.size[:, None])
    # A group's mean square that chance alone gives one time in five says nothing: kept, such groups
    # would only ever add, and an uncertainty of independent points would come out too large.
    told = [0]
    for i in range(1, k + 1):
        between = forms[i] / max(expected[i, 0], 1e-9)
        within = max(forms[0] - forms[i], 0.0) / max(n - p - expected[i, 0], 1e-9)
        if between > within * stats.f.isf(
            _CHANCE, max(expected[i, 0], 0.5), max(n - p - expected[i, 0], 0.5)
        ):
            told.append(i)
    # Each moment weighs by its own scatter under independent errors.
    row = 1 / np.sqrt(np.maximum(2 * expected[:, 0], 1e-9))
    unit = max(forms[0] / max(n - p, 1), 1e-18)
    solution = np.zeros(k + 1)
    some = np.ix_(told, told)
    solution[told], _ = optimize.nnls(expected[some] * row[told][:, None], forms[told] / unit * row[told])
    group_dof = tuple(float(max(v, 0.5)) for v in expected[1:, 0])
    point_dof = float(max(n - p - sum(expected[1:, 0]), 1.0))
    return Components(
        groupings=tuple(groupings),
        point_m2=float(solution[0] * unit),
        group_m2=tuple(float(v * unit) for v in solution[1:]),
        point_dof=point_dof,
        group_dof=group_dof,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Grouping:
    labels: IntArray
    size: FloatArray
    sums: FloatArray

    @classmethod
    def of(cls, labels: IntArray, q: FloatArray) -> _Grouping:
        size = np.bincount(labels).astype(np.float64)
        sums = np.column_stack([np.bincount(labels, weights=column) for column in q.T]).astype(np.float64)
        return cls(labels, size, sums)


def inflation(dof: float) -> float:
    """Variance of Student's t: what a standard uncertainty from few degrees of freedom is worth.

    nu / (nu - 2), JCGM 101:2008, 6.4.9.2 (t-distribution assigned to a mean), from memory. Held at
    nu = 4 below: at 2 no variance exists.
    """
    nu = max(dof, 4.0)
    return nu / (nu - 2)


def time_passes(time_s: FloatArray, source_id: IntArray) -> IntArray:
    """(n,) labels 0 .. of passes: another source, or a break in the time of one source."""
    order = np.lexsort((time_s, source_id))
    starts = np.zeros(order.size, dtype=np.int64)
    step = (np.diff(source_id[order]) != 0) | (np.diff(time_s[order]) > PASS_GAP_S)
    starts[1:] = np.cumsum(step)
    labels = np.empty_like(starts)
    labels[order] = starts
    return labels


def pass_contrasts(passes: IntArray, k: int) -> FloatArray:
    """(n, k-1) effect coding of labels 0 .. k-1: the first parameter stays the plain mean over passes."""
    columns = np.zeros((passes.size, max(k - 1, 0)))
    for j in range(k - 1):
        columns[passes == j, j] = 1.0
        columns[passes == k - 1, j] = -1.0
    return columns


def scan_lines(time_s: FloatArray, passes: IntArray) -> IntArray | None:
    """(n,) labels of scan lines from bursts of time within each pass; None where times show none.

    The beam sweeps the patch in a burst and comes back a turn later: sorted gaps of time fall into
    two heaps, and the widest step between successive sorted gaps parts them.
    """
    order = np.lexsort((time_s, passes))
    gap = np.diff(time_s[order])
    same = (np.diff(passes[order]) == 0) & (gap <= _LONGEST_LINE_GAP_S)
    inner = np.sort(np.maximum(gap[same], _SHORTEST_GAP_S))
    if inner.size < 3:
        return None
    ratio = inner[1:] / inner[:-1]
    # A line holds more than one point on average, so a good share of the gaps is within lines.
    ratio[: int(_LEAST_WITHIN * inner.size)] = 0.0
    widest = int(np.argmax(ratio))
    if ratio[widest] < _LEAST_RATIO:
        return None
    limit = float(np.sqrt(inner[widest] * inner[widest + 1]))
    starts = np.zeros(order.size, dtype=np.int64)
    starts[1:] = np.cumsum((gap > limit) | (np.diff(passes[order]) != 0))
    labels = np.empty_like(starts)
    labels[order] = starts
    return labels


def cells(east_m: FloatArray, north_m: FloatArray, side_m: float) -> IntArray:
    """(n,) labels of square cells of that side."""
    column = np.floor(east_m / side_m).astype(np.int64)
    row = np.floor(north_m / side_m).astype(np.int64)
    _, labels = np.unique(column * 1_000_003 + row, return_inverse=True)
    return np.asarray(labels, dtype=np.int64)


def strips(
    east_m: FloatArray, north_m: FloatArray, residual_m: FloatArray, *, directions: int = 36, count: int = 10
) -> IntArray | None:
    """(n,) labels of parallel strips along the direction in which points share errors; None if none.

    Stands in for scan lines where the cloud carries no times. A direction is believed only where the
    strips' means differ more than chance allows in one direction of all those tried (F-test).
    """
    n = east_m.size
    best: tuple[float, IntArray] | None = None
    for k in range(directions):
        angle = np.pi * k / directions
        across = east_m * np.sin(angle) + north_m * np.cos(angle)
        low, high = float(np.min(across)), float(np.max(across))
        labels = np.minimum(((across - low) / max(high - low, 1e-12) * count).astype(np.int64), count - 1)
        _, labels = np.unique(labels, return_inverse=True)
        size = np.bincount(labels)
        groups = size.size
        if n - groups < 20:
            return None
        between = float(np.sum(np.bincount(labels, weights=residual_m) ** 2 / size))
        within = float(residual_m @ residual_m) - between
        if within <= 0:
            return None
        f = (between / (groups - 1)) / (within / (n - groups))
        if f > stats.f.isf(1 / directions, groups - 1, n - groups) and (best is None or f > best[0]):
            best = (f, np.asarray(labels, dtype=np.int64))
    return None if best is None else best[1]
