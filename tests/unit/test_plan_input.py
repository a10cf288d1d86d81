"""What a plan is made from, and every request that it refuses with its remedy."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from accuracy.errors import AccuracyError, FrameError, RequestError, TableError
from accuracy.model import Cover
from accuracy.planning.line_input import first_passes, plane_system, ranges_inside, read_line, read_polygons
from accuracy.planning.making import make_plan
from accuracy.planning.options import plan_from_options, spacing_rule
from accuracy.planning.site import read_site

STRAIGHT = "easting,northing\n352400,6031250\n353400,6031250\n"


def _write(folder: Path, name: str, content: Any) -> Path:
    path = folder / name
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def _lonlat(*corners: tuple[float, float], kind: str = "LineString") -> dict[str, Any]:
    listed = [list(one) for one in corners]
    return {
        "type": "Feature",
        "properties": {},
        "geometry": {"type": kind, "coordinates": [listed] if kind == "Polygon" else listed},
    }


def test_longitudes_become_metres(tmp_path: Path) -> None:
    """A line in longitude and latitude has its true length: a minute of latitude is about 1,855 m.

    On the ellipsoid at 54 degrees north one minute of the meridian is 1,855.1 m (computed from GRS80);
    the UTM scale near its central meridian is 0.9996.
    """
    path = _write(tmp_path, "road.geojson", _lonlat((9.0, 54.0), (9.0, 54.0 + 1 / 60)))
    read = read_line(path, plane_system("EPSG:25832"))
    assert read.line.length_m == pytest.approx(1855.1 * 0.9996, abs=0.5)


def test_places_return_to_their_degrees(tmp_path: Path) -> None:
    """To the plane and back loses nothing that matters: 1e-9 degrees is a tenth of a millimetre."""
    system = plane_system("EPSG:25832")
    corners = np.array([[8.7, 54.1], [8.9, 54.3]])
    at = system.to_metres(corners, geographic=True, path=tmp_path)
    back = system.to_degrees(at[:, 0], at[:, 1])
    assert back is not None
    np.testing.assert_allclose(back, corners, atol=1e-9)


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_table_of_vertices(tmp_path: Path, mark: str) -> None:
    """Vertices are read with any of the usual delimiters; other columns do not matter."""
    rows = [("name", "X", "Y"), ("a", "10.5", "20"), ("b", "40.5", "60")]
    path = _write(tmp_path, "v.csv", "\n".join(mark.join(row) for row in rows))
    line = read_line(path, plane_system(None)).line
    np.testing.assert_allclose(line.parts[0], [[10.5, 20.0], [40.5, 60.0]])
    assert line.length_m == pytest.approx(50.0)


def test_feet_become_metres(tmp_path: Path) -> None:
    """A system in feet is scaled, so that lengths are metres (EPSG:2227, US survey feet)."""
    path = _write(tmp_path, "v.csv", "easting,northing\n6000000,2000000\n6003937,2000000\n")
    assert read_line(path, plane_system("EPSG:2227")).line.length_m == pytest.approx(1200.0)


def test_driven_line(tmp_path: Path) -> None:
    """A trajectory out and back with a standstill gives the road once."""
    rows = ["gps_seconds,easting,northing,height"]
    out = [*np.arange(0, 800, 4.0), *[800.0] * 40, *np.arange(796, -1, -4.0)]
    rows += [
        f"{1.4e9 + k:.1f},{5e5 + x:.2f},{6e6 + (2.5 if k > 220 else 0):.2f},5.0" for k, x in enumerate(out)
    ]
    read = read_line(_write(tmp_path, "drive.csv", "\n".join(rows)), plane_system(None))
    assert read.line.length_m == pytest.approx(800.0, abs=15.0)
    assert "comes back over its own road" in read.remarks[0]


def test_real_drive(shared_data: Path) -> None:
    """A real drive (taroz/MatRTKLIB, MIT) is read as a drive: its 4.17 km less what it drove twice."""
    path = shared_data / "trajectories" / "nagoya" / "reference.csv"
    line = read_line(path, plane_system("EPSG:6675")).line
    assert 3000.0 < line.length_m < 4200.0


def test_too_short(tmp_path: Path) -> None:
    """A line of two metres holds no checkpoint, and that is no plan."""
    path = _write(tmp_path, "v.csv", "easting,northing\n1000,2000\n1002,2000\n")
    with pytest.raises(RequestError, match=r"v\.csv.*not one checkpoint fits"):
        make_plan(plan_from_options({"line": path, "vertical_class": "5 cm"}))


def test_first_passes_of_a_crossing() -> None:
    """A road that crosses itself once is kept nearly whole."""
    t = np.linspace(0.15, 2 * np.pi - 0.15, 2000)
    at = np.column_stack([600 * np.sin(t), 600 * np.sin(t) * np.cos(t)])
    parts, _ = first_passes(at)
    whole = np.hypot(*np.diff(at, axis=0).T).sum()
    assert sum(np.hypot(*np.diff(part, axis=0).T).sum() for part in parts) > 0.95 * whole


def test_crossed_polygon_is_repaired(tmp_path: Path) -> None:
    """A polygon like an hourglass is used, and said to be repaired; its two halves have the area."""
    ring = [[1000, 1000], [1100, 1100], [1100, 1000], [1000, 1100], [1000, 1000]]
    path = _write(tmp_path, "a.geojson", {"type": "Polygon", "coordinates": [ring]})
    area, remarks = read_polygons(path, plane_system(None))
    assert area.area == pytest.approx(5000.0)
    assert "repaired" in remarks[0]


def test_strata_of_a_line(tmp_path: Path) -> None:
    """Polygons and chainages cut the line into stretches of the right length."""
    road = _write(tmp_path, "v.csv", STRAIGHT)
    wood = {
        "type": "Polygon",
        "coordinates": [
            [[352600, 6031200], [352850, 6031200], [352850, 6031300], [352600, 6031300], [352600, 6031200]]
        ],
    }
    asked = plan_from_options(
        {
            "line": road,
            "canopy": str(_write(tmp_path, "w.geojson", wood)),
            "vegetation": "900-1000",
            "vertical_class": "5 cm",
        }
    )
    site = read_site(asked)
    assert site.covers["vegetation"] is Cover.VEGETATED
    assert site.extents["canopy"] == pytest.approx(250.0, abs=1.0)
    assert site.extents["vegetation"] == pytest.approx(100.0, abs=1.0)
    assert sum(site.extents.values()) == pytest.approx(1000.0)
    assert site.line is not None
    assert ranges_inside(site.line, read_polygons(tmp_path / "w.geojson", site.system)[0])[
        0
    ] == pytest.approx((200.0, 450.0), abs=0.6)


@pytest.mark.parametrize(
    ("name", "content", "error", "message"),
    [
        ("v.csv", "easting,northing\n1,2\n", RequestError, "holds no line"),
        ("v.csv", "easting,northing\n1000,2000\n1000,2000\n", RequestError, "holds no line"),
        ("v.csv", "easting,northing\n1000,2000\n1000,x\n", TableError, "row 3.*decimal point"),
        ("v.csv", "", TableError, "is empty"),
        ("v.csv", "longitude,latitude\n9,54\n9.1,54\n", FrameError, "EPSG:32632"),
        ("v.geojson", _lonlat((9.0, -33.0), (9.1, -33.0)), FrameError, "EPSG:32732"),
        ("v.geojson", {"type": "Point", "coordinates": [1000, 2000]}, RequestError, "no line, but Point"),
        ("v.geojson", "{", RequestError, "is not JSON"),
        ("v.geojson", {"type": "LineString", "coordinates": "x"}, RequestError, "no geometry"),
        (
            "v.geojson",
            {"type": "LineString", "coordinates": [[1e9, 2], [1e9, 3], [1, None]]},
            RequestError,
            "geometry|number",
        ),
        ("v.geojson", {"type": "FeatureCollection", "features": []}, RequestError, "no line, but nothing"),
    ],
)
def test_lines_that_cannot_be_used(
    tmp_path: Path, name: str, content: Any, error: type[AccuracyError], message: str
) -> None:
    """Every unusable line names its file and says what to do."""
    path = _write(tmp_path, name, content)
    with pytest.raises(error, match=f"(?s){name}.*({message})"):
        read_line(path, plane_system(None))


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"area": Path("a.geojson")}, "one of them"),
        ({"line": None}, "one of them"),
        ({"vertical_class": None}, "no class was asked for"),
        ({"expected": "6 cm"}, "not below.*no number of checkpoints"),
        ({"expected": "5 cm"}, "not below"),
        ({"horizontal_expected": "2 cm"}, "no horizontal class is asked for"),
        ({"least_spacing": "60", "spacing": "50 m"}, "never|do not keep"),
        ({"least_spacing": "100", "spacing": "caltrans-a"}, "on each side"),
        ({"spacing": "wide"}, "neither a length nor a rule"),
        ({"chance": 40.0}, "a chance of 40 % cannot.*above 50 and below 100 percent"),
        ({"chance": 100.0}, "a chance of 100 % cannot.*--chance 90"),
        ({"bad_times": 0.9}, "more than 1"),
        ({"checkpoints": 5000}, "cannot be planned"),
        ({"spacing": "0.5 m"}, "would have"),
        ({"repeats": 2}, "no runs"),
        ({"speeds": "6,fast"}, '"fast" is not a speed'),
        ({"speeds": "6,6"}, "named twice"),
        ({"canopy": "300-200"}, "no stretch of a line"),
        ({"survey_common_height": "3"}, "what one occupation reaches"),
        ({"crs": "EPSG:4326"}, "not a plane one"),
        ({"crs": "EPSG:999999"}, "not known"),
    ],
)
def test_requests_that_contradict_themselves(tmp_path: Path, given: dict[str, Any], message: str) -> None:
    """Each impossible request is refused with a remedy, before or while the plan is made."""
    whole = {"line": _write(tmp_path, "v.csv", STRAIGHT), "vertical_class": "5 cm", **given}
    with pytest.raises(AccuracyError, match=message) as caught:
        make_plan(plan_from_options(whole))
    assert caught.value.remedy


@pytest.mark.parametrize("given", [{"spacing": "50"}, {"correlation_length": "40"}, {"canopy": "10-20"}])
def test_a_line_s_options_for_an_area(tmp_path: Path, given: dict[str, str]) -> None:
    """What only a line has is refused for an area."""
    area = {"type": "Polygon", "coordinates": [[[1e3, 1e3], [2e3, 1e3], [2e3, 2e3], [1e3, 1e3]]]}
    asked = plan_from_options(
        {"area": _write(tmp_path, "a.geojson", area), "vertical_class": "5 cm", **given}
    )
    with pytest.raises(RequestError, match="an area"):
        make_plan(asked)


def test_spacing_by_name_and_by_length() -> None:
    """Rules carry their feet; a bare number is metres."""
    assert spacing_rule("michigan").most_m == pytest.approx(30.48)  # type: ignore[union-attr]
    assert spacing_rule("Caltrans-B").each_side  # type: ignore[union-attr]
    assert spacing_rule("75").most_m == 75.0  # type: ignore[union-attr]
    assert spacing_rule(None) is None
