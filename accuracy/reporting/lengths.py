"""Lengths in the record's sentences, which are metric, in the contract's unit. Before every view.

The record says why something was refused, what was odd and how it was set in metres and millimetres,
whatever the contract's unit. Here a sentence is put into that unit, each length with as many digits as
it was known to. Names that users gave are passed in to be left alone, as is what stands in quotes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from accuracy.rounding import MINUS, fixed, speed_unit, speeds
from accuracy.units import LengthUnit

_POWER = {"mm": -3, "cm": -2, "m": 0, "km": 3}
_NUMBER = rf"[+\-{MINUS}]?\d+(?:,\d{{3}})*(?:\.\d+)?"
_LENGTH = re.compile(
    rf"(?<![\w.,/])(?:(?P<from>{_NUMBER}) to )?(?P<number>{_NUMBER}) (?:(?P<unit>mm|cm|km|m)"
    r"(?P<per> per (?:100 )?m| per km/h)?(?![\w/\N{SUPERSCRIPT TWO}])|(?P<speed>km/h))"
)
_QUOTED = r'"[^"]*"'
_SAID = r"[\d.]+ mph(?:, | \()[\d., to]+ km/h"


def in_unit(said: str, unit: LengthUnit, keep: Iterable[str] = ()) -> str:
    """``said`` with its metric lengths in ``unit``; whole metres under 100 get a decimal.

    ``keep`` are names of runs, references and files that may look like lengths.
    """
    if unit is LengthUnit.METRE:
        return said
    names = [re.escape(name) for name in sorted(set(keep), key=len, reverse=True) if name]
    # Every other part is one that stays as it is.
    parts = re.split(f"({'|'.join([_QUOTED, _SAID, *names])})", said)
    return "".join(
        part if k % 2 else _LENGTH.sub(lambda found: _converted(found, unit), part)
        for k, part in enumerate(parts)
    )


def _converted(found: re.Match[str], unit: LengthUnit) -> str:
    ends = [part for part in (found["from"], found["number"]) if part]
    if found["speed"] is not None:
        # The record's own km/h stand in brackets behind it.
        return speeds((float(part.replace(",", "")) for part in ends), unit, between=" to ")
    power, symbol, per, unit_m = _POWER[found["unit"]], unit.symbol, found["per"] or "", unit.metres
    if per.endswith("km/h"):
        name, km_per_h = speed_unit(unit)
        per, unit_m = f" per {name}", unit.metres / km_per_h
    elif per:
        # A slope is the same share of any unit.
        per, unit_m = per.removesuffix("m") + symbol, 1.0
    return f"{' to '.join(_number(part, power, unit_m) for part in ends)} {symbol}{per}"


def _number(printed: str, power: int, unit_m: float) -> str:
    value_m = float(printed.replace(",", "").replace(MINUS, "-")) * 10.0**power
    # A foot is about a third of a metre: as many decimals of it are just as fine.
    decimals = max(len(printed.partition(".")[2]) - power, 0)
    if value_m == 0:
        return fixed(0.0, decimals)
    if decimals == 0 and abs(value_m) < 100:
        decimals = 1
    shown = fixed(value_m / unit_m, decimals, signed=printed.startswith("+"))
    return shown if "," not in printed else _with_thousands(shown)


def _with_thousands(shown: str) -> str:
    whole, point, rest = shown.partition(".")
    return re.sub(r"(?<=\d)(?=(\d{3})+$)", ",", whole) + point + rest
