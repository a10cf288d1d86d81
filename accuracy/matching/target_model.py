"""The likelihood of the points' values given where a mark lies: density and exact scores.

After target_field, before target_fit. Each shot is reported beside where it fell (position noise)
and returns the average over its footprint. Near an edge between tones a and b, with d the distance
from the edge in units of the whole edge width and u = d, the share of b seen is
``Phi((d + e) / footprint)`` with e the shot's own position error, so

    P(share < s) = Phi(tau * Phi^-1(s) - u * sqrt(1 + tau^2)),   tau = footprint / position noise,

and the value is drawn from one of the pure tones, or from one of a few levels between them, with
these probabilities; tau -> 0 is the plain mixture of whole tones, in which a shot's position error
swaps its tone. (Derived here; the mixture of whole tones is what design trials found truthful, where
least squares on the blurred template (Gruen 1985) is not.) Paint may be worn down to the background,
and a small share of values belongs to nothing at all. A gain that changes linearly over the mark
multiplies every tone: uneven light, fall-off with range.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import expit, ndtr, ndtri

from accuracy.matching.target_field import Raster, ToneField, blurred
from accuracy.model import FloatArray, IntArray

# Steps of the share at which the levels between two tones divide, and the levels themselves.
_SHARE_STEPS = np.array([0.08, 0.25, 0.42, 0.58, 0.75, 0.92])
_SHARE_LEVELS = np.array([0.165, 0.335, 0.5, 0.665, 0.835])
_STEP_DEVIATES = ndtri(_SHARE_STEPS)
_LEVEL_SPREAD2 = (0.17**2) / 12
_ROOT_2PI = float(np.sqrt(2 * np.pi))
_FAR = 1e-7
"""Points whose tone is surer than this are away from every edge."""


def _normal(t: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * t * t) / _ROOT_2PI)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parameters:
    """Everything unknown about one mark; lengths in metres in the local plane."""

    x_m: float
    y_m: float
    rotation_rad: float
    log_scale: float
    """Logarithm of true size over stated size."""
    log_edge_m: float
    """Logarithm of the whole edge width (standard deviation of footprint and position noise)."""
    log_tau: float
    """Logarithm of footprint over position noise."""
    tones: FloatArray
    log_spreads: FloatArray
    gain: FloatArray
    """(2,) relative change of every tone per metre in x and y."""
    wear: float
    """Logit of the share of paint that is gone."""
    stray: float
    """Logit of the share of values that belong to no tone."""

    def vector(self) -> FloatArray:
        """All as one vector, in the order of ``names``."""
        head = [self.x_m, self.y_m, self.rotation_rad, self.log_scale, self.log_edge_m, self.log_tau]
        return np.concatenate((head, self.gain, [self.wear, self.stray], self.tones, self.log_spreads))

    def moved(self, step: FloatArray) -> Parameters:
        """These plus a step in the order of ``vector``."""
        v = self.vector() + step
        k = len(self.tones)
        return Parameters(
            x_m=float(v[0]),
            y_m=float(v[1]),
            rotation_rad=float(v[2]),
            log_scale=float(v[3]),
            log_edge_m=float(v[4]),
            log_tau=float(v[5]),
            gain=v[6:8],
            wear=float(v[8]),
            stray=float(v[9]),
            tones=v[10 : 10 + k],
            log_spreads=v[10 + k :],
        )


X, Y, TURN, SCALE, EDGE, TAU, GAIN, WEAR, STRAY, TONES = 0, 1, 2, 3, 4, 5, slice(6, 8), 8, 9, 10


@dataclass(frozen=True, slots=True, eq=False)
class MarkModel:
    """The density of values for one template at one size."""

    raster: Raster
    size_m: float
    origin_m: tuple[float, float]
    """Where the gain is 1."""
    value_range: tuple[float, float]
    """Stray values are uniform over it."""
    _fields: dict[float, ToneField] = field(default_factory=dict)

    def blur_field(self, p: Parameters) -> ToneField:
        """Tone shares at these parameters' edge width; the last few are kept."""
        blur = max(float(np.exp(p.log_edge_m - p.log_scale)) / self.size_m, self.raster.smallest_blur)
        found = self._fields.get(blur)
        if found is None:
            if len(self._fields) > 2:
                self._fields.pop(next(iter(self._fields)))
            found = self._fields[blur] = blurred(self.raster, blur)
        return found

    def template_coordinates(
        self, p: Parameters, x_m: FloatArray, y_m: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Plane coordinates (n,) in units of the mark, about its centre, in its own axes."""
        size = self.size_m * float(np.exp(p.log_scale))
        dx, dy = (x_m - p.x_m) / size, (y_m - p.y_m) / size
        c, s = float(np.cos(p.rotation_rad)), float(np.sin(p.rotation_rad))
        return c * dx + s * dy, -s * dx + c * dy

    def shares(self, p: Parameters, x_m: FloatArray, y_m: FloatArray) -> FloatArray:
        """Tone shares (tones, n) at plane coordinates (n,)."""
        return self.blur_field(p).at(*self.template_coordinates(p, x_m, y_m))[0]

    def evaluate(
        self, p: Parameters, x_m: FloatArray, y_m: FloatArray, value: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Log density (n,) of the values and its derivative by every parameter (n, parameters)."""
        return self.at_places(p, self.places(p, x_m, y_m), value)

    def places(self, p: Parameters, x_m: FloatArray, y_m: FloatArray) -> Places:
        """What the density needs to know of each place; independent of the values there."""
        size = self.size_m * float(np.exp(p.log_scale))
        u, v = self.template_coordinates(p, x_m, y_m)
        f = self.blur_field(p)
        share, by_u, by_v, laplacian = f.at(u, v)
        c, s = float(np.cos(p.rotation_rad)) / size, float(np.sin(p.rotation_rad)) / size
        spread = f.blur**2 * laplacian
        geometry = np.stack(
            (
                -c * by_u + s * by_v,
                -s * by_u - c * by_v,
                v * by_u - u * by_v,
                -u * by_u - v * by_v - spread,
                spread,
            )
        )
        offset = np.stack((x_m - self.origin_m[0], y_m - self.origin_m[1]))
        return Places(share=share, geometry=geometry, offset=offset)

    def at_places(self, p: Parameters, places: Places, value: FloatArray) -> tuple[FloatArray, FloatArray]:
        """As ``evaluate``, at places already prepared."""
        share, geometry, offset = places.share, places.geometry, places.offset
        k, n = share.shape
        gain = np.maximum(1.0 + p.gain @ offset, 0.05)
        spreads = np.exp(p.log_spreads)
        t = (value - gain * p.tones[:, None]) / spreads[:, None]
        pure = _normal(t) / spreads[:, None]

        mixed = (share * pure).sum(axis=0)
        by_share = pure.copy()
        # d(mixed)/d(tone value) and d/d(log spread) of each pure tone.
        by_tone = share * pure * t / spreads[:, None]
        by_spread = share * pure * (t * t - 1.0)
        by_tau = np.zeros(n)
        near = np.nonzero(share.max(axis=0) < 1.0 - _FAR)[0]
        if near.size:
            edge = _edge_density(p, share[:, near], value[near], gain[near], pure[:, near], t[:, near])
            mixed[near], by_share[:, near], by_tau[near] = edge.density, edge.by_share, edge.by_tau
            by_tone[:, near], by_spread[:, near] = edge.by_tone, edge.by_spread

        wear, stray = float(expit(p.wear)), float(expit(p.stray))
        paint = 1.0 - share[0]
        gone = wear * paint
        flat = 1.0 / (self.value_range[1] - self.value_range[0])
        inner = (1.0 - gone) * mixed + gone * pure[0]
        density = (1.0 - stray) * inner + stray * flat
        scale = (1.0 - stray) / density

        by_share = (1.0 - gone) * by_share
        by_share[0] -= wear * (pure[0] - mixed)
        by_tone = (1.0 - gone) * by_tone
        by_tone[0] += gone * pure[0] * t[0] / spreads[0]
        by_spread = (1.0 - gone) * by_spread
        by_spread[0] += gone * pure[0] * (t[0] * t[0] - 1.0)

        score = np.empty((n, TONES + 2 * k))
        score[:, :TAU] = (np.einsum("kn,gkn->gn", by_share, geometry) * scale).T
        score[:, TAU] = scale * (1.0 - gone) * by_tau
        by_gain = scale * (by_tone * p.tones[:, None]).sum(axis=0)
        score[:, GAIN] = (by_gain * offset).T
        score[:, WEAR] = scale * wear * (1.0 - wear) * paint * (pure[0] - mixed)
        score[:, STRAY] = stray * (1.0 - stray) * (flat - inner) / density
        score[:, TONES : TONES + k] = (scale * gain * by_tone).T
        score[:, TONES + k :] = (scale * by_spread).T
        return np.log(density), score

    def log_density(
        self, p: Parameters, share: FloatArray, gain: FloatArray, value: FloatArray
    ) -> FloatArray:
        """Log density (n,) of values where the tone shares (tones, n) and the gain (n,) are known."""
        stray = float(expit(p.stray))
        density = np.full(len(value), stray / (self.value_range[1] - self.value_range[0]))
        for centre, spread, chance in _components(p, share, np.exp(p.log_spreads)):
            t = (value - gain * centre) / spread
            density += (1.0 - stray) * chance * _normal(t) / spread
        return np.asarray(np.log(density))

    def information(
        self, p: Parameters, x_m: FloatArray, y_m: FloatArray, weight: FloatArray | None = None
    ) -> FloatArray:
        """Expected Fisher information of values at plane coordinates (n,): sum over points.

        The expectation over the value is a quadrature over each component of the mixture, so it
        rests on where the points are, not on what values they happened to have.
        """
        places = self.places(p, x_m, y_m)
        k = len(places.share)
        nodes, node_weights = np.polynomial.hermite_e.hermegauss(_NODES)
        node_weights = node_weights / node_weights.sum()
        spreads = np.exp(p.log_spreads)
        gain = np.maximum(1.0 + p.gain @ places.offset, 0.05)
        total = np.zeros((TONES + 2 * k, TONES + 2 * k))
        for centre, spread, chance in _components(p, places.share, spreads):
            active = np.nonzero(chance > 1e-6)[0]
            if not active.size:
                continue
            here = places.take(active)
            for node, node_weight in zip(nodes, node_weights, strict=True):
                value = gain[active] * centre[active] + spread[active] * node
                _, score = self.at_places(p, here, value)
                w = chance[active] * node_weight
                if weight is not None:
                    w = w * weight[active]
                total += (score * w[:, None]).T @ score
        return total


_NODES = 5


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Tone shares (tones, n), their derivatives (5, tones, n) and offsets from the gain's origin (2, n)."""

    share: FloatArray
    geometry: FloatArray
    offset: FloatArray

    def take(self, index: IntArray) -> Places:
        """Some of the places."""
        return Places(self.share[:, index], self.geometry[:, :, index], self.offset[:, index])


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    density: FloatArray
    by_share: FloatArray
    by_tau: FloatArray
    by_tone: FloatArray
    by_spread: FloatArray


def _pairs(share: FloatArray) -> tuple[FloatArray, ...]:
    """The two commonest tones of each place, the lower first, and the second's share of both."""
    order = np.sort(np.argsort(share, axis=0)[-2:], axis=0)
    column = np.arange(share.shape[1])
    a, b = order
    both = share[a, column] + share[b, column]
    return a, b, both, np.clip(share[b, column] / both, 1e-12, 1 - 1e-12)


def _edge_density(
    p: Parameters, share: FloatArray, value: FloatArray, gain: FloatArray, pure: FloatArray, t: FloatArray
) -> _Edge:
    """Mixture of tones with levels between the two commonest, and its derivatives."""
    column = np.arange(share.shape[1])
    a, b, both, q = _pairs(share)
    u = ndtri(q)
    tau = float(np.exp(p.log_tau))
    steep = float(np.sqrt(1 + tau * tau))
    argument = tau * _STEP_DEVIATES[:, None] - steep * u
    below, slope = ndtr(argument), _normal(argument)
    slope_tau = slope * (_STEP_DEVIATES[:, None] - u * tau / steep) * tau

    spreads = np.exp(p.log_spreads)
    s = _SHARE_LEVELS[:, None]
    tone_a, tone_b, va, vb = p.tones[a], p.tones[b], spreads[a] ** 2, spreads[b] ** 2
    step = gain * (tone_b - tone_a)
    variance = (1 - s) * va + s * vb + _LEVEL_SPREAD2 * step * step
    away = value - gain * tone_a - s * step
    level = np.exp(-0.5 * away * away / variance) / (np.sqrt(variance) * _ROOT_2PI)

    fa, fb = pure[a, column], pure[b, column]
    chance = np.diff(below, axis=0)
    density = below[0] * fa + (1 - below[-1]) * fb + (chance * level).sum(axis=0)
    by_u = -steep * (slope[0] * fa - slope[-1] * fb + (np.diff(slope, axis=0) * level).sum(axis=0))
    by_tau = slope_tau[0] * fa - slope_tau[-1] * fb + (np.diff(slope_tau, axis=0) * level).sum(axis=0)
    per_share = by_u / np.maximum(_normal(u), 1e-12)

    by_share = pure.copy()
    by_share[a, column] = density - per_share * q
    by_share[b, column] = density + per_share * (1 - q)
    rest = share.copy()
    rest[a, column] = rest[b, column] = 0.0
    whole = both * density + (rest * pure).sum(axis=0)

    by_mean = chance * level * away / variance
    by_variance = 0.5 * chance * level * (away * away / variance - 1) / variance
    from_step = 2 * _LEVEL_SPREAD2 * gain * (tone_b - tone_a) * by_variance
    d_tone_a = below[0] * fa * t[a, column] / spreads[a] + ((1 - s) * by_mean - from_step).sum(axis=0)
    d_tone_b = (1 - below[-1]) * fb * t[b, column] / spreads[b] + (s * by_mean + from_step).sum(axis=0)
    d_spread_a = below[0] * fa * (t[a, column] ** 2 - 1) + (2 * (1 - s) * va * by_variance).sum(axis=0)
    d_spread_b = (1 - below[-1]) * fb * (t[b, column] ** 2 - 1) + (2 * s * vb * by_variance).sum(axis=0)
    by_tone = rest * pure * t / spreads[:, None]
    by_spread = rest * pure * (t * t - 1)
    by_tone[a, column], by_tone[b, column] = both * d_tone_a, both * d_tone_b
    by_spread[a, column], by_spread[b, column] = both * d_spread_a, both * d_spread_b
    return _Edge(whole, by_share, both * by_tau, by_tone, by_spread)


def _components(
    p: Parameters, share: FloatArray, spreads: FloatArray
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Centre (before gain), spread and chance, each (n,), of every component of the mixture."""
    n = share.shape[1]
    a, b, both, q = _pairs(share)
    tau = float(np.exp(p.log_tau))
    below = ndtr(tau * _STEP_DEVIATES[:, None] - np.sqrt(1 + tau * tau) * ndtri(q))
    chance = share.copy()
    column = np.arange(n)
    chance[a, column] = both * below[0]
    chance[b, column] = both * (1 - below[-1])
    wear = float(expit(p.wear))
    gone = wear * (1 - share[0])
    chance *= 1 - gone
    chance[0] += gone
    found = [
        (np.full(n, p.tones[tone]), np.full(n, spreads[tone]), chance[tone]) for tone in range(len(share))
    ]
    for number, s in enumerate(_SHARE_LEVELS):
        step = p.tones[b] - p.tones[a]
        variance = (1 - s) * spreads[a] ** 2 + s * spreads[b] ** 2 + _LEVEL_SPREAD2 * step**2
        middle = both * (below[number + 1] - below[number]) * (1 - gone)
        found.append((p.tones[a] + s * step, np.sqrt(variance), middle))
    return found


def most_information(p: Parameters, share: FloatArray) -> float:
    """What place can tell of a value at most (nats), for tone shares (tones, n).

    Entropy of the mixture's components, levels between the tones included: where edges are blurred more
    than shots stray, as in images, much of what a mark shows lies between its tones.
    """
    chances = [chance.mean() for _, _, chance in _components(p, share, np.exp(p.log_spreads))]
    return -float(sum(chance * np.log(max(chance, 1e-12)) for chance in chances))


def at_scale_one(p: Parameters) -> Parameters:
    """The same with the stated size taken as true."""
    return replace(p, log_scale=0.0)
