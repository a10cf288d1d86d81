"""The options that several commands share. Before the command line; nothing is decided here."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

FILE = click.Path(path_type=Path)


def grouped(*decorators: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """One decorator for several options, shown in this order."""

    def apply(function: Any) -> Any:
        for decorator in reversed(decorators):
            function = decorator(function)
        return function

    return apply


table_options = grouped(
    click.option("--columns", help="Column names, in order, of a table without headings: id,easting,..."),
    click.option("--unit", help="Unit of the table: metre, international-foot or us-survey-foot."),
    click.option("--height-unit", help="Unit of the table's heights where it differs."),
    click.option("--average-duplicates", is_flag=True, help="Average repeated occupations of one id."),
)
survey_options = grouped(
    click.option(
        "--survey-sigma-horizontal",
        metavar="LENGTH",
        help='Standard uncertainty per axis where a row gives none: "5 mm".',
    ),
    click.option("--survey-sigma-height", metavar="LENGTH", help="The same for heights."),
)
HEIGHT_KINDS = click.Choice(["ellipsoidal", "orthometric"])
frame_options = grouped(
    click.option("--crs", help="The cloud's coordinate system, where its record is missing or wrong."),
    click.option("--cloud-unit", help="The cloud's unit, where its record is missing or wrong."),
    click.option("--cloud-height-unit", help="The unit of the cloud's heights where it differs."),
    click.option("--cloud-heights", type=HEIGHT_KINDS, help="What the cloud's heights are."),
    click.option("--checkpoints-crs", help="The table's coordinate system, where it differs: EPSG:4258."),
    click.option("--checkpoint-heights", type=HEIGHT_KINDS, help="What the table's heights are."),
    click.option("--geoid", type=FILE, help="Geoid grid (.gtx, .tif) between the two kinds of height."),
    click.option("--grids", type=FILE, help="Folder with the shift grids that a conversion needs."),
    click.option("--combined-factor", type=float, help="The table is in ground coordinates: grid/ground."),
    click.option(
        "--scale-about",
        type=(float, float),
        metavar="EASTING NORTHING",
        help="Grid coordinates (metres) of the point that ground coordinates are scaled about.",
    ),
)
class_options = grouped(
    click.option("--standard", default="asprs-2024", show_default=True, help="Which standard grades."),
    click.option(
        "--class",
        "vertical_class",
        metavar="LENGTH",
        help='Vertical class asked for: "5 cm"; a bare number is in cm.',
    ),
    click.option("--horizontal-class", metavar="LENGTH", help="Horizontal class asked for."),
    click.option("--three-d-class", metavar="LENGTH", help="Three-dimensional class asked for."),
    click.option("--class-name", help="A class that has a name, such as QL2."),
    click.option(
        "--contract-unit",
        default="metre",
        show_default=True,
        help="Unit that the report speaks: metre, international-foot or us-survey-foot.",
    ),
)
point_options = grouped(
    click.option(
        "--classes", metavar="N,N,...", help="Point classes to measure on; all but noise if left out."
    ),
    click.option(
        "--sources",
        metavar="N,N,...",
        help="Point source ids (flight lines, passes) to measure on; all if left out.",
    ),
    click.option(
        "--returns",
        type=click.Choice(["all", "first", "last", "only"]),
        default="all",
        show_default=True,
        help="Returns to measure on.",
    ),
)
mark_options = grouped(
    click.option(
        "--search-radius",
        metavar="LENGTH",
        help="How far from its place a mark is looked for: the worst horizontal error. [default: 0.5 m]",
    ),
    click.option("--templates", type=FILE, help="Your own flat marks, drawn as polygons (TOML)."),
)
exclusion_options = grouped(
    click.option("--without", multiple=True, metavar="ID...", help="Set checkpoints aside; needs --reason."),
    click.option("--reason", help="Why checkpoints are set aside; the report prints it."),
)
report_options = grouped(
    click.option("--title", help="Title of the report."),
    click.option("--project", help="Project, for the report."),
    click.option("--prepared-by", help="Who tested, for the report."),
    click.option("--prepared-for", help="Who receives the report."),
    click.option("--date", help="Date of the statement, YYYY-MM-DD; left to the signature if not given."),
    click.option("--no-pdf", is_flag=True, help="Write no PDF."),
    click.option("--quiet", is_flag=True, help="Show no progress."),
)
