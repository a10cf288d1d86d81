"""Check one run and say what came out.

python examples/check_one_run.py demo-output/data
"""

from __future__ import annotations

import sys
from pathlib import Path

import accuracy


def main(folder: Path) -> None:
    """Measure the demo's 12 km/h run by itself."""
    run = accuracy.RunInput(
        name="12-eastbound", clouds=(accuracy.CloudInput(files=(folder / "12-eastbound.laz",)),)
    )
    job = accuracy.Job(
        title="Tern Quay, 12 km/h eastbound",
        checkpoints=folder / "checkpoints.csv",
        runs=(run,),
        statement_run=run.name,
        request=accuracy.ClassRequest(vertical_m=0.03),
    )
    result = accuracy.measure(job).result
    for verdict in result.run.verdicts:
        print(f"{verdict.component}: {verdict.outcome}. {verdict.why}")
    for point in result.run.checkpoints:
        if point.vertical.measured:
            print(f"{point.id}: {1000 * point.vertical.residual_m:+.1f} mm")
        else:
            print(f"{point.id}: {point.vertical.reason}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
