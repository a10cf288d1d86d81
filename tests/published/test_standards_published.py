"""Standards against their own published tables, and against scipy where a figure is theory.

What was read in the text, second-hand, or only remembered is said beside each table.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from accuracy.model import (
    ClassRequest,
    Outcome,
)
from accuracy.standards import RelativeAccuracy, asprs_2014, asprs_2024, evidence_from, grade, nmas, nssda
from accuracy.standards.usgs_lidar import QUALITY_LEVELS
from accuracy.statistics.summary import summarise
from evidence_cases import spread
from measured_cases import checkpoint_result, horizontal_residual, vertical_residual


def checkpoint(index, across, up, sigma_m):
    """A used checkpoint with planted residuals (easting, northing) and height, in metres."""
    return checkpoint_result(
        f"P{index}",
        vertical_residual(up, survey_uncertainty_m=sigma_m),
        horizontal_residual(across),
        at_m=(25.0 * index, 7.0 * (index % 3), 0.0),
        sigma_m=(sigma_m,) * 3,
        mark="cross",
    )


def gathered(across, up, *, sigma_m=0.001, **more):
    """Evidence from residuals, through the same summary as the whole job uses."""
    results = [
        checkpoint(i, pair, height, sigma_m) for i, (pair, height) in enumerate(zip(across, up, strict=True))
    ]
    return evidence_from(results, summarise(results), **more)


# ASPRS Ed. 2 (2024), Table 7.4, for a checkpoint survey of 2.0 cm; location from an excerpt, values
# computed: fit in cm, product accuracy in cm.
TABLE_7_4 = [
    (1, 2.24),
    (2, 2.83),
    (3, 3.61),
    (4, 4.47),
    (5, 5.39),
    (6, 6.32),
    (7, 7.28),
    (8, 8.25),
    (9, 9.22),
    (10, 10.20),
    (15, 15.13),
    (20, 20.10),
]


@pytest.mark.parametrize(("fit_cm", "product_cm"), TABLE_7_4)
def test_the_survey_is_added_in_quadrature(fit_cm, product_cm):
    """The tested figure of Edition 2 is fit and survey together: 3.0 and 2.0 cm make 3.61 cm."""
    evidence = gathered([(0.0, 0.0)] * 30, spread(fit_cm / 100, 30), sigma_m=0.02)
    vertical = grade(evidence, ClassRequest(vertical_m=0.5))[0]
    assert vertical.tested_m == pytest.approx(math.hypot(fit_cm, 2.0) / 100, rel=1e-12)
    assert round(100 * vertical.tested_m, 2) == product_cm
    assert f"RMSE_V = {product_cm:.2f} (cm)" in vertical.statement


# ASPRS Ed. 2 (2024) 7.4; fractions second-hand, the values follow from them: class, within-swath
# largest difference, swath-to-swath RMSD_Z, swath-to-swath largest difference, all in cm.
VERTICAL_CLASSES = [
    (1, 0.6, 0.8, 1.6),
    (2.5, 1.5, 2.0, 4.0),
    (5, 3.0, 4.0, 8.0),
    (10, 6.0, 8.0, 16.0),
    (15, 9.0, 12.0, 24.0),
    (20, 12.0, 16.0, 32.0),
    (33.3, 20.0, 26.6, 53.3),
]


@pytest.mark.parametrize(("class_cm", "within", "rmsd", "largest"), VERTICAL_CLASSES)
@pytest.mark.parametrize("standard", ["asprs-2024", "asprs-2014"])
def test_vertical_class_table(standard, class_cm, within, rmsd, largest):
    """A class of any size limits NVA to itself and the cloud against itself to 0.6, 0.8 and 1.6 of it."""
    relative = RelativeAccuracy(
        places=40, within_swath_max_m=0.001, swath_to_swath_rmsd_m=0.001, swath_to_swath_max_m=0.001
    )
    evidence = gathered([(0.0, 0.0)] * 30, spread(0.001, 30), relative=relative)
    vertical, *_, against_itself = grade(evidence, ClassRequest(standard=standard, vertical_m=class_cm / 100))
    assert 100 * vertical.rules[0].limit == pytest.approx(class_cm)
    limits = [100 * rule.limit for rule in against_itself.rules]
    # The table prints one decimal, cut or rounded: 33.3 x 0.60 = 19.98 stands as 20.0.
    assert limits == pytest.approx([within, rmsd, largest], abs=0.05)
    assert against_itself.outcome is Outcome.MET


# ASPRS Ed. 2 Table C.1: ends read in a summary of the edition, rows between from memory.
@pytest.mark.parametrize(
    ("area_km2", "number"),
    [
        (None, 30),
        (0.4, 30),
        (1000, 30),
        (1001, 40),
        (2000, 40),
        (2001, 50),
        (3001, 60),
        (4001, 70),
        (5001, 80),
        (6001, 90),
        (7001, 100),
        (8001, 110),
        (9001, 120),
        (10000, 120),
        (10001, 120),
        (500000, 120),
    ],
)
def test_edition_2_checkpoints_by_area(area_km2, number):
    """Table C.1 from 30 to the most that the edition asks for, 120."""
    assert asprs_2024.checkpoints_required(None if area_km2 is None else area_km2 * 1e6) == number


# ASPRS Ed. 1 Table C.1, from memory: horizontal, NVA, VVA, and its total of vertical checkpoints.
@pytest.mark.parametrize(
    ("area_km2", "horizontal", "nva", "vva", "total"),
    [
        (500, 20, 20, 5, 25),
        (750, 25, 20, 10, 30),
        (1000, 30, 25, 15, 40),
        (1250, 35, 30, 20, 50),
        (1500, 40, 35, 25, 60),
        (1750, 45, 40, 30, 70),
        (2000, 50, 45, 35, 80),
        (2250, 55, 50, 40, 90),
        (2500, 60, 55, 45, 100),
        (2501, 60, 58, 47, 105),
        (3000, 60, 58, 47, 105),
        (3001, 60, 61, 49, 110),
    ],
)
def test_edition_1_checkpoints_by_area(area_km2, horizontal, nva, vva, total):
    """Each row at its upper end, and five more vertical ones for each 500 km2 beyond the last."""
    required = asprs_2014.checkpoints_required(area_km2 * 1e6)
    assert (required.horizontal, required.nva, required.vva) == (horizontal, nva, vva)
    assert required.nva + required.vva == total


# ASPRS Ed. 1 (2014) Annex D, Table D.1, from memory; recomputes to the published statistics.
ANNEX_D = [
    ((-0.140, -0.070), -0.071),
    ((-0.100, -0.100), 0.010),
    ((0.017, -0.070), 0.102),
    ((-0.070, 0.150), -0.100),
    ((0.130, 0.120), 0.087),
]


def test_edition_1_annex_d():
    """Five points: RMSE .102, .106, .081, and the 95 % figures from the unrounded RMSE, .255 and .160."""
    evidence = gathered([across for across, _ in ANNEX_D], [up for _, up in ANNEX_D])
    vertical, horizontal = grade(
        evidence, ClassRequest(standard="asprs-2014", vertical_m=0.05, horizontal_m=0.105)
    )
    x, y = (rule.value for rule in horizontal.rules[:2])
    assert (round(x, 3), round(y, 3), round(vertical.tested_m, 3)) == (0.102, 0.106, 0.081)
    assert horizontal.tested_m == y
    assert round(asprs_2014.HORIZONTAL_95_FACTOR * math.hypot(x, y), 3) == 0.255
    assert round(asprs_2014.VERTICAL_95_FACTOR * vertical.tested_m, 3) == 0.160
    # One axis of two beyond the class is enough.
    assert horizontal.outcome is Outcome.NOT_MET
    assert "RMSEx = 10.17 (cm) and RMSEy = 10.65 (cm)" in horizontal.statement
    assert "+/- 25.48 (cm) at 95% confidence level" in horizontal.statement
    assert "RMSEz = 8.14 (cm), equating to +/- 15.95 (cm) at 95% confidence level" in vertical.statement


# NSSDA (1998): the factors as printed; theory from scipy.
@pytest.mark.parametrize(
    ("printed", "theory"),
    [
        (nssda.PER_AXIS_FACTOR, math.sqrt(stats.chi2.ppf(0.95, 2))),
        (nssda.EQUAL_AXES_FACTOR, math.sqrt(stats.chi2.ppf(0.95, 2) / 2)),
        (nssda.VERTICAL_FACTOR, stats.norm.ppf(0.975)),
    ],
)
def test_nssda_factors(printed, theory):
    """The standard's four decimals are those of the normal distribution."""
    assert printed == pytest.approx(theory, abs=5.1e-5)


# Ratio of axes; exact 95 % radius; the standard's approximation. Computed by numerical integration,
# in units of the larger axis.
UNEQUAL_AXES = [
    (1.0, 2.4477, 2.4477),
    (0.9, 2.3318, 2.3253),
    (0.8, 2.2303, 2.2029),
    (0.7, 2.1460, 2.0805),
    (0.6, 2.0813, 1.9582),
    (0.5, 2.0359, None),
]


@pytest.mark.parametrize(("ratio", "exact", "approximate"), UNEQUAL_AXES)
def test_nssda_unequal_axes(ratio, exact, approximate):
    """The approximation from 0.6 up, nothing below, and the exact radius that it understates."""
    assert nssda.exact_radius_95_m(ratio, 1.0) == pytest.approx(exact, abs=5.1e-5)
    found = nssda.accuracy_r_m(1.0, ratio)
    assert found == (None if approximate is None else pytest.approx(approximate, abs=6e-5))


@pytest.mark.parametrize("ratio", [1.0, 0.95, 0.6, 0.3, 0.1, 0.02])
def test_exact_radius_holds_95_percent(ratio):
    """Five percent lie beyond it by another route: the bivariate normal in polar coordinates."""
    radius = nssda.exact_radius_95_m(2.0 * ratio, 2.0)

    def beyond(angle):
        form = math.cos(angle) ** 2 / ratio**2 + math.sin(angle) ** 2
        return math.exp(-0.5 * (radius / 2.0) ** 2 * form) / form

    share = 4 * integrate.quad(beyond, 0, math.pi / 2, epsabs=1e-12, limit=200)[0] / (2 * math.pi * ratio)
    assert share == pytest.approx(0.05, abs=1e-8)


@pytest.mark.parametrize("ratio", [0.0, 1e-12, 1e-6, 1e-3])
def test_exact_radius_of_one_axis(ratio):
    """With one axis free of error it is the 95 % half-width of a single normal error."""
    assert nssda.exact_radius_95_m(ratio, 3.0) == pytest.approx(3 * stats.norm.ppf(0.975), rel=1e-5)


def test_exact_radius_against_a_draw(rng):
    """A tenth of a million simulated errors: 95 % lie inside, as closely as that many can tell."""
    radius = nssda.exact_radius_95_m(0.4, 1.0)
    inside = np.hypot(rng.normal(0, 0.4, 100_000), rng.normal(0, 1.0, 100_000)) <= radius
    assert inside.mean() == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 100_000))


def test_nssda_agency_report():
    """A US agency's airborne acceptance report, second-hand: 51 points, RMSE 0.0574, 95 % 0.1125 m."""
    evidence = gathered([(0.0, 0.0)] * 51, [*spread(0.0574, 50), 0.0574])
    vertical = grade(evidence, ClassRequest(standard="nssda"))[0]
    assert round(vertical.tested_m, 4) == 0.1125
    # The form of 3.2.3, read in quotation: Tested ____ (meters, feet) ... at 95% confidence level.
    assert vertical.statement == "Tested 0.113 meters vertical accuracy at 95% confidence level"


def test_annex_d_by_nssda():
    """The same five points by NSSDA's formula for unequal axes, 2.4477 x (RMSEx + RMSEy) / 2."""
    evidence = gathered([across for across, _ in ANNEX_D], [up for _, up in ANNEX_D])
    vertical, horizontal = grade(evidence, ClassRequest(standard="nssda"))
    assert horizontal.tested_m == pytest.approx(2.4477 * 0.5 * (0.101675 + 0.106489), abs=2e-6)
    assert round(vertical.tested_m, 3) == 0.160
    # Five points are too few for the standard's sentence.
    assert vertical.statement is horizontal.statement is None


@pytest.mark.parametrize(
    ("scale", "tolerance_m"),
    [
        (24_000, 12.192),  # the text's own example: 40 ft
        (20_000, 20_000 * 0.0254 / 50),
        (19_999, 19_999 * 0.0254 / 30),
        (1_200, 1.016),  # 3.33 ft on a 1 inch to 100 ft plan; computed
    ],
)
def test_nmas_tolerance(scale, tolerance_m):
    """1/30 inch for scales larger than 1:20,000, 1/50 inch from there (read in reproductions)."""
    assert nmas.horizontal_tolerance_m(scale) == pytest.approx(tolerance_m, rel=1e-12)


# USGS LBS tables 1, 2 and 4, from memory (versions 1.3 to 2.1); QL2's RMSEz, 95 % figures, spacing and
# density second-hand: spacing m, pulses/m2, repeatability, overlap, RMSEz, NVA 95 %, VVA.
@pytest.mark.parametrize(
    ("name", "row"),
    [
        ("QL0", (0.35, 8.0, 0.03, 0.04, 0.050, 0.098, 0.15)),
        ("QL1", (0.35, 8.0, 0.06, 0.08, 0.100, 0.196, 0.30)),
        ("QL2", (0.71, 2.0, 0.06, 0.08, 0.100, 0.196, 0.30)),
        ("QL3", (1.41, 0.5, 0.12, 0.16, 0.200, 0.392, 0.60)),
    ],
)
def test_quality_levels(name, row):
    """Each level as remembered, and closed by arithmetic: NVA is 1.96 RMSEz, VVA three times RMSEz."""
    level = QUALITY_LEVELS[name]
    assert (
        level.spacing_m,
        level.density_per_m2,
        level.smooth_surface_rmsd_m,
        level.swath_overlap_rmsd_m,
        level.rmse_m,
        level.nva_95_m,
        level.vva_95_m,
    ) == row
    assert level.nva_95_m == pytest.approx(1.96 * level.rmse_m)
    assert level.vva_95_m == pytest.approx(3 * level.rmse_m)


def test_vva_percentile_definition():
    """Ed. 1 Annex D.2, from memory: rank 0.95 (N - 1) + 1, linear between neighbours."""
    evidence = gathered([(0.0, 0.0)] * 4, [0.01, -0.02, 0.03, -0.04])
    # Rank 0.95 x 3 + 1 = 3.85: 0.03 + 0.85 x 0.01.
    assert evidence.open_heights.percentile_95_m() == pytest.approx(0.0385)
