"""A small confusion matrix of planted mistakes; tests/benchmarks/sim_mistakes.py runs the whole one.

Seeds are fixed, so nothing here can flake. The full matrix (a hundred surveys each) names at least
96 % first; of twenty, 18 is what a true 96 % reaches in 95 of 100 draws (binomial).
"""

from __future__ import annotations

import numpy as np
import pytest

import mistake_surveys as surveys
from accuracy.explaining.mistakes import find_apart, find_mistakes

KINDS = (
    "feet_for_metres",
    "survey_foot",
    "axes_swapped",
    "ground_for_grid",
    "ellipsoidal_height",
    "pole_height",
    "target_height",
    "shift",
    "tilt",
    "scale",
    "rotation",
    "mirrored",
    "ids_shuffled",
    "control_as_check",
    "duplicate_points",
    "one_bad_point",
    "clock_slip",
)
APART = ("feet_for_metres", "axes_swapped", "wrong_zone", "leading_digits", "ground_for_grid", "geographic")
SEED = 7
EACH = 20
CLEAN = 100


@pytest.mark.parametrize("kind", KINDS)
def test_planted_mistake_is_named_first(kind: str) -> None:
    """Each mistake, planted in twenty random surveys, comes first in at least eighteen."""
    named = []
    for i in range(EACH):
        planted = surveys.KINDS[kind](np.random.default_rng([SEED, KINDS.index(kind), i]))
        found = find_mistakes(planted.checkpoints, frame=planted.facts, conditions=planted.conditions)
        named.append(found[0].kind if found else "none")
        assert [one.score for one in found] == sorted((one.score for one in found), reverse=True)
        assert all(one.evidence and one.check_by for one in found)
    assert named.count(kind) >= 18, named


def test_clean_surveys_bring_no_suggestion() -> None:
    """Of a hundred clean surveys, half with a wandering run, at least 98 are left in peace."""
    silent = 0
    for i in range(CLEAN):
        clean = surveys.KINDS["none"](np.random.default_rng([SEED, 99, i]))
        silent += not find_mistakes(clean.checkpoints, frame=clean.facts)
    assert silent >= 98


@pytest.mark.parametrize("kind", APART)
def test_gross_mistake_is_named_first(kind: str) -> None:
    """Tables kilometres from the cloud: what would bring them onto it is named first, each time."""
    for i in range(6):
        apart = surveys.APART[kind](np.random.default_rng([SEED, APART.index(kind), i]))
        assert not apart.boxes.holds(apart.easting_m, apart.northing_m).all()
        found = find_apart(
            apart.boxes, apart.easting_m, apart.northing_m, frame=apart.facts, table_unit=apart.unit
        )
        assert found, f"{kind} {i} is not found"
        assert found[0].kind == kind
        assert found[0].evidence.startswith("They would, if ")


def test_another_job_s_table_is_not_explained_away() -> None:
    """A table that belongs elsewhere brings no suggestion: nothing puts it on the cloud."""
    apart = surveys.APART["none"](np.random.default_rng([SEED, 50]))
    assert find_apart(apart.boxes, apart.easting_m, apart.northing_m, frame=apart.facts) == ()
