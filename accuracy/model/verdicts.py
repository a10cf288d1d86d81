"""What was asked of the cloud, and each standard's answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from accuracy.model.arrays import Interval


class Outcome(StrEnum):
    """What a standard says of a figure."""

    MET = "met"
    NOT_MET = "not met"
    NOT_GRADED = "not graded"


class RuleOutcome(StrEnum):
    """What became of one rule inside a verdict."""

    MET = "met"
    NOT_MET = "not met"
    ADVISORY = "advisory"
    """The rule only advises and its advice was not followed, or it needs a person's judgement."""
    NOT_APPLICABLE = "not applicable"
    NOT_KNOWN = "not known"
    """The rule applies but the evidence for it is missing, e.g. no survey uncertainty was given."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule of a standard, held against this test."""

    name: str
    source: str
    """Edition and section, or the contract's clause."""
    value: float | None
    limit: float | None
    unit: Literal["m", "count", "ratio", "percent", "none"]
    outcome: RuleOutcome
    words: str
    """One sentence for the report, numbers already in the contract's unit."""
    decisive: bool = False
    """Whether the verdict turns on it."""


class Component(StrEnum):
    """What a class speaks of."""

    VERTICAL = "vertical"
    HORIZONTAL = "horizontal"
    THREE_D = "3d"
    RELATIVE = "relative"
    CONTRACT = "contract"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One standard's answer for one component."""

    standard: str
    standard_title: str
    component: Component
    class_m: float | None
    """The class asked for; None where none was asked."""
    class_name: str | None
    tested_m: float | None
    """The figure that is held against the class, unrounded."""
    outcome: Outcome
    why: str
    """The outcome in one sentence."""
    rules: tuple[Rule, ...]
    statement: str | None
    """The reporting sentences in the standard's own form; None where it gives none."""
    probability_met: float | None = None
    """Chance that the true figure meets the class, given the residuals (flat prior on log sigma)."""
    tested_name: str | None = None
    """What the tested figure is, as the standard writes it."""
    fit_m: float | None = None
    """The same figure of the residuals alone, without the survey's share where the standard adds one."""
    fit_interval_95_m: Interval | None = None
    """Its 95 % interval, where it follows from an RMSE."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ContractLimit:
    """One limit of a contract: any statistic, of any stratum, with a sentence of its own."""

    name: str
    statistic: str
    """A field of that stratum's summary that is a length (``rmse_m``, ``mean_m``, ...), or
    ``largest_absolute_m``, or ``share_within``."""
    stratum: Literal["open", "vegetated", "easting", "northing", "horizontal", "3d", "relative"]
    limit_m: float | None = None
    """What the statistic's size must not exceed."""
    within_m: float | None = None
    least_share: float | None = None
    """For ``share_within``: at least this share (0 to 1) lies within ``within_m``."""
    least_checkpoints: int | None = None
    where: Mapping[str, str] = field(default_factory=dict)
    """Attributes that the checkpoints of this limit must have; empty for all."""
    sentence: str | None = None
    """May hold {name} {value} {limit} {unit} {share} {n} {outcome}."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassRequest:
    """What the contract asks: a standard and a class per component, in metres."""

    standard: str = "asprs-2024"
    vertical_m: float | None = None
    horizontal_m: float | None = None
    three_d_m: float | None = None
    class_name: str | None = None
    """For standards whose classes have names, e.g. QL2."""
    map_scale: float | None = None
    """The denominator: 24000 for 1:24,000."""
    contour_interval_m: float | None = None
    limits: tuple[ContractLimit, ...] = ()
    """For the standard "contract"."""
