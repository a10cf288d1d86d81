"""Real surfaces that carry none of the marks: nothing may be found on them.

Open data (licences in its README). Most of these clouds are airborne and sparse; their coordinates
are shrunk so that real intensities in their real neighbourhoods come at the density of a mobile scan.
Where the cloud is dense already it is used as it is.
"""

from __future__ import annotations

import laspy
import numpy as np
import pytest

from accuracy.matching.target import TargetSettings, measure_target
from accuracy.matching.template import BUILT_IN
from accuracy.model import NotMeasured, Patch
from target_scene import NATURAL_SIZE_M

DENSE = {
    "clouds/plane.laz": 1.0,
    "clouds/vegetation_1_3.las": 1.0,
    "clouds/lone-star.copc.laz": 1.0,
    "clouds/test_0.02_seconde.las": 0.1,
    "clouds/AHN3.laz": 0.03,
    "clouds/autzen_trim.laz": 0.012,
    "clouds/4_6_crop.las": 0.03,
    "clouds/las_with_origin_dsmMarker.laz": 0.12,
    "clouds/file_with_both_wkt_and_geotiff_vlrs.las": 0.1,
    "clouds/fullwave.laz": 0.08,
    "clouds/mvk-thin.las": 0.002,
    "tiles/test_data_77055_627755_LA93_IGN69.laz": 0.12,
    "tiles/test_data_77050_627760_LA93_IGN69.laz": 0.12,
}


def windows(path, shrink, count, rng):
    """Patches about points of the cloud, spread over it."""
    with laspy.open(path) as reader:
        las = reader.read()
    xyz = np.column_stack((las.x, las.y, las.z)).astype(float)
    xyz = (xyz - xyz.mean(axis=0)) * shrink
    # Heights shrink further: the layer must survive, and it is the intensities that are under test.
    if shrink < 1:
        xyz[:, 2] *= 0.1
    intensity = np.asarray(las.intensity, dtype=float)
    for _ in range(count):
        centre = xyz[rng.integers(len(xyz))]
        offset = xyz - centre
        keep = np.hypot(offset[:, 0], offset[:, 1]) <= 1.4
        n = int(keep.sum())
        yield Patch(
            checkpoint_id="real",
            east_m=offset[keep, 0],
            north_m=offset[keep, 1],
            up_m=offset[keep, 2],
            whole_radius_m=1.4,
            outer_radius_m=1.4,
            intensity=intensity[keep],
            gps_time_s=None,
            classification=np.zeros(n, np.uint8),
            return_number=np.ones(n, np.uint8),
            number_of_returns=np.ones(n, np.uint8),
            source_id=np.zeros(n, np.uint16),
        )


@pytest.mark.parametrize(("name", "shrink"), DENSE.items())
def test_no_mark_is_found_on_a_real_surface_without_one(shared_data, name, shrink):
    """Marks are sought in turn at places spread over the cloud; none may be found."""
    path = shared_data / name
    if not path.is_file():
        pytest.skip(f"{name} is not in the open data folder")
    rng = np.random.default_rng(len(name))
    looked = dense = 0
    for number, patch in enumerate(windows(path, shrink, 3, rng)):
        mark = list(NATURAL_SIZE_M)[(number + len(name)) % len(NATURAL_SIZE_M)]
        result = measure_target(
            patch,
            mark=mark,
            mark_size_m=NATURAL_SIZE_M[mark],
            survey_covariance_m2=None,
            settings=TargetSettings(),
            templates=BUILT_IN,
        )
        looked += 1
        dense += len(patch) > 200
        assert isinstance(result, NotMeasured), (mark, result)
        assert result.reason
    assert looked == 3
    assert dense >= 1
