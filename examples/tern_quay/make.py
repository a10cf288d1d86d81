"""Make the Tern Quay data: six runs, their trajectories, the checkpoints, the job file and the truth.

Everything is invented and seeded: the same seed gives the same files. The planted truth stands
beside the data in ``truth.json``, so that a report can be held against it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from .drive import (
    ANTENNA_CLOCK_LATE_S,
    ANTENNA_LEVER_M,
    PRISM_CLOCK_LATE_S,
    PRISM_LEVER_M,
    Drive,
    RunPlan,
    drive,
    gnss_csv,
    prism_csv,
    rig_csv,
    station_m,
)
from .scan import write_cloud
from .survey import Mark, make_marks, table_csv

SEED = 20_260_706
STATEMENT_RUN = "12-eastbound"

Progress = Callable[[str, int, int], None]


def plans(seed: int = SEED) -> tuple[RunPlan, ...]:
    """Three speeds, both ways, one after another on one morning."""
    runs = []
    start_s = 2 * 86_400.0 + 9 * 3600.0  # Tuesday, 9 o'clock GPS time
    for number, (speed, direction) in enumerate(
        (speed, direction) for speed in (6, 12, 24) for direction in ("eastbound", "westbound")
    ):
        runs.append(
            RunPlan(
                name=f"{speed:02d}-{direction}",
                speed_km_per_h=float(speed),
                direction=direction,
                start_s=start_s + number * 1800.0,
                seed=seed + number,
            )
        )
    return tuple(runs)


def make(
    folder: Path,
    progress: Progress = lambda *_: None,
    *,
    seed: int = SEED,
    only: Sequence[str] | None = None,
) -> Path:
    """Write everything into ``folder``; returns the job file. ``only`` names the runs to drive."""
    folder.mkdir(parents=True, exist_ok=True)
    marks = make_marks(np.random.default_rng(seed))
    (folder / "checkpoints.csv").write_text(table_csv(marks), encoding="utf-8")
    truth: dict[str, object] = {"seed": seed, "runs": {}}
    chosen = [plan for plan in plans(seed) if only is None or plan.name in only]
    drives = [drive(plan) for plan in chosen]
    for number, run in enumerate(drives, start=1):
        progress(f"Driving {run.plan.name}", number, len(drives))
        write_cloud(folder / f"{run.plan.name}.laz", run, marks, source_id=number)
        for kind, text in (("rig", rig_csv(run)), ("gnss", gnss_csv(run)), ("prism", prism_csv(run))):
            (folder / f"{run.plan.name}-{kind}.csv").write_text(text, encoding="utf-8")
    truth["runs"] = {run.plan.name: _truth(run, marks) for run in drives}
    (folder / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")
    job = folder / "job.toml"
    job.write_text(_job_text(chosen), encoding="utf-8")
    return job


def _truth(run: Drive, marks: tuple[Mark, ...]) -> dict[str, object]:
    """What was planted in one run: the cloud's displacement at every mark, arms and clocks."""
    passed_s = run.at_chainage(np.array([mark.chainage_m for mark in marks]))
    displaced = run.cloud_error_m(passed_s)
    return {
        "speed_km_per_h": run.plan.speed_km_per_h,
        "direction": run.plan.direction,
        # Rig's clock minus the reference's: the references stamp late.
        "gnss": {"clock_offset_s": -ANTENNA_CLOCK_LATE_S, "lever_arm_m": list(ANTENNA_LEVER_M)},
        "prism": {"clock_offset_s": -PRISM_CLOCK_LATE_S, "lever_arm_m": list(PRISM_LEVER_M)},
        "checkpoints": {
            mark.id: {
                "residual_easting_m": mark.easting_m + float(error[0]) - mark.surveyed_easting_m,
                "residual_northing_m": mark.northing_m + float(error[1]) - mark.surveyed_northing_m,
                "residual_height_m": mark.height_m + float(error[2]) - mark.surveyed_height_m,
            }
            for mark, error in zip(marks, displaced, strict=True)
        },
    }


def _job_text(chosen: Sequence[RunPlan]) -> str:
    east, north, height = station_m()
    statement = STATEMENT_RUN if any(plan.name == STATEMENT_RUN for plan in chosen) else chosen[0].name
    against = ", ".join(f'"{plan.name}"' for plan in chosen if plan.name != statement and "12" in plan.name)
    head = f"""# Tern Quay: an invented harbour-side road. Everything here is made up.
title = "Tern Quay"
project = "Tern Quay, harbour road, kilometre 0.0 to 1.1"
statement_run = "{statement}"
contract_unit = "metre"
equivalence_margin = "1 cm"
compare_by = "sky"

[checkpoints]
file = "checkpoints.csv"

[class]
standard = "asprs-2024"
vertical = "3 cm"
horizontal = "5 cm"
three_d = "6 cm"

[relative]
runs = [{against}]
"""
    runs = [
        f"""
[[run]]
name = "{plan.name}"
clouds = ["{plan.name}.laz"]
speed_km_per_h = {plan.speed_km_per_h:g}
mounting = "trike"
attributes = {{ direction = "{plan.direction}" }}

[run.trajectory]
file = "{plan.name}-rig.csv"

[[run.reference]]
name = "GNSS receiver"
file = "{plan.name}-gnss.csv"
kind = "gnss"

[[run.reference]]
name = "tracked prism"
file = "{plan.name}-prism.csv"
kind = "prism"
instrument = [{east:.3f}, {north:.3f}, {height:.3f}]
"""
        for plan in chosen
    ]
    return head + "".join(runs)
