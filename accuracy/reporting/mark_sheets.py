"""Mark templates -> a page that shows them, and target sheets to print at true size.

Beside ``render``, whose style the page shares. The page stands alone in one file; a sheet is a PDF
whose lengths are those on the paper, spread over several sheets where the mark is larger than one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from accuracy.errors import RequestError
from accuracy.matching.template import BUILT_IN, Template, Tone
from accuracy.reporting.mark_figures import MarkFigure, simulated_figures
from accuracy.reporting.render import fill, pdf_bytes
from accuracy.reporting.svg import clean, coordinate, element, group, line, path, rect
from accuracy.rounding import fixed

PAPERS_MM: Mapping[str, tuple[float, float]] = {
    "a4": (210.0, 297.0),  # ISO 216, from memory
    "a3": (297.0, 420.0),
    "a2": (420.0, 594.0),
    "a1": (594.0, 841.0),
    "a0": (841.0, 1189.0),
    "letter": (215.9, 279.4),  # 8.5 x 11 inch (ANSI/ASME Y14.1, from memory)
    "tabloid": (279.4, 431.8),  # 11 x 17 inch
}
"""Width and height, upright."""

CHECK_BAR_MM = 100.0
_MARGIN_MM = 12.0
"""Most printers leave at least a centimetre blank (common practice, no source)."""
_FOOT_MM = 18.0
_OVERLAP_MM = 10.0
_TICK_MM = 9.0
_TICK_GAP_MM = 2.0
_CUT_MM = 0.35
_MOST_SHEETS = 100
_BLACK = "#000000"
_WHITE = "#ffffff"
_GROUND = "#b4b4b0"
_RED = "#a3401b"
_FILL = {Tone.DARK: _BLACK, Tone.LIGHT: _WHITE}

Box = tuple[float, float, float, float]
"""Left, bottom, right, top."""


@dataclass(frozen=True, slots=True)
class MarkPicture:
    """One mark on the page, as prepared text and drawing."""

    name: str
    size_is: str
    drawing: str
    figures: tuple[MarkFigure, ...]


def marks_page(templates: Iterable[Template]) -> str:
    """One self-contained HTML page with a drawing of each mark, in the order given.

    A built-in mark has the figures of its simulation; a mark of the user's own was never simulated,
    and says so.
    """
    known = simulated_figures()
    marks = [
        MarkPicture(
            t.name, t.size_is, _drawing(t), known.get(t.name, ()) if BUILT_IN.get(t.name) is t else ()
        )
        for t in templates
    ]
    return fill("marks.html.j2", marks=marks)


def _bounds(template: Template) -> Box:
    points = [
        point for region in template.regions if region.tone is not Tone.BACKGROUND for point in region.outline
    ]
    return (
        min(x for x, _ in points),
        min(y for _, y in points),
        max(x for x, _ in points),
        max(y for _, y in points),
    )


def _drawing(template: Template) -> str:
    left, bottom, right, top = _bounds(template)
    side = 1.3 * max(right - left, top - bottom)
    scale = 240 / side
    x0, y0 = (left + right) / 2 - side / 2, (bottom + top) / 2 + side / 2

    def place(point: tuple[float, float]) -> tuple[float, float]:
        return (point[0] - x0) * scale, (y0 - point[1]) * scale

    shapes = [rect(0, 0, 240, 240, fill=_GROUND)]
    shapes += [
        path([place(p) for p in region.outline], closed=True, fill=_FILL.get(region.tone, _GROUND))
        for region in template.regions
    ]
    x, y = place((0.0, 0.0))
    shapes += [line(x - 9, y, x + 9, y, _RED, width=2), line(x, y - 9, x, y + 9, _RED, width=2)]
    return element(
        "svg",
        element("title", f"The mark {template.name}"),
        *shapes,
        viewBox="0 0 240 240",
        role="img",
        xmlns="http://www.w3.org/2000/svg",
    )


# --------------------------------------------------------------------------- sheets


@dataclass(frozen=True, slots=True)
class _Tiling:
    """How a drawing is spread over sheets; all in millimetres."""

    width: float
    """Of the paper, as it is laid."""
    height: float
    columns: int
    rows: int
    step_x: float
    step_y: float

    @property
    def sheets(self) -> int:
        return self.columns * self.rows

    @property
    def field(self) -> tuple[float, float]:
        """Width and height that a sheet can show."""
        return self.width - 2 * _MARGIN_MM, self.height - 2 * _MARGIN_MM - _FOOT_MM


def target_sheet_pdf(template: Template, size_m: float, paper: str = "a4") -> bytes:
    """A target to print at true size, on as many sheets as it needs, as a PDF.

    Every sheet carries a bar of exactly 100 mm to check the printer by, the mark's name and size, and
    where it is one of several, its row and column and the marks to cut and join along.

    Raises:
        RequestError: unknown paper, or a size that makes no sense on it.
        OSError: the Pango library is missing.
    """
    if paper.lower() not in PAPERS_MM:
        raise RequestError(f'paper "{paper}" is not known', remedy=f"Choose one of {', '.join(PAPERS_MM)}.")
    if not (math.isfinite(size_m) and size_m > 0):
        raise RequestError(
            f"a mark of {size_m:g} m cannot be drawn", remedy="Give its size in metres, e.g. 0.6."
        )
    size_mm = size_m * 1000
    left, bottom, right, top = (size_mm * v for v in _bounds(template))
    # The ticks that lead to the surveyed point need room outside the pattern.
    room = _TICK_MM + _TICK_GAP_MM
    box = (min(left, 0) - room, min(bottom, 0) - room, max(right, 0) + room, max(top, 0) + room)
    tiling = _tile(box, PAPERS_MM[paper.lower()])
    if tiling.sheets > _MOST_SHEETS:
        raise RequestError(
            f"a {template.name} of {size_m:g} m would need {tiling.sheets} sheets of {paper}",
            remedy="Choose larger paper or a smaller mark, or paint it.",
        )
    art = _art(template, size_mm, (left, bottom, right, top))
    sheets = [
        _sheet(template, size_mm, box, art, tiling, column, row)
        for row in range(tiling.rows)
        for column in range(tiling.columns)
    ]
    page = f"{coordinate(tiling.width)}mm {coordinate(tiling.height)}mm"
    html = (
        f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{clean(template.name)} '
        f"{fixed(size_mm, 0)} mm</title><style>@page {{ size: {page}; margin: 0 }} "
        "html, body { margin: 0; padding: 0 } svg { display: block; break-after: page } "
        "svg:last-child { break-after: auto }</style></head><body>" + "".join(sheets) + "</body></html>"
    )
    return pdf_bytes(html)


def _tile(box: Box, paper: tuple[float, float]) -> _Tiling:
    """Upright or across, whichever takes fewer sheets."""
    width, height = box[2] - box[0], box[3] - box[1]
    found = []
    for w, h in (paper, paper[::-1]):
        field_x, field_y = w - 2 * _MARGIN_MM, h - 2 * _MARGIN_MM - _FOOT_MM
        step_x, step_y = field_x - _OVERLAP_MM, field_y - _OVERLAP_MM
        columns = 1 if width <= field_x else math.ceil((width - _OVERLAP_MM) / step_x)
        rows = 1 if height <= field_y else math.ceil((height - _OVERLAP_MM) / step_y)
        found.append(_Tiling(w, h, columns, rows, step_x, step_y))
    return min(found, key=lambda tiling: tiling.sheets)


def _art(template: Template, size_mm: float, bounds: Box) -> str:
    """The pattern and its ticks in millimetres, y downwards, about the surveyed point."""
    left, bottom, right, top = bounds
    outlines = [
        (region.tone, [(size_mm * x, -size_mm * y) for x, y in region.outline]) for region in template.regions
    ]
    # The cutting line is laid under the paint: what the paint covers of it is inside the mark.
    shapes = [
        path(points, closed=True, fill="none", stroke=_BLACK, stroke_width=2 * _CUT_MM)
        for tone, points in outlines
        if tone is Tone.LIGHT
    ]
    shapes += [path(points, closed=True, fill=_FILL.get(tone, _WHITE)) for tone, points in outlines]
    shapes += [
        path(points, closed=True, fill="none", stroke=_BLACK, stroke_width=_CUT_MM)
        for tone, points in outlines
        if tone is Tone.BACKGROUND
    ]
    # Where they would meet lies the surveyed point; nothing is drawn over the pattern itself.
    right_end, left_end = max(right, 0) + _TICK_GAP_MM, min(left, 0) - _TICK_GAP_MM
    top_end, bottom_end = max(top, 0) + _TICK_GAP_MM, min(bottom, 0) - _TICK_GAP_MM
    shapes += [
        line(right_end, 0, right_end + _TICK_MM, 0, _BLACK, width=0.3),
        line(left_end, 0, left_end - _TICK_MM, 0, _BLACK, width=0.3),
        line(0, -top_end, 0, -top_end - _TICK_MM, _BLACK, width=0.3),
        line(0, -bottom_end, 0, -bottom_end + _TICK_MM, _BLACK, width=0.3),
    ]
    return group(shapes)


def _sheet(
    template: Template, size_mm: float, box: Box, art: str, tiling: _Tiling, column: int, row: int
) -> str:
    """One sheet as an SVG of the paper's own size, in millimetres."""
    field_x, field_y = tiling.field
    # Centred over all sheets together.
    whole_x = field_x + (tiling.columns - 1) * tiling.step_x
    whole_y = field_y + (tiling.rows - 1) * tiling.step_y
    origin_x = _MARGIN_MM + (whole_x - (box[2] - box[0])) / 2 - box[0] - column * tiling.step_x
    origin_y = _MARGIN_MM + (whole_y - (box[3] - box[1])) / 2 + box[3] - row * tiling.step_y
    name = f"field-{column}-{row}"
    parts = [
        element("clipPath", rect(_MARGIN_MM, _MARGIN_MM, field_x, field_y), id_=name),
        group(
            [group([art], transform=f"translate({coordinate(origin_x)} {coordinate(origin_y)})")],
            clip_path=f"url(#{name})",
        ),
    ]
    if tiling.sheets > 1:
        parts.append(_cut_marks(field_x, field_y))
    parts.append(_foot(template, size_mm, tiling, column, row))
    return element(
        "svg",
        *parts,
        width=f"{coordinate(tiling.width)}mm",
        height=f"{coordinate(tiling.height)}mm",
        viewBox=f"0 0 {coordinate(tiling.width)} {coordinate(tiling.height)}",
        xmlns="http://www.w3.org/2000/svg",
    )


def _cut_marks(field_x: float, field_y: float) -> str:
    """Short lines in the margin: cut along them, and lay the next sheet on the overlap."""
    half = _OVERLAP_MM / 2
    xs = (_MARGIN_MM + half, _MARGIN_MM + field_x - half)
    ys = (_MARGIN_MM + half, _MARGIN_MM + field_y - half)
    marks = []
    for x in xs:
        for y, way in ((_MARGIN_MM, -1), (_MARGIN_MM + field_y, 1)):
            marks.append(line(x, y + way, x, y + 5 * way, _BLACK, width=0.2))
    for y in ys:
        for x, way in ((_MARGIN_MM, -1), (_MARGIN_MM + field_x, 1)):
            marks.append(line(x + way, y, x + 5 * way, y, _BLACK, width=0.2))
    return group(marks)


def _foot(template: Template, size_mm: float, tiling: _Tiling, column: int, row: int) -> str:
    base = tiling.height - _MARGIN_MM
    bar_y = base - 4.0
    bar = [
        rect(_MARGIN_MM, bar_y, CHECK_BAR_MM / 2, 2.0, fill=_BLACK),
        rect(
            _MARGIN_MM + CHECK_BAR_MM / 2 + 0.1,
            bar_y + 0.1,
            CHECK_BAR_MM / 2 - 0.2,
            1.8,
            fill=_WHITE,
            stroke=_BLACK,
            stroke_width=0.2,
        ),
    ]
    where = (
        ""
        if tiling.sheets == 1
        else f", sheet {row * tiling.columns + column + 1} of {tiling.sheets}: row {row + 1}, "
        f"column {column + 1}"
    )
    words = [
        (f"{template.name}, {fixed(size_mm, 1).removesuffix('.0')} mm{where}", base - 9.0, 3.6),
        ("Print at 100 %, without fitting to the page: this bar must measure 100 mm.", base + 2.2, 2.8),
        ("Cut along the outline; where the ticks outside it meet lies the surveyed point.", base + 5.8, 2.8)
        if tiling.sheets == 1
        else (
            "Cut along the short lines in the margin, join edge to edge, then cut along the outline.",
            base + 5.8,
            2.8,
        ),
    ]
    texts = [
        element(
            "text",
            clean(text).replace("&", "&amp;").replace("<", "&lt;"),
            x=_MARGIN_MM,
            y=y,
            font_size=size,
            font_family="'DejaVu Sans', sans-serif",
            fill=_BLACK,
        )
        for text, y, size in words
    ]
    return group([*bar, *texts])
