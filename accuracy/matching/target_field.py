"""A template as fields: which share of each tone a shot at a place sees, and how that changes.

After template, before target_model. The polygons are rasterised once per template; blurring by the
edge width is a multiplication in the frequency domain, and the value at a point comes from the cubic
B-spline that interpolates the blurred raster, whose derivatives are exact. The raster is drawn finer
than it is kept and cut to the kept band, so that an edge lies where it is drawn, not at a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter

from accuracy.matching.template import Template, Tone
from accuracy.model import BoolArray, FloatArray, IntArray

GRID = 256
_FINER = 4
_SUBROWS = 2
_SMALLEST_BLUR_PIXELS = 0.75
"""Below this the band cut shows as ripples of more than half a percent (computed)."""
_MARGIN = 0.25
"""How far from the paint points are still compared, in units of the paint's extent."""
_WINDOW_MARGIN = 1.0
"""The same inside a window that the template sets, in units of the mark's size: what lies beyond the
end of a stripe is what makes it the end."""
_PAD = 1.2
"""Space around the paint, in units of that margin."""


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """Tone shares of a template on a square grid; lengths in units of the mark's size."""

    template: Template
    centre: tuple[float, float]
    half: float
    step: float
    share: FloatArray
    """(tones, GRID, GRID), indexed [tone, row (y up), column]; tones as in template.tones."""
    spectrum: NDArray[np.complex64]
    """Real Fourier transform of the coefficients of the interpolating spline, not yet blurred."""
    frequencies: tuple[FloatArray, FloatArray]
    """Angular frequency of its rows and columns, per unit of the mark's size."""
    distance: FloatArray
    """(GRID, GRID): distance to the nearest paint."""
    edge_distance: FloatArray
    """(GRID, GRID): distance to the nearest change of tone."""
    edges: FloatArray
    """(m, 4): places along the edges, evenly strewn, and the unit normals there."""
    window: BoolArray
    """(GRID, GRID): where points are compared."""
    detail: float
    """Width of the narrowest painted feature."""

    @property
    def reach(self) -> float:
        """Largest distance of a compared place from the origin."""
        rows, columns = np.nonzero(self.window)
        x = self.centre[0] - self.half + (columns + 0.5) * self.step
        y = self.centre[1] - self.half + (rows + 0.5) * self.step
        return float(np.hypot(x, y).max())

    def lookup(
        self, field: FloatArray | BoolArray | IntArray, x: FloatArray, y: FloatArray, outside: float
    ) -> FloatArray:
        """Value of a grid at the nearest pixel; ``outside`` beyond it."""
        column = np.floor((x - self.centre[0] + self.half) / self.step).astype(np.int64)
        row = np.floor((y - self.centre[1] + self.half) / self.step).astype(np.int64)
        inside = (column >= 0) & (column < GRID) & (row >= 0) & (row < GRID)
        values = field[np.clip(row, 0, GRID - 1), np.clip(column, 0, GRID - 1)]
        return np.asarray(np.where(inside, values, outside), dtype=np.float64)

    @property
    def smallest_blur(self) -> float:
        """The narrowest edge that the grid can represent, in units of the mark's size."""
        return _SMALLEST_BLUR_PIXELS * self.step


@lru_cache(maxsize=64)
def raster_of(template: Template) -> Raster:
    """Rasterise a template; kept, because every checkpoint of a job shares a few templates."""
    corners = np.array([p for r in template.regions if r.tone is not Tone.BACKGROUND for p in r.outline])
    if template.window is not None:
        bounds = np.array(template.window)
        corners = np.clip(corners, bounds.min(axis=0), bounds.max(axis=0))
    low, high = corners.min(axis=0), corners.max(axis=0)
    unit = float(np.sqrt(np.prod(high - low)))
    margin = _MARGIN * unit if template.window is None else max(_MARGIN * unit, _WINDOW_MARGIN)
    half = float((high - low).max()) / 2 + _PAD * margin
    centre = (float(low[0] + high[0]) / 2, float(low[1] + high[1]) / 2)
    step = 2 * half / GRID
    fine = _rasterise(template, centre, half)
    share = fine.reshape(len(fine), GRID, _FINER, GRID, _FINER).mean(axis=(2, 4))
    paint = share[0] < 0.5
    distance = distance_transform_edt(~paint) * step
    window = np.asarray(distance <= margin)
    if template.window is not None:
        window &= _inside(template.window, centre, half)
    label = share.argmax(axis=0)
    same = np.ones_like(paint)
    for axis in (0, 1):
        change = np.diff(label, axis=axis) != 0
        edge = [slice(None), slice(None)]
        edge[axis] = slice(0, -1)
        same[tuple(edge)] &= ~change
        edge[axis] = slice(1, None)
        same[tuple(edge)] &= ~change
    rows: FloatArray = np.asarray(2 * np.pi * np.fft.fftfreq(GRID), dtype=np.float64)
    columns: FloatArray = np.asarray(2 * np.pi * np.fft.rfftfreq(GRID), dtype=np.float64)
    narrowest = [
        2 * float(distance_transform_edt(label == k).max()) * step for k in range(1, len(template.tones))
    ]
    return Raster(
        template=template,
        centre=centre,
        half=half,
        step=step,
        share=share,
        spectrum=_spline_spectrum(fine, rows, columns),
        frequencies=(rows / step, columns / step),
        distance=distance,
        edge_distance=distance_transform_edt(same) * step,
        edges=_edges(share, window & ~same, centre, half),
        window=window,
        detail=min(narrowest),
    )


_EDGE_SAMPLES = 240


def _edges(share: FloatArray, at: BoolArray, centre: tuple[float, float], half: float) -> FloatArray:
    """Places and normals (m, 4) along the changes of tone."""
    slope_y, slope_x = np.gradient(gaussian_filter(share, (0, 2, 2)), axis=(1, 2))
    rows, columns = np.nonzero(at)
    pick = np.arange(0, len(rows), max(1, len(rows) // _EDGE_SAMPLES))
    rows, columns = rows[pick], columns[pick]
    gx, gy = slope_x[:, rows, columns], slope_y[:, rows, columns]
    direction = 0.5 * np.arctan2(2 * (gx * gy).sum(axis=0), (gx**2 - gy**2).sum(axis=0))
    step = 2 * half / GRID
    return np.column_stack(
        (
            centre[0] - half + (columns + 0.5) * step,
            centre[1] - half + (rows + 0.5) * step,
            np.cos(direction),
            np.sin(direction),
        )
    )


def _spline_spectrum(fine: FloatArray, rows: FloatArray, columns: FloatArray) -> NDArray[np.complex64]:
    """The kept band of the fine raster, as coefficients of the interpolating cubic B-spline."""
    spectrum = scipy.fft.rfft2(fine)[:, :, : GRID // 2 + 1] / _FINER**2
    spectrum = np.concatenate((spectrum[:, : GRID // 2], spectrum[:, -(GRID // 2) :]), axis=1)
    for frequency, axis in ((rows, 1), (columns, 2)):
        # Fine pixel k has its middle at (k + 1/2) / 4 kept pixels; kept pixels at k + 1/2.
        shift = np.exp(-1j * frequency * (0.5 / _FINER - 0.5))
        box = np.sinc(frequency / (2 * np.pi * _FINER))
        sampled_spline = (4 + 2 * np.cos(frequency)) / 6
        factor = shift / (box * sampled_spline)
        spectrum *= np.expand_dims(factor, axis=(0, 3 - axis))
    return np.asarray(spectrum, dtype=np.complex64)


def _rasterise(template: Template, centre: tuple[float, float], half: float) -> FloatArray:
    """Area share of each tone per pixel: exact along rows, sampled at sub-rows across them."""
    tones = template.tones
    count = GRID * _FINER
    step = 2 * half / count
    share = np.zeros((len(tones), count, count))
    outlines = [(tones.index(region.tone), np.array(region.outline)) for region in template.regions]
    edges = np.linspace(-half, half, count + 1) + centre[0]
    for row in range(count * _SUBROWS):
        y = centre[1] - half + (row + 0.5) * step / _SUBROWS
        spans = [(tone, _crossings(outline, y)) for tone, outline in outlines]
        cuts = np.unique(np.concatenate([span for _, span in spans] + [edges[[0, -1]]]))
        cuts = cuts[(cuts >= edges[0]) & (cuts <= edges[-1])]
        middle = (cuts[:-1] + cuts[1:]) / 2
        tone_at = np.zeros(len(middle), dtype=np.int64)
        for tone, span in spans:
            tone_at[np.searchsorted(span, middle) % 2 == 1] = tone
        for tone in range(1, len(tones)):
            covered = np.concatenate(([0.0], np.cumsum(np.where(tone_at == tone, np.diff(cuts), 0.0))))
            share[tone, row // _SUBROWS] += np.diff(np.interp(edges, cuts, covered)) / (step * _SUBROWS)
    share[0] = 1.0 - share[1:].sum(axis=0)
    return share


def _crossings(outline: FloatArray, y: float) -> FloatArray:
    """Where a horizontal line crosses a polygon, sorted (even-odd rule)."""
    x0, y0 = outline.T
    x1, y1 = np.roll(outline, -1, axis=0).T
    hit = (y0 <= y) != (y1 <= y)
    return np.sort(x0[hit] + (y - y0[hit]) * (x1[hit] - x0[hit]) / (y1[hit] - y0[hit]))


def _inside(outline: tuple[tuple[float, float], ...], centre: tuple[float, float], half: float) -> BoolArray:
    step = 2 * half / GRID
    middle = -half + (np.arange(GRID) + 0.5) * step
    rows = [
        np.searchsorted(_crossings(np.array(outline), centre[1] + y), centre[0] + middle) % 2 == 1
        for y in middle
    ]
    return np.array(rows)


# --------------------------------------------------------------------------- blurred, at points


@dataclass(frozen=True, slots=True, eq=False)
class ToneField:
    """Blurred tone shares as spline coefficients."""

    raster: Raster
    blur: float
    """Standard deviation of the whole blur, in units of the mark's size."""
    coefficients: NDArray[np.float32]
    """(tones - 1, GRID * GRID): background is what remains."""

    def at(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Shares and their x and y derivatives and Laplacian, each (tones, n), at x, y (n,)."""
        raster = self.raster
        column = (x - raster.centre[0] + raster.half) / raster.step - 0.5
        row = (y - raster.centre[1] + raster.half) / raster.step - 0.5
        inside = (column >= 1) & (column < GRID - 2) & (row >= 1) & (row < GRID - 2)
        column = np.where(inside, column, 1.0)
        row = np.where(inside, row, 1.0)
        first_column, first_row = np.floor(column).astype(np.int64), np.floor(row).astype(np.int64)
        wx, dx, ddx = _spline(column - first_column)
        wy, dy, ddy = _spline(row - first_row)
        base = (first_row - 1) * GRID + first_column - 1
        k = len(self.coefficients)
        out = np.zeros((4, k + 1, len(x)))
        for j in range(4):
            for tone in range(k):
                c = self.coefficients[tone]
                place = base + j * GRID
                c0, c1, c2, c3 = c[place], c[place + 1], c[place + 2], c[place + 3]
                along = wx[0] * c0 + wx[1] * c1 + wx[2] * c2 + wx[3] * c3
                out[0, tone + 1] += wy[j] * along
                out[1, tone + 1] += wy[j] * (dx[0] * c0 + dx[1] * c1 + dx[2] * c2 + dx[3] * c3)
                out[2, tone + 1] += dy[j] * along
                out[3, tone + 1] += ddy[j] * along + wy[j] * (
                    ddx[0] * c0 + ddx[1] * c1 + ddx[2] * c2 + ddx[3] * c3
                )
        out[:, 1:] *= inside
        out[1:3] /= raster.step
        out[3] /= raster.step**2
        out[1:, 0] = -out[1:, 1:].sum(axis=1)
        np.clip(out[0, 1:], 0.0, 1.0, out=out[0, 1:])
        out[0, 0] = np.clip(1.0 - out[0, 1:].sum(axis=0), 0.0, 1.0)
        return out[0], out[1], out[2], out[3]


def _spline(t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weights of the four cubic B-splines over a fraction t, and their two derivatives, (4, n)."""
    r = 1.0 - t
    weight = np.stack([r**3, 3 * t**3 - 6 * t**2 + 4, 3 * r**3 - 6 * r**2 + 4, t**3]) / 6
    slope = np.stack([-(r**2), 3 * t**2 - 4 * t, -(3 * r**2 - 4 * r), t**2]) / 2
    curve = np.stack([r, 3 * t - 2, 3 * r - 2, t])
    return weight, slope, curve


def blurred(raster: Raster, blur: float) -> ToneField:
    """The tone shares blurred by a Gaussian of standard deviation ``blur`` (units of the mark's size)."""
    along_rows, along_columns = (
        np.exp(-0.5 * (blur * frequency) ** 2).astype(np.float32) for frequency in raster.frequencies
    )
    # Single precision: shares to 1e-6, a thousandth of what decides anything, in half the time.
    kernel = along_rows[:, None] * along_columns[None]
    values = scipy.fft.irfft2(raster.spectrum[1:] * kernel, s=(GRID, GRID))
    return ToneField(raster=raster, blur=blur, coefficients=values.reshape(len(values), -1))
