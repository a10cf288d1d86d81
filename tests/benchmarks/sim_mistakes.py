"""Confusion of planted mistakes: what is named first, for each mistake and for clean surveys.

Run it by hand; every survey is invented (tests/planted/mistake_surveys.py says how). With the count of
100 it takes about a minute on one core.

    python tests/benchmarks/sim_mistakes.py --count 100 --out tests/benchmarks/results/mistakes_table.md
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

from accuracy.explaining.mistakes import find_apart, find_mistakes

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "planted"))

import mistake_surveys as surveys


def first_named(kind, seed):
    """What the residuals of one planted survey are first put down to."""
    planted = surveys.KINDS[kind](np.random.default_rng(seed))
    found = find_mistakes(planted.checkpoints, frame=planted.facts, conditions=planted.conditions)
    return found[0].kind if found else "none"


def first_apart(kind, seed):
    """The same for a table that lies nowhere near the cloud."""
    apart = surveys.APART[kind](np.random.default_rng(seed))
    found = find_apart(
        apart.boxes, apart.easting_m, apart.northing_m, frame=apart.facts, table_unit=apart.unit
    )
    return found[0].kind if found else "none"


def matrix(kinds, name, count, clean_count, seed):
    """(kind, surveys, right, Counter of all answers) per kind."""
    rows = []
    for place, kind in enumerate(kinds):
        n = clean_count if kind == "none" else count
        answers = Counter(name(kind, [seed, place, i]) for i in range(n))
        rows.append((kind, n, answers[kind], answers))
    return rows


def table(title, rows):
    """A Markdown table of a matrix."""
    lines = [
        f"## {title}",
        "",
        "| planted | surveys | named first | share | otherwise |",
        "|---|---|---|---|---|",
    ]
    for kind, n, right, answers in rows:
        others = ", ".join(f"{name} {times}" for name, times in answers.most_common() if name != kind)
        lines.append(f"| {kind} | {n} | {right} | {100 * right / n:.1f} % | {others or '-'} |")
    return [*lines, ""]


def main() -> None:
    """Print the tables, and write them where asked."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=100)
    options.add_argument("--clean", type=int, default=500)
    options.add_argument("--seed", type=int, default=20)
    options.add_argument("--out", type=Path)
    chosen = options.parse_args()
    start = time.process_time()
    lines = [
        "# Mistakes planted and named",
        "",
        f"Invented surveys, seed {chosen.seed}; made by `sim_mistakes.py`. Each row is one planted mistake.",
        "A survey counts as right when that mistake is the first suggestion, a clean one when there is none.",
        "",
    ]
    count, seed = chosen.count, chosen.seed
    lines += table("Residuals", matrix(surveys.KINDS, first_named, count, chosen.clean, seed))
    # A table that nothing explains asks PROJ for every system in use there: a second each.
    apart = matrix(surveys.APART, first_apart, count, count // 5, seed)
    lines += table("Tables nowhere near the cloud", apart)
    lines.append(f"CPU time {time.process_time() - start:.0f} s.")
    text = "\n".join(lines) + "\n"
    print(text)
    if chosen.out is not None:
        chosen.out.parent.mkdir(parents=True, exist_ok=True)
        chosen.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
