"""The epochs behind the charts of trajectories, kept beside the record for a recheck. After model.

One NumPy archive (a zip of plain arrays, readable without this program): the epochs of all comparisons
one after another, ``count`` saying how many belong to each ``run`` and ``reference``, in the record's
order. They come evenly thinned to 4000 at most for each comparison, which is also all that the charts
draw from. Places, chainages and times are whole numbers; differences and speeds are 32-bit metres and
metres per second, NaN where not measured. The first report is drawn from the kept numbers as well, so a
recheck draws the same charts to the last bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from accuracy.errors import RecordError
from accuracy.model import TrajectoryComparison, TrajectorySeries
from accuracy.reading.kept import RESTORE, archive_of, arrays_of, check_archive

_FORMAT = "accuracy-drives/1"
# Finer than any chart shows; 64 bits, since a zone before the easting makes it eight digits of metres.
_WHOLE = tuple((f"{name}_m", f"{name}_mm", 1000) for name in ("chainage", "easting", "northing"))
_TIME_UNITS_PER_S = 10_000
_REAL = ("along_m", "cross_m", "up_m", "speed_m_per_s")
KEPT = "epochs of the drives"
"""What the archive keeps, as messages call it."""


def pack_drives(comparisons: Sequence[TrajectoryComparison], series: Sequence[TrajectorySeries]) -> bytes:
    """The archive's bytes; the same series always give the same bytes.

    Args:
        comparisons: of the record.
        series: one for each, in the same order. Raises ValueError where there are more or fewer.
    """
    if len(comparisons) != len(series):
        raise ValueError(f"{len(comparisons)} trajectory comparisons and {len(series)} series")
    states = sorted({str(state) for one in series for state in one.fix})
    times = [np.zeros(0) if one.time_s is None else one.time_s for one in series]
    arrays: dict[str, NDArray[Any]] = {
        "format": np.array(_FORMAT),
        "run": np.array([one.run for one in comparisons], dtype=np.str_),
        "reference": np.array([one.reference for one in comparisons], dtype=np.str_),
        "count": np.array([len(one.chainage_m) for one in series], dtype=np.int64),
        "has_time": np.array([one.time_s is not None for one in series], dtype=np.bool_),
        "time_100us": np.concatenate([_whole(one, _TIME_UNITS_PER_S) for one in times]),
        "state": np.array(states, dtype=np.str_),
        "fix": np.concatenate([np.searchsorted(states, one.fix) for one in series]).astype(np.uint8),
    }
    for name, key, per_m in _WHOLE:
        arrays[key] = np.concatenate([_whole(getattr(one, name), per_m) for one in series])
    for name in _REAL:
        arrays[name] = np.concatenate([getattr(one, name).astype(np.float32) for one in series])
    return archive_of(arrays)


def _whole(values: NDArray[np.float64], per_unit: int) -> NDArray[np.int64]:
    return np.rint(values * per_unit).astype(np.int64)


def unpack_drives(
    content: bytes, comparisons: Sequence[TrajectoryComparison], *, path: Path, sha256: str
) -> tuple[TrajectorySeries, ...]:
    """The series of each comparison of the record, in its order.

    Raises RecordError where the archive is not the one of the record (its SHA-256 or its comparisons
    differ) or cannot be read.
    """
    check_archive(content, sha256=sha256, what=KEPT, path=path)
    arrays = arrays_of(content, what=KEPT, written_as=_FORMAT, path=path)
    named = list(zip(arrays["run"].tolist(), arrays["reference"].tolist(), strict=True))
    if named != [(one.run, one.reference) for one in comparisons]:
        raise RecordError(
            f"the kept {KEPT} are those of other comparisons than the record's",
            path=path,
            remedy=RESTORE,
        )
    return _unpacked(arrays)


def _unpacked(arrays: dict[str, NDArray[Any]]) -> tuple[TrajectorySeries, ...]:
    ends = np.cumsum(arrays["count"])
    time_ends = np.cumsum(arrays["count"] * arrays["has_time"])
    series = []
    for index, count in enumerate(arrays["count"].tolist()):
        here = slice(int(ends[index]) - count, int(ends[index]))
        fields: dict[str, Any] = {name: arrays[key][here] / per_m for name, key, per_m in _WHOLE}
        fields |= {name: arrays[name][here].astype(np.float64) for name in _REAL}
        time_end = int(time_ends[index])
        timed = bool(arrays["has_time"][index])
        fields["time_s"] = (
            arrays["time_100us"][time_end - count : time_end] / _TIME_UNITS_PER_S if timed else None
        )
        series.append(TrajectorySeries(fix=arrays["state"][arrays["fix"][here]], **fields))
    return tuple(series)
