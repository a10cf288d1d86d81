"""Rows and sections of the table of simulated coverage; for the scripts beside it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from accuracy.model import Interval

PREFACE = """# Coverage of every interval and error rate of every test

All data behind these tables is invented, from fixed seeds; every figure comes from the product's own
functions. Written by `python tests/benchmarks/sim_intervals.py --out
tests/benchmarks/results/intervals_table.md`. Intervals are nominally 95 %, tests nominally err in 5 %.
A verdict names what lies outside 94 to 96 % (tests: 4 to 6 %, and whatever is less where a test cannot
err so often); "ok" is everything else. The standard error of a count of 10,000 is 0.2.

Intervals of a tested figure that includes the survey's share are those of the RMSE, added in
quadrature: they hold as often. Standard uncertainties of marks, shifts, clock and lever arm are
held against simulation in the other tables and scripts of this folder.
"""
HEADING = re.compile(r"^## ", re.MULTILINE)


def covers(interval: Interval | None, truth: float) -> float:
    """1 where the interval holds the truth, 0 where not, NaN where there is none."""
    return float("nan") if interval is None else float(interval[0] <= truth <= interval[1])


def rejects(p: float | None, level: float = 0.05) -> float:
    """1 where a test rejects."""
    return float(p is not None and p <= level)


class Table:
    """Rows of shares with a verdict each."""

    def __init__(self, first: Sequence[str], band: tuple[float, float] = (0.94, 0.96)) -> None:
        self.first, self.band = first, band
        self.lines: list[str] = []

    def row(
        self,
        labels: Sequence[object],
        hits: Mapping[str, Sequence[float]],
        extra: Mapping[str, str] | None = None,
        unjudged: Sequence[str] = (),
    ) -> None:
        """One line; ``unjudged`` columns are shown for comparison and get no verdict."""
        extra = extra or {}
        if not self.lines:
            head = [*self.first, *hits, *extra, "verdict"]
            self.lines = [f"| {' | '.join(head)} |", "|" + "---|" * len(head)]
        cells, said = [], []
        for name, values in hits.items():
            known = np.asarray(values, dtype=float)
            known = known[~np.isnan(known)]
            if not known.size:
                cells.append("–")
                continue
            share = round(float(known.mean()), 3)
            cells.append(f"{100 * share:.1f}")
            low, high = self.band
            if name in unjudged or low <= share <= high:
                continue
            tests = high < 0.5
            said.append(f"{name} {'low' if share < low else 'high' if tests else 'wide'}")
            if share < low and not tests:
                said[-1] = f"{name} narrow"
        line = [*map(str, labels), *cells, *extra.values(), "; ".join(said) or "ok"]
        self.lines.append(f"| {' | '.join(line)} |")
        print(self.lines[-1], flush=True)

    def text(self) -> str:
        """The Markdown."""
        return "\n".join(self.lines) + "\n"


def put_section(path: Path, title: str, body: str, order: Sequence[str]) -> None:
    """Write or renew one section of the file, the others as they are."""
    parts = HEADING.split(path.read_text("utf-8"))[1:] if path.exists() else []
    sections = {part.split("\n", 1)[0]: part.split("\n", 1)[1].strip() for part in parts}
    sections[title] = body.strip()
    kept = [f"## {name}\n\n{sections[name]}\n" for name in order if name in sections]
    path.write_text(PREFACE + "\n" + "\n".join(kept), "utf-8")
