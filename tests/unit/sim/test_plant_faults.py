"""Check every fault of the default plant by what it does to the gas."""

from collections.abc import Mapping

import pytest

from rig.errors import BenchError
from rig.sim.plant import BenchPlant
from rig.sim.plant_faults import FAULTS
from rig.sim.plant_settings import PlantSettings
from rig.sim.pumps import STROKE_M3
from tests.support.leaks import INHG_PA, SEA_LEVEL_PA

PULL, HOLD, ALONE = {"vent": True, "pump": True}, {"vent": True}, {"vent": True, "part": True}
PART = {"rest_cm3": 18.0}


def _run(plant: BenchPlant, outputs: Mapping[str, bool], duration_s: float) -> None:
    for _ in range(round(duration_s / 0.01)):
        plant.advance(outputs, 0.01)


def _vacuum_inhg(plant: BenchPlant) -> float:
    return (plant.room.air.pressure_pa - plant.gas.manifold.pressure_pa) / INHG_PA


def _plant(to_inhg: float = 0.0) -> BenchPlant:
    plant = BenchPlant(
        PlantSettings(
            rig_volume_m3=25e-6, own_leak_m3_s=0.0, drifting=False, noisy=False, coil_rise_k=0.0
        )
    )
    plant.connect(PART)
    _pull(plant, to_inhg)
    return plant


def _pull(plant: BenchPlant, to_inhg: float, strokes: int = 30) -> None:
    for _ in range(strokes):
        if _vacuum_inhg(plant) >= to_inhg:
            break
        plant.stroke(STROKE_M3)
        _run(plant, PULL, 0.9)
    if to_inhg:
        _run(plant, HOLD, 5.0)


def _slope_std_cm3_min(plant: BenchPlant, outputs: Mapping[str, bool], volume_cm3: float) -> float:
    """Get the flow [standard cm3/min] that the manifold's rise over 10 s stands for."""
    began_pa = plant.gas.manifold.pressure_pa
    _run(plant, outputs, 10.0)
    slope_pa_s = (plant.gas.manifold.pressure_pa - began_pa) / 10.0
    return slope_pa_s * volume_cm3 * 1e-6 / (1.185 * 288.0 * 294.15) * 6e7


def test_a_hose_that_comes_off_runs_all_the_way_to_ambient() -> None:
    """Within a second of a hold at 15 inHg; put on again, the part can be pulled again."""
    plant = _plant(15.0)
    plant.fault("hose_off")
    _run(plant, HOLD, 1.0)
    assert _vacuum_inhg(plant) == pytest.approx(0.0, abs=0.05)
    _pull(plant, 5.0, strokes=5)
    assert _vacuum_inhg(plant) == pytest.approx(0.0, abs=0.1)
    plant.fault("hose_on")
    _pull(plant, 10.0)
    assert _vacuum_inhg(plant) > 9.0


def test_the_part_keeps_its_history_when_the_hose_is_put_on_again() -> None:
    """Rubber that has given way is still the same rubber: it is no new part."""
    plant = _plant()
    plant.connect({**PART, "creep": "log", "creep_cm3": 1.0, "creep_s": 0.5})
    _pull(plant, 12.0)
    _run(plant, HOLD, 20.0)
    given = plant.gas.chamber.rubber.given_m3
    plant.fault("hose_off")
    plant.fault("hose_on")
    assert plant.gas.chamber.rubber.given_m3 == given > 0.0


@pytest.mark.parametrize(
    ("fault", "outputs", "volume_cm3"),
    [
        ("own_leak", ALONE, 25.0),
        ("hose_leak", ALONE, 25.0),
        ("poor_joint", HOLD, 43.15),
        ("part_leak", HOLD, 43.15),
        ("pump_seat_leak", ALONE, 25.0),
        ("vent_seat_leak", ALONE, 25.0),
    ],
)
def test_a_leak_of_a_size_fills_the_bench_at_its_size(
    fault: str, outputs: Mapping[str, bool], volume_cm3: float
) -> None:
    """6 standard cm3/min from 15 inHg on: the slope of what it leaks into, to 3 %."""
    plant = _plant(15.3)
    _run(plant, outputs, 4.0)
    plant.fault(fault, std_cm3_min=6.0)
    assert _slope_std_cm3_min(plant, outputs, volume_cm3) == pytest.approx(6.0, rel=0.05)


def test_a_leaking_seat_of_the_part_valve_joins_what_it_should_part() -> None:
    """Part at 15 inHg shut off, manifold vented: the part fills through the seat."""
    filled = []
    for size in (0.0, 6.0):
        plant = _plant(15.0)
        plant.fault("part_seat_leak", std_cm3_min=size)
        _run(plant, {"part": True}, 20.0)
        filled.append(SEA_LEVEL_PA - plant.gas.chamber.cell.pressure_pa)
    assert filled[0] > 14.5 * INHG_PA
    assert filled[1] < filled[0] - 2.0 * INHG_PA


def test_a_poor_joint_is_mended_by_putting_the_hose_on_again() -> None:
    """It leaks until then, and a newly hung part is tight, too."""
    for mend in ("hose_on", "connect"):
        plant = _plant()
        plant.fault("poor_joint", std_cm3_min=30.0)
        if mend == "connect":
            plant.connect(PART)
        else:
            plant.fault("hose_on")
        _pull(plant, 15.0)
        assert abs(_slope_std_cm3_min(plant, HOLD, 43.15)) < 0.05


def test_a_gulp_of_air_raises_the_pressure_at_once() -> None:
    """1 standard cm3 in 43.15 cm3: p rises by rho0 R T/V, once the gas has settled."""
    plant = _plant(15.0)
    before_pa = plant.gas.manifold.pressure_pa
    plant.fault("gulp", std_cm3=1.0)
    _run(plant, HOLD, 5.0)
    expected_pa = 1e-6 * 1.185 * 288.0 * 294.15 / 43.15e-6
    assert plant.gas.manifold.pressure_pa - before_pa == pytest.approx(expected_pa, rel=0.01)


def test_a_syringe_on_the_hose_tells_the_rigs_volume() -> None:
    """Boyle: from ambient, 5 cm3 out of 25 + 0.15 + 5 make 1/p rise along its straight line."""
    plant = _plant()
    plant.connect({"rest_cm3": 5.0})
    _run(plant, HOLD, 2.0)
    inverse = []
    for cm3 in (5.0, 10.0, 15.0):
        plant.fault("plunger", cm3=cm3)
        _run(plant, HOLD, 8.0)
        inverse.append(1.0 / plant.gas.manifold.pressure_pa)
    slope = (inverse[2] - inverse[0]) / 10.0
    assert inverse[0] / slope - 5.0 - 0.15 == pytest.approx(25.0, rel=1e-3)
    assert inverse[1] == pytest.approx(0.5 * (inverse[0] + inverse[2]), rel=1e-4)


def test_a_broken_pump_draws_nothing_until_it_is_mended() -> None:
    """Strokes without effect, then with."""
    plant = _plant()
    plant.fault("pump_broken")
    _pull(plant, 5.0, strokes=4)
    assert _vacuum_inhg(plant) == pytest.approx(0.0, abs=0.01)
    plant.fault("pump_mended")
    _pull(plant, 5.0, strokes=6)
    assert _vacuum_inhg(plant) > 4.0


def test_the_rooms_pressure_can_jump_and_drift() -> None:
    """The vacuum follows the room, since the manifold is shut off from it."""
    plant = _plant(10.0)
    before = _vacuum_inhg(plant)
    plant.fault("ambient_shift", pa=-2.0 * INHG_PA)
    _run(plant, HOLD, 0.05)
    assert _vacuum_inhg(plant) == pytest.approx(before - 2.0, abs=0.02)
    plant.fault("ambient_drift", pa_s=0.1 * INHG_PA)
    _run(plant, HOLD, 10.0)
    assert _vacuum_inhg(plant) == pytest.approx(before - 1.0, abs=0.05)


def test_stuck_valves_do_not_answer_to_their_coils() -> None:
    """A vent stuck shut keeps the vacuum without power; freed, it lets the air in."""
    plant = _plant(10.0)
    plant.fault("vent_stuck", open_share=0.0)
    _run(plant, {}, 3.0)
    assert _vacuum_inhg(plant) > 9.0
    plant.fault("vent_free")
    _run(plant, {}, 3.0)
    assert _vacuum_inhg(plant) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("valve", ["pump", "part", "port_b"])
def test_any_valve_can_stick_and_be_freed(valve: str) -> None:
    """Stuck half open it stands half open, with and without current."""
    plant = _plant()
    plant.fault(f"{valve}_stuck", open_share=0.5)
    for outputs in ({valve: True, "vent": True}, {"vent": True}):
        _run(plant, outputs, 0.1)
        assert plant.gas.valves[valve].share == pytest.approx(0.5)
    plant.fault(f"{valve}_free")
    _run(plant, {"vent": True}, 0.1)
    assert plant.gas.valves[valve].share == (0.0 if valve == "pump" else 1.0)


def test_a_leaking_seat_of_port_b_lets_it_return_to_ambient() -> None:
    """Shut off below ambient, port B creeps back through the seat."""
    plant = _plant()
    plant.gas.port_b.mass_kg *= 0.5
    plant.fault("port_b_seat_leak", std_cm3_min=60.0)
    plant.gas.valves["port_b"].share = 0.0
    _run(plant, {"port_b": True, "vent": True}, 10.0)
    assert plant.gas.port_b.pressure_pa == pytest.approx(SEA_LEVEL_PA, rel=0.01)


@pytest.mark.parametrize(
    ("name", "figures", "said"),
    [
        ("hose_of", {}, "did you mean 'hose_off'"),
        ("earthquake", {}, "no fault 'earthquake'; known are hose_off"),
        ("hose_off", {"std_cm3_min": 1.0}, "takes no figure, but was given std_cm3_min"),
        ("own_leak", {}, "takes std_cm3_min, but was given none"),
        ("gulp", {"cm3": 1.0}, "takes std_cm3, but was given cm3"),
    ],
)
def test_an_unknown_fault_or_figure_is_refused(
    name: str, figures: dict[str, float], said: str
) -> None:
    """The error says what there is, or what the fault takes."""
    with pytest.raises(BenchError, match=said):
        BenchPlant().fault(name, **figures)


def test_every_fault_can_be_brought_about() -> None:
    """Each with its own figure."""
    plant = BenchPlant()
    for name, (figure, _) in FAULTS.items():
        plant.fault(name, **({figure: 0.5} if figure else {}))
