"""The same data again: another subset, class, standard or radius, from the record and the kept patches.

Part of the pipeline: result folder in, record and archives out. No cloud is needed. Residuals do
not depend on which checkpoints count, so they are measured again only where the radius changes or
the user asks for it, and then give the same bits as the first time.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from accuracy.errors import RecordError, RequestError
from accuracy.grading import graded_record
from accuracy.itself import relative_accuracy
from accuracy.model import (
    CheckpointResult,
    ClassRequest,
    Component,
    Exclusion,
    PartFigures,
    Progress,
    Result,
    Role,
    RunRecord,
    no_progress,
)
from accuracy.model.places import places
from accuracy.reading.kept import MARKS_NAME, archive_bytes, marks_to_keep
from accuracy.reading.kept_drives import KEPT
from accuracy.reclassing import ClassChange, changed_requests
from accuracy.record import RESULT_NAME, read_sealed
from accuracy.rounding import LengthText, at_places
from accuracy.runs import compare_records
from accuracy.standards import overall_outcome
from accuracy.statistics.influence import folds
from accuracy.subsets import Subset, SubsetRules, choose, expanded

if TYPE_CHECKING:
    from accuracy.picturing import Pictured
    from accuracy.remeasuring import Remeasured

_NOT_IN_SUBSET = "not in this subset of the checkpoints"
_NEEDS_CLOUD = (
    "What is suggested of cloud and checkpoints lying apart, or of their clocks, is told as it was found at "
    "first: that cannot be looked for again without the cloud."
)
_SEALED = "The record and its patches are as they were written: seal and SHA-256 fit."
_NOT_SEALED = (
    "The record bears no seal, so whether it was changed since it was written is not known; its patches are "
    "as they were written. --measure-again holds its residuals against them."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecheckOptions:
    """What is to be different this time."""

    rules: SubsetRules = dataclasses.field(default_factory=SubsetRules)
    exclusions: tuple[Exclusion, ...] = ()
    classes: ClassChange = dataclasses.field(default_factory=ClassChange)
    """Another class or standard; what it does not name stays as the record was graded."""
    radius_m: float | None = None
    measure_again: bool = False
    parts: Literal["none", "leave-one-out"] | int = "none"
    """An int asks for that many folds."""
    statement: str | None = None
    """The run, or the run and its cloud, that the statement is to speak of."""
    pictures: bool = False
    """Also load what the marks are drawn from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rechecked:
    """The new record, its archives, unchanged, and what is to be told besides."""

    result: Result
    archives: Mapping[str, bytes]
    pictured: Pictured | None
    """What the marks are drawn from, where pictures were asked for."""
    sentences: tuple[str, ...]
    """What the record was held against, and what is graded or measured differently."""


def check_out(folder: Path, out: Path) -> None:
    """Refuse to write over a result: the one that is rechecked, or another. Raises RequestError."""
    record = out / RESULT_NAME
    if not record.exists():
        return
    source = folder / RESULT_NAME if folder.is_dir() else folder
    same = source.exists() and record.samefile(source)
    raise RequestError(
        "is the folder of the result that is to be rechecked" if same else "holds another result already",
        path=out,
        remedy="Name a new folder with --out.",
    )


def recheck(folder: Path, options: RecheckOptions, progress: Progress = no_progress) -> Rechecked:
    """Grade the same measurements anew, or measure the kept patches again.

    Raises RecordError for a folder that is damaged, incomplete or changed, RequestError for a choice
    that cannot be made.
    """
    result, sealed = read_sealed(folder)
    folder = folder if folder.is_dir() else folder.parent
    records = list(result.runs) or [result.run]
    if options.statement is not None:
        result = dataclasses.replace(result, run=_named(records, options.statement))
    subset = choose(result.run.checkpoints, options.rules, crs_wkt=result.crs_wkt, table=_table_name(result))
    exclusions = _exclusions(result, options.exclusions)
    requests, regraded = changed_requests(result.requests, options.classes, LengthText(result.unit))
    archives = _archives(folder, result, records)
    sentences = [_SEALED if sealed else _NOT_SEALED, *regraded]
    measuring, settings = result.measuring, result.settings
    fresh: dict[str, Remeasured] = {}
    if options.measure_again or options.radius_m is not None:
        # Loaded only here: most rechecks measure nothing and should not wait for the estimators.
        from accuracy.remeasuring import measured_again, new_settings, told, with_radius

        measuring = with_radius(result.measuring, options.radius_m)
        fresh = {
            record.label: measured_again(folder, record, result, measuring, progress) for record in records
        }
        settings = new_settings(result.settings, measuring, fresh[result.run.label])
        sentences += told(fresh, result.run.label)
    renewed = []
    for number, record in enumerate(records, start=1):
        progress("Rechecking", number, len(records))
        again = fresh.get(record.label)
        checkpoints = record.checkpoints if again is None else again.checkpoints
        graded = graded_record(
            name=record.name,
            cloud=record.cloud,
            attributes=record.attributes,
            checkpoints=tuple(_counted(checkpoints, subset, exclusions)),
            excluded_ids={exclusion.id for exclusion in exclusions},
            requests=requests,
            unit=result.unit,
            relative=relative_accuracy(result.relative) if _relative_was_graded(record) else None,
            remarks=(*record.remarks, *regraded, *(() if again is None else again.remarks)),
        )
        kept = dataclasses.replace(
            graded,
            mistakes=record.mistakes,
            conditions=record.conditions,
            condition_effects=record.condition_effects,
            patches_file=record.patches_file,
            patches_sha256=record.patches_sha256,
        )
        renewed.append(_explained(kept, record, result, requests))
    compared = compare_records(
        renewed,
        requests=requests,
        margin_m=result.equivalence_margin_m,
        unit=result.unit,
        compare_by=result.compare_by,
        baseline_run=result.baseline_run,
    )
    statement = next(record for record in renewed if record.label == result.run.label)
    drawn_from = None
    if options.pictures:
        # Loaded only here: reading and drawing the points takes longer than all else together.
        from accuracy.picturing import pictured

        progress("Reading the kept patches", 0, 1)
        drawn_from = pictured(folder, result)
        sentences += drawn_from.sentences
    return Rechecked(
        pictured=drawn_from,
        result=dataclasses.replace(
            result,
            exclusions=exclusions,
            run=statement,
            runs=tuple(renewed) if result.runs else (),
            comparisons=compared.comparisons,
            matrices=compared.matrices,
            decisions=compared.decisions,
            parts=_parts(statement, options.parts, options.rules.seed, requests, result),
            requests=requests,
            measuring=measuring,
            settings=settings,
            subset=subset.words if subset.words is not None else result.subset,
        ),
        archives=archives,
        sentences=tuple(sentences),
    )


def _named(records: Sequence[RunRecord], name: str) -> RunRecord:
    """The record of that label, or of the run of that name where it has one cloud."""
    found = [record for record in records if name in (record.label, record.name)]
    if len(found) != 1:
        what = "the run has several clouds" if found else "there is no such run"
        raise RequestError(
            f'the statement is to speak of "{name}", and {what}',
            place="--statement",
            remedy=f"Name one of {', '.join(record.label for record in found or records)}.",
        )
    return found[0]


def _table_name(result: Result) -> str | None:
    """The file name of the checkpoint table, written on whatever system the record was made."""
    return next(
        (re.split(r"[\\/]", one.path)[-1] for one in result.inputs if one.role == "checkpoints"), None
    )


def _exclusions(result: Result, more: tuple[Exclusion, ...]) -> tuple[Exclusion, ...]:
    known = {point.id for point in result.run.checkpoints}
    more = tuple(
        Exclusion(id=name, reason=exclusion.reason)
        for exclusion in more
        for name in expanded(
            (exclusion.id,), known, "to be left out", table=_table_name(result), place="--without"
        )
    )
    fresh = {exclusion.id for exclusion in more}
    return (*(one for one in result.exclusions if one.id not in fresh), *more)


def _explained(
    record: RunRecord, before: RunRecord, result: Result, requests: Sequence[ClassRequest]
) -> RunRecord:
    """The record with what its residuals suggest, looked for anew where anything that it rests on changed.

    The same residuals suggest the same, so that an unchanged record need not wait for it.
    """
    asked, was = requests[0], result.requests[0]
    same_classes = (asked.vertical_m, asked.horizontal_m) == (was.vertical_m, was.horizontal_m)
    if record.checkpoints == before.checkpoints and same_classes:
        return record
    from accuracy.explained import explained, recorded_units

    horizontal, height = recorded_units(result)
    anew = explained(
        record,
        crs_wkt=result.crs_wkt,
        cloud_unit=horizontal,
        cloud_height_unit=height,
        request=asked,
        unit=result.unit,
    )
    if all(one.rests_on != "cloud" for one in anew.mistakes) or _NEEDS_CLOUD in record.remarks:
        return anew
    return dataclasses.replace(anew, remarks=(*anew.remarks, _NEEDS_CLOUD))


def _archives(folder: Path, result: Result, records: Sequence[RunRecord]) -> dict[str, bytes]:
    """The kept patches and epochs as they are, each held against the digest in the record."""
    archives = {}
    for record in records:
        if record.patches_file is None or record.patches_sha256 is None:
            raise RecordError(
                f"the record of run {record.label} names no kept patches",
                path=folder,
                remedy="Measure again with the cloud.",
            )
        path = folder / record.patches_file
        archives[record.patches_file] = archive_bytes(path, sha256=record.patches_sha256, what="patches")
    if result.drives_file is not None and result.drives_sha256 is not None:
        path = folder / result.drives_file
        archives[result.drives_file] = archive_bytes(path, sha256=result.drives_sha256, what=KEPT)
    return archives | marks_to_keep(result, folder / MARKS_NAME)


def _relative_was_graded(record: RunRecord) -> bool:
    return any(verdict.component is Component.RELATIVE for verdict in record.verdicts)


def _counted(
    checkpoints: Sequence[CheckpointResult], subset: Subset, exclusions: Sequence[Exclusion]
) -> list[CheckpointResult]:
    """Say anew which checkpoints count. A control point never does."""
    reasons = {exclusion.id: exclusion.reason for exclusion in exclusions}
    counted = []
    for point in checkpoints:
        why: str | None = None
        if point.role is Role.CONTROL:
            why = point.why_not_used or "control point: it helped to make the cloud, so it cannot test it"
        elif point.id in reasons:
            why = f"set aside by the user: {reasons[point.id]}"
        elif point.id not in subset.ids:
            why = _NOT_IN_SUBSET
        elif not point.vertical.measured and not point.horizontal.measured and point.face is None:
            why = point.vertical.reason
        counted.append(dataclasses.replace(point, used=why is None, why_not_used=why))
    return counted


def _parts(
    record: RunRecord,
    asked: Literal["none", "leave-one-out"] | int,
    seed: int,
    requests: tuple[ClassRequest, ...],
    result: Result,
) -> tuple[PartFigures, ...]:
    """The statement's run graded on each part of the checkpoints that count.

    Checkpoints at one place stay together: else each fold would be tested on what the others hold too.
    """
    if asked == "none":
        return ()
    points = [point for point in record.checkpoints if point.used]
    ids = [point.id for point in points]
    at = places(np.array([(p.easting_m, p.northing_m, p.height_m) for p in points]).reshape(-1, 3))
    together = [tuple(ids[index] for index in those) for those in at.members]
    if asked == "leave-one-out":
        groups = [
            (f"without {', '.join(those)}", tuple(one for one in ids if one not in those))
            for those in together
        ]
    else:
        number = int(asked)
        if not 2 <= number <= len(together):
            raise RequestError(
                f"{at_places(len(ids), len(together))} cannot be dealt into {number} folds",
                remedy="Ask for at least 2 folds and no more than there are "
                f"{'checkpoints' if len(together) == len(ids) else 'places'}.",
            )
        # The first by name stands for its place, so that the order of the rows changes nothing.
        place_of = {min(those): those for those in together}
        dealt = folds(list(place_of), number, seed=seed)
        groups = [
            (f"fold {index} of {number}", tuple(one for name in fold for one in place_of[name]))
            for index, fold in enumerate(dealt, start=1)
        ]
    figures = []
    for name, members in groups:
        part = Subset(ids=frozenset(members), words=None)
        graded = graded_record(
            name=record.name,
            cloud=record.cloud,
            attributes=record.attributes,
            checkpoints=tuple(_counted(record.checkpoints, part, result.exclusions)),
            excluded_ids=(),
            requests=requests,
            unit=result.unit,
            remarks=(),
        )
        vertical, horizontal = graded.summary.vertical, graded.summary.horizontal
        figures.append(
            PartFigures(
                name=name,
                ids=tuple(sorted(members)),
                vertical_n=0 if vertical is None else vertical.n,
                vertical_rmse_m=None if vertical is None else vertical.rmse_m,
                horizontal_n=0 if horizontal is None else horizontal.n,
                horizontal_rmse_m=None if horizontal is None else horizontal.rmse_m,
                outcome=overall_outcome(graded.verdicts),
            )
        )
    return tuple(figures)
