"""What an alignment says, in a surveyor's words: what is known, what is not, what would help."""

from __future__ import annotations

import numpy as np

from accuracy.rounding import fixed, speed
from accuracy.trajectory.align import Alignment
from accuracy.trajectory.frame_shift import LONGEST_ARM_M
from accuracy.trajectory.prepare import ComparisonSettings
from accuracy.trajectory.solving import CLOCK, FORWARD

_NAMES = ("clock offset", "forward lever arm", "left lever arm", "up lever arm")
_LEANS = 0.9
_SAME_DRIVE_M = 2.0
_SAME_WAY = 0.1
_VARIED = 0.5
_WHOLE_SECOND_S = 0.2
_CLOCK_DISAGREES = 4.0


def alignment_words(alignment: Alignment, settings: ComparisonSettings) -> tuple[str, ...]:
    """Sentences for the report, most consequential first."""
    words = [
        *_frame_shift(alignment),
        *_impossible(alignment),
        *_degenerate(alignment),
        *_absorbed(alignment),
        *_correlations(alignment),
        *_attitude(alignment),
        *_clock(alignment),
        *_sources(alignment, settings),
    ]
    return tuple(words)


def _frame_shift(found: Alignment) -> list[str]:
    """A shift that is constant on the ground and does not turn with the vehicle, and what it touches."""
    east, north, up = found.frame_shift_m
    doubt_e, doubt_n, doubt_u = found.frame_shift_standard_uncertainty_m
    words = []
    if up is not None:
        words.append(
            f"The reference lies higher than the rig by {_shift(up, doubt_u)} m: the two files probably use "
            "different height systems (ellipsoidal and geoid heights), or an antenna height is wrong. The "
            "figures up and 3D contain it; lever arm, clock offset, along and cross were freed of it."
            + ("" if found.estimated[3] else " An up lever arm is within it: the two are not separable.")
        )
    if east is not None and north is not None:
        words.append(
            f"The reference lies {_shift(east, doubt_e)} m in easting and {_shift(north, doubt_n)} m in "
            "northing from where the rig says, whichever way the vehicle heads: that is a shift between "
            "the two coordinate frames and no lever arm. The figures along, cross, horizontal and 3D contain "
            "it; lever arm and clock offset were freed of it. Check the base station's coordinates. Check "
            "that both files are of the same drive and in the same coordinate system."
        )
    return words


def _shift(value_m: float, doubt_m: float | None) -> str:
    if abs(value_m) > LONGEST_ARM_M:
        return fixed(value_m, 1, signed=True)
    return f"{fixed(value_m, 3, signed=True)} \N{PLUS-MINUS SIGN} {fixed(doubt_m or 0.0, 3)}"


def _impossible(found: Alignment) -> list[str]:
    forward, left, _ = found.applied_arm_m
    reach = float(np.hypot(forward, left))
    if reach > LONGEST_ARM_M:
        return [
            f"The lever arm found is {fixed(reach, 1)} m long in plan: no vehicle carries it. Check that "
            "both files are of the same drive and in the same coordinate system."
        ]
    if found.sigma_horizontal_m > _SAME_DRIVE_M:
        return [
            "Even after the best clock offset and lever arm the two differ by "
            f"{fixed(found.sigma_horizontal_m, 1)} m (robust, per axis). Check that both files are of the "
            "same drive and in the same coordinate system."
        ]
    return []


def _degenerate(found: Alignment) -> list[str]:
    if found.separable:
        return []
    mean_m_per_s = found.mean_speed_m_per_s
    cure = (
        "Runs at other speeds with the same mounting, standing starts and stops in the run, or a lever arm "
        "measured by tape and given beforehand would separate them; turns help only where the speed changes "
        "or the arm reaches to the side."
    )
    if not found.estimated[CLOCK]:
        return [
            "The rig hardly moves, so the clock offset does not show and was taken as 0 s. "
            "Runs at walking speed or faster would determine it."
        ]
    together = found.applied_clock_s * mean_m_per_s
    if found.fastest_m_per_s - found.slowest_m_per_s > _VARIED * mean_m_per_s:
        return [
            f"Clock offset and forward lever arm cannot be told apart: the two differ by "
            f"{fixed(found.sigma_horizontal_m, 2)} m (robust, per axis), too much for this drive's speeds "
            f"({_kmh(found.slowest_m_per_s)} to {_kmh(found.fastest_m_per_s)}). {cure}"
        ]
    return [
        f"Clock offset and forward lever arm cannot be told apart: speed stays between "
        f"{_kmh(found.slowest_m_per_s)} and {_kmh(found.fastest_m_per_s)}, and at "
        f"one speed an offset along the track is the same as speed times time. Together they amount to "
        f"{fixed(together, 3, signed=True)} m at {_kmh(mean_m_per_s)} (0.1 s of clock would be "
        f"{fixed(0.1 * mean_m_per_s, 2)} m); they were removed together. {cure}"
    ]


def _kmh(speed_m_per_s: float) -> str:
    return speed(speed_m_per_s * 3.6)


def _absorbed(found: Alignment) -> list[str]:
    arms = [name.split()[0] for name, taken in zip(_NAMES[1:], found.estimated[1:], strict=True) if taken]
    if not arms and not found.estimated[CLOCK]:
        return []
    what = " and ".join(
        filter(
            None,
            [
                ", ".join(arms) + " lever arm" if arms else "",
                "clock offset" if found.estimated[CLOCK] else "",
            ],
        )
    )
    effect = "a constant offset of the rig in the vehicle's axes" if arms else "a constant delay of the rig"
    words = [
        f"The {what} were estimated from these same data, so {effect} cannot show in the residuals. "
        "Give values measured on the vehicle to test for it."
    ]
    if arms and found.heading_spread < _SAME_WAY:
        words.append(
            "The whole drive heads nearly the same way, so a shift between the two coordinate frames looks "
            "like a lever arm. A run in the opposite direction would tell them apart."
        )
    return words


def _correlations(found: Alignment) -> list[str]:
    words = []
    for i in range(4):
        for j in range(i + 1, 4):
            value = float(found.correlation[i, j])
            if abs(value) < _LEANS:
                continue
            cure = "runs at other speeds" if i == CLOCK and j == FORWARD else "more turns, both ways"
            words.append(
                f"{_NAMES[i].capitalize()} and {_NAMES[j]} lean on each other (correlation "
                f"{fixed(value, 2, signed=True)}): their sum is better known than either. More evidence to "
                f"tell them apart: {cure}."
            )
    return words


def _attitude(found: Alignment) -> list[str]:
    forward, left, up = found.applied_arm_m
    if found.attitude_source != "course":
        return []
    if not any(found.applied_arm_m):
        return [
            "No attitude is in either file: along and cross are resolved on the direction of travel of the "
            "reference; while the rig stands the last direction is kept."
        ]
    # A crossfall of 2.5 % is common practice for drainage; an angle of slip of one degree is a guess.
    lean = abs(up) * 0.025
    return [
        "No attitude is in either file: heading and pitch were taken from the direction of travel and the "
        "grade of the reference, roll as level. On a crossfall of 2.5 % an arm of this height leans "
        f"{fixed(lean * 100, 1)} cm to the side, and one degree of slip turns its reach by "
        f"{fixed(np.radians(1) * float(np.hypot(forward, left)) * 100, 1)} cm; in a turn the course of the "
        "antenna is not the vehicle's heading. While the rig stands its heading is not known: the last one "
        "is kept. The stated uncertainties do not contain this."
    ]


def _clock(found: Alignment) -> list[str]:
    words = []
    clock, doubt = found.clock_offset_s, found.clock_offset_standard_uncertainty_s
    if found.at_search_edge:
        words.append(
            "The best clock offset lies at the edge of the searched range: check date and time scale."
        )
    if clock is not None and found.estimated[CLOCK] and abs(clock) > 0.5:
        whole = round(clock)
        if whole and abs(clock - whole) < _WHOLE_SECOND_S:
            words.append(
                f"The clock offset is close to {whole:+d} whole seconds: the two files probably differ in "
                "time scale (GPS minus UTC is 18 s since 2017) or in a second of labelling."
            )
    if clock is not None and doubt is not None:
        off = [
            run
            for run in found.run_clocks
            if abs(run.clock_offset_s - clock) > _CLOCK_DISAGREES * max(run.standard_uncertainty_s, 1e-9)
        ]
        if off:
            named = ", ".join(
                f"{run.run} {fixed(run.clock_offset_s * 1000, 1, signed=True)} ms" for run in off[:4]
            )
            words.append(
                f"The runs do not share one clock offset ({named}; all together "
                f"{fixed(clock * 1000, 1, signed=True)} ms): estimate these runs apart."
            )
    return words


def _sources(found: Alignment, settings: ComparisonSettings) -> list[str]:
    if settings.reference_kind != "prism":
        return []
    words = []
    if found.estimated[CLOCK]:
        words.append(
            "The clock offset includes the latency of the prism tracking (the delay between measuring angles "
            "and distance and writing the time)."
        )
    words.append(
        "An error of the prism constant makes the reference too near or too far from the instrument by the "
        "same amount everywhere; it is a source of its own and no lever arm removes it."
    )
    return words
