"""Tests of the looks at a hold: which one judges what, and on which curve."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from rig.analysis.hold import DropLimit, HoldConditions
from rig.procedure.judge_hold import HoldLooks, curve_of, figures_of
from rig.procedure.steps import Recording
from rig.records import Outcome
from tests.unit.procedure.bench_model import INHG, SEA_LEVEL_PA
from tests.unit.procedure.contexts import LIMIT, MEASURED

RATE_HZ = 100.0
HOLD_S = 30.0
WHOLE_M3, WHOLE_U_M3, FOR_DROP_U_M3 = 40e-6, 0.8e-6, 0.2e-6
CONDITIONS = HoldConditions(SEA_LEVEL_PA, 294.0, WHOLE_M3, FOR_DROP_U_M3)


def recorded(slope_pa_s: float, lasted_s: float = HOLD_S) -> Recording:
    """Record a hold that loses vacuum steadily, its gas long settled."""
    time_s = np.arange(0.0, lasted_s, 1.0 / RATE_HZ)
    rng = np.random.default_rng(2)
    pressure_pa = SEA_LEVEL_PA - 16.0 * INHG + slope_pa_s * time_s
    pressure_pa += rng.normal(0.0, 4.0, time_s.size)
    n = np.arange(time_s.size, dtype=np.int64)
    return Recording(700.0 + time_s, n, {"p_a": pressure_pa})


def looks(limit: DropLimit = LIMIT) -> HoldLooks:
    """Look at a hold of 30 s."""
    return HoldLooks(limit, CONDITIONS, WHOLE_U_M3, HOLD_S)


def until(recording: Recording, lasted_s: float) -> Recording:
    """Leave out what came later."""
    keep = recording.time_mono_s <= recording.time_mono_s[0] + lasted_s
    values = {name: each[keep] for name, each in recording.values.items()}
    return Recording(recording.time_mono_s[keep], recording.sequence[keep], values)


def test_a_hold_is_looked_at_before_its_end_and_not_at_it() -> None:
    """8, 10, 15 and 20 s of 30; the end is judged when it has come. Nothing judged, no look."""
    watch = looks().watch
    assert watch is not None
    assert watch.times_s == (8.0, 10.0, 15.0, 20.0)
    assert looks(MEASURED).watch is None


@pytest.mark.parametrize(("slope_pa_s", "outcome"), [(0.0, Outcome.PASS), (1500.0, Outcome.FAIL)])
def test_a_clear_hold_is_decided_at_its_first_look_and_judged_by_that(
    slope_pa_s: float, outcome: Outcome
) -> None:
    """What the watch says of a record is what it is judged by: the time of the look is marked."""
    seen = until(recorded(slope_pa_s), 8.01)
    watch = looks().watch
    assert watch is not None
    assert watch.decided(seen)
    result = looks().judge(seen)
    assert result.outcome is outcome
    assert result.decided_at_s == 8.0


def test_a_hold_near_its_limit_goes_on_to_the_end() -> None:
    """Each look leaves it open; so does the last, which marks no time."""
    near = recorded(INHG / 20.0 * LIMIT.reference_volume_m3 / WHOLE_M3)
    watch = looks().watch
    assert watch is not None
    assert not any(watch.decided(until(near, each + 0.01)) for each in watch.times_s)
    result = looks().judge(near)
    assert result.outcome is Outcome.UNDECIDED
    assert result.decided_at_s is None


def test_a_record_is_judged_by_the_last_look_that_falls_into_it() -> None:
    """Late by a second is that look still, and a frame lost at the end is not the look before."""
    tight = recorded(0.0)
    for lasted_s, look_s in ((9.0, 8.0), (9.8, 10.0), (14.0, 10.0), (14.7, 15.0), (21.0, 20.0)):
        assert looks().judge(until(tight, lasted_s)).decided_at_s == look_s


def test_a_record_too_short_for_any_look_is_open() -> None:
    """Five seconds decide nothing."""
    assert looks().judge(until(recorded(0.0), 5.0)).outcome is Outcome.UNDECIDED


def test_an_empty_record_is_spoiled() -> None:
    """Nothing recorded, nothing judged, no error."""
    nothing = Recording(np.empty(0), np.empty(0, dtype=np.int64), {})
    for limit in (LIMIT, MEASURED):
        result = looks(limit).judge(nothing)
        assert result.outcome is Outcome.INVALID
        assert figures_of(result).keys() <= {"hold_s"}


@cache
def _both() -> tuple[float, float, float, float]:
    result = looks(MEASURED).judge(recorded(200.0))
    assert result.leak is not None
    assert result.equivalent_drop is not None
    leak, drop = result.leak, result.equivalent_drop
    return (
        leak.sources["volume"] / leak.value,
        drop.sources["volume"] / drop.value,
        leak.u,
        float(np.sqrt(sum(part**2 for part in leak.sources.values()))),
    )


def test_the_leak_carries_the_whole_volumes_doubt_and_the_drop_only_its_share() -> None:
    """2 % and 0.5 % as given; u is the root of the squares of all sources."""
    of_leak, of_drop, u, root = _both()
    assert of_leak == pytest.approx(WHOLE_U_M3 / WHOLE_M3, rel=1e-6)
    assert of_drop == pytest.approx(FOR_DROP_U_M3 / WHOLE_M3, rel=0.02)
    assert u == pytest.approx(root, rel=1e-12)


def test_a_channel_with_gaps_is_bridged_and_one_that_is_mostly_gone_left_out() -> None:
    """The curve's time counts from the first frame, usable or not."""
    recording = recorded(0.0, 2.0)
    n = recording.time_mono_s.size
    ramp = 294.0 + 0.001 * np.arange(n)
    gappy, gone = ramp.copy(), ramp.copy()
    gappy[50:80] = gone[50:] = np.nan
    pressure_pa = recording.values["p_a"].copy()
    pressure_pa[:10] = np.nan
    values = {"p_a": pressure_pa, "t_gas": gappy, "barometer": gone}
    curve = curve_of(replace(recording, values=values))
    assert curve.time_s[0] == pytest.approx(0.1)
    assert curve.time_s.size == n - 10
    assert curve.gas_temperature_k is not None
    assert curve.gas_temperature_k == pytest.approx(ramp[10:], abs=1e-9)
    assert curve.ambient_pa is None
