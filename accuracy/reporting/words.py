"""The report's fixed texts: what a flag, a reason, an outcome or a term says in plain words.

Sentences that depend on the numbers are made where the numbers are known; here stands what is
always the same, so that one page can be proofread for all reports.
"""

from __future__ import annotations

from collections.abc import Mapping

from accuracy.model import Component, Cover, Flag, Outcome, Reason, Role, RuleOutcome, SpeedDecision

COMPONENT: Mapping[Component, str] = {
    Component.VERTICAL: "Vertical",
    Component.HORIZONTAL: "Horizontal",
    Component.THREE_D: "Three-dimensional",
    Component.RELATIVE: "Relative",
    Component.CONTRACT: "Contract limit",
}

OUTCOME: Mapping[Outcome, str] = {
    Outcome.MET: "Met",
    Outcome.NOT_MET: "Not met",
    Outcome.NOT_GRADED: "Not graded",
}

RULE_OUTCOME: Mapping[RuleOutcome, str] = {
    RuleOutcome.MET: "Met",
    RuleOutcome.NOT_MET: "Not met",
    RuleOutcome.ADVISORY: "For judgement",
    RuleOutcome.NOT_APPLICABLE: "Does not apply",
    RuleOutcome.NOT_KNOWN: "Not known",
}

COVER: Mapping[Cover, str] = {Cover.OPEN: "open", Cover.VEGETATED: "vegetated"}

ROLE: Mapping[Role, str] = {Role.CHECK: "checkpoint", Role.CONTROL: "control point"}

FLAG: Mapping[Flag, str] = {
    Flag.SLOPE_OVER_10_PERCENT: "slope over 10 %",
    Flag.BREAK_WITHIN_3_M: "break within 3 m",
    Flag.SEVERAL_LAYERS: "several layers of points",
    Flag.PASSES_DISAGREE: "passes disagree",
    Flag.ESTIMATES_DISAGREE: "plane, triangles and nearest point disagree",
    Flag.SPARSE: "few points",
    Flag.ROUGH: "rough surface",
    Flag.CURVED: "curved surface",
    Flag.FAR_FROM_CHECKPOINT: "points lie to one side of the checkpoint",
    Flag.PARTLY_COVERED: "mark partly covered",
    Flag.WORN: "mark worn",
    Flag.OBSERVED_DISAGREES: "differs from the operator's observation",
    Flag.BLUNDER_CANDIDATE: "possible blunder, kept",
}

REASON: Mapping[Reason, str] = {
    Reason.CONTROL_POINT: "control point",
    Reason.EXCLUDED: "excluded",
    Reason.OUTSIDE_CLOUD: "outside the cloud",
    Reason.LEFT_OUT: "all points left out",
    Reason.TOO_FEW_POINTS: "too few points",
    Reason.COLLINEAR: "points lie on a line",
    Reason.OUTSIDE_HULL: "checkpoint outside its points",
    Reason.TOO_STEEP: "too steep",
    Reason.TOO_ROUGH: "too rough",
    Reason.EDGE: "an edge runs through",
    Reason.NO_SURFACE: "no surface",
    Reason.NO_MARK: "no mark",
    Reason.UNKNOWN_MARK: "mark not known",
    Reason.NO_CHANNEL: "no intensity or colour",
    Reason.NO_CONTRAST: "no contrast",
    Reason.NO_LOCK: "mark not found",
    Reason.NOT_UNIQUE: "more than one match",
    Reason.TOO_SPARSE: "points too sparse",
    Reason.PARTLY_COVERED: "mark covered",
    Reason.WRONG_SIZE: "wrong size",
    Reason.NO_FIT: "no fit",
    Reason.ONE_COMPONENT: "one component only",
}

METHOD: Mapping[str, str] = {
    "observed": "seen by an operator",
    "target": "flat target",
    "sphere": "sphere",
    "pole": "pole",
    "corner": "corner",
}

INPUT_ROLE: Mapping[str, str] = {
    "cloud": "Point cloud",
    "checkpoints": "Checkpoint table",
    "trajectory": "Trajectory",
    "reference": "Reference trajectory",
    "job": "Job file",
    "geoid": "Geoid model",
    "template": "Mark template",
    "result": "Earlier result",
}

HOW_MEASURED: tuple[tuple[str, str], ...] = (
    (
        "Sign",
        "A residual is the cloud minus the checkpoint. A positive height residual means that the cloud lies "
        "above the mark; a positive easting residual, that it lies to the east of it.",
    ),
    (
        "Height",
        "At each checkpoint the points around it are gathered, without those that the file marks as "
        "withheld or as noise. Where they form several layers (a parked vehicle, foliage, two passes that "
        "disagree) the layer nearest the checkpoint is taken. A plane, or a gently curved surface where the "
        "plane fits clearly worse, is fitted to them robustly, and its height at the checkpoint is compared "
        "with the surveyed height. The radius follows the density of the points. Where no scan lines "
        "are seen, as in clouds matched from images, errors that neighbouring points share are looked for "
        "over up to 1.5 m, and the stated uncertainty holds them. The result is held against a triangulation "
        "and against the nearest point.",
    ),
    (
        "Horizontal position",
        "A flat surface says nothing about horizontal error. It is measured only where something identifies "
        "the point: a flat target seen in the points' intensity or colour, a sphere, a pole, a corner, or "
        "coordinates that an operator observed in the cloud. Everywhere else it is not measured, and the "
        "report says so.",
    ),
    (
        "Uncertainty of a residual",
        "The standard uncertainty joins that of the fit with that of the survey, in quadrature. Where the "
        "survey states none, the fit stands alone.",
    ),
    (
        "Refusals",
        "No number is given where one would mean nothing: too few points, points on a line, a checkpoint "
        "outside its points, an edge through the patch, ground too steep or too rough. The table of "
        "residuals gives the reason. Lesser doubts are flagged there and the number kept.",
    ),
    (
        "Verdict",
        "The verdict is taken on unrounded figures. A printed figure never contradicts it: where rounding "
        "would, more digits are printed.",
    ),
)

DEFINITIONS: tuple[tuple[str, str], ...] = (
    ("Checkpoint", "A surveyed point that took no part in making the cloud."),
    ("Control point", "A surveyed point that was used to make the cloud. It cannot test it."),
    ("Mean", "The average residual, sign kept: what the cloud is off by as a whole."),
    (
        "Standard deviation",
        "The scatter of the residuals about their mean; the sum of squares divided by n \N{MINUS SIGN} 1.",
    ),
    ("RMSE", "Root mean square of the residuals, mean included; the sum of squares divided by n."),
    (
        "RMSE with survey",
        "The RMSE and the survey's own standard uncertainty, joined in quadrature. Residuals contain the "
        "survey's errors only by chance; the figure charges them to the cloud, as the standard asks.",
    ),
    (
        "95 % interval",
        "The range that holds the true RMSE in 95 of 100 such tests, if the residuals are independent and "
        "normal.",
    ),
    (
        "NMAD",
        "1.4826 times the median distance from the median: the scatter without the influence of outliers.",
    ),
    ("95 % quantile", "Nineteen of twenty residuals are no larger than this, sign aside."),
    ("NVA, VVA", "Vertical accuracy on open ground (non-vegetated), and in vegetation."),
    ("RMSE_H, RMSE_V, RMSE_3D", "The RMSE of the horizontal distance, of the height, and of both together."),
)

CAUTIONS: tuple[str, ...] = (
    "Field work beside traffic follows the local traffic-control rules.",
    "The verdict supports, and does not replace, the judgement of the licensed professional who signs.",
    "Local law and the contract decide which standard binds.",
    "The statement holds for the tested data, extent and date only.",
    "Checkpoints test the places where they stand. Between them the cloud is inferred, not measured.",
)


MISTAKE: Mapping[str, str] = {
    "feet_for_metres": "Feet taken for metres, or metres for feet",
    "survey_foot": "US survey foot taken for the international foot, or the reverse",
    "axes_swapped": "Easting and northing swapped",
    "wrong_zone": "Another zone of the projection",
    "wrong_system": "Another coordinate system",
    "leading_digits": "Leading digits of the coordinates left out",
    "geographic": "Latitude and longitude in place of plane coordinates",
    "ground_for_grid": "Ground distances taken for grid",
    "ellipsoidal_height": "Ellipsoidal heights taken for orthometric ones, or the reverse",
    "pole_height": "A wrong pole or antenna height",
    "target_height": "A target's height above the ground left out",
    "shift": "A constant shift",
    "tilt": "A tilt",
    "scale": "A scale error",
    "rotation": "A rotation",
    "mirrored": "A mirrored cloud",
    "ids_shuffled": "Checkpoint ids mixed up",
    "control_as_check": "Control points used as checkpoints",
    "duplicate_points": "The same point listed twice",
    "one_bad_point": "Single bad checkpoints",
    "clock_slip": "A slip of the clock between scanner and trajectory",
    "leap_second": "UTC taken for GPS time",
    "time_zone": "Times in another time zone",
    "week_rollover": "A GPS week that rolled over",
}


def mistake(kind: str) -> str:
    """A kind of mistake in words; one that has none here is at least read without its underscores."""
    said = MISTAKE.get(kind) or (kind.replace("_", " ") if " " not in kind else kind)
    return said[:1].upper() + said[1:]


NO_HORIZONTAL = (
    "Horizontal position was not measured: no checkpoint carries a mark that identifies it in the cloud, "
    "and no observed coordinates were given."
)

PDF_MISSING = (
    "report.pdf was not written: the PDF needs the Pango library, which this machine lacks ({error}). On "
    "Debian or Ubuntu: apt install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0. Then run the same "
    "command again. report.html holds the same pages and can be printed from a browser."
)


def decided(decision: SpeedDecision) -> str:
    """The component that a decision is about, and the kind of cloud where there are several."""
    return COMPONENT[decision.component] + (f", {decision.cloud}" if decision.cloud is not None else "")
