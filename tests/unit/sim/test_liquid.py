"""Check water in a chamber: vapour pressure, what it takes and gives, and drying."""

import pytest

from rig.sim.gas_cells import Air, GasCell, flow_through
from rig.sim.liquid import Liquid, saturation_pa
from tests.support.leaks import INHG_PA


@pytest.mark.parametrize(
    ("degc", "published_pa"), [(0.01, 611.66), (20.0, 2339.0), (40.0, 7384.0), (60.0, 19_946.0)]
)
def test_saturation_follows_the_steam_table(degc: float, published_pa: float) -> None:
    """Steam table values (IAPWS), to half a per cent."""
    assert saturation_pa(degc + 273.15) == pytest.approx(published_pa, rel=5e-3)


def test_the_trades_figures_of_vapour() -> None:
    """0.69 inHg at 20 degC and 14 inHg at 80 degC."""
    assert saturation_pa(293.15) / INHG_PA == pytest.approx(0.69, abs=0.005)
    assert saturation_pa(353.15) / INHG_PA == pytest.approx(14.0, abs=0.2)


def test_a_wet_chamber_rises_by_the_vapour_pressure_and_stays() -> None:
    """With enough water the rise is the saturation pressure; water and gas keep their mass."""
    cell, water = GasCell(20e-6, 50e3, 293.15), Liquid(5e-6, 2.0)
    gas_kg, water_kg = cell.mass_kg, water.mass_kg
    for _ in range(6000):
        water.evaporate(cell, 0.01)
    assert cell.pressure_pa - 50e3 == pytest.approx(saturation_pa(293.15), rel=1e-6)
    evaporated_kg = water_kg - water.mass_kg
    ideal_kg = saturation_pa(293.15) * 20e-6 / (461.5 * 293.15)
    assert evaporated_kg == pytest.approx(ideal_kg, rel=1e-6)
    assert cell.mass_kg - gas_kg == pytest.approx(evaporated_kg * 461.5 / 288.0, rel=1e-9)


def test_a_drop_that_is_used_up_gives_no_more() -> None:
    """0.1 mg of water in 20 cm3 makes less than saturation: all of it, as an ideal gas."""
    cell, water = GasCell(20e-6, 50e3, 293.15), Liquid(0.1e-6, 2.0)
    for _ in range(3000):
        water.evaporate(cell, 0.01)
    assert water.mass_kg == pytest.approx(0.0, abs=1e-12)
    assert cell.pressure_pa - 50e3 == pytest.approx(0.1e-6 * 461.5 * 293.15 / 20e-6, rel=1e-9)


def test_vapour_beyond_saturation_becomes_water_again() -> None:
    """Pressed to half its volume, the vapour goes back to saturation and the water grows."""
    cell, water = GasCell(20e-6, 50e3, 293.15), Liquid(5e-6, 1.0)
    for _ in range(2000):
        water.evaporate(cell, 0.01)
    before_kg = water.mass_kg
    cell.resize(10e-6)
    for _ in range(2000):
        cell.recover(0.01)
        water.evaporate(cell, 0.01)
    assert water.mass_kg > before_kg
    vapour_pa = cell.vapour_kg * 288.0 * cell.temperature_k / cell.volume_m3
    assert vapour_pa == pytest.approx(saturation_pa(293.15), rel=1e-6)


def test_purging_dries_the_chamber() -> None:
    """Each pull and vent takes vapour away, until there is no water left."""
    cell, water = GasCell(20e-6, 100e3, 293.15), Liquid(4e-6, 1.0)
    source, room = Air(40e3, 293.15), Air(100e3, 293.15)
    left = [water.mass_kg]
    for _ in range(16):
        for outside in (source, room):
            for _ in range(400):
                water.evaporate(cell, 0.01)
                flow_through(cell, outside, 3e-10, 0.3, 0.01)
                cell.recover(0.01)
        left.append(water.mass_kg)
    assert left == sorted(left, reverse=True)
    assert left[4] > 0.0
    assert left[-1] == pytest.approx(0.0, abs=1e-12)
