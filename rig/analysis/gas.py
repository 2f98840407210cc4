"""Own the three leak laws of an isothermal volume under vacuum; never know about noise or settling.

A volume V at absolute pressure p and gas temperature T takes in air from an ambient p_a through a
leak: dp/dt = q_m R T / V. The laws for the mass flow q_m [kg/s]:

    orifice     ISO 6358-1: C rho0 p_a sqrt(T0/T), times sqrt(1 - ((p/p_a - b)/(1 - b))^2) where
                p/p_a exceeds the critical ratio b
    laminar     K (p_a^2 - p^2), a long narrow or porous passage (Poiseuille, compressible)
    permeation  G (p_a - p), through rubber (Fick, constant permeability)

Each law is a shape g(p) times a strength, so one closed form and one pair of derivatives serve the
estimator for all three: with r = dp/dt at a shape value of 1, the pressure depends on r t alone,
dp/dr = t g(p) and dp/dp_start = g(p)/g(p_start).

Standard flow is at the reference atmosphere of ISO 8778 (ANR): 100 kPa, 20 degC, 65 % RH.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

GAS_CONSTANT = 288.0
"""R of air at the reference atmosphere, J/(kg K) (ISO 6358-1)."""
STANDARD_DENSITY = 1.185
"""rho0, kg/m3 (ISO 8778)."""
STANDARD_TEMPERATURE_K = 293.15
"""T0, K (ISO 8778)."""
CRITICAL_RATIO_PRIOR = (0.2, 0.53)
"""Where the critical ratio of a leak is believed to lie when the curve does not show it."""


class Law(StrEnum):
    """How flow through a leak depends on the pressures either side of it."""

    ORIFICE = "orifice"
    LAMINAR = "laminar"
    PERMEATION = "permeation"


@dataclass(frozen=True)
class LeakLaw:
    """A law with its critical ratio b (used by the orifice only, 0 <= b < 1)."""

    law: Law
    critical_ratio: float = 0.5

    def __post_init__(self) -> None:
        if not 0.0 <= self.critical_ratio < 1.0:
            raise ValueError(f"critical ratio {self.critical_ratio} is outside 0 <= b < 1")

    def shape(self, pressure_pa: ArrayLike, ambient_pa: float) -> FloatArray:
        """Get g(p): the flow as a share of the flow into a perfect vacuum, 0 to 1, any shape.

        Above ambient the flow is taken as zero: the laws here only fill a volume.
        """
        ratio = np.minimum(np.asarray(pressure_pa, dtype=float) / ambient_pa, 1.0)
        if self.law is Law.LAMINAR:
            return 1.0 - ratio * ratio
        if self.law is Law.PERMEATION:
            return 1.0 - ratio
        excess = np.maximum(ratio - self.critical_ratio, 0.0) / (1.0 - self.critical_ratio)
        return np.sqrt(np.maximum(1.0 - excess * excess, 0.0))

    def pressure(
        self, time_s: ArrayLike, start_pa: ArrayLike, rate_pa_s: ArrayLike, ambient_pa: float
    ) -> FloatArray:
        """Compute the pressure [Pa] `time_s` after `start_pa`, arrays broadcast together.

        `rate_pa_s` is dp/dt into a perfect vacuum (g = 1). Negative rates run the same curve
        backwards, so the estimator may step through zero. Closed forms: design of the gas model.
        """
        t, start, rate = np.broadcast_arrays(
            np.asarray(time_s, float), np.asarray(start_pa, float), np.asarray(rate_pa_s, float)
        )
        if self.law is Law.PERMEATION:
            return ambient_pa - (ambient_pa - start) * np.exp(-rate * t / ambient_pa)
        if self.law is Law.LAMINAR:
            inner = np.clip(start / ambient_pa, -_BELOW_ONE, _BELOW_ONE)
            return ambient_pa * np.tanh(np.arctanh(inner) + rate * t / ambient_pa)
        return self._orifice(t, start, rate, ambient_pa)

    def _orifice(
        self, t: FloatArray, start: FloatArray, rate: FloatArray, ambient_pa: float
    ) -> FloatArray:
        b = self.critical_ratio
        knee = b * ambient_pa
        width = ambient_pa - knee
        # One travel coordinate for both branches: p - knee while choked, then width * asin(x).
        x_start = np.clip((start - knee) / width, 0.0, 1.0)
        travel = np.where(start < knee, start - knee, width * np.arcsin(x_start)) + rate * t
        x = np.sin(np.clip(travel / width, 0.0, math.pi / 2))
        return np.where(travel < 0.0, knee + travel, knee + width * x)

    def derivative_rate(
        self, time_s: ArrayLike, pressure_pa: ArrayLike, ambient_pa: float
    ) -> FloatArray:
        """Compute dp/dr [s] at `time_s`, where the curve stands at `pressure_pa`."""
        return np.asarray(time_s, dtype=float) * self.shape(pressure_pa, ambient_pa)

    def derivative_start(
        self, pressure_pa: ArrayLike, start_pa: ArrayLike, ambient_pa: float
    ) -> FloatArray:
        """Compute dp/dp_start [-] where the curve from `start_pa` stands at `pressure_pa`."""
        start_shape = np.maximum(self.shape(start_pa, ambient_pa), 1e-9)
        return self.shape(pressure_pa, ambient_pa) / start_shape

    def derivative_critical_ratio(
        self, time_s: ArrayLike, start_pa: float, rate_pa_s: float, ambient_pa: float
    ) -> FloatArray:
        """Compute dp/db [Pa] of the orifice at `time_s`; zero for the other laws."""
        t = np.asarray(time_s, dtype=float)
        if self.law is not Law.ORIFICE:
            return np.zeros_like(t)
        b = self.critical_ratio
        p = self.pressure(t, start_pa, rate_pa_s, ambient_pa)
        x = np.clip((p / ambient_pa - b) / (1.0 - b), 0.0, 1.0)
        x_start = max((start_pa / ambient_pa - b) / (1.0 - b), 0.0)
        # Unchoked, asin x = s + r t / width, s from the start (choked: its travel to the knee).
        # Differentiate p = knee + width sin(angle) in b at fixed t.
        angle = np.arcsin(x)
        if start_pa < b * ambient_pa:
            angle_b = (-ambient_pa + ambient_pa * angle) / (ambient_pa * (1.0 - b))
        else:
            start_b = (x_start - 1.0) / (1.0 - b) / math.sqrt(max(1.0 - x_start**2, 1e-12))
            angle_b = start_b + (angle - math.asin(x_start)) / (1.0 - b)
        slope = ambient_pa * (1.0 - x) + ambient_pa * (1.0 - b) * np.cos(angle) * angle_b
        return np.where((x <= 0.0) | (x >= 1.0), 0.0, slope)

    def time_to_reach(
        self, pressure_pa: ArrayLike, start_pa: float, rate_pa_s: float, ambient_pa: float
    ) -> FloatArray:
        """Compute the time [s] from `start_pa` until the curve stands at `pressure_pa`.

        Infinite for a pressure that the law only approaches (ambient, laminar and permeation).
        """
        p = np.asarray(pressure_pa, dtype=float)
        if self.law is Law.PERMEATION:
            with np.errstate(divide="ignore"):
                gone = np.log((ambient_pa - start_pa) / (ambient_pa - p))
            return ambient_pa * gone / rate_pa_s
        if self.law is Law.LAMINAR:
            with np.errstate(divide="ignore"):
                angle = np.arctanh(p / ambient_pa)
            return ambient_pa * (angle - math.atanh(start_pa / ambient_pa)) / rate_pa_s
        return (self._travel(p, ambient_pa) - self._travel(start_pa, ambient_pa)) / rate_pa_s

    def _travel(self, pressure_pa: ArrayLike, ambient_pa: float) -> FloatArray:
        knee = self.critical_ratio * ambient_pa
        width = ambient_pa - knee
        beyond = np.asarray(pressure_pa, dtype=float) - knee
        return np.where(beyond < 0.0, beyond, width * np.arcsin(np.clip(beyond / width, 0.0, 1.0)))


_BELOW_ONE = 1.0 - 1e-12


def rate_from_conductance(
    conductance_m3_s_pa: float, ambient_pa: float, temperature_k: float, volume_m3: float
) -> float:
    """Compute r [Pa/s] of an orifice of sonic conductance C [m3/(s Pa)] (ISO 6358-1)."""
    mass_flow = (
        conductance_m3_s_pa
        * STANDARD_DENSITY
        * ambient_pa
        * math.sqrt(STANDARD_TEMPERATURE_K / temperature_k)
    )
    return mass_flow * GAS_CONSTANT * temperature_k / volume_m3


def conductance_from_rate(
    rate_pa_s: float, ambient_pa: float, temperature_k: float, volume_m3: float
) -> float:
    """Compute the sonic conductance C [m3/(s Pa)] of an orifice from r [Pa/s] (ISO 6358-1)."""
    unit_rate = rate_from_conductance(1.0, ambient_pa, temperature_k, volume_m3)
    return rate_pa_s / unit_rate


def standard_flow(slope_pa_s: float, volume_m3: float, temperature_k: float) -> float:
    """Compute the flow [standard m3/s, ANR] that raises `volume_m3` by `slope_pa_s` [Pa/s]."""
    return slope_pa_s * volume_m3 / (STANDARD_DENSITY * GAS_CONSTANT * temperature_k)


def slope_from_flow(flow_m3_s: float, volume_m3: float, temperature_k: float) -> float:
    """Compute dp/dt [Pa/s] of `volume_m3` under a flow [standard m3/s, ANR]."""
    return flow_m3_s * STANDARD_DENSITY * GAS_CONSTANT * temperature_k / volume_m3


def rate_at_ambient(law: Law, rate_pa_s: float, ambient_pa: float, other_pa: float) -> float:
    """Compute r [Pa/s] of the same leak in the same volume under another ambient.

    Into a perfect vacuum the flow of an orifice and of permeation goes with the ambient, the
    laminar flow with its square; the temperature is unchanged.
    """
    ratio = other_pa / ambient_pa
    return rate_pa_s * (ratio * ratio if law is Law.LAMINAR else ratio)
