"""A contract's own limits, and the registry that every standard answers through; residuals invented."""

from __future__ import annotations

import numpy as np
import pytest

from accuracy.errors import RequestError
from accuracy.model import ClassRequest, ContractLimit, Outcome, Rule, RuleOutcome
from accuracy.standards import (
    STANDARDS,
    Evidence,
    RelativeAccuracy,
    grade,
    overall_outcome,
    rules,
    side_by_side,
)
from evidence_cases import evidence, spread

# --------------------------------------------------------------------------- contract


def one_limit(**fields):
    """A request for one contract limit."""
    return ClassRequest(
        standard="contract", limits=(ContractLimit(**{"name": "kerb height", "stratum": "open", **fields}),)
    )


@pytest.mark.parametrize(
    ("fields", "tested_m", "outcome"),
    [
        ({"statistic": "rmse_m", "limit_m": 0.021}, 0.02, Outcome.MET),
        ({"statistic": "rmse_with_survey_m", "limit_m": 0.0205}, 0.0206155, Outcome.NOT_MET),
        ({"statistic": "mean_m", "limit_m": 0.004}, 0.005, Outcome.NOT_MET),
        ({"statistic": "largest_absolute_m", "limit_m": 0.024}, 0.0243649, Outcome.NOT_MET),
        ({"statistic": "absolute_quantile_95_m", "limit_m": 0.03}, 0.0243649, Outcome.MET),
        (
            {"statistic": "standard_deviation_m", "limit_m": 0.02, "stratum": "vegetated"},
            None,
            Outcome.NOT_GRADED,
        ),
        ({"statistic": "rmse_m", "limit_m": 0.02, "stratum": "horizontal"}, None, Outcome.NOT_GRADED),
        ({"statistic": "rmse_m", "limit_m": 0.021, "least_checkpoints": 40}, 0.02, Outcome.MET),
        ({"statistic": "rmse_m", "limit_m": 0.021, "least_checkpoints": 41}, 0.02, Outcome.NOT_GRADED),
        ({"statistic": "rmse_m", "limit_m": 0.019, "least_checkpoints": 41}, 0.02, Outcome.NOT_MET),
        ({"statistic": "share_within", "within_m": 0.02, "least_share": 0.5}, 0.0143649, Outcome.MET),
        ({"statistic": "share_within", "within_m": 0.02, "least_share": 0.51}, 0.0243649, Outcome.NOT_MET),
        ({"statistic": "rmse_m", "limit_m": 0.021, "where": {"side": "north"}}, None, Outcome.NOT_GRADED),
    ],
)
def test_contract_limits(fields, tested_m, outcome):
    """Any statistic of any stratum; a mean of -5 mm is held by its size; what is missing never passes."""
    # Mean -5 mm, RMSE 20 mm: half at -24.36, half at +14.36 mm.
    half = (0.02**2 - 0.005**2) ** 0.5
    (verdict,) = grade(evidence([-0.005 + s for s in spread(half, 40)]), one_limit(**fields))
    assert verdict.outcome is outcome
    assert verdict.tested_m == (None if tested_m is None else pytest.approx(tested_m, abs=1e-7))
    assert verdict.class_name == "kerb height"


def test_contract_thin_evidence():
    """Two checkpoints meet no limit."""
    (verdict,) = grade(evidence([0.0, 0.0]), one_limit(statistic="rmse_m", limit_m=1.0))
    assert verdict.outcome is Outcome.NOT_GRADED


@pytest.mark.parametrize(
    ("share", "n", "least"), [(0.95, 20, 19), (0.95, 40, 38), (0.9, 10, 9), (0.55, 100, 55)]
)
def test_contract_share_is_exact(share, n, least):
    """0.55 of 100 is 55, though a machine makes it a little more and would ask for 56."""
    request = one_limit(statistic="share_within", within_m=0.03, least_share=share)
    for inside, outcome in ((least, Outcome.MET), (least - 1, Outcome.NOT_MET)):
        (verdict,) = grade(
            evidence([*np.linspace(0.01, 0.03, inside), *np.linspace(0.031, 0.05, n - inside)]), request
        )
        assert verdict.outcome is outcome
        assert f"at least {least} must" in verdict.why


def test_contract_axes_and_relative():
    """Eastings alone, and the cloud against itself."""
    seen = evidence(
        across=(spread(0.01, 5), spread(0.05, 5)),
        relative=RelativeAccuracy(places=5, swath_to_swath_rmsd_m=0.02),
    )
    request = ClassRequest(
        standard="contract",
        limits=(
            ContractLimit(name="E", stratum="easting", statistic="rmse_m", limit_m=0.02),
            ContractLimit(name="N", stratum="northing", statistic="largest_absolute_m", limit_m=0.02),
            ContractLimit(name="R", stratum="relative", statistic="swath_to_swath_rmsd_m", limit_m=0.02),
        ),
    )
    assert [v.outcome for v in grade(seen, request)] == [Outcome.MET, Outcome.NOT_MET, Outcome.MET]


def test_contract_part_of_the_checkpoints():
    """A limit on a part finds that part's figures among the subsets."""
    north = evidence(spread(0.05, 8), subset={"side": "north"})
    seen = evidence(spread(0.01, 30), subsets=(north,))
    (verdict,) = grade(seen, one_limit(statistic="rmse_m", limit_m=0.03, where={"side": "north"}))
    assert verdict.tested_m == pytest.approx(0.05)
    assert verdict.outcome is Outcome.NOT_MET


@pytest.mark.parametrize(
    ("sentence", "limit_m", "statement"),
    [
        ("{name}: {value} {unit} at {n} points.", 0.03, "kerb height: 2.00 cm at 20 points."),
        ("{name}: {value} {unit} at {n} points.", 0.01, None),
        ("RMSE {value}, limit {limit} {unit}: {outcome}.", 0.01, "RMSE 2.00, limit 1 cm: not met."),
    ],
)
def test_contract_sentence(sentence, limit_m, statement):
    """The contract's sentence is printed where the limit is met, or where it names the outcome itself."""
    request = one_limit(statistic="rmse_m", limit_m=limit_m, sentence=sentence)
    (verdict,) = grade(evidence(spread(0.02, 20)), request)
    assert verdict.statement == statement


@pytest.mark.parametrize(
    ("fields", "match"),
    [
        ({"statistic": "skewness", "limit_m": 1.0}, 'statistic "skewness" does not exist for open'),
        ({"statistic": "rmse_easting_m", "limit_m": 1.0}, "does not exist for open"),
        ({"statistic": "rmse_interval_95_m", "limit_m": 1.0}, "does not exist for open"),
        ({"statistic": "rmse_m", "limit_m": 1.0, "stratum": "kerb"}, 'stratum "kerb" is not known'),
        ({"statistic": "rmse_m"}, "needs limit_m"),
        ({"statistic": "rmse_m", "limit_m": -0.1}, "needs limit_m"),
        ({"statistic": "rmse_m", "limit_m": float("nan")}, "needs limit_m"),
        ({"statistic": "share_within", "least_share": 0.9}, "share_within needs within_m"),
        ({"statistic": "share_within", "within_m": 0.1, "least_share": 95.0}, "least_share is 95"),
        ({"statistic": "share_within", "within_m": 0.1}, "least_share is None"),
        ({"statistic": "rmse_m", "limit_m": 1.0, "sentence": "{rmse} cm"}, r"sentence holds \{rmse\}"),
        ({"statistic": "rmse_m", "limit_m": 1.0, "sentence": "{n.__class__}"}, "sentence holds"),
    ],
)
def test_contract_faults(fields, match):
    """A limit that cannot be evaluated is refused by name before anything is graded."""
    with pytest.raises(RequestError, match=match) as caught:
        grade(evidence([0.0] * 5), one_limit(**fields))
    assert caught.value.place == 'contract limit "kerb height"'
    assert caught.value.remedy


# --------------------------------------------------------------------------- registry


@pytest.mark.parametrize(
    ("request_", "match"),
    [
        (ClassRequest(standard="iso"), 'standard "iso" is not known'),
        (ClassRequest(vertical_m=0.0), "--class is 0"),
        (ClassRequest(vertical_m=-0.05), "--class is -0.05"),
        (ClassRequest(vertical_m=float("nan")), "--class is nan"),
        (
            ClassRequest(class_name="QL2"),
            "--class-name means nothing to asprs-2024. It takes --class, --horizontal-class",
        ),
        (ClassRequest(standard="usgs-lidar", class_name="QL9"), 'class "QL9" is not one of usgs-lidar'),
        (
            ClassRequest(standard="usgs-lidar", vertical_m=0.1),
            "--class means nothing to usgs-lidar. It takes --class-name:",
        ),
        (ClassRequest(standard="asprs-2014", three_d_m=0.1), "--three-d-class means nothing to asprs-2014"),
        (ClassRequest(standard="nmas", map_scale=0), "map_scale in a job file is 0"),
    ],
)
def test_requests_that_mean_nothing(request_, match):
    """A class that a standard would ignore is refused rather than passed over in silence."""
    with pytest.raises(RequestError, match=match):
        grade(evidence([0.0] * 5), request_)


def test_side_by_side():
    """Every standard answers in the registry's order; those without a request grade nothing."""
    seen = evidence(spread(0.01, 30), spread(0.02, 30), across=(spread(0.01, 30), spread(0.01, 30)))
    verdicts = side_by_side(seen, [ClassRequest(standard="nssda", vertical_m=0.05)])
    assert list(dict.fromkeys(v.standard for v in verdicts)) == [
        key for key in STANDARDS if key != "contract"
    ]
    assert [v.standard for v in verdicts if v.outcome is Outcome.MET] == ["nssda"]
    assert all(v.outcome is Outcome.NOT_GRADED for v in verdicts if v.class_m is None)


@pytest.mark.parametrize(
    ("vertical_m", "horizontal_m", "outcome"),
    [
        (None, None, None),
        (0.05, None, Outcome.MET),
        (0.05, 0.05, Outcome.NOT_GRADED),
        (0.005, 0.05, Outcome.NOT_MET),
    ],
)
def test_overall_outcome(vertical_m, horizontal_m, outcome):
    """Only what was asked for counts: one failure decides, then one open question."""
    verdicts = grade(
        evidence(spread(0.01, 30)), ClassRequest(vertical_m=vertical_m, horizontal_m=horizontal_m)
    )
    assert overall_outcome(verdicts) is outcome


@pytest.mark.parametrize(
    ("largest_m", "outcome"), [(None, Outcome.MET), (0.02, Outcome.MET), (0.2, Outcome.NOT_MET)]
)
def test_overall_outcome_with_relative_accuracy(largest_m, outcome):
    """The cloud against itself can fail the class, but not measuring it holds nobody up."""
    relative = RelativeAccuracy(
        places=9, within_swath_max_m=largest_m, swath_to_swath_rmsd_m=0.01, swath_to_swath_max_m=0.01
    )
    verdicts = grade(evidence(spread(0.01, 30), relative=relative), ClassRequest(vertical_m=0.05))
    assert overall_outcome(verdicts) is outcome


def test_no_accuracy_rule_no_pass():
    """Rules that are all met do not make a verdict where no accuracy was held against a limit."""
    met = Rule(
        name="any",
        source="",
        value=1.0,
        limit=1.0,
        unit="count",
        outcome=RuleOutcome.MET,
        words="",
        decisive=True,
    )
    assert rules.conclude(40, "", (), (met,), asked=True)[0] is Outcome.NOT_GRADED


@pytest.mark.parametrize("key", list(STANDARDS))
def test_empty_evidence_never_passes(key):
    """With nothing measured every standard says so, whatever was asked for."""
    asked = {
        "vertical_m": 1e9,
        "horizontal_m": 1e9,
        "three_d_m": 1e9,
        "class_name": "QL3",
        "map_scale": 1e9,
        "contour_interval_m": 1e9,
        "limits": (ContractLimit(name="any", statistic="rmse_m", stratum="open", limit_m=1e9),),
    }
    takes = {name: asked[name] for name in STANDARDS[key].takes}
    verdicts = grade(Evidence(), ClassRequest(standard=key, **takes))
    assert verdicts
    for verdict in verdicts:
        assert verdict.outcome is Outcome.NOT_GRADED
        assert verdict.why.startswith("Not measured: ")
        assert verdict.tested_m is verdict.statement is None
    assert overall_outcome(verdicts) is Outcome.NOT_GRADED
