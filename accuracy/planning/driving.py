"""The runs to drive, in their order. After the nouns of the plan."""

from __future__ import annotations

from accuracy.planning.plan import PlannedRun, PlanRequest, Way


def planned_runs(asked: PlanRequest, length_m: float | None) -> tuple[PlannedRun, ...]:
    """Every speed in every direction, as often as asked.

    Speeds climb in the first round and fall in the second, and so on, so that the satellites' slow
    change over the day does not go with speed; out and back alternate, so that nothing is driven empty.
    """
    runs: list[PlannedRun] = []
    speeds = sorted(asked.speeds_km_per_h)
    ways: tuple[Way, ...] = ("with the chainage", "against the chainage")
    if length_m is None:
        ways = ("as the area allows",)
    elif not asked.both_ways:
        ways = ways[:1]
    for repeat in range(1, asked.repeats + 1):
        for speed in speeds if repeat % 2 else speeds[::-1]:
            for way in ways:
                runs.append(
                    PlannedRun(
                        order=len(runs) + 1,
                        speed_km_per_h=speed,
                        direction=way,
                        repeat=repeat,
                        minutes=None if length_m is None else length_m / (speed / 3.6) / 60,
                    )
                )
    return tuple(runs)
