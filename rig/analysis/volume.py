"""Own the volumes of rig and part as pressure steps tell them; never open a valve.

The rig's volume comes from a graduated syringe, the part's from an expansion: rig and part stand at
two pressures, the part valve opens, and the pressure they settle at tells one volume by the other.
Gas that warms and gas that leaks after the opening are extrapolated away first.
"""

import math
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from rig.analysis import blocks, noise
from rig.analysis.charging import HEAT_CAPACITY_RATIO
from rig.analysis.fit import Fit, FitError, least_squares, linear_least_squares
from rig.arrays import FloatArray
from rig.errors import InputError
from rig.records import Estimate
from rig.units import PA_PER_INHG

SAME_ROOM = Estimate(1.0, 0.5 / 293.15)
"""Gas temperature of the part over that of the rig where both lie in one room: within 0.5 K."""
NOTHING_GAINED = Estimate(0.0, 0.0)
REST_VACUUM_PA = PA_PER_INHG
"""A rest volume must end above this vacuum, or the part has begun to move."""
TRANSIENT_PA = 3000.0
"""Largest amplitude of a thermal transient that is expected, about 1 inHg."""

_SHARED = frozenset({"rig_volume", "temperature", "zero"})
"""Sources that shift two expansions of one session the same way."""
_LEAST_BLOCKS = 12
_LEAST_SD_PA = 0.01
"""Standard deviation that the mean of a block has at least, however still the record."""
_FASTEST_S = 0.1
_TIME_CONSTANTS_IN_RECORD = 3.0
"""A transient can be told from a leak where the record holds three of its time constants."""
_LEAST_APART = 0.2
"""How far apart the logs of two time constants are at least."""
_GRID = 6
_APART = (-1.5, 0.0)
"""Time constants, and logs of how far apart a second one is, that a search starts from."""
_NEGATIVE_U = 4.0
"""A volume this many standard uncertainties below zero is a fault, not noise."""


@dataclass(frozen=True)
class SettledPressure:
    """What a record tells about its settled gas at one instant.

    `pressure_pa` is what the gas then there would show at the temperature of its walls;
    `slope_pa_s` the leak's. `transient_pa` is the thermal transient at the start of the record, and
    `time_constant_s` its (longest) time constant, None where the record shows none.
    """

    pressure_pa: Estimate
    slope_pa_s: Estimate
    transient_pa: float
    time_constant_s: float | None


def extrapolate_settled(
    time_s: ArrayLike,
    pressure_pa: ArrayLike,
    instant_s: float,
    chambers: int,
    *,
    step_pa: float = 0.0,
    transient_pa: float = TRANSIENT_PA,
) -> SettledPressure:
    """Extrapolate a record (samples,) to the settled pressure at `instant_s`, inside it or near.

    The record must hold one state of the valves, without the first moment of an opening, with one
    chamber (the rig alone) or two (rig and part) on the sensor. A level, a leak's slope and up to
    one exponential transient a chamber, as each warms at its own pace, are fitted to block means.
    The mean over all candidates, weighted by their evidence, carries into the uncertainty how
    little the record may tell them apart. Slow noise and lack of fit show in the blocks' residuals
    and raise the uncertainty with them.

    Air that leaks in is warmed by the room's push behind it (its flow work, dU = c_p T dm), so the
    gas stays (gamma - 1) slope tau above its settled pressure; that is taken off with the time
    constant tau that the transients show.

    `step_pa` is the converter's step where it is known: a record that never changes cannot show it.
    `transient_pa` is the largest amplitude that a transient may have.
    Raises InputError where the record is too short to tell a transient from a leak.
    """
    times, pressures = np.asarray(time_s, dtype=float), np.asarray(pressure_pa, dtype=float)
    white_sd_pa, found_pa = noise.white_sd(pressures), noise.converter_step(pressures) or step_pa
    tame = ~blocks.wild_samples(pressures, white_sd_pa, found_pa)
    mean = blocks.average(times[tame], pressures[tame])
    if mean.count.size < _LEAST_BLOCKS:
        raise InputError(
            f"a record of {times.size} samples over {np.ptp(times):.1f} s is too short to tell "
            "settling from leaking: record at least 2 s after the opening"
        )
    rounding = noise.undithered_variance(found_pa, white_sd_pa)
    sd_pa = np.sqrt(np.maximum(white_sd_pa**2 / mean.count + rounding, _LEAST_SD_PA**2))
    slowest_s = max(float(np.ptp(times)) / _TIME_CONSTANTS_IN_RECORD, 2.0 * _FASTEST_S)
    return _average_over_transients(
        _Record(
            mean.time_s - instant_s,
            mean.time_s - times[0],
            mean.pressure_pa,
            sd_pa,
            math.sqrt(rounding),
            slowest_s,
            transient_pa,
        ),
        chambers,
    )


def expansion_volume(
    rig_volume_m3: Estimate,
    rig_before_pa: Estimate,
    part_before_pa: Estimate,
    after_pa: Estimate,
    *,
    gained_pa_m3: Estimate = NOTHING_GAINED,
    temperature_ratio: Estimate = SAME_ROOM,
    zero_u_pa: float = 0.0,
) -> Estimate:
    """Compute the part's volume [m3] from the pressures before and after its valve opened.

    Amounts of gas: p_rig V_rig/T_rig + (p_part V + G)/T_part = p (V_rig/T_rig + V/T_part), so
    V = (ratio V_rig (p - p_rig) - G) / (p_part - p), ratio = T_part/T_rig. All pressures are
    settled ones at the opening, but `part_before_pa` that when the part was shut off:
    `gained_pa_m3` is the G = p V that leaked into the part between. Where the part gives with the
    pressure, V is the slope of its p V from one pressure to the other: what turns a pressure slope
    into a flow.

    One sensor's zero and span cancel; `zero_u_pa` is the standard uncertainty of the part's reading
    against the rig's where another sensor took it. Raises InputError where the pressures cannot
    tell a volume.
    """
    rise, left = after_pa.value - rig_before_pa.value, part_before_pa.value - after_pa.value
    left_u = math.hypot(part_before_pa.u, after_pa.u, zero_u_pa)
    if abs(left) <= 3.0 * left_u:
        raise InputError(
            f"the pressure after the opening ({after_pa.value:.0f} Pa) cannot be told from the "
            f"part's before ({part_before_pa.value:.0f} Pa): start from pressures further apart"
        )
    referred = temperature_ratio.value * rig_volume_m3.value
    volume = (referred * rise - gained_pa_m3.value) / left
    by_rig, by_part = referred / left, volume / left
    ratio_share = referred * rise / left
    found = Estimate.from_sources(
        volume,
        {
            "random": math.hypot(
                by_rig * rig_before_pa.u,
                by_part * part_before_pa.u,
                (by_rig + by_part) * after_pa.u,
            ),
            "rig_volume": abs(ratio_share) * rig_volume_m3.u / rig_volume_m3.value,
            "temperature": abs(ratio_share) * temperature_ratio.u / temperature_ratio.value,
            "leak": abs(gained_pa_m3.u / left),
            "zero": abs(by_part) * zero_u_pa,
        },
    )
    if found.value < -_NEGATIVE_U * found.u:
        raise InputError(
            f"the pressure after the opening ({after_pa.value:.0f} Pa) does not lie between rig "
            f"({rig_before_pa.value:.0f} Pa) and part ({part_before_pa.value:.0f} Pa): check that "
            "the part valve opened and the vent stayed shut"
        )
    return found


def difference(larger_m3: Estimate, smaller_m3: Estimate) -> Estimate:
    """Subtract two volumes that were told by one rig volume, which is propagated once.

    The capacity on the stop less the rest volume is the stroke (the rubber's give included); a part
    on its hose less the capped hose is the part. Rig volume, temperature and zero shift both the
    same way and largely cancel; all other sources are independent.
    """
    # An estimate that was not split up is independent of everything.
    parts, others = (e.sources or {"random": e.u} for e in (larger_m3, smaller_m3))
    sources = {}
    for name in {**parts, **others}:
        first, second = parts.get(name, 0.0), others.get(name, 0.0)
        if name in _SHARED:
            first = math.copysign(first, larger_m3.value)
            second = math.copysign(second, smaller_m3.value)
            sources[name] = abs(first - second)
        else:
            sources[name] = math.hypot(first, second)
    return Estimate.from_sources(larger_m3.value - smaller_m3.value, sources)


def probability_of_nothing_behind(
    found_m3: Estimate, capped_hose_m3: Estimate, largest_m3: float, prior: float = 0.5
) -> float:
    """Compute the probability that nothing but the capped hose was found: a blocked nipple.

    Weighs no volume at all beyond the hose against any volume up to `largest_m3`, the largest that
    the family of the part has, all equally likely (Bayes). `prior` is the probability of nothing
    before the step, 0 < prior < 1. Raises ValueError unless `largest_m3` is positive.
    """
    if not largest_m3 > 0.0:
        raise ValueError(f"a largest volume of {largest_m3} m3 is not positive")
    beyond = difference(found_m3, capped_hose_m3)
    offset = beyond.value / beyond.u
    nothing = math.exp(-0.5 * offset * offset) / (beyond.u * math.sqrt(2.0 * math.pi))
    reach = _normal(offset) - _normal(offset - largest_m3 / beyond.u)
    odds = (1.0 - prior) / prior * reach / largest_m3
    # Far below zero both vanish; a volume cannot be there, so nothing is.
    return nothing / (nothing + odds) if nothing + odds > 0.0 else float(offset < 0.0)


def calibrate_rig_volume(
    change_m3: ArrayLike,
    pressure_pa: ArrayLike,
    *,
    reading_u_m3: float,
    scale_u: float,
    pressure_u_pa: float,
    zero_u_pa: float,
    attached_m3: Estimate,
) -> Estimate:
    """Fit the rig's volume [m3] to settled pressures (steps,) at known volume changes (steps,).

    p_0 V_0 = p (V_0 + change) makes 1/p a straight line in the change, of which V_0 is level over
    slope. `attached_m3` is what the syringe and its tube add to the rig at a change of zero.
    `reading_u_m3` is the standard uncertainty of one reading of the scale, `scale_u` (relative)
    that of the scale as a whole; `pressure_u_pa` is random, `zero_u_pa` that of the sensor's zero.
    Scatter beyond what these explain raises the random part.

    Raises InputError for fewer than three steps or changes that are all alike.
    """
    changes, pressures = np.asarray(change_m3, dtype=float), np.asarray(pressure_pa, dtype=float)
    if changes.size < 3 or np.ptp(changes) <= 10.0 * reading_u_m3:
        raise InputError(
            f"{changes.size} syringe steps over {np.ptp(changes) * 1e6:.1f} cm3 cannot give a "
            "volume: take at least three, far apart"
        )
    line = _syringe_line(changes, pressures, reading_u_m3, pressure_u_pa)
    level, slope = (float(value) for value in line.parameters)
    whole = level / slope
    gradient = np.array([1.0 / slope, -level / slope**2])
    excess = max(line.residual_sd, 1.0)
    random = math.sqrt(float(gradient @ line.covariance @ gradient)) * excess
    shifted = _syringe_line(changes, pressures + 1.0, reading_u_m3, pressure_u_pa).parameters
    by_zero = float(shifted[0] / shifted[1]) - whole
    return Estimate.from_sources(
        whole - attached_m3.value,
        {
            "random": random,
            "syringe_scale": whole * scale_u,
            "zero": abs(by_zero) * zero_u_pa,
            "attached": attached_m3.u,
        },
    )


def _syringe_line(
    changes: FloatArray, pressures: FloatArray, reading_u_m3: float, pressure_u_pa: float
) -> Fit:
    design = np.column_stack([np.ones_like(changes), changes])
    inverse = 1.0 / pressures
    slope = float(np.polyfit(changes, inverse, 1)[0])
    sd = np.hypot(pressure_u_pa * inverse**2, slope * reading_u_m3)
    return linear_least_squares(design, inverse, sd)


@dataclass(frozen=True)
class _Record:
    """Block means: times since the instant and since the record began [s], pressures, their sd.

    `rounding_u_pa` is what rounding leaves in all of them alike.
    """

    since_s: FloatArray
    from_start_s: FloatArray
    pressure_pa: FloatArray
    sd_pa: FloatArray
    rounding_u_pa: float
    slowest_s: float
    transient_pa: float

    def columns(self, taus_s: FloatArray) -> FloatArray:
        """Build the design of level, slope and a transient for each time constant."""
        decays = np.exp(-self.from_start_s[:, None] / taus_s)
        columns: FloatArray = np.column_stack([np.ones_like(self.since_s), self.since_s, decays])
        return columns


@dataclass(frozen=True)
class _Candidate:
    """A fitted model with `transients` of them: level, slope, amplitudes, then their shape.

    The shape is the log of the shorter time constant and, of two, the log of by how much the log of
    the longer exceeds it beyond `_LEAST_APART`: two equal ones would be one.
    """

    transients: int
    fit: Fit

    @property
    def covariance(self) -> FloatArray:
        """Get the covariance that the stated standard deviations give."""
        return self.fit.covariance / self.fit.residual_sd**2

    @property
    def taus_s(self) -> FloatArray:
        taus_s: FloatArray = np.exp(_log_taus(self.fit.parameters[2 + self.transients :])[0])
        return taus_s


def _average_over_transients(record: _Record, most: int) -> SettledPressure:
    fitted = (_fit(record, transients) for transients in range(most + 1))
    tried = [one for one in fitted if one is not None]
    chi_square = np.array([one.fit.residuals @ one.fit.residuals for one in tried])
    scatter = _scatter(tried[int(np.argmin(chi_square))].fit, record.since_s.size)
    evidence = np.array([_occam(one, record, scatter) for one in tried])
    evidence -= 0.5 * chi_square / scatter
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    level, slope = (_mixture(tried, weight, scatter, index) for index in (0, 1))
    lag_s, lag_u_s = _heating_lag(tried, weight, scatter, record)
    heating = (HEAT_CAPACITY_RATIO - 1.0) * slope.value
    amplitudes = [float(one.fit.parameters[2 : 2 + one.transients].sum()) for one in tried]
    return SettledPressure(
        pressure_pa=Estimate.from_sources(
            level.value - heating * lag_s,
            {
                **level.sources,
                "rounding": record.rounding_u_pa,
                "leak_heating": abs(heating) * lag_u_s,
            },
        ),
        slope_pa_s=slope,
        transient_pa=float(weight @ np.array(amplitudes)),
        time_constant_s=max(tried[int(np.argmax(weight))].taus_s.tolist(), default=None),
    )


def _log_taus(shape: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Compute the log time constants (transients,) of a shape and their derivatives in it."""
    if shape.size < 2:
        return shape, np.eye(shape.size)
    apart = math.exp(shape[1])
    logs = np.array([shape[0], shape[0] + _LEAST_APART + apart])
    return logs, np.array([[1.0, 0.0], [1.0, apart]])


def _fit(record: _Record, transients: int) -> _Candidate | None:
    """Fit a model from the best of a grid of shapes; amplitudes and shape are held by priors.

    None where the record has no room for it: the simpler ones then carry what they do not fit.
    """
    centre, width = _log_time_constant(record)
    expected = np.array([centre, 0.0])[:transients]
    sd: FloatArray = np.concatenate(
        [
            record.sd_pa,
            np.full(transients, record.transient_pa),
            np.array([width, 1.0])[:transients],
        ]
    )
    split = 2 + transients

    def residuals(parameters: FloatArray) -> FloatArray:
        linear, shape = parameters[:split], parameters[split:]
        fitted = record.columns(np.exp(_log_taus(shape)[0])) @ linear
        off = [fitted - record.pressure_pa, linear[2:], shape - expected]
        weighted: FloatArray = np.concatenate(off) / sd
        return weighted

    def jacobian(parameters: FloatArray) -> FloatArray:
        linear, (logs, by_shape) = parameters[:split], _log_taus(parameters[split:])
        columns = record.columns(np.exp(logs))
        by_log = linear[2:] * columns[:, 2:] * record.from_start_s[:, None] / np.exp(logs)
        held = np.eye(parameters.size)[2:]
        rows: FloatArray = np.vstack([np.hstack([columns, by_log @ by_shape]), held]) / sd[:, None]
        return rows

    axes = [np.linspace(centre - 1.5 * width, centre + 1.5 * width, _GRID), np.array(_APART)]
    starts = []
    for shape in product(*axes[:transients]):
        start = np.array(shape)
        linear = linear_least_squares(
            np.vstack([record.columns(np.exp(_log_taus(start)[0])), np.eye(split)[2:]]),
            np.append(record.pressure_pa, np.zeros(transients)),
            sd[: record.sd_pa.size + transients],
        )
        start = np.append(linear.parameters, start)
        starts.append((float(np.sum(residuals(start) ** 2)), start))
    start = min(starts, key=lambda one: one[0])[1]
    try:
        fit = least_squares(residuals, jacobian, start, max_iterations=200, tolerance=1e-4)
    except FitError:
        return None
    return _Candidate(transients, fit)


def _log_time_constant(record: _Record) -> tuple[float, float]:
    """Compute mean and standard deviation of the prior of a logarithm of a time constant."""
    low, high = math.log(_FASTEST_S), math.log(record.slowest_s)
    return 0.5 * (low + high), (high - low) / math.sqrt(12.0)


def _occam(one: _Candidate, record: _Record, scatter: float) -> float:
    """Compute the log of the share of its prior that a model kept (Laplace's approximation).

    An amplitude may have any order of magnitude from noise to the largest expected, all alike.
    """
    covariance = one.covariance * scatter
    kept = 0.5 * float(np.linalg.slogdet(covariance)[1])
    if one.transients == 0:
        return kept
    amplitudes = slice(2, 2 + one.transients)
    size = np.maximum(
        np.abs(one.fit.parameters[amplitudes]), np.sqrt(np.diag(covariance)[amplitudes])
    )
    orders = math.log(record.transient_pa / float(np.min(record.sd_pa)))
    spread = size * max(orders, 1.0) * 2.0 / math.sqrt(2.0 * math.pi)
    shape = math.log(_log_time_constant(record)[1])
    return kept - float(np.sum(np.log(spread))) - shape


def _scatter(best: Fit, count: int) -> float:
    """Compute the factor of the variances that the residuals of the blocks ask for, at least 1."""
    residual, size = best.residuals[:count], best.parameters.size
    excess = max(float(residual @ residual) / (count - size), 1.0)
    return excess * noise.correlation_factor(residual, size)


def _mixture(tried: list[_Candidate], weight: FloatArray, scatter: float, index: int) -> Estimate:
    values = np.array([one.fit.parameters[index] for one in tried])
    variances = np.array([one.covariance[index, index] for one in tried]) * scatter
    mean = float(weight @ values)
    return Estimate.from_sources(
        mean,
        {
            "random": math.sqrt(float(weight @ variances)),
            "transient": math.sqrt(float(weight @ (values - mean) ** 2)),
        },
    )


def _heating_lag(
    tried: list[_Candidate], weight: FloatArray, scatter: float, record: _Record
) -> tuple[float, float]:
    """Compute mean and standard deviation [s] of the gas's time constant towards its wall.

    A model without a transient leaves it anywhere that its prior allows.
    """
    centre, width = _log_time_constant(record)
    means, squares = [], []
    for one in tried:
        logs, variances = np.array([centre]), np.array([width**2])
        if one.transients:
            first = 2 + one.transients
            logs, by_shape = _log_taus(one.fit.parameters[first:])
            variances = np.diag(by_shape @ one.covariance[first:, first:] @ by_shape.T) * scatter
        variances = np.minimum(variances, width**2)
        mean = np.exp(logs + 0.5 * variances)  # log-normal
        means.append(float(np.mean(mean)))
        squares.append(float(np.mean(mean**2 * np.exp(variances))))
    lag_s = float(weight @ np.array(means))
    return lag_s, math.sqrt(max(float(weight @ np.array(squares)) - lag_s**2, 0.0))


def _normal(offset: float) -> float:
    return 0.5 * math.erfc(-offset / math.sqrt(2.0))
