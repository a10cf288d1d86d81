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
            lines.append(
                f"Height, {name}: {figures.n} checkpoints, mean {text.small(figures.mean_m, signed=True)} {unit}, "
                f"RMSE {text.small(figures.rmse_m)} {unit}."
            )
    if summary.horizontal is not None:
        lines.append(
            f"Horizontal: {summary.horizontal.n} checkpoints, RMSE {text.small(summary.horizontal.rmse_m)} {unit}."
        )
    asked = [verdict for verdict in result.run.verdicts if verdict.class_m or verdict.class_name]
    lines += [
        f"{verdict.standard_title}, {verdict.component}: {verdict.outcome}. {verdict.why}"
        for verdict in asked
    ]
    return tuple(lines)
