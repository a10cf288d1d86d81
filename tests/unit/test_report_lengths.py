"""Sentences of the record in a contract's feet: every length, nothing else, with the digits it had."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape

import pytest

import chapter_cases
import report_cases
from accuracy.reporting import render, view
from accuracy.reporting.lengths import in_unit
from accuracy.units import LengthUnit

MINUS = "\N{MINUS SIGN}"


@pytest.mark.parametrize(
    ("said", "in_feet"),
    [
        # 1 m is 3.2808333... US survey feet (3937 / 1200).
        ("no points within 3.0 m of the checkpoint", "no points within 9.8 ftUS of the checkpoint"),
        ("no points within 3 m.", "no points within 9.8 ftUS."),
        ("100 to 200 m", "328 to 656 ftUS"),
        ("0 to 100 m", "0 to 328 ftUS"),
        ("over 50 m", "over 164.0 ftUS"),
        ("up to 0.38 m (robust)", "up to 1.25 ftUS (robust)"),
        ("0 mm apart in plan, 12 mm in height", "0.000 ftUS apart in plan, 0.039 ftUS in height"),
        ("costs up to 0.4 mm", "costs up to 0.0013 ftUS"),
        (f"{MINUS}0.50 cm and +1.25 cm", f"{MINUS}0.0164 ftUS and +0.0410 ftUS"),
        ("+2.54 mm per m, then flat", "+0.00254 ftUS per ftUS, then flat"),
        ("3.0 mm per 100 m", "0.0030 ftUS per 100 ftUS"),
        # 1.2 mm / 304.8006 mm x 1.609344 (international mile, exact)
        (
            "+1.2 mm per km/h, or 0.9 to 1.5 mm per km/h",
            "+0.0063 ftUS per mph, or 0.0048 to 0.0079 ftUS per mph",
        ),
        ("+0.4 to +2.2 mm per m", "+0.0004 to +0.0022 ftUS per ftUS"),
        # 12 / 1.609344 = 7.456, 5 / 1.609344 = 3.107, 10 / 1.609344 = 6.214
        ("at 12 km/h", "at 7.5 mph (12 km/h)"),
        ("5 to 10 km/h", "3.1 to 6.2 mph (5 to 10 km/h)"),
        ("100 km/h and over", "62.1 mph (100 km/h) and over"),
        ("B (7.5 mph, 12 km/h) at 7.5 mph (12 km/h), 3.1 to 6.2 mph (5 to 10 km/h)", None),
        ("1,234.5 m and 2 km", "4,050.2 ftUS and 6562 ftUS"),
        ("5 m/s, 40 points per m2, 3 ms, 5 min, 2 m\N{SUPERSCRIPT TWO}", None),
        ("P12, 7 points; row 14, column m", None),
        ('its column "easting 5 m" and run mast 5 m', None),
        ("0.0164 ftUS", None),
    ],
)
def test_lengths_and_nothing_else(said: str, in_feet: str | None) -> None:
    """Each length is converted with the digits it was known to; other numbers and names stay."""
    found = in_unit(said, LengthUnit.US_SURVEY_FOOT, keep=("mast 5 m",))
    assert found == (said if in_feet is None else in_feet)
    assert in_unit(said, LengthUnit.METRE) == said


def test_the_international_foot_is_another() -> None:
    """0.3048 m exactly: a kilometre and a half differs in the third decimal."""
    said = "1500.000 m"
    assert in_unit(said, LengthUnit.INTERNATIONAL_FOOT) == "4921.260 ft"
    assert in_unit(said, LengthUnit.US_SURVEY_FOOT) == "4921.250 ftUS"


def metric_words(html: str) -> set[str]:
    """What a reader would see of metric lengths, in text and in drawings."""
    shown = re.sub(r"<style.*?</style>|<script.*?</script>", " ", html, flags=re.DOTALL)
    return set(
        re.findall(r"[\d.]+ (?:mm|cm|m)\b(?![/\w])|\((?:mm|cm|m)\)", unescape(re.sub(r"<[^>]*>", " ", shown)))
    )


def test_a_report_in_feet_is_in_feet_throughout() -> None:
    """Every chapter, table, chart, remark and setting of a report in feet speaks of feet alone."""

    def whole(unit: LengthUnit) -> str:
        result, series, _ = chapter_cases.everything(report_cases.make(horizontal=True, unit=unit))
        return render.html_text(view.build(result, series=series))

    assert len(metric_words(whole(LengthUnit.METRE))) > 10
    assert metric_words(whole(LengthUnit.US_SURVEY_FOOT)) == set()


def test_a_report_in_feet_speaks_of_miles_per_hour() -> None:
    """Axes and bands of speed; the km/h of the record stand in brackets."""
    made = report_cases.make(horizontal=True, unit=LengthUnit.US_SURVEY_FOOT)
    run = replace(made.run, attributes={"speed_km_per_h": "12", "direction": "eastbound"})
    result, series, _ = chapter_cases.everything(replace(made, run=run))
    said = unescape(re.sub(r"<[^>]*>", " ", render.html_text(view.build(result, series=series))))
    assert "Speed (mph)" in said
    assert "Speed (km/h)" not in said
    assert "6.2 to 9.3 mph (10 to 15 km/h)" in said
    assert "12-east, 7.5 mph (12 km/h), direction eastbound" in said
