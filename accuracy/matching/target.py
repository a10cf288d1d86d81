"""Where a flat mark lies in the cloud: from the points around a checkpoint to its horizontal residual.

The last of the target modules; the pipeline calls ``measure_target``. Points are offsets from the
checkpoint, so the centre of the fitted template is the residual.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from accuracy.matching.target_field import raster_of
from accuracy.matching.target_fit import Priors
from accuracy.matching.target_lock import Lock, lock_on
from accuracy.matching.target_surface import Layer, layers
from accuracy.matching.template import Template
from accuracy.model import (
    Flag,
    FloatArray,
    HorizontalResidual,
    IntArray,
    NotMeasured,
    PassPosition,
    Patch,
    Reason,
)

# Luminance of red, green and blue: ITU-R BT.601, from memory.
_LUMINANCE = (0.299, 0.587, 0.114)


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetSettings:
    """How a flat mark is looked for."""

    search_radius_m: float = 0.5
    """The run's worst horizontal error: how far from the checkpoint the mark may appear."""
    pass_gap_s: float = 2.0
    """Points of one source further apart in time than this belong to different passes."""
    fewest_points: int = 40
    priors: Priors = field(default_factory=Priors)


def needed_radius_m(template: Template, mark_size_m: float, settings: TargetSettings) -> float:
    """How far from the checkpoint points are needed."""
    return settings.search_radius_m + raster_of(template).reach * mark_size_m


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A lock, turned back into east and north."""

    lock: Lock
    layer: Layer
    centre: FloatArray
    covariance: FloatArray
    channel: str
    source_id: int
    time_s: float | None


def measure_target(
    patch: Patch,
    *,
    mark: str,
    mark_size_m: float,
    survey_covariance_m2: tuple[float, float, float] | None,
    settings: TargetSettings,
    templates: Mapping[str, Template],
) -> HorizontalResidual | NotMeasured:
    """Position of a flat mark minus its surveyed position.

    Args:
        patch: points within ``needed_radius_m`` of the checkpoint.
        mark: name of the template.
        mark_size_m: its principal dimension.
        survey_covariance_m2: easting variance, northing variance, their covariance; None if unknown.
        settings: search radius and the like.
        templates: every template by name, built-in and the user's.
    """
    template = templates.get(mark)
    if template is None:
        known = ", ".join(sorted(templates))
        return NotMeasured(
            code=Reason.UNKNOWN_MARK, reason=f'No template is called "{mark}"; there are {known}.'
        )
    if not 0.02 <= mark_size_m <= 20.0:
        return NotMeasured(
            code=Reason.NO_MARK, reason=f"A mark of {mark_size_m:g} m cannot be looked for; 0.02 to 20 m can."
        )
    channels = _channels(patch)
    if not channels:
        return NotMeasured(
            code=Reason.NO_CHANNEL,
            reason="The points carry neither an intensity nor a colour that differs from point to point.",
        )
    radius = needed_radius_m(template, mark_size_m, settings)
    near = np.nonzero(
        (np.hypot(patch.east_m, patch.north_m) <= radius)
        & np.isfinite(patch.up_m)
        & np.all([np.isfinite(value) for value in channels.values()], axis=0)
    )[0]
    if len(near) < settings.fewest_points:
        return NotMeasured(
            code=Reason.TOO_FEW_POINTS,
            reason=f"Only {len(near)} points lie within {radius:.2f} m of the checkpoint.",
        )
    others = tuple(other for other in templates.values() if other is not template)
    results = [
        _in_channel(patch, near, name, value, template, others, mark_size_m, settings)
        for name, value in channels.items()
    ]
    seen = [result for result in results if not isinstance(result, NotMeasured)]
    if not seen:
        return next(result for result in results if isinstance(result, NotMeasured))
    best = min(seen, key=lambda found: np.trace(_combined(found)[1]))
    return _residual(best, template, mark_size_m, survey_covariance_m2)


def _channels(patch: Patch) -> dict[str, FloatArray]:
    found: dict[str, FloatArray] = {}
    if patch.intensity is not None and len(patch) and np.ptp(patch.intensity) > 0:
        found["intensity"] = patch.intensity
    if patch.red is not None and patch.green is not None and patch.blue is not None and len(patch):
        grey = _LUMINANCE[0] * patch.red + _LUMINANCE[1] * patch.green + _LUMINANCE[2] * patch.blue
        if np.ptp(grey) > 0:
            found["colour"] = grey
    return found


def passes_of(patch: Patch, near: IntArray, gap_s: float) -> list[IntArray]:
    """The points of each pass: by source, and by time where there is a pause; earliest first."""
    found = []
    for source in np.unique(patch.source_id[near]):
        members = near[patch.source_id[near] == source]
        if patch.gps_time_s is None:
            found.append(members)
            continue
        members = members[np.argsort(patch.gps_time_s[members], kind="stable")]
        pauses = np.nonzero(np.diff(patch.gps_time_s[members]) > gap_s)[0] + 1
        found.extend(np.split(members, pauses))
    return found


def scan_lines(time_s: FloatArray) -> IntArray | None:
    """Number of the scan line of each point (n,): points between two gaps in time; None without such gaps.

    A scanner that turns crosses the mark in a fraction of a turn, and comes back a turn later: the
    gap between lines is far longer than that between shots.
    """
    order = np.argsort(time_s, kind="stable")
    gaps = np.diff(time_s[order])
    positive = gaps[gaps > 0]
    if len(positive) < 8:
        return None
    breaks = gaps > 15 * float(np.median(positive))
    if breaks.sum() < 5:
        return None
    line = np.empty(len(time_s), dtype=np.int64)
    line[order] = np.concatenate(([0], np.cumsum(breaks)))
    return line


def _in_channel(
    patch: Patch,
    near: IntArray,
    channel: str,
    value: FloatArray,
    template: Template,
    others: tuple[Template, ...],
    size_m: float,
    settings: TargetSettings,
) -> list[_Seen] | NotMeasured:
    """The mark as each pass sees it, or as all together do where none does alone."""
    parts = [
        part for part in passes_of(patch, near, settings.pass_gap_s) if len(part) >= settings.fewest_points
    ]
    results = [_one_pass(patch, part, channel, value, template, others, size_m, settings) for part in parts]
    seen = [result for result in results if isinstance(result, _Seen)]
    if seen:
        return seen
    refusals = [result for result in results if isinstance(result, NotMeasured)]
    if len(parts) != 1:
        together = _one_pass(patch, near, channel, value, template, others, size_m, settings)
        if isinstance(together, _Seen):
            return [together]
        refusals.insert(0, together)
    return refusals[0]


def _one_pass(
    patch: Patch,
    part: IntArray,
    channel: str,
    value: FloatArray,
    template: Template,
    others: tuple[Template, ...],
    size_m: float,
    settings: TargetSettings,
) -> _Seen | NotMeasured:
    raster = raster_of(template)
    radius = needed_radius_m(template, size_m, settings)
    refusal: NotMeasured | None = None
    for layer in layers(patch.east_m[part], patch.north_m[part], patch.up_m[part], radius):
        index = part[layer.members]
        if len(index) < settings.fewest_points:
            continue
        line = None if patch.gps_time_s is None else scan_lines(patch.gps_time_s[index])
        lock = lock_on(
            raster,
            size_m,
            layer.x_m,
            layer.y_m,
            value[index],
            line=line,
            radius_m=settings.search_radius_m,
            priors=settings.priors,
            others=others,
        )
        if isinstance(lock, NotMeasured):
            refusal = refusal or lock
            continue
        along = 4 * layer.roughness_m**2 / len(index)
        time = None if patch.gps_time_s is None else float(np.median(patch.gps_time_s[index]))
        return _Seen(
            lock=lock,
            layer=layer,
            centre=layer.place(lock.x_m, lock.y_m),
            covariance=layer.horizontal(lock.covariance_m2, along),
            channel=channel,
            source_id=int(patch.source_id[part[0]]),
            time_s=time,
        )
    return refusal or NotMeasured(
        code=Reason.NO_SURFACE, reason="No flat surface was found around the checkpoint."
    )


_DISAGREE = 9.21
"""99 % point of chi-square with two degrees of freedom."""


def _combined(seen: list[_Seen]) -> tuple[FloatArray, FloatArray, bool]:
    """Weighted mean (2,) of what the passes saw, its covariance, and whether they disagree.

    The variance between passes is estimated from their differences (DerSimonian and Laird 1986)
    and carried into the weights and the covariance of the mean.
    """
    if len(seen) == 1:
        return seen[0].centre[:2], seen[0].covariance, False
    centres = np.array([found.centre[:2] for found in seen])
    weights = [np.linalg.inv(found.covariance) for found in seen]
    total = np.linalg.inv(np.sum(weights, axis=0))
    mean = total @ np.sum([w @ c for w, c in zip(weights, centres, strict=True)], axis=0)
    away = centres - mean
    q = float(sum(a @ w @ a for a, w in zip(away, weights, strict=True)))
    sizes = np.array([np.trace(w) for w in weights])
    between = max(0.0, (q - 2 * (len(seen) - 1)) / float(sizes.sum() - (sizes**2).sum() / sizes.sum()))
    weights = [np.linalg.inv(found.covariance + between * np.eye(2)) for found in seen]
    total = np.linalg.inv(np.sum(weights, axis=0))
    mean = total @ np.sum([w @ c for w, c in zip(weights, centres, strict=True)], axis=0)
    pairs = [(a, b) for number, a in enumerate(seen) for b in seen[number + 1 :]]
    differ = any(
        float(
            (a.centre - b.centre)[:2]
            @ np.linalg.solve(a.covariance + b.covariance, (a.centre - b.centre)[:2])
        )
        > _DISAGREE
        for a, b in pairs
    )
    return mean, total, differ


def _root_half_trace(covariance: FloatArray) -> float:
    return float(np.sqrt(np.trace(covariance) / 2))


def _residual(
    seen: list[_Seen],
    template: Template,
    size_m: float,
    survey_covariance_m2: tuple[float, float, float] | None,
) -> HorizontalResidual:
    centre, covariance, differ = _combined(seen)
    first = min(seen, key=lambda found: np.trace(found.covariance))
    survey = np.zeros((2, 2))
    if survey_covariance_m2 is not None:
        ee, nn, en = survey_covariance_m2
        survey = np.array([[ee, en], [en, nn]])
    whole = covariance + survey
    flags = list(dict.fromkeys(flag for found in seen for flag in found.lock.flags))
    if differ:
        flags.append(Flag.PASSES_DISAGREE)
    height = float(np.mean([found.centre[2] for found in seen])) if first.layer.is_wall else None
    passes = tuple(
        PassPosition(
            source_id=found.source_id,
            residual_easting_m=float(found.centre[0]),
            residual_northing_m=float(found.centre[1]),
            standard_uncertainty_m=_root_half_trace(found.covariance),
            time_s=found.time_s,
        )
        for found in seen
    )
    normal = first.layer.normal
    return HorizontalResidual(
        method="target",
        residual_easting_m=float(centre[0]),
        residual_northing_m=float(centre[1]),
        standard_uncertainty_m=_root_half_trace(whole),
        covariance_m2=(float(whole[0, 0]), float(whole[1, 1]), float(whole[0, 1])),
        measurement_covariance_m2=(float(covariance[0, 0]), float(covariance[1, 1]), float(covariance[0, 1])),
        residual_height_m=height,
        points=sum(found.lock.points for found in seen),
        channel="intensity" if first.channel == "intensity" else "colour",
        mark=template.name,
        mark_size_m=size_m,
        rotation_degrees=float(np.degrees(first.lock.rotation_rad)) % 360.0,
        edge_width_m=first.lock.edge_m,
        tones=tuple(sorted(float(tone) for tone in first.lock.tones)),
        normal=(float(normal[0]), float(normal[1]), float(normal[2])),
        passes=passes if len(passes) > 1 else (),
        flags=tuple(flags),
    )


__all__ = ["TargetSettings", "measure_target", "needed_radius_m", "passes_of", "scan_lines"]
