"""The speed decision: one sentence, and never a firmer one than the evidence."""

from __future__ import annotations

from dataclasses import replace

import pytest

from accuracy.model import GradedRun, Outcome
from accuracy.rounding import LengthText
from accuracy.statistics.speed import decide_fastest
from accuracy.units import LengthUnit

CLASS_M = 0.03


def run(
    name: str,
    km_per_h: float | None,
    tested_m: float | None,
    interval_m: tuple[float, float] | None = None,
    *,
    graded: bool = True,
) -> GradedRun:
    """A run graded on its tested figure against 3 cm."""
    outcome = Outcome.NOT_GRADED
    if tested_m is not None and graded:
        outcome = Outcome.MET if tested_m <= CLASS_M else Outcome.NOT_MET
    return GradedRun(
        name=name,
        speed_km_per_h=km_per_h,
        outcome=outcome,
        tested_m=tested_m,
        interval_95_m=interval_m,
        n=48,
        why="12 checkpoints where 30 are needed." if outcome is Outcome.NOT_GRADED else "",
    )


SLOW = run("A", 6, 0.012, (0.010, 0.015))
BRISK = run("B", 12, 0.018, (0.015, 0.022))
FAST = run("C", 24, 0.051, (0.043, 0.063))


def test_fastest_that_meets_the_class() -> None:
    """The middle run meets it beyond doubt and the fast one misses it beyond doubt."""
    found = decide_fastest([SLOW, FAST, BRISK], class_m=CLASS_M)
    assert (found.answer, found.fastest_met, found.fastest_assured) == ("fastest", "B", "B")
    assert found.sentence == (
        "The fastest run that meets the 3 cm class is B (12 km/h) with RMSE 1.80 cm "
        "(95 % interval 1.50 to 2.20, 48 checkpoints)."
    )
    assert [words.split(":")[0] for words in found.evidence] == [
        "C (24 km/h)",
        "B (12 km/h)",
        "A (6 km/h)",
    ]


def test_none_meets_it() -> None:
    """Where every run's interval lies beyond the class, slower driving was tried in vain."""
    found = decide_fastest([run("A", 6, 0.041, (0.034, 0.051)), FAST], class_m=CLASS_M)
    assert (found.answer, found.fastest_met) == ("none", None)
    assert found.sentence == "No run meets the 3 cm class: the slowest, A (6 km/h), does not either."


def test_an_interval_across_the_class_decides_nothing() -> None:
    """A tested figure of 2.8 cm whose interval reaches 3.5 is named, but not as the answer."""
    found = decide_fastest([SLOW, run("C", 24, 0.028, (0.023, 0.035))], class_m=CLASS_M)
    assert (found.answer, found.fastest_met, found.fastest_assured) == ("undecided", "C", "A")
    assert found.sentence == (
        "The evidence does not decide which is the fastest run within 3 cm: the 95 % interval of "
        "C (24 km/h) reaches across the class. By the tested figures alone it is C (24 km/h). "
        "The fastest run sure to meet it is A (6 km/h)."
    )


def test_just_missing_is_not_a_sure_miss() -> None:
    """A faster run that misses by less than its interval keeps the question open."""
    found = decide_fastest([SLOW, run("C", 24, 0.032, (0.027, 0.039))], class_m=CLASS_M)
    assert (found.answer, found.fastest_met) == ("undecided", "A")
    only = decide_fastest([run("C", 24, 0.032, (0.027, 0.039))], class_m=CLASS_M)
    assert only.answer == "undecided"
    assert only.sentence.endswith("By the tested figures alone, none meets it.")


def test_a_faster_run_not_graded_keeps_it_open() -> None:
    """What was not graded might have been the fastest; a slower one could not."""
    faster = decide_fastest([BRISK, run("C", 24, None)], class_m=CLASS_M)
    assert faster.answer == "undecided"
    assert "C (24 km/h) was not graded" in faster.sentence
    assert faster.evidence[0] == "C (24 km/h): not graded; 12 checkpoints where 30 are needed."
    slower = decide_fastest([BRISK, run("A", 6, None)], class_m=CLASS_M)
    assert (slower.answer, slower.fastest_met) == ("fastest", "B")


@pytest.mark.parametrize(
    ("runs", "words"),
    [
        (
            [run("A", 6, 0.012, graded=False), run("C", 24, 0.051, graded=False)],
            "within 3 cm: no run was graded. By the tested figures alone it would be A (6 km/h), "
            "which was not graded: 12 checkpoints where 30 are needed.",
        ),
        (
            [run("B", 12, 0.028, graded=False), FAST],
            "within 3 cm: B (12 km/h) was not graded. By the tested figures alone it would be "
            "B (12 km/h), which was not graded: 12 checkpoints where 30 are needed.",
        ),
        (
            [run("A", 6, None), run("B", 12, 0.041, graded=False), FAST],
            "within 3 cm: B (12 km/h) and A (6 km/h) were not graded. "
            "By the tested figures alone, none that was measured meets it.",
        ),
        ([run("A", 6, None)], "within 3 cm: A (6 km/h) was not graded. None has a tested figure."),
    ],
)
def test_what_the_figures_of_runs_not_graded_would_say(runs: list[GradedRun], words: str) -> None:
    """A figure within the class is never told as one that misses it only because it was not graded."""
    found = decide_fastest(runs, class_m=CLASS_M)
    assert (found.answer, found.fastest_met) == ("undecided", None)
    assert found.sentence == f"The evidence does not decide which is the fastest run {words}"


def test_no_interval_is_no_certainty() -> None:
    """A figure without an interval never decides."""
    assert decide_fastest([run("B", 12, 0.01)], class_m=CLASS_M).answer == "undecided"
    assert decide_fastest([run("B", 12, 0.09)], class_m=CLASS_M).answer == "undecided"


def test_equal_speeds_that_disagree() -> None:
    """There and back at one speed, one way within the class and one beyond: not decided."""
    back = run("B back", 12, 0.051, (0.043, 0.063))
    found = decide_fastest([BRISK, back], class_m=CLASS_M)
    assert found.answer == "undecided"
    assert "B back (12 km/h) misses it at the same speed as B" in found.sentence


def test_a_speed_of_which_one_run_missed_is_not_safe() -> None:
    """Two runs of 20 km/h, one within and one not: both are told, and the slower run is the sure one."""
    runs = [
        run("a", 20, 0.020, (0.016, 0.025)),
        run("b", 20, 0.034, (0.028, 0.041)),
        run("c", 10, 0.012, (0.010, 0.015)),
    ]
    found = decide_fastest(runs, class_m=CLASS_M)
    assert (found.answer, found.fastest_assured) == ("undecided", "c")
    assert (
        "By the tested figures alone a (20 km/h) meets it, and at the same speed b misses it."
        in found.sentence
    )
    assert found.sentence.endswith("The fastest run sure to meet it is c (10 km/h).")


def test_a_slower_run_that_misses_is_pointed_out() -> None:
    """Then something other than speed is at work."""
    found = decide_fastest([BRISK, run("A", 6, 0.051, (0.043, 0.063))], class_m=CLASS_M)
    assert found.answer == "fastest"
    assert found.sentence.endswith("Something other than speed made A (6 km/h) miss it.")


@pytest.mark.parametrize("runs", [[], [run("X", None, 0.01, (0.008, 0.012))]], ids=["none", "no speed"])
def test_nothing_to_decide_on(runs: list[GradedRun]) -> None:
    """Without a speed there is no fastest run."""
    found = decide_fastest(runs, class_m=CLASS_M)
    assert found.answer == "undecided"
    assert found.sentence == "No run with a known speed was graded, so no speed can be named."
    assert all("its speed is not known" in words for words in found.evidence)


def test_figures_never_print_across_the_class() -> None:
    """An interval that ends a hair beyond the class prints with the digits that show it."""
    found = decide_fastest([run("C", 24, 0.0300001, (0.0250, 0.0360))], class_m=CLASS_M)
    assert "RMSE 3.00001 cm" in found.evidence[0]


def test_words_are_in_the_contracts_unit() -> None:
    """A contract in feet reads in feet."""
    text = LengthText(LengthUnit.INTERNATIONAL_FOOT)
    found = decide_fastest([BRISK], class_m=0.1 * 0.3048, text=text)
    assert "the 0.1 ft class" in found.sentence
    # 12 / 1.609344 = 7.456 (arithmetic)
    assert "B (7.5 mph, 12 km/h)" in found.sentence


def test_one_checkpoint_is_not_plural() -> None:
    """A run that a single checkpoint tests has 1 checkpoint."""
    found = decide_fastest([replace(BRISK, n=1)], class_m=CLASS_M)
    assert "1.50 to 2.20, 1 checkpoint)" in found.sentence
