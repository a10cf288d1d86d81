"""Parts of ``sim_intervals.py``: the cloud against itself, drift after loss of fix, conditions, faces."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from accuracy.explaining.condition_effects import condition_effects
from accuracy.matching.face import combine_faces
from accuracy.model import CaptureConditions, FaceResidual
from accuracy.relative.differences import models_of_places
from accuracy.reporting.charts_residuals import quantile_band
from accuracy.statistics.correlation import effective_sample
from accuracy.trajectory.drift import SinceFix, drift_after_loss
from sim_tables import Table, covers, rejects

Array = NDArray[np.float64]
LAYOUTS = 10


def relative_coverage(draws: int) -> str:
    """Mean and RMSD of differences at places along 1 km, 8 m wide; ten layouts of the places.

    The report says that the intervals are too narrow where errors agree over long stretches.
    """
    table = Table(("places", "correlation length", "part", "bias / sd"))
    for n, length_m, part in (
        (100, 0, 0),
        (400, 0, 0),
        (2000, 0, 0),
        (200, 5, 0.7),
        (400, 20, 0.7),
        (2000, 20, 0.7),
        (2000, 60, 0.7),
    ):
        hits: dict[float, dict[str, list[float]]] = {
            bias: {"mean": [], "RMSD": []} for bias in ((0.0,) if n == 100 else (0.0, 1.0))
        }
        for layout in range(LAYOUTS):
            generator = np.random.default_rng(layout)
            x, y = generator.uniform(0, 1000, n), generator.uniform(0, 8, n)
            chosen, models = models_of_places(x, y)
            assert models is not None
            errors = generator.standard_normal((draws // LAYOUTS, n))
            if part:
                true = part * np.exp(-np.hypot(x[:, None] - x, y[:, None] - y) / length_m)
                np.fill_diagonal(true, 1.0)
                errors = errors @ np.linalg.cholesky(true).T
            for error, (bias, into) in itertools.product(errors, hits.items()):
                d = error + bias
                worth = effective_sample(d[chosen], models)
                assert worth is not None
                rmsd = float(np.sqrt(np.mean(d**2)))
                mean = worth.mean_interval_95_m(float(d.mean()), float(d.std(ddof=1)))
                into["mean"].append(covers(mean, bias))
                into["RMSD"].append(covers(worth.rmse_interval_95_m(rmsd), (1 + bias**2) ** 0.5))
        for bias, of_bias in hits.items():
            table.row((n, f"{length_m} m", part, bias), of_bias)
    return table.text()


def drive(generator: np.random.Generator, n: int, law: str, even: bool) -> tuple[SinceFix, Array]:
    """A drive of n outages, each after 20 epochs with a fix, errors of 1 cm without growth."""
    since, outage, errors = [], [], []
    shape = np.array([0.5, 0.5, 1.0]) ** 0.5
    for number in range(n):
        lasts = 15.0 if even else float(np.exp(generator.uniform(np.log(5), np.log(60))))
        t = np.concatenate([np.zeros(20), np.arange(1, lasts)])
        e = generator.normal(size=(t.size, 3)) * 0.01
        if law == "linear":
            e += 0.02 * t[:, None] * generator.normal(size=3) * shape
        elif law == "random walk":
            e += 0.06 * np.cumsum((t > 0)[:, None] * generator.normal(size=(t.size, 3)), axis=0) * shape
        elif law == "raised, not growing":
            e += (t > 0)[:, None] * 0.05 * generator.normal(size=3)
        since.append(t)
        outage.append(np.where(t > 0, number, -1))
        errors.append(e)
    joined = np.concatenate(since)
    return SinceFix(joined, 3.0 * joined, np.concatenate(outage)), np.concatenate(errors)


def drift_coverage(draws: int) -> str:
    """Rate of growth where its law was recognised, and growth that is claimed where there is none.

    Outages of 15 s each, or of 5 to 60 s.
    """
    table = Table(("law", "outages", "lasting"))
    false = Table(("truth", "outages", "lasting"), band=(0.0, 0.06))
    for law, rate in (("linear", 0.02), ("random walk", 0.06), ("none", None), ("raised, not growing", None)):
        for n, even in ((8, True), (12, False)):
            generator = np.random.default_rng(n)
            hits: dict[str, list[float]] = {"horizontal": [], "up": []}
            recognised = 0
            for _ in range(draws):
                found = drift_after_loss(*drive(generator, n, law, even))
                assert found is not None
                for model in found.models:
                    if model.against == "distance":
                        continue
                    if rate is None:
                        hits[model.component].append(float(model.growth != "none"))
                    elif model.growth == law:
                        recognised += 1
                        hits[model.component].append(covers(model.rate_interval_95, rate))
            lasting = "15 s" if even else "5 to 60 s"
            if rate is None:
                false.row((law, n, lasting), hits)
            else:
                table.row((law, n, lasting), hits, {"recognised": f"{50 * recognised / draws:.0f}"})
    return f"{table.text()}\nGrowth claimed where there is none, in %:\n\n{false.text()}"


def states(**columns: Array) -> list[CaptureConditions]:
    """The rig's states, column by column; below 0 in ``fix`` stands for a lost fix."""
    fix = columns.pop("fix", None)
    n = next(iter(columns.values())).size if columns else (0 if fix is None else fix.size)
    words = [None] * n if fix is None else ["float" if value < 0 else "fixed" for value in fix]
    return [
        CaptureConditions(
            checkpoint_id="",
            pass_id="",
            time_s=0.0,
            points=9,
            fix=words[i],
            **{key: float(values[i]) for key, values in columns.items()},
        )
        for i in range(n)
    ]


def condition_coverage(draws: int) -> str:
    """Slope and RMSE ratio, and what is claimed where no condition has an effect.

    With heavy tails the ratio's interval falls short.
    """
    ratios = Table(("residuals", "without a fix", "with", "planted ratio"))
    for kind, lost, held, ratio in (
        ("normal", 8, 8, 3.0),
        ("normal", 8, 20, 3.0),
        ("normal", 10, 40, 1.0),
        ("normal", 20, 20, 3.0),
        ("t, 5 df", 8, 20, 3.0),
        ("t, 5 df", 20, 40, 3.0),
    ):
        generator, n = np.random.default_rng(lost), lost + held
        given = states(fix=np.where(np.arange(n) < lost, -1.0, 1.0))
        hits: dict[str, list[float]] = {"RMSE ratio": []}
        for _ in range(draws):
            r = generator.standard_normal(n) if kind == "normal" else generator.standard_t(5, n)
            found = condition_effects(r * np.where(np.arange(n) < lost, ratio, 1.0), given)[0]
            hits["RMSE ratio"].append(covers(found.interval_95, ratio))
        ratios.row((kind, lost, held, ratio), hits)
    slopes = Table(("n", "growth of the sd over the range"))
    for n, growth in ((12, 0.0), (30, 0.0), (12, 1.0), (30, 1.0), (30, 3.0)):
        generator = np.random.default_rng(n)
        x = generator.uniform(0, 1, (2, 4_000_000))
        y = np.abs(generator.standard_normal(x.shape)) * (1 + growth * x)
        truth = float(np.median((y[1] - y[0]) / (x[1] - x[0]))) if growth else 0.0
        hits = {"slope": []}
        for _ in range(draws):
            x = generator.uniform(0, 1, n)
            found = condition_effects(generator.standard_normal(n) * (1 + growth * x), states(range_m=x))[0]
            hits["slope"].append(covers(found.interval_95, truth))
        slopes.row((n, growth), hits)
    keys = ("speed_m_per_s", "time_since_fix_s", "range_m", "turn_rate_deg_per_s", "satellites")
    false = Table(("n",), band=(0.0, 0.06))
    for n in (20, 40):
        generator = np.random.default_rng(n)
        hits = {"slope p": [], "ratio p": [], "any sentence": []}
        for _ in range(draws):
            columns = {key: generator.uniform(0, 1, n) for key in keys}
            columns["fix"] = np.where(np.arange(n) < n // 2, -1.0, 1.0)
            effects = condition_effects(generator.standard_normal(n), states(**columns))
            hits["slope p"].append(rejects(effects[0].p_value))
            hits["ratio p"].append(rejects(effects[-1].p_value))
            hits["any sentence"].append(float(any(effect.carried for effect in effects)))
        false.row((n,), hits)
    return (
        f"{ratios.text()}\n{slopes.text()}\nSix conditions without any effect, rejected in %: the first "
        f"slope's and the ratio's own p-value, and any sentence after Holm's correction:\n\n{false.text()}"
    )


def single_tests(draws: int) -> str:
    """Q-Q band per point, and faces that agree called inconsistent (the test's level is 1 %).

    The band is wide because mean and standard deviation are the residuals' own; its caption says so.
    """
    band = Table(("n",))
    for n in (10, 20, 48):
        sample = np.sort(np.random.default_rng(n).standard_normal((draws, n)), axis=1)
        mean, sd = sample.mean(axis=1, keepdims=True), sample.std(axis=1, ddof=1, keepdims=True)
        _, low, high = quantile_band(n)
        inside = (sample >= mean + sd * low) & (sample <= mean + sd * high)
        hits = {"smallest": inside[:, 0], "middle": inside[:, n // 2], "all points": inside.ravel()}
        band.row((n,), {name: one.astype(float) for name, one in hits.items()})
    faces = Table(("faces",), band=(0.0, 0.012))
    for n in (3, 8, 20):
        generator = np.random.default_rng(n)
        azimuth = np.linspace(0, np.pi, n, endpoint=False)
        doubted = []
        for _ in range(draws):
            sigma = generator.uniform(0.002, 0.008, n)
            residual = generator.standard_normal(n) * sigma
            found = combine_faces(
                [
                    FaceResidual(
                        residual_m=float(r),
                        standard_uncertainty_m=float(s),
                        measurement_uncertainty_m=float(s),
                        normal_easting=float(np.sin(a)),
                        normal_northing=float(np.cos(a)),
                        points=100,
                        roughness_m=0.003,
                    )
                    for r, s, a in zip(residual, sigma, azimuth, strict=True)
                ]
            )
            doubted.append(float(found.consistent is False))
        faces.row((n,), {"called inconsistent": doubted})
    return f"{band.text()}\n{faces.text()}"
