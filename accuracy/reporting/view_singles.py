"""How much hangs on single checkpoints, and the figures of parts of them where a recheck asked for those."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from accuracy.model import CheckpointInfluence, Component, PartFigures, Result, Verdict
from accuracy.reporting import words
from accuracy.reporting.view_nouns import SinglesView, Table
from accuracy.reporting.view_statement import tested_name
from accuracy.rounding import LengthText

DASH = "\N{EN DASH}"
MOST_INFLUENTIAL = 5
MOST_PARTS = 12
"""More parts than this stand in the annex."""


def singles(result: Result) -> SinglesView | None:
    """The chapter; None where the record has neither influences nor parts."""
    influence = {name: found for name, found in result.run.influence.items() if found}
    if not influence and not result.parts:
        return None
    text = LengthText(result.unit)
    verdicts = {v.component.value: v for v in reversed(result.run.verdicts) if v.class_m is not None}
    parts = _parts(result.parts, text) if result.parts else None
    few = len(result.parts) <= MOST_PARTS
    return SinglesView(
        sentences=tuple(
            _sentence(name, found, verdicts.get(name), _left_out(found, result), text)
            for name, found in influence.items()
        ),
        influence=_influence(influence, verdicts, text) if influence else None,
        parts_note=_parts_note(result.parts, text),
        parts=parts if few else None,
        annex_parts=None if few else parts,
    )


def _left_out(found: Sequence[CheckpointInfluence], result: Result) -> str:
    """What one line of an influence is about: a place, where any is that of several checkpoints."""
    known = {point.id for point in result.run.checkpoints}
    return "checkpoint" if all(one.id in known for one in found) else "place"


def _sentence(
    name: str,
    found: Sequence[CheckpointInfluence],
    verdict: Verdict | None,
    noun: str,
    text: LengthText,
) -> str:
    symbol, unit = tested_name(verdict), text.small_symbol
    head = words.COMPONENT[Component(name)]
    low, high = min(f.rmse_without_m for f in found), max(f.rmse_without_m for f in found)
    limit = None if verdict is None else verdict.class_m
    if limit is None:
        shown = f"{text.small(low)} and {text.small(high)} {unit}"
        return f"{head}: leaving out any one of {len(found)} {noun}s leaves the {symbol} between {shown}."
    flips = [f.id for f in found if f.flips]
    shown = f"{text.small_beside(low, limit)} and {text.small_beside(high, limit)} {unit}"
    if not flips:
        return (
            f"{head}: no single {noun} decides. Leaving out any one of {len(found)} leaves the {symbol} "
            f"between {shown}, on the same side of the class of {text.class_value(limit)} {unit}."
        )
    listed = ("; " if noun == "place" else ", ").join(flips[:10])
    listed += f" and {len(flips) - 10} more" if len(flips) > 10 else ""
    alone = " alone" if len(flips) == 1 else ", any one of them alone,"
    return (
        f"{head}: single {noun}s decide. Leaving out {listed}{alone} would move the {symbol} across the "
        f"class of {text.class_value(limit)} {unit}; without any one of {len(found)} it lies between "
        f"{shown}. That is a reason to look into them, not to leave them out."
    )


def _influence(
    influence: dict[str, tuple[CheckpointInfluence, ...]], verdicts: dict[str, Verdict], text: LengthText
) -> Table:
    rows = []
    for name, found in influence.items():
        verdict = verdicts.get(name)
        limit = None if verdict is None else verdict.class_m
        flipping = [f for f in found if f.flips]
        most = [*flipping, *(f for f in found if not f.flips)][
            : max(MOST_INFLUENTIAL, min(len(flipping), 12))
        ]
        rows += [
            (
                f"{words.COMPONENT[Component(name)]}, without {one.id}",
                text.small(one.rmse_without_m)
                if limit is None
                else text.small_beside(one.rmse_without_m, limit),
                text.small(one.change_m, signed=True),
                "yes" if one.flips else "no",
            )
            for one in most
        ]
    return Table(
        head=(text.small_symbol, "Tested figure", "Change", "Moves it across the class"), rows=tuple(rows)
    )


def _parts(found: Sequence[PartFigures], text: LengthText) -> Table:
    horizontal = any(one.horizontal_n for one in found)
    rows = []
    for one in found:
        cells = [one.name, str(one.vertical_n), text.small(one.vertical_rmse_m)]
        if horizontal:
            cells += [str(one.horizontal_n), text.small(one.horizontal_rmse_m)]
        cells.append(DASH if one.outcome is None else words.OUTCOME[one.outcome])
        rows.append(tuple(cells))
    head = [text.small_symbol, "Heights", "RMSE height"]
    head += ["Positions", "RMSE horizontal"] if horizontal else []
    return Table(head=(*head, "Classes asked for"), rows=tuple(rows))


def _parts_note(found: Sequence[PartFigures], text: LengthText) -> str:
    if not found:
        return ""
    said = f"The statement's run on {len(found)} parts of its checkpoints."
    for name, values in (
        ("height", [p.vertical_rmse_m for p in found if p.vertical_rmse_m is not None]),
        ("the horizontal position", [p.horizontal_rmse_m for p in found if p.horizontal_rmse_m is not None]),
    ):
        if values:
            said += (
                f" The RMSE of {name} lies between {text.small(min(values))} and {text.small(max(values))} "
                f"{text.small_symbol}."
            )
    outcomes = Counter(words.OUTCOME[p.outcome].lower() for p in found if p.outcome is not None)
    if outcomes:
        said += " Outcomes: " + ", ".join(f"{name} ({count})" for name, count in outcomes.most_common()) + "."
    if len(found) > MOST_PARTS:
        said += " The table stands in the annex."
    return said
