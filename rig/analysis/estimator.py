"""Own the estimate of the leak from the samples of one hold; never judge it against a limit.

Samples become block means, candidate laws and settlings are weighed against them, and the mixture
gives the leak at the limit's vacuum and sea level with its uncertainty split by source.
"""

from dataclasses import dataclass

import numpy as np

from rig.analysis import blocks, correlation, posterior
from rig.analysis.gas import (
    STANDARD_TEMPERATURE_K,
    Law,
    LeakLaw,
    rate_at_ambient,
    slope_from_flow,
    standard_flow,
)
from rig.analysis.hold import (
    Candidate,
    DropLimit,
    FittedCurve,
    Hold,
    HoldConditions,
    HoldCurve,
    Settling,
)
from rig.analysis.models import BlockData
from rig.analysis.spoiled import Inspection
from rig.arrays import FloatArray
from rig.records import Estimate
from rig.units import SEA_LEVEL_PA

_LAWS = ((Law.ORIFICE, 0.5), (Law.LAMINAR, 0.35), (Law.PERMEATION, 0.15))
"""Candidate laws with their prior weights."""
UNKNOWN_DRIFT_K_S = 0.1 / 60.0 / np.sqrt(3.0)
"""Standard uncertainty of the gas temperature's drift where it was not recorded: 0.1 K/min either
way, every value as likely."""
_LEAST_DRIFT_U_K_S = 0.01 / 60.0
_INEXACT, _INEXACT_S = 0.002, 8.0
"""No settling follows its formula exactly: what it may stray by, as a share of its rise, and for
how long at a time."""
_ROUNDS = 4
_LAG_S = 0.4
"""What a sensor or a closing valve makes of the first moment is no course of the gas."""
_LEAST_SETTLING, _MOST_SETTLING = -0.1, 0.3
"""Shares of the vacuum outside which what a candidate calls settling is none."""
_STRAYS_SDS, _STRAYS_PA = 4.0, 20.0
"""Slow noise of so many standard deviations of a sample, and so much, is no noise: the curve does
not follow any candidate."""
_NEGLIGIBLE = 1e-3
"""Share of all weight below which a candidate is left out of reports."""
_TOLD_APART = 0.8
"""Weight at which a law counts as the kind of the leak."""
FIXED_SOURCES = ("volume", "span", "own_leak", "gas_temperature", "ambient", "law")
"""Sources that a longer hold does not average out."""


@dataclass(frozen=True)
class Views:
    """What each fit alone says of the drop on a hand gauge, one entry a fit.

    `weight` sums to one; `drop_pa` with its `drop_u_pa`, fixed uncertainty included.
    """

    weight: FloatArray
    drop_pa: FloatArray
    drop_u_pa: FloatArray


@dataclass(frozen=True)
class LeakEstimate:
    """The leak of a hold, before it is judged.

    `leak` [standard m3/s] at the limit's vacuum and sea level; `drop` [Pa] on a hand gauge;
    `views` what each candidate says; `unsettled_drop_pa` what the drop would gain if
    the settling that is not identified yet were no settling but a leak;
    `end_misfit` how many standard deviations the last blocks lie off the fit; `strays_pa` how
    far the curve strays from every candidate, None where it follows one.
    """

    leak: Estimate
    drop: Estimate
    leak_kind: str
    settling: Settling
    unsettled_drop_pa: float
    end_misfit: float
    strays_pa: float | None
    views: Views
    candidates: tuple[Candidate, ...]
    fitted: FittedCurve
    noise: dict[str, float]
    gas_warmed_k: float | None


def estimate(hold: Hold, found: Inspection, time_constants: float) -> LeakEstimate:
    """Estimate the leak of the hold that `found` located in its record.

    A settling counts as identified once the hold lasted `time_constants` of its time constants.
    """
    curve, conditions, limit = hold.curve, hold.conditions, hold.limit
    held = np.zeros(curve.time_s.size, dtype=bool)
    held[found.first : found.stop] = True
    held &= ~found.wild
    if found.gone_s is None:
        held &= curve.time_s >= found.strokes_end_s + _LAG_S
    time_s = curve.time_s[held]
    pressure_pa = curve.pressure_pa[held]
    since_stroke = time_s - found.strokes_end_s
    pressure_pa, drift_k_s, drift_u_k_s = _without_drift(curve, held, pressure_pa, conditions)
    pressure_pa = _without_own_leak(since_stroke, pressure_pa, conditions)
    reduced = blocks.average(since_stroke, pressure_pa)
    white_sd = max(found.white_sd_pa, found.step_pa / np.sqrt(12.0), 0.05)
    white = white_sd**2 / reduced.count
    late = reduced.time_s >= 0.5 * reduced.time_s[-1]
    slope, _ = _line(reduced.time_s[late], reduced.pressure_pa[late])
    fixed = correlation.quantisation_covariance(
        reduced.time_s, found.step_pa, found.white_sd_pa, slope
    )
    ambient = conditions.ambient_pa
    start = _start(reduced, ambient)

    def prepared(slow: correlation.SlowNoise | None) -> BlockData:
        covariance = correlation.block_covariance(reduced.time_s, white, fixed, slow)
        return BlockData(
            reduced.time_s,
            reduced.half_width_s,
            reduced.pressure_pa,
            correlation.whitener(covariance),
            ambient,
        )

    data = prepared(None)
    solved = posterior.fit(_LAWS, data, start)
    slow: correlation.SlowNoise | None = None
    strays_pa = None
    for _ in range(_ROUNDS):
        best = posterior.most_credible(solved)
        seen = correlation.slow_noise(reduced.time_s, best.left_pa, best.design, white, fixed)
        if seen is not None and seen.sd_pa > max(_STRAYS_SDS * white_sd, _STRAYS_PA):
            strays_pa = seen.sd_pa
        inexact = correlation.SlowNoise(_INEXACT * abs(best.settled_pa), _INEXACT_S)
        found_pa = 0.0 if slow is None else slow.sd_pa
        wanted = inexact if seen is None or seen.sd_pa < inexact.sd_pa else seen
        if slow is not None and wanted.sd_pa <= 1.5 * found_pa:
            break
        # The residuals of one fit tell the noise of the next, until they tell nothing more.
        slow = wanted
        data = prepared(slow)
        solved = posterior.fit_again(solved, data)
    vacuum_pa = ambient - float(reduced.pressure_pa[0])
    if not _LEAST_SETTLING * vacuum_pa < best.settled_pa < _MOST_SETTLING * vacuum_pa:
        strays_pa = abs(best.settled_pa)
    fits = posterior.weigh(solved)
    return _combine(
        fits,
        data,
        conditions,
        limit,
        drift=(drift_k_s, drift_u_k_s),
        mean_u=np.sqrt(white + np.diag(fixed) + (0.0 if slow is None else slow.sd_pa**2)),
        offset_s=found.strokes_end_s,
        slow=slow,
        noise={"white_sd_pa": white_sd, "step_pa": found.step_pa},
        strays_pa=strays_pa,
        time_constants=time_constants,
    )


def _start(reduced: blocks.Blocks, ambient: float) -> tuple[float, float]:
    p, t = reduced.pressure_pa, reduced.time_s
    lost = (p[-1] - p[0]) / max(ambient - p[0], 1.0)
    part = t >= 0.3 * t[-1] if lost < 0.3 else slice(0, max(4, t.size // 3))
    slope, level = _line(t[part], p[part])
    return min(level, 0.98 * ambient), slope


def _line(t: FloatArray, p: FloatArray) -> tuple[float, float]:
    """Fit a straight line: slope, and level at time zero; level only where times are all one."""
    centred = t - t.mean()
    spread = float(centred @ centred)
    slope = float(centred @ p) / spread if spread > 0.0 else 0.0
    return slope, float(p.mean()) - slope * float(t.mean())


def _without_drift(
    curve: HoldCurve, held: np.ndarray, pressure_pa: FloatArray, conditions: HoldConditions
) -> tuple[FloatArray, float | None, float]:
    """Take out the drift of the gas temperature, as a fitted line: the sensing bead lags."""
    if curve.gas_temperature_k is None:
        return pressure_pa, None, float(UNKNOWN_DRIFT_K_S)
    t = curve.time_s[held]
    temperature = curve.gas_temperature_k[held]
    centred = t - t.mean()
    spread = float(centred @ centred)
    drift = float(centred @ temperature) / spread
    left = temperature - temperature.mean() - drift * centred
    # Residuals of a temperature are correlated over seconds: count one reading in five seconds.
    independent = max(float(t[-1] - t[0]) / 5.0, 3.0)
    u = float(np.std(left)) / np.sqrt(spread / t.size * independent)
    corrected = pressure_pa * (
        conditions.gas_temperature_k / (conditions.gas_temperature_k + drift * centred)
    )
    return corrected, drift, float(np.hypot(u, _LEAST_DRIFT_U_K_S))


def _without_own_leak(
    since_stroke: FloatArray, pressure_pa: FloatArray, conditions: HoldConditions
) -> FloatArray:
    own = conditions.own_leak
    if own is None:
        return pressure_pa
    if own.curve_time_s is None or own.curve_rise_m3_pa is None:
        slope = slope_from_flow(own.flow_m3_s, conditions.volume_m3, conditions.gas_temperature_k)
        return pressure_pa - slope * since_stroke
    rise = np.interp(since_stroke, own.curve_time_s, own.curve_rise_m3_pa)
    # A blank-off shorter than the hold goes on with its flow.
    beyond = np.maximum(since_stroke - own.curve_time_s[-1], 0.0)
    slope = slope_from_flow(own.flow_m3_s, conditions.volume_m3, conditions.gas_temperature_k)
    return np.asarray(pressure_pa - rise / conditions.volume_m3 - slope * beyond)


def _combine(
    fits: posterior.Fits,
    data: BlockData,
    conditions: HoldConditions,
    limit: DropLimit,
    *,
    drift: tuple[float | None, float],
    mean_u: FloatArray,
    offset_s: float,
    slow: correlation.SlowNoise | None,
    noise: dict[str, float],
    strays_pa: float | None,
    time_constants: float,
) -> LeakEstimate:
    states = _leak_states(fits, conditions, limit)
    weight = fits.weight
    flow, drop = states.over_ratios(states.flow), states.over_ratios(states.drop)
    variance = states.over_ratios(states.variance)
    drop_variance = states.over_ratios(states.variance * states.gain**2)
    flow_ratio = states.over_ratios((states.flow - flow[:, None]) ** 2)
    drop_ratio = states.over_ratios((states.drop - drop[:, None]) ** 2)
    fixed = _fixed_uncertainties(float(weight @ flow), conditions, drift, data)
    mean_gain = float(weight @ states.over_ratios(states.gain))
    leak = _mixture(fits, flow, variance, flow_ratio, fixed)
    drop_fixed = {name: u * mean_gain for name, u in fixed.items()}
    best = int(np.argmax(weight))
    fixed_u = float(np.sqrt(sum(u * u for u in drop_fixed.values())))
    if slow is not None:
        noise = {**noise, "slow_sd_pa": slow.sd_pa, "slow_time_s": slow.time_constant_s}
    return LeakEstimate(
        leak=leak,
        drop=_mixture(fits, drop, drop_variance, drop_ratio, drop_fixed),
        leak_kind=_leak_kind(fits, leak),
        settling=_settling(fits),
        unsettled_drop_pa=mean_gain * _unsettled_flow(fits, data, conditions, time_constants),
        end_misfit=float(
            np.max(np.abs(data.pressure_pa - fits.course_pa[best])[-3:] / mean_u[-3:])
        ),
        strays_pa=strays_pa,
        views=Views(weight, drop, np.sqrt(drop_variance + drop_ratio + fixed_u**2)),
        candidates=tuple(
            Candidate(law, kind, share, mean, u)
            for law, kind, share, mean, u in _groups(fits, flow, variance + flow_ratio)
        ),
        fitted=FittedCurve(
            data.time_s + offset_s,
            data.pressure_pa,
            fits.course_pa[best],
            fits.leak_pa[best],
            mean_u,
        ),
        noise={**noise, "blocks": float(data.time_s.size)},
        gas_warmed_k=None if drift[0] is None else drift[0] * float(np.ptp(data.time_s)),
    )


def _fixed_uncertainties(
    flow_m3_s: float,
    conditions: HoldConditions,
    drift: tuple[float | None, float],
    data: BlockData,
) -> dict[str, float]:
    """Compute the standard uncertainties [m3/s] of everything that a longer hold cannot mend."""
    mean = abs(flow_m3_s)
    temperature = conditions.gas_temperature_k
    slope = float(np.mean(data.pressure_pa)) * drift[1] / temperature
    drifting = standard_flow(slope, conditions.volume_m3, temperature)
    own = 0.0 if conditions.own_leak is None else conditions.own_leak.u_m3_s
    return {
        "volume": mean * conditions.volume_u_m3 / conditions.volume_m3,
        "span": mean * conditions.span_u,
        "gas_temperature": float(
            np.hypot(mean * conditions.gas_temperature_u_k / temperature, drifting)
        ),
        "ambient": mean * conditions.ambient_u_pa / conditions.ambient_pa,
        "own_leak": own,
    }


def _mixture(
    fits: posterior.Fits,
    value: FloatArray,
    variance: FloatArray,
    ratio_variance: FloatArray,
    fixed: dict[str, float],
) -> Estimate:
    """Combine candidates (laws, settlings) by their weights; the law of total variance splits u."""
    mean = float(fits.weight @ value)
    random = float(fits.weight @ variance)
    settled, law = 0.0, float(fits.weight @ ratio_variance)
    for i in range(len(fits.laws)):
        share = np.where(fits.law == i, fits.weight, 0.0)
        total = float(share.sum())
        if total > 0.0:
            within = float(share @ value) / total
            settled += float(share @ (value - within) ** 2)
            law += total * (within - mean) ** 2
    split = {"random": random, "settling": settled, "law": law}
    sources = {name: float(np.sqrt(part)) for name, part in split.items()}
    return Estimate.from_sources(mean, {**sources, **fixed})


def _leak_kind(fits: posterior.Fits, leak: Estimate) -> str:
    if abs(leak.value) < 2.0 * leak.u:
        return "none"
    by_law: dict[str, float] = {}
    for index, share in zip(fits.law, fits.weight, strict=True):
        name = fits.laws[index].value
        by_law[name] = by_law.get(name, 0.0) + float(share)
    likely = max(by_law, key=lambda name: by_law[name])
    return likely if by_law[likely] >= _TOLD_APART else "unclear"


def _settling(fits: posterior.Fits) -> Settling:
    by_kind: dict[str, float] = {}
    for kind, share in zip(fits.kinds, fits.weight, strict=True):
        by_kind[kind] = by_kind.get(kind, 0.0) + float(share)
    likely = max(by_kind, key=lambda kind: by_kind[kind])
    of_kind = np.array([kind == likely for kind in fits.kinds])
    best = int(np.argmax(np.where(of_kind, fits.weight, -1.0)))
    tau = float(fits.time_constant_s[best])
    return Settling(likely, float(fits.rise_pa[best]), tau if np.isfinite(tau) else None)


def _unsettled_flow(
    fits: posterior.Fits, data: BlockData, conditions: HoldConditions, time_constants: float
) -> float:
    """Compute the mean flow [standard m3/s] that settling too slow to be identified looks like."""
    hold_s = float(data.time_s[-1])
    slow = np.nan_to_num(fits.slow_for_s) * time_constants > hold_s
    rise = float(np.sum(fits.weight * np.abs(fits.slow_rise_pa) * slow))
    return standard_flow(rise / hold_s, conditions.volume_m3, conditions.gas_temperature_k)


def _groups(
    fits: posterior.Fits, value: FloatArray, variance: FloatArray
) -> list[tuple[str, str, float, float, float]]:
    """Sum up the fits by law and kind of settling: names, weight, mean and standard deviation."""
    members: dict[tuple[str, str], list[int]] = {}
    for i, kind in enumerate(fits.kinds):
        if fits.weight[i] > 0.0:
            members.setdefault((fits.laws[fits.law[i]].value, kind), []).append(i)
    rows = []
    for (law, kind), indices in members.items():
        share = fits.weight[indices]
        total = float(share.sum())
        if total >= _NEGLIGIBLE:
            mean = float(share @ value[indices]) / total
            spread = float(share @ (variance[indices] + (value[indices] - mean) ** 2)) / total
            rows.append((law, kind, total, mean, float(np.sqrt(spread))))
    return sorted(rows, key=lambda row: -row[2])


@dataclass(frozen=True)
class _LeakStates:
    """What each fit says of the leak at a few critical ratios that stand for its posterior.

    All (fits, ratios): flow [standard m3/s] at the limit's vacuum and sea level, its random
    variance, drop [Pa] on the hand gauge, and d drop / d flow. `ratio_weight` (ratios,).
    """

    flow: FloatArray
    variance: FloatArray
    drop: FloatArray
    gain: FloatArray
    ratio_weight: FloatArray

    def over_ratios(self, values: FloatArray) -> FloatArray:
        """Average over the critical ratios: (fits,)."""
        return values @ self.ratio_weight


def _leak_states(fits: posterior.Fits, conditions: HoldConditions, limit: DropLimit) -> _LeakStates:
    nodes = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
    rate, ratio = fits.leak[:, :1], fits.leak[:, 1:]
    covariance = fits.leak_covariance
    ratio_sd = np.sqrt(covariance[:, 1, 1])[:, None]
    ratios = np.clip(ratio + ratio_sd * nodes, 0.0, 0.6)
    bend = covariance[:, :1, 1] / covariance[:, 1:, 1]
    rates = rate + bend * (ratios - ratio)
    rate_variance = np.maximum(covariance[:, :1, 0] - bend * covariance[:, :1, 1], 0.0)
    start = SEA_LEVEL_PA - limit.from_vacuum_pa
    ambient = conditions.ambient_pa
    unit_flow = standard_flow(1.0, conditions.volume_m3, conditions.gas_temperature_k)
    unit_slope = slope_from_flow(1.0, limit.reference_volume_m3, STANDARD_TEMPERATURE_K)
    flow, drop, gain = (np.empty_like(ratios) for _ in range(3))
    to_flow = np.empty_like(ratios)
    for i, law in enumerate(fits.laws):
        rows = fits.law == i
        orifice = LeakLaw(law, ratios[rows])
        shape = orifice.shape(start, SEA_LEVEL_PA)
        to_flow[rows] = unit_flow * rate_at_ambient(law, 1.0, ambient, SEA_LEVEL_PA) * shape
        if law is Law.ORIFICE:
            # At 20 degC the same hole passes sqrt(T/T0) of the mass (ISO 6358-1).
            to_flow[rows] *= np.sqrt(conditions.gas_temperature_k / STANDARD_TEMPERATURE_K)
        flow[rows] = to_flow[rows] * rates[rows]
        per_flow = unit_slope / shape

        def drops(
            flows: FloatArray, law: LeakLaw = orifice, per_flow: FloatArray = per_flow
        ) -> FloatArray:
            return law.pressure(limit.within_s, start, flows * per_flow, SEA_LEVEL_PA) - start

        drop[rows] = drops(flow[rows])
        step = np.maximum(to_flow[rows] * np.sqrt(rate_variance[rows]), 1e-13)
        gain[rows] = (drops(flow[rows] + step) - drops(flow[rows] - step)) / (2.0 * step)
    return _LeakStates(
        flow, to_flow**2 * rate_variance, drop, gain, np.array([1.0, 4.0, 1.0]) / 6.0
    )
