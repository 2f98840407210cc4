"""Own the state of the part that hangs on the hose; never know the valves before it.

The chamber takes in the fitting between part valve and nipple, so that a capped hose is a chamber,
too. Gas, diaphragm, rubber and water move in turn, each exact or stable over a step of its own.
"""

from rig.analysis.gas import GAS_CONSTANT
from rig.sim.diaphragm import Diaphragm, Spring
from rig.sim.gas_cells import Air, GasCell
from rig.sim.leaks import TIGHT
from rig.sim.liquid import Liquid
from rig.sim.parts import SimPart
from rig.sim.rubber import Rubber

_NO_SPRING = Spring(0.0, 0.0, 1.0)
_LEAST_M3 = 0.1e-6


class PartChamber:
    """A part, None for the cap, on a fitting of a volume [m3]; filled from the room at first."""

    def __init__(self, part: SimPart | None, fitting_m3: float, air: Air) -> None:
        behind = part if part is not None and not part.blocked else None
        beyond_m3 = part.settled_m3(0.0) if part is not None else 0.0
        self._fitting_m3 = fitting_m3
        self._empty_m3 = fitting_m3 + beyond_m3
        self.cell = GasCell(self._empty_m3, air.pressure_pa, air.temperature_k)
        self.leak = behind.leak if behind else TIGHT
        self.passage_m3_s_pa = behind.passage_m3_s_pa if behind else 0.0
        self.in_bath = behind is not None and behind.in_bath
        self.diaphragm = Diaphragm(behind.spring if behind else _NO_SPRING)
        self.rubber = Rubber(behind.creep if behind else ())
        wet = behind is not None and behind.liquid_kg > 0.0
        self.liquid = Liquid(behind.liquid_kg, behind.evaporation_s) if behind and wet else None

    def set_rest(self, volume_m3: float) -> None:
        """Set the volume [m3] at rest, as the plunger of a syringe on the hose does."""
        self._empty_m3 = self._fitting_m3 + volume_m3

    def pass_time(self, air: Air, step_s: float) -> float:
        """Let the part go on by itself for `step_s`; return what it moved, as a share of its gas.

        Leak, rubber, water, wall and diaphragm; the gas behind the part valve comes after.
        """
        cell = self.cell
        moved_kg = self.leak.pass_gas(cell, air, step_s) if self.leak.size_m3_s else 0.0
        if self.liquid is not None:
            self.liquid.evaporate(cell, step_s)
        cell.recover(step_s)
        before_m3 = cell.volume_m3
        vacuum_pa = air.pressure_pa - cell.pressure_pa
        self.rubber.creep(vacuum_pa, step_s)
        empty_m3 = max(self._empty_m3 - self.rubber.given_m3, _LEAST_M3)
        content_j = cell.mass_kg * GAS_CONSTANT * cell.temperature_k
        volume_m3 = self.diaphragm.volume(content_j, empty_m3, air.pressure_pa)
        if volume_m3 != before_m3:
            cell.resize(max(volume_m3, _LEAST_M3))
        return moved_kg / cell.mass_kg
