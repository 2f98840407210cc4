"""Own water left in a part: it fills the chamber with its vapour; never move gas between cells.

Vapour counts as the amount of air that makes the same pressure. It evaporates towards saturation
at the wall's temperature with one time constant, and condenses again where it exceeds that. It
leaves with the gas, so purging dries the part.
"""

import math

from rig.analysis.gas import GAS_CONSTANT
from rig.sim.gas_cells import GasCell
from rig.units import ZERO_CELSIUS_K

_WATER_GAS_CONSTANT = 461.5
"""R of water vapour, J/(kg K)."""


def saturation_pa(temperature_k: float) -> float:
    """Get the vapour pressure of water [Pa] (Magnus; Sonntag, Z. Meteorol. 40, 1990)."""
    degc = temperature_k - ZERO_CELSIUS_K
    return 611.2 * math.exp(17.62 * degc / (243.12 + degc))


class Liquid:
    """Water of a mass [kg] that evaporates with a time constant [s] while there is some."""

    def __init__(self, mass_kg: float, evaporation_s: float) -> None:
        self._as_air = _WATER_GAS_CONSTANT / GAS_CONSTANT
        self._left_kg = mass_kg * self._as_air
        self._evaporation_s = evaporation_s

    @property
    def mass_kg(self) -> float:
        """Get the mass of water [kg] that is still liquid."""
        return self._left_kg / self._as_air

    def evaporate(self, cell: GasCell, step_s: float) -> None:
        """Let water evaporate into `cell`, or condense from it, for `step_s`."""
        full_kg = saturation_pa(cell.wall_k) * cell.volume_m3 / (GAS_CONSTANT * cell.temperature_k)
        lacking_kg = full_kg - cell.vapour_kg
        given_kg = -lacking_kg * math.expm1(-step_s / self._evaporation_s)
        given_kg = min(given_kg, self._left_kg)
        self._left_kg -= given_kg
        cell.take(given_kg, given_kg * cell.temperature_k, given_kg)
