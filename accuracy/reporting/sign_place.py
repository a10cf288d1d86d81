"""Where on the report a digital signature is drawn, and what is drawn there. Before reporting/sign.py.

The signature block of ``templates/parts/statement.html.j2`` names two of its corners; they reach the PDF
as named destinations. What is drawn between them comes from the report's own templates and style, so
that the words stand on the block's own lines.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pyhanko.pdf_utils.content import PdfContent
from pyhanko.pdf_utils.layout import AxisAlignment, BoxConstraints, InnerScaling, SimpleBoxLayoutRule
from pyhanko.pdf_utils.reader import PdfFileReader
from pyhanko.stamp import StaticStampStyle

from accuracy.reporting import render

_CORNERS = ("signature-place", "signature-place-end")
_LEAST_WIDTH_PT, _LEAST_HEIGHT_PT = 120, 40  # less than this is not the block of our template


@dataclass(frozen=True, slots=True)
class Place:
    """The lines of the signature block, in points from the page's lower left corner.

    Whole points, as the drawing library wants them.
    """

    page: int
    """Counted from 0."""
    left: int
    top: int
    width: int
    height: int

    @property
    def box(self) -> tuple[int, int, int, int]:
        """Left, bottom, right, top."""
        return (self.left, self.top - self.height, self.left + self.width, self.top)


def find_place(reader: PdfFileReader) -> Place | None:
    """The place that the report names for a signature; None for a PDF that names none."""
    try:
        entries = list(reader.root["/Names"]["/Dests"]["/Names"])
        named = dict(zip((str(name) for name in entries[0::2]), entries[1::2], strict=True))
        start, end = (named[name] for name in _CORNERS)
        left, top, right, bottom = (float(corner[i]) for corner in (start, end) for i in (2, 3))
        page = _page_number(reader, start)
        if page is None or page != _page_number(reader, end):
            return None
    except (KeyError, TypeError, ValueError, IndexError):
        return None
    # Each edge to its own whole point: width and height alone, rounded, would move the far edges by one.
    left, top, right, bottom = (round(edge) for edge in (left, top, right, bottom))
    place = Place(page, left, top, right - left, top - bottom)
    return place if place.width >= _LEAST_WIDTH_PT and place.height >= _LEAST_HEIGHT_PT else None


def _page_number(reader: PdfFileReader, destination: Any) -> int | None:
    wanted = destination.raw_get(0).reference
    for number in range(int(reader.root["/Pages"]["/Count"])):
        page, _ = reader.find_page_for_modification(number)  # type: ignore[no-untyped-call]
        if page.reference == wanted:
            return number
    return None


def drawn(
    place: Place, *, name: str, licence: str | None, sentences: Sequence[str], at: datetime
) -> StaticStampStyle:
    """The signature as it will stand on the block's lines. Raises OSError where Pango is missing."""
    html = render.fill(
        "signed.html.j2",
        width_pt=place.width,
        height_pt=place.height,
        name=name,
        licence=licence or "",
        sentences=sentences,
        date=f"{at:%Y-%m-%d}",
    )
    return StaticStampStyle(
        border_width=0,
        background=_Drawing(render.pdf_bytes(html)),
        background_layout=SimpleBoxLayoutRule(
            x_align=AxisAlignment.ALIGN_MIN,
            y_align=AxisAlignment.ALIGN_MAX,
            inner_content_scaling=InnerScaling.NO_SCALING,
        ),
    )


class _Drawing(PdfContent):
    """The first page of a small PDF, as content of another."""

    def __init__(self, data: bytes) -> None:
        super().__init__()
        self._data = data

    def render(self) -> bytes:
        drawing = self._ensure_writer.import_page_as_xobject(PdfFileReader(io.BytesIO(self._data)))
        self.resources.xobject["/Drawing"] = drawing
        left, bottom, right, top = (float(edge) for edge in drawing.get_object()["/BBox"])
        self.box = BoxConstraints(width=round(right - left), height=round(top - bottom))
        return b"/Drawing Do"
