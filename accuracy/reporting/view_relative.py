"""The cloud against itself: within swaths, pass to pass, run to run, and the rigid shift of a run."""

from __future__ import annotations

import math
from collections.abc import Sequence

from accuracy.model import Interval, RelativeComparison, Result, RigidShift, ShiftComponent
from accuracy.reporting import charts_relative
from accuracy.reporting.lengths import in_unit
from accuracy.reporting.view_nouns import ChartView, RelativeView, ShiftView, Table
from accuracy.rounding import LengthText, fixed

DASH = "\N{EN DASH}"
KIND = {"within-swath": "within swath", "pass-to-pass": "pass to pass", "run-to-run": "run to run"}
MOST_TELLING = ("run-to-run", "pass-to-pass", "within-swath")
"""Whose places are drawn: the first of these kinds that found any."""
_DOES = {
    "within-swath": "how far points of one pass scatter about the smooth ground ({})",
    "pass-to-pass": "each pass against the next one over the same ground ({})",
    "run-to-run": "whole runs against each other ({})",
}
_TABLE_NOTE = (
    "Lengths in {unit}. NMAD: 1.4826 times the median distance from the median. RMSD: root mean square of "
    "the differences, with its 95 % interval; the interval considers that neighbouring places share their "
    "errors, and is too narrow where they do so over long stretches (over a twentieth of the road it held "
    "91 to 95 % in simulation). "
    "95 %: what 95 % of the absolute differences do not exceed. Left out: share of the places that "
    "were seen but not compared; why stands at the end of the chapter."
)
_RANGES = (
    " Within a swath all figures are of ranges, which have no sign and grow with the scatter of the points."
)
_SHIFT_NOTE = (
    "A positive value means that the first run lies that way from the second, or is turned right-handed "
    "about that axis. 1 mrad is one part in a thousand. u: standard uncertainty."
)


def relative(result: Result) -> RelativeView | None:
    """The chapter; None where nothing was held against itself."""
    comparisons = [one for part in result.relative for one in part.comparisons]
    shifts = [one for part in result.relative for one in part.shifts]
    remarks = [one for part in result.relative for one in part.remarks]
    if not (comparisons or shifts or remarks):
        return None
    text = LengthText(result.unit)
    drawn = most_telling(comparisons)
    shared, views = _shifts(shifts, comparisons, text)
    names = [name for one in comparisons for name in (one.name_a, one.name_b)]
    names += [name for one in shifts for name in (one.name_a, one.name_b)]
    limits = [one.words for one in comparisons if one.direction == "all" and one.words] + remarks
    return RelativeView(
        how=_how(comparisons, text),
        findings=() if drawn is None else _findings(drawn, text),
        table=_table(comparisons, text) if comparisons else None,
        table_note=_TABLE_NOTE.format(unit=text.small_symbol)
        + (_RANGES if any(one.kind == "within-swath" for one in comparisons) else ""),
        map=None if drawn is None else _map(drawn, text),
        histogram=None if drawn is None else _histogram(drawn, text),
        shifts=views,
        shifts_note=shared,
        limits=tuple(in_unit(said, result.unit, names) for said in dict.fromkeys(limits)),
    )


def most_telling(comparisons: Sequence[RelativeComparison]) -> RelativeComparison | None:
    """The comparison that is drawn: between runs before passes before swaths, then of most places."""
    found = [one for one in comparisons if one.direction == "all" and one.n and one.places]
    return min(found, key=lambda one: (MOST_TELLING.index(one.kind), -one.n), default=None)


def _names(one: RelativeComparison) -> str:
    return one.name_a if one.kind == "within-swath" else f"{one.name_a} \N{MINUS SIGN} {one.name_b}"


def _span(interval: Interval | None, text: LengthText, *, signed: bool = False) -> str:
    if interval is None:
        return DASH
    return f"{text.small(interval[0], signed=signed)} to {text.small(interval[1], signed=signed)}"


def _places(n: int) -> str:
    return f"{n:,} {'place' if n == 1 else 'places'}"


# --------------------------------------------------------------------------- in words


def _how(comparisons: Sequence[RelativeComparison], text: LengthText) -> tuple[str, ...]:
    if not comparisons:
        return ()
    whole = [one for one in comparisons if one.direction == "all"]
    kinds = [(kind, sum(one.kind == kind for one in whole)) for kind in reversed(MOST_TELLING)]
    compared = "; ".join(
        _DOES[kind].format(f"{n}\N{NO-BREAK SPACE}{'comparison' if n == 1 else 'comparisons'}")
        for kind, n in kinds
        if n
    )
    cells = " and ".join(text.large(cell, 2) for cell in sorted({one.cell_m for one in comparisons}))
    method = (
        f"In cells of {cells} {text.unit.symbol} a plane is fitted to the points of one pass, where these "
        "lie on smooth ground."
    )
    if any(one.kind != "within-swath" for one in whole):
        method += (
            " Where the same ground was captured twice, the difference is the height of the first plane "
            "minus that of the second, midway between the centres of both."
        )
    if any(one.kind == "within-swath" for one in whole):
        method += " Within a swath it is the range of heights about the plane."
    limits = sorted({one.roughest_m for one in comparisons if one.roughest_m is not None})
    if limits:
        ends = dict.fromkeys(text.small(limit) for limit in (limits[0], limits[-1]))
        method += (
            f" Smooth is what scatters by no more than {' to '.join(ends)} {text.small_symbol} "
            "(standard deviation about the plane)."
        )
    return (
        f"Compared without any checkpoint: {compared}. An error that all passes share does not show here; "
        "only checkpoints show it.",
        method,
    )


def _findings(one: RelativeComparison, text: LengthText) -> tuple[str, ...]:
    """What the comparison that is drawn amounts to."""
    unit = text.small_symbol
    said: list[str] = []
    if one.mean_m is not None and one.mean_interval_95_m is not None and one.kind != "within-swath":
        low, high = one.mean_interval_95_m
        span = f"95 % interval {_span((low, high), text, signed=True)} {unit}"
        if low <= 0 <= high:
            said.append(
                f"No step between {one.name_a} and {one.name_b} is shown: the differences have a mean of "
                f"{text.small(one.mean_m, signed=True)} {unit} ({span}, which holds zero)."
            )
        else:
            where = "above" if one.mean_m > 0 else "below"
            said.append(
                f"On average {one.name_a} lies {text.small(abs(one.mean_m))} {unit} {where} {one.name_b} "
                f"({span}, which leaves out zero)."
            )
    if one.rmsd_m is not None and one.noise_rms_m is not None:
        said.append(
            f"The RMSD is {text.small(one.rmsd_m)} {unit}; the scatter of the points alone would make it "
            f"{text.small(one.noise_rms_m)} {unit}."
        )
    if one.effective_n is not None:
        reach = (
            ""
            if one.correlation_length_m is None
            else f", as places share their errors over about {text.large(one.correlation_length_m, 0)} "
            f"{text.unit.symbol}"
        )
        said.append(
            f"The {_places(one.n)} count for about {fixed(one.effective_n, 0)} independent ones{reach}."
        )
    return (" ".join(said),) if said else ()


# --------------------------------------------------------------------------- table


def _table(comparisons: Sequence[RelativeComparison], text: LengthText) -> Table:
    rows = []
    for one in comparisons:
        signed = one.kind != "within-swath"
        rows.append(
            (
                _names(one),
                KIND[one.kind],
                one.direction if signed else DASH,
                f"{one.n:,}",
                text.small(one.mean_m, signed=signed),
                text.small(one.median_m, signed=signed),
                text.small(one.nmad_m),
                text.small(one.rmsd_m),
                _span(one.rmsd_interval_95_m, text),
                text.small(one.absolute_quantile_95_m),
                text.small(one.max_m),
                _left_out(one),
            )
        )
    head = ("Compared", "Kind", "Direction", "Places", "Mean", "Median", "NMAD", "RMSD", "95 % interval")
    return Table(head=(*head, "95 %", "Largest", "Left out"), rows=tuple(rows))


def _left_out(one: RelativeComparison) -> str:
    """In per cent of the places that were seen; a dash for the part of one direction, which has no count."""
    if one.direction != "all":
        return DASH
    out = sum(one.left_out.values())
    if not out:
        return "0 %" if one.n else DASH
    share = 100 * out / (out + one.n)
    if share < 0.5:
        return "< 1 %"
    if 99.5 <= share < 100:
        return "> 99 %"
    return f"{fixed(share, 0)} %"


# --------------------------------------------------------------------------- drawings


def _drawn_places(one: RelativeComparison) -> str:
    if len(one.places) >= one.n:
        return f"All {_places(one.n)}."
    return f"{_places(len(one.places))} of {one.n:,}, chosen by chance, the largest difference among them."


def _map(one: RelativeComparison, text: LengthText) -> ChartView:
    signed = one.kind != "within-swath"
    drawn = charts_relative.places_map(one.places, text.unit, signed=signed)
    said = [f"First: {one.name_a}. Second: {one.name_b}."] if signed else []
    return ChartView(
        title=f"Where they differ: {_names(one)}" if signed else f"Scatter within the swath: {_names(one)}",
        svg=drawn.svg,
        caption=" ".join(filter(None, [*said, _drawn_places(one), drawn.caption])),
        wide=True,
    )


def _histogram(one: RelativeComparison, text: LengthText) -> ChartView | None:
    signed = one.kind != "within-swath"
    marks = (
        []
        if len(one.quantiles_m) != 7
        else list(zip((one.quantiles_m[k] for k in (1, 3, 5)), ("5 %", "median", "95 %"), strict=True))
    )
    drawn = charts_relative.differences_chart(one.places, text.unit, marks_m=marks, signed=signed)
    if drawn is None:
        return None
    said = (
        f"The places that are drawn on the map; dashed lines: quantiles of all {_places(one.n)}."
        if marks
        else ""
    )
    return ChartView(
        title=f"How they are spread: {_names(one)}",
        svg=drawn.svg,
        caption=" ".join(filter(None, (said, drawn.caption))),
        wide=True,
    )


# --------------------------------------------------------------------------- rigid shift


def _shifts(
    shifts: Sequence[RigidShift], comparisons: Sequence[RelativeComparison], text: LengthText
) -> tuple[tuple[str, ...], tuple[ShiftView, ...]]:
    """What holds for every shift, said once, and each shift with the rest of its words."""
    estimated = [one for one in shifts if one.translations or one.rotations]
    shared: list[str] = []
    if estimated:
        shared = [said for said in estimated[0].words if all(said in one.words for one in estimated)]
        if len(estimated) == 1:
            shared = shared[-1:]  # nothing to tell apart: the nouns put what is general last
    views = tuple(
        ShiftView(
            title=f"Shift of {one.name_a} from {one.name_b} as a whole",
            table=_shift_table(one, text) if one in estimated else None,
            sentences=tuple(
                in_unit(said, text.unit, (one.name_a, one.name_b))
                for said in (*one.words, *_remaining(one, text), *_beside_the_mean(one, comparisons, text))
                if said not in shared
            ),
        )
        for one in shifts
    )
    spoken = tuple(in_unit(said, text.unit) for said in shared)
    return ((_SHIFT_NOTE, *spoken) if estimated else ()), views


def _shift_table(one: RigidShift, text: LengthText) -> Table:
    rows = [_component(c, text, turning=False) for c in one.translations]
    rows += [_component(c, text, turning=True) for c in one.rotations]
    return Table(head=("Direction or axis", "Value", "u", "Value / u"), rows=tuple(rows))


def _component(c: ShiftComponent, text: LengthText, *, turning: bool) -> tuple[str, ...]:
    name = c.name
    if turning:
        flat = math.hypot(c.easting, c.northing)
        if flat > abs(c.up):
            azimuth = round(math.degrees(math.atan2(c.easting, c.northing))) % 360
            name += f", which points towards {azimuth}\N{DEGREE SIGN}"
        name = f"turned {name}"
    if c.value is None:
        return (name, "not seen", DASH, DASH)
    u = c.standard_uncertainty
    ratio = DASH if not u else fixed(c.value / u, 1, signed=True)
    if turning:
        shown = DASH if u is None else f"{fixed(1000 * u, 3)} mrad"
        return (name, f"{fixed(1000 * c.value, 3, signed=True)} mrad", shown, ratio)
    unit = text.small_symbol
    shown = DASH if u is None else f"{text.small(u)} {unit}"
    return (name, f"{text.small(c.value, signed=True)} {unit}", shown, ratio)


def _remaining(one: RigidShift, text: LengthText) -> tuple[str, ...]:
    if one.rms_before_m is None or one.rms_after_m is None:
        return ()
    unit = text.small_symbol
    rest = (
        "."
        if one.misfit_ratio is None
        else f"; the scatter of the points alone would leave "
        f"{text.small(one.rms_after_m / one.misfit_ratio)} {unit}."
    )
    return (
        f"The patches of {one.name_a} lie {text.small(one.rms_before_m)} {unit} (RMS) from the planes of "
        f"{one.name_b} as they are, and {text.small(one.rms_after_m)} {unit} with the shift taken out{rest}",
    )


_SHOWN = 1.96
"""Standard uncertainties beyond which a value is told from zero at 95 %."""


def _beside_the_mean(
    one: RigidShift, comparisons: Sequence[RelativeComparison], text: LengthText
) -> tuple[str, ...]:
    """Which to go by, where the shift upwards and the mean of the differences tell of a step differently."""
    up = next((c for c in one.translations if c.up == 1), None)
    pair = next(
        (
            c
            for c in comparisons
            if (c.kind, c.direction, c.name_a, c.name_b) == ("run-to-run", "all", one.name_a, one.name_b)
        ),
        None,
    )
    if up is None or pair is None or up.value is None or not up.standard_uncertainty:
        return ()
    if pair.mean_m is None or pair.mean_interval_95_m is None:
        return ()
    low, high = pair.mean_interval_95_m
    by_shift, by_mean = abs(up.value) > _SHOWN * up.standard_uncertainty, not low <= 0 <= high
    if by_shift == by_mean:
        return ()
    reach = (
        ""
        if pair.correlation_length_m is None
        else f" (here over about {text.large(pair.correlation_length_m, 0)} {text.unit.symbol})"
    )
    ratio = fixed(up.value / up.standard_uncertainty, 1, signed=True)
    said = "stands out" if by_shift else "does not stand out"
    mean = "leaves out" if by_mean else "holds"
    return (
        f"The shift upwards, Value / u {ratio}, {said}, while the interval of the mean difference "
        f"({_span((low, high), text, signed=True)} {text.small_symbol}) {mean} zero. Go by the mean: its "
        f"interval allows for places that share their errors{reach}, as the wander of a drive makes them.",
    )
