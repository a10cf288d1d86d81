"""Plan -> plan.pdf, plan.html, places.csv and places.geojson. Beside render, whose style it shares.

The sheet is one A4 page: it is set in smaller steps until it fits, and the long lists are in the
files beside it.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_left
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from accuracy import __version__
from accuracy.files import write_atomically, written_together
from accuracy.model import Component, Cover
from accuracy.planning.plan import ComponentPlan, Plan, PlannedRun
from accuracy.planning.wording import percent, wish
from accuracy.reporting import svg, words
from accuracy.reporting.plan_files import places_csv, places_geojson
from accuracy.reporting.plan_map import plan_map
from accuracy.reporting.render import Written, fill
from accuracy.rounding import LengthText, fixed, speed, speeds
from accuracy.standards import STANDARDS
from accuracy.units import LengthUnit

HTML_NAME, PDF_NAME = "plan.html", "plan.pdf"
CSV_NAME, GEOJSON_NAME = "places.csv", "places.geojson"
_SIZES = ((7.9, 1.0), (7.5, 0.92), (7.1, 0.84), (6.7, 0.76), (6.3, 0.68), (5.9, 0.6))
"""Letters in points, and the map's share of its full height; the first that fits one page is taken."""
_MAP_WIDE, _MAP_BESIDE = 250.0, 330.0
_MOST_RUNS = 12
_MOST_ROWS = 7
_MOST_REMARKS = 7
_LONGEST_TITLE = 70
CAUTIONS = (
    "Work beside traffic follows the local traffic-control rules; no place here is worth a risk: move it.",
    "The plan supports, and does not replace, the judgement of the licensed professional who signs.",
    "Local law and the contract decide which standard binds.",
    "The chances hold for normal errors without bias, and for what is driven and tested here only.",
)


@dataclass(frozen=True, slots=True)
class Fact:
    """A label and what it says."""

    label: str
    text: str


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table: its name and its cells."""

    name: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetView:
    """Everything the sheet prints, as text."""

    title: str
    headline: str
    facts: tuple[Fact, ...]
    map_svg: str
    map_wide: bool
    map_note: str
    count_heads: tuple[str, ...]
    counts: tuple[Row, ...]
    conclusions: tuple[str, ...]
    chance_heads: tuple[str, ...]
    chances: tuple[Row, ...]
    survey: tuple[str, ...]
    runs: tuple[Row, ...]
    runs_note: str
    checklist: tuple[str, ...]
    cautions: tuple[str, ...]
    remarks: tuple[str, ...]
    software: str


def sheet_view(plan: Plan, map_share: float = 1.0) -> SheetView:
    """The plan's figures as the sheet's words."""
    full = _MAP_WIDE if plan.length_m is not None else _MAP_BESIDE
    drawn = plan_map(plan, full * map_share)
    text = LengthText(plan.asked.unit)
    heads = [f"{c.demand.figure} pass / fail, %" for c in plan.components]
    notes = []
    if drawn.strips > 1:
        notes.append(f"Cut into {drawn.strips} strips, each turned to lie across; mind the north arrows.")
    elif drawn.wide:
        notes.append("Turned to lie across the page.")
    if drawn.unlabelled:
        notes.append(f"{_of(drawn.unlabelled, 'id')} had no room; the files beside this sheet have all.")
    remarks = plan.remarks[:_MOST_REMARKS]
    if len(plan.remarks) > _MOST_REMARKS:
        remarks = (*remarks, f"And {len(plan.remarks) - _MOST_REMARKS} more of less weight.")
    runs, runs_note = _runs(plan)
    return SheetView(
        title=svg.shorten(plan.asked.title, _LONGEST_TITLE),
        headline=_headline(plan, text),
        facts=_facts(plan, text),
        map_svg=drawn.svg,
        map_wide=drawn.wide,
        map_note=" ".join(notes),
        count_heads=("Stratum", "Extent", "Checkpoints", "Marks", *heads),
        counts=_counts(plan),
        conclusions=tuple(_conclusion(c, text, plan.asked.wished) for c in plan.components),
        chance_heads=("Chance in %, checkpoints:", *(str(row.n) for row in plan.components[0].table)),
        chances=tuple(row for c in plan.components for row in _chances(c)),
        survey=_survey(plan, text),
        runs=runs,
        runs_note=runs_note,
        checklist=_checklist(plan, text),
        cautions=CAUTIONS,
        remarks=remarks,
        software=f"accuracy-reporter {__version__}",
    )


def _headline(plan: Plan, text: LengthText) -> str:
    parts = [f"{_of(len(plan.places), 'checkpoint')}"]
    if plan.survey.occupations is not None:
        parts[0] += f", each occupied {_times(plan.survey.occupations)}"
    unit = text.small_symbol
    parts += [
        f"{c.demand.figure}: a run at {text.small(c.expected_m)} {unit} passes in {percent(c.good_passes)} "
        f"of cases, one at {text.small(c.bad_m)} {unit} fails in {percent(c.bad_fails)}"
        for c in plan.components
    ]
    return ". ".join(parts) + "."


def _short(chance: float) -> str:
    """A chance in percent for a table's cell."""
    return percent(chance).removesuffix(" %").replace("over ", ">").replace("under ", "<")


def _of(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _times(number: int) -> str:
    return {1: "once", 2: "twice", 3: "three times"}.get(number, f"{number} times")


def _facts(plan: Plan, text: LengthText) -> tuple[Fact, ...]:
    asked = plan.asked
    classes = ", ".join(
        f"{text.class_value(c.demand.class_m)} {text.small_symbol} {c.demand.figure}" for c in plan.components
    )
    facts = [Fact("Class", classes), Fact("Standard", STANDARDS[asked.request.standard].title)]
    if plan.length_m is not None:
        gap = "" if plan.widest_gap_m is None else f"; longest gap {_ground(plan, plan.widest_gap_m)}"
        facts.append(Fact("Corridor", f"{_ground(plan, plan.length_m)}{gap}"))
    elif plan.area_m2 is not None:
        facts.append(Fact("Area", _square(plan.area_m2)))
    facts.append(Fact("System", plan.system_words))
    if asked.spacing is not None:
        rule = asked.spacing
        own = f": {_ground(plan, rule.most_m)}" if rule.name == "own" else ""
        facts.append(Fact("Spacing", f"{rule.words[0].upper()}{rule.words[1:]}{own}"))
    if asked.correlation_length_m is not None:
        facts.append(Fact("Correlation", f"errors shared over {_ground(plan, asked.correlation_length_m)}"))
    return tuple(facts)


def _ground(plan: Plan, length_m: float) -> str:
    text = LengthText(plan.asked.unit)
    return f"{text.large(length_m, 0 if length_m >= 100 else 1)} {text.unit.symbol}"


def _square(area_m2: float) -> str:
    return f"{area_m2 / 1e6:,.2f} km\u00b2" if area_m2 >= 1e5 else f"{area_m2:,.0f} m\u00b2"


def _counts(plan: Plan) -> tuple[Row, ...]:
    rows = []
    for s in plan.strata[:_MOST_ROWS]:
        extent = _ground(plan, s.extent) if plan.length_m is not None else _square(s.extent)
        chances = [f"{_short(good)} / {_short(bad)}" for good, bad in s.chances]
        if s.cover is Cover.VEGETATED:
            chances = ["own rule"] * len(plan.components)
        rows.append(Row(s.name, (extent, str(s.placed), str(s.marked), *chances)))
    if len(plan.strata) > _MOST_ROWS:
        left = plan.strata[_MOST_ROWS:]
        blank = ("",) * len(plan.components)
        rows.append(
            Row(
                f"{len(left)} other strata",
                ("", str(sum(s.placed for s in left)), str(sum(s.marked for s in left)), *blank),
            )
        )
    if len(plan.strata) > 1:
        whole = [f"{_short(c.good_passes)} / {_short(c.bad_fails)}" for c in plan.components]
        marked = sum(p.marked for p in plan.places)
        rows.append(Row("all that is graded", ("", str(plan.components[0].n), str(marked), *whole)))
    return tuple(rows)


def _conclusion(c: ComponentPlan, text: LengthText, wished: float) -> str:
    unit = text.small_symbol
    per = "" if c.demand.component is Component.VERTICAL else " per axis"
    twice = (
        " twice, for the standard adds it to residuals that hold it already" if c.demand.survey_added else ""
    )
    said = (
        f"{c.demand.figure}: a run at {text.small(c.expected_m)} {unit} would be tested at about "
        f"{text.small(c.likely_m)} {unit}: the survey's {text.small(c.survey_m)} {unit}{per} "
        f"counts{twice}."
    )
    if c.number_for_good is not None and c.number_for_bad is not None:
        said += (
            f" For a chance of {wish(wished)} it takes {_of(c.number_for_good, 'checkpoint')} to let it "
            f"pass and {c.number_for_bad} to stop a run at {text.small(c.bad_m)} {unit}."
        )
    if c.worth < c.n - 0.5:
        said += f" The {c.n} checkpoints are worth {fixed(c.worth, 0)} independent ones."
    return said


def _chances(c: ComponentPlan) -> tuple[Row, Row]:
    return (
        Row(f"{c.demand.figure}: good run passes", tuple(_short(row.good_passes) for row in c.table)),
        Row(f"{c.demand.figure}: bad run fails", tuple(_short(row.bad_fails) for row in c.table)),
    )


def _survey(plan: Plan, text: LengthText) -> tuple[str, ...]:
    unit, survey = text.small_symbol, plan.survey
    said = []
    for c in plan.components:
        limit = c.demand.survey_limit_m
        per = "" if c.demand.component is Component.VERTICAL else " per axis"
        rule = (
            "the standard asks for a source of higher accuracy and names no number"
            if limit is None
            else f"at most {text.small(limit)} {unit}{per} by the standard "
            f"({c.demand.survey_times} times more accurate)"
        )
        worst = (
            ""
            if c.worst_survey_m is None
            else f"; the expected run still passes as wished up to {text.small(c.worst_survey_m)} {unit}{per}"
        )
        said.append(f"{c.demand.figure}: {rule}{worst}.")
    for one, reached, what in (
        (survey.height, survey.height_m, "Heights"),
        (survey.horizontal, survey.horizontal_m, "Horizontal, per axis"),
    ):
        if one is not None and reached is not None:
            said.append(
                f"{what}: {text.small(one.single_m)} {unit} in one occupation and {text.small(one.common_m)} "
                f"{unit} that all share give {text.small(reached)} {unit} after {survey.occupations}: "
                "\u221a(shared\u00b2 + single\u00b2/occupations)."
            )
    often = 2 if survey.occupations is None else survey.occupations
    said.append(
        f"Occupy each point {_times(often)}, independently: set up afresh, hours apart for GNSS, so that the "
        "satellites differ. Hidden sky is surveyed by total station from points under open sky."
    )
    return tuple(said)


def _runs(plan: Plan) -> tuple[tuple[Row, ...], str]:
    runs, unit = plan.runs, plan.asked.unit
    if not runs:
        return (), ""
    minutes = [run.minutes for run in runs if run.minutes is not None]
    if len(runs) <= _MOST_RUNS:
        rows = tuple(
            Row(f"{r.order}", (speed(r.speed_km_per_h, unit), r.direction, _minutes(r.minutes))) for r in runs
        )
    else:
        rounds = sorted({r.repeat for r in runs})
        rows = tuple(_round(k, [r for r in runs if r.repeat == k], unit) for k in rounds[:_MOST_RUNS])
        if len(rounds) > _MOST_RUNS:
            rows += (Row(f"to {rounds[-1]}", ("and so on", "", "")),)
    note = f"{_of(len(runs), 'run')}"
    if minutes:
        note += f", {fixed(sum(minutes), 0)} min of driving without turns and stops"
    passes = [1 - len(runs) * (1 - c.good_passes) for c in plan.components]
    together = int(100 * max(0.0, min(passes)))
    note += f". The chance that all pass if all are as good as expected: at least {together} %"
    note += " per class." if len(plan.components) > 1 else "."
    if len({run.speed_km_per_h for run in runs}) > 1 and plan.asked.repeats > 1:
        note += " Speeds climb and fall by turns, so that the hour of day does not go with the speed."
    return rows, note


def _minutes(minutes: float | None) -> str:
    return "" if minutes is None else f"{fixed(minutes, 1)} min"


def _round(number: int, runs: list[PlannedRun], unit: LengthUnit) -> Row:
    ways = {r.direction for r in runs}
    total = sum(r.minutes or 0.0 for r in runs)
    return Row(
        f"round {number}",
        (
            svg.shorten(speeds((r.speed_km_per_h for r in runs), unit), 40),
            "out and back at each" if len(ways) == 2 else next(iter(ways)),
            _minutes(total or None),
        ),
    )


def _checklist(plan: Plan, text: LengthText) -> tuple[str, ...]:
    asked = plan.asked
    edge = f"{text.large(asked.break_m, 1)} {text.unit.symbol}"
    said = [
        f"Hard, even ground; at most 10 % slope; {edge} or more from kerbs, walls and edges.",
        "Move a place along the verge where it is unsafe or unfit, and note why.",
        "No point that the processing uses as control.",
    ]
    if any(p.marked for p in plan.places):
        size = f"{text.large(asked.mark_size_m, 2)} {text.unit.symbol}"
        said.append(
            f"{asked.mark}, {size}, flat and fixed, centre on the point; sizes for other densities: "
            "examples/marks.md."
        )
    said += [
        "A photograph of each point, near and from afar.",
        "Heights and uncertainties go into places.csv, which is then the checkpoint table.",
    ]
    return tuple(said)


# --------------------------------------------------------------------------- files


def plan_html(plan: Plan, size_pt: float = _SIZES[0][0], map_share: float = 1.0) -> str:
    """The sheet as one HTML document without outside references."""
    return fill("plan.html.j2", view=sheet_view(plan, map_share), size=f"{size_pt:g}pt")


def _one_page(plan: Plan) -> tuple[str, bytes]:
    """The sheet in the largest setting that fits one page. Raises OSError where Pango is missing."""
    laid: dict[int, tuple[str, Any]] = {}

    def fits(step: int) -> bool:
        laid[step] = _set(plan, step)
        return len(laid[step][1].pages) == 1

    # The smallest setting is not tried but taken: there is no smaller one.
    last = len(_SIZES) - 1
    step = 0 if fits(0) else bisect_left(range(last), True, lo=1, key=fits)
    html, document = laid.get(step) or _set(plan, step)
    digest = hashlib.sha256(html.encode("utf-8", "surrogatepass")).hexdigest()[:32]
    data: bytes = document.write_pdf(pdf_variant="pdf/ua-1", pdf_identifier=digest.encode("ascii"))
    return html, data


def _set(plan: Plan, step: int) -> tuple[str, Any]:
    """The sheet in one of its settings: as HTML, and laid out on pages."""
    import weasyprint

    html = plan_html(plan, *_SIZES[step])
    fetcher = weasyprint.URLFetcher(allowed_protocols=["data"])
    return html, weasyprint.HTML(string=html, base_url=None, url_fetcher=fetcher).render(
        pdf_variant="pdf/ua-1"
    )


def write_plan(plan: Plan, out_dir: Path, *, pdf: bool = True) -> Written:
    """Write plan.pdf, plan.html, places.csv and places.geojson into ``out_dir``.

    Where the PDF cannot be made because Pango is missing, the rest is written and the message says
    how to get it; an older plan.pdf is removed where none is written. The same plan gives the same bytes.
    """
    html, data, message = plan_html(plan), None, None
    if pdf:
        try:
            html, data = _one_page(plan)
        except OSError as error:
            message = words.PDF_MISSING.format(error=str(error).splitlines()[0])
    contents = {
        HTML_NAME: html.encode("utf-8", "replace"),
        CSV_NAME: places_csv(plan),
        GEOJSON_NAME: places_geojson(plan),
    }
    if data is not None:
        contents = {PDF_NAME: data, **contents}
    ours = (PDF_NAME, HTML_NAME, CSV_NAME, GEOJSON_NAME)
    with written_together(out_dir, ours=ours.__contains__, last=HTML_NAME) as staging:
        for name, content in contents.items():
            write_atomically(staging / name, content)
    return Written(tuple(out_dir / name for name in contents), message)
