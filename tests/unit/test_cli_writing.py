"""What the command line leaves on disk and prints: one whole result or none, on any disk and terminal."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from accuracy import files
from accuracy.cli import main
from accuracy.errors import OutputError
from accuracy.files import check_folder, writing, written_together

WHOLE = ["patches.npz", "report.html", "residuals.csv", "residuals.gpkg", "result.json"]


def run(*arguments: str | Path) -> Result:
    """One command, in process."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def site(make_site: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Any:
    """An invented site with 12 checkpoints and a cloud 10 mm too low."""
    return make_site(tmp_path_factory.mktemp("site"), points=12, shift_m=-0.010)


@pytest.fixture(scope="module")
def result(site: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The result of a check of it."""
    out = tmp_path_factory.mktemp("results") / "r"
    assert run("check", site.cloud, "--checkpoints", site.table, "--out", out, "--no-pdf").exit_code == 0
    return out


def commands(site: Any, result: Path, out: Path) -> dict[str, list[str | Path]]:
    """Every command that writes, writing to ``out``."""
    job = site.folder / "job.toml"
    job.write_text(
        f'title = "Two words"\n[checkpoints]\nfile = "{site.table}"\n'
        f'[[run]]\nname = "a"\nclouds = ["{site.cloud}"]\n',
        encoding="utf-8",
    )
    line = site.folder / "line.csv"
    line.write_text("easting,northing\n352400,6031250\n353000,6031250\n", encoding="utf-8")
    return {
        "check": ["check", site.cloud, "--checkpoints", site.table, "--out", out, "--no-pdf"],
        "job": ["job", job, "--out", out, "--no-pdf"],
        "recheck": ["recheck", result, "--out", out],
        "compare": ["compare", result, result, "--out", out],
        "plan": ["plan", "--line", line, "--crs", "EPSG:25832", "--out", out, "--no-pdf", "--class", "5 cm"],
        "marks": ["marks", "--out", out],
        "demo": ["demo", out, "--no-pdf"],
    }


COMMANDS = ("check", "job", "recheck", "compare", "plan", "marks", "demo")
QUICK = ("check", "job", "recheck", "compare", "plan", "marks")


@pytest.mark.parametrize("name", COMMANDS)
def test_a_folder_that_cannot_be_is_refused_first(
    site: Any, result: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Below a file nothing can be written: status 2, the file and a remedy, before anything is measured."""

    def never(*_: object, **__: object) -> None:
        raise AssertionError("measured before the folder was tried")

    monkeypatch.setattr("accuracy.pipeline.measure", never)
    monkeypatch.setattr("accuracy.rechecking.recheck", never)
    monkeypatch.setattr("accuracy.planning.making.make_plan", never)
    (tmp_path / "file").write_text("kept")
    done = run(*commands(site, result, tmp_path / "file" / "deep" / "out")[name])
    assert done.exit_code == 2, done.output
    assert f"{tmp_path / 'file'}: is a file, not a folder. Name another folder." in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("name", COMMANDS)
def test_a_disk_that_can_only_be_read_is_refused_first(
    site: Any, result: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """The system's refusal to make anything in the folder is told in words, and leaves no trace."""

    def read_only(*_: object, **__: object) -> str:
        raise OSError(errno.EROFS, "Read-only file system")

    given = commands(site, result, tmp_path / "out")[name]
    monkeypatch.setattr("accuracy.pipeline.measure", None)
    monkeypatch.setattr(files.tempfile, "mkdtemp", read_only)
    done = run(*given)
    assert done.exit_code == 2, done.output
    assert "cannot be written: the disk can only be read. Name another folder" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", QUICK)
def test_a_full_disk_ends_in_words(
    site: Any, result: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """No space for a file: status 2 with its path and the remedy, and nothing of the result is left."""
    given = commands(site, result, tmp_path / "out")[name]

    def full(path: Path, content: bytes) -> int:
        if len(content) > 4096:
            raise OSError(errno.ENOSPC, "No space left on device")
        with path.open("wb") as stream:
            return stream.write(content)

    monkeypatch.setattr(Path, "write_bytes", full)
    done = run(*given)
    assert done.exit_code == 2, done.output
    assert f"accuracy: {tmp_path / 'out'}{os.sep}" in done.stderr
    assert ": cannot be written: the disk is full. Free some space" in done.stderr
    assert ".writing" not in done.stderr
    left = [path.name for path in tmp_path.rglob("*") if path.is_file()]
    assert left == []


@pytest.mark.skipif(sys.platform == "win32", reason="limits on the size of files are POSIX's")
def test_a_limit_on_files_leaves_the_older_result_whole(site: Any, result: Path, tmp_path: Path) -> None:
    """A real limit of 60 kB, as a shell sets it: the earlier result stays as it was, to the byte."""
    import resource

    out = tmp_path / "r"
    given = [str(x) for x in commands(site, result, out)["check"]]
    run(*given)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert sorted(before) == WHOLE
    start = "from accuracy.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", start, *given, "--class", "1 mm"],
        capture_output=True,
        text=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000)),
        check=False,
    )
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert "larger than this disk or your limits allow" in done.stderr
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_an_earlier_report_does_not_stay_beside_a_new_record(site: Any, tmp_path: Path) -> None:
    """PDF and archives of an earlier run go with its record; files that are not ours stay."""
    out = tmp_path / "r"
    given = ["check", site.cloud, "--checkpoints", site.table, "--out", out, "--no-pdf"]
    run(*given)
    for name in ("report.pdf", "patches-02.npz"):
        (out / name).write_bytes(b"of an earlier run")
    for name in ("field book.pdf", "patches.txt", "compare.html"):
        (out / name).write_bytes(b"the user's own")
    assert run(*given, "--class", "1 mm").exit_code in {3, 4}
    assert sorted(path.name for path in out.iterdir()) == sorted(
        [*WHOLE, "compare.html", "field book.pdf", "patches.txt"]
    )


def test_a_signed_report_is_not_left_beside_another_record(
    site: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a surveyor signed is nobody's to delete, and would speak of another result: refused first."""
    monkeypatch.setattr("accuracy.pipeline.measure", None)
    (tmp_path / "report-signed.pdf").write_bytes(b"signed")
    done = run("check", site.cloud, "--checkpoints", site.table, "--out", tmp_path, "--no-pdf")
    assert done.exit_code == 2
    assert "holds a signed report, report-signed.pdf, of an earlier result" in done.stderr
    assert (tmp_path / "report-signed.pdf").read_bytes() == b"signed"


def test_a_plan_without_its_pdf_leaves_no_older_one(site: Any, result: Path, tmp_path: Path) -> None:
    """The same of a plan's folder."""
    (tmp_path / "plan.pdf").write_bytes(b"older")
    done = run(*commands(site, result, tmp_path)["plan"])
    assert done.exit_code == 0, done.output
    assert not (tmp_path / "plan.pdf").exists()
    assert (tmp_path / "plan.html").exists()


def test_nothing_moves_when_writing_stops(tmp_path: Path) -> None:
    """A failure half-way leaves a new folder unmade and an old one as it was."""
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "last").write_text("1")
    for folder in (tmp_path / "old", tmp_path / "new" / "deep"):
        with (  # noqa: PT012 - the failure must come after a file was written
            pytest.raises(OutputError, match="cannot be written: the disk is full"),
            written_together(folder, ours=lambda _: True, last="last") as staging,
        ):
            (staging / "last").write_text("2")
            raise OSError(errno.ENOSPC, "No space left on device")
    assert [str(path.relative_to(tmp_path)) for path in sorted(tmp_path.rglob("*"))] == ["old", "old/last"]
    assert (tmp_path / "old" / "last").read_text() == "1"


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.EACCES, "writing is not allowed here. Name another folder"),
        (errno.ENAMETOOLONG, "the name is too long. Name another folder"),
        (errno.EDQUOT, "the space allowed to you is used up. Free some space"),
        (errno.EIO, f"{os.strerror(errno.EIO)}. Name another folder"),
    ],
)
def test_the_systems_refusals_are_told_in_words(code: int, words: str) -> None:
    """Each common refusal has its cause and what to do about it; a rare one keeps the system's words."""
    with pytest.raises(OutputError, match=f"out: cannot be written: {words}"), writing(Path("out")):
        raise OSError(code, os.strerror(code))


def test_a_folder_that_can_be_is_left_as_it_was(tmp_path: Path) -> None:
    """Trying a folder makes neither it nor anything in it."""
    check_folder(tmp_path / "a" / "b")
    check_folder(tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_printing_never_fails(site: Any, tmp_path: Path, encoding: str) -> None:
    """Whatever a file or terminal can hold, the verdict's status stands, and a minus is still a minus."""
    start = "from accuracy.cli import main; main()"
    given = ["check", site.cloud, "--checkpoints", site.table, "--out", tmp_path / "r", "--no-pdf"]
    done = subprocess.run(
        [sys.executable, "-c", start, *map(str, given), "--class", "0.5 cm"],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": encoding},
        check=False,
    )
    assert done.returncode == 3, done.stderr
    said = done.stdout.decode("utf-8" if encoding == "ascii" else encoding)  # click writes UTF-8 for ASCII
    assert "mean \N{MINUS SIGN}0.95" in said or "mean -0.95" in said


def test_errors_print_on_any_terminal(tmp_path: Path) -> None:
    """A name that the terminal cannot show does not hide the message or its status."""
    start = "from accuracy.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", start, "inspect", str(tmp_path / "Müll\N{SNOWMAN}.las")],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "cp1252:strict"},
        check=False,
    )
    assert done.returncode == 2
    assert b"M\xfcll?.las" in done.stdout + done.stderr
    assert b"Traceback" not in done.stderr
