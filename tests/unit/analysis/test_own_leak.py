"""Check the rig's own leak from its blank-off against the leaks that an ODE was integrated with."""

from functools import cache

import numpy as np
import pytest

from rig.analysis.hold import DropLimit, Hold, HoldConditions, HoldCurve, OwnLeak
from rig.analysis.leak import analyse_hold
from rig.analysis.own_leak import own_leak_from
from rig.records import Finding
from tests.support.leak_curves import two_leaks
from tests.support.leaks import INHG_PA, SEA_LEVEL_PA, T_0, Gauge, Leak, leak_with_drop

GAUGE = Gauge()
LIMIT = DropLimit(GAUGE.from_vacuum_pa, GAUGE.within_s, GAUGE.volume_m3, GAUGE.max_drop_pa)
RIG_M3, WHOLE_M3 = 25e-6, 75e-6
CONDITIONS = HoldConditions(SEA_LEVEL_PA, T_0, RIG_M3, 0.25e-6)
OWN = leak_with_drop("laminar", 0.2 * INHG_PA)
PART = leak_with_drop("orifice", 0.5 * INHG_PA, 0.45)
NO_LEAK = Leak("none", 0.0)
OWN_M3_S, PART_M3_S = (leak.standard_flow(GAUGE.from_vacuum_pa) for leak in (OWN, PART))
SETTLING_PA = 400.0


def capped(own: Leak = OWN, hold_s: float = 60.0) -> tuple[np.ndarray, np.ndarray]:
    """Integrate the rig alone."""
    return two_leaks(own, NO_LEAK, RIG_M3, SETTLING_PA, seed=1, hold_s=hold_s)


def measured(time_s: np.ndarray, pressure_pa: np.ndarray) -> OwnLeak | Finding:
    """Measure the own leak that a record of the rig alone shows."""
    return own_leak_from(Hold(HoldCurve(time_s, pressure_pa), CONDITIONS, LIMIT))


@cache
def usable() -> OwnLeak:
    """Measure the plain blank-off of a minute."""
    own = measured(*capped())
    assert isinstance(own, OwnLeak)
    return own


def test_the_flow_is_that_of_the_rigs_leak() -> None:
    """Within 3 u of the law's own flow at the limit's vacuum, and u holds the rig's 1 % of volume.

    All other sources together are less than 5 % for a leak of a fifth of an inch.
    """
    own = usable()
    assert abs(own.flow_m3_s - OWN_M3_S) < 3.0 * own.u_m3_s
    assert 0.01 * OWN_M3_S < own.u_m3_s < 0.05 * OWN_M3_S


def test_the_curve_is_the_rise_since_the_last_stroke_times_the_rigs_volume() -> None:
    """It begins at nothing and rises as the integrated curve does, made again with other noise.

    4 Pa of noise is 0.6 Pa in the mean of 50 samples, twice over; 4 Pa is four times as much.
    """
    own = usable()
    assert own.curve_time_s is not None
    assert own.curve_rise_m3_pa is not None
    # The first moment of any hold is left out, and a constant takes nothing from a leak.
    assert 0.3 <= own.curve_time_s[0] < 0.6
    # The first block is 5 samples: 2 Pa.
    assert abs(own.curve_rise_m3_pa[0]) < 8.0 * RIG_M3
    time_s, again_pa = two_leaks(OWN, NO_LEAK, RIG_M3, SETTLING_PA, seed=7)

    def risen_pa(until_s: float) -> float:
        means = [float(np.mean(again_pa[np.abs(time_s - at) <= 0.5])) for at in (4.0, until_s)]
        return means[1] - means[0]

    for until_s in (10.0, 30.0, 58.0):
        begun, ended = np.interp([4.0, until_s], own.curve_time_s, own.curve_rise_m3_pa)
        assert ended - begun == pytest.approx(risen_pa(until_s) * RIG_M3, abs=4.0 * RIG_M3)


def test_a_pull_in_the_record_is_left_out() -> None:
    """With 3 s of pump strokes before it, time still counts from the last stroke."""
    time_s, pressure_pa = capped()
    pull_s = np.arange(0.0, 3.0, 0.02)
    pull_pa = np.linspace(SEA_LEVEL_PA, pressure_pa[0], pull_s.size)
    own = measured(np.append(pull_s, time_s + 3.0), np.append(pull_pa, pressure_pa))
    assert isinstance(own, OwnLeak)
    assert own.curve_time_s is not None
    assert own.curve_time_s[0] < 0.6
    assert own.curve_time_s[-1] == pytest.approx(usable().curve_time_s[-1], abs=1.0)
    assert own.flow_m3_s == pytest.approx(usable().flow_m3_s, rel=0.02)


def test_the_parts_leak_comes_out_beside_the_rigs() -> None:
    """Rig and part integrated together: the part's leak within 3 u, and next to no settling left.

    The rig's settling of 400 Pa in 25 cm3 is 133 Pa in 75 cm3; the curve takes it along.
    """
    diluted_pa = SETTLING_PA * RIG_M3 / WHOLE_M3
    curve = HoldCurve(*two_leaks(OWN, PART, WHOLE_M3, diluted_pa, seed=2))
    known = HoldConditions(SEA_LEVEL_PA, T_0, WHOLE_M3, 0.1e-6, own_leak=usable())
    result = analyse_hold(curve, known, LIMIT)
    assert result.leak is not None
    assert result.settling is not None
    assert abs(result.leak.value - PART_M3_S) < 3.0 * result.leak.u
    assert result.leak.value == pytest.approx(PART_M3_S, rel=0.03)
    assert abs(result.settling.rise_pa) < 30.0
    assert result.leak.sources["own_leak"] == usable().u_m3_s


def test_a_tight_rig_has_an_own_leak_of_nothing() -> None:
    """No leak is told from none, and the settling is in the curve all the same."""
    own = measured(*capped(NO_LEAK))
    assert isinstance(own, OwnLeak)
    assert own.curve_rise_m3_pa is not None
    assert abs(own.flow_m3_s) < 3.0 * own.u_m3_s
    # The first block lies 0.44 s into a settling of 0.8 s.
    left_pa = SETTLING_PA * np.exp(-own.curve_time_s[0] / 0.8)
    assert own.curve_rise_m3_pa[-1] == pytest.approx(left_pa * RIG_M3, rel=0.03)


def _jumping() -> tuple[np.ndarray, np.ndarray]:
    time_s, pressure_pa = capped()
    return time_s, pressure_pa + np.where(time_s > 20.0, 1500.0, 0.0)


def _growing() -> tuple[np.ndarray, np.ndarray]:
    time_s, pressure_pa = capped()
    return time_s, pressure_pa + 300.0 * np.maximum(time_s - 30.0, 0.0) + 800.0 * (time_s > 30.0)


def _coming_off() -> tuple[np.ndarray, np.ndarray]:
    time_s, pressure_pa = capped()
    return time_s, np.where(time_s > 20.0, SEA_LEVEL_PA + 0.01 * pressure_pa % 8.0, pressure_pa)


@pytest.mark.parametrize(
    ("record", "code", "time_s"),
    [
        (lambda: capped(hold_s=6.0), "hold_too_short", None),
        (lambda: capped(hold_s=2.0), "hold_too_short", None),
        (_jumping, "rig_unsteady", 20.0),
        (_growing, "rig_unsteady", 30.0),
        (_coming_off, "hose_off", 20.0),
    ],
)
def test_a_spoiled_blank_off_says_what_spoiled_it(record, code: str, time_s: float | None) -> None:
    """Nothing is subtracted on its word: the finding comes back, with its place."""
    found = measured(*record())
    assert isinstance(found, Finding)
    assert found.code == code
    if time_s is not None:
        assert found.figures["time_s"] == pytest.approx(time_s, abs=0.5)


def test_a_rig_that_runs_down_is_told_from_one_that_leaks() -> None:
    """A leak that empties the rig in the hold is found in the rig, not in a part."""
    found = measured(*capped(leak_with_drop("orifice", 10.0 * INHG_PA)))
    assert isinstance(found, Finding)
    assert found.code == "rig_runs_down"
