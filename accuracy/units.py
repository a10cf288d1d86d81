"""Lengths: the three units that survey data comes in, and their exact factors.

International foot: 0.3048 m exactly. US survey foot: 1200/3937 m exactly (EPSG units 9002 and
9003; the survey foot is deprecated in the United States since 31 December 2022, 85 FR 62698).
"""

from __future__ import annotations

import re
from enum import StrEnum
from fractions import Fraction

from accuracy.errors import FrameError, RequestError


class LengthUnit(StrEnum):
    """A unit of length; the value is the word that users write."""

    METRE = "metre"
    INTERNATIONAL_FOOT = "international-foot"
    US_SURVEY_FOOT = "us-survey-foot"

    @property
    def exact_metres(self) -> Fraction:
        """One unit in metres, exactly."""
        return _EXACT_METRES[self]

    @property
    def metres(self) -> float:
        """One unit in metres, as the nearest float."""
        return float(_EXACT_METRES[self])

    @property
    def symbol(self) -> str:
        """The short form used in tables."""
        return {"metre": "m", "international-foot": "ft", "us-survey-foot": "ftUS"}[self.value]


_EXACT_METRES = {
    LengthUnit.METRE: Fraction(1),
    LengthUnit.INTERNATIONAL_FOOT: Fraction(3048, 10000),
    LengthUnit.US_SURVEY_FOOT: Fraction(1200, 3937),
}

_SYNONYMS = {
    "m": LengthUnit.METRE,
    "metre": LengthUnit.METRE,
    "metres": LengthUnit.METRE,
    "meter": LengthUnit.METRE,
    "meters": LengthUnit.METRE,
    "ft": LengthUnit.INTERNATIONAL_FOOT,
    "ift": LengthUnit.INTERNATIONAL_FOOT,
    "foot": LengthUnit.INTERNATIONAL_FOOT,
    "international foot": LengthUnit.INTERNATIONAL_FOOT,
    "international feet": LengthUnit.INTERNATIONAL_FOOT,
    "ftus": LengthUnit.US_SURVEY_FOOT,
    "usft": LengthUnit.US_SURVEY_FOOT,
    "sft": LengthUnit.US_SURVEY_FOOT,
    "us ft": LengthUnit.US_SURVEY_FOOT,
    "ft us": LengthUnit.US_SURVEY_FOOT,
    "us survey foot": LengthUnit.US_SURVEY_FOOT,
    "us survey feet": LengthUnit.US_SURVEY_FOOT,
    "survey foot": LengthUnit.US_SURVEY_FOOT,
    "survey feet": LengthUnit.US_SURVEY_FOOT,
}
# "feet" alone names neither foot: 2 ppm is 1.2 m at a northing of 600 km, so it is never guessed.
_AMBIGUOUS = {"feet"}


def parse_length_unit(text: str) -> LengthUnit:
    """Read a unit's name.

    Raises FrameError for an unknown name, and for "feet", which does not say which foot.
    """
    key = " ".join(text.strip().lower().replace("-", " ").replace("_", " ").split())
    if key in _AMBIGUOUS:
        raise FrameError(
            f'unit "{text}" does not say which foot',
            remedy="Write international-foot (0.3048 m) or us-survey-foot (1200/3937 m).",
        )
    try:
        return _SYNONYMS[key]
    except KeyError:
        raise FrameError(
            f'unit "{text}" is not known',
            remedy="Write metre, international-foot or us-survey-foot.",
        ) from None


_LENGTH = re.compile(r"\s*([0-9]+(?:[.][0-9]*)?|[.][0-9]+)\s*([a-zA-Z -]*?)\s*")
# A bare class is in centimetres, as the standards name classes; a number as small as this is more
# likely metres, and a factor of a hundred is never guessed.
SMALLEST_BARE_CM = 0.5
_SUBUNITS = {"cm": 0.01, "mm": 0.001}


def parse_length_m(text: str, *, bare_unit: str = "cm") -> float:
    """A length such as "5 cm", "0.05 m" or "0.16 ft", in metres; a bare number is in ``bare_unit``.

    Raises RequestError for anything else, for a length that is not positive, and for a bare number so
    small that it may be metres.
    """
    match = _LENGTH.fullmatch(text)
    if match is None:
        raise RequestError(f'"{text}" is not a length', remedy='Write it like "5 cm", "0.05 m" or "0.16 ft".')
    number, unit = float(match[1]), match[2].lower() or bare_unit
    try:
        metres = _SUBUNITS[unit] if unit in _SUBUNITS else parse_length_unit(unit).metres
    except FrameError:
        raise RequestError(
            f'"{text}" has a unit that is not known', remedy='Write it like "5 cm", "0.05 m" or "0.16 ft".'
        ) from None
    if not number > 0:
        raise RequestError(f'"{text}" is not a positive length', remedy='Write it like "5 cm".')
    if not match[2] and bare_unit == "cm" and number < SMALLEST_BARE_CM:
        raise RequestError(
            f'"{text}" does not say its unit: {number:g} cm or {number:g} m?',
            remedy=f'Write "{number:g} m" or "{number:g} cm".',
        )
    return number * metres
