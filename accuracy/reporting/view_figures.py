"""The table of figures, and the same figures with and without the exclusions."""

from __future__ import annotations

import math

from accuracy.model import AxisSummary, FaceShift, HorizontalSummary, Interval, Summary, ThreeDSummary
from accuracy.reporting.view_nouns import Table
from accuracy.rounding import LengthText, counted, fixed
from accuracy.statistics.stated import likely_alike, rmse_interval
from accuracy.units import LengthUnit

DASH = "\N{EN DASH}"
ROWS = (
    "Checkpoints",
    "Mean",
    "Standard deviation",
    "RMSE",
    "RMSE, 95 % interval",
    "RMSE with survey",
    "Median",
    "NMAD",
    "95 % quantile",
    "Smallest, largest",
)


def _interval(interval: Interval | None, text: LengthText, *, signed: bool = False) -> str:
    if interval is None:
        return DASH
    return f"{text.small(interval[0], signed=signed)} to {text.small(interval[1], signed=signed)}"


def _number(s: AxisSummary | HorizontalSummary | ThreeDSummary) -> str:
    return str(s.n) if s.places in (None, s.n) else f"{s.n} at {counted(s.places or 0, 'place')}"


def _axis(s: AxisSummary, text: LengthText) -> tuple[str, ...]:
    return (
        _number(s),
        text.small(s.mean_m, signed=True),
        text.small(s.standard_deviation_m),
        text.small(s.rmse_m),
        _interval(rmse_interval(s), text),
        text.small(s.rmse_with_survey_m),
        text.small(s.median_m, signed=True),
        text.small(s.nmad_m),
        text.small(s.absolute_quantile_95_m),
        f"{text.small(s.minimum_m, signed=True)}, {text.small(s.maximum_m, signed=True)}",
    )


def _radial(s: HorizontalSummary, text: LengthText) -> tuple[str, ...]:
    return (
        _number(s),
        DASH,
        DASH,
        text.small(s.rmse_m),
        _interval(rmse_interval(s), text),
        text.small(s.rmse_with_survey_m),
        DASH,
        DASH,
        text.small(s.radial_95_m),
        # A length without a sign: the smallest tells nothing, so only the largest is kept.
        f"largest {text.small(s.maximum_m)}",
    )


def _three_d(s: ThreeDSummary, text: LengthText) -> tuple[str, ...]:
    return (
        _number(s),
        DASH,
        DASH,
        text.small(s.rmse_m),
        _interval(rmse_interval(s), text),
        text.small(s.rmse_with_survey_m),
        DASH,
        DASH,
        DASH,
        f"largest {text.small(s.maximum_m)}",
    )


def _columns(summary: Summary, text: LengthText) -> list[tuple[str, tuple[str, ...]]]:
    columns: list[tuple[str, tuple[str, ...]]] = []
    if summary.vertical is not None:
        columns.append(("Height, open ground", _axis(summary.vertical, text)))
    if summary.vegetated is not None:
        columns.append(("Height, vegetated", _axis(summary.vegetated, text)))
    if summary.horizontal is not None:
        columns.append(("Easting", _axis(summary.horizontal.easting, text)))
        columns.append(("Northing", _axis(summary.horizontal.northing, text)))
        columns.append(("Horizontal", _radial(summary.horizontal, text)))
    if summary.three_d is not None:
        columns.append(("Three-dimensional", _three_d(summary.three_d, text)))
    return columns


def figures(summary: Summary, unit: LengthUnit) -> Table | None:
    """All strata side by side; None where nothing was measured."""
    text = LengthText(unit)
    columns = _columns(summary, text)
    if not columns:
        return None
    return Table(
        head=(text.small_symbol, *(name for name, _ in columns)),
        rows=tuple((name, *(cells[i] for _, cells in columns)) for i, name in enumerate(ROWS)),
    )


def note(summary: Summary) -> str:
    """What qualifies the table: correlation along the drive, heavy tails, candidates for blunders."""
    said: list[str] = []
    for name, axis in (("on open ground", summary.vertical), ("in vegetation", summary.vegetated)):
        if axis is None:
            continue
        if axis.effective_n is not None and likely_alike(axis):
            said.append(_alike(f"height residuals {name}", axis.n, fixed(axis.effective_n, 0)))
        if axis.blunder_candidates:
            said.append(
                f"Possible blunders {name}, kept in the figures: {', '.join(axis.blunder_candidates)}."
            )
    if summary.horizontal is not None and likely_alike(summary.horizontal):
        axes = summary.horizontal.easting, summary.horizontal.northing
        worth = [fixed(one.effective_n or one.n, 0) for one in axes]
        said.append(
            _alike(
                "horizontal residuals",
                summary.horizontal.n,
                f"{worth[0]} in easting and {worth[1]} in northing",
            )
        )
    if summary.horizontal is not None and summary.horizontal.blunder_candidates:
        said.append(
            "Possible horizontal blunders, kept in the figures: "
            f"{', '.join(summary.horizontal.blunder_candidates)}."
        )
    return " ".join(said)


def _alike(what: str, n: int, worth: str) -> str:
    return (
        f"Neighbouring {what} are alike: the {n} checkpoints count as about {worth} independent ones. "
        "The interval of the RMSE is widened by that; those of the other figures are not."
    )


def outliers(summary: Summary) -> str:
    """Who stands far from the rest though within what the class lets pass; empty where nobody does."""
    found = [
        f"{what} {', '.join(far)}"
        for what, part in (
            ("height on open ground", summary.vertical),
            ("height in vegetation", summary.vegetated),
            ("horizontal position", summary.horizontal),
        )
        if part is not None and (far := [one for one in part.outliers if one not in part.blunder_candidates])
    ]
    if not found:
        return ""
    return f"Far from the rest by their own spread, kept in the figures: {'; '.join(found)}."


def with_and_without(summary: Summary, unit: LengthUnit) -> Table | None:
    """The main figures as reported and with the excluded points, for each stratum that they change.

    None where nothing was excluded or where the exclusions changed no figure.
    """
    if summary.with_exclusions is None:
        return None
    text = LengthText(unit)
    reported = dict(_columns(summary, text))
    complete = dict(_columns(summary.with_exclusions, text))
    blank = (DASH,) * len(ROWS)
    changed = [name for name in complete if reported.get(name, blank) != complete[name]]
    if not changed:
        return None
    rows: list[tuple[str, ...]] = []
    for name in ("Checkpoints", "Mean", "RMSE", "RMSE with survey"):
        i = ROWS.index(name)
        rows.append((f"{name}, as reported", *(reported.get(c, blank)[i] for c in changed)))
        rows.append((f"{name}, exclusions undone", *(complete[c][i] for c in changed)))
    return Table(head=(text.small_symbol, *changed), rows=tuple(rows))


def face_shift(found: FaceShift | None, unit: LengthUnit) -> str:
    """What upright faces among the checkpoints say of the run's position in plan; empty without any."""
    if found is None:
        return ""
    text = LengthText(unit)
    symbol = text.small_symbol
    said = f"{found.n} upright face{'s' if found.n != 1 else ''} among the checkpoints show"
    said += "s" if found.n == 1 else ""
    if found.shift_easting_m is not None and found.shift_northing_m is not None and found.covariance_m2:
        u_east, u_north = (text.small(math.sqrt(v)) for v in found.covariance_m2[:2])
        said += (
            f" the cloud shifted by {text.small(found.shift_easting_m, signed=True)} {symbol} in easting "
            f"(u {u_east}) and {text.small(found.shift_northing_m, signed=True)} {symbol} in northing "
            f"(u {u_north})."
        )
    else:
        said += (
            f" the cloud shifted by {text.small(found.component_m, signed=True)} {symbol} "
            f"(u {text.small(found.component_uncertainty_m)}) along the azimuth "
            f"{fixed(found.component_azimuth_degrees, 0)}\N{DEGREE SIGN}."
        )
    if found.unobservable:
        said += f" {found.unobservable.rstrip('.')}."
    if found.consistent is False:
        said += " The faces contradict one common shift; the uncertainties were widened to match."
    return said
