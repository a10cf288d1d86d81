"""Every reason for which a sphere, pole, corner or face is not measured, with its words."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

import solid_scene as scenes
from accuracy.matching.corner import measure_corner
from accuracy.matching.face import measure_face
from accuracy.matching.pole import measure_pole
from accuracy.matching.sphere import measure_sphere
from accuracy.model import NotMeasured, Reason
from solid_scene import Ball, Drive, Post, Sheet, ground, patch_of, scan

DRIVE = Drive(density_per_m2=5000, distance_m=4.0)
CLEAN = replace(DRIVE, mixed=0.0, stray=0.0)


def wall(south_m: float, low: float = -1.0, left: float = -3.0, length: float = 6.0) -> object:
    """An upright wall that runs east, ``south_m`` south of the checkpoint."""
    return Sheet((left, -south_m, low), (length, 0, 0), (0, 0, 2.5))


def sphere(things, drive=DRIVE, diameter_m=0.2, **more):
    """What the sphere measurement says of a scene."""
    patch = scan(things, drive, np.random.default_rng(3), **more)
    return measure_sphere(patch, diameter_m=diameter_m, survey_covariance_m2=None, survey_sigma_height_m=None)


def pole(things, drive=DRIVE, diameter_m=0.2, **more):
    """What the pole measurement says of a scene."""
    patch = scan(things, drive, np.random.default_rng(3))
    return measure_pole(patch, diameter_m=diameter_m, survey_covariance_m2=None, **more)


def corner(things, drive=DRIVE):
    """What the corner measurement says of a scene."""
    patch = scan(things, drive, np.random.default_rng(3))
    return measure_corner(patch, survey_covariance_m2=None, survey_sigma_height_m=None)


def face(things, drive=DRIVE):
    """What the face measurement says of a scene."""
    return measure_face(scan(things, drive, np.random.default_rng(3)), survey_covariance_m2=None)


def leafy(measure, **more):
    """What a measurement says of a bush."""
    rng = np.random.default_rng(5)
    return measure(patch_of(scenes.bush(rng, 0.14, 1500)), survey_covariance_m2=None, **more)


ball = Ball((0.02, -0.03, 0.01), 0.1)
post = Post((0.02, -0.03), 0.1, 0.0, 1.0)
empty = patch_of(np.zeros((0, 3)))
diagonal = 1.5
CASES = {
    "sphere, impossible size": (
        lambda: measure_sphere(empty, diameter_m=0.0, survey_covariance_m2=None, survey_sigma_height_m=None),
        Reason.NO_MARK,
        "A sphere of 0 m diameter cannot be looked for",
    ),
    "sphere, no points": (
        lambda: measure_sphere(empty, diameter_m=0.2, survey_covariance_m2=None, survey_sigma_height_m=None),
        Reason.TOO_FEW_POINTS,
        "Only 0 points lie where the sphere may be; at least 40 are needed on it.",
    ),
    "sphere, flat ground": (lambda: sphere([ground(0.0)]), None, "phere|ball"),
    "sphere, none": (
        lambda: measure_sphere(
            patch_of(np.random.default_rng(1).uniform(-0.5, 0.5, (3000, 3)) * [1, 1, 0.001]),
            diameter_m=0.2,
            survey_covariance_m2=None,
            survey_sigma_height_m=None,
        ),
        None,
        "No sphere of 0.200 m diameter|no ball|too little to prove",
    ),
    "sphere, sparse": (
        lambda: sphere([ball], replace(CLEAN, density_per_m2=900)),
        None,
        r"points lie on the sphere; at least 40|too little to prove|Only \d+ points",
    ),
    "sphere, wrong size": (
        lambda: sphere([ball, ground(-1.3)], diameter_m=0.26),
        Reason.WRONG_SIZE,
        r"The ball here has a diameter of 0\.(19|20)\d m, not 0.260 m.",
    ),
    "sphere, two": (
        lambda: sphere([ball, Ball((0.35, 0.05, 0.0), 0.1), ground(-1.3)]),
        Reason.NOT_UNIQUE,
        r"Two spheres of 0.200 m diameter stand 0\.3\d m apart",
    ),
    "sphere, mostly hidden": (
        lambda: sphere([Ball((0, 0, 0.0), 0.1), Sheet((-1, -0.3, -1), (2, 0, 0), (0, 0, 1.2))]),
        None,
        "too little to prove|lie on the sphere|no ball|No sphere",
    ),
    "sphere, bush": (
        lambda: leafy(measure_sphere, diameter_m=0.2, survey_sigma_height_m=None),
        Reason.NO_FIT,
        r"no ball: \d+ points lie inside it|points scatter by \d+ mm about one",
    ),
    "sphere, a pole": (
        lambda: sphere([Post((0, 0), 0.1, -1.0, 1.0), ground(-1.0)]),
        Reason.NO_FIT,
        "no ball: its surface goes on beside it|scatter by",
    ),
    "pole, impossible size": (
        lambda: measure_pole(empty, diameter_m=9.0, survey_covariance_m2=None),
        Reason.NO_MARK,
        "A pole of 9 m diameter cannot be looked for",
    ),
    "pole, no points": (
        lambda: measure_pole(empty, diameter_m=0.2, survey_covariance_m2=None),
        Reason.TOO_FEW_POINTS,
        "Only 0 points lie where the pole may be",
    ),
    "pole, flat ground": (
        lambda: pole([ground(0.0)], CLEAN),
        Reason.TOO_FEW_POINTS,
        "Only 0 points stand above the ground",
    ),
    "pole, wrong size": (
        lambda: pole([post, ground(0.0)], diameter_m=0.26),
        Reason.WRONG_SIZE,
        r"The pole here has a diameter of 0\.(19|20)\d m, not 0.260 m.",
    ),
    "pole, two": (
        lambda: pole([post, Post((0.4, 0.1), 0.1, 0.0, 1.0), ground(0.0)]),
        Reason.NOT_UNIQUE,
        r"Two poles of 0.200 m diameter stand 0\.4\d m apart",
    ),
    "pole, leaning": (
        lambda: pole([Post((0.02, -0.03), 0.1, 0.0, 1.0, (0.13, 0.0)), ground(0.0)]),
        Reason.NO_FIT,
        r"The pole leans by 7\.\d degrees; more than 5",
    ),
    "pole, stump": (
        lambda: pole([Post((0.02, -0.03), 0.1, 0.0, 0.3), ground(0.0)], replace(CLEAN, density_per_m2=10000)),
        Reason.PARTLY_COVERED,
        r"Only 0\.\d+ m of the pole's height was seen",
    ),
    "pole, sparse": (
        lambda: pole([post, ground(0.0)], replace(DRIVE, density_per_m2=300)),
        None,
        "prove its diameter|mm only|at least 40",
    ),
    "pole, wall": (
        lambda: pole([wall(0.05), ground(-1.0)]),
        Reason.NO_FIT,
        "no pole: its surface goes on beside it|scatter by",
    ),
    "pole, bush": (
        lambda: leafy(measure_pole, diameter_m=0.2),
        Reason.NO_FIT,
        r"no pole: \d+ points lie inside|scatter by",
    ),
    "corner, no points": (
        lambda: measure_corner(empty, survey_covariance_m2=None, survey_sigma_height_m=None),
        Reason.TOO_FEW_POINTS,
        "a corner needs at least 40 on each of three faces",
    ),
    "corner, flat ground": (
        lambda: corner([ground(0.0)], CLEAN),
        Reason.NO_FIT,
        "only 1 level surface: two upright faces are missing",
    ),
    "corner, one wall": (
        lambda: corner([ground(0.0), wall(-0.05, 0.0)], CLEAN),
        Reason.NO_FIT,
        "an upright face in another direction is missing",
    ),
    "corner, no ground": (
        lambda: corner(
            [Sheet((0, 0, -2), (2, 2, 0), (0, 0, 4)), Sheet((0, 0, -2), (-2, 2, 0), (0, 0, 4))],
            replace(CLEAN, yaw=0.0),
        ),
        Reason.NO_FIT,
        "only 2 upright faces: a level surface is missing",
    ),
    "corner, elsewhere": (
        lambda: corner(
            [
                ground(0.0),
                Sheet((0, 0.7, 0), (2, 2, 0), (0, 0, 2)),
                Sheet((0, 0.7, 0), (-2, 2, 0), (0, 0, 2)),
            ],
            replace(CLEAN, yaw=0.0),
        ),
        Reason.NO_LOCK,
        r"meet 0\.(69|70|71) m away from it; corners are sought within 0.50 m",
    ),
    "face, no points": (
        lambda: measure_face(empty, survey_covariance_m2=None),
        Reason.TOO_FEW_POINTS,
        "Only 0 points lie near the checkpoint; a face needs at least 40",
    ),
    "face, flat ground": (
        lambda: face([ground(0.0)], CLEAN),
        Reason.NO_LOCK,
        r"No upright face was found near the checkpoint \(only: level surface\)",
    ),
    "face, too far": (
        lambda: face([wall(-0.8), ground(-1.0)], CLEAN),
        Reason.NO_LOCK,
        "No upright face stands within 0.50 m",
    ),
    "face, beside": (
        lambda: face([wall(0.0, left=0.5), ground(-1.0)], CLEAN),
        Reason.OUTSIDE_HULL,
        r"The nearest upright face ends 0\.\d+ m beside the checkpoint",
    ),
    "face, two": (
        lambda: face([wall(0.05, left=-3.0, length=3.0), wall(-0.06, left=0.0, length=3.0)], CLEAN),
        Reason.NOT_UNIQUE,
        r"Two upright faces stand almost equally near the checkpoint",
    ),
    "face, bush": (lambda: leafy(measure_face), None, "upright face|flat face|hedge|rough"),
}


@pytest.mark.parametrize("name", CASES)
def test_refused_with_its_reason(name) -> None:
    """The scene gives no number, the code fits, and the words say what is wrong."""
    run, code, words = CASES[name]
    found = run()
    assert isinstance(found, NotMeasured), found
    assert re.search(words, found.reason), found.reason
    if code is not None:
        assert found.code is code, found.reason


@pytest.mark.parametrize(
    "decoy", [key for key in scenes.DECOYS if key[1] != "bush"], ids=lambda key: f"{key[0]} at {key[1]}"
)
def test_decoys_are_refused(decoy) -> None:
    """What is no such mark, or one of another size, gives no measurement in any of four windows."""
    rng = np.random.default_rng(17)
    for _ in range(4):
        found = scenes.measure(scenes.DECOYS[decoy](rng))
        assert isinstance(found, NotMeasured), found
