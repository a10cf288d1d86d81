"""The nouns of a field plan: what is asked for, and what is proposed. Lengths in metres."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from accuracy.model import ClassRequest, Cover
from accuracy.planning.guidance import Demand, SpacingRule
from accuracy.planning.survey import Occupation
from accuracy.units import LengthUnit

Side = Literal["left", "right", "none"]
Way = Literal["with the chainage", "against the chainage", "as the area allows"]
Ring = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class StratumRequest:
    """Ground that is to be told apart: polygons of a GeoJSON file, or chainages along the line."""

    name: str
    where: Path | tuple[tuple[float, float], ...]
    cover: Cover = Cover.OPEN
    """Pavement under trees is open ground under a hidden sky; grass and crops are vegetated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """Everything that is asked of a plan."""

    request: ClassRequest
    line: Path | None = None
    area: Path | None = None
    crs: str | None = None
    title: str = "Field plan"
    unit: LengthUnit = LengthUnit.METRE
    """In which lengths are printed; files are written in the coordinate system's own unit."""
    expected_vertical_m: float | None = None
    """True RMSE that the rig is believed to reach, without the survey's share."""
    expected_horizontal_m: float | None = None
    """The same as RMSE_H, both axes together."""
    bad_times: float = 1.25
    """A bad run's true RMSE, in units of the limit."""
    wished: float = 0.90
    """Chance with which a good run is to pass and a bad one to fail."""
    strata: tuple[StratumRequest, ...] = ()
    spacing: SpacingRule | None = None
    least_spacing_m: float | None = None
    checkpoints: int | None = None
    """A number that the user fixes instead."""
    height_survey: Occupation | None = None
    horizontal_survey: Occupation | None = None
    """Per axis."""
    correlation_length_m: float | None = None
    """Along the drive, over which the rig's errors are shared."""
    verge_m: float = 3.0
    """From the line to the places on either side of it."""
    break_m: float = 3.0
    """From edges; ASPRS Ed. 2 7.12 advises 3 m (second-hand text)."""
    speeds_km_per_h: tuple[float, ...] = ()
    both_ways: bool = True
    repeats: int = 1
    mark: str = "quartered-disc"
    mark_size_m: float = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a checkpoint is proposed."""

    id: str
    easting_m: float
    northing_m: float
    longitude: float | None
    latitude: float | None
    side: Side
    chainage_m: float | None
    stratum: str
    cover: Cover
    marked: bool
    """Whether a flat mark is to be laid there for the horizontal position."""
    at_bend: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StratumPlan:
    """How many checkpoints one stratum gets."""

    name: str
    cover: Cover
    extent: float
    """Metres of line, or square metres of area."""
    wanted: int
    placed: int
    marked: int
    chances: tuple[tuple[float, float], ...]
    """Per component: that a good run passes and that a bad one fails on this stratum alone; empty in
    vegetation, which has no class of its own in Edition 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChanceRow:
    """What so many checkpoints decide."""

    n: int
    good_passes: float
    bad_fails: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ComponentPlan:
    """What can be concluded about one component."""

    demand: Demand
    expected_m: float
    expected_assumed: bool
    bad_m: float
    survey_m: float
    """Per axis, as reckoned with; for both together the larger of height and horizontal."""
    survey_assumed: bool
    likely_m: float
    """The figure that the expected run would be tested at, survey error included as the standard has it."""
    worst_survey_m: float | None
    """The largest survey uncertainty per axis with which the expected run still passes as wished."""
    n: int
    worth: float
    """Independent checkpoints that n are worth, for the run's RMSE."""
    good_passes: float
    bad_fails: float
    number_for_good: int | None
    number_for_bad: int | None
    table: tuple[ChanceRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyPlan:
    """How accurately the checkpoints must be known, and by how many occupations."""

    allowed_height_m: float | None
    """By the standard; None where no height is graded or the standard names no number."""
    allowed_horizontal_m: float | None
    """Per axis."""
    occupations: int | None
    """None where no single-occupation uncertainty was given."""
    height_m: float | None
    """Reached with so many occupations."""
    horizontal_m: float | None
    height: Occupation | None
    horizontal: Occupation | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """One drive, in the order to drive them."""

    order: int
    speed_km_per_h: float
    direction: Way
    repeat: int
    minutes: float | None
    """Pure driving at that speed; None over an area."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """What the map draws beneath the places."""

    lines: tuple[Ring, ...]
    areas: tuple[Ring, ...]
    strata: tuple[tuple[str, tuple[Ring, ...]], ...]
    """Stretches of line or rings of polygons, by stratum."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is proposed."""

    asked: PlanRequest
    system_words: str
    system_unit: LengthUnit
    length_m: float | None
    area_m2: float | None
    places: tuple[Place, ...]
    strata: tuple[StratumPlan, ...]
    components: tuple[ComponentPlan, ...]
    survey: SurveyPlan
    runs: tuple[PlannedRun, ...]
    outline: Outline
    widest_gap_m: float | None
    nearest_pair_m: float | None
    quadrant_shares: tuple[float, float, float, float] | None
    remarks: tuple[str, ...] = field(default=())
    """What cannot be met or was assumed, in words, the gravest first."""
