"""Own the three leak laws of the curve maker and what a hand gauge shows of them; never import rig.

Written apart from the program, from the laws' differential equations, so that a mistake in either
shows as a disagreement between the two.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

R_AIR = 288.0
"""Gas constant of air at the reference atmosphere [J/(kg K)]."""
RHO_0 = 1.185
"""Density of the reference atmosphere [kg/m3], ISO 8778."""
T_0 = 293.15
"""Temperature of the reference atmosphere [K], ISO 8778."""
INHG_PA = 3386.389
SEA_LEVEL_PA = 101_325.0
STD_CC_MIN = 6e7
"""Standard cm3/min in one standard m3/s."""

LAWS = ("orifice", "laminar", "permeation", "none")

Inflow = Callable[[float, float], float]
"""dp/dt [Pa/s] of a fixed volume from its pressure [Pa] and the ambient [Pa]."""


@dataclass(frozen=True)
class Gauge:
    """A hand-gauge test: from a vacuum [Pa], for a time [s], in a volume [m3], at most a drop [Pa].

    The defaults are 1 inHg in 20 s from 15 inHg in 45 cm3.
    """

    from_vacuum_pa: float = 15.0 * INHG_PA
    within_s: float = 20.0
    volume_m3: float = 45e-6
    max_drop_pa: float = 1.0 * INHG_PA


@dataclass(frozen=True)
class Leak:
    """One leak: law, critical ratio (orifice only) and strength in the law's own unit.

    `strength` is C [m3/(s Pa)] of the orifice, K [kg/(s Pa2)] of the laminar law, G [kg/(s Pa)] of
    permeation.
    """

    law: str
    strength: float
    critical_ratio: float = 0.5

    def mass_flow(self, pressure_pa: float, ambient_pa: float, temperature_k: float) -> float:
        """Compute the mass flow [kg/s] into `pressure_pa`; nothing flows at or above ambient."""
        if self.law == "none" or pressure_pa >= ambient_pa:
            return 0.0
        if self.law == "permeation":
            return self.strength * (ambient_pa - pressure_pa)
        if self.law == "laminar":
            return self.strength * (ambient_pa - pressure_pa) * (ambient_pa + pressure_pa)
        choked = self.strength * RHO_0 * ambient_pa * math.sqrt(T_0 / temperature_k)
        excess = pressure_pa / ambient_pa - self.critical_ratio
        if excess <= 0.0:
            return choked
        excess /= 1.0 - self.critical_ratio
        return choked * math.sqrt(max(1.0 - excess * excess, 0.0))

    def inflow(self, temperature_k: float, volume_m3: float) -> Inflow:
        """Return dp/dt [Pa/s] as a function of pressure and ambient [Pa]: isothermal, fixed V."""
        per_mass = R_AIR * temperature_k / volume_m3

        def rate(pressure_pa: float, ambient_pa: float) -> float:
            return per_mass * self.mass_flow(pressure_pa, ambient_pa, temperature_k)

        return rate

    def standard_flow(self, vacuum_pa: float, ambient_pa: float = SEA_LEVEL_PA) -> float:
        """Compute the flow [standard m3/s, ANR] at a vacuum, gas at 20 degC."""
        return self.mass_flow(ambient_pa - vacuum_pa, ambient_pa, T_0) / RHO_0

    def drop_pa(self, gauge: Gauge) -> float:
        """Compute the drop [Pa] this leak alone makes on a hand gauge at sea level and 20 degC.

        Closed forms of p' = r g(p) by separation of variables: orifice a straight line and then a
        sine, laminar a hyperbolic tangent, permeation an exponential.
        """
        if self.law == "none":
            return 0.0
        ambient, start = SEA_LEVEL_PA, SEA_LEVEL_PA - gauge.from_vacuum_pa
        into_vacuum = self.inflow(T_0, gauge.volume_m3)(0.0, ambient)
        return _pressure_after(self, start, ambient, into_vacuum * gauge.within_s) - start


def _pressure_after(leak: Leak, start_pa: float, ambient_pa: float, push_pa: float) -> float:
    """Compute the pressure once the leak has pushed r t = `push_pa` (r: dp/dt into a vacuum)."""
    if leak.law == "permeation":
        return ambient_pa - (ambient_pa - start_pa) * math.exp(-push_pa / ambient_pa)
    if leak.law == "laminar":
        return ambient_pa * math.tanh(math.atanh(start_pa / ambient_pa) + push_pa / ambient_pa)
    knee = leak.critical_ratio * ambient_pa
    width = ambient_pa - knee
    if start_pa < knee:
        if start_pa + push_pa <= knee:
            return start_pa + push_pa
        push_pa -= knee - start_pa
        angle = 0.0
    else:
        angle = math.asin((start_pa - knee) / width)
    return knee + width * math.sin(min(angle + push_pa / width, math.pi / 2))


def _push_to(law: str, critical_ratio: float, start_pa: float, end_pa: float) -> float:
    """Compute r t [Pa] that takes the pressure from start to end at sea level."""
    ambient = SEA_LEVEL_PA
    if law == "permeation":
        return ambient * math.log((ambient - start_pa) / (ambient - end_pa))
    if law == "laminar":
        return ambient * (math.atanh(end_pa / ambient) - math.atanh(start_pa / ambient))
    knee = critical_ratio * ambient
    width = ambient - knee

    def travel(pressure_pa: float) -> float:
        beyond = pressure_pa - knee
        return beyond if beyond < 0.0 else width * math.asin(beyond / width)

    return travel(end_pa) - travel(start_pa)


def leak_with_drop(
    law: str, drop_pa: float, critical_ratio: float = 0.5, gauge: Gauge | None = None
) -> Leak:
    """Return the leak of a law that makes exactly `drop_pa` on a hand gauge at sea level, 20 degC.

    Raises ValueError when the drop is not below the gauge's whole vacuum.
    """
    gauge = gauge or Gauge()
    if not 0.0 <= drop_pa < gauge.from_vacuum_pa:
        raise ValueError(f"a drop of {drop_pa} Pa is not within 0..{gauge.from_vacuum_pa} Pa")
    if law == "none" or drop_pa == 0.0:
        return Leak("none", 0.0, critical_ratio)
    start = SEA_LEVEL_PA - gauge.from_vacuum_pa
    rate = _push_to(law, critical_ratio, start, start + drop_pa) / gauge.within_s
    unit = Leak(law, 1.0, critical_ratio).inflow(T_0, gauge.volume_m3)(0.0, SEA_LEVEL_PA)
    return Leak(law, rate / unit, critical_ratio)
