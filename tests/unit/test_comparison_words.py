"""What a comparison comes to: each outcome, and that no sentence claims what its interval denies."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from accuracy.model import Component, Interval, PairedTest, RunComparison
from accuracy.rounding import LengthText
from accuracy.statistics.comparison_words import difference_text, finding, interval_text, sentence
from accuracy.units import LengthUnit

TEXT = LengthText()
MINUS = "\N{MINUS SIGN}"


def comparison(
    interval_m: Interval | None = (-0.003, 0.002),
    *,
    difference_m: float | None = None,
    p: float | None = 0.5,
    p_holm: float | None = None,
    equivalence_p: float | None = None,
    margin_m: float | None = None,
    n: int = 20,
) -> RunComparison:
    """Runs "slow" and "fast" with that evidence; the difference in the middle of its interval."""
    if difference_m is None and interval_m is not None:
        difference_m = sum(interval_m) / 2
    swap = PairedTest(name="swap", p_value=p, p_holm=p_holm)
    return RunComparison(
        run_a="slow",
        run_b="fast",
        component=Component.VERTICAL,
        ids=tuple(f"c{i}" for i in range(n)),
        n=n,
        rmse_a_m=0.02 if n else None,
        rmse_b_m=0.02 - (difference_m or 0.0) if n else None,
        rmse_difference_m=difference_m,
        rmse_difference_interval_95_m=interval_m,
        mean_difference_m=None,
        mean_difference_interval_95_m=None,
        tests=(PairedTest(name="wilcoxon_size", p_value=0.0001), swap),
        margin_m=margin_m,
        equivalence_p=equivalence_p,
        mean_equivalence_p=None,
        words="",
    )


BETTER, WORSE, ACROSS = (-0.004, -0.001), (0.001, 0.004), (-0.004, 0.001)

# What a case comes to: the finding, and the end of its sentence.
FIRST = ("first better", ": slow is the more accurate.")
UNDECIDED = ("not decided", ": no difference is shown, and none is ruled out.")
ALIKE = ("alike", ": shown to be alike within 1 cm.")
TOO_FEW = ("too few", "; that is too few, or too alike, to say how sure the difference is.")


def interval_alone(p: str) -> tuple[str, str]:
    """The interval tells the two apart, the corrected test does not."""
    return "interval alone", (
        ". The interval tells them apart, the swap test, corrected for all that was tested alongside, does "
        f"not ({p}): not decided."
    )


def swap_alone(p: str) -> tuple[str, str]:
    """The corrected test tells the two apart, the interval does not."""
    return "test alone", f". The swap test tells them apart ({p}), the interval does not: not decided."


CASES: dict[str, tuple[RunComparison, tuple[str, str]]] = {
    "test and interval for the first": (comparison(BETTER, p=0.01), FIRST),
    "test and interval for the second": (
        comparison(WORSE, p=0.01),
        ("second better", ": fast is the more accurate."),
    ),
    "p of exactly 5 %": (comparison(BETTER, p=0.05), FIRST),
    "p just above 5 %": (comparison(BETTER, p=0.0501), interval_alone("p = 0.050")),
    "told apart alone, but not beside fourteen others": (
        comparison(BETTER, p=0.01, p_holm=0.15),
        interval_alone("p = 0.150"),
    ),
    "told apart even beside others": (comparison(BETTER, p=0.001, p_holm=0.015), FIRST),
    "test without interval": (comparison(ACROSS, p=0.02), swap_alone("p = 0.020")),
    "a p too small to print": (comparison(ACROSS, p=0.0002), swap_alone("p < 0.001")),
    "an interval that touches zero from below tells nothing": (
        comparison((-0.004, 0.0), p=0.01),
        swap_alone("p = 0.010"),
    ),
    "an interval that touches zero from above tells nothing": (
        comparison((0.0, 0.004), p=0.01),
        swap_alone("p = 0.010"),
    ),
    "less than the noise of a coordinate is no distance from zero": (
        comparison((-0.004, -5e-10), p=0.01),
        swap_alone("p = 0.010"),
    ),
    "neither": (comparison(ACROSS, p=0.3), UNDECIDED),
    "neither, and a margin that is not met": (
        comparison(ACROSS, p=0.3, margin_m=0.002, equivalence_p=0.2),
        UNDECIDED,
    ),
    "no margin was asked for": (comparison(ACROSS, p=0.9, equivalence_p=None), UNDECIDED),
    "alike": (comparison(ACROSS, p=0.3, margin_m=0.01, equivalence_p=0.001), ALIKE),
    "alike though the test alone tells them apart": (
        comparison(ACROSS, p=0.02, margin_m=0.01, equivalence_p=0.001),
        ALIKE,
    ),
    "alike though the interval alone tells them apart": (
        comparison(BETTER, p=0.09, margin_m=0.01, equivalence_p=0.001),
        ALIKE,
    ),
    "differ, but by less than matters": (
        comparison(BETTER, p=0.01, margin_m=0.01, equivalence_p=0.001),
        ("differ within margin", ": a real difference, but within 1 cm of each other."),
    ),
    "differ by more than the margin": (comparison(BETTER, p=0.01, margin_m=0.002, equivalence_p=0.8), FIRST),
    "too few for an interval": (comparison(None, difference_m=0.004, p=None, n=5), TOO_FEW),
    "seven: a test and no interval": (comparison(None, difference_m=0.004, p=0.016, n=7), TOO_FEW),
    "nothing shared": (
        comparison(None, p=None, n=0),
        ("nothing shared", "slow and fast share no measured checkpoint."),
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_each_outcome(case: str) -> None:
    """The finding in one word and the end of the sentence, for every way that the evidence may fall."""
    one, (expected, ending) = CASES[case]
    assert finding(one) == expected
    assert sentence(one, TEXT).endswith(ending)


def test_the_whole_sentence() -> None:
    """Figures, difference and interval stand before what follows from them."""
    assert sentence(comparison(BETTER, p=0.01), TEXT) == (
        f"At 20 shared checkpoints slow has RMSE 2.00 cm and fast 2.25 cm, a difference of {MINUS}0.25 cm "
        f"(95 % interval {MINUS}0.40 to {MINUS}0.10): slow is the more accurate."
    )
    assert sentence(comparison(None, difference_m=0.004, p=None, n=1), TEXT) == (
        "At 1 shared checkpoint slow has RMSE 2.00 cm and fast 1.60 cm; that is too few, or too alike, to "
        "say how sure the difference is."
    )


@pytest.mark.parametrize(
    ("interval_m", "difference", "interval"),
    [
        ((-0.004, -0.001), f"{MINUS}0.25", f"{MINUS}0.40 to {MINUS}0.10"),
        ((-0.004, -0.00002), f"{MINUS}0.20", f"{MINUS}0.40 to {MINUS}0.002"),
        ((0.000004, 0.00002), "+0.001", "+0.0004 to +0.002"),
        ((-0.004, 0.00002), f"{MINUS}0.20", f"{MINUS}0.40 to 0.00"),
    ],
    ids=["plain", "an end near zero", "all near zero", "across zero"],
)
def test_a_printed_interval_keeps_its_side_of_zero(
    interval_m: Interval, difference: str, interval: str
) -> None:
    """Digits are added where an end that lies off zero would print as zero."""
    one = comparison(interval_m, p=0.01)
    assert (difference_text(one, TEXT), interval_text(one, TEXT)) == (difference, interval)


def test_no_interval_prints_as_a_dash() -> None:
    """Nothing is printed where nothing is known."""
    assert interval_text(comparison(None, n=5), TEXT) == "\N{EN DASH}"
    assert difference_text(comparison(None, n=0), TEXT) == "\N{EN DASH}"


def test_groups_are_called_by_their_number() -> None:
    """A group says of how many runs it is, and in what else it differs."""
    one = replace(comparison(BETTER, p=0.01), members_a=("r0", "r1"), members_b=("r2",))
    assert "slow (2 pooled) has RMSE 2.00 cm and fast 2.25 cm," in sentence(one, TEXT)
    unlike = replace(one, also_apart_in=("direction", "rig"))
    assert sentence(unlike, TEXT).endswith("the more accurate. The two also differ in direction and rig.")


# --------------------------------------------------------------------------- whatever the evidence

lengths_m = st.floats(-0.1, 0.1).map(lambda x: round(x, 7))
shares = st.none() | st.floats(0, 0.06) | st.floats(0, 1)


@st.composite
def comparisons(draw: st.DrawFn) -> RunComparison:
    """Any p-values, any interval about its difference, any margin."""
    low_m, difference_m, high_m = sorted(draw(st.tuples(lengths_m, lengths_m, lengths_m)))
    margin_m = draw(st.none() | st.floats(0.0001, 0.2))
    return comparison(
        draw(st.sampled_from([None, (low_m, high_m)])),
        difference_m=difference_m,
        p=draw(shares),
        p_holm=draw(shares),
        margin_m=margin_m,
        equivalence_p=None if margin_m is None else draw(shares),
        n=draw(st.integers(1, 60)),
    )


@given(comparisons(), st.sampled_from(LengthUnit))
def test_no_claim_that_the_evidence_denies(one: RunComparison, unit: LengthUnit) -> None:
    """A run is called the more accurate only where the corrected test and the printed interval say so."""
    said = sentence(one, LengthText(unit))
    claimed = re.search(r"(slow|fast) is the more accurate", said)
    printed = re.search(r"interval (\S+) to (\S+)\)", said)
    if claimed is None:
        assert finding(one) not in ("first better", "second better")
        return
    assert printed is not None
    low, high = (float(end.replace(MINUS, "-")) for end in printed.groups())
    assert (high < 0) if claimed[1] == "slow" else (low > 0)
    swap = one.tests[1]
    p = swap.p_value if swap.p_holm is None else swap.p_holm
    assert p is not None
    assert p <= 0.05


@given(comparisons())
def test_exactly_one_conclusion(one: RunComparison) -> None:
    """Whatever the evidence, the sentence draws one conclusion, and each needs what it names."""
    said = sentence(one, TEXT)
    marks = (
        "the more accurate",
        "a real difference",
        "alike within",
        "not decided",
        "none is ruled out",
        "too few",
    )
    assert sum(mark in said for mark in marks) == 1
    if "within" in said:
        assert one.margin_m is not None
        assert one.equivalence_p is not None
        assert one.equivalence_p <= 0.05
    assert ("too few" in said) == (one.rmse_difference_interval_95_m is None)


@given(comparisons())
def test_turned_round_the_other_is_named(one: RunComparison) -> None:
    """With the runs in the other order the same is found of the other run."""
    interval_m = one.rmse_difference_interval_95_m
    assert one.rmse_difference_m is not None
    turned = replace(
        one,
        rmse_difference_m=-one.rmse_difference_m,
        rmse_difference_interval_95_m=None if interval_m is None else (-interval_m[1], -interval_m[0]),
    )
    other = {"first better": "second better", "second better": "first better"}
    assert finding(turned) == other.get(finding(one), finding(one))
