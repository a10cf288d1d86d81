"""One checkpoint measured: from its surveyed coordinates and its patch to a CheckpointResult.

Part of the pipeline: after matching, before grading.
"""

from __future__ import annotations

from accuracy.matching.measure import MatchingSettings, measure_checkpoint
from accuracy.model import Checkpoint, CheckpointResult, Patch, Role


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
