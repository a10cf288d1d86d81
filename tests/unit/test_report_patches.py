"""Pictures of marks: the drawing shows what was planted, stays small, and repeats."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

import chapter_cases
import report_cases
from accuracy.matching.template import BUILT_IN
from accuracy.model import CheckpointResult, HorizontalResidual, NotMeasured, Reason
from accuracy.reporting import render, view, view_patches
from accuracy.units import LengthUnit

METRE = LengthUnit.METRE
DISC = BUILT_IN["quartered-disc"]


@pytest.fixture
def seen() -> CheckpointResult:
    """A checkpoint whose disc was measured 2 cm east and 1 cm south of its survey."""
    c = next(c for c in report_cases.make(horizontal=True).run.checkpoints if c.horizontal.measured)
    h = replace(c.horizontal, residual_easting_m=0.02, residual_northing_m=-0.01, rotation_degrees=30.0)
    return replace(c, horizontal=h, mark_size_m=0.6)


def raster(drawn: str) -> np.ndarray:
    """The embedded picture as grey levels (rows, columns), NaN where it is blank."""
    data = base64.b64decode(re.search(r"data:image/png;base64,([^\"]+)", drawn)[1])
    image = Image.open(io.BytesIO(data)).convert("RGBA")
    pixels = np.asarray(image, dtype=np.float64)
    return np.where(pixels[..., 3] > 0, pixels[..., 0], np.nan)


def test_outline_lies_on_the_planted_disc(seen: CheckpointResult) -> None:
    """Points are drawn where they are: light quarters light, dark quarters dark, under the fitted outline."""
    patch = chapter_cases.disc_patch(seen, density=8000, turn=np.radians(30))
    drawn = view_patches.patch_picture(patch, seen, DISC, METRE)
    grey = raster(drawn)
    half = 0.6 * 0.5 * 1.45 + np.hypot(0.02, 0.01)
    side = grey.shape[0]
    rows, columns = np.mgrid[:side, :side]
    x, y = (columns + 0.5) / side * 2 * half - half, half - (rows + 0.5) / side * 2 * half
    u = (x - 0.02) * np.cos(np.radians(30)) + (y + 0.01) * np.sin(np.radians(30))
    v = -(x - 0.02) * np.sin(np.radians(30)) + (y + 0.01) * np.cos(np.radians(30))
    inner = (np.hypot(u, v) < 0.27) & (np.minimum(np.abs(u), np.abs(v)) > 0.03)
    assert inner.sum() > 500
    assert np.nanmean(grey[inner & (u * v > 0)]) > 200
    assert np.nanmean(grey[inner & (u * v < 0)]) < 90
    # The outline's points lie on the disc's rim or at its centre, in page units.
    scale = view_patches.SIDE / 2 / half
    outline = re.findall(r'<path d="M([^"]+)Z" fill="none" stroke="#17536f"', drawn)
    assert len(outline) == 4
    for d in outline:
        for px, py in (map(float, p.split()) for p in d.split("L")):
            ex, ny = (px - 100) / scale, (100 - py) / scale
            away = np.hypot(ex - 0.02, ny + 0.01)
            assert away == pytest.approx(0.3, abs=2e-3) or away == pytest.approx(0.0, abs=2e-3)


def test_arrow_points_from_survey_to_cloud(seen: CheckpointResult) -> None:
    """A small residual is enlarged by the factor that stands beside it; its direction is kept."""
    patch = chapter_cases.disc_patch(seen)
    small = replace(
        seen, horizontal=replace(seen.horizontal, residual_easting_m=0.002, residual_northing_m=0.0)
    )
    drawn = view_patches.patch_picture(patch, small, DISC, METRE)
    factor = float(re.search(r"arrow × (\d+)", drawn)[1])
    tip = float(re.search(r'<path d="M([\d.]+) 100L[^"]*" fill="#a3401b"', drawn)[1])
    scale = 100 / (0.6 * 0.5 * 1.45 + 0.002)
    assert tip - 100 == pytest.approx(0.002 * factor * scale, abs=0.1)
    assert 24 <= tip - 100 <= 90
    large = replace(seen, horizontal=replace(seen.horizontal, residual_easting_m=0.2))
    assert "arrow ×" not in view_patches.patch_picture(patch, large, DISC, METRE)


def test_a_wall_is_drawn_in_its_own_plane(seen: CheckpointResult) -> None:
    """On a wall the picture's up is up; the same disc shows as a disc although it has no extent in plan."""
    h = replace(
        seen.horizontal,
        residual_easting_m=0.0,
        residual_northing_m=0.0,
        residual_height_m=0.0,
        rotation_degrees=0.0,
        normal=(0.0, -1.0, 0.0),
    )
    wall = replace(seen, horizontal=h)
    patch = chapter_cases.disc_patch(wall, density=8000, wall=True)
    drawn = view_patches.patch_picture(patch, wall, DISC, METRE)
    assert ">up</text>" in drawn
    assert "in the plane of its wall" in drawn
    grey = raster(drawn)
    assert np.isfinite(grey).mean() > 0.8
    side = grey.shape[0]
    # The wall seen from the south: right is east, so the light quarters stay upper right and lower left.
    quarter = side // 8
    assert np.nanmean(grey[side // 2 - quarter : side // 2 - 4, side // 2 + 4 : side // 2 + quarter]) > 200
    assert np.nanmean(grey[side // 2 - quarter : side // 2 - 4, side // 2 - quarter : side // 2 - 4]) < 90


@pytest.mark.parametrize("density", [60, 2500, 20000])
def test_pictures_are_small_and_repeat(seen: CheckpointResult, density: float) -> None:
    """At most 20 kB of PNG whatever the density, and the same bytes each time."""
    patch = chapter_cases.disc_patch(seen, density=density)
    first, again = (view_patches.patch_picture(patch, seen, DISC, METRE) for _ in range(2))
    assert first == again
    data = base64.b64decode(re.search(r"base64,([^\"]+)", first)[1])
    assert 100 < len(data) <= view_patches.LARGEST_PNG


def test_an_unmeasured_mark_is_drawn_without_a_fit(seen: CheckpointResult) -> None:
    """The points and the surveyed cross are shown, and the reason in words; no outline, no arrow."""
    patch = chapter_cases.disc_patch(seen)
    refused = replace(seen, horizontal=NotMeasured(code=Reason.NO_LOCK, reason="nothing fits."))
    drawn = view_patches.patch_picture(patch, refused, DISC, METRE)
    assert "Horizontal position not measured: nothing fits." in drawn
    assert "arrow" not in drawn
    assert 'stroke="#17536f"' not in drawn


def test_a_layer_above_the_ground_is_left_out(seen: CheckpointResult) -> None:
    """Leaves a metre above the disc, fewer than the ground's points, do not cover it in the picture."""
    patch = chapter_cases.disc_patch(seen, density=4000)
    n = len(patch)
    lifted = replace(patch, up_m=np.where(np.arange(n) % 3 == 0, patch.up_m + 1.0, patch.up_m))
    both = view_patches.patch_picture(lifted, seen, DISC, METRE)
    shown = int(re.search(r"(\d+) points by intensity", both)[1])
    alone = int(
        re.search(r"(\d+) points by intensity", view_patches.patch_picture(patch, seen, DISC, METRE))[1]
    )
    assert shown == pytest.approx(alone * 2 / 3, rel=0.05)


def test_patches_without_values_or_points(seen: CheckpointResult) -> None:
    """No intensity draws plain points; no point near the mark draws the blank sheet."""
    patch = chapter_cases.disc_patch(seen)
    plain = view_patches.patch_picture(replace(patch, intensity=None), seen, DISC, METRE)
    assert np.nanstd(raster(plain)) == 0.0
    away = replace(patch, east_m=patch.east_m + 50.0)
    assert "<image" not in view_patches.patch_picture(away, seen, DISC, METRE)


@pytest.mark.parametrize("name", sorted(BUILT_IN))
def test_every_built_in_mark_can_be_drawn(seen: CheckpointResult, name: str) -> None:
    """Each region of each template becomes one outline inside the drawing or running off it."""
    c = replace(seen, mark=name)
    drawn = view_patches.patch_picture(chapter_cases.disc_patch(seen), c, BUILT_IN[name], METRE)
    assert len(re.findall(r'Z" fill="none" stroke="#17536f"', drawn)) == len(BUILT_IN[name].regions)


def test_pictures_reach_the_page() -> None:
    """Every measured mark has its picture with name and residual; nothing outside the page is fetched."""
    result, _, patches = chapter_cases.everything(report_cases.make(n=20, horizontal=True))
    drawn = view_patches.patch_pictures(result.run, patches, result.unit)
    measured = [c for c in result.run.checkpoints if isinstance(c.horizontal, HorizontalResidual)]
    assert set(drawn) == {c.id for c in measured}
    assert len(drawn) > 10
    made = view.build(result, pictures=drawn)
    assert [p.id for p in made.pictures] == [c.id for c in measured]
    assert all(p.caption.startswith("Easting ") for p in made.pictures)
    page = render.html_text(made)
    sources = re.findall(r'<image [^>]*href="([^"]{0,22})', page)
    assert len(sources) == len(drawn)
    assert set(sources) == {"data:image/png;base64,"}
