"""What is suggested and in which words: sizes, thin evidence, units, tables, clocks, bare coordinates."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pyproj
import pytest

from accuracy.explaining.conditions import CaptureTimes, join_conditions
from accuracy.explaining.mistake_heights import constant_kind
from accuracy.explaining.mistake_words import CHECK_BY
from accuracy.explaining.mistakes import (
    CloudBoxes,
    FrameFacts,
    find_apart,
    find_mistakes,
    find_time_slip,
    frame_facts,
)
from accuracy.frames import working_frame
from accuracy.model import (
    CheckpointResult,
    Cover,
    Role,
    Trajectory,
    VerticalResidual,
)
from accuracy.rounding import LengthText
from accuracy.units import LengthUnit
from measured_cases import checkpoint_result, horizontal_residual, vertical_residual

UTM = pyproj.CRS("EPSG:25832")


def survey(
    height_residual_m: np.ndarray, *, cover: Cover = Cover.OPEN, survey_m: float = 0.005
) -> list[CheckpointResult]:
    """Invented checkpoints along a bent road."""
    return [
        checkpoint_result(
            f"P{i:02d}",
            vertical_residual(residual_m, standard_uncertainty_m=survey_m, survey_uncertainty_m=survey_m),
            at_m=(352_400.0 + 23.0 * i, 5_700_000.0 + 40.0 * np.sin(i / 3), 60.0 + 2 * np.cos(i)),
            sigma_m=(survey_m,) * 3,
            cover=cover,
        )
        for i, residual_m in enumerate(height_residual_m.tolist())
    ]


def marked(place_of: list[CheckpointResult], plan_m: np.ndarray) -> list[CheckpointResult]:
    """The same with horizontal residuals."""
    return [
        dataclasses.replace(
            one, horizontal=horizontal_residual(across_m, standard_uncertainty_m=None, covariance_m2=None)
        )
        for one, across_m in zip(place_of, plan_m.tolist(), strict=True)
    ]


# --------------------------------------------------------------------------- names and words


@pytest.mark.parametrize(
    ("size_m", "undulation_m", "kind"),
    [
        (2.0, None, "pole_height"),
        (-1.8, None, "pole_height"),
        (4.0, None, "pole_height"),  # 2 m with the wrong sign
        (4.5617, None, "pole_height"),  # 2 m given as 6.5617 ft: 2 / 0.3048 - 2
        (0.12, None, "shift"),
        (4.3, None, "shift"),
        (-47.3, None, "ellipsoidal_height"),
        (46.9, 47.0, "ellipsoidal_height"),
        (3.1, 3.0, "ellipsoidal_height"),
        (30.0, 47.0, "shift"),
        (250.0, None, "shift"),
    ],
)
def test_a_constant_is_named_by_its_size(size_m: float, undulation_m: float | None, kind: str) -> None:
    """Poles, geoid heights and other constants are told apart by size."""
    assert constant_kind(size_m, 0.002, FrameFacts(undulation_m=undulation_m)) == kind


def test_pole_in_words(rng: np.random.Generator) -> None:
    """The evidence gives size, count, spread and the question; the unit is the contract's."""
    points = survey(rng.normal(2.0, 0.009, 38))
    (found,) = find_mistakes(points, frame=FrameFacts())
    assert found.kind == "pole_height"
    assert found.size == pytest.approx(2.0, abs=0.006)
    assert found.evidence.startswith("Heights differ by a constant +")
    assert "(38 of 38 checkpoints, spread 0." in found.evidence
    assert found.evidence.endswith("a usual pole height, entered twice or not at all?")
    assert "field book" in found.check_by
    (feet,) = find_mistakes(points, frame=FrameFacts(), text=LengthText(LengthUnit.US_SURVEY_FOOT))
    assert " +6.5" in feet.evidence
    assert " ftUS (38 of 38" in feet.evidence
    assert feet.size == found.size


def test_one_bad_point_is_named(rng: np.random.Generator) -> None:
    """A single point half a metre off is named with its size; so it is beside another mistake."""
    residual = rng.normal(0, 0.01, 24)
    residual[5] -= 0.5
    (found,) = find_mistakes(survey(residual), frame=FrameFacts())
    assert found.kind == "one_bad_point"
    assert "P05" in found.evidence
    assert found.size == pytest.approx(residual[5], abs=0.02)
    both = find_mistakes(survey(residual + 2.0), frame=FrameFacts())
    assert [one.kind for one in both] == ["pole_height", "one_bad_point"]
    assert "23 of 24" in both[0].evidence


def test_two_bad_points_are_named_together(rng: np.random.Generator) -> None:
    """Neither is said to be alone, and the one suggestion that a terminal shows names both."""
    residual = rng.normal(0, 0.01, 24)
    residual[[2, 5]] += (0.4, -0.5)
    (found,) = find_mistakes(survey(residual), frame=FrameFacts())
    assert found.kind == "one_bad_point"
    assert "alone" not in found.evidence
    assert re.search(
        r"in height: P05 by \N{MINUS SIGN}\d+\.\d+ cm and P02 by \d+\.\d+ cm, \d+ and \d+ times the spread "
        r"of the other 22\.",
        found.evidence,
    )


def test_true_north_for_grid_north(rng: np.random.Generator) -> None:
    """A rotation of the size of the meridian convergence is said to be one."""
    points = survey(rng.normal(0, 0.01, 30))
    place = np.array([(one.easting_m, one.northing_m) for one in points])
    off = place - place.mean(axis=0)
    facts = frame_facts(working_frame([(Path("a.las"), UTM)]), place[:, 0], place[:, 1], np.full(30, 60.0))
    # Independent figure: sin(latitude) times the longitude from the central meridian (9 E), by PROJ.
    longitude, latitude = pyproj.Proj(UTM)(*np.median(place, axis=0), inverse=True)
    expected = (longitude - 9) * np.sin(np.radians(latitude))
    assert facts.convergence_deg == pytest.approx(expected, abs=0.002)
    angle = np.radians(expected)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    seen = marked(points, off @ turn.T - off + rng.normal(0, 0.01, (30, 2)))
    found = find_mistakes(seen, frame=facts)
    assert found[0].kind == "rotation"
    assert "meridian convergence" in found[0].evidence


def test_every_kind_has_its_check() -> None:
    """Each check is a sentence."""
    assert len(CHECK_BY) >= 20
    assert all(words.endswith(".") and len(words) > 40 for words in CHECK_BY.values())


# --------------------------------------------------------------------------- thin evidence, and none


@pytest.mark.parametrize("n", [0, 1, 3])
def test_too_few_points_say_nothing(n: int) -> None:
    """Fewer than four residuals bear no explanation out, however large they are."""
    assert find_mistakes(survey(np.full(n, 2.0)), frame=FrameFacts()) == ()


def test_unused_and_vegetated_points_say_nothing() -> None:
    """What does not count, and what vegetation lifts, is no evidence of a mistake."""
    lifted = survey(np.full(20, 0.3), cover=Cover.VEGETATED)
    assert find_mistakes(lifted, frame=FrameFacts()) == ()
    aside = [dataclasses.replace(one, used=False, why_not_used="set aside") for one in survey(np.full(20, 2))]
    assert find_mistakes(aside, frame=FrameFacts()) == ()


def test_scatter_beyond_noise_is_not_explained(rng: np.random.Generator) -> None:
    """Residuals of metres without any pattern get no explanation at all."""
    assert find_mistakes(survey(rng.normal(1.0, 3.0, 30)), frame=FrameFacts()) == ()


def test_a_coarse_class_asks_for_larger_sizes(rng: np.random.Generator) -> None:
    """Six centimetres matter to a class of 5 cm and not to one of 30 cm (a quarter of the class)."""
    points = survey(rng.normal(0.06, 0.008, 40))
    assert [m.kind for m in find_mistakes(points, frame=FrameFacts(), vertical_class_m=0.05)] == ["shift"]
    assert find_mistakes(points, frame=FrameFacts(), vertical_class_m=0.30) == ()


def test_identical_residuals_do_not_break_it() -> None:
    """Residuals without any noise, all at one place or all alike, are still explained."""
    (found,) = find_mistakes(survey(np.full(12, 2.0)), frame=FrameFacts())
    assert found.kind == "pole_height"
    here = [
        dataclasses.replace(one, easting_m=352_400.0, northing_m=5_700_000.0)
        for one in survey(np.full(5, 2.0))
    ]
    assert "pole_height" in {one.kind for one in find_mistakes(here, frame=FrameFacts())}


# --------------------------------------------------------------------------- the table itself


def test_control_and_duplicates_are_facts(rng: np.random.Generator) -> None:
    """A checkpoint at a control point's place, and two at one place, are named with their ids."""
    points = survey(rng.normal(0, 0.01, 15))
    control = dataclasses.replace(points[3], id="K1", role=Role.CONTROL, used=False)
    again = dataclasses.replace(points[8], id="P08B")
    found = {one.kind: one for one in find_mistakes([*points, control, again], frame=FrameFacts())}
    assert set(found) == {"control_as_check", "duplicate_points"}
    assert "P03 (K1)" in found["control_as_check"].evidence
    assert "P08 and P08B" in found["duplicate_points"].evidence


def test_residuals_too_good_for_their_survey(rng: np.random.Generator) -> None:
    """1 mm of residuals at points surveyed to 15 mm: the cloud was fitted to them."""
    (found,) = find_mistakes(survey(rng.normal(0, 0.001, 20), survey_m=0.015), frame=FrameFacts())
    assert found.kind == "control_as_check"
    assert "smaller than the survey" in found.evidence


# --------------------------------------------------------------------------- clocks


@pytest.mark.parametrize(
    ("cloud_s", "trajectory_s", "kind", "size_s"),
    [
        ((1000.0, 1600.0), (990.0, 1610.0), None, None),
        ((982.0, 1582.0), (995.0, 1605.0), "leap_second", -18.0),
        ((4600.0, 5200.0), (990.0, 1610.0), "time_zone", 3600.0),
        ((1000.0 + 5.5 * 3600, 1600.0 + 5.5 * 3600), (990.0, 1610.0), "time_zone", 19_800.0),
        ((1000.0 - 619_315_200.0, 1600.0 - 619_315_200.0), (990.0, 1610.0), "week_rollover", -619_315_200.0),
        ((250_000.0, 250_600.0), (990.0, 1610.0), None, None),
    ],
)
def test_time_slips(
    cloud_s: tuple[float, float],
    trajectory_s: tuple[float, float],
    kind: str | None,
    size_s: float | None,
) -> None:
    """Leap seconds, time zones and the week's rollover are known by the spans alone."""
    found = find_time_slip(cloud_s, trajectory_s)
    assert (None if found is None else found.kind) == kind
    assert (None if found is None else found.size) == size_s


# --------------------------------------------------------------------------- bare coordinates


def site(rng: np.random.Generator) -> tuple[np.ndarray, CloudBoxes, FrameFacts]:
    """Thirty places in one tile of an invented site near 51 N 7 E."""
    place = np.array([352_400.0, 5_700_100.0]) + rng.uniform(0, 1, (30, 2)) * [600, 300]
    box = np.concatenate([place.min(axis=0) - 5, place.max(axis=0) + 5])[None]
    facts = frame_facts(working_frame([(Path("a.las"), UTM)]), place[:, 0], place[:, 1], np.full(30, 1500.0))
    return place, CloudBoxes(box_m=box), facts


@pytest.mark.parametrize(
    ("epsg", "kind", "name"),
    [
        (25831, "wrong_zone", "UTM zone 31N"),
        (25834, "wrong_zone", "UTM zone 34N"),
        (31466, "wrong_system", "Gauss-Kruger zone 2"),
    ],
)
def test_another_system_is_named(rng: np.random.Generator, epsg: int, kind: str, name: str) -> None:
    """Coordinates made by PROJ in another system bring that system's name."""
    place, boxes, facts = site(rng)
    table = pyproj.Transformer.from_crs(UTM, epsg, always_xy=True).transform(*place.T)
    found = find_apart(boxes, *map(np.asarray, table), frame=facts)
    assert found[0].kind == kind
    assert name in found[0].evidence


def test_hemisphere_zone_number_and_survey_foot(rng: np.random.Generator) -> None:
    """A southern northing, a zone number before the easting, and 2 ppm that leave the box."""
    place, boxes, facts = site(rng)
    east, north = place.T
    assert find_apart(boxes, east, north + 1e7, frame=facts)[0].kind == "wrong_zone"
    assert "zone number 32" in find_apart(boxes, east + 32e6, north, frame=facts)[0].evidence
    tight = CloudBoxes(box_m=np.column_stack([place - 0.2, place + 0.2]), margin_m=0.0)
    found = find_apart(tight, east / (1200 / 3937 / 0.3048), north / (1200 / 3937 / 0.3048), frame=facts)
    assert found[0].kind == "survey_foot"
    assert found[0].size == pytest.approx(2.0, abs=0.001)


@pytest.mark.parametrize(
    ("height_m", "geoid_m"),
    [(12.0, 40.0), (12.0, -90.0), (480.0, 47.0), (2400.0, 80.0), (480.0, None)],
    ids=["low", "deep geoid", "hilly", "mountain", "scale factor alone"],
)
@pytest.mark.parametrize("cloud_on_ground", [False, True])
def test_ground_for_grid_whatever_the_geoid(
    rng: np.random.Generator, height_m: float, geoid_m: float | None, cloud_on_ground: bool
) -> None:
    """Scaled about the grid's origin with the true factor, geoid height included, or with the scale alone.

    The factor is worked out here from PROJ's scale (0.9998673 in UTM 32 at 147 600 m from the meridian)
    and NOAA Manual NOS NGS 5, section 4.1; the tool knows no geoid height.
    """
    east, north = np.linspace(352_404, 352_596, 36), 6_031_250 + rng.uniform(-2, 2, 36)
    projection = pyproj.Proj(UTM)
    scale = projection.get_factors(*projection(352_500, 6_031_250, inverse=True)).meridional_scale
    factor = scale if geoid_m is None else scale * 6_372_000 / (6_372_000 + height_m + geoid_m)
    boxes = CloudBoxes(box_m=np.array([[352_400.0, 6_031_246.0, 352_600.0, 6_031_254.0]]))
    frame = working_frame([(Path("a.las"), UTM)])
    facts = frame_facts(frame, np.array([352_500.0]), np.array([6_031_250.0]), np.array([height_m]))
    share = factor if cloud_on_ground else 1 / factor
    found = find_apart(boxes, east * share, north * share, frame=facts)
    assert found[0].kind == "ground_for_grid"
    assert found[0].size == pytest.approx(factor, abs=1e-6)
    assert "36 of 36" in found[0].evidence
    other = find_apart(boxes, east, north + 400, frame=facts)
    assert "ground_for_grid" not in [one.kind for one in other]


def test_points_of_a_road_that_goes_on_are_no_mistake(rng: np.random.Generator) -> None:
    """Checkpoints up to a site's length beyond the cloud's end bring no suggestion."""
    place, boxes, facts = site(rng)
    place[:8] += [700.0, 0.0]
    assert find_apart(boxes, *place.T, frame=facts) == ()


def test_part_of_a_table_off_the_cloud(rng: np.random.Generator) -> None:
    """Eight of thirty rows swapped: those eight are spoken of, and the rest left alone."""
    place, boxes, facts = site(rng)
    table = place.copy()
    table[:8] = table[:8, ::-1]
    found = find_apart(boxes, table[:, 0], table[:, 1], frame=facts)
    assert found[0].kind == "axes_swapped"
    assert "8 of the 8 checkpoints that lie off the cloud" in found[0].evidence


def test_nothing_to_say_where_all_lie_on_the_cloud(rng: np.random.Generator) -> None:
    """Coordinates on the cloud bring no suggestion, nor do one or two points off it."""
    place, boxes, facts = site(rng)
    assert find_apart(boxes, *place.T, frame=facts) == ()
    place[:2] = place[:2, ::-1]
    assert find_apart(boxes, *place.T, frame=facts) == ()


def test_without_a_system_simple_mistakes_are_still_found(rng: np.random.Generator) -> None:
    """A cloud without a coordinate system record: swapped axes need none."""
    place, boxes, _ = site(rng)
    assert find_apart(boxes, place[:, 1], place[:, 0], frame=FrameFacts())[0].kind == "axes_swapped"


def test_swapped_pair_is_named_by_its_ids(rng: np.random.Generator) -> None:
    """Two heights at each other's places: both ids are named, and neither is called a bad point."""
    points = survey(rng.normal(0, 0.008, 24))
    low, high = (int(f([one.height_m for one in points])) for f in (np.argmin, np.argmax))
    difference = points[high].height_m - points[low].height_m
    assert difference > 3.5
    swapped = list(points)
    for index, other, sign in ((low, high, -1), (high, low, 1)):
        residual = points[index].vertical
        assert isinstance(residual, VerticalResidual)
        swapped[index] = dataclasses.replace(
            points[index],
            height_m=points[other].height_m,
            vertical=dataclasses.replace(residual, residual_m=residual.residual_m + sign * difference),
        )
    (found,) = find_mistakes(swapped, frame=FrameFacts())
    assert found.kind == "ids_shuffled"
    assert found.size == 2
    assert f"what belongs to P{low:02d} stands at P{high:02d}" in found.evidence


@pytest.mark.parametrize(
    ("way", "course_deg"), [((1.0, 0.0), 90.0), ((0.0, 1.0), 0.0), ((-1.0, -1.0), -135.0), ((0.0, 0.0), None)]
)
def test_course_at_capture(way: tuple[float, float], course_deg: float | None) -> None:
    """The direction of travel that clock slips need, clockwise from grid north; none at a standstill."""
    time_s = np.arange(0.0, 20.0, 0.5)
    rig = Trajectory(
        name="rig",
        time_s=1e9 + time_s,
        time_scale="gps",
        easting_m=352_400 + 5 * way[0] * time_s,
        northing_m=5_700_000 + 5 * way[1] * time_s,
        height_m=np.full(time_s.size, 60.0),
    )
    capture = CaptureTimes(
        checkpoint_id="P1",
        easting_m=352_400.0,
        northing_m=5_700_000.0,
        height_m=58.0,
        time_s=np.full(5, 10.2),
        time_kind="adjusted-gps",
        source_id=np.ones(5, dtype=np.uint16),
    )
    (found,) = join_conditions([capture], rig)
    assert found.why_not is None
    course = None if found.course_rad is None else np.degrees(found.course_rad)
    assert course == (None if course_deg is None else pytest.approx(course_deg, abs=0.01))
