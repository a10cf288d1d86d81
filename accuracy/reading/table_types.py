"""What a checkpoint table gives: options, dialect as understood, rows. Used by every table module.

Lengths are metres of the table's own frame; nothing here converts between coordinate systems.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np

from accuracy.errors import TableError
from accuracy.model import SAME_PLACE_M, Checkpoint, Cover, FloatArray, HeightKind, Role
from accuracy.units import LengthUnit


@dataclass(frozen=True, slots=True, kw_only=True)
class TableOptions:
    """What the user says about a table; everything may be left out."""

    columns: str | None = None
    """Column names of a table without headings, in order: ``id,northing,easting,height,code``.
    ``-`` or nothing skips a column; any other name is kept as an attribute."""
    unit: LengthUnit | None = None
    """Unit of every length; a heading that names another is refused. Metres where nobody says."""
    height_unit: LengthUnit | None = None
    """Unit of heights and their uncertainties where it differs from ``unit``."""
    decimal_mark: Literal[".", ","] | None = None
    """Only needed where the numbers leave it open."""
    average_duplicates: bool = False
    """Average repeated occupations of one id instead of refusing them."""
    same_position_m: float = SAME_PLACE_M
    """Points of different ids nearer than this in plan are remarked on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnReading:
    """How one column was understood."""

    position: int
    """Counted from 1."""
    heading: str
    """As the table writes it; empty in a table without headings."""
    role: str
    """Canonical column name, ``attribute`` or ``skip``."""
    name: str
    """The attribute's name; the role itself otherwise."""
    unit: str | None = None
    """The unit's name where the column holds lengths or degrees."""
    metres: float = 1.0
    """One unit in metres."""

    @property
    def place(self) -> str:
        """The column in words, for messages."""
        if not self.heading:
            return f"column {self.position} ({self.name})"
        return f"column {self.heading}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How the file was understood."""

    encoding: str
    byte_order_mark: bool
    delimiter: str
    """In words: comma, semicolon, tab, vertical bar, two or more blanks, blanks."""
    decimal_mark: Literal[".", ","]
    title_rows: tuple[int, ...]
    header_rows: tuple[int, ...]
    """Empty where the columns were given by option."""
    comment_rows: tuple[int, ...]
    columns: tuple[ColumnReading, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyedRow:
    """One row as read: a grid position or a geographic one, never both."""

    row: int
    """Counted from 1 as a text editor does; the first of several where occupations were averaged."""
    text: str
    """The row exactly as the file has it."""
    id: str
    easting_m: float | None
    northing_m: float | None
    latitude_deg: float | None
    longitude_deg: float | None
    height_m: float
    sigma_easting_m: float | None = None
    sigma_northing_m: float | None = None
    sigma_height_m: float | None = None
    cover: Cover = Cover.OPEN
    role: Role = Role.CHECK
    mark: str = "none"
    mark_size_m: float | None = None
    observed_easting_m: float | None = None
    observed_northing_m: float | None = None
    observed_height_m: float | None = None
    attributes: Mapping[str, str] = field(default_factory=dict)

    def checkpoint(
        self,
        easting_m: float,
        northing_m: float,
        height_m: float,
        observed: tuple[float, float, float | None] | None,
    ) -> Checkpoint:
        """This row as a Checkpoint at the given coordinates (metres)."""
        return Checkpoint(
            id=self.id,
            easting_m=easting_m,
            northing_m=northing_m,
            height_m=height_m,
            sigma_easting_m=self.sigma_easting_m,
            sigma_northing_m=self.sigma_northing_m,
            sigma_height_m=self.sigma_height_m,
            cover=self.cover,
            role=self.role,
            mark=self.mark,
            mark_size_m=self.mark_size_m,
            observed_easting_m=None if observed is None else observed[0],
            observed_northing_m=None if observed is None else observed[1],
            observed_height_m=None if observed is None else observed[2],
            attributes=self.attributes,
            row=self.row,
        )

    @property
    def observed(self) -> tuple[float, float, float | None] | None:
        """Where an operator saw the mark, in the table's frame (metres); None where not given."""
        if self.observed_easting_m is None or self.observed_northing_m is None:
            return None
        return self.observed_easting_m, self.observed_northing_m, self.observed_height_m


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatedPoint:
    """Several occupations of one id, averaged on request; spreads are largest minus smallest."""

    id: str
    rows: tuple[int, ...]
    spread_easting_m: float
    spread_northing_m: float
    spread_height_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SamePosition:
    """Two different ids at one place; both are kept."""

    ids: tuple[str, str]
    rows: tuple[int, int]
    distance_m: float
    """In plan."""
    height_difference_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckpointTable:
    """A checkpoint table as read, with everything that was understood and everything that is odd."""

    path: Path
    dialect: Dialect
    geographic: bool
    """True where the positions are latitude and longitude; then ``checkpoints`` cannot be had
    before a coordinate system brings them to a grid: see ``with_coordinates``."""
    height_kind: HeightKind | None
    """What the heading says about the heights, if it says anything."""
    rows: tuple[SurveyedRow, ...]
    duplicates: tuple[RepeatedPoint, ...]
    same_positions: tuple[SamePosition, ...]
    remarks: tuple[str, ...]
    """Sentences about what was odd or assumed."""

    @property
    def checkpoints(self) -> tuple[Checkpoint, ...]:
        """The points in metres of the table's own frame.

        Raises TableError for a table in latitude and longitude.
        """
        if self.geographic:
            raise TableError(
                "positions are latitude and longitude, not grid coordinates",
                path=self.path,
                remedy="Give their coordinate system (for example EPSG:4326), or export grid coordinates.",
            )
        return self._built(self._column("easting_m"), self._column("northing_m"), self.height_m, None)

    @property
    def height_m(self) -> FloatArray:
        """Heights, (n,) metres."""
        return self._column("height_m")

    @property
    def latitude_deg(self) -> FloatArray:
        """Latitudes of a geographic table, (n,) decimal degrees, north positive; empty otherwise."""
        return self._column("latitude_deg") if self.geographic else np.empty(0)

    @property
    def longitude_deg(self) -> FloatArray:
        """Longitudes of a geographic table, (n,) decimal degrees, east positive; empty otherwise."""
        return self._column("longitude_deg") if self.geographic else np.empty(0)

    def _column(self, name: str) -> FloatArray:
        return np.array([getattr(row, name) for row in self.rows], dtype=np.float64)

    def _built(
        self,
        easting_m: FloatArray,
        northing_m: FloatArray,
        height_m: FloatArray,
        observed: list[tuple[float, float, float | None] | None] | None,
    ) -> tuple[Checkpoint, ...]:
        seen = [row.observed for row in self.rows] if observed is None else observed
        # tolist: plain floats, so that the record never holds numpy scalars.
        columns = zip(
            self.rows, easting_m.tolist(), northing_m.tolist(), height_m.tolist(), seen, strict=True
        )
        return tuple(row.checkpoint(e, n, h, s) for row, e, n, h, s in columns)

    def with_coordinates(
        self,
        easting_m: FloatArray,
        northing_m: FloatArray,
        height_m: FloatArray,
        *,
        observed: list[tuple[float, float, float | None] | None] | None = None,
    ) -> tuple[Checkpoint, ...]:
        """The same points at other coordinates: what a coordinate conversion hands back.

        Arrays are (n,) metres in the order of ``rows``; ``observed`` holds one entry per row.
        Raises ValueError where the table has observed coordinates and no converted ones are given,
        because they would stay behind in the old frame.
        """
        if observed is None and any(row.observed is not None for row in self.rows):
            raise ValueError("observed coordinates must be converted together with the checkpoints")
        return self._built(
            np.asarray(easting_m, np.float64),
            np.asarray(northing_m, np.float64),
            np.asarray(height_m, np.float64),
            observed if observed is not None else [None] * len(self.rows),
        )
