"""Grade a result again on part of its checkpoints, without the cloud.

python examples/another_subset.py demo-output/result surface asphalt
"""

from __future__ import annotations

import sys
from pathlib import Path

import accuracy
from accuracy.subsets import SubsetRules


def main(folder: Path, name: str, value: str) -> None:
    """Count only the checkpoints whose attribute has that value."""
    options = accuracy.RecheckOptions(rules=SubsetRules(where=((name, value),)))
    result = accuracy.recheck(folder, options).result
    print(f"{result.title}: {result.subset}")
    for verdict in result.run.verdicts:
        print(f"{verdict.component}: {verdict.outcome}. {verdict.why}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], sys.argv[3])
