"""Probabilities, verdicts and sequential bounds agree with published worked examples."""

import csv
import math
import re
from collections.abc import Callable
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from rig.analysis.verdict import (
    acceptance_limit,
    conformance_probability,
    global_risk,
    guard_band,
    required_z,
    sequential_bounds,
    specific_risk,
    spending_bound,
    verdict,
    worst,
    z_to_error,
)
from rig.records import Outcome

EXAMPLES_CSV = Path(__file__).parents[2] / "data" / "metrology" / "conformity_examples.csv"
EXAMPLES = {
    row["id"]: row for row in csv.DictReader(EXAMPLES_CSV.read_text(encoding="utf-8").splitlines())
}

GAMMA = stats.gamma(4, scale=0.25)


def gamma_consumer_risk(u: float, lower: float | None, upper: float, accept_upper: float) -> float:
    """Integrate the share accepted of what lies above the upper bound of a gamma process."""
    risk, _ = integrate.quad(
        lambda true: GAMMA.pdf(true) * conformance_probability(true, u, lower, accept_upper),
        upper,
        upper + 12.0 * u,
        epsabs=1e-13,
    )
    return float(risk)


def gamma_acceptance_limit() -> float:
    """Find where to accept so that one item in a thousand is accepted out of tolerance."""
    return float(
        optimize.brentq(
            lambda accept: gamma_consumer_risk(0.25, None, 2.0, accept) - 0.001,
            1.2,
            2.0,
            xtol=1e-13,
        )
    )


def guard_band_for(consumer: float) -> float:
    """Find the guard band that brings the consumer risk of the second process down to this."""
    return float(
        optimize.brentq(
            lambda width: (
                global_risk(9.5, 0.3, 0.1, 9.0, 10.0, guard_band_width=width).consumer - consumer
            ),
            0.0,
            0.3,
            xtol=1e-13,
        )
    )


def both(process_sd: float, u: float, guard_band_width: float = 0.0) -> tuple[float, float]:
    """Compute consumer and producer risk of a centred process in a tolerance of -1 to 1."""
    risk = global_risk(0.0, process_sd, u, -1.0, 1.0, guard_band_width=guard_band_width)
    return risk.consumer, risk.producer


IN_TOLERANCE_90_SD = 1.0 / 1.6448536269514722

# Each example's figures in the order printed; None leaves out a figure that nothing here computes.
COMPUTED: dict[str, Callable[[], tuple[float | None, ...]]] = {
    "K1": lambda: (
        integrate.quad(
            lambda true: GAMMA.pdf(true) * specific_risk(true, 0.0, None, 2.0), 2.0, 20.0
        )[0],
    ),
    "K2": lambda: (gamma_consumer_risk(0.25, None, 2.0, 2.0),),
    "K3": lambda: (2.0 - gamma_acceptance_limit(), gamma_acceptance_limit()),
    "S1": lambda: (specific_risk(9.8, 0.1, 9.0, 10.0),),
    "S2": lambda: (specific_risk(9.5, 0.3, 9.0, 10.0),),
    "G1": lambda: (
        global_risk(9.5, 0.3, 0.1, 9.0, 10.0).consumer,
        global_risk(9.5, 0.3, 0.1, 9.0, 10.0).producer,
    ),
    "G2": lambda: (guard_band_for(0.005),),
    "G3": lambda: (
        both(IN_TOLERANCE_90_SD, 1.0 / 6.0)[0],
        both(IN_TOLERANCE_90_SD, 1.0 / 6.0, 0.1)[0],
    ),
    "G4": lambda: (gamma_consumer_risk(0.1, 0.0, 1.75, 1.75),),
    # Here the ratio printed is that of the two standard deviations.
    "RP19_0.6": lambda: (both(1.0 / 2.0, 1.0 / 2.0 / 4.0)[0],),
    "D2": lambda: (both(1.0 / 2.5, 1.0 / 2.5 / 4.0)[0],),
    "D3": lambda: both(1.0 / 2.0, 1.0 / 2.0 / 2.0, 0.09),
    "CP1": lambda: (None, specific_risk(10.0, 0.4, 9.0, 11.0)),
    "CP2": lambda: (None, specific_risk(10.5, 0.4, 9.0, 11.0)),
    "CP3": lambda: (None, specific_risk(12.0, 0.4, 9.0, 11.0)),
    "GB1": lambda: (guard_band(0.05, 1.0 - 0.023),),
    "GB2": lambda: (guard_band(0.05, 0.95), guard_band(0.05, 0.95) / 0.10),
    "J1": lambda: (conformance_probability(-5.47, 0.05, None, -5.40),),
    "J2": lambda: (conformance_probability(509.7, 8.6, 490.0, None),),
    "J3": lambda: (conformance_probability(13.6, 1.8, 12.5, 16.3),),
    "T1_0.8": lambda: (required_z(0.8),),
    "T1_0.9": lambda: (required_z(0.9),),
    "T1_0.95": lambda: (required_z(0.95),),
    "T1_0.99": lambda: (required_z(0.99),),
    "T1_0.999": lambda: (required_z(0.999),),
}
# Printed as "about", or where a solver or a chart ended: one unit of the last place, not half.
COARSE = ("GB1", "GB2", "D2", "K3")


def test_every_published_example_is_computed() -> None:
    """No row of the table of examples goes without its computation here."""
    assert set(COMPUTED) == set(EXAMPLES)


@pytest.mark.parametrize("example_id", COMPUTED)
def test_published_example_is_met_to_its_last_digit(example_id: str) -> None:
    """Each worked example comes out as printed, within half of its last printed place."""
    printed = re.findall(r"-?\d+\.\d+", EXAMPLES[example_id]["value"])
    computed = COMPUTED[example_id]()
    assert len(printed) >= len(computed)

    for figure, text in zip(computed, printed, strict=False):
        if figure is not None:
            last_place = 10.0 ** -len(text.partition(".")[2])
            allowed = last_place if example_id in COARSE else 0.5 * last_place
            assert figure == pytest.approx(float(text), abs=allowed * 1.001, rel=0.0)


@settings(derandomize=True, max_examples=300)
@given(
    value=st.floats(-40.0, 40.0),
    u=st.floats(0.01, 20.0),
    lower=st.floats(-30.0, 0.0),
    width=st.floats(0.0, 30.0),
)
def test_conformance_probability_is_that_of_a_normal_distribution(
    value: float, u: float, lower: float, width: float
) -> None:
    """Two bounds, and either alone, agree with an independent normal distribution function."""
    upper = lower + width
    normal = stats.norm(value, u)

    two_sided = conformance_probability(value, u, lower, upper)
    assert two_sided == pytest.approx(normal.cdf(upper) - normal.cdf(lower), abs=2e-15)
    assert conformance_probability(value, u, None, upper) == pytest.approx(normal.cdf(upper), 1e-12)
    assert conformance_probability(value, u, lower, None) == pytest.approx(normal.sf(lower), 1e-12)


def test_small_probabilities_keep_their_digits() -> None:
    """A value far outside a narrow band has a small probability, not zero by cancellation."""
    between = stats.norm.sf(10.0) - stats.norm.sf(10.5)

    assert conformance_probability(0.0, 1.0, 10.0, 10.5) == pytest.approx(between, rel=1e-12)
    assert conformance_probability(0.0, 1.0, -10.5, -10.0) == pytest.approx(between, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "lower_inclusive", "upper_inclusive", "probability"),
    [
        (1.0, True, True, 1.0),
        (1.0, False, True, 0.0),
        (2.0, True, True, 1.0),
        (2.0, True, False, 0.0),
        (1.5, False, False, 1.0),
        (0.9, True, True, 0.0),
        (2.1, True, True, 0.0),
    ],
)
def test_without_uncertainty_the_wording_of_the_bound_decides(
    value: float, lower_inclusive: bool, upper_inclusive: bool, probability: float
) -> None:
    """At zero uncertainty a value on an inclusive bound conforms and on an exclusive one not."""
    assert (
        conformance_probability(
            value,
            0.0,
            1.0,
            2.0,
            lower_inclusive=lower_inclusive,
            upper_inclusive=upper_inclusive,
        )
        == probability
    )


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper"),
    [
        (1.0, 0.1, None, None),
        (1.0, -0.1, 0.0, None),
        (math.nan, 0.1, 0.0, None),
        (1.0, math.nan, 0.0, None),
        (1.0, 0.1, 2.0, 1.0),
    ],
)
def test_what_cannot_be_judged_is_refused(
    value: float, u: float, lower: float | None, upper: float | None
) -> None:
    """No bound, bounds out of order, or a number that is none, gives no probability."""
    with pytest.raises(ValueError, match=r"needs a bound|cannot judge"):
        conformance_probability(value, u, lower, upper)


@pytest.mark.parametrize("is_upper", [True, False])
def test_at_the_acceptance_limit_the_probability_is_the_one_asked_for(is_upper: bool) -> None:
    """A value on the acceptance limit of either bound conforms with 95 %, a pass by a hair."""
    limit = acceptance_limit(10.0, 0.3, 0.95, is_upper=is_upper)
    lower, upper = (None, 10.0) if is_upper else (10.0, None)

    assert limit == pytest.approx(10.0 + (-0.493456 if is_upper else 0.493456), abs=1e-6)
    assert conformance_probability(limit, 0.3, lower, upper) == pytest.approx(0.95, abs=1e-12)


@pytest.mark.parametrize(
    ("probability", "confidence", "outcome"),
    [
        (0.95, 0.95, Outcome.PASS),
        (0.9499, 0.95, Outcome.UNDECIDED),
        (0.0501, 0.95, Outcome.UNDECIDED),
        (0.05, 0.95, Outcome.FAIL),
        (0.97, 0.99, Outcome.UNDECIDED),
        (0.99, 0.99, Outcome.PASS),
        (0.01, 0.99, Outcome.FAIL),
        (0.0, None, Outcome.MEASURED),
        (1.0, None, Outcome.MEASURED),
    ],
)
def test_the_verdict_takes_evidence_either_way(
    probability: float, confidence: float | None, outcome: Outcome
) -> None:
    """Pass and fail need the confidence asked for; without one nothing is judged."""
    assert verdict(probability, confidence) is outcome


@pytest.mark.parametrize(
    ("probability", "confidence"), [(1.1, 0.95), (math.nan, None), (0.5, 0.5), (0.5, 1.0)]
)
def test_a_verdict_without_sense_is_refused(probability: float, confidence: float | None) -> None:
    """Neither a probability beyond 1 nor a confidence that decides everything is taken."""
    with pytest.raises(ValueError, match=r"probability|confidence"):
        verdict(probability, confidence)


def test_the_worst_outcome_is_taken() -> None:
    """A fail stands beside a spoiled test, and a pass needs a pass everywhere."""
    order = [
        Outcome.FAIL,
        Outcome.INVALID,
        Outcome.UNDECIDED,
        Outcome.NOT_TESTED,
        Outcome.MEASURED,
        Outcome.PASS,
    ]
    assert set(order) == set(Outcome)
    for worse, better in combinations(order, 2):
        assert worst([better, worse, better]) is worse
    assert worst([Outcome.PASS, Outcome.PASS]) is Outcome.PASS
    assert worst([]) is Outcome.NOT_TESTED


def test_one_sided_global_risk_agrees_with_the_bivariate_normal() -> None:
    """Accepted though above the bound is a quadrant of true and measured value together."""
    mean, sd, u, upper = 0.2, 0.5, 0.2, 1.0
    measured_sd = math.hypot(sd, u)
    together = stats.multivariate_normal(
        [mean, mean], [[sd**2, sd**2], [sd**2, measured_sd**2]], seed=1
    )
    risk = global_risk(mean, sd, u, None, upper)
    conforming_and_accepted = together.cdf([upper, upper])

    accepted = stats.norm.cdf(upper, mean, measured_sd)
    conforming = stats.norm.cdf(upper, mean, sd)
    assert risk.consumer == pytest.approx(accepted - conforming_and_accepted, abs=1e-8)
    assert risk.producer == pytest.approx(conforming - conforming_and_accepted, abs=1e-8)


@pytest.mark.parametrize(
    ("process_sd", "u", "lower", "upper", "width"),
    [
        (0.0, 0.1, 0.0, 1.0, 0.0),
        (0.1, 0.0, 0.0, 1.0, 0.0),
        (0.1, 0.1, None, None, 0.0),
        (0.1, 0.1, 0.0, 1.0, 0.6),
    ],
)
def test_a_global_risk_without_sense_is_refused(
    process_sd: float, u: float, lower: float | None, upper: float | None, width: float
) -> None:
    """No spread, no bound, or guard bands that overlap, gives no risk."""
    with pytest.raises(ValueError, match=r"needs two positive|cannot judge"):
        global_risk(0.5, process_sd, u, lower, upper, guard_band_width=width)


def test_the_error_of_a_bound_is_the_tail_above_it() -> None:
    """A bound and its error belong together far into the tail; a bound never met makes none."""
    for z in (-3.0, 0.0, 1.6448536, 4.877, 12.0):
        assert z_to_error(z) == pytest.approx(stats.norm.sf(z), rel=1e-12)
    assert z_to_error(math.inf) == 0.0


def test_error_is_spent_as_lan_and_demets_have_it() -> None:
    """Almost nothing early, the whole at the end, never less at a later look."""
    spent = [spending_bound(0.975, share) for share in (0.2, 0.4, 0.6, 0.8, 1.0)]

    quantile = stats.norm.isf(0.0125)
    shares = np.array([0.2, 0.4, 0.6, 0.8, 1.0])
    assert spent == pytest.approx(2.0 * stats.norm.sf(quantile / np.sqrt(shares)), rel=1e-12)
    assert spent[-1] == pytest.approx(0.025, rel=1e-12)


@pytest.mark.parametrize(("confidence", "share"), [(0.95, 0.0), (0.95, 1.1), (1.0, 0.5)])
def test_spending_outside_its_range_is_refused(confidence: float, share: float) -> None:
    """No information, more than all of it, or no error to spend, is a defect of the caller."""
    with pytest.raises(ValueError, match="out of range"):
        spending_bound(confidence, share)


def test_bounds_of_five_equal_looks_are_the_published_ones() -> None:
    """One-sided 0.025 over five equal looks: the published O'Brien-Fleming-type bounds."""
    bounds = sequential_bounds(0.025, [0.2, 0.4, 0.6, 0.8, 1.0])

    assert bounds == pytest.approx([4.877, 3.357, 2.680, 2.290, 2.031], abs=5e-4)


def test_one_look_needs_no_stricter_bound() -> None:
    """With a single look at the end the bound is the plain normal quantile."""
    assert sequential_bounds(0.05, [1.0]) == pytest.approx([stats.norm.isf(0.05)], abs=1e-10)


def test_two_looks_agree_with_the_bivariate_normal() -> None:
    """The chance of crossing at neither of two looks is one less the error spent."""
    share = 0.6
    bounds = sequential_bounds(0.05, [share, 1.0])
    correlation = math.sqrt(share)
    looks = stats.multivariate_normal([0, 0], [[1, correlation], [correlation, 1]], seed=1)

    assert looks.cdf(bounds) == pytest.approx(0.95, abs=1e-8)


def test_crossings_of_a_random_walk_spend_the_error_as_planned() -> None:
    """Simulated paths first cross at each of four unequal looks as often as was allotted."""
    shares = np.array([0.3, 0.45, 0.8, 1.0])
    bounds = sequential_bounds(0.05, list(shares))
    paths = 200_000
    steps = np.random.default_rng(20).standard_normal((paths, 4)) * np.sqrt(
        np.diff(shares, prepend=0)
    )
    beyond = np.cumsum(steps, axis=1) / np.sqrt(shares) > bounds
    crossed_by = np.maximum.accumulate(beyond, axis=1).mean(axis=0)

    planned = np.array([spending_bound(0.95, share) for share in shares])
    standard_error = np.sqrt(planned * (1.0 - planned) / paths)
    assert np.all(np.abs(crossed_by - planned) < 4.0 * standard_error)


def test_many_looks_end_stricter_than_one_and_start_without_any_decision() -> None:
    """Looking forty times costs something at the last look, and the earliest decides nothing."""
    bounds = sequential_bounds(0.05, [look / 40 for look in range(1, 41)])

    assert bounds[0] == math.inf
    assert np.all(np.diff(bounds[3:]) < 0.0)
    assert stats.norm.isf(0.05) < bounds[-1] < 2.0


@pytest.mark.parametrize(
    ("alpha", "shares"),
    [
        (0.05, []),
        (0.05, [0.5, 0.5]),
        (0.05, [0.6, 0.4]),
        (0.0, [1.0]),
        (0.5, [1.0]),
        (0.05, [0.5, 1.2]),
        (0.05, [0.0, 1.0]),
    ],
)
def test_looks_that_do_not_rise_are_refused(alpha: float, shares: list[float]) -> None:
    """Information only grows, up to all of it, and the error lies between 0 and a half."""
    with pytest.raises(ValueError, match=r"cannot spend|out of range"):
        sequential_bounds(alpha, shares)
