"""The field sheet and its files: one page, the same bytes, a table and a map that others can read."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pypdf
import pytest

from accuracy.planning.making import make_plan
from accuracy.planning.options import plan_from_options
from accuracy.planning.plan import Plan
from accuracy.reading.checkpoints import read_checkpoints
from accuracy.reporting.plan_files import places_csv, places_geojson
from accuracy.reporting.plan_sheet import plan_html, sheet_view, write_plan
from accuracy.reporting.render import pdf_possible


def _plan(folder: Path, length_m: float, **given: Any) -> Plan:
    x = np.linspace(0.0, length_m, 120)
    rows = [f"{352400 + a:.3f},{6031250 + 0.1 * length_m * np.sin(a * 9 / length_m):.3f}" for a in x]
    path = folder / "road.csv"
    path.write_text("easting,northing\n" + "\n".join(rows), encoding="utf-8")
    return make_plan(plan_from_options({"line": path, "vertical_class": "3 cm", "expected": "2 cm", **given}))


def _busy() -> dict[str, Any]:
    return {
        "horizontal_class": "5 cm",
        "three_d_class": "6 cm",
        "canopy": "100-200",
        "vegetation": "250-300",
        "crs": "EPSG:25832",
        "spacing": "caltrans-b",
        "correlation_length": "60",
        "survey_sigma_height": "20",
        "survey_common_height": "14",
        "survey_sigma_horizontal": "12",
        "title": "A road with a name that goes on and on " * 6,
    }


@pytest.mark.skipif(not pdf_possible(), reason="the Pango library is missing")
@pytest.mark.parametrize(
    ("length_m", "given"),
    [
        (60.0, {"checkpoints": 6}),
        (1100.0, {"speeds": "6,12,24", "repeats": 2}),
        (400.0, {**_busy(), "speeds": "5,10,15,20,25,30", "repeats": 2}),
        (40_000.0, {**_busy(), "checkpoints": 120, "speeds": "30,60,90,110", "repeats": 9}),
        (
            40_000.0,
            {
                **_busy(),
                "checkpoints": 120,
                "speeds": "30,60,90,110",
                "repeats": 9,
                "contract_unit": "us-survey-foot",
            },
        ),
    ],
    ids=["six places", "a usual plan", "everything asked", "long and full", "long and full in feet"],
)
def test_one_page(tmp_path: Path, length_m: float, given: dict[str, Any]) -> None:
    """Short or long, spare or full, the sheet is one A4 page, and it holds its headings and ids."""
    plan = _plan(tmp_path, length_m, **given)
    written = write_plan(plan, tmp_path / "out")
    assert [path.name for path in written.paths] == ["plan.pdf", "plan.html", "places.csv", "places.geojson"]
    pdf = pypdf.PdfReader(tmp_path / "out" / "plan.pdf")
    assert len(pdf.pages) == 1
    box = pdf.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx((595.28, 841.89), abs=0.1)
    text = pdf.pages[0].extract_text()
    for words in ("What can be concluded", "How accurately surveyed", "Cautions", plan.places[0].id):
        assert words in text


def test_speeds_of_a_plan_in_feet(tmp_path: Path) -> None:
    """Miles per hour, with the km/h that were asked for in brackets: one to a run, or one row to a round."""
    single = sheet_view(_plan(tmp_path, 800.0, speeds="6,12.5", contract_unit="international-foot"))
    # 6 / 1.609344 = 3.728, 12.5 / 1.609344 = 7.767 (arithmetic)
    assert {row.cells[0] for row in single.runs} == {"3.7 mph (6 km/h)", "7.8 mph (12.5 km/h)"}
    rounds = sheet_view(
        _plan(tmp_path, 800.0, speeds="6,12,24", repeats=9, contract_unit="international-foot")
    )
    assert rounds.runs[0].cells[0] == "3.7, 7.5, 14.9 mph (6, 12, 24 km/h)"
    metric = sheet_view(_plan(tmp_path, 800.0, speeds="6,12.5"))
    assert {row.cells[0] for row in metric.runs} == {"6 km/h", "12.5 km/h"}


@pytest.mark.skipif(not pdf_possible(), reason="the Pango library is missing")
def test_same_plan_same_bytes(tmp_path: Path) -> None:
    """Written twice, all four files are the same, and nothing is left beside them."""
    plan = _plan(tmp_path, 800.0, crs="EPSG:25832", horizontal_class="5 cm")
    for name in ("one", "two"):
        write_plan(plan, tmp_path / name)
    names = sorted(path.name for path in (tmp_path / "one").iterdir())
    assert names == ["places.csv", "places.geojson", "plan.html", "plan.pdf"]
    for name in names:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_without_a_pdf_an_older_one_goes(tmp_path: Path) -> None:
    """A sheet of another plan does not stay beside the new files."""
    (tmp_path / "plan.pdf").write_bytes(b"old")
    written = write_plan(_plan(tmp_path, 800.0), tmp_path, pdf=False)
    assert not (tmp_path / "plan.pdf").exists()
    assert len(written.paths) == 3


def test_nothing_outside_is_named(tmp_path: Path) -> None:
    """The page refers to nothing outside itself but the names of namespaces."""
    html = plan_html(_plan(tmp_path, 800.0))
    assert re.findall(r"(?:src|href)=\"(?!#|data:)[^\"]*\"|url\((?!data:|#)[^)]*\)", html) == []
    assert set(re.findall(r"https?://[^\"' )]+", html)) <= {"http://www.w3.org/2000/svg"}


def test_table_becomes_the_checkpoint_table(tmp_path: Path) -> None:
    """With heights and sigmas filled in, the proposed places are read as checkpoints, attributes kept."""
    plan = _plan(tmp_path, 800.0, crs="EPSG:25832", horizontal_class="5 cm", vegetation="300-400")
    rows = places_csv(plan).decode().splitlines()
    filled = [rows[0]]
    for row in rows[1:]:
        cells = row.split(",")
        cells[3:7] = ["12.345", "0.006", "0.006", "0.008"]
        filled.append(",".join(cells))
    path = tmp_path / "filled.csv"
    path.write_text("\n".join(filled), encoding="utf-8")
    table = read_checkpoints(path)
    assert len(table.checkpoints) == len(plan.places) > 30
    for point, place in zip(table.checkpoints, plan.places, strict=True):
        assert point.id == place.id
        assert point.easting_m == pytest.approx(place.easting_m, abs=6e-4)
        assert point.cover is place.cover
        assert point.mark == ("quartered-disc" if place.marked else "none")
        assert point.attributes["setting"] == place.stratum
    assert table.checkpoints[0].mark_size_m == pytest.approx(0.6)


def test_feet_table(tmp_path: Path) -> None:
    """In a system of survey feet the table is in survey feet, as the field controller wants it."""
    path = tmp_path / "road.csv"
    path.write_text("easting,northing\n6000000,2000000\n6003937,2000000\n", encoding="utf-8")
    plan = make_plan(plan_from_options({"line": path, "crs": "EPSG:2227", "vertical_class": "0.1 ft"}))
    first = places_csv(plan).decode().splitlines()[1].split(",")
    assert float(first[1]) == pytest.approx(6000000 + 5 * 3937 / 1200, abs=0.01)


@pytest.mark.parametrize("crs", ["EPSG:25832", None])
def test_geojson(tmp_path: Path, crs: str | None) -> None:
    """RFC 7946 points in longitude and latitude; a note, and plane coordinates, where no system is known."""
    plan = _plan(tmp_path, 800.0, crs=crs)
    whole = json.loads(places_geojson(plan))
    assert whole["type"] == "FeatureCollection"
    assert [f["id"] for f in whole["features"]] == [p.id for p in plan.places]
    at = np.array([f["geometry"]["coordinates"] for f in whole["features"]])
    assert ("note" in whole) == (crs is None)
    if crs is not None:
        # The invented road lies off Denmark's west coast, 2.27 degrees west of 9 degrees east.
        assert ((at[:, 0] > 6.7) & (at[:, 0] < 6.8) & (at[:, 1] > 54.3) & (at[:, 1] < 54.5)).all()


def test_the_sheet_says_what_the_plan_says(tmp_path: Path) -> None:
    """Counts, chances and remarks on the sheet are the plan's own."""
    plan = _plan(tmp_path, 800.0, canopy="100-200", least_spacing="40")
    view = sheet_view(plan)
    assert [row.cells[1] for row in view.counts] == [
        *(str(s.placed) for s in plan.strata),
        str(len(plan.places)),
    ]
    assert view.remarks == plan.remarks
    assert f"{len(plan.places)} checkpoints" in view.headline
    html = plan_html(plan)
    assert "do not fit" in html
    for caution in view.cautions:
        assert caution in html


def test_hostile_title(tmp_path: Path) -> None:
    """Markup in a title is text on the sheet."""
    html = plan_html(_plan(tmp_path, 500.0, title="<script>alert(1)</script> & <b>road</b>"))
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_empty_ids_are_impossible(tmp_path: Path) -> None:
    """Ids are unique, in the order of chainage, and as long as the longest needs."""
    plan = _plan(tmp_path, 5000.0, checkpoints=104)
    ids = [p.id for p in plan.places]
    assert ids == sorted(ids)
    assert (ids[0], ids[-1], len(set(ids))) == ("P001", "P104", 104)
    assert io.StringIO(places_csv(plan).decode()).readline().startswith("id,easting,northing,height")


def test_no_chance_is_printed_as_certain(tmp_path: Path) -> None:
    """With far more checkpoints than needed the chances come to 1 in floats; each still prints as >99."""
    made = _plan(tmp_path, 1100.0, expected="1 cm", checkpoints=120)
    good, bad = sheet_view(made).chances
    assert max(row.good_passes for c in made.components for row in c.table) == 1.0
    assert good.cells[-1] == ">99"
    assert not {"100", "0"} & {*good.cells, *bad.cells}


@pytest.mark.parametrize(("given", "said"), [({}, "0.75 cm is assumed"), ({"chance": 99.5}, "of 99.5 % it")])
def test_heights_have_one_axis_and_a_chance_its_own_digits(
    tmp_path: Path, given: dict[str, Any], said: str
) -> None:
    """An assumed height uncertainty is not "per axis"; the chance asked for prints as it was asked for."""
    text = re.sub(r"<[^>]+>", " ", plan_html(_plan(tmp_path, 1100.0, **given)))
    assert said in re.sub(r"\s+", " ", text)
    assert "per axis" not in text
