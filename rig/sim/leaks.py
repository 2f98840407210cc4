"""Own the leaks of a simulated bench and what is true of them; never read a sensor.

A leak's size is its standard flow (ANR) at `STATED_AT_PA` below sea level's ambient, the gas at
20 degC. The flow laws are those of `rig.analysis.gas`, here for one pressure at a time.
"""

import math
from dataclasses import dataclass, field

from rig.analysis.gas import (
    GAS_CONSTANT,
    STANDARD_DENSITY,
    STANDARD_TEMPERATURE_K,
    Law,
)
from rig.sim.gas_cells import Air, GasCell, orifice_kg_s, pass_gas
from rig.units import PA_PER_INHG, SEA_LEVEL_PA

STATED_AT_PA = 15.0 * PA_PER_INHG
"""Vacuum [Pa] at which a leak's size is stated."""
_OPENS_OVER_PA = 0.3 * PA_PER_INHG
"""A tear that opens above a vacuum is fully open this much further on."""


@dataclass(frozen=True, slots=True)
class Leak:
    """One leak between the room and a chamber, of a size [standard m3/s].

    `critical_ratio` is the orifice's only. A leak that opens above `opens_above_pa` of vacuum is
    shut below it; its size is then that of the open tear.
    """

    law: Law
    size_m3_s: float
    critical_ratio: float = 0.4
    opens_above_pa: float = 0.0
    _strength: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_strength", self._strength_of_law())

    def mass_flow(self, pressure_pa: float, ambient_pa: float, upstream_k: float) -> float:
        """Compute the mass flow [kg/s] into the chamber; negative where it is above ambient."""
        if self.size_m3_s == 0.0:
            return 0.0
        if self.law is Law.ORIFICE:
            into = pressure_pa < ambient_pa
            high, low = (ambient_pa, pressure_pa) if into else (pressure_pa, ambient_pa)
            flow = orifice_kg_s(self._strength, self.critical_ratio, high, upstream_k, low)
            flow = flow if into else -flow
        elif self.law is Law.LAMINAR:
            flow = self._strength * (ambient_pa - pressure_pa) * (ambient_pa + pressure_pa)
        else:
            flow = self._strength * (ambient_pa - pressure_pa)
        return flow * self._open(ambient_pa - pressure_pa) if self.opens_above_pa else flow

    def standard_flow(
        self,
        vacuum_pa: float,
        ambient_pa: float = SEA_LEVEL_PA,
        temperature_k: float = STANDARD_TEMPERATURE_K,
    ) -> float:
        """Compute the true flow [standard m3/s, ANR] at a vacuum [Pa] below an ambient [Pa]."""
        return self.mass_flow(ambient_pa - vacuum_pa, ambient_pa, temperature_k) / STANDARD_DENSITY

    def equivalent_drop(
        self,
        from_vacuum_pa: float,
        within_s: float,
        volume_m3: float,
        ambient_pa: float = SEA_LEVEL_PA,
        temperature_k: float = STANDARD_TEMPERATURE_K,
    ) -> float:
        """Integrate the true drop [Pa] of a hand gauge from this leak alone, isothermal.

        Fourth-order Runge-Kutta over at least 2000 steps.
        """
        per_kg = GAS_CONSTANT * temperature_k / volume_m3
        steps = max(2000, math.ceil(within_s / 0.01))
        step_s = within_s / steps

        def rate(pressure_pa: float) -> float:
            return per_kg * self.mass_flow(pressure_pa, ambient_pa, temperature_k)

        start_pa = pressure_pa = ambient_pa - from_vacuum_pa
        for _ in range(steps):
            k1 = rate(pressure_pa)
            k2 = rate(pressure_pa + 0.5 * step_s * k1)
            k3 = rate(pressure_pa + 0.5 * step_s * k2)
            k4 = rate(pressure_pa + step_s * k3)
            pressure_pa += step_s / 6.0 * (k1 + 2.0 * (k2 + k3) + k4)
        return pressure_pa - start_pa

    def pass_gas(self, cell: GasCell, air: Air, step_s: float) -> float:
        """Let the leak fill `cell` for `step_s`, or empty it where it is above ambient.

        Return how much passed [kg].
        """
        flow = self.mass_flow(cell.pressure_pa, air.pressure_pa, air.temperature_k)
        if flow >= 0.0:
            return pass_gas(air, cell, flow, step_s)
        return pass_gas(cell, air, -flow, step_s)

    def _strength_of_law(self) -> float:
        """Get C, K or G of the law, each in its own unit."""
        mass_kg_s = self.size_m3_s * STANDARD_DENSITY
        if self.law is Law.LAMINAR:
            return mass_kg_s / (STATED_AT_PA * (2.0 * SEA_LEVEL_PA - STATED_AT_PA))
        if self.law is Law.PERMEATION:
            return mass_kg_s / STATED_AT_PA
        unit = orifice_kg_s(
            1.0,
            self.critical_ratio,
            SEA_LEVEL_PA,
            STANDARD_TEMPERATURE_K,
            SEA_LEVEL_PA - STATED_AT_PA,
        )
        return mass_kg_s / unit

    def _open(self, vacuum_pa: float) -> float:
        """Get how far a tear is open, 0 to 1."""
        return min(max((vacuum_pa - self.opens_above_pa) / _OPENS_OVER_PA, 0.0), 1.0)


def choked_conductance(flow_m3_s: float) -> float:
    """Get the sonic conductance [m3/(s Pa)] that passes a standard flow when choked.

    From the room at sea level and 20 degC (ISO 6358-1: q = C p there).
    """
    return flow_m3_s / SEA_LEVEL_PA


TIGHT = Leak(Law.ORIFICE, 0.0)
"""The leak of a chamber that has none."""
