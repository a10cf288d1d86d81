"""The patches kept beside the record, so that a recheck needs no cloud. After patches.

One NumPy archive (a zip of plain arrays, readable without this program): the points of all
checkpoints one after another, ``count`` saying how many belong to each ``id``. Offsets from the
checkpoint are whole numbers of 10 micrometres. The measurement itself runs on the rounded offsets,
so a recheck repeats it to the last bit.
"""

from __future__ import annotations

import dataclasses
import hashlib
import io
import zipfile
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accuracy.errors import RecordError
from accuracy.model import FloatArray, InputFile, LeftOut, Patch, Result

# Fine against any survey, coarse enough for four metres to fit easily into 32 bits.
_UNITS_PER_M = 100_000
_FORMAT = "accuracy-patches/2"
RESTORE = "Restore it from the original result folder, or measure again with the cloud."
_OFFSETS = ("east_m", "north_m", "up_m")
_OPTIONAL = ("intensity", "red", "green", "blue", "gps_time_s")
_CODES = ("classification", "return_number", "number_of_returns", "source_id")
_SCALARS = ("whole_radius_m", "outer_radius_m", "outer_share")

MARKS_NAME = "marks.toml"
"""The user's own marks are kept under this name beside the record, so that it stands by itself."""


def rounded(patch: Patch) -> Patch:
    """The patch as it will be kept: offsets rounded to 10 micrometres."""
    east_m, north_m, up_m = (_from_units(_to_units(getattr(patch, name))) for name in _OFFSETS)
    return dataclasses.replace(patch, east_m=east_m, north_m=north_m, up_m=up_m)


def _to_units(offset_m: FloatArray) -> NDArray[np.int32]:
    return np.rint(offset_m * _UNITS_PER_M).astype(np.int32)


def _from_units(units: NDArray[np.int32]) -> FloatArray:
    return units / _UNITS_PER_M


def pack_patches(patches: Sequence[Patch]) -> bytes:
    """The archive's bytes; the same patches always give the same bytes."""
    arrays: dict[str, NDArray[Any]] = {
        "format": np.array(_FORMAT),
        "id": np.array([patch.checkpoint_id for patch in patches], dtype=np.str_),
        "count": np.array([len(patch) for patch in patches], dtype=np.int64),
        "time_kind": np.array([patch.time_kind for patch in patches], dtype=np.str_),
    }
    for name in _SCALARS:
        arrays[name] = np.array([getattr(patch, name) for patch in patches], dtype=np.float64)
    for why in LeftOut:
        counts = [patch.left_out.get(why, 0) for patch in patches]
        arrays[f"left_out_{why}"] = np.array(counts, dtype=np.int64)
    for name in _OFFSETS:
        arrays[name[:-2] + "_10um"] = _joined([_to_units(getattr(patch, name)) for patch in patches])
    for name in _CODES:
        arrays[name] = _joined([getattr(patch, name) for patch in patches])
    for name in _OPTIONAL:
        values = [getattr(patch, name) for patch in patches]
        arrays[f"has_{name}"] = np.array([value is not None for value in values], dtype=np.bool_)
        arrays[name] = _joined([np.zeros(0) if value is None else _narrow(name, value) for value in values])
    return archive_of(arrays)


def archive_of(arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """An archive's bytes."""
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)  # type: ignore[arg-type]
    return buffer.getvalue()


def _narrow(name: str, values: FloatArray) -> NDArray[Any]:
    """Counts are stored as 16-bit whole numbers where that loses nothing."""
    if name != "gps_time_s":
        whole = values.astype(np.uint16)
        if np.array_equal(whole, values):
            return whole
    return values


def _joined(parts: list[NDArray[Any]]) -> NDArray[Any]:
    return np.concatenate(parts) if parts else np.zeros(0)


def digest(content: bytes) -> str:
    """SHA-256 of an archive, as the record states it."""
    return hashlib.sha256(content).hexdigest()


def load_patches(path: Path, *, sha256: str) -> Mapping[str, Patch]:
    """Patches by checkpoint id.

    Raises RecordError when the archive is missing, is not the one that the record was made
    from (its SHA-256 differs), or cannot be read.
    """
    content = archive_bytes(path, sha256=sha256, what="patches")
    return _unpacked(arrays_of(content, what="patches", written_as=_FORMAT, path=path))


def archive_bytes(path: Path, *, sha256: str, what: str) -> bytes:
    """An archive beside the record as it is; ``what`` it keeps is named where it is refused.

    Raises RecordError where it is missing, or not the one that the record was made from.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise RecordError(
            f"the kept {what} cannot be read: {error.strerror}", path=path, remedy=RESTORE
        ) from error
    check_archive(content, sha256=sha256, what=what, path=path)
    return content


def check_archive(content: bytes, *, sha256: str, what: str, path: Path) -> None:
    """Raise RecordError where the content is not the one that the record was made from."""
    found = digest(content)
    if found != sha256:
        raise RecordError(
            f"the kept {what} are not those of the record: their SHA-256 differs, {found[:16]}... "
            f"where the record says {sha256[:16]}...",
            path=path,
            remedy=RESTORE,
        )


def arrays_of(content: bytes, *, what: str, written_as: str, path: Path) -> dict[str, NDArray[Any]]:
    """The arrays of an archive by name. Raises RecordError for a damaged one, or one of another format."""
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as archive:
            arrays = {name: archive[name] for name in archive.files}
    except (ValueError, OSError, EOFError, TypeError, zipfile.BadZipFile, zlib.error) as error:
        raise RecordError(f"the kept {what} are damaged: {error}", path=path, remedy=RESTORE) from error
    if str(arrays.get("format")) != written_as:
        raise RecordError(
            f'the kept {what} have the format "{arrays.get("format")}", and this version reads '
            f'"{written_as}"',
            path=path,
            remedy="Open them with the version that wrote them, or measure again with the cloud.",
        )
    return arrays


def _unpacked(arrays: Mapping[str, NDArray[Any]]) -> Mapping[str, Patch]:
    ends = np.cumsum(arrays["count"])
    starts = ends - arrays["count"]
    optional_ends = {name: np.cumsum(arrays["count"] * arrays[f"has_{name}"]) for name in _OPTIONAL}
    patches = {}
    for index, identifier in enumerate(arrays["id"]):
        here = slice(int(starts[index]), int(ends[index]))
        fields: dict[str, Any] = {name: arrays[name][here] for name in _CODES}
        for name in _OFFSETS:
            fields[name] = _from_units(arrays[name[:-2] + "_10um"][here])
        for name in _OPTIONAL:
            if arrays[f"has_{name}"][index]:
                end = int(optional_ends[name][index])
                values = arrays[name][end - int(arrays["count"][index]) : end]
                fields[name] = values.astype(np.float64)
        for name in _SCALARS:
            fields[name] = float(arrays[name][index])
        counts = {why: int(arrays[f"left_out_{why}"][index]) for why in LeftOut}
        fields["left_out"] = {why: count for why, count in counts.items() if count}
        fields["time_kind"] = str(arrays["time_kind"][index])
        patches[str(identifier)] = Patch(checkpoint_id=str(identifier), **fields)
    return patches


def marks_to_keep(result: Result, path: Path | None = None) -> dict[str, bytes]:
    """The file of the user's own marks by the name it is kept under; nothing where there is none.

    It is read where the record says that it lies, or at ``path``; a file that is not the record's is
    not kept.
    """
    given = given_marks(result)
    if given is None:
        return {}
    place = path or Path(given.path)
    if not place.is_file():
        return {}
    content = place.read_bytes()
    return {MARKS_NAME: content} if digest(content) == given.sha256 else {}


def given_marks(result: Result) -> InputFile | None:
    """The file of the user's own marks, among the record's inputs."""
    return next((one for one in result.inputs if one.role == "template"), None)
