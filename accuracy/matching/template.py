"""Flat marks drawn as light and dark polygons: the built-in shapes, and the user's own from a file.

Stands before target_field, which turns a template into tone probabilities. Lengths are in units of
the mark's principal size, x to the right and y up; the origin is the surveyed point.

A template file is TOML::

    [[template]]
    name = "our-bow-tie"
    size_is = "side of the square that encloses it"
    polarity = "either"                # or "light", the default: light stands for the brighter paint

    [[template.region]]                # later regions are painted over earlier ones
    tone = "light"                     # light, dark or background
    outline = [[0, 0], [0.5, 0.5], [-0.5, 0.5]]

    [[template.region]]
    tone = "light"
    circle = { centre = [0, -0.25], radius = 0.25 }
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import numpy as np

from accuracy.errors import JobError
from accuracy.model import FloatArray


class Tone(StrEnum):
    """What a part of the ground looks like; the values themselves are estimated."""

    BACKGROUND = "background"
    """Whatever the mark lies on."""
    DARK = "dark"
    LIGHT = "light"


class Polarity(StrEnum):
    """Whether light is known to be brighter than everything else in the template."""

    LIGHT = "light"
    EITHER = "either"


Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """One painted polygon; later regions cover earlier ones."""

    tone: Tone
    outline: tuple[Point, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Template:
    """A flat mark, in units of its principal size, about its surveyed point."""

    name: str
    size_is: str
    """What the principal size measures, in words."""
    regions: tuple[Region, ...]
    polarity: Polarity = Polarity.LIGHT
    window: tuple[Point, ...] | None = None
    """Only points inside this polygon are compared; None: everything near the paint."""

    @property
    def tones(self) -> tuple[Tone, ...]:
        """The tones that occur, background first, then dark, then light."""
        painted = {region.tone for region in self.regions}
        return (Tone.BACKGROUND, *(tone for tone in (Tone.DARK, Tone.LIGHT) if tone in painted))

    def placed(
        self, size_m: float, centre_m: tuple[float, float], rotation_degrees: float
    ) -> list[tuple[Tone, FloatArray]]:
        """Outlines (n, 2) in metres, in the order of painting, with the mark laid at a place and turned.

        The turn is anticlockwise from x, as HorizontalResidual.rotation_degrees is from east.
        """
        turn = math.radians(rotation_degrees)
        c, s = math.cos(turn), math.sin(turn)
        matrix = size_m * np.array([[c, s], [-s, c]])
        return [
            (region.tone, np.array(region.outline) @ matrix + np.array(centre_m)) for region in self.regions
        ]


CIRCLE_SIDES = 180  # sagitta 1.5e-4 of the radius: 0.05 mm on a 0.6 m disc


def circle(centre: Point, radius: float, start: float = 0.0, stop: float = 360.0) -> tuple[Point, ...]:
    """A circle as a polygon, or the sector between two angles (degrees, anticlockwise from x)."""
    sides = max(3, round(CIRCLE_SIDES * (stop - start) / 360.0))
    whole = stop - start >= 360.0
    turns = np.radians(np.linspace(start, stop, sides + 1))
    arc = [(centre[0] + radius * math.cos(turn), centre[1] + radius * math.sin(turn)) for turn in turns]
    return tuple(arc[:-1]) if whole else (centre, *arc)


def _box(left: float, bottom: float, right: float, top: float) -> tuple[Point, ...]:
    return ((left, bottom), (right, bottom), (right, top), (left, top))


def _light(*outlines: tuple[Point, ...]) -> tuple[Region, ...]:
    return tuple(Region(tone=Tone.LIGHT, outline=outline) for outline in outlines)


def _quarters(outlines: list[tuple[Point, ...]]) -> tuple[Region, ...]:
    return tuple(
        Region(tone=Tone.LIGHT if quarter % 2 == 0 else Tone.DARK, outline=outline)
        for quarter, outline in enumerate(outlines)
    )


# Arm and ring widths: common practice, no source. Another proportion is a user's template.
_ARM = 1 / 6
_RING_HOLE = 0.6

BUILT_IN: Mapping[str, Template] = {
    template.name: template
    for template in (
        Template(
            name="quartered-disc",
            size_is="diameter of the disc",
            regions=_quarters([circle((0, 0), 0.5, turn, turn + 90) for turn in (0, 90, 180, 270)]),
        ),
        Template(
            name="quartered-square",
            size_is="side of the square",
            regions=_quarters(
                [_box(0, 0, 0.5, 0.5), _box(-0.5, 0, 0, 0.5), _box(-0.5, -0.5, 0, 0), _box(0, -0.5, 0.5, 0)]
            ),
        ),
        Template(name="disc", size_is="diameter of the disc", regions=_light(circle((0, 0), 0.5))),
        Template(
            name="ring",
            size_is="outer diameter of the ring; its hole is 0.6 of that",
            regions=(
                *_light(circle((0, 0), 0.5)),
                Region(tone=Tone.BACKGROUND, outline=circle((0, 0), 0.5 * _RING_HOLE)),
            ),
        ),
        Template(
            name="cross",
            size_is="overall length of the cross; its arms are a sixth of that wide",
            regions=_light(_box(-0.5, -_ARM / 2, 0.5, _ARM / 2), _box(-_ARM / 2, -0.5, _ARM / 2, 0.5)),
        ),
        Template(
            name="ell",
            size_is="outer length of each arm, from the outer corner; the arms are a sixth of that wide",
            regions=_light(_box(0, 0, 1, _ARM), _box(0, 0, _ARM, 1)),
        ),
        Template(
            name="stripe-end",
            size_is="width of the stripe; the surveyed point is the middle of its end edge",
            regions=_light(_box(-0.5, -4.0, 0.5, 0.0)),
            # A stripe's own length is not known, only that it is longer than this.
            window=_box(-2.0, -3.0, 2.0, 2.0),
        ),
    )
}


# --------------------------------------------------------------------------- the user's own

_NAME = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)*")
_MOST_VERTICES = 1000
_FARTHEST = 20.0
_KEYS = {"name", "size_is", "polarity", "region", "window"}
_REGION_KEYS = {"tone", "outline", "circle"}
_OTHER_MARKS = {"none", "sphere", "pole", "corner", "face"}


def load_templates(path: str | Path) -> dict[str, Template]:
    """Read the user's templates; the built-in ones are not included.

    Raises JobError, naming the entry and the value, for a file that is not TOML, an unknown key, a
    name that is taken, a polygon that crosses itself or has no area, or a template without paint.
    """
    path = Path(path)
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise JobError(f"the template file cannot be read ({error.strerror})", path=path) from None
    except UnicodeDecodeError as error:
        raise JobError(
            "the template file is not UTF-8 text",
            path=path,
            place=f"byte {error.start}",
            remedy="Save it as UTF-8.",
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise JobError(
            f"the template file is not TOML: {error}",
            path=path,
            remedy="See the example in the manual's page on marks.",
        ) from None
    entries = content.pop("template", None)
    if content:
        raise JobError(
            f'key "{next(iter(content))}" is not known',
            path=path,
            remedy="A template file holds [[template]] entries.",
        )
    if not isinstance(entries, list) or not entries:
        raise JobError(
            "there is no [[template]] entry", path=path, remedy="Begin each template with [[template]]."
        )
    found: dict[str, Template] = {}
    for number, entry in enumerate(entries, 1):
        template = _Reader(path, f"template {number}").template(entry)
        if template.name in found:
            raise JobError(
                f'the name "{template.name}" is used twice',
                path=path,
                remedy="Give each template its own name.",
            )
        found[template.name] = template
    return found


@dataclass(frozen=True, slots=True)
class _Reader:
    """Reads one entry; knows where it stands, for the errors."""

    path: Path
    place: str

    def fail(self, what: str, remedy: str) -> JobError:
        return JobError(what, path=self.path, place=self.place, remedy=remedy)

    def at(self, place: str) -> _Reader:
        return _Reader(self.path, f"{self.place}, {place}")

    def template(self, entry: object) -> Template:
        table = self._table(entry, _KEYS)
        name = table.get("name")
        if not isinstance(name, str) or not _NAME.fullmatch(name):
            raise self.at("name").fail(
                f"{name!r} is not a template name", "Use small letters, digits and hyphens, e.g. our-mark."
            )
        if name in BUILT_IN or name in _OTHER_MARKS:
            raise self.at("name").fail(f'"{name}" is a built-in mark', "Choose another name.")
        polarity = table.get("polarity", "light")
        if polarity not in list(Polarity):
            raise self.at("polarity").fail(f"{polarity!r} is not a polarity", "Write light or either.")
        size_is = table.get("size_is", "the mark's principal size")
        if not isinstance(size_is, str):
            raise self.at("size_is").fail(f"{size_is!r} is not text", "Say in words what the size measures.")
        regions = table.get("region")
        if not isinstance(regions, list) or not regions:
            raise self.fail("there is no [[template.region]]", "Draw at least one light or dark polygon.")
        template = Template(
            name=name,
            size_is=size_is,
            polarity=Polarity(str(polarity)),
            regions=tuple(self.at(f"region {n}").region(region) for n, region in enumerate(regions, 1)),
            window=self.at("window").outline(table["window"]) if "window" in table else None,
        )
        if template.tones == (Tone.BACKGROUND,):
            raise self.fail("every region is background", "Draw at least one light or dark polygon.")
        return template

    def _table(self, entry: object, keys: set[str]) -> dict[str, object]:
        if not isinstance(entry, dict):
            raise self.fail(f"{entry!r} is not a table", f"Give it the keys {', '.join(sorted(keys))}.")
        for key in entry:
            if key not in keys:
                raise self.fail(f'key "{key}" is not known', f"The keys are {', '.join(sorted(keys))}.")
        return entry

    def region(self, entry: object) -> Region:
        table = self._table(entry, _REGION_KEYS)
        tone = table.get("tone")
        if tone not in list(Tone):
            raise self.at("tone").fail(f"{tone!r} is not a tone", "Write light, dark or background.")
        if ("outline" in table) == ("circle" in table):
            raise self.fail("a region needs either an outline or a circle", "Give exactly one of the two.")
        if "outline" in table:
            outline = self.at("outline").outline(table["outline"])
        else:
            outline = self.at("circle").circle(table["circle"])
        return Region(tone=Tone(str(tone)), outline=outline)

    def circle(self, entry: object) -> tuple[Point, ...]:
        table = self._table(entry, {"centre", "radius"})
        radius = self.at("radius").number(table.get("radius"))
        if radius <= 0:
            raise self.at("radius").fail(f"{radius:g} is not a radius", "Give a number above 0.")
        return circle(self.at("centre").point(table.get("centre", [0.0, 0.0])), radius)

    def number(self, value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise self.fail(f"{value!r} is not a number", "Give a plain number, in units of the mark's size.")
        if abs(value) > _FARTHEST:
            raise self.fail(
                f"{value:g} lies more than {_FARTHEST:g} mark sizes away", "Draw in units of the mark's size."
            )
        return float(value)

    def point(self, value: object) -> Point:
        if not isinstance(value, list) or len(value) != 2:
            raise self.fail(f"{value!r} is not a point", "Write a point as [x, y].")
        return self.number(value[0]), self.number(value[1])

    def outline(self, value: object) -> tuple[Point, ...]:
        if not isinstance(value, list) or not 3 <= len(value) <= _MOST_VERTICES:
            raise self.fail(
                "an outline needs 3 to 1000 points"
                if isinstance(value, list)
                else f"{value!r} is not an outline",
                "Write it as [[x, y], [x, y], [x, y]].",
            )
        points = [self.at(f"point {n}").point(entry) for n, entry in enumerate(value, 1)]
        if points[0] == points[-1]:
            points.pop()
        corner = _crossing(np.array(points))
        if corner is not None:
            raise self.fail(
                f"the outline crosses itself at its side {corner + 1}", "Give the corners in order around it."
            )
        if abs(_area(np.array(points))) < 1e-4:
            raise self.fail("the outline encloses no area", "Give at least three corners, not in one line.")
        return tuple(points)


def _area(points: FloatArray) -> float:
    after = np.roll(points, -1, axis=0)
    return 0.5 * float(np.sum(points[:, 0] * after[:, 1] - after[:, 0] * points[:, 1]))


def _crossing(points: FloatArray) -> int | None:
    """The first side that another, not adjoining, side crosses; None for a simple polygon."""
    start, stop = points, np.roll(points, -1, axis=0)
    n = len(points)

    def side(a: FloatArray, b: FloatArray, p: FloatArray) -> FloatArray:
        return np.asarray(
            np.sign(
                (b[..., 0] - a[..., 0]) * (p[..., 1] - a[..., 1])
                - (b[..., 1] - a[..., 1]) * (p[..., 0] - a[..., 0])
            )
        )

    a, b, c, d = start[:, None], stop[:, None], start[None], stop[None]
    crosses = (side(a, b, c) * side(a, b, d) < 0) & (side(c, d, a) * side(c, d, b) < 0)
    number = np.arange(n)
    apart = (number[:, None] - number[None]) % n
    crosses &= (apart > 1) & (apart < n - 1)
    hits = np.nonzero(crosses.any(axis=1))[0]
    return int(hits[0]) if hits.size else None
