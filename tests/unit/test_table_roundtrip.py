"""Any table written in any supported dialect reads back to the same numbers. All data is generated."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from accuracy.reading import table_words
from accuracy.reading.checkpoints import TableOptions, describe_table, read_checkpoints
from accuracy.reading.table_heading import read_heading
from accuracy.reading.table_numbers import choose_decimal_mark, read_number

HEADINGS = {
    "canonical": ("id", "easting", "northing", "height", "sigma_height"),
    "capitals": ("POINT ID", "EASTING", "NORTHING", "ELEVATION", "SD H"),
    "short": ("Nr.", "E", "N", "Z", "Std Z"),
    "german": ("Punktnummer", "Rechtswert", "Hochwert", "Höhe", "Sigma H"),
    "with units": ("Pt", "East [m]", "North (m)", "RL_m", "sd_z, m"),
    "none": (),
}
thousandths = st.integers(-(10**10), 10**10)
points = st.lists(
    st.tuples(thousandths, thousandths, st.integers(-500_000, 9_000_000), st.integers(1, 400)),
    min_size=1,
    max_size=8,
)


def _number(milli: int, mark: str, group: str) -> str:
    whole, part = divmod(abs(milli), 1000)
    return ("-" if milli < 0 else "") + f"{whole:,}".replace(",", group) + mark + f"{part:03d}"


@given(
    points=points,
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    mark=st.sampled_from([".", ","]),
    group=st.sampled_from(["", "", " ", "'", "\u00a0", "other"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    line_end=st.sampled_from(["\n", "\r\n", "\r"]),
    order=st.permutations(range(5)),
    style=st.sampled_from(sorted(HEADINGS)),
)
@example(
    points=[(0, 1000000, 1000000, 1)],
    delimiter="\t",
    mark=".",
    group=" ",
    encoding="utf-8",
    line_end="\n",
    order=[0, 1, 2, 3, 4],
    style="canonical",
)
@example(
    points=[(123456, 234567, 12345, 12)],
    delimiter=";",
    mark=",",
    group="",
    encoding="utf-8",
    line_end="\n",
    order=[0, 1, 2, 3, 4],
    style="canonical",
)
# Blanks as thousands separators that cut a lone row into as many pieces as there are columns.
@example(
    points=[(1_000_000_000, 1_000_000_000, 0, 1)],
    delimiter=",",
    mark=".",
    group=" ",
    encoding="utf-8",
    line_end="\n",
    order=[0, 1, 3, 4, 2],
    style="none",
)
@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_dialect_reads_back_exactly(
    points: list[tuple[int, int, int, int]],
    delimiter: str,
    mark: str,
    group: str,
    encoding: str,
    line_end: str,
    order: list[int],
    style: str,
    tmp_path: Path,
) -> None:
    """Delimiter, decimal mark, grouping, encoding, line ends, order and headings change no number."""
    group = {".": ",", ",": "."}[mark] if group == "other" else group
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=line_end)
    if HEADINGS[style]:
        writer.writerow([HEADINGS[style][i] for i in order])
    for index, values in enumerate(points):
        # A sigma with its leading zero also settles a mark that would be open otherwise.
        row = [f"P{index}", *(_number(value, mark, group) for value in values)]
        writer.writerow([row[i] for i in order])
    path = tmp_path / "checkpoints.csv"
    path.write_bytes(out.getvalue().encode(encoding))
    columns = None if HEADINGS[style] else ",".join(HEADINGS["canonical"][i] for i in order)
    table = read_checkpoints(path, TableOptions(columns=columns))
    found = [(p.id, p.easting_m, p.northing_m, p.height_m, p.sigma_height_m) for p in table.checkpoints]
    # float of the decimal text is what "exactly" means: the nearest double to the written number.
    assert found == [
        (f"P{i}", *(float(_number(value, ".", "")) for value in values)) for i, values in enumerate(points)
    ]


@given(
    points=points,
    gap=st.integers(1, 4),
    mark=st.sampled_from([".", ","]),
    group=st.sampled_from(["", "'", "other"]),
    order=st.permutations(range(5)),
    style=st.sampled_from(["canonical", "short", "none"]),
)
@example(
    points=[(4372100, 1000000, 100000, 1)],
    gap=1,
    mark=",",
    group="'",
    order=[2, 1, 3, 0, 4],
    style="none",
)
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_field_book_in_blanks_reads_back_exactly(
    points: list[tuple[int, int, int, int]],
    gap: int,
    mark: str,
    group: str,
    order: list[int],
    style: str,
    tmp_path: Path,
) -> None:
    """Runs of blanks, aligned to the right as field books print them, change no number."""
    group = {".": ",", ",": "."}[mark] if group == "other" else group
    rows = [[f"P{i}", *(_number(value, mark, group) for value in values)] for i, values in enumerate(points)]
    names = [name.replace(" ", "_") for name in HEADINGS[style]]
    printed = [names, *rows] if names else rows
    widths = [max(len(row[i]) for row in printed) for i in range(5)]
    path = tmp_path / "field book.txt"
    path.write_text("\n".join((" " * gap).join(row[i].rjust(widths[i]) for i in order) for row in printed))
    columns = None if names else ",".join(HEADINGS["canonical"][i] for i in order)
    table = read_checkpoints(path, TableOptions(columns=columns))
    found = [(p.id, p.easting_m, p.northing_m, p.height_m, p.sigma_height_m) for p in table.checkpoints]
    assert found == [
        (f"P{i}", *(float(_number(value, ".", "")) for value in values)) for i, values in enumerate(points)
    ]


@given(value=st.floats(-1e8, 1e8, allow_nan=False))
def test_shortest_text_of_any_float_reads_back(value: float) -> None:
    """repr of a float, which other programs write, reads back bit for bit, in either decimal mark."""
    for mark in (".", ","):
        number = read_number(repr(value).replace(".", mark), mark)
        assert number is not None
        assert number.value == value


@pytest.mark.parametrize(
    ("cells", "mark", "assumed", "clash"),
    [
        (["12.345"], ".", False, False),
        (["12,345"], ",", True, False),
        (["12,345", "426123,4"], ",", False, False),
        (["12,345", "426,123.4"], ".", False, False),
        (["0,012"], ",", False, False),
        (["1.234.567", "12,5"], ",", False, False),
        (["12,345", "12.345"], ".", False, True),
        (["426123,4", "12.3"], ".", False, True),
        (["12", "-", "x"], ".", False, False),
        (["5.812.345", "426.123"], ",", False, False),
    ],
)
def test_decimal_mark(cells: list[str], mark: str, assumed: bool, clash: bool) -> None:
    """The mark is decided by the numbers that can only be read one way, and never when two such disagree."""
    for ordered in (cells, cells[::-1]):
        choice = choose_decimal_mark(ordered)
        assert (choice.mark, choice.assumed, choice.clash is not None) == (mark, assumed, clash)


@pytest.mark.parametrize(
    "cell", ["", ".", "-", "1,23,456.0", "1 23", "12 345 6", "0'123", "--1", "1-", "(12)", "١٢"]
)
def test_no_number(cell: str) -> None:
    """Wrong grouping, stray signs and foreign digits are no numbers."""
    assert read_number(cell, ".") is None


@pytest.mark.parametrize(
    ("heading", "role", "unit"),
    [
        ("Std. Dev. (E)", "sigma_easting", None),
        ("σN [mm]", "sigma_northing", "mm"),
        ("Höhe über NN", None, None),
        ("Grid Easting", "easting", None),
        ("easting_ft", "easting", "ft"),
        ("Height (US survey feet)", "height", "us-survey-foot"),
        ("E [m]", "easting", "metre"),
        ("X (°)", "longitude", "degree"),
        ("RL", "height", None),
        ("Land-Cover", "cover", None),
        ("GDA2020 Easting", "easting", None),
        ("Easting (MGA zone)", "easting", None),
        ("#", "id", None),
        ("m", None, None),
        ("Elevation of the parapet", None, None),
        ("95% sigma h", None, None),
    ],
)
def test_heading(heading: str, role: str | None, unit: str | None) -> None:
    """Headings in the trade's spellings name their column and unit; others name nothing."""
    found = read_heading(heading)
    assert found.role == role
    assert (found.unit.name if found.unit else None) == unit or role is None


def test_no_heading_names_two_columns() -> None:
    """Every spelling belongs to one column only."""
    assert sum(map(len, table_words._COLUMNS.values())) == len(table_words.COLUMN_OF)


def test_canonical_names_name_themselves() -> None:
    """The column names in the manual are understood as what they say."""
    names = [*table_words.MEASURED, *table_words.WORDS]
    assert [read_heading(name).role for name in names] == names


def test_description_in_words(tmp_path: Path) -> None:
    """An inspection shows each row beside its reading, and what was understood of the columns."""
    path = tmp_path / "checkpoints.csv"
    path.write_text("Pt;X;Y;Z;sd z;Role\nA;1000,25;2000,25;3,25;0,01;gcp\n", encoding="utf-8")
    described = describe_table(path)
    assert described.problem is None
    assert described.first_rows[0].text == "A;1000,25;2000,25;3,25;0,01;gcp"
    assert "easting 1000.2500 m, northing 2000.2500 m, height 3.2500 m" in described.first_rows[0].parsed
    said = " ".join(described.understood)
    assert "separated by semicolon, decimal comma" in said
    assert "X → easting in metre" in said
    assert "0 checkpoints, 1 control point" in said
    assert any("X points north" in remark for remark in described.odd)
