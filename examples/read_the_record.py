"""Read result.json with nothing but the standard library.

python examples/read_the_record.py demo-output/result/result.json
"""

from __future__ import annotations

import json
import sys
from pathlib import Path


def main(path: Path) -> None:
    """Print the height residual of every checkpoint that has one."""
    record = json.loads(path.read_text(encoding="utf-8"))
    print(record["title"], record["software"]["version"])
    for point in record["checkpoints"]:
        vertical = point["vertical"]
        if vertical["measured"]:
            print(point["id"], vertical["residual_m"], "+/-", vertical["standard_uncertainty_m"])
        else:
            print(point["id"], vertical["reason"])


if __name__ == "__main__":
    main(Path(sys.argv[1]))
