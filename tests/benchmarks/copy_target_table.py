"""Copies the simulation's table of flat marks into the guide to marks, in the columns that users need.

python tests/benchmarks/copy_target_table.py
"""

from __future__ import annotations

from pathlib import Path

from accuracy.reporting.mark_figures import HEAD

ROOT = Path(__file__).resolve().parent.parent.parent
TABLE = ROOT / "tests/benchmarks/results/target_table.md"
GUIDE = ROOT / "examples/marks.md"
COLUMNS = (
    ("mark", "mark"),
    ("size m", "size m"),
    ("points/m²", "points/m²"),
    ("refused", "refused"),
    ("RMS mm", "RMS mm"),
    ("bound mm", "bound mm"),
    ("z RMS", "z"),
    ("95 % mm", "95 % within mm"),
)
"""The simulation's name of a column and the guide's."""


def cells(row: str) -> list[str]:
    """The cells of a row of a Markdown table."""
    return [cell.strip() for cell in row.strip().strip("|").split("|")]


def guide_rows() -> list[str]:
    """The rows of the guide's table, head included, as the simulation's table has them."""
    rows = [row for row in TABLE.read_text("utf-8").splitlines() if row.startswith("|")]
    at = [cells(rows[0]).index(name) for name, _ in COLUMNS]
    body = [f"| {' | '.join(cells(row)[k] for k in at)} |" for row in rows[2:]]
    return [f"| {' | '.join(name for _, name in COLUMNS)} |", f"|{'---|' * len(COLUMNS)}", *body]


def updated(guide: str) -> str:
    """The guide with its table replaced."""
    before, _, rest = guide.partition(HEAD)
    after = rest[rest.index("\n\n") :]
    return before + "\n".join(guide_rows()) + after


if __name__ == "__main__":
    GUIDE.write_text(updated(GUIDE.read_text("utf-8")), encoding="utf-8")
