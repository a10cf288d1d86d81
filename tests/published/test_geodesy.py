"""Geodesy against published worked examples: projections, combined factors, feet."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st

from accuracy.conversion import convert
from accuracy.errors import FrameError
from accuracy.ground import GroundScale, combined_factor, elevation_factor, grid_scale_factor
from accuracy.units import LengthUnit, parse_length_unit


def degrees(degree: int, minute: int, second: float) -> float:
    """Sexagesimal to decimal degrees."""
    return degree + minute / 60 + second / 3600


# IOGP Guidance Note 373-07-02 (EPSG 7-2), worked examples of methods 9807, 9802, 9801 and 9809,
# read in public test suites. The first is 6 to 8 mm off a rigorous evaluation, as published.
GUIDANCE_NOTE = [
    ("transverse Mercator", 4277, 27700, 50.5, 0.5, 577274.99, 69740.50, 0.011),
    ("Lambert conic conformal, two parallels", 4267, 32040, 28.5, -96.0, 2963503.91, 254759.80, 0.005),
    (
        *("Lambert conic conformal, one parallel", 4242, 24200),
        *(degrees(17, 55, 55.80), -degrees(76, 56, 37.26), 255966.58, 142493.51, 0.005),
    ),
    ("oblique stereographic", 4289, 28992, 53.0, 6.0, 196105.283, 557057.739, 0.0006),
    # Ordnance Survey, "A guide to coordinate systems in Great Britain", second-hand.
    (
        *("Ordnance Survey guide", 4277, 27700),
        *(degrees(52, 39, 27.2531), degrees(1, 43, 4.5177), 651409.903, 313177.270, 0.0006),
    ),
]


@pytest.mark.parametrize(
    ("name", "source", "target", "latitude", "longitude", "easting", "northing", "tolerance"), GUIDANCE_NOTE
)
def test_projection_reaches_published_coordinates(
    name: str,
    source: int,
    target: int,
    latitude: float,
    longitude: float,
    easting: float,
    northing: float,
    tolerance: float,
) -> None:
    """Our conversion gives the published grid coordinates to their printed digits."""
    found = convert(
        np.array([longitude]),
        np.array([latitude]),
        np.array([0.0]),
        source=pyproj.CRS(source),
        target=pyproj.CRS(target),
    )
    assert found.easting[0] == pytest.approx(easting, abs=tolerance), name
    assert found.northing[0] == pytest.approx(northing, abs=tolerance), name


# NOAA Manual NOS NGS 5, Stem (1989), section 4.4, second-hand: traverse in Wisconsin South.
TRAVERSE_FT = [
    (4805.468, 4805.508),
    (3963.694, 3963.727),
    (4966.083, 4966.125),
    (3501.223, 3501.252),
    (4466.935, 4466.973),
]


def test_combined_factor_of_the_published_traverse() -> None:
    """Elevation factor, combined factor and five distances of NGS Manual 5 section 4.4."""
    radius_ft = 20_906_000.0
    assert elevation_factor(865.0, -100.0, radius_m=radius_ft) == pytest.approx(0.9999634, abs=5e-8)
    factor = combined_factor(1.0000450, 865.0, -100.0, radius_m=radius_ft)
    assert factor == pytest.approx(1.0000084, abs=5e-8)
    for ground, grid in TRAVERSE_FT:
        assert ground * factor == pytest.approx(grid, abs=6e-4)


def test_grid_scale_on_a_published_central_parallel() -> None:
    """Scale at the central parallel of Michigan South (2113): NGS Manual 5, Appendix C, second-hand."""
    crs = pyproj.CRS(26990)
    projection = pyproj.Proj(crs)
    easting, northing = projection(-degrees(84, 22, 0), 42.8850151357)
    assert grid_scale_factor(crs, easting, northing) == pytest.approx(0.999906878420, abs=1e-11)


@given(
    factor=st.floats(0.9991, 1.0009),
    east=st.floats(-50_000, 50_000),
    north=st.floats(-50_000, 50_000),
    shift=st.floats(-600_000, 600_000),
)
def test_ground_and_grid_round_trip(factor: float, east: float, north: float, shift: float) -> None:
    """Ground to grid and back returns within 0.1 mm, wherever the crew put its ground origin."""
    scale = GroundScale(
        combined_factor=factor,
        origin_name="station 1",
        grid_origin_easting_m=352_400.0,
        grid_origin_northing_m=6_031_250.0,
        ground_origin_easting_m=352_400.0 + shift,
        ground_origin_northing_m=6_031_250.0 - shift,
    )
    easting, northing = np.array([352_400.0 + shift + east]), np.array([6_031_250.0 - shift + north])
    back = scale.to_ground(*scale.to_grid(easting, northing))
    assert abs(back[0][0] - easting[0]) < 1e-4
    assert abs(back[1][0] - northing[0]) < 1e-4
    # And the scaling is not the identity in disguise: it stretches by exactly the factor.
    grid_east = scale.to_grid(easting, northing)[0][0] - scale.grid_origin_easting_m
    assert grid_east == pytest.approx(east * factor, rel=1e-9, abs=1e-6)


def test_foot_factors_are_exact() -> None:
    """0.3048 and 1200/3937 exactly (EPSG units 9002, 9003); they part by 2 ft in 1,000,000 ft."""
    foot, survey = LengthUnit.INTERNATIONAL_FOOT, LengthUnit.US_SURVEY_FOOT
    assert foot.exact_metres == Fraction(3048, 10000)
    assert survey.exact_metres == Fraction(1200, 3937)
    database = {
        unit.code: unit.conv_factor
        for unit in pyproj.get_units_map(auth_name="EPSG", category="linear").values()
    }
    assert foot.metres == pytest.approx(database["9002"], rel=1e-15)
    assert survey.metres == pytest.approx(database["9003"], rel=1e-12)
    apart_ft = (survey.exact_metres - foot.exact_metres) / foot.exact_metres * 1_000_000
    assert float(apart_ft) == pytest.approx(2.000004, abs=1e-6)
    # "1 m is 3.281 ft": common practice, no source.
    assert round(1 / foot.metres, 3) == round(1 / survey.metres, 3) == 3.281


@pytest.mark.parametrize("text", ["feet", "Feet", "furlong", ""])
def test_a_unit_is_never_guessed(text: str) -> None:
    """A word that does not say which foot, and a word that is no unit, are refused."""
    with pytest.raises(FrameError, match=r"which foot|not known"):
        parse_length_unit(text)
