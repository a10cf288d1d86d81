"""Open clouds from the laspy 2.7.0 source archive (BSD-2): read whole, and one of them measured."""

from __future__ import annotations

from pathlib import Path

import laspy
import numpy as np
import pytest

from accuracy.errors import CloudError
from accuracy.matching.surface import measure_height
from accuracy.model import Checkpoint, VerticalResidual
from accuracy.reading.cloud import read_header, stream_points
from accuracy.reading.patches import gather_patches

NAMES = [
    "1_4_w_evlr.laz",
    "append-bug.laz",
    "autzen_trim.laz",
    "extrabytes.las",
    "file_with_both_wkt_and_geotiff_vlrs.las",
    "plane.laz",
    "simple.copc.laz",
    "simple.las",
    "simple.laz",
    "simple1_4.las",
    "simple_with_page.copc.laz",
    "test1_4.las",
    "vegetation_1_3.las",
]


@pytest.mark.parametrize("name", NAMES)
def test_every_point_is_read_as_laspy_reads_it(archive_clouds: Path, name: str) -> None:
    """Our stream gives as many points as the header promises, with laspy's own coordinates."""
    path = archive_clouds / name
    header = read_header(path)
    chunks = [np.column_stack([chunk.X, chunk.Y, chunk.Z]) for chunk in stream_points(header)]
    assert chunks
    ours = np.vstack(chunks)
    theirs = laspy.read(path)
    assert len(ours) == header.point_count == len(theirs.points)
    wanted = np.column_stack([theirs.X, theirs.Y, theirs.Z])
    order = np.lexsort(ours.T), np.lexsort(wanted.T)
    assert np.array_equal(ours[order[0]], wanted[order[1]])


def test_a_box_its_points_contradict_is_refused(archive_clouds: Path) -> None:
    """simple1_3.las states a box a thousand times too large: refused by name, not measured on."""
    with pytest.raises(CloudError, match=r"simple1_3\.las.*byte 179"):
        read_header(archive_clouds / "simple1_3.las")


def test_heights_of_a_flat_sheet(archive_clouds: Path) -> None:
    """plane.laz, some 6,400 points/m2 with 5 mm noise: our heights are those of a plain plane."""
    path = archive_clouds / "plane.laz"
    header = read_header(path)
    cloud = laspy.read(path)
    x, y, z = (np.asarray(axis) for axis in (cloud.x, cloud.y, cloud.z))
    slope = np.linalg.lstsq(np.column_stack([np.ones_like(x), x - x.mean(), y - y.mean()]), z, rcond=None)[0]
    places = [
        (x.mean() + east, y.mean() + north)
        for east in np.linspace(-0.25, 0.25, 4) * np.ptp(x)
        for north in np.linspace(-0.25, 0.25, 4) * np.ptp(y)
    ]
    points = [
        Checkpoint(
            id=str(number),
            easting_m=float(e),
            northing_m=float(n),
            height_m=float(slope[0] + slope[1] * (e - x.mean()) + slope[2] * (n - y.mean())),
        )
        for number, (e, n) in enumerate(places)
    ]
    gathered = gather_patches([header], points, horizontal_unit_m=1.0, vertical_unit_m=1.0)
    found = [measure_height(patch, survey_sigma_m=None) for patch in gathered.patches]
    measured = [(p, one) for p, one in zip(points, found, strict=True) if isinstance(one, VerticalResidual)]
    assert len(measured) >= 12
    for point, one in measured:
        # An independent height: numpy's plain plane over the same circle.
        near = np.hypot(x - point.easting_m, y - point.northing_m) < one.radius_m
        columns = np.column_stack(
            [np.ones(near.sum()), x[near] - point.easting_m, y[near] - point.northing_m]
        )
        plain = np.linalg.lstsq(columns, z[near], rcond=None)[0][0] - point.height_m
        assert abs(plain - one.residual_m) < 4 * one.fit_uncertainty_m
    # Its noise is 5 mm (README of the open data).
    assert 0.003 < float(np.median([one.roughness_m for _, one in measured])) < 0.007
