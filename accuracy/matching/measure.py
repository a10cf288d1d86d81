"""One checkpoint and its patch -> height residual and horizontal residual, by the point's mark."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from accuracy.matching.corner import measure_corner
from accuracy.matching.face import measure_face
from accuracy.matching.pole import measure_pole
from accuracy.matching.sphere import measure_sphere
from accuracy.matching.surface import SurfaceSettings, measure_height
from accuracy.matching.target import TargetSettings, measure_target
from accuracy.matching.template import BUILT_IN, Template
from accuracy.model import (
    Checkpoint,
    FaceResidual,
    Flag,
    HorizontalResidual,
    NotMeasured,
    Patch,
    Reason,
    VerticalResidual,
)

Covariance = tuple[float, float, float]
SURFACE_NAMES = ("smallest_radius_m", "largest_radius_m")
# An operator's reading farther from the measured centre than this is worth a look: a footprint or two.
_READING_M = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchingSettings:
    """How the marks and surfaces are sought."""

    surface: SurfaceSettings = field(default_factory=SurfaceSettings)
    target: TargetSettings = field(default_factory=TargetSettings)
    templates: Mapping[str, Template] = field(default_factory=lambda: BUILT_IN)


def matching_settings(
    changed: Mapping[str, float], templates: Mapping[str, Template] | None = None
) -> MatchingSettings:
    """The settings with some of them changed by name: those of SURFACE_NAMES, and search_radius_m."""
    surface = {name: changed[name] for name in SURFACE_NAMES if name in changed}
    target = TargetSettings()
    if "search_radius_m" in changed:
        target = replace(target, search_radius_m=changed["search_radius_m"])
    return MatchingSettings(
        surface=replace(SurfaceSettings(), **surface),  # type: ignore[arg-type]
        target=target,
        templates={**BUILT_IN, **(templates or {})},
    )


def measure_checkpoint(
    checkpoint: Checkpoint, patch: Patch, settings: MatchingSettings
) -> tuple[VerticalResidual | NotMeasured, HorizontalResidual | NotMeasured, FaceResidual | None]:
    """Height, horizontal position and face offset of one checkpoint, each measured or with a reason."""
    vertical: VerticalResidual | NotMeasured
    if checkpoint.mark == "sphere":
        vertical = NotMeasured(
            code=Reason.NO_SURFACE,
            reason="The surveyed point is the centre of a sphere, not a point on the ground.",
        )
    else:
        vertical = measure_height(patch, survey_sigma_m=checkpoint.sigma_height_m, settings=settings.surface)
    horizontal, face = _position(checkpoint, patch, settings)
    observed = observed_residual(checkpoint)
    if observed is None:
        return vertical, horizontal, face
    read_m = observed.residual_height_m
    if isinstance(vertical, VerticalResidual) and read_m is not None:
        vertical = _height_held_against(vertical, read_m)
        read_m = None
    if isinstance(horizontal, NotMeasured):
        return vertical, observed, face
    return vertical, _held_against(horizontal, observed, read_m), face


def _position(  # noqa: PLR0911 - one return for each kind of mark
    checkpoint: Checkpoint, patch: Patch, settings: MatchingSettings
) -> tuple[HorizontalResidual | NotMeasured, FaceResidual | None]:
    """By the mark alone, whatever an operator saw."""
    mark, size_m = checkpoint.mark, checkpoint.mark_size_m
    survey = survey_covariance_m2(checkpoint)
    sigma_height_m = checkpoint.sigma_height_m
    search_m = settings.target.search_radius_m
    if mark == "none":
        return _no_mark(), None
    if mark == "corner":
        return (
            measure_corner(
                patch,
                survey_covariance_m2=survey,
                survey_sigma_height_m=sigma_height_m,
                search_radius_m=search_m,
            ),
            None,
        )
    if mark == "face":
        found = measure_face(
            patch, survey_covariance_m2=survey, survey_sigma_height_m=sigma_height_m, search_radius_m=search_m
        )
        if isinstance(found, NotMeasured):
            return found, None
        return _one_component(), found
    if size_m is None:
        return NotMeasured(
            code=Reason.NO_MARK, reason=f'The table gives no size for the mark "{mark}": add mark_size.'
        ), None
    if mark in ("sphere", "pole"):
        measure_solid = measure_sphere if mark == "sphere" else measure_pole
        return (
            measure_solid(
                patch,
                diameter_m=size_m,
                survey_covariance_m2=survey,
                survey_sigma_height_m=sigma_height_m,
                search_radius_m=search_m,
            ),
            None,
        )
    return (
        measure_target(
            patch,
            mark=mark,
            mark_size_m=size_m,
            survey_covariance_m2=survey,
            settings=settings.target,
            templates=settings.templates,
        ),
        None,
    )


def _no_mark() -> NotMeasured:
    return NotMeasured(
        code=Reason.NO_MARK,
        reason="A plain surface says nothing about horizontal position: the table names no mark here "
        "and gives no coordinates observed in the cloud.",
    )


def _one_component() -> NotMeasured:
    return NotMeasured(
        code=Reason.ONE_COMPONENT,
        reason="A face shows one component only, along its normal; faces that look different ways "
        "combine into a shift of the run.",
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


def _height_held_against(measured: VerticalResidual, read_m: float) -> VerticalResidual:
    """The surface's height with its difference from the residual that the operator read."""
    difference_m = measured.residual_m - read_m
    flags = _with_doubt(measured.flags, abs(difference_m))
    return replace(measured, observed_difference_m=difference_m, flags=flags)


def _held_against(
    measured: HorizontalResidual, observed: HorizontalResidual, read_m: float | None
) -> HorizontalResidual:
    """The mark's position with its difference from what the operator saw.

    ``read_m`` is the height that was read, where no surface was measured to hold it against.
    """
    east = measured.residual_easting_m - observed.residual_easting_m
    north = measured.residual_northing_m - observed.residual_northing_m
    up = None
    if read_m is not None and measured.residual_height_m is not None:
        up = measured.residual_height_m - read_m
    return replace(
        measured,
        observed_difference_m=(east, north),
        observed_height_difference_m=up,
        flags=_with_doubt(measured.flags, max(math.hypot(east, north), abs(up or 0.0))),
    )


def _with_doubt(flags: tuple[Flag, ...], difference_m: float) -> tuple[Flag, ...]:
    return (*flags, Flag.OBSERVED_DISAGREES) if difference_m > _READING_M else flags
