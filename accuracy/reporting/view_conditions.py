"""Why the cloud is off where it is off: residuals against the rig's state when each point was captured."""

from __future__ import annotations

import re
from collections.abc import Sequence

from accuracy.model import (
    CaptureConditions,
    ConditionEffect,
    Fix,
    Result,
    RunRecord,
    VerticalResidual,
)
from accuracy.reporting import charts_conditions
from accuracy.reporting.lengths import in_unit
from accuracy.reporting.view_nouns import ChartView, ConditionsView, Table
from accuracy.rounding import LengthText, fixed, speed_unit
from accuracy.units import LengthUnit

DASH = "\N{EN DASH}"
_TAIL = " This is an association at these checkpoints, not a proof of cause."
_TAILS = "These are associations at these checkpoints, not proofs of cause."
NONE_CARRIED = (
    "The evidence of this run carries no sentence on a cause: no condition goes with the size of the height "
    "residuals beyond what chance would show among as many conditions looked at."
)
_PANELS = (
    ("Speed", "speed_m_per_s", None),
    ("Time since the last fix (s)", "time_since_fix_s", 1.0),
    ("Range to the rig", "range_m", None),
    ("Turn rate (degrees/s)", "turn_rate_deg_per_s", 1.0),
)


def conditions(result: Result) -> ConditionsView | None:
    """The chapter; None where no trajectory was joined to the checkpoints of the statement's run."""
    run = result.run
    if not run.conditions:
        return None
    known = [one for one in run.conditions if one.why_not is None]
    return ConditionsView(
        sentences=_sentences(run, known, result.runs, result.unit),
        chart=_chart(run, known, result.unit),
        table=_table(run.condition_effects, LengthText(result.unit)) if run.condition_effects else None,
        missing=tuple(
            in_unit(one, result.unit) for one in (*_by_place(known), *_missing(run.conditions, known))
        ),
    )


def _sentences(
    run: RunRecord, known: Sequence[CaptureConditions], records: Sequence[RunRecord], unit: LengthUnit
) -> tuple[str, ...]:
    said = [in_unit(one.words, unit) for one in run.condition_effects if one.carried]
    if not said and run.condition_effects:
        said = [NONE_CARRIED]
    elif not said and known:
        said = [
            "Too few checkpoints with a known state differ enough in any condition to look for an effect."
        ]
    said += [
        f"Run {other.label}: {in_unit(one.words, unit)}"
        for other in records
        if other.label != run.label
        for one in other.condition_effects
        if one.carried
    ]
    if sum(sentence.endswith(_TAIL) for sentence in said) > 1:
        said = [*(sentence.removesuffix(_TAIL) for sentence in said), _TAILS]
    return tuple(said)


def _by_place(known: Sequence[CaptureConditions]) -> tuple[str, ...]:
    """Said where the points' own times did not tell the instant."""
    count = sum(one.by_place for one in known)
    if not count:
        return ()
    whose = "The points carry" if count == len(known) else f"At {count} checkpoints the points carry"
    return (f"{whose} no times: the state is that of the rig where it passed nearest.",)


def _missing(everything: Sequence[CaptureConditions], known: Sequence[CaptureConditions]) -> tuple[str, ...]:
    """Why states are missing, reasons that differ in numbers only told once."""
    reasons: dict[str, list[str]] = {}
    for one in everything:
        if one.why_not is not None:
            reasons.setdefault(re.sub(r"[\d.]+", "#", one.why_not), []).append(one.why_not)
    if not reasons:
        return ()
    whole = "any" if not known else f"{len(everything) - len(known)} of {len(everything)}"
    said = [
        f"The rig's state is not known for {whole} of the passes over the checkpoints:".replace(
            "any of", "any of"
        )
    ]
    for alike in reasons.values():
        example = alike[0] if len(set(alike)) == 1 else f"{alike[0]} (for example)"
        said.append(f"{len(alike)} pass{'es' if len(alike) != 1 else ''}: {example}.")
    return tuple(said)


def _chart(run: RunRecord, known: Sequence[CaptureConditions], unit: LengthUnit) -> ChartView | None:
    residual_m = {
        c.id: c.vertical.residual_m
        for c in run.checkpoints
        if c.used and isinstance(c.vertical, VerticalResidual)
    }
    joined = [one for one in known if one.checkpoint_id in residual_m]
    panels = []
    for plain, key, given in _PANELS:
        name, factor = (plain, given) if given is not None else _in_contracts_unit(plain, key, unit)
        points = [
            charts_conditions.Point(
                id=one.checkpoint_id,
                value=float(getattr(one, key)) * factor,
                residual_m=residual_m[one.checkpoint_id],
                fixed=one.fix in (None, Fix.FIXED.value, Fix.UNKNOWN.value),
            )
            for one in joined
            if getattr(one, key) is not None
        ]
        if len(points) > 1:
            panels.append((name, points))
    if not panels:
        return None
    caption = "Each mark is one pass over one used checkpoint."
    if any(not p.fixed for _, points in panels for p in points):
        caption += " Discs: captured with a fix; filled diamonds: without."
    return ChartView(
        title="Height residuals against the rig's state",
        svg=charts_conditions.small_multiples(panels, unit),
        caption=caption,
        wide=True,
    )


def _in_contracts_unit(plain: str, key: str, unit: LengthUnit) -> tuple[str, float]:
    """A panel's name with its unit, and how many of that unit one metre, or one metre per second, is."""
    if key == "speed_m_per_s":
        name, km_per_h = speed_unit(unit)
        return f"{plain} ({name})", 3.6 / km_per_h
    return f"{plain} ({unit.symbol})", 1 / unit.metres


def _table(effects: Sequence[ConditionEffect], text: LengthText) -> Table:
    rows = []
    for one in effects:
        if one.kind == "slope":
            size, symbol = (
                (1000, "mm") if text.unit is LengthUnit.METRE else (1 / text.unit.metres, text.small_symbol)
            )
            # Over a length the slope is the same share of any unit; metric, it is in mm per m.
            per, factor = (text.unit.symbol, size * text.unit.metres) if one.unit == "m" else (one.unit, size)
            if one.unit == "km/h":
                per, km_per_h = speed_unit(text.unit)
                factor *= km_per_h
            effect = f"{_digits(one.effect * factor, signed=True)} {symbol} per {per}"
            ends = (
                None
                if one.interval_95 is None
                else [_digits(v * factor, signed=True) for v in one.interval_95]
            )
        else:
            effect = f"{fixed(one.effect, 2)} times"
            ends = None if one.interval_95 is None else [fixed(v, 2) for v in one.interval_95]
        p = one.p_value_corrected
        rows.append(
            (
                one.condition[:1].upper() + one.condition[1:],
                str(one.n),
                effect,
                DASH if ends is None else " to ".join(ends),
                DASH if one.rank_correlation is None else fixed(one.rank_correlation, 2, signed=True),
                DASH if p is None else "< 0.001" if p < 0.001 else fixed(p, 3),
                "yes" if one.carried else "no",
            )
        )
    head = (
        "Condition",
        "n",
        "Effect on the size",
        "95 % interval",
        "Rank correlation",
        "p, corrected",
        "Carried",
    )
    return Table(head=head, rows=tuple(rows))


def _digits(value: float, *, signed: bool) -> str:
    """Two decimals, or as many as show two figures."""
    decimals = 2
    while decimals < 6 and value and abs(value) < 10 ** (1 - decimals):
        decimals += 1
    return fixed(value, decimals, signed=signed)
