"""Check that valves travel, stick and leak as solenoid valves do."""

import pytest

from rig.sim.gas_cells import Air, GasCell
from rig.sim.valve import TRAVEL_S, Valve

ROOM = Air(101_325.0, 293.15)


@pytest.mark.parametrize("open_at_rest", [True, False])
def test_a_coil_pulls_a_valve_over_within_its_travel_time(open_at_rest: bool) -> None:
    """At rest at the start; half way after half of 20 ms, there after 20 ms; back without power."""
    valve = Valve(1e-9, 0.0, open_at_rest=open_at_rest)
    rest, pulled = (1.0, 0.0) if open_at_rest else (0.0, 1.0)
    assert valve.share == rest
    valve.move(True, 0.5 * TRAVEL_S)
    assert valve.share == pytest.approx(0.5)
    valve.move(True, 0.5 * TRAVEL_S)
    assert valve.share == pytest.approx(pulled)
    assert valve.share == valve.goes_to(True)
    valve.move(False, TRAVEL_S)
    assert valve.share == pytest.approx(rest)
    assert TRAVEL_S == 0.02


def test_a_stuck_valve_ignores_its_coil_until_it_is_freed() -> None:
    """Stuck at a third it stays there; freed, it goes where the coil wants it."""
    valve = Valve(1e-9, 0.0, open_at_rest=True)
    valve.stuck_share = 1.0 / 3.0
    for energised in (True, False, True):
        valve.move(energised, 1.0)
        assert valve.share == pytest.approx(1.0 / 3.0)
    valve.stuck_share = None
    valve.move(True, 1.0)
    assert valve.share == 0.0


def test_a_shut_valve_passes_its_seats_leak_only() -> None:
    """Without a seat leak nothing; with one, a hundredth of the way passes a hundredth."""
    tight, leaking = (Valve(1e-9, seat, open_at_rest=False) for seat in (0.0, 1e-11))
    wide = Valve(1e-9, 0.0, open_at_rest=True)
    passed = [each.pass_gas(ROOM, _empty(), 1e-4) for each in (tight, leaking, wide)]
    assert passed[0] == 0.0
    assert passed[1] == pytest.approx(passed[2] / 100.0, rel=0.01)


def _empty() -> GasCell:
    return GasCell(25e-6, 20e3, 293.15)
