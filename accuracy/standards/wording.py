"""How rules and statements print: figures beside their limits, numbers with their nouns.

A printed pair never contradicts the true one: the figure prints above its limit exactly when it is
above it, however small the excess. Digits are added until that holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from accuracy.rounding import MINUS, LengthText, fixed
from accuracy.units import LengthUnit


def printed_pair(
    value_m: float, limit_m: float, text: LengthText, *, derived: bool = False
) -> tuple[str, str]:
    """A figure and its limit in the contract's small unit (cm, ft or ftUS), without the unit.

    A limit prints as its owner wrote it; one that was ``derived`` from a class is rounded like a figure.
    """
    unit = Fraction(1, 100) if text.unit is LengthUnit.METRE else text.unit.exact_metres
    limit = _unpadded(text.small(limit_m)) if derived else text.class_value(limit_m)
    return _pair(value_m, limit_m, unit, text.small(value_m), limit)


def printed_pair_large(value_m: float, limit_m: float, text: LengthText) -> tuple[str, str]:
    """The same in metres or feet."""
    limit = _unpadded(fixed(limit_m / text.unit.metres, 6))
    return _pair(value_m, limit_m, text.unit.exact_metres, text.large(value_m), limit)


def _pair(value_m: float, limit_m: float, unit: Fraction, value: str, limit: str) -> tuple[str, str]:
    exact_value, exact_limit = Fraction(value_m) / unit, Fraction(limit_m) / unit
    decimals = len(value.partition(".")[2])
    # A float carries 17 significant digits: 30 decimals separate any two that a survey can produce.
    for limit_text in (limit, *(_unpadded(_exactly(exact_limit, d)) for d in range(9, 31, 3))):
        for value_text in (value, *(_exactly(exact_value, d) for d in range(decimals, 31))):
            if (value_m > limit_m) == (_number(value_text) > _number(limit_text)):
                return value_text, limit_text
    return str(exact_value), str(exact_limit)


def _exactly(value: Fraction, decimals: int) -> str:
    scaled = round(value * 10**decimals)  # half to even, exact
    return f"{Decimal(scaled).scaleb(-decimals):.{decimals}f}".replace("-", MINUS)


def _number(printed: str) -> Decimal:
    return Decimal(printed.replace(MINUS, "-"))


def _unpadded(printed: str) -> str:
    return printed.rstrip("0").rstrip(".")


def held_apart(value: float, floor: float, *, times: int = 1, decimals: int) -> str:
    """``times`` a value for print, never rounded across ``times`` its floor."""
    exact, limit = Fraction(value) * times, Decimal(repr(floor)) * times
    for digits in range(decimals, 31):
        printed = _exactly(exact, digits)
        if (value < floor) == (_number(printed) < limit):
            return printed
    return str(exact)


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
