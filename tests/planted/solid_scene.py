"""Invented scenes for solid marks: a profile scanner drives past and its rays meet balls, posts and walls.

Nothing here is measured data. Rays leave a scanner that moves along a line; every hit gets an error of
its own in all three directions and shares another with its scan line. Some hits are mixed pixels,
between two surfaces; some strays lie anywhere. The checkpoint is the origin.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from accuracy.model import Patch

FAR = 1e9


@dataclass(frozen=True)
class Ball:
    """A sphere."""

    centre: tuple[float, float, float]
    radius: float

    def hit(self, origin, way):
        """Distance along each ray to the first meeting, FAR where there is none."""
        off = origin - np.array(self.centre)
        b = np.sum(off * way, axis=1)
        root = b**2 - np.sum(off**2, axis=1) + self.radius**2
        t = -b - np.sqrt(np.maximum(root, 0))
        return np.where((root > 0) & (t > 0), t, FAR)


@dataclass(frozen=True)
class Post:
    """A round post between two heights; its axis passes ``foot`` at height 0 and leans by "
    "``lean`` per metre."""

    foot: tuple[float, float]
    radius: float
    low: float
    high: float
    lean: tuple[float, float] = (0.0, 0.0)

    def hit(self, origin, way):
        """Distance along each ray to the first meeting, FAR where there is none."""
        axis = np.array([*self.lean, 1.0])
        axis = axis / np.linalg.norm(axis)
        off = origin - np.array([*self.foot, 0.0])
        w = way - np.outer(way @ axis, axis)
        o = off - np.outer(off @ axis, axis)
        a, b, c = np.sum(w * w, axis=1), np.sum(w * o, axis=1), np.sum(o * o, axis=1) - self.radius**2
        root = b**2 - a * c
        t = (-b - np.sqrt(np.maximum(root, 0))) / np.maximum(a, 1e-12)
        up = origin[:, 2] + t * way[:, 2]
        return np.where((root > 0) & (t > 0) & (up > self.low) & (up < self.high), t, FAR)


@dataclass(frozen=True)
class Sheet:
    """A parallelogram: ``corner`` plus u in 0..1 along ``along`` plus v in 0..1 along ``across``."""

    corner: tuple[float, float, float]
    along: tuple[float, float, float]
    across: tuple[float, float, float]

    def hit(self, origin, way):
        """Distance along each ray to the first meeting, FAR where there is none."""
        corner, along, across = (np.array(v, dtype=float) for v in (self.corner, self.along, self.across))
        normal = np.cross(along, across)
        t = ((corner - origin) @ normal) / np.where(np.abs(way @ normal) < 1e-12, 1e-12, way @ normal)
        place = origin + t[:, None] * way - corner
        u, v = np.linalg.lstsq(np.column_stack([along, across]), place.T, rcond=None)[0]
        return np.where((t > 0) & (u >= 0) & (u <= 1) & (v >= 0) & (v <= 1), t, FAR)


def ground(up: float, half: float = 6.0) -> Sheet:
    """Level ground."""
    return Sheet((-half, -half, up), (2 * half, 0, 0), (0, 2 * half, 0))


@dataclass(frozen=True)
class Drive:
    """The scanner's way past the checkpoint."""

    density_per_m2: float = 2500.0
    """Shots per square metre of a surface that faces the scanner beside the checkpoint."""
    distance_m: float = 5.0
    height_m: float = 2.0
    from_azimuth: float = 180.0
    """Where the drive passes, seen from the checkpoint, in degrees from north."""
    yaw: float = 35.0
    """Turn of the scanning plane out of the cross-section."""
    position_noise_m: float = 0.006
    line_noise_m: float = 0.0015
    mixed: float = 0.5
    """Share of the shots beside a jump in depth that land between the two surfaces."""
    stray: float = 0.02
    """Share of points that lie anywhere."""
    reach_m: float = 1.2
    half_height_m: float = 3.0
    source_id: int = 1
    start_time_s: float = 1000.0
    rotations_per_s: float = 100.0


def scan(things: Sequence[object], drive: Drive, rng: np.random.Generator, *, blocked: float = 0.0) -> Patch:
    """The points within ``reach_m`` of the checkpoint; that share of the view is hidden by "
    "something nearer."""
    back = np.radians(drive.from_azimuth)
    out = np.array([np.sin(back), np.cos(back), 0.0])
    along = np.array([-out[1], out[0], 0.0])
    step = np.sqrt(1 / (2 * drive.density_per_m2))
    yaw = np.radians(drive.yaw)
    aim = -out * np.cos(yaw) + along * np.sin(yaw)
    depth = drive.distance_m / np.cos(yaw)
    # Lines are 2 steps apart where they cross the checkpoint's surroundings, measured across the view.
    apart = 2 * step / np.cos(yaw)
    reach = drive.reach_m * 1.3 / np.cos(yaw)
    starts = np.arange(-reach, reach, apart) + rng.uniform(0, apart)
    angles = np.arange(
        -np.arctan2(drive.half_height_m + drive.height_m, depth - drive.reach_m),
        np.arctan2(drive.half_height_m, depth),
        step / depth,
    )
    # Only shots that can come near the checkpoint.
    shift = -depth * np.sin(yaw)
    s, a = np.meshgrid(starts + shift, angles, indexing="ij")
    line = np.repeat(np.arange(len(starts)), len(angles))
    a = a.ravel() + rng.uniform(0, step / depth, len(starts)).repeat(len(angles))
    origin = out * drive.distance_m + np.array([0, 0, drive.height_m]) + s.ravel()[:, None] * along
    way = np.cos(a)[:, None] * aim + np.sin(a)[:, None] * np.array([0, 0, 1.0])
    t = np.min([thing.hit(origin, way) for thing in things], axis=0)
    # A footprint that catches two surfaces returns a distance between them.
    ahead = np.append(t[1:], FAR)
    # A slanting surface changes the distance steadily; only a sudden change is an edge.
    steady = np.abs(t - np.insert(t[:-1], 0, FAR))
    jump = (np.abs(ahead - t) > 0.03 + 2 * steady) & (ahead < 100) & np.append(np.diff(line) == 0, False)
    mixed = jump & (rng.random(len(t)) < drive.mixed)
    t = np.where(mixed, t + rng.random(len(t)) * (ahead - t), t)
    hit = t < 100
    if blocked > 0:
        # A straight-edged obstacle in front hides one side of the view.
        side = rng.choice([-1.0, 1.0])
        place = origin[:, :2] + t[:, None] * way[:, :2]
        seen = place @ along[:2] * side
        close = hit & (np.hypot(*place.T) < 0.2)
        if np.any(close):
            hit &= seen < np.quantile(seen[close], 1 - blocked)
    origin, way, t, line, a = origin[hit], way[hit], t[hit], line[hit], a[hit]
    place = origin + t[:, None] * way
    place += rng.normal(0, drive.position_noise_m, place.shape)
    place += rng.normal(0, max(drive.line_noise_m, 1e-12), (len(starts), 3))[line]
    time = drive.start_time_s + line / drive.rotations_per_s + a / (2 * np.pi * drive.rotations_per_s)
    near = np.hypot(place[:, 0], place[:, 1]) <= drive.reach_m
    place, time = place[near], time[near]
    strays = rng.uniform(-1, 1, (int(drive.stray * len(place)), 3)) * [drive.reach_m, drive.reach_m, 1.0]
    place = np.vstack([place, strays])
    time = np.concatenate([time, rng.choice(time, len(strays)) if len(time) else np.zeros(0)])
    return patch_of(place, time, drive.reach_m, drive.source_id)


def patch_of(xyz, time=None, reach: float = 1.2, source_id: int = 1) -> Patch:
    """Points as the reader delivers them."""
    xyz = np.asarray(xyz, dtype=float).reshape(-1, 3)
    n = len(xyz)
    return Patch(
        checkpoint_id="P1",
        east_m=xyz[:, 0],
        north_m=xyz[:, 1],
        up_m=xyz[:, 2],
        whole_radius_m=reach,
        outer_radius_m=reach,
        gps_time_s=time,
        time_kind="none" if time is None else "adjusted-gps",
        classification=np.zeros(n, np.uint8),
        return_number=np.ones(n, np.uint8),
        number_of_returns=np.ones(n, np.uint8),
        source_id=np.full(n, source_id, np.uint16),
    )


def both(first: Patch, second: Patch) -> Patch:
    """Two passes in one patch."""
    return Patch(
        checkpoint_id="P1",
        whole_radius_m=first.whole_radius_m,
        outer_radius_m=first.outer_radius_m,
        time_kind=first.time_kind,
        **{
            name: np.concatenate([getattr(first, name), getattr(second, name)])
            for name in (
                "east_m",
                "north_m",
                "up_m",
                "gps_time_s",
                "classification",
                "return_number",
                "number_of_returns",
                "source_id",
            )
        },
    )


def bush(rng: np.random.Generator, radius: float, points: int, up: float = 0.0) -> np.ndarray:
    """Leaves throughout a blob, denser outside; (n, 3)."""
    way = rng.normal(size=(points, 3))
    way /= np.linalg.norm(way, axis=1)[:, None]
    return way * (radius * rng.uniform(0.2, 1, points) ** (1 / 3))[:, None] + [0, 0, up]


# --------------------------------------------------------------------------- planted marks


@dataclass(frozen=True)
class Planted:
    """A scene, what is sought in it, and the truth (None where nothing of the kind is there)."""

    mark: str
    patch: Patch
    size_m: float | None = None
    truth: np.ndarray | None = None


def _any_drive(density: float, rng: np.random.Generator, **more) -> Drive:
    return Drive(density_per_m2=density, distance_m=rng.uniform(3, 8), **more)


def planted_sphere(diameter: float, hidden: float = 0.3):
    """A ball on a tripod's rod, seen from anywhere, part of it hidden."""

    def make(density: float, rng: np.random.Generator) -> Planted:
        c = rng.uniform(-0.15, 0.15, 3)
        foot = c[2] - 1.3
        things = [
            Ball(tuple(c), diameter / 2),
            ground(foot),
            Post((c[0], c[1]), 0.012, foot, c[2] - diameter / 2),
        ]
        drive = _any_drive(density, rng, from_azimuth=rng.uniform(0, 360))
        return Planted("sphere", scan(things, drive, rng, blocked=hidden * rng.uniform()), diameter, c)

    return make


def planted_pole(diameter: float, hidden: float = 0.3):
    """A bollard a metre high that leans by a degree or so."""

    def make(density: float, rng: np.random.Generator) -> Planted:
        c, foot, lean = rng.uniform(-0.15, 0.15, 2), rng.uniform(-0.05, 0.05), rng.normal(0, 0.015, 2)
        things = [Post(tuple(c), diameter / 2, foot, foot + 1.0, tuple(lean)), ground(foot)]
        drive = _any_drive(density, rng, from_azimuth=rng.uniform(0, 360))
        truth = c + lean * max(0.0, foot)
        return Planted("pole", scan(things, drive, rng, blocked=hidden * rng.uniform()), diameter, truth)

    return make


def turned(angle: float, v) -> tuple[float, float, float]:
    """A vector turned anticlockwise about the vertical."""
    c, s = np.cos(angle), np.sin(angle)
    return (c * v[0] - s * v[1], s * v[0] + c * v[1], v[2])


def planted_corner(kind: str):
    """A corner between two walls and the ground, inside or outside, or the end of a kerb."""

    def make(density: float, rng: np.random.Generator) -> Planted:
        c = rng.uniform(-0.15, 0.15, 3)
        turn = np.radians(rng.uniform(35, 55))
        if kind == "kerb":
            c[2] *= 0.2
            turn = np.radians(rng.uniform(-10, 10))
            low = tuple(c - [0, 0, 0.15])
            u, v = turned(turn, (-3, 0, 0)), turned(turn, (0, 3, 0))
            things = [
                ground(low[2]),
                Sheet(tuple(c), u, v),
                Sheet(low, u, (0, 0, 0.15)),
                Sheet(low, v, (0, 0, 0.15)),
            ]
            drive = _any_drive(density, rng, yaw=-35)
        else:
            u, v = turned(turn, (3, 0, 0)), turned(turn, (0, 3, 0))
            things = [ground(c[2]), Sheet(tuple(c), u, (0, 0, 2.5)), Sheet(tuple(c), v, (0, 0, 2.5))]
            drive = _any_drive(density, rng, yaw=0, from_azimuth=0 if kind == "inside" else 180)
        return Planted("corner", scan(things, drive, rng), None, c)

    return make


def planted_face(density: float, rng: np.random.Generator) -> Planted:
    """A wall that leans a little; the truth is its normal and offset at the checkpoint's height."""
    turn = np.radians(rng.uniform(-50, 50))
    out = np.array([np.sin(turn), np.cos(turn)])
    start = out * rng.uniform(-0.12, 0.12) - 3 * np.array([out[1], -out[0]])
    along = (6 * out[1], -6 * out[0], 0)
    lean = rng.normal(0, 0.01, 2)
    wall = Sheet((*start, -1.0), along, (*lean, 2.5))
    normal = np.cross(wall.along, wall.across)
    normal = normal / np.hypot(normal[0], normal[1])
    drive = _any_drive(density, rng, yaw=0)
    patch = scan([ground(-1.0), wall], drive, rng)
    return Planted("face", patch, None, np.array([*normal[:2], normal @ np.array(wall.corner)]))


PLANTED = {
    "sphere 0.145 m": planted_sphere(0.145),
    "sphere 0.3 m": planted_sphere(0.3),
    "pole 0.1 m": planted_pole(0.1),
    "pole 0.2 m": planted_pole(0.2),
    "corner inside": planted_corner("inside"),
    "corner outside": planted_corner("outside"),
    "kerb end": planted_corner("kerb"),
    "face": planted_face,
}


def measure(scene: Planted):
    """What the product says of a scene."""
    from accuracy.matching.corner import measure_corner
    from accuracy.matching.face import measure_face
    from accuracy.matching.pole import measure_pole
    from accuracy.matching.sphere import measure_sphere

    unknown = {"survey_covariance_m2": None, "survey_sigma_height_m": None}
    if scene.mark == "sphere":
        return measure_sphere(scene.patch, diameter_m=scene.size_m, **unknown)
    if scene.mark == "pole":
        return measure_pole(scene.patch, diameter_m=scene.size_m, **unknown)
    if scene.mark == "corner":
        return measure_corner(scene.patch, **unknown)
    return measure_face(scene.patch, **unknown)


def planted_errors(scene: Planted, found) -> tuple[np.ndarray, np.ndarray]:
    """Error and stated uncertainty of each component that was measured."""
    if scene.mark == "face":
        normal = np.array([found.normal_easting, found.normal_northing])
        true = scene.truth[2] * np.sign(scene.truth[:2] @ normal)
        return np.array([found.residual_m - true]), np.array([found.standard_uncertainty_m])
    seen = [found.residual_easting_m, found.residual_northing_m]
    sigma = list(np.sqrt(found.covariance_m2[:2]))
    if found.residual_height_m is not None:
        seen.append(found.residual_height_m)
        sigma.append(found.standard_uncertainty_height_m)
    return np.array(seen) - scene.truth[: len(seen)], np.array(sigma)


# --------------------------------------------------------------------------- decoys


def _decoy(mark: str, size: float | None, things_of):
    def make(rng: np.random.Generator) -> Planted:
        density = float(np.exp(rng.uniform(np.log(1000), np.log(6000))))
        drive = _any_drive(density, rng, from_azimuth=rng.uniform(0, 360), reach_m=1.0, half_height_m=1.6)
        things = things_of(rng)
        if isinstance(things, tuple):
            things, loose = things
            patch = scan(things, drive, rng)
            near = loose[np.hypot(loose[:, 0], loose[:, 1]) < 1.0]
            xyz = np.vstack([np.column_stack([patch.east_m, patch.north_m, patch.up_m]), near])
            time = np.concatenate([patch.gps_time_s, rng.uniform(1000, 1001, len(near))])
            return Planted(mark, patch_of(xyz, time, 1.0), size)
        return Planted(mark, scan(things, drive, rng), size)

    return make


def _flat(rng):
    return [ground(rng.uniform(-0.1, 0.1))]


def _kerb_line(rng):
    turn, edge = rng.uniform(0, 2 * np.pi), rng.uniform(-0.3, 0.3)
    low = rng.uniform(-0.2, 0.0)
    corner = turned(turn, (-3, edge, low))
    top = turned(turn, (-3, edge, low + 0.12))
    return [
        ground(low),
        Sheet(corner, turned(turn, (6, 0, 0)), (0, 0, 0.12)),
        Sheet(top, turned(turn, (6, 0, 0)), turned(turn, (0, 3, 0))),
    ]


def _bush(rng):
    size = rng.uniform(0.1, 0.5)
    return [ground(-size)], bush(rng, size, int(rng.uniform(100, 1500))) + np.append(
        rng.uniform(-0.2, 0.2, 2), 0
    )


def _wall(rng):
    turn, edge = rng.uniform(0, 2 * np.pi), rng.uniform(-0.3, 0.3)
    return [
        ground(-0.1),
        Sheet(turned(turn, (-3, edge, -0.1)), turned(turn, (6, 0, 0)), (0, 0, 2.5)),
    ]


def _car(rng):
    """A body's corner: rounded upright edge, two sides that stop short of the ground."""
    turn, c, r = rng.uniform(0, 2 * np.pi), rng.uniform(-0.2, 0.2, 2), rng.uniform(0.12, 0.35)
    low, high = -0.05, 0.7

    def at(x, y):
        v = turned(turn, (x, y, low))
        return (v[0] + c[0], v[1] + c[1], low)

    return [
        ground(-0.3),
        Post((at(0, 0)[0], at(0, 0)[1]), r, low, high),
        Sheet(at(0, -r), turned(turn, (2, 0, 0)), (0, 0, high - low)),
        Sheet(at(-r, 0), turned(turn, (0, 2, 0)), (0, 0, high - low)),
    ]


def _ball(low, high):
    def make(rng):
        c, r = rng.uniform(-0.2, 0.2, 3), rng.uniform(low, high) / 2
        return [ground(c[2] - 1.0), Ball(tuple(c), r)]

    return make


def _post(low, high, lean=0.02):
    def make(rng):
        c, r = rng.uniform(-0.2, 0.2, 2), rng.uniform(low, high) / 2
        way = rng.uniform(0, 2 * np.pi)
        return [ground(0.0), Post(tuple(c), r, 0.0, 1.2, (lean * np.sin(way), lean * np.cos(way)))]

    return make


DECOYS = {
    **{
        (mark, name): _decoy(mark, size, things)
        for mark, size in (("sphere", 0.2), ("pole", 0.15), ("corner", None), ("face", None))
        for name, things in (
            ("flat ground", _flat),
            ("kerb", _kerb_line),
            ("bush", _bush),
            ("wall", _wall),
            ("car", _car),
        )
        if (mark, name) not in {("face", "wall"), ("face", "car"), ("face", "kerb")}
    },
    ("sphere", "larger ball"): _decoy("sphere", 0.2, _ball(0.24, 0.35)),
    ("sphere", "smaller ball"): _decoy("sphere", 0.2, _ball(0.1, 0.165)),
    ("sphere", "pole of that diameter"): _decoy("sphere", 0.2, _post(0.2, 0.2)),
    ("pole", "thicker pole"): _decoy("pole", 0.15, _post(0.185, 0.3)),
    ("pole", "thinner pole"): _decoy("pole", 0.15, _post(0.06, 0.12)),
    ("pole", "ball of that diameter"): _decoy("pole", 0.15, _ball(0.15, 0.15)),
    ("pole", "leaning pole"): _decoy("pole", 0.15, _post(0.15, 0.15, 0.14)),
}
