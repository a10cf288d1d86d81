"""Which checkpoints carry the verdict: the tested figure with each one left out."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from accuracy.model import CheckpointInfluence
from accuracy.rounding import exceeds


def influence(
    whole_m: float, without_m: Sequence[float], *, ids: Sequence[str], limit_m: float | None = None
) -> tuple[CheckpointInfluence, ...]:
    """What each checkpoint does to a figure, the most influential first.

    ``without_m`` holds the figure without each of ``ids``. ``flips`` says whether leaving that one out
    moves the figure across ``limit_m``. A flip is to be looked into; it is no reason to leave the
    checkpoint out.
    """
    found = [
        CheckpointInfluence(
            id=name,
            rmse_without_m=one_m,
            change_m=one_m - whole_m,
            flips=limit_m is not None and exceeds(whole_m, limit_m) != exceeds(one_m, limit_m),
        )
        for name, one_m in zip(ids, without_m, strict=True)
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
