"""Why a cloud is off where it is off: residuals against the rig's state at capture. After conditions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from accuracy.model import CaptureConditions, ConditionEffect, Fix, FloatArray
from accuracy.rounding import fixed, in_a_row
from accuracy.statistics.paired import holm
from accuracy.statistics.ranks import mann_whitney_p, spearman, theil_sen

_FEWEST = 8
_FEWEST_PER_GROUP = 8
"""With five the ratio's interval held 97 % of planted ratios; from eight on 94 to 96 %."""
_LEVEL = 0.05
_TOGETHER = 0.7
_RESAMPLES = 1000
_SLOPES = (
    ("speed", "km/h", "speed_m_per_s", 3.6),
    ("time since the last fix", "s", "time_since_fix_s", 1.0),
    ("distance since the last fix", "m", "distance_since_fix_m", 1.0),
    ("range to the rig", "m", "range_m", 1.0),
    ("turn rate", "degrees/s", "turn_rate_deg_per_s", 1.0),
    ("incidence", "degrees", "incidence_deg", 1.0),
    ("satellites", "satellites", "satellites", 1.0),
)


@dataclass(frozen=True, slots=True, eq=False)
class _Looked:
    """One condition looked at, before the correction for looking at many."""

    condition: str
    unit: str
    kind: Literal["slope", "ratio"]
    effect: float
    interval: tuple[float, float]
    rank: float | None
    p_value: float
    values: FloatArray
    """(n,) over all residuals, NaN where not known."""


def condition_effects(
    residual_m: Sequence[float], conditions: Sequence[CaptureConditions], *, seed: int = 0
) -> tuple[ConditionEffect, ...]:
    """How the size of residuals goes with each condition.

    Continuous conditions: Spearman's rank correlation with the absolute residual, and the Theil-Sen
    slope with its rank interval (Sen 1968). Fix state: ratio of RMSE, bootstrap
    interval (with heavy tails it holds 92 %), Mann-Whitney on absolute residuals. P-values are
    corrected together (Holm 1979).

    Args:
        residual_m: (n,) one per condition, e.g. a checkpoint's height residual, or that of a pass.
        conditions: (n,) in the same order.
        seed: of the bootstrap.

    Returns: every condition that could be looked at; only those ``carried`` deserve a sentence.
    """
    size = np.abs(np.asarray(residual_m, dtype=np.float64))
    if size.shape[0] != len(conditions):
        raise ValueError(f"{size.shape[0]} residuals and {len(conditions)} conditions")
    looked = [
        found
        for name, unit, key, factor in _SLOPES
        if (found := _slope(name, unit, size, _column(conditions, key) * factor)) is not None
    ]
    fixed_state = _fix_ratio(np.asarray(residual_m, dtype=np.float64), conditions, seed)
    if fixed_state is not None:
        looked.append(fixed_state)
    corrected = [p for p in holm([one.p_value for one in looked]) if p is not None]
    carried = [p < _LEVEL and _clear(one) for one, p in zip(looked, corrected, strict=True)]
    return tuple(
        ConditionEffect(
            condition=one.condition,
            unit=one.unit,
            n=int(np.isfinite(one.values).sum()),
            kind=one.kind,
            effect=one.effect,
            interval_95=one.interval,
            rank_correlation=one.rank,
            p_value=one.p_value,
            p_value_corrected=p,
            carried=holds,
            words=_words(one, holds, _companions(one, looked)),
        )
        for one, p, holds in zip(looked, corrected, carried, strict=True)
    )


def _column(conditions: Sequence[CaptureConditions], key: str) -> FloatArray:
    values = [getattr(one, key) for one in conditions]
    return np.array([np.nan if value is None else float(value) for value in values])


def _slope(name: str, unit: str, size: FloatArray, values: FloatArray) -> _Looked | None:
    known = np.isfinite(values) & np.isfinite(size)
    if int(known.sum()) < _FEWEST or np.unique(values[known]).size < 4:
        return None
    if np.ptp(size[known]) == 0:
        return None
    rank, p_value = spearman(values[known], size[known])
    slope, low, high = theil_sen(size[known], values[known])
    return _Looked(
        name,
        unit,
        "slope",
        slope,
        (low, high),
        rank,
        p_value,
        np.where(known, values, np.nan),
    )


def _fix_ratio(residual: FloatArray, conditions: Sequence[CaptureConditions], seed: int) -> _Looked | None:
    states = np.array(["" if one.fix is None else one.fix for one in conditions])
    known = (states != "") & (states != Fix.UNKNOWN.value) & np.isfinite(residual)
    without = known & (states != Fix.FIXED.value)
    held = known & (states == Fix.FIXED.value)
    if min(int(without.sum()), int(held.sum())) < _FEWEST_PER_GROUP:
        return None
    rng = np.random.default_rng(seed)
    lost, fix = residual[without], residual[held]

    def rms(values: FloatArray) -> FloatArray:
        return np.asarray(np.sqrt(np.mean(values**2, axis=-1)))

    again = rms(rng.choice(lost, (_RESAMPLES, lost.size))) / rms(rng.choice(fix, (_RESAMPLES, fix.size)))
    # The logarithm's spread with Student's t: plain percentiles held a planted ratio too seldom (87 %).
    fewest = min(lost.size, fix.size)
    reach = float(stdtrit(fewest - 1, 0.975) * np.std(np.log(again), ddof=1))
    reach *= float(np.sqrt(fewest / (fewest - 1)))
    ratio = float(rms(lost) / rms(fix))
    low, high = ratio * float(np.exp(-reach)), ratio * float(np.exp(reach))
    return _Looked(
        "without a fix",
        "times",
        "ratio",
        ratio,
        (low, high),
        None,
        mann_whitney_p(np.abs(lost), np.abs(fix)),
        np.where(known, without.astype(np.float64), np.nan),
    )


def _clear(one: _Looked) -> bool:
    """Whether the interval leaves out "no effect"."""
    none = 0.0 if one.kind == "slope" else 1.0
    return not one.interval[0] <= none <= one.interval[1]


def _companions(one: _Looked, looked: Sequence[_Looked]) -> list[str]:
    """Other conditions that move with this one, so that the residuals cannot tell them apart."""
    names = []
    for other in looked:
        known = np.isfinite(one.values) & np.isfinite(other.values)
        if other is one or int(known.sum()) < _FEWEST:
            continue
        a, b = one.values[known], other.values[known]
        if np.ptp(a) > 0 and np.ptp(b) > 0 and abs(spearman(a, b)[0]) > _TOGETHER:
            names.append(other.condition)
    return names


def _words(one: _Looked, carried: bool, companions: Sequence[str]) -> str:
    if not carried:
        return f"The residuals do not show an effect of {one.condition}."
    low, high = one.interval
    if one.kind == "ratio":
        text = (
            f"Without a fix the residuals are {fixed(one.effect, 1)} times as large (RMSE; 95 % interval "
            f"{fixed(low, 1)} to {fixed(high, 1)})"
        )
    else:
        more = "larger" if one.effect > 0 else "smaller"
        text = (
            f"Residuals are {more} with more {one.condition}: {fixed(one.effect * 1000, 2, signed=True)} mm "
            f"per {one.unit} (95 % interval {fixed(low * 1000, 2, signed=True)} to "
            f"{fixed(high * 1000, 2, signed=True)} mm per {one.unit})"
        )
    if companions:
        others = in_a_row(companions)
        either = "any of them" if len(companions) > 1 else "either"
        text += f"; {others} moved together with it, so {either} may be the cause"
    return f"{text}. This is an association at these checkpoints, not a proof of cause."
