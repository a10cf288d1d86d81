"""The epochs kept beside the record for the charts of trajectories."""

from __future__ import annotations

import dataclasses
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

import chapter_cases
from accuracy.errors import RecordError
from accuracy.model import Fix, TrajectoryComparison, TrajectorySeries
from accuracy.reading.kept import digest
from accuracy.reading.kept_drives import pack_drives, unpack_drives

HERE = Path("drives.npz")


def drive(n: int, *, timed: bool = True, along: bool = True, seed: int = 0) -> TrajectorySeries:
    """An invented drive of n epochs, in a grid whose eastings begin with the zone."""
    rng = np.random.default_rng(seed)
    return TrajectorySeries(
        time_s=1.46e9 + np.arange(n) * 0.05 if timed else None,
        chainage_m=np.arange(n) * 0.17,
        easting_m=32_352_400.0 + np.arange(n) * 0.17,
        northing_m=6_031_250.0 + rng.normal(size=n),
        along_m=rng.normal(size=n) * 0.02 if along else np.full(n, np.nan),
        cross_m=rng.normal(size=n) * 0.02,
        up_m=rng.normal(size=n) * 0.03,
        speed_m_per_s=np.where(np.arange(n) % 7, 3.3, np.nan),
        fix=np.array([state.value for state in Fix])[rng.integers(0, len(Fix), n)],
    )


@pytest.fixture(scope="module")
def comparisons() -> tuple[TrajectoryComparison, ...]:
    """Three comparisons; only their names matter here."""
    one, _ = chapter_cases.drive("out", "receiver")
    return tuple(dataclasses.replace(one, reference=name) for name in ("receiver", "prism", "track"))


SERIES = (drive(40, seed=1), drive(25, along=False, seed=2), drive(31, timed=False, seed=3))


def test_what_is_kept_comes_back(comparisons: tuple[TrajectoryComparison, ...]) -> None:
    """Each comparison gets its own epochs: places to half a millimetre, times to 50 microseconds."""
    content = pack_drives(comparisons, SERIES)
    assert content == pack_drives(comparisons, SERIES)
    found = unpack_drives(content, comparisons, path=HERE, sha256=digest(content))
    for before, after in zip(SERIES, found, strict=True):
        assert (before.time_s is None) == (after.time_s is None)
        if before.time_s is not None:
            np.testing.assert_allclose(after.time_s, before.time_s, rtol=0, atol=51e-6)
        for name in ("chainage_m", "easting_m", "northing_m"):
            np.testing.assert_allclose(getattr(after, name), getattr(before, name), rtol=0, atol=0.00051)
        for name in ("along_m", "cross_m", "up_m", "speed_m_per_s"):
            np.testing.assert_allclose(getattr(after, name), getattr(before, name), rtol=1e-7, atol=0)
        np.testing.assert_array_equal(after.fix, before.fix)


@given(
    values=npst.arrays(
        np.float64,
        st.integers(1, 30),
        elements=st.floats(-1e4, 1e4, allow_subnormal=False) | st.just(float("nan")),
    )
)
def test_keeping_again_changes_nothing(
    comparisons: tuple[TrajectoryComparison, ...], values: np.ndarray
) -> None:
    """What came back is kept as the same bytes, so a report drawn from it is drawn alike ever after."""
    n = len(values)
    one = dataclasses.replace(
        drive(n), along_m=values, up_m=values[::-1], easting_m=np.nan_to_num(values) * 4000
    )
    content = pack_drives(comparisons[:1], [one])
    again = unpack_drives(content, comparisons[:1], path=HERE, sha256=digest(content))
    assert pack_drives(comparisons[:1], again) == content


def test_every_comparison_has_its_series(comparisons: tuple[TrajectoryComparison, ...]) -> None:
    """A series too few would move the others to a neighbour's name."""
    with pytest.raises(ValueError, match="3 trajectory comparisons and 2 series"):
        pack_drives(comparisons, SERIES[:2])


def changed(content: bytes, **arrays: Any) -> bytes:
    """The archive with some arrays replaced."""
    with np.load(io.BytesIO(content)) as archive:
        kept: Mapping[str, Any] = {name: archive[name] for name in archive.files}
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **{**kept, **arrays})
    return buffer.getvalue()


def one_array() -> bytes:
    """What NumPy writes for a single array: no archive."""
    buffer = io.BytesIO()
    np.save(buffer, np.arange(3))
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        (lambda content: (content[:-9], digest(content)), "not those of the record: their SHA-256 differs"),
        (lambda content: (content[:-9], None), "epochs of the drives are damaged"),
        (lambda _: (b"", None), "epochs of the drives are damaged"),
        (lambda _: (one_array(), None), "epochs of the drives are damaged"),
        (lambda content: (changed(content, format=np.array("x/9")), None), 'have the format "x/9"'),
        (
            lambda content: (changed(content, run=np.array(["a", "b", "c"])), None),
            "those of other comparisons than the record's",
        ),
    ],
)
def test_other_archives_are_refused(
    comparisons: tuple[TrajectoryComparison, ...], damage: Any, message: str
) -> None:
    """Damaged, of another record or of another format: refused with the file's name and the remedy."""
    content, sha256 = damage(pack_drives(comparisons, SERIES))
    with pytest.raises(RecordError, match=message) as caught:
        unpack_drives(content, comparisons, path=HERE, sha256=sha256 or digest(content))
    assert str(caught.value).startswith("drives.npz: ")
    assert "measure again with the cloud" in str(caught.value)
