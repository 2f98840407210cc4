"""Check the default plant as the board sees it, and how a plant is loaded."""

import math
import threading
import time
from collections.abc import Mapping

import numpy as np
import pytest

from rig.errors import BenchError
from rig.sim.plant import BenchPlant, Plant, load_plant
from rig.sim.plant_settings import PlantSettings
from rig.sim.pumps import STROKE_M3
from tests.support.leaks import INHG_PA

PULL, HOLD = {"vent": True, "pump": True}, {"vent": True}
CHANNELS = {
    *("p_a", "p_b", "barometer", "t_gas", "t_bath"),
    *("supply", "sensor_supply", "travel"),
}


def _run(plant: BenchPlant, outputs: Mapping[str, bool], duration_s: float) -> list:
    return [plant.advance(outputs, 0.005) for _ in range(round(duration_s / 0.005))]


def _pulled(seed: int = 9, **made: object) -> BenchPlant:
    plant = BenchPlant(PlantSettings(seed=seed, **made))  # type: ignore[arg-type]
    plant.connect({"shelf": "good"})
    for _ in range(10):
        plant.stroke(STROKE_M3)
        _run(plant, PULL, 0.9)
    return plant


def test_a_new_bench_is_vented_capped_and_without_power() -> None:
    """Both ports at ambient, no travel, room temperature, 12.6 V; every channel is there."""
    readings = BenchPlant(PlantSettings(noisy=False)).advance({}, 0.0)
    assert set(readings) == CHANNELS
    pressures = [readings[name] for name in ("p_a", "p_b", "barometer")]
    assert pressures == pytest.approx([101_325.0] * 3)
    assert readings["t_gas"] == readings["t_bath"] == pytest.approx(294.15)
    assert (readings["supply"], readings["sensor_supply"], readings["travel"]) == (12.6, 5.0, 0.0)


def test_a_pull_shows_on_every_sensor_as_it_is() -> None:
    """With perfect sensors the readings are the true pressure, travel and sagging supply."""
    plant = _pulled(noisy=False)
    readings = plant.advance({**HOLD, "part": True}, 0.005)
    assert readings["p_a"] == plant.gas.manifold.pressure_pa
    assert readings["barometer"] - readings["p_a"] > 14.0 * INHG_PA
    assert readings["travel"] == pytest.approx(8e-3)
    assert readings["supply"] == pytest.approx(12.6 - 2 * 0.15)


def test_sensors_err_as_their_errors_say() -> None:
    """The mean of a vented second is (1 + span) p + zero, within what noise leaves."""
    plant = BenchPlant(PlantSettings(seed=4, drifting=False))
    mean_pa = np.mean([readings["p_a"] for readings in _run(plant, {}, 2.0)])
    errors = plant.instruments.errors("p_a")
    assert errors.zero != 0.0
    assert mean_pa == pytest.approx((1.0 + errors.span) * 101_325.0 + errors.zero, abs=6.0)


def test_a_seed_makes_one_bench() -> None:
    """The same seed and the same calls give the same readings; another seed another bench."""
    ends = [_run(_pulled(seed), HOLD, 0.5) for seed in (5, 5, 6)]
    assert ends[0] == ends[1]
    assert ends[0] != ends[2]


def test_the_rigs_volume_is_drawn_about_25_cm3() -> None:
    """20 to 30 cm3 by the seed, over the whole range; what is set counts."""
    volumes = [PlantSettings(seed=seed).true_rig_volume_m3 * 1e6 for seed in range(200)]
    assert 20.0 <= min(volumes) < 20.5
    assert 29.5 < max(volumes) <= 30.0
    assert PlantSettings(rig_volume_m3=25e-6).true_rig_volume_m3 == 25e-6


def test_a_minute_of_hold_is_computed_fast() -> None:
    """60 s at 200 readings a second in less than 3 s on one core."""
    plant = _pulled()
    began_s = time.process_time()
    _run(plant, HOLD, 60.0)
    assert time.process_time() - began_s < 3.0


def test_the_bath_goes_where_it_is_set_and_its_bead_behind_it() -> None:
    """After 120 s 63 % of the way; the bead trails by its 4 s."""
    plant = BenchPlant(PlantSettings(noisy=False, drifting=False))
    plant.set_bath(80.0)
    for _ in range(12_000):
        readings = plant.advance({}, 0.01)
    way_k = 353.15 - 294.15
    assert plant.room.bath_k == pytest.approx(353.15 - way_k / math.e, abs=0.01)
    slope_k_s = (353.15 - plant.room.bath_k) / 120.0
    assert plant.room.bath_k - readings["t_bath"] == pytest.approx(4.0 * slope_k_s, rel=0.05)


def test_an_electric_pump_pulls_without_strokes() -> None:
    """It reaches its 22 inHg (a share of ambient), and needs both valve and current."""
    made = PlantSettings(noisy=False, drifting=False)
    plant = BenchPlant(made)
    _run(plant, {**HOLD, "electric_pump": True}, 2.0)
    assert plant.gas.manifold.pressure_pa == pytest.approx(101_325.0, rel=1e-3)
    for _ in range(9000):
        plant.advance({**PULL, "electric_pump": True}, 0.01)
    expected_pa = made.electric_ultimate_ratio * 101_325.0
    assert plant.gas.manifold.pressure_pa == pytest.approx(expected_pa, rel=0.01)


def test_a_capped_hose_holds_next_to_nothing() -> None:
    """A cap after a part: the chamber is the fitting alone, and there is no travel."""
    plant = _pulled(noisy=False)
    plant.connect(None)
    assert plant.part is None
    assert plant.gas.chamber.cell.volume_m3 == pytest.approx(0.15e-6)
    assert plant.advance(HOLD, 0.005)["travel"] == 0.0


def test_a_stroke_needs_a_volume() -> None:
    """Nothing, less than nothing and no number are no strokes."""
    for volume_m3 in (0.0, -1e-6, math.nan, math.inf):
        with pytest.raises(BenchError, match="not a positive volume"):
            BenchPlant().stroke(volume_m3)


def test_strokes_may_come_from_another_thread_than_time() -> None:
    """Stroked by one thread while another lets time pass: nothing breaks, pressures stay true."""
    plant = BenchPlant(PlantSettings(own_leak_m3_s=0.0, noisy=False, drifting=False))
    ended = threading.Event()

    def pump() -> None:
        while not ended.is_set():
            plant.stroke(STROKE_M3)
            plant.fault("gulp", std_cm3=0.0)

    thread = threading.Thread(target=pump)
    thread.start()
    lowest = min(readings["p_a"] for readings in _run(plant, PULL, 5.0))
    ended.set()
    thread.join()
    assert 0.0 < lowest <= 101_326.0


def test_loading_the_default_plant() -> None:
    """It is named as any other, and satisfies the interface."""
    plant: Plant = load_plant("rig.sim.plant:BenchPlant")
    assert isinstance(plant, BenchPlant)


class Unfinished:
    """A plant that lacks most of what it needs."""

    def connect(self, part: object) -> None:
        """Do nothing."""


class Demanding(BenchPlant):
    """A plant that cannot be built without arguments."""

    def __init__(self, volume_m3: float) -> None:
        super().__init__(PlantSettings(rig_volume_m3=volume_m3))


@pytest.mark.parametrize(
    ("spec", "said"),
    [
        ("rig.sim.plant", "write it as module:Class"),
        (":BenchPlant", "write it as module:Class"),
        ("rig.sim.plant:", "write it as module:Class"),
        ("no_such_plant:Plant", "cannot be imported.*PYTHONPATH"),
        ("rig.sim.plant:Benchplant", "has no class Benchplant"),
        ("rig.sim.plant:load_plant", "has no class load_plant"),
        (f"{__name__}:Unfinished", "Unfinished lacks stroke, set_bath, fault, advance"),
        (f"{__name__}:Demanding", "constructor without arguments"),
    ],
)
def test_what_is_no_plant_is_refused(spec: str, said: str) -> None:
    """The error says what is missing and how to name a plant."""
    with pytest.raises(BenchError, match=said):
        load_plant(spec)
