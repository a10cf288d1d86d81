"""What one heading says by itself: column, unit, kind of height. Used by the table's header and units."""

from __future__ import annotations

import math
import re
import unicodedata
from functools import lru_cache
from typing import NamedTuple

from accuracy.errors import FrameError
from accuracy.model import HeightKind
from accuracy.reading import table_words as words
from accuracy.units import LengthUnit, parse_length_unit


class Unit(NamedTuple):
    """A unit as a heading or cell writes it."""

    name: str
    metres: float
    """NaN for a unit that cannot be read, so that it is refused and not taken for metres."""
    loose_foot: bool = False
    """"ft", "foot" or "feet": which of the two feet is open."""


class Heading(NamedTuple):
    """One heading, understood as far as it goes by itself."""

    role: str | None
    unit: Unit | None
    height_kind: HeightKind | None
    unclear_spread: bool
    spread_like: bool
    """Another survey accuracy by its name, which does not say of which kind."""


def words_of(text: str) -> list[str]:
    """Lower-case words without accents or punctuation; ``OSGBEast`` is two words."""
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    folded = unicodedata.normalize("NFKD", parted).casefold().replace("σ", "sigma")
    folded = "".join(c for c in folded if not unicodedata.combining(c))
    return re.findall(r"[^\W_]+|°", folded)


def key_of(text: str) -> str:
    """Words run together: what headings and values are compared by."""
    return "".join(words_of(text))


_INTERNATIONAL, _SURVEY = LengthUnit.INTERNATIONAL_FOOT, LengthUnit.US_SURVEY_FOOT
_UNITS = {
    **{key: Unit(key, metres) for key, metres in words.FINE_UNITS.items()},
    **{key: Unit(_INTERNATIONAL.value, _INTERNATIONAL.metres) for key in words.INTERNATIONAL_FEET},
    **{key: Unit(_SURVEY.value, _SURVEY.metres) for key in words.SURVEY_FEET},
    **{key: Unit(key, _INTERNATIONAL.metres, loose_foot=True) for key in words.LOOSE_FEET},
    **{key: Unit("degree", 1.0) for key in words.DEGREE_WORDS},
}


def unit_of(text: str) -> Unit | None:
    """A unit by its name; None where it is none."""
    if text.strip() in {"'", "\u2032"}:
        text = "ft"
    known = _UNITS.get(key_of(text))
    if known:
        return known
    try:
        unit = parse_length_unit(" ".join(words_of(text)))
    except FrameError:
        return None
    return Unit(unit.value, unit.metres)


@lru_cache(maxsize=4096)
def read_heading(heading: str) -> Heading:
    """The column, unit and kind of height that one heading names.

    A unit stands in brackets or last: ``easting_ft``, ``Height (US survey feet)``, ``E [m]``.
    """
    unit: Unit | None = None
    without_unit = heading
    for bracketed, content in re.findall(r"([(\[{]([^)\]}]*)[)\]}])", heading):
        found = bracketed_unit(content)
        if found:
            unit = unit or found
            without_unit = without_unit.replace(bracketed, " ")
    tokens = words_of(without_unit)
    base = words_of(re.sub(r"[(\[{][^)\]}]*[)\]}]?", " ", heading))
    role: str | None = None
    without_frame = [token for token in base if token not in words.FRAMES]
    for candidate in (tokens, base, without_frame):
        role, found = _role_and_trailing_unit(candidate)
        unit = unit or found
        if role:
            break
    if not tokens and heading.strip() in {"#", "№", "Nº", "N°"}:
        role = "id"
    if unit and unit.name == "degree":
        role = {"easting": "longitude", "northing": "latitude"}.get(role or "", role)
    kind = _height_kind(words_of(heading)) if role == "height" else None
    keys = ("".join(tokens), "".join(base), "".join(token for token in tokens if unit_of(token) is None))
    unclear = role is None and any(k in words.UNCLEAR_SPREAD for k in keys[:2])
    spread_like = role is None and not unclear and any(k in words.SPREAD_LIKE for k in keys)
    return Heading(role, unit, kind, unclear, spread_like)


def bracketed_unit(content: str) -> Unit | None:
    """A unit in brackets, perhaps beside a frame's name: (m), (ft NAVD88)."""
    tokens = words_of(content)
    unit = unit_of(content) or unit_of(" ".join(token for token in tokens if token not in words.FRAMES))
    if unit is None and words.FOREIGN_UNITS & set(tokens):
        return Unit(content.strip(), math.nan)
    return unit


def _role_and_trailing_unit(tokens: list[str]) -> tuple[str | None, Unit | None]:
    """The longest leading part that names a column, where the rest is a unit or nothing."""
    for cut in range(len(tokens), 0, -1):
        role = words.COLUMN_OF.get("".join(tokens[:cut]))
        if role is None:
            continue
        rest = tokens[cut:]
        if not rest:
            return role, None
        if role in words.DEGREES and all(token in words.GEOGRAPHIC_QUALIFIERS for token in rest):
            return role, Unit("degree", 1.0)
        unit = unit_of(" ".join(rest))
        if unit and role in words.MEASURED:
            return role, unit
    return None, None


def _height_kind(tokens: list[str]) -> HeightKind | None:
    keys = {*tokens, "".join(tokens)}
    if keys & words.ELLIPSOIDAL:
        return "ellipsoidal"
    return "orthometric" if keys & words.ORTHOMETRIC else None


def required_roles(cells: tuple[str, ...]) -> int:
    """How many of the required columns a row names, were it the heading."""
    if len(cells) < 3:
        return 0
    return len({read_heading(c).role for c in cells} & {*words.REQUIRED_GRID, *words.REQUIRED_GEOGRAPHIC})
