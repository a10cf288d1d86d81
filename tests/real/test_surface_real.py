"""Heights measured on open data (see the data folder's README for sources and licences)."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import laspy
import numpy as np
import pytest
from numpy.typing import NDArray

from accuracy.matching.surface import measure_height
from accuracy.model import Flag, NotMeasured, Patch, Reason, VerticalResidual

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Cloud:
    """Columns of a file, points of the noise classes left out."""

    x: Array
    y: Array
    z: Array
    time_s: Array
    code: NDArray[np.uint8]
    source: NDArray[np.uint16]

    def only(self, keep: NDArray[np.bool_]) -> Cloud:
        """Some of the points."""
        return Cloud(*(column[keep] for column in vars(self).values()))

    def patch(self, x: float, y: float, z: float, reach_m: float = 4.0) -> Patch:
        """The points around a place, as the reader would deliver them."""
        near = self.only(np.hypot(self.x - x, self.y - y) <= reach_m)
        ones = np.ones(near.x.size, dtype=np.uint8)
        return Patch(
            checkpoint_id="place",
            east_m=near.x - x,
            north_m=near.y - y,
            up_m=near.z - z,
            whole_radius_m=reach_m,
            outer_radius_m=reach_m,
            gps_time_s=near.time_s,
            time_kind="adjusted-gps",
            classification=near.code,
            return_number=ones,
            number_of_returns=ones,
            source_id=near.source,
        )


def read(path: Path) -> Cloud:
    """One file, whole."""
    las = laspy.read(path)
    cloud = Cloud(
        np.array(las.x),
        np.array(las.y),
        np.array(las.z),
        np.array(las.gps_time, dtype=np.float64),
        np.array(las.classification, dtype=np.uint8),
        np.array(las.point_source_id, dtype=np.uint16),
    )
    return cloud.only(~np.isin(cloud.code, (7, 18)))


def nmad(values: Array) -> float:
    """Normalised median absolute deviation."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def measured(surface: Cloud, points: Cloud, places: np.ndarray) -> list[VerticalResidual | NotMeasured]:
    """The surface's height at these of the points, which are taken as free of error."""
    return [
        measure_height(surface.patch(points.x[i], points.y[i], points.z[i]), survey_sigma_m=None)
        for i in places
    ]


def heights(results: list[VerticalResidual | NotMeasured]) -> Array:
    """Residuals of those that were measured."""
    return np.array([r.residual_m for r in results if isinstance(r, VerticalResidual)])


def test_one_flight_line_against_the_other(shared_data: Path) -> None:
    """Ground of line 707 on the surface of line 706: within the README's band.

    Computed there with planes of 0.7 m at 2,741 places: median -6 mm, NMAD 30 mm, RMSE 34 mm. A plausible
    band, not a published value; both differences hold one point's noise.
    """
    cloud = read(shared_data / "tiles" / "test_data_77055_627755_LA93_IGN69.laz")
    ground = cloud.code == 2
    surface, points = cloud.only(ground & (cloud.source == 706)), cloud.only(ground & (cloud.source == 707))
    inside = np.flatnonzero(
        (np.abs(points.x - np.mean(points.x)) < 22) & (np.abs(points.y - np.mean(points.y)) < 22)
    )
    places = inside[:: max(1, inside.size // 150)]
    results = measured(surface, points, places)
    found = heights(results)
    assert found.size > 0.75 * places.size
    assert np.median(found) == pytest.approx(0, abs=0.015)
    assert 0.02 < nmad(found) < 0.045
    assert np.sqrt(np.mean(found**2)) < 0.05


def test_two_passes_of_an_airborne_survey(shared_data: Path) -> None:
    """All classes and both lines together: two passes are seen at nearly every place."""
    cloud = read(shared_data / "tiles" / "test_data_77055_627755_LA93_IGN69.laz")
    ground = cloud.only(cloud.code == 2)
    places = np.arange(100, ground.x.size, ground.x.size // 60)
    results = measured(cloud, ground, places)
    done = [r for r in results if isinstance(r, VerticalResidual)]
    assert len(done) > 0.75 * places.size
    assert sum(r.passes == 2 for r in done) > 0.8 * len(done)
    assert nmad(heights(results)) < 0.05
    assert all(r.pass_difference_m is not None for r in done if r.passes == 2)


def test_flat_close_range_surface(shared_data: Path) -> None:
    """A flat board at 6,400 points/m2 with 5 mm noise, stored in centimetres: even to a few millimetres."""
    cloud = read(shared_data / "clouds" / "plane.laz")
    rng = np.random.default_rng(1)
    places = np.mean([cloud.x, cloud.y], axis=1) + rng.uniform(-0.5, 0.5, (25, 2))
    results = [measure_height(cloud.patch(x, y, np.median(cloud.z)), survey_sigma_m=None) for x, y in places]
    done = [r for r in results if isinstance(r, VerticalResidual)]
    assert len(done) == 25
    assert np.std(heights(results)) < 0.006
    assert np.median([r.roughness_m for r in done]) == pytest.approx(0.005, abs=0.0015)
    assert np.median([r.density_per_m2 for r in done]) == pytest.approx(6400, rel=0.2)
    # Rounding to a centimetre stays in the uncertainty; thousands of points do not wear it away.
    assert all(0.0005 < r.fit_uncertainty_m < 0.006 for r in done)


def test_slice_of_a_mobile_survey(shared_data: Path) -> None:
    """Two hundredths of a second of a mobile scanner: few lines, so little is claimed and much refused."""
    cloud = read(shared_data / "clouds" / "test_0.02_seconde.las")
    places = np.arange(0, cloud.x.size, 400)
    results = measured(cloud, cloud, places)
    refused = Counter(r.code for r in results if isinstance(r, NotMeasured))
    done = [r for r in results if isinstance(r, VerticalResidual)]
    assert sum(refused.values()) >= 3
    assert refused[Reason.TOO_STEEP] + refused[Reason.COLLINEAR] + refused[Reason.TOO_SPARSE] >= 2
    assert len(done) >= 10
    # The place is a point of the cloud itself: what is measured lies within its noise and uncertainty.
    for r in done:
        assert abs(r.residual_m) < 4 * np.hypot(r.fit_uncertainty_m, r.roughness_m) + 0.01


def test_airborne_national_survey(shared_data: Path) -> None:
    """AHN3, all classes kept: at ground points the ground is found, with the scatter of single points."""
    cloud = read(shared_data / "clouds" / "AHN3.laz")
    ground = cloud.only(cloud.code == 2)
    places = np.arange(50, ground.x.size, ground.x.size // 60)
    results = measured(cloud, ground, places)
    found = heights(results)
    assert found.size > 0.6 * places.size
    assert np.median(found) == pytest.approx(0, abs=0.02)
    assert nmad(found) < 0.06


def test_choice_of_class_decides_on_a_mountain(shared_data: Path) -> None:
    """Surface-model posts on a grown-over slope: all returns lie decimetres above the ground class.

    README: medians +0.22 m and -0.03 m at radius 0.5 m (computed once, plausible bands).
    """
    posts = read(shared_data / "pairs" / "source_cloud_crop.laz")
    cloud = read(shared_data / "pairs" / "target_cloud_crop.laz")
    places = np.arange(0, posts.x.size, 12)
    medians = {}
    for name, these in (("all", cloud), ("ground", cloud.only(cloud.code == 2))):
        results = measured(these, posts, places)
        done = [r for r in results if isinstance(r, VerticalResidual)]
        assert len(done) >= 15
        # Rough, steep ground: never without a word to the reader.
        assert all({Flag.ROUGH, Flag.SLOPE_OVER_10_PERCENT} & set(r.flags) for r in done)
        medians[name] = float(np.median(heights(results)))
    assert medians["all"] - medians["ground"] > 0.1
    assert medians["ground"] == pytest.approx(-0.03, abs=0.1)
