"""Own the flow through a part that fills an evacuated reservoir; never judge it.

The charge method in the spirit of ISO 6358-2: air of the room fills a reservoir of known volume
through the part, and the course of the pressure tells sonic conductance and critical ratio of
ISO 6358-1. The method holds for gas that keeps its temperature; how far a real reservoir may be
from that is worked out and enters the uncertainty.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from rig.analysis import blocks, noise
from rig.analysis.charging import HEAT_CAPACITY_RATIO
from rig.analysis.fit import Fit, FitError, least_squares
from rig.analysis.gas import (
    CRITICAL_RATIO_PRIOR,
    GAS_CONSTANT,
    STANDARD_DENSITY,
    STANDARD_TEMPERATURE_K,
    Law,
    LeakLaw,
    rate_from_conductance,
)
from rig.arrays import FloatArray
from rig.errors import InputError
from rig.records import Estimate

DISCHARGE = Estimate(0.8, 0.06)
"""Discharge coefficient of a small sharp hole: an estimate, not a property of the part."""

_DIFFUSIVITY_PA_M2_S = 2.15e-5 * 101_325.0
"""Thermal diffusivity of air at 20 degC times pressure, of which it is the inverse."""
_NEAR_AMBIENT = 0.99
"""The fit ends at this share of ambient: beyond it small passages no longer flow like orifices."""
_LEAST_RISE = 0.05
"""Rise of the pressure, as a share of ambient, below which a record tells no conductance."""
_LEAST_BLOCKS = 8
_DENSE = 100
"""Samples from which on a wild one can be told from its neighbours."""
_PRIOR_RATIO = 0.5 * sum(CRITICAL_RATIO_PRIOR)
_PRIOR_LOGIT_SD = 1.2
"""Standard deviation of the prior of ln(b/(1 - b)): two thirds of b between 0.15 and 0.66.

A record that bends decides by itself; one that does not leaves b where it may lie.
"""
_SLIGHT = 1e-3
"""Thermal time over filling time below which the gas keeps its temperature."""
_SUBSTEPS = 20
_COARSE_SD = 1e-3
"""Scatter of a sample, as a share of ambient, that a first fit takes against the prior."""


@dataclass(frozen=True)
class Reservoir:
    """What is known about a filling besides its curve.

    `volume_m3` is that of reservoir and plumbing up to the part, `ambient_pa` and `temperature_k`
    those of the room. `span_u` is the relative standard uncertainty of the reservoir's sensor
    against the one that read the ambient: 0 where it read both. `thermal_time_s` is the longest
    time constant that its gas may have towards the wall at ambient pressure; None takes still air.
    """

    volume_m3: Estimate
    ambient_pa: Estimate
    temperature_k: Estimate
    span_u: float = 0.0
    thermal_time_s: float | None = None


@dataclass(frozen=True)
class Passage:
    """The flow through a part as an orifice (ISO 6358-1).

    `hole_diameter_m` is that of one sharp hole of the same sonic conductance: an estimate, since
    its discharge coefficient is one. `isothermal_m3_s_pa` and `adiabatic_m3_s_pa` are what the same
    curve would give if the gas had kept its temperature, or all of its heat; the conductance lies
    between them. `misfit_pa` is the root mean square distance of the fitted curve.
    """

    conductance_m3_s_pa: Estimate
    critical_ratio: Estimate
    hole_diameter_m: Estimate
    isothermal_m3_s_pa: float
    adiabatic_m3_s_pa: float
    misfit_pa: float


def still_air_time(volume_m3: float, pressure_pa: float) -> float:
    """Compute the time constant [s] of still air in a sphere towards its wall.

    The slowest mode of conduction, R^2 / (pi^2 a) (Carslaw and Jaeger, Conduction of Heat in
    Solids, 9.3). Any other shape and any stirring is faster: an upper bound.
    """
    radius: float = (3.0 * volume_m3 / (4.0 * math.pi)) ** (1.0 / 3.0)
    return radius**2 * pressure_pa / (math.pi**2 * _DIFFUSIVITY_PA_M2_S)


def hole_diameter(conductance_m3_s_pa: Estimate, discharge: Estimate = DISCHARGE) -> Estimate:
    """Compute the diameter [m] of one sharp hole of a sonic conductance [m3/(s Pa)].

    Choked flow of an ideal gas, q_m = Cd A p sqrt(gamma/(R T)) (2/(gamma+1))^((gamma+1)/(2
    (gamma-1))), set equal to C rho0 p sqrt(T0/T) of ISO 6358-1.
    """
    gamma = HEAT_CAPACITY_RATIO
    flux = math.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** (0.5 * (gamma + 1.0) / (gamma - 1.0))
    flux /= math.sqrt(GAS_CONSTANT * STANDARD_TEMPERATURE_K)
    area = conductance_m3_s_pa.value * STANDARD_DENSITY / (flux * discharge.value)
    diameter = math.sqrt(4.0 * area / math.pi)
    half = 0.5 * diameter
    parts = conductance_m3_s_pa.sources or {"random": conductance_m3_s_pa.u}
    sources = {name: half * part / conductance_m3_s_pa.value for name, part in parts.items()}
    return Estimate.from_sources(
        diameter, {**sources, "discharge": half * discharge.u / discharge.value}
    )


def measure_passage(time_s: ArrayLike, pressure_pa: ArrayLike, reservoir: Reservoir) -> Passage:
    """Fit conductance and critical ratio to a filling: `time_s` and `pressure_pa`, both (samples,).

    The record begins after the opening and may go on at ambient. The isothermal filling is fitted;
    gas that warms fills the reservoir faster, as if through a larger part, so the truth lies
    between that fit and what it becomes with the longest thermal time. The middle is taken, and
    the range is the rectangular uncertainty "law" (GUM 4.3.7).

    Sources of both: random (with the correlation of the residuals), ambient, span and law; of the
    conductance also volume and temperature. Raises InputError where the record is too short, its
    pressure rises too little, or its course is not that of an orifice.
    """
    ambient_pa, volume_m3 = reservoir.ambient_pa, reservoir.volume_m3
    filling = _filling(
        np.asarray(time_s, dtype=float), np.asarray(pressure_pa, dtype=float), ambient_pa.value
    )
    thermal_s = reservoir.thermal_time_s
    if thermal_s is None:
        thermal_s = still_air_time(volume_m3.value, ambient_pa.value)
    between = _between(filling, thermal_s)
    moved = {
        "span": replace(filling, pressure_pa=filling.pressure_pa * (1.0 + reservoir.span_u)),
        "ambient": replace(filling, ambient_pa=ambient_pa.value + ambient_pa.u),
    }
    moves = {name: _between(other, thermal_s).less(between) for name, other in moved.items()}
    # A filling of 1 m3/(s Pa) rises by so many times ambient a second.
    unit = rate_from_conductance(1.0, 1.0, reservoir.temperature_k.value, volume_m3.value)
    conductance = Estimate.from_sources(
        between.rate / unit,
        {
            "random": between.rate_u / unit,
            "law": _rectangular(between.isothermal.rate, between.warmest.rate) / unit,
            "volume": between.rate / unit * volume_m3.u / volume_m3.value,
            "temperature": 0.5
            * between.rate
            / unit
            * reservoir.temperature_k.u
            / reservoir.temperature_k.value,
            **{name: abs(by_rate) / unit for name, (by_rate, _) in moves.items()},
        },
    )
    ratio = Estimate.from_sources(
        between.ratio,
        {
            "random": between.ratio_u,
            "law": _rectangular(between.isothermal.ratio, between.warmest.ratio),
            **{name: abs(by_ratio) for name, (_, by_ratio) in moves.items()},
        },
    )
    isothermal = between.isothermal.rate / unit
    return Passage(
        conductance_m3_s_pa=conductance,
        critical_ratio=ratio,
        hole_diameter_m=hole_diameter(conductance),
        isothermal_m3_s_pa=isothermal,
        adiabatic_m3_s_pa=isothermal / HEAT_CAPACITY_RATIO,
        misfit_pa=float(np.sqrt(np.mean(np.square(filling.off(between.isothermal))))),
    )


@dataclass(frozen=True)
class _Found:
    """A filling fitted: start and rate [1/s] as shares of ambient, critical ratio, covariance."""

    start: float
    rate: float
    ratio: float
    covariance: FloatArray

    @property
    def law(self) -> LeakLaw:
        return LeakLaw(Law.ORIFICE, self.ratio)


@dataclass(frozen=True)
class _Between:
    """The two fits that the truth lies between."""

    isothermal: _Found
    warmest: _Found

    @property
    def rate(self) -> float:
        return 0.5 * (self.isothermal.rate + self.warmest.rate)

    @property
    def ratio(self) -> float:
        return 0.5 * (self.isothermal.ratio + self.warmest.ratio)

    @property
    def rate_u(self) -> float:
        return math.sqrt(float(self._better.covariance[1, 1]))

    @property
    def ratio_u(self) -> float:
        return math.sqrt(float(self._better.covariance[2, 2]))

    @property
    def _better(self) -> _Found:
        """Get the fit that runs more like the curve: the misfit of the other is not random."""
        return min(self.isothermal, self.warmest, key=lambda found: float(found.covariance[1, 1]))

    def less(self, other: "_Between") -> tuple[float, float]:
        """Compute by how much rate and critical ratio exceed those of another."""
        return self.rate - other.rate, self.ratio - other.ratio


@dataclass(frozen=True)
class _Filling:
    """A filling as block means; its times [s] count from the first sample."""

    time_s: FloatArray
    pressure_pa: FloatArray
    count: FloatArray
    half_width_s: FloatArray
    ambient_pa: float

    @property
    def observed(self) -> FloatArray:
        """Get the block means as shares of ambient."""
        return self.pressure_pa / self.ambient_pa

    def fitted(self, found: _Found) -> FloatArray:
        """Compute the block means of a filling as shares of ambient."""
        at = found.law.pressure(self._nodes_s, found.start, found.rate, 1.0)
        means: FloatArray = at.mean(axis=0)
        return means

    def off(self, found: _Found) -> FloatArray:
        """Compute by how much [Pa] the block means exceed the fitted ones."""
        return self.pressure_pa - self.ambient_pa * self.fitted(found)

    def jacobian(self, found: _Found) -> FloatArray:
        """Compute the derivatives of the block means in start, rate and critical ratio."""
        t, law = self._nodes_s, found.law
        pressure = law.pressure(t, found.start, found.rate, 1.0)
        columns = [
            law.derivative_start(pressure, found.start, 1.0),
            law.derivative_rate(t, pressure, 1.0),
            law.derivative_critical_ratio(t, found.start, found.rate, 1.0),
        ]
        means: FloatArray = np.stack(columns, axis=-1).mean(axis=0)
        return means

    @property
    def _nodes_s(self) -> FloatArray:
        """Get two times a block, (2, blocks): the mean of a cubic over it is that of its values."""
        apart = self.half_width_s / math.sqrt(3.0)
        return np.stack([self.time_s - apart, self.time_s + apart])


@dataclass(frozen=True)
class _Warming:
    """The same filling as the gas that entered, if that returns to room temperature late.

    `observed` is the gas as a share of that at ambient and room temperature. It rises at the rate
    times g(p), and the integral of g over time is taken along the pressures seen: `seen_s`,
    `seen` (blocks + 1,) from the start on, shares of ambient.
    """

    time_s: FloatArray
    observed: FloatArray
    count: FloatArray
    seen_s: FloatArray
    seen: FloatArray

    def fitted(self, found: _Found) -> FloatArray:
        """Compute the gas that an orifice passes."""
        return found.start + found.rate * self._passed(found.ratio)

    def jacobian(self, found: _Found) -> FloatArray:
        """Compute the derivatives of the gas in start, rate and critical ratio."""
        low, high = max(found.ratio - 1e-5, 0.0), found.ratio + 1e-5
        by_ratio = (self._passed(high) - self._passed(low)) / (high - low)
        passed = self._passed(found.ratio)
        columns: FloatArray = np.stack([np.ones_like(passed), passed, found.rate * by_ratio])
        return columns.T

    def _passed(self, ratio: float) -> FloatArray:
        shape = LeakLaw(Law.ORIFICE, ratio).shape(self.seen, 1.0)
        return np.cumsum(0.5 * (shape[1:] + shape[:-1]) * np.diff(self.seen_s))


def _fit(course: _Filling | _Warming) -> _Found:
    """Fit start, rate and critical ratio, the latter held by its prior.

    The scatter about a first fit gives the weight of the data against the prior in the second.
    """
    p, t = course.observed, course.time_s
    early = slice(0, max(3, int(np.searchsorted(p, 0.5 * (p[0] + p[-1])))))
    slope = float(np.polyfit(t[early], p[early], 1)[0])
    start = np.array([p[0] - slope * t[0], slope, _logit(_PRIOR_RATIO)])
    sd = _COARSE_SD
    for _ in range(2):
        fit = _search(course, start, sd)
        start = fit.parameters
        residuals = fit.residuals[:-1]
        sd *= max(math.sqrt(float(residuals @ residuals) / (p.size - 3)), 1e-9)
    ratio = _ratio(start[2])
    to_ratio = np.array([1.0, 1.0, ratio * (1.0 - ratio)])
    factor = noise.correlation_factor(residuals, 3) / fit.residual_sd**2
    covariance = fit.covariance * factor * np.outer(to_ratio, to_ratio)
    return _Found(float(start[0]), float(start[1]), ratio, covariance)


def _search(course: _Filling | _Warming, start: FloatArray, sd: float) -> Fit:
    weight = np.sqrt(course.count) / sd

    def at(parameters: FloatArray) -> _Found:
        return _Found(parameters[0], parameters[1], _ratio(parameters[2]), np.zeros((3, 3)))

    def residuals(parameters: FloatArray) -> FloatArray:
        off = course.fitted(at(parameters)) - course.observed
        held = (parameters[2] - _logit(_PRIOR_RATIO)) / _PRIOR_LOGIT_SD
        return np.append(weight * off, held)

    def jacobian(parameters: FloatArray) -> FloatArray:
        found = at(parameters)
        rows = weight[:, None] * course.jacobian(found)
        rows[:, 2] *= found.ratio * (1.0 - found.ratio)
        return np.vstack([rows, [0.0, 0.0, 1.0 / _PRIOR_LOGIT_SD]])

    try:
        return least_squares(residuals, jacobian, start, max_iterations=200, tolerance=1e-3)
    except FitError as error:
        raise InputError(
            "the filling does not run like air through an orifice: look for a hose that came "
            "off, a valve that opened late, or a porous part"
        ) from error


def _filling(times: FloatArray, pressures: FloatArray, ambient_pa: float) -> _Filling:
    white_sd_pa, step_pa = noise.white_sd(pressures), noise.converter_step(pressures)
    if times.size >= _DENSE:
        tame = ~blocks.wild_samples(pressures, white_sd_pa, step_pa)
        times, pressures = times[tame], pressures[tame]
    mean = blocks.average(times - times[0], pressures)
    near = np.flatnonzero(mean.pressure_pa >= _NEAR_AMBIENT * ambient_pa)
    end = int(near[0]) if near.size else mean.count.size
    if end < _LEAST_BLOCKS:
        raise InputError(
            f"the reservoir stood at ambient after {end} blocks of the record, which is too soon "
            "to tell a flow: use a larger reservoir, or sample faster"
        )
    rise = float(mean.pressure_pa[end - 1] - mean.pressure_pa[0]) / ambient_pa
    if rise < _LEAST_RISE:
        raise InputError(
            f"the pressure rose by {100.0 * rise:.1f} % of ambient, too little to tell a flow: "
            "start from a deeper vacuum, or record for longer"
        )
    return _Filling(
        mean.time_s[:end],
        mean.pressure_pa[:end],
        mean.count[:end],
        mean.half_width_s[:end],
        ambient_pa,
    )


def _between(filling: _Filling, thermal_s: float) -> _Between:
    """Fit the filling as one of gas at room temperature, and of gas with a thermal time."""
    isothermal = _fit(filling)
    if thermal_s * isothermal.rate < _SLIGHT:
        return _Between(isothermal, isothermal)
    seen_s = np.append(0.0, filling.time_s)
    seen = np.append(isothermal.start, filling.observed)
    entered = _gas_entered(seen_s, seen, thermal_s)
    warmest = _fit(_Warming(filling.time_s, entered, filling.count, seen_s, seen))
    return _Between(isothermal, warmest)


def _gas_entered(seen_s: FloatArray, seen: FloatArray, thermal_s: float) -> FloatArray:
    """Compute the gas (blocks,) that must have entered for the pressures seen (blocks + 1,).

    With P = p/p_a, M the gas over that at ambient and room temperature, and tau the time constant
    at M = 1, the first law with the enthalpy of the air that enters is gamma dM/dt = dP/dt +
    (P/M - 1)/tau. It is integrated in implicit steps, M' = M + (dP + (P/M' - 1) h/tau)/gamma.
    """
    p = m = float(seen[0])
    amounts = []
    for step_s, rise in zip(np.diff(seen_s).tolist(), np.diff(seen).tolist(), strict=True):
        pull = step_s / (_SUBSTEPS * thermal_s * HEAT_CAPACITY_RATIO)
        for _ in range(_SUBSTEPS):
            p += rise / _SUBSTEPS
            half = 0.5 * (m + rise / (_SUBSTEPS * HEAT_CAPACITY_RATIO) - pull)
            m = half + math.sqrt(half * half + pull * p)
        amounts.append(m)
    return np.array(amounts)


def _rectangular(one: float, other: float) -> float:
    """Compute the standard uncertainty of a value that lies anywhere between two (GUM 4.3.7)."""
    return 0.5 * abs(one - other) / math.sqrt(3.0)


def _ratio(logit: float) -> float:
    return 0.5 * (1.0 + math.tanh(0.5 * logit))


def _logit(ratio: float) -> float:
    return math.log(ratio / (1.0 - ratio))
