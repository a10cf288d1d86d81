"""Another class or standard for a result that was graded already: only what is named changes.

Part of the pipeline, for a recheck: requests in, requests and sentences out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from accuracy.errors import RequestError
from accuracy.model import ClassRequest
from accuracy.rounding import LengthText
from accuracy.standards import STANDARDS, check_request, contract, side_by_side_requests

_CLASSES = {
    "vertical": "vertical_m",
    "horizontal": "horizontal_m",
    "3d": "three_d_m",
    "class-name": "class_name",
    "map-scale": "map_scale",
    "contour-interval": "contour_interval_m",
}
LIMITS, OTHERS = "limits", "other-standards"
_DROPPED = "No longer graded, as the recheck asked"
DROPPABLE = (*_CLASSES, LIMITS, OTHERS)
"""What a recheck can be told to grade no longer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassChange:
    """What is to be graded differently; None keeps what the record was graded by."""

    standard: str | None = None
    vertical_m: float | None = None
    horizontal_m: float | None = None
    three_d_m: float | None = None
    class_name: str | None = None
    drop: tuple[str, ...] = ()
    """What is to be graded no longer: some of DROPPABLE."""


def changed_requests(
    requests: Sequence[ClassRequest], change: ClassChange, text: LengthText
) -> tuple[tuple[ClassRequest, ...], tuple[str, ...]]:
    """The requests with the change made to the first of them, and a sentence for each difference.

    Another standard keeps the classes that it knows as well; what it does not know is told. The
    contract's limits and the other standards' findings stay unless they are dropped by name.
    Raises RequestError for what the standard does not take, and for dropping what is not there.
    """
    first, *beside = requests
    renewed, sentences = _changed(first, change, text)
    check_request(renewed)
    kept, dropped = _kept(beside, change.drop)
    if renewed.standard != first.standard and any(one.standard != contract.KEY for one in kept):
        kept = [one for one in kept if one.standard == contract.KEY]
        kept += side_by_side_requests(renewed.standard)
    return (renewed, *kept), (*sentences, *dropped)


def _changed(
    first: ClassRequest, change: ClassChange, text: LengthText
) -> tuple[ClassRequest, tuple[str, ...]]:
    key = change.standard or first.standard
    check_request(ClassRequest(standard=key))
    fields: dict[str, object] = {}
    sentences, unknown = [], []
    if key == first.standard:
        fields["limits"] = first.limits
    else:
        old, new = STANDARDS[first.standard], STANDARDS[key]
        sentences.append(
            f"Graded by {new.title}, where {old.title} graded before; a class means there: {new.class_means}."
        )
    for name, field in _CLASSES.items():
        before, now = getattr(first, field), getattr(change, field, None)
        if name in change.drop:
            if before is None or now is not None:
                raise _cannot_drop(name, "there is none" if before is None else "a new one is asked for")
            sentences.append(f"{_DROPPED}: {_told(name, before, text)}.")
        elif now is not None:
            fields[field] = now
            if before not in (None, now):
                asked = _value(name, before, text)
                sentences.append(f"Graded against {_told(name, now, text)}, where {asked} was asked before.")
        elif before is not None and field in STANDARDS[key].takes:
            fields[field] = before
        elif before is not None:
            unknown.append(_told(name, before, text))
    if unknown:
        sentences.append(f"No longer graded, because {key} has no such class: {', '.join(unknown)}.")
    return ClassRequest(standard=key, **fields), tuple(sentences)  # type: ignore[arg-type]


def _kept(beside: Sequence[ClassRequest], drop: Sequence[str]) -> tuple[list[ClassRequest], tuple[str, ...]]:
    """What is graded beside the first request and was not dropped."""
    kept, sentences = list(beside), []
    for name, what, is_contract in (
        (LIMITS, "the contract's limits", True),
        (OTHERS, "the other standards", False),
    ):
        if name in drop:
            left = [one for one in kept if (one.standard == contract.KEY) is not is_contract]
            if len(left) == len(kept):
                raise _cannot_drop(name, "there are none")
            kept = left
            sentences.append(f"{_DROPPED}: {what}.")
    return kept, tuple(sentences)


def _value(name: str, value: object, text: LengthText) -> str:
    if _CLASSES[name].endswith("_m") and isinstance(value, float):
        return f"{text.class_value(value)} {text.small_symbol}"
    return f"1:{value:,.0f}" if name == "map-scale" else str(value)


def _told(name: str, value: object, text: LengthText) -> str:
    called = {"class-name": "class", "map-scale": "map scale", "contour-interval": "contour interval of"}
    words = _value(name, value, text)
    return f"{called[name]} {words}" if name in called else f"the {name} class of {words}"


def _cannot_drop(name: str, why: str) -> RequestError:
    return RequestError(f"--drop {name}: {why}", remedy="Leave it out.")
