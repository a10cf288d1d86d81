"""What a file holds and what is odd about it, in lines for a terminal. Reads; measures nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import pyproj

from accuracy.conversion import convert
from accuracy.errors import AccuracyError, TrajectoryError
from accuracy.model import FloatArray, Progress, Trajectory, no_progress
from accuracy.reading.checkpoints import describe_table
from accuracy.reading.cloud import expand_cloud_paths
from accuracy.reading.cloud_description import CloudDescription, describe_cloud
from accuracy.reading.table_types import TableOptions
from accuracy.reading.trajectory import read_trajectory
from accuracy.rounding import counted

Kind = Literal["cloud", "checkpoints", "trajectory"]

_CLOUD_ENDINGS = {".las", ".laz"}
_TRAJECTORY_WORDS = (
    "gps_week",
    "gps week",
    "tow",
    "gps_seconds",
    "gpst",
    "$gp",
    "$gn",
    "time",
    "epoch",
    "utc",
    "timestamp",
)
_LOOK_AT = 2_000


@dataclass(frozen=True, slots=True)
class Inspection:
    """What one file holds."""

    lines: tuple[str, ...]
    usable: bool
    """Whether a job could use the file as it is."""


def files_to_inspect(paths: Iterable[Path], kind: Kind | None) -> tuple[Path, ...]:
    """The clouds in each folder; any other path as it is. Raises CloudError for a folder without clouds."""
    found: list[Path] = []
    for path in paths:
        found += expand_cloud_paths([path]) if path.is_dir() and kind in (None, "cloud") else (path,)
    return tuple(found)


def inspected(
    path: Path, *, kind: Kind | None, table: TableOptions, progress: Progress = no_progress
) -> Inspection:
    """Describe one file. Raises AccuracyError where it cannot even be described."""
    kind = kind or _kind(path)
    if kind == "cloud":
        lines, problem = _cloud_lines(describe_cloud(path, progress=progress)), None
    elif kind == "trajectory":
        lines, problem = _trajectory_lines(path)
    else:
        lines, problem = _table_lines(path, table)
    if problem is not None:
        lines = [*lines, f"  cannot be used: {problem}"]
    name = "checkpoint table" if kind == "checkpoints" else kind
    return Inspection((f"{path}: {name}", *lines), problem is None)


def _kind(path: Path) -> Kind:
    if path.suffix.lower() in _CLOUD_ENDINGS:
        return "cloud"
    try:
        head = path.read_bytes()[:_LOOK_AT].replace(b"\0", b"").decode("latin-1").lower()
    except OSError as error:
        raise AccuracyError(
            f"cannot be read: {error.strerror}", path=path, remedy="Check the path."
        ) from None
    return "trajectory" if any(word in head for word in _TRAJECTORY_WORDS) else "checkpoints"


def _odd(oddities: Iterable[str]) -> list[str]:
    found = list(oddities)
    return ["  odd:", *(f"    {one}" for one in found)] if found else ["  odd: nothing was found"]


def _counts(counts: Mapping[int, int], name: str) -> str:
    return f"  {name}: " + ", ".join(f"{number} ({count:,})" for number, count in sorted(counts.items()))


def _cloud_lines(cloud: CloudDescription) -> list[str]:
    header = cloud.header
    packed = "COPC" if header.is_copc else "LAZ" if header.is_compressed else "LAS"
    classes = ", ".join(
        f"{number} {cloud.class_name(number)} ({count:,})"
        for number, count in sorted(cloud.class_counts.items())
    )
    density = "not known in degrees"
    if cloud.points_per_m2 is not None:
        density = f"about {cloud.points_per_m2:,.0f} points per square metre where there are any"
    low, high = cloud.minimum, cloud.maximum
    lines = [
        f"  {counted(header.point_count, 'point')}, {packed} {header.version}, "
        f"point format {header.point_format}",
        f"  coordinate system: {cloud.crs_name or 'not recorded'}; plan in {cloud.plan_unit}, "
        f"heights in {cloud.height_unit}",
        f"  easting {low[0]:,.3f} to {high[0]:,.3f}, northing {low[1]:,.3f} to {high[1]:,.3f}, "
        f"height {low[2]:,.3f} to {high[2]:,.3f}",
        f"  coordinate step {header.scales[0]:g}, {header.scales[1]:g}, {header.scales[2]:g}",
        f"  density: {density}",
        f"  classes: {classes}",
        _counts(cloud.return_counts, "returns"),
        _counts(dict(sorted(cloud.source_counts.items())[:12]), "point sources"),
        f"  withheld {cloud.withheld:,}, noise {cloud.noise:,}: never measured on",
        f"  intensity {cloud.intensity_range[0]} to {cloud.intensity_range[1]}",
    ]
    if cloud.colour_range is not None:
        lines.append(f"  colour {cloud.colour_range[0]} to {cloud.colour_range[1]}")
    if cloud.time_range_s is not None:
        kind = {"adjusted-gps": "adjusted standard GPS time", "week-seconds": "seconds of the GPS week"}
        start, end = cloud.time_range_s
        lines.append(
            f"  time {start:.3f} to {end:.3f} ({end - start:,.1f} s), {kind.get(header.time_kind, 'none')}"
        )
    lines.append(
        f"  written by: {header.generating_software or 'not said'}, system {header.system_id or 'not said'}"
    )
    lines.append("  first points as read:")
    for point in cloud.first_points:
        place = f"{point['easting']:.3f} {point['northing']:.3f} {point['height']:.3f}"
        rest = ", ".join(
            f"{name.replace('_', ' ')} {value:.10g}"
            for name, value in point.items()
            if name not in ("easting", "northing", "height")
        )
        lines.append(f"    {place}  {rest}")
    return lines + _odd(cloud.oddities)


def _table_lines(path: Path, options: TableOptions) -> tuple[list[str], str | None]:
    table = describe_table(path, options)
    lines = [f"  {sentence}" for sentence in table.understood]
    lines.append("  first rows as read:")
    for row in table.first_rows:
        lines.append(f"    row {row.row}: {row.text}")
        if row.parsed:
            lines.append(f"      = {row.parsed}")
    if table.problem is None or table.odd:
        lines += _odd(table.odd)
    return lines, table.problem


def _trajectory_lines(path: Path) -> tuple[list[str], str | None]:
    zone: list[str] = []

    def to_grid(
        latitude_deg: FloatArray, longitude_deg: FloatArray, height_m: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        number = int((longitude_deg[0] + 180.0) // 6.0) + 1
        target = pyproj.CRS(32600 + number if latitude_deg[0] >= 0 else 32700 + number)
        zone.append(target.name)
        found = convert(
            longitude_deg, latitude_deg, height_m, source=pyproj.CRS(4326), target=target, path=path
        )
        return found.easting, found.northing, height_m

    try:
        track = read_trajectory(path, to_grid=to_grid)
    except TrajectoryError as error:
        return [], str(error)
    lines = _track_lines(track)
    if zone:
        lines.insert(1, f"  latitudes and longitudes, shown here in {zone[0]}")
    return lines + _odd(track.remarks), None


def _track_lines(track: Trajectory) -> list[str]:
    step = np.hypot(np.diff(track.easting_m), np.diff(track.northing_m))
    lines = [f"  {counted(len(track), 'epoch')} over {step.sum():,.1f} m"]
    if track.time_s is None:
        lines.append("  no times: only cross-track and up can be compared")
    else:
        interval = np.diff(track.time_s)
        usual = float(np.median(interval)) if interval.size else 0.0
        gaps = int((interval > 2.5 * usual).sum()) if usual else 0
        lines.append(
            f"  time {track.time_s[0]:.3f} to {track.time_s[-1]:.3f} s ({track.time_scale}), "
            f"every {usual:.6g} s, {counted(gaps, 'gap')}"
        )
        if usual:
            moving = step[interval > 0] / interval[interval > 0]
            lines.append(
                f"  speed: median {np.median(moving) * 3.6:.1f} km/h, "
                f"95 % below {np.quantile(moving, 0.95) * 3.6:.1f} km/h"
            )
    if track.fix is not None:
        shares = Counter(track.fix.tolist())
        lines.append(
            "  fix: " + ", ".join(f"{name} {n / len(track):.1%}" for name, n in shares.most_common())
        )
    given = [
        name
        for name, values in (
            ("roll and pitch", track.roll_rad),
            ("heading", track.heading_rad),
            ("speed", track.speed_m_per_s),
            ("satellites", track.satellites),
            ("standard uncertainties", track.sigma_height_m),
        )
        if values is not None
    ]
    lines.append(f"  also given: {', '.join(given) or 'nothing'}")
    lines.append("  first epochs as read:")
    for i in range(min(5, len(track))):
        when = "" if track.time_s is None else f"{track.time_s[i]:.3f} s  "
        lines.append(f"    {when}{track.easting_m[i]:.3f} {track.northing_m[i]:.3f} {track.height_m[i]:.3f}")
    return lines
