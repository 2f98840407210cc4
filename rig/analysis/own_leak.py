"""Own how a blank-off, the hold of the rig alone, becomes its own leak; never judge by it."""

from dataclasses import replace

from rig.analysis.hold import Hold, OwnLeak, finding
from rig.analysis.leak import analyse_hold
from rig.records import Finding, Outcome

_SPOILS = ("hold_too_short", "poor_fit")
"""Findings that leave a measurement standing, but not a curve that others are corrected by."""
_OF_THE_RIG = {
    "leak_grew": "rig_unsteady",
    "jump_split": "rig_unsteady",
    "leaks_to_ambient": "rig_runs_down",
}
"""Findings that mean something else where there is no part, with what they mean then."""


def own_leak_from(blank: Hold) -> OwnLeak | Finding:
    """Measure the rig's own leak from its blank-off, or return what makes the blank-off unusable.

    The flow [standard m3/s] is that at the vacuum of the blank-off's limit, whose largest drop does
    not count. Its uncertainty holds that of the rig's volume, once. The curve is the block means,
    freed of the drift of the gas temperature, counted from the first block's fitted level.
    """
    result = analyse_hold(blank.curve, blank.conditions, replace(blank.limit, max_drop_pa=None))
    for reason in result.reasons:
        if reason.code in _OF_THE_RIG:
            return finding(_OF_THE_RIG[reason.code], time_s=float(reason.figures["time_s"]))
        if reason.code in _SPOILS or result.outcome is Outcome.INVALID:
            return reason
    leak, fitted = result.leak, result.fitted
    if leak is None or fitted is None:
        raise ValueError("a measured hold came without its leak")
    return OwnLeak(
        leak.value,
        leak.u,
        fitted.time_s - result.hold_start_s,
        (fitted.pressure_pa - fitted.fitted_pa[0]) * blank.conditions.volume_m3,
    )
