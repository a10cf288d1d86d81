"""Invented results to make reports of: Tern Quay and its variants. Nothing here was measured.

The figures of each summary are computed from the invented residuals with numpy and scipy, apart
from the product's own statistics, so that a report can be looked at and tested on its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass, replace

import numpy as np
from scipy import stats

from accuracy.model import (
    AxisSummary,
    CheckpointResult,
    Component,
    Cover,
    Distribution,
    Exclusion,
    Flag,
    HorizontalResidual,
    HorizontalSummary,
    InputFile,
    Mistake,
    NotMeasured,
    Outcome,
    Reason,
    Result,
    Role,
    Rule,
    RuleOutcome,
    RunRecord,
    Software,
    Summary,
    ThreeDSummary,
    Verdict,
    VerticalResidual,
)
from accuracy.rounding import LengthText
from accuracy.units import LengthUnit

STANDARD = "ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2, Version 2 (2024)"
SURVEY_HEIGHT_M = 0.008
SURVEY_PLAN_M = 0.006


def _axis(values: np.ndarray, survey_m: float) -> AxisSummary:
    n = len(values)
    rmse = float(np.sqrt(np.mean(values**2)))
    sd = float(values.std(ddof=1)) if n > 1 else None
    median = float(np.median(values))
    low, high = stats.chi2.ppf([0.975, 0.025], n)
    interval = (rmse * float(np.sqrt(n / low)), rmse * float(np.sqrt(n / high))) if n > 2 else None
    return AxisSummary(
        n=n,
        mean_m=float(values.mean()),
        median_m=median,
        standard_deviation_m=sd,
        rmse_m=rmse,
        rmse_with_survey_m=float(np.hypot(rmse, survey_m)),
        survey_rms_m=survey_m,
        nmad_m=float(1.4826 * np.median(np.abs(values - median))),
        minimum_m=float(values.min()),
        maximum_m=float(values.max()),
        absolute_quantile_683_m=float(np.quantile(np.abs(values), 0.683)),
        absolute_quantile_95_m=float(np.quantile(np.abs(values), 0.95)),
        skewness=float(stats.skew(values)) if n > 2 else None,
        excess_kurtosis=float(stats.kurtosis(values)) if n > 3 else None,
        mean_interval_95_m=None,
        standard_deviation_interval_95_m=None,
        rmse_interval_95_m=interval,
        rmse_bootstrap_95_m=interval,
        median_interval_95_m=None,
        nmad_interval_95_m=None,
        absolute_quantile_95_interval_m=None,
        effective_n=float(n),
    )


def _summary(checkpoints: Sequence[CheckpointResult], *, with_excluded: bool = False) -> Summary:
    def counted(c: CheckpointResult) -> bool:
        return c.role is Role.CHECK and (c.used or with_excluded)

    strata = {}
    for cover in Cover:
        values = [
            c.vertical.residual_m
            for c in checkpoints
            if counted(c) and c.cover is cover and isinstance(c.vertical, VerticalResidual)
        ]
        strata[cover] = _axis(np.array(values), SURVEY_HEIGHT_M) if values else None
    both = [c for c in checkpoints if counted(c) and isinstance(c.horizontal, HorizontalResidual)]
    horizontal, three_d = None, None
    if both:
        east = np.array([c.horizontal.residual_easting_m for c in both])
        north = np.array([c.horizontal.residual_northing_m for c in both])
        e, n = _axis(east, SURVEY_PLAN_M), _axis(north, SURVEY_PLAN_M)
        radial = np.hypot(east, north)
        rmse = float(np.hypot(e.rmse_m, n.rmse_m))
        horizontal = HorizontalSummary(
            n=len(both),
            mean_easting_m=e.mean_m,
            mean_northing_m=n.mean_m,
            standard_deviation_easting_m=e.standard_deviation_m,
            standard_deviation_northing_m=n.standard_deviation_m,
            rmse_easting_m=e.rmse_m,
            rmse_northing_m=n.rmse_m,
            rmse_m=rmse,
            rmse_with_survey_m=float(np.hypot(rmse, SURVEY_PLAN_M * np.sqrt(2))),
            survey_rms_m=float(SURVEY_PLAN_M * np.sqrt(2)),
            rmse_interval_95_m=(rmse * 0.85, rmse * 1.22),
            rmse_bootstrap_95_m=None,
            radial_95_m=float(np.quantile(radial, 0.95)),
            maximum_m=float(radial.max()),
            easting=e,
            northing=n,
        )
        up = np.array([c.vertical.residual_m for c in both if isinstance(c.vertical, VerticalResidual)])
        if len(up) == len(both):
            rmse3 = float(np.sqrt(np.mean(radial**2 + up**2)))
            three_d = ThreeDSummary(
                n=len(both),
                rmse_m=rmse3,
                rmse_with_survey_m=float(np.hypot(rmse3, 0.0117)),
                survey_rms_m=0.0117,
                rmse_bootstrap_95_m=(rmse3 * 0.86, rmse3 * 1.17),
                maximum_m=float(np.sqrt(radial**2 + up**2).max()),
            )
    return Summary(
        vertical=strata[Cover.OPEN], vegetated=strata[Cover.VEGETATED], horizontal=horizontal, three_d=three_d
    )


def _verdict(
    component: Component,
    class_m: float | None,
    part: AxisSummary | HorizontalSummary | ThreeDSummary | None,
    unit: LengthUnit,
) -> Verdict:
    text = LengthText(unit)
    tested_m, n = (None, 0) if part is None else (part.rmse_with_survey_m, part.n)
    interval = (
        part.rmse_bootstrap_95_m if isinstance(part, ThreeDSummary) else part and part.rmse_interval_95_m
    )
    symbol = {Component.VERTICAL: "RMSE_V", Component.HORIZONTAL: "RMSE_H", Component.THREE_D: "RMSE_3D"}[
        component
    ]
    rules: tuple[Rule, ...] = ()
    statement = None
    if tested_m is None:
        outcome, why = Outcome.NOT_GRADED, "Nothing was measured that this class speaks of."
    elif class_m is None:
        outcome, why = Outcome.NOT_GRADED, "No class was asked for."
    else:
        within = tested_m <= class_m
        enough = n >= 30
        outcome = Outcome.NOT_GRADED if not enough else Outcome.MET if within else Outcome.NOT_MET
        printed = text.small_beside(tested_m, class_m)
        why = (
            f"{n} checkpoints are fewer than the 30 that the edition asks for, so the class is not graded."
            if not enough
            else f"{symbol}, the survey's own error included, is {'within' if within else 'over'} the class."
        )
        rules = (
            Rule(
                name=f"Accuracy, {symbol}",
                source="Edition 2, 7.4 and 7.11",
                value=tested_m,
                limit=class_m,
                unit="m",
                outcome=RuleOutcome.MET if within else RuleOutcome.NOT_MET,
                words=f"{symbol} is {printed} {text.small_symbol}, the survey's own error included.",
                decisive=True,
            ),
            Rule(
                name="Number of checkpoints",
                source="Edition 2, 7.13",
                value=float(n),
                limit=30.0,
                unit="count",
                outcome=RuleOutcome.MET if enough else RuleOutcome.NOT_MET,
                words=f"{n} checkpoints on open ground; the edition asks for at least 30.",
                decisive=True,
            ),
            Rule(
                name="Accuracy of the survey",
                source="Edition 2, 7.12",
                value=class_m / SURVEY_HEIGHT_M,
                limit=2.0,
                unit="ratio",
                outcome=RuleOutcome.MET,
                words="The class is more than twice the survey's standard uncertainty.",
            ),
            Rule(
                name="Mean error",
                source="Edition 2, 7.2",
                value=0.31 * tested_m,
                limit=0.25 * class_m,
                unit="m",
                outcome=RuleOutcome.ADVISORY if tested_m > 0.8 * class_m else RuleOutcome.MET,
                words="The mean should stay under a quarter of the class; a larger one is to be explained.",
            ),
            Rule(
                name="Distribution",
                source="Edition 2, appendix C",
                value=None,
                limit=None,
                unit="none",
                outcome=RuleOutcome.NOT_APPLICABLE,
                words="A corridor: quadrants do not apply; the spacing along it is stated instead.",
            ),
        )
        statement = (
            f"This data set was tested to meet {STANDARD} for a {text.class_value(class_m)} "
            f"({text.small_symbol}) {symbol} Accuracy Class. The tested accuracy was found to be {symbol} = "
            f"{printed} ({text.small_symbol})."
        )
    return Verdict(
        standard="asprs-2024",
        standard_title=STANDARD,
        component=component,
        class_m=class_m,
        class_name=None,
        tested_m=tested_m,
        outcome=outcome,
        why=why,
        rules=rules,
        statement=statement,
        probability_met=None
        if tested_m is None or class_m is None
        else (0.9712 if tested_m < class_m else 0.0004),
        tested_name=symbol,
        fit_m=part and part.rmse_m,
        fit_interval_95_m=interval,
    )


def _corridor(n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A bent road of 1.1 km with points on both verges."""
    s = np.linspace(0, 1100, n) + rng.uniform(-6, 6, n)
    heading = np.radians(28) + 0.45 * np.sin(s / 260)
    grid = np.linspace(-20, 1120, 2000)
    bend = np.radians(28) + 0.45 * np.sin(grid / 260)
    e = np.interp(s, grid, np.cumsum(np.cos(bend)) * (grid[1] - grid[0]))
    north = np.interp(s, grid, np.cumsum(np.sin(bend)) * (grid[1] - grid[0]))
    side = np.where(np.arange(n) % 2, 4.2, -4.2)
    return 431200 + e - side * np.sin(heading), 5512400 + north + side * np.cos(heading)


def _area(n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    return 431200 + rng.uniform(0, 640, n), 5512400 + rng.uniform(0, 420, n)


def make(
    *,
    n: int = 48,
    class_m: float | None = 0.05,
    bias_m: float = 0.006,
    scatter_m: float = 0.017,
    horizontal: bool = False,
    area: bool = False,
    unit: LengthUnit = LengthUnit.METRE,
    name: Callable[[int], str] = lambda i: f"TQ{i + 1:02d}",
    remarks: tuple[str, ...] = ("TQ31 and TQ32 stand 0.4 m apart; both are used.",),
    oddities: bool = True,
    seed: int = 48,
) -> Result:
    """One invented result; ``oddities`` adds refusals, flags, an exclusion, a control point, vegetation."""
    rng = np.random.default_rng(seed)
    easting, northing = (_area if area else _corridor)(n, rng)
    up = bias_m + rng.normal(0, scatter_m, n) + 0.008 * np.sin(np.arange(n) / 5)
    east, north = rng.normal(0.004, 0.011, n), rng.normal(-0.006, 0.009, n)
    checkpoints = []
    for i in range(n):
        odd = i if oddities else -1
        cover = Cover.VEGETATED if oddities and i % 8 == 5 else Cover.OPEN
        flags: tuple[Flag, ...] = ()
        flags += (Flag.SLOPE_OVER_10_PERCENT,) if odd == 12 else ()
        flags += (Flag.BREAK_WITHIN_3_M, Flag.PASSES_DISAGREE) if odd == 20 else ()
        vertical: VerticalResidual | NotMeasured = VerticalResidual(
            residual_m=float(up[i]),
            standard_uncertainty_m=float(np.hypot(SURVEY_HEIGHT_M, 0.0011)),
            fit_uncertainty_m=0.0011,
            survey_uncertainty_m=SURVEY_HEIGHT_M,
            points=int(rng.integers(300, 2400)),
            radius_m=0.4,
            density_per_m2=float(rng.uniform(900, 4000)),
            slope_percent=float(rng.uniform(0.4, 6)) if odd != 12 else 12.3,
            roughness_m=float(rng.uniform(0.004, 0.009)),
            normal=(0.0, 0.02, 0.9998),
            tin_residual_m=float(up[i]) + 0.002,
            nearest_residual_m=float(up[i]) - 0.004,
            spread_m=0.006,
            layers=2 if odd == 30 else 1,
            passes=2,
            pass_difference_m=0.004,
            flags=flags,
        )
        used, why, role = True, None, Role.CHECK
        if odd == 7:
            vertical = NotMeasured(code=Reason.EDGE, reason="a kerb runs through the patch, 6 cm high")
            used, why = False, "a kerb runs through the patch, 6 cm high"
        elif odd == 17:
            vertical = replace(vertical, residual_m=0.143, flags=(Flag.BLUNDER_CANDIDATE,))
            used, why = False, "Excluded: tripod knocked over during the occupation, field book page 14"
        elif odd == 25:
            used, why, role = False, "control point: it was used to make the cloud", Role.CONTROL
        placed: HorizontalResidual | NotMeasured = NotMeasured(
            code=Reason.NO_MARK, reason="no mark identifies the point in the cloud"
        )
        if horizontal and odd != 7 and i % 5 != 4:
            c = float(rng.uniform(-0.4, 0.4))
            se, sn = 0.0066, 0.0078
            placed = HorizontalResidual(
                method="target",
                residual_easting_m=float(east[i]),
                residual_northing_m=float(north[i]),
                standard_uncertainty_m=float(np.sqrt((se**2 + sn**2) / 2)),
                covariance_m2=(se**2, sn**2, c * se * sn),
                mark="quartered-disc",
                mark_size_m=0.6,
                flags=(Flag.WORN,) if odd == 22 else (),
            )
        checkpoints.append(
            CheckpointResult(
                id=name(i),
                easting_m=float(easting[i]),
                northing_m=float(northing[i]),
                height_m=float(4.2 + 2.1 * np.sin(i / 9)),
                sigma_easting_m=SURVEY_PLAN_M,
                sigma_northing_m=SURVEY_PLAN_M,
                sigma_height_m=SURVEY_HEIGHT_M,
                cover=cover,
                role=role,
                mark="quartered-disc" if isinstance(placed, HorizontalResidual) else "none",
                used=used,
                why_not_used=why,
                vertical=vertical,
                horizontal=placed,
                attributes={"surface": "asphalt" if i % 3 else "setts"},
            )
        )
    summary = _summary(checkpoints)
    exclusions: tuple[Exclusion, ...] = ()
    if oddities and n > 17:
        exclusions = (
            Exclusion(id=name(17), reason="tripod knocked over during the occupation, field book page 14"),
        )
        summary = replace(summary, with_exclusions=_summary(checkpoints, with_excluded=True))
    v, h, d = summary.vertical, summary.horizontal, summary.three_d
    verdicts = [
        _verdict(Component.VERTICAL, class_m, v, unit),
        _verdict(Component.HORIZONTAL, class_m, h, unit),
    ]
    if d is not None:
        verdicts.append(_verdict(Component.THREE_D, class_m and 1.2 * class_m, d, unit))
    distribution = (
        Distribution(
            shape="area", area_m2=268000.0, smallest_spacing_m=9.0, quadrant_shares=(0.29, 0.23, 0.27, 0.21)
        )
        if area
        else Distribution(shape="corridor", length_m=1092.0, largest_gap_m=61.0, median_spacing_m=23.0)
    )
    return Result(
        software=Software(version="0.1.0"),
        title="Tern Quay, run 12 km/h eastbound",
        unit=unit,
        date="2025-05-14",
        inputs=(
            InputFile(path="runs/12-east/tile-01.laz", sha256="3f" * 32, role="cloud", points=18412201),
            InputFile(path="runs/12-east/tile-02.laz", sha256="a4" * 32, role="cloud", points=20118446),
            InputFile(path="survey/checkpoints.csv", sha256="9c" * 32, role="checkpoints", note=f"{n} rows"),
        ),
        settings={
            "Standard": "ASPRS Edition 2 (2024)",
            "Points left out": "withheld points; classes 7 and 18",
            "Radius": "chosen by density, 0.25 to 3 m",
            "Confidence": "95 %",
        },
        exclusions=exclusions,
        run=RunRecord(
            name="12-east",
            attributes={"speed": "12 km/h", "direction": "eastbound"},
            checkpoints=tuple(checkpoints),
            summary=summary,
            verdicts=tuple(verdicts),
            distribution=distribution,
            mistakes=(
                Mistake(
                    kind="Constant height shift",
                    size=0.006,
                    size_unit="m",
                    evidence="A shift of +0.6 cm takes away a tenth of the variance of the residuals.",
                    check_by="Compare the antenna height in the field book with the one in the processing.",
                    score=3.1,
                ),
            )
            if oddities
            else (),
            remarks=remarks,
        ),
        crs="ETRS89 / UTM zone 33N (EPSG:25833), grid coordinates in metres",
        vertical_datum="invented harbour datum",
        prepared_by="Survey office, Tern Quay (invented)",
        prepared_for="Harbour board, Tern Quay (invented)",
        project="Quay road condition survey (invented)",
    )


def nothing_measured() -> Result:
    """Every checkpoint refused: the cloud does not reach any of them."""
    whole = make(n=6, oddities=False)
    nothing = NotMeasured(code=Reason.OUTSIDE_CLOUD, reason="no point of the cloud within 3 m")
    checkpoints = tuple(
        replace(c, used=False, why_not_used="no point of the cloud within 3 m", vertical=nothing)
        for c in whole.run.checkpoints
    )
    verdicts = tuple(_verdict(v.component, v.class_m, None, whole.unit) for v in whole.run.verdicts)
    run = replace(
        whole.run,
        checkpoints=checkpoints,
        summary=Summary(),
        verdicts=verdicts,
        distribution=Distribution(shape="unknown"),
    )
    return replace(whole, run=run, inputs=(), settings={}, date=None, prepared_by=None)


CASES: dict[str, Callable[[], Result]] = {
    "met": make,
    "not-met": lambda: make(bias_m=0.048, scatter_m=0.022),
    "not-graded": lambda: make(n=12, oddities=False),
    "area": lambda: make(area=True, n=40),
    "horizontal": lambda: make(horizontal=True),
    "area-horizontal": lambda: make(area=True, horizontal=True, n=60),
    "feet": lambda: make(unit=LengthUnit.US_SURVEY_FOOT, horizontal=True, class_m=0.2 * 1200 / 3937),
    "no-class": lambda: make(class_m=None),
    "one": lambda: make(n=1, oddities=False, class_m=0.05),
    "two": lambda: make(n=2, oddities=False),
    "many": lambda: make(n=300, horizontal=True),
    "long-words": lambda: make(
        name=lambda i: f"TERN-QUAY-HARBOUR-WALL-NORTH-{i:03d}-REV-C",
        horizontal=True,
        remarks=(
            "ملاحظة: أُعيد قياس النقطتين بعد العاصفة، وتطابقت النتائج ضمن ثلاثة مليمترات.",
            "The swing bridge stood open during the run. " * 12,
            "Anunbrokenwordthatisverylong" * 8,
        ),
    ),
    "nothing": nothing_measured,
}


def texts(part: object) -> list[str]:
    """Every string in a view, however deep."""
    if isinstance(part, str):
        return [part]
    if isinstance(part, tuple):
        return [t for item in part for t in texts(item)]
    if is_dataclass(part):
        return [t for f in fields(part) for t in texts(getattr(part, f.name))]
    return []
