"""One cell of a table to a number, in the decimal mark of the table. Knows nothing of rows or columns."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

DecimalMark = Literal[".", ","]

_SPACES = " \u00a0\u2007\u2009\u202f"
_APOSTROPHES = "'\u2019\u02bc"
_MINUS = "-\u2212\u2013\ufe63\uff0d"
_PLAIN_MINUS = dict.fromkeys(map(ord, _MINUS), "-")
_SIGN = "[+" + re.escape(_MINUS) + "]"  # escaped: a bare hyphen would make a range that holds the digits

EMPTY = frozenset(
    {"", "-", "--", "---", "n/a", "na", "#n/a", "nan", "null", "none", "nil", "*", "?", "\u2013", "\u2014"}
)
"""What people and programs write where there is no value (lower case)."""


def _pattern(decimal: str, other: str) -> re.Pattern[str]:
    group = f"[{re.escape(_SPACES + _APOSTROPHES + other)}]"
    return re.compile(
        rf"(?P<sign>{_SIGN}?)[{_SPACES}]?"
        # Grouped in threes by one and the same sign, never with a leading zero; or not grouped.
        rf"(?P<whole>[1-9]\d{{0,2}}(?P<group>{group})\d{{3}}(?:(?P=group)\d{{3}})*|\d*)"
        rf"(?:{re.escape(decimal)}(?P<part>\d*))?"
        rf"(?:[eE](?P<exponent>{_SIGN}?\d{{1,3}}))?"
        rf"[{_SPACES}]*(?P<suffix>[A-Za-z][A-Za-z .]*)?",
        re.ASCII,
    )


_PATTERNS = {".": _pattern(".", ","), ",": _pattern(",", ".")}
_STRICT = re.compile(rf"{_SIGN}?\d+(?:[.,]\d*)?|{_SIGN}?[.,]\d+", re.ASCII)
_PLAIN = {
    ".": re.compile(r"[+-]?\d+(?:\.\d*)?", re.ASCII),
    ",": re.compile(r"[+-]?\d+(?:,\d*)?", re.ASCII),
}
_ARC = re.compile(
    rf"(?P<before>[NSEW])?[{_SPACES}]*(?P<sign>{_SIGN}?)(?P<degrees>\d{{1,3}}(?:[.,]\d+)?)"
    rf"(?:[{_SPACES}]*[°ºd:{_SPACES}][{_SPACES}]*(?P<minutes>\d{{1,2}}(?:[.,]\d+)?)"
    rf"(?:[{_SPACES}]*['\u2032\u2019m:{_SPACES}][{_SPACES}]*(?P<seconds>\d{{1,2}}(?:[.,]\d+)?))?)?"
    rf"[{_SPACES}]*(?:[°º\"\u2033\u201d'\u2032\u2019ms]|'')?[{_SPACES}]*(?P<after>[NSEW])?",
    re.ASCII | re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class ReadNumber:
    """A number and how it was written."""

    value: float
    step: float
    """Value of the last written digit."""
    grouped: bool = False
    scientific: bool = False
    suffix: str = ""
    """Letters after the number: a unit; for an angle, the letter of its hemisphere."""


def is_empty(cell: str) -> bool:
    """Whether a cell says that there is no value."""
    return cell in {"", "-"} or cell.lower() in EMPTY


def plain_number(cell: str, decimal_mark: DecimalMark) -> ReadNumber | None:
    """The common case, quickly: a sign, digits and a decimal mark, and nothing else."""
    if not _PLAIN[decimal_mark].fullmatch(cell):
        return None
    return ReadNumber(float(cell.replace(",", ".")), 10.0 ** -len(cell.partition(decimal_mark)[2]))


def read_number(cell: str, decimal_mark: DecimalMark) -> ReadNumber | None:
    """A cell as a number; None where it is none. Signs, grouping, exponents and units are understood."""
    # A leading apostrophe keeps a spreadsheet from reading a number; it is no part of the value.
    found = _PATTERNS[decimal_mark].fullmatch(cell.removeprefix("'"))
    if not found:
        return None
    group = found["group"]
    whole = found["whole"].replace(group, "") if group else found["whole"]
    part = found["part"] or ""
    if not whole and not part:
        return None
    sign = "-" if found["sign"] and found["sign"] in _MINUS else ""
    exponent = found["exponent"]
    power = int(exponent.translate(_PLAIN_MINUS)) if exponent else 0
    return ReadNumber(
        # float of the whole text: correctly rounded, which sums and products of parts are not.
        value=float(f"{sign}{whole or '0'}.{part or '0'}e{power}"),
        step=float(f"1e{power - len(part)}"),
        grouped=group is not None,
        scientific=exponent is not None,
        suffix=(found["suffix"] or "").strip(" ."),
    )


def looks_numeric(cell: str) -> bool:
    """Whether a cell is a number in either decimal mark, or an angle in degrees, minutes, seconds."""
    return (
        _STRICT.fullmatch(cell) is not None
        or read_number(cell, ".") is not None
        or read_number(cell, ",") is not None
        or is_arc(cell)
    )


def strictly_numeric(cell: str) -> bool:
    """Whether a cell is a number without grouping, exponent or unit."""
    return _STRICT.fullmatch(cell) is not None


def is_arc(cell: str) -> bool:
    """Whether a cell is written as an angle: with a degree sign, or in degrees and minutes."""
    found = _ARC.fullmatch(cell)
    return found is not None and (
        "°" in cell
        or "º" in cell
        or (found["minutes"] is not None and re.search("[d:'\u2032\u2019]", cell) is not None)
    )


def read_degrees(cell: str, decimal_mark: DecimalMark) -> ReadNumber | None:
    """Decimal degrees, or degrees, minutes and seconds, with a sign or a letter N, S, E, W; else None."""
    plain = read_number(cell, decimal_mark)
    if plain is not None and not plain.suffix:
        return plain
    found = _ARC.fullmatch(cell)
    if not found or (found["before"] and found["after"]):
        return None
    parts = [found["degrees"], found["minutes"], found["seconds"]]
    values = [float(part.replace(",", ".")) if part else 0.0 for part in parts]
    if values[1] >= 60 or values[2] >= 60:
        return None
    last = max(i for i, part in enumerate(parts) if part)
    text = parts[last].replace(",", ".")
    decimals = len(text.partition(".")[2])
    letter = (found["before"] or found["after"] or "").upper()
    negative = (found["sign"] != "" and found["sign"] in _MINUS) != (letter in {"S", "W"} and letter != "")
    value = values[0] + values[1] / 60 + values[2] / 3600
    return ReadNumber(value=-value if negative else value, step=10.0**-decimals / 60**last, suffix=letter)


@dataclass(frozen=True, slots=True)
class DecimalChoice:
    """The table's decimal mark; ``clash`` names two cells that cannot share one."""

    mark: DecimalMark
    assumed: bool = False
    """True where every number could be read either way."""
    clash: tuple[str, str] | None = None


def choose_decimal_mark(cells: Iterable[str]) -> DecimalChoice:
    """Decide from all measured cells of a table which sign is the decimal mark.

    ``12,345`` alone could be either; ``426123,45`` or ``0,012`` could not. One table has one mark.
    """
    only: dict[str, str] = {}
    open_with: dict[str, str] = {}
    for cell in cells:
        points, commas = cell.count("."), cell.count(",")
        if not points and not commas:
            continue
        if (not commas and points == 1 and "." in only) or (not points and commas == 1 and "," in only):
            continue  # it can only confirm what is known
        as_point, as_comma = read_number(cell, "."), read_number(cell, ",")
        if as_point and as_comma:
            open_with.setdefault("," if commas else ".", cell)
        elif as_point:
            only.setdefault(".", cell)
        elif as_comma:
            only.setdefault(",", cell)
    if len(only) == 2:
        return DecimalChoice(".", clash=(only["."], only[","]))
    if only:
        return DecimalChoice("." if "." in only else ",")
    if len(open_with) == 2:
        return DecimalChoice(".", clash=(open_with["."], open_with[","]))
    if "," in open_with:
        return DecimalChoice(",", assumed=True)
    return DecimalChoice(".")


@dataclass(frozen=True, slots=True)
class DoubtfulGroup:
    """A number such as ``12,112`` in a table with decimal points: 12.112, or twelve thousand?"""

    column: int
    cell: str
    beside: str | None
    """A cell of the same column with the table's own decimal mark; None where it has none."""


def doubtful_group(columns: Sequence[Sequence[str]], mark: DecimalMark) -> DoubtfulGroup | None:
    """The first number whose one other mark nothing in the table proves to be a thousands separator.

    Proof is a cell with both marks or with the other mark twice: ``1,234.56``, ``6,031,249``. A column in
    which cells have the decimal mark needs its own; any other column takes the table's.
    """
    other: DecimalMark = "," if mark == "." else "."
    proved = [any(other in cell and (mark in cell or cell.count(other) > 1) for cell in c) for c in columns]
    for index, cells in enumerate(columns):
        doubtful = next(
            (
                cell
                for cell in cells
                if other in cell
                and mark not in cell
                and cell.count(other) == 1
                and read_number(cell, mark)
                and read_number(cell, other)
            ),
            None,
        )
        if doubtful is None or proved[index]:
            continue
        beside = next((cell for cell in cells if mark in cell and other not in cell), None)
        if beside is not None or not any(proved):
            return DoubtfulGroup(index, doubtful, beside)
    return None
