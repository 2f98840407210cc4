"""Check the gas of one cell and between two, against closed forms and what must be kept."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.sim.gas_cells import Air, GasCell, flow_through, orifice_kg_s, pass_gas, recovery_s
from tests.support.leaks import R_AIR, SEA_LEVEL_PA, T_0, Leak

GAMMA = 1.4
ROOM = Air(SEA_LEVEL_PA, T_0)


@pytest.mark.parametrize(
    ("volume_m3", "published_s"), [(20e-6, 0.5), (50e-6, 0.8), (1e-3, 6.0), (5e-3, 18.0)]
)
def test_gas_warms_as_fast_as_the_trade_says(volume_m3: float, published_s: float) -> None:
    """The trade's figures: 0.5 s in 20 cm3, 0.8 s in 50, 6 s in a litre, 18 s in five."""
    assert recovery_s(volume_m3) == pytest.approx(published_s, rel=1e-9)
    cell = GasCell(volume_m3, 34e3, 300.0)
    cell.temperature_k = 280.0
    for _ in range(1000):
        cell.recover(published_s / 1000)
    assert cell.temperature_k == pytest.approx(300.0 - 20.0 / math.e, rel=1e-9)


def test_small_volumes_recover_faster_than_the_smallest_figure() -> None:
    """Beyond the figures the time goes on falling with the volume, and stays positive."""
    times = [recovery_s(volume) for volume in (0.1e-6, 1e-6, 5e-6, 20e-6)]
    assert times == sorted(times)
    assert times[0] > 0.01


@pytest.mark.parametrize("downstream_pa", [0.0, 20e3, 50e3, 80e3, 101e3])
def test_an_orifice_passes_what_the_standard_says(downstream_pa: float) -> None:
    """ISO 6358-1, as the curve maker has it, choked and beyond."""
    other = Leak("orifice", 1e-11, 0.35).mass_flow(downstream_pa, SEA_LEVEL_PA, 290.0)
    found = orifice_kg_s(1e-11, 0.35, SEA_LEVEL_PA, 290.0, downstream_pa)
    assert found == pytest.approx(other, rel=1e-12)


def test_nothing_flows_upwards() -> None:
    """At the same pressure, or a higher one downstream, there is no flow."""
    assert orifice_kg_s(1e-9, 0.3, 50e3, 290.0, 50e3) == 0.0
    assert orifice_kg_s(1e-9, 0.3, 50e3, 290.0, 60e3) == 0.0


def _cells(
    volumes_m3: tuple[float, float], pressures_pa: tuple[float, float]
) -> tuple[GasCell, GasCell]:
    one = GasCell(volumes_m3[0], pressures_pa[0], 300.0)
    return one, GasCell(volumes_m3[1], pressures_pa[1], 280.0)


_volume = st.floats(1e-6, 1e-3)
_pressure = st.floats(5e3, 110e3)


@settings(derandomize=True, max_examples=200, deadline=None)
@given(
    volumes_m3=st.tuples(_volume, _volume),
    pressures_pa=st.tuples(_pressure, _pressure),
    conductance=st.floats(1e-13, 1e-6),
    step_s=st.floats(1e-4, 0.02),
)
def test_passing_gas_keeps_mass_and_energy_and_never_overshoots(
    volumes_m3: tuple[float, float],
    pressures_pa: tuple[float, float],
    conductance: float,
    step_s: float,
) -> None:
    """However wide the way and long the step: same gas, same energy, no pressure overtakes."""
    one, other = _cells(volumes_m3, pressures_pa)
    mass = one.mass_kg + other.mass_kg
    energy = one.mass_kg * one.temperature_k + other.mass_kg * other.temperature_k
    gap = pressures_pa[0] - pressures_pa[1]
    flow_through(one, other, conductance, 0.3, step_s)
    after = one.pressure_pa - other.pressure_pa
    assert one.mass_kg + other.mass_kg == pytest.approx(mass, rel=1e-12)
    assert one.mass_kg * one.temperature_k + other.mass_kg * other.temperature_k == pytest.approx(
        energy, rel=1e-12
    )
    assert abs(after) <= abs(gap) + 1e-6
    assert gap * after >= -1e-6 * abs(gap)


def test_a_choked_filling_without_heat_rises_along_its_straight_line() -> None:
    """Adiabatic, choked: p' = gamma R T C rho0 p_a sqrt(T0/T)/V, from the ODE of the vessel."""
    cell = GasCell(25e-6, 10e3, T_0)
    step_s, conductance = 0.001, 2e-12
    for _ in range(2000):
        flow_through(ROOM, cell, conductance, 0.3, step_s)
    slope = GAMMA * R_AIR * T_0 * conductance * 1.185 * SEA_LEVEL_PA / 25e-6
    assert cell.pressure_pa == pytest.approx(10e3 + 2.0 * slope, rel=2e-4)


def test_gas_that_is_drawn_off_without_heat_cools_along_its_isentrope() -> None:
    """T ~ m^(gamma - 1) for what stays behind (first law, enthalpy leaving)."""
    cell = GasCell(20e-6, 100e3, 293.15)
    mass = cell.mass_kg
    for _ in range(1000):
        cell.give(0.0005 * mass)
    assert cell.mass_kg == pytest.approx(0.5 * mass, rel=1e-9)
    assert cell.temperature_k == pytest.approx(293.15 * 0.5**0.4, rel=1e-9)


def test_a_moving_wall_does_work() -> None:
    """While the volume changes without heat, p V^gamma stays."""
    cell = GasCell(20e-6, 50e3, 293.15)
    for volume_cm3 in (18.0, 15.0, 12.0, 10.0):
        cell.resize(volume_cm3 * 1e-6)
    assert cell.pressure_pa == pytest.approx(50e3 * 2.0**1.4, rel=1e-9)


def test_two_cells_tell_a_volume_by_expansion() -> None:
    """p1 V1 + p2 V2 = p (V1 + V2) once both have taken their wall's temperature (Boyle)."""
    one, other = GasCell(25e-6, 40e3, 293.15), GasCell(18e-6, 90e3, 293.15)
    for _ in range(4000):
        flow_through(one, other, 3e-9, 0.3, 0.002)
        one.recover(0.002)
        other.recover(0.002)
    level_pa = (40e3 * 25.0 + 90e3 * 18.0) / 43.0
    assert one.pressure_pa == pytest.approx(level_pa, rel=1e-6)
    assert other.pressure_pa == pytest.approx(level_pa, rel=1e-6)


def test_vapour_leaves_with_the_gas_in_its_share() -> None:
    """Gas that passes takes along as much vapour as there is in it."""
    one, other = _cells((20e-6, 20e-6), (80e3, 40e3))
    one.vapour_kg = 0.25 * one.mass_kg
    passed = pass_gas(one, other, 1e-6, 0.01)
    assert other.vapour_kg == pytest.approx(0.25 * passed, rel=1e-9)
    assert one.vapour_kg == pytest.approx(0.25 * one.mass_kg, rel=1e-9)


def test_air_without_end_stays_as_it_is() -> None:
    """A cell fills from the room to the room's pressure, and the room does not change."""
    cell = GasCell(25e-6, 30e3, T_0)
    for _ in range(3000):
        flow_through(ROOM, cell, 3e-9, 0.3, 0.002)
        cell.recover(0.002)
    assert cell.pressure_pa == pytest.approx(SEA_LEVEL_PA, rel=1e-6)
    assert (ROOM.pressure_pa, ROOM.temperature_k) == (SEA_LEVEL_PA, T_0)
