"""The result in a few sentences, for the end of a command."""

from __future__ import annotations

from accuracy.model import Result
from accuracy.rounding import LengthText


def spoken(result: Result) -> tuple[str, ...]:
    """What the command says when it is done: figures first, then each verdict."""
    text = LengthText(result.unit)
    unit = text.small_symbol
    summary = result.run.summary
    counted = sum(point.used for point in result.run.checkpoints)
    lines = [f"{result.title}: {counted} of {len(result.run.checkpoints)} checkpoints count."]
    for name, figures in (("open terrain", summary.vertical), ("vegetation", summary.vegetated)):
        if figures is not None:
            mean, size = text.small(figures.mean_m, signed=True), text.small(figures.rmse_m)
            lines.append(f"Height, {name}: {figures.n} checkpoints, mean {mean} {unit}, RMSE {size} {unit}.")
    if summary.horizontal is not None:
        size = text.small(summary.horizontal.rmse_m)
        lines.append(f"Horizontal: {summary.horizontal.n} checkpoints, RMSE {size} {unit}.")
    lines += [
        f"{verdict.standard_title}, {verdict.component}: {verdict.outcome}. {verdict.why}"
        for verdict in result.run.verdicts
        if verdict.class_m or verdict.class_name
    ]
    lines += [f"{decision.component.capitalize()}: {decision.sentence}" for decision in result.decisions]
    if result.run.mistakes:
        lines.append(f"A mistake would explain the residuals: {result.run.mistakes[0].evidence}")
    return tuple(lines)
