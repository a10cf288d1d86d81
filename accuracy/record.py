"""result.json: the one complete record of a job, written and read here and nowhere else.

The keys are the field names of the nouns in ``accuracy.model``; values are raw, in metres, never
rounded. The statement's run stands at the top level, so that the core of the record reads the
same for one run and for many. The same nouns always give the same bytes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cattrs
from cattrs.errors import BaseValidationError, ForbiddenExtraKeysError

from accuracy.errors import RecordError
from accuracy.kinds import Fault, faults, in_words, place, read_strictly
from accuracy.model import (
    HorizontalResidual,
    NotMeasured,
    Result,
    RunRecord,
    VerticalResidual,
)

SCHEMA = "accuracy-result/1"
RESULT_NAME = "result.json"
SEAL = "seal"
_RESTORE = "Restore it from the original result folder, or measure again."


def _converter() -> cattrs.Converter:
    converter = cattrs.Converter(forbid_extra_keys=True, detailed_validation=True)
    read_strictly(converter)

    def measured_or_not(measured_class: type[Any]) -> Any:
        def structure(value: Mapping[str, Any], _: Any) -> Any:
            measured = converter.structure(value["measured"], bool)
            return converter.structure(value, measured_class if measured else NotMeasured)

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
    """The record's nouns again; a seal is left to ``read_sealed``.

    Raises RecordError for another schema, and for a record that is not complete or holds a value
    that is not of its kind, naming the place of it.
    """
    if mapping.get("schema") != SCHEMA:
        raise RecordError(
            f'the schema is "{mapping.get("schema")}", and this version reads "{SCHEMA}"',
            path=path,
            remedy="Open it with the version that wrote it, or measure again.",
        )
    rest = {key: value for key, value in mapping.items() if key != SEAL}
    run = {key: rest.pop(key) for key in _RUN_KEYS if key != "name" and key in rest}
    run["name"] = rest.pop("run", None)
    try:
        return _CONVERTER.structure({**rest, "run": run}, Result)
    except (BaseValidationError, KeyError, TypeError, ValueError) as error:
        fault = next(faults(error))
        keys = fault.keys
        if keys[:1] == ("run",):  # it stands at the top level of the file, its name as "run"
            keys = keys[:1] if keys[1:] == ("name",) else keys[1:]
        raise RecordError(
            _complaint(fault), path=path, place=place(keys, mapping), remedy=_RESTORE
        ) from error


def _complaint(fault: Fault) -> str:
    if isinstance(fault.error, KeyError):
        return "the record is not complete: this key is missing"
    if isinstance(fault.error, ForbiddenExtraKeysError):
        unknown = ", ".join(f'"{key}"' for key in sorted(fault.error.extra_fields))
        return f"the record has keys that this version does not know: {unknown}"
    return f"the record is damaged: {in_words(fault)}"


def result_bytes(result: Result) -> bytes:
    """The record as a file. NaN has no place in it: a figure that does not exist is null."""
    mapping = result_to_mapping(result)
    text = json.dumps({**mapping, SEAL: _seal(mapping)}, indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode()


def _seal(mapping: Mapping[str, Any]) -> str:
    """SHA-256 of all that a record says, whatever the order of its keys and its blanks.

    It shows slips and edits, not fraud: who changes the record on purpose can seal it anew. Against
    that stand the digital signature of the report, which prints the record's SHA-256, and measuring
    again from the kept patches.
    """
    said = {key: value for key, value in mapping.items() if key != SEAL}
    text = json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def read_result(folder_or_file: Path) -> Result:
    """Read the record of a result folder.

    Raises RecordError when it is missing, damaged, incomplete, of another schema or changed after it
    was written.
    """
    return read_sealed(folder_or_file)[0]


def read_sealed(folder_or_file: Path) -> tuple[Result, bool]:
    """The record, and whether it bears a seal: one without may have been changed unseen.

    Raises RecordError as ``read_result`` does.
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
    except (ValueError, OSError, RecursionError) as error:
        raise RecordError(f"it cannot be read: {error}", path=path, remedy=_RESTORE) from error
    if not isinstance(mapping, dict):
        raise RecordError(
            "it holds no record", path=path, remedy="Name a folder that a check was written to."
        )
    result = result_from_mapping(mapping, path=path)
    if SEAL in mapping and mapping[SEAL] != _seal(mapping):
        raise RecordError(
            "the record was changed after it was written: its seal does not fit what it says",
            path=path,
            place=f"key {SEAL}",
            remedy=_RESTORE,
        )
    return result, SEAL in mapping
