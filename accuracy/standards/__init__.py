"""The registry of standards: evidence in, verdicts out.

One module per standard holds its cited tables and its rule. Several requests, one per standard or
contract, may be graded on the same evidence.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace
from math import isfinite

from accuracy.errors import RequestError
from accuracy.model import ClassRequest, Component, ContractLimit, Outcome, Verdict
from accuracy.rounding import LengthText
from accuracy.standards import asprs_2014, asprs_2024, contract, nmas, nssda, usgs_lidar
from accuracy.standards.base import Evidence, Figure, RelativeAccuracy, Sample, Standard, evidence_from

__all__ = [
    "AS_KEYS",
    "AS_OPTIONS",
    "DEFAULT_TEXT",
    "STANDARDS",
    "ClassRequest",
    "ContractLimit",
    "Evidence",
    "Figure",
    "RelativeAccuracy",
    "Sample",
    "Standard",
    "check_request",
    "evidence_from",
    "grade",
    "overall_outcome",
    "side_by_side",
    "side_by_side_requests",
]

STANDARDS: dict[str, Standard] = {
    module.STANDARD.key: module.STANDARD
    for module in (asprs_2024, asprs_2014, nssda, usgs_lidar, nmas, contract)
}
DEFAULT_TEXT = LengthText()

AS_OPTIONS = {
    "vertical_m": "--class",
    "horizontal_m": "--horizontal-class",
    "three_d_m": "--three-d-class",
    "class_name": "--class-name",
    "map_scale": "map_scale in a job file",
    "contour_interval_m": "contour_interval in a job file",
    "limits": "[[limit]] in a job file",
}
"""How the fields of a request are called on the command line."""
AS_KEYS = {
    "vertical_m": "class.vertical",
    "horizontal_m": "class.horizontal",
    "three_d_m": "class.three_d",
    "class_name": "class.name",
    "map_scale": "class.map_scale",
    "contour_interval_m": "class.contour_interval",
    "limits": "[[limit]]",
}
"""And in a job file."""


def grade(
    evidence: Evidence, request: ClassRequest, length_text: LengthText = DEFAULT_TEXT
) -> tuple[Verdict, ...]:
    """The standard's verdicts, one per component that it knows, asked for or not.

    Raises RequestError for an unknown standard and for a class that is impossible or not its own.
    """
    check_request(request)
    standard = STANDARDS[request.standard]
    return tuple(
        replace(verdict, tested_name=figure.title(figure.sample(evidence)))
        if verdict.tested_name is None and (figure := standard.figures.get(verdict.component))
        else verdict
        for verdict in standard.grade(evidence, request, length_text)
    )


def check_request(request: ClassRequest, called: Mapping[str, str] = AS_OPTIONS) -> None:
    """Refuse a request that names an unknown standard, an impossible class, or a class it ignores.

    ``called`` is what the user calls its fields. Raises RequestError.
    """
    standard = STANDARDS.get(request.standard)
    if standard is None:
        raise RequestError(
            f'standard "{request.standard}" is not known', remedy=f"Use one of {', '.join(STANDARDS)}."
        )
    for field in fields(ClassRequest):
        value = getattr(request, field.name)
        if field.name == "standard" or value is None or value == ():
            continue
        if field.name not in standard.takes:
            raise RequestError(
                f"{called[field.name]} means nothing to {standard.key}",
                remedy=f"It takes {', '.join(called[name] for name in standard.takes)}: "
                f"{standard.class_means}.",
            )
        if isinstance(value, int | float) and not (isfinite(value) and value > 0):
            raise RequestError(f"{called[field.name]} is {value:g}", remedy="Give a number above 0.")
    if request.class_name is not None and request.class_name not in standard.class_names:
        raise RequestError(
            f'class "{request.class_name}" is not one of {standard.key}',
            remedy=f"Use one of {', '.join(standard.class_names)}.",
        )
    for limit in request.limits:
        contract.check(limit)


def side_by_side(
    evidence: Evidence, requests: Iterable[ClassRequest] = (), length_text: LengthText = DEFAULT_TEXT
) -> tuple[Verdict, ...]:
    """Every standard's verdicts in the registry's order, those without a request as found."""
    asked = list(requests)
    for request in asked:
        check_request(request)
    return tuple(
        verdict
        for key in STANDARDS
        for request in [one for one in asked if one.standard == key] or [ClassRequest(standard=key)]
        for verdict in grade(evidence, request, length_text)
    )


def side_by_side_requests(graded_by: str) -> list[ClassRequest]:
    """A request without a class for every other standard: what each of them finds, side by side."""
    return [ClassRequest(standard=key) for key in STANDARDS if key not in (graded_by, contract.KEY)]


def overall_outcome(verdicts: Sequence[Verdict]) -> Outcome | None:
    """What all verdicts on classes that were asked for amount to; None where none was asked for.

    One that is not met decides; failing that, one that is not graded. The cloud against itself is
    further evidence: it can fail a class, but nobody is held up because it was not measured.
    """
    asked = {
        verdict.outcome
        for verdict in verdicts
        if (verdict.class_m is not None or verdict.class_name is not None)
        and (verdict.component is not Component.RELATIVE or verdict.outcome is not Outcome.NOT_GRADED)
    }
    for outcome in (Outcome.NOT_MET, Outcome.NOT_GRADED, Outcome.MET):
        if outcome in asked:
            return outcome
    return None
