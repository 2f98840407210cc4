"""Check the bench's gas against closed forms, an independent solver, and what must be kept."""

from collections.abc import Mapping

import numpy as np
import pytest

from rig.analysis.gas import Law, LeakLaw
from rig.sim.gas_cells import recovery_s
from rig.sim.parts import SimPart
from rig.sim.plant_settings import PlantSettings
from rig.sim.pneumatics import Pneumatics
from rig.sim.pumps import STROKE_M3
from rig.sim.surroundings import Surroundings, ambient_at
from rig.units import STD_CC_PER_MIN_PER_M3_S
from tests.support.leaks import INHG_PA, R_AIR, RHO_0, SEA_LEVEL_PA, Leak
from tests.unit.sim.oracle import Cell, Room

ROOM_K = 294.15
VENTED: Mapping[str, bool] = {}
PULL = {"vent": True, "pump": True}
HOLD = {"vent": True}
ALONE = {"vent": True, "part": True}
"""The manifold alone: part shut off."""
RIGID = {"rest_cm3": 18.0}
MOVING = {
    "rest_cm3": 18.0,
    "stroke_cm3": 5.0,
    "start_inhg": 3.0,
    "full_inhg": 9.0,
    "friction_inhg": 0.0,
}


def _bench(**made: object) -> tuple[Pneumatics, Surroundings]:
    """Build a bench of 25 cm3 that stands still: no drift, no warm coils, no leak of its own."""
    still = {"rig_volume_m3": 25e-6, "own_leak_m3_s": 0.0, "coil_rise_k": 0.0, "room_k": ROOM_K}
    settings = PlantSettings(**{**still, **made})  # type: ignore[arg-type]
    room = Surroundings(settings.ambient_pa, settings.room_k, 1, drifting=False)
    return Pneumatics(settings, room), room


def _advance(gas: Pneumatics, outputs: Mapping[str, bool], duration_s: float) -> None:
    for _ in range(round(duration_s / 0.005)):
        gas.advance(outputs, 0.005)


def _vacuum_inhg(gas: Pneumatics, ambient_pa: float = SEA_LEVEL_PA) -> float:
    return (ambient_pa - gas.manifold.pressure_pa) / INHG_PA


def _pull(gas: Pneumatics, to_inhg: float, outputs: Mapping[str, bool] = PULL) -> int:
    for stroke in range(60):
        if _vacuum_inhg(gas) >= to_inhg:
            return stroke
        gas.hand_pump.stroke(STROKE_M3)
        _advance(gas, outputs, 1.0)
    return 60


def _gas_kg(gas: Pneumatics) -> float:
    return gas.manifold.mass_kg + gas.chamber.cell.mass_kg


def test_gas_is_kept_while_nothing_leaks() -> None:
    """All shut and tight, through creep, travel and valves at work: no gas lost, to 1e-9."""
    gas, _ = _bench()
    gas.connect(SimPart.from_mapping({**MOVING, "creep": "log", "creep_cm3": 0.8}))
    _pull(gas, 16.0)
    _advance(gas, HOLD, 0.1)
    before = _gas_kg(gas)
    for outputs in (HOLD, ALONE, HOLD, ALONE, HOLD):
        _advance(gas, outputs, 12.0)
    assert _gas_kg(gas) == pytest.approx(before, rel=1e-9)


def _solved(gas: Pneumatics, part: SimPart, leak: Leak | None, times_s: np.ndarray) -> np.ndarray:
    """Integrate a hold from how the bench stands now, by the independent solver."""
    own = Cell(gas.manifold.volume_m3, recovery_s(gas.manifold.volume_m3))
    spring = part.spring
    flow = (lambda p: leak.mass_flow(p, SEA_LEVEL_PA, ROOM_K)) if leak else (lambda _: 0.0)
    volume_m3 = part.rest_m3 + 0.15e-6
    other = Cell(
        volume_m3,
        recovery_s(volume_m3),
        spring.stroke_m3,
        spring.start_pa,
        spring.full_pa,
        [(pair.volume_m3, pair.retardation_s) for pair in part.creep],
        leak=flow,
    )
    states = [(each.mass_kg, each.pressure_pa) for each in (gas.manifold, gas.chamber.cell)]
    given = np.array(gas.chamber.rubber.given_by_pair_m3)
    return Room(SEA_LEVEL_PA, ROOM_K).joined(own, other, (states[0], states[1]), given, times_s)


CREEP = {"creep": "exponential", "creep_cm3": 1.0, "creep_s": 4.0}
LOG_CREEP = {"creep": "log", "creep_cm3": 0.8, "creep_s": 0.5}


@pytest.mark.parametrize(
    ("keys", "law", "std_cm3_min", "tolerance_pa"),
    [
        (RIGID, None, 0.0, 0.05),
        (RIGID, "orifice", 9.0, 3.0),
        (RIGID | CREEP, "laminar", 30.0, 6.0),
        (MOVING | LOG_CREEP, "permeation", 5.0, 1.0),
        (MOVING, "laminar", 60.0, 15.0),
    ],
)
def test_a_hold_runs_as_an_independent_solver_has_it(
    keys: Mapping[str, object], law: str | None, std_cm3_min: float, tolerance_pa: float
) -> None:
    """Gas that warms, rubber, rod and leak together, 40 s: within 5e-4 of what came in."""
    part_keys = dict(keys)
    leak = None
    if law is not None:
        part_keys |= {
            "leak_law": law,
            "leak_std_cm3_min": std_cm3_min,
            "leak_critical_ratio": 0.4,
        }
        unit = Leak(law, 1.0, 0.4)
        size = std_cm3_min / STD_CC_PER_MIN_PER_M3_S
        leak = Leak(law, size / unit.standard_flow(15.0 * INHG_PA), 0.4)
    gas, _ = _bench()
    part = SimPart.from_mapping(part_keys)
    gas.connect(part)
    _pull(gas, 15.0)
    _advance(gas, HOLD, 0.025)
    times_s = np.arange(0.0, 40.0, 0.1)
    expected = _solved(gas, part, leak, times_s)
    found = [gas.manifold.pressure_pa]
    for _ in times_s[1:]:
        _advance(gas, HOLD, 0.1)
        found.append(gas.manifold.pressure_pa)
    assert expected[-1] - expected[0] > 300.0
    np.testing.assert_allclose(found, expected, rtol=0.0, atol=tolerance_pa)


def test_one_stroke_runs_as_an_independent_solver_has_it() -> None:
    """A squeeze through restrictor and valve: each pressure within 0.3 % of the pull."""
    gas, _ = _bench(stroke_hold_s=1.0)
    _advance(gas, {"vent": True, "part": True, "pump": True}, 0.05)
    made = PlantSettings()
    manifold = Cell(25e-6, recovery_s(25e-6))

    def volume(t: float) -> tuple[float, float]:
        moving = t < 0.25
        out = made.pump_dead_m3 + min(t / 0.25, 1.0) * STROKE_M3
        return out, STROKE_M3 / 0.25 if moving else 0.0

    piston = Cell(made.pump_dead_m3, 0.3, piston=volume)
    way = (made.restrictor_m3_s_pa**-2 + made.pump_m3_s_pa**-2) ** -0.5
    chamber_kg = SEA_LEVEL_PA * made.pump_dead_m3 / (R_AIR * ROOM_K)
    times_s = np.linspace(0.0, 0.9, 10)
    expected = Room(SEA_LEVEL_PA, ROOM_K).drawn(
        manifold,
        piston,
        start=((gas.manifold.mass_kg, SEA_LEVEL_PA), (chamber_kg, SEA_LEVEL_PA)),
        conductance=lambda _: way,
        critical_ratio=0.4,
        times_s=times_s,
    )[:, 0]
    gas.hand_pump.stroke(STROKE_M3)
    found = [gas.manifold.pressure_pa]
    for _ in times_s[1:]:
        _advance(gas, {"vent": True, "part": True, "pump": True}, 0.1)
        found.append(gas.manifold.pressure_pa)
    pulled = expected[0] - expected[-1]
    assert pulled > 10e3
    np.testing.assert_allclose(found, expected, rtol=0.0, atol=3e-3 * pulled)


def test_an_opening_part_valve_runs_as_an_independent_solver_has_it() -> None:
    """The rush of gas through a valve that opens over 20 ms: within 2 % of the step."""
    gas, _ = _bench()
    gas.connect(SimPart.from_mapping(RIGID))
    _pull(gas, 15.0, {**PULL, "part": True})
    _advance(gas, ALONE, 5.0)
    volume_m3 = 18.15e-6
    cells = [Cell(volume_m3, recovery_s(volume_m3)), Cell(25e-6, recovery_s(25e-6))]
    states = [(each.mass_kg, each.pressure_pa) for each in (gas.chamber.cell, gas.manifold)]
    times_s = np.linspace(0.0, 0.04, 9)
    expected = Room(SEA_LEVEL_PA, ROOM_K).drawn(
        *cells,
        start=(states[0], states[1]),
        conductance=lambda t: 3e-9 * min(t / 0.02, 1.0),
        critical_ratio=0.3,
        times_s=times_s,
    )[:, 1]
    found = [gas.manifold.pressure_pa]
    for _ in times_s[1:]:
        gas.advance(HOLD, 0.005)
        found.append(gas.manifold.pressure_pa)
    step = expected[-1] - expected[0]
    assert step > 10e3
    np.testing.assert_allclose(found, expected, rtol=0.0, atol=0.02 * step)


@pytest.mark.parametrize(("part", "true_cm3"), [(RIGID, 18.0), (MOVING, 18.0), (None, 0.0)])
def test_a_small_expansion_tells_the_rest_volume(
    part: Mapping[str, object] | None, true_cm3: float
) -> None:
    """Boyle over two cells, settled: the chamber and the 0.15 cm3 of its fitting, to 0.1 %."""
    gas, _ = _bench()
    gas.connect(SimPart.from_mapping(part) if part else None)
    _advance(gas, ALONE, 0.1)
    gas.hand_pump.stroke(5e-6)
    _advance(gas, {**PULL, "part": True}, 0.3)
    _advance(gas, ALONE, 8.0)
    before_pa = gas.manifold.pressure_pa
    _advance(gas, HOLD, 10.0)
    after_pa = gas.manifold.pressure_pa
    found = 25e-6 * (after_pa - before_pa) / (SEA_LEVEL_PA - after_pa)
    assert SEA_LEVEL_PA - after_pa < 3.0 * INHG_PA
    assert found * 1e6 == pytest.approx(true_cm3 + 0.15, rel=1e-3)


def test_an_expansion_on_the_stop_tells_the_volume_there() -> None:
    """Part at 15 inHg and shut off, manifold at 21: rest less stroke, and the fitting."""
    gas, _ = _bench()
    gas.connect(SimPart.from_mapping(MOVING))
    _pull(gas, 15.5)
    _advance(gas, HOLD, 8.0)
    part_pa = gas.manifold.pressure_pa
    _advance(gas, ALONE, 0.1)
    _pull(gas, 21.0, {**PULL, "part": True})
    _advance(gas, ALONE, 8.0)
    before_pa = gas.manifold.pressure_pa
    _advance(gas, HOLD, 10.0)
    after_pa = gas.manifold.pressure_pa
    found = 25e-6 * (after_pa - before_pa) / (part_pa - after_pa)
    assert found * 1e6 == pytest.approx(18.0 - 5.0 + 0.15, rel=1e-3)


@pytest.mark.parametrize("law", list(Law))
def test_a_settled_hold_follows_the_closed_form(law: Law) -> None:
    """After the transient the pressure runs along the leak's closed form, to 3e-4 of the rise.

    The reference is isothermal, so the little heat that inflowing air brings is left out of both by
    starting the closed form at the settled pressure.
    """
    gas, _ = _bench()
    keys = {**RIGID, "leak_law": law.value, "leak_std_cm3_min": 6.0, "leak_critical_ratio": 0.35}
    gas.connect(SimPart.from_mapping(keys))
    _pull(gas, 16.0)
    _advance(gas, HOLD, 10.0)
    start_pa = gas.manifold.pressure_pa
    shape = LeakLaw(law, 0.35)
    unit = Leak(law.value, 1.0, 0.35)
    strength = 6.0 / STD_CC_PER_MIN_PER_M3_S / unit.standard_flow(15.0 * INHG_PA)
    into_nothing = Leak(law.value, strength, 0.35).mass_flow(0.0, SEA_LEVEL_PA, ROOM_K)
    rate_pa_s = into_nothing * R_AIR * ROOM_K / 43.15e-6
    expected = float(shape.pressure(50.0, start_pa, rate_pa_s, SEA_LEVEL_PA))
    _advance(gas, HOLD, 50.0)
    assert expected - start_pa > 8e3
    assert gas.manifold.pressure_pa - expected == pytest.approx(0.0, abs=5e-4 * expected)


@pytest.mark.parametrize(
    ("volume_m3", "published_s"), [(20e-6, 0.5), (50e-6, 0.8), (1e-3, 6.0), (5e-3, 18.0)]
)
def test_gas_settles_with_the_trades_time_constants(volume_m3: float, published_s: float) -> None:
    """A pull that is shut off warms with the trade's time constant of its volume."""
    gas, _ = _bench(rig_volume_m3=volume_m3, restrictor_m3_s_pa=3e-11 * volume_m3 / 20e-6)
    gas.advance({**ALONE, "pump": True, "electric_pump": True}, 0.6 * published_s)
    gas.advance(ALONE, 0.03)
    start_k = gas.manifold.temperature_k
    gas.advance(ALONE, published_s)
    share = (ROOM_K - gas.manifold.temperature_k) / (ROOM_K - start_k)
    assert ROOM_K - start_k > 3.0
    assert share == pytest.approx(np.exp(-1.0), rel=0.01)


def test_a_fast_pull_cools_as_much_as_the_trade_says() -> None:
    """Without heat from the wall a pull to 20 inHg cools by up to 79 degC (isentropic)."""
    gas, _ = _bench(restrictor_m3_s_pa=1e-9)
    gas.manifold.recovery_s = 1e9
    while _vacuum_inhg(gas) < 20.0:
        gas.advance({**ALONE, "pump": True, "electric_pump": True}, 0.001)
    assert ROOM_K - gas.manifold.temperature_k == pytest.approx(79.0, abs=2.0)


def test_the_rigs_own_leak_is_what_was_set() -> None:
    """0.02 standard cm3/min at 15 inHg: the closed slope q rho0 R T/V of the capped hose."""
    size = 0.02 / STD_CC_PER_MIN_PER_M3_S
    gas, _ = _bench(own_leak_m3_s=size)
    _pull(gas, 15.2)
    _advance(gas, HOLD, 15.0)
    start_pa = gas.manifold.pressure_pa
    expected_pa_s = gas.own_leak_m3_s(SEA_LEVEL_PA - start_pa) * RHO_0 * R_AIR * ROOM_K / 25.15e-6
    _advance(gas, HOLD, 60.0)
    slope_pa_s = (gas.manifold.pressure_pa - start_pa) / 60.0
    assert gas.own_leak_m3_s(15.0 * INHG_PA) == pytest.approx(size, rel=1e-3)
    assert slope_pa_s == pytest.approx(expected_pa_s, rel=5e-3)


def test_the_vent_brings_all_to_ambient_within_seconds() -> None:
    """From 15 inHg in rig and part, unpowered: below 0.1 inHg after 2.5 s, and slower than 0.2."""
    gas, _ = _bench()
    gas.connect(SimPart.from_mapping(MOVING))
    _pull(gas, 15.0)
    _advance(gas, VENTED, 0.2)
    assert _vacuum_inhg(gas) > 2.0
    _advance(gas, VENTED, 2.3)
    assert abs(_vacuum_inhg(gas)) < 0.1
    assert gas.chamber.cell.pressure_pa == pytest.approx(SEA_LEVEL_PA, rel=1e-3)


@pytest.mark.parametrize("feet", [0.0, 5000.0, 10_000.0])
def test_a_part_sees_the_difference_at_any_altitude(feet: float) -> None:
    """The rod answers to the vacuum below the ambient that there is."""
    ambient_pa = ambient_at(feet * 0.3048)
    gas, room = _bench(ambient_pa=ambient_pa)
    gas.connect(SimPart.from_mapping(MOVING))
    while ambient_pa - gas.manifold.pressure_pa < 6.0 * INHG_PA:
        gas.hand_pump.stroke(STROKE_M3)
        _advance(gas, PULL, 0.2)
    _advance(gas, HOLD, 8.0)
    vacuum = (room.air.pressure_pa - gas.chamber.cell.pressure_pa) / INHG_PA
    assert 4.0 < vacuum < 8.0
    assert gas.chamber.diaphragm.share == pytest.approx((vacuum - 3.0) / 6.0, abs=1e-3)


def test_coils_warm_the_manifold_slowly() -> None:
    """One coil of three on the manifold: a kelvin in the end, 0.1 K in the first minute."""
    gas, _ = _bench(coil_rise_k=1.0)
    _advance(gas, HOLD, 60.0)
    assert gas.manifold.wall_k - ROOM_K == pytest.approx(1.0 - np.exp(-0.1), rel=1e-6)
    gas, _ = _bench(coil_rise_k=1.0, coil_rise_s=10.0)
    gas.advance({**HOLD, "part": True}, 100.0)
    assert gas.manifold.wall_k - ROOM_K == pytest.approx(2.0, abs=1e-3)
    assert gas.chamber.cell.wall_k == ROOM_K


def test_a_bath_warms_the_part_that_lies_in_it() -> None:
    """Shut off at 290 K and heated to 360 K, its pressure goes with the temperature."""
    gas, room = _bench()
    gas.connect(SimPart.from_mapping({**RIGID, "in_bath": True}))
    _pull(gas, 10.0)
    _advance(gas, {**HOLD, "part": True}, 8.0)
    before_pa = gas.chamber.cell.pressure_pa
    room.bath_target_k = 360.0
    gas.advance({**HOLD, "part": True}, 240.0)
    assert room.bath_k > 345.0
    expected_pa = before_pa * room.bath_k / ROOM_K
    assert gas.chamber.cell.pressure_pa == pytest.approx(expected_pa, rel=2e-4)


def test_a_passage_lets_port_b_follow() -> None:
    """With port B shut a cross-leak brings it down to A's pressure; open, it stays at ambient."""
    for shut in (True, False):
        gas, _ = _bench()
        gas.connect(SimPart.from_mapping({**RIGID, "passage_std_cm3_min": 60.0}))
        _pull(gas, 12.0, {**PULL, "port_b": shut})
        _advance(gas, {**HOLD, "port_b": shut}, 40.0)
        if shut:
            assert gas.port_b.pressure_pa == pytest.approx(gas.manifold.pressure_pa, abs=50.0)
            assert _vacuum_inhg(gas) > 8.0
        else:
            assert gas.port_b.pressure_pa == pytest.approx(SEA_LEVEL_PA, abs=50.0)


def test_without_a_passage_the_ports_do_not_know_of_each_other() -> None:
    """Port B stays at ambient when the part is pulled, shut or open."""
    gas, _ = _bench()
    gas.connect(SimPart.from_mapping(RIGID))
    _pull(gas, 12.0, {**PULL, "port_b": True})
    assert gas.port_b.pressure_pa == pytest.approx(SEA_LEVEL_PA, rel=1e-9)


def test_a_second_pull_on_stretching_rubber_loses_less() -> None:
    """Creep shrinks from pull to pull while a leak repeats: two holds of one part each."""
    lost = {}
    for name, extra in {
        "creep": {"creep": "log", "creep_cm3": 1.0, "creep_s": 0.5},
        "leak": {"leak_law": "laminar", "leak_std_cm3_min": 3.0},
    }.items():
        gas, _ = _bench()
        gas.connect(SimPart.from_mapping({**RIGID, **extra}))
        lost[name] = []
        for _ in range(2):
            _pull(gas, 15.0)
            _advance(gas, HOLD, 3.0)
            start = _vacuum_inhg(gas)
            _advance(gas, HOLD, 20.0)
            lost[name].append(start - _vacuum_inhg(gas))
            _advance(gas, VENTED, 4.0)
    assert lost["creep"][1] < 0.8 * lost["creep"][0]
    assert lost["leak"][1] == pytest.approx(lost["leak"][0], rel=0.02)


def test_vapour_repeats_until_it_is_purged() -> None:
    """A wet part rises to its plateau at each pull, and less and less once the water is gone."""
    gas, _ = _bench()
    gas.connect(SimPart.from_mapping({**RIGID, "liquid_mg": 1.2, "liquid_s": 20.0}))
    _advance(gas, VENTED, 60.0)
    rises = []
    for _ in range(8):
        _pull(gas, 15.0)
        _advance(gas, HOLD, 3.0)
        start = _vacuum_inhg(gas)
        _advance(gas, HOLD, 15.0)
        rises.append(start - _vacuum_inhg(gas))
        _advance(gas, VENTED, 10.0)
    assert rises[1] == pytest.approx(rises[0], rel=0.1)
    assert rises[0] > 0.05
    assert rises[-1] < 0.2 * rises[0]
