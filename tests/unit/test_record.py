"""result.json: read to the letter, or refused with the place of the fault."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import report_cases
from accuracy.errors import RecordError
from accuracy.model import Component, Result, Role
from accuracy.record import read_result, read_sealed, result_bytes


@pytest.fixture(scope="module")
def written() -> tuple[Result, bytes]:
    """An invented result and its file."""
    result: Result = report_cases.make(horizontal=True)
    return result, result_bytes(result)


def changed(folder: Path, content: bytes, change: Callable[[dict[str, Any]], object]) -> Path:
    """A result folder with a record that was changed after it was written."""
    record = json.loads(content)
    change(record)
    (folder / "result.json").write_text(json.dumps(record))
    return folder


def test_a_record_is_read_as_it_was_written(written: tuple[Result, bytes], tmp_path: Path) -> None:
    """Every noun comes back equal, words of a choice as the choice, and the seal fits."""
    result, content = written
    (tmp_path / "result.json").write_bytes(content)
    again, sealed = read_sealed(tmp_path)
    assert again == result
    assert sealed
    assert isinstance(again.run.checkpoints[0].role, Role)
    assert isinstance(again.run.verdicts[0].component, Component)
    assert result_bytes(again) == content


def test_blanks_and_the_order_of_keys_are_not_what_a_record_says(
    written: tuple[Result, bytes], tmp_path: Path
) -> None:
    """A record that a program wrote anew without changing anything is read."""
    record = json.loads(written[1])
    (tmp_path / "result.json").write_text(json.dumps(dict(reversed(record.items())), indent=4))
    assert read_result(tmp_path) == written[0]


def test_a_record_without_a_seal_is_read_and_told(written: tuple[Result, bytes], tmp_path: Path) -> None:
    """Records of before there were seals stay readable, and nobody is told that they are whole."""
    folder = changed(tmp_path, written[1], lambda record: record.pop("seal"))
    assert read_sealed(folder) == (written[0], False)


NAN, INFINITE = float("nan"), float("inf")
VALUES = [
    (("vertical", "residual_m"), NAN, r"vertical\.residual_m: .*nan is not a finite number"),
    (("vertical", "residual_m"), INFINITE, r"vertical\.residual_m: .*inf is not a finite number"),
    (("vertical", "residual_m"), "0.01", r'vertical\.residual_m: .*"0\.01" is not a number'),
    (("vertical", "residual_m"), True, r"vertical\.residual_m: .*true is not a number"),
    (("vertical", "residual_m"), 0.001, "changed after it was written: its seal does not fit"),
    (("vertical", "points"), 3.5, r"vertical\.points: .*3\.5 is not a whole number"),
    (("vertical", "measured"), "yes", 'vertical: .*"yes" is not true or false'),
    (("vertical", "measured"), 1, "vertical: .*1 is not true or false"),
    (("vertical", "surface"), "cone", r'vertical\.surface: .*"cone" is none of plane, quadratic'),
    (("vertical",), None, "vertical: .*a table of keys and values is wanted here"),
    (("used",), "yes", r'used: .*"yes" is not true or false'),
    (("used",), False, "its seal does not fit"),
    (("role",), "king", 'role: .*"king" is none of check, control'),
    (("sigma_height_m",), NAN, "sigma_height_m: .*nan is not a finite number"),
    (("easting_m",), 352_401.0, "its seal does not fit"),
    (("colour",), "red", 'keys that this version does not know: "colour"'),
]


@pytest.mark.parametrize(("keys", "value", "message"), VALUES)
def test_a_value_changed_by_hand_is_refused(
    written: tuple[Result, bytes], tmp_path: Path, keys: tuple[str, ...], value: object, message: str
) -> None:
    """Whatever is edited at a checkpoint, the message names the file and, if the kind is wrong, the place."""

    def change(record: dict[str, Any]) -> None:
        there = record["checkpoints"][2]
        for key in keys[:-1]:
            there = there[key]
        there[keys[-1]] = value

    folder = changed(tmp_path, written[1], change)
    with pytest.raises(RecordError, match=message) as caught:
        read_result(folder)
    assert caught.value.path == folder / "result.json"
    if "seal" not in message:
        assert "key checkpoints 3 (TQ03)" in str(caught.value)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda record: record.pop("summary"), "key summary: the record is not complete"),
        (lambda record: record.update(checkpoints=1), "key checkpoints: .*a list is wanted here"),
        (lambda record: record.update(runs=None), "key runs: .*a list is wanted here"),
        (lambda record: record.update(run=7), "key run: .*7 is not a text"),
        (lambda record: record.update(unit="cubit"), 'key unit: .*"cubit" is none of metre'),
        (lambda record: record.update(seal="00"), "key seal: .*its seal does not fit"),
        (lambda record: record["settings"].update(Radius=1), "key settings.Radius: .*1 is not a text"),
    ],
)
def test_a_record_changed_elsewhere_is_refused(
    written: tuple[Result, bytes], tmp_path: Path, change: Callable[[dict[str, Any]], object], message: str
) -> None:
    """Keys that are missing, of another kind or edited are refused wherever they stand."""
    with pytest.raises(RecordError, match=message):
        read_result(changed(tmp_path, written[1], change))
