"""Check the early decision: bounds that spend their error, and looks that agree with the whole.

How often it is wrong is counted in `tests/benchmarks`, over thousands of curves.
"""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from rig.analysis.hold import HoldConditions, HoldCurve
from rig.analysis.leak import analyse_hold
from rig.analysis.looks import decide_early, planned_looks
from rig.records import Outcome
from tests.benchmarks.common import conditions_of, curve_of, limit_of
from tests.support.curve_maker import Made, Scenario, Stated, draw, make
from tests.support.leaks import INHG_PA, Gauge, leak_with_drop
from tests.support.sensors import Sensor
from tests.support.settlings import Exponential

LIMIT = limit_of(Gauge())
LENGTHS_S = [10.0, 20.0, 60.0, 120.0]
DECIDED = {Outcome.PASS, Outcome.FAIL}


def held(multiple: float, hold_s: float = 60.0, **changes: object) -> Made:
    """Make a hold of a leak by its drop over the limit's in 75 cm3, with 300 Pa of settling."""
    scenario = Scenario(
        stated=Stated(volume_m3=75e-6, volume_u_m3=0.75e-6),
        true_volume_m3=75e-6,
        leak=leak_with_drop("orifice", multiple * Gauge().max_drop_pa, 0.45),
        settlings=(Exponential(300.0, 1.2),),
        start_vacuum_pa=15.5 * INHG_PA,
        sensor=Sensor(50.0, 8.0, 2.0),
        hold_s=hold_s,
        seed=7,
    )
    return make(replace(scenario, **changes))


@pytest.mark.parametrize("hold_s", LENGTHS_S)
@pytest.mark.parametrize("confidence", [0.95, 0.99])
def test_looks_rise_to_the_end_of_the_hold(hold_s: float, confidence: float) -> None:
    """The first is no earlier than 8 s, the last at the end, and each asks for less than before."""
    looks = planned_looks(hold_s, confidence)
    times = [planned.time_s for planned in looks]
    bounds = [planned.look.random_z for planned in looks]
    assert times[0] >= 8.0
    assert times[-1] == hold_s
    assert all(b > a for a, b in itertools.pairwise(times))
    assert None not in bounds
    assert all(b <= a for a, b in itertools.pairwise(bounds))
    assert np.all(np.isfinite(bounds))


@pytest.mark.parametrize("hold_s", LENGTHS_S)
@pytest.mark.parametrize("confidence", [0.95, 0.99])
def test_looking_often_is_paid_for(hold_s: float, confidence: float) -> None:
    """No look asks for less than a single look would, the last included."""
    single = float(norm.ppf(confidence))
    last = planned_looks(hold_s, confidence)[-1].look.random_z
    assert last is not None
    assert last >= single - 1e-9
    # The O'Brien-Fleming type of spending leaves nearly all of it to the last look.
    assert last < single + 0.25


@pytest.mark.parametrize("confidence", [0.95, 0.99])
def test_the_chance_of_crossing_is_what_may_be_spent(confidence: float) -> None:
    """A leak exactly at the limit crosses some bound in 1 - confidence of holds, or less.

    Brownian motion in the information about the slope, which grows with the square of the time,
    40 000 paths: the share is known to 0.1 %. Early bounds are capped, so a little less is spent.
    """
    looks = planned_looks(60.0, confidence)
    information = np.array([planned.time_s for planned in looks]) ** 2 / 60.0**2
    rng = np.random.default_rng(1)
    steps = rng.standard_normal((40_000, len(looks))) * np.sqrt(np.diff(information, prepend=0.0))
    z = np.cumsum(steps, axis=1) / np.sqrt(information)
    bounds = np.array([planned.look.random_z for planned in looks])
    crossed = float(np.mean(np.any(z >= bounds, axis=1)))
    assert crossed == pytest.approx(1.0 - confidence, abs=0.004)


@pytest.mark.parametrize(("multiple", "outcome"), [(0.0, "pass"), (0.3, "pass"), (4.0, "fail")])
def test_a_clear_case_is_decided_early(multiple: float, outcome: str) -> None:
    """Within 30 s instead of 60, at one of the planned looks, with the verdict of the whole hold.

    The result is that of what had been seen by then.
    """
    made = held(multiple)
    result = decide_early(curve_of(made), conditions_of(made), LIMIT)
    assert result.outcome == outcome
    assert result.decided_at_s is not None
    assert result.decided_at_s <= 30.0
    assert result.decided_at_s in {p.time_s for p in planned_looks(60.0, LIMIT.confidence)}
    assert result.hold_end_s <= result.decided_at_s + 0.02
    assert analyse_hold(curve_of(made), conditions_of(made), LIMIT).outcome == outcome


@pytest.mark.parametrize("family", ["true", "false"])
def test_an_early_decision_is_never_later_than_the_whole(family: str) -> None:
    """Of drawn holds, what is decided at a look ends within the record, and deciding is the rule.

    What one look decides, the look before it had left open.
    """
    decided = 0
    for index in range(3):
        made = make(draw(12, index, family, multiple=(3.0, 0.3)[index % 2], volume_cc=40.0))
        result = decide_early(curve_of(made), conditions_of(made), LIMIT)
        if result.decided_at_s is None:
            assert result.outcome is Outcome.UNDECIDED
            continue
        assert 8.0 <= result.decided_at_s <= 60.0
        decided += result.outcome in DECIDED
        earlier = [
            planned
            for planned in planned_looks(60.0, LIMIT.confidence)
            if planned.time_s < result.decided_at_s
        ]
        if earlier:
            seen = curve_of(made).until(earlier[-1].time_s)
            before = analyse_hold(seen, conditions_of(made), LIMIT, look=earlier[-1].look)
            assert before.outcome is Outcome.UNDECIDED
    assert decided >= 2


def test_what_stays_close_is_held_to_the_end() -> None:
    """At the limit itself nothing is decided early, nor at the end: no time of decision is set."""
    made = held(1.0)
    result = decide_early(curve_of(made), conditions_of(made), LIMIT)
    assert result.outcome is Outcome.UNDECIDED
    assert result.decided_at_s is None
    assert result.hold_end_s == pytest.approx(60.0, abs=0.05)


def test_a_spoiled_look_ends_it() -> None:
    """A vacuum that was never there is no reason to hold on."""
    time_s = np.arange(0.0, 60.0, 0.02)
    vented = np.random.default_rng(1).normal(101_325.0, 8.0, time_s.size)
    conditions = HoldConditions(101_325.0, 293.15, 75e-6, 0.75e-6)
    result = decide_early(HoldCurve(time_s, vented), conditions, LIMIT)
    assert result.outcome is Outcome.INVALID
    assert result.decided_at_s == 8.0


def test_what_happens_after_the_decision_is_not_seen() -> None:
    """A hose that comes off after the verdict does not take it back; before it, it spoils."""
    made = held(0.2)
    early = decide_early(curve_of(made), conditions_of(made), LIMIT)
    assert early.outcome is Outcome.PASS
    assert early.decided_at_s is not None
    for off_s, outcome in ((early.decided_at_s + 3.0, Outcome.PASS), (6.0, Outcome.INVALID)):
        off = made.t_s >= off_s
        p = np.where(off, made.stated.ambient_pa, made.pressure_pa)
        curve = HoldCurve(made.t_s, p)
        assert decide_early(curve, conditions_of(made), LIMIT).outcome is outcome


@pytest.mark.parametrize("disturbance", ["pull_down", "vented_after"])
def test_looks_count_from_the_last_stroke(disturbance: str) -> None:
    """With the pull in the record the same verdict comes as long after it; the vent is not seen."""
    drawn = draw(12, 4, "true", multiple=0.3, volume_cc=60.0)
    disturbed = draw(12, 4, "true", multiple=0.3, volume_cc=60.0, disturbance=disturbance)
    plain, made = make(drawn), make(disturbed)
    expected = decide_early(curve_of(plain), conditions_of(plain), LIMIT)
    got = decide_early(curve_of(made), conditions_of(made), LIMIT)
    assert got.outcome is expected.outcome is Outcome.PASS
    assert got.decided_at_s is not None
    assert expected.decided_at_s is not None
    assert got.decided_at_s <= 2.0 * expected.decided_at_s
    assert got.hold_start_s == pytest.approx(made.hold_start_s, abs=0.15)
    assert got.hold_end_s <= made.hold_start_s + got.decided_at_s + 0.15


def test_a_slow_recorder_waits_for_its_samples() -> None:
    """At one sample a second a look at 8 s sees too few: that is no spoiled test, one holds on."""
    made = held(0.0, sensor=Sensor(1.0, 8.0, 2.0))
    result = decide_early(curve_of(made), conditions_of(made), LIMIT)
    assert result.outcome is Outcome.PASS
    assert result.decided_at_s is not None
    assert result.decided_at_s >= 19.0


def test_a_planned_end_beyond_the_record_is_its_end() -> None:
    """A record shorter than the hold that was planned: judged as far as it goes, under its looks.

    What is clear by then is decided.
    """
    made = held(4.0, hold_s=25.0)
    result = decide_early(curve_of(made), conditions_of(made), LIMIT)
    assert result.outcome is Outcome.FAIL
    assert result.decided_at_s is not None
    assert result.decided_at_s <= 25.0


def test_an_empty_record_has_no_look() -> None:
    """Nothing recorded, nothing decided, and no exception."""
    conditions = HoldConditions(101_325.0, 293.15, 75e-6, 0.75e-6)
    result = decide_early(HoldCurve(np.empty(0), np.empty(0)), conditions, LIMIT)
    assert result.outcome is Outcome.INVALID
    assert result.decided_at_s is None
