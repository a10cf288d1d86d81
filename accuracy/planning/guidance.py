"""What the standards and the mobile-mapping guidance ask before the field: cited figures only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from accuracy.errors import RequestError
from accuracy.model import ClassRequest, Component
from accuracy.standards import asprs_2014, asprs_2024, check_request, nssda

FOOT_M = 0.3048


@dataclass(frozen=True, slots=True, kw_only=True)
class SpacingRule:
    """How far apart checkpoints may lie along a corridor."""

    name: str
    most_m: float
    each_side: bool
    """Whether that is asked on each side of the road by itself."""
    words: str


# NCHRP Report 748 sets accuracy and density categories and leaves the spacing to the project, so it
# has no entry here.
SPACING_RULES: Mapping[str, SpacingRule] = {
    rule.name: rule
    for rule in (
        SpacingRule(
            name="michigan",
            # Design Survey Manual, ch. 9, for linear projects over half a mile; second-hand text.
            most_m=100 * FOOT_M,
            each_side=False,
            words="Michigan DOT Design Survey Manual, ch. 9: validation points at most 100 ft apart on "
            "linear projects over half a mile",
        ),
        SpacingRule(
            name="caltrans-a",
            # Surveys Manual, ch. 15 (2011), Type A; from memory, verify against the published text.
            most_m=500 * FOOT_M,
            each_side=True,
            words="Caltrans Surveys Manual, ch. 15, mobile Type A: validation points at most 500 ft apart "
            "on each side (from memory; verify)",
        ),
        SpacingRule(
            name="caltrans-b",
            # The same, Type B; from memory, verify against the published text.
            most_m=800 * FOOT_M,
            each_side=True,
            words="Caltrans Surveys Manual, ch. 15, mobile Type B: validation points at most 800 ft apart "
            "on each side (from memory; verify)",
        ),
    )
}
HALF_A_MILE_M = 804.672
"""From which on Michigan's rule speaks of a linear project; the international mile's half."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What a standard asks for one component of a class."""

    component: Component
    class_m: float
    limit_m: float
    """What the RMSE is held against."""
    axes: int
    least: int
    """Checkpoints that the standard asks for, in open terrain."""
    least_vegetated: int
    survey_times: int | None
    """How many times more accurate the survey must be; None where the standard names no number."""
    survey_added: bool
    each_axis: bool
    figure: str
    source: str

    @property
    def survey_limit_m(self) -> float | None:
        """The survey's largest uncertainty per axis; None where the standard names no number.

        A radial class of k axes leaves limit / sqrt(k) to each of them; a class per axis all of it.
        """
        if self.survey_times is None:
            return None
        share: float = 1.0 if self.each_axis else self.axes**0.5
        return self.limit_m / self.survey_times / share


def demands(request: ClassRequest, area_m2: float | None) -> tuple[Demand, ...]:
    """What the standard asks of each component that has a class.

    Raises RequestError for a standard that a plan cannot be made for, and where no class is given.
    """
    if request.standard not in _MAKERS:
        raise RequestError(
            f'no plan can be made for "{request.standard}"',
            remedy=f"Plan with one of {', '.join(_MAKERS)}; grade by the other as well after the field.",
        )
    check_request(request)
    asked = [
        (component, class_m)
        for component, class_m in (
            (Component.VERTICAL, request.vertical_m),
            (Component.HORIZONTAL, request.horizontal_m),
            (Component.THREE_D, request.three_d_m),
        )
        if class_m is not None
    ]
    if not asked:
        raise RequestError(
            "no class was asked for, so there is nothing to plan towards",
            remedy='Give --class, --horizontal-class or --three-d-class, such as --class "5 cm".',
        )
    return tuple(_MAKERS[request.standard](component, class_m, area_m2) for component, class_m in asked)


_AXES = {Component.VERTICAL: 1, Component.HORIZONTAL: 2, Component.THREE_D: 3}


def _edition_2(component: Component, class_m: float, area_m2: float | None) -> Demand:
    least = asprs_2024.checkpoints_required(area_m2)
    figures = {
        Component.VERTICAL: "RMSE_V",
        Component.HORIZONTAL: "RMSE_H",
        Component.THREE_D: "RMSE_3D",
    }
    return Demand(
        component=component,
        class_m=class_m,
        limit_m=class_m,
        axes=_AXES[component],
        least=least,
        least_vegetated=least,
        survey_times=asprs_2024.SURVEY_TIMES,
        survey_added=True,
        each_axis=False,
        figure=figures[component],
        source="ASPRS Ed. 2 (2024) 7.11 to 7.13, C.3",
    )


def _edition_1(component: Component, class_m: float, area_m2: float | None) -> Demand:
    required = asprs_2014.checkpoints_required(area_m2)
    vertical = component is Component.VERTICAL
    return Demand(
        component=component,
        class_m=class_m,
        limit_m=class_m,
        axes=_AXES[component],
        least=required.nva if vertical else required.horizontal,
        least_vegetated=required.vva,
        survey_times=asprs_2014.SURVEY_TIMES,
        survey_added=False,
        each_axis=not vertical,
        figure="RMSEz" if vertical else "RMSEx and RMSEy",
        source="ASPRS Ed. 1 (2014), Table C.1",
    )


def _nssda(component: Component, class_m: float, _area_m2: float | None) -> Demand:
    # The 95 % figures are multiples of the RMSE: FGDC-STD-007.3-1998, App. 3-A.
    vertical = component is Component.VERTICAL
    return Demand(
        component=component,
        class_m=class_m,
        limit_m=class_m / (nssda.VERTICAL_FACTOR if vertical else nssda.EQUAL_AXES_FACTOR),
        axes=_AXES[component],
        least=nssda.LEAST_CHECKPOINTS,
        least_vegetated=nssda.LEAST_CHECKPOINTS,
        # 3.2.1 asks for a source of higher accuracy and names no number.
        survey_times=None,
        survey_added=False,
        each_axis=False,
        figure="Accuracy_z" if vertical else "Accuracy_r",
        source="FGDC-STD-007.3-1998 3.2.2, App. 3-A",
    )


_MAKERS = {"asprs-2024": _edition_2, "asprs-2014": _edition_1, "nssda": _nssda}
PLANNED_STANDARDS = tuple(_MAKERS)
