"""How suggested mistakes are put into words: sizes in the contract's unit, and the check to make."""

from __future__ import annotations

from dataclasses import dataclass

from accuracy.rounding import LengthText, fixed

CHECK_BY = {
    "feet_for_metres": "Find one height or distance that is known independently (a benchmark, a taped "
    "length) and compare it with the table and with the cloud; then declare the unit.",
    "survey_foot": "Look up which foot the projection and the data collector were set to; compute one "
    "control point's coordinates with both.",
    "axes_swapped": "Compare the heading of the table's columns with one control point whose easting and "
    "northing are published.",
    "wrong_zone": "Look up the zone in the data collector's job, and work out the site's longitude from one "
    "point.",
    "wrong_system": "Look up the coordinate system in the data collector's job, and name it with "
    "--checkpoints-crs (checkpoints.crs in a job file) if it is that one.",
    "leading_digits": "Compare one coordinate of the table with the full coordinate of the same control "
    "point.",
    "geographic": "Name the table's geographic system with --checkpoints-crs (checkpoints.crs in a job "
    "file), or export plane coordinates.",
    "ground_for_grid": "Ask whether the data collector was set to ground or to grid, and measure one long "
    "distance between two checkpoints with tape or total station.",
    "ellipsoidal_height": "Look up whether table and cloud carry ellipsoidal or orthometric heights, and "
    "compare the difference with the geoid height at the site.",
    "pole_height": "Look up the pole or instrument height in the field book and in the data collector, and "
    "level one of these points again.",
    "target_height": "Measure the height of one target's centre above the ground, and look up which of the "
    "two the table holds.",
    "shift": "Occupy two or three of the checkpoints again with an independent set-up; check the base "
    "station's coordinates, the lever arm and the antenna heights.",
    "tilt": "Level between the two ends of the site; check the control points at either end and the "
    "rig's boresight calibration.",
    "scale": "Measure one long distance between two checkpoints with a total station, with the "
    "atmospheric correction set.",
    "rotation": "Check the azimuth or backsight that oriented the survey or the cloud, and whether true or "
    "grid north was used.",
    "mirrored": "Look at lettering, traffic signs or the driving side in the cloud; compare the scanner's "
    "axes with those that the processing assumed.",
    "ids_shuffled": "Compare the ids in the field sketch or photographs with those in the table, first for "
    "the points named.",
    "control_as_check": "Ask which points were used in processing; mark them with the role control and "
    "survey others in their place.",
    "duplicate_points": "Delete one of each pair, or average the occupations, so that no point counts twice.",
    "one_bad_point": "Occupy the point again, and look at its photograph and at the cloud around it for a "
    "car, a kerb or a moved mark.",
    "clock_slip": "Compare the scanner's time stamps with the trajectory's clock at a sharp turn or at a "
    "start from standstill.",
    "leap_second": "Look up whether the scanner's times are in UTC or in GPS time.",
    "time_zone": "Look up the time zone that the logger was set to.",
    "week_rollover": "Look up the receiver's firmware and the date that it wrote.",
}
"""The field or office check that would confirm each kind."""


@dataclass(frozen=True, slots=True)
class Speech:
    """Sizes and counts in words."""

    text: LengthText

    def length(self, length_m: float, *, signed: bool = False) -> str:
        """A length with its unit: small ones as residuals, from a metre on as distances."""
        if abs(length_m) < 0.9995:
            return f"{self.text.small(length_m, signed=signed)} {self.text.small_symbol}"
        plus = "+" if signed and length_m > 0 else ""
        return f"{plus}{fixed(length_m / self.text.unit.metres, 3)} {self.text.unit.symbol}"

    def spread(self, length_m: float) -> str:
        """What is left, in the unit of residuals."""
        return f"{self.text.small(length_m)} {self.text.small_symbol}"

    def holds(self, kept: int, n: int, left_m: float) -> str:
        """How many points bear an explanation out, and how well."""
        return f"({kept} of {n} checkpoints, spread {self.spread(left_m)} after removal)"


MOST_NAMED = 6
"""More ids in a row are too many to read."""
