"""What the pictures of marks are drawn from: the kept patches and the outlines of the marks, kept as well.

Part of the pipeline: result folder in, patches and templates out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from accuracy.errors import RecordError
from accuracy.matching.template import BUILT_IN, Template, load_templates
from accuracy.model import Patch, Result
from accuracy.reading.kept import MARKS_NAME, digest, given_marks, load_patches


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pictured:
    """The statement's run as its cloud showed the marks."""

    patches: Mapping[str, Patch]
    """By checkpoint id."""
    templates: Mapping[str, Template]
    """Every flat mark by name, the user's own among them."""
    sentences: tuple[str, ...]
    """What could not be drawn, to be told besides."""


def pictured(folder: Path, result: Result) -> Pictured:
    """Load the patches of the statement's run. Raises RecordError where they are not those of the record."""
    run = result.run
    patches = load_patches(folder / str(run.patches_file), sha256=str(run.patches_sha256))
    try:
        own = own_marks(folder, result)
    except RecordError as error:
        sentence = f"Your own marks are drawn without their outline: {error}"
        return Pictured(patches=patches, templates=BUILT_IN, sentences=(sentence,))
    return Pictured(patches=patches, templates={**BUILT_IN, **own}, sentences=())


def own_marks(folder: Path, result: Result) -> Mapping[str, Template]:
    """The user's own marks, as they were measured with: kept beside the record, or where they were.

    Raises RecordError where they are in neither place, or are others than the record's.
    """
    given = given_marks(result)
    if given is None:
        return {}
    path = Path(given.path)
    for place in (folder / MARKS_NAME, path, folder / path.name):
        if place.is_file() and digest(place.read_bytes()) == given.sha256:
            return load_templates(place)
    raise RecordError(
        "the file of your own marks is not there, or not the one of the record",
        path=folder / MARKS_NAME,
        remedy=f"Lay {path.name} beside the record.",
    )
