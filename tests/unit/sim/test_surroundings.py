"""Check room and bath: altitude, slow drift, and that all of it follows from the seed."""

import math

import pytest

from rig.sim.surroundings import Surroundings, ambient_at
from tests.support.leaks import INHG_PA, SEA_LEVEL_PA


@pytest.mark.parametrize(
    ("feet", "inhg"), [(0, 29.92), (2000, 27.82), (5000, 24.89), (7000, 23.09), (10_000, 20.58)]
)
def test_ambient_falls_with_altitude(feet: float, inhg: float) -> None:
    """The trade's table of altitude and barometer, to its last place."""
    assert ambient_at(feet * 0.3048) / INHG_PA == pytest.approx(inhg, abs=0.01)


def _history(seed: int, *, drifting: bool = True) -> list[tuple[float, float]]:
    room, found = Surroundings(SEA_LEVEL_PA, 293.15, seed, drifting=drifting), []
    for _ in range(360):
        room.pass_time(10.0)
        found.append((room.air.pressure_pa, room.air.temperature_k))
    return found


def test_barometer_and_room_drift_slowly() -> None:
    """Within an hour less than 2 hPa and 0.5 K; within a minute less than 5 Pa and 0.05 K."""
    for seed in range(20):
        history = _history(seed)
        assert max(abs(pa - SEA_LEVEL_PA) for pa, _ in history) < 200.0
        assert max(abs(kelvin - 293.15) for _, kelvin in history) < 0.5
        for (pa, kelvin), (next_pa, next_kelvin) in zip(history, history[6:], strict=False):
            assert abs(next_pa - pa) < 5.0
            assert abs(next_kelvin - kelvin) < 0.05


def test_drift_follows_from_the_seed_alone() -> None:
    """The same seed drifts the same way, another another; without drift the room stands still."""
    assert _history(3) == _history(3)
    assert _history(3) != _history(4)
    assert set(_history(3, drifting=False)) == {(SEA_LEVEL_PA, 293.15)}


def test_how_time_is_cut_does_not_matter() -> None:
    """Pressure and temperature are functions of time: one long step or many short ones."""
    rooms = [Surroundings(SEA_LEVEL_PA, 293.15, 7, drifting=True) for _ in range(2)]
    rooms[0].pass_time(100.0)
    for _ in range(1000):
        rooms[1].pass_time(0.1)
    assert rooms[0].air.pressure_pa == pytest.approx(rooms[1].air.pressure_pa, rel=1e-12)
    assert rooms[0].air.temperature_k == pytest.approx(rooms[1].air.temperature_k, rel=1e-12)


def test_the_bath_relaxes_to_its_set_point() -> None:
    """First order, 120 s: 1/e of the way is left after them, nothing after an hour."""
    room = Surroundings(SEA_LEVEL_PA, 293.15, 1, drifting=False)
    room.bath_target_k = 353.15
    for _ in range(1200):
        room.pass_time(0.1)
    assert room.bath_k == pytest.approx(353.15 - 60.0 / math.e, rel=1e-9)
    room.pass_time(3600.0)
    assert room.bath_k == pytest.approx(353.15, abs=1e-6)


def test_the_barometer_can_jump_and_be_made_to_drift() -> None:
    """A jump comes at once; a drift that is set starts from where the barometer is."""
    room = Surroundings(SEA_LEVEL_PA, 293.15, 1, drifting=True)
    room.pass_time(500.0)
    before = room.air.pressure_pa
    room.shift_ambient(40.0)
    room.drift_ambient(-2.0)
    room.pass_time(1e-6)
    assert room.air.pressure_pa == pytest.approx(before + 40.0, abs=0.01)
    room.pass_time(10.0)
    assert room.air.pressure_pa == pytest.approx(before + 20.0, abs=1.0)
