"""Command-line options -> PlanRequest. Reads no file."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from accuracy.errors import RequestError
from accuracy.model import ClassRequest, Cover
from accuracy.planning.guidance import SPACING_RULES, SpacingRule
from accuracy.planning.plan import PlanRequest, StratumRequest
from accuracy.planning.survey import Occupation
from accuracy.units import parse_length_m, parse_length_unit

_RANGES = re.compile(r"\s*\d+(\.\d+)?\s*-\s*\d+(\.\d+)?\s*(,\s*\d+(\.\d+)?\s*-\s*\d+(\.\d+)?\s*)*")


def plan_from_options(given: Mapping[str, Any]) -> PlanRequest:
    """The plan that the options of ``plan`` ask for; a missing option is one that was not given.

    Raises RequestError for options that cannot be read or that contradict each other.
    """

    def length(name: str, bare_unit: str) -> float | None:
        text = given.get(name)
        return None if text is None else parse_length_m(text, bare_unit=bare_unit)

    line = given.get("line")
    strata = [
        StratumRequest(name=name, where=_where(text), cover=cover)
        for option, name, cover in (
            ("canopy", "canopy", Cover.OPEN),
            ("vegetation", "vegetation", Cover.VEGETATED),
        )
        if (text := given.get(option)) is not None
    ]
    speeds = _speeds(given.get("speeds"))
    if not speeds and (given.get("one_way") or (given.get("repeats") or 1) != 1):
        raise RequestError(
            "repeats and directions of no runs were asked for",
            remedy="Give --speeds, such as --speeds 6,12,24.",
        )
    verge_m, break_m = length("verge", "m"), length("break_distance", "m")
    mark_size_m = length("mark_size", "m")
    name = Path(line or given.get("area") or "the site").stem
    return PlanRequest(
        request=ClassRequest(
            standard=given.get("standard") or "asprs-2024",
            vertical_m=length("vertical_class", "cm"),
            horizontal_m=length("horizontal_class", "cm"),
            three_d_m=length("three_d_class", "cm"),
        ),
        line=line,
        area=given.get("area"),
        crs=given.get("crs"),
        title=given.get("title") or f"Field plan for {name}",
        unit=parse_length_unit(given.get("contract_unit") or "metre"),
        expected_vertical_m=length("expected", "cm"),
        expected_horizontal_m=length("horizontal_expected", "cm"),
        bad_times=float(given.get("bad_times") or 1.25),
        wished=_share(given.get("chance")),
        strata=tuple(strata),
        spacing=spacing_rule(given.get("spacing")),
        least_spacing_m=length("least_spacing", "m"),
        checkpoints=given.get("checkpoints"),
        height_survey=_occupation(
            length("survey_sigma_height", "mm"), length("survey_common_height", "mm"), "height"
        ),
        horizontal_survey=_occupation(
            length("survey_sigma_horizontal", "mm"), length("survey_common_horizontal", "mm"), "horizontal"
        ),
        correlation_length_m=length("correlation_length", "m"),
        verge_m=3.0 if verge_m is None else verge_m,
        break_m=3.0 if break_m is None else break_m,
        speeds_km_per_h=speeds,
        both_ways=not given.get("one_way"),
        repeats=given.get("repeats") or 1,
        mark_size_m=0.6 if mark_size_m is None else mark_size_m,
    )


def spacing_rule(text: str | None) -> SpacingRule | None:
    """A rule by its name, or a length: the most that lies between neighbours along the line."""
    if text is None:
        return None
    if text.strip().lower() in SPACING_RULES:
        return SPACING_RULES[text.strip().lower()]
    try:
        most_m = parse_length_m(text, bare_unit="m")
    except RequestError:
        raise RequestError(
            f'spacing "{text}" is neither a length nor a rule that is known',
            remedy=f'Write it like "50 m", or one of {", ".join(SPACING_RULES)}.',
        ) from None
    return SpacingRule(name="own", most_m=most_m, each_side=False, words="the spacing asked for")


def _where(text: str) -> Path | tuple[tuple[float, float], ...]:
    """Chainages such as 520-760,900-950, or a file's path."""
    if _RANGES.fullmatch(text) is None:
        return Path(text)
    found = []
    for part in text.split(","):
        low, _, high = part.partition("-")
        found.append((float(low), float(high)))
    return tuple(found)


def _speeds(text: str | None) -> tuple[float, ...]:
    if text is None:
        return ()
    found = []
    for part in text.split(","):
        try:
            speed = float(part)
        except ValueError:
            speed = math.nan
        if not (math.isfinite(speed) and speed > 0):
            raise RequestError(
                f'"{part.strip()}" is not a speed in km/h', remedy="Write them like --speeds 6,12,24."
            )
        found.append(speed)
    if len(set(found)) < len(found):
        raise RequestError("a speed is named twice", remedy="Ask for more drives with --repeats.")
    return tuple(found)


def _share(percent: float | None) -> float:
    return 0.90 if percent is None else float(percent) / 100


def _occupation(single_m: float | None, common_m: float | None, which: str) -> Occupation | None:
    if single_m is None:
        if common_m is not None:
            raise RequestError(
                f"what occupations share in {which} was given, but not what one occupation reaches",
                remedy=f"Give --survey-sigma-{which} as well.",
            )
        return None
    return Occupation(single_m=single_m, common_m=common_m or 0.0)
