"""Drawing primitives: strings of SVG, and the scales and ticks that charts are built on.

Only presentation attributes are used, so that a browser and the PDF renderer draw alike.
The palette keeps above and below apart by shape and filling first and by hue second: every
chart must read on a black-and-white printer.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from accuracy.rounding import fixed
from accuracy.units import LengthUnit

INK = "#1d2a30"
QUIET = "#58656c"
HAIR = "#b9b3a4"
GRID = "#e4dfd3"
SAND = "#f5f1e8"
PAPER = "#ffffff"
ABOVE = "#a3401b"
BELOW = "#17536f"
LIMIT = "#6b4a7d"
FONT = "'Report Text', 'Open Sans', 'DejaVu Sans', sans-serif"

Attribute = str | float | None


def clean(text: str) -> str:
    """``text`` without the control characters that neither XML nor a printed page can hold."""
    return "".join(
        "\N{REPLACEMENT CHARACTER}" if unicodedata.category(c) in {"Cc", "Cs"} and c not in "\n\t" else c
        for c in text
    )


def coordinate(value: float) -> str:
    """A drawing coordinate: two decimals, no trailing zeros, never in exponent form."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def element(name: str, *children: str, **attributes: Attribute) -> str:
    """One SVG element; underscores in attribute names become hyphens, None leaves one out."""
    parts = [name]
    for key, value in attributes.items():
        if value is None:
            continue
        text = value if isinstance(value, str) else coordinate(value)
        parts.append(f"{key.rstrip('_').replace('_', '-')}={quoteattr(clean(text))}")
    inner = "".join(children)
    return f"<{' '.join(parts)}>{inner}</{name}>" if inner else f"<{' '.join(parts)}/>"


def group(children: Iterable[str], **attributes: Attribute) -> str:
    """A ``<g>``."""
    return element("g", *children, **attributes)


def line(
    x1: float, y1: float, x2: float, y2: float, colour: str = INK, *, width: float = 1, dash: str = ""
) -> str:
    """A straight line."""
    return element(
        "line", x1=x1, y1=y1, x2=x2, y2=y2, stroke=colour, stroke_width=width, stroke_dasharray=dash or None
    )


def rect(x: float, y: float, width: float, height: float, **style: Attribute) -> str:
    """A rectangle."""
    return element("rect", x=x, y=y, width=max(width, 0.0), height=max(height, 0.0), **style)


def circle(x: float, y: float, radius: float, **style: Attribute) -> str:
    """A circle."""
    return element("circle", cx=x, cy=y, r=radius, **style)


def path(points: Sequence[tuple[float, float]], *, closed: bool = False, **style: Attribute) -> str:
    """A polyline or polygon through the points."""
    d = "M" + "L".join(f"{coordinate(x)} {coordinate(y)}" for x, y in points) + ("Z" if closed else "")
    return element("path", d=d, **style)


def label(
    x: float,
    y: float,
    words: str,
    *,
    size: float = 10,
    anchor: str = "start",
    colour: str = INK,
    weight: str | None = None,
    turn: float | None = None,
) -> str:
    """A line of text whose baseline starts (or is centred, or ends) at x, y."""
    return element(
        "text",
        escape(clean(words)),
        x=x,
        y=y,
        font_family=FONT,
        font_size=size,
        text_anchor=anchor,
        fill=colour,
        font_weight=weight,
        transform=None if turn is None else f"rotate({coordinate(turn)} {coordinate(x)} {coordinate(y)})",
    )


def picture(width: float, height: float, description: str, children: Iterable[str], kind: str) -> str:
    """A whole SVG image; the description is its text alternative in HTML and in the tagged PDF."""
    return element(
        "svg",
        element("title", escape(clean(description))),
        *children,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {coordinate(width)} {coordinate(height)}",
        width=width,
        height=height,
        role="img",
        class_=f"chart {kind}",
    )


def text_width(words: str, size: float) -> float:
    """A generous estimate of the drawn width, for keeping labels apart."""
    em = 0.0
    for c in words:
        if unicodedata.east_asian_width(c) in {"W", "F"}:
            em += 1.05
        elif c in " .,:;|!'il\N{MINUS SIGN}-":
            em += 0.38
        elif c.isupper() or c in "mw%@":
            em += 0.72
        else:
            em += 0.59
    return em * size


def shorten(words: str, longest: int) -> str:
    """``words`` with its middle left out where it is longer than ``longest`` characters."""
    if len(words) <= longest:
        return words
    head = (longest - 1) * 2 // 3
    return f"{words[:head]}\N{HORIZONTAL ELLIPSIS}{words[len(words) - (longest - 1 - head) :]}"


def point(checkpoint_id: str, words: str, children: Iterable[str]) -> str:
    """What belongs to one checkpoint: named for the script, with words that show under a pointer."""
    tip = element("title", escape(clean(f"{checkpoint_id}: {words}")))
    return group([tip, *children], class_="point", data_checkpoint=checkpoint_id)


# --------------------------------------------------------------------------- scales


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps values onto drawing coordinates, linearly."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Where ``value`` is drawn."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def nice_step(span: float, most: int) -> float:
    """The smallest of 1, 2 or 5 times a power of ten that divides ``span`` into at most ``most`` parts."""
    if not span > 0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(span / most))
    for factor in (1, 2, 5, 10):
        if span / (factor * power) <= most * (1 + 1e-9):
            return factor * power
    return 10 * power


def nice_length(at_most: float) -> float:
    """The largest 1, 2 or 5 times a power of ten that does not exceed ``at_most``."""
    power = 10.0 ** math.floor(math.log10(at_most))
    return max(f * power for f in (0.1, 1, 2, 5) if f * power <= at_most * (1 + 1e-9))


def ticks(low: float, high: float, most: int) -> list[float]:
    """Nice values from ``low`` to ``high``, both included where they are nice themselves."""
    step = nice_step(high - low, most)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [k * step for k in range(first, last + 1)]


def tick_text(value: float, step: float, *, signed: bool = False) -> str:
    """A tick's number with as many decimals as its step needs."""
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    return fixed(value, decimals, signed=signed)


@dataclass(frozen=True, slots=True)
class Lengths:
    """Turns metres into the numbers that axes show: centimetres or feet, metres or feet."""

    unit: LengthUnit

    @property
    def small_m(self) -> float:
        """Metres in one axis unit of a residual: a centimetre, or a foot."""
        return 0.01 if self.unit is LengthUnit.METRE else self.unit.metres

    @property
    def small_symbol(self) -> str:
        """Symbol of that unit."""
        return "cm" if self.unit is LengthUnit.METRE else self.unit.symbol
