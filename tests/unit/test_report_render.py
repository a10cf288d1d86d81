"""The files: one HTML without outside references, a PDF of the same, both repeatable."""

from __future__ import annotations

import builtins
import io
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import report_cases
from accuracy.model import Result
from accuracy.reporting import render, svg, view

pango = pytest.mark.skipif(
    not render.pdf_possible(), reason="the Pango library is not on this machine, so no PDF can be made"
)


class Page(HTMLParser):
    """Collects what a browser would fetch, the headings, and what is inside scripts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.references: list[str] = []
        self.headings: list[int] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note the tag's references, heading level and id."""
        self.tags.append(tag)
        for name, value in attrs:
            if name in {"src", "href", "srcset", "data", "action", "poster"} and value is not None:
                self.references.append(value)
            if name == "id" and value is not None:
                self.ids.append(value)
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))


@pytest.fixture(scope="module")
def pages() -> dict[str, str]:
    """The HTML of every invented result."""
    return {name: render.html_text(view.build(make())) for name, make in report_cases.CASES.items()}


def test_html_refers_to_nothing_outside(pages: dict[str, str]) -> None:
    """Links lead inside the page, fonts are in it, and the policy forbids the browser to fetch."""
    assert len(pages) == 13
    for text in pages.values():
        page = Page(text)
        assert page.references
        assert all(r.startswith("#") for r in page.references)
        assert {r[1:] for r in page.references} <= set(page.ids)
        urls = re.findall(r"url\(([^)]*)\)", text)
        assert len(urls) == 4
        assert all(u.startswith("data:font/woff2;base64,") for u in urls)
        assert "@import" not in text
        assert "default-src 'none'" in text


def test_headings_are_in_order_and_the_language_is_named(pages: dict[str, str]) -> None:
    """One h1, no level skipped, ids unique, en-GB: what a screen reader goes by."""
    for name, text in pages.items():
        page = Page(text)
        assert page.headings.count(1) == 1, name
        assert page.headings[0] == 1
        assert all(b - a <= 1 for a, b in zip(page.headings, page.headings[1:], strict=False)), name
        assert len(page.ids) == len(set(page.ids)), name
        assert '<html lang="en-GB">' in text


def test_every_drawing_has_a_text_alternative(pages: dict[str, str]) -> None:
    """Each svg opens with a title."""
    for text in pages.values():
        drawings = re.findall(r"<svg [^>]*>(.{0,7})", text)
        assert drawings
        assert all(d == "<title>" for d in drawings)


@pytest.mark.parametrize("case", ["met", "not-met", "not-graded", "nothing"])
def test_statement_carries_what_must_be_signed(pages: dict[str, str], case: str) -> None:
    """Outcome, places for name, licence number, signature, date and seal, cautions and software."""
    text = pages[case]
    outcome = case.replace("-", " ") if case != "nothing" else "not graded"
    assert f"class {outcome}</h3>" in text
    for words in ("Licence number", "Signature", "Seal", "Name", "Date", "accuracy-reporter 0.1.0"):
        assert words in text
    assert "does not replace, the judgement of the licensed professional" in text


@given(st.text(max_size=80))
@settings(max_examples=25, deadline=None)
def test_no_text_of_the_user_becomes_markup(words: str) -> None:
    """Whatever a title, an id, a remark or a reason holds, the page keeps its tags."""
    result: Result = report_cases.make(n=3, oddities=False)
    plain = Page(render.html_text(view.build(result)))
    points = tuple(replace(c, id=f"{words}{i}") for i, c in enumerate(result.run.checkpoints))
    run = replace(result.run, checkpoints=points, remarks=(words,))
    hostile = render.html_text(view.build(replace(result, title=words, project=words or "p", run=run)))
    # The map may lack room for a long label, which is text; everything else must be the same tags.
    assert [t for t in Page(hostile).tags if t != "text"] == [t for t in plain.tags if t != "text"]


def test_a_script_in_an_id_stays_text() -> None:
    """The plainest attack, in every place that prints an id."""
    evil = "</title><script>alert(1)</script>\"'&"
    result = report_cases.make(n=8, name=lambda i: f"{evil}{i}", horizontal=True)
    text = render.html_text(view.build(result))
    assert "<script>alert" not in text
    assert text.count("&lt;script&gt;alert(1)") >= 16


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1 definition."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.1 definition."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_itself() -> None:
    """WCAG 2.1: black on white is 21 to 1; #767676 on white is the well-known 4.54 to 1."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


def test_text_colours_have_contrast() -> None:
    """Every colour that text is set in has at least 4.5 to 1 on white and on the tinted ground."""
    css = resources.files("accuracy.templates").joinpath("report.css").read_text("utf-8")
    named = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", css))
    colours = [named[n] for n in ("ink", "quiet", "harbour", "met", "not-met", "not-graded")]
    colours += [svg.INK, svg.QUIET, svg.LIMIT]
    assert named["sand"] == svg.SAND
    for colour in colours:
        for ground in ("#ffffff", named["sand"]):
            assert contrast(colour, ground) >= 4.5, (colour, ground)


def test_same_view_gives_the_same_html() -> None:
    """No clock, no random order."""
    assert render.html_text(view.build(report_cases.make())) == render.html_text(
        view.build(report_cases.make())
    )


@pango
def test_pdf_is_tagged_named_and_repeatable(tmp_path: Path) -> None:
    """Same bytes twice; title, author, language, bookmarks, tags; page numbers on every page."""
    shown = view.build(report_cases.CASES["not-graded"](), record_sha256="ab" * 32)
    written = render.write_report(shown, tmp_path)
    assert [p.name for p in written.paths] == ["report.html", "report.pdf"]
    assert written.message is None
    data = (tmp_path / "report.pdf").read_bytes()
    assert render.pdf_bytes(render.html_text(shown)) == data
    pdf = pypdf.PdfReader(io.BytesIO(data))
    assert pdf.metadata is not None
    assert pdf.metadata.title == "Tern Quay, run 12 km/h eastbound: accuracy report"
    assert pdf.metadata.author == "Survey office, Tern Quay (invented)"
    assert "/CreationDate" not in pdf.metadata
    root = pdf.trailer["/Root"]
    assert root["/Lang"] == "en-GB"
    assert root["/MarkInfo"]["/Marked"]
    headings = [item.title for item in pdf.outline if not isinstance(item, list)]
    assert headings[0] == "Statement"
    assert "Checkpoint by checkpoint" in headings
    for number, page in enumerate(pdf.pages, start=1):
        text = page.extract_text()
        assert f"Page {number} of {len(pdf.pages)}" in text
        assert "record " + "ab" * 8 in text
        assert (number == 1) or text.count("Tern Quay, run 12 km/h eastbound") >= 1
    assert "Vertical: 5 cm class not graded" in pdf.pages[0].extract_text()


@pango
@pytest.mark.parametrize("case", ["nothing", "one"])
def test_thin_results_make_a_pdf(case: str) -> None:
    """With nothing or one measured, the PDF still has its statement and its reasons."""
    data = render.pdf_bytes(render.html_text(view.build(report_cases.CASES[case]())))
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    assert "not graded" in pages[0].extract_text()
    assert len(pages) >= 3


def without_pango(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the import of the PDF library fail as it does where Pango is missing."""
    real: Callable[..., object] = builtins.__import__

    def refuse(name: str, *rest: object) -> object:
        if name == "weasyprint":
            raise OSError("cannot load library 'libpango-1.0-0'\nand more lines")
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", refuse)


def test_without_pango_the_html_is_written_and_the_message_helps(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The HTML stands, an older PDF of another record is gone, and the message names the package."""
    (tmp_path / "report.pdf").write_bytes(b"older")
    without_pango(monkeypatch)
    written = render.write_report(view.build(report_cases.make(n=3, oddities=False)), tmp_path)
    assert [p.name for p in written.paths] == ["report.html"]
    assert written.message is not None
    assert "apt install libpango-1.0-0" in written.message
    assert "cannot load library 'libpango-1.0-0'" in written.message
    assert "more lines" not in written.message
    assert sorted(p.name for p in tmp_path.iterdir()) == ["report.html"]
    assert not render.pdf_possible()


def test_pdf_can_be_left_out(tmp_path: Path) -> None:
    """With pdf=False only the HTML is written, and nothing else is left behind."""
    written = render.write_report(view.build(report_cases.make(n=3, oddities=False)), tmp_path, pdf=False)
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
    assert written.paths == (tmp_path / "report.html",)


def test_fonts_are_small_and_licensed() -> None:
    """Each embedded font is under 150 kB and its licence stands beside it."""
    folder = resources.files("accuracy.templates").joinpath("fonts")
    files = {f.name: f for f in folder.iterdir()}
    fonts = [f for name, f in files.items() if name.endswith(".woff2")]
    assert len(fonts) == 4
    assert all(len(f.read_bytes()) < 150_000 for f in fonts)
    for licence in ("OFL-OpenSans.txt", "OFL-Literata.txt"):
        assert "SIL Open Font License, Version 1.1" in files[licence].read_text("utf-8")


def test_report_reads_without_script() -> None:
    """With the script taken out, every word of the report is still on the page."""
    text = render.html_text(view.build(report_cases.make()))
    without = re.sub(r"<script>.*?</script>", "", text, flags=re.DOTALL)
    assert without != text
    assert "<button" not in without
    for words in ("Vertical: 5 cm class met", "tripod knocked over", "TQ48", "How it was measured"):
        assert words in without
