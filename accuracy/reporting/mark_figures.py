"""How well each flat mark was measured in simulation: the table of the guide to marks, as data.

The guide, ``examples/marks.md``, is packaged; its table is the one place where these figures stand for
users. A test holds it equal to the simulation's own table.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources

HEAD = "| mark | size m | points/m² | refused | RMS mm | bound mm | z | 95 % within mm |"


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkFigure:
    """One mark at one density, as printed; millimetres per horizontal component."""

    mark: str
    size_m: str
    points_per_m2: str
    refused: str
    rms_mm: str
    bound_mm: str
    z: str
    within_95_mm: str


def guide() -> str:
    """The guide to marks, as Markdown."""
    return resources.files("accuracy.examples").joinpath("marks.md").read_text("utf-8")


def simulated_figures() -> dict[str, tuple[MarkFigure, ...]]:
    """By the name of the mark, the thinnest points first."""
    rows = iter(guide().splitlines())
    if HEAD not in rows:  # leaves the iterator behind the head
        raise ValueError("examples/marks.md has lost its table of simulations")
    next(rows)
    found: dict[str, list[MarkFigure]] = {}
    for row in rows:
        if not row.startswith("|"):
            break
        cells = [cell.strip() for cell in row.strip("|").split("|")]
        mark, size, density, refused, rms, bound, z, within = cells
        found.setdefault(mark, []).append(
            MarkFigure(
                mark=mark,
                size_m=size,
                points_per_m2=density,
                refused=refused,
                rms_mm=rms,
                bound_mm=bound,
                z=z,
                within_95_mm=within,
            )
        )
    return {mark: tuple(figures) for mark, figures in found.items()}
