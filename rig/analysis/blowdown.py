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
from rig.analysis.fit import Fit, FitError, least_squares, linear_least_squares
from rig.analysis.gas import (
    CRITICAL_RATIO_PRIOR,
    GAS_CONSTANT,
    STANDARD_DENSITY,
    STANDARD_TEMPERATURE_K,
    FloatArray,
    Law,
    LeakLaw,
    rate_from_conductance,
)
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
_STEPS = 60
_ROUNDS = 3
_HIGHEST_RATIO = 0.98
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
    sources = {
        name: half * part / conductance_m3_s_pa.value
        for name, part in conductance_m3_s_pa.sources.items()
    }
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
    found = filling.fit()
    warmest = _warmest(filling, found, reservoir)
    unit = rate_from_conductance(
        1.0, ambient_pa.value, reservoir.temperature_k.value, volume_m3.value
    )
    value = 0.5 * (found.rate_pa_s + warmest.rate_pa_s) / unit
    random = found.standard_errors
    _, rate_by_span, ratio_by_span = filling.shift(found, filling.pressure_pa)
    _, rate_by_ambient, ratio_by_ambient = filling.shift(found, filling.by_ambient(found))
    rate_by_ambient -= found.rate_pa_s / ambient_pa.value  # its unit goes with the ambient, too
    to_value = value / found.rate_pa_s
    conductance = Estimate.from_sources(
        value,
        {
            "random": random[1] * to_value,
            "ambient": abs(rate_by_ambient) * ambient_pa.u * to_value,
            "span": abs(rate_by_span) * reservoir.span_u * to_value,
            "law": _rectangular(found.rate_pa_s, warmest.rate_pa_s) / unit,
            "volume": value * volume_m3.u / volume_m3.value,
            "temperature": 0.5 * value * reservoir.temperature_k.u / reservoir.temperature_k.value,
        },
    )
    ratio = Estimate.from_sources(
        0.5 * (found.critical_ratio + warmest.critical_ratio),
        {
            "random": random[2],
            "ambient": abs(ratio_by_ambient) * ambient_pa.u,
            "span": abs(ratio_by_span) * reservoir.span_u,
            "law": _rectangular(found.critical_ratio, warmest.critical_ratio),
        },
    )
    return Passage(
        conductance_m3_s_pa=conductance,
        critical_ratio=ratio,
        hole_diameter_m=hole_diameter(conductance),
        isothermal_m3_s_pa=found.rate_pa_s / unit,
        adiabatic_m3_s_pa=found.rate_pa_s / unit / HEAT_CAPACITY_RATIO,
        misfit_pa=float(np.sqrt(np.mean(np.square(filling.off(found))))),
    )


@dataclass(frozen=True)
class _Found:
    """The isothermal filling fitted, and the covariance of start, rate and critical ratio."""

    start_pa: float
    rate_pa_s: float
    critical_ratio: float
    covariance: FloatArray

    @property
    def law(self) -> LeakLaw:
        return LeakLaw(Law.ORIFICE, self.critical_ratio)

    @property
    def standard_errors(self) -> list[float]:
        return [math.sqrt(variance) for variance in np.diag(self.covariance).tolist()]


@dataclass(frozen=True)
class _Filling:
    """A filling as block means; its times [s] count from the first sample."""

    time_s: FloatArray
    pressure_pa: FloatArray
    count: FloatArray
    half_width_s: FloatArray
    ambient_pa: float

    @property
    def _nodes_s(self) -> FloatArray:
        """Get two times a block, (2, blocks): the mean of a cubic over it is that of its values."""
        apart = self.half_width_s / math.sqrt(3.0)
        return np.stack([self.time_s - apart, self.time_s + apart])

    def fitted(self, found: _Found, ambient_pa: float) -> FloatArray:
        """Compute the block means of a filling under an ambient."""
        at = found.law.pressure(self._nodes_s, found.start_pa, found.rate_pa_s, ambient_pa)
        means: FloatArray = at.mean(axis=0)
        return means

    def off(self, found: _Found) -> FloatArray:
        """Compute by how much the block means exceed the fitted ones."""
        return self.pressure_pa - self.fitted(found, self.ambient_pa)

    def jacobian(self, found: _Found) -> FloatArray:
        """Compute the derivatives of the block means in start, rate and critical ratio."""
        t, law, ambient = self._nodes_s, found.law, self.ambient_pa
        pressure = law.pressure(t, found.start_pa, found.rate_pa_s, ambient)
        columns = [
            law.derivative_start(pressure, found.start_pa, ambient),
            law.derivative_rate(t, pressure, ambient),
            law.derivative_critical_ratio(t, found.start_pa, found.rate_pa_s, ambient),
        ]
        means: FloatArray = np.stack(columns, axis=-1).mean(axis=0)
        return means

    def shift(self, found: _Found, change_pa: FloatArray) -> list[float]:
        """Compute how start, rate and critical ratio follow a small change of all block means."""
        weight = np.sqrt(self.count)[:, None]
        changed = linear_least_squares(
            weight * self.jacobian(found), weight[:, 0] * change_pa, sd=1.0
        )
        return [float(change) for change in changed.parameters]

    def by_ambient(self, found: _Found) -> FloatArray:
        """Compute the change of the block means that a change of the ambient by 1 Pa asks for."""
        higher, lower = (self.fitted(found, self.ambient_pa + step) for step in (0.5, -0.5))
        return lower - higher

    def fit(self) -> _Found:
        """Fit start, rate and critical ratio, the latter held by its prior.

        The scatter about a first fit gives the weight of the data against the prior in the second.
        """
        p, t = self.pressure_pa, self.time_s
        early = slice(0, max(3, int(np.searchsorted(p, 0.5 * (p[0] + p[-1])))))
        slope = float(np.polyfit(t[early], p[early], 1)[0])
        start = np.array([p[0] - slope * t[0], slope, _logit(_PRIOR_RATIO)])
        sd_pa = _COARSE_SD * self.ambient_pa
        for _ in range(2):
            fit = self._search(start, sd_pa)
            start = fit.parameters
            residuals = fit.residuals[:-1]
            sd_pa *= max(math.sqrt(float(residuals @ residuals) / (p.size - 3)), 1e-9)
        ratio = _ratio(start[2])
        to_ratio = np.array([1.0, 1.0, ratio * (1.0 - ratio)])
        factor = noise.correlation_factor(residuals, 3) / fit.residual_sd**2
        covariance = fit.covariance * factor * np.outer(to_ratio, to_ratio)
        return _Found(float(start[0]), float(start[1]), ratio, covariance)

    def _search(self, start: FloatArray, sd_pa: float) -> Fit:
        weight = np.sqrt(self.count) / sd_pa

        def at(parameters: FloatArray) -> _Found:
            return _Found(parameters[0], parameters[1], _ratio(parameters[2]), np.zeros((3, 3)))

        def residuals(parameters: FloatArray) -> FloatArray:
            found = at(parameters)
            held = (parameters[2] - _logit(_PRIOR_RATIO)) / _PRIOR_LOGIT_SD
            return np.append(-weight * self.off(found), held)

        def jacobian(parameters: FloatArray) -> FloatArray:
            found = at(parameters)
            rows = weight[:, None] * self.jacobian(found)
            rows[:, 2] *= found.critical_ratio * (1.0 - found.critical_ratio)
            return np.vstack([rows, [0.0, 0.0, 1.0 / _PRIOR_LOGIT_SD]])

        try:
            return least_squares(residuals, jacobian, start, max_iterations=200, tolerance=1e-4)
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


def _warmest(filling: _Filling, found: _Found, reservoir: Reservoir) -> _Found:
    """Find the orifice whose filling with the longest thermal time looks like the one found."""
    thermal_s = reservoir.thermal_time_s
    if thermal_s is None:
        thermal_s = still_air_time(reservoir.volume_m3.value, filling.ambient_pa)
    warmest = found
    if thermal_s * found.rate_pa_s / filling.ambient_pa < _SLIGHT:
        return warmest
    for _ in range(_ROUNDS):
        looks = _warming_fill(warmest, filling, thermal_s).fit()
        ratio = warmest.critical_ratio + found.critical_ratio - looks.critical_ratio
        warmest = replace(
            warmest,
            rate_pa_s=warmest.rate_pa_s * found.rate_pa_s / looks.rate_pa_s,
            critical_ratio=min(max(ratio, 0.0), _HIGHEST_RATIO),
        )
    return warmest


def _warming_fill(found: _Found, filling: _Filling, thermal_s: float) -> _Filling:
    """Integrate a filling whose gas returns to the wall's temperature with a time constant.

    With P = p/p_a, M = m/m_a (m_a: the gas at ambient and room temperature), r the isothermal rate
    over p_a and tau the time constant at M = 1: dM/dt = r g(P), and from the first law with the
    enthalpy of the air that enters dP/dt = gamma r g(P) - (P/M - 1)/tau. Fourth-order Runge-Kutta,
    steps within the time constant at that mass, up to the pressure that the filling found ends at.
    """
    rate, law = found.rate_pa_s / filling.ambient_pa, found.law
    end = float(filling.pressure_pa[-1]) / filling.ambient_pa
    step_s = float(filling.time_s[-1]) / _STEPS

    def slopes(pressure: float, mass: float) -> tuple[float, float]:
        inflow = rate * float(law.shape(pressure, 1.0))
        return HEAT_CAPACITY_RATIO * inflow - (pressure / mass - 1.0) / thermal_s, inflow

    p = m = found.start_pa / filling.ambient_pa
    now, times, pressures = 0.0, [0.0], [p]
    while p < end:
        h = min(step_s, 1.5 * thermal_s * m)
        a = slopes(p, m)
        b = slopes(p + 0.5 * h * a[0], m + 0.5 * h * a[1])
        c = slopes(p + 0.5 * h * b[0], m + 0.5 * h * b[1])
        d = slopes(p + h * c[0], m + h * c[1])
        p += h / 6.0 * (a[0] + 2.0 * b[0] + 2.0 * c[0] + d[0])
        m += h / 6.0 * (a[1] + 2.0 * b[1] + 2.0 * c[1] + d[1])
        now += h
        times.append(now)
        pressures.append(p)
    none = np.zeros(len(times))
    reached = filling.ambient_pa * np.array(pressures)
    return _Filling(np.array(times), reached, none + 1.0, none, filling.ambient_pa)


def _rectangular(one: float, other: float) -> float:
    """Compute the standard uncertainty of a value that lies anywhere between two (GUM 4.3.7)."""
    return 0.5 * abs(one - other) / math.sqrt(3.0)


def _ratio(logit: float) -> float:
    return 0.5 * (1.0 + math.tanh(0.5 * logit))


def _logit(ratio: float) -> float:
    return math.log(ratio / (1.0 - ratio))
