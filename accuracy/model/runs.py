"""Runs, checkpoints and parts held against one another."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from accuracy.model.arrays import Interval
from accuracy.model.verdicts import Component, Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckpointInfluence:
    """What leaving out one checkpoint would do to the figure that is held against the class."""

    id: str
    """Of all that stand at its place, where several do, with commas between: they are left out together."""
    rmse_without_m: float
    """The tested figure without it: an RMSE, or what the standard makes of it."""
    change_m: float
    """The figure without it minus the figure with all."""
    flips: bool
    """Whether leaving it out alone would move the figure across the limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedTest:
    """One test of two runs at the same checkpoints."""

    name: Literal["wilcoxon_size", "wilcoxon_residual", "pitman_morgan", "rank_spread", "swap"]
    p_value: float | None
    p_holm: float | None = None
    """Corrected for every pair of runs that was tested alongside."""
    why_not: str | None = None
    """Why there is no p-value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunComparison:
    """Two runs at the checkpoints that both measured; differences are run a minus run b.

    A run stands for each of its clouds, under its label. Where ``attribute`` is given, all runs of
    one value of it stand against all of another: the residuals of a group are pooled at each
    checkpoint.
    """

    run_a: str
    run_b: str
    across: Literal["runs", "clouds", "runs and clouds"] = "runs"
    """What sets the two apart: another run, another cloud of one run, or both."""
    attribute: str | None = None
    """Of the runs, whose values ``run_a`` and ``run_b`` then name."""
    members_a: tuple[str, ...] = ()
    members_b: tuple[str, ...] = ()
    """The runs of each group."""
    also_apart_in: tuple[str, ...] = ()
    """Other attributes in which the groups differ, so that the difference may be theirs."""
    limited_by: str | None = None
    """The one run without which the groups would share at least twice as many checkpoints."""
    component: Component
    stratum: str | None = None
    """The attribute and value that these checkpoints share; None for all."""
    ids: tuple[str, ...]
    n: int
    rmse_a_m: float | None
    rmse_b_m: float | None
    rmse_difference_m: float | None
    rmse_difference_interval_95_m: Interval | None
    mean_difference_m: float | None
    """Of signed residuals: heights only."""
    mean_difference_interval_95_m: Interval | None
    tests: tuple[PairedTest, ...]
    margin_m: float | None
    equivalence_p: float | None
    """Two one-sided tests that the RMSEs differ by less than the margin."""
    mean_equivalence_p: float | None
    """The same for the mean height difference."""
    words: str
    """What follows, in one sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunMatrix:
    """Residuals by run and checkpoint: signed for heights, radial otherwise."""

    component: Component
    runs: tuple[str, ...]
    ids: tuple[str, ...]
    residual_m: tuple[tuple[float | None, ...], ...]
    """One row per run, one column per checkpoint; None where that run has no measurement."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedRun:
    """What the speed decision needs to know of a run."""

    name: str
    speed_km_per_h: float | None
    outcome: Outcome
    tested_m: float | None
    interval_95_m: Interval | None
    """Of the tested figure."""
    n: int
    places: int | None = None
    """At how many places the n stand, where that is known."""
    why: str = ""
    """Why it was not graded, if it was not."""
    tested_name: str = "RMSE"
    """What the tested figure is, as the standard writes it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedDecision:
    """Which is the fastest run that meets the class, and how firmly that is known."""

    answer: Literal["fastest", "none", "undecided"]
    component: Component
    cloud: str | None = None
    """The kind of cloud that it speaks of, where clouds have names: runs are called by theirs alone."""
    class_m: float
    fastest_met: str | None
    """The fastest run whose tested figure meets the class."""
    fastest_assured: str | None
    """The fastest run whose whole 95 % interval lies within the class."""
    sentence: str
    evidence: tuple[str, ...]
    """One sentence per run, fastest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartFigures:
    """The figures of one part of the checkpoints: a fold, or all but one."""

    name: str
    ids: tuple[str, ...]
    vertical_n: int
    vertical_rmse_m: float | None
    horizontal_n: int
    horizontal_rmse_m: float | None
    outcome: Outcome | None
    """Of all classes asked for together."""
