"""What a result rests on: every file with its SHA-256, and every setting in words.

Part of the pipeline: beside the measurement, for the record.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

from accuracy.drives import Drives
from accuracy.job import CloudOfRun, Job, RunInput
from accuracy.measuring import measuring_words
from accuracy.model import InputFile, Progress
from accuracy.reading.cloud import sha256_of
from accuracy.reading.cloud_header import CloudHeader
from accuracy.reading.patches import PointSelection


def input_files(
    job: Job, headers: Mapping[str, Sequence[CloudHeader]], drives: Drives, progress: Progress
) -> tuple[InputFile, ...]:
    """Every file of a job: the table, run by run its clouds and trajectories, then what serves all."""
    several = len(job.runs) > 1
    found = [_file(job.checkpoints, "checkpoints")]
    for run in job.runs:
        for one in job.clouds:
            if one.run is run:
                found += _cloud_inputs(one, headers[one.label], progress, several=several)
        found += _trajectory_inputs(run, drives, several=several)
    return (
        *found,
        *(_file(path, "template") for path in (job.templates,) if path is not None),
        *(_file(path, "geoid") for path in (job.frame.geoid,) if path is not None),
        *(_file(path, "job") for path in (job.job_file,) if path is not None),
    )


def _file(path: Path, role: Literal["checkpoints", "template", "geoid", "job"]) -> InputFile:
    return InputFile(path=str(path), sha256=sha256_of(path), role=role)


def _cloud_inputs(
    one: CloudOfRun, headers: Sequence[CloudHeader], progress: Progress, *, several: bool
) -> list[InputFile]:
    return [
        InputFile(
            path=str(header.path),
            sha256=sha256_of(header.path, progress),
            role="cloud",
            run=one.run.name if several or one.cloud.name is not None else None,
            cloud=one.cloud.name,
            points=header.point_count,
            note="; ".join(header.remarks) or None,
        )
        for header in headers
    ]


def _trajectory_inputs(run: RunInput, drives: Drives, *, several: bool) -> list[InputFile]:
    name = run.name if several else None
    own = [] if run.trajectory is None else [run.trajectory]
    return [
        *(
            InputFile(path=str(one.path), sha256=sha256_of(one.path), role="trajectory", run=name)
            for one in own
        ),
        *(
            InputFile(
                path=str(one.path),
                sha256=sha256_of(one.path),
                role="reference",
                run=name,
                note="not compared" if (run.name, one.name) in drives.not_compared else None,
            )
            for one in run.references
        ),
    ]


def settings_in_words(job: Job, steps: Sequence[str]) -> dict[str, str]:
    """Every setting that shaped the numbers; ``steps`` are the conversions of the checkpoints."""
    settings = {
        **_points(job.selection),
        **_points_of_clouds(job),
        "patch radius": f"{job.window.whole_radius_m:g} m whole or more, "
        f"thinned to {job.window.outer_radius_m:g} m",
        **measuring_words(job.measuring),
    }
    horizontal, height = job.survey_sigma_m
    if horizontal is not None:
        settings["survey uncertainty where the table gives none, per horizontal axis"] = f"{horizontal:g} m"
    if height is not None:
        settings["survey uncertainty where the table gives none, height"] = f"{height:g} m"
    if steps:
        settings["conversions"] = " ".join(steps)
    return settings


def _points(selection: PointSelection) -> dict[str, str]:
    settings = {
        "points": "all classes but noise"
        if selection.classes is None
        else "classes " + ", ".join(str(number) for number in sorted(selection.classes)),
        "returns": selection.returns,
    }
    if selection.source_ids is not None:
        settings["point sources"] = ", ".join(str(number) for number in sorted(selection.source_ids))
    return settings


def _points_of_clouds(job: Job) -> dict[str, str]:
    """Where a cloud has a choice of its own: said once where every cloud of its name has the same."""
    settings: dict[str, str] = {}
    for one in job.clouds:
        if one.cloud.selection is None:
            continue
        alike = {job.selection_of(other.cloud) for other in job.clouds if other.cloud.name == one.cloud.name}
        whose = f"{one.cloud.name} clouds" if len(alike) == 1 and len(job.runs) > 1 else one.label
        settings |= {f"{name}, {whose}": words for name, words in _points(one.cloud.selection).items()}
    return settings
