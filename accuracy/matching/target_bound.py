"""The best that any estimator of a flat mark's centre can do: the Cramér-Rao bound.

Beside target_fit; for planning, documentation and tests.

Let shots fall as a Poisson process of density L (per square metre), each shot's value z drawn from
the density p(z | x, q) of target_model, where q holds the centre, the turn, the edge width, the tones
and the rest. Where shots fall does not depend on q, so the information of all shots is

    J = L * integral over the window of  E_z[ s s^T ] dx,      s = d log p(z | x, q) / dq,

and no unbiased centre has a smaller covariance than the centre's block of J^-1 (Cramér 1946, Rao
1945; the other parameters' share is in the inverse). For two tones that never overlap and shots
without footprint, p is the blurred share P or 1 - P of the tones, and across a straight edge of width
w with P = Phi(d / w) the expectation is phi(d/w)^2 / (w^2 P (1 - P)); the integral over d gives

    J_centre = L * kappa / w * integral along the edges of  n n^T dl,
    kappa = integral of phi(t)^2 / (Phi(t) Phi(-t)) dt = 1.806 (computed),

so the uncertainty falls with the root of density and edge length, and grows with the root of the
edge width. ``cramer_rao_bound`` integrates the full density instead, tone overlap included.
"""

from __future__ import annotations

import numpy as np

from accuracy.matching.target_field import raster_of
from accuracy.matching.target_model import MarkModel, Parameters
from accuracy.matching.template import Template, Tone
from accuracy.model import FloatArray

_NO_FOOTPRINT = -6.0
_NONE = -12.0
_KNOWN = 1e12


def cramer_rao_bound(
    template: Template,
    *,
    size_m: float,
    density_per_m2: float,
    edge_width_m: float,
    tones: tuple[float, float, float],
    spreads: tuple[float, float, float],
    size_known: bool = True,
) -> FloatArray:
    """Smallest covariance (2, 2) of the centre, square metres, mark axes along the coordinate axes.

    ``tones`` and ``spreads`` are of background, dark and light; those the template lacks are ignored.
    Shots are taken to return one tone each (no footprint), the paint to be whole.
    """
    raster = raster_of(template)
    order = {Tone.BACKGROUND: 0, Tone.DARK: 1, Tone.LIGHT: 2}
    chosen = [order[tone] for tone in template.tones]
    values, noise = np.array(tones, dtype=float)[chosen], np.array(spreads, dtype=float)[chosen]
    wide = float(np.ptp(values)) + 8 * float(noise.max())
    model = MarkModel(raster, size_m, (0.0, 0.0), (float(values.min()) - wide, float(values.max()) + wide))
    p = Parameters(
        x_m=0.0,
        y_m=0.0,
        rotation_rad=0.0,
        log_scale=0.0,
        log_edge_m=float(np.log(edge_width_m)),
        log_tau=_NO_FOOTPRINT,
        tones=values,
        log_spreads=np.log(noise),
        gain=np.zeros(2),
        wear=_NONE,
        stray=_NONE,
    )
    rows, columns = np.nonzero(raster.window)
    x = np.asarray(
        (raster.centre[0] - raster.half + (columns + 0.5) * raster.step) * size_m, dtype=np.float64
    )
    y = np.asarray((raster.centre[1] - raster.half + (rows + 0.5) * raster.step) * size_m, dtype=np.float64)
    information = model.information(p, x, y) * density_per_m2 * (raster.step * size_m) ** 2
    known = np.zeros(len(information))
    # Footprint, wear and stray are absent from the assumed density; the turn of a disc is no parameter.
    known[[5, 8, 9]] = _KNOWN
    known[2] = 1e-6
    if size_known:
        known[3] = _KNOWN
    return np.asarray(np.linalg.inv(information + np.diag(known + 1e-9))[:2, :2])
