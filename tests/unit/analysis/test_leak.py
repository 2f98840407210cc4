"""Check verdicts and what they rest on: margins by hand, own leak, drift, short and odd records."""

import math
import warnings
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import scipy.stats

from rig.analysis.hold import DropLimit, HoldConditions, HoldCurve, HoldResult, OwnLeak
from rig.analysis.judging import Look
from rig.analysis.leak import analyse_hold
from rig.records import Outcome
from tests.benchmarks.common import conditions_of, curve_of, limit_of
from tests.support.curve_maker import Scenario, Stated, make
from tests.support.leak_curves import two_leaks
from tests.support.leaks import INHG_PA, SEA_LEVEL_PA, STD_CC_MIN, Gauge, Leak, leak_with_drop
from tests.support.sensors import Sensor
from tests.support.settlings import Exponential

GAUGE = Gauge()
LIMIT = limit_of(GAUGE)
MEASURING = replace(LIMIT, max_drop_pa=None)
LIMIT_M3_S = leak_with_drop("orifice", GAUGE.max_drop_pa, 0.5).standard_flow(GAUGE.from_vacuum_pa)
VOLUME_M3 = 75e-6
TEMPERATURE_K = 293.15
PLAIN = HoldConditions(101_325.0, TEMPERATURE_K, VOLUME_M3, 0.75e-6)
RANDOM = ("random", "settling")
"""Sources that a longer hold averages out; all others stay."""


def codes(result: HoldResult) -> list[str]:
    """Name the reasons of a result."""
    return [reason.code for reason in result.reasons]


def held(multiple: float, law: str = "orifice", hold_s: float = 60.0, **changes: object):
    """Make a hold of a leak by its drop over the limit's, with 600 Pa of settling."""
    scenario = Scenario(
        stated=Stated(),
        true_volume_m3=VOLUME_M3,
        leak=leak_with_drop(law, multiple * GAUGE.max_drop_pa, 0.45),
        settlings=(Exponential(600.0, 1.2),),
        start_vacuum_pa=15.5 * INHG_PA,
        sensor=Sensor(50.0, 8.0, 2.0),
        hold_s=hold_s,
        seed=5,
    )
    scenario = replace(scenario, stated=Stated(volume_m3=VOLUME_M3, volume_u_m3=0.75e-6))
    return make(replace(scenario, **changes))


def judged(made, limit: DropLimit = LIMIT, conditions: HoldConditions | None = None, **asked):
    """Analyse a made curve under what its head states."""
    return analyse_hold(curve_of(made), conditions or conditions_of(made), limit, **asked)


def plain_record(pressure_pa: np.ndarray, rate_hz: float = 50.0) -> HoldCurve:
    """Make a record of evenly spaced samples."""
    return HoldCurve(np.arange(pressure_pa.size) / rate_hz, pressure_pa)


NEAR = held(0.9)
"""A leak a little under the limit: its verdict hangs on how much is allowed for."""


@cache
def plainly(multiple: float) -> HoldResult:
    """Analyse the plain hold of a leak of this size, once for all tests that look at it."""
    return judged(NEAR if multiple == 0.9 else held(multiple))


def split(result: HoldResult) -> tuple[float, float, float]:
    """Get margin, random and fixed part of the drop's uncertainty [Pa]."""
    drop = result.equivalent_drop
    assert drop is not None
    random = math.sqrt(sum(drop.sources[name] ** 2 for name in RANDOM))
    fixed = math.sqrt(sum(u * u for name, u in drop.sources.items() if name not in RANDOM))
    return GAUGE.max_drop_pa - drop.value, random, fixed


def test_only_the_random_part_is_spent_on_looks() -> None:
    """A look passes while the margin exceeds z of the fixed and its own z of the random part.

    In quadrature: margin^2 = (1.645 fixed)^2 + (z random)^2 gives the z at which it must turn.
    """
    margin, random, fixed = split(plainly(0.9))
    turning = math.sqrt(margin**2 - (1.644854 * fixed) ** 2) / random
    assert turning > 2.0
    assert judged(NEAR, look=Look(0.98 * turning)).outcome is Outcome.PASS
    late = judged(NEAR, look=Look(1.02 * turning))
    assert late.outcome is Outcome.UNDECIDED
    assert codes(late)[0] == "too_close"


def test_a_single_look_asks_for_the_confidence() -> None:
    """With volume uncertainty to spoil it, a verdict turns where the probability crosses 95 %."""
    margin, random, fixed = split(plainly(0.9))
    leak_share = math.sqrt((margin / 1.644854) ** 2 - random**2 - fixed**2)
    drop_pa = GAUGE.max_drop_pa - margin
    # Volume enters the drop nearly in proportion: 0.98 for a leak near the limit.
    relative = leak_share / drop_pa
    surer = replace(conditions_of(NEAR), volume_u_m3=0.85 * relative * VOLUME_M3)
    less = replace(conditions_of(NEAR), volume_u_m3=1.2 * relative * VOLUME_M3)
    passed, close = judged(NEAR, conditions=surer), judged(NEAR, conditions=less)
    assert passed.outcome is Outcome.PASS
    assert passed.probability_of_conformity >= 0.95
    assert close.outcome is Outcome.UNDECIDED
    assert 0.5 < close.probability_of_conformity < 0.95
    assert "fixed_uncertainty_blocks" in codes(close)
    (blocks,) = [r for r in close.reasons if r.code == "fixed_uncertainty_blocks"]
    assert blocks.figures["largest_source"] == "volume"


@pytest.mark.parametrize("multiple", [0.0, 0.6, 0.9, 2.0])
def test_the_probability_is_that_of_a_normal_drop(multiple: float) -> None:
    """P(drop <= limit) from value and u of the drop (JCGM 106, clause 7)."""
    result = plainly(multiple)
    drop = result.equivalent_drop
    assert drop is not None
    expected = scipy.stats.norm.cdf((GAUGE.max_drop_pa - drop.value) / drop.u)
    assert result.probability_of_conformity == pytest.approx(expected, abs=1e-9)


def test_a_surer_purpose_is_harder_to_satisfy() -> None:
    """What passes at 95 % by little is too close to call at 99 %; what is clear passes both."""
    result = plainly(0.9)
    margin, _, fixed = split(result)
    wanted_u = margin / 2.0
    grown = math.sqrt(wanted_u**2 - fixed**2) / (GAUGE.max_drop_pa - margin)
    between = replace(conditions_of(NEAR), span_u=grown)
    for confidence, outcome in ((0.95, Outcome.PASS), (0.99, Outcome.UNDECIDED)):
        limit = replace(LIMIT, confidence=confidence)
        assert judged(NEAR, limit, between).outcome is outcome
    surer = replace(LIMIT, confidence=0.99)
    assert judged(held(0.3), surer).outcome is Outcome.PASS
    assert judged(held(3.0), surer).outcome is Outcome.FAIL


def test_an_inclusive_limit_is_met_at_it() -> None:
    """A drop of exactly the limit has an even chance, and is neither passed nor failed."""
    result = plainly(0.9)
    assert result.equivalent_drop is not None
    at = replace(LIMIT, max_drop_pa=result.equivalent_drop.value)
    again = judged(NEAR, at)
    assert again.outcome is Outcome.UNDECIDED
    assert again.probability_of_conformity == pytest.approx(0.5, abs=1e-6)


def test_just_measuring_gives_no_verdict() -> None:
    """Without a bound: the same leak and drop, no probability, no dial, the figures as reason."""
    judging, measuring = plainly(0.6), judged(held(0.6), MEASURING)
    assert measuring.outcome is Outcome.MEASURED
    assert measuring.probability_of_conformity is None
    assert measuring.dial_outcome is None
    assert measuring.reasons[0].code == "measured"
    assert measuring.leak is not None
    assert judging.leak is not None
    assert measuring.leak.value == pytest.approx(judging.leak.value, rel=1e-9)
    assert measuring.reasons[0].figures["leak_m3_s"] == measuring.leak.value
    assert judged(held(0.0), MEASURING).reasons[0].code == "not_told_from_zero"


def test_the_vacuum_at_both_ends_is_told() -> None:
    """Start, end and the drop a dial would show are those of the record."""
    made, result = held(0.6), plainly(0.6)

    def level(at_s: float) -> float:
        return float(np.median(made.pressure_pa[np.abs(made.t_s - at_s) <= 0.2]))

    ambient = made.stated.ambient_pa
    # Within the quarter second that is read, 600 Pa of settling moves by 110 Pa.
    assert result.start_vacuum_pa == pytest.approx(ambient - level(0.1), abs=60.0)
    assert result.end_vacuum_pa == pytest.approx(ambient - level(59.9), abs=20.0)
    assert result.observed_drop_pa == pytest.approx(level(20.0) - level(0.1), abs=60.0)
    assert (result.hold_start_s, result.hold_end_s) == (0.0, made.t_s[-1])
    assert result.decided_at_s is None
    assert result.limit is LIMIT


def test_a_dial_cannot_read_a_time_that_was_not_held() -> None:
    """A hold of 15 s has no drop in 20 s: none is made up."""
    result = judged(held(0.3, hold_s=15.0))
    assert result.observed_drop_pa is None
    assert result.dial_outcome is None


OWN = leak_with_drop("laminar", 0.2 * INHG_PA)
PART = leak_with_drop("orifice", 0.5 * INHG_PA, 0.45)
NO_LEAK = Leak("none", 0.0)
OWN_M3_S, PART_M3_S = (leak.standard_flow(GAUGE.from_vacuum_pa) for leak in (OWN, PART))
RIG_M3 = 25e-6
TIGHTLY_KNOWN = HoldConditions(
    SEA_LEVEL_PA, TEMPERATURE_K, VOLUME_M3, 1e-3 * VOLUME_M3, 10.0, 0.05, 1e-3
)


def with_own_leak(own: OwnLeak | None) -> HoldResult:
    """Analyse part and rig together; the rig's settling of 400 Pa is diluted by the part."""
    t, p = two_leaks(OWN, PART, VOLUME_M3, 400.0 * RIG_M3 / VOLUME_M3, seed=2)
    return analyse_hold(HoldCurve(t, p), replace(TIGHTLY_KNOWN, own_leak=own), LIMIT)


def blank_off(until_s: float) -> OwnLeak:
    """Record the rig alone: its rise as pressure times its own volume, since the last stroke."""
    t, p = two_leaks(OWN, NO_LEAK, RIG_M3, 400.0, seed=1, hold_s=until_s)
    return OwnLeak(OWN_M3_S, 0.02 * OWN_M3_S, t, (p - p[0]) * RIG_M3)


def off_by_u(result: HoldResult) -> float:
    """Compute the error of the part's leak in its own standard uncertainties."""
    assert result.leak is not None
    return abs(result.leak.value - PART_M3_S) / result.leak.u


def test_without_a_blank_off_the_rig_counts_as_the_part() -> None:
    """The rig's own leak of a fifth of the limit is then all in the result: a check of the next."""
    leak = with_own_leak(None).leak
    assert leak is not None
    assert leak.value == pytest.approx(PART_M3_S + OWN_M3_S, rel=0.03)


def test_the_rigs_own_leak_is_subtracted_as_a_flow() -> None:
    """The part's leak is right within 3 u, and the flow's uncertainty is in u under its name."""
    result = with_own_leak(OwnLeak(OWN_M3_S, 0.02 * OWN_M3_S))
    assert off_by_u(result) < 3.0
    assert result.leak is not None
    assert result.leak.value == pytest.approx(PART_M3_S, rel=0.05)
    assert result.leak.sources["own_leak"] == pytest.approx(0.02 * OWN_M3_S)


def test_the_rigs_own_leak_is_subtracted_as_a_curve() -> None:
    """The curve takes the rig's settling along: within 3 u, 2 %, and next to no settling left."""
    result = with_own_leak(blank_off(60.0))
    assert off_by_u(result) < 3.0
    assert result.leak is not None
    assert result.leak.value == pytest.approx(PART_M3_S, rel=0.02)
    assert result.settling is not None
    assert abs(result.settling.rise_pa) < 30.0


def test_a_short_blank_off_goes_on_with_its_flow() -> None:
    """A rig leaks on after its blank-off of 20 s ended: within 3 u and 5 % over a minute."""
    result = with_own_leak(blank_off(20.0))
    assert off_by_u(result) < 3.0
    assert result.leak is not None
    assert result.leak.value == pytest.approx(PART_M3_S, rel=0.05)


@pytest.mark.parametrize(("share", "spoils"), [(0.25, False), (0.4, True), (0.6, True)])
def test_a_leaky_rig_cannot_judge(share: float, spoils: bool) -> None:
    """An own leak over a third of the limit's flow spoils the test; the share is told."""
    made = held(0.8)
    own = OwnLeak(share * LIMIT_M3_S, 0.01 * LIMIT_M3_S)
    result = judged(made, conditions=replace(conditions_of(made), own_leak=own))
    assert (result.outcome is Outcome.INVALID) is spoils
    if spoils:
        assert codes(result) == ["own_leak_too_large"]
        assert result.reasons[0].figures["share"] == pytest.approx(share, rel=0.05)
        assert result.leak is None


def test_a_leaky_rig_may_still_measure() -> None:
    """Without a limit there is no share of it: the part's leak is measured all the same."""
    made = held(1.5)
    own = OwnLeak(0.6 * LIMIT_M3_S, 0.01 * LIMIT_M3_S)
    result = judged(made, MEASURING, replace(conditions_of(made), own_leak=own))
    assert result.outcome is Outcome.MEASURED
    assert result.leak is not None
    true = made.truth.leak_std_cc_min / STD_CC_MIN - 0.6 * LIMIT_M3_S
    assert abs(result.leak.value - true) < 3.0 * result.leak.u + 0.03 * true


def test_a_moving_room_spoils() -> None:
    """A barometer that moved by 1 kPa in the hold: no verdict, no leak, and the reason said."""
    made = held(0.3)
    barometer = made.stated.ambient_pa + 1000.0 * np.clip((made.t_s - 20.0) / 10.0, 0.0, 1.0)
    curve = replace(curve_of(made), ambient_pa=barometer)
    result = analyse_hold(curve, conditions_of(made), LIMIT)
    assert (result.outcome, codes(result)) == (Outcome.INVALID, ["ambient_moved"])
    assert (result.leak, result.equivalent_drop, result.settling) == (None, None, None)
    assert result.probability_of_conformity is None


def test_a_pressure_that_falls_on_spoils() -> None:
    """Something that still draws hides as much of a leak: no pass for a fall of half a limit."""
    falling = 50_000.0 - 50.0 * np.arange(3000) / 50.0
    falling += np.random.default_rng(1).normal(0.0, 8.0, 3000)
    for limit in (LIMIT, MEASURING):
        result = analyse_hold(plain_record(falling), PLAIN, limit)
        assert result.outcome is Outcome.INVALID


def test_no_pass_rests_on_a_leak_below_zero() -> None:
    """A leak of two limits that stops at 40 s looks like anything: the part is not called good."""
    t = np.arange(0.0, 60.0, 0.02)
    p = 50_000.0 - 400.0 * np.expm1(-t / 1.5) + 204.0 * np.minimum(t, 40.0)
    p += np.random.default_rng(2).normal(0.0, 8.0, t.size)
    assert analyse_hold(HoldCurve(t, p), PLAIN, LIMIT).outcome is not Outcome.PASS


@pytest.mark.parametrize(("hold_s", "multiple"), [(3.0, 3.0), (5.0, 0.3), (7.5, 3.0)])
def test_no_verdict_before_eight_seconds(hold_s: float, multiple: float) -> None:
    """However clear it looks, settling is not told from leak that early."""
    result = judged(held(multiple, hold_s=hold_s))
    assert result.outcome in {Outcome.UNDECIDED, Outcome.INVALID}


@pytest.mark.parametrize("hold_s", [10.0, 20.0])
def test_a_short_hold_may_convict_a_bad_part(hold_s: float) -> None:
    """Five limits stand out of 600 Pa of settling in ten seconds."""
    assert judged(held(5.0, hold_s=hold_s)).outcome is Outcome.FAIL


def test_a_slow_settling_waits_to_be_identified() -> None:
    """Half a limit's rise with a time constant of 40 s is neither leak nor settling in 20 s."""
    slow = held(0.0, hold_s=20.0, settlings=(Exponential(4500.0, 40.0),))
    result = judged(slow)
    assert result.outcome is not Outcome.FAIL
    assert judged(held(0.0, settlings=(Exponential(300.0, 3.0),))).outcome is Outcome.PASS


def test_twenty_samples_are_the_least() -> None:
    """Nineteen samples say nothing whatever they span; twenty over a minute may."""
    rng = np.random.default_rng(3)
    for count, enough in ((19, False), (20, True)):
        p = 50_000.0 + rng.normal(0.0, 8.0, count)
        curve = HoldCurve(np.linspace(0.0, 60.0, count), p)
        result = analyse_hold(curve, PLAIN, LIMIT)
        assert (result.outcome is Outcome.INVALID) is not enough
        if not enough:
            assert codes(result) == ["too_few_samples"]


@pytest.mark.parametrize("rate_hz", [1.0, 5.0])
def test_a_slow_recorder_serves_too(rate_hz: float) -> None:
    """A data logger at one sample a second judges a tight part and a bad one over a minute."""
    for multiple, outcome in ((0.0, Outcome.PASS), (3.0, Outcome.FAIL)):
        made = held(multiple, sensor=Sensor(rate_hz, 8.0, 2.0))
        assert judged(made).outcome is outcome


SPAN_S = np.arange(0.0, 60.0, 0.02)
NOISE_PA = np.random.default_rng(9).normal(0.0, 5.0, SPAN_S.size)
START_PA = 101_325.0 - 15.3 * INHG_PA
ODD_RECORDS = {
    "constant at nothing": (SPAN_S, 0.0 * SPAN_S),
    "constant at 47 kPa": (SPAN_S, 0.0 * SPAN_S + 47_000.0),
    "constant at ambient": (SPAN_S, 0.0 * SPAN_S + 101_325.0),
    "a dead sensor's noise": (SPAN_S, np.maximum(NOISE_PA, 0.0)),
    "no samples": (np.empty(0), np.empty(0)),
    "one sample": (np.zeros(1), np.full(1, 5e4)),
    "two samples alike": (np.array([0.0, 1.0]), np.full(2, 5e4)),
    "61 samples in 0.06 s": (1e-3 * np.arange(61), START_PA + NOISE_PA[:61]),
    "30 samples alike": (1.0 * np.arange(30), np.full(30, START_PA)),
    "noise of the whole vacuum": (SPAN_S, np.abs(START_PA + 4000.0 * NOISE_PA)),
    "the pull alone": (SPAN_S, 101_325.0 - 15.3 * INHG_PA * SPAN_S / 60.0 + NOISE_PA),
    "a pull that ends the record": (
        SPAN_S,
        101_325.0 - 15.3 * INHG_PA * np.clip(SPAN_S - 58.5, 0.0, 1.0) + NOISE_PA,
    ),
    "up and down in squares": (SPAN_S, START_PA + 2000.0 * (SPAN_S // 5 % 2) + NOISE_PA),
    "a slow swing": (SPAN_S, START_PA + 2000.0 * np.sin(SPAN_S / 3.0) + NOISE_PA),
    "steps of 1 kPa, never crossed": (SPAN_S, np.round((START_PA + NOISE_PA) / 1e3) * 1e3),
    "hose off in the last moment": (
        SPAN_S,
        np.where(SPAN_S > 59.9, 101_325.0, START_PA) + NOISE_PA,
    ),
}


@pytest.mark.parametrize("name", list(ODD_RECORDS))
@pytest.mark.parametrize("limit", [LIMIT, MEASURING], ids=["judging", "measuring"])
def test_an_odd_record_gets_no_verdict(name: str, limit: DropLimit) -> None:
    """Nothing of it tells of a part: spoiled or undecided with a reason, and no false figure.

    Never an exception and never a warning.
    """
    time_s, pressure_pa = ODD_RECORDS[name]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        result = analyse_hold(HoldCurve(time_s, pressure_pa), PLAIN, limit)
    assert result.outcome not in {Outcome.PASS, Outcome.FAIL}
    assert result.reasons
    if result.outcome is Outcome.MEASURED:
        # The truth is no leak, or none that can be told: what is stated may not stand out of its u.
        assert result.leak is not None
        assert abs(result.leak.value) < 5.0 * result.leak.u or "poor_fit" in codes(result)


@pytest.mark.parametrize(
    ("name", "leak_pa_s"),
    [("coarse", 30.0), ("coarse", 0.0), ("noiseless", 5.0), ("noiseless", 20.0), ("line", 50.0)],
)
def test_a_poor_record_is_judged_within_its_means(name: str, leak_pa_s: float) -> None:
    """Steps of 400 Pa, or no noise at all: leaks of a fraction of the limit pass, right within 3 u.

    102 Pa/s in this volume is the limit's slope.
    """
    settled = 0.0 if name == "line" else -600.0 * np.expm1(-SPAN_S / 1.5)
    p = START_PA + leak_pa_s * SPAN_S + settled
    if name == "coarse":
        p = np.round((p + 4.0 * NOISE_PA) / 400.0) * 400.0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        result = analyse_hold(HoldCurve(SPAN_S, p), PLAIN, LIMIT)
    assert result.outcome is Outcome.PASS
    assert result.leak is not None
    flow = leak_pa_s * VOLUME_M3 / (1.185 * 288.0 * TEMPERATURE_K)
    # A straight line is no leak's course: what it is at 15 inHg is its slope within 3 %.
    assert abs(result.leak.value - flow) < 3.0 * result.leak.u + 0.03 * flow


@pytest.mark.parametrize("shift_s", [-50.0, 1e5, 1.7e9])
def test_the_clock_may_start_anywhere(shift_s: float) -> None:
    """Only differences of time matter, be it a clock of the year or one that starts before zero."""
    made = held(0.3)
    moved = HoldCurve(made.t_s + shift_s, made.pressure_pa)
    result = analyse_hold(moved, conditions_of(made), LIMIT)
    plain = plainly(0.3)
    assert result.outcome is plain.outcome
    assert result.leak is not None
    assert plain.leak is not None
    assert result.leak.value == pytest.approx(plain.leak.value, rel=1e-3, abs=0.1 * plain.leak.u)
    assert result.hold_start_s == pytest.approx(shift_s)


def test_nothing_is_changed_that_was_given() -> None:
    """The analysis reads its arrays and never writes them."""
    made = held(0.3)
    time_s, pressure_pa = made.t_s.copy(), made.pressure_pa.copy()
    time_s.flags.writeable = pressure_pa.flags.writeable = False
    own = OwnLeak(0.1 * LIMIT_M3_S, 0.01 * LIMIT_M3_S)
    temperature = np.full(time_s.size, 293.15)
    temperature.flags.writeable = False
    curve = HoldCurve(time_s, pressure_pa, temperature, None)
    analyse_hold(curve, replace(conditions_of(made), own_leak=own), LIMIT)
    np.testing.assert_array_equal(pressure_pa, made.pressure_pa)


def test_the_same_record_gives_the_same_result() -> None:
    """No randomness: twice the same words, and numbers that differ by rounding at most."""
    first, second = plainly(0.9), judged(NEAR)
    assert codes(first) == codes(second)
    assert (first.outcome, first.leak_kind) == (second.outcome, second.leak_kind)
    assert first.leak is not None
    assert second.leak is not None
    assert first.leak.value == pytest.approx(second.leak.value, rel=1e-9)
    assert first.leak.u == pytest.approx(second.leak.u, rel=1e-9)
    assert [(c.law, c.settling) for c in first.candidates] == [
        (c.law, c.settling) for c in second.candidates
    ]
