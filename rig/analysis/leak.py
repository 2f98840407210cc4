"""Own the verdict of one hold: inspect, estimate, judge, explain; never read files or hardware."""

import math
from dataclasses import replace

import numpy as np

from rig.analysis import noise
from rig.analysis.estimator import FIXED_SOURCES, LeakEstimate, estimate
from rig.analysis.hold import DropLimit, HoldConditions, HoldCurve, HoldResult
from rig.analysis.spoiled import LEAST_HOLD_S, Inspection, finding, inspect
from rig.analysis.verdict import conformance_probability, required_z, z_to_error
from rig.records import Finding, Outcome
from rig.units import PA_PER_INHG

_LEAST_OPPOSED = 1e-3
"""A smaller probability of the opposite verdict never holds a verdict up, however early."""
_NEGLIGIBLE = 1e-7
_END_MISFIT = 7.0
"""Standard deviations by which the last blocks may leave the fit before a verdict waits."""
_OWN_LEAK_SHARE = 1.0 / 3.0
_DIAL_PA = 338.6
"""A dial is read to a tenth of an inch of mercury at best."""
_LEAST_SAMPLES = 20
_LEAST_MEASURED_S = 3.0
"""A shorter record tells nothing, not even to someone who only measures."""
_DRAWN_SHARE = 0.1
"""Share of the limit by which a leak may come out below zero before the test is spoiled."""


def analyse_hold(
    curve: HoldCurve,
    conditions: HoldConditions,
    limit: DropLimit,
    *,
    random_z: float | None = None,
) -> HoldResult:
    """Analyse a recorded hold and judge it.

    `random_z` is the one-sided bound of this look on the random part of the uncertainty, in
    standard deviations; without it the look is the only one and the limit's confidence is the
    bound. A spoiled hold gives an `invalid` result that says why, never an exception.
    """
    if curve.time_s.size < _LEAST_SAMPLES:
        lasted = float(np.ptp(curve.time_s)) if curve.time_s.size else 0.0
        return _too_short(curve, conditions, limit, None, lasted, random_z)
    white_sd = noise.white_sd(curve.pressure_pa)
    step = noise.converter_step(curve.pressure_pa)
    found = inspect(curve, conditions, limit, white_sd, step)
    if found.spoiled:
        return _spoiled(curve, conditions, limit, found, found.spoiled)
    duration = float(curve.time_s[found.stop - 1] - curve.time_s[found.first])
    if found.stop - found.first < _LEAST_SAMPLES or (
        duration < _LEAST_MEASURED_S and found.gone_s is None
    ):
        return _too_short(curve, conditions, limit, found, duration, random_z)
    estimated = estimate(curve, found, conditions, limit)
    if _draws(estimated, limit):
        reason = finding("vacuum_rose", time_s=float(curve.time_s[found.first]))
        return _spoiled(curve, conditions, limit, found, (reason,))
    if conditions.own_leak is not None and limit.max_drop_pa is not None:
        share = _own_leak_share(conditions, limit, estimated)
        if share > _OWN_LEAK_SHARE:
            reason = finding("own_leak_too_large", share=share)
            return _spoiled(curve, conditions, limit, found, (reason,))
    return _judged(curve, conditions, limit, found, estimated, random_z)


def _too_short(
    curve: HoldCurve,
    conditions: HoldConditions,
    limit: DropLimit,
    found: Inspection | None,
    lasted_s: float,
    random_z: float | None,
) -> HoldResult:
    """Report a hold too short to say anything: spoiled, or, while it is still held, undecided."""
    reason = finding("hold_too_short", hold_s=lasted_s, least_s=LEAST_HOLD_S)
    result = _spoiled(curve, conditions, limit, found, (reason,))
    return result if random_z is None else replace(result, outcome=Outcome.UNDECIDED)


def _draws(estimated: LeakEstimate, limit: DropLimit) -> bool:
    """Tell whether the pressure goes on falling: something still draws, and hides as much leak."""
    allowed = PA_PER_INHG if limit.max_drop_pa is None else limit.max_drop_pa
    below = -estimated.drop.value
    return below > 3.5 * estimated.drop.u and below > _DRAWN_SHARE * allowed


def _own_leak_share(
    conditions: HoldConditions, limit: DropLimit, estimated: LeakEstimate
) -> float:
    """Compute the rig's own leak as a share of the flow that the limit allows."""
    if conditions.own_leak is None or limit.max_drop_pa is None:
        return 0.0
    gain = estimated.drop.u / max(estimated.leak.u, 1e-30)
    return abs(conditions.own_leak.flow_m3_s) * gain / limit.max_drop_pa


def _judged(
    curve: HoldCurve,
    conditions: HoldConditions,
    limit: DropLimit,
    found: Inspection,
    estimated: LeakEstimate,
    random_z: float | None,
) -> HoldResult:
    hold_s = float(curve.time_s[found.stop - 1]) - found.strokes_end_s
    drop, observed = estimated.drop, _observed_drop(curve, found, conditions, limit)
    reasons: list[Finding] = []
    probability: float | None = None
    outcome = Outcome.MEASURED
    if limit.max_drop_pa is not None:
        probability = conformance_probability(drop.value, drop.u, None, limit.max_drop_pa)
        outcome, reasons = _verdict(limit, found, estimated, probability, hold_s, random_z)
    else:
        code = "not_told_from_zero" if estimated.leak_kind == "none" else "measured"
        leak = estimated.leak
        reasons.append(finding(code, leak_m3_s=leak.value, u_m3_s=leak.u))
        if hold_s < LEAST_HOLD_S - 0.1 and found.gone_s is None:
            reasons.append(finding("hold_too_short", hold_s=hold_s, least_s=LEAST_HOLD_S))
    dial = _dial_outcome(observed, limit)
    reasons += _explanations(estimated, found, observed, outcome, dial)
    start, end = _vacuum_at_ends(curve, found, conditions)
    return HoldResult(
        outcome=outcome,
        probability_of_conformity=probability,
        leak=estimated.leak,
        equivalent_drop=drop,
        leak_kind=estimated.leak_kind,
        settling=estimated.settling,
        start_vacuum_pa=start,
        end_vacuum_pa=end,
        observed_drop_pa=observed,
        dial_outcome=dial,
        hold_start_s=float(curve.time_s[found.first]),
        hold_end_s=float(curve.time_s[found.stop - 1]),
        decided_at_s=None,
        limit=limit,
        reasons=(*reasons, *found.notes),
        candidates=estimated.candidates,
        fitted=estimated.fitted,
        noise=estimated.noise,
    )


def _verdict(
    limit: DropLimit,
    found: Inspection,
    estimated: LeakEstimate,
    probability: float,
    hold_s: float,
    random_z: float | None,
) -> tuple[Outcome, list[Finding]]:
    drop = estimated.drop
    assert limit.max_drop_pa is not None  # noqa: S101 - narrowed by the caller
    figures = {
        "drop_pa": drop.value,
        "u_pa": drop.u,
        "max_drop_pa": limit.max_drop_pa,
        "probability": probability,
    }
    margin = limit.max_drop_pa - drop.value
    z = required_z(limit.confidence)
    needed = _needed_margin(estimated, z, z if random_z is None else random_z)
    said = Outcome.PASS if margin >= needed else Outcome.FAIL if -margin >= needed else None
    if said is None:
        reasons = [finding("too_close", hold_s=hold_s, **figures)]
        only_fixed = _needed_margin(estimated, z, 0.0)
        if abs(margin) < only_fixed:
            largest = max(FIXED_SOURCES, key=lambda name: drop.sources.get(name, 0.0))
            reasons.append(finding("fixed_uncertainty_blocks", largest_source=largest))
        return Outcome.UNDECIDED, reasons
    # No settling loses most of a vacuum: such a fail need not wait for it.
    runs_away = said is Outcome.FAIL and found.gone_s is not None
    if not runs_away:
        if hold_s < LEAST_HOLD_S - 0.1:
            short = finding("hold_too_short", hold_s=hold_s, least_s=LEAST_HOLD_S)
            return Outcome.UNDECIDED, [short]
        if abs(margin) - estimated.unsettled_drop_pa < needed:
            tau = estimated.settling.time_constant_s or hold_s
            wait = finding("settling_not_identified", time_constant_s=tau, hold_s=hold_s)
            return Outcome.UNDECIDED, [wait]
        if estimated.end_misfit > _END_MISFIT:
            return Outcome.UNDECIDED, [finding("end_disturbed", hold_s=hold_s)]
        opposed = _opposite(estimated, limit, said)
        if opposed > max(z_to_error(z if random_z is None else random_z), _LEAST_OPPOSED):
            return Outcome.UNDECIDED, [finding("candidates_disagree")]
    code = "within_limit" if said is Outcome.PASS else "over_limit"
    return said, [finding(code, **figures)]


def _needed_margin(estimated: LeakEstimate, z: float, random_z: float) -> float:
    """Compute how far from the limit a drop must be [Pa]: random and fixed parts in quadrature."""
    parts = estimated.drop.sources
    fixed = math.sqrt(sum(parts.get(name, 0.0) ** 2 for name in FIXED_SOURCES))
    random = math.sqrt(max(estimated.drop.u**2 - fixed**2, 0.0))
    return math.hypot(z * fixed, random_z * random)


def _opposite(estimated: LeakEstimate, limit: DropLimit, said: Outcome) -> float:
    """Compute the probability of the opposite verdict, summed over what each candidate says.

    A few candidates that say something else do not show in a mean and a standard deviation.
    """
    assert limit.max_drop_pa is not None  # noqa: S101 - narrowed by the caller
    views = estimated.views
    conforms = float(
        sum(
            weight * conformance_probability(float(drop), float(u), None, limit.max_drop_pa)
            for weight, drop, u in zip(views.weight, views.drop_pa, views.drop_u_pa, strict=True)
            if weight > _NEGLIGIBLE
        )
    )
    return 1.0 - conforms if said is Outcome.PASS else conforms


def _observed_drop(
    curve: HoldCurve, found: Inspection, conditions: HoldConditions, limit: DropLimit
) -> float | None:
    """Read the drop off the record as a dial and stopwatch would, or None if it is too short."""
    begin = float(curve.time_s[found.first])
    at_start = _level(curve, found, begin, begin + 0.25)
    wanted = begin + limit.within_s
    if found.gone_s is not None and wanted >= found.gone_s:
        return conditions.ambient_pa - at_start
    held = curve.time_s[found.first : found.stop]
    if wanted > float(held[-1]) + 0.25 or np.min(np.abs(held - wanted)) > 1.0:
        return None
    return _level(curve, found, wanted - 0.25, wanted + 0.25) - at_start


def _level(curve: HoldCurve, found: Inspection, begin: float, end: float) -> float:
    """Read the pressure in a window of time; from the nearest sample where the window is empty."""
    good = ~found.wild
    window = (curve.time_s >= begin) & (curve.time_s <= end) & good
    if not window.any():
        middle = 0.5 * (begin + end)
        window = np.abs(curve.time_s - middle) == np.min(np.abs(curve.time_s[good] - middle))
    return float(np.median(curve.pressure_pa[window]))


def _dial_outcome(observed: float | None, limit: DropLimit) -> Outcome | None:
    if observed is None or limit.max_drop_pa is None:
        return None
    read = round(observed / _DIAL_PA) * _DIAL_PA
    return Outcome.PASS if read <= limit.max_drop_pa + 0.5 * _DIAL_PA * 1e-6 else Outcome.FAIL


def _explanations(
    estimated: LeakEstimate,
    found: Inspection,
    observed: float | None,
    outcome: Outcome,
    dial: Outcome | None,
) -> list[Finding]:
    reasons = []
    settled = estimated.settling
    noise_pa = estimated.noise["white_sd_pa"]
    if settled.kind != "none" and settled.rise_pa > max(100.0, 3.0 * noise_pa):
        reasons.append(finding("settling_found", kind=settled.kind, rise_pa=settled.rise_pa))
    if (
        observed is not None
        and dial is not None
        and dial is not outcome
        and outcome in (Outcome.PASS, Outcome.FAIL)
    ):
        reasons.append(finding("dial_misled", drop_pa=observed, says=dial.value))
    if estimated.gas_warmed_k is not None and abs(estimated.gas_warmed_k) > 0.05:
        reasons.append(finding("gas_warmed", change_k=estimated.gas_warmed_k))
    del found
    return reasons


def _vacuum_at_ends(
    curve: HoldCurve, found: Inspection, conditions: HoldConditions
) -> tuple[float, float]:
    begin, end = float(curve.time_s[found.first]), float(curve.time_s[found.stop - 1])
    return (
        conditions.ambient_pa - _level(curve, found, begin, begin + 0.25),
        conditions.ambient_pa - _level(curve, found, end - 0.25, end),
    )


def _spoiled(
    curve: HoldCurve,
    conditions: HoldConditions,
    limit: DropLimit,
    found: Inspection | None,
    reasons: tuple[Finding, ...],
) -> HoldResult:
    t = curve.time_s
    empty = t.size == 0
    start = end = math.nan
    if found is not None:
        start, end = _vacuum_at_ends(curve, found, conditions)
    elif not empty:
        start = conditions.ambient_pa - float(curve.pressure_pa[0])
        end = conditions.ambient_pa - float(curve.pressure_pa[-1])
    return HoldResult(
        outcome=Outcome.INVALID,
        probability_of_conformity=None,
        leak=None,
        equivalent_drop=None,
        leak_kind="none",
        settling=None,
        start_vacuum_pa=start,
        end_vacuum_pa=end,
        observed_drop_pa=None,
        dial_outcome=None,
        hold_start_s=0.0 if empty else float(t[0]) if found is None else float(t[found.first]),
        hold_end_s=0.0 if empty else float(t[-1]),
        decided_at_s=None,
        limit=limit,
        reasons=reasons,
    )
