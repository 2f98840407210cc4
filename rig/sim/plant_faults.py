"""Own the faults of the simulated bench by name; never bring one about unasked."""

from collections.abc import Callable, Mapping
from difflib import get_close_matches

from rig.analysis.gas import STANDARD_DENSITY, Law
from rig.errors import BenchError
from rig.sim.leaks import TIGHT, Leak, choked_conductance
from rig.sim.pneumatics import Pneumatics
from rig.sim.surroundings import Surroundings
from rig.units import M3_PER_CC, STD_CC_PER_MIN_PER_M3_S

VALVES = ("pump", "vent", "part", "port_b")
Deed = Callable[[Pneumatics, Surroundings, float], None]


def _hose_off(gas: Pneumatics, _room: Surroundings, _figure: float) -> None:
    gas.hose_is_off = True


def _hose_on(gas: Pneumatics, _room: Surroundings, _figure: float) -> None:
    gas.hose_is_off = False
    gas.joint_leak = TIGHT


def _poor_joint(gas: Pneumatics, _room: Surroundings, std_cm3_min: float) -> None:
    gas.joint_leak = Leak(Law.ORIFICE, std_cm3_min / STD_CC_PER_MIN_PER_M3_S)


def _hose_leak(gas: Pneumatics, _room: Surroundings, std_cm3_min: float) -> None:
    gas.leaks["hose"] = Leak(Law.PERMEATION, std_cm3_min / STD_CC_PER_MIN_PER_M3_S)


def _own_leak(gas: Pneumatics, _room: Surroundings, std_cm3_min: float) -> None:
    gas.leaks["own"] = Leak(Law.LAMINAR, std_cm3_min / STD_CC_PER_MIN_PER_M3_S)


def _part_leak(gas: Pneumatics, _room: Surroundings, std_cm3_min: float) -> None:
    gas.chamber.leak = Leak(Law.ORIFICE, std_cm3_min / STD_CC_PER_MIN_PER_M3_S)


def _gulp(gas: Pneumatics, room: Surroundings, std_cm3: float) -> None:
    gulp_kg = std_cm3 * M3_PER_CC * STANDARD_DENSITY
    energy_kg_k, vapour_kg = room.air.give(gulp_kg)
    gas.chamber.cell.take(gulp_kg, energy_kg_k, vapour_kg)


def _plunger(gas: Pneumatics, _room: Surroundings, cm3: float) -> None:
    gas.chamber.set_rest(cm3 * M3_PER_CC)


def _pump_broken(gas: Pneumatics, _room: Surroundings, _figure: float) -> None:
    gas.hand_pump.broken = True


def _pump_mended(gas: Pneumatics, _room: Surroundings, _figure: float) -> None:
    gas.hand_pump.broken = False


def _ambient_shift(_gas: Pneumatics, room: Surroundings, pa: float) -> None:
    room.shift_ambient(pa)


def _ambient_drift(_gas: Pneumatics, room: Surroundings, pa_s: float) -> None:
    room.drift_ambient(pa_s)


def _stuck(valve: str) -> Deed:
    def deed(gas: Pneumatics, _room: Surroundings, open_share: float) -> None:
        gas.valves[valve].stuck_share = open_share

    return deed


def _free(valve: str) -> Deed:
    def deed(gas: Pneumatics, _room: Surroundings, _figure: float) -> None:
        gas.valves[valve].stuck_share = None

    return deed


def _seat_leak(valve: str) -> Deed:
    def deed(gas: Pneumatics, _room: Surroundings, std_cm3_min: float) -> None:
        flow_m3_s = std_cm3_min / STD_CC_PER_MIN_PER_M3_S
        gas.valves[valve].seat_m3_s_pa = choked_conductance(flow_m3_s)

    return deed


FAULTS: Mapping[str, tuple[str, Deed]] = {
    "hose_off": ("", _hose_off),
    "hose_on": ("", _hose_on),
    "poor_joint": ("std_cm3_min", _poor_joint),
    "hose_leak": ("std_cm3_min", _hose_leak),
    "own_leak": ("std_cm3_min", _own_leak),
    "part_leak": ("std_cm3_min", _part_leak),
    "gulp": ("std_cm3", _gulp),
    "plunger": ("cm3", _plunger),
    "pump_broken": ("", _pump_broken),
    "pump_mended": ("", _pump_mended),
    "ambient_shift": ("pa", _ambient_shift),
    "ambient_drift": ("pa_s", _ambient_drift),
    **{f"{valve}_stuck": ("open_share", _stuck(valve)) for valve in VALVES},
    **{f"{valve}_free": ("", _free(valve)) for valve in VALVES},
    **{f"{valve}_seat_leak": ("std_cm3_min", _seat_leak(valve)) for valve in VALVES},
}
"""Every fault: the name of the one figure that it needs (empty: none), and its deed."""


def bring_about(
    gas: Pneumatics, room: Surroundings, name: str, figures: Mapping[str, float]
) -> None:
    """Bring a fault about, or mend one.

    Raises BenchError for an unknown name, and for other figures than the fault needs.
    """
    if name not in FAULTS:
        near = get_close_matches(name, FAULTS, 1)
        hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(FAULTS)}."
        raise BenchError(f"simulated bench: there is no fault '{name}'; {hint}")
    needed, deed = FAULTS[name]
    if set(figures) != ({needed} if needed else set()):
        raise BenchError(
            f"simulated bench: the fault '{name}' takes {needed or 'no figure'}, but was given"
            f" {', '.join(figures) or 'none'}."
        )
    deed(gas, room, figures.get(needed, 0.0))
