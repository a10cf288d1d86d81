"""job.toml: read whole, or refused whole with the key in words."""

from __future__ import annotations

from pathlib import Path

import pytest

from accuracy.errors import AccuracyError, JobError, RequestError
from accuracy.job import CloudInput
from accuracy.job_file import read_job
from accuracy.units import parse_length_m

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "job.toml"
SMALL = """
title = "Road"
contract_unit = "metre"
[checkpoints]
file = "points.csv"
[class]
vertical = "3 cm"
[[run]]
name = "one"
clouds = ["one.laz"]
speed_km_per_h = 6
[run.trajectory]
file = "rig.csv"
[[run.reference]]
file = "gnss.csv"
kind = "gnss"
"""


def job_text(folder: Path, old: str = "", new: str = "") -> Path:
    """A small job file with one change."""
    assert old in SMALL
    path = folder / "job.toml"
    path.write_text(SMALL.replace(old, new, 1) if old else SMALL)
    return path


def test_the_example_is_read_whole() -> None:
    """The job file that explains every key is one that works."""
    job = read_job(EXAMPLE)
    assert job.title == "Harbour road"
    assert job.request.vertical_m == pytest.approx(0.03)
    assert job.further_requests[0].limits[0].where == {"surface": "asphalt"}
    assert job.runs[0].references[1].instrument_m is not None
    assert job.exclusions[0].reason.startswith("nail")
    assert job.equivalence_margin_m == pytest.approx(0.01)


def test_paths_are_relative_to_the_file(tmp_path: Path) -> None:
    """A job works from wherever it is called, and one cloud needs no brackets."""
    job = read_job(job_text(tmp_path, '["one.laz"]', '"one.laz"'))
    assert job.checkpoints == tmp_path / "points.csv"
    assert job.runs[0].clouds == (CloudInput(files=(tmp_path / "one.laz",)),)
    assert job.runs[0].trajectory is not None
    assert job.runs[0].trajectory.path == tmp_path / "rig.csv"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("speed_km_per_h = 6", 'speed_km_per_h = "6"', r'run 1 \(one\)\.speed_km_per_h: "6" is not a number'),
        ("speed_km_per_h = 6", "speed_km_per_h = true", "true is not a number"),
        ("speed_km_per_h = 6", "speed_km_per_h = -5", 'the speed of run "one" is -5 km/h.*a number above 0'),
        ("speed_km_per_h = 6", "speed_km_per_h = 0", 'the speed of run "one" is 0 km/h'),
        ("speed_km_per_h = 6", "speed_km_per_h = nan", r"run 1 \(one\)\.speed_km_per_h: nan is not a finite"),
        ('name = "one"', 'name = "one"\nattributes = { lane = " " }', "attribute lane = .*says nothing"),
        ('name = "one"', 'name = "one"\nattributes = { speed = "6" }', 'named "speed".*Use speed_km_per_h'),
        ('name = "one"', 'name = " "', 'key run 1.name: " " is no name for a run'),
        ("clouds =", "cluds =", r'key run 1 \(one\): unknown key "cluds".*Did you mean "clouds"\?'),
        ("[class]", "[clas]", 'job.toml: unknown key "clas".*Did you mean "class"'),
        ('vertical = "3 cm"', "vertical = 3", 'key class.vertical: 3 does not say its unit.*"3 cm"'),
        ('vertical = "3 cm"', "vertical = 0.03", '0.03 does not say its unit.*"0.03 m"'),
        ('vertical = "3 cm"', "vertical = true", "key class.vertical: true is not a text"),
        (
            'vertical = "3 cm"',
            'vertical = "3 ells"',
            'key class.vertical: "3 ells" has a unit that is not known',
        ),
        ("[class]", "[measure]\nlargest_radius = 2.5\n[class]", 'largest_radius: 2.5 does not.*"2.5 m"'),
        (
            'file = "points.csv"',
            'file = "points.csv"\nsurvey_sigma_height = 5',
            'key checkpoints.survey_sigma_height: 5 does not say its unit.*"5 mm"',
        ),
        ("speed_km_per_h", "sped", r'key run 1 \(one\): unknown key "sped"; known here are name, clouds'),
        ('name = "one"', "", "key run 1.name: the key is missing"),
        ('kind = "gnss"', 'kind = "gps"', '"gps" is none of gnss, prism, unknown'),
        ('"metre"', '"feet"', "key contract_unit: .*which foot"),
        ("[class]", "[class", "not a TOML file"),
        ("[class]", "[class]\ngrade = 1", 'key class: unknown key "grade"'),
        ('file = "rig.csv"', 'file = "rig.csv"\nformat = { time = "sun" }', '"sun" is none of auto'),
        ('name = "one"', 'name = "one"\nclouds = []', "not a TOML file"),
        ('title = "Road"', 'title = "Road"\nstatement_run = "two"', "no such run.*Use one of one"),
        (
            'kind = "gnss"',
            "lever_arm = [0.3, 0.1]",
            r"lever_arm: \[0\.3, 0\.1\] does not hold the 3 values",
        ),
        (
            '[run.trajectory]\nfile = "rig.csv"\n',
            "",
            r'run "one" has a reference, gnss\.csv, and no trajectory of its own',
        ),
        (
            'kind = "gnss"',
            '[[run.reference]]\nfile = "gnss.csv"',
            'two references of run "one" are named "gnss"',
        ),
        ('title = "Road"', 'title = "Road"\ndate = "8 July"', 'key date: "8 July" is not a date'),
    ],
)
def test_every_fault_names_its_key(tmp_path: Path, old: str, new: str, message: str) -> None:
    """Unknown keys, wrong kinds and impossible values are refused with file, key and remedy."""
    with pytest.raises(AccuracyError, match=message) as caught:
        read_job(job_text(tmp_path, old, new))
    assert "job.toml" in str(caught.value)


def test_a_title_may_be_left_out(tmp_path: Path) -> None:
    """The report is then headed by the run that the statement speaks of."""
    assert read_job(job_text(tmp_path, 'title = "Road"', "")).title == "Accuracy of one"


@pytest.mark.parametrize(
    ("new", "message"),
    [
        ('name = "QL2"', "class.name means nothing to asprs-2024. It takes class.vertical, class.horizontal"),
        ("map_scale = 500", "class.map_scale means nothing to asprs-2024"),
        ('standard = "nmas"\nmap_scale = -500', "class.map_scale is -500"),
        (
            'standard = "nmas"\nthree_d = "3 cm"',
            "class.three_d means nothing to nmas. It takes class.map_scale",
        ),
    ],
)
def test_a_class_that_the_standard_ignores(tmp_path: Path, new: str, message: str) -> None:
    """Asking one standard for another's class is refused, not dropped, in the words of the job file."""
    with pytest.raises(RequestError, match=message) as caught:
        read_job(job_text(tmp_path, 'vertical = "3 cm"', new))
    assert "job.toml" in str(caught.value)


def test_runs_of_one_name(tmp_path: Path) -> None:
    """Two runs of one name could not be told apart in the record."""
    again = 'clouds = ["one.laz"]\n[[run]]\nname = "one"\nclouds = ["two.laz"]'
    with pytest.raises(JobError, match='run "one" stands there twice'):
        read_job(job_text(tmp_path, 'clouds = ["one.laz"]', again))


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    """Editors on some systems begin a file with one."""
    path = job_text(tmp_path)
    path.write_text(SMALL, encoding="utf-8-sig")
    assert read_job(path).title == "Road"


def test_a_missing_file(tmp_path: Path) -> None:
    """A job file that is not there is named."""
    with pytest.raises(JobError, match=r"absent\.toml: it cannot be read"):
        read_job(tmp_path / "absent.toml")


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("5", 0.05),
        ("5 cm", 0.05),
        ("50mm", 0.05),
        ("0.05 m", 0.05),
        ("0.16 ft", 0.16 * 0.3048),
        ("1 us-survey-foot", 1200 / 3937),
        (".5 m", 0.5),
    ],
)
def test_lengths(text: str, metres: float) -> None:
    """A length carries its unit; a bare number is in centimetres, as classes are named."""
    assert parse_length_m(text) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize("text", ["0.05", ".4"])
def test_a_bare_number_that_may_be_metres(text: str) -> None:
    """0.05 without a unit is asked about, never taken for half a millimetre."""
    with pytest.raises(RequestError, match="does not say its unit"):
        parse_length_m(text)
    assert parse_length_m("0.05", bare_unit="m") == 0.05


@pytest.mark.parametrize("text", ["", "cm", "-5 cm", "5 parsec", "0", "1e3", "5 feet", "5 cm 3"])
def test_lengths_that_are_none(text: str) -> None:
    """What is no positive length, or names no known unit, is refused."""
    with pytest.raises(RequestError, match=r"is not a length|not a positive length|unit that is not known"):
        parse_length_m(text)
