"""How the rig's error grows after loss of fix, against time and distance since the last fix."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from accuracy.model import BoolArray, Drift, DriftBin, DriftModel, Fix, FloatArray, IntArray
from accuracy.rounding import fixed
from accuracy.statistics.intervals import SMALLEST_BOOTSTRAP_N, mean_interval, root_ratio_interval
from accuracy.trajectory.components import NORMAL_MEDIAN, RAYLEIGH_MEDIAN

_TIME_EDGES_S = (0.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, np.inf)
_DISTANCE_EDGES_M = (0.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, np.inf)
_FEWEST_OUTAGES = SMALLEST_BOOTSTRAP_N
_CELLS_PER_OUTAGE = 20
_LEAST_SQUARE = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class SinceFix:
    """For each epoch of the rig: how long ago the fix was lost."""

    time_s: FloatArray
    """(n,) 0 with a fix, NaN before the first fix."""
    distance_m: FloatArray
    outage: IntArray
    """(n,) number of the outage, -1 with a fix or before the first one."""


def since_fix(time_s: FloatArray, chainage_m: FloatArray, fix: NDArray[np.str_]) -> SinceFix:
    """Time and distance since the last fixed epoch, and the outages numbered in order."""
    held = fix == Fix.FIXED.value
    last = np.maximum.accumulate(np.where(held, np.arange(held.size), -1))
    ever = last >= 0
    since_s = np.where(ever, time_s - time_s[last], np.nan)
    since_m = np.where(ever, chainage_m - chainage_m[last], np.nan)
    begins = ever & ~held & np.concatenate([[False], held[:-1]])
    outage = np.where(ever & ~held, np.cumsum(begins) - 1, -1)
    return SinceFix(since_s, since_m, outage.astype(np.int64))


def drift_after_loss(since: SinceFix, resolved_m: FloatArray) -> Drift | None:
    """Bins and growth models; None where the rig never lost its fix, or never had one.

    Args:
        since: of the compared epochs.
        resolved_m: (n, 3) along, cross, up; along NaN where not measured.
    """
    lost = since.outage >= 0
    if not lost.any():
        return None
    outages = int(np.unique(since.outage[lost]).size)
    horizontal = np.hypot(resolved_m[:, 0], resolved_m[:, 1])
    up = resolved_m[:, 2]
    models: list[DriftModel] = []
    why = None
    held = (since.outage < 0) & np.isfinite(since.time_s)
    if outages < _FEWEST_OUTAGES:
        why = f"A growth model needs eight outages, and there {'is' if outages == 1 else 'are'} {outages}."
    elif int(held.sum()) < 20:
        why = "Too few compared epochs have a fix, so the start of the growth is not known."
    else:
        named: tuple[tuple[Literal["horizontal", "up"], FloatArray], ...] = (
            ("horizontal", horizontal),
            ("up", up),
        )
        axes: tuple[tuple[Literal["time", "distance"], FloatArray], ...] = (
            ("time", since.time_s),
            ("distance", since.distance_m),
        )
        models = [
            _growth(component, against, error[lost], along[lost], since.outage[lost], error[held])
            for component, error in named
            if np.isfinite(error).all()
            for against, along in axes
        ]
    return Drift(
        outages=outages,
        by_time=_bins(since.time_s, _TIME_EDGES_S, lost, since.outage, horizontal, up),
        by_distance=_bins(since.distance_m, _DISTANCE_EDGES_M, lost, since.outage, horizontal, up),
        models=tuple(models),
        why_no_model=why,
    )


def _bins(
    since: FloatArray,
    edges: tuple[float, ...],
    lost: BoolArray,
    outage: IntArray,
    horizontal: FloatArray,
    up: FloatArray,
) -> tuple[DriftBin, ...]:
    found = []
    for low, high in pairwise(edges):
        which = lost & (since >= low) & (since < high)
        if not which.any():
            continue
        timed = bool(np.isfinite(horizontal[which]).all())
        found.append(
            DriftBin(
                since=low,
                until=high if np.isfinite(high) else float(since[which].max()),
                n=int(which.sum()),
                outages=int(np.unique(outage[which]).size),
                rmse_horizontal_m=float(np.sqrt(np.mean(horizontal[which] ** 2))) if timed else None,
                rmse_up_m=float(np.sqrt(np.mean(up[which] ** 2))),
            )
        )
    return tuple(found)


# ----------------------------------------------------------------------- growth


def _growth(
    component: Literal["horizontal", "up"],
    against: Literal["time", "distance"],
    error_m: FloatArray,
    since: FloatArray,
    outage: IntArray,
    with_fix_m: FloatArray,
) -> DriftModel:
    start2 = _start_square(component, with_fix_m)
    squares, reach, owner = _cells(error_m, since, outage)
    linear, by_linear = _rate(squares, reach**2, start2)
    walk, by_walk = _rate(squares, reach, start2)
    growth: Literal["linear", "random walk"] = "linear" if by_linear <= by_walk else "random walk"
    rate, grows_with = (linear, reach**2) if growth == "linear" else (walk, reach)
    # The rate's square is a ratio of sums over the outages, which are independent of each other.
    weight = grows_with / (max(start2, _LEAST_SQUARE) + rate**2 * grows_with) ** 2
    outages = int(owner.max()) + 1
    interval = root_ratio_interval(
        _sums(owner, weight * (squares - start2)), _sums(owner, weight * grows_with)
    )
    # A positive rate alone only says that errors are larger without a fix; growth also needs an order.
    grown = interval is not None and interval[0] > 0 and _ordered(squares, owner)
    return DriftModel(
        component=component,
        against=against,
        growth=growth if grown else "none",
        start_m=float(np.sqrt(start2)),
        rate=rate,
        rate_interval_95=interval,
        outages=outages,
        words=_words(component, against, growth, rate, interval if grown else None, float(reach.max())),
    )


def _sums(owner: IntArray, values: FloatArray) -> FloatArray:
    """Per owner."""
    return np.bincount(owner, values).astype(np.float64)


def _ordered(squares: FloatArray, owner: IntArray) -> bool:
    """Whether errors grow within outages: the mean of their rank correlations is surely above 0.

    Not over all cells at once: those of long outages are means of more epochs, which ranks them higher.
    """
    parts = np.split(squares, np.flatnonzero(np.diff(owner)) + 1)
    orders = np.array([_order(part) for part in parts if part.size > 2])
    if orders.size < _FEWEST_OUTAGES:
        return False
    error = float(orders.std(ddof=1)) / np.sqrt(orders.size)
    interval = mean_interval(float(orders.mean()), error, orders.size - 1)
    return interval is not None and interval[0] > 0


def _order(squares: FloatArray) -> float:
    """Spearman's correlation of values with their places in line; 0 where they are all alike."""
    place = np.arange(squares.size) - (squares.size - 1) / 2
    rank = np.sign(squares[:, None] - squares).sum(axis=1)  # about its mean, in halves
    size = float(np.sqrt((place @ place) * (rank @ rank)))
    return float(place @ rank) / size if size > 0 else 0.0


def _start_square(component: Literal["horizontal", "up"], with_fix_m: FloatArray) -> float:
    """Mean square with a fix, from the median, which false fixes do not reach (normal noise)."""
    middle = float(np.median(np.abs(with_fix_m)))
    # In plan two axes add up.
    return 2 * (middle / RAYLEIGH_MEDIAN) ** 2 if component == "horizontal" else (middle / NORMAL_MEDIAN) ** 2


def _cells(
    error_m: FloatArray, since: FloatArray, outage: IntArray
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Mean squares over parts of each outage: neighbouring epochs repeat each other. Outages from 0."""
    order = np.lexsort([since, outage])
    _, first, number, epochs = np.unique(
        outage[order], return_index=True, return_inverse=True, return_counts=True
    )
    parts = np.minimum(epochs, _CELLS_PER_OUTAGE)
    within = (np.arange(order.size) - first[number]) * parts[number] // epochs[number]
    cell = (np.cumsum(parts) - parts)[number] + within
    size = np.bincount(cell)
    squares, reach = (_sums(cell, values[order]) / size for values in (error_m**2, since))
    return squares, reach, np.repeat(np.arange(parts.size), parts)


def _rate(squares: FloatArray, grows_with: FloatArray, start2: float) -> tuple[float, float]:
    """(rate, deviance) of mean square = start^2 + rate^2 x, each square exponential about its mean.

    Squared errors scatter in proportion to their mean, so the gamma likelihood fits them; solved by
    iterated reweighting on the one parameter.
    """
    floor = max(start2, _LEAST_SQUARE)
    rate2 = max(float(np.sum(squares - start2) / max(np.sum(grows_with), 1e-12)), 0.0)
    for _ in range(50):
        w = grows_with / (floor + rate2 * grows_with) ** 2
        new = max(float(np.sum(w * (squares - start2)) / max(np.sum(w * grows_with), 1e-30)), 0.0)
        settled = abs(new - rate2) <= 1e-9 * (rate2 + 1e-12)
        rate2 = new
        if settled:
            break
    expected = floor + rate2 * grows_with
    deviance = float(np.sum(np.log(expected) + squares / expected))
    return float(np.sqrt(rate2)), deviance


def _words(
    component: str,
    against: str,
    growth: str,
    rate: float,
    interval: tuple[float, float] | None,
    reach: float,
) -> str:
    unit = "s" if against == "time" else "m"
    what = "Height error" if component == "up" else "Horizontal error"
    if interval is None:
        return f"{what} does not grow steadily with {against} since the last fix (up to {reach:.0f} {unit})."
    usual = 10.0 if against == "time" else 100.0
    at = min(usual, reach)
    reached = at if growth == "linear" else at**0.5
    scale, name = (1, "m") if rate * reached >= 1 else (100, "cm")
    size, low, high = (one * reached * scale for one in (rate, *interval))
    return (
        f"{what} grows like {'a straight line' if growth == 'linear' else 'a random walk'} with {against} "
        f"since the last fix: {fixed(size, 1)} {name} ({fixed(low, 1)} to {fixed(high, 1)} {name}) after "
        f"{at:.0f} {unit}, on top of the error with a fix."
    )
