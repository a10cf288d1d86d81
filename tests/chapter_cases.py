"""Invented runs, trajectories, conditions and patches for the report's chapters. Nothing was measured.

Every function takes a result of report_cases and returns it with one chapter's data more.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from accuracy.model import (
    CaptureConditions,
    CheckpointInfluence,
    CheckpointResult,
    Component,
    ComponentFigures,
    ConditionEffect,
    Drift,
    DriftBin,
    DriftModel,
    Gap,
    HorizontalResidual,
    Outcome,
    PairedTest,
    PartFigures,
    Patch,
    RelativeComparison,
    RelativePlace,
    RelativeResult,
    Result,
    RigidShift,
    RunComparison,
    RunMatrix,
    RunRecord,
    ShiftComponent,
    SpeedDecision,
    TrajectoryComparison,
    TrajectoryGroup,
    TrajectorySeries,
    VerticalResidual,
)

SWEEP = "1/1"


def _rmse(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


# --------------------------------------------------------------------------- runs


def _other_run(run: RunRecord, name: str, speed: str, direction: str, worse: float) -> RunRecord:
    """The same checkpoints with residuals scaled, as a faster run might show them."""
    points = tuple(
        replace(c, vertical=replace(c.vertical, residual_m=c.vertical.residual_m * worse))
        if isinstance(c.vertical, VerticalResidual)
        else c
        for c in run.checkpoints
    )
    verdicts = tuple(
        replace(
            v,
            tested_m=v.tested_m and v.tested_m * worse,
            outcome=v.outcome
            if v.tested_m is None or v.class_m is None or v.outcome is Outcome.NOT_GRADED
            else Outcome.MET
            if v.tested_m * worse <= v.class_m
            else Outcome.NOT_MET,
        )
        for v in run.verdicts
    )
    attributes = {"speed_km_per_h": speed, "direction": direction}
    return replace(run, name=name, attributes=attributes, checkpoints=points, verdicts=verdicts)


def _heights(run: RunRecord) -> list[float | None]:
    return [
        c.vertical.residual_m if isinstance(c.vertical, VerticalResidual) else None for c in run.checkpoints
    ]


def with_runs(result: Result, *, count: int = 3) -> Result:
    """Several runs at rising speed, their pairs, matrix and decision."""
    own = replace(result.run, attributes={"speed_km_per_h": "12", "direction": "eastbound"})
    made = [own]
    for k in range(1, count):
        direction = "westbound" if k % 2 else "eastbound"
        made.append(_other_run(own, f"{12 + 12 * k}-{direction}", str(12 + 12 * k), direction, 1 + 0.9 * k))
    rows = [_heights(run) for run in made]
    comparisons = []
    for i, a in enumerate(made):
        for j, b in enumerate(made[i + 1 :], start=i + 1):
            shared = [
                (x, y) for x, y in zip(rows[i], rows[j], strict=True) if x is not None and y is not None
            ]
            if not shared:
                continue
            x, y = (np.array(side) for side in zip(*shared, strict=True))
            comparisons.append(
                RunComparison(
                    run_a=a.name,
                    run_b=b.name,
                    component=Component.VERTICAL,
                    ids=tuple(c.id for c in a.checkpoints)[: len(x)],
                    n=len(x),
                    rmse_a_m=_rmse(x),
                    rmse_b_m=_rmse(y),
                    rmse_difference_m=_rmse(x) - _rmse(y),
                    rmse_difference_interval_95_m=(_rmse(x) - 1.2 * _rmse(y), _rmse(x) - 0.8 * _rmse(y)),
                    mean_difference_m=float(np.mean(x - y)),
                    mean_difference_interval_95_m=None,
                    tests=(
                        PairedTest(name="swap", p_value=0.0002, p_holm=0.0004),
                        PairedTest(name="wilcoxon_size", p_value=0.02, p_holm=0.04),
                        PairedTest(name="pitman_morgan", p_value=None, why_not="too few"),
                    ),
                    margin_m=0.01,
                    equivalence_p=0.43,
                    mean_equivalence_p=None,
                    words=f"At {len(x)} shared checkpoints they differ: {a.name} is the more accurate.",
                )
            )
    graded = next(v for v in own.verdicts if v.component is Component.VERTICAL)
    decisions = ()
    if graded.class_m is not None:
        decisions = (
            SpeedDecision(
                answer="fastest",
                component=Component.VERTICAL,
                class_m=graded.class_m,
                fastest_met=own.name,
                fastest_assured=own.name,
                sentence=f"The fastest run that meets the class is {own.name} (12 km/h).",
                evidence=tuple(f"{run.name}: its own sentence." for run in made),
            ),
        )
    matrix = RunMatrix(
        component=Component.VERTICAL,
        runs=tuple(run.name for run in made),
        ids=tuple(c.id for c in own.checkpoints),
        residual_m=tuple(tuple(row) for row in rows),
    )
    return replace(
        result,
        run=own,
        runs=tuple(made),
        comparisons=tuple(comparisons),
        matrices=(matrix,),
        decisions=decisions,
        equivalence_margin_m=0.01,
    )


def with_singles(result: Result, *, flips: bool, parts: int = 0) -> Result:
    """Influences of the vertical figure, and figures of some parts."""
    used = [c.id for c in result.run.checkpoints if c.used]
    influence = tuple(
        CheckpointInfluence(
            id=name, rmse_without_m=0.049 - 0.0001 * k, change_m=-0.002 + 0.0001 * k, flips=flips and k == 0
        )
        for k, name in enumerate(used)
    )
    figures = tuple(
        PartFigures(
            name=f"fold {k + 1} of {parts}",
            ids=tuple(used[k::parts]),
            vertical_n=len(used[k::parts]),
            vertical_rmse_m=0.017 + 0.001 * k,
            horizontal_n=0,
            horizontal_rmse_m=None,
            outcome=Outcome.MET,
        )
        for k in range(parts)
    )
    run = replace(result.run, influence={"vertical": influence})
    return replace(result, run=run, parts=figures)


# --------------------------------------------------------------------------- conditions


def with_conditions(result: Result, *, carried: bool, known: bool = True) -> Result:
    """One pass over each checkpoint, with the rig's state or the reason why it is not known."""
    passes = []
    for k, c in enumerate(result.run.checkpoints):
        if known:
            passes.append(
                CaptureConditions(
                    checkpoint_id=c.id,
                    pass_id=SWEEP,
                    time_s=1000.0 + k,
                    points=400,
                    speed_m_per_s=3.0 + 0.01 * k,
                    fix="bridged" if k % 6 == 5 else "fixed",
                    time_since_fix_s=float(k % 6 == 5) * k,
                    range_m=2.0 + (k % 5),
                    turn_rate_deg_per_s=0.3 * (k % 4),
                )
            )
        else:
            why = f"captured {400 + k} s outside the trajectory's times"
            passes.append(
                CaptureConditions(checkpoint_id=c.id, pass_id=SWEEP, time_s=9e5 + k, points=400, why_not=why)
            )
    effects = ()
    if known:
        words = (
            "Residuals are larger with more range to the rig: +1.40 mm per m (95 % interval +0.41 to +2.25 "
            "mm per m). This is an association at these checkpoints, not a proof of cause."
        )
        effects = (
            ConditionEffect(
                condition="range to the rig",
                unit="m",
                n=len(passes),
                kind="slope",
                effect=0.0014,
                interval_95=(0.00041, 0.00225),
                rank_correlation=0.39,
                p_value=0.006,
                p_value_corrected=0.038 if carried else 0.4,
                carried=carried,
                words=words if carried else "The residuals do not show an effect of range to the rig.",
            ),
            ConditionEffect(
                condition="without a fix",
                unit="times",
                n=len(passes),
                kind="ratio",
                effect=1.07,
                interval_95=None,
                rank_correlation=None,
                p_value=None,
                p_value_corrected=None,
                carried=False,
                words="The residuals do not show an effect of without a fix.",
            ),
        )
    run = replace(result.run, conditions=tuple(passes), condition_effects=effects)
    return replace(result, run=run)


# --------------------------------------------------------------------------- trajectories


def _figures(values: np.ndarray) -> ComponentFigures:
    size = np.abs(values)
    middle = float(np.median(values))
    return ComponentFigures(
        n=len(values),
        mean_m=float(values.mean()),
        median_m=middle,
        rmse_m=_rmse(values),
        nmad_m=float(1.4826 * np.median(np.abs(values - middle))),
        absolute_95_m=float(np.quantile(size, 0.95)),
        maximum_m=float(size.max()),
    )


def _group(name: str, along: np.ndarray | None, cross: np.ndarray, up: np.ndarray) -> TrajectoryGroup:
    flat = None if along is None else np.hypot(along, cross)
    return TrajectoryGroup(
        name=name,
        n=len(cross),
        along=None if along is None else _figures(along),
        cross=_figures(cross),
        up=_figures(up),
        horizontal=None if flat is None else _figures(flat),
        three_d=None if flat is None else _figures(np.hypot(flat, up)),
    )


def drive(
    run: str, reference: str, *, timed: bool = True, outages: int = 6, n: int = 900, seed: int = 3
) -> tuple[TrajectoryComparison, TrajectorySeries]:
    """One invented comparison: a bent road of 1.1 km, the fix lost in the middle, one gap."""
    rng = np.random.default_rng(seed)
    chainage = np.linspace(0, 1100, n)
    keep = (chainage < 700) | (chainage > 800)
    chainage = chainage[keep]
    bend = np.radians(28) + 0.45 * np.sin(chainage / 260)
    step = np.gradient(chainage)
    easting, northing = 431200 + np.cumsum(np.cos(bend) * step), 5512400 + np.cumsum(np.sin(bend) * step)
    fix = np.where((chainage > 300) & (chainage < 500), "bridged", "fixed")
    fix[(chainage > 290) & (chainage <= 300)] = "float"
    grown = np.where(fix == "bridged", (chainage - 300) / 200 * 0.08, 0.0)
    along, cross, up = (rng.normal(0, 0.008, len(chainage)) + grown * s for s in (1.0, -0.5, 0.2))
    along[5] += 3.0  # one false fix, metres off
    heights = {name: fix == name for name in ("fixed", "float", "bridged")}
    a = along if timed else None
    groups = tuple(_group(k, None if a is None else a[m], cross[m], up[m]) for k, m in heights.items())
    far = tuple(
        _group(f"{low} to {low + 100} m", None if a is None else a[m], cross[m], up[m])
        for low in range(0, 1100, 100)
        if (m := (chainage >= low) & (chainage < low + 100)).any()
    )
    every = _group("all epochs", a, cross, up)
    bins = tuple(
        DriftBin(since=lo, until=hi, n=40, outages=outages, rmse_horizontal_m=0.01 * hi**0.5, rmse_up_m=0.01)
        for lo, hi in ((0.0, 2.0), (2.0, 5.0), (5.0, 10.0), (10.0, 20.0))
    )
    models = ()
    if outages >= 5:
        models = (
            DriftModel(
                component="horizontal",
                against="time",
                growth="random walk",
                start_m=0.01,
                rate=0.01,
                rate_interval_95=(0.007, 0.014),
                outages=outages,
                words="Without a fix the horizontal error grows by 1.0 cm per root second.",
            ),
        )
    comparison = TrajectoryComparison(
        run=run,
        reference=reference,
        n=every.n,
        effective_n=21.4,
        clock_offset_s=-0.0409 if timed else None,
        clock_offset_standard_uncertainty_s=0.0007 if timed else None,
        lever_arm_m=(-0.4165 if timed else None, 0.0841, 0.3047),
        lever_arm_standard_uncertainty_m=(0.0024 if timed else None, 0.0013, 0.0022),
        estimated=("clock", "forward", "left", "up"),
        attitude_source="rig",
        rmse_along_m=every.along.rmse_m if every.along else None,
        rmse_cross_m=every.cross.rmse_m,
        rmse_up_m=every.up.rmse_m,
        rmse_horizontal_m=every.horizontal.rmse_m if every.horizontal else None,
        rmse_3d_m=every.three_d.rmse_m if every.three_d else None,
        all_epochs=every,
        by_fix=groups,
        by_speed=(_group("10 to 15 km/h", a, cross, up),),
        by_direction=(_group("eastbound", a, cross, up),),
        by_segment=far,
        by_distance=far if reference == "tracked prism" else (),
        drift=Drift(
            outages=outages,
            by_time=bins,
            models=models,
            why_no_model=None
            if models
            else f"{outages} outages are too few for a growth model (five are needed).",
        ),
        verified_share=0.9991,
        verified_share_of_distance=0.909,
        gaps=(
            Gap(
                of="reference",
                start_s=208957.5 if timed else None,
                duration_s=30.0 if timed else None,
                start_chainage_m=700.0,
                length_m=100.0,
                easting_m=431800.0,
                northing_m=5512800.0,
            ),
        ),
        false_fixes=1,
        worst_false_fix_m=3.0,
        remarks=(
            "Clock offset and lever arm come from all runs of this mounting together.",
            f"Differences are taken at the epochs of {reference}.",
        ),
    )
    series = TrajectorySeries(
        time_s=208800.0 + chainage / 3.4 if timed else None,
        chainage_m=chainage,
        easting_m=easting,
        northing_m=northing,
        along_m=along if timed else np.full(len(chainage), np.nan),
        cross_m=cross,
        up_m=up,
        speed_m_per_s=np.full(len(chainage), 3.4),
        fix=fix,
    )
    return comparison, series


def with_drives(result: Result, **given: object) -> tuple[Result, tuple[TrajectorySeries, ...]]:
    """The statement's run against two references, and another run against one."""
    made = [
        drive(result.run.name, "GNSS receiver", seed=3, **given),
        drive(result.run.name, "tracked prism", seed=4, **given),
        drive("24-west", "GNSS receiver", seed=5, **given),
    ]
    return replace(result, trajectories=tuple(c for c, _ in made)), tuple(s for _, s in made)


# --------------------------------------------------------------------------- the cloud against itself


def surface_comparison(
    name_a: str,
    name_b: str,
    kind: str,
    *,
    n: int = 1800,
    mean_m: float = 0.004,
    sd_m: float = 0.007,
    direction: str = "all",
    shown: int = 400,
    seed: int = 8,
) -> RelativeComparison:
    """Differences along a bent road of 1.1 km, drifting slowly, with one wild place; none where n is 0."""
    within = kind == "within-swath"
    names = name_a if within else f"{name_a} and {name_b}"
    left_out = {"rough, or not one smooth surface": 310, "too few points": 95} if direction == "all" else {}
    base = RelativeComparison(
        name_a=name_a,
        name_b=name_b,
        kind=kind,
        direction=direction,
        cell_m=0.5,
        n=n,
        left_out=left_out,
        words=f"{names}: the comparison's own sentence. Left out: 95 too few points.",
    )
    if not n:
        return base
    rng = np.random.default_rng(seed)
    at = np.sort(rng.uniform(0, 1100, n))
    bend, side = np.radians(28) + 0.45 * np.sin(at / 260), rng.uniform(-4, 4, n)
    road = np.linspace(0, 1100, 1101)
    turn = np.radians(28) + 0.45 * np.sin(road / 260)
    easting = 431200 + np.interp(at, road, np.cumsum(np.cos(turn))) - side * np.sin(bend)
    northing = 5512400 + np.interp(at, road, np.cumsum(np.sin(turn))) + side * np.cos(bend)
    d = mean_m + 0.6 * sd_m * np.sin(at / 90) + rng.normal(0, 0.8 * sd_m, n)
    d[n // 3] = 0.061
    d = np.abs(d) + 0.012 if within else d
    chosen = np.union1d(rng.choice(n, min(shown, n), replace=False), [int(np.argmax(np.abs(d)))])
    half = 1.96 * sd_m / 6
    mean = float(d.mean())
    return replace(
        base,
        mean_m=mean,
        median_m=float(np.median(d)),
        nmad_m=float(1.4826 * np.median(np.abs(d - np.median(d)))),
        rmsd_m=_rmse(d),
        max_m=float(np.abs(d).max()),
        absolute_quantile_683_m=float(np.quantile(np.abs(d), 0.683)),
        absolute_quantile_95_m=float(np.quantile(np.abs(d), 0.95)),
        quantiles_m=tuple(float(q) for q in np.quantile(d, (0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.99))),
        noise_rms_m=None if within else 0.0021,
        mean_interval_95_m=None if within else (mean - half, mean + half),
        rmsd_interval_95_m=None if within else (0.8 * _rmse(d), 1.3 * _rmse(d)),
        effective_n=None if within else 37.6,
        correlation_length_m=None if within else 41.0,
        roughest_m=0.011,
        places=tuple(
            RelativePlace(
                easting_m=float(easting[k]),
                northing_m=float(northing[k]),
                difference_m=float(d[k]),
                standard_uncertainty_m=None if within else 0.002,
                slope_percent=2.1,
                roughness_m=0.004,
            )
            for k in chosen
        ),
    )


def rigid_shift(name_a: str, name_b: str, *, across_seen: bool = True) -> RigidShift:
    """A shift whose direction across the road is seen or not."""
    unseen = (
        "" if across_seen else "A shift horizontally towards 118\N{DEGREE SIGN} is not seen by this geometry."
    )
    return RigidShift(
        name_a=name_a,
        name_b=name_b,
        planes=5400,
        steep_planes=410 if across_seen else 0,
        centre_m=(431700.0, 5512700.0, 12.0),
        translations=(
            ShiftComponent(
                name="horizontally towards 28\N{DEGREE SIGN}",
                easting=0.469,
                northing=0.883,
                up=0.0,
                value=-0.0123,
                standard_uncertainty=0.0031,
            ),
            ShiftComponent(
                name="horizontally towards 118\N{DEGREE SIGN}",
                easting=0.883,
                northing=-0.469,
                up=0.0,
                value=0.0045 if across_seen else None,
                standard_uncertainty=0.0022 if across_seen else None,
            ),
            ShiftComponent(
                name="up", easting=0.0, northing=0.0, up=1.0, value=0.0061, standard_uncertainty=0.0004
            ),
        ),
        rotations=(
            ShiftComponent(
                name="about the long axis",
                easting=0.883,
                northing=0.469,
                up=0.0,
                value=0.00042,
                standard_uncertainty=0.00011,
            ),
            ShiftComponent(
                name="about the vertical",
                easting=0.0,
                northing=0.0,
                up=1.0,
                value=0.00001,
                standard_uncertainty=0.00002,
            ),
        ),
        rms_before_m=0.0118,
        rms_after_m=0.0082,
        misfit_ratio=1.43,
        words=(
            f"{name_a} against {name_b}: 5,400 patches of surface.",
            *([unseen] if unseen else []),
            "A shift common to both runs shows in neither.",
        ),
    )


def with_relative(result: Result) -> Result:
    """The statement's run within its swath and pass to pass, and against a second run."""
    own, other = result.run.name, "24-westbound"
    first, second = f"{own}, earlier pass", f"{own}, later pass"
    refused = "No rigid shift between them: the runs share only 3 smooth patches."
    return replace(
        result,
        relative=(
            RelativeResult(
                comparisons=(
                    surface_comparison(own, own, "within-swath", n=2600, seed=1),
                    surface_comparison(first, second, "pass-to-pass", n=900, mean_m=0.0005, seed=2),
                    surface_comparison(first, second, "pass-to-pass", n=500, direction="same", seed=3),
                    surface_comparison(first, second, "pass-to-pass", n=400, direction="opposite", seed=4),
                ),
                remarks=(f"{own}: surfaces were looked at on a lattice.",),
            ),
            RelativeResult(
                comparisons=(
                    surface_comparison(own, other, "run-to-run"),
                    surface_comparison(own, "36-eastbound", "run-to-run", n=0),
                ),
                shifts=(
                    rigid_shift(own, other, across_seen=False),
                    RigidShift(
                        name_a=own,
                        name_b="36-eastbound",
                        planes=0,
                        steep_planes=0,
                        centre_m=None,
                        why_not="the runs share only 3 smooth patches",
                        words=(refused,),
                    ),
                ),
            ),
        ),
    )


# --------------------------------------------------------------------------- patches


def disc_patch(
    checkpoint: CheckpointResult,
    *,
    density: float = 2500.0,
    turn: float = 0.0,
    wall: bool = False,
    seed: int = 1,
) -> Patch:
    """Points of a quartered disc where the checkpoint's residual says that the cloud shows it."""
    rng = np.random.default_rng(seed)
    n = int(density * 2.25)
    x, y = rng.uniform(-0.75, 0.75, (2, n))
    h = checkpoint.horizontal
    size = checkpoint.mark_size_m or 0.6
    dx, dy = 0.0, 0.0
    if isinstance(h, HorizontalResidual):
        dx, dy = (
            (h.residual_easting_m, h.residual_height_m or 0.0)
            if wall
            else (
                h.residual_easting_m,
                h.residual_northing_m,
            )
        )
    c, s = np.cos(turn), np.sin(turn)
    u, v = (x - dx) * c + (y - dy) * s, -(x - dx) * s + (y - dy) * c
    light = (u * v > 0) & (np.hypot(u, v) < size / 2)
    dark = (u * v <= 0) & (np.hypot(u, v) < size / 2)
    value = np.where(light, 50000, np.where(dark, 8000, 22000)) + rng.normal(0, 1500, n)
    flat = rng.normal(0, 0.004, n)
    return Patch(
        checkpoint_id=checkpoint.id,
        east_m=x,
        north_m=flat if wall else y,
        up_m=y if wall else flat,
        whole_radius_m=0.75,
        outer_radius_m=0.75,
        intensity=np.clip(value, 0, 65535),
        classification=np.zeros(n, dtype=np.uint8),
        return_number=np.ones(n, dtype=np.uint8),
        number_of_returns=np.ones(n, dtype=np.uint8),
        source_id=np.ones(n, dtype=np.uint16),
    )


def everything(result: Result) -> tuple[Result, tuple[TrajectorySeries, ...], dict[str, Patch]]:
    """All chapters at once, with patches of the measured marks."""
    whole = with_conditions(with_singles(with_runs(result), flips=True, parts=4), carried=True)
    whole = replace(whole, runs=tuple(whole.run if r.name == whole.run.name else r for r in whole.runs))
    whole, series = with_drives(with_relative(whole))
    patches = {
        c.id: disc_patch(c, density=600, seed=k)
        for k, c in enumerate(whole.run.checkpoints)
        if isinstance(c.horizontal, HorizontalResidual)
    }
    return replace(whole, subset="surface is asphalt"), series, patches
