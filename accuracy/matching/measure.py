"""One checkpoint and its patch -> height residual and horizontal residual, by the point's mark."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from accuracy.matching.surface import SurfaceSettings, measure_height
from accuracy.model import (
    Checkpoint,
    FaceResidual,
    HorizontalResidual,
    NotMeasured,
    Patch,
    Reason,
    VerticalResidual,
)

Covariance = tuple[float, float, float]
SURFACE_NAMES = ("smallest_radius_m", "largest_radius_m")


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchingSettings:
    """How the marks and surfaces are sought."""

    surface: SurfaceSettings = field(default_factory=SurfaceSettings)


def matching_settings(changed: Mapping[str, float]) -> MatchingSettings:
    """The settings with some of them changed, by name: those of SURFACE_NAMES."""
    surface = {name: changed[name] for name in SURFACE_NAMES if name in changed}
    return MatchingSettings(surface=replace(SurfaceSettings(), **surface))  # type: ignore[arg-type]


def measure_checkpoint(
    checkpoint: Checkpoint, patch: Patch, settings: MatchingSettings
) -> tuple[VerticalResidual | NotMeasured, HorizontalResidual | NotMeasured, FaceResidual | None]:
    """Height, horizontal position and face offset of one checkpoint, each measured or with a reason."""
    vertical = measure_height(patch, survey_sigma_m=checkpoint.sigma_height_m, settings=settings.surface)
    observed = observed_residual(checkpoint)
    if observed is not None:
        return vertical, observed, None
    return vertical, _no_mark(), None


def _no_mark() -> NotMeasured:
    return NotMeasured(
        code=Reason.NO_MARK,
        reason="A plain surface says nothing about horizontal position: the table names no mark here "
        "and gives no coordinates observed in the cloud.",
    )


def survey_covariance_m2(checkpoint: Checkpoint) -> Covariance | None:
    """The survey's horizontal covariance; None where the table gives no uncertainty."""
    if checkpoint.sigma_easting_m is None or checkpoint.sigma_northing_m is None:
        return None
    return checkpoint.sigma_easting_m**2, checkpoint.sigma_northing_m**2, 0.0


def observed_residual(checkpoint: Checkpoint) -> HorizontalResidual | None:
    """Residual of coordinates that an operator read in the cloud; None where none were read.

    The operator's own reading error is not known, so only the survey's uncertainty is stated.
    """
    if checkpoint.observed_easting_m is None or checkpoint.observed_northing_m is None:
        return None
    covariance = survey_covariance_m2(checkpoint)
    height = checkpoint.observed_height_m
    return HorizontalResidual(
        method="observed",
        residual_easting_m=checkpoint.observed_easting_m - checkpoint.easting_m,
        residual_northing_m=checkpoint.observed_northing_m - checkpoint.northing_m,
        standard_uncertainty_m=None if covariance is None else math.sqrt((covariance[0] + covariance[1]) / 2),
        covariance_m2=covariance,
        residual_height_m=None if height is None else height - checkpoint.height_m,
        mark=checkpoint.mark,
    )
