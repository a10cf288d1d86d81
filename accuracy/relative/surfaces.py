"""The way in: cloud files of one run or of two -> how well the ground agrees with itself.

After registration and differences; what the pipeline calls.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from accuracy.model import Progress, RelativeComparison, RelativeResult, no_progress
from accuracy.reading.cloud_header import CloudHeader
from accuracy.reading.pairs import CellTable, cell_grid, gather_cells
from accuracy.reading.patches import PointSelection
from accuracy.relative.differences import by_direction, compare, plane_differences, ranges_within
from accuracy.relative.registration import RegistrationSettings, register
from accuracy.relative.sampling import (
    Fault,
    PassCells,
    PlaceSettings,
    best_pass,
    common_cells,
    judge_roughness,
    next_passes,
    pass_cells,
    smoothness_limit,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunClouds:
    """The files of one run, or of one cloud of it, and what their coordinates count."""

    name: str
    headers: Sequence[CloudHeader]
    selection: PointSelection | None = None
    """Which of the points are taken; None for all but noise."""
    horizontal_unit_m: float = 1.0
    vertical_unit_m: float = 1.0

    @property
    def _units(self) -> tuple[float, float]:
        return self.horizontal_unit_m, self.vertical_unit_m


def within_run(
    run: RunClouds,
    *,
    settings: PlaceSettings | None = None,
    progress: Progress = no_progress,
) -> RelativeResult:
    """One run against itself: the range within each pass, and each pass against the next one.

    Passes are told apart by point source id, and by gaps in time over the same cell. Raises
    CloudError where a file cannot be read.
    """
    settings = settings or PlaceSettings()
    (table,) = _tables((run,), settings, progress)
    return _within(run.name, table, settings)


def compare_surfaces(
    run_a: RunClouds,
    run_b: RunClouds,
    *,
    settings: PlaceSettings | None = None,
    registration: RegistrationSettings | None = None,
    progress: Progress = no_progress,
) -> RelativeResult:
    """Two runs of the same ground, in one frame: differences a minus b, and the rigid shift of a from b.

    Where a run passed a place several times, its pass with the most points stands for it. Raises
    CloudError where a file cannot be read.
    """
    settings = settings or PlaceSettings()
    a, b = _tables((run_a, run_b), settings, progress)
    remarks = _remarks((run_a.name, a), (run_b.name, b))
    if len(a) and len(b):
        cells_a, cells_b = pass_cells(a, settings), pass_cells(b, settings)
        limit = smoothness_limit((cells_a, cells_b), settings)
        best_a = best_pass(judge_roughness(cells_a, limit))
        best_b = best_pass(judge_roughness(cells_b, limit))
        in_a, in_b = common_cells(best_a, best_b)
        found = plane_differences(best_a.take(in_a), best_b.take(in_b), a, settings)
        comparisons = by_direction(
            found,
            name_a=run_a.name,
            name_b=run_b.name,
            kind="run-to-run",
            settings=settings,
            roughest_m=limit,
        )
    else:
        comparisons = (_nothing(run_a.name, run_b.name, settings),)
    progress("Rigid shift", 0, 1)
    shift = register(a, b, name_a=run_a.name, name_b=run_b.name, settings=registration)
    progress("Rigid shift", 1, 1)
    return RelativeResult(comparisons=comparisons, shifts=(shift,), remarks=remarks)


def _tables(runs: Sequence[RunClouds], settings: PlaceSettings, progress: Progress) -> tuple[CellTable, ...]:
    grid = cell_grid(
        [(run.headers, run._units) for run in runs],
        cell_m=settings.cell_m,
        time_bin_s=settings.time_bin_s,
        most_boxes=settings.most_boxes,
    )
    return tuple(
        gather_cells(
            run.headers,
            grid,
            horizontal_unit_m=run.horizontal_unit_m,
            vertical_unit_m=run.vertical_unit_m,
            selection=run.selection,
            progress=progress,
            label=run.name,
        )
        for run in runs
    )


def _within(name: str, table: CellTable, settings: PlaceSettings) -> RelativeResult:
    remarks = _remarks((name, table))
    if not len(table):
        return RelativeResult(comparisons=(), remarks=remarks)
    cells = pass_cells(table, settings)
    limit = smoothness_limit((cells,), settings)
    cells = judge_roughness(cells, limit)
    inside = compare(
        ranges_within(table, cells),
        name_a=name,
        name_b=name,
        kind="within-swath",
        settings=settings,
        roughest_m=limit,
    )
    return RelativeResult(
        comparisons=(inside, *_between_passes(name, table, cells, settings, limit)), remarks=remarks
    )


def _between_passes(
    name: str, table: CellTable, cells: PassCells, settings: PlaceSettings, limit: float
) -> tuple[RelativeComparison, ...]:
    before, after = next_passes(cells)
    sources = np.column_stack([cells.source[before], cells.source[after]])
    pairs = np.unique(sources, axis=0)
    comparisons: list[RelativeComparison] = []
    for first, second in pairs:
        of_pair = np.all(sources == (first, second), axis=1)
        a, b = cells.take(before[of_pair]), cells.take(after[of_pair])
        if np.all(np.maximum(a.fault, b.fault) == Fault.TOO_FEW):
            continue  # sources that merely touch
        if first == second:
            names = f"{name}, earlier pass", f"{name}, later pass"
            names = (f"{names[0]} of source {first}", f"{names[1]}") if len(pairs) > 1 else names
        else:
            names = f"{name}, source {first}", f"{name}, source {second}"
        comparisons += by_direction(
            plane_differences(a, b, table, settings),
            name_a=names[0],
            name_b=names[1],
            kind="pass-to-pass",
            settings=settings,
            roughest_m=limit,
        )
    return tuple(comparisons)


def _nothing(name_a: str, name_b: str, settings: PlaceSettings) -> RelativeComparison:
    return RelativeComparison(
        name_a=name_a,
        name_b=name_b,
        kind="run-to-run",
        cell_m=settings.cell_m,
        n=0,
        words=f"{name_a} and {name_b} share no place: one of them has no point of the kind asked for.",
    )


def _remarks(*tables: tuple[str, CellTable]) -> tuple[str, ...]:
    remarks = []
    for name, table in tables:
        if not len(table):
            remarks.append(f"{name}: no point is left to compare surfaces with.")
        elif table.every > 1:
            remarks.append(
                f"{name}: surfaces were looked at on a lattice, one cell in {table.every} in each direction, "
                "because there are more cells than are kept at once."
            )
    return tuple(remarks)
