"""The result in a few sentences, for the end of a command."""

from __future__ import annotations

from accuracy.model import Component, Result, Verdict
from accuracy.reporting import words
from accuracy.reporting.lengths import in_unit
from accuracy.rounding import LengthText, at_places, counted


def spoken(result: Result) -> tuple[str, ...]:
    """What the command says when it is done: figures first, then each verdict."""
    text = LengthText(result.unit)
    unit = text.small_symbol
    names = [run.label for run in (result.run, *result.runs)]
    summary = result.run.summary
    used = sum(point.used for point in result.run.checkpoints)
    lines = [
        f"{result.title}: {used} of {counted(len(result.run.checkpoints), 'checkpoint')} "
        f"{'counts' if used == 1 else 'count'}."
    ]
    for name, figures in (("open terrain", summary.vertical), ("vegetation", summary.vegetated)):
        if figures is not None:
            mean, size = text.small(figures.mean_m, signed=True), text.small(figures.rmse_m)
            number = at_places(figures.n, figures.places)
            lines.append(f"Height, {name}: {number}, mean {mean} {unit}, RMSE {size} {unit}.")
    if summary.horizontal is not None:
        size = text.small(summary.horizontal.rmse_m)
        number = at_places(summary.horizontal.n, summary.horizontal.places)
        lines.append(f"Horizontal: {number}, RMSE {size} {unit}.")
    lines += [
        f"{verdict.standard_title}, {_graded(verdict)}: "
        f"{verdict.outcome}. {in_unit(verdict.why, result.unit, (verdict.class_name or '',))}"
        for verdict in result.run.verdicts
        if verdict.class_m or verdict.class_name
    ]
    lines += [in_unit(said, result.unit, names) for said in result.not_compared]
    lines += [f"{words.decided(decision)}: {decision.sentence}" for decision in result.decisions]
    if result.run.mistakes:
        lines.append(
            f"A mistake would explain the residuals: {in_unit(result.run.mistakes[0].evidence, result.unit)}"
        )
    return tuple(lines)


def _graded(verdict: Verdict) -> str:
    """What was graded; a limit by its name, where the reason does not begin with it."""
    component = words.COMPONENT[verdict.component].lower()
    name = verdict.class_name
    if verdict.component is not Component.CONTRACT or name is None or verdict.why.startswith(f"{name}: "):
        return component
    return f'{component} "{name}"'
