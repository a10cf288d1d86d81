"""Chances of passing against scipy.stats, a table of the chi-square distribution, and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from accuracy.errors import RequestError
from accuracy.model import ClassRequest
from accuracy.planning.guidance import demands
from accuracy.planning.power import (
    Trial,
    as_placed,
    chance_of_passing,
    evenly_along,
    freedom,
    smallest_number,
    worst_survey_m,
)
from accuracy.planning.survey import Occupation

DRAWS = 40_000


def _trial(run_m: tuple[float, ...], survey_m: float = 0.0, *, limit_m: float = 0.03, **how: bool) -> Trial:
    return Trial(
        limit_m=limit_m,
        run_m=run_m,
        survey_m=(survey_m,) * len(run_m),
        survey_added=how.get("survey_added", False),
        each_axis=how.get("each_axis", False),
    )


@pytest.mark.parametrize(
    ("n", "upper"), [(5, 2.0893), (10, 1.5931), (20, 1.3576), (30, 1.2737), (60, 1.1787), (120, 1.1198)]
)
def test_one_sided_bound_of_the_rmse(n: int, upper: float) -> None:
    """A run at the tabulated one-sided 95 % bound times its class passes in 5 % of cases.

    Table computed from the chi-square distribution: RMSE sqrt(n / chi2_{.05, n}), four decimals.
    """
    chance = chance_of_passing(_trial((upper * 0.03,)), np.array([float(n)]))
    assert chance[0] == pytest.approx(0.05, abs=2e-4)


@pytest.mark.parametrize("n", [1, 7, 30, 120])
@pytest.mark.parametrize("survey_added", [False, True])
def test_independent_reference(n: int, survey_added: bool) -> None:
    """Heights and horizontal positions agree with scipy.stats.chi2, written out again here."""
    number, s = np.array([float(n)]), 0.008
    for axes in (1, 2):
        run = 0.021 / axes**0.5
        left = 0.03**2 - (axes * s**2 if survey_added else 0.0)
        expected = stats.chi2(axes * n).cdf(n * left / (run**2 + s**2))
        trial = _trial((run,) * axes, s, survey_added=survey_added)
        assert chance_of_passing(trial, number)[0] == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize(
    ("run_m", "how"),
    [
        ((0.024,), {"survey_added": True}),
        ((0.018, 0.018), {"survey_added": True}),
        ((0.024, 0.024), {"each_axis": True}),
        ((0.010, 0.010, 0.022), {"survey_added": True}),
        ((0.018, 0.018, 0.008), {"survey_added": False}),
    ],
)
@pytest.mark.parametrize("n", [10, 30])
def test_by_simulation(
    rng: np.random.Generator, run_m: tuple[float, ...], how: dict[str, bool], n: int
) -> None:
    """Simulated residuals, the run's error plus the survey's, pass as often as reckoned.

    ASPRS Ed. 2 7.11 (idea from a summary): the survey's part is added to the figure in quadrature;
    Ed. 1: RMSEx and RMSEy each stay below the class.
    """
    s = 0.006
    trial = _trial(run_m, s, **how)
    squares = np.stack(
        [(rng.normal(0, r, (DRAWS, n)) + rng.normal(0, s, (DRAWS, n))) ** 2 for r in run_m]
    ).mean(axis=2)
    if how.get("each_axis"):
        passed = (squares <= 0.03**2).all(axis=0)
    else:
        added = len(run_m) * s**2 if how["survey_added"] else 0.0
        passed = squares.sum(axis=0) + added <= 0.03**2
    chance = float(chance_of_passing(trial, np.array([float(n)]))[0])
    assert 0.02 < chance < 0.98  # otherwise the comparison would prove nothing
    assert passed.mean() == pytest.approx(chance, abs=4 * (chance * (1 - chance) / DRAWS) ** 0.5 + 2e-4)


@pytest.mark.parametrize("correlation_length_m", [20.0, 60.0])
@pytest.mark.parametrize("times", [0.75, 1.25])
def test_correlated_by_simulation(
    rng: np.random.Generator, correlation_length_m: float, times: float
) -> None:
    """With errors shared along the drive the effective number gives the chance within 1.5 percent."""
    n, s, draws = 30, 0.006, 20_000
    chainage = np.linspace(0.0, 1000.0, n)
    correlation = np.exp(-np.abs(chainage[:, None] - chainage) / correlation_length_m)
    run = times * 0.03
    errors = rng.normal(size=(draws, n)) @ np.linalg.cholesky(correlation).T * run
    errors += rng.normal(0, s, (draws, n))
    passed = (errors**2).mean(axis=1) + s**2 <= 0.03**2
    trial = _trial((run,), s, survey_added=True)
    chance = chance_of_passing(trial, np.array([float(n)]), as_placed(chainage, correlation_length_m))[0]
    assert passed.mean() == pytest.approx(chance, abs=0.015)


def test_square_sum_in_closed_form() -> None:
    """The closed form equals the sum of the squared correlation matrix, for many numbers and lengths."""
    for correlation_length_m in (0.5, 30.0, 400.0, 1e7):
        closed = evenly_along(900.0, correlation_length_m)
        for n in (1, 2, 3, 17, 80):
            chainage = np.linspace(0.0, 900.0, n)
            matrix = np.exp(-np.abs(chainage[:, None] - chainage) / correlation_length_m)
            number = np.array([float(n)])
            assert closed(number)[0] == pytest.approx((matrix**2).sum(), rel=1e-4)
            assert as_placed(chainage, correlation_length_m)(number)[0] == pytest.approx((matrix**2).sum())


def test_shared_errors_are_worth_less() -> None:
    """Effective numbers stay between one and n, and fall as neighbours share more."""
    trial, n = _trial((0.02,)), np.array([40.0])
    worth = [float(freedom(trial, n, evenly_along(1000.0, length))[0, 0]) for length in (1, 20, 100, 1e6)]
    assert worth[0] == pytest.approx(40.0, abs=1e-6)
    assert worth == sorted(worth, reverse=True)
    assert worth[-1] == pytest.approx(1.0, abs=0.05)


@given(times=st.floats(0.3, 0.95), wished=st.sampled_from([0.8, 0.9, 0.95]), survey=st.floats(0.0, 0.006))
@settings(max_examples=40, deadline=None)
def test_smallest_number(times: float, wished: float, survey: float) -> None:
    """From the number found on every number reaches the chance, and the one before does not."""
    numbers = np.arange(1.0, 401.0)
    chance = chance_of_passing(_trial((times * 0.03,), survey, survey_added=True), numbers)
    found = smallest_number(chance, wished)
    if found is None:
        assert chance[-1] < wished
        return
    assert (chance[found - 1 :] >= wished).all()
    assert found == 1 or chance[found - 2] < wished


def test_survey_that_fills_the_class() -> None:
    """No run passes where the survey's own uncertainty is as large as the class."""
    assert chance_of_passing(_trial((0.001,), 0.03, survey_added=True), np.array([30.0]))[0] == 0.0


@pytest.mark.parametrize("times", [0.5, 0.75, 0.9])
def test_worst_survey(times: float) -> None:
    """At the largest allowed survey uncertainty the chance is just what was wished."""

    def passes(survey_m: float) -> float:
        trial = _trial((times * 0.03,), survey_m, survey_added=True)
        return float(chance_of_passing(trial, np.array([60.0]))[0])

    worst = worst_survey_m(passes, 0.8, 0.03)
    assert worst is not None
    assert passes(worst) == pytest.approx(0.8, abs=1e-6)
    assert worst_survey_m(lambda survey_m: 0.7 - survey_m, 0.8, 0.03) is None


def test_occupations(rng: np.random.Generator) -> None:
    """The mean of m occupations scatters as reckoned, and what all share stays."""
    method = Occupation(single_m=0.012, common_m=0.004)
    shared = rng.normal(0, 0.004, DRAWS)
    mean = shared + rng.normal(0, 0.012, (DRAWS, 3)).mean(axis=1)
    assert mean.std() == pytest.approx(method.after(3), rel=0.015)


@pytest.mark.parametrize(
    ("single", "common", "wanted", "needed"),
    [(0.02, 0.0, 0.01, 4), (0.02, 0.0, 0.03, 1), (0.02, 0.006, 0.010, 7), (0.02, 0.01, 0.01, None)],
)
def test_occupations_needed(single: float, common: float, wanted: float, needed: int | None) -> None:
    """The fewest that reach the uncertainty; None where the shared part alone is as large.

    By hand: 0.0004 / (0.0001 - 0.000036) = 6.25, so 7.
    """
    method = Occupation(single_m=single, common_m=common)
    assert method.needed(wanted) == needed
    if needed is not None:
        assert method.after(needed) <= wanted * (1 + 1e-9)
        assert needed == 1 or method.after(needed - 1) > wanted


@pytest.mark.parametrize(("area_km2", "least"), [(1, 30), (1000, 30), (1500, 40), (9500, 120), (20000, 120)])
def test_numbers_by_area(area_km2: float, least: int) -> None:
    """ASPRS Ed. 2 Table C.1: 30 up to 1,000 km2, ten more per 1,000 km2, 120 at most (rows from memory)."""
    (found,) = demands(ClassRequest(vertical_m=0.05), area_km2 * 1e6)
    assert (found.least, found.least_vegetated) == (least, least)


def test_what_the_standards_ask() -> None:
    """Numbers, survey ratios and limits: Ed. 2 30 and half, Ed. 1 20 and a third, NSSDA 20 and 95 %."""
    vertical, horizontal = demands(ClassRequest(vertical_m=0.03, horizontal_m=0.06), None)
    assert (vertical.least, vertical.survey_limit_m) == (30, pytest.approx(0.015))
    # 7.9 to 7.12: half of the radial class, over two axes.
    assert horizontal.survey_limit_m == pytest.approx(0.03 / 2**0.5)
    (first,) = demands(ClassRequest(standard="asprs-2014", horizontal_m=0.06), None)
    assert (first.least, first.survey_limit_m, first.each_axis) == (20, pytest.approx(0.02), True)
    (old,) = demands(ClassRequest(standard="nssda", vertical_m=0.196), None)
    assert (old.least, old.survey_limit_m, old.limit_m) == (20, None, pytest.approx(0.1))


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        (ClassRequest(), "no class was asked for"),
        (ClassRequest(standard="nmas", map_scale=24000), "no plan can be made"),
        (ClassRequest(standard="nssda", three_d_m=0.1), "means nothing to nssda"),
    ],
)
def test_classes_that_cannot_be_planned_for(asked: ClassRequest, message: str) -> None:
    """A missing class, a standard without checkpoint numbers and a component it does not know are refused."""
    with pytest.raises(RequestError, match=message):
        demands(asked, None)
