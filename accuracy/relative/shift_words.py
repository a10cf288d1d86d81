"""A fitted rigid shift -> its components, each with its uncertainty or None, and sentences.

After registration's fit. No numerics beyond turning axes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from accuracy.model import FloatArray, RigidShift, ShiftComponent
from accuracy.relative.rigid import RigidFit

_HIDDEN = 0.05
"""A component is reported if no more than this share of it lies along unseen directions."""
_FEW = 10


def describe(
    base: RigidShift,
    fit: RigidFit | None,
    why_not: str | None,
    centre_m: FloatArray | None = None,
    *,
    unseen_m: float = 0.0,
) -> RigidShift:
    """The noun that the report prints."""
    if fit is None or centre_m is None:
        words = (f"No rigid shift between {base.name_a} and {base.name_b}: {why_not}.",)
        return replace(base, why_not=why_not, words=words)
    horizontal = _horizontal(fit)
    translations = tuple(
        _component(fit, name, direction, unseen_m, turning=False)
        for name, direction in (*horizontal, ("up", np.array([0.0, 0.0, 1.0])))
    )
    rotations = tuple(
        _component(fit, name, np.eye(3)[k], unseen_m, turning=True)
        for k, name in enumerate(("about the long axis", "about the cross axis", "about the vertical"))
    )
    found = replace(
        base,
        planes=fit.planes,
        steep_planes=fit.steep_planes,
        centre_m=(float(centre_m[0]), float(centre_m[1]), float(centre_m[2])),
        translations=translations,
        rotations=rotations,
        rms_before_m=fit.rms_before_m,
        rms_after_m=fit.rms_after_m,
        misfit_ratio=fit.misfit_ratio,
    )
    return replace(found, words=_sentences(found, unmatched=fit.unmatched))


def _horizontal(fit: RigidFit) -> tuple[tuple[str, FloatArray], tuple[str, FloatArray]]:
    """Two horizontal directions: along and across, unless another pair parts seen from unseen better."""
    hidden = fit.unseen[:, 3:5]
    values, vectors = np.linalg.eigh(hidden.T @ hidden)
    if len(hidden) and values[1] > 0.5 and values[0] < 0.5:
        seen, unseen = vectors[:, 0], vectors[:, 1]
        seen = seen * np.sign(seen[np.argmax(np.abs(seen))])
        unseen = unseen * np.sign(unseen[np.argmax(np.abs(unseen))])
    else:
        seen, unseen = np.array([0.0, 1.0]), np.array([1.0, 0.0])
    pair = (np.append(unseen, 0.0), np.append(seen, 0.0))
    return ("horizontally, first axis", pair[0]), ("horizontally, second axis", pair[1])


def _component(
    fit: RigidFit, name: str, direction: FloatArray, unseen_m: float, *, turning: bool
) -> ShiftComponent:
    """``direction`` is in the fit's axes."""
    world = fit.axes.T @ direction
    share = np.zeros(6)
    if turning:
        share[:3] = direction
        scale = float(1 / fit.scale_m[int(np.argmax(direction))])
        value = float(direction @ fit.rotation)
    else:
        share[3:] = direction
        scale = 1.0
        value = float(direction @ fit.translation_m)
    hidden = float(np.sqrt(np.sum((fit.unseen @ share) ** 2))) if len(fit.unseen) else 0.0
    seen = hidden <= _HIDDEN
    variance = float(share @ fit.covariance @ share) + (hidden * unseen_m) ** 2
    if not turning and len(fit.unseen):
        # Before or after the rotation: an unseen shift does not point the same way.
        variance += (float(np.linalg.norm(fit.rotation)) * unseen_m) ** 2
    if not turning and world[2] == 0:
        name = f"horizontally towards {round(_bearing(world)) % 360}°"
    return ShiftComponent(
        name=name,
        easting=float(world[0]),
        northing=float(world[1]),
        up=float(world[2]),
        value=value if seen else None,
        standard_uncertainty=float(np.sqrt(variance)) * scale if seen else None,
    )


def _bearing(direction: FloatArray) -> float:
    return float(np.degrees(np.arctan2(direction[0], direction[1])) % 360)


def _sentences(found: RigidShift, *, unmatched: bool) -> tuple[str, ...]:
    flat = found.planes - found.steep_planes
    words = [
        f"{found.name_a} against {found.name_b}: {found.planes:,} patches of surface, {flat:,} of them lying "
        f"and {found.steep_planes:,} upright."
    ]
    blind = [c.name for c in found.translations if c.value is None]
    if blind:
        what = " and ".join(blind)
        if unmatched:
            reason = f"{found.name_b} has surfaces that would show it, but {found.name_a} does not meet them."
        elif found.steep_planes < _FEW:
            reason = "A road surface alone does not show it; walls, kerbs or posts would."
        else:
            reason = "The upright surfaces there face one way; others at an angle to them would show it."
        words.append(f"A shift {what} is not seen by this geometry. {reason}")
    if turned := [c.name for c in found.rotations if c.value is None]:
        words.append(f"A rotation {' or '.join(turned)} is not seen by this geometry.")
    words.append(
        "A shift common to both runs shows in neither; only checkpoints show that. The uncertainties hold "
        "for errors that differ from patch to patch, not for a bending of a whole run."
    )
    return tuple(words)
