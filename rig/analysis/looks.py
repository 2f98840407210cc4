"""Own the early decision: when a hold is looked at and with what bound; never judge a look.

A hold is judged at a few fixed times while it is recorded, and stops at the first that decides.
Looking often must not raise the chance of a wrong call, so each look has a stricter bound than a
single look at the end would have, by error spending (Lan and DeMets, 1983) on the random part of
the uncertainty. What does not average out (volume, span, zero) is the same error at every look and
is not spent.
"""

from dataclasses import dataclass, replace
from functools import cache

from rig.analysis.hold import DropLimit, HoldConditions, HoldCurve, HoldResult, finding
from rig.analysis.judging import TIME_CONSTANTS, Look
from rig.analysis.leak import analyse_hold
from rig.analysis.spoiled import hold_start_s
from rig.analysis.verdict import sequential_bounds
from rig.records import Outcome

LOOKS_S = (8.0, 10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0)
"""Times into the hold at which it is judged, as far as the hold is planned to last."""
_INFORMATION_POWER = 2.0
"""How the information about a slope grows with time while the settling is being told apart."""
_STRICTEST_Z = 12.0
"""A margin of so many standard deviations decides at any look."""
_EARLY_TIME_CONSTANTS = 5.0
"""Two slow settlings together look like one and a leak until the slower has nearly ended."""


@dataclass(frozen=True)
class PlannedLook:
    """A look at a time into the hold."""

    time_s: float
    look: Look


@cache
def planned_looks(hold_s: float, confidence: float) -> tuple[PlannedLook, ...]:
    """Plan the looks of a hold of `hold_s`, the last at its end, with their one-sided bounds."""
    times = [t for t in LOOKS_S if t < 0.95 * hold_s] + [hold_s]
    shares = [(t / hold_s) ** _INFORMATION_POWER for t in times]
    bounds = sequential_bounds(1.0 - confidence, shares)
    settled = [_EARLY_TIME_CONSTANTS] * (len(times) - 1) + [TIME_CONSTANTS]
    return tuple(
        PlannedLook(t, Look(min(float(z), _STRICTEST_Z), constants))
        for t, z, constants in zip(times, bounds, settled, strict=True)
    )


def decide_early(
    curve: HoldCurve,
    conditions: HoldConditions,
    limit: DropLimit,
    *,
    hold_s: float = 60.0,
) -> HoldResult:
    """Replay a recorded hold and stop at the first look that decides.

    The result is that of the deciding look, with `decided_at_s` set; of the last look if none
    decides. A spoiled look ends it as `invalid`.
    """
    if not curve.time_s.size:
        return analyse_hold(curve, conditions, limit)
    begin = hold_start_s(curve)
    looks = planned_looks(hold_s, limit.confidence)
    for planned in looks:
        seen = curve.until(begin + planned.time_s)
        result = analyse_hold(seen, conditions, limit, look=planned.look)
        if result.outcome is not Outcome.UNDECIDED:
            return decided_at(result, planned.time_s)
        if seen.time_s.size == curve.time_s.size or planned is looks[-1]:
            break
    return result


def decided_at(result: HoldResult, at_s: float) -> HoldResult:
    """Mark a result as that of a look that decided early, `at_s` into the hold."""
    reasons = result.reasons
    if result.probability_of_conformity is not None:
        probability = result.probability_of_conformity
        sure = probability if result.outcome is Outcome.PASS else 1.0 - probability
        reasons = (*reasons, finding("decided_early", time_s=at_s, probability=sure))
    return replace(result, decided_at_s=at_s, reasons=reasons)
