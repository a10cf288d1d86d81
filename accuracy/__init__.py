"""Accuracy of mobile-mapping point clouds: measured, graded and reported.

The public names stand in ``__all__``; each is loaded when it is first used, so that
``accuracy --help`` does not wait for the numerical libraries.
"""

from __future__ import annotations

import importlib
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from accuracy.errors import AccuracyError as AccuracyError
    from accuracy.grading import outcome as outcome
    from accuracy.job import CloudInput as CloudInput
    from accuracy.job import Job as Job
    from accuracy.job import RunInput as RunInput
    from accuracy.job_file import read_job as read_job
    from accuracy.matching.surface import measure_height as measure_height
    from accuracy.model import Checkpoint as Checkpoint
    from accuracy.model import CheckpointResult as CheckpointResult
    from accuracy.model import ClassRequest as ClassRequest
    from accuracy.model import Patch as Patch
    from accuracy.model import Result as Result
    from accuracy.model import Summary as Summary
    from accuracy.model import Verdict as Verdict
    from accuracy.pipeline import measure as measure
    from accuracy.reading.checkpoints import read_checkpoints as read_checkpoints
    from accuracy.rechecking import RecheckOptions as RecheckOptions
    from accuracy.rechecking import recheck as recheck
    from accuracy.record import read_result as read_result
    from accuracy.standards import STANDARDS as STANDARDS

__version__ = version("accuracy-reporter")

_HOME = {
    "AccuracyError": "errors",
    "outcome": "grading",
    "CloudInput": "job",
    "Job": "job",
    "RunInput": "job",
    "read_job": "job_file",
    "measure_height": "matching.surface",
    "Checkpoint": "model",
    "CheckpointResult": "model",
    "ClassRequest": "model",
    "Patch": "model",
    "Result": "model",
    "Summary": "model",
    "Verdict": "model",
    "measure": "pipeline",
    "read_checkpoints": "reading.checkpoints",
    "RecheckOptions": "rechecking",
    "recheck": "rechecking",
    "read_result": "record",
    "STANDARDS": "standards",
}

__all__ = ["__version__", *_HOME]  # noqa: PLE0604 - names from the table above


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(f"accuracy.{_HOME[name]}"), name)
    globals()[name] = value
    return value
