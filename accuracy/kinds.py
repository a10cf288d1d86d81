"""Values of the kind that is asked for, and where in a file one is not. For job files and records.

The reading library takes 1 for true and "3" for 3; a file that a statement rests on is read to the letter.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, get_args

import cattrs
from cattrs.errors import BaseValidationError, ClassValidationError, IterableValidationError

_KINDS: Mapping[type, str] = {str: "a text", float: "a number", int: "a whole number", bool: "true or false"}


def read_strictly(converter: cattrs.Converter) -> None:
    """Let the converter take texts, finite numbers, whole numbers and true or false for just that."""
    for kind in _KINDS:
        read = _reader(kind)
        converter.register_structure_hook(kind, read)
        converter.register_structure_hook(
            kind | None, lambda value, _, read=read: None if value is None else read(value, None)
        )
    # These are texts as well, and would be left as texts.
    converter.register_structure_hook(StrEnum, _choice)


def strict_text(value: Any) -> str:
    """The value if it is a text. Raises TypeError."""
    text: str = _reader(str)(value, None)
    return text


def _reader(kind: type) -> Any:
    def read(value: Any, _: Any) -> Any:
        whole_for_real = kind is float and isinstance(value, int) and not isinstance(value, bool)
        if not whole_for_real and type(value) is not kind:
            raise TypeError(f"{_shown(value)} is not {_KINDS[kind]}")
        if kind is float and not math.isfinite(value):
            raise ValueError(f"{value} is not a finite number")
        return kind(value)

    return read


def _choice(value: Any, wanted: Any) -> StrEnum:
    if value not in list(wanted):
        raise ValueError(f"{_shown(value)} is none of {', '.join(wanted)}")
    chosen: StrEnum = wanted(value)
    return chosen


def _shown(value: Any) -> str:
    # As the files write them.
    words = {True: "true", False: "false", None: "null"}
    return words[value] if value is None or isinstance(value, bool) else json.dumps(value, default=str)


@dataclass(frozen=True, slots=True)
class Fault:
    """One complaint of the reading library."""

    error: BaseException
    kind: Any
    """What was wanted there; None where it does not say."""
    keys: tuple[Any, ...]
    """The way to it: keys of tables, places in lists counted from 0."""


def faults(error: BaseException, kind: Any = None, keys: tuple[Any, ...] = ()) -> Iterator[Fault]:
    """Every complaint in an error of the reading library, each with its place."""
    if isinstance(error, ClassValidationError):
        noted, bare = error.group_exceptions()
        for inner, note in noted:
            yield from faults(inner, note.type, (*keys, note.name))
    elif isinstance(error, IterableValidationError):
        entries, bare = error.group_exceptions()
        for inner, entry in entries:
            yield from faults(inner, entry.type, (*keys, entry.index))
    elif isinstance(error, BaseValidationError):
        bare = list(error.exceptions)
    else:
        yield Fault(error, kind, keys)
        return
    for inner in bare:
        yield from faults(inner, kind, keys)


def in_words(fault: Fault) -> str:
    """What the library says of a value, as a surveyor would put it."""
    words = str(fault.error)
    choices = re.fullmatch(r"(.*) not in literal typing.Literal\[(.*)\]", words)
    if choices:
        return f'"{choices[1]}" is none of {choices[2]}'.replace("'", "")
    count = re.match(r"(?:Not enough|Too many) values in (.*) to structure as", words, flags=re.DOTALL)
    if count:
        return f"{count[1]} does not hold the {len(get_args(fault.kind))} values that are wanted here"
    if words.endswith("not iterable"):
        return "a list is wanted here"
    if re.search(r"not (subscriptable|a mapping)|has no attribute", words):
        return "a table of keys and values is wanted here"
    if re.search(r" is (not (a|true)|none of) ", words) or fault.kind is None:
        return words
    return f"{words or type(fault.error).__name__} (wanted: {getattr(fault.kind, '__name__', fault.kind)})"


def place(keys: Sequence[Any], whole: Any) -> str | None:
    """The way to a fault as a person would find it: ``key run 2.speed_km_per_h``.

    An entry of a list that has an id or a name is told by it as well: ``checkpoints 3 (TQ03)``.
    """
    words = ""
    for key in keys:
        try:
            whole = whole[key]
        except (KeyError, IndexError, TypeError):
            whole = None
        if isinstance(key, int):
            called = whole.get("id", whole.get("name")) if isinstance(whole, Mapping) else None
            words += f" {key + 1}" + (f" ({called})" if isinstance(called, str) and called else "")
        else:
            words += f".{key}"
    return f"key {words.strip('.')}" if words else None
