"""The options that several commands share. Before the command line; nothing is decided here."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

FILE = click.Path(path_type=Path)
# As in accuracy.reclassing, which is loaded by a recheck alone.
DROPPABLE = click.Choice(
    [
        "vertical",
        "horizontal",
        "3d",
        "class-name",
        "map-scale",
        "contour-interval",
        "limits",
        "other-standards",
    ]
)


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
    click.option("--decimal-mark", type=click.Choice([".", ","]), help="Where the table leaves it open."),
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
    click.option("--all-standards", is_flag=True, help="Show what the other standards find beside it."),
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
    click.option("--without", multiple=True, metavar="ID...", help="Set checkpoints aside: A B C or A,B,C."),
    click.option("--reason", help="Why they are set aside, which --without needs; the report prints it."),
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
plan_options = grouped(
    click.option(
        "--line", type=FILE, help="The corridor: GeoJSON line, table of vertices, or a driven trajectory."
    ),
    click.option("--area", type=FILE, help="The area instead: GeoJSON polygon."),
    click.option("--out", required=True, type=FILE, help="Folder for the sheet and the places."),
    click.option("--crs", help="Plane coordinate system of the plan: EPSG:25832."),
    click.option(
        "--standard", default="asprs-2024", show_default=True, help="asprs-2024, asprs-2014 or nssda."
    ),
    click.option("--class", "vertical_class", metavar="LENGTH", help='Vertical class: "5 cm".'),
    click.option("--horizontal-class", metavar="LENGTH", help="Horizontal class."),
    click.option("--three-d-class", metavar="LENGTH", help="Three-dimensional class."),
    click.option("--contract-unit", default="metre", show_default=True, help="Unit that the sheet speaks."),
    click.option("--expected", metavar="LENGTH", help="True vertical RMSE that the rig should reach."),
    click.option("--horizontal-expected", metavar="LENGTH", help="The same as RMSE_H, both axes together."),
    click.option(
        "--bad-times", type=float, default=1.25, show_default=True, help="A bad run's RMSE, in classes."
    ),
    click.option(
        "--chance",
        type=float,
        default=90,
        show_default=True,
        help="Percent in which a good run passes and a bad one fails.",
    ),
    click.option("--checkpoints", type=click.IntRange(min=1), help="Fix the number in open ground."),
    click.option(
        "--spacing",
        metavar="LENGTH|NAME",
        help="At most so far apart: a length, michigan, caltrans-a or caltrans-b.",
    ),
    click.option("--least-spacing", metavar="LENGTH", help="At least so far apart."),
    click.option(
        "--canopy",
        metavar="FILE|M-M,...",
        help="Open ground under hidden sky: polygons, or chainages 520-760.",
    ),
    click.option("--vegetation", metavar="FILE|M-M,...", help="Vegetated ground, the same way."),
    click.option(
        "--survey-sigma-height", metavar="LENGTH", help="Of one occupation; a bare number is in mm."
    ),
    click.option("--survey-common-height", metavar="LENGTH", help="The part all occupations share."),
    click.option("--survey-sigma-horizontal", metavar="LENGTH", help="Of one occupation, per axis."),
    click.option(
        "--survey-common-horizontal", metavar="LENGTH", help="The part all occupations share, per axis."
    ),
    click.option(
        "--correlation-length",
        metavar="LENGTH",
        help="Over which the rig's errors are shared along the drive.",
    ),
    click.option(
        "--verge", metavar="LENGTH", help="From the line to the places on either side; 3 m if left out."
    ),
    click.option("--break-distance", metavar="LENGTH", help="From kerbs and edges; 3 m if left out."),
    click.option("--mark-size", metavar="LENGTH", help="Of the quartered disc; 0.6 m if left out."),
    click.option("--speeds", metavar="KM/H,...", help="Speeds to test: 6,12,24."),
    click.option("--repeats", type=click.IntRange(min=1), default=1, show_default=True),
    click.option("--one-way", is_flag=True, help="Drive in one direction only."),
)
sign_options = grouped(
    click.option("--certificate", type=FILE, help="Your certificate with its private key (.p12 or .pfx)."),
    click.option(
        "--out", type=FILE, help="The signed copy; report-signed.pdf beside the report if left out."
    ),
    click.option("--reason", help="Why you sign, drawn and kept in the signature."),
    click.option("--place", help="Where you sign."),
    click.option("--licence", help="Your licence number, drawn in the signature block."),
    click.option(
        "--passphrase-file", type=FILE, help="Holds the certificate's passphrase in its first line."
    ),
    click.option("--add", is_flag=True, help="Add to the signatures that the report bears already."),
    click.option(
        "--verify", is_flag=True, help="Sign nothing; say who signed, and whether it was changed since."
    ),
    click.option("--trust", type=FILE, help="For --verify: certificates of the authorities you trust (PEM)."),
)
