"""Own what is at the far end of the wires, true pressures and temperatures; never see a pin.

`Plant` is the seam: whatever has these five methods can stand in for `BenchPlant`, the bench as
it comes. hardware/plant.md is the page for whoever writes a plant.
"""

import math
import threading
from collections.abc import Mapping
from importlib import import_module
from typing import Protocol

from rig.errors import BenchError
from rig.sim.instruments import Instruments
from rig.sim.parts import SimPart
from rig.sim.plant_faults import bring_about
from rig.sim.plant_settings import PlantSettings
from rig.sim.pneumatics import Pneumatics
from rig.sim.shelf import shelf_part
from rig.sim.surroundings import Surroundings
from rig.units import ZERO_CELSIUS_K

_SAG_V = 0.15
"""What the supply gives way for each coil."""
_SENSOR_SUPPLY_V = 5.0
_COILS = ("pump", "vent", "part", "port_b", "coil")
_METHODS = ("connect", "stroke", "set_bath", "fault", "advance")


class Plant(Protocol):
    """What a simulated board and hands are connected to."""

    def connect(self, part: Mapping[str, object] | None) -> None:
        """Hang a part on the hose, vented; None for a cap."""
        ...

    def stroke(self, volume_m3: float) -> None:
        """Begin one stroke of the hand pump of a swept volume [m3]."""
        ...

    def set_bath(self, degc: float) -> None:
        """Set what the bath is going to [degC]."""
        ...

    def fault(self, name: str, **figures: float) -> None:
        """Bring about a fault, or mend one."""
        ...

    def advance(self, outputs: Mapping[str, bool], elapsed_s: float) -> Mapping[str, float]:
        """Let time pass with these outputs energised; return SI values by channel name."""
        ...


class BenchPlant:
    """The bench as it comes: manifold and hose, four valves, pumps, part or cap, room and bath.

    A new bench is vented, without power, its hose capped. Everything true of it can be looked up:
    `room`, `gas` (cells, valves, leaks, the part's chamber), `part` (None for the cap), and the
    errors of its sensors in `instruments`. Its methods may be called from any thread.
    """

    def __init__(self, settings: PlantSettings | None = None) -> None:
        self.settings = made = settings or PlantSettings()
        self.room = Surroundings(made.ambient_pa, made.room_k, made.seed, drifting=made.drifting)
        self.gas = Pneumatics(made, self.room)
        self.instruments = Instruments(made)
        self.part: SimPart | None = None
        self._lock = threading.RLock()

    def connect(self, part: Mapping[str, object] | None) -> None:
        """Hang a part on the hose, vented, fresh and tightly joined; None for a cap.

        `{"shelf": "N01"}` takes a named part. Raises BenchError for keys and figures that no part
        has.
        """
        if part is None:
            made = None
        elif set(part) == {"shelf"}:
            made = shelf_part(str(part["shelf"]))
        else:
            made = SimPart.from_mapping(part)
        with self._lock:
            self.part = made
            self.gas.connect(made)

    def stroke(self, volume_m3: float) -> None:
        """Begin one stroke of the hand pump of a swept volume [m3].

        Raises BenchError for a volume that is not positive.
        """
        if not 0.0 < volume_m3 < math.inf:
            raise BenchError(f"hand pump: a stroke of {volume_m3} m3 is not a positive volume.")
        with self._lock:
            self.gas.hand_pump.stroke(volume_m3)

    def set_bath(self, degc: float) -> None:
        """Set what the bath is going to [degC]."""
        with self._lock:
            self.room.bath_target_k = degc + ZERO_CELSIUS_K

    def fault(self, name: str, **figures: float) -> None:
        """Bring about a fault, or mend one; hardware/plant.md lists them.

        Raises BenchError for an unknown name, and for other figures than the fault needs.
        """
        with self._lock:
            bring_about(self.gas, self.room, name, figures)

    def advance(self, outputs: Mapping[str, bool], elapsed_s: float) -> Mapping[str, float]:
        """Let time pass with these outputs energised; return what the sensors read in SI.

        Keys: p_a, p_b, barometer [Pa absolute], t_gas, t_bath [K], supply, sensor_supply [V],
        travel [m].
        """
        with self._lock:
            return self._advance(outputs, elapsed_s)

    def _advance(self, outputs: Mapping[str, bool], elapsed_s: float) -> Mapping[str, float]:
        gas, room = self.gas, self.room
        gas.advance(outputs, elapsed_s)
        manifold = gas.manifold
        self.instruments.feel(manifold.temperature_k, manifold.wall_k, room.bath_k, elapsed_s)
        coils = sum(outputs.get(name, False) for name in _COILS)
        true = {
            "p_a": manifold.pressure_pa,
            "p_b": gas.port_b.pressure_pa,
            "barometer": room.air.pressure_pa,
            "supply": self.settings.supply_v - _SAG_V * coils,
            "sensor_supply": _SENSOR_SUPPLY_V,
            "travel": self.part.travel_m * gas.chamber.diaphragm.share if self.part else 0.0,
        }
        return self.instruments.read(true, elapsed_s)


def load_plant(spec: str) -> Plant:
    """Build the plant that `module:Class` names, such as rig.sim.plant:BenchPlant.

    Raises BenchError where there is no such module or class, where it cannot be built without
    arguments, or where a method of `Plant` is missing.
    """
    like = "write it as module:Class, such as my_plant:MyPlant"
    module_name, colon, class_name = spec.partition(":")
    if not (module_name and colon and class_name):
        raise BenchError(f"plant '{spec}': {like}.")
    try:
        module = import_module(module_name)
    except ImportError as error:
        raise BenchError(
            f"plant '{spec}': the module cannot be imported ({error}). Put its folder on PYTHONPATH"
            f" and {like}."
        ) from error
    made = getattr(module, class_name, None)
    if not isinstance(made, type):
        raise BenchError(f"plant '{spec}': {module_name} has no class {class_name}; {like}.")
    missing = [name for name in _METHODS if not callable(getattr(made, name, None))]
    if missing:
        raise BenchError(
            f"plant '{spec}': {class_name} lacks {', '.join(missing)}. A plant has the methods that"
            " hardware/plant.md lists."
        )
    try:
        plant: Plant = made()
    except TypeError as error:
        raise BenchError(
            f"plant '{spec}': {class_name}() fails ({error}). Give it a constructor without"
            " arguments."
        ) from error
    return plant
