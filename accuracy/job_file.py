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
from pathlib import Path
from typing import Any, Literal, get_type_hints

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
    parse_length_m,
)
from accuracy.model import ClassRequest, ContractLimit, Exclusion
from accuracy.reading.patches import PointSelection
from accuracy.reading.table_types import HeightKind, TableOptions
from accuracy.reading.trajectory import TrajectoryFormat
from accuracy.reading.trajectory_polar import PolarSetup
from accuracy.standards import check_request, side_by_side_requests
from accuracy.units import LengthUnit, parse_length_unit

_WRITE = "See examples/job.toml for a job file that is complete."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Checkpoints:
    file: Path
    columns: str | None = None
    unit: LengthUnit | None = None
    height_unit: LengthUnit | None = None
    average_duplicates: bool = False
    crs: str | None = None
    heights: HeightKind | None = None
    survey_sigma_horizontal: str | None = None
    survey_sigma_height: str | None = None


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
    vertical: str | None = None
    horizontal: str | None = None
    three_d: str | None = None
    name: str | None = None
    map_scale: float | None = None
    contour_interval: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Limit:
    name: str
    statistic: str
    stratum: Literal["open", "vegetated", "easting", "northing", "horizontal", "3d", "relative"]
    limit: str | None = None
    within: str | None = None
    least_share: float | None = None
    least_checkpoints: int | None = None
    where: dict[str, str] = field(default_factory=dict)
    sentence: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Measure:
    classes: list[int] | None = None
    returns: Literal["all", "first", "last", "only"] = "all"
    search_radius: str | None = None
    largest_radius: str | None = None
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
    cell: str | None = None
    graded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class _Exclude:
    id: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _JobFile:
    title: str
    checkpoints: _Checkpoints
    run: list[_Run]
    statement_run: str | None = None
    contract_unit: LengthUnit = LengthUnit.METRE
    frame: _Frame = field(default_factory=_Frame)
    # "class" is a word of the language; the file says [class].
    graded: _Class = field(default_factory=_Class)
    limit: list[_Limit] = field(default_factory=list)
    measure: _Measure = field(default_factory=_Measure)
    exclude: list[_Exclude] = field(default_factory=list)
    relative: _Relative | None = None
    equivalence_margin: str | None = None
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
        mapping = tomllib.loads(path.read_text("utf-8"))
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
        complaint = _in_words(cattrs.transform_error(error, format_exception=_fault)[0])
        raise JobError(complaint[0], path=path, place=complaint[1], remedy=_WRITE) from None
    try:
        return _job(entries, path)
    except AccuracyError as error:
        if error.path is None:
            error.path = path
        raise


def _converter(folder: Path) -> cattrs.Converter:
    converter = cattrs.Converter(forbid_extra_keys=True, detailed_validation=True)

    def strict(kind: type) -> Any:
        def structure(value: Any, _: Any) -> Any:
            whole_for_real = kind is float and isinstance(value, int) and not isinstance(value, bool)
            if not whole_for_real and type(value) is not kind:
                raise TypeError(f"{value!r} is not {_KINDS[kind]}")
            return kind(value)

        return structure

    for kind in _KINDS:
        converter.register_structure_hook(kind, strict(kind))
    for kind in _KINDS:
        optional = strict(kind)
        converter.register_structure_hook(
            kind | None, lambda value, _, read=optional: None if value is None else read(value, None)
        )
    converter.register_structure_hook(Path, lambda value, _: folder / strict(str)(value, str))
    converter.register_structure_hook(LengthUnit, lambda value, _: parse_length_unit(strict(str)(value, str)))
    converter.register_structure_hook(dt.date, lambda value, _: _date(value))
    # Unions that the reader itself checks pass as they are.
    hints = get_type_hints(TrajectoryFormat)
    for name in ("columns", "fix_codes"):
        converter.register_structure_hook(hints[name], lambda value, _: value)
    return converter


_KINDS: Mapping[type, str] = {str: "a text", float: "a number", int: "a whole number", bool: "true or false"}


def _date(value: Any) -> dt.date:
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(str(value))
    except ValueError:
        raise ValueError(f'"{value}" is not a date such as 2026-07-08') from None


def _fault(error: BaseException, kind: type | None) -> str:
    """One of the library's complaints, as a surveyor would put it."""
    if isinstance(error, ForbiddenExtraKeysError):
        keys = ", ".join(f'"{key}"' for key in sorted(error.extra_fields))
        known = ", ".join(field.name for field in fields(error.cl)).replace("graded", "class")
        return f"unknown key {keys}; known here are {known}"
    if isinstance(error, KeyError):
        return "the key is missing"
    if isinstance(error, AccuracyError):
        return error.what
    choices = re.fullmatch(r"(.*) not in literal typing.Literal\[(.*)\]", str(error))
    if choices:
        return f'"{choices[1]}" is none of {choices[2]}'.replace("'", "")
    words = str(error)
    if " is not a" in words:
        return words
    return f"{words or type(error).__name__} (wanted: {kind})" if kind else words


def _in_words(complaint: str) -> tuple[str, str | None]:
    """A complaint as (fault, place): the library's path $.run[0].speed as the file's own keys."""
    match = re.fullmatch(r"(.*?) @ \$\.?(.*)", complaint, flags=re.DOTALL)
    fault, place = (match[1], match[2]) if match else (complaint, "")
    place = re.sub(r"^graded\b", "class", place)
    place = re.sub(r"\[(\d+)\]", lambda found: f" {int(found[1]) + 1}", place)
    return fault, f"key {place}" if place else None


def _job(entries: _JobFile, path: Path) -> Job:
    _check_runs(entries)
    measure = entries.measure
    measuring = {
        name: length
        for name, length in (
            ("largest_radius_m", _length(measure.largest_radius, "m")),
            ("search_radius_m", _length(measure.search_radius, "m")),
        )
        if length is not None
    }
    table = entries.checkpoints
    request, *others = _requests(entries)
    return Job(
        title=entries.title,
        checkpoints=table.file,
        runs=tuple(_run(run) for run in entries.run),
        statement_run=entries.statement_run or entries.run[0].name,
        table=TableOptions(
            columns=table.columns,
            unit=table.unit,
            height_unit=table.height_unit,
            average_duplicates=table.average_duplicates,
        ),
        survey_sigma_m=(
            _length(table.survey_sigma_horizontal, "mm"),
            _length(table.survey_sigma_height, "mm"),
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
            cell_m=_length(entries.relative.cell, "m"),
            graded=entries.relative.graded,
        ),
        exclusions=tuple(Exclusion(id=one.id, reason=one.reason) for one in entries.exclude),
        equivalence_margin_m=_length(entries.equivalence_margin, "cm"),
        compare_by=entries.compare_by,
        date=None if entries.date is None else entries.date.isoformat(),
        project=entries.project,
        prepared_by=entries.prepared_by,
        prepared_for=entries.prepared_for,
        job_file=path,
    )


def _length(text: str | None, bare_unit: str) -> float | None:
    return None if text is None else parse_length_m(text, bare_unit=bare_unit)


def _check_runs(entries: _JobFile) -> None:
    if not entries.run:
        raise JobError("no run is named", place="key run", remedy="Add at least one [[run]].")
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
            vertical_m=_length(asked.vertical, "cm"),
            horizontal_m=_length(asked.horizontal, "cm"),
            three_d_m=_length(asked.three_d, "cm"),
            class_name=asked.name,
            map_scale=asked.map_scale,
            contour_interval_m=_length(asked.contour_interval, "m"),
        )
    ]
    if entries.limit:
        limits = tuple(
            ContractLimit(
                name=one.name,
                statistic=one.statistic,
                stratum=one.stratum,
                limit_m=_length(one.limit, "cm"),
                within_m=_length(one.within, "cm"),
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
