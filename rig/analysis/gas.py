"""Own the three leak laws of an isothermal volume under vacuum; never know about noise or settling.

A volume V at absolute pressure p and gas temperature T takes in air from an ambient p_a through a
leak: dp/dt = q_m R T / V. The laws for the mass flow q_m [kg/s]:

    orifice     ISO 6358-1: C rho0 p_a sqrt(T0/T), times sqrt(1 - ((p/p_a - b)/(1 - b))^2) where
                p/p_a exceeds the critical ratio b
    laminar     K (p_a^2 - p^2), a long narrow or porous passage (Poiseuille, compressible)
    permeation  G (p_a - p), through rubber (Fick, constant permeability)

Each law is a shape g(p) times a strength, so one closed form and one pair of derivatives serve the
estimator for all three: with r = dp/dt at a shape value of 1 and a travel s(p) with ds/dp = 1/g(p),
s grows by r t; the pressure depends on r t alone, dp/dr = t g(p) and dp/dp_start = g(p)/g(p_start).

Standard flow is at the reference atmosphere of ISO 8778 (ANR): 100 kPa, 20 degC, 65 % RH.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from rig.arrays import FloatArray
from rig.records import Estimate
from rig.units import SEA_LEVEL_PA

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
    """A law with its critical ratio b (used by the orifice only, 0 <= b < 1).

    The critical ratio may be an array that broadcasts with the pressures: many orifices at once.
    """

    law: Law
    critical_ratio: float | FloatArray = 0.5

    def __post_init__(self) -> None:
        if not np.all(
            (np.asarray(self.critical_ratio) >= 0.0) & (np.asarray(self.critical_ratio) < 1.0)
        ):
            raise ValueError(f"critical ratio {self.critical_ratio} is outside 0 <= b < 1")

    def shape(self, pressure_pa: ArrayLike, ambient_pa: float) -> FloatArray:
        """Get g(p): the flow as a share of the flow into a perfect vacuum, 0 to 1, any shape.

        Above ambient the flow is taken as zero: the laws here only fill a volume.
        """
        ratio: FloatArray = np.minimum(np.asarray(pressure_pa, dtype=float) / ambient_pa, 1.0)
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
        backwards, so the estimator may step through zero. A start above ambient counts as ambient,
        and the pressure never exceeds it.
        """
        gone = np.asarray(rate_pa_s, dtype=float) * np.asarray(time_s, dtype=float)
        return self._pressure_at(self._travel(start_pa, ambient_pa) + gone, ambient_pa)

    def _travel(self, pressure_pa: ArrayLike, ambient_pa: float) -> FloatArray:
        """Compute s(p) [Pa], ds/dp = 1/g(p): under a leak it grows by r t, whatever the law."""
        ratio: FloatArray = np.minimum(np.asarray(pressure_pa, dtype=float) / ambient_pa, 1.0)
        with np.errstate(divide="ignore"):  # ambient itself lies infinitely far ahead
            if self.law is Law.LAMINAR:
                return ambient_pa * np.arctanh(np.maximum(ratio, -1.0))
            if self.law is Law.PERMEATION:
                return -ambient_pa * np.log1p(-ratio)
        width = 1.0 - self.critical_ratio
        excess = (ratio - self.critical_ratio) / width
        # Choked, the pressure itself; beyond the knee, width times the angle whose sine is x.
        angle = np.where(excess < 0.0, excess, np.arcsin(np.clip(excess, 0.0, 1.0)))
        return ambient_pa * width * angle

    def _pressure_at(self, travel_pa: FloatArray, ambient_pa: float) -> FloatArray:
        """Compute the pressure [Pa] where `_travel` is `travel_pa`."""
        share = travel_pa / ambient_pa
        if self.law is Law.LAMINAR:
            return ambient_pa * np.tanh(share)
        if self.law is Law.PERMEATION:
            return -ambient_pa * np.expm1(-share)
        width = 1.0 - self.critical_ratio
        angle = share / width
        x = np.where(angle < 0.0, angle, np.sin(np.clip(angle, 0.0, math.pi / 2)))
        return ambient_pa * (1.0 - width * (1.0 - x))

    def derivative_shape(self, pressure_pa: ArrayLike, ambient_pa: float) -> FloatArray:
        """Compute dg/dp [1/Pa], any shape; held finite next to ambient, where the orifice's is not.

        It tells how the flow answers when the pressure is moved by something other than the leak.
        """
        ratio = np.minimum(np.asarray(pressure_pa, dtype=float) / ambient_pa, 1.0)
        if self.law is Law.LAMINAR:
            return np.asarray(-2.0 * ratio / ambient_pa)
        if self.law is Law.PERMEATION:
            return np.full_like(ratio, -1.0 / ambient_pa)
        width = 1.0 - self.critical_ratio
        excess = np.maximum(ratio - self.critical_ratio, 0.0) / width
        root = np.sqrt(np.maximum(1.0 - excess * excess, 1e-3))
        return np.asarray(-excess / (root * width * ambient_pa))

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
        self, time_s: ArrayLike, start_pa: ArrayLike, rate_pa_s: ArrayLike, ambient_pa: float
    ) -> FloatArray:
        """Compute dp/db [Pa] of the orifice at `time_s`; zero for the other laws.

        With p = p_a (b + (1 - b) x), x = sin a and (1 - b) a the travel over p_a, at fixed r t:
        dp/db = p_a (1 - x + cos a (a - a_start - sqrt((1 - x_start)/(1 + x_start)))), where x and
        x_start are 0 while choked.
        """
        t = np.asarray(time_s, dtype=float)
        if self.law is not Law.ORIFICE:
            return np.zeros_like(t)
        b = self.critical_ratio
        p = self.pressure(t, start_pa, rate_pa_s, ambient_pa)
        x = np.clip((p / ambient_pa - b) / (1.0 - b), 0.0, 1.0)
        start = np.asarray(start_pa, dtype=float) / ambient_pa
        x_start = np.clip((start - b) / (1.0 - b), 0.0, 1.0)
        start_part = np.arcsin(x_start) + np.sqrt((1.0 - x_start) / (1.0 + x_start))
        cosine = np.sqrt((1.0 - x) * (1.0 + x))
        return np.asarray(ambient_pa * (1.0 - x + cosine * (np.arcsin(x) - start_part)))

    def time_to_reach(
        self, pressure_pa: ArrayLike, start_pa: float, rate_pa_s: float, ambient_pa: float
    ) -> FloatArray:
        """Compute the time [s] from `start_pa` until the curve stands at `pressure_pa`.

        Negative where it stood there before the start. Infinite for a pressure that it never
        reaches: above ambient, ambient itself (laminar and permeation), any at no rate.
        """
        p = np.asarray(pressure_pa, dtype=float)
        with np.errstate(divide="ignore", invalid="ignore"):
            travel = self._travel(p, ambient_pa) - self._travel(start_pa, ambient_pa)
            time_s = travel / rate_pa_s
        reached = np.isfinite(time_s) & (p <= ambient_pa)
        return np.where(p == start_pa, 0.0, np.where(reached, time_s, math.inf))


Hypotheses = Sequence[tuple[LeakLaw, float]]
"""Leak laws that may hold, each with its weight (any positive scale)."""


def critical_ratio_hypotheses(count: int) -> tuple[tuple[LeakLaw, float], ...]:
    """Build `count` orifices that stand for the prior of the critical ratio, weights summing to 1.

    The prior is uniform over `CRITICAL_RATIO_PRIOR`; the nodes and weights are Gauss-Legendre's.

    Raises ValueError unless `count` is at least 1.
    """
    nodes, weights = np.polynomial.legendre.leggauss(count)
    low, high = CRITICAL_RATIO_PRIOR
    ratios = low + (high - low) * (nodes + 1.0) / 2.0
    return tuple(
        (LeakLaw(Law.ORIFICE, float(ratio)), float(weight) / 2.0)
        for ratio, weight in zip(ratios, weights, strict=True)
    )


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


def scale_flow(
    flow_m3_s: float,
    hypotheses: Hypotheses,
    *,
    vacuum_pa: float,
    ambient_pa: float,
    other_vacuum_pa: float,
    other_ambient_pa: float,
) -> Estimate:
    """Estimate the flow [standard m3/s, ANR] of a leak at another vacuum under another ambient.

    `flow_m3_s` was seen at `vacuum_pa` below `ambient_pa`. The value is the mean over the
    hypotheses, its source `law` their standard deviation: what not knowing the law costs. The
    temperature is unchanged. Standard flow does not depend on the volume: in any volume
    `slope_from_flow` turns it into a slope (`Estimate.scaled` with the slope of a unit flow).

    Raises ValueError unless both vacuums lie between 0 (exclusive) and their ambients.
    """
    gains = np.array(
        [
            rate_at_ambient(law.law, 1.0, ambient_pa, other_ambient_pa)
            * _shape_at_vacuum(law, other_vacuum_pa, other_ambient_pa)
            / _shape_at_vacuum(law, vacuum_pa, ambient_pa)
            for law, _ in hypotheses
        ]
    )
    weights = np.array([weight for _, weight in hypotheses])
    mean = float(np.average(gains, weights=weights))
    spread = math.sqrt(float(np.average((gains - mean) ** 2, weights=weights)))
    return Estimate.from_sources(flow_m3_s * mean, {"law": abs(flow_m3_s) * spread})


def equivalent_drop(
    law: LeakLaw,
    flow_m3_s: float,
    from_vacuum_pa: float,
    within_s: float,
    reference_volume_m3: float,
    *,
    ambient_pa: float = SEA_LEVEL_PA,
    temperature_k: float = STANDARD_TEMPERATURE_K,
) -> float:
    """Compute the drop [Pa] of a hand gauge from the leak alone, `within_s` after the start.

    `flow_m3_s` is the leak [standard m3/s, ANR] at `from_vacuum_pa` below `ambient_pa`; a negative
    one gives a negative drop.

    Raises ValueError unless the vacuum lies between 0 (exclusive) and ambient.
    """
    shape = _shape_at_vacuum(law, from_vacuum_pa, ambient_pa)
    start_pa = ambient_pa - from_vacuum_pa
    rate_pa_s = slope_from_flow(flow_m3_s, reference_volume_m3, temperature_k) / shape
    return float(law.pressure(within_s, start_pa, rate_pa_s, ambient_pa)) - start_pa


def _shape_at_vacuum(law: LeakLaw, vacuum_pa: float, ambient_pa: float) -> float:
    if not 0.0 < vacuum_pa <= ambient_pa:
        raise ValueError(f"vacuum {vacuum_pa} Pa is outside 0 to the ambient of {ambient_pa} Pa")
    return float(law.shape(ambient_pa - vacuum_pa, ambient_pa))
