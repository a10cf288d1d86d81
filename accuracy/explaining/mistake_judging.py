"""Choosing among explanations: each must pay for itself, leave only noise and matter in practice."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from accuracy.explaining.mistake_models import Explanation, Fit, Sample, Weighing
from accuracy.explaining.mistake_words import CHECK_BY, Speech
from accuracy.model import FloatArray, Mistake
from accuracy.rounding import in_a_row

LEAST_SCORE = 8.0
"""Deviance that an explanation must save: odds of about 50 to 1 for it, since many are tried."""
_RIVAL = 6.0
"""An explanation within this much of the best is named as its rival: odds of 20 to 1."""
ERRORS_CLEAR = 4.0
"""Standard errors by which a size must be clear of zero."""
RELEVANT_M = 0.02
"""Smaller effects are what an ordinary calibration leaves (common practice, no source)."""
_RUN_NOISE_M = 0.03
"""What a good run adds to the stated uncertainties (common practice, no source)."""
_MOST_BAD_POINTS = 3

Judge = Callable[[Fit], Mistake | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """An explanation, and what it would be called if it fits; None from the judge: too small to matter."""

    explanation: Explanation
    judge: Judge


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chosen:
    """The explanations that hold, most likely first, and what they leave."""

    mistakes: tuple[Mistake, ...]
    predicted_m: FloatArray
    """(n, c) what the first of them explains; zero where none holds."""


def choose(
    sample: Sample, candidates: Sequence[Candidate], *, class_m: float | None, speech: Speech
) -> Chosen:
    """Hold every candidate against the sample."""
    weighing = Weighing(sample)
    nothing = weighing.fit(Explanation(name="nothing"))
    limit = noise_limit_m(sample, class_m)
    held: list[tuple[Fit, Mistake]] = []
    for candidate in candidates:
        fit = weighing.fit(candidate.explanation)
        score = nothing.deviance - fit.deviance
        if score < LEAST_SCORE or fit.scale_m > limit:
            continue
        mistake = candidate.judge(fit)
        if mistake is not None:
            held.append((fit, dataclasses.replace(mistake, score=score)))
    held.sort(key=lambda pair: pair[0].deviance)
    best = held[0][0] if held else nothing
    mistakes = [
        mistake
        for fit, mistake in held
        if fit.deviance - best.deviance <= _RIVAL and fit.parameters_m.size <= best.parameters_m.size
    ]
    # Variants of one kind speak once, through the best of them.
    mistakes = list({mistake.kind: mistake for mistake in reversed(mistakes)}.values())
    if best.scale_m <= limit:
        mistakes += _bad_points(sample, best, class_m, speech)
    ranked = sorted(mistakes, key=lambda mistake: -mistake.score)
    predicted = sample.residual_m - best.left_m if held else np.zeros_like(sample.residual_m)
    return Chosen(mistakes=tuple(ranked), predicted_m=predicted)


def noise_limit_m(sample: Sample, class_m: float | None) -> float:
    """What may be left over and still be called noise, per component."""
    usual = float(np.hypot(np.median(sample.uncertainty_m), _RUN_NOISE_M))
    return max(3 * usual, class_m or 0.0)


def relevant_m(class_m: float | None) -> float:
    """The least size worth a sentence.

    ASPRS Edition 2, 7.2 (second-hand text), asks to look into a mean over 25 % of the class.
    """
    return RELEVANT_M if class_m is None else max(RELEVANT_M, 0.25 * class_m)


def clear(size_m: float, error_m: float, least_m: float) -> bool:
    """Whether a size is both certain and large enough to matter."""
    return abs(size_m) > max(ERRORS_CLEAR * error_m, least_m)


def suggestion(kind: str, size: float | None, unit: str | None, evidence: str) -> Mistake:
    """A mistake before its score is known."""
    return Mistake(
        kind=kind, size=size, size_unit=unit, evidence=evidence, check_by=CHECK_BY[kind], score=0.0
    )


def _bad_points(sample: Sample, best: Fit, class_m: float | None, speech: Speech) -> list[Mistake]:
    """Points that stand apart from all the others under the best explanation, if they are few."""
    stray = np.flatnonzero(best.stray)
    if not 1 <= stray.size <= _MOST_BAD_POINTS:
        return []
    gain = (best.deviance_with_all - best.deviance) / stray.size
    n, axes = sample.residual_m.shape
    size = np.sqrt(np.sum(best.left_m[stray] ** 2, axis=1))
    least = max(2 * relevant_m(class_m), 6 * best.scale_m)
    if gain < LEAST_SCORE:
        return []
    worst = [int(k) for k in np.argsort(-size, kind="stable") if size[k] >= least]
    if not worst:
        return []
    signed = [float(best.left_m[stray[k], 0]) if axes == 1 else float(size[k]) for k in worst]
    ids = [sample.ids[stray[k]] for k in worst]
    lengths = [speech.length(one) for one in signed]
    times = [f"{size[k] / max(best.scale_m, 1e-9):.0f}" for k in worst]
    where = "in height" if axes == 1 else "in plan"
    spread = f"times the spread of the other {n - stray.size}"
    if len(worst) == 1:
        words = f"Checkpoint {ids[0]} alone is off by {lengths[0]} {where}, {times[0]} {spread}: a bad point?"
    else:
        off = in_a_row([f"{name} by {length}" for name, length in zip(ids, lengths, strict=True)])
        words = f"Checkpoints are off {where}: {off}, {in_a_row(times)} {spread}. Bad points?"
    # One suggestion for all of them: none is alone, and the first to be read names every one.
    return [dataclasses.replace(suggestion("one_bad_point", signed[0], "m", words), score=gain)]
