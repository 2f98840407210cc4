"""Own the analysis of one hold: inspect, estimate, judge, explain; never read files or hardware."""

import math
from dataclasses import replace

import numpy as np

from rig.analysis.estimator import LeakEstimate, estimate
from rig.analysis.hold import DropLimit, Hold, HoldConditions, HoldCurve, HoldResult, finding
from rig.analysis.judging import LEAST_HOLD_S, ONLY_LOOK, Held, Look, judge
from rig.analysis.spoiled import Inspection, inspect
from rig.records import Finding, Outcome
from rig.units import PA_PER_INHG

_LEAST_SAMPLES = 20
_LEAST_MEASURED_S = 3.0
"""A shorter record tells nothing, not even to someone who only measures."""
_OWN_LEAK_SHARE = 1.0 / 3.0
"""The rig's own leak may be this share of a limit; above it that limit cannot be judged."""
_DRAWN_SHARE, _DRAWN_SDS = 0.1, 3.5
"""A leak below zero by this share of the limit and so many standard deviations spoils a test."""
_DIAL_PA = 0.1 * PA_PER_INHG
"""A dial is read to a tenth of an inch of mercury at best."""
_READ_S = 0.25


def analyse_hold(
    curve: HoldCurve,
    conditions: HoldConditions,
    limit: DropLimit,
    *,
    look: Look = ONLY_LOOK,
) -> HoldResult:
    """Analyse a recorded hold and judge it, by the one look there is or by one of several.

    A spoiled hold gives an `invalid` result that says why, never an exception.
    """
    hold = Hold(curve, conditions, limit)
    if curve.time_s.size < _LEAST_SAMPLES:
        return _too_short(hold, None, look)
    found = inspect(hold)
    if found.spoiled:
        return _spoiled(hold, found, found.spoiled)
    if _short(hold, found):
        return _too_short(hold, found, look)
    estimated = estimate(hold, found, look.time_constants)
    reasons = _unusable(hold, found, estimated)
    if reasons:
        return _spoiled(hold, found, reasons)
    return _judged(hold, found, estimated, look)


def _short(hold: Hold, found: Inspection) -> bool:
    samples = found.stop - found.first
    if samples < _LEAST_SAMPLES:
        return True
    lasted_s = hold.curve.time_s[found.stop - 1] - hold.curve.time_s[found.first]
    return bool(lasted_s < _LEAST_MEASURED_S and found.gone_s is None)


def _too_short(hold: Hold, found: Inspection | None, look: Look) -> HoldResult:
    """Report a hold too short to say anything: spoiled, or, while it is still held, undecided."""
    time_s = hold.curve.time_s
    if found is not None:
        time_s = time_s[found.first : found.stop]
    if time_s.size < _LEAST_SAMPLES:
        reason = finding("too_few_samples", count=time_s.size, least=_LEAST_SAMPLES)
    else:
        reason = finding("hold_too_short", hold_s=float(np.ptp(time_s)), least_s=LEAST_HOLD_S)
    result = _spoiled(hold, found, (reason,))
    return result if look is ONLY_LOOK else replace(result, outcome=Outcome.UNDECIDED)


def _unusable(hold: Hold, found: Inspection, estimated: LeakEstimate) -> tuple[Finding, ...]:
    """Find what spoils a hold although its curve could be read."""
    allowed = PA_PER_INHG if hold.limit.max_drop_pa is None else hold.limit.max_drop_pa
    below = -estimated.drop.value
    if below > _DRAWN_SDS * estimated.drop.u and below > _DRAWN_SHARE * allowed:
        # Something still draws on the volume, and hides as much of a leak.
        return (finding("vacuum_rose", time_s=float(hold.curve.time_s[found.first])),)
    own = hold.conditions.own_leak
    if own is not None and hold.limit.max_drop_pa is not None:
        gain = estimated.drop.u / max(estimated.leak.u, 1e-30)
        share = abs(own.flow_m3_s) * gain / hold.limit.max_drop_pa
        if share > _OWN_LEAK_SHARE:
            return (finding("own_leak_too_large", share=share),)
    return ()


def _judged(hold: Hold, found: Inspection, estimated: LeakEstimate, look: Look) -> HoldResult:
    time_s, limit = hold.curve.time_s, hold.limit
    hold_s = float(time_s[found.stop - 1]) - found.strokes_end_s
    held = Held(hold_s, ran_away=found.gone_s is not None)
    outcome, probability = Outcome.MEASURED, None
    if limit.max_drop_pa is None:
        reasons = _measured(estimated, held)
    else:
        verdict = judge(estimated, limit, limit.max_drop_pa, look, held)
        outcome, probability = verdict.outcome, verdict.probability
        reasons = list(verdict.reasons)
    observed = _observed_drop(hold, found)
    dial = _dial_outcome(observed, limit)
    reasons += _explanations(estimated, observed, outcome, dial)
    start, end = _vacuum_at_ends(hold, found)
    return HoldResult(
        outcome=outcome,
        probability_of_conformity=probability,
        leak=estimated.leak,
        equivalent_drop=estimated.drop,
        leak_kind=estimated.leak_kind,
        settling=estimated.settling,
        start_vacuum_pa=start,
        end_vacuum_pa=end,
        observed_drop_pa=observed,
        dial_outcome=dial,
        hold_start_s=float(time_s[found.first]),
        hold_end_s=float(time_s[found.stop - 1]),
        decided_at_s=None,
        limit=limit,
        reasons=(*reasons, *found.notes),
        candidates=estimated.candidates,
        fitted=estimated.fitted,
        noise=estimated.noise,
    )


def _measured(estimated: LeakEstimate, held: Held) -> list[Finding]:
    code = "not_told_from_zero" if estimated.leak_kind == "none" else "measured"
    leak = estimated.leak
    reasons = [finding(code, leak_m3_s=leak.value, u_m3_s=leak.u)]
    if held.hold_s < LEAST_HOLD_S - 0.1 and not held.ran_away:
        reasons.append(finding("hold_too_short", hold_s=held.hold_s, least_s=LEAST_HOLD_S))
    if estimated.strays_pa is not None:
        reasons.append(finding("poor_fit", strays_pa=estimated.strays_pa))
    return reasons


def _observed_drop(hold: Hold, found: Inspection) -> float | None:
    """Read the drop off the record as a dial and stopwatch would, or None if it is too short."""
    begin = found.strokes_end_s
    at_start = _level(hold, found, begin, begin + _READ_S)
    wanted = begin + hold.limit.within_s
    if found.gone_s is not None and wanted >= found.gone_s:
        return hold.conditions.ambient_pa - at_start
    held = hold.curve.time_s[found.first : found.stop]
    if wanted > float(held[-1]) + _READ_S or np.min(np.abs(held - wanted)) > 1.0:
        return None
    return _level(hold, found, wanted - _READ_S, wanted + _READ_S) - at_start


def _level(hold: Hold, found: Inspection, begin: float, end: float) -> float:
    """Read the pressure in a window of time; from the nearest sample where the window is empty."""
    time_s, good = hold.curve.time_s, ~found.wild
    window = (time_s >= begin) & (time_s <= end) & good
    if not window.any():
        apart = np.abs(time_s - 0.5 * (begin + end))
        window = apart == np.min(apart[good])
    return float(np.median(hold.curve.pressure_pa[window]))


def _dial_outcome(observed: float | None, limit: DropLimit) -> Outcome | None:
    if observed is None or limit.max_drop_pa is None:
        return None
    steps, allowed = round(observed / _DIAL_PA), limit.max_drop_pa / _DIAL_PA
    return Outcome.PASS if steps <= allowed + 1e-6 else Outcome.FAIL


def _explanations(
    estimated: LeakEstimate, observed: float | None, outcome: Outcome, dial: Outcome | None
) -> list[Finding]:
    reasons = []
    settled = estimated.settling
    shown = max(100.0, 3.0 * estimated.noise["white_sd_pa"])
    if settled.kind != "none" and settled.rise_pa > shown:
        reasons.append(finding("settling_found", kind=settled.kind, rise_pa=settled.rise_pa))
    judged = outcome in {Outcome.PASS, Outcome.FAIL}
    if judged and observed is not None and dial is not None and dial is not outcome:
        reasons.append(finding("dial_misled", drop_pa=observed, says=dial.value))
    if estimated.gas_warmed_k is not None and abs(estimated.gas_warmed_k) > 0.05:
        reasons.append(finding("gas_warmed", change_k=estimated.gas_warmed_k))
    return reasons


def _vacuum_at_ends(hold: Hold, found: Inspection) -> tuple[float, float]:
    time_s, ambient = hold.curve.time_s, hold.conditions.ambient_pa
    begin, end = float(time_s[found.first]), float(time_s[found.stop - 1])
    return (
        ambient - _level(hold, found, begin, begin + _READ_S),
        ambient - _level(hold, found, end - _READ_S, end),
    )


def _spoiled(hold: Hold, found: Inspection | None, reasons: tuple[Finding, ...]) -> HoldResult:
    time_s, ambient = hold.curve.time_s, hold.conditions.ambient_pa
    begin = finish = 0.0
    start = end = math.nan
    if found is not None:
        begin, finish = float(time_s[found.first]), float(time_s[-1])
        start, end = _vacuum_at_ends(hold, found)
    elif time_s.size:
        begin, finish = float(time_s[0]), float(time_s[-1])
        start, end = (float(ambient - hold.curve.pressure_pa[i]) for i in (0, -1))
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
        hold_start_s=begin,
        hold_end_s=finish,
        decided_at_s=None,
        limit=hold.limit,
        reasons=reasons,
    )
