"""Mistakes in which points stand in the table: shuffled ids, doubled points, control among checkpoints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import lgamma, log

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.spatial import cKDTree
from scipy.special import chdtr

from accuracy.explaining.mistake_judging import Candidate, suggestion
from accuracy.explaining.mistake_models import Explanation, Fit, Sample
from accuracy.explaining.mistake_words import MOST_NAMED, Speech
from accuracy.model import SAME_PLACE_M, FloatArray, Mistake
from accuracy.rounding import shortened

SAME_AS_CONTROL_M = 0.05
FACT_SCORE = 10.0
"""Of what the table itself shows: below any explanation of the residuals, above nothing at all."""
_TOO_GOOD = 0.25
_TOO_GOOD_P = 1e-6
_LEAST_SHUFFLED_M = 0.1


def shuffled_candidates(
    sample: Sample, surveyed_m: FloatArray, *, what: str, speech: Speech
) -> list[Candidate]:
    """Ids, or rows of one column, that stand at each other's places, by the assignment that costs least.

    Args:
        sample: residuals in c components.
        surveyed_m: (n, c) the coordinates of the checkpoints in the same components, in full.
        what: "heights" or "positions".
    """
    n, c = sample.residual_m.shape
    size = np.sqrt(np.mean(sample.residual_m**2, axis=1))
    if n < 4 or float(np.max(size)) < _LEAST_SHUFFLED_M:
        return []
    centred = surveyed_m - surveyed_m.mean(axis=0)
    seen = centred + sample.residual_m
    noise = float(np.hypot(np.median(sample.uncertainty_m), 0.01))
    apart = np.sum((seen[:, None, :] - centred[None, :, :]) ** 2, axis=2) / (c * noise**2)
    # Capped, so that one point that fits nowhere does not drag the others along; staying costs least.
    cost = np.minimum(apart, 100.0) + 8.0 * (1 - np.eye(n))
    _, place = linear_sum_assignment(cost)
    moved = np.flatnonzero(place != np.arange(n))
    if moved.size < 2:
        return []
    offset = centred[place] - centred
    ids = sample.ids
    swaps = [f"what belongs to {ids[i]} stands at {ids[place[i]]}" for i in moved]

    def judge(fit: Fit) -> Mistake | None:
        if float(np.max(np.abs(offset[moved]))) < _LEAST_SHUFFLED_M:
            return None
        left = speech.spread(fit.scale_m)
        return suggestion(
            "ids_shuffled",
            float(moved.size),
            "checkpoints",
            f"The {what} of {moved.size} of {n} checkpoints fit once they are given to one another: "
            f"{'; '.join(swaps[:4])}{' and so on' if moved.size > 4 else ''} (spread {left} after removal).",
        )

    m = int(moved.size)
    ways = 2 * (lgamma(n + 1) - lgamma(n - m + 1))
    explanation = Explanation(name=f"shuffled {what}", offset_m=offset, price=ways - 2 * log(2))
    return [Candidate(explanation=explanation, judge=judge)]


def duplicates(
    ids: Sequence[str], position_m: FloatArray, height_m: FloatArray, speech: Speech
) -> list[Mistake]:
    """Checkpoints that stand at one place under several ids. position_m (n, 2), height_m (n,)."""
    if len(ids) < 2:
        return []
    pairs = sorted(cKDTree(position_m).query_pairs(SAME_PLACE_M))
    if not pairs:
        return []
    apart = [abs(float(height_m[a] - height_m[b])) for a, b in pairs]
    listed = shortened([f"{ids[a]} and {ids[b]}" for a, b in pairs], 4)
    return [
        _fact(
            suggestion(
                "duplicate_points",
                float(len(pairs)),
                "pairs",
                f"{_counted(len(pairs), 'pair of checkpoints stands', 'pairs of checkpoints stand')} at one "
                f"place ({listed}; heights apart by up to {speech.length(max(apart))}): is one point counted "
                "twice?",
            )
        )
    ]


def control_among(
    ids: Sequence[str],
    position_m: FloatArray,
    control_ids: Sequence[str],
    control_position_m: FloatArray,
) -> list[Mistake]:
    """Checkpoints at the place, or with the id, of a control point. Positions (n, 2) and (m, 2)."""
    if not ids or not control_ids:
        return []
    distance, nearest = cKDTree(control_position_m).query(position_m)
    known = {one.casefold() for one in control_ids}
    pairs = [
        f"{one} ({control_ids[int(at)]})"
        for one, off, at in zip(ids, distance, nearest, strict=True)
        if off < SAME_AS_CONTROL_M or one.casefold() in known
    ]
    if not pairs:
        return []
    return [
        _fact(
            suggestion(
                "control_as_check",
                float(len(pairs)),
                "checkpoints",
                f"{_counted(len(pairs), 'checkpoint stands', 'checkpoints stand')} where a control point "
                f"stands: {shortened(pairs, MOST_NAMED)}. What helped to make the cloud cannot test it.",
            )
        )
    ]


def too_good(sample: Sample, survey_m: FloatArray, speech: Speech) -> list[Mistake]:
    """Residuals far smaller than the survey's own uncertainty: the cloud was fitted to these points.

    survey_m: (n,) stated standard uncertainty per component, without the cloud's share.
    """
    n, c = sample.residual_m.shape
    if n < 8 or not (survey_m > 0).all():
        return []
    ratio2 = float(np.mean((sample.residual_m / survey_m[:, None]) ** 2))
    if ratio2 > _TOO_GOOD**2 or chdtr(n * c, ratio2 * n * c) > _TOO_GOOD_P:
        return []
    rms = float(np.sqrt(np.mean(sample.residual_m**2)))
    survey = float(np.sqrt(np.mean(survey_m**2)))
    return [
        _fact(
            suggestion(
                "control_as_check",
                float(np.sqrt(ratio2)),
                "ratio",
                f"The residuals ({speech.spread(rms)}) are far smaller than the survey's own uncertainty "
                f"({speech.spread(survey)}): was the cloud fitted to these very "
                "points, or is that uncertainty overstated?",
            )
        )
    ]


def _counted(count: int, one: str, more: str) -> str:
    return f"{count} {one if count == 1 else more}"


def _fact(mistake: Mistake) -> Mistake:
    return replace(mistake, score=FACT_SCORE)
