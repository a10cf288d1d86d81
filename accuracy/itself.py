"""The cloud against itself, as a job asks for it: the statement's run by its passes, and against others.

Part of the pipeline: after the headers are read, before grading.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from accuracy.model import Progress, RelativeResult

if TYPE_CHECKING:
    from accuracy.frames import WorkingFrame
    from accuracy.job import Job
    from accuracy.reading.cloud_header import CloudHeader
    from accuracy.standards.base import RelativeAccuracy


def against_itself(
    job: Job, headers: Mapping[str, Sequence[CloudHeader]], frame: WorkingFrame, progress: Progress
) -> tuple[RelativeResult, ...]:
    """First the statement's cloud by its own passes, then against each one that the job names."""
    if job.relative is None:
        return ()
    # Loaded only here: most jobs do not ask for it.
    from accuracy.relative.sampling import PlaceSettings
    from accuracy.relative.surfaces import RunClouds, compare_surfaces, within_run

    settings = PlaceSettings() if job.relative.cell_m is None else PlaceSettings(cell_m=job.relative.cell_m)
    clouds = {
        one.label: RunClouds(
            name=one.label,
            headers=headers[one.label],
            selection=job.selection_of(one.cloud),
            horizontal_unit_m=frame.horizontal_unit.metres,
            vertical_unit_m=frame.height_unit.metres,
        )
        for one in job.clouds
    }
    own = clouds[job.statement.label]
    results = [within_run(own, settings=settings, progress=progress)]
    results += [
        compare_surfaces(own, clouds[label], settings=settings, progress=progress)
        for label in dict.fromkeys(job.meant_by(name) for name in job.relative.runs)
        if label != own.name
    ]
    return tuple(results)


def relative_accuracy(results: Sequence[RelativeResult]) -> RelativeAccuracy | None:
    """What the standards grade of the statement's run: its own passes, not other runs."""
    own = [one for result in results[:1] for one in result.comparisons if one.kind != "run-to-run"]
    if not own:
        return None
    from accuracy.relative.differences import relative_evidence

    return relative_evidence(own)
