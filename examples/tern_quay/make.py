"""Make the Tern Quay data: seven runs, their trajectories, the checkpoints, the job file and the truth.

Six drives and one walk, the baseline. Every run has a lidar cloud; the eastbound drives have a
photogrammetric one beside it, from the rig's camera.

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
    BY_HAND,
    ON_TRIKE,
    PRISM_CLOCK_LATE_S,
    PRISM_LEVER_M,
    Drive,
    FloatArray,
    RunPlan,
    drive,
    gnss_csv,
    prism_csv,
    rig_csv,
    station_m,
)
from .photo import photo_error_m, write_photo_cloud
from .scan import write_cloud
from .survey import Mark, make_marks, table_csv

SEED = 20_260_706
STATEMENT_RUN = "12-eastbound"
BASELINE_RUN = "on-foot"
LIDAR, PHOTOGRAMMETRIC = "lidar", "photogrammetric"
WALK_KM_PER_H = 4.0

Progress = Callable[[str, int, int], None]


def plans(seed: int = SEED) -> tuple[RunPlan, ...]:
    """Three speeds, both ways, one after another on one morning; then once on foot."""
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
    runs.append(
        RunPlan(
            name=BASELINE_RUN,
            speed_km_per_h=WALK_KM_PER_H,
            direction="eastbound",
            carried=BY_HAND,
            start_s=start_s + len(runs) * 1800.0,
            seed=seed + len(runs),
        )
    )
    return tuple(runs)


def clouds_of(plan: RunPlan) -> dict[str, str]:
    """The clouds of one run: what each is called, and its file."""
    clouds = {LIDAR: f"{plan.name}.laz"}
    if plan.carried == ON_TRIKE and plan.direction == "eastbound":
        clouds[PHOTOGRAMMETRIC] = f"{plan.name}-photo.laz"
    return clouds


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
        for kind, file in clouds_of(run.plan).items():
            write = write_cloud if kind == LIDAR else write_photo_cloud
            write(folder / file, run, marks, source_id=number)
        (folder / f"{run.plan.name}-rig.csv").write_text(rig_csv(run), encoding="utf-8")
        # Nothing but the rig itself was carried on foot.
        if run.plan.carried == ON_TRIKE:
            for kind, text in (("gnss", gnss_csv(run)), ("prism", prism_csv(run))):
                (folder / f"{run.plan.name}-{kind}.csv").write_text(text, encoding="utf-8")
    truth["runs"] = {run.plan.name: _truth(run, marks) for run in drives}
    (folder / "truth.json").write_text(json.dumps(truth, indent=1), encoding="utf-8")
    job = folder / "job.toml"
    job.write_text(_job_text(chosen), encoding="utf-8")
    return job


def _truth(run: Drive, marks: tuple[Mark, ...]) -> dict[str, object]:
    """What was planted in one run: each cloud's displacement at every mark, arms and clocks.

    ``checkpoints`` are those of the lidar cloud; those of another stand under ``clouds``.
    """
    chainage = np.array([mark.chainage_m for mark in marks])
    truth: dict[str, object] = {
        "speed_km_per_h": run.plan.speed_km_per_h,
        "direction": run.plan.direction,
        "carried": run.plan.carried,
    }
    if run.plan.carried == ON_TRIKE:
        # Rig's clock minus the reference's: the references stamp late.
        truth["gnss"] = {"clock_offset_s": -ANTENNA_CLOCK_LATE_S, "lever_arm_m": list(ANTENNA_LEVER_M)}
        truth["prism"] = {"clock_offset_s": -PRISM_CLOCK_LATE_S, "lever_arm_m": list(PRISM_LEVER_M)}
    truth["checkpoints"] = _planted(marks, run.cloud_error_m(run.at_chainage(chainage)))
    if PHOTOGRAMMETRIC in clouds_of(run.plan):
        truth["clouds"] = {PHOTOGRAMMETRIC: {"checkpoints": _planted(marks, photo_error_m(run, chainage))}}
    return truth


def _planted(marks: tuple[Mark, ...], displaced_m: FloatArray) -> dict[str, dict[str, float]]:
    """The residual that a cloud displaced so, (marks, 3), has at every mark."""
    return {
        mark.id: {
            "residual_easting_m": mark.easting_m + float(error[0]) - mark.surveyed_easting_m,
            "residual_northing_m": mark.northing_m + float(error[1]) - mark.surveyed_northing_m,
            "residual_height_m": mark.height_m + float(error[2]) - mark.surveyed_height_m,
        }
        for mark, error in zip(marks, displaced_m, strict=True)
    }


def _job_text(chosen: Sequence[RunPlan]) -> str:
    names = [plan.name for plan in chosen]
    statement = STATEMENT_RUN if STATEMENT_RUN in names else names[0]
    against = [name for name in names if name != statement and name.startswith("12")]
    against += [
        f"{plan.name} {PHOTOGRAMMETRIC}"
        for plan in chosen
        if plan.name == statement and PHOTOGRAMMETRIC in clouds_of(plan)
    ]
    baseline = f'baseline_run = "{BASELINE_RUN}"\n' if BASELINE_RUN in names else ""
    head = f"""# Tern Quay: an invented harbour-side road. Everything here is made up.
title = "Tern Quay"
project = "Tern Quay, harbour road, kilometre 0.0 to 1.1"
statement_run = "{statement}"
statement_cloud = "{LIDAR}"
{baseline}contract_unit = "metre"
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
runs = [{", ".join(f'"{name}"' for name in against)}]
"""
    return head + "".join(_run_text(plan) for plan in chosen)


def _run_text(plan: RunPlan) -> str:
    on_trike = plan.carried == ON_TRIKE
    # A walk is no drive: without a speed it takes no part in how fast one may drive.
    speed = f"speed_km_per_h = {plan.speed_km_per_h:g}\n" if on_trike else ""
    text = f"""
[[run]]
name = "{plan.name}"
{speed}mounting = "{"trike" if on_trike else plan.carried}"
attributes = {{ direction = "{plan.direction}", carried = "{plan.carried}" }}
"""
    for name, file in clouds_of(plan).items():
        text += f"""
[[run.cloud]]
name = "{name}"
files = ["{file}"]
"""
    text += f"""
[run.trajectory]
file = "{plan.name}-rig.csv"
"""
    if not on_trike:
        return text
    east, north, height = station_m()
    return f"""{text}
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
