"""A measured job -> the files of its result folder. After the pipeline, before the command line.

Everything is measured before the first byte is written, and every file is moved into place whole.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from accuracy.errors import RequestError
from accuracy.model import Patch, Progress, Result, RunRecord, TrajectorySeries, no_progress
from accuracy.reading.kept import digest, pack_patches
from accuracy.record import RESULT_NAME, result_bytes, write_atomically
from accuracy.reporting.render import write_report
from accuracy.reporting.tables import write_residuals_csv, write_residuals_gpkg
from accuracy.reporting.view import build
from accuracy.reporting.view_patches import patch_pictures

if TYPE_CHECKING:
    from accuracy.matching.template import Template
    from accuracy.pipeline import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Outputs:
    """What was written, in the order in which a person would open it."""

    paths: tuple[Path, ...]
    message: str | None
    """What could not be written, and how to get it."""


def check_folder(folder: Path) -> None:
    """Refuse a result folder that cannot be one, before any work is done. Raises RequestError."""
    if folder.exists() and not folder.is_dir():
        raise RequestError("is a file, not a folder", path=folder, remedy="Name another folder with --out.")


def pack(measured: Measured) -> tuple[Result, dict[str, bytes]]:
    """The record with the names and digests of its patch archives, and the archives by name."""
    result, patches = measured.result, measured.patches
    archives: dict[str, bytes] = {}
    numbers = {run: number for number, run in enumerate(patches, start=1)}

    def kept(record: RunRecord) -> RunRecord:
        name = "patches.npz" if len(patches) == 1 else f"patches-{numbers[record.name]:02d}.npz"
        if name not in archives:
            archives[name] = pack_patches(patches[record.name])
        return dataclasses.replace(record, patches_file=name, patches_sha256=digest(archives[name]))

    stamped = dataclasses.replace(
        result, run=kept(result.run), runs=tuple(kept(record) for record in result.runs)
    )
    return stamped, archives


def write_outputs(
    result: Result,
    archives: Mapping[str, bytes],
    folder: Path,
    *,
    series: Sequence[TrajectorySeries] | None = None,
    patches: Mapping[str, Patch] | None = None,
    templates: Mapping[str, Template] | None = None,
    pdf: bool = True,
    progress: Progress = no_progress,
) -> Outputs:
    """Write the record, the archives of its patches, the tables and the reports.

    Args:
        result: the record.
        archives: the kept patches by file name.
        folder: where to.
        series: the epochs behind each trajectory comparison, for its charts.
        patches: of the statement's run by checkpoint id, for pictures of its marks.
        templates: the flat marks by name, the user's own among them.
        pdf: whether to write the PDF.
        progress: told what is being done.
    """
    record = result_bytes(result)
    progress("Writing the report", 0, 1)
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in archives.items():
        write_atomically(folder / name, content)
    write_residuals_csv(result, folder / "residuals.csv")
    write_residuals_gpkg(result, folder / "residuals.gpkg")
    pictures = None
    if patches is not None and templates is not None:
        pictures = patch_pictures(result.run, patches, result.unit, templates)
    view = build(result, series=series, pictures=pictures, record_sha256=hashlib.sha256(record).hexdigest())
    written = write_report(view, folder, pdf=pdf)
    write_atomically(folder / RESULT_NAME, record)
    return Outputs(
        paths=(*written.paths, folder / RESULT_NAME, folder / "residuals.csv", folder / "residuals.gpkg"),
        message=written.message,
    )
