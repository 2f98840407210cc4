"""Own the gas of the simulated bench, from the pumps to the part; never read a sensor.

Each cell, valve and leak moves in turn over a short step, each by a formula that is exact or stable
over a step of its own; steps are shorter while valves move or much gas does.
"""

import math
from collections.abc import Mapping

from rig.analysis.gas import STANDARD_DENSITY, STANDARD_TEMPERATURE_K, Law
from rig.sim.gas_cells import Air, GasCell, flow_through, orifice_kg_s
from rig.sim.leaks import TIGHT, Leak
from rig.sim.part_chamber import PartChamber
from rig.sim.parts import SimPart
from rig.sim.plant_settings import PlantSettings
from rig.sim.pumps import HandPump, Restrictor
from rig.sim.surroundings import Surroundings
from rig.sim.valve import CRITICAL_RATIO, Valve

_QUIET_STEP_S = 0.005
_BUSY_STEP_S = 0.001
_BUSY_PER_S = 0.2
"""A cell that exchanges more of its gas than this share in a second is taken in short steps."""
_HOSE_OFF_M3_S_PA = 2e-8
"""Conductance of a bare hose end."""
_WIDE_CRITICAL_RATIO = 0.3
_IN_MANIFOLD = ("pump", "vent", "part")
"""Coils that sit on the manifold and warm it."""


class Pneumatics:
    """Manifold with its hose, four valves, pumps, and the part's chamber; vented at the start.

    `leaks` are those of the manifold and its hose by name, `joint_leak` that of hose and nipple.
    """

    def __init__(self, made: PlantSettings, room: Surroundings) -> None:
        self._made = made
        self._room = room
        air = room.air
        self.manifold = GasCell(made.true_rig_volume_m3, air.pressure_pa, air.temperature_k)
        self.port_b = GasCell(made.port_b_volume_m3, air.pressure_pa, air.temperature_k)
        seat = made.seat_m3_s_pa
        self.valves = {
            "pump": Valve(made.pump_m3_s_pa, seat, open_at_rest=False),
            "vent": Valve(made.vent_m3_s_pa, seat, open_at_rest=True),
            "part": Valve(made.part_m3_s_pa, seat, open_at_rest=True),
            "port_b": Valve(made.port_b_m3_s_pa, seat, open_at_rest=True),
        }
        self.leaks = {"own": Leak(Law.LAMINAR, made.own_leak_m3_s)}
        restrictor = Restrictor(made.restrictor_m3_s_pa)
        self._restrictor = restrictor
        self.hand_pump = HandPump(restrictor, made.pump_dead_m3, made.stroke_hold_s, air)
        self._coils_k = 0.0
        self._is_busy = False
        self.connect(None)

    def connect(self, part: SimPart | None) -> None:
        """Hang a part, None for a cap, on the hose: vented, fresh and tightly joined."""
        self.chamber = PartChamber(part, self._made.fitting_volume_m3, self._room.air)
        self.joint_leak = TIGHT
        self.hose_is_off = False

    def advance(self, outputs: Mapping[str, bool], elapsed_s: float) -> None:
        """Let time pass with these outputs energised."""
        left_s, is_moving = elapsed_s, True
        while left_s > 1e-9:
            # Valves that have arrived stay so: after the first step without a move none begins.
            is_moving = is_moving and any(
                valve.share != valve.goes_to(outputs.get(name, False))
                for name, valve in self.valves.items()
            )
            is_short = is_moving or self._is_busy
            step_s = min(left_s, _BUSY_STEP_S if is_short else _QUIET_STEP_S)
            if is_moving:
                for name, valve in self.valves.items():
                    valve.move(outputs.get(name, False), step_s)
            self._step(outputs, step_s)
            left_s -= step_s

    def own_leak_m3_s(self, vacuum_pa: float) -> float:
        """Get the rig's own leak [standard m3/s] at a vacuum [Pa] below its ambient.

        Hose and the shut seats of pump and vent included, the joint at the part left out.
        """
        ambient_pa = self._room.air.pressure_pa
        total = sum(leak.standard_flow(vacuum_pa, ambient_pa) for leak in self.leaks.values())
        for name in ("pump", "vent"):
            seat, inside_pa = self.valves[name].seat_m3_s_pa, ambient_pa - vacuum_pa
            flow_kg_s = orifice_kg_s(
                seat, CRITICAL_RATIO, ambient_pa, STANDARD_TEMPERATURE_K, inside_pa
            )
            total += flow_kg_s / STANDARD_DENSITY
        return total

    def _step(self, outputs: Mapping[str, bool], step_s: float) -> None:
        """Let one short step pass: walls, part and leaks, then the ways that level pressures."""
        self._room.pass_time(step_s)
        air, manifold, chamber = self._room.air, self.manifold, self.chamber
        self._warm_walls(outputs, step_s)
        share = chamber.pass_time(air, step_s)
        manifold.recover(step_s)
        self.port_b.recover(step_s)
        for leak in self.leaks.values():
            leak.pass_gas(manifold, air, step_s)
        if self.joint_leak.size_m3_s:
            self.joint_leak.pass_gas(chamber.cell, air, step_s)
        passed_kg = self._pump(outputs, step_s)
        passed_kg += self.valves["vent"].pass_gas(manifold, air, step_s)
        passed_kg += self.valves["part"].pass_gas(manifold, chamber.cell, step_s)
        if self.hose_is_off:
            passed_kg += flow_through(
                chamber.cell, air, _HOSE_OFF_M3_S_PA, _WIDE_CRITICAL_RATIO, step_s
            )
        self.valves["port_b"].pass_gas(self.port_b, air, step_s)
        if chamber.passage_m3_s_pa:
            way = chamber.passage_m3_s_pa
            flow_through(chamber.cell, self.port_b, way, _WIDE_CRITICAL_RATIO, step_s)
        share += passed_kg / min(manifold.mass_kg, chamber.cell.mass_kg)
        self._is_busy = share > _BUSY_PER_S * step_s

    def _warm_walls(self, outputs: Mapping[str, bool], step_s: float) -> None:
        """Warm the manifold by its coils, slowly; part and port B follow room or bath."""
        made, room_k = self._made, self._room.air.temperature_k
        wanted_k = made.coil_rise_k * sum(outputs.get(name, False) for name in _IN_MANIFOLD)
        self._coils_k -= (wanted_k - self._coils_k) * math.expm1(-step_s / made.coil_rise_s)
        self.manifold.wall_k = room_k + self._coils_k
        self.port_b.wall_k = room_k
        self.chamber.cell.wall_k = self._room.bath_k if self.chamber.in_bath else room_k

    def _pump(self, outputs: Mapping[str, bool], step_s: float) -> float:
        """Draw by hand and by the electric pump; a shut pump valve only leaks. Return how much."""
        air, valve, manifold = self._room.air, self.valves["pump"], self.manifold
        way = valve.share * valve.open_m3_s_pa
        passed_kg = self.hand_pump.draw(manifold, way, step_s)
        if outputs.get("electric_pump", False):
            inlet_pa = self._made.electric_ultimate_ratio * air.pressure_pa
            inlet = Air(inlet_pa, air.temperature_k)
            passed_kg += self._restrictor.draw(manifold, inlet, way, step_s)
        if way == 0.0:
            passed_kg += valve.pass_gas(manifold, air, step_s)
        return passed_kg
