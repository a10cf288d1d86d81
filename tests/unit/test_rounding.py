"""Rounding for print: half to even, a true minus sign, and never on the wrong side of a limit."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from accuracy.rounding import MINUS, LengthText, beside_limit, fixed, in_a_row, printed_pair, speed, speeds
from accuracy.units import LengthUnit

LIMITS = st.sampled_from([0.0, 2.0, 3.0, 5.0, 0.05, -1.5, 0.1, 19.9])


def read(text: str) -> Decimal:
    """A printed number, exactly."""
    return Decimal(text.replace(MINUS, "-"))


@pytest.mark.parametrize(
    ("value", "limit", "decimals", "printed"),
    [
        (5.004, 5.0, 2, "5.004"),
        (4.996, 5.0, 2, "4.996"),
        (5.0, 5.0, 2, "5.00"),
        (4.99, 5.0, 2, "4.99"),
        (1.96, 2.0, 1, "1.96"),
        (2.04, 2.0, 1, "2.04"),
        (1.9, 2.0, 1, "1.9"),
        (-0.0, 0.0, 2, "0.00"),
        (-1e-4, 0.0, 2, f"{MINUS}0.0001"),
        (1e-15, 0.0, 2, "0.000000000000001"),
        (-1e-15, 0.0, 2, f"{MINUS}0.000000000000001"),
        (-1.504, -1.5, 2, f"{MINUS}1.504"),
        (0.30000000000000004, 0.3, 1, "0.30000000000000004"),
    ],
)
def test_a_value_prints_on_its_side_of_the_limit(
    value: float, limit: float, decimals: int, printed: str
) -> None:
    """Just over, just under and at an upper or a lower limit; digits are added only where needed."""
    assert beside_limit(value, limit, decimals) == printed


@given(limit=LIMITS, offset=st.floats(-1.0, 1.0) | st.floats(-1e-9, 1e-9), decimals=st.integers(0, 4))
def test_printed_order_is_true_order(limit: float, offset: float, decimals: int) -> None:
    """Above, below and equal stay so in print, whichever side the limit guards."""
    value = limit + offset
    printed = read(beside_limit(value, limit, decimals))
    exact = Decimal(repr(limit))
    assert printed.compare(exact) == Decimal(repr(value)).compare(exact)


@given(value=st.floats(-1e6, 1e6), limit=LIMITS, decimals=st.integers(0, 4))
def test_the_printed_value_is_the_value(value: float, limit: float, decimals: int) -> None:
    """However many digits are added, the print is within half a unit of the digits that were asked for."""
    assert abs(read(beside_limit(value, limit, decimals)) - Decimal(repr(value))) <= Decimal("0.5").scaleb(
        -decimals
    )


@pytest.mark.parametrize(
    ("value", "decimals", "signed", "printed"),
    [
        (0.125, 2, False, "0.12"),
        (0.135, 2, False, "0.14"),
        (-0.004, 2, True, "0.00"),
        (0.004, 2, True, "0.00"),
        (0.006, 2, True, "+0.01"),
        (-0.006, 2, False, f"{MINUS}0.01"),
        (1234567.5, 0, False, "1234568"),
    ],
)
def test_fixed_rounds_half_to_even_without_minus_zero(
    value: float, decimals: int, signed: bool, printed: str
) -> None:
    """Ties go to the even digit; a rounded zero carries no sign."""
    assert fixed(value, decimals, signed=signed) == printed


@pytest.mark.parametrize(
    ("unit", "length_m", "printed"),
    [
        (LengthUnit.METRE, 0.03, "3"),
        (LengthUnit.METRE, 0.125 * 0.09, "1.125"),  # a digit beyond a figure's: as its owner wrote it
        (LengthUnit.METRE, 0.00974354, "0.97"),
        (LengthUnit.METRE, 0.01676071, "1.68"),
        (LengthUnit.METRE, 0.1, "10"),
        (LengthUnit.METRE, 0.0000123, "0.00123"),  # never rounded to nothing
        (LengthUnit.INTERNATIONAL_FOOT, 0.03, "0.0984"),
        (LengthUnit.INTERNATIONAL_FOOT, 0.15 * 0.3048, "0.15"),
    ],
)
def test_limits_print_as_written_or_as_a_figure(unit: LengthUnit, length_m: float, printed: str) -> None:
    """What an owner wrote keeps its digits; what was computed or converted is rounded like a figure."""
    assert LengthText(unit).class_value(length_m) == printed


@pytest.mark.parametrize(
    ("value_m", "limit_m", "pair"),
    [
        (0.016771, 0.01676071, ("1.68", "1.676")),  # above, though both round to 1.68
        (0.016750, 0.01676071, ("1.68", "1.68")),
        (0.009745, 0.00974354, ("0.975", "0.97")),
        (0.0113, 0.01125, ("1.13", "1.125")),
    ],
)
def test_a_rounded_limit_never_hides_an_excess(value_m: float, limit_m: float, pair: tuple[str, str]) -> None:
    """Digits are added to either until the printed pair stands as the true one."""
    assert printed_pair(value_m, limit_m, LengthText()) == pair


@pytest.mark.parametrize(
    ("unit", "value_m", "limit_m", "printed"),
    [
        (LengthUnit.METRE, 0.050004, 0.05, "5.0004"),
        (LengthUnit.METRE, 0.049996, 0.05, "4.9996"),
        (LengthUnit.INTERNATIONAL_FOOT, 0.1 * 0.3048, 0.1 * 0.3048, "0.1000"),
    ],
)
def test_lengths_keep_their_side_in_the_contracts_unit(
    unit: LengthUnit, value_m: float, limit_m: float, printed: str
) -> None:
    """The comparison is made in the unit that is printed."""
    assert LengthText(unit).small_beside(value_m, limit_m) == printed


@pytest.mark.parametrize(
    ("unit", "km_per_h", "printed"),
    [
        (LengthUnit.METRE, 12.0, "12 km/h"),
        (LengthUnit.METRE, 12 / 3.6 * 3.6, "12 km/h"),
        (LengthUnit.METRE, 12.5, "12.5 km/h"),
        (LengthUnit.METRE, 100.0, "100 km/h"),
        # A mile is 1.609344 km, exactly: 1.609344 km/h is 1 mph, 48.28032 km/h is 30.
        (LengthUnit.INTERNATIONAL_FOOT, 1.609344, "1 mph (1.6 km/h)"),
        (LengthUnit.US_SURVEY_FOOT, 48.28032, "30 mph (48.3 km/h)"),
        (LengthUnit.INTERNATIONAL_FOOT, 12.0, "7.5 mph (12 km/h)"),
    ],
)
def test_speeds_have_one_rendering(unit: LengthUnit, km_per_h: float, printed: str) -> None:
    """No padding zero, a decimal where there is one; a contract in feet reads miles per hour first."""
    assert speed(km_per_h, unit) == printed


def test_several_speeds_have_their_unit_once() -> None:
    """A list and a span, in either unit; equal prints are told once."""
    assert speeds((6, 12.5, 12.5)) == "6, 12.5 km/h"
    assert speeds((5, 10), LengthUnit.US_SURVEY_FOOT, between=" to ") == "3.1 to 6.2 mph (5 to 10 km/h)"


@pytest.mark.parametrize(
    ("names", "last", "row"),
    [(["a"], "and", "a"), (["a", "b"], "and", "a and b"), (["a", "b", "c"], "or", "a, b or c")],
)
def test_names_in_a_row(names: list[str], last: str, row: str) -> None:
    """Commas between, one word before the last."""
    assert in_a_row(names, last) == row
