"""Check the pumps against the trade's counts of strokes, their ultimate and their pace."""

import math

import pytest

from rig.sim.gas_cells import Air, GasCell
from rig.sim.plant_settings import PlantSettings
from rig.sim.pumps import STROKE_M3, HandPump, Restrictor
from tests.support.leaks import INHG_PA

SEA_LEVEL_INHG = 29.92
ROOM = Air(SEA_LEVEL_INHG * INHG_PA, 293.15)
MADE = PlantSettings()
STROKES = [
    (15.0, 1, 2),
    (30.0, 1, 3),
    (50.0, 2, 4),
    (100.0, 3, 8),
    (500.0, 13, 35),
    (1500.0, 39, 105),
    (5000.0, 128, 346),
]
"""The trade's table: cm3, strokes of 16 cm3 to 10 inHg and to 20 inHg."""


def _ideal() -> HandPump:
    return HandPump(Restrictor(1e-6), 1e-12, 4.0, ROOM)


def _strokes(pump: HandPump, cell: GasCell, to_inhg: float, step_s: float = 0.02) -> int:
    count = 0
    while ROOM.pressure_pa - cell.pressure_pa < to_inhg * INHG_PA:
        pump.stroke(STROKE_M3)
        count += 1
        while pump.busy:
            pump.draw(cell, 1e-6, step_s)
            cell.temperature_k = cell.wall_k
    return count


@pytest.mark.parametrize(("volume_cm3", "to_10", "to_20"), STROKES)
def test_strokes_of_an_ideal_pump(volume_cm3: float, to_10: int, to_20: int) -> None:
    """From Boyle, n = ln(p_a/(p_a - v)) / ln(1 + 16/V), rounded up; printed within one."""
    for target, printed in ((10.0, to_10), (20.0, to_20)):
        found = _strokes(_ideal(), GasCell(volume_cm3 * 1e-6, ROOM.pressure_pa, 293.15), target)
        ratio = SEA_LEVEL_INHG / (SEA_LEVEL_INHG - target)
        assert found == math.ceil(math.log(ratio) / math.log(1.0 + 16.0 / volume_cm3))
        assert abs(found - printed) <= 1


@pytest.mark.parametrize("ambient_inhg", [29.92, 24.89, 20.58])
def test_the_dead_volume_bounds_the_vacuum(ambient_inhg: float) -> None:
    """About 25 inHg at sea level and the same share of any ambient, as the trade has it.

    What is left lies between the isothermal p_a dead/(dead + swept) and the isentropic.
    """
    room = Air(ambient_inhg * INHG_PA, 293.15)
    pump = HandPump(Restrictor(MADE.restrictor_m3_s_pa), MADE.pump_dead_m3, 1.0, room)
    cell = GasCell(20e-6, room.pressure_pa, 293.15)
    for _ in range(60):
        pump.stroke(STROKE_M3)
        while pump.busy:
            pump.draw(cell, MADE.pump_m3_s_pa, 0.01)
            cell.recover(0.01)
    left = cell.pressure_pa / room.pressure_pa
    dead = MADE.pump_dead_m3 / (MADE.pump_dead_m3 + STROKE_M3)
    assert dead**1.4 < left < dead
    assert (1.0 - left) * SEA_LEVEL_INHG == pytest.approx(25.0, abs=0.5)


def test_the_restrictor_keeps_the_pull_slow() -> None:
    """From ambient in 20 cm3, the fastest there is: never more than 10 inHg in a second."""
    pump = HandPump(Restrictor(MADE.restrictor_m3_s_pa), MADE.pump_dead_m3, 1.3, ROOM)
    cell = GasCell(20e-6, ROOM.pressure_pa, 293.15)
    pump.stroke(STROKE_M3)
    fastest = 0.0
    for _ in range(260):
        before = cell.pressure_pa
        pump.draw(cell, MADE.pump_m3_s_pa, 0.005)
        cell.recover(0.005)
        fastest = max(fastest, (before - cell.pressure_pa) / 0.005 / INHG_PA)
    assert 7.0 < fastest < 10.0


def test_a_stroke_draws_nothing_through_a_shut_valve_or_a_broken_pump() -> None:
    """Neither moves any gas, and the check valve lets none back."""
    for valve_way, broken in ((0.0, False), (1e-8, True)):
        pump, cell = _ideal(), GasCell(20e-6, ROOM.pressure_pa, 293.15)
        pump.broken = broken
        pump.stroke(STROKE_M3)
        drawn = [pump.draw(cell, valve_way, 0.01) for _ in range(100)]
        assert sum(drawn) == 0.0
        assert cell.pressure_pa == pytest.approx(ROOM.pressure_pa, rel=1e-12)


def test_a_new_stroke_lets_the_old_one_go_first() -> None:
    """Two strokes in quick succession draw as two: what the first drew is driven out."""
    quick, slow = (GasCell(500e-6, ROOM.pressure_pa, 293.15) for _ in range(2))
    for cell, pause in ((quick, 350), (slow, 450)):
        pump = _ideal()
        for _ in range(2):
            pump.stroke(STROKE_M3)
            for _ in range(pause):
                pump.draw(cell, 1e-6, 0.01)
                cell.temperature_k = cell.wall_k
    assert quick.pressure_pa == pytest.approx(slow.pressure_pa, rel=2e-4)


def test_two_ways_in_a_row_pass_less_than_either() -> None:
    """1/C^2 adds up: a valve as narrow as the restrictor passes the square root of half."""
    cells = [GasCell(25e-6, 90e3, 293.15) for _ in range(2)]
    sink = Air(20e3, 293.15)
    passed = [
        Restrictor(1e-11).draw(cell, sink, valve, 1e-4)
        for cell, valve in zip(cells, (1e-6, 1e-11), strict=True)
    ]
    assert passed[1] == pytest.approx(passed[0] / math.sqrt(2.0), rel=1e-4)
