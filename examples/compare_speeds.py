"""How fast may one drive and still meet the class?

python examples/compare_speeds.py demo-output/result
"""

from __future__ import annotations

import sys
from pathlib import Path

import accuracy


def main(folder: Path) -> None:
    """Print the decision for each component, and the evidence for it."""
    for decision in accuracy.read_result(folder).decisions:
        print(f"{decision.component}: {decision.sentence}")
        for line in decision.evidence:
            print(f"  {line}")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
