"""Trajectories: all comparisons in one table, then the statement's run against each of its references."""

from __future__ import annotations

from collections.abc import Sequence

from accuracy.model import (
    ComponentFigures,
    Gap,
    Result,
    TrajectoryComparison,
    TrajectoryGroup,
    TrajectorySeries,
)
from accuracy.reporting import charts_drive, view_drive_charts
from accuracy.reporting.lengths import in_unit
from accuracy.reporting.view_nouns import DrivesView, DriveView, Table
from accuracy.rounding import LengthText, fixed
from accuracy.units import LengthUnit

DASH = "\N{EN DASH}"
MOST_GAPS = 12
"""Rows of the list of gaps; the longest are kept, and the rest counted."""
MOST_SEGMENTS = 16
_ARMS = ("forward", "left", "up")


def drives(result: Result, series: Sequence[TrajectorySeries] | None) -> DrivesView | None:
    """The chapter; None where no trajectory was compared. Without ``series`` it has tables only.

    Raises ValueError where there are not as many series as comparisons.
    """
    found = result.trajectories
    if not found:
        return None
    if series is not None and len(series) != len(found):
        raise ValueError(f"{len(found)} trajectory comparisons and {len(series)} series")
    text = LengthText(result.unit)
    paired: list[tuple[TrajectoryComparison, TrajectorySeries | None]] = [
        (one, None if series is None else series[k]) for k, one in enumerate(found)
    ]
    own = [(one, s) for one, s in paired if one.run == result.run.name] or paired[:1]
    others = [one for one in found if all(one is not shown for shown, _ in own)]
    shared = _shared_remarks([one for one, _ in own])
    said = {remark for one, _ in own for remark in one.remarks}
    return DrivesView(
        summary=_summary(found, text),
        summary_note=_summary_note(text),
        mounting=_mounting(found, text),
        mounting_notes=(*_mounting_notes(found), *(_spoken(r, found, result.unit) for r in shared)),
        drives=tuple(_drive(one, s, result.unit, leave_out=shared) for one, s in own),
        annex_groups=_groups_of_all(others, text) if others else None,
        annex_gaps=_gap_table([(one, gap) for one in others for gap in one.gaps], text, name_run=True),
        annex_notes=_notes_of_all(others, said, result.unit),
    )


def _shared_remarks(own: Sequence[TrajectoryComparison]) -> tuple[str, ...]:
    """Remarks that hold against every reference of the run: they are made once."""
    if len(own) < 2:
        return ()
    return tuple(r for r in own[0].remarks if all(r in one.remarks for one in own[1:]))


def _names(found: Sequence[TrajectoryComparison]) -> list[tuple[str, list[TrajectoryComparison]]]:
    references = dict.fromkeys(one.reference for one in found)
    return [(name, [one for one in found if one.reference == name]) for name in references]


# --------------------------------------------------------------------------- all comparisons


def _small(figures: ComponentFigures | None, text: LengthText) -> str:
    return text.small(None if figures is None else figures.rmse_m)


def _share(value: float) -> str:
    """A share of one in percent; all and nothing are not claimed by rounding."""
    shown = fixed(value * 100, 1)
    if shown == "100.0" and value < 1:
        return "> 99.9"
    return "< 0.1" if shown == "0.0" and value > 0 else shown


def _summary(found: Sequence[TrajectoryComparison], text: LengthText) -> Table:
    rows = []
    for one in found:
        every = one.all_epochs
        horizontal = every.horizontal
        rows.append(
            (
                one.run,
                one.reference,
                _count(one.n),
                text.small(one.rmse_along_m),
                text.small(one.rmse_cross_m),
                text.small(one.rmse_up_m),
                text.small(one.rmse_horizontal_m),
                text.small(one.rmse_3d_m),
                text.small(None if horizontal is None else horizontal.absolute_95_m),
                text.small(None if horizontal is None else horizontal.maximum_m),
                _share(one.verified_share),
                str(len(one.gaps)),
            )
        )
    head = ("Run", "Reference", "Epochs", "Along", "Cross", "Up", "Horizontal", "3D")
    return Table(head=(*head, "Horiz. 95 %", "Horiz. largest", "Verified %", "Gaps"), rows=tuple(rows))


def _summary_note(text: LengthText) -> str:
    return (
        f"RMSE of rig minus reference at the same instants, {text.small_symbol}: along the direction of "
        "travel, across it (to the left) and up. Verified: share of the run's time that a usable reference "
        "covers; nothing is known of the rest. Gap: a stretch without usable epochs of either."
    )


def _count(n: int) -> str:
    return f"{n:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def _mounting(found: Sequence[TrajectoryComparison], text: LengthText) -> Table:
    metric = text.unit is LengthUnit.METRE
    factor, decimals, symbol = (1000.0, 1, "mm") if metric else (1 / text.unit.metres, 4, text.small_symbol)
    rows = []
    for reference, group in _names(found):
        shared: dict[tuple[object, ...], list[TrajectoryComparison]] = {}
        for one in group:
            key = (one.clock_offset_s, one.lever_arm_m, one.lever_arm_standard_uncertainty_m)
            shared.setdefault(key, []).append(one)
        for members in shared.values():
            one = members[0]
            clock = _with_doubt(
                one.clock_offset_s,
                one.clock_offset_standard_uncertainty_s,
                1000,
                1,
                estimated="clock" in one.estimated,
            )
            arms = [
                _with_doubt(value, doubt, factor, decimals, estimated=name in one.estimated)
                for name, value, doubt in zip(
                    _ARMS, one.lever_arm_m, one.lever_arm_standard_uncertainty_m, strict=True
                )
            ]
            runs = "all runs" if len(members) == len(group) > 1 else ", ".join(m.run for m in members)
            rows.append((f"{reference}, {runs}", clock, *arms))
    head = ("Rig's point to", "Clock offset (ms)", *(f"{name.capitalize()} ({symbol})" for name in _ARMS))
    return Table(head=head, rows=tuple(rows))


def _with_doubt(
    value: float | None, doubt: float | None, factor: float, decimals: int, *, estimated: bool
) -> str:
    if value is None:
        return "not separable"
    shown = fixed(value * factor, decimals, signed=True)
    if not estimated:
        return f"{shown} (given)"
    return shown if doubt is None else f"{shown} \N{PLUS-MINUS SIGN} {fixed(doubt * factor, decimals)}"


def _mounting_notes(found: Sequence[TrajectoryComparison]) -> tuple[str, ...]:
    said = [
        "Each estimate stands with its standard uncertainty. Clock offset: the rig's clock minus the "
        "reference's. Forward, left and up lead from the rig's point to the reference's antenna or prism."
    ]
    for reference, group in _names(found):
        unknown = [one.run for one in group if one.clock_offset_s is None or one.lever_arm_m[0] is None]
        if unknown:
            said.append(
                f"{reference}: clock offset and forward lever arm could not be told apart in "
                f"{', '.join(unknown)}; the remarks below say what would separate them."
            )
    return tuple(said)


# --------------------------------------------------------------------------- one comparison


def _drive(
    one: TrajectoryComparison,
    series: TrajectorySeries | None,
    unit: LengthUnit,
    *,
    leave_out: Sequence[str],
) -> DriveView:
    text = LengthText(unit)
    return DriveView(
        title=f"{one.run} against {one.reference}",
        sentences=(
            *_sentences(one, text),
            *(_spoken(r, [one], unit) for r in one.remarks if r not in leave_out),
        ),
        figures=_figures(one.all_epochs, text),
        charts=view_drive_charts.charts(one, series, unit),
        groups=_groups(one, text),
        gaps=_gap_table([(one, gap) for gap in one.gaps], text, name_run=False),
    )


def _sentences(one: TrajectoryComparison, text: LengthText) -> list[str]:
    said = [
        f"The reference verifies {_share(one.verified_share)} % of the run's time and "
        f"{_share(one.verified_share_of_distance)} % of its length; "
        + (
            "there is no gap."
            if not one.gaps
            else f"{f'{len(one.gaps)} gaps of together' if len(one.gaps) > 1 else 'one gap of'} "
            f"{text.large(sum(g.length_m for g in one.gaps), 0)} {text.unit.symbol} "
            f"remain{'' if len(one.gaps) > 1 else 's'}."
        )
    ]
    if one.effective_n is not None and one.effective_n < 0.5 * one.n:
        said.append(
            f"Neighbouring epochs are alike: for a mean, the {_count(one.n)} epochs count as about "
            f"{fixed(max(one.effective_n, 1.0), 0)} independent ones."
        )
    if one.false_fixes and one.worst_false_fix_m is not None:
        said.append(
            f"Epochs called fixed that lie far off: {_count(one.false_fixes)}, up to "
            f"{text.small(one.worst_false_fix_m)} {text.small_symbol}."
        )
    if one.drift is not None:
        said += [_spoken(model.words, [one], text.unit) for model in one.drift.models]
        if one.drift.why_no_model:
            said.append(one.drift.why_no_model)
    return said


def _figures(every: TrajectoryGroup, text: LengthText) -> Table:
    shown = (
        ("Along", every.along, True),
        ("Cross", every.cross, True),
        ("Up", every.up, True),
        ("Horizontal", every.horizontal, False),
        ("3D", every.three_d, False),
    )
    rows = []
    for name, figures, signed in shown:
        if figures is None:
            rows.append((name, "not measured", *[DASH] * 5))
            continue
        rows.append(
            (
                name,
                _count(figures.n),
                text.small(figures.mean_m, signed=signed),
                text.small(figures.rmse_m),
                text.small(figures.nmad_m),
                text.small(figures.absolute_95_m),
                text.small(figures.maximum_m),
            )
        )
    head = (text.small_symbol, "Epochs", "Mean", "RMSE", "NMAD", "95 %", "Largest")
    return Table(head=head, rows=tuple(rows))


def _groups(one: TrajectoryComparison, text: LengthText) -> Table:
    segments = one.by_segment
    if len(segments) > MOST_SEGMENTS:
        worst = sorted(segments, key=lambda g: -(g.three_d.rmse_m if g.three_d else g.cross.rmse_m))
        kept = {id(g) for g in worst[:MOST_SEGMENTS]}
        segments = tuple(g for g in segments if id(g) in kept)
    rows = [
        (f"{label}{in_unit(charts_drive.fix_name(g.name), text.unit)}", _count(g.n), *_group_cells(g, text))
        for label, groups in (
            ("Fix: ", one.by_fix),
            ("", one.by_speed),
            ("Driven ", one.by_direction),
            ("", segments),
            ("From the instrument ", one.by_distance),
        )
        for g in groups
    ]
    head = (
        f"RMSE ({text.small_symbol})",
        "Epochs",
        "Along",
        "Cross",
        "Up",
        "Horizontal",
        "3D",
        "Horiz. largest",
    )
    return Table(head=head, rows=tuple(rows))


def _group_cells(g: TrajectoryGroup, text: LengthText) -> tuple[str, ...]:
    return (
        _small(g.along, text),
        _small(g.cross, text),
        _small(g.up, text),
        _small(g.horizontal, text),
        _small(g.three_d, text),
        text.small(None if g.horizontal is None else g.horizontal.maximum_m),
    )


def _gap_table(
    found: Sequence[tuple[TrajectoryComparison, Gap]], text: LengthText, *, name_run: bool
) -> Table | None:
    if not found:
        return None
    longest = sorted(range(len(found)), key=lambda k: -found[k][1].length_m)[:MOST_GAPS]
    rows: list[tuple[str, ...]] = []
    for number, (one, gap) in enumerate(found, start=1):
        if number - 1 not in longest:
            continue
        rows.append(
            (
                f"{one.run}, {one.reference}" if name_run else f"Gap {number}",
                f"{gap.of}",
                DASH if gap.start_s is None else fixed(gap.start_s, 1),
                DASH if gap.duration_s is None else fixed(gap.duration_s, 1),
                text.large(gap.start_chainage_m, 0),
                text.large(gap.length_m, 1),
                f"{text.large(gap.easting_m, 1)}, {text.large(gap.northing_m, 1)}",
            )
        )
    more = len(found) - len(rows)
    if more:
        rest = sum(found[k][1].length_m for k in range(len(found)) if k not in longest)
        rows.append((f"{more} shorter ones", *[DASH] * 4, text.large(rest, 1), DASH))
    u = text.unit.symbol
    head = ("Gaps" if name_run else "Gap", "Missing", "Begins (s)", "Lasts (s)")
    where = (f"At chainage ({u})", f"Length ({u})", f"Begins at ({u})")
    return Table(head=(*head, *where), rows=tuple(rows))


# --------------------------------------------------------------------------- other runs, in short


def _groups_of_all(found: Sequence[TrajectoryComparison], text: LengthText) -> Table:
    rows = [
        (f"{one.run}, {one.reference}: {charts_drive.fix_name(g.name)}", _count(g.n), *_group_cells(g, text))
        for one in found
        for g in one.by_fix or (one.all_epochs,)
    ]
    head = (f"RMSE ({text.small_symbol}) by fix", "Epochs", "Along", "Cross", "Up", "Horizontal", "3D")
    return Table(head=(*head, "Horiz. largest"), rows=tuple(rows))


def _spoken(said: str, found: Sequence[TrajectoryComparison], unit: LengthUnit) -> str:
    """A sentence of the record in the contract's unit, the names of runs and references left as they are."""
    return in_unit(said, unit, [name for one in found for name in (one.run, one.reference)])


def _notes_of_all(found: Sequence[TrajectoryComparison], said: set[str], unit: LengthUnit) -> tuple[str, ...]:
    """Remarks of the other runs, each once, with the comparisons that it holds for."""
    holds: dict[str, list[str]] = {}
    for one in found:
        for remark in one.remarks:
            general = remark.replace(one.run, "the run")
            if remark not in said and "interpolated between its own" not in remark:
                holds.setdefault(general, []).append(f"{one.run}, {one.reference}")
    return tuple(f"{'; '.join(names)}: {_spoken(remark, found, unit)}" for remark, names in holds.items())
