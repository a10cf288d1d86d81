"""The working frame and the way of a table into it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyproj
import pytest

from accuracy.conversion import undulation_m
from accuracy.errors import FrameError, RequestError, TableError
from accuracy.frames import WorkingFrame, height_kind, refuse_distorted, working_frame
from accuracy.ground import GroundScale
from accuracy.placing import PlacingOptions, ground_scale, place
from accuracy.reading.checkpoints import read_checkpoints
from accuracy.units import LengthUnit

UTM = pyproj.CRS("EPSG:25832")
A, B = Path("a.laz"), Path("b.laz")


def frame(crs: str | None = "EPSG:25832", **declared: object) -> WorkingFrame:
    """The frame of one cloud in that system."""
    return working_frame([(A, None if crs is None else pyproj.CRS(crs))], **declared)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("crs", "horizontal", "height"),
    [
        ("EPSG:25832", LengthUnit.METRE, LengthUnit.METRE),
        ("EPSG:25832+7837", LengthUnit.METRE, LengthUnit.METRE),
        # Michigan South in international feet with NAVD88 in US survey feet.
        ("EPSG:2253+6360", LengthUnit.INTERNATIONAL_FOOT, LengthUnit.US_SURVEY_FOOT),
        # Texas South Central in US survey feet; heights without a system follow the plan.
        ("EPSG:2278", LengthUnit.US_SURVEY_FOOT, LengthUnit.US_SURVEY_FOOT),
    ],
)
def test_units_come_from_the_record(crs: str, horizontal: LengthUnit, height: LengthUnit) -> None:
    """Plan and height units are read from the system, each for itself, and the two feet kept apart."""
    found = frame(crs)
    assert (found.horizontal_unit, found.height_unit) == (horizontal, height)


def test_a_missing_record_is_said() -> None:
    """A cloud without a record is taken in metres, and the report says on whose word."""
    found = frame(None)
    assert found.horizontal_unit is LengthUnit.METRE
    assert "surveyor's word" in found.remarks[0]


def test_a_declared_frame_stands_above_the_record_and_is_said() -> None:
    """Declaring another system or unit than the record's is obeyed, and both are remarked on."""
    found = frame("EPSG:25832", declared="EPSG:25833", height_unit=LengthUnit.INTERNATIONAL_FOOT)
    assert found.words == "ETRS89 / UTM zone 33N"
    assert len(found.remarks) == 2


def test_files_of_two_systems_are_refused() -> None:
    """Tiles in two zones make no one cloud."""
    with pytest.raises(FrameError, match=r"b\.laz.*UTM zone 33N.*a\.laz"):
        working_frame([(A, UTM), (B, pyproj.CRS("EPSG:25833"))])


@pytest.mark.parametrize(
    ("crs", "message"),
    [
        ("EPSG:4326", "in degrees, and residuals need a plane.*projected system"),
        ("EPSG:7837", r"heights alone and says nothing of easting and northing.*EPSG:25832\+7837"),
        ("EPSG:4978", "counts from the Earth's centre.*projected system"),
    ],
)
@pytest.mark.parametrize("declared", [False, True])
def test_a_system_that_is_no_plane_is_refused(crs: str, message: str, declared: bool) -> None:
    """Degrees, heights alone, an Earth-centred system, recorded or declared: no residual is taken there."""
    with pytest.raises(FrameError, match=message) as refused:
        frame("EPSG:25832", declared=crs) if declared else frame(crs)
    assert refused.value.path == (None if declared else A)


_LOCAL = 'LOCAL_CS["site grid",LOCAL_DATUM["site",0],UNIT["US survey foot",0.304800609601219]]'


def test_a_local_system_is_a_plane_of_no_place() -> None:
    """A site grid's record gives its unit and counts as no system; declaring one is refused."""
    found = frame(_LOCAL)
    assert (found.crs, found.horizontal_unit) == (None, LengthUnit.US_SURVEY_FOOT)
    assert '"site grid", which names no place on Earth' in found.remarks[0]
    with pytest.raises(FrameError, match=r"is a local one .* Leave out --crs"):
        frame(None, declared=_LOCAL)


@pytest.mark.parametrize(
    ("crs", "place", "scale"),
    [
        # Web Mercator: 1 / cos 48 degrees, less what the ellipsoid takes; 1.49 and 1.01 by PROJ.
        ("EPSG:3857", (9.0, 48.0), r"1\.49\d"),
        ("EPSG:3857", (9.0, 8.2), r"1\.01\d"),
        # UTM 32 at 18 degrees from its meridian, on the equator.
        ("EPSG:25832", (27.0, 0.1), r"1\.0[45]\d"),
        # Equal-area Europe, off its middle: one direction is stretched, the other shrunk.
        ("EPSG:3035", (-22.0, 64.0), r"1\.0[12]\d|0\.9[89]\d"),
    ],
)
def test_a_projection_that_distorts_lengths_is_refused(
    crs: str, place: tuple[float, float], scale: str
) -> None:
    """Where lengths are more than 1 % off the truth every residual would be; the factor is said."""
    east, north = pyproj.Proj(crs)(*place)
    with pytest.raises(FrameError, match=rf"are {scale} times those on the ground .*surveying projection"):
        refuse_distorted(frame(crs), east, north)


@pytest.mark.parametrize(
    ("crs", "place"),
    [
        ("EPSG:25832", (9.0, 48.0)),
        ("EPSG:25832", (3.0, 54.0)),
        ("EPSG:2154", (2.0, 42.5)),
        ("EPSG:28992", (6.5, 53.2)),
        ("EPSG:2278", (-98.0, 29.0)),
        ("EPSG:3857", (9.0, 1.0)),
    ],
)
def test_a_projection_true_to_lengths_passes(crs: str, place: tuple[float, float]) -> None:
    """Surveying projections anywhere in their area; a web map's near the equator is as true as they."""
    found = frame(crs)
    east, north = pyproj.Proj(crs, preserve_units=False)(*place)
    refuse_distorted(found, east, north)
    refuse_distorted(frame(None), east, north)


@pytest.mark.parametrize(
    ("crs", "kind"),
    [
        ("EPSG:25832", None),
        ("EPSG:25832+7837", "orthometric"),
        ("EPSG:2253+6360", "orthometric"),
        (UTM.to_3d().to_wkt(), "ellipsoidal"),
        ("EPSG:4937", "ellipsoidal"),
        ("EPSG:4978", None),
    ],
)
def test_kind_of_height_of_a_system(crs: str, kind: str | None) -> None:
    """A third axis counts from the ellipsoid, a vertical system from a level surface."""
    assert height_kind(pyproj.CRS(crs)) == kind


@pytest.mark.parametrize(
    ("vertical", "kind"),
    [
        ('VERT_CS["ellipsoid",VERT_DATUM["Ellipsoid",2002],UNIT["metre",1]]', "ellipsoidal"),
        ('VERT_CS["WGS 84 (ellipsoid)",VERT_DATUM["WGS_1984",2005],UNIT["metre",1]]', "ellipsoidal"),
        ('VERT_CS["heights",VERT_DATUM["unknown",2005],UNIT["metre",1]]', None),
        ('VERT_CS["NN",VERT_DATUM["Normalnull",2005],UNIT["metre",1]]', "orthometric"),
    ],
)
def test_kind_of_height_as_older_records_write_it(vertical: str, kind: str | None) -> None:
    """Ellipsoids under the name of a vertical system, and vertical systems whose datum is not said."""
    plan = UTM.to_wkt("WKT1_GDAL")
    assert frame(f'COMPD_CS["both",{plan},{vertical}]').height_kind == kind


def table(folder: Path, text: str) -> Path:
    """A table file with that text."""
    path = folder / "points.csv"
    path.write_text(text)
    return path


def test_latitudes_are_brought_to_the_grid(tmp_path: Path) -> None:
    """A table in ETRS89 degrees lands where PROJ's own transformer puts it, heights untouched."""
    path = table(tmp_path, "id,latitude,longitude,height\nA,54.4,6.73,3.25\n")
    placed = place(read_checkpoints(path), frame(), PlacingOptions(table_crs="EPSG:4258"))
    point = placed.checkpoints[0]
    east, north = pyproj.Transformer.from_crs(4258, 25832, always_xy=True).transform(6.73, 54.4)
    assert point.easting_m == pytest.approx(east, abs=1e-6)
    assert point.northing_m == pytest.approx(north, abs=1e-6)
    assert point.height_m == 3.25
    assert "converted" in placed.steps[0]


def test_another_zone_and_feet_are_converted(tmp_path: Path) -> None:
    """A table in the neighbouring zone comes to the cloud's zone, observed coordinates with it."""
    to_other = pyproj.Transformer.from_crs(25832, 25833, always_xy=True)
    east, north = to_other.transform(700_000.0, 6_000_000.0)
    seen = to_other.transform(700_000.02, 6_000_000.01)
    path = table(
        tmp_path,
        "id,easting,northing,height,observed_easting,observed_northing\n"
        f"A,{east:.6f},{north:.6f},3.0,{seen[0]:.6f},{seen[1]:.6f}\n",
    )
    point = place(read_checkpoints(path), frame(), PlacingOptions(table_crs="EPSG:25833")).checkpoints[0]
    assert point.easting_m == pytest.approx(700_000.0, abs=1e-5)
    assert point.observed_easting_m == pytest.approx(700_000.02, abs=1e-5)
    assert point.observed_northing_m == pytest.approx(6_000_000.01, abs=1e-5)
    assert point.observed_height_m is None


def test_a_table_in_degrees_needs_a_system(tmp_path: Path) -> None:
    """Degrees without a declared system are refused, never taken for metres."""
    path = table(tmp_path, "id,latitude,longitude,height\nA,54.4,6.73,3.25\n")
    with pytest.raises(TableError, match="latitude and longitude"):
        place(read_checkpoints(path), frame(), PlacingOptions())


@pytest.mark.parametrize(
    ("text", "options", "crs", "message"),
    [
        (
            "id,easting,northing,height\nA,700000,6000000,3\n",
            PlacingOptions(table_crs="EPSG:4258"),
            "EPSG:25832",
            "plane coordinates.*in degrees",
        ),
        (
            "id,latitude,longitude,height\nA,54.4,6.73,3.25\n",
            PlacingOptions(table_crs="EPSG:25832"),
            "EPSG:25832",
            "latitudes and longitudes",
        ),
        (
            "id,easting,northing,height\nA,700000,6000000,3\n",
            PlacingOptions(table_crs="EPSG:25833"),
            None,
            "no coordinate system record",
        ),
    ],
)
def test_impossible_conversions_are_refused(
    tmp_path: Path, text: str, options: PlacingOptions, crs: str | None, message: str
) -> None:
    """A system that contradicts the table, or a cloud without one, is refused in words."""
    with pytest.raises(FrameError, match=message):
        place(read_checkpoints(table(tmp_path, text)), frame(crs), options)


def test_geoid_heights_are_changed_with_the_users_grid(shared_data: Path, tmp_path: Path) -> None:
    """Ellipsoidal heights less the French geoid of the grid file are the orthometric ones."""
    grid = shared_data / "geodesy" / "grids" / "fr_ign_RAF20.tif"
    path = table(tmp_path, "id,easting,northing,height\nA,652000,6862000,100.0\n")
    options = PlacingOptions(geoid=grid, table_heights="ellipsoidal", cloud_heights="orthometric")
    placed = place(read_checkpoints(path), frame("EPSG:2154"), options)
    longitude, latitude = pyproj.Transformer.from_crs(2154, 4171, always_xy=True).transform(652000, 6862000)
    height = undulation_m(grid, np.array([longitude]), np.array([latitude]))[0]
    assert 43 < height < 45
    assert placed.checkpoints[0].height_m == pytest.approx(100.0 - height, abs=1e-6)
    assert "fr_ign_RAF20.tif" in placed.steps[0]
    back = PlacingOptions(geoid=grid, table_heights="orthometric", cloud_heights="ellipsoidal")
    assert place(read_checkpoints(path), frame("EPSG:2154"), back).checkpoints[0].height_m == pytest.approx(
        100.0 + height, abs=1e-6
    )


def test_a_geoid_elsewhere_is_refused(shared_data: Path, tmp_path: Path) -> None:
    """A grid that does not cover the project is refused, with the first point outside it."""
    grid = shared_data / "geodesy" / "grids" / "fr_ign_RAF20.tif"
    path = table(tmp_path, "id,easting,northing,height\nA,352400,6031250,3.0\n")
    options = PlacingOptions(geoid=grid, table_heights="ellipsoidal", cloud_heights="orthometric")
    with pytest.raises(FrameError, match='1 point outside the geoid grid, the first "A"'):
        place(read_checkpoints(path), frame(), options)


_PLAIN = "id,easting,northing,height\nA,700000,6000000,3\n"


@pytest.mark.parametrize(
    ("crs", "text", "options"),
    [
        ("EPSG:25832+7837", _PLAIN, PlacingOptions(table_heights="ellipsoidal")),
        ("EPSG:25832", _PLAIN, PlacingOptions(table_heights="ellipsoidal", cloud_heights="orthometric")),
        (UTM.to_3d().to_wkt(), _PLAIN, PlacingOptions(table_heights="orthometric")),
        ("EPSG:25832+7837", _PLAIN.replace("height", "ellipsoidal height"), PlacingOptions()),
        (
            "EPSG:25832+7837",
            _PLAIN,
            PlacingOptions(table_heights="ellipsoidal", table_crs="EPSG:25832"),
        ),
        (
            "EPSG:25832",
            "id,latitude,longitude,height\nA,54.4,6.73,3.25\n",
            PlacingOptions(table_crs="EPSG:4937", cloud_heights="orthometric"),
        ),
    ],
    ids=["cloud's system", "both declared", "cloud in 3D", "heading", "table's plan system", "table in 3D"],
)
def test_two_kinds_of_height_without_a_geoid_are_refused(
    tmp_path: Path, crs: str, text: str, options: PlacingOptions
) -> None:
    """Whatever says that the kinds differ, nothing is measured across the geoid; a grid is asked for."""
    with pytest.raises(FrameError, match=r"heights and the cloud .* ones, and no geoid grid .*--geoid"):
        place(read_checkpoints(table(tmp_path, text)), frame(crs), options)


@pytest.mark.parametrize(
    ("crs", "options", "remark"),
    [
        ("EPSG:25832+7837", PlacingOptions(), None),
        ("EPSG:25832+7837", PlacingOptions(table_heights="orthometric"), None),
        ("EPSG:25832", PlacingOptions(table_heights="ellipsoidal"), "taken on the surveyor's word"),
        (
            "EPSG:25832+7837",
            PlacingOptions(table_heights="ellipsoidal", cloud_heights="ellipsoidal"),
            "The cloud's own system says orthometric heights; they were declared ellipsoidal",
        ),
    ],
)
def test_one_kind_of_height_passes(
    tmp_path: Path, crs: str, options: PlacingOptions, remark: str | None
) -> None:
    """Heights of one kind go through; what is on the surveyor's word, or against a record, is said."""
    placed = place(read_checkpoints(table(tmp_path, _PLAIN)), frame(crs), options)
    assert placed.checkpoints[0].height_m == 3.0
    assert (remark is None and not placed.remarks) or remark in placed.remarks[0]


def test_a_geoid_grid_takes_the_kinds_from_the_systems(shared_data: Path, tmp_path: Path) -> None:
    """Systems that say both kinds need no further word, and heights are changed once, by the grid named."""
    grid = shared_data / "geodesy" / "grids" / "fr_ign_RAF20.tif"
    path = table(tmp_path, "id,latitude,longitude,height\nA,48.9,2.3,100.0\n")
    options = PlacingOptions(geoid=grid, table_crs="EPSG:4965")
    placed = place(read_checkpoints(path), frame("EPSG:2154+5720"), options)
    (geoid_m,) = undulation_m(grid, np.array([2.3]), np.array([48.9]))
    assert placed.checkpoints[0].height_m == pytest.approx(100.0 - geoid_m, abs=1e-4)


@pytest.mark.parametrize("kind", ["ellipsoidal", "orthometric"])
def test_kinds_of_height_must_differ(tmp_path: Path, kind: str) -> None:
    """Two heights of one kind leave a geoid grid nothing to do: a contradiction, not a shrug."""
    path = table(tmp_path, "id,easting,northing,height\nA,352400,6031250,3.0\n")
    options = PlacingOptions(geoid=Path("g.gtx"), table_heights=kind, cloud_heights=kind)  # type: ignore[arg-type]
    with pytest.raises(RequestError, match="nothing for a geoid grid to change"):
        place(read_checkpoints(path), frame(), options)


def test_ground_coordinates_come_to_grid(tmp_path: Path) -> None:
    """A point 1 km from the scaling's origin moves by the parts per million of the combined factor."""
    path = table(tmp_path, "id,easting,northing,height\nA,353400,6031250,3.0\n")
    ground = GroundScale(
        combined_factor=0.99963,
        origin_name="station 1",
        grid_origin_easting_m=352_400.0,
        grid_origin_northing_m=6_031_250.0,
        ground_origin_easting_m=352_400.0,
        ground_origin_northing_m=6_031_250.0,
    )
    placed = place(read_checkpoints(path), frame(), PlacingOptions(ground=ground))
    assert placed.checkpoints[0].easting_m == pytest.approx(353_400.0 - 0.37, abs=1e-6)
    assert "0.99963" in placed.steps[0]


def test_combined_factor_from_position_and_height() -> None:
    """Computed from place and height it is the product of PROJ's scale and R/(R+H)."""
    scale = ground_scale(
        frame=frame(),
        origin_name="station 1",
        grid_origin_m=(352_400.0, 6_031_250.0),
        ground_origin_m=None,
        combined_factor=None,
        mean_height_m=250.0,
        geoid_height_m=40.0,
    )
    projection = pyproj.Proj(25832)
    place_deg = projection(352_400.0, 6_031_250.0, inverse=True)
    k = projection.get_factors(*place_deg).meridional_scale
    assert scale.combined_factor == pytest.approx(k * 6_372_000 / (6_372_000 + 290.0), abs=1e-12)


def test_a_slipped_decimal_is_no_combined_factor() -> None:
    """A factor far from 1 is refused before it moves anything."""
    with pytest.raises(FrameError, match="is no combined factor"):
        GroundScale(
            combined_factor=9.9963,
            origin_name="x",
            grid_origin_easting_m=0,
            grid_origin_northing_m=0,
            ground_origin_easting_m=0,
            ground_origin_northing_m=0,
        )


def test_a_factor_that_cannot_be_had(tmp_path: Path) -> None:
    """Neither a factor nor a height to compute it from: asked for, not guessed."""
    with pytest.raises(RequestError, match="neither given nor can it be computed"):
        ground_scale(
            frame=frame(),
            origin_name="x",
            grid_origin_m=(0.0, 0.0),
            ground_origin_m=None,
            combined_factor=None,
            mean_height_m=None,
            geoid_height_m=None,
        )


def test_two_datums_are_pointed_out(tmp_path: Path) -> None:
    """WGS 84 degrees against an ETRS89 cloud: converted, with the metre of doubt in words."""
    path = table(tmp_path, "id,latitude,longitude,height\nA,54.4,6.73,3.25\n")
    placed = place(read_checkpoints(path), frame(), PlacingOptions(table_crs="EPSG:4326"))
    assert any("plate motion" in remark for remark in placed.remarks)
    assert any("accurate to" in remark or "no accuracy" in remark for remark in placed.remarks)
