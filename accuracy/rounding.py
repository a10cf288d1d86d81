"""The one place where numbers are rounded, for print only.

A verdict is taken on unrounded values; a printed value never contradicts it. Where a value and
its limit would print alike although one exceeds the other, digits are added until they differ.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

from accuracy.units import LengthUnit

MINUS = "\N{MINUS SIGN}"
_MOST_EXTRA_DIGITS = 9


def fixed(value: float, decimals: int, *, signed: bool = False) -> str:
    """``value`` with that many decimals, half to even, a true minus sign and no minus zero."""
    rounded = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_EVEN)
    if rounded == 0:
        return f"{abs(rounded):.{decimals}f}"
    sign = MINUS if rounded < 0 else ("+" if signed else "")
    return f"{sign}{abs(rounded):.{decimals}f}"


def beside_limit(value: float, limit: float, decimals: int) -> str:
    """``value`` for print beside an upper or lower ``limit``: the printed pair keeps the true order."""
    exact, exact_limit = Decimal(repr(float(value))), Decimal(repr(float(limit)))
    for digits in range(decimals, decimals + _MOST_EXTRA_DIGITS):
        text = fixed(value, digits)
        if Decimal(text.replace(MINUS, "-")).compare(exact_limit) == exact.compare(exact_limit):
            return text
    return f"{exact:f}".replace("-", MINUS)


@dataclass(frozen=True, slots=True)
class LengthText:
    """Prints lengths held in metres, in the unit of the contract.

    Small lengths (residuals, uncertainties, classes) print in centimetres where the contract is
    metric, as the standards' reporting forms do, and in feet where it is not.
    """

    unit: LengthUnit = LengthUnit.METRE

    @property
    def small_symbol(self) -> str:
        """The unit of residuals: cm, ft or ftUS."""
        return "cm" if self.unit is LengthUnit.METRE else self.unit.symbol

    def _small(self, length_m: float) -> float:
        return length_m * 100 if self.unit is LengthUnit.METRE else length_m / self.unit.metres

    @property
    def _small_decimals(self) -> int:
        # 0.1 mm in either system: finer than any survey, coarse enough to read.
        return 2 if self.unit is LengthUnit.METRE else 4

    def small(self, length_m: float | None, *, signed: bool = False) -> str:
        """A residual-sized length without its unit; a dash where there is none."""
        if length_m is None:
            return "\N{EN DASH}"
        return fixed(self._small(length_m), self._small_decimals, signed=signed)

    def small_beside(self, length_m: float, limit_m: float) -> str:
        """A residual-sized length that never prints on the wrong side of its limit."""
        return beside_limit(self._small(length_m), self._small(limit_m), self._small_decimals)

    def class_value(self, length_m: float) -> str:
        """A class or limit as its owner wrote it: no padding zeros."""
        text = fixed(self._small(length_m), 6)
        return text.rstrip("0").rstrip(".")

    def large(self, length_m: float, decimals: int = 3) -> str:
        """A coordinate or distance without its unit."""
        return fixed(length_m / self.unit.metres, decimals)
