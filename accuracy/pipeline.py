"""The way from inputs to the record, in the order in which the work is done.

    headers -> working frame -> checkpoints in it -> patches -> residuals -> summary -> verdicts

Nothing is written here and nothing printed: what comes out is one Result and the patches it rests on.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass

from accuracy import __version__
from accuracy.conversion import use_grid_folder
from accuracy.drives import conditions_of, read_drives, time_slip
from accuracy.errors import RequestError
from accuracy.explained import explained
from accuracy.frames import WorkingFrame, refuse_distorted, working_frame
from accuracy.grading import graded_record
from accuracy.inputs import input_files, settings_in_words
from accuracy.itself import against_itself, relative_accuracy
from accuracy.job import CloudOfRun, Job, RunInput
from accuracy.job_keys import as_keys, keys_in_errors
from accuracy.matching.measure import matching_settings
from accuracy.matching.target import TargetSettings
from accuracy.matching.template import BUILT_IN, Template, load_templates
from accuracy.measuring import check_radius, checkpoint_result
from accuracy.model import (
    SPEED,
    Checkpoint,
    CheckpointResult,
    ContractLimit,
    Exclusion,
    Patch,
    Progress,
    Reason,
    RelativeResult,
    Result,
    Role,
    RunRecord,
    Software,
    TrajectorySeries,
    no_progress,
)
from accuracy.off_cloud import nowhere_near, some_off_the_cloud
from accuracy.placing import Placed, PlacingOptions, ground_scale, place
from accuracy.reading.checkpoints import read_checkpoints
from accuracy.reading.cloud import (
    checkpoints_in_boxes,
    cloud_extent,
    hidden_clouds,
    read_headers,
)
from accuracy.reading.cloud_header import CloudHeader
from accuracy.reading.cloud_keeping import PatchWindow
from accuracy.reading.kept import rounded
from accuracy.reading.patches import gather_patches
from accuracy.reading.table_types import CheckpointTable
from accuracy.runs import compare_records
from accuracy.subsets import check_attribute, expanded
from accuracy.units import LengthUnit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """The record of a job, and the patches that it rests on, by the label of run and cloud."""

    result: Result
    patches: Mapping[str, tuple[Patch, ...]]
    series: tuple[TrajectorySeries, ...]
    """The epochs behind each trajectory comparison, for charts."""
    templates: Mapping[str, Template]
    """Every flat mark by name, for pictures."""


def measure(job: Job, progress: Progress = no_progress) -> Measured:
    """Do everything that a job asks for.

    Raises AccuracyError, naming the file and the place in it, for whatever cannot be used; nothing
    is half done then. It names options or, for a job file, keys.
    """
    with nullcontext() if job.job_file is None else keys_in_errors():
        return _measured(job, progress)


def _measured(job: Job, progress: Progress) -> Measured:
    if job.frame.grids is not None:
        use_grid_folder(job.frame.grids)
    headers = {one.label: read_headers(one.cloud.files) for one in job.clouds}
    frame = _frame(job, [header for group in headers.values() for header in group])
    table = read_checkpoints(job.checkpoints, job.table)
    placed = _placed(job, table, frame)
    checkpoints = _with_survey_sigma(placed.checkpoints, job.survey_sigma_m)
    job = dataclasses.replace(job, exclusions=_known_exclusions(job, checkpoints))
    _known_attributes(job, checkpoints)
    check_radius(job.measuring, _window(job, checkpoints).outer_radius_m)
    templates = {} if job.templates is None else load_templates(job.templates)
    relative = against_itself(job, headers, frame, progress)
    drives = read_drives(job, frame, progress)
    crs_wkt = None if frame.crs is None else frame.crs.to_wkt()
    records, patches = [], {}
    for one in job.clouds:
        record, kept = _measure_cloud(
            job, one, headers[one.label], frame, checkpoints, table, templates, relative, progress
        )
        record = dataclasses.replace(
            record, remarks=(*placed.steps, *frame.remarks, *placed.remarks, *record.remarks)
        )
        rig = drives.rigs.get(one.run.name)
        slip = None if rig is None else time_slip(rig, kept)
        record = dataclasses.replace(
            record,
            conditions=() if rig is None else conditions_of(rig, checkpoints, kept),
            mistakes=(
                *(() if slip is None else (slip,)),
                *some_off_the_cloud(headers[one.label], frame, checkpoints),
            ),
        )
        record = explained(
            record,
            crs_wkt=crs_wkt,
            cloud_unit=frame.horizontal_unit,
            cloud_height_unit=frame.height_unit,
            request=job.request,
            unit=job.unit,
        )
        records.append(record)
        patches[one.label] = kept
    compared = compare_records(
        records,
        requests=(job.request, *job.further_requests),
        margin_m=job.equivalence_margin_m,
        unit=job.unit,
        compare_by=job.compare_by,
        baseline_run=job.baseline_run,
    )
    statement = next(record for record in records if record.label == job.statement.label)
    result = Result(
        software=Software(version=__version__),
        title=job.title,
        unit=job.unit,
        date=job.date,
        inputs=input_files(job, headers, drives, progress),
        settings=settings_in_words(job, placed.steps),
        requests=(job.request, *job.further_requests),
        measuring=job.measuring,
        equivalence_margin_m=job.equivalence_margin_m,
        baseline_run=job.baseline_run,
        compare_by=job.compare_by,
        crs_wkt=crs_wkt,
        cloud_unit=frame.horizontal_unit,
        cloud_height_unit=frame.height_unit,
        exclusions=job.exclusions,
        run=statement,
        runs=tuple(records) if len(records) > 1 else (),
        trajectories=drives.comparisons,
        not_compared=tuple(drives.not_compared.values()),
        comparisons=compared.comparisons,
        matrices=compared.matrices,
        decisions=compared.decisions,
        relative=relative,
        crs=frame.words,
        vertical_datum=frame.vertical_words,
        prepared_by=job.prepared_by,
        prepared_for=job.prepared_for,
        project=job.project,
    )
    return Measured(result=result, patches=patches, series=drives.series, templates={**BUILT_IN, **templates})


# --------------------------------------------------------------------------- frame and checkpoints


def _frame(job: Job, headers: Sequence[CloudHeader]) -> WorkingFrame:
    recorded = _recorded_units(headers)
    frame = working_frame(
        [(header.path, header.crs) for header in headers],
        declared=job.frame.cloud_crs,
        horizontal_unit=job.frame.cloud_unit or recorded[0],
        height_unit=job.frame.cloud_height_unit or recorded[1],
    )
    low, high = cloud_extent(headers)
    unit_m = frame.horizontal_unit.metres
    refuse_distorted(
        frame,
        (low[0] + high[0]) / 2 * unit_m,
        (low[1] + high[1]) / 2 * unit_m,
        path=None if job.frame.cloud_crs else headers[0].path,
    )
    remarks = dict.fromkeys(
        f"{header.path.name}: {remark}"
        for header in headers
        for remark in (*header.remarks, *header.crs_remarks)
    )
    return dataclasses.replace(frame, remarks=(*frame.remarks, *remarks))


def _recorded_units(headers: Sequence[CloudHeader]) -> tuple[LengthUnit | None, LengthUnit | None]:
    """Units that records name although they name no system; only where no header has a system."""
    if any(header.crs is not None for header in headers):
        return None, None
    units = {header.crs_records.geotiff_units for header in headers}
    return units.pop() if len(units) == 1 else (None, None)


def _placed(job: Job, table: CheckpointTable, frame: WorkingFrame) -> Placed:
    ground = None
    if job.frame.ground is not None:
        asked = job.frame.ground
        ground = ground_scale(
            frame=frame,
            origin_name=asked.origin_name,
            grid_origin_m=asked.grid_origin_m,
            ground_origin_m=asked.ground_origin_m,
            combined_factor=asked.combined_factor,
            mean_height_m=asked.mean_height_m,
            geoid_height_m=asked.geoid_height_m,
        )
    options = PlacingOptions(
        table_crs=job.frame.table_crs,
        geoid=job.frame.geoid,
        table_heights=job.frame.table_heights,
        cloud_heights=job.frame.cloud_heights,
        ground=ground,
    )
    placed = place(table, frame, options)
    remarks = (*table.remarks, *placed.remarks)
    return dataclasses.replace(
        placed, remarks=remarks if job.job_file is None else tuple(as_keys(said) for said in remarks)
    )


def _with_survey_sigma(
    checkpoints: Sequence[Checkpoint], sigma_m: tuple[float | None, float | None]
) -> tuple[Checkpoint, ...]:
    """Fill in the survey uncertainty that the user states for rows that give none."""
    horizontal, height = sigma_m
    return tuple(
        dataclasses.replace(
            point,
            sigma_easting_m=horizontal if point.sigma_easting_m is None else point.sigma_easting_m,
            sigma_northing_m=horizontal if point.sigma_northing_m is None else point.sigma_northing_m,
            sigma_height_m=height if point.sigma_height_m is None else point.sigma_height_m,
        )
        for point in checkpoints
    )


def _known_exclusions(job: Job, checkpoints: Sequence[Checkpoint]) -> tuple[Exclusion, ...]:
    known = {point.id for point in checkpoints}
    found: list[Exclusion] = []
    for number, exclusion in enumerate(job.exclusions, start=1):
        key = "--without" if job.job_file is None else f"key exclude {number}"
        if not exclusion.reason.strip():
            raise RequestError(
                f'checkpoint "{exclusion.id}" is to be left out without a reason',
                path=job.job_file,
                place=key if job.job_file is None else f"{key}.reason",
                remedy="Write the reason: the report prints it.",
            )
        ids = expanded(
            (exclusion.id,),
            known,
            "to be left out",
            table=job.checkpoints.name,
            path=job.job_file,
            place=key if job.job_file is None else f"{key}.id",
        )
        found += [dataclasses.replace(exclusion, id=name) for name in ids]
    return tuple(found)


def _known_attributes(job: Job, checkpoints: Sequence[Checkpoint]) -> None:
    """Refuse a misspelt attribute: no checkpoint would be found under it, and nobody would know why."""
    asked = [(f'key limit "{limit.name}"', name) for limit in _limits(job) for name in limit.where]
    if job.compare_by is not None:
        asked.append(("key compare_by", job.compare_by))
    for place_in_file, name in asked:
        check_attribute(name, checkpoints, path=job.job_file, place=place_in_file)


def _limits(job: Job) -> list[ContractLimit]:
    return [limit for request in (job.request, *job.further_requests) for limit in request.limits]


# --------------------------------------------------------------------------- one cloud


def _measure_cloud(
    job: Job,
    one: CloudOfRun,
    headers: Sequence[CloudHeader],
    frame: WorkingFrame,
    checkpoints: Sequence[Checkpoint],
    table: CheckpointTable,
    templates: Mapping[str, Template],
    relative: Sequence[RelativeResult],
    progress: Progress,
) -> tuple[RunRecord, tuple[Patch, ...]]:
    unit_m = frame.horizontal_unit.metres
    near = checkpoints_in_boxes(
        headers, checkpoints, horizontal_unit_m=unit_m, margin_m=job.window.outer_radius_m
    )
    if not near.any():
        raise nowhere_near(one.label, headers, frame, checkpoints, table.path)
    gathered = gather_patches(
        headers,
        checkpoints,
        horizontal_unit_m=unit_m,
        vertical_unit_m=frame.height_unit.metres,
        window=_window(job, checkpoints),
        selection=job.selection_of(one.cloud),
        progress=progress,
    )
    patches = tuple(rounded(patch) for patch in gathered.patches)
    settings = matching_settings(job.measuring, templates)
    excluded = {exclusion.id: exclusion.reason for exclusion in job.exclusions}
    measured = []
    for number, (point, patch) in enumerate(zip(checkpoints, patches, strict=True), start=1):
        progress(f"Measuring {one.label}", number, len(checkpoints))
        measured.append(checkpoint_result(point, patch, settings, excluded.get(point.id)))
    remarks = [*gathered.remarks]
    if hidden := hidden_clouds(one.cloud.files):
        names = ", ".join(path.name for path in hidden[:5]) + (" and more" if len(hidden) > 5 else "")
        remarks.append(f"Hidden files (a name or folder that begins with a dot) were passed over: {names}.")
    if gathered.withheld_or_noise:
        remarks.append(
            f"{gathered.withheld_or_noise:,} withheld or noise points near checkpoints were left out."
        )
    graded = one.label == job.statement.label and job.relative is not None and job.relative.graded
    return (
        graded_record(
            name=one.run.name,
            cloud=one.cloud.name,
            attributes=_run_attributes(one.run),
            checkpoints=tuple(measured),
            excluded_ids=excluded.keys(),
            requests=(job.request, *job.further_requests),
            unit=job.unit,
            relative=relative_accuracy(relative) if graded else None,
            remarks=(*_left_aside(measured), *remarks),
        ),
        patches,
    )


def _run_attributes(run: RunInput) -> dict[str, str]:
    attributes = dict(run.attributes)
    if run.speed_km_per_h is not None:
        attributes[SPEED] = f"{run.speed_km_per_h:g}"
    return attributes


def _left_aside(checkpoints: Sequence[CheckpointResult]) -> list[str]:
    """Sentences for what does not count, so that nothing is dropped in silence."""
    remarks = []
    control = [c.id for c in checkpoints if c.role is Role.CONTROL]
    if control:
        remarks.append(f"Control points, measured but not counted: {', '.join(control)}.")
    for code, words in (
        (Reason.OUTSIDE_CLOUD, "No point of the cloud lies near these checkpoints"),
        (Reason.LEFT_OUT, "The points near these checkpoints were all left out, for the reasons given there"),
    ):
        ids = [c.id for c in checkpoints if not c.vertical.measured and c.vertical.code == code]
        if ids:
            remarks.append(f"{words}: {', '.join(ids)}.")
    return remarks


def _window(job: Job, checkpoints: Sequence[Checkpoint]) -> PatchWindow:
    """The patch window, widened where a large mark or a wide search asks for more whole points."""
    search_m = job.measuring.get("search_radius_m", TargetSettings().search_radius_m)
    largest_m = max((point.mark_size_m or 0.0 for point in checkpoints), default=0.0)
    whole_m = max(job.window.whole_radius_m, search_m + 1.5 * largest_m + 0.3)
    return dataclasses.replace(
        job.window, whole_radius_m=whole_m, outer_radius_m=max(job.window.outer_radius_m, whole_m)
    )
