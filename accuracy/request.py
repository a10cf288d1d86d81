"""Command-line options -> Job. Between the command line and the pipeline; reads no file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from accuracy.errors import RequestError
from accuracy.model import ClassRequest, Exclusion
from accuracy.rechecking import RecheckOptions
from accuracy.reclassing import ClassChange
from accuracy.standards import check_request, side_by_side_requests
from accuracy.subsets import SubsetRules
from accuracy.units import LengthUnit, parse_length_m, parse_length_unit

# The readers are loaded where a job is made: a recheck needs none of them.
if TYPE_CHECKING:
    from accuracy.job import FrameInput, Job
    from accuracy.reading.patches import PointSelection
    from accuracy.reading.table_types import TableOptions


def job_from_options(clouds: tuple[Path, ...], given: Mapping[str, Any]) -> Job:
    """The job that the options of ``check`` ask for.

    Raises RequestError for options that contradict each other.
    """
    from accuracy.job import CloudInput, Job, RelativeInput, RunInput

    name = cloud_name(clouds[0]) if len(clouds) == 1 else clouds[0].resolve().parent.name
    return Job(
        title=given["title"] or f"Accuracy of {name}",
        checkpoints=given["checkpoints"],
        runs=(RunInput(name=name, clouds=(CloudInput(files=clouds),)),),
        statement_run=name,
        table=table_options(given),
        survey_sigma_m=(
            optional_length(given["survey_sigma_horizontal"], "mm"),
            optional_length(given["survey_sigma_height"], "mm"),
        ),
        frame=frame_input(given),
        unit=parse_length_unit(given["contract_unit"]),
        request=class_request(given),
        further_requests=tuple(side_by_side_requests(given["standard"])) if given["all_standards"] else (),
        selection=selection(given),
        measuring={}
        if given["search_radius"] is None
        else {"search_radius_m": parse_length_m(given["search_radius"], bare_unit="m")},
        templates=given["templates"],
        relative=RelativeInput() if given["relative"] else None,
        exclusions=exclusions(given["without"], given["reason"]),
        date=checked_date(given["date"]),
        project=given["project"],
        prepared_by=given["prepared_by"],
        prepared_for=given["prepared_for"],
    )


def cloud_name(path: Path) -> str:
    """The file's name without a cloud's ending; whatever other points it has belong to it."""
    return re.sub(r"(\.copc)?\.la[sz]$", "", path.name or path.resolve().name, flags=re.IGNORECASE)


def recheck_options(given: Mapping[str, Any]) -> RecheckOptions:
    """What the options of ``recheck`` ask to be different.

    Raises RequestError for options that contradict each other.
    """
    if given["folds"] is not None and given["leave_one_out"]:
        raise RequestError("folds and leaving one out exclude each other", remedy="Ask for one of them.")
    pairs = []
    for text in given["where"]:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise RequestError(f'"{text}" is not NAME=VALUE', remedy="Write it like --where surface=asphalt.")
        pairs.append((name.strip(), value.strip()))
    return RecheckOptions(
        rules=SubsetRules(
            only=given["only"],
            where=tuple(pairs),
            area=given["area"],
            random=given["random"],
            seed=given["seed"],
        ),
        exclusions=exclusions(given["without"], given["reason"]),
        classes=ClassChange(
            standard=given["standard"],
            vertical_m=optional_length(given["vertical_class"]),
            horizontal_m=optional_length(given["horizontal_class"]),
            three_d_m=optional_length(given["three_d_class"]),
            class_name=given["class_name"],
            drop=given["drop"],
        ),
        radius_m=optional_length(given["radius"], "m"),
        measure_again=given["measure_again"],
        parts="leave-one-out" if given["leave_one_out"] else (given["folds"] or "none"),
        statement=given["statement"],
        pictures=given["pictures"] or given["pdf"],
    )


def optional_length(text: str | None, bare_unit: str = "cm") -> float | None:
    """A length in metres, or None where the option was not given."""
    return None if text is None else parse_length_m(text, bare_unit=bare_unit)


def _unit(text: str | None) -> LengthUnit | None:
    return None if text is None else parse_length_unit(text)


def table_options(given: Mapping[str, Any]) -> TableOptions:
    """How the checkpoint table is to be read."""
    from accuracy.reading.table_types import TableOptions

    return TableOptions(
        columns=given["columns"],
        unit=_unit(given["unit"]),
        height_unit=_unit(given["height_unit"]),
        decimal_mark=given["decimal_mark"],
        average_duplicates=given["average_duplicates"],
    )


def frame_input(given: Mapping[str, Any]) -> FrameInput:
    """What is said about the frames of cloud and table."""
    from accuracy.job import FrameInput, GroundInput

    factor, about = given["combined_factor"], given["scale_about"]
    if (factor is None) != (about is None):
        raise RequestError(
            "--combined-factor and --scale-about belong together",
            remedy="Give the factor and the grid coordinates of the point that it scales about.",
        )
    ground = None
    if factor is not None:
        ground = GroundInput(
            origin_name=f"the point {about[0]:g}, {about[1]:g}",
            grid_origin_m=about,
            combined_factor=factor,
        )
    return FrameInput(
        cloud_crs=given["crs"],
        cloud_unit=_unit(given["cloud_unit"]),
        cloud_height_unit=_unit(given["cloud_height_unit"]),
        cloud_heights=given["cloud_heights"],
        table_crs=given["checkpoints_crs"],
        table_heights=given["checkpoint_heights"],
        geoid=given["geoid"],
        grids=given["grids"],
        ground=ground,
    )


def class_request(given: Mapping[str, Any]) -> ClassRequest:
    """The standard and classes asked for; refused here, before any cloud is read, if impossible."""
    request = ClassRequest(
        standard=given["standard"],
        vertical_m=optional_length(given["vertical_class"]),
        horizontal_m=optional_length(given["horizontal_class"]),
        three_d_m=optional_length(given["three_d_class"]),
        class_name=given["class_name"],
    )
    check_request(request)
    return request


def selection(given: Mapping[str, Any]) -> PointSelection:
    """Which points are measured on."""
    from accuracy.reading.patches import PointSelection

    return PointSelection(
        classes=_numbers(given["classes"], "a point class"),
        returns=given["returns"],
        source_ids=_numbers(given["sources"], "a point source id"),
    )


def _numbers(text: str | None, what: str) -> frozenset[int] | None:
    if text is None:
        return None
    parts = [part.strip() for part in text.split(",")]
    wrong = next((part for part in parts if not part.isdecimal()), None)
    if wrong is not None:
        raise RequestError(f'"{wrong}" is not {what}', remedy="Write numbers with commas between: 2,9.")
    return frozenset(int(part) for part in parts)


def exclusions(ids: tuple[str, ...], reason: str | None) -> tuple[Exclusion, ...]:
    """The checkpoints that the user sets aside, each with the written reason."""
    if ids and not (reason and reason.strip()):
        raise RequestError(
            "checkpoints are to be set aside without a reason",
            remedy='Add --reason "..."; the report prints it.',
        )
    if reason and not ids:
        raise RequestError("a reason is given, but no checkpoint is set aside", remedy="Add --without ID.")
    return tuple(Exclusion(id=identifier, reason=(reason or "").strip()) for identifier in ids)


def checked_date(text: str | None) -> str | None:
    """An ISO date as given. Raises RequestError for anything else."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise RequestError(f'"{text}" is not a date', remedy="Write it as YYYY-MM-DD.") from None
