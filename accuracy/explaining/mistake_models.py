"""Competing explanations of residuals, each fitted in closed form and weighed. Numbers only.

An explanation is linear: ``residual = offset + columns @ parameters + noise``. All explanations of one
sample are held against the same noise models: independent, or partly shared along the drive with a
correlation that falls off exponentially, since a rig's own wander must not pass for a mistake. The
likelihood of each, less the price of its parameters (Schwarz 1978, with the small-sample term of
Hurvich and Tsai 1989) and of the points set aside, is its deviance: the smallest explains best.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from accuracy.model import BoolArray, FloatArray

# Noise shared along the drive: share of the variance and correlation length. The first is white.
_NOISE = ((0.0, 0.0), (0.5, 60.0), (0.5, 150.0), (0.5, 400.0), (0.85, 60.0), (0.85, 150.0), (0.85, 400.0))
_CALIBRATION_M = 0.006
"""What a good calibration leaves as a constant, one standard deviation (common practice, no source)."""
_LEAST_SIGMA_M = 0.0005
_PRICE_PER_PARAMETER = 2.0
"""Beyond Schwarz's: the simpler of two explanations that do about as well is preferred."""
_STRAY = 4.5
"""Robust deviations from which a point may be set aside: about as far as the price of doing so pays."""
_STRAY_SHARE = 0.15
_STRAY_RANGE_M = 10.0
"""A stray is taken to be anywhere within this."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sample:
    """Residuals of n checkpoints in c components (1: heights; 2: easting and northing)."""

    ids: tuple[str, ...]
    position_m: FloatArray
    """(n, 2) plan positions about their mean."""
    residual_m: FloatArray
    """(n, c)"""
    uncertainty_m: FloatArray
    """(n,) standard uncertainty per component; a fallback where none is stated."""
    wander_m: float = 0.02
    """Errors shared along the drive that are ordinary, one standard deviation: 2 cm for a rig with a good
    fix (common practice, no source). A larger wander must pay for itself."""

    def __len__(self) -> int:
        return int(self.residual_m.shape[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explanation:
    """One explanation, before it is fitted."""

    name: str
    offset_m: FloatArray | None = None
    """(n, c) what it predicts without any parameter; None for nothing."""
    columns: FloatArray | None = None
    """(n, c, k) residual per unit of each parameter, scaled so that parameters are metres; None for none."""
    price: float = 0.0
    """Further price on the scale of the deviance: twice the log of the number of ways it could be."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """An explanation held against a sample."""

    explanation: Explanation
    parameters_m: FloatArray
    """(k,)"""
    standard_error_m: FloatArray
    """(k,)"""
    left_m: FloatArray
    """(n, c) residuals once the explanation is taken away."""
    stray: BoolArray
    """(n,) points set aside."""
    scale_m: float
    """Root mean square per component of what is left, strays apart."""
    deviance: float
    deviance_with_all: float
    """The same with no point set aside."""

    @property
    def name(self) -> str:
        """Of the explanation."""
        return self.explanation.name


@dataclass(slots=True, eq=False)
class Weighing:
    """A sample with its noise models, against which any number of explanations can be fitted."""

    sample: Sample
    _whitened: dict[bytes, tuple[FloatArray, FloatArray]] = field(default_factory=dict)

    def fit(self, explanation: Explanation) -> Fit:
        """The best fit, with or without setting strays aside."""
        n, c = self.sample.residual_m.shape
        y = self.sample.residual_m - (0.0 if explanation.offset_m is None else explanation.offset_m)
        x = np.zeros((n, c, 0)) if explanation.columns is None else explanation.columns
        everyone = np.ones(n, dtype=bool)
        whole = self._deviance(y, x, everyone)
        best, kept = whole, everyone
        order = self._strays(y, x)
        for count in sorted({1, order.size}) if order.size else ():
            keep = everyone.copy()
            keep[order[:count]] = False
            # A column that only strays carry is no column any more: its parameter has no estimate.
            if not (x[keep] != 0).any(axis=(0, 1)).all():
                continue
            fitted = self._deviance(y, x, keep)
            if fitted[0] < best[0]:
                best, kept = fitted, keep
        deviance, parameters, error = best
        left = y - x @ parameters
        return Fit(
            explanation=explanation,
            parameters_m=parameters,
            standard_error_m=error,
            left_m=left,
            stray=~kept,
            scale_m=float(np.sqrt(np.mean(left[kept] ** 2))),
            deviance=deviance + explanation.price,
            deviance_with_all=whole[0] + explanation.price,
        )

    def _strays(self, y: FloatArray, x: FloatArray) -> np.ndarray:
        """Indices of points that stand far off a least-absolute fit, farthest first."""
        n, c, k = x.shape
        most = max(1, int(_STRAY_SHARE * n))
        if n - most < k + 3:
            return np.zeros(0, dtype=np.int64)
        size = np.sqrt(np.mean((y - x @ _least_absolute(y, x)) ** 2, axis=1))
        # Consistent for the normal: median of |z|, and of the root mean square of two.
        scale = (1.4826 if c == 1 else 1.2011) * float(np.median(size)) * np.sqrt(n / max(n - k / c, 1.0))
        far = np.flatnonzero(size > _STRAY * max(scale, _LEAST_SIGMA_M))
        return far[np.argsort(-size[far], kind="stable")][:most]

    def _deviance(
        self, y: FloatArray, x: FloatArray, keep: BoolArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """Deviance, parameters and their standard errors under the noise model that suits best."""
        whiten, log_determinant = self._whiteners(keep)
        n, c, k = x[keep].shape
        size, models = n * c, len(_NOISE)
        flat_y = (whiten @ y[keep]).reshape(models, size)
        # What a calibration leaves is a constant per component that every explanation may have.
        constant = np.broadcast_to(np.eye(c), (n, c, c))
        both = np.concatenate([x[keep], constant], axis=2)
        flat_x = (whiten @ both.reshape(n, c * (k + c))).reshape(models, size, k + c)
        normal = np.swapaxes(flat_x, 1, 2) @ flat_x
        moment = np.swapaxes(flat_x, 1, 2) @ flat_y[..., None]
        total = np.sum(flat_y**2, axis=1)
        information = np.diagonal(normal, axis1=1, axis2=2)[:, k:]
        share = np.array([one for one, _ in _NOISE])
        # The constant is held by its spread, in units of the noise; the noise is found by turns, once
        # from a constant held fast and once from a free one.
        variance = np.stack([total, _rss(normal, moment, total, 0.0, k)]) / size
        deviance, parameters, error = np.inf, np.zeros(k), np.zeros(k)
        for start in (0, 1) * 3:
            noise = np.maximum(variance[start], _LEAST_SIGMA_M**2)
            held = noise / _CALIBRATION_M**2
            left = _rss(normal, moment, total, held, k)
            tried = (
                left / noise
                + size * np.log(2 * np.pi * noise)
                + c * log_determinant
                + np.sum(np.log1p(information / held[:, None]), axis=1)
                + share * noise / self.sample.wander_m**2
            )
            # Where the bracket above is least: a quadratic equation, for a wander that must pay for itself.
            dear = share / self.sample.wander_m**2
            variance[start] = 2 * left / (size + np.sqrt(size**2 + 4 * dear * left))
            if float(np.min(tried)) < deviance:
                deviance, at = float(np.min(tried)), int(np.argmin(tried))
                inverse = np.linalg.inv(_held(normal[at : at + 1], held[at : at + 1], k))[0]
                error = np.sqrt(np.diagonal(inverse)[:k] * noise[at] * size / max(size - k, 1))
                parameters = (inverse @ moment[at])[:k, 0]
        set_aside = int((~keep).sum())
        price = (
            k * (np.log(size) + _PRICE_PER_PARAMETER)
            + 2.0 * k * (k + 1) / max(size - k - 1, 1)
            + 2.0 * set_aside * (np.log(keep.size) + c * np.log(_STRAY_RANGE_M))
        )
        return deviance + float(price), parameters, error

    def _whiteners(self, keep: BoolArray) -> tuple[FloatArray, FloatArray]:
        """(models, n, n) matrices that make the kept points independent, and log determinants."""
        key = keep.tobytes()
        if key not in self._whitened:
            place = self.sample.position_m[keep]
            apart = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
            weight = self.sample.uncertainty_m[keep] ** 2 + 0.01**2
            weight = np.clip(weight / np.median(weight), 0.25, 4.0)
            matrices = np.stack(
                [
                    (1 - share) * np.diag(weight) + (share * np.exp(-apart / length) if share else 0.0)
                    for share, length in _NOISE
                ]
            )
            lower = np.linalg.cholesky(matrices)
            log_determinant = 2 * np.sum(np.log(np.diagonal(lower, axis1=1, axis2=2)), axis=1)
            self._whitened[key] = (np.linalg.inv(lower), log_determinant)
        return self._whitened[key]


def _held(normal: FloatArray, held: FloatArray | float, k: int) -> FloatArray:
    """Normal matrices (models, p, p) with the constants beyond the first k held, and a breath of ridge.

    Parameters are metres, so 1e-9 moves nothing that the points determine.
    """
    hold = np.zeros(normal.shape[:2])
    hold[:, k:] = np.reshape(held, (-1, 1))
    return np.asarray(normal + (hold + 1e-9)[:, :, None] * np.eye(normal.shape[2]))


def _rss(
    normal: FloatArray, moment: FloatArray, total: FloatArray, held: FloatArray | float, k: int
) -> FloatArray:
    """(models,) what is left of the sum of squares, the price of the held constants included."""
    solved = np.linalg.solve(_held(normal, held, k), moment)
    return np.asarray(np.maximum(total - np.sum(solved * moment, axis=(1, 2)), 0.0))


def _least_absolute(y: FloatArray, x: FloatArray) -> FloatArray:
    """Parameters (k,) of the smallest sum of absolute residuals, by reweighting."""
    k = x.shape[2]
    if k == 0:
        return np.zeros(0)
    flat_y, flat_x = y.reshape(-1), x.reshape(-1, k)
    weight = np.ones(flat_y.size)
    parameters: FloatArray = np.zeros(k)
    for _ in range(15):
        root = np.sqrt(weight)
        parameters = np.asarray(np.linalg.lstsq(flat_x * root[:, None], flat_y * root, rcond=None)[0])
        weight = 1.0 / np.maximum(np.abs(flat_y - flat_x @ parameters), 1e-4)
    return parameters


def columns_of(*parts: Sequence[FloatArray]) -> FloatArray:
    """(n, c, k) columns from k lists of c component arrays (n,)."""
    return np.stack([np.stack(part, axis=1) for part in parts], axis=2)
