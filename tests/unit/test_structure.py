"""The house rules: which way imports run, how large modules grow, that every test says what it proves."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]
PACKAGE = REPOSITORY / "accuracy"
MODULES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((REPOSITORY / "tests").rglob("test_*.py"))

# Each layer may import from itself and from those before it.
LAYERS = (
    {"errors", "units", "rounding", "model", "files", "kinds"},
    {
        "ground",
        "frames",
        "conversion",
        "reading",
        "matching",
        "statistics",
        "standards",
        "trajectory",
        "record",
    },
    {"placing", "explaining", "relative"},
    {
        "job",
        "job_entries",
        "inputs",
        "job_file",
        "job_keys",
        "request",
        "drives",
        "explained",
        "grading",
        "itself",
        "measuring",
        "off_cloud",
        "areas",
        "runs",
        "subsets",
        "picturing",
        "pipeline",
        "planning",
        "rechecking",
        "reclassing",
        "remeasuring",
    },
    {"reporting", "cli", "options"},
)
RANK = {name: rank for rank, layer in enumerate(LAYERS) for name in layer}
# Within the measuring layer only these pairs may meet: tables know of frames, drift has an interval.
MEASURING = LAYERS[1]
MAY_MEET = {
    ("reading", "frames"),
    ("conversion", "frames"),
    ("conversion", "ground"),
    ("statistics", "matching"),
    ("trajectory", "statistics"),
}


def part_of(path: Path) -> str:
    """The part of the package that a module belongs to."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_parts(path: Path) -> set[str]:
    """Parts of our package that a module imports, at the top or inside functions."""
    parts = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("accuracy."):
            parts.add(node.module.split(".")[1])
        elif isinstance(node, ast.Import):
            parts.update(name.name.split(".")[1] for name in node.names if name.name.startswith("accuracy."))
    return parts


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_one_way(path: Path) -> None:
    """No module imports from a layer above its own, and measuring siblings stay strangers."""
    own = part_of(path)
    if own == "__init__":
        return
    assert own in RANK, f"{own} has no layer: give it one"
    for other in imported_parts(path):
        assert RANK[other] <= RANK[own], f"{path} imports accuracy.{other}, which comes later"
        if own != other and {own, other} <= MEASURING:
            assert (own, other) in MAY_MEET, f"{own} imports its sibling {other}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_stay_readable(path: Path) -> None:
    """A module opens with its place in the whole and does not outgrow one sitting."""
    text = path.read_text("utf-8")
    assert ast.get_docstring(ast.parse(text)), f"{path} does not say what it is for"
    assert len(text.splitlines()) <= 500, f"{path} wants dividing"


def test_every_test_says_what_it_proves() -> None:
    """Each test function has a docstring, and each raise that is expected names its message."""
    assert len(TESTS) > 20
    silent = []
    for path in TESTS:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if (
                isinstance(node, ast.FunctionDef)
                and node.name.startswith("test_")
                and not ast.get_docstring(node)
            ):
                silent.append(f"{path.name}: {node.name}")
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr == "raises"
                and not any(keyword.arg == "match" for keyword in node.keywords)
            ):
                silent.append(f"{path.name}: line {node.lineno}, raises without match")
    assert not silent


def test_help_is_quick_to_import() -> None:
    """Asking for help loads neither the report's machinery nor the point-cloud libraries."""
    import subprocess
    import sys

    code = (
        "import sys, accuracy.cli; "
        "print([m for m in ('weasyprint', 'open3d', 'laspy', 'scipy', 'pyproj') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "weasyprint" not in done.stdout
    assert "open3d" not in done.stdout
    assert "laspy" not in done.stdout
