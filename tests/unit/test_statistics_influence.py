"""Leave-one-out figures and seeded choices of checkpoints."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from accuracy.statistics.influence import folds, influence, leave_one_out_rmse, random_subset

IDS = [f"TQ{i:02d}" for i in range(20)]


@given(st.lists(st.floats(-5, 5), min_size=2, max_size=30))
def test_closed_form_equals_leaving_out(values: list[float]) -> None:
    """The closed form gives what leaving each one out in turn gives."""
    r = np.array(values)
    expected = [np.sqrt(np.mean(np.delete(r, i) ** 2)) for i in range(r.size)]
    assert leave_one_out_rmse(r) == pytest.approx(expected, rel=1e-12, abs=1e-150)


def test_a_blunder_does_not_cancel_the_rest() -> None:
    """Millimetres are still there when a residual of 100 km beside them is left out."""
    r = np.array([0.001, -0.001, 1e5, 0.001])
    assert leave_one_out_rmse(r)[2] == pytest.approx(0.001, rel=1e-12)


def test_one_residual_cannot_be_left_out() -> None:
    """Leaving out the only checkpoint leaves no figure."""
    with pytest.raises(ValueError, match="needs two residuals, not 1"):
        leave_one_out_rmse(np.array([0.02]))
    assert influence(np.array([0.02]), ids=["a"]) == ()


def test_flips_across_the_limit() -> None:
    """Only the removals that move the RMSE across the limit are said to flip it, in either direction."""
    r = np.array([0.03, 0.01, 0.01, 0.0])
    # RMSE 0.01658; without a 0.00816, without b or c 0.01826, without d 0.01915.
    over = {one.id: one.flips for one in influence(r, ids=list("abcd"), limit_m=0.015)}
    assert over == {"a": True, "b": False, "c": False, "d": False}
    under = {one.id: one.flips for one in influence(r, ids=list("abcd"), limit_m=0.0185)}
    assert under == {"a": False, "b": False, "c": False, "d": True}
    assert influence(r, ids=list("abcd"))[0].id == "a"
    assert influence(r, ids=list("abcd"))[0].change_m == pytest.approx(0.00816 - 0.01658, abs=1e-5)
    assert not any(one.flips for one in influence(r, ids=list("abcd")))


def test_at_the_limit_is_within_it() -> None:
    """An RMSE exactly at the limit meets it, so removals that lower it flip nothing."""
    r = np.array([0.02, -0.02, 0.02])
    assert not any(one.flips for one in influence(r, ids=list("abc"), limit_m=0.02))


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
