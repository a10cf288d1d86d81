"""Fixtures of the browser tests: invented results to make reports of."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest


def _loaded(name: str) -> ModuleType:
    source = Path(__file__).resolve().parent.parent / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, source)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def report_cases() -> ModuleType:
    """The invented results of tests/report_cases.py."""
    return _loaded("report_cases")


@pytest.fixture(scope="session")
def chapter_cases() -> ModuleType:
    """The invented chapters of tests/chapter_cases.py."""
    return _loaded("chapter_cases")
