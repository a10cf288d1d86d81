"""The kept patches measured again, for a recheck: as the first time, or within another radius.

Part of the pipeline: patches and a record's checkpoints in, their residuals and what differs out.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from accuracy.matching.measure import matching_settings
from accuracy.measuring import check_radius, checkpoint_result, measuring_words
from accuracy.model import Checkpoint, CheckpointResult, Patch, Progress, Result, RunRecord
from accuracy.picturing import own_marks
from accuracy.reading.kept import load_patches
from accuracy.rounding import shortened

_MEASURED = ("vertical", "horizontal", "face")
_MOST_NAMED = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Remeasured:
    """One run measured again."""

    checkpoints: tuple[CheckpointResult, ...]
    other_radius: bool
    differing: tuple[str, ...]
    """The ids at which any measured value is not the record's."""
    remarks: tuple[str, ...]
    """What the report's first page must say of it."""
    cut: str | None
    """Where points were thinned within the radius asked for, and what was done."""


def with_radius(measuring: Mapping[str, float], radius_m: float | None) -> Mapping[str, float]:
    """The settings of the measurement with one radius for every checkpoint, where one is given."""
    if radius_m is None:
        return measuring
    return {**measuring, "smallest_radius_m": radius_m, "largest_radius_m": radius_m}


def measured_again(
    folder: Path, record: RunRecord, result: Result, measuring: Mapping[str, float], progress: Progress
) -> Remeasured:
    """Measure one run's kept patches.

    Raises RecordError for patches or marks that are not those of the record, RequestError for a
    radius beyond the patches.
    """
    settings = matching_settings(measuring, own_marks(folder, result))
    patches = load_patches(folder / str(record.patches_file), sha256=str(record.patches_sha256))
    check_radius(measuring, min(patch.outer_radius_m for patch in patches.values()))
    checkpoints = []
    for number, point in enumerate(record.checkpoints, start=1):
        progress(f"Measuring {record.label}", number, len(record.checkpoints))
        checkpoints.append(checkpoint_result(_as_surveyed(point), patches[point.id], settings, None))
    differing = tuple(
        before.id
        for before, after in zip(record.checkpoints, checkpoints, strict=True)
        if any(getattr(before, name) != getattr(after, name) for name in _MEASURED)
    )
    other_radius = measuring != result.measuring
    cut = where_thinned(patches.values(), measuring["largest_radius_m"]) if other_radius else None
    remarks = []
    if other_radius:
        remarks.append(
            f"Heights were measured again within {measuring['largest_radius_m']:g} m of each checkpoint."
        )
        remarks += [] if cut is None else [cut]
    elif differing:
        remarks.append(f"{_differ(differing)} when the kept patches were measured again.")
    return Remeasured(
        checkpoints=tuple(checkpoints),
        other_radius=other_radius,
        differing=differing,
        remarks=tuple(remarks),
        cut=cut,
    )


def where_thinned(patches: Collection[Patch], radius_m: float) -> str | None:
    """Thinned points would pass for sparse ones, so a surface ends where the thinning begins."""
    ends_m = [
        patch.whole_radius_m for patch in patches if patch.outer_share < 1 and patch.whole_radius_m < radius_m
    ]
    if not ends_m:
        return None
    low, high = f"{min(ends_m):.2g}", f"{max(ends_m):.2g}"
    reach = low if low == high else f"{low} to {high}"
    return (
        f"At {len(ends_m)} of {len(patches)} checkpoints the points beyond {reach} m were thinned when they "
        "were kept, so the heights there were measured within that radius."
    )


def _differ(ids: tuple[str, ...]) -> str:
    verb = "differs" if len(ids) == 1 else "differ"
    return f"The measurement at {shortened(ids, _MOST_NAMED)} {verb} from the record"


def new_settings(
    settings: Mapping[str, str], measuring: Mapping[str, float], statement: Remeasured
) -> Mapping[str, str]:
    """The record's settings in words, those of the measurement as they are now."""
    if not statement.other_radius:
        return settings
    words = measuring_words(measuring)
    if statement.cut is not None:
        words["largest surface radius"] += f". {statement.cut}"
    return {**settings, **words}


def told(fresh: Mapping[str, Remeasured], statement: str) -> list[str]:
    """What measuring again showed, for the end of the command."""
    if fresh[statement].other_radius:
        return list(fresh[statement].remarks)
    found = [f"{_differ(run.differing)} of run {name}." for name, run in fresh.items() if run.differing]
    many = f" of each of {len(fresh)} runs" if len(fresh) > 1 else ""
    count = len(fresh[statement].checkpoints)
    return found or [f"Measured again from the kept patches: all {count} checkpoints{many} are as recorded."]


def _as_surveyed(point: CheckpointResult) -> Checkpoint:
    return Checkpoint(
        **{
            field.name: getattr(point, field.name)
            for field in dataclasses.fields(Checkpoint)
            if field.name != "row"
        }
    )
