"""Own flow through an orifice and how it fills or empties a rigid vessel; never judge a part.

The flow is that of ISO 6358-1 for an orifice (sonic conductance C, critical ratio b) between any
two pressures; the vessel's gas either keeps its temperature (isothermal) or exchanges no heat with
its wall (adiabatic). The isothermal filling under a vacuum is `rig.analysis.gas`.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.analysis.gas import (
    STANDARD_DENSITY,
    STANDARD_TEMPERATURE_K,
    Law,
    LeakLaw,
    rate_from_conductance,
)
from rig.arrays import FloatArray

HEAT_CAPACITY_RATIO = 1.4
"""gamma of air."""


@dataclass(frozen=True)
class Orifice:
    """An orifice: sonic conductance C [m3/(s Pa)], positive, and critical ratio b, 0 <= b < 1."""

    conductance_m3_s_pa: float
    critical_ratio: float

    def __post_init__(self) -> None:
        if not self.conductance_m3_s_pa > 0.0:
            raise ValueError(f"sonic conductance {self.conductance_m3_s_pa} is not positive")
        LeakLaw(Law.ORIFICE, self.critical_ratio)  # refuses a ratio that cannot be

    @property
    def law(self) -> LeakLaw:
        """Get the shape of its flow."""
        return LeakLaw(Law.ORIFICE, self.critical_ratio)

    def mass_flow(
        self, upstream_pa: float, upstream_k: float, downstream_pa: ArrayLike
    ) -> FloatArray:
        """Compute the mass flow [kg/s] into any shape of downstream pressures (ISO 6358-1).

        Zero where the downstream pressure reaches the upstream one: it never flows back.
        """
        sonic = (
            self.conductance_m3_s_pa
            * STANDARD_DENSITY
            * upstream_pa
            * math.sqrt(STANDARD_TEMPERATURE_K / upstream_k)
        )
        return sonic * self.law.shape(downstream_pa, upstream_pa)

    def standard_flow(
        self, upstream_pa: float, upstream_k: float, downstream_pa: ArrayLike
    ) -> FloatArray:
        """Compute the flow [standard m3/s, ANR] into any shape of downstream pressures."""
        return self.mass_flow(upstream_pa, upstream_k, downstream_pa) / STANDARD_DENSITY


@dataclass(frozen=True)
class IsothermalDischarge:
    """A vessel that empties through an orifice to ambient, its gas at one temperature.

    With k = C rho0 sqrt(T0/T) R T / V and y = p_a/p: dp/dt = -k p while y <= b, beyond that
    dy/dt = k y sqrt(1 - x^2), x = (y - b)/(1 - b). With u = tan(asin(x)/2) and s^2 = 1 - 2 b, from
    u_s at the start of that part,

        k t = 2 (1 - b) artanh(s z)/s, z = (u - u_s)/(b (1 + u u_s) + (1 - b)(u + u_s)),

    arctan and |s| for b > 1/2, z itself for b = 1/2; u = 1 is ambient.

    Raises ValueError unless `start_pa` lies above `ambient_pa`.
    """

    orifice: Orifice
    volume_m3: float
    temperature_k: float
    start_pa: float
    ambient_pa: float

    def __post_init__(self) -> None:
        if not self.start_pa > self.ambient_pa > 0.0:
            raise ValueError(
                f"start {self.start_pa} Pa is not above a positive ambient of {self.ambient_pa} Pa"
            )

    def time_to_reach(self, pressure_pa: ArrayLike) -> FloatArray:
        """Compute the time [s] from the start until it stands at `pressure_pa`, any shape.

        Infinite below ambient, which it never reaches; ambient itself it reaches in finite time.
        """
        p = np.asarray(pressure_pa, dtype=float)
        choked = np.log(self.start_pa / np.maximum(p, self._knee_pa))
        start_u = float(self._half_tangent(self._knee_pa))
        end_u = self._half_tangent(np.minimum(p, self._knee_pa))
        share = (end_u - start_u) / self._join(start_u, end_u)
        scaled = self._decay * (choked + 2.0 * (1.0 - self._b) * self._arc(share))
        return np.where(p < self.ambient_pa, math.inf, scaled)

    def pressure(self, time_s: ArrayLike) -> FloatArray:
        """Compute the pressure [Pa] `time_s` >= 0 after the start, any shape."""
        decays = np.asarray(time_s, dtype=float) / self._decay
        choked = math.log(self.start_pa / self._knee_pa)
        start_u = float(self._half_tangent(self._knee_pa))
        whole = (1.0 - start_u) / self._join(start_u, np.ones(()))
        arc = np.clip((decays - choked) / (2.0 * (1.0 - self._b)), 0.0, self._arc(whole))
        share = self._arc_inverse(arc)
        b, c = self._b, 1.0 - self._b
        u = (start_u + share * (b + c * start_u)) / (1.0 - share * (b * start_u + c))
        ratio = b + c * np.sin(2.0 * np.arctan(u))
        return np.where(decays < choked, self.start_pa * np.exp(-decays), self.ambient_pa / ratio)

    @property
    def _b(self) -> float:
        return self.orifice.critical_ratio

    @property
    def _decay(self) -> float:
        """Get 1/k [s], the time constant of the choked part."""
        return 1.0 / rate_from_conductance(
            self.orifice.conductance_m3_s_pa, 1.0, self.temperature_k, self.volume_m3
        )

    @property
    def _knee_pa(self) -> float:
        """Get the pressure from which on the flow is not choked: the start's at most."""
        if self.start_pa * self._b <= self.ambient_pa:
            return self.start_pa
        return self.ambient_pa / self._b

    def _half_tangent(self, pressure_pa: ArrayLike) -> FloatArray:
        x = np.clip((self.ambient_pa / np.asarray(pressure_pa) - self._b) / (1.0 - self._b), 0, 1)
        # tan(asin(x)/2) = x / (1 + cos(asin x))
        return x / (1.0 + np.sqrt((1.0 - x) * (1.0 + x)))

    def _join(self, start_u: float, end_u: FloatArray) -> FloatArray:
        return self._b * (1.0 + start_u * end_u) + (1.0 - self._b) * (start_u + end_u)

    def _arc(self, share: FloatArray) -> FloatArray:
        root = math.sqrt(abs(1.0 - 2.0 * self._b))
        if root < 1e-8:
            return share
        return (np.arctanh if self._b < 0.5 else np.arctan)(root * share) / root

    def _arc_inverse(self, arc: FloatArray) -> FloatArray:
        root = math.sqrt(abs(1.0 - 2.0 * self._b))
        if root < 1e-8:
            return arc
        return (np.tanh if self._b < 0.5 else np.tan)(root * arc) / root


@dataclass(frozen=True)
class AdiabaticCharge:
    """A vessel that fills through an orifice without exchanging heat with its wall.

    The gas that enters brings its enthalpy: dU = c_p T1 dm, so V dp/dt = gamma R T1 q_m (first law
    for a rigid vessel, ideal gas). The pressure rises as in the isothermal filling at the upstream
    temperature, gamma times as fast.
    """

    orifice: Orifice
    volume_m3: float
    upstream_pa: float
    upstream_k: float
    start_pa: float
    start_k: float

    def time_to_reach(self, pressure_pa: ArrayLike) -> FloatArray:
        """Compute the time [s] from the start until it stands at `pressure_pa`, any shape."""
        return self.orifice.law.time_to_reach(
            pressure_pa, self.start_pa, self._rate_pa_s, self.upstream_pa
        )

    def pressure(self, time_s: ArrayLike) -> FloatArray:
        """Compute the pressure [Pa] `time_s` after the start, any shape."""
        return self.orifice.law.pressure(time_s, self.start_pa, self._rate_pa_s, self.upstream_pa)

    def temperature(self, pressure_pa: ArrayLike) -> FloatArray:
        """Compute the gas temperature [K] where it stands at `pressure_pa` > 0, any shape.

        Of the mass m = p_s V/(R T_s) + (p - p_s) V/(gamma R T1), T = p V/(m R).
        """
        p = np.asarray(pressure_pa, dtype=float)
        brought = (p - self.start_pa) / (HEAT_CAPACITY_RATIO * self.upstream_k)
        return p / (self.start_pa / self.start_k + brought)

    @property
    def _rate_pa_s(self) -> float:
        return HEAT_CAPACITY_RATIO * rate_from_conductance(
            self.orifice.conductance_m3_s_pa, self.upstream_pa, self.upstream_k, self.volume_m3
        )
