"""Pictures of marks as the cloud shows them: points by intensity, the fitted outline, the residual."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from PIL import Image

from accuracy.matching.template import BUILT_IN, Template, circle
from accuracy.model import (
    CheckpointResult,
    FloatArray,
    HorizontalResidual,
    Patch,
    RunRecord,
    VerticalResidual,
)
from accuracy.reporting import svg, words
from accuracy.reporting.charts_map import arrow
from accuracy.reporting.view_nouns import PictureView
from accuracy.rounding import LengthText, fixed
from accuracy.units import LengthUnit

SIDE = 200.0
"""Of the drawing, in page units."""
PIXELS = 168
LEVELS = 12
"""Grey levels of the points; few, so that the picture stays small."""
LARGEST_PNG = 20_000
STEEP = 0.7
"""Normals whose upward part is below this belong to a wall."""
LAYER_HALF_M = 0.04
LEAST_HALF_M, MOST_HALF_M = 0.15, 3.0
_LUMINANCE = (0.299, 0.587, 0.114)  # ITU-R BT.601, from memory
_RAISED = {"sphere", "pole", "corner", "face"}
"""Marks that stand out of the surface: all their points are drawn."""
_FACTORS = (1, 2, 5, 10, 20, 50, 100)
_ARROW = 24.0


@dataclass(frozen=True, slots=True)
class _Plane:
    """The plane of the drawing: its axes (3,) in east, north, up."""

    x: FloatArray
    y: FloatArray
    normal: FloatArray

    @property
    def is_wall(self) -> bool:
        return bool(abs(self.normal[2]) < STEEP)

    def of(self, east: float, north: float, up: float) -> tuple[float, float]:
        place = np.array([east, north, up])
        return float(place @ self.x), float(place @ self.y)


def _plane(normal: tuple[float, float, float]) -> _Plane:
    """On the ground x leads east; on a wall x is level and y up, the wall seen from its normal's side."""
    n = np.array(normal, dtype=np.float64)
    if abs(n[2]) < STEEP:
        x = np.array([-n[1], n[0], 0.0])
    else:
        n = n if n[2] > 0 else -n
        x = np.array([1.0, 0.0, 0.0]) - n[0] * n
    x = x / np.linalg.norm(x)
    return _Plane(x, np.cross(n, x), n)


def patch_pictures(
    run: RunRecord,
    patches: Mapping[str, Patch],
    unit: LengthUnit,
    templates: Mapping[str, Template] = BUILT_IN,
) -> dict[str, str]:
    """A drawing for every checkpoint with a mark whose patch is at hand, by checkpoint id.

    Args:
        run: the statement's run.
        patches: its patches by checkpoint id.
        unit: the contract's.
        templates: every template by name, the user's own among them.
    """
    return {
        c.id: patch_picture(patches[c.id], c, templates.get(c.mark), unit)
        for c in run.checkpoints
        if c.mark != "none" and c.id in patches and len(patches[c.id])
    }


def patch_picture(
    patch: Patch, checkpoint: CheckpointResult, template: Template | None, unit: LengthUnit
) -> str:
    """Draw one mark as the cloud shows it: from above, or in the plane of its wall.

    Args:
        patch: the points, offsets from the checkpoint.
        checkpoint: what was measured there.
        template: the mark's outlines; None for marks that are no flat figure.
        unit: of the scale bar.
    """
    h = checkpoint.horizontal if isinstance(checkpoint.horizontal, HorizontalResidual) else None
    plane = _plane(_normal(checkpoint, h))
    size = (h.mark_size_m if h is not None else None) or checkpoint.mark_size_m
    centre = (0.0, 0.0)
    if h is not None:
        centre = plane.of(h.residual_easting_m, h.residual_northing_m, h.residual_height_m or 0.0)
    half = _half_width_m(template, size, centre, patch.whole_radius_m)
    scale = SIDE / 2 / half

    def page(x: float, y: float) -> tuple[float, float]:
        return SIDE / 2 + x * scale, SIDE / 2 - y * scale

    drawn = [svg.rect(0, 0, SIDE, SIDE, fill=svg.SAND)]
    raster, shown = _raster(
        patch, plane, half, None if h is None else h.channel, flat=checkpoint.mark not in _RAISED
    )
    if raster is not None:
        drawn.append(
            svg.element("image", x=0, y=0, width=SIDE, height=SIDE, href=raster, preserveAspectRatio="none")
        )
    if h is not None and size is not None:
        drawn += _outline(template, checkpoint.mark, size, h.rotation_degrees or 0.0, centre, page)
    x0, y0 = page(0.0, 0.0)
    factor = 1
    if h is not None:
        reach = math.hypot(*centre) * scale
        factor = next((f for f in _FACTORS if f * reach >= _ARROW), _FACTORS[-1])
        while factor > 1 and factor * reach > SIDE * 0.45:
            factor = _FACTORS[_FACTORS.index(factor) - 1]
        tip = page(centre[0] * factor, centre[1] * factor)
        drawn += [svg.line(x0, y0, *tip, svg.PAPER, width=4), arrow(x0, y0, *tip)]
    drawn += _cross(x0, y0)
    drawn += _furniture(plane, half, scale, factor, unit)
    drawn.append(svg.rect(0.5, 0.5, SIDE - 1, SIDE - 1, fill="none", stroke=svg.HAIR))
    what = "in the plane of its wall" if plane.is_wall else "from above"
    description = (
        f"{checkpoint.id} {what}, {shown} points by {_value_name(h)}. {residual_words(checkpoint, unit)}"
    )
    return svg.picture(SIDE, SIDE, description, drawn, "patch")


def residual_words(checkpoint: CheckpointResult, unit: LengthUnit) -> str:
    """The residual, or why there is none, in words."""
    text, h = LengthText(unit), checkpoint.horizontal
    if not isinstance(h, HorizontalResidual):
        return f"Horizontal position not measured: {h.reason}"
    said = (
        f"Easting {text.small(h.residual_easting_m, signed=True)}, northing "
        f"{text.small(h.residual_northing_m, signed=True)} {text.small_symbol}"
    )
    if h.standard_uncertainty_m is not None:
        said += f" (u {text.small(h.standard_uncertainty_m)})"
    if isinstance(checkpoint.vertical, VerticalResidual):
        said += f"; height {text.small(checkpoint.vertical.residual_m, signed=True)}"
    return said + "."


def pictures(run: RunRecord, drawn: Mapping[str, str], unit: LengthUnit) -> tuple[PictureView, ...]:
    """The drawings in the table's order, each with its residual in words.

    Raises KeyError for a drawing of a checkpoint that the run does not have.
    """
    unknown = sorted(set(drawn) - {c.id for c in run.checkpoints})
    if unknown:
        raise KeyError(f"pictures of unknown checkpoints: {', '.join(unknown[:5])}")
    return tuple(
        PictureView(id=c.id, svg=drawn[c.id], caption=_caption(c, unit))
        for c in run.checkpoints
        if c.id in drawn
    )


def _caption(c: CheckpointResult, unit: LengthUnit) -> str:
    said = [residual_words(c, unit)]
    h = c.horizontal
    if isinstance(h, HorizontalResidual) and h.flags:
        said.append(", ".join(words.FLAG[f] for f in h.flags).capitalize() + ".")
    if isinstance(h, HorizontalResidual) and len(h.passes) > 1:
        said.append(f"Seen by {len(h.passes)} passes.")
    if not c.used:
        said.append("Not used.")
    return " ".join(said)


# --------------------------------------------------------------------------- what is drawn


def _normal(c: CheckpointResult, h: HorizontalResidual | None) -> tuple[float, float, float]:
    if h is not None and h.normal is not None:
        return h.normal
    return c.vertical.normal if isinstance(c.vertical, VerticalResidual) else (0.0, 0.0, 1.0)


def _half_width_m(
    template: Template | None, size_m: float | None, centre: tuple[float, float], whole_radius_m: float
) -> float:
    """Half the side of the square that is drawn: the mark with a margin, and its centre's offset."""
    reach = 0.5
    if template is not None:
        reach = min(max(math.hypot(x, y) for r in template.regions for x, y in r.outline), 1.4)
    wanted = 0.6 if size_m is None else max(size_m * reach * 1.45, size_m * 0.6)
    return min(
        max(wanted + math.hypot(*centre), LEAST_HALF_M), MOST_HALF_M, max(whole_radius_m, LEAST_HALF_M)
    )


def _value_name(h: HorizontalResidual | None) -> str:
    return "colour" if h is not None and h.channel == "colour" else "intensity"


def _values(patch: Patch, channel: str | None) -> FloatArray | None:
    colours = (patch.red, patch.green, patch.blue)
    if (channel == "colour" or patch.intensity is None) and all(c is not None for c in colours):
        return np.asarray(
            sum(w * c for w, c in zip(_LUMINANCE, colours, strict=True) if c is not None), dtype=np.float64
        )
    return patch.intensity


def _raster(
    patch: Patch, plane: _Plane, half: float, channel: str | None, *, flat: bool
) -> tuple[str | None, int]:
    """The points as an embedded PNG, and how many; if ``flat``, of the surface alone. None without any."""
    places = np.column_stack((patch.east_m, patch.north_m, patch.up_m))
    x, y = places @ plane.x, places @ plane.y
    inside = np.flatnonzero((np.abs(x) < half) & (np.abs(y) < half))
    if not len(inside):
        return None, 0
    if flat:
        away = places[inside] @ plane.normal
        inside = inside[np.abs(away - _layer_at(away)) < LAYER_HALF_M]
    values = _values(patch, channel)
    grey = np.full(len(inside), 0.4)
    if values is not None:
        shown = values[inside]
        low, high = (float(v) for v in np.quantile(shown, [0.02, 0.98]))
        grey = np.clip((shown - low) / (high - low if high > low else 1.0), 0.0, 1.0)
    for pixels in (PIXELS, 120, 80):
        data = _png(x[inside], y[inside], grey, half, pixels)
        if len(data) <= LARGEST_PNG:
            break
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii"), len(inside)


def _layer_at(away: FloatArray) -> float:
    """Where along the normal most points lie."""
    steps = np.round(away / 0.02).astype(np.int64)
    found, counts = np.unique(steps, return_counts=True)
    return float(np.median(away[steps == found[int(np.argmax(counts))]]))


def _png(x: FloatArray, y: FloatArray, grey: FloatArray, half: float, pixels: int) -> bytes:
    """Mean grey of the points in each pixel; where points are sparse each covers several pixels."""
    column = (x + half) / (2 * half) * pixels
    row = (half - y) / (2 * half) * pixels
    spacing = pixels / math.sqrt(max(len(x), 1))
    spread = int(min(max(round((spacing - 1) / 2), 0), 3))
    total, count = np.zeros((pixels, pixels)), np.zeros((pixels, pixels))
    for dx in range(-spread, spread + 1):
        for dy in range(-spread, spread + 1):
            if dx * dx + dy * dy > (spread + 0.5) ** 2:
                continue
            i, j = np.floor(row).astype(np.int64) + dy, np.floor(column).astype(np.int64) + dx
            on = (i >= 0) & (i < pixels) & (j >= 0) & (j < pixels)
            np.add.at(total, (i[on], j[on]), grey[on])
            np.add.at(count, (i[on], j[on]), 1.0)
    level = np.where(count > 0, 1 + np.round(total / np.maximum(count, 1) * (LEVELS - 1)), 0).astype(np.uint8)
    image = Image.frombytes("P", (pixels, pixels), level.tobytes())
    ramp = [round(44 + (255 - 44) * k / (LEVELS - 1)) for k in range(LEVELS)]
    image.putpalette([0xF5, 0xF1, 0xE8, *(v for g in ramp for v in (g, g, g))])
    buffer = io.BytesIO()
    image.save(buffer, "PNG", optimize=True, bits=4, transparency=0)
    return buffer.getvalue()


def _outline(
    template: Template | None,
    mark: str,
    size_m: float,
    rotation_degrees: float,
    centre: tuple[float, float],
    page: Callable[[float, float], tuple[float, float]],
) -> list[str]:
    """The fitted figure at its measured centre and rotation; a circle for spheres and poles."""
    if template is not None:
        shapes = [np.array(region.outline) * size_m for region in template.regions]
    elif mark in {"sphere", "pole"}:
        shapes = [np.array(circle((0.0, 0.0), size_m / 2))]
    else:
        return []
    turn = math.radians(rotation_degrees)
    c, s = math.cos(turn), math.sin(turn)
    drawn = []
    for shape in shapes:
        # A circle of 180 sides is smooth at a third of them here.
        corners = shape[:: max(1, len(shape) // 60)] if len(shape) > 120 else shape
        points = [
            page(centre[0] + float(x) * c - float(y) * s, centre[1] + float(x) * s + float(y) * c)
            for x, y in corners
        ]
        for colour, width in ((svg.PAPER, 2.6), (svg.BELOW, 1.2)):
            drawn.append(svg.path(points, closed=True, fill="none", stroke=colour, stroke_width=width))
    return drawn


def _cross(x: float, y: float) -> list[str]:
    """The surveyed point, with a light edge so that it shows on dark and on light paint."""
    arms = [(x - 8, y, x - 2, y), (x + 2, y, x + 8, y), (x, y - 8, x, y - 2), (x, y + 2, x, y + 8)]
    return [svg.line(*arm, svg.PAPER, width=3.4) for arm in arms] + [
        svg.line(*arm, svg.INK, width=1.5) for arm in arms
    ]


def _furniture(plane: _Plane, half: float, scale: float, factor: int, unit: LengthUnit) -> list[str]:
    """Scale bar, the arrow's factor and which way is which."""
    lengths = svg.Lengths(unit)
    length = svg.nice_length(0.55 * half / lengths.small_m)
    width = length * lengths.small_m * scale
    bar = f"{svg.tick_text(length, length)} {lengths.small_symbol}"
    drawn = [
        svg.rect(
            0, SIDE - 19, max(width, svg.text_width(bar, 9)) + 14, 19, fill=svg.PAPER, fill_opacity=0.85
        ),
        svg.rect(6, SIDE - 6, width, 2.6, fill=svg.INK),
        svg.label(6, SIDE - 9, bar, size=9),
    ]
    up = "up" if plane.is_wall else "N"
    drawn += [
        svg.rect(SIDE - 20, 0, 20, 28, fill=svg.PAPER, fill_opacity=0.85),
        svg.path([(SIDE - 10, 3), (SIDE - 6, 13), (SIDE - 14, 13)], closed=True, fill=svg.INK),
        svg.label(SIDE - 10, 24, up, size=9, anchor="middle", weight="600"),
    ]
    if factor > 1:
        said = f"arrow \N{MULTIPLICATION SIGN} {fixed(factor, 0)}"
        wide = svg.text_width(said, 9) + 8
        drawn.append(svg.rect(SIDE - wide, SIDE - 15, wide, 15, fill=svg.PAPER, fill_opacity=0.85))
        drawn.append(svg.label(SIDE - 4, SIDE - 4, said, size=9, anchor="end"))
    return drawn
