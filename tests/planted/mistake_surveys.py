"""Invented surveys with one planted mistake each, or none: the ground truth of the search for mistakes.

Everything here is invented. A site is a corridor or an area on a rolling terrain at real-size grid
coordinates; residuals are the planted displacement as the surface and the marks see it, plus white noise
(5 to 30 mm) and in half of the surveys a wander of the run (10 to 20 mm, correlated over 50 to 200 m),
plus what a calibration leaves (5 mm).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pyproj
from numpy.typing import NDArray

from accuracy.explaining.mistakes import CloudBoxes, FrameFacts, frame_facts
from accuracy.frames import WorkingFrame
from accuracy.model import (
    CaptureConditions,
    CheckpointResult,
    Role,
)
from accuracy.units import LengthUnit
from measured_cases import checkpoint_result, horizontal_residual, vertical_residual

Array = NDArray[np.float64]
UTM = pyproj.CRS("EPSG:25832")
STATE_PLANE = pyproj.CRS("EPSG:2225")
FOOT = 0.3048


@dataclass(frozen=True, kw_only=True)
class Planted:
    """What the search is given, and what was planted."""

    kind: str
    checkpoints: list[CheckpointResult]
    facts: FrameFacts
    conditions: list[CaptureConditions] = field(default_factory=list)


class Site:
    """Places, terrain and noise of one invented survey."""

    def __init__(
        self,
        rng: np.random.Generator,
        *,
        shape: str | None = None,
        crs: pyproj.CRS = UTM,
        least_m: float = 200.0,
        origin: tuple[float, float] | None = None,
        relief_m: float = 1.0,
        base_m: tuple[float, float] = (5.0, 800.0),
    ) -> None:
        self.rng, self.crs = rng, crs
        self.n = n = int(rng.integers(12, 61))
        self.shape = shape or str(rng.choice(["corridor", "area"]))
        if self.shape == "corridor":
            length = rng.uniform(max(300.0, least_m), max(3000.0, 1.5 * least_m))
            along = np.sort(rng.uniform(-0.5, 0.5, n)) * length
            bend = rng.uniform(-0.2, 0.2) * length * (2 * along / length) ** 2
            across = rng.uniform(-0.5, 0.5, n) * rng.uniform(5, 40) + bend
        else:
            side = rng.uniform(least_m, max(1500.0, 1.5 * least_m))
            along, across = rng.uniform(-0.5, 0.5, (2, n)) * side
        turn = rng.uniform(0, 2 * np.pi)
        plan = np.column_stack(
            [along * np.sin(turn) - across * np.cos(turn), along * np.cos(turn) + across * np.sin(turn)]
        )
        if origin is None:
            origin = (rng.uniform(300_000, 700_000), rng.uniform(5_000_000, 6_100_000))
        self.place = plan + np.array(origin)
        self.centre = np.array(origin)
        self.waves = [
            (
                rng.uniform(0.3, 1.0) * relief_m,
                2 * np.pi / rng.uniform(150, 900),
                rng.uniform(0, 2 * np.pi, 2),
            )
            for _ in range(4)
        ]
        self.lean = rng.uniform(-0.03, 0.03, 2)
        self.base = rng.uniform(*base_m)
        self.height = self.terrain(self.place)
        step = 0.01
        east, north = step * np.eye(2)
        self.slope = np.column_stack(
            [
                (self.terrain(self.place + east) - self.terrain(self.place - east)) / (2 * step),
                (self.terrain(self.place + north) - self.terrain(self.place - north)) / (2 * step),
            ]
        )
        self.white = rng.uniform(0.005, 0.030)
        self.survey = self.white * rng.uniform(0.3, 0.7)
        self.wander = rng.uniform(0.01, 0.02) if rng.random() < 0.5 else 0.0
        self.length = rng.uniform(50, 200)
        self.has_plan = bool(rng.random() < 0.5)

    def terrain(self, place: Array) -> Array:
        """Height of the ground (n,) at (n, 2) places."""
        off = place - self.centre
        rolling = sum(
            size * np.sin(number * (off @ np.array([np.cos(way[0]), np.sin(way[0])])) + way[1])
            for size, number, way in self.waves
        )
        return np.asarray(self.base + off @ self.lean + rolling)

    def noise(self) -> Array:
        """(n,) of one component."""
        apart = np.hypot(*(self.place[:, None] - self.place[None]).transpose(2, 0, 1))
        shared = np.linalg.cholesky(np.exp(-apart / self.length) + 1e-9 * np.eye(self.n))
        return np.asarray(
            self.rng.normal(0, self.white, self.n)
            + self.wander * shared @ self.rng.normal(0, 1, self.n)
            + self.rng.normal(0, 0.005)
        )

    def seen(self, move: Array, *, plan: bool | None = None) -> tuple[Array, Array | None]:
        """Height and plan residuals of a cloud moved by (n, 3)."""
        height = move[:, 2] - np.sum(self.slope * move[:, :2], axis=1) + self.noise()
        if not (self.has_plan if plan is None else plan):
            return height, None
        return height, move[:, :2] + np.column_stack([self.noise(), self.noise()])

    def facts(self) -> FrameFacts:
        """As the pipeline would work them out."""
        unit = LengthUnit.METRE if self.crs is UTM else LengthUnit.US_SURVEY_FOOT
        frame = WorkingFrame(
            crs=self.crs, horizontal_unit=unit, height_unit=unit, words=self.crs.name, vertical_words=None
        )
        return frame_facts(frame, self.place[:, 0], self.place[:, 1], self.height)

    def results(
        self,
        height_residual: Array | None,
        plan_residual: Array | None,
        *,
        table_height: Array | None = None,
        marked: NDArray[np.bool_] | None = None,
        role: Role = Role.CHECK,
        prefix: str = "P",
    ) -> list[CheckpointResult]:
        """Checkpoint results as measuring would give them."""
        heights = self.height if table_height is None else table_height
        uncertainty = float(np.hypot(self.survey, 0.003))
        found = []
        for i in range(self.n):
            slope = self.slope[i]
            normal = np.array([-slope[0], -slope[1], 1.0]) / np.sqrt(1 + slope @ slope)
            vertical = vertical_residual(
                None if height_residual is None else float(height_residual[i]),
                standard_uncertainty_m=uncertainty,
                fit_uncertainty_m=0.003,
                survey_uncertainty_m=self.survey,
                slope_percent=float(100 * np.hypot(*slope)),
                normal=tuple(normal.tolist()),
            )
            horizontal = horizontal_residual(
                None if plan_residual is None else plan_residual[i].tolist(),
                standard_uncertainty_m=uncertainty,
                covariance_m2=(uncertainty**2, uncertainty**2, 0.0),
            )
            found.append(
                checkpoint_result(
                    f"{prefix}{i + 1:02d}",
                    vertical,
                    horizontal,
                    at_m=(*self.place[i].tolist(), float(heights[i])),
                    sigma_m=(self.survey,) * 3,
                    role=role,
                    mark="sphere" if marked is not None and marked[i] else "none",
                    used=role is Role.CHECK,
                    why_not_used=None if role is Role.CHECK else "control point",
                )
            )
        return found

    def still(self) -> Array:
        """No movement (n, 3)."""
        return np.zeros((self.n, 3))

    def planted(self, kind: str, move: Array, *, plan: bool | None = None) -> Planted:
        """A survey whose only trouble is that the cloud is moved."""
        return Planted(kind=kind, checkpoints=self.results(*self.seen(move, plan=plan)), facts=self.facts())

    def edge(self) -> tuple[Array, float]:
        """Places about their mean, and how far the farthest is."""
        off = self.place - self.place.mean(axis=0)
        return off, float(np.max(np.hypot(*off.T)))


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def clean(rng: np.random.Generator) -> Planted:
    """Nothing planted."""
    site = Site(rng)
    return site.planted("none", site.still())


def shift(rng: np.random.Generator) -> Planted:
    """8 to 90 cm, in height, or in plan where it is measured."""
    site, size = Site(rng), _sign(rng) * rng.uniform(0.08, 0.9)
    move = site.still()
    if site.has_plan:
        way = rng.uniform(0, 2 * np.pi)
        move[:, 0], move[:, 1] = size * np.sin(way), size * np.cos(way)
    else:
        move[:, 2] = size
    return site.planted("shift", move)


def pole_height(rng: np.random.Generator) -> Planted:
    """A pole of 1.3 to 2.5 m, at all points or (three in ten) at a quarter to a half of them."""
    site = Site(rng)
    pole = float(rng.choice([1.5, 1.8, 2.0, rng.uniform(1.3, 2.5)]))
    move = site.still()
    whole = rng.random() < 0.7
    some = rng.permutation(site.n)[: site.n if whole else max(3, int(site.n * rng.uniform(0.25, 0.5)))]
    move[some, 2] = _sign(rng) * pole
    return site.planted("pole_height", move)


def ellipsoidal_height(rng: np.random.Generator) -> Planted:
    """A geoid height of 8 to 60 m that slopes by up to 50 mm per km."""
    site, move = Site(rng), None
    move = site.still()
    off, _ = site.edge()
    move[:, 2] = _sign(rng) * rng.uniform(8, 60) + off @ rng.uniform(-3.5e-5, 3.5e-5, 2)
    return site.planted("ellipsoidal_height", move)


def feet_for_metres(rng: np.random.Generator) -> Planted:
    """Heights of the table in feet read as metres, or the other way round."""
    site = Site(rng)
    seen, plan = site.seen(site.still())
    table = site.height / FOOT if rng.random() < 0.5 else site.height * FOOT
    checkpoints = site.results(seen + site.height - table, plan, table_height=table)
    return Planted(kind="feet_for_metres", checkpoints=checkpoints, facts=site.facts())


def survey_foot(rng: np.random.Generator) -> Planted:
    """2 ppm of state plane coordinates."""
    origin = (rng.uniform(150_000, 2_000_000), rng.uniform(50_000, 700_000))
    site, move = Site(rng, crs=STATE_PLANE, origin=origin), None
    move = site.still()
    move[:, :2] = site.place * (1200 / 3937 / FOOT - 1) * _sign(rng)
    return site.planted("survey_foot", move, plan=True)


def ground_for_grid(rng: np.random.Generator) -> Planted:
    """The combined factor about some point of a site of a kilometre or more, 60 ppm at least."""
    while True:
        site = Site(rng, least_m=1000, base_m=(5, 1500))
        factor = site.facts().combined_factor or 1.0
        if abs(factor - 1) > 6e-5:
            break
    share = factor - 1 if rng.random() < 0.5 else 1 / factor - 1
    move, about = site.still(), site.place[rng.integers(site.n)]
    move[:, :2] = (site.place - about) * share
    return site.planted("ground_for_grid", move, plan=True)


def tilt(rng: np.random.Generator) -> Planted:
    """12 to 60 cm from end to end, along a corridor or any way over an area."""
    site = Site(rng)
    move, (off, _) = site.still(), site.edge()
    way = np.linalg.svd(off, full_matrices=False)[2][0]
    if site.shape == "area":
        angle = rng.uniform(0, 2 * np.pi)
        way = np.array([np.sin(angle), np.cos(angle)])
    reach = off @ way
    move[:, 2] = _sign(rng) * rng.uniform(0.12, 0.6) * reach / np.ptp(reach)
    return site.planted("tilt", move)


def scale(rng: np.random.Generator) -> Planted:
    """10 to 50 cm at the edge, not near the combined factor."""
    while True:
        site = Site(rng)
        move, (off, edge) = site.still(), site.edge()
        share = _sign(rng) * rng.uniform(0.10, 0.5) / edge
        if abs(abs(share) - abs((site.facts().combined_factor or 1) - 1)) > 2e-5 + 0.04 / edge:
            break
    move[:, :2] = off * share
    return site.planted("scale", move, plan=True)


def rotation(rng: np.random.Generator) -> Planted:
    """10 to 60 cm at the edge."""
    site = Site(rng)
    move, (off, edge) = site.still(), site.edge()
    angle = _sign(rng) * rng.uniform(0.10, 0.6) / edge
    move[:, :2] = np.column_stack([-off[:, 1], off[:, 0]]) * angle
    return site.planted("rotation", move, plan=True)


def _elsewhere(site: Site, image: Array, kind: str) -> Planted:
    """A cloud whose marks stand at (n, 2) images of the checkpoints; heights are those of other ground."""
    plan = image - site.place + np.column_stack([site.noise(), site.noise()])
    # What stands at a checkpoint is the ground of another place: some other height.
    other = site.terrain(site.place + (site.place - image)) - site.height + site.noise()
    return Planted(kind=kind, checkpoints=site.results(other, plan), facts=site.facts())


def mirrored(rng: np.random.Generator) -> Planted:
    """A mirror image about any line through the site, seen by an operator."""
    site = Site(rng, shape="area")
    off, _ = site.edge()
    angle = rng.uniform(0, np.pi)
    mirror = np.array([[-np.cos(2 * angle), np.sin(2 * angle)], [np.sin(2 * angle), np.cos(2 * angle)]])
    return _elsewhere(site, site.place.mean(axis=0) + off @ mirror.T + rng.normal(0, 3, 2), "mirrored")


def axes_swapped(rng: np.random.Generator) -> Planted:
    """A site grid whose eastings and northings are alike, so that the swapped table still lies near."""
    start = rng.uniform(1000, 5000)
    site = Site(rng, origin=(start, start + rng.uniform(-200, 200)))
    return _elsewhere(site, site.place[:, ::-1].copy(), "axes_swapped")


def ids_shuffled(rng: np.random.Generator) -> Planted:
    """Two, some or all heights, or observed positions, at one another's places."""
    site = Site(rng, relief_m=3.0)
    many = int(rng.choice([2, max(3, site.n // 3), site.n]))
    some = rng.permutation(site.n)[:many]
    if many == 2:
        # A pair whose heights differ by less than the eye sees is no mistake that matters.
        some = np.argsort(site.height)[[0, -1]]
    given = np.arange(site.n)
    given[some] = np.roll(some, 1)
    seen, plan = site.seen(site.still())
    if plan is not None:
        plan = (site.place + plan)[given] - site.place
        return Planted(kind="ids_shuffled", checkpoints=site.results(seen, plan), facts=site.facts())
    table = site.height[given]
    checkpoints = site.results(seen + site.height - table, None, table_height=table)
    return Planted(kind="ids_shuffled", checkpoints=checkpoints, facts=site.facts())


def control_as_check(rng: np.random.Generator) -> Planted:
    """Some checkpoints stand on control points, or all residuals are too good to be true."""
    site = Site(rng)
    seen, plan = site.seen(site.still())
    if rng.random() < 0.5:
        checkpoints = site.results(seen, plan)
        known = rng.permutation(site.n)[: int(rng.integers(1, 6))]
        control = [
            replace(
                checkpoints[i],
                id=f"C{i}",
                role=Role.CONTROL,
                used=False,
                easting_m=checkpoints[i].easting_m + rng.normal(0, 0.005),
            )
            for i in known
        ]
        return Planted(kind="control_as_check", checkpoints=[*checkpoints, *control], facts=site.facts())
    site.survey = rng.uniform(0.01, 0.02)
    checkpoints = site.results(rng.normal(0, site.survey * rng.uniform(0.05, 0.15), site.n), None)
    return Planted(kind="control_as_check", checkpoints=checkpoints, facts=site.facts())


def duplicate_points(rng: np.random.Generator) -> Planted:
    """One to three points stand in the table twice."""
    site = Site(rng)
    checkpoints = site.results(*site.seen(site.still()))
    again = [
        replace(
            checkpoints[i],
            id=f"{checkpoints[i].id}b",
            northing_m=checkpoints[i].northing_m + rng.normal(0, 0.004),
        )
        for i in rng.permutation(site.n)[: int(rng.integers(1, 4))]
    ]
    return Planted(kind="duplicate_points", checkpoints=[*checkpoints, *again], facts=site.facts())


def one_bad_point(rng: np.random.Generator) -> Planted:
    """25 cm to 1 m at one point, in height or in plan."""
    site, size = Site(rng), _sign(rng) * rng.uniform(0.25, 1.0)
    seen, plan = site.seen(site.still())
    at = int(rng.integers(site.n))
    if plan is None:
        seen[at] += size
    else:
        plan[at, int(rng.integers(2))] += size
    return Planted(kind="one_bad_point", checkpoints=site.results(seen, plan), facts=site.facts())


def clock_slip(rng: np.random.Generator) -> Planted:
    """10 to 60 ms at 2 to 14 m/s, both ways."""
    site = Site(rng)
    off, _ = site.edge()
    way = np.linalg.svd(off, full_matrices=False)[2][0]
    speed = rng.uniform(2, 14, site.n) * rng.choice([-1, 1], site.n)
    course = np.arctan2(way[0], way[1]) + rng.normal(0, 0.15, site.n)
    velocity = speed[:, None] * np.column_stack([np.sin(course), np.cos(course)])
    late = _sign(rng) * rng.uniform(0.010, 0.060)
    plan = velocity * late + np.column_stack([site.noise(), site.noise()])
    # Along the road's own surface a move changes no height.
    checkpoints = site.results(site.noise(), plan)
    conditions = [
        CaptureConditions(
            checkpoint_id=c.id,
            pass_id="1/1",  # noqa: S106
            time_s=1000.0 + i,
            points=200,
            speed_m_per_s=float(np.hypot(*v)),
            course_rad=float(np.arctan2(v[0], v[1])),
        )
        for i, (c, v) in enumerate(zip(checkpoints, velocity, strict=True))
    ]
    return Planted(kind="clock_slip", checkpoints=checkpoints, facts=site.facts(), conditions=conditions)


def target_height(rng: np.random.Generator) -> Planted:
    """0.1 to 1.7 m at the third to two thirds of the points that carry a target."""
    site = Site(rng)
    marked = np.zeros(site.n, dtype=bool)
    marked[rng.permutation(site.n)[: int(site.n * rng.uniform(0.33, 0.67))]] = True
    move = site.still()
    move[marked, 2] = -rng.uniform(0.1, 1.7)
    seen, plan = site.seen(move)
    return Planted(
        kind="target_height", checkpoints=site.results(seen, plan, marked=marked), facts=site.facts()
    )


KINDS: dict[str, Callable[[np.random.Generator], Planted]] = {
    "none": clean,
    "feet_for_metres": feet_for_metres,
    "survey_foot": survey_foot,
    "axes_swapped": axes_swapped,
    "ground_for_grid": ground_for_grid,
    "ellipsoidal_height": ellipsoidal_height,
    "pole_height": pole_height,
    "target_height": target_height,
    "shift": shift,
    "tilt": tilt,
    "scale": scale,
    "rotation": rotation,
    "mirrored": mirrored,
    "ids_shuffled": ids_shuffled,
    "control_as_check": control_as_check,
    "duplicate_points": duplicate_points,
    "one_bad_point": one_bad_point,
    "clock_slip": clock_slip,
}


# --------------------------------------------------------------------------- kilometres apart


@dataclass(frozen=True, kw_only=True)
class Apart:
    """A cloud's boxes and a table nowhere near them."""

    kind: str
    boxes: CloudBoxes
    easting_m: Array
    northing_m: Array
    facts: FrameFacts
    unit: LengthUnit = LengthUnit.METRE


def _boxes(place: Array) -> CloudBoxes:
    """Tiles of 100 m under the places, as a delivery has them."""
    tiles = np.unique(np.floor(place / 100), axis=0) * 100
    return CloudBoxes(box_m=np.column_stack([tiles, tiles + 100]))


def _apart(kind: str, site: Site, table: Array, unit: LengthUnit = LengthUnit.METRE) -> Apart:
    return Apart(
        kind=kind,
        boxes=_boxes(site.place),
        easting_m=np.asarray(table[:, 0]),
        northing_m=np.asarray(table[:, 1]),
        facts=site.facts(),
        unit=unit,
    )


def _reprojected(site: Site, target: pyproj.CRS) -> Array:
    """By PROJ, in metres."""
    own, other = (crs.axis_info[0].unit_conversion_factor for crs in (site.crs, target))
    moved = pyproj.Transformer.from_crs(site.crs, target, always_xy=True).transform(*(site.place / own).T)
    return np.column_stack(moved) * other


def apart_feet(rng: np.random.Generator) -> Apart:
    """Feet taken as metres, or metres as feet."""
    site = Site(rng)
    return _apart("feet_for_metres", site, site.place * (FOOT if rng.random() < 0.5 else 1 / FOOT))


def apart_swapped(rng: np.random.Generator) -> Apart:
    """Northing before easting."""
    site = Site(rng)
    return _apart("axes_swapped", site, site.place[:, ::-1])


def apart_zone(rng: np.random.Generator) -> Apart:
    """UTM one or two zones away, or a neighbouring zone of one state's system."""
    if rng.random() < 0.5:
        site = Site(rng)
        code = 25832 + int(rng.choice([-2, -1, 1, 2]))
        return _apart("wrong_zone", site, _reprojected(site, pyproj.CRS(f"EPSG:{code}")))
    origin = (rng.uniform(1_850_000, 2_100_000), rng.uniform(540_000, 650_000))
    site = Site(rng, crs=STATE_PLANE, origin=origin)
    return _apart("wrong_zone", site, _reprojected(site, pyproj.CRS("EPSG:2226")), LengthUnit.US_SURVEY_FOOT)


def apart_digits(rng: np.random.Generator) -> Apart:
    """The leading digits of both coordinates left off."""
    site = Site(rng)
    table = np.mod(site.place, 100_000)
    # A site across a change of the leading digit is written with it, or it would be torn in two.
    if (np.ptp(table, axis=0) > 50_000).any():
        table = site.place - np.floor(site.place.min(axis=0) / 100_000) * 100_000
    return _apart("leading_digits", site, table)


def apart_ground(rng: np.random.Generator) -> Apart:
    """Coordinates scaled to ground about the origin of the grid, 60 ppm at least."""
    while True:
        site = Site(rng, base_m=(5, 1500))
        factor = site.facts().combined_factor or 1.0
        if abs(factor - 1) > 6e-5:
            return _apart("ground_for_grid", site, site.place / factor)


def apart_degrees(rng: np.random.Generator) -> Apart:
    """Latitude and longitude, either first."""
    site = Site(rng)
    table = _reprojected(site, pyproj.CRS("EPSG:4258"))
    table = table / pyproj.CRS("EPSG:4258").axis_info[0].unit_conversion_factor
    return _apart("geographic", site, table if rng.random() < 0.5 else table[:, ::-1])


def apart_elsewhere(rng: np.random.Generator) -> Apart:
    """A table of another job altogether, 2 to 40 km away: nothing brings it here."""
    site = Site(rng)
    way = rng.uniform(0, 2 * np.pi)
    off = rng.uniform(2_000, 40_000) * np.array([np.sin(way), np.cos(way)])
    return _apart("none", site, site.place + off)


APART: dict[str, Callable[[np.random.Generator], Apart]] = {
    "none": apart_elsewhere,
    "feet_for_metres": apart_feet,
    "axes_swapped": apart_swapped,
    "wrong_zone": apart_zone,
    "leading_digits": apart_digits,
    "ground_for_grid": apart_ground,
    "geographic": apart_degrees,
}
