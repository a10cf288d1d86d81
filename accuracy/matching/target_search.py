"""Where a mark may lie: correlation of the template with the points over every shift and turn.

After target_field, before target_fit. For every shift on a grid and every turn, the values inside
the template's window are split by tone and the share of their variance that the tones explain is
taken (the squared correlation of a piecewise constant model). All sums are convolutions. It is
indifferent to brightness and contrast, and cells without points do not count against it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft
from scipy.ndimage import maximum_filter

from accuracy.matching.target_field import Raster, blurred
from accuracy.matching.template import Polarity, Template, Tone
from accuracy.model import BoolArray, FloatArray

_TURN_STEP_DEGREES = 7.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One place where the template fits better than around it."""

    x_m: float
    y_m: float
    rotation_rad: float
    explained: float
    """Share of the variance inside the window that the tones explain, 0 to 1."""


@dataclass(frozen=True, slots=True, eq=False)
class _Turned:
    """A template on the search's cells at every turn: spectra of its tone masks."""

    turns: FloatArray
    masks: FloatArray
    """(turns, tones, side, side)"""
    cell: float
    """In units of the mark's size."""


def symmetry_of(raster: Raster) -> int:
    """How many turns in a circle look the same; 0 for a mark that looks the same at any turn."""
    if _same_turned(raster, 2 * np.pi / 7) and _same_turned(raster, 2 * np.pi / 11):
        return 0
    return next((n for n in (12, 8, 6, 5, 4, 3, 2) if _same_turned(raster, 2 * np.pi / n)), 1)


def _same_turned(raster: Raster, turn: float) -> bool:
    field = blurred(raster, 4 * raster.step)
    rows, columns = np.nonzero(raster.window[::4, ::4])
    x = np.asarray(raster.centre[0] - raster.half + (4 * columns + 0.5) * raster.step, dtype=np.float64)
    y = np.asarray(raster.centre[1] - raster.half + (4 * rows + 0.5) * raster.step, dtype=np.float64)
    c, s = np.cos(turn), np.sin(turn)
    return bool(np.abs(field.at(x, y)[0] - field.at(c * x - s * y, s * x + c * y)[0]).mean() < 0.01)


@lru_cache(maxsize=64)
def _turned(raster: Raster) -> _Turned:
    symmetry = symmetry_of(raster)
    circle = 360.0 / symmetry if symmetry else 0.0
    count = max(1, int(np.ceil(circle / _TURN_STEP_DEGREES)))
    turns = np.radians(np.arange(count) * circle / count)
    cell = float(np.clip(raster.detail / 2.5, raster.reach / 14, raster.reach / 7))
    reach = int(np.ceil(raster.reach / cell)) + 1
    middle = np.arange(-reach, reach + 1) * cell
    x, y = (grid.ravel() for grid in np.meshgrid(middle, middle))
    field = blurred(raster, max(0.35 * cell, raster.smallest_blur))
    masks = np.empty((count, len(raster.template.tones), len(middle), len(middle)))
    for number, turn in enumerate(turns):
        c, s = np.cos(turn), np.sin(turn)
        u, v = c * x + s * y, -s * x + c * y
        share = field.at(u, v)[0] * raster.lookup(raster.window, u, v, 0.0)
        masks[number] = share.reshape(masks.shape[1:])
    return _Turned(turns, masks, cell)


def candidates(
    raster: Raster,
    size_m: float,
    x_m: FloatArray,
    y_m: FloatArray,
    value: FloatArray,
    radius_m: float,
    most: int,
) -> list[Candidate]:
    """The best places within ``radius_m`` of the origin, best first; points (n,) in the local plane."""
    turned = _turned(raster)
    cell = turned.cell * size_m
    reach = (turned.masks.shape[-1] - 1) // 2
    search = int(np.ceil(radius_m / cell))
    half = search + reach
    side = 2 * half + 1
    column, row = np.rint(x_m / cell).astype(np.int64) + half, np.rint(y_m / cell).astype(np.int64) + half
    keep = (column >= 0) & (column < side) & (row >= 0) & (row < side)
    if not keep.any():
        return []
    low, high = np.percentile(value[keep], [1, 99])
    clipped = np.clip(value[keep], low, high)
    clipped = clipped - clipped.mean()
    place = row[keep] * side + column[keep]
    weights = (np.ones(len(place)), clipped, clipped**2)
    sums = [np.bincount(place, weights=weight, minlength=side * side) for weight in weights]
    maps = np.asarray(sums, dtype=np.float64).reshape(3, side, side)
    found = _explained(turned, maps, raster.template, search)
    best_turn = found.argmax(axis=0)
    best = np.take_along_axis(found, best_turn[None], axis=0)[0]
    shift = np.arange(-search, search + 1) * cell
    best = np.where(np.hypot(shift[:, None], shift[None]) <= radius_m + cell, best, 0.0)
    around = max(3, 2 * round(0.12 * reach) + 1)
    peaks = np.argwhere((best == maximum_filter(best, size=around)) & (best > 0.05))
    order = np.argsort(-best[tuple(peaks.T)])[:most]
    return [
        Candidate(
            x_m=float(shift[j]),
            y_m=float(shift[i]),
            rotation_rad=float(turned.turns[best_turn[i, j]]),
            explained=float(best[i, j]),
        )
        for i, j in peaks[order]
    ]


def _explained(turned: _Turned, maps: FloatArray, template: Template, search: int) -> FloatArray:
    """(turns, shifts, shifts): share of variance explained by the tones at every turn and shift."""
    tones = turned.masks.shape[1]
    shape = (scipy.fft.next_fast_len(maps.shape[1]),) * 2
    map_spectra = scipy.fft.rfft2(maps, s=shape)
    mask_spectra = np.conj(scipy.fft.rfft2(turned.masks, s=shape))
    keep = 2 * search + 1
    n, total = (
        np.maximum(scipy.fft.irfft2(map_spectra[which] * mask_spectra, s=shape)[..., :keep, :keep], low)
        for which, low in ((0, 0.0), (1, -np.inf))
    )
    squares = scipy.fft.irfft2(map_spectra[2] * mask_spectra.sum(axis=1), s=shape)[:, :keep, :keep]
    all_n = n.sum(axis=1)
    enough = np.maximum(n, 1e-9)
    mean = total / enough
    between = (total * mean).sum(axis=1) - total.sum(axis=1) ** 2 / np.maximum(all_n, 1e-9)
    whole = squares - total.sum(axis=1) ** 2 / np.maximum(all_n, 1e-9)
    # A tone with hardly a point explains whatever those points happen to be.
    seen = n >= np.maximum(
        2.0, 0.25 * turned.masks.sum(axis=(2, 3))[:, :, None, None] * _points_per_cell(maps)
    )
    good: BoolArray = seen.all(axis=1) & (whole > 1e-12)
    explained = np.where(good, between / np.maximum(whole, 1e-12), 0.0)
    if Tone.LIGHT in template.tones and (template.polarity is Polarity.LIGHT or tones == 3):
        light = template.tones.index(Tone.LIGHT)
        others = np.delete(mean, light, axis=1).max(axis=1)
        # Three tones: light and dark change places at a quarter turn, so their order is only a name.
        reference = mean[:, template.tones.index(Tone.DARK)] if tones == 3 else others
        explained = np.where(mean[:, light] > reference, explained, 0.0)
    return explained


def _points_per_cell(maps: FloatArray) -> float:
    occupied = maps[0] > 0
    return float(maps[0][occupied].mean() * min(1.0, 1.5 * occupied.mean())) if occupied.any() else 0.0
