"""How rules and statements print what is no length: shares, numbers with their nouns, names in a row."""

from __future__ import annotations

from collections.abc import Sequence

from accuracy.rounding import held_apart


def percent(share: float, floor: float) -> str:
    """A share (0 to 1) in percent, without the sign, never rounded across its floor."""
    return held_apart(share, floor, times=100, decimals=1)


def count(number: int, noun: str = "checkpoint") -> str:
    """A number and its noun: "1 checkpoint", "30 checkpoints"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def listed(ids: Sequence[str], at_most: int = 8) -> str:
    """Names in a row, shortened when there are many."""
    shown = ", ".join(ids[:at_most])
    return shown if len(ids) <= at_most else f"{shown} and {len(ids) - at_most} more"
