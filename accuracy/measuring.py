"""One checkpoint measured: from its surveyed coordinates and its patch to a CheckpointResult.

Part of the pipeline: after matching, before grading.
"""

from __future__ import annotations

from collections.abc import Mapping

from accuracy.errors import RequestError
from accuracy.matching.measure import MatchingSettings, matching_settings, measure_checkpoint
from accuracy.model import Checkpoint, CheckpointResult, Patch, Role


def measuring_words(changed: Mapping[str, float]) -> dict[str, str]:
    """The settings of the measurement in words, for the record; ``changed`` are those of the user."""
    settings = matching_settings(changed)
    words = {"largest surface radius": f"{settings.surface.largest_radius_m:g} m"}
    if "smallest_radius_m" in changed:
        words["smallest surface radius"] = f"{settings.surface.smallest_radius_m:g} m"
    return words | {"search radius for marks": f"{settings.target.search_radius_m:g} m"}


def check_radius(changed: Mapping[str, float], kept_m: float) -> None:
    """Refuse a surface radius beyond the points that are kept. Raises RequestError."""
    largest_m = changed.get("largest_radius_m", 0.0)
    if largest_m > kept_m:
        raise RequestError(
            f"a surface radius of {largest_m:g} m reaches beyond the {kept_m:g} m that are kept around each "
            "checkpoint",
            remedy=f"Ask for {kept_m:g} m at most.",
        )


def checkpoint_result(
    point: Checkpoint, patch: Patch, settings: MatchingSettings, why_excluded: str | None
) -> CheckpointResult:
    """Measure one checkpoint, and say whether it counts."""
    vertical, horizontal, face = measure_checkpoint(point, patch, settings)
    why: str | None = None
    if point.role is Role.CONTROL:
        why = "control point: it helped to make the cloud, so it cannot test it"
    elif why_excluded is not None:
        why = f"set aside by the user: {why_excluded}"
    elif not vertical.measured and not horizontal.measured and face is None:
        why = vertical.reason
    return CheckpointResult(
        id=point.id,
        easting_m=point.easting_m,
        northing_m=point.northing_m,
        height_m=point.height_m,
        sigma_easting_m=point.sigma_easting_m,
        sigma_northing_m=point.sigma_northing_m,
        sigma_height_m=point.sigma_height_m,
        cover=point.cover,
        role=point.role,
        mark=point.mark,
        mark_size_m=point.mark_size_m,
        used=why is None,
        why_not_used=why,
        vertical=vertical,
        horizontal=horizontal,
        face=face,
        attributes=dict(point.attributes),
        observed_easting_m=point.observed_easting_m,
        observed_northing_m=point.observed_northing_m,
        observed_height_m=point.observed_height_m,
    )
