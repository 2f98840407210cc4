"""Own the pumps that draw from the bench through a restrictor; never open the pump valve.

A stroke of the hand pump squeezes the piston out of its chamber, which draws gas through restrictor
and check valve while the hand holds; then a spring drives the gas out to the room. What the piston
cannot drive out (the dead volume) bounds the vacuum: ambient times dead over dead and swept volume
is left, or a little less, since the gas in the piston is cold when it has just been drawn out. An
electric pump keeps the far side of the restrictor at its ultimate pressure.
"""

import math

from rig.analysis.gas import GAS_CONSTANT
from rig.sim.gas_cells import Air, GasCell, orifice_kg_s, pass_gas

STROKE_M3 = 16e-6
"""Swept volume of one stroke, about a cubic inch."""
SQUEEZE_S = 0.25
CRITICAL_RATIO = 0.4
_PISTON_RECOVERY_S = 0.3


class Restrictor:
    """The narrow way between the pump valve and what draws: conductance [m3/(s Pa)]."""

    def __init__(self, conductance_m3_s_pa: float) -> None:
        self._conductance_m3_s_pa = conductance_m3_s_pa

    def draw(
        self, manifold: GasCell, sink: GasCell | Air, valve_m3_s_pa: float, step_s: float
    ) -> float:
        """Draw gas through pump valve and restrictor for `step_s`; return how much [kg].

        Nothing comes back. Two ways in a row pass less than either: 1/C^2 adds up.
        """
        if valve_m3_s_pa <= 0.0:
            return 0.0
        own = self._conductance_m3_s_pa
        way = own / math.hypot(1.0, own / valve_m3_s_pa)
        pressure_pa, temperature_k = manifold.pressure_pa, manifold.temperature_k
        flow = orifice_kg_s(way, CRITICAL_RATIO, pressure_pa, temperature_k, sink.pressure_pa)
        return pass_gas(manifold, sink, flow, step_s)


class HandPump:
    """A hand pump, at rest at the start; its exhaust goes to `room`.

    `dead_m3` is left in its chamber when the piston is home; `hold_s` is how long the hand stays
    squeezed when no further stroke comes. A `broken` pump draws nothing.
    """

    def __init__(self, restrictor: Restrictor, dead_m3: float, hold_s: float, room: Air) -> None:
        self.broken = False
        self._restrictor = restrictor
        self._dead_m3 = dead_m3
        self._hold_s = hold_s
        self._room = room
        self._chamber = GasCell(dead_m3, room.pressure_pa, room.temperature_k)
        self._chamber.recovery_s = _PISTON_RECOVERY_S
        self._swept_m3 = 0.0
        self._since_s = math.inf

    @property
    def busy(self) -> bool:
        """Tell whether a hand is squeezing the pump."""
        return self._since_s < self._hold_s

    def stroke(self, swept_m3: float) -> None:
        """Begin a stroke; one that is still held is let go first."""
        self._let_go()
        self._swept_m3 = swept_m3
        self._since_s = 0.0

    def draw(self, manifold: GasCell, valve_m3_s_pa: float, step_s: float) -> float:
        """Move the piston and draw gas from the manifold for `step_s`; return how much [kg]."""
        if not self.busy:
            return 0.0
        self._since_s += step_s
        out = min(self._since_s / SQUEEZE_S, 1.0)
        self._chamber.wall_k = self._room.temperature_k
        self._chamber.resize(self._dead_m3 + out * self._swept_m3)
        self._chamber.recover(step_s)
        drawn_kg = 0.0
        if not self.broken:
            drawn_kg = self._restrictor.draw(manifold, self._chamber, valve_m3_s_pa, step_s)
        if self._since_s >= self._hold_s:
            self._let_go()
        return drawn_kg

    def _let_go(self) -> None:
        """Bring the piston home: what exceeds ambient in the dead volume leaves to the room."""
        room_k = self._room.temperature_k
        most_kg = self._room.pressure_pa * self._dead_m3 / (GAS_CONSTANT * room_k)
        fresh = GasCell(self._dead_m3, self._room.pressure_pa, room_k)
        fresh.recovery_s = _PISTON_RECOVERY_S
        fresh.mass_kg = min(self._chamber.mass_kg, most_kg)
        self._chamber = fresh
        self._since_s = math.inf
