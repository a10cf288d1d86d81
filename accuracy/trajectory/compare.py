"""The rig's run against one reference -> TrajectoryComparison and the series for charts.

Residual = rig minus reference at the same instant, the lever arm taken off the reference, resolved
along travel, to the left of it and up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from accuracy.errors import TrajectoryError
from accuracy.model import (
    BoolArray,
    Drift,
    Fix,
    FloatArray,
    IntArray,
    Trajectory,
    TrajectoryComparison,
    TrajectoryGroup,
    TrajectorySeries,
)
from accuracy.rounding import fixed
from accuracy.trajectory import components as parts
from accuracy.trajectory.align import Alignment, align_runs
from accuracy.trajectory.correlation import correlated_sum
from accuracy.trajectory.coverage import coverage
from accuracy.trajectory.drift import SinceFix, drift_after_loss, since_fix
from accuracy.trajectory.interpolate import STANDING_M_PER_S, interpolation_error_m
from accuracy.trajectory.nearest import compare_by_place
from accuracy.trajectory.prepare import ComparisonSettings, Prepared, prepare
from accuracy.trajectory.solving import Evaluation, Pair, evaluate
from accuracy.trajectory.words import alignment_words

_MOST_FOR_CORRELATION = 20_000
_FALSE_FIX = 5.0
_CLEAR = 3.0
_WORTH_SAYING_M = 0.01
_CONSTANT_CAUSES = {
    "along": "Look for a clock offset (at one speed) or a forward lever arm.",
    "cross": "Look for a lever arm to the side.",
    "up": "Look for a height system (geoid), an antenna height or an up lever arm.",
}


def align_trajectories(
    runs: Sequence[tuple[Trajectory, Trajectory]], settings: ComparisonSettings | None = None
) -> Alignment:
    """One clock offset and lever arm for several (rig, reference) pairs that share a mounting.

    Raises TrajectoryError where a pair has no times, does not overlap, or is too short.
    """
    settings = settings or ComparisonSettings()
    return align_runs([prepare(*run, settings).pair for run in runs], settings.alignment)


def compare(
    rig: Trajectory,
    reference: Trajectory,
    settings: ComparisonSettings | None = None,
    *,
    alignment: Alignment | None = None,
) -> tuple[TrajectoryComparison, TrajectorySeries]:
    """Compare one run with one reference.

    Args:
        rig: the run; its remarks and the reference's are carried into the comparison's.
        reference: a reference without times is compared by nearest approach: along is not measured.
        alignment: from ``align_trajectories`` over all runs of the mounting; None estimates from this run.

    Raises TrajectoryError where they do not overlap or are too short.
    """
    settings = settings or ComparisonSettings()
    if reference.time_s is None or rig.time_s is None:
        return compare_by_place(rig, reference, settings)
    ready = prepare(rig, reference, settings)
    own = alignment is None
    if alignment is None:
        alignment = align_runs([ready.pair], settings.alignment)
    return _Compared(rig, reference, settings, ready, alignment, own).result()


class _Compared:
    """Everything known at the compared epochs of one run, and the figures made from it."""

    def __init__(
        self,
        rig: Trajectory,
        reference: Trajectory,
        settings: ComparisonSettings,
        ready: Prepared,
        alignment: Alignment,
        own_alignment: bool,
    ) -> None:
        self.rig, self.reference, self.settings = rig, reference, settings
        self.ready, self.alignment, self.own_alignment = ready, alignment, own_alignment
        pair = ready.pair
        node_s = pair.rig.time_s if pair.nodes_on == "rig" else pair.reference.time_s
        arm = np.array(alignment.applied_arm_m)
        seen = _only_usable(evaluate(pair, node_s, alignment.applied_clock_s, arm))
        self.seen = seen
        shift = [0.0 if value is None else value for value in alignment.frame_shift_m]
        self.unshifted_m = seen.residual_m + np.array(shift)
        """Easting, northing, height: what no constant shift between the frames explains."""
        self.shifted = any(shift)
        self.scatter_m = parts.resolve(self.unshifted_m, seen.angles_rad[:, 2])
        self.resolved_m = parts.resolve(seen.residual_m, seen.angles_rad[:, 2])
        self.epoch = _nearest(pair, seen.rig_time_s)
        """Of the rig, for each compared instant."""
        velocity = pair.reference.velocity_at(seen.reference_time_s)
        self.speed = np.hypot(velocity[:, 0], velocity[:, 1])
        self.chainage = pair.rig.chainage_m[self.epoch]
        everything = np.full(len(rig), Fix.UNKNOWN.value)
        self.rig_fix: NDArray[np.str_] = everything if rig.fix is None else rig.fix
        self.fix = self.rig_fix[self.epoch]
        self.place_m = pair.reference.at(seen.reference_time_s)[0] + pair.reference.origin_m

    def result(self) -> tuple[TrajectoryComparison, TrajectorySeries]:
        settings, alignment, pair = self.settings, self.alignment, self.ready.pair
        covered = coverage(pair.rig, pair.reference, alignment.applied_clock_s)
        every = parts.group("all epochs", self.resolved_m)
        false_fixes, worst = self._false_fixes()
        effective = self._effective_epochs()
        comparison = TrajectoryComparison(
            run=self.rig.name,
            reference=self.reference.name,
            n=every.n,
            effective_n=effective,
            clock_offset_s=alignment.clock_offset_s,
            clock_offset_standard_uncertainty_s=alignment.clock_offset_standard_uncertainty_s,
            lever_arm_m=alignment.lever_arm_m,
            lever_arm_standard_uncertainty_m=alignment.lever_arm_standard_uncertainty_m,
            estimated=tuple(
                name
                for name, taken in zip(("clock", "forward", "left", "up"), alignment.estimated, strict=True)
                if taken
            ),
            frame_shift_m=alignment.frame_shift_m,
            frame_shift_standard_uncertainty_m=alignment.frame_shift_standard_uncertainty_m,
            attitude_source=alignment.attitude_source,
            rmse_along_m=every.along.rmse_m if every.along else None,
            rmse_cross_m=every.cross.rmse_m,
            rmse_up_m=every.up.rmse_m,
            rmse_horizontal_m=every.horizontal.rmse_m if every.horizontal else None,
            rmse_3d_m=every.three_d.rmse_m if every.three_d else None,
            all_epochs=every,
            by_fix=parts.groups(self.resolved_m, parts.by_fix(self.fix)),
            by_speed=parts.groups(self.resolved_m, parts.by_speed(self.speed, settings.speed_bands_km_h)),
            by_direction=parts.groups(
                self.resolved_m,
                parts.by_direction(self.seen.angles_rad[:, 2], self.speed >= STANDING_M_PER_S),
            ),
            by_segment=parts.groups(self.resolved_m, parts.by_segment(self.chainage, settings.segment_m)),
            by_distance=self._by_distance(),
            drift=self._drift(),
            verified_share=covered.of_time,
            verified_share_of_distance=covered.of_distance,
            gaps=tuple(
                replace(gap, start_s=(gap.start_s or 0.0) + self.ready.rig_zero_s) for gap in covered.gaps
            ),
            false_fixes=false_fixes,
            worst_false_fix_m=worst,
            remarks=self._remarks(false_fixes, worst),
        )
        return comparison, self._series()

    # ------------------------------------------------------------------- figures

    def _by_distance(self) -> tuple[TrajectoryGroup, ...]:
        if self.settings.instrument_m is None:
            return ()
        away = np.linalg.norm(self.place_m - np.array(self.settings.instrument_m), axis=1)
        return parts.groups(self.resolved_m, parts.by_distance(away, self.settings.distance_bands_m))

    def _drift(self) -> Drift | None:
        if self.rig.fix is None:
            return None
        track = self.ready.pair.rig
        since = since_fix(track.time_s, track.chainage_m, self.rig_fix)
        at_nodes = SinceFix(since.time_s[self.epoch], since.distance_m[self.epoch], since.outage[self.epoch])
        return drift_after_loss(at_nodes, self.resolved_m)

    def _false_fixes(self) -> tuple[int, float | None]:
        held = self.fix == Fix.FIXED.value
        if int(held.sum()) < 10:
            return 0, None
        away = np.hypot(self.scatter_m[held, 0], self.scatter_m[held, 1])
        limit = _FALSE_FIX * float(np.median(away)) / parts.RAYLEIGH_MEDIAN
        false = away > limit
        return int(false.sum()), float(away[false].max()) if false.any() else None

    def _effective_epochs(self) -> float | None:
        stride = max(1, -(-self.epoch.size // _MOST_FOR_CORRELATION))
        values = self.scatter_m[::stride, :2]
        if values.shape[0] < 10:
            return None
        middle = np.median(values, axis=0)
        spread = 1.4826 * np.median(np.abs(values - middle), axis=0)
        tamed = np.clip(values - middle, -3 * spread, 3 * spread)
        times = self.seen.rig_time_s[::stride]
        return correlated_sum(np.ones((*tamed.shape, 1)), tamed, times)[1]

    # ------------------------------------------------------------------- words

    def _remarks(self, false_fixes: int, worst: float | None) -> tuple[str, ...]:
        pair = self.ready.pair
        words = [*alignment_words(self.alignment, self.settings)]
        if self.shifted:
            left = np.sqrt(np.mean(self.scatter_m**2, axis=0))
            words.insert(
                1,
                "Without the shift between the two frames the RMSE would be "
                + ", ".join(
                    f"{name} {fixed(float(rmse), 3)} m"
                    for name, rmse in zip(("along", "cross", "up"), left, strict=True)
                )
                + ".",
            )
        if not self.own_alignment:
            words.append("Clock offset and lever arm come from all runs of this mounting together.")
        sparse, dense = (
            (self.rig.name, self.reference.name)
            if pair.nodes_on == "rig"
            else (self.reference.name, self.rig.name)
        )
        error = interpolation_error_m(pair.reference if pair.nodes_on == "rig" else pair.rig)
        cost = f" (costs up to {fixed(error * 1000, 1)} mm for 95 % of it, noise included)"
        words.append(
            f"Differences are taken at the epochs of {sparse}; {dense} is interpolated between its own"
            + (cost if np.isfinite(error) else "")
            + ", never across a gap."
        )
        if worst is not None:
            words.append(
                f"Epochs called fixed that lie more than five robust deviations off: {false_fixes}, up to "
                f"{fixed(worst, 2)} m. They are in the plain figures; see the robust ones beside them."
            )
        words += self._constant_words() + self._radial_words()
        return (*words, *self.ready.remarks, *self.rig.remarks, *self.reference.remarks)

    def _constant_words(self) -> list[str]:
        """A constant part that dwarfs the scatter has another cause than the scatter."""
        words: list[str] = []
        if self.shifted:
            return words  # it is the constant part, and said
        for axis, name in enumerate(("along", "cross", "up")):
            values = self.resolved_m[:, axis]
            middle = float(np.median(values))
            spread = 1.4826 * float(np.median(np.abs(values - middle)))
            if abs(middle) > max(_CLEAR * spread, _WORTH_SAYING_M):
                words.append(
                    f"The {name} difference is nearly constant: {fixed(middle, 3, signed=True)} m with a "
                    f"robust scatter of {fixed(spread, 3)} m. {_CONSTANT_CAUSES[name]}"
                )
        return words

    def _radial_words(self) -> list[str]:
        """A constant part along the line of sight is what a wrong prism constant looks like."""
        if self.settings.instrument_m is None or self.settings.reference_kind != "prism":
            return []
        sight = self.place_m - np.array(self.settings.instrument_m)
        away = np.linalg.norm(sight, axis=1)
        radial = -np.einsum("ni,ni->n", self.unshifted_m, sight / away[:, None])
        stride = max(1, -(-radial.size // _MOST_FOR_CORRELATION))
        radial = radial[::stride]
        middle = float(np.median(radial))
        spread = 1.4826 * float(np.median(np.abs(radial - middle)))
        tamed = np.clip(radial, middle - 3 * spread, middle + 3 * spread)[:, None]
        total, _ = correlated_sum(
            np.ones((radial.size, 1, 1)), tamed - tamed.mean(), self.seen.rig_time_s[::stride]
        )
        mean, doubt = float(tamed.mean()), float(np.sqrt(total[0, 0])) / radial.size
        size = f"{fixed(mean * 1000, 1, signed=True)} mm (standard uncertainty {fixed(doubt * 1000, 1)} mm)"
        if abs(mean) > _CLEAR * doubt:
            return [
                f"Along the line of sight the prism lies {size} farther out than the rig says: check the "
                "prism constant and the station."
            ]
        return [f"Along the line of sight no constant part shows: {size}."]

    def _series(self) -> TrajectorySeries:
        stride = max(1, -(-self.epoch.size // self.settings.most_series_points))
        thin = slice(None, None, stride)
        along, cross, up = self.resolved_m[thin].T
        return TrajectorySeries(
            time_s=self.seen.rig_time_s[thin] + self.ready.rig_zero_s,
            chainage_m=self.chainage[thin],
            easting_m=self.place_m[thin, 0],
            northing_m=self.place_m[thin, 1],
            along_m=along,
            cross_m=cross,
            up_m=up,
            speed_m_per_s=self.speed[thin],
            fix=self.fix[thin],
        )


def _only_usable(seen: Evaluation) -> Evaluation:
    if not seen.usable.any():
        raise TrajectoryError(
            "no epoch of the rig meets a usable reference at the same instant",
            remedy="Check the dates, the time scales and the fix states of both files.",
        )
    return seen.take(seen.usable)


def _nearest(pair: Pair, rig_s: FloatArray) -> IntArray:
    index, _ = pair.rig.interval(rig_s)
    times = pair.rig.time_s
    later: BoolArray = rig_s - times[index] > times[index + 1] - rig_s
    return index + later
