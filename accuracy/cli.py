"""Arguments, progress and exit statuses; nothing is measured or decided here.

Exit status: 0 done (and met, where a class was asked), 2 unusable input or request, 3 not met,
4 not enough evidence to grade; of a signature, 3 is changed since or not trusted. Results go to standard
output, progress and errors to standard error.
"""

from __future__ import annotations

import codecs
import importlib
import io
import sys
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from accuracy import __version__, options
from accuracy.errors import (
    EXIT_DONE,
    EXIT_NOT_ENOUGH_EVIDENCE,
    EXIT_NOT_INTACT,
    EXIT_NOT_MET,
    EXIT_UNUSABLE,
    AccuracyError,
    RequestError,
)
from accuracy.files import check_folder, write_atomically, writing
from accuracy.model import Outcome

if TYPE_CHECKING:
    from accuracy.job import Job

_PROGRESS_EVERY_S = 0.2


_PLAIN = {
    "\N{MINUS SIGN}": "-",
    "\N{EN DASH}": "-",
    "\N{NO-BREAK SPACE}": " ",
    "\N{NARROW NO-BREAK SPACE}": " ",
    "\N{SUPERSCRIPT TWO}": "2",
    "\N{MULTIPLICATION SIGN}": "x",
}


def _in_plain_characters(error: UnicodeError) -> tuple[str, int]:
    """What a terminal or file shows for a character that its encoding lacks: a minus stays a minus."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(_PLAIN.get(character, "?") for character in lacking), error.end


codecs.register_error("accuracy-plain", _in_plain_characters)


class _Group(click.Group):
    """Prints an AccuracyError as one message and exits with its status; printing itself never fails."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        for stream in (sys.stdout, sys.stderr):
            if isinstance(stream, io.TextIOWrapper):
                stream.reconfigure(errors="accuracy-plain")
        return super().main(*args, **kwargs)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except AccuracyError as error:
            click.echo(f"accuracy: {error}", err=True)
            ctx.exit(error.exit_code)


class _ManyIds(click.Command):
    """Lets ``--only A B C`` and ``--without A B`` take every id up to the next option."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        spread: list[str] = []
        taking: str | None = None
        for word in args:
            if word.startswith("-"):
                taking = word if word in ("--only", "--without") else None
                if taking is None:
                    spread.append(word)
            elif taking is not None:
                spread += [taking, word]
            else:
                spread.append(word)
        return super().parse_args(ctx, spread)


class _ProgressLine:
    """One line on a terminal, rewritten in place; one line per stage where there is no terminal."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._live = sys.stderr.isatty()
        self._last_what = ""
        self._last_time = 0.0

    def __call__(self, what: str, done: int, total: int) -> None:
        if self._quiet:
            return
        if not self._live:
            if what != self._last_what:
                click.echo(what, err=True)
            self._last_what = what
            return
        now = time.monotonic()
        if what == self._last_what and now - self._last_time < _PROGRESS_EVERY_S and done < total:
            return
        self._last_what, self._last_time = what, now
        share = f" {100 * done // total:3d} %" if total > 1 else ""
        click.echo(f"\r\x1b[K{what}{share}", err=True, nl=False)

    def clear(self) -> None:
        """Leave the line empty for what follows."""
        if self._live and not self._quiet:
            click.echo("\r\x1b[K", err=True, nl=False)


EXIT_STATUS = {
    Outcome.MET: EXIT_DONE,
    Outcome.NOT_MET: EXIT_NOT_MET,
    Outcome.NOT_GRADED: EXIT_NOT_ENOUGH_EVIDENCE,
}


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__)
def main() -> None:
    """Measure how accurate a mobile-mapping point cloud is, and write the statement."""


@main.command(cls=_ManyIds)
@click.argument("clouds", nargs=-1, required=True, type=options.FILE, metavar="CLOUD...")
@click.option("--checkpoints", required=True, type=options.FILE, help="Table of surveyed checkpoints (CSV).")
@click.option("--out", required=True, type=options.FILE, help="Folder for the result.")
@options.table_options
@options.survey_options
@options.frame_options
@options.class_options
@options.point_options
@options.mark_options
@options.exclusion_options
@click.option("--relative", is_flag=True, help="Also hold the cloud against itself, pass by pass.")
@options.report_options
@click.pass_context
def check(context: click.Context, /, clouds: tuple[Path, ...], **given: Any) -> None:
    """Measure one run's cloud against checkpoints, grade it and write the report.

    CLOUD is a LAS, LAZ or COPC file, or a folder of them; several make one run.
    """
    from accuracy.request import job_from_options

    job = job_from_options(clouds, given)
    _do(context, job, given)


@main.command("job")
@click.argument("file", type=options.FILE)
@click.option("--out", required=True, type=options.FILE, help="Folder for the result.")
@click.option("--no-pdf", is_flag=True, help="Write no PDF.")
@click.option("--quiet", is_flag=True, help="Show no progress.")
@click.pass_context
def job_command(context: click.Context, /, file: Path, **given: Any) -> None:
    """Do everything a job file asks for: several runs, trajectories, comparison."""
    from accuracy.job_file import read_job

    _do(context, read_job(file), given)


@main.command()
@click.argument("folder", type=options.FILE)
@click.option("--no-pdf", is_flag=True, help="Write no PDF.")
@click.option("--quiet", is_flag=True, help="Show no progress.")
@click.pass_context
def demo(context: click.Context, /, folder: Path, **given: Any) -> None:
    """Make the invented Tern Quay data in FOLDER and run the whole job on it."""
    from accuracy.job_file import read_job
    from accuracy.reporting.outputs import check_result_folder

    check_result_folder(folder / "result")
    check_folder(folder / "data")
    # Loaded by name: in a checkout the demo stands outside the package.
    make = importlib.import_module("accuracy.examples.tern_quay.make").make
    line = _ProgressLine(given["quiet"])
    with writing(folder / "data"):
        file = make(folder / "data", line)
    line.clear()
    click.echo(f"Data, with the planted truth beside it: {folder / 'data'}")
    _do(context, read_job(file), {**given, "out": folder / "result"}, graded=False)


@main.command()
@click.argument("files", nargs=-1, required=True, type=options.FILE, metavar="FILE...")
@click.option(
    "--as",
    "kind",
    type=click.Choice(["cloud", "checkpoints", "trajectory"]),
    help="What the files are, where it is not plain.",
)
@options.table_options
@click.option("--quiet", is_flag=True, help="Show no progress.")
@click.pass_context
def inspect(context: click.Context, /, files: tuple[Path, ...], **given: Any) -> None:
    """Say what a cloud, a folder of clouds, a table or a trajectory holds, and what is odd about it."""
    from accuracy.reporting.inspection import files_to_inspect, inspected
    from accuracy.request import table_options

    line = _ProgressLine(given["quiet"])
    status = EXIT_DONE
    for file in files_to_inspect(files, given["kind"]):
        try:
            found = inspected(file, kind=given["kind"], table=table_options(given), progress=line)
            lines, usable = found.lines, found.usable
        except AccuracyError as error:
            # The other files are still worth a look.
            lines, usable = (f"{error}",), False
        status = status if usable else EXIT_UNUSABLE
        line.clear()
        for text in lines:
            click.echo(text)
    context.exit(status)


@main.command("recheck", cls=_ManyIds)
@click.argument("folder", type=options.FILE, metavar="RESULT_DIR")
@click.option("--out", required=True, type=options.FILE, help="Folder for the new result.")
@click.option("--only", multiple=True, metavar="ID...", help="Count these checkpoints only: A B C or A,B,C.")
@options.exclusion_options
@click.option("--where", multiple=True, metavar="NAME=VALUE", help="Count those with this attribute.")
@click.option("--area", type=options.FILE, help="Count those inside the polygons of a GeoJSON file.")
@click.option("--random", type=click.IntRange(min=1), metavar="N", help="Count N drawn at random.")
@click.option("--seed", type=int, default=1, show_default=True, help="For --random and --folds.")
@click.option("--folds", type=click.IntRange(min=2), metavar="K", help="Also grade each of K parts.")
@click.option("--leave-one-out", is_flag=True, help="Also grade with each checkpoint left out in turn.")
@click.option("--standard", help="Grade by this standard; the classes that it knows stay.")
@click.option("--class", "vertical_class", metavar="LENGTH", help="Another vertical class; all else stays.")
@click.option("--horizontal-class", metavar="LENGTH", help="Another horizontal class.")
@click.option("--three-d-class", metavar="LENGTH", help="Another three-dimensional class.")
@click.option("--class-name", help="Another class that has a name, such as QL2.")
@click.option(
    "--drop",
    multiple=True,
    type=options.DROPPABLE,
    help="Grade this no longer: a class, the contract's limits or the other standards.",
)
@click.option("--radius", metavar="LENGTH", help="Measure heights again within this radius.")
@click.option("--measure-again", is_flag=True, help="Measure again from the kept patches, as the first time.")
@click.option("--statement", metavar="RUN", help="Let the statement speak of this run, or run and cloud.")
@click.option("--pictures", is_flag=True, help="Draw the marks as well, from the kept patches.")
@click.option("--pdf", is_flag=True, help="Write the PDF as well, and draw the marks.")
@click.option("--quiet", is_flag=True, help="Show no progress.")
@click.pass_context
def recheck_command(context: click.Context, /, folder: Path, **given: Any) -> None:
    """Recompute a result on other checkpoints or another class, from RESULT_DIR alone."""
    from accuracy.grading import outcome
    from accuracy.rechecking import check_out, recheck
    from accuracy.reporting.outputs import check_result_folder, write_outputs
    from accuracy.reporting.spoken import spoken
    from accuracy.request import recheck_options

    check_result_folder(given["out"])
    check_out(folder, given["out"])
    line = _ProgressLine(given["quiet"])
    rechecked = recheck(folder, recheck_options(given), line)
    result = rechecked.result
    drawn_from = rechecked.pictured
    outputs = write_outputs(
        result,
        rechecked.archives,
        given["out"],
        patches=None if drawn_from is None else drawn_from.patches,
        templates=None if drawn_from is None else drawn_from.templates,
        pdf=given["pdf"],
        progress=line,
    )
    line.clear()
    for sentence in (*rechecked.sentences, *spoken(result)):
        click.echo(sentence)
    click.echo(f"Report: {outputs.paths[0]}")
    context.exit(EXIT_STATUS[outcome(result)])


@main.command()
@click.argument("result_a", type=options.FILE)
@click.argument("result_b", type=options.FILE)
@click.option("--out", type=options.FILE, help="Also write the comparison as an HTML page into this folder.")
def compare(result_a: Path, result_b: Path, out: Path | None) -> None:
    """Say what changed from RESULT_A to RESULT_B: inputs, settings and figures."""
    from accuracy.record import read_result
    from accuracy.reporting.difference import compare_results
    from accuracy.reporting.difference_words import difference_html, difference_text

    if out is not None:
        check_folder(out)
    difference = compare_results(read_result(result_a), read_result(result_b))
    click.echo(difference_text(difference))
    if out is not None:
        write_atomically(out / "compare.html", difference_html(difference).encode())
        click.echo(f"Page: {out / 'compare.html'}")


@main.command()
@click.option("--out", required=True, type=options.FILE, help="Folder for the page and the sheets.")
@click.option("--sheet", metavar="MARK", help="Also draw this mark at true size, to print.")
@click.option("--size", metavar="LENGTH", help='Size of the sheet\'s mark: "60 cm".')
@click.option(
    "--paper", default="a4", show_default=True, help="Paper of the sheets: a4, a3, letter or tabloid."
)
@click.option("--templates", type=options.FILE, help="Your own flat marks, drawn as polygons (TOML).")
def marks(out: Path, sheet: str | None, size: str | None, paper: str, templates: Path | None) -> None:
    """Show the flat marks that can be measured, and draw one at true size for the field."""
    from accuracy.matching.template import BUILT_IN, load_templates
    from accuracy.reporting.mark_sheets import marks_page, target_sheet_pdf
    from accuracy.units import parse_length_m

    check_folder(out)
    known = {**BUILT_IN, **(load_templates(templates) if templates else {})}
    if (sheet is None) != (size is None):
        raise RequestError("--sheet and --size belong together", remedy="Give the mark and its size.")
    drawn = None
    if sheet is not None and size is not None:
        if sheet not in known:
            raise RequestError(f'no mark is called "{sheet}"', remedy=f"There are {', '.join(known)}.")
        drawn = target_sheet_pdf(known[sheet], parse_length_m(size), paper)
    write_atomically(out / "marks.html", marks_page(known.values()).encode())
    click.echo(f"Marks: {out / 'marks.html'}")
    if drawn is not None:
        write_atomically(out / f"{sheet}.pdf", drawn)
        click.echo(f"Sheet at true size: {out / f'{sheet}.pdf'}")


@main.command()
@options.plan_options
@click.option("--title", help="Title of the sheet.")
@click.option("--no-pdf", is_flag=True, help="Write no PDF.")
def plan(**given: Any) -> None:
    """Plan the field work: how many checkpoints, where, how accurately, and what can be concluded."""
    from accuracy.planning.making import make_plan
    from accuracy.planning.options import plan_from_options
    from accuracy.reporting.plan_sheet import write_plan

    check_folder(given["out"])
    made = make_plan(plan_from_options(given))
    written = write_plan(made, given["out"], pdf=not given["no_pdf"])
    for remark in made.remarks:
        click.echo(remark)
    if written.message:
        click.echo(written.message, err=True)
    click.echo(f"Sheet: {written.paths[0]}")


@main.command()
@click.argument("report", type=options.FILE, metavar="REPORT.pdf")
@options.sign_options
@click.pass_context
def sign(context: click.Context, /, report: Path, **given: Any) -> None:
    """Sign REPORT.pdf digitally with your own certificate, or --verify a signed one.

    The passphrase comes from --passphrase-file, from the environment variable ACCURACY_PASSPHRASE, or is
    asked at the terminal. Nothing is fetched from any network.
    """
    from accuracy.reporting.sign_request import SignRequest, check_sign_options, passphrase

    check_sign_options(given)
    from accuracy.reporting.sign import sign_report
    from accuracy.reporting.sign_reading import verify

    now = datetime.now().astimezone()
    if given.pop("verify"):
        verified = verify(report, given["trust"], now)
        for sentence in verified.sentences:
            click.echo(sentence)
        context.exit(EXIT_DONE if verified.in_order else EXIT_NOT_INTACT)
    del given["trust"]
    file = given.pop("passphrase_file")
    request = SignRequest(report=report, passphrase=lambda: passphrase(file, _asked), **given)
    signed = sign_report(request, now)
    for sentence in signed.sentences:
        click.echo(sentence)
    click.echo(f"Signed report: {signed.path}")


def _asked() -> str | None:
    """The passphrase typed at a terminal, unseen; None where there is no terminal."""
    if not sys.stdin.isatty():
        return None
    typed: str = click.prompt(
        "Passphrase of the certificate", hide_input=True, default="", show_default=False, err=True
    )
    return typed


def _do(context: click.Context, job: Job, given: dict[str, Any], *, graded: bool = True) -> None:
    from accuracy.grading import outcome
    from accuracy.pipeline import measure
    from accuracy.reporting.outputs import check_result_folder, pack, write_outputs
    from accuracy.reporting.spoken import spoken

    check_result_folder(given["out"])
    line = _ProgressLine(given["quiet"])
    measured = measure(job, line)
    line("Keeping patches", 0, 1)
    result, archives = pack(measured)
    outputs = write_outputs(
        result,
        archives,
        given["out"],
        patches={patch.checkpoint_id: patch for patch in measured.patches[result.run.label]},
        templates=measured.templates,
        pdf=not given["no_pdf"],
        progress=line,
    )
    line.clear()
    for sentence in spoken(result):
        click.echo(sentence)
    if outputs.message:
        click.echo(outputs.message, err=True)
    click.echo(f"Report: {outputs.paths[0]}")
    if graded:
        context.exit(EXIT_STATUS[outcome(result)])
