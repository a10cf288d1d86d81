"""Several clouds of one run in a job file: named, told apart, chosen from, or refused with the remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from accuracy.errors import AccuracyError, RequestError
from accuracy.job import CloudInput, Job, RunInput
from accuracy.job_file import read_job
from accuracy.reading.patches import PointSelection

TWO = """
statement_run = "slow"
[checkpoints]
file = "points.csv"
[measure]
classes = [2]
[relative]
runs = ["fast", "slow photogrammetric"]
[[run]]
name = "slow"
speed_km_per_h = 6
[[run.cloud]]
name = "lidar"
files = ["slow-1.laz", "slow-2.laz"]
[[run.cloud]]
name = "photogrammetric"
files = "slow-photo.laz"
classes = [0, 1]
[[run]]
name = "fast"
speed_km_per_h = 24
[[run.cloud]]
name = "lidar"
files = ["fast.laz"]
returns = "last"
"""


def job_of(folder: Path, text: str) -> Job:
    """The job that a text asks for."""
    path = folder / "job.toml"
    path.write_text(text)
    return read_job(path)


def test_clouds_have_labels_files_and_points_of_their_own(tmp_path: Path) -> None:
    """A cloud is called by run and name, takes the job's choice of points but for what it says itself."""
    job = job_of(tmp_path, TWO)
    assert [one.label for one in job.clouds] == ["slow lidar", "slow photogrammetric", "fast lidar"]
    assert [len(one.cloud.files) for one in job.clouds] == [2, 1, 1]
    assert job.clouds[1].cloud.files == (tmp_path / "slow-photo.laz",)
    chosen = [job.selection_of(one.cloud) for one in job.clouds]
    assert chosen == [
        PointSelection(classes=frozenset({2})),
        PointSelection(classes=frozenset({0, 1})),
        PointSelection(classes=frozenset({2}), returns="last"),
    ]


def test_the_statement_speaks_of_one_cloud(tmp_path: Path) -> None:
    """The first of the run, or the one that is named; a run alone then means its cloud of that kind."""
    job = job_of(tmp_path, TWO)
    assert (job.statement.label, job.title) == ("slow lidar", "Accuracy of slow lidar")
    assert job.meant_by("fast") == "fast lidar"
    assert job.meant_by("slow photogrammetric") == "slow photogrammetric"
    other = job_of(tmp_path, 'statement_cloud = "photogrammetric"\n' + TWO.replace('"fast", ', ""))
    assert other.statement.label == "slow photogrammetric"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'name = "photogrammetric"',
            'name = "lidar"',
            'two clouds of run "slow" are named "lidar".*files of one cloud stand in one list',
        ),
        (
            'name = "photogrammetric"',
            'name = "Lidar"',
            'clouds are named "lidar" and "Lidar".*alike in every',
        ),
        ('name = "photogrammetric"', 'name = " "', '" " is no name for a cloud of run "slow"'),
        ('name = "photogrammetric"\n', "", r"key run 1 \(slow\)\.cloud 2\.name: the key is missing"),
        ('files = "slow-photo.laz"', "files = []", 'run "slow" names no cloud'),
        ('files = "slow-photo.laz"\n', "", r"cloud 2 \(photogrammetric\)\.files: the key is missing"),
        (
            'files = "slow-photo.laz"',
            'files = "slow-2.laz"',
            'clouds "lidar" and "photogrammetric" of run "slow" both hold slow-2.laz',
        ),
        (
            "classes = [0, 1]",
            "class = [0, 1]",
            r'cloud 2 \(photogrammetric\): unknown key "class"; known here are name, files, classes, returns',
        ),
        ("classes = [0, 1]", "classes = []", "no class is chosen"),
        ('returns = "last"', 'returns = "second"', '"second" is none of all, first, last, only'),
        (
            '[[run.cloud]]\nname = "lidar"\nfiles = ["fast.laz"]\nreturns = "last"',
            'clouds = ["fast.laz"]',
            'run "slow" names its cloud "lidar", and the cloud of run "fast" has no name.*of every run or',
        ),
        (
            "speed_km_per_h = 24",
            'clouds = ["fast.laz"]',
            r'run "fast" has both clouds = \[\.\.\.\] and \[\[run\.cloud\]\]',
        ),
        (
            'statement_run = "slow"',
            'statement_run = "fast"\nstatement_cloud = "photogrammetric"',
            'key statement_cloud: .*cloud "photogrammetric" of run "fast".*Use one of lidar',
        ),
        (
            'statement_run = "slow"',
            'baseline_run = "on foot"',
            'key baseline_run: the baseline is to be run "on foot", and there is no such run',
        ),
        (
            '"fast", "slow photogrammetric"',
            '"fast photogrammetric"',
            'key relative.runs: there is no "fast photogrammetric" to compare "slow lidar" with.*of slow',
        ),
        (
            'statement_run = "slow"',
            'statement_run = "slow"\nstatement_cloud = "photogrammetric"',
            'key relative.runs: there is no "fast photogrammetric" to compare "slow photogrammetric" with',
        ),
    ],
)
def test_what_cannot_be_told_apart_is_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    """Names, files and references between them are checked before a cloud is read; the file is named."""
    assert old in TWO
    with pytest.raises(AccuracyError, match=f"(?s)job.toml.*{message}"):
        job_of(tmp_path, TWO.replace(old, new, 1))


def test_labels_that_would_coincide() -> None:
    """A run named like another run with its cloud is refused: tables could not tell the two apart."""
    runs = (
        RunInput(name="a b", clouds=(CloudInput(files=(Path("1.laz"),), name="c"),)),
        RunInput(name="a", clouds=(CloudInput(files=(Path("2.laz"),), name="b c"),)),
    )
    with pytest.raises(RequestError, match='two clouds of this job would be called "a b c"'):
        Job(title="t", checkpoints=Path("p.csv"), runs=runs, statement_run="a")


def test_a_run_of_one_unnamed_cloud_is_called_by_its_name() -> None:
    """Nothing changes for jobs without names of clouds; a statement's cloud cannot be asked for then."""
    run = RunInput(name="12-eastbound", clouds=(CloudInput(files=(Path("1.laz"),)),))
    job = Job(title="t", checkpoints=Path("p.csv"), runs=(run,), statement_run="12-eastbound")
    assert job.statement.label == "12-eastbound"
    with pytest.raises(RequestError, match=r"which has no such cloud.*Name the run's clouds"):
        Job(
            title="t",
            checkpoints=Path("p.csv"),
            runs=(run,),
            statement_run="12-eastbound",
            statement_cloud="lidar",
        )
