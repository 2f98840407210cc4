"""Check where a sprung diaphragm stands, against the balance of forces."""

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rig.sim.diaphragm import Diaphragm, Spring
from tests.support.leaks import INHG_PA, SEA_LEVEL_PA

EMPTY_M3 = 18e-6


def _sweep(spring: Spring, vacuums_pa: list[float]) -> list[float]:
    """Bring the chamber to vacuums by its gas; return where the diaphragm stands."""
    diaphragm, shares = Diaphragm(spring), []
    for vacuum_pa in vacuums_pa:
        # A little gas in or out at a time, until the pressure is that.
        low, high = 0.0, 2.0 * SEA_LEVEL_PA * EMPTY_M3
        for _ in range(60):
            content = 0.5 * (low + high)
            trial = Diaphragm(spring)
            trial.share = diaphragm.share
            volume = trial.volume(content, EMPTY_M3, SEA_LEVEL_PA)
            if content / volume > SEA_LEVEL_PA - vacuum_pa:
                high = content
            else:
                low = content
        diaphragm.volume(0.5 * (low + high), EMPTY_M3, SEA_LEVEL_PA)
        shares.append(diaphragm.share)
    return shares


def test_it_leaves_rest_at_start_and_reaches_its_stop_at_full() -> None:
    """Start 3, full 9 inHg: nothing at 2, half way at 6, all the way at 9 and beyond."""
    spring = Spring(5e-6, 3.0 * INHG_PA, 9.0 * INHG_PA)
    found = _sweep(spring, [vacuum * INHG_PA for vacuum in (2.0, 4.5, 6.0, 9.0, 15.0, 6.0, 1.0)])
    assert found == pytest.approx([0.0, 0.25, 0.5, 1.0, 1.0, 0.5, 0.0], abs=1e-6)


def test_friction_holds_the_rod_back_either_way() -> None:
    """0.5 inHg of friction: half way needs 6.5 inHg on the way in and 5.5 on the way out."""
    spring = Spring(5e-6, 3.0 * INHG_PA, 9.0 * INHG_PA, 0.5 * INHG_PA)
    found = _sweep(spring, [vacuum * INHG_PA for vacuum in (6.5, 7.5, 15.0, 8.6, 5.5, 5.8, 0.0)])
    at_75 = (7.5 - 0.5 - 3.0) / 6.0
    assert found == pytest.approx([0.5, at_75, 1.0, 1.0, 0.5, 0.5, 0.0], abs=1e-6)


@settings(derandomize=True, max_examples=200, deadline=None)
@given(
    stroke_cm3=st.floats(0.1, 12.0),
    start_inhg=st.floats(0.5, 6.0),
    range_inhg=st.floats(0.5, 8.0),
    content_j=st.floats(0.05, 1.8),
)
def test_spring_and_gas_are_in_balance(
    stroke_cm3: float, start_inhg: float, range_inhg: float, content_j: float
) -> None:
    """The gas keeps its p V, and off its stops the spring takes up the difference of pressures."""
    spring = Spring(stroke_cm3 * 1e-6, start_inhg * INHG_PA, (start_inhg + range_inhg) * INHG_PA)
    diaphragm = Diaphragm(spring)
    volume = diaphragm.volume(content_j, EMPTY_M3, SEA_LEVEL_PA)
    vacuum_pa = SEA_LEVEL_PA - content_j / volume
    assert volume == pytest.approx(EMPTY_M3 - spring.stroke_m3 * diaphragm.share, rel=1e-12)
    assume(vacuum_pa < 0.95 * SEA_LEVEL_PA)
    wanted = (vacuum_pa - spring.start_pa) / (spring.full_pa - spring.start_pa)
    assert diaphragm.share == pytest.approx(min(max(wanted, 0.0), 1.0), abs=1e-6)


def test_a_moving_rod_more_than_doubles_the_capacity() -> None:
    """20 cm2 and 6 mm over 8 inHg move 0.44 cm3 per kPa: the trade's example, 1.1 % rounding."""
    spring = Spring(12e-6, 3.0 * INHG_PA, 11.0 * INHG_PA)
    shares = _sweep(spring, [6.0 * INHG_PA, 6.0 * INHG_PA + 1000.0])
    assert 12.0 * (shares[1] - shares[0]) == pytest.approx(0.44, abs=0.005)


def test_without_a_stroke_the_chamber_is_rigid() -> None:
    """Nothing moves, whatever the pressure."""
    diaphragm = Diaphragm(Spring(0.0, 0.0, 1.0))
    assert diaphragm.volume(0.1, EMPTY_M3, SEA_LEVEL_PA) == EMPTY_M3
    assert diaphragm.share == 0.0
