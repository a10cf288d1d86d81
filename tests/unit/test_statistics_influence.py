"""Leave-one-out figures and seeded choices of checkpoints."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from accuracy.statistics.influence import folds, influence, random_subset

IDS = [f"TQ{i:02d}" for i in range(20)]


def without_each(r: np.ndarray) -> list[float]:
    """The RMSE of (n,) residuals with each one left out in turn."""
    return [float(np.sqrt(np.mean(np.delete(r, i) ** 2))) for i in range(r.size)]


def test_flips_across_the_limit() -> None:
    """Only the removals that move the figure across the limit are said to flip it, in either direction."""
    r = np.array([0.03, 0.01, 0.01, 0.0])
    # RMSE 0.01658; without a 0.00816, without b or c 0.01826, without d 0.01915.
    found = partial(influence, float(np.sqrt(np.mean(r**2))), without_each(r), ids=list("abcd"))
    over = {one.id: one.flips for one in found(limit_m=0.015)}
    assert over == {"a": True, "b": False, "c": False, "d": False}
    under = {one.id: one.flips for one in found(limit_m=0.0185)}
    assert under == {"a": False, "b": False, "c": False, "d": True}
    assert found()[0].id == "a"
    assert found()[0].change_m == pytest.approx(0.00816 - 0.01658, abs=1e-5)
    assert not any(one.flips for one in found())


@pytest.mark.parametrize("noise_m", [0.0, 4e-10, -4e-10])
def test_at_the_limit_is_within_it(noise_m: float) -> None:
    """A figure at the limit, give or take the noise of coordinates, meets it: removals flip nothing."""
    found = influence(0.02 + noise_m, [0.02 - noise_m] * 3, ids=list("abc"), limit_m=0.02)
    assert not any(one.flips for one in found)


def test_random_subset_is_the_same_everywhere() -> None:
    """The choice hangs on seed and ids alone, not on their order.

    The expected ids were ranked by the shell's own sha256sum of "7:TQ00" and so on.
    """
    chosen = random_subset(IDS, 5, seed=7)
    assert chosen == random_subset(IDS[::-1], 5, seed=7)
    assert chosen == ("TQ00", "TQ07", "TQ12", "TQ15", "TQ16")
    assert chosen != random_subset(IDS, 5, seed=8)


def test_random_subset_is_fair() -> None:
    """Over 2,000 seeds each of 20 checkpoints is chosen about a quarter of the time."""
    counts = dict.fromkeys(IDS, 0)
    for seed in range(2000):
        for name in random_subset(IDS, 5, seed=seed):
            counts[name] += 1
    # Three standard errors of a share of 0.25 over 2,000 draws, widened for 20 ids: 4 of them.
    assert all(abs(count - 500) < 4 * (2000 * 0.25 * 0.75) ** 0.5 for count in counts.values())


@pytest.mark.parametrize("count", [2, 3, 7, 20])
def test_folds_deal_out_every_checkpoint_once(count: int) -> None:
    """Parts are disjoint, complete and equal but for one."""
    parts = folds(IDS, count, seed=3)
    assert sorted(name for part in parts for name in part) == IDS
    assert max(map(len, parts)) - min(map(len, parts)) <= 1


def test_impossible_choices_are_refused() -> None:
    """More checkpoints or parts than there are, or a single part, is an error in words."""
    with pytest.raises(ValueError, match="cannot choose 21 of 20"):
        random_subset(IDS, 21, seed=0)
    with pytest.raises(ValueError, match="cannot deal 20 checkpoints into 1 parts"):
        folds(IDS, 1, seed=0)
    with pytest.raises(ValueError, match="into 21 parts"):
        folds(IDS, 21, seed=0)
