"""How time and memory of gathering grow with the cloud: ratios in one run, printed.

Run with ``python tests/benchmarks/bench_reading.py``. A road with checkpoints all along, and one four
times as long with as many checkpoints at the same density, are gathered, each in a process of its
own; time should grow about fourfold, memory should not grow. Not part of the suite: seconds and
megabytes depend on the machine.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import laspy
import numpy as np

from accuracy.model import Checkpoint
from accuracy.reading.cloud import read_headers
from accuracy.reading.patches import gather_patches

ROAD_M, WIDTH_M, CHECKPOINTS = 1100.0, 12.0, 48
N = 2_000_000


def make(path: Path, n: int, length_m: float) -> None:
    """Points along a straight road, in the order of driving, written a million at a time; invented."""
    header = laspy.LasHeader(version="1.4", point_format=7)
    header.scales, header.offsets = [0.001] * 3, [500_000.0, 5_000_000.0, 0.0]
    generator = np.random.default_rng(1)
    with laspy.open(path, mode="w", header=header) as writer:
        for begin in range(0, n, 1_000_000):
            count = min(1_000_000, n - begin)
            along = np.sort(generator.uniform(begin, begin + count, count)) / n * length_m
            record = laspy.ScaleAwarePointRecord.zeros(count, header=header)
            record.x, record.y = 500_000 + along, 5_000_000 + generator.uniform(0, WIDTH_M, count)
            record.z = generator.normal(5, 0.006, count)
            record["classification"] = np.full(count, 2, dtype=np.uint8)
            record["gps_time"] = 3e8 + along / 3.3
            record["intensity"] = generator.integers(0, 65536, count)
            writer.write_points(record)


def gather(path: Path, length_m: float) -> None:
    """Gather, and print seconds, peak memory and points kept as JSON."""
    checkpoints = [
        Checkpoint(id=str(k), easting_m=500_000 + e, northing_m=5_000_006.0, height_m=5.0)
        for k, e in enumerate(np.linspace(10, length_m - 10, CHECKPOINTS))
    ]
    headers = read_headers([path])
    begin = time.perf_counter()
    found = gather_patches(headers, checkpoints, horizontal_unit_m=1.0, vertical_unit_m=1.0)
    print(
        json.dumps(
            {
                "seconds": time.perf_counter() - begin,
                "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
                "kept": sum(len(patch) for patch in found.patches),
                "read": found.points_read,
            }
        )
    )


def main() -> None:
    """Print one line per file and the two ratios per kind."""
    if len(sys.argv) > 1:
        gather(Path(sys.argv[1]), float(sys.argv[2]))
        return
    with tempfile.TemporaryDirectory() as folder:
        for suffix in (".las", ".laz"):
            found = []
            for times in (1, 4):
                n, length_m = N * times, ROAD_M * times
                path = Path(folder) / f"road{n}{suffix}"
                make(path, n, length_m)
                run = subprocess.run(
                    [sys.executable, __file__, str(path), str(length_m)],
                    check=True,
                    capture_output=True,
                    text=True,
                )
                found.append(json.loads(run.stdout))
                path.unlink()
                print(
                    f"{suffix} {n:>10,} points: {found[-1]['seconds']:6.2f} s, "
                    f"peak {found[-1]['peak_mb']:6.0f} MB, kept {found[-1]['kept']:,}"
                )
            print(
                f"{suffix} four times the points: time x {found[1]['seconds'] / found[0]['seconds']:.2f}, "
                f"peak memory x {found[1]['peak_mb'] / found[0]['peak_mb']:.2f}"
            )


if __name__ == "__main__":
    main()
