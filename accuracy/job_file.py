"""job.toml -> Job. The file's entries are nouns of their own, so that every key is checked.

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
from dataclasses import dataclass, field, fields, replace
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Any, Literal, NewType, get_type_hints

import cattrs
from cattrs.errors import BaseValidationError, ForbiddenExtraKeysError

from accuracy.errors import AccuracyError, JobError
from accuracy.job import (
    FrameInput,
    GroundInput,
    Job,
    RelativeInput,
    RunInput,
    TrajectoryInput,
)
from accuracy.kinds import Fault, faults, in_words, place, read_strictly, strict_text
from accuracy.model import ClassRequest, ContractLimit, Exclusion
from accuracy.reading.patches import PointSelection
from accuracy.reading.table_types import HeightKind, TableOptions
from accuracy.reading.trajectory import TrajectoryFormat
from accuracy.reading.trajectory_polar import PolarSetup
from accuracy.standards import check_request, side_by_side_requests
from accuracy.units import SMALLEST_BARE_CM, LengthUnit, parse_length_m, parse_length_unit

_WRITE = "See examples/job.toml for a job file that is complete."

# Lengths in metres, read from texts; the name is the unit of a text that holds a bare number.
_Metres = NewType("_Metres", float)
_Centimetres = NewType("_Centimetres", float)
_Millimetres = NewType("_Millimetres", float)
_BARE_UNIT = {_Metres: "m", _Centimetres: "cm", _Millimetres: "mm"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Checkpoints:
    file: Path
    columns: str | None = None
    unit: LengthUnit | None = None
    height_unit: LengthUnit | None = None
    average_duplicates: bool = False
    crs: str | None = None
    heights: HeightKind | None = None
    survey_sigma_horizontal: _Millimetres | None = None
    survey_sigma_height: _Millimetres | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ground:
    origin_name: str
    grid_origin: tuple[float, float]
    ground_origin: tuple[float, float] | None = None
    combined_factor: float | None = None
    mean_height: float | None = None
    geoid_height: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    crs: str | None = None
    unit: LengthUnit | None = None
    height_unit: LengthUnit | None = None
    heights: HeightKind | None = None
    geoid: Path | None = None
    grids: Path | None = None
    ground: _Ground | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Class:
    standard: str = "asprs-2024"
    vertical: _Centimetres | None = None
    horizontal: _Centimetres | None = None
    three_d: _Centimetres | None = None
    name: str | None = None
    map_scale: float | None = None
    contour_interval: _Metres | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Limit:
    name: str
    statistic: str
    stratum: Literal["open", "vegetated", "easting", "northing", "horizontal", "3d", "relative"]
    limit: _Centimetres | None = None
    within: _Centimetres | None = None
    least_share: float | None = None
    least_checkpoints: int | None = None
    where: dict[str, str] = field(default_factory=dict)
    sentence: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    classes: list[int] | None = None
    returns: Literal["all", "first", "last", "only"] = "all"
    search_radius: _Metres | None = None
    largest_radius: _Metres | None = None
    templates: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Trajectory:
    file: Path
    name: str | None = None
    kind: Literal["gnss", "prism", "unknown"] = "unknown"
    crs: str | None = None
    format: TrajectoryFormat = field(default_factory=TrajectoryFormat)
    polar: PolarSetup | None = None
    instrument: tuple[float, float, float] | None = None
    clock_offset: float | None = None
    lever_arm: tuple[float | None, float | None, float | None] = (None, None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Run:
    name: str
    clouds: list[Path]
    speed_km_per_h: float | None = None
    mounting: str = "the vehicle"
    attributes: dict[str, str] = field(default_factory=dict)
    trajectory: _Trajectory | None = None
    reference: list[_Trajectory] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Relative:
    runs: list[str] = field(default_factory=list)
    cell: _Metres | None = None
    graded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Exclude:
    id: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _JobFile:
    checkpoints: _Checkpoints
    run: list[_Run]
    title: str | None = None
    statement_run: str | None = None
    contract_unit: LengthUnit = LengthUnit.METRE
    frame: _Frame = field(default_factory=_Frame)
    # "class" is a word of the language; the file says [class].
    graded: _Class = field(default_factory=_Class)
    limit: list[_Limit] = field(default_factory=list)
    measure: _Measure = field(default_factory=_Measure)
    exclude: list[_Exclude] = field(default_factory=list)
    relative: _Relative | None = None
    equivalence_margin: _Centimetres | None = None
    compare_by: str | None = None
    all_standards: bool = False
    date: dt.date | None = None
    project: str | None = None
    prepared_by: str | None = None
    prepared_for: str | None = None


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
        if isinstance(run, dict) and isinstance(run.get("clouds"), str):
            run["clouds"] = [run["clouds"]]  # one cloud may be written without brackets
    try:
        entries = _converter(path.parent).structure(mapping, _JobFile)
    except BaseValidationError as error:
        raise _refusal(error, mapping, path) from None
    try:
        return _job(entries, path)
    except AccuracyError as error:
        if error.path is None:
            error.path = path
        raise


def _converter(folder: Path) -> cattrs.Converter:
    converter = cattrs.Converter(forbid_extra_keys=True, detailed_validation=True)

    read_strictly(converter)
    for kind, unit in _BARE_UNIT.items():
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


def _job(entries: _JobFile, path: Path) -> Job:
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
    table = entries.checkpoints
    request, *others = _requests(entries)
    statement_run = entries.statement_run or entries.run[0].name
    return Job(
        title=entries.title or f"Accuracy of {statement_run}",
        checkpoints=table.file,
        runs=tuple(_run(run) for run in entries.run),
        statement_run=statement_run,
        table=TableOptions(
            columns=table.columns,
            unit=table.unit,
            height_unit=table.height_unit,
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
        selection=PointSelection(
            classes=None if measure.classes is None else frozenset(measure.classes), returns=measure.returns
        ),
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


def _check_runs(entries: _JobFile) -> None:
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
    known = [run.name for run in entries.run]
    for name in entries.relative.runs if entries.relative is not None else ():
        if name not in known:
            raise JobError(
                f'run "{name}" is to be compared with the statement\'s, and there is no such run',
                place="key relative.runs",
                remedy=f"Use some of {', '.join(known)}.",
            )
    if entries.statement_run is not None and entries.statement_run not in known:
        raise JobError(
            f'the statement is to speak of run "{entries.statement_run}", and there is no such run',
            place="key statement_run",
            remedy=f"Use one of {', '.join(known)}.",
        )


def _requests(entries: _JobFile) -> list[ClassRequest]:
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
        check_request(request)
    return requests


def _frame(entries: _JobFile) -> FrameInput:
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


def _run(entry: _Run) -> RunInput:
    if not entry.clouds:
        raise JobError(f'run "{entry.name}" names no cloud', remedy="Add clouds = [...].")
    return RunInput(
        name=entry.name,
        clouds=tuple(entry.clouds),
        attributes=entry.attributes,
        speed_km_per_h=entry.speed_km_per_h,
        mounting=entry.mounting,
        trajectory=None if entry.trajectory is None else _trajectory(entry.trajectory, entry.name),
        references=tuple(_trajectory(one, one.file.stem) for one in entry.reference),
    )


def _trajectory(entry: _Trajectory, name: str) -> TrajectoryInput:
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
