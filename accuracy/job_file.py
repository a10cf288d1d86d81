"""job.toml -> Job, by way of the entries of job_entries, so that every key is checked.

A job file is read whole and refused whole: an unknown key, a wrong kind of value or an impossible
one is a JobError that names the key, because a setting that is silently ignored changes what a
signed statement means. Paths are relative to the job file.
"""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections import Counter
from collections.abc import Mapping
from dataclasses import fields, replace
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Any, get_type_hints

import cattrs
from cattrs.errors import BaseValidationError, ForbiddenExtraKeysError

from accuracy.errors import AccuracyError, JobError
from accuracy.job import (
    CloudInput,
    FrameInput,
    GroundInput,
    Job,
    RelativeInput,
    RunInput,
    TrajectoryInput,
)
from accuracy.job_entries import (
    BARE_UNIT,
    CloudEntry,
    JobEntries,
    RunEntry,
    TrajectoryEntry,
)
from accuracy.kinds import Fault, faults, in_words, place, read_strictly, strict_text
from accuracy.model import ClassRequest, ContractLimit, Exclusion
from accuracy.reading.patches import PointSelection
from accuracy.reading.table_types import TableOptions
from accuracy.reading.trajectory import TrajectoryFormat
from accuracy.standards import AS_KEYS, check_request, side_by_side_requests
from accuracy.units import SMALLEST_BARE_CM, LengthUnit, parse_length_m, parse_length_unit

_WRITE = "See examples/job.toml for a job file that is complete."


def read_job(path: Path) -> Job:
    """Read a job file.

    Raises JobError naming the file, the key, the value and the remedy.
    """
    try:
        mapping = tomllib.loads(path.read_text("utf-8-sig"))
    except OSError as error:
        raise JobError(f"it cannot be read: {error.strerror}", path=path, remedy="Check the path.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise JobError(f"it is not a TOML file: {error}", path=path, remedy=_WRITE) from None
    if "class" in mapping:
        mapping["graded"] = mapping.pop("class")
    for run in mapping.get("run", ()):
        if isinstance(run, dict):
            _in_brackets(run, "clouds")
            for cloud in run.get("cloud", ()):
                if isinstance(cloud, dict):
                    _in_brackets(cloud, "files")
    try:
        entries = _converter(path.parent).structure(mapping, JobEntries)
    except BaseValidationError as error:
        raise _refusal(error, mapping, path) from None
    try:
        return _job(entries, path)
    except AccuracyError as error:
        if error.path is None:
            error.path = path
        raise


def _in_brackets(table: dict[str, Any], key: str) -> None:
    """One file may be written without brackets."""
    if isinstance(table.get(key), str):
        table[key] = [table[key]]


def _converter(folder: Path) -> cattrs.Converter:
    converter = cattrs.Converter(forbid_extra_keys=True, detailed_validation=True)

    read_strictly(converter)
    for kind, unit in BARE_UNIT.items():
        converter.register_structure_hook(kind, partial(_length_m, unit))
    converter.register_structure_hook(Path, lambda value, _: folder / strict_text(value))
    converter.register_structure_hook(LengthUnit, lambda value, _: parse_length_unit(strict_text(value)))
    converter.register_structure_hook(dt.date, lambda value, _: _date(value))
    # Unions that the reader itself checks pass as they are.
    hints = get_type_hints(TrajectoryFormat)
    for name in ("columns", "fix_codes"):
        converter.register_structure_hook(hints[name], lambda value, _: value)
    return converter


def _length_m(bare_unit: str, value: Any, _: Any) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool):
        # A class of 0.03 is hardly meant in centimetres.
        unit = "m" if bare_unit == "cm" and value < SMALLEST_BARE_CM else bare_unit
        raise JobError(
            f"{value} does not say its unit",
            remedy=f'Write it as a text with its unit, such as "{value} {unit}".',
        )
    return parse_length_m(strict_text(value), bare_unit=bare_unit)


def _date(value: Any) -> dt.date:
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(str(value))
    except ValueError:
        raise ValueError(f'"{value}" is not a date such as 2026-07-08') from None


def _refusal(error: BaseException, mapping: Mapping[str, Any], path: Path) -> JobError:
    """The first fault in words. A misspelt key comes before the key that is missing on its account."""
    found = sorted(faults(error), key=lambda one: not isinstance(one.error, ForbiddenExtraKeysError))
    fault = found[0]
    what, remedy = _told(fault)
    where = place(fault.keys, mapping)
    return JobError(
        what,
        path=path,
        place=None if where is None else re.sub(r"^key graded\b", "key class", where),
        remedy=f"{remedy} {_WRITE}" if remedy else _WRITE,
    )


def _told(fault: Fault) -> tuple[str, str | None]:
    """One fault and its own remedy, as a surveyor would put it."""
    error = fault.error
    if isinstance(error, ForbiddenExtraKeysError):
        keys = sorted(error.extra_fields)
        known = ["class" if field.name == "graded" else field.name for field in fields(error.cl)]
        near = [match for key in keys for match in get_close_matches(key, known, n=1)]
        unknown = ", ".join(f'"{key}"' for key in keys)
        hint = f'Did you mean "{near[0]}"?' if near else None
        return f"unknown key {unknown}; known here are {', '.join(known)}", hint
    if isinstance(error, KeyError):
        return "the key is missing", None
    if isinstance(error, AccuracyError):
        return error.what, error.remedy
    return in_words(fault), None


def _job(entries: JobEntries, path: Path) -> Job:
    _check_runs(entries)
    measure = entries.measure
    measuring = {
        name: length
        for name, length in (
            ("largest_radius_m", measure.largest_radius),
            ("search_radius_m", measure.search_radius),
        )
        if length is not None
    }
    selection = PointSelection(
        classes=None if measure.classes is None else frozenset(measure.classes), returns=measure.returns
    )
    table = entries.checkpoints
    request, *others = _requests(entries)
    statement_run = entries.statement_run or entries.run[0].name
    job = Job(
        title=entries.title or "",
        checkpoints=table.file,
        runs=tuple(_run(run, selection) for run in entries.run),
        statement_run=statement_run,
        statement_cloud=entries.statement_cloud,
        baseline_run=entries.baseline_run,
        table=TableOptions(
            columns=table.columns,
            unit=table.unit,
            height_unit=table.height_unit,
            decimal_mark=table.decimal_mark,
            average_duplicates=table.average_duplicates,
        ),
        survey_sigma_m=(
            table.survey_sigma_horizontal,
            table.survey_sigma_height,
        ),
        frame=_frame(entries),
        unit=entries.contract_unit,
        request=request,
        further_requests=tuple(others),
        selection=selection,
        measuring=measuring,
        templates=measure.templates,
        relative=None
        if entries.relative is None
        else RelativeInput(
            runs=tuple(entries.relative.runs),
            cell_m=entries.relative.cell,
            graded=entries.relative.graded,
        ),
        exclusions=tuple(Exclusion(id=one.id, reason=one.reason) for one in entries.exclude),
        equivalence_margin_m=entries.equivalence_margin,
        compare_by=entries.compare_by,
        date=None if entries.date is None else entries.date.isoformat(),
        project=entries.project,
        prepared_by=entries.prepared_by,
        prepared_for=entries.prepared_for,
        job_file=path,
    )
    return job if entries.title else replace(job, title=f"Accuracy of {job.statement.label}")


def _check_runs(entries: JobEntries) -> None:
    if not entries.run:
        raise JobError("no run is named", place="key run", remedy="Add at least one [[run]].")
    for number, run in enumerate(entries.run, start=1):
        if not run.name.strip():
            raise JobError(
                f'"{run.name}" is no name for a run',
                place=f"key run {number}.name",
                remedy="Give it one: the report tells the runs by their names.",
            )
    for kind, names in (
        ("run", [run.name for run in entries.run]),
        ("checkpoint to leave out", [one.id for one in entries.exclude]),
    ):
        twice = [name for name, count in Counter(names).items() if count > 1]
        if twice:
            raise JobError(f'the {kind} "{twice[0]}" stands there twice', remedy="Name each once.")


def _requests(entries: JobEntries) -> list[ClassRequest]:
    asked = entries.graded
    requests = [
        ClassRequest(
            standard=asked.standard,
            vertical_m=asked.vertical,
            horizontal_m=asked.horizontal,
            three_d_m=asked.three_d,
            class_name=asked.name,
            map_scale=asked.map_scale,
            contour_interval_m=asked.contour_interval,
        )
    ]
    if entries.limit:
        limits = tuple(
            ContractLimit(
                name=one.name,
                statistic=one.statistic,
                stratum=one.stratum,
                limit_m=one.limit,
                within_m=one.within,
                least_share=one.least_share,
                least_checkpoints=one.least_checkpoints,
                where=one.where,
                sentence=one.sentence,
            )
            for one in entries.limit
        )
        requests.append(ClassRequest(standard="contract", limits=limits))
    if entries.all_standards:
        requests += side_by_side_requests(asked.standard)
    for request in requests:
        check_request(request, AS_KEYS)
    return requests


def _frame(entries: JobEntries) -> FrameInput:
    frame, table = entries.frame, entries.checkpoints
    ground = frame.ground
    return FrameInput(
        cloud_crs=frame.crs,
        cloud_unit=frame.unit,
        cloud_height_unit=frame.height_unit,
        cloud_heights=frame.heights,
        table_crs=table.crs,
        table_heights=table.heights,
        geoid=frame.geoid,
        grids=frame.grids,
        ground=None
        if ground is None
        else GroundInput(
            origin_name=ground.origin_name,
            grid_origin_m=ground.grid_origin,
            ground_origin_m=ground.ground_origin,
            combined_factor=ground.combined_factor,
            mean_height_m=ground.mean_height,
            geoid_height_m=ground.geoid_height,
        ),
    )


def _run(entry: RunEntry, selection: PointSelection) -> RunInput:
    if entry.clouds and entry.cloud:
        raise JobError(
            f'run "{entry.name}" has both clouds = [...] and [[run.cloud]]',
            remedy="Write clouds = [...] for one cloud, a named [[run.cloud]] for each of several.",
        )
    return RunInput(
        name=entry.name,
        clouds=tuple(_cloud(one, selection) for one in entry.cloud)
        or (CloudInput(files=tuple(entry.clouds)),),
        attributes=entry.attributes,
        speed_km_per_h=entry.speed_km_per_h,
        mounting=entry.mounting,
        trajectory=None if entry.trajectory is None else _trajectory(entry.trajectory, entry.name),
        references=tuple(_trajectory(one, one.file.stem) for one in entry.reference),
    )


def _cloud(entry: CloudEntry, of_job: PointSelection) -> CloudInput:
    """What a cloud does not say of its points, the job says."""
    selection = None
    if entry.classes is not None or entry.returns is not None:
        selection = replace(
            of_job,
            classes=of_job.classes if entry.classes is None else frozenset(entry.classes),
            returns=of_job.returns if entry.returns is None else entry.returns,
        )
    return CloudInput(files=tuple(entry.files), name=entry.name, selection=selection)


def _trajectory(entry: TrajectoryEntry, name: str) -> TrajectoryInput:
    return TrajectoryInput(
        path=entry.file,
        name=entry.name or name,
        kind=entry.kind,
        crs=entry.crs,
        format=replace(entry.format, name=entry.name or name),
        polar=entry.polar,
        instrument_m=entry.instrument,
        clock_offset_s=entry.clock_offset,
        lever_arm_m=entry.lever_arm,
    )
