"""Evidence for the standards from lists of residuals (invented), and the rule of a verdict by its name."""

from __future__ import annotations

import numpy as np

from accuracy.model import Summary
from accuracy.standards import Evidence, Sample
from accuracy.statistics.summary import summarise_axis, summarise_horizontal


def spread(size_m, n):
    """n residuals of that size, alternating in sign."""
    return [size_m if i % 2 else -size_m for i in range(n)]


def sample(columns, sigma_m):
    """A stratum from its residuals, one list per axis."""
    residuals = np.array(columns, dtype=float).T
    n = residuals.shape[0]
    sigma = np.full(n, np.nan if sigma_m is None else sigma_m)
    return Sample(
        ids=tuple(f"K{i}" for i in range(n)),
        residuals_m=residuals,
        survey_sigma_m=sigma * np.sqrt(residuals.shape[1]),
    )


def evidence(up=(), vegetated=(), across=None, *, sigma_m=0.005, **more):
    """Evidence from residual lists in metres."""
    strata = {}
    summary = {}
    for key, name, values in (
        ("vertical", "open_heights", up),
        ("vegetated", "vegetated_heights", vegetated),
    ):
        if len(values):
            strata[name] = sample([values], sigma_m)
            summary[key] = summarise_axis(
                np.array(values, dtype=float),
                ids=strata[name].ids,
                survey_sigma_m=strata[name].survey_sigma_m,
            )
    if across is not None:
        strata["horizontal"] = sample(across, sigma_m)
        sigma = strata["horizontal"].survey_sigma_m / np.sqrt(2)
        summary["horizontal"] = summarise_horizontal(
            np.array(across[0], dtype=float),
            np.array(across[1], dtype=float),
            ids=strata["horizontal"].ids,
            survey_sigma_easting_m=sigma,
            survey_sigma_northing_m=sigma,
        )
    return Evidence(summary=Summary(**summary), **strata, **more)


def rule(verdict, name):
    """The rule of that name; the test fails if there is none or several."""
    (found,) = [one for one in verdict.rules if one.name == name]
    return found
