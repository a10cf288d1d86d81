"""The one place where numbers are rounded, for print only, and where a length is held against a limit.

A verdict is taken on unrounded values; a printed value never contradicts it. Where a value and
its limit would print alike although one exceeds the other, digits are added until they differ.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction

from accuracy.units import LengthUnit

MINUS = "\N{MINUS SIGN}"
KILOMETRES_PER_MILE = 1.609344
"""International mile, exact: 5280 international feet (NIST SP 811, 2008, B.8)."""
_MOST_EXTRA_DIGITS = 9
NOISE_M = 1e-9
"""Lengths that differ by less are the same length. A double near 8 000 000 m, a UTM northing, is good to
half of 2**-30 m, 0.47 nm; a residual is the difference of two. A residual of 12 mm between coordinates
in millimetres is then off by up to 0.93 nm, which no survey measured and no verdict may turn on."""


def exceeds(value_m: float, limit_m: float) -> bool:
    """Whether a length lies above its limit: the one comparison of every rule and every printed pair."""
    return value_m - limit_m > NOISE_M


def fixed(value: float, decimals: int, *, signed: bool = False) -> str:
    """``value`` with that many decimals, half to even, a true minus sign and no minus zero."""
    rounded = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_EVEN)
    if rounded == 0:
        return f"{abs(rounded):.{decimals}f}"
    sign = MINUS if rounded < 0 else ("+" if signed else "")
    return f"{sign}{abs(rounded):.{decimals}f}"


def counted(n: int, noun: str) -> str:
    """A number and its noun, in the plural where it needs one: 1 checkpoint, 36 checkpoints, 1,200 points."""
    return f"{n:,} {noun}{'' if n == 1 else 's'}"


def in_a_row(names: Iterable[str], last: str = "and") -> str:
    """Names as a sentence lists them: a, b and c; or with another word before the last."""
    *most, end = names
    return f"{', '.join(most)} {last} {end}" if most else end


def shortened(names: Sequence[str], most: int) -> str:
    """The first so many of the names, and how many more there are: a, b and 3 more."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


def at_places(n: int, places: int | None, noun: str = "checkpoint") -> str:
    """How many there are, and at how many places where some share one: 36 checkpoints at 35 places."""
    said = counted(n, noun)
    return said if places in (None, n) else f"{said} at {places:,} {'place' if places == 1 else 'places'}"


def places_beside(n: int, places: int | None) -> str:
    """The same for the cell of a table, whose heading says what it counts: 36 at 35."""
    return f"{n:,}" if places in (None, n) else f"{n:,} at {places:,}"


def speed(km_per_h: float, unit: LengthUnit = LengthUnit.METRE, *, in_brackets: bool = False) -> str:
    """A speed for print: 12 km/h, 12.5 km/h; for a contract in either foot 7.5 mph (12 km/h).

    Where that itself stands ``in_brackets``: 7.5 mph, 12 km/h.
    """
    said = speeds((km_per_h,), unit)
    return said.replace(" (", ", ").rstrip(")") if in_brackets else said


def speeds(km_per_h: Iterable[float], unit: LengthUnit = LengthUnit.METRE, *, between: str = ", ") -> str:
    """The same of several, with the unit once: 6, 12 km/h; or of a span, with " to " between."""
    given = tuple(km_per_h)

    def listed(name: str, each_km_per_h: float) -> str:
        printed = dict.fromkeys(_unpadded(fixed(one / each_km_per_h, 1)) for one in given)
        return f"{between.join(printed)} {name}"

    metric = listed("km/h", 1.0)
    return metric if unit is LengthUnit.METRE else f"{listed(*speed_unit(unit))} ({metric})"


def speed_unit(unit: LengthUnit) -> tuple[str, float]:
    """The unit of speeds beside a contract's unit of length, for axes and slopes, and what it is in km/h."""
    return ("km/h", 1.0) if unit is LengthUnit.METRE else ("mph", KILOMETRES_PER_MILE)


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

    def small_change(self, change_m: float) -> str:
        """A signed change with as many digits as show it, so that none prints as no change."""
        if 0 < abs(change_m) < NOISE_M:
            return f"under {_unpadded(fixed(self._small(NOISE_M), 9))}"
        for decimals in range(self._small_decimals, self._small_decimals + _MOST_EXTRA_DIGITS):
            said = fixed(self._small(change_m), decimals, signed=True)
            if change_m == 0 or said.strip(f"+{MINUS}0."):
                break
        return said

    def small_beside(self, length_m: float, limit_m: float) -> str:
        """A residual-sized length that never prints on the wrong side of its limit."""
        # Free of the last bits that the change of unit adds, which are far below the noise.
        limit = round(self._small(limit_m), 9)
        same = abs(length_m - limit_m) <= NOISE_M
        return beside_limit(limit if same else self._small(length_m), limit, self._small_decimals)

    def class_value(self, length_m: float) -> str:
        """A class or limit as its owner wrote it: no padding zeros.

        One that needs more than a digit beyond those of a figure was computed from another or
        converted, and is rounded like a figure.
        """
        text = _unpadded(fixed(self._small(length_m), 6))
        if len(text.partition(".")[2]) <= self._small_decimals + 1:
            return text
        rounded = _unpadded(self.small(length_m))
        return text if rounded == "0" else rounded

    def large(self, length_m: float, decimals: int = 3) -> str:
        """A coordinate or distance without its unit."""
        return fixed(length_m / self.unit.metres, decimals)


# --------------------------------------------------------------------------- figures beside their limits


def printed_pair(value_m: float, limit_m: float, text: LengthText) -> tuple[str, str]:
    """A figure and its limit in the contract's small unit (cm, ft or ftUS), without the unit.

    The figure prints above its limit exactly when it exceeds it, however small the excess: digits
    are added until that holds.
    """
    unit = Fraction(1, 100) if text.unit is LengthUnit.METRE else text.unit.exact_metres
    return _pair(value_m, limit_m, unit, text.small(value_m), text.class_value(limit_m))


def printed_pair_large(value_m: float, limit_m: float, text: LengthText) -> tuple[str, str]:
    """The same in metres or feet."""
    limit = _unpadded(fixed(limit_m / text.unit.metres, 6))
    return _pair(value_m, limit_m, text.unit.exact_metres, text.large(value_m), limit)


def _pair(value_m: float, limit_m: float, unit: Fraction, value: str, limit: str) -> tuple[str, str]:
    exact_value, exact_limit = Fraction(value_m) / unit, Fraction(limit_m) / unit
    decimals = len(value.partition(".")[2])
    # A float carries 17 significant digits: 30 decimals separate any two that a survey can produce.
    for limit_text in (limit, *(_unpadded(_exactly(exact_limit, d)) for d in range(decimals + 1, 31))):
        for value_text in (value, *(_exactly(exact_value, d) for d in range(decimals, 31))):
            if exceeds(value_m, limit_m) == (_number(value_text) > _number(limit_text)):
                return value_text, limit_text
    return str(exact_value), str(exact_limit)


def held_apart(value: float, floor: float, *, times: int = 1, decimals: int) -> str:
    """``times`` a value for print, never rounded across ``times`` its floor."""
    exact, limit = Fraction(value) * times, Decimal(repr(floor)) * times
    for digits in range(decimals, 31):
        printed = _exactly(exact, digits)
        if (value < floor) == (_number(printed) < limit):
            return printed
    return str(exact)


def _exactly(value: Fraction, decimals: int) -> str:
    scaled = round(value * 10**decimals)  # half to even, exact
    return f"{Decimal(scaled).scaleb(-decimals):.{decimals}f}".replace("-", MINUS)


def _number(printed: str) -> Decimal:
    return Decimal(printed.replace(MINUS, "-"))


def _unpadded(printed: str) -> str:
    return printed.rstrip("0").rstrip(".") if "." in printed else printed
