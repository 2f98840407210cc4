"""Own one volume of gas and how gas passes between two; never know what a volume belongs to.

A cell holds an amount of gas m [kg] at one temperature T [K] in a volume V [m3]: p = m R T / V.
Gas that crosses a border carries its enthalpy (dU = c_p T dm), a moving wall does work
(T V^(gamma - 1) stays), and the wall warms or cools the gas with one time constant. Energies stand
here as m T [kg K], internal energy over c_v.
"""

import math
from bisect import bisect_left

from rig.analysis.charging import HEAT_CAPACITY_RATIO
from rig.analysis.gas import GAS_CONSTANT, STANDARD_DENSITY, STANDARD_TEMPERATURE_K

_EXPANSION = HEAT_CAPACITY_RATIO - 1.0
_RECOVERY = ((20e-6, 0.5), (50e-6, 0.8), (1e-3, 6.0), (5e-3, 18.0))
"""Volumes [m3] and time constants [s] of gas that warms in them after a pull to 20 inHg."""


def recovery_s(volume_m3: float) -> float:
    """Get the time constant [s] with which gas in `volume_m3` takes its wall's temperature.

    Log-linear between the figures of the trade, and along their outer pieces beyond them.
    """
    volumes = [volume for volume, _ in _RECOVERY]
    upper = min(max(bisect_left(volumes, volume_m3), 1), len(_RECOVERY) - 1)
    (v0, tau0), (v1, tau1) = _RECOVERY[upper - 1], _RECOVERY[upper]
    slope = math.log(tau1 / tau0) / math.log(v1 / v0)
    return tau0 * math.exp(slope * math.log(volume_m3 / v0))


def orifice_kg_s(
    conductance_m3_s_pa: float,
    critical_ratio: float,
    upstream_pa: float,
    upstream_k: float,
    downstream_pa: float,
) -> float:
    """Compute the mass flow [kg/s] of an orifice (ISO 6358-1); nothing flows upwards."""
    ratio = downstream_pa / upstream_pa
    if ratio >= 1.0:
        return 0.0
    choked = (
        conductance_m3_s_pa
        * STANDARD_DENSITY
        * upstream_pa
        * math.sqrt(STANDARD_TEMPERATURE_K / upstream_k)
    )
    excess = (ratio - critical_ratio) / (1.0 - critical_ratio)
    return choked if excess <= 0.0 else choked * math.sqrt(1.0 - excess * excess)


class Air:
    """Air without end at one pressure [Pa] and temperature [K]: what a cell may be open to."""

    __slots__ = ("pressure_pa", "temperature_k")

    per_volume = 0.0
    """1/V [1/m3]."""

    def __init__(self, pressure_pa: float, temperature_k: float) -> None:
        self.pressure_pa = pressure_pa
        self.temperature_k = temperature_k

    def give(self, mass_kg: float) -> tuple[float, float]:
        """Let gas go; return the energy [kg K] that it brings and the vapour [kg] in it."""
        return HEAT_CAPACITY_RATIO * self.temperature_k * mass_kg, 0.0

    def take(self, mass_kg: float, energy_kg_k: float, vapour_kg: float) -> None:
        """Take gas in, which changes nothing."""


class GasCell:
    """A volume of gas that its wall keeps at `wall_k`, filled at the start to a pressure.

    `vapour_kg` of the gas came from a liquid. A new volume is set through `resize`.
    """

    __slots__ = ("mass_kg", "recovery_s", "temperature_k", "vapour_kg", "volume_m3", "wall_k")

    def __init__(self, volume_m3: float, pressure_pa: float, wall_k: float) -> None:
        self.volume_m3 = volume_m3
        self.temperature_k = self.wall_k = wall_k
        self.mass_kg = pressure_pa * volume_m3 / (GAS_CONSTANT * wall_k)
        self.vapour_kg = 0.0
        self.recovery_s = recovery_s(volume_m3)

    @property
    def pressure_pa(self) -> float:
        """Get the absolute pressure [Pa]."""
        return self.mass_kg * GAS_CONSTANT * self.temperature_k / self.volume_m3

    @property
    def per_volume(self) -> float:
        """Get 1/V [1/m3]."""
        return 1.0 / self.volume_m3

    def give(self, mass_kg: float) -> tuple[float, float]:
        """Let gas go; return the energy [kg K] that it takes along and the vapour [kg] in it.

        What stays behind expands without heat, so both cells together keep their energy.
        """
        before_kg_k = self.mass_kg * self.temperature_k
        left = 1.0 - mass_kg / self.mass_kg
        vapour_kg = self.vapour_kg * mass_kg / self.mass_kg
        self.temperature_k *= left**_EXPANSION
        self.mass_kg -= mass_kg
        self.vapour_kg -= vapour_kg
        return before_kg_k - self.mass_kg * self.temperature_k, vapour_kg

    def take(self, mass_kg: float, energy_kg_k: float, vapour_kg: float) -> None:
        """Take gas in with the energy [kg K] that it brings; `vapour_kg` of it is vapour."""
        energy_kg_k += self.mass_kg * self.temperature_k
        self.mass_kg += mass_kg
        self.temperature_k = energy_kg_k / self.mass_kg
        self.vapour_kg += vapour_kg

    def resize(self, volume_m3: float) -> None:
        """Give the cell another volume [m3], without heat."""
        self.temperature_k *= (self.volume_m3 / volume_m3) ** _EXPANSION
        self.volume_m3 = volume_m3

    def recover(self, step_s: float) -> None:
        """Let the wall warm or cool the gas for `step_s`."""
        self.temperature_k -= (self.wall_k - self.temperature_k) * math.expm1(
            -step_s / self.recovery_s
        )


def pass_gas(
    source: "GasCell | Air", sink: "GasCell | Air", flow_kg_s: float, step_s: float
) -> float:
    """Let gas pass for `step_s` from the higher pressure to the lower; return how much [kg].

    `flow_kg_s` is the flow at the start of the step. It slackens as the pressures draw level, and
    never carries more than levels them: the step may be long against the time that this takes.
    """
    drawn = source.per_volume + sink.per_volume
    excess_pa = source.pressure_pa - sink.pressure_pa
    if flow_kg_s <= 0.0 or excess_pa <= 0.0:
        return 0.0
    levels_kg = excess_pa / (HEAT_CAPACITY_RATIO * GAS_CONSTANT * source.temperature_k * drawn)
    passed_kg = -levels_kg * math.expm1(-flow_kg_s * step_s / levels_kg)
    energy_kg_k, vapour_kg = source.give(passed_kg)
    sink.take(passed_kg, energy_kg_k, vapour_kg)
    return passed_kg


def flow_through(
    one: "GasCell | Air",
    other: "GasCell | Air",
    conductance_m3_s_pa: float,
    critical_ratio: float,
    step_s: float,
) -> float:
    """Let gas pass an orifice for `step_s`, whichever way it wants; return how much [kg]."""
    if one.pressure_pa < other.pressure_pa:
        one, other = other, one
    flow_kg_s = orifice_kg_s(
        conductance_m3_s_pa,
        critical_ratio,
        one.pressure_pa,
        one.temperature_k,
        other.pressure_pa,
    )
    return pass_gas(one, other, flow_kg_s, step_s)
