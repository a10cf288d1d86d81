"""Templates: the built-in shapes against independent geometry, and the file of the user's own."""

from __future__ import annotations

import numpy as np
import pytest

import target_scene as scene
from accuracy.errors import JobError
from accuracy.matching.target_field import GRID, raster_of
from accuracy.matching.target_search import symmetry_of
from accuracy.matching.template import BUILT_IN, Polarity, Tone, load_templates

BOW_TIE = """
[[template]]
name = "bow-tie"
size_is = "side of the square that encloses it"
polarity = "either"

[[template.region]]
tone = "light"
outline = [[0, 0], [0.5, 0.5], [-0.5, 0.5]]

[[template.region]]
tone = "light"
outline = [[0, 0], [-0.5, -0.5], [0.5, -0.5]]

[[template.region]]
tone = "background"
circle = { centre = [0, 0.3], radius = 0.1 }
"""


@pytest.mark.parametrize("name", BUILT_IN)
def test_raster_agrees_with_the_shape_written_as_conditions(name):
    """Away from the edges every pixel has the tone that the shape's own inequalities give."""
    raster = raster_of(BUILT_IN[name])
    middle = -raster.half + (np.arange(GRID) + 0.5) * raster.step
    x, y = np.meshgrid(raster.centre[0] + middle, raster.centre[1] + middle)
    order = {Tone.BACKGROUND: 0, Tone.DARK: 1, Tone.LIGHT: 2}
    drawn = np.array([order[tone] for tone in raster.template.tones])[raster.share.argmax(axis=0)]
    clear = (raster.edge_distance > 1.5 * raster.step) & raster.window
    assert clear.sum() > 2000
    assert np.array_equal(drawn[clear], scene.tone_at(name, x, y)[clear])


@pytest.mark.parametrize(
    ("name", "light", "dark"),
    [
        ("quartered-disc", np.pi / 8, np.pi / 8),
        ("quartered-square", 0.5, 0.5),
        ("disc", np.pi / 4, 0.0),
        ("ring", np.pi / 4 * (1 - 0.36), 0.0),
        ("cross", 2 / 6 - 1 / 36, 0.0),
        ("ell", 2 / 6 - 1 / 36, 0.0),
    ],
)
def test_painted_area_is_that_of_elementary_geometry(name, light, dark):
    """Sum of pixel shares = area by formula.

    Circles are polygons of 180 sides, 2e-4 short in area; straight sides lie to a sixteenth of a
    pixel across the rows, 2.5e-3 of the area of an arm.
    """
    raster = raster_of(BUILT_IN[name])
    area = raster.share.sum(axis=(1, 2)) * raster.step**2
    assert area[-1] == pytest.approx(light, rel=3e-4 if name not in ("cross", "ell") else 2.5e-3)
    if dark:
        assert area[1] == pytest.approx(dark, rel=3e-4)


def test_outlines_are_laid_turned_and_scaled():
    """An ell of 0.6 m turned by 90 degrees anticlockwise: its right arm points north."""
    ((tone, arm), _) = BUILT_IN["ell"].placed(0.6, (10.0, 20.0), 90.0)
    assert tone is Tone.LIGHT
    expected = [(10.0, 20.0), (10.0, 20.6), (9.9, 20.6), (9.9, 20.0)]
    assert arm == pytest.approx(np.array(expected))


@pytest.mark.parametrize(
    ("name", "turns"),
    [
        ("quartered-disc", 2),
        ("quartered-square", 2),
        ("disc", 0),
        ("ring", 0),
        ("cross", 4),
        ("ell", 1),
        ("stripe-end", 1),
    ],
)
def test_symmetry_is_found_from_the_shape(name, turns):
    """How many turns look the same decides how far the search turns; 0 stands for any turn."""
    assert symmetry_of(raster_of(BUILT_IN[name])) == turns


def test_user_template_is_read(tmp_path):
    """Polygons, a hole cut by a background circle, either polarity."""
    path = tmp_path / "marks.toml"
    path.write_text(BOW_TIE, encoding="utf-8")
    found = load_templates(path)
    assert list(found) == ["bow-tie"]
    template = found["bow-tie"]
    assert template.polarity is Polarity.EITHER
    assert template.tones == (Tone.BACKGROUND, Tone.LIGHT)
    raster = raster_of(template)
    # Two triangles of area 1/4, less the circle that lies inside the upper one.
    assert raster.share[1].sum() * raster.step**2 == pytest.approx(0.5 - np.pi * 0.01, rel=1e-3)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('name = "bow-tie"', 'name = "disc"', '"disc" is a built-in mark'),
        ('name = "bow-tie"', 'name = "Bow Tie"', "'Bow Tie' is not a template name"),
        ('name = "bow-tie"', 'title = "bow-tie"', 'key "title" is not known'),
        ('polarity = "either"', 'polarity = "dark"', "'dark' is not a polarity"),
        ('tone = "background"', 'tone = "grey"', "'grey' is not a tone"),
        ("radius = 0.1", "radius = -0.1", "-0.1 is not a radius"),
        ("radius = 0.1", "radius = true", "True is not a number"),
        ("[[0, 0], [0.5, 0.5], [-0.5, 0.5]]", "[[0, 0], [0.5, 0.5]]", "an outline needs 3 to 1000 points"),
        ("[[0, 0], [0.5, 0.5], [-0.5, 0.5]]", "[[0, 0], [1, 1], [2, 2]]", "encloses no area"),
        ("[[0, 0], [0.5, 0.5], [-0.5, 0.5]]", "[[0, 0], [1, 1], [1, 0], [0, 1]]", "crosses itself"),
        ("[[0, 0], [0.5, 0.5], [-0.5, 0.5]]", "[[0, 0], [0.5, nan], [-0.5, 0.5]]", "nan is not a number"),
        (
            "[[0, 0], [0.5, 0.5], [-0.5, 0.5]]",
            "[[0, 0], [600, 0], [-0.5, 0.5]]",
            "600 lies more than 20 mark",
        ),
        ("[[0, 0], [0.5, 0.5], [-0.5, 0.5]]", '"square"', "'square' is not an outline"),
        ("circle = {", "disc = {", 'key "disc" is not known'),
        ('tone = "light"', 'tone = "background"', "every region is background"),
        ("[[template]]", "[[mark]]", 'key "mark" is not known'),
        ("[[template]]", "[[template]", "is not TOML"),
    ],
)
def test_a_faulty_template_is_refused_with_its_place(tmp_path, old, new, message):
    """Every fault names the file, the value and what to do."""
    path = tmp_path / "marks.toml"
    text = BOW_TIE.replace(old, new)
    if old == "[[template]]":
        text = BOW_TIE.replace("[[template]]", new).replace("template.region", "mark.region")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(JobError, match=message.replace("(", r"\(")) as caught:
        load_templates(path)
    assert str(path) in str(caught.value)
    assert caught.value.remedy


def test_a_missing_an_empty_and_a_binary_template_file_are_refused(tmp_path):
    """No file, no entry, no text."""
    with pytest.raises(JobError, match="cannot be read"):
        load_templates(tmp_path / "none.toml")
    empty = tmp_path / "empty.toml"
    empty.write_text("", encoding="utf-8")
    with pytest.raises(JobError, match=r"no \[\[template\]\] entry"):
        load_templates(empty)
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(JobError, match="not UTF-8"):
        load_templates(binary)


def test_the_same_name_twice_is_refused(tmp_path):
    """One of the two would be lost in silence."""
    path = tmp_path / "marks.toml"
    path.write_text(BOW_TIE + BOW_TIE, encoding="utf-8")
    with pytest.raises(JobError, match="used twice"):
        load_templates(path)
