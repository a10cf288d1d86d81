"""Which of a summary's intervals speaks for it: the widened one where neighbouring residuals are alike.

After summary. One place, so that a figure, a verdict and the choice of a speed never use different ones.
"""

from __future__ import annotations

from accuracy.model import AxisSummary, HorizontalSummary, Interval, ThreeDSummary

LIKELY_ALIKE = 0.7
"""Posterior probability of correlation from which it is told. By simulation of independent residuals it is
then told of 3 to 6 % of surveys of 10 to 60 checkpoints (at 0.5: of 8 to 29 %), and where residuals do
agree over 100 m, at checkpoints 40 m apart, of 45, 81 and 96 % of surveys of 10, 20 and 36."""


def likely_alike(figures: AxisSummary | HorizontalSummary | ThreeDSummary) -> bool:
    """Whether neighbours along the drive likely share their errors, in any of the axes."""
    return figures.probability_correlated is not None and figures.probability_correlated > LIKELY_ALIKE


def rmse_interval(figures: AxisSummary | HorizontalSummary | ThreeDSummary) -> Interval | None:
    """The 95 % interval of the RMSE that is printed and that decides; widened, it is never the narrower."""
    plain = figures.rmse_bootstrap_95_m if isinstance(figures, ThreeDSummary) else figures.rmse_interval_95_m
    wide = figures.rmse_interval_correlated_95_m
    if plain is None or wide is None or not likely_alike(figures):
        return plain
    return min(plain[0], wide[0]), max(plain[1], wide[1])
