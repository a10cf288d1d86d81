"""The page of marks and the printable sheets: complete, self-contained, and true to size."""

from __future__ import annotations

import io
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pypdf
import pytest
from PIL import Image

import copy_target_table as copying
from accuracy.errors import RequestError
from accuracy.matching.template import BUILT_IN
from accuracy.reporting.mark_figures import guide, simulated_figures
from accuracy.reporting.mark_sheets import PAPERS_MM, marks_page, target_sheet_pdf

POINTS_PER_MM = 72 / 25.4


def raster(pdf: bytes, folder: Path, page: int, dpi: int) -> np.ndarray:
    """One page as darkness, (rows, columns) of True where printed."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("poppler's pdftoppm is not installed: the printed size cannot be measured here")
    (folder / "sheet.pdf").write_bytes(pdf)
    done = subprocess.run(
        ["pdftoppm", "-r", str(dpi), "-gray", "-f", str(page), "-l", str(page), str(folder / "sheet.pdf")],
        capture_output=True,
        check=True,
    )
    return np.asarray(Image.open(io.BytesIO(done.stdout))) < 128


def test_page_shows_every_mark_and_refers_to_nothing_outside() -> None:
    """Each built-in mark has a drawing, its name, what its size means and the figures of its simulation."""

    class Links(HTMLParser):
        found: list[str]

        def handle_starttag(self, _tag, attrs):
            self.found += [v for k, v in attrs if k in {"src", "href"}]

    own = replace(BUILT_IN["disc"], name="own")
    page = marks_page([*BUILT_IN.values(), own])
    links = Links()
    links.found = []
    links.feed(page)
    assert links.found == []
    assert page.count("<figure>") == page.count("<svg") == len(BUILT_IN) + 1
    for template in BUILT_IN.values():
        assert f"<h3>{template.name}</h3>" in page
        assert template.size_is in page
    assert page.count("<caption>Simulated at") == len(BUILT_IN)
    assert page.count("it was not simulated") == 1


def test_guide_holds_the_simulations_table() -> None:
    """The figures that users are shown are those that the benchmark wrote, for every built-in mark."""
    assert guide() == copying.updated(guide()), "run tests/benchmarks/copy_target_table.py"
    figures = simulated_figures()
    assert set(figures) == set(BUILT_IN)
    assert sum(map(len, figures.values())) == len(copying.guide_rows()) - 2 > 40


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_paper_has_its_size(paper) -> None:
    """The PDF's page is the paper asked for, upright or across."""
    page = pypdf.PdfReader(io.BytesIO(target_sheet_pdf(BUILT_IN["disc"], 0.1, paper))).pages[0]
    size = sorted(float(v) / POINTS_PER_MM for v in (page.mediabox.width, page.mediabox.height))
    assert size == pytest.approx(sorted(PAPERS_MM[paper]), abs=0.05)


def test_printed_at_true_size(tmp_path) -> None:
    """On the rasterised sheet the check bar measures 100 mm and a 150 mm disc 150 mm, to a pixel."""
    dpi = 254  # ten pixels to the millimetre
    dark = raster(target_sheet_pdf(BUILT_IN["quartered-disc"], 0.15, "a4"), tmp_path, 1, dpi)
    assert dark.shape == pytest.approx((2970, 2100), abs=1)
    # The bar: black half and outlined half, 4 mm above the lower margin.
    bar = dark[2970 - 160 + 3 : 2970 - 160 + 17]
    columns = np.nonzero(np.any(bar, axis=0))[0]
    assert columns[-1] - columns[0] + 1 == pytest.approx(1000, abs=1.5)
    # The pattern: rows and columns with more ink than a tick has.
    pattern = dark[: 2970 - 300]
    rows, columns = (np.nonzero(np.count_nonzero(pattern, axis=axis) > 30)[0] for axis in (1, 0))
    edge = 2 * 3.5  # the cutting line lies outside the paint
    assert rows[-1] - rows[0] + 1 == pytest.approx(1500 + edge, abs=4)
    black = pattern[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    # Two dark quadrants, and the cutting line, 3.5 pixels wide, along the arcs of the two light ones.
    assert np.count_nonzero(black) == pytest.approx(np.pi / 2 * 750**2 + np.pi * 750 * 3.5, rel=0.002)


def test_ticks_meet_at_the_surveyed_point(tmp_path) -> None:
    """The ticks outside the pattern line up with the centre where light and dark quadrants meet."""
    dark = raster(target_sheet_pdf(BUILT_IN["quartered-square"], 0.15, "a4"), tmp_path, 1, 254)[:2650]
    ink = np.count_nonzero(dark, axis=1)
    top = np.nonzero(ink)[0][0]
    tick = np.nonzero(dark[top + 20])[0]
    centre = float(np.mean(tick))
    full = np.nonzero(np.count_nonzero(dark, axis=0) > 400)[0]
    assert centre == pytest.approx((full[0] + full[-1]) / 2, abs=3)


def test_large_target_is_tiled(tmp_path) -> None:
    """A 0.4 m disc on A4 takes six sheets; cut and joined they hold the disc's dark half once."""
    pdf = target_sheet_pdf(BUILT_IN["quartered-disc"], 0.4, "a4")
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) == 6
    words = [page.extract_text() for page in pages]
    assert "sheet 1 of 6: row 1, column 1" in words[0]
    assert "sheet 6 of 6: row 2, column 3" in words[5]
    assert all("this bar must measure 100 mm" in text for text in words)
    dpi, scale, ink = 127, 5, 0
    for number in range(1, 7):
        dark = raster(pdf, tmp_path, number, dpi)
        height, width = dark.shape
        # Inside the cut marks: half the overlap in from the field.
        cut = round((12 + 5) * scale)
        ink += np.count_nonzero(dark[cut : height - round((12 + 18 + 5) * scale), cut : width - cut])
    assert ink == pytest.approx(np.pi / 2 * (200 * scale) ** 2, rel=0.01)


@pytest.mark.parametrize(
    ("size_m", "paper", "words"),
    [
        (0.2, "a9", 'paper "a9" is not known.*Choose one of a4'),
        (0.0, "a4", "a mark of 0 m cannot be drawn"),
        (float("nan"), "a4", "a mark of nan m cannot be drawn"),
        (9.0, "a4", "would need .* sheets of a4.*larger paper"),
    ],
)
def test_sheets_that_make_no_sense(size_m, paper, words) -> None:
    """An unknown paper or an impossible size is refused with what to do."""
    with pytest.raises(RequestError, match=words):
        target_sheet_pdf(BUILT_IN["disc"], size_m, paper)
