"""Which checkpoints carry the verdict: the RMSE with each one left out."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np

from accuracy.model import CheckpointInfluence, FloatArray


def leave_one_out_rmse(residual_m: FloatArray) -> FloatArray:
    """(n,) RMSEs, each without one residual of (n,), in closed form.

    For a radial figure pass radial magnitudes; for a figure that includes the survey, pass
    ``numpy.hypot(residual, survey_sigma)``, since RMSE^2 + survey RMS^2 is the mean of that squared.
    Raises ValueError below two residuals.
    """
    n = residual_m.size
    if n < 2:
        raise ValueError(f"leaving one out needs two residuals, not {n}")
    squares = residual_m**2
    # Sums before and after each one, not total minus one: a blunder would cancel the rest away.
    before = np.concatenate([[0.0], np.cumsum(squares)[:-1]])
    after = np.concatenate([np.cumsum(squares[::-1])[::-1][1:], [0.0]])
    without_m: FloatArray = np.sqrt((before + after) / (n - 1))
    return without_m


def influence(
    residual_m: FloatArray, *, ids: Sequence[str], limit_m: float | None = None
) -> tuple[CheckpointInfluence, ...]:
    """What each checkpoint does to the RMSE, the most influential first.

    ``flips`` says whether leaving that one out moves the RMSE across ``limit_m``. A flip is to be
    looked into; it is no reason to leave the checkpoint out. Empty below two residuals.
    """
    if residual_m.size < 2:
        return ()
    whole_m = float(np.sqrt(np.mean(residual_m**2)))
    found = [
        CheckpointInfluence(
            id=name,
            rmse_without_m=float(without_m),
            change_m=float(without_m) - whole_m,
            flips=limit_m is not None and (whole_m <= limit_m) != bool(without_m <= limit_m),
        )
        for name, without_m in zip(ids, leave_one_out_rmse(residual_m), strict=True)
    ]
    return tuple(sorted(found, key=lambda one: (-abs(one.change_m), one.id)))


def random_subset(ids: Sequence[str], count: int, *, seed: int) -> tuple[str, ...]:
    """``count`` of the ids, the same for the same seed whatever their order or the machine.

    Each id is ranked by the SHA-256 of seed and id: no generator's version can change the choice.
    Raises ValueError when there are fewer ids than asked for.
    """
    if not 0 <= count <= len(ids):
        raise ValueError(f"cannot choose {count} of {len(ids)} checkpoints")
    return tuple(sorted(_shuffled(ids, seed)[:count]))


def folds(ids: Sequence[str], count: int, *, seed: int) -> tuple[tuple[str, ...], ...]:
    """The ids dealt into ``count`` parts whose sizes differ by one at most; seeded as above.

    Raises ValueError for fewer than two parts, or more parts than ids.
    """
    if not 2 <= count <= len(ids):
        raise ValueError(f"cannot deal {len(ids)} checkpoints into {count} parts")
    shuffled = _shuffled(ids, seed)
    return tuple(tuple(sorted(shuffled[part::count])) for part in range(count))


def _shuffled(ids: Sequence[str], seed: int) -> list[str]:
    return sorted(ids, key=lambda name: (hashlib.sha256(f"{seed}:{name}".encode()).digest(), name))
