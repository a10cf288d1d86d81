"""Marks against what an operator saw: the dispatcher by mark, and the comparison of the two."""

from __future__ import annotations

import dataclasses

import pytest

from accuracy.matching import measure as dispatch
from accuracy.matching.measure import matching_settings, measure_checkpoint
from accuracy.model import Checkpoint, Flag, HorizontalResidual, NotMeasured, Patch, Reason, VerticalResidual
from measured_cases import horizontal_residual, vertical_residual

POINT = Checkpoint(
    id="A",
    easting_m=100.0,
    northing_m=200.0,
    height_m=3.0,
    sigma_easting_m=0.004,
    sigma_northing_m=0.004,
    sigma_height_m=0.004,
    mark="quartered-disc",
    mark_size_m=0.6,
    observed_easting_m=100.030,
    observed_northing_m=199.990,
)
SEEN = horizontal_residual(
    (0.028, -0.011), method="target", standard_uncertainty_m=0.001, covariance_m2=(1e-6, 1e-6, 0.0)
)


@pytest.fixture
def target(monkeypatch: pytest.MonkeyPatch) -> list[HorizontalResidual | NotMeasured]:
    """What the flat-target matcher answers, changeable by the test; heights are left out."""
    answer: list[HorizontalResidual | NotMeasured] = [SEEN]
    refused = NotMeasured(code=Reason.OUTSIDE_CLOUD, reason="no point near")
    monkeypatch.setattr(dispatch, "measure_target", lambda *_, **__: answer[0])
    monkeypatch.setattr(dispatch, "measure_height", lambda *_, **__: refused)
    return answer


def horizontal(point: Checkpoint) -> HorizontalResidual | NotMeasured:
    """The dispatcher's horizontal answer; no points are needed, the matcher being a stand-in."""
    return measure_checkpoint(point, Patch.__new__(Patch), matching_settings({}))[1]


def test_measured_and_observed_are_compared(target: list[HorizontalResidual | NotMeasured]) -> None:
    """Where both exist the measurement counts, and its difference from the reading is kept."""
    found = horizontal(POINT)
    assert isinstance(found, HorizontalResidual)
    assert found.method == "target"
    assert found.observed_difference_m == pytest.approx((-0.002, -0.001))
    assert found.flags == ()


def test_a_reading_far_off_is_flagged(target: list[HorizontalResidual | NotMeasured]) -> None:
    """More than two centimetres between reading and measurement is worth a look, and flagged."""
    found = horizontal(dataclasses.replace(POINT, observed_easting_m=100.060))
    assert isinstance(found, HorizontalResidual)
    assert Flag.OBSERVED_DISAGREES in found.flags


def test_a_reading_stands_in_for_a_refusal(target: list[HorizontalResidual | NotMeasured]) -> None:
    """Where the mark cannot be measured the operator's reading counts, with the survey's error only."""
    target[0] = NotMeasured(code=Reason.NO_LOCK, reason="nothing there")
    found = horizontal(POINT)
    assert isinstance(found, HorizontalResidual)
    assert found.method == "observed"
    assert (found.residual_easting_m, found.residual_northing_m) == pytest.approx((0.030, -0.010))
    assert found.standard_uncertainty_m == pytest.approx(0.004)
    assert found.measurement_covariance_m2 is None


@pytest.mark.parametrize(
    ("read_m", "difference_m", "flagged"), [(3.05, -0.04, True), (3.012, -0.002, False), (None, None, False)]
)
def test_heights_are_compared_too(
    target: list[HorizontalResidual | NotMeasured],
    monkeypatch: pytest.MonkeyPatch,
    read_m: float | None,
    difference_m: float | None,
    flagged: bool,
) -> None:
    """A surface at +1 cm against a reading: the difference is kept, and flagged beyond two centimetres."""
    surface = vertical_residual(0.010, flags=(Flag.CURVED,))
    monkeypatch.setattr(dispatch, "measure_height", lambda *_, **__: surface)
    point = dataclasses.replace(POINT, observed_height_m=read_m)
    found = measure_checkpoint(point, Patch.__new__(Patch), matching_settings({}))
    assert isinstance(found[0], VerticalResidual)
    assert found[0].observed_difference_m == pytest.approx(difference_m)
    assert found[0].flags == (Flag.CURVED, *((Flag.OBSERVED_DISAGREES,) if flagged else ()))
    assert found[0].residual_m == 0.010
    assert isinstance(found[1], HorizontalResidual)
    assert Flag.OBSERVED_DISAGREES not in found[1].flags


def test_the_height_of_a_mark_stands_in_for_a_surface(target: list[HorizontalResidual | NotMeasured]) -> None:
    """Where no surface was measured, as under a sphere, the mark's own height is held against the reading."""
    target[0] = dataclasses.replace(SEEN, residual_height_m=0.005)
    found = horizontal(dataclasses.replace(POINT, observed_height_m=3.040))
    assert isinstance(found, HorizontalResidual)
    assert found.observed_height_difference_m == pytest.approx(-0.035)
    assert found.flags == (Flag.OBSERVED_DISAGREES,)


def test_a_mark_without_a_size_is_asked_for_it(target: list[HorizontalResidual | NotMeasured]) -> None:
    """A shape needs its size: said, not guessed."""
    bare = dataclasses.replace(POINT, mark_size_m=None, observed_easting_m=None, observed_northing_m=None)
    found = horizontal(bare)
    assert isinstance(found, NotMeasured)
    assert "add mark_size" in found.reason


def test_changed_settings_reach_the_matchers() -> None:
    """Radius and search radius by name; the rest keeps its default."""
    settings = matching_settings({"largest_radius_m": 1.5, "search_radius_m": 0.8})
    assert settings.surface.largest_radius_m == 1.5
    assert settings.target.search_radius_m == 0.8
    assert settings.surface.smallest_radius_m == matching_settings({}).surface.smallest_radius_m
