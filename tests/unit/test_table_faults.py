"""What a checkpoint table is refused for, in which words. All data here is invented."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from accuracy.errors import TableError
from accuracy.reading.checkpoints import TableOptions, read_checkpoints
from accuracy.units import LengthUnit

HEAD = "id,easting,northing,height\n"
GOOD = "TQ1,426123.456,5812345.678,12.345\n"
NONE = TableOptions()

FAULTS: list[tuple[str, str, TableOptions, str, str, str]] = [
    # name, table, options, place, what (regular expression), remedy (regular expression)
    (
        "no headings",
        GOOD,
        NONE,
        "row 1",
        'its first row reads "TQ1,426',
        "--columns id,easting,northing,height",
    ),
    (
        "no headings, five columns",
        GOOD.replace("\n", ",kerb\n"),
        NONE,
        "row 1",
        "not guessed",
        "--columns id,easting,northing,height,-",
    ),
    (
        "missing column, near miss",
        HEAD.replace("northing", "nrothing") + GOOD,
        NONE,
        "row 1",
        'no column for northing; the headings are "id", "easting", "nrothing", "height"',
        'Is "nrothing" meant as northing',
    ),
    (
        "two missing columns",
        "id,easting,foo,bar\n" + GOOD,
        NONE,
        "row 1",
        "no column for northing and height",
        "--columns",
    ),
    (
        "unknown headings",
        "aa,bb,cc,dd\n" + GOOD,
        NONE,
        "row 1",
        "no column for id and easting and northing and height",
        "--columns",
    ),
    ("no id", "easting,northing,height\n1.5,2.5,3.5\n", NONE, "row 1", "no column for id", "Rename"),
    (
        "typing error in --columns",
        GOOD,
        TableOptions(columns="id,eastng,northing,height"),
        "--columns id,eastng,northing,height",
        "no column for easting",
        'Is "eastng" meant as easting',
    ),
    (
        "--columns too short",
        GOOD.replace("\n", ",7\n"),
        TableOptions(columns="id,e,n,h"),
        "row 1",
        "5 values for 4 columns",
        "name every column",
    ),
    (
        "--columns against words",
        GOOD,
        TableOptions(columns="e,id,-,n,h"),
        "row 1, column 1 \\(easting\\)",
        '"TQ1" is not a number',
        "number",
    ),
    (
        "two ids",
        "No,Point ID,E,N,H\n1," + GOOD,
        NONE,
        "row 1",
        '"No" and "Point ID" both name the id column',
        "Rename",
    ),
    (
        "two heights",
        "id,E,N,Ellipsoidal height,Orthometric height\nTQ1,1.5,2.5,3.5,4.5\n",
        NONE,
        "row 1",
        '"Ellipsoidal height" and "Orthometric height" both name the height',
        "--columns",
    ),
    (
        "half of geographic",
        "id,latitude,northing,height\nTQ1,1.5,2.5,3.5\n",
        NONE,
        "row 1",
        "no column for easting",
        "Rename",
    ),
    (
        "not a number",
        HEAD + GOOD.replace("12.345", "12.3.45"),
        NONE,
        "row 2, column height",
        '"12.3.45" is not a number',
        "number",
    ),
    (
        "decimal comma once",
        "id;easting;northing;height\nTQ1;426123.456;5812345.678;12.345\nTQ2;1.25;2.25;12,3\n",
        NONE,
        "row 2, column easting",
        "different decimal marks",
        "same decimal mark",
    ),
    (
        "both decimal marks in one column",
        "id;easting;northing;height\nTQ1;426123.456;5812345.678;12.033\nTQ2;426133.4;5812349.0;12,112\n",
        NONE,
        "row 3, column height",
        'the comma in "12,112" could be a decimal mark or separate thousands: the same column holds "12.033"',
        "--decimal-mark",
    ),
    (
        "both decimal marks in one column, points the rarer",
        "id;easting;northing;height\nTQ1;426123,456;5812345,678;12.033\nTQ2;426133,4;5812349,0;12,112\n",
        NONE,
        "row 2, column height",
        'the point in "12.033" could be a decimal mark or separate thousands: the same column holds "12,112"',
        "--decimal-mark",
    ),
    (
        "a mark of its own in each column",
        "id;easting;northing;height\nTQ1;426123.456;5812345.678;5,033\n",
        NONE,
        "row 2, column height",
        'the comma in "5,033" could be a decimal mark or separate thousands: nothing in the table says which',
        "--decimal-mark",
    ),
    (
        "decimal mark lost in one height",
        HEAD + GOOD.replace("12.345", "12345"),
        NONE,
        "row 2, column height",
        "12,345 m, beyond any height",
        "decimal mark",
    ),
    (
        "decimal comma against the option",
        "id;e;n;h\nTQ1;426123.4;5812345.6;12,34\n",
        TableOptions(decimal_mark="."),
        "row 2, column h",
        '"12,34" is not a number',
        "Use a decimal point",
    ),
    (
        "decimal commas and comma delimiters",
        HEAD + "TQ1,426123,456,5812345,678,12,345\n",
        NONE,
        "row 2",
        "7 values for 4 columns",
        "export with semicolons",
    ),
    (
        "headings wider than rows",
        HEAD + "TQ1,426123.456,5812345.678\n",
        NONE,
        "row 2, column height",
        "the height is missing",
        "delete the row",
    ),
    (
        "missing height",
        HEAD + GOOD + GOOD.replace("TQ1", "TQ2").replace("12.345", "-"),
        NONE,
        "row 3, column height",
        'the height is missing \\("-"\\)',
        "Give it",
    ),
    (
        "not a number by calculation",
        HEAD + GOOD.replace("12.345", "NaN"),
        NONE,
        "row 2, column height",
        "missing",
        "Give",
    ),
    (
        "infinite",
        HEAD + GOOD.replace("12.345", "inf"),
        NONE,
        "row 2, column height",
        '"inf" is not a number',
        "calculation that failed",
    ),
    (
        "beyond floating point",
        HEAD + GOOD.replace("12.345", "1" * 400),
        NONE,
        "row 2, column height",
        "not a finite number",
        "Give",
    ),
    (
        "huge exponent",
        HEAD + GOOD.replace("12.345", "1.0e999"),
        NONE,
        "row 2, column height",
        "not a finite number",
        "Give",
    ),
    (
        "absurd easting",
        HEAD + GOOD.replace("426123.456", "426123456.7"),
        NONE,
        "row 2, column easting",
        "beyond any easting",
        "unit",
    ),
    (
        "northing as height",
        HEAD + "TQ1,426123.456,12.345,5812345.678\n",
        NONE,
        "row 2, column height",
        "5,812,346 m, beyond any height",
        "order of the columns",
    ),
    (
        "code for no value",
        HEAD + GOOD.replace("12.345", "-9999"),
        NONE,
        "row 2, column height",
        "a code for no value",
        "delete",
    ),
    ("empty id", HEAD + GOOD.replace("TQ1", " "), NONE, "row 2, column id", "the id is empty", "id"),
    (
        "two faults",
        HEAD + GOOD.replace("TQ1", "") + GOOD.replace("12.345", "x"),
        NONE,
        "row 2, column id",
        "empty",
        "other rows too: 3",
    ),
    (
        "spreadsheet lost digits",
        HEAD + "TQ1,4.26E+05,5.81E+06,12.345\n",
        NONE,
        "row 2, column easting",
        '"4.26E\\+05" has lost its digits: its last one is worth 1,000 m',
        "format the column as a number",
    ),
    (
        "column too narrow",
        HEAD + GOOD.replace("12.345", "######"),
        NONE,
        "row 2, column height",
        "not a number",
        "widen",
    ),
    (
        "formula error",
        HEAD + GOOD.replace("12.345", "#REF!"),
        NONE,
        "row 2, column height",
        "not a number",
        "formula failed",
    ),
    (
        "negative sigma",
        HEAD.replace("\n", ",sd h\n") + GOOD.replace("\n", ",-0.01\n"),
        NONE,
        "row 2, column sd h",
        '"-0.01" is negative',
        "positive",
    ),
    (
        "infinite sigma",
        HEAD.replace("\n", ",sd h\n") + GOOD.replace("\n", ",1e999\n"),
        NONE,
        "row 2, column sd h",
        "finite",
        "Give",
    ),
    (
        "repeated id",
        HEAD + GOOD + "TQ9,1.25,1.25,1.25\n" + GOOD.replace("12.345", "12.355"),
        NONE,
        "row 4",
        'id "TQ1" stands in rows 2 and 4 \\(apart by 0.000 m east, 0.000 m north, 0.010 m in height\\)',
        "--average-duplicates",
    ),
    (
        "unknown cover",
        HEAD.replace("\n", ",cover\n") + GOOD.replace("\n", ",swamp\n"),
        NONE,
        "row 2, column cover",
        '"swamp" is not known',
        "open .*or vegetated",
    ),
    (
        "grass, which may be short or tall",
        HEAD.replace("\n", ",cover\n") + GOOD.replace("\n", ",grass\n"),
        NONE,
        "row 2, column cover",
        '"grass"',
        "vegetated",
    ),
    (
        "unknown role",
        HEAD.replace("\n", ",role\n") + GOOD.replace("\n", ",boss\n"),
        NONE,
        "row 2, column role",
        '"boss"',
        "check .*or control",
    ),
    (
        "mark without size",
        HEAD.replace("\n", ",mark\n") + GOOD.replace("\n", ",sphere\n"),
        NONE,
        "row 2, column mark",
        "mark sphere has no size",
        "mark_size",
    ),
    (
        "mark with size zero",
        HEAD.replace("\n", ",mark,mark_size\n") + GOOD.replace("\n", ",disc,0\n"),
        NONE,
        "row 2, column mark_size",
        "no size",
        "mark_size",
    ),
    (
        "negative size",
        HEAD.replace("\n", ",mark,mark_size\n") + GOOD.replace("\n", ",disc,-1\n"),
        NONE,
        "row 2, column mark_size",
        "negative",
        "positive",
    ),
    (
        "half an observation",
        HEAD.replace("\n", ",observed_easting,observed_northing\n") + GOOD.replace("\n", ",1.5,\n"),
        NONE,
        "row 2, column observed_northing",
        "observed_northing is missing",
        "both",
    ),
    (
        "half the observed columns",
        HEAD.replace("\n", ",observed_easting\n") + GOOD.replace("\n", ",1.5\n"),
        NONE,
        "row 1",
        "not observed_northing",
        "both",
    ),
    (
        "lone observed height",
        HEAD.replace("\n", ",observed_height\n") + GOOD.replace("\n", ",1.5\n"),
        NONE,
        "row 1",
        "not observed_easting",
        "both",
    ),
    (
        "unit against the option",
        "id,E (m),N (m),H (m)\n" + GOOD,
        TableOptions(unit=LengthUnit.US_SURVEY_FOOT),
        "row 1, column E \\(m\\)",
        "the heading says metre, but --unit says us-survey-foot",
        "Leave out",
    ),
    (
        "survey feet against international",
        "id,E,N,Height_ftUS\n" + GOOD,
        TableOptions(unit=LengthUnit.INTERNATIONAL_FOOT),
        "row 1, column Height_ftUS",
        "us-survey-foot, but --height-unit says international-foot",
        "Leave out",
    ),
    (
        "unit that is not read",
        "id,E (yd),N (yd),H (yd)\n" + GOOD,
        NONE,
        "row 1, column E \\(yd\\)",
        '"yd" is not known',
        "ftUS",
    ),
    (
        "a point above the headings",
        GOOD + HEAD + GOOD.replace("TQ1", "TQ2"),
        NONE,
        "row 1",
        "reads as a point",
        "Move the headings",
    ),
    (
        "every point behind a comment sign",
        HEAD + "#" + GOOD,
        NONE,
        "row 1",
        "headings but no points",
        "are comments",
    ),
    (
        "which feet",
        "id,E (feet),N (feet),H (feet)\n" + GOOD,
        NONE,
        "row 1, column E \\(feet\\)",
        "does not say which foot",
        "us-survey-foot",
    ),
    (
        "feet beside no unit",
        "id,E_ft,N_ft,H\n" + GOOD,
        NONE,
        "row 1",
        "column H names no unit",
        "--height-unit",
    ),
    (
        "unit in the cell against the column",
        HEAD + GOOD.replace("12.345", "40.5 ft"),
        NONE,
        "row 2, column height",
        'ends in "ft"',
        "--unit",
    ),
    (
        "angle as length",
        HEAD + "TQ1,1°43'04.5\"E,52°39'27.25\"N,12.3\n",
        NONE,
        "row 2, column easting",
        "is an angle",
        "EPSG:4326",
    ),
    (
        "degrees under X and Y",
        "id,X,Y,Z\nTQ1,1.7181234,52.6574567,24.7\nTQ2,1.7191234,52.6584567,24.7\n",
        NONE,
        "row 2, column X",
        "look like degrees",
        "latitude and longitude",
    ),
    (
        "grid under latitude",
        "id,latitude,longitude,height\n" + GOOD,
        NONE,
        "row 2, column latitude",
        "beyond 90 degrees",
        "easting and northing",
    ),
    (
        "hemispheres exchanged",
        "id,lat,lon,height\nTQ1,1°43'04\"E,52°39'27\"N,12.3\n",
        NONE,
        "row 2, column lat",
        "is not a latitude",
        "decimal degrees",
    ),
    (
        "sixty seconds",
        "id,lat,lon,height\nTQ1,52°39'60\"N,1°43'04\"E,12.3\n",
        NONE,
        "row 2, column lat",
        "is not a latitude",
        "decimal",
    ),
    (
        "observed lengths in a geographic table",
        "id,lat,lon,h,obs e,obs n\nTQ1,52.1,1.2,3,4,5\n",
        NONE,
        "row 1",
        "observed coordinates are lengths",
        "grid",
    ),
    ("only headings", HEAD, NONE, "row 1", "headings but no points", "Export"),
    ("only comments", "# nothing\n# at all\n", NONE, "", "nothing but comments", "Export"),
    (
        "prose",
        "Dear surveyor\nplease find attached\n",
        NONE,
        "row 1",
        "no row holds headings or three numbers",
        "row per point",
    ),
    (
        "footer",
        HEAD + GOOD + "End of report\n",
        NONE,
        "row 3, column easting",
        "missing",
        "Give it, or delete the row",
    ),
    (
        "quotation mark never closed",
        HEAD + 'TQ1,1.5,2.5,"3.5\nTQ2,1.5,2.5,3.5\n',
        NONE,
        "row 2",
        "never closed",
        "Remove",
    ),
    (
        "blanks hide an empty value",
        "id  easting  northing  height  sd_h\nTQ1  426123.456  5812345.678  0.01\n",
        NONE,
        "row 2",
        "4 values for 5 columns",
        "write - in its place",
    ),
]


@pytest.mark.parametrize(
    ("text", "options", "place", "what", "remedy"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS]
)
def test_fault_is_named(
    text: str, options: TableOptions, place: str, what: str, remedy: str, tmp_path: Path
) -> None:
    """Every refusal names file, row, column, value and remedy in a surveyor's words."""
    path = tmp_path / "checkpoints.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TableError, match=what) as raised:
        read_checkpoints(path, options)
    error = raised.value
    assert error.path == path
    assert re.fullmatch(place, error.place or "")
    assert re.search(remedy, error.remedy or "no remedy")
    assert str(error).startswith(str(path))


OCCUPATIONS = (
    "id,easting,northing,height,sd h,code\n"
    "TQ1,426123.450,5812345.670,12.340,0.015,am\n"
    "TQ2,426133.400,5812349.010,-1.250,,\n"
    "TQ1,426123.460,5812345.690,12.350,,pm\n"
)


def test_occupations_are_averaged_on_request(tmp_path: Path) -> None:
    """The mean, its uncertainty and the spread of two occupations are those of the textbook.

    Hand computation: sd of two values is their difference over root two, of their mean half the difference
    (GUM 4.2.3); a larger stated uncertainty stands.
    """
    path = tmp_path / "checkpoints.csv"
    path.write_text(OCCUPATIONS)
    table = read_checkpoints(path, TableOptions(average_duplicates=True))
    mean, other = table.checkpoints
    assert (mean.id, other.id) == ("TQ1", "TQ2")
    assert (mean.easting_m, mean.northing_m, mean.height_m) == pytest.approx((426123.455, 5812345.68, 12.345))
    assert mean.sigma_easting_m == pytest.approx(0.005, abs=1e-9)
    assert mean.sigma_northing_m == pytest.approx(0.010, abs=1e-9)
    assert mean.sigma_height_m == 0.015
    assert mean.attributes == {"code": "am / pm"}
    (group,) = table.duplicates
    assert group.rows == (2, 4)
    assert group.spread_northing_m == pytest.approx(0.02, abs=1e-9)
    assert "occupied 2 times (rows 2, 4)" in " ".join(table.remarks)
    assert other.sigma_height_m is None


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (("TQ1,426123.460", "TQ1,426125.460"), "2.010 m apart: they are not occupations"),
        (("am\n", "am,disc,0.3\n"), "mark is .disc. and .none."),
    ],
)
def test_occupations_that_contradict_are_not_averaged(
    change: tuple[str, str], what: str, tmp_path: Path
) -> None:
    """Averaging never hides two different points behind one id."""
    path = tmp_path / "checkpoints.csv"
    path.write_text(OCCUPATIONS.replace("code\n", "code,mark,mark_size\n").replace(*change))
    with pytest.raises(TableError, match=what):
        read_checkpoints(path, TableOptions(average_duplicates=True))


def test_equal_occupations_claim_no_perfection(tmp_path: Path) -> None:
    """Occupations that agree to the last digit give no uncertainty rather than zero."""
    path = tmp_path / "checkpoints.csv"
    path.write_text(HEAD + GOOD + GOOD)
    (point,) = read_checkpoints(path, TableOptions(average_duplicates=True)).checkpoints
    assert (point.easting_m, point.sigma_easting_m, point.sigma_height_m) == (426123.456, None, None)
