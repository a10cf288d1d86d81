"""A trajectory file -> Trajectory: the rig's own, a GNSS reference's, or a prism's coordinates.

Finds out which notation the file has and hands it to that reader; raw polar observations of a
prism have their own entry in trajectory_polar.
"""

from __future__ import annotations

from pathlib import Path

from accuracy.errors import TrajectoryError
from accuracy.model import Trajectory
from accuracy.reading.trajectory_nmea import is_nmea, read_nmea
from accuracy.reading.trajectory_rows import ToGrid, TrajectoryFormat, build_trajectory
from accuracy.reading.trajectory_solution import is_solution, read_solution
from accuracy.reading.trajectory_table import read_table
from accuracy.units import LengthUnit

__all__ = ["ToGrid", "TrajectoryFormat", "read_trajectory"]

_LOOK_AT = 20_000
_READERS = {"table": read_table, "solution": read_solution, "nmea": read_nmea}


def read_trajectory(
    path: str | Path, how: TrajectoryFormat | None = None, *, to_grid: ToGrid | None = None
) -> Trajectory:
    """Read one trajectory.

    Args:
        path: a table (comma, semicolon, tab or blanks), an NMEA log, or an open text solution.
        how: what the file does not say itself.
        to_grid: converter for files that hold latitude, longitude and ellipsoidal height.

    Returns: positions in metres, sorted by time; ``remarks`` names everything odd.

    Raises TrajectoryError with file, row, column, value and remedy.
    """
    path, how = Path(path), how or TrajectoryFormat()
    text = file_text(path)
    kind = how.kind
    if kind == "auto":
        head = text[:_LOOK_AT]
        kind = "nmea" if is_nmea(head) else "solution" if is_solution(head) else "table"
    if kind != "table" and how.length_unit not in (None, LengthUnit.METRE):
        raise TrajectoryError(
            f"the lengths of this notation are metres, and length_unit says {how.length_unit}",
            path=path,
            remedy="Leave length_unit out.",
        )
    return build_trajectory(_READERS[kind](path, text, how), how, to_grid)


def file_text(path: Path) -> str:
    """The file as text. Raises TrajectoryError where it cannot be read or is binary."""
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise TrajectoryError(
            f"the file cannot be read ({error.strerror})", path=path, remedy="Check the path and the rights."
        ) from None
    if b"\x00" in raw[:_LOOK_AT] and not raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise TrajectoryError(
            "the file is binary, not text", path=path, remedy="Export the trajectory as a text table."
        )
    for encoding in ("utf-16",) if raw.startswith((b"\xff\xfe", b"\xfe\xff")) else ("utf-8-sig", "cp1252"):
        try:
            return raw.decode(encoding)
        except UnicodeDecodeError:
            continue
    return raw.decode("latin-1")
