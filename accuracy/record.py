"""result.json: the one complete record of a job, written and read here and nowhere else.

The keys are the field names of the nouns in ``accuracy.model``; values are raw, in metres, never
rounded. The statement's run stands at the top level, so that the core of the record reads the
same for one run and for many. The same nouns always give the same bytes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cattrs
from cattrs.errors import BaseValidationError

from accuracy.errors import RecordError
from accuracy.model import (
    HorizontalResidual,
    NotMeasured,
    Result,
    RunRecord,
    VerticalResidual,
)

SCHEMA = "accuracy-result/1"
RESULT_NAME = "result.json"


def _converter() -> cattrs.Converter:
    converter = cattrs.Converter(forbid_extra_keys=True, detailed_validation=True)

    def measured_or_not(measured_class: type[Any]) -> Any:
        def structure(value: Mapping[str, Any], _: Any) -> Any:
            return converter.structure(value, measured_class if value["measured"] else NotMeasured)

        return structure

    converter.register_structure_hook(VerticalResidual | NotMeasured, measured_or_not(VerticalResidual))
    converter.register_structure_hook(HorizontalResidual | NotMeasured, measured_or_not(HorizontalResidual))
    return converter


_CONVERTER = _converter()
_RUN_KEYS = tuple(RunRecord.__dataclass_fields__)


def result_to_mapping(result: Result) -> dict[str, Any]:
    """The record as plain JSON values, the statement's run spread over the top level."""
    whole: dict[str, Any] = _CONVERTER.unstructure(result)
    run = whole.pop("run")
    head = {key: whole.pop(key) for key in ("schema", "software", "title")}
    return {**head, "run": run.pop("name"), **run, **whole}


def result_from_mapping(mapping: Mapping[str, Any], *, path: Path | None = None) -> Result:
    """The record's nouns again.

    Raises RecordError for another schema and for a record that is not complete.
    """
    if mapping.get("schema") != SCHEMA:
        raise RecordError(
            f'the schema is "{mapping.get("schema")}", and this version reads "{SCHEMA}"',
            path=path,
            remedy="Open it with the version that wrote it, or measure again.",
        )
    rest = dict(mapping)
    run = {key: rest.pop(key) for key in _RUN_KEYS if key != "name" and key in rest}
    run["name"] = rest.pop("run", None)
    try:
        return _CONVERTER.structure({**rest, "run": run}, Result)
    except (BaseValidationError, KeyError, TypeError, ValueError) as error:
        raise RecordError(
            "the record is not complete: " + "; ".join(_complaints(error)),
            path=path,
            remedy="Restore it from the original result folder, or measure again.",
        ) from error


def _complaints(error: BaseException) -> list[str]:
    if isinstance(error, BaseValidationError):
        return cattrs.transform_error(error)[:3]
    return [str(error)]


def write_atomically(path: Path, content: bytes) -> None:
    """Write beside ``path`` and move into place, so that no half-written file is ever seen."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.writing")
    try:
        beside.write_bytes(content)
        os.replace(beside, path)  # noqa: PTH105 - atomic on every system, as Path.replace is
    finally:
        beside.unlink(missing_ok=True)


def result_bytes(result: Result) -> bytes:
    """The record as a file. NaN has no place in it: a figure that does not exist is null."""
    text = json.dumps(result_to_mapping(result), indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode()


def read_result(folder_or_file: Path) -> Result:
    """Read the record of a result folder.

    Raises RecordError when it is missing, damaged, incomplete or of another schema.
    """
    path = folder_or_file / RESULT_NAME if folder_or_file.is_dir() else folder_or_file
    try:
        mapping = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise RecordError(
            f"there is no {RESULT_NAME} here",
            path=folder_or_file,
            remedy="Name the folder that a check was written to with --out.",
        ) from None
    except (ValueError, OSError) as error:
        raise RecordError(
            f"it cannot be read: {error}",
            path=path,
            remedy="Restore it from the original result folder, or measure again.",
        ) from error
    if not isinstance(mapping, dict):
        raise RecordError(
            "it holds no record", path=path, remedy="Name a folder that a check was written to."
        )
    return result_from_mapping(mapping, path=path)
