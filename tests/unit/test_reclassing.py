"""Another class for a result graded already: what is not named stays, what goes is told."""

from __future__ import annotations

import re

import pytest

from accuracy.errors import RequestError
from accuracy.model import ClassRequest, ContractLimit
from accuracy.options import DROPPABLE as OFFERED
from accuracy.reclassing import DROPPABLE, ClassChange, changed_requests
from accuracy.rounding import LengthText
from accuracy.standards import side_by_side_requests
from accuracy.units import LengthUnit

LIMITS = ClassRequest(
    standard="contract",
    limits=(ContractLimit(name="setts", statistic="rmse_m", stratum="open", limit_m=0.02),),
)
ASKED = ClassRequest(standard="asprs-2014", vertical_m=0.05, horizontal_m=0.1)
WHOLE = (ASKED, LIMITS, *side_by_side_requests("asprs-2014"))
QUALITY = ClassRequest(standard="usgs-lidar", class_name="QL2")


def changed(
    requests: tuple[ClassRequest, ...] = WHOLE, unit: LengthUnit = LengthUnit.METRE, **asked: object
) -> tuple[tuple[ClassRequest, ...], tuple[str, ...]]:
    """The requests with this change."""
    return changed_requests(requests, ClassChange(**asked), LengthText(unit))  # type: ignore[arg-type]


def test_nothing_asked_changes_nothing() -> None:
    """A recheck on other checkpoints is graded as the record was."""
    assert changed() == (WHOLE, ())


def test_only_the_class_that_is_named_changes() -> None:
    """Standard, other classes, the contract's limits and the other standards stay; the change is told."""
    requests, sentences = changed(vertical_m=0.04)
    assert requests == (
        ClassRequest(standard="asprs-2014", vertical_m=0.04, horizontal_m=0.1),
        *WHOLE[1:],
    )
    assert sentences == ("Graded against the vertical class of 4 cm, where 5 cm was asked before.",)


def test_a_class_that_was_not_asked_before_is_added() -> None:
    """Nothing is told of it: the verdict itself is new."""
    requests, sentences = changed((ClassRequest(vertical_m=0.05),), three_d_m=0.09)
    assert requests == (ClassRequest(vertical_m=0.05, three_d_m=0.09),)
    assert sentences == ()


def test_another_standard_keeps_what_it_knows_and_tells_the_rest() -> None:
    """Classes stay where the new standard has them; the others' findings are those of its peers."""
    requests, sentences = changed(standard="usgs-lidar", class_name="QL1")
    assert requests[0] == ClassRequest(standard="usgs-lidar", class_name="QL1")
    assert requests[1:] == (LIMITS, *side_by_side_requests("usgs-lidar"))
    assert re.match(r"Graded by USGS .*, where ASPRS .* graded before; a class means there: ", sentences[0])
    assert sentences[1:] == (
        "No longer graded, because usgs-lidar has no such class: the vertical class of 5 cm, "
        "the horizontal class of 10 cm.",
    )
    requests, sentences = changed(standard="asprs-2024")
    assert requests[0] == ClassRequest(standard="asprs-2024", vertical_m=0.05, horizontal_m=0.1)
    assert len(sentences) == 1


@pytest.mark.parametrize(
    ("drop", "left", "told"),
    [
        ("vertical", (ClassRequest(standard="asprs-2014", horizontal_m=0.1), *WHOLE[1:]), "vertical class"),
        ("limits", (ASKED, *WHOLE[2:]), "the contract's limits"),
        ("other-standards", (ASKED, LIMITS), "the other standards"),
    ],
)
def test_what_is_dropped_is_dropped_by_name(drop: str, left: tuple[ClassRequest, ...], told: str) -> None:
    """Only an explicit --drop takes a verdict away, and it is told."""
    requests, (sentence,) = changed(drop=(drop,))
    assert requests == left
    assert sentence.startswith("No longer graded, as the recheck asked: ")
    assert told in sentence


@pytest.mark.parametrize(
    ("requests", "asked", "message"),
    [
        (WHOLE, {"class_name": "QL2"}, "--class-name means nothing to asprs-2014"),
        ((QUALITY,), {"vertical_m": 0.05}, "--class means nothing to usgs-lidar"),
        (WHOLE, {"standard": "asprs-2042"}, 'standard "asprs-2042" is not known'),
        (WHOLE, {"drop": ("3d",)}, "--drop 3d: there is none"),
        ((ASKED,), {"drop": ("limits",)}, "--drop limits: there are none"),
        (WHOLE, {"drop": ("vertical",), "vertical_m": 0.04}, "--drop vertical: a new one is asked for"),
    ],
)
def test_changes_that_cannot_be_made(
    requests: tuple[ClassRequest, ...], asked: dict[str, object], message: str
) -> None:
    """A class that the kept standard does not have is refused: the standard is not changed to suit it."""
    with pytest.raises(RequestError, match=message):
        changed(requests, **asked)


def test_sentences_are_in_the_contracts_unit() -> None:
    """A contract in feet reads in feet."""
    feet = (ClassRequest(vertical_m=0.1 * 0.3048),)
    _, (sentence,) = changed(feet, LengthUnit.INTERNATIONAL_FOOT, vertical_m=0.2 * 0.3048)
    assert sentence == "Graded against the vertical class of 0.2 ft, where 0.1 ft was asked before."


def test_the_command_offers_what_can_be_dropped() -> None:
    """The command line, which loads no standards to print its help, lists the same names."""
    assert tuple(OFFERED.choices) == DROPPABLE
