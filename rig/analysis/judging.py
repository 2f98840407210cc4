"""Own the verdict on an estimated leak against its limit; never estimate or explain more.

A verdict needs evidence: pass at or above the confidence, fail at or below its complement, else
too close to call (JCGM 106). Nothing is decided before the hold has shown its settling, nor while
candidates with a say in it disagree.
"""

import math
from dataclasses import dataclass

import numpy as np

from rig.analysis.estimator import FIXED_SOURCES, LeakEstimate
from rig.analysis.hold import DropLimit, finding
from rig.analysis.verdict import conformance_probability, required_z, z_to_error
from rig.records import Finding, Outcome

TIME_CONSTANTS = 3.0
"""A settling counts as identified once the hold lasted this many of its time constants."""
LEAST_HOLD_S = 8.0
"""No decision before this long after the last stroke."""
_LEAST_OPPOSED = 1e-3
"""A smaller probability of the opposite verdict never holds a verdict up, however early."""
_NEGLIGIBLE = 1e-7
_WIDEST = 0.5
"""No part passes on a drop less certain than this share of its limit."""
_END_MISFIT = 7.0
"""Standard deviations by which the last blocks may leave the fit before a verdict waits."""


@dataclass(frozen=True)
class Verdict:
    """An outcome with the probability of conformity and what it rests on."""

    outcome: Outcome
    probability: float
    reasons: tuple[Finding, ...]


@dataclass(frozen=True)
class Look:
    """How a hold is looked at when it is judged.

    `random_z` is the one-sided bound on the random part of the uncertainty in standard deviations,
    None for a single look, whose bound is the confidence; `time_constants` how many of its time
    constants a settling must have lasted to count as identified.
    """

    random_z: float | None = None
    time_constants: float = TIME_CONSTANTS


ONLY_LOOK = Look()
"""The look at a whole record."""


@dataclass(frozen=True)
class Held:
    """How the hold went: its length since the last stroke, and whether all vacuum leaked away.

    No settling does the last: such a fail need not wait for it.
    """

    hold_s: float
    ran_away: bool


def judge(
    estimated: LeakEstimate, limit: DropLimit, max_drop_pa: float, look: Look, held: Held
) -> Verdict:
    """Judge an estimated drop against its limit."""
    drop = estimated.drop
    probability = conformance_probability(drop.value, drop.u, None, max_drop_pa)
    figures = {
        "drop_pa": drop.value,
        "u_pa": drop.u,
        "max_drop_pa": max_drop_pa,
        "probability": probability,
    }
    z = required_z(limit.confidence)
    random_z = z if look.random_z is None else look.random_z
    margin = max_drop_pa - drop.value
    needed = needed_margin(estimated, z, random_z)
    vague = margin > 0.0 and drop.u > _WIDEST * max_drop_pa
    if vague or abs(margin) < needed:
        reasons = [finding("too_close", hold_s=held.hold_s, **figures)]
        if abs(margin) < needed_margin(estimated, z, 0.0):
            largest = max(FIXED_SOURCES, key=lambda name: drop.sources.get(name, 0.0))
            reasons.append(finding("fixed_uncertainty_blocks", largest_source=largest))
        return Verdict(Outcome.UNDECIDED, probability, tuple(reasons))
    outcome = Outcome.PASS if margin > 0.0 else Outcome.FAIL
    wait = None
    if not (held.ran_away and outcome is Outcome.FAIL):
        wait = _why_wait(estimated, held, abs(margin) - needed)
        if wait is None:
            opposed = _opposite(estimated, max_drop_pa, outcome)
            if opposed > max(z_to_error(random_z), _LEAST_OPPOSED):
                wait = finding("candidates_disagree")
    if wait is not None:
        return Verdict(Outcome.UNDECIDED, probability, (wait,))
    code = "within_limit" if outcome is Outcome.PASS else "over_limit"
    return Verdict(outcome, probability, (finding(code, **figures),))


def needed_margin(estimated: LeakEstimate, z: float, random_z: float) -> float:
    """Compute how far from the limit a drop must be [Pa] to be judged.

    The random and the fixed part of the uncertainty, each times its bound, in quadrature.
    """
    parts = estimated.drop.sources
    fixed = math.sqrt(sum(parts.get(name, 0.0) ** 2 for name in FIXED_SOURCES))
    random = math.sqrt(max(estimated.drop.u**2 - fixed**2, 0.0))
    return math.hypot(z * fixed, random_z * random)


def _why_wait(estimated: LeakEstimate, held: Held, spare_pa: float) -> Finding | None:
    """Tell why a drop that is clear of the limit by its uncertainty must still wait, if it must."""
    if held.hold_s < LEAST_HOLD_S - 0.1:
        return finding("hold_too_short", hold_s=held.hold_s, least_s=LEAST_HOLD_S)
    if estimated.unsettled_drop_pa > spare_pa:
        tau = estimated.settling.time_constant_s or held.hold_s
        return finding("settling_not_identified", time_constant_s=tau, hold_s=held.hold_s)
    if estimated.strays_pa is not None:
        return finding("poor_fit", strays_pa=estimated.strays_pa)
    if estimated.end_misfit > _END_MISFIT:
        return finding("end_disturbed", hold_s=held.hold_s)
    return None


def _opposite(estimated: LeakEstimate, max_drop_pa: float, said: Outcome) -> float:
    """Compute the probability of the opposite verdict, summed over what each candidate says.

    A few candidates that say something else do not show in a mean and a standard deviation.
    """
    views = estimated.views
    conforms = 0.0
    for i in np.flatnonzero(views.weight > _NEGLIGIBLE):
        drop, u = float(views.drop_pa[i]), float(views.drop_u_pa[i])
        conforms += float(views.weight[i]) * conformance_probability(drop, u, None, max_drop_pa)
    return 1.0 - conforms if said is Outcome.PASS else conforms
