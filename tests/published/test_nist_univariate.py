"""NIST Statistical Reference Datasets, univariate: mean, standard deviation, autocorrelation.

https://www.itl.nist.gov/div898/strd/univ/homepage.html; the files stand in ``nist/`` beside this.
"""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from accuracy.statistics.correlation import lag_one_autocorrelation
from accuracy.statistics.summary import mean_and_standard_deviation, rmse, summarise_axis

FOLDER = Path(__file__).parent / "nist"
NAMES = ("PiDigits", "Lottery", "Lew", "Mavro", "Michelso", "NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4")
COUNTS = dict(zip(NAMES, (5000, 218, 200, 50, 100, 3, 1001, 1001, 1001), strict=True))


def read(name: str) -> tuple[dict[str, str], list[str]]:
    """Certified figures and values, both as the text that NIST prints."""
    head, _, body = (FOLDER / f"{name}.txt").read_text(encoding="ascii").partition("\n\n")
    certified = dict(line.split(" = ") for line in head.splitlines())
    return certified, body.split()


def exact_standard_deviation(values: list[Fraction]) -> float:
    """From rational arithmetic: the square root is the only rounding."""
    mean = sum(values, Fraction(0)) / len(values)
    return math.sqrt(sum(((value - mean) ** 2 for value in values), Fraction(0)) / (len(values) - 1))


@pytest.mark.parametrize("name", NAMES)
def test_copy_is_sound(name: str) -> None:
    """The certified figures follow from the decimal text in exact arithmetic: the copy is NIST's."""
    certified, text = read(name)
    values = [Fraction(value) for value in text]
    assert len(values) == COUNTS[name]
    mean = sum(values, Fraction(0)) / len(values)
    assert float(mean) == pytest.approx(float(certified["mean"]), rel=1e-14)
    assert exact_standard_deviation(values) == pytest.approx(
        float(certified["standard_deviation"]), rel=1e-14
    )


@pytest.mark.parametrize("name", NAMES)
def test_mean_and_standard_deviation_are_those_of_the_binary_values(name: str) -> None:
    """To the last digits that 64 bits hold, against rational arithmetic on those very 64 bits."""
    _, text = read(name)
    values = [Fraction(float(value)) for value in text]
    mean, deviation = mean_and_standard_deviation(np.array(text, dtype=np.float64))
    assert mean == pytest.approx(float(sum(values, Fraction(0)) / len(values)), rel=3e-16)
    assert deviation == pytest.approx(exact_standard_deviation(values), rel=1e-14)


# Decimals such as 10000000.1 have no exact 64-bit form: the binary values of NumAcc3 have a standard
# deviation of 0.1000000000349246 and those of NumAcc4 of 0.1000000005587935 (computed). These
# tolerances are that difference, no more.
CERTIFIED_TOLERANCE = {"NumAcc3": 4e-10, "NumAcc4": 6e-9}


@pytest.mark.parametrize("name", NAMES)
def test_certified_figures(name: str) -> None:
    """Mean, standard deviation and lag-1 autocorrelation agree with the certified ones."""
    certified, text = read(name)
    values = np.array(text, dtype=np.float64)
    relative = CERTIFIED_TOLERANCE.get(name, 1e-13)
    mean, deviation = mean_and_standard_deviation(values)
    assert mean == pytest.approx(float(certified["mean"]), rel=1e-15)
    assert deviation == pytest.approx(float(certified["standard_deviation"]), rel=relative)
    autocorrelation = lag_one_autocorrelation(values)
    assert autocorrelation == pytest.approx(
        float(certified["lag_one_autocorrelation"]), rel=max(relative, 1e-12)
    )


@pytest.mark.parametrize("name", NAMES)
def test_summary_carries_the_same_figures(name: str) -> None:
    """The summary prints these figures and no other way of computing them; RMSE^2 identity holds."""
    certified, text = read(name)
    values = np.array(text, dtype=np.float64)
    n = values.size
    summary = summarise_axis(values, ids=[str(i) for i in range(n)], survey_sigma_m=np.full(n, np.nan))
    assert summary is not None
    assert (summary.mean_m, summary.standard_deviation_m) == mean_and_standard_deviation(values)
    assert summary.rmse_m == rmse(values)
    mean, deviation = float(certified["mean"]), float(certified["standard_deviation"])
    # Identity: RMSE^2 = mean^2 + s^2 (n-1)/n.
    assert summary.rmse_m == pytest.approx(math.hypot(mean, deviation * math.sqrt((n - 1) / n)), rel=1e-13)
