"""How much independent evidence a correlated series holds. Used by the alignment's covariance.

Positioning errors last: neighbouring epochs repeat them. The autocovariance of a series is modelled
as white noise plus a sum of decaying exponentials (first-order Gauss-Markov processes) with
non-negative weights, fitted to the sample autocovariance corrected for the mean that was removed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.optimize import nnls

from accuracy.model import BoolArray, FloatArray, IntArray

_LARGEST_PAUSE = 200  # grid cells: a longer gap is cut to this, its ends are independent anyway
_TIME_CONSTANTS = 14
_LAGS = 40


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Epochs on a regular grid of time: which cell each takes."""

    cell: IntArray
    cells: int

    def spread(self, values: FloatArray) -> FloatArray:
        """(n, ...) values at epochs -> (cells, ...), 0 where there is no epoch."""
        out = np.zeros((self.cells, *values.shape[1:]))
        np.add.at(out, self.cell, values)
        return out


def regular_grid(time_s: FloatArray) -> Grid:
    """A grid of the median interval; long gaps shortened, since nothing correlates across them."""
    dt = np.diff(time_s)
    step = float(np.median(dt)) if dt.size else 1.0
    jumps = np.clip(np.round(dt / step), 1, _LARGEST_PAUSE).astype(np.int64)
    cell = np.concatenate([[0], np.cumsum(jumps)]).astype(np.int64)
    return Grid(cell, int(cell[-1]) + 1)


def lagged_products(left: FloatArray, right: FloatArray) -> FloatArray:
    """(cells,) sums over i of left[i] right[i + k], both signs of k added, by lag k >= 0."""
    size = next_fast_len(2 * left.shape[0], real=True)
    one, other = rfft(left, size), rfft(right, size)
    both = np.asarray(irfft(np.conj(one) * other + np.conj(other) * one, size))[: left.shape[0]]
    both[0] /= 2  # lag 0 has no second sign
    return both


def autocovariance_model(series: FloatArray, present: BoolArray) -> FloatArray:
    """(cells,) modelled autocovariance by lag of gridded series that share one model.

    Args:
        series: (components, cells) values, means not yet removed; 0 where absent.
        present: (cells,) where there is an epoch.
    """
    cells, n = series.shape[1], int(present.sum())
    mask = present.astype(np.float64)
    centred = np.where(present, series - series[:, present].mean(axis=1, keepdims=True), 0.0)
    pairs = np.maximum(np.round(lagged_products(mask, mask)), 0.0)
    sums = np.mean([lagged_products(one, one) for one in centred], axis=0)
    usable = np.unique(np.geomspace(1, max(cells // 3, 2), _LAGS).astype(np.int64)) - 1
    usable = usable[(pairs[usable] > 0) & (usable < cells)]
    sample = sums[usable] / pairs[usable]
    lags = np.arange(cells, dtype=np.float64)
    constants = np.geomspace(1.0, max(cells / 4, 2.0), _TIME_CONSTANTS)
    shapes = np.vstack([lags == 0, *(np.exp(-lags / constant) for constant in constants)])
    # The removed mean takes its own variance out of every lag of the sample.
    of_mean = shapes @ pairs / n**2
    design = (shapes[:, usable] - of_mean[:, None]).T
    # Lags with more pairs are known better; the lowest lags carry the size.
    weight = np.sqrt(pairs[usable] / pairs[0])
    amounts, _ = nnls(design * weight[:, None], sample * weight)
    return np.asarray(amounts @ shapes)


def correlated_sum(design: FloatArray, series: FloatArray, time_s: FloatArray) -> tuple[FloatArray, float]:
    """Covariance of the sums of design times series, correlation along time considered.

    Args:
        design: (n, components, p) what each parameter takes from each epoch.
        series: (n, components) the series that are summed, e.g. weighted residuals; the components
            are independent and share one autocovariance.
        time_s: (n,) strictly increasing.

    Returns: (p, p) covariance, and the effective number of epochs for a mean.
    """
    grid = regular_grid(time_s)
    present = np.zeros(grid.cells, dtype=np.bool_)
    present[grid.cell] = True
    covariance_by_lag = autocovariance_model(grid.spread(series).T, present)
    spread = grid.spread(design)
    p = design.shape[2]
    out = np.zeros((p, p))
    for i in range(p):
        for j in range(i, p):
            products = sum(lagged_products(spread[:, c, i], spread[:, c, j]) for c in range(series.shape[1]))
            out[i, j] = out[j, i] = products @ covariance_by_lag
    n = time_s.shape[0]
    mask = present.astype(np.float64)
    of_mean = float(lagged_products(mask, mask) @ covariance_by_lag) / n**2
    effective = covariance_by_lag[0] / of_mean if of_mean > 0 else float(n)
    return out, float(np.clip(effective, 1.0, n))
