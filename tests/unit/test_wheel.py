"""The built wheel holds everything that the program needs without the repository."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def names(tmp_path_factory: pytest.TempPathFactory) -> set[str]:
    """The files of a wheel built from a copy of the tracked sources."""
    folder = tmp_path_factory.mktemp("wheel")
    listed = subprocess.run(
        ["git", "ls-files", "accuracy", "templates", "examples", "pyproject.toml", "README.md", "LICENSE"],
        cwd=REPOSITORY,
        capture_output=True,
        text=True,
        check=True,
    )
    for name in listed.stdout.split("\n"):
        if name and (REPOSITORY / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(REPOSITORY / name, folder / name)
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder / "dist", folder],
        capture_output=True,
        check=True,
    )
    wheel = next((folder / "dist").glob("*.whl"))
    with zipfile.ZipFile(wheel) as archive:
        return set(archive.namelist())


def test_every_module_is_in_the_wheel(names: set[str]) -> None:
    """No package is forgotten in the list of packages."""
    modules = {str(path.relative_to(REPOSITORY)) for path in (REPOSITORY / "accuracy").rglob("*.py")}
    assert len(modules) > 100
    assert modules <= names


def test_templates_fonts_tables_and_demo_are_in_the_wheel(names: set[str]) -> None:
    """The report's templates and fonts, the leap seconds and the demo come with the package."""
    inside = {
        f"accuracy/templates/{path.relative_to(REPOSITORY / 'templates')}"
        for path in (REPOSITORY / "templates").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert any(name.endswith(".woff2") for name in inside)
    wanted = inside | {
        "accuracy/reading/leap_seconds.toml",
        "accuracy/examples/marks.md",
        "accuracy/examples/tern_quay/make.py",
        "accuracy/py.typed",
    }
    assert wanted <= names
    assert not any(name.startswith(("tests/", "templates/", "examples/")) for name in names)
