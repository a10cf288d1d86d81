"""Fixtures that every test may use: where the open data is, and a seeded generator."""

from __future__ import annotations

import os
import tarfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import hypothesis
import laspy
import numpy as np
import pyproj
import pytest

# The same examples at every run, so that a red run can be repeated; HYPOTHESIS_PROFILE=explore draws
# new ones.
hypothesis.settings.register_profile("repeatable", derandomize=True, deadline=None)
hypothesis.settings.register_profile("explore", deadline=None)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))

REPOSITORY = Path(__file__).resolve().parent.parent


def _data_folder() -> Path:
    named = os.environ.get("ACCURACY_TEST_DATA")
    return Path(named) if named else REPOSITORY.parent / "shared" / "data"


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """The folder of open data; tests that need it say so when it is not there."""
    folder = _data_folder()
    if not folder.is_dir():
        pytest.skip(f"open test data not present at {folder}; set ACCURACY_TEST_DATA to its folder")
    return folder


@pytest.fixture(scope="session")
def archive_clouds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The open clouds of the laspy 2.7.0 source archive (BSD-2), which ``make test`` fetches."""
    archive = REPOSITORY / ".cache" / "laspy-2.7.0.tar.gz"
    if not archive.is_file():
        pytest.skip('the laspy source archive is not in .cache/; "make test" fetches it')
    folder = tmp_path_factory.mktemp("clouds")
    with tarfile.open(archive) as content:
        for member in content.getmembers():
            if member.name.startswith("laspy-2.7.0/tests/data/") and member.isfile():
                member.name = Path(member.name).name
                content.extract(member, folder, filter="data")
    return folder


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator with a fixed seed, so that a failure repeats."""
    return np.random.default_rng(20240229)


@dataclass(frozen=True)
class Site:
    """An invented site: a gently sloping pavement, its cloud and its checkpoints."""

    cloud: Path
    table: Path
    folder: Path


@pytest.fixture(scope="session")
def make_site() -> Callable[..., Site]:
    """Builds an invented site with a planted height shift; 40 points/m2 so that it is quick."""

    def build(
        folder: Path,
        *,
        points: int = 32,
        shift_m: float = 0.010,
        sigma_m: float | None = 0.004,
        noise_m: float = 0.006,
        crs: str | None = "EPSG:25832",
        scatter_m: float = 0.0,
        seed: int = 5,
    ) -> Site:
        rng = np.random.default_rng(seed)
        folder.mkdir(parents=True, exist_ok=True)
        east = 352_400.0 + np.linspace(0.0, 600.0, points)
        north = 6_031_250.0 + 3.0 * np.sin(np.arange(points))
        parts = []
        for e, n in zip(east, north, strict=True):
            x, y = e + rng.uniform(-4.5, 4.5, 3240), n + rng.uniform(-4.5, 4.5, 3240)
            wave = rng.normal(0.0, scatter_m) if scatter_m else 0.0
            parts.append(
                np.column_stack([x, y, _pavement_m(x) + shift_m + wave + rng.normal(0, noise_m, 3240)])
            )
        whole = np.vstack(parts)
        header = laspy.LasHeader(version="1.4", point_format=6)
        header.scales, header.offsets = np.full(3, 0.0001), np.array([352_400.0, 6_031_250.0, 0.0])
        if crs is not None:
            header.add_crs(pyproj.CRS(crs))
        cloud = laspy.LasData(header)
        cloud.x, cloud.y, cloud.z = whole.T
        cloud.write(folder / "road.laz")
        rows = ["id,easting,northing,height,sigma_easting,sigma_northing,sigma_height"]
        sigma = "" if sigma_m is None else f"{sigma_m}"
        rows += [
            f"P{i:02d},{e:.4f},{n:.4f},{_pavement_m(np.array([e]))[0]:.4f},{sigma},{sigma},{sigma}"
            for i, (e, n) in enumerate(zip(east, north, strict=True), start=1)
        ]
        (folder / "checkpoints.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        return Site(cloud=folder / "road.laz", table=folder / "checkpoints.csv", folder=folder)

    return build


def _pavement_m(easting_m: np.ndarray) -> np.ndarray:
    return 4.0 + 0.012 * (easting_m - 352_400.0)
