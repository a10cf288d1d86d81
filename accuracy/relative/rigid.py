"""The noun between registration, which fits a rigid shift, and shift_words, which tells it."""

from __future__ import annotations

from dataclasses import dataclass

from accuracy.model import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RigidFit:
    """Shift of a from b about ``centre_m``, and what is known of it: p_a = R (p_b - c) + c + t."""

    rotation: FloatArray
    """(3,) rotation vector, radians."""
    translation_m: FloatArray
    """(3,)"""
    covariance: FloatArray
    """(6, 6) of rotation x scale then translation, within the seen directions, misfit included."""
    scale_m: FloatArray
    """(3,) lever by which a rotation about each axis counts as metres."""
    axes: FloatArray
    """(3, 3) rows: the axes that parameters refer to (along, across, up for a corridor)."""
    unseen: FloatArray
    """(k, 6) orthonormal scaled directions that the geometry does not show."""
    planes: int
    steep_planes: int
    unmatched: bool
    """Whether b's surfaces would show more than those that a meets."""
    rms_before_m: float | None
    rms_after_m: float
    misfit_ratio: float
