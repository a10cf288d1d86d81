"""The report in a real browser, at a phone's width and at a desk's: nothing overflows, nothing is fetched."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import chapter_cases
import report_cases
from accuracy.reporting import render, view, view_patches
from accuracy.reporting.difference import compare_results
from accuracy.reporting.difference_words import difference_html

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine to open the report in")

# The wrapper holds the report in frames of the tested widths: a headless window cannot be 390 wide.
WRAPPER = """<!DOCTYPE html><meta charset="utf-8"><body>
<iframe id="phone" src="report.html" style="width:390px;height:800px;border:0"></iframe>
<iframe id="desk" src="report.html" style="width:1440px;height:900px;border:0"></iframe>
<pre id="found">not run</pre>
<script>
const look = (frame) => {
  const doc = frame.contentDocument, win = frame.contentWindow;
  const wide = [...doc.querySelectorAll("body *")].filter((e) => {
    if (e.closest(".box") || e.closest("svg")) return false;
    return e.getBoundingClientRect().right > win.innerWidth + 0.5;
  }).map((e) => e.tagName + "." + e.className);
  const table = doc.getElementById("residual-table");
  const column = (k) => [...table.tBodies[0].rows].filter((r) => !r.hidden)
    .map((r) => r.cells[k].textContent.trim());
  const buttons = table.tHead.querySelectorAll("button");
  const out = {
    inner: win.innerWidth, scroll: doc.documentElement.scrollWidth, wide,
    fetched: win.performance.getEntriesByType("resource").map((e) => e.name)
      .filter((n) => !n.startsWith("data:")),
    fonts: [...doc.fonts].filter((f) => f.status === "loaded").length,
    before: column(4), buttons: buttons.length,
  };
  buttons[4].click(); out.up = column(4);
  buttons[4].click(); out.down = column(4);
  const search = doc.querySelector(".tools input");
  search.value = "Not used"; search.dispatchEvent(new win.Event("input"));
  out.filtered = column(0); out.said = doc.querySelector(".tools span").textContent;
  search.value = ""; search.dispatchEvent(new win.Event("input"));
  out.restored = column(0).length;
  const row = table.tBodies[0].rows[3];
  row.dispatchEvent(new win.MouseEvent("mouseenter"));
  out.lit = doc.querySelectorAll("g.point.lit").length;
  out.litId = [...new Set([...doc.querySelectorAll(".lit")].map((e) => e.getAttribute("data-checkpoint")))];
  return out;
};
window.addEventListener("load", async () => {
  const found = {};
  for (const id of ["phone", "desk"]) {
    const frame = document.getElementById(id);
    await frame.contentDocument.fonts.ready;
    found[id] = look(frame);
  }
  document.getElementById("found").textContent = JSON.stringify(found);
});
</script>"""


def opened(folder: Path, profile: Path, wrapper: str = WRAPPER) -> dict[str, Any]:
    """Open the folder's report.html at both widths and return what the probe saw."""
    (folder / "wrapper.html").write_text(wrapper, encoding="utf-8")
    assert CHROMIUM is not None
    done = subprocess.run(
        [
            CHROMIUM,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--allow-file-access-from-files",
            f"--user-data-dir={profile}",
            "--virtual-time-budget=8000",
            "--window-size=1500,1000",
            "--dump-dom",
            (folder / "wrapper.html").as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    held = re.search(r'<pre id="found">(.*?)</pre>', done.stdout, re.DOTALL)
    assert held is not None
    found: dict[str, Any] = json.loads(html.unescape(held[1]))
    return found


def number(text: str) -> float:
    """A printed residual as a number."""
    return float(text.replace("\N{MINUS SIGN}", "-"))


@pytest.mark.parametrize("case", ["horizontal", "long-words"])
def test_report_in_a_browser(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, case: str) -> None:
    """At 390 and 1440 pixels nothing hangs over the edge and nothing is fetched; sorting, filtering and
    the tie between a row and its marks work."""
    result = report_cases.CASES[case]()
    render.write_report(view.build(result), tmp_path, pdf=False)
    found = opened(tmp_path, tmp_path_factory.mktemp("profile"))
    assert (found["phone"]["inner"], found["desk"]["inner"]) == (390, 1440)
    for seen in found.values():
        assert seen["scroll"] <= seen["inner"]
        assert seen["wide"] == []
        assert seen["fetched"] == []
        assert seen["fonts"] >= 3
        assert seen["buttons"] == 11
        assert len(seen["before"]) == seen["restored"] == 48
        values = [number(t) for t in seen["up"] if t != "\N{EN DASH}"]
        assert len(values) == 47
        assert values == sorted(values)
        assert seen["up"][-1] == "\N{EN DASH}"
        assert seen["down"] == seen["up"][::-1]
        unused = {c.id for c in result.run.checkpoints if not c.used}
        assert set(seen["filtered"]) == unused
        assert seen["said"] == "3 of 48 rows"
        assert len(seen["litId"]) == 1
        assert seen["lit"] >= 2


PLAIN = """<!DOCTYPE html><meta charset="utf-8"><body>
<iframe id="phone" src="report.html" style="width:390px;height:800px;border:0"></iframe>
<iframe id="desk" src="report.html" style="width:1440px;height:900px;border:0"></iframe>
<pre id="found">not run</pre>
<script>
window.addEventListener("load", async () => {
  const found = {};
  for (const id of ["phone", "desk"]) {
    const doc = document.getElementById(id).contentDocument, win = document.getElementById(id).contentWindow;
    await doc.fonts.ready;
    const images = [...doc.querySelectorAll("svg image")];
    found[id] = {
      inner: win.innerWidth, scroll: doc.documentElement.scrollWidth,
      wide: [...doc.querySelectorAll("body *")].filter((e) => !e.closest(".box") && !e.closest("svg")
        && e.getBoundingClientRect().right > win.innerWidth + 0.5).map((e) => e.tagName + "." + e.className),
      fetched: win.performance.getEntriesByType("resource").map((e) => e.name)
        .filter((n) => !n.startsWith("data:")),
      sections: [...doc.querySelectorAll("section")].map((e) => e.id),
      images: images.length, empty: images.filter((e) => e.getBoundingClientRect().width < 50).length,
    };
  }
  document.getElementById("found").textContent = JSON.stringify(found);
});
</script>"""


def test_every_chapter_fits_a_phone(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """Runs, trajectories, conditions and pictures at 390 and 1440 pixels: nothing hangs over."""
    result, series, patches = chapter_cases.everything(report_cases.make(n=20, horizontal=True))
    pictures = view_patches.patch_pictures(result.run, patches, result.unit)
    render.write_report(view.build(result, series=series, pictures=pictures), tmp_path, pdf=False)
    found = opened(tmp_path, tmp_path_factory.mktemp("profile"), PLAIN)
    assert (found["phone"]["inner"], found["desk"]["inner"]) == (390, 1440)
    for seen in found.values():
        assert seen["scroll"] <= seen["inner"]
        assert seen["wide"] == []
        assert seen["fetched"] == []
        assert {"runs", "singles", "conditions", "drives", "pictures"} <= set(seen["sections"])
        assert seen["images"] == len(pictures) > 10
        assert seen["empty"] == 0


def test_a_difference_fits_a_phone(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """The page of two results compared keeps within 390 pixels, long names included."""
    before = report_cases.CASES["long-words"]()
    after = replace(chapter_cases.with_runs(before), settings={"Radius": "unbreakable" * 30}, inputs=())
    page = difference_html(compare_results(before, after))
    (tmp_path / "report.html").write_text(page, encoding="utf-8")
    found = opened(tmp_path, tmp_path_factory.mktemp("profile"), PLAIN)
    for seen in found.values():
        assert seen["scroll"] <= seen["inner"]
        assert seen["wide"] == []
        assert seen["fetched"] == []
        assert seen["sections"]
