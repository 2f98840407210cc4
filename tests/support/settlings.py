"""Own the shapes in which vacuum falls without a leak; never draw at random and never import rig.

Each shape is a pressure rise [Pa] over the time since the pump valve closed [s], zero at zero.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Exponential:
    """A(1 - exp(-t/tau)): gas warming, rubber of one relaxation time, vapour to its plateau."""

    size_pa: float
    tau_s: float

    def rise_pa(self, time_s: Array) -> Array:
        """Compute the rise."""
        return -self.size_pa * np.expm1(-time_s / self.tau_s)


@dataclass(frozen=True)
class LogCreep:
    """A ln(1 + t/t0), scaled to `size_pa` at 60 s."""

    size_pa: float
    onset_s: float

    def rise_pa(self, time_s: Array) -> Array:
        """Compute the rise."""
        return self.size_pa * np.log1p(time_s / self.onset_s) / math.log1p(60.0 / self.onset_s)


@dataclass(frozen=True)
class PowerCreep:
    """A ((t + t1)^n - t1^n), scaled to `size_pa` at 60 s; t1 = 0 is the plain power law."""

    size_pa: float
    exponent: float
    late_s: float = 0.0

    def rise_pa(self, time_s: Array) -> Array:
        """Compute the rise."""
        n, late = self.exponent, self.late_s
        scale = (60.0 + late) ** n - late**n
        return self.size_pa * ((time_s + late) ** n - late**n) / scale


@dataclass(frozen=True)
class StretchedExponential:
    """A(1 - exp(-(t/tau)^beta)): a broad spread of relaxation times."""

    size_pa: float
    tau_s: float
    beta: float

    def rise_pa(self, time_s: Array) -> Array:
        """Compute the rise."""
        return -self.size_pa * np.expm1(-((time_s / self.tau_s) ** self.beta))


@dataclass(frozen=True)
class KelvinVoigt:
    """A chain of spring-dashpot pairs: a sum of exponentials, more of them than anyone fits."""

    sizes_pa: tuple[float, ...]
    taus_s: tuple[float, ...]

    def rise_pa(self, time_s: Array) -> Array:
        """Compute the rise."""
        total = np.zeros_like(time_s)
        for size, tau in zip(self.sizes_pa, self.taus_s, strict=True):
            total -= size * np.expm1(-time_s / tau)
        return total


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)


@dataclass(frozen=True)
class CutOffCreep:
    """Equal creep in every decade of relaxation time between two cut-offs [s], then no more.

    A / ln(t2/t1) times the integral of (1 - exp(-t/tau)) over ln tau, by Gauss-Legendre.
    """

    size_pa: float
    first_s: float
    last_s: float

    def rise_pa(self, time_s: Array) -> Array:
        """Compute the rise."""
        middle = 0.5 * (math.log(self.last_s) + math.log(self.first_s))
        half = 0.5 * (math.log(self.last_s) - math.log(self.first_s))
        total = np.zeros_like(time_s)
        for node, weight in zip(_NODES, _WEIGHTS, strict=True):
            total -= 0.5 * weight * np.expm1(-time_s / math.exp(middle + half * node))
        return self.size_pa * total


@dataclass(frozen=True)
class SaturatingAndrade:
    """A x/(1 + x) with x = (t/ts)^(1/3): transient creep that runs out."""

    size_pa: float
    saturation_s: float

    def rise_pa(self, time_s: Array) -> Array:
        """Compute the rise."""
        x = np.cbrt(time_s / self.saturation_s)
        return self.size_pa * x / (1.0 + x)


@dataclass(frozen=True)
class StickingRod:
    """A rod that gives in small slips: each a step [Pa] that takes about `slip_s` from its time."""

    times_s: tuple[float, ...]
    steps_pa: tuple[float, ...]
    slip_s: float

    def rise_pa(self, time_s: Array) -> Array:
        """Compute the rise."""
        total = np.zeros_like(time_s)
        for when, step in zip(self.times_s, self.steps_pa, strict=True):
            total += step * np.clip((time_s - when) / self.slip_s, 0.0, 1.0)
        return total


@dataclass(frozen=True)
class ElasticResponse:
    """The share of a slow wave of the room's pressure that a soft diaphragm passes on."""

    share: float
    size_pa: float
    period_s: float
    phase: float

    def ambient_shift_pa(self, time_s: Array) -> Array:
        """Compute how far the ambient stands from where it stood at time zero [Pa]."""
        turn = 2.0 * math.pi / self.period_s
        return self.size_pa * (np.sin(turn * time_s + self.phase) - math.sin(self.phase))

    def rise_pa(self, time_s: Array) -> Array:
        """Compute the rise."""
        return self.share * self.ambient_shift_pa(time_s)


Settling = (
    Exponential
    | LogCreep
    | PowerCreep
    | StretchedExponential
    | KelvinVoigt
    | CutOffCreep
    | SaturatingAndrade
    | StickingRod
    | ElasticResponse
)


@dataclass(frozen=True)
class Warming:
    """Gas temperature over time, as a factor on the pressure of a fixed amount of gas.

    `room_k_s` warms all of the gas in a straight line; a valve coil warms `coil_share` of the
    volume by `coil_k` with the time constant `coil_tau_s`.
    """

    room_k_s: float = 0.0
    coil_k: float = 0.0
    coil_tau_s: float = 120.0
    coil_share: float = 0.0

    def factor(self, time_s: Array, temperature_k: float) -> Array:
        """Compute p(t)/p(0) of a fixed amount of gas: amount = p sum(V_i/T_i)."""
        warmed = self.room_k_s * time_s
        coil = warmed - self.coil_k * np.expm1(-time_s / self.coil_tau_s)
        amount = self.coil_share / (temperature_k + coil)
        amount += (1.0 - self.coil_share) / (temperature_k + warmed)
        return 1.0 / (temperature_k * amount)
