"""How much of a run the reference verified, and where it did not: gaps and shares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from accuracy.model import Gap
from accuracy.trajectory.interpolate import Track


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Gaps of either trajectory within the rig's run, and the verified shares of time and distance."""

    gaps: tuple[Gap, ...]
    of_time: float
    of_distance: float


def coverage(rig: Track, reference: Track, clock_s: float) -> Coverage:
    """Gaps and shares, on the rig's clock.

    Args:
        clock_s: rig's clock minus the reference's.
    """
    start, end = float(rig.time_s[0]), float(rig.time_s[-1])
    times = reference.time_s + clock_s
    holes = [(float(times[i]), float(times[i + 1])) for i in np.flatnonzero(~reference.whole)]
    holes = [(start, float(times[0])), *holes, (float(times[-1]), end)]
    usual = float(np.median(np.diff(rig.time_s)))
    missing = [(max(a, start), min(b, end)) for a, b in holes]
    missing = [(a, b) for a, b in missing if b - a > usual]
    own = [(float(rig.time_s[i]), float(rig.time_s[i + 1])) for i in np.flatnonzero(~rig.whole)]
    gaps = [_gap("reference", rig, a, b) for a, b in missing] + [_gap("rig", rig, a, b) for a, b in own]
    gaps.sort(key=lambda gap: (gap.start_chainage_m, gap.of))
    _, usable = reference.interval(rig.time_s - clock_s)
    verified = usable[:-1] & usable[1:] & rig.whole
    # A reference gap shorter than the rig's interval falls between two usable epochs.
    duration, way = np.diff(rig.time_s), np.diff(rig.chainage_m)
    total_way = float(way.sum())
    return Coverage(
        gaps=tuple(gaps),
        of_time=float(duration[verified].sum() / (end - start)),
        of_distance=float(way[verified].sum() / total_way) if total_way > 0 else 0.0,
    )


def _gap(of: str, rig: Track, start_s: float, end_s: float) -> Gap:
    at = np.interp([start_s, end_s], rig.time_s, rig.chainage_m)
    where = [np.interp(start_s, rig.time_s, column) for column in rig.position_m.T]
    return Gap(
        of="rig" if of == "rig" else "reference",
        start_s=start_s,
        duration_s=end_s - start_s,
        start_chainage_m=float(at[0]),
        length_m=float(at[1] - at[0]),
        easting_m=float(where[0] + rig.origin_m[0]),
        northing_m=float(where[1] + rig.origin_m[1]),
    )
