"""A measured job -> the files of its result folder. After the pipeline, before the command line.

Everything is measured and written before the first file is moved into place; what an earlier run left
there and this one does not write goes.
"""

from __future__ import annotations

import dataclasses
import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from accuracy.errors import RequestError
from accuracy.files import check_folder, write_atomically, written_together
from accuracy.model import Patch, Progress, Result, RunRecord, no_progress
from accuracy.reading.kept import MARKS_NAME, digest, marks_to_keep, pack_patches
from accuracy.reading.kept_drives import pack_drives, unpack_drives
from accuracy.record import RESULT_NAME, result_bytes
from accuracy.reporting.render import HTML_NAME, PDF_NAME, write_report
from accuracy.reporting.tables import write_residuals_csv, write_residuals_gpkg
from accuracy.reporting.view import build

if TYPE_CHECKING:
    from accuracy.matching.template import Template
    from accuracy.pipeline import Measured


CSV_NAME = "residuals.csv"
GPKG_NAME = "residuals.gpkg"
SIGNED_NAME = "report-signed.pdf"
DRIVES_NAME = "drives.npz"
_NAMES = (HTML_NAME, PDF_NAME, CSV_NAME, GPKG_NAME, DRIVES_NAME, RESULT_NAME, MARKS_NAME)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outputs:
    """What was written, in the order in which a person would open it."""

    paths: tuple[Path, ...]
    message: str | None
    """What could not be written, and how to get it."""


def check_result_folder(folder: Path) -> None:
    """Refuse a folder that cannot take a result, before any work is done.

    Raises OutputError where nothing can be written, RequestError where a signed report stands: it
    would speak of another result, and nobody but its signer may take it away.
    """
    check_folder(folder)
    if (folder / SIGNED_NAME).exists():
        raise RequestError(
            f"holds a signed report, {SIGNED_NAME}, of an earlier result",
            path=folder,
            remedy="Name a new folder with --out, or move the signed report away.",
        )


def _ours(name: str) -> bool:
    return name in _NAMES or re.fullmatch(r"patches(-\d+)?\.npz", name) is not None


def pack(measured: Measured) -> tuple[Result, dict[str, bytes]]:
    """The record with the names and digests of its archives, and the archives by name."""
    result, patches = measured.result, measured.patches
    archives: dict[str, bytes] = {}
    numbers = {label: number for number, label in enumerate(patches, start=1)}

    def kept(record: RunRecord) -> RunRecord:
        name = "patches.npz" if len(patches) == 1 else f"patches-{numbers[record.label]:02d}.npz"
        if name not in archives:
            archives[name] = pack_patches(patches[record.label])
        return dataclasses.replace(record, patches_file=name, patches_sha256=digest(archives[name]))

    stamped = dataclasses.replace(
        result, run=kept(result.run), runs=tuple(kept(record) for record in result.runs)
    )
    if measured.series:
        content = pack_drives(result.trajectories, measured.series)
        archives[DRIVES_NAME] = content
        stamped = dataclasses.replace(stamped, drives_file=DRIVES_NAME, drives_sha256=digest(content))
    return stamped, archives | marks_to_keep(result)


def write_outputs(
    result: Result,
    archives: Mapping[str, bytes],
    folder: Path,
    *,
    patches: Mapping[str, Patch] | None = None,
    templates: Mapping[str, Template] | None = None,
    pdf: bool = True,
    progress: Progress = no_progress,
) -> Outputs:
    """Write the record, its archives, the tables and the reports.

    The charts of trajectories are drawn from the archive of their epochs, so that every report that is
    made of a record shows the same.

    Args:
        result: the record.
        archives: the kept patches and epochs by file name.
        folder: where to.
        patches: of the statement's run by checkpoint id, for pictures of its marks.
        templates: the flat marks by name, the user's own among them.
        pdf: whether to write the PDF.
        progress: told what is being done.
    """
    record = result_bytes(result)
    progress("Writing the report", 0, 1)
    with written_together(folder, ours=_ours, last=RESULT_NAME) as staging:
        for name, content in archives.items():
            write_atomically(staging / name, content)
        write_residuals_csv(result, staging / CSV_NAME)
        write_residuals_gpkg(result, staging / GPKG_NAME)
        pictures = None
        if patches is not None and templates is not None:
            # Loaded only here: a recheck shows marks only where it is asked to.
            from accuracy.reporting.view_patches import patch_pictures

            pictures = patch_pictures(result.run, patches, result.unit, templates)
        digest_of_record = hashlib.sha256(record).hexdigest()
        series = None
        if result.drives_file is not None and result.drives_sha256 is not None:
            series = unpack_drives(
                archives[result.drives_file],
                result.trajectories,
                path=folder / result.drives_file,
                sha256=result.drives_sha256,
            )
        view = build(result, series=series, pictures=pictures, record_sha256=digest_of_record)
        written = write_report(view, staging, pdf=pdf)
        write_atomically(staging / RESULT_NAME, record)
    names = (*(path.name for path in written.paths), RESULT_NAME, CSV_NAME, GPKG_NAME)
    return Outputs(paths=tuple(folder / name for name in names), message=written.message)
