"""Checkpoint tables in the shapes that crews and programs leave them in. All data here is invented."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from accuracy.model import Cover, Role
from accuracy.reading.checkpoints import CheckpointTable, TableOptions, read_checkpoints
from accuracy.units import LengthUnit

Point = tuple[str, float, float, float]
INVENTED: list[Point] = [
    ("TQ1", 426123.456, 5812345.678, 12.345),
    ("TQ2", 426133.4, 5812349.012, -1.25),
]
FT = 0.3048
FTUS = 1200 / 3937  # EPSG unit 9003


@dataclass(frozen=True)
class Shape:
    """One shape of table, and what must come out of it."""

    name: str
    raw: str | bytes
    options: TableOptions = field(default_factory=TableOptions)
    points: list[Point] = field(default_factory=lambda: INVENTED)
    dialect: dict[str, Any] = field(default_factory=dict)
    remark: str = ""
    check: Callable[[CheckpointTable], bool] = lambda _table: True


BASE = "id,easting,northing,height\nTQ1,426123.456,5812345.678,12.345\nTQ2,426133.4,5812349.012,-1.25\n"
COMMA_MARK = (
    "Punkt;Rechtswert;Hochwert;Höhe\nTQ1;426123,456;5812345,678;12,345\nTQ2;426133,4;5812349,012;-1,25\n"
)
ROWS = "TQ1,426123.456,5812345.678,12.345\nTQ2,426133.4,5812349.012,-1.25\n"


def _first(**expected: Any) -> Callable[[CheckpointTable], bool]:
    """A check of the first checkpoint's fields."""
    return lambda table: all(getattr(table.checkpoints[0], k) == v for k, v in expected.items())


SHAPES = [
    Shape("plain comma", BASE, dialect={"delimiter": "comma", "decimal_mark": ".", "header_rows": (1,)}),
    Shape("semicolon, decimal comma", COMMA_MARK, dialect={"delimiter": "semicolon", "decimal_mark": ","}),
    Shape("tab", BASE.replace(",", "\t"), dialect={"delimiter": "tab"}),
    Shape("tab, decimal comma", BASE.replace(",", "\t").replace(".", ","), dialect={"decimal_mark": ","}),
    Shape("vertical bar", BASE.replace(",", "|"), dialect={"delimiter": "vertical bar"}),
    Shape(
        "comma, decimal comma in quotes",
        "id,easting,northing,height\n"
        'TQ1,"426123,456","5812345,678","12,345"\n'
        'TQ2,"426133,4","5812349,012","-1,25"\n',
        dialect={"delimiter": "comma", "decimal_mark": ","},
    ),
    Shape("utf-8 with mark", b"\xef\xbb\xbf" + BASE.encode(), dialect={"byte_order_mark": True}),
    Shape(
        "utf-16 little-endian with mark",
        b"\xff\xfe" + BASE.encode("utf-16-le"),
        dialect={"encoding": "utf-16-le"},
    ),
    Shape(
        "utf-16 big-endian with mark",
        b"\xfe\xff" + BASE.encode("utf-16-be"),
        dialect={"encoding": "utf-16-be"},
    ),
    Shape("utf-16 little-endian without mark", BASE.encode("utf-16-le"), dialect={"encoding": "utf-16-le"}),
    Shape(
        "utf-16 big-endian without mark", COMMA_MARK.encode("utf-16-be"), dialect={"byte_order_mark": False}
    ),
    Shape("windows-1252", COMMA_MARK.encode("cp1252"), dialect={"encoding": "cp1252"}, remark="Windows-1252"),
    Shape("classic mac line ends", BASE.replace("\n", "\r")),
    Shape("windows line ends, blank lines, trailing delimiters", BASE.replace("\n", ",,\r\n\r\n")),
    Shape(
        "no line end on the last row, end-of-file character of old programs",
        BASE.rstrip("\n") + "\x1a",
    ),
    Shape(
        "title lines above the headings",
        "Tern Quay control survey\nSurveyed: 2024-03-05, dry\n\n" + BASE,
        dialect={"title_rows": (1, 2), "header_rows": (4,)},
        remark="rows 1, 2",
    ),
    Shape(
        "names, then units",
        "Point,Easting,Northing,Height\n,[m],[m],[m]\n" + ROWS,
        dialect={"header_rows": (1, 2)},
    ),
    Shape(
        "group names above names",
        ",Grid,Grid,Ortho\nPoint No.,Easting,Northing,Height\n" + ROWS,
        dialect={"title_rows": (1,)},
    ),
    Shape(
        "headings behind a comment sign",
        "# exported\n#id,easting,northing,height\n" + ROWS,
        dialect={"header_rows": (2,)},
    ),
    Shape("hash sign as heading of the numbers", "#,Easting,Northing,Height\n" + ROWS),
    Shape("the same with semicolons", ("#,Easting,Northing,Height\n" + ROWS).replace(",", ";")),
    Shape(
        "comments of four kinds",
        "# made up\n// twice\n! thrice\n" + BASE.replace("TQ2", "; a fourth\nTQ2"),
        dialect={"comment_rows": (1, 2, 3, 6)},
        remark="4 comment lines were skipped",
    ),
    Shape(
        "a point behind a comment sign is said",
        BASE + "#TQ3,426133.4,5812349.012,-1.25\n",
        remark='would read as a point: row 4 "#TQ3',
    ),
    Shape("a spreadsheet's note on its delimiter", "sep=;\n" + COMMA_MARK, dialect={"header_rows": (2,)}),
    Shape(
        "field book without headings, northing first",
        "TQ1,5812345.678,426123.456,12.345,kerb\nTQ2,5812349.012,426133.4,-1.25,\n",
        TableOptions(columns="id,northing,easting,height,code"),
        dialect={"header_rows": ()},
        check=lambda t: [dict(p.attributes) for p in t.checkpoints] == [{"code": "kerb"}, {}],
    ),
    Shape(
        "field book in runs of blanks",
        "  TQ1   426123.456  5812345.678   12.345  nail\n  TQ2   426133.4    5812349.012   -1.25\n",
        TableOptions(columns="id,e,n,z,code"),
        dialect={"delimiter": "two or more blanks"},
    ),
    Shape(
        "field book, single blanks, a code of two words",
        "TQ1 426123.456 5812345.678 12.345 nail in kerb\nTQ2 426133.4 5812349.012 -1.25 nail\n",
        TableOptions(columns="id,e,n,z,code"),
        dialect={"delimiter": "blanks"},
        remark="joined again in 1 row,",
        check=lambda t: t.checkpoints[0].attributes["code"] == "nail in kerb",
    ),
    Shape(
        "blanks, headings, decimal comma",
        "Punkt  Ost          Nord          Höhe\n"
        "TQ1    426123,456   5812345,678   12,345\n"
        "TQ2    426133,4     5812349,012   -1,25\n",
    ),
    Shape(
        "columns by option over headings that stand there, one skipped",
        "a;b;c;d;e\nTQ1;x;426123.456;5812345.678;12.345\nTQ2;y;426133.4;5812349.012;-1.25\n",
        TableOptions(columns="id,-,easting,northing,height"),
        remark="Lines above the data were skipped",
        check=lambda t: not t.checkpoints[0].attributes,
    ),
    Shape(
        "thousands by points, decimal comma",
        "Punkt;Rechtswert;Hochwert;Höhe\n"
        "TQ1;426.123,456;5.812.345,678;12,345\n"
        "TQ2;426.133,4;5.812.349,012;-1,25\n",
        remark="thousands separators were removed in 2 of 2 rows",
    ),
    Shape(
        "thousands by commas, in quotes",
        "id,easting,northing,height\n"
        'TQ1,"426,123.456","5,812,345.678",12.345\n'
        'TQ2,"426,133.4","5,812,349.012",-1.25\n',
        remark="thousands",
    ),
    *(
        Shape(
            f"thousands by {name}",
            f"id;e;n;h\nTQ1;426{c}123.456;5{c}812{c}345.678;12.345\nTQ2;426{c}133.4;5{c}812{c}349.012;-1.25\n",
            remark="thousands",
        )
        for name, c in (
            ("blanks", " "),
            ("no-break blanks", "\u00a0"),
            ("thin blanks", "\u2009"),
            ("apostrophes", "'"),
        )
    ),
    Shape(
        "true minus, plus signs, units in cells, no-break blanks, text guards",
        "id;e;n;h\n"
        '="TQ1";+426123.456 m;\u00a05812345.678;12.345m\n'
        'TQ2;426133.4;="5812349.012";\u22121.25 m\n',
    ),
    Shape(
        "zero-width characters from a web page",
        BASE.replace("easting", "\u200beasting\ufeff").replace("12.345", "12.345\u200b"),
        remark="Invisible characters",
    ),
    Shape(
        "quoted text with delimiters, quotes and a line break",
        'id,easting,northing,height,remark\nTQ1,426123.456,5812345.678,12.345,"kerb, ""old"",\nnorth side"\n'
        "TQ2,426133.4,5812349.012,-1.25,\n",
        check=lambda t: (
            t.checkpoints[0].attributes["remark"] == 'kerb, "old",\nnorth side'
            and [p.row for p in t.checkpoints] == [2, 4]
        ),
    ),
    Shape(
        "an unquoted delimiter in the last remark",
        "id,easting,northing,height,remark\n"
        "TQ1,426123.456,5812345.678,12.345,nail, kerb\n"
        "TQ2,426133.4,5812349.012,-1.25,\n",
        remark="joined again",
        check=lambda t: t.checkpoints[0].attributes["remark"] == "nail, kerb",
    ),
    Shape(
        "an inch sign inside a code",
        "id,easting,northing,height,code\n"
        'TQ1,426123.456,5812345.678,12.345,5" spike\n'
        "TQ2,426133.4,5812349.012,-1.25,\n",
        check=lambda t: t.checkpoints[0].attributes["code"] == '5" spike',
    ),
    Shape(
        "the headings once more, two exports joined",
        BASE.replace("TQ2", "id,easting,northing,height\nTQ2"),
        remark="stand again",
    ),
    Shape(
        "case, order, blanks and underscores",
        "HEIGHT , North-ing,POINT_ID,  Easting \n"
        "12.345,5812345.678,TQ1,426123.456\n"
        "-1.25,5812349.012,TQ2,426133.4\n",
    ),
    Shape("X and Y", "Pt,X,Y,Z\n" + ROWS, remark="in some countries X points north"),
    Shape(
        "X is the northing, and says so",
        "Pt,X (Northing),Y (Easting),Z\nTQ1,5812345.678,426123.456,12.345\nTQ2,5812349.012,426133.4,-1.25\n",
    ),
    Shape(
        "grid and geographic columns together",
        "Name,Latitude,Longitude,Easting,Northing,Elev\n"
        "TQ1,52.1,1.2,426123.456,5812345.678,12.345\n"
        "TQ2,52.1,1.2,426133.4,5812349.012,-1.25\n",
        remark="grid coordinates were used",
    ),
    Shape(
        "orthometric heights, as the heading says",
        BASE.replace("height", "Orthometric Height"),
        check=lambda t: t.height_kind == "orthometric",
        remark="orthometric",
    ),
    Shape(
        "ellipsoidal heights, in brackets",
        BASE.replace("height", "Height (ellipsoidal) [m]"),
        check=lambda t: t.height_kind == "ellipsoidal",
    ),
    Shape(
        "scientific notation that kept its digits",
        BASE.replace("426123.456", "4.26123456E+05").replace("12.345", "1.2345e1"),
    ),
    Shape(
        "sigma zero",
        BASE.replace("height\n", "height,sd h\n")
        .replace("12.345\n", "12.345,0\n")
        .replace("-1.25\n", "-1.25,0.008\n"),
        remark="zero was taken as not given",
        check=lambda t: [p.sigma_height_m for p in t.checkpoints] == [None, 0.008],
    ),
    Shape(
        "uncertainties in millimetres, under their usual names",
        "id,easting,northing,height,Std Dev E (mm),sd_n_mm,Vt Precision [mm]\n"
        "TQ1,426123.456,5812345.678,12.345,8,9,12\n"
        "TQ2,426133.4,5812349.012,-1.25,-,n/a,nan\n",
        check=lambda t: (
            (
                t.checkpoints[0].sigma_easting_m,
                t.checkpoints[0].sigma_northing_m,
                t.checkpoints[0].sigma_height_m,
            )
            == pytest.approx((0.008, 0.009, 0.012), rel=1e-15)
            and t.checkpoints[1].sigma_height_m is None
        ),
    ),
    Shape(
        "a horizontal precision that may be radial is not used",
        "id,easting,northing,height,Hz Prec\n"
        "TQ1,426123.456,5812345.678,12.345,0.01\n"
        "TQ2,426133.4,5812349.012,-1.25,0.01\n",
        remark='"Hz Prec" was not used as an uncertainty',
        check=_first(sigma_easting_m=None, attributes={"Hz Prec": "0.01"}),
    ),
    Shape(
        "a field program's accuracies are named and not interpreted",
        "id,easting,northing,height,HRMS,VRMS (m),StdDev,CQ 3D,status\n"
        "TQ1,426123.456,5812345.678,12.345,0.01,0.02,0.03,0.04,FIXED\n"
        "TQ2,426133.4,5812349.012,-1.25,0.01,0.02,0.03,0.04,FIXED\n",
        remark="Columns HRMS, VRMS (m), StdDev, CQ 3D look like survey accuracies and are not used",
        check=_first(sigma_easting_m=None, sigma_height_m=None),
    ),
    Shape(
        "cover and role in other words",
        "id,easting,northing,height,Land cover,Role\n"
        "TQ1,426123.456,5812345.678,12.345,Tall Grass,GCP\n"
        "TQ2,426133.4,5812349.012,-1.25,NVA,check point\n",
        remark='"GCP" as control',
        check=lambda t: (
            [(p.cover, p.role) for p in t.checkpoints]
            == [(Cover.VEGETATED, Role.CONTROL), (Cover.OPEN, Role.CHECK)]
        ),
    ),
    Shape(
        "control points hidden in a column of types",
        "id,easting,northing,height,Type\n"
        "TQ1,426123.456,5812345.678,12.345,GCP\n"
        "TQ2,426133.4,5812349.012,-1.25,nail\n",
        remark='Type says "GCP" in 1 row ',
        check=_first(role=Role.CHECK),
    ),
    Shape(
        "marks, sizes and observed coordinates",
        "id,easting,northing,height,mark,mark_size,observed easting,obs n,cloud z\n"
        "TQ1,426123.456,5812345.678,12.345,Quartered_Disc,0.3,426123.460,5812345.670,12.350\n"
        "TQ2,426133.4,5812349.012,-1.25,our own star,,,,\n",
        check=lambda t: (
            t.checkpoints[0].mark == "quartered-disc"
            and t.checkpoints[0].mark_size_m == 0.3
            and t.rows[0].observed == (426123.46, 5812345.67, 12.35)
            and t.checkpoints[1].mark == "our-own-star"
            and t.rows[1].observed is None
        ),
    ),
    Shape(
        "feet in the headings",
        "Point,Easting_ft,Northing_ft,Elev_ft\nTQ1,1000,2000.5,30.25\n",
        points=[("TQ1", 1000 * FT, 2000.5 * FT, 30.25 * FT)],
        remark="read as international feet",
    ),
    Shape(
        "mixed units: metres in plan, survey feet in height",
        "Point,E [m],N [m],Height (US survey feet)\nTQ1,426123.456,5812345.678,30.25\n",
        points=[("TQ1", 426123.456, 5812345.678, 30.25 * FTUS)],
    ),
    Shape(
        "survey feet by option, where the heading only says ft; sigmas and sizes follow",
        "Point,E (ft),N (ft),Z (ft),sd z,mark,mark size\nTQ1,6000000,2000000,30.25,0.05,disc,1\n",
        TableOptions(unit=LengthUnit.US_SURVEY_FOOT),
        points=[("TQ1", 6000000 * FTUS, 2000000 * FTUS, 30.25 * FTUS)],
        check=_first(sigma_height_m=0.05 * FTUS, mark_size_m=FTUS),
    ),
    Shape(
        "units beside a frame, in quotes over two lines",
        'Point,"Easting\n'
        '(Intl ft, NAD83)",Northing (intl. ft),"Elev [US survey ft, NAVD88]"\n'
        "TQ1,1000,2000,30\n",
        points=[("TQ1", 1000 * FT, 2000 * FT, 30 * FTUS)],
        check=lambda t: t.height_kind == "orthometric",
    ),
    Shape(
        "a date with three numbers above the headings",
        "Date,2024,03,05\neasting,northing,id,height\n"
        "426123.456,5812345.678,TQ1,12.345\n426133.4,5812349.012,TQ2,-1.25\n",
        dialect={"title_rows": (1,), "header_rows": (2,)},
    ),
    Shape(
        "height unit by option",
        "Point,E,N,Z\nTQ1,426123.456,5812345.678,30.25\n",
        TableOptions(unit=LengthUnit.METRE, height_unit=LengthUnit.INTERNATIONAL_FOOT),
        points=[("TQ1", 426123.456, 5812345.678, 30.25 * FT)],
    ),
    Shape(
        "every comma ambiguous",
        "id;e;n;h\nTQ1;123,456;234,567;12,345\n",
        points=[("TQ1", 123.456, 234.567, 12.345)],
        remark="Every comma could also separate thousands",
    ),
    Shape(
        "the same, with thousands meant and said",
        "id;e;n;h\nTQ1;123,456;234,567;2,345\n",
        TableOptions(decimal_mark="."),
        points=[("TQ1", 123456, 234567, 2345)],
        remark="no better than 1 m",
    ),
    Shape(
        "thousands by commas, proved in the column, heights of 12 000 feet",
        "id;e;n;h\nTQ1;3,426,123.45;5,812,345.67;12,033\nTQ2;3,426,133.40;5,812,349.01;12,034.56\n",
        TableOptions(unit=LengthUnit.INTERNATIONAL_FOOT),
        points=[
            ("TQ1", 3426123.45 * FT, 5812345.67 * FT, 12033 * FT),
            ("TQ2", 3426133.40 * FT, 5812349.01 * FT, 12034.56 * FT),
        ],
        remark="thousands",
    ),
    Shape(
        "one point under two ids",
        BASE.replace("426133.4,5812349.012", "426123.47,5812345.67"),
        points=[INVENTED[0], ("TQ2", 426123.47, 5812345.67, -1.25)],
        remark='"TQ1" (row 2) and "TQ2" (row 3) stand 16 mm apart',
    ),
    Shape(
        "uncertainties that must be millimetres",
        BASE.replace("height\n", "height,sigma_height\n").replace("12.345\n", "12.345,12\n"),
        remark="are they in millimetres",
    ),
    Shape(
        "an id that a spreadsheet took for a number",
        BASE.replace("TQ1", "1E+05"),
        points=[("1E+05", *INVENTED[0][1:]), INVENTED[1]],
        remark="spreadsheet",
    ),
    Shape(
        "ids that differ only in case",
        BASE.replace("TQ2", "tq1"),
        points=[INVENTED[0], ("tq1", *INVENTED[1][1:])],
        remark="upper and lower case",
    ),
    Shape(
        "whole metres",
        "id,e,n,h\nTQ1,426123,5812345,12.345\n",
        points=[("TQ1", 426123, 5812345, 12.345)],
        remark="easting is written to no better than 1 m",
    ),
    Shape(
        "an empty heading",
        BASE.replace("id,", ",id,", 1).replace("TQ", "7,TQ"),
        check=_first(attributes={"column 1": "7"}),
    ),
]


def test_there_are_enough_shapes() -> None:
    """The table below is not emptied by accident, and names its cases once."""
    assert len(SHAPES) >= 55
    assert len({shape.name for shape in SHAPES}) == len(SHAPES)


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_shape_is_read(shape: Shape, tmp_path: Path) -> None:
    """Every shape yields exactly the coordinates that it holds, and says what was odd."""
    path = tmp_path / "checkpoints.csv"
    path.write_bytes(shape.raw.encode() if isinstance(shape.raw, str) else shape.raw)
    table = read_checkpoints(path, shape.options)
    assert [(p.id, p.easting_m, p.northing_m, p.height_m) for p in table.checkpoints] == shape.points
    for name, value in shape.dialect.items():
        assert getattr(table.dialect, name) == value
    assert shape.remark in " ".join(table.remarks)
    assert shape.check(table)


def test_plain_table_has_no_remarks(tmp_path: Path) -> None:
    """Nothing is said about a table about which there is nothing to say."""
    path = tmp_path / "checkpoints.csv"
    path.write_text(BASE)
    assert read_checkpoints(path).remarks == ()


def test_rows_carry_number_and_exact_text(tmp_path: Path) -> None:
    """A message can quote the row as the file has it, by the number that an editor shows."""
    path = tmp_path / "checkpoints.csv"
    path.write_text("title\n\n" + BASE.replace("TQ1,", " TQ1 , "))
    rows = read_checkpoints(path).rows
    assert [(row.row, row.text) for row in rows] == [
        (4, " TQ1 , 426123.456,5812345.678,12.345"),
        (5, "TQ2,426133.4,5812349.012,-1.25"),
    ]
