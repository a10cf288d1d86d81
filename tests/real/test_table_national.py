"""Tables that others published, with their own headings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from accuracy.errors import TableError
from accuracy.reading.checkpoints import read_checkpoints


def test_national_test_points_geographic(shared_data: Path) -> None:
    """The Ordnance Survey's forty test points, "ETRS89 Latitude" and all, as numpy reads them."""
    path = shared_data / "geodesy" / "OSTN15_OSGM15_TestInput_ETRStoOSGB.txt"
    table = read_checkpoints(path)
    expected = np.genfromtxt(path, delimiter=",", skip_header=1, usecols=(1, 2, 3))
    assert len(table.rows) == 40
    assert table.geographic
    assert np.array_equal(
        np.column_stack([table.latitude_deg, table.longitude_deg, table.height_m]), expected
    )


def test_national_test_points_grid(shared_data: Path) -> None:
    """The same points' results, headed "OSGBEast", "OSGBNorth", "ODNHeight" among thirty columns."""
    path = shared_data / "geodesy" / "OSTN15_OSGM15_TestOutput_ETRStoOSGB.txt"
    table = read_checkpoints(path)
    expected = np.genfromtxt(path, delimiter=",", skip_header=1, usecols=(1, 2, 3))
    found = np.array([(p.easting_m, p.northing_m, p.height_m) for p in table.checkpoints])
    assert found.shape == (40, 3)
    assert np.array_equal(found, expected)
    assert table.height_kind == "orthometric"


def test_trajectory_is_no_checkpoint_table(shared_data: Path) -> None:
    """A vehicle's trajectory has no point ids, and the refusal lists what it has."""
    with pytest.raises(TableError, match='no column for id; the headings are "GPS TOW'):
        read_checkpoints(shared_data / "trajectories" / "nagoya" / "reference.csv")
