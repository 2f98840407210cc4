"""Own pulling to the test's vacuum and what follows when it cannot be reached; never judge a hold.

A vacuum that is not reached may be the part's leak, the hose, or the source. Shut the part off and
pull again: a manifold that reaches it leaves hose and part; the hose is reseated once.
"""

from dataclasses import dataclass

import numpy as np

from rig.analysis.gas import standard_flow
from rig.analysis.hold import finding
from rig.procedure.context import Context
from rig.procedure.levels import gas_temperature, since
from rig.procedure.steps import (
    Acknowledged,
    Elapsed,
    Position,
    Prompt,
    Pulled,
    Recording,
    State,
    Step,
    StepResult,
    Steps,
    make,
)
from rig.records import Estimate, Finding
from rig.units import PA_PER_INHG

REST: dict[str, Position] = {"pump": "shut", "vent": "open", "part": "open", "port_b": "open"}
"""The positions of all valves without power: every chamber has an open way to air."""
_PAST_PA = 1.0 * PA_PER_INHG
"""How far past the limit's vacuum a hold begins: what settles must not take it far below."""
_BELOW_PORT_PA = 0.5 * PA_PER_INHG
_DECAY_S = 3.0
_OPENING_S = 0.05
_FIRST_S = 0.5
_LEAST_SEEN = 5
_LEAST_VACUUM_PA = 0.5 * PA_PER_INHG


@dataclass(frozen=True)
class NotReached:
    """Why the vacuum was not reached.

    `of_the_part` is set where the manifold alone reached it: the part, or its hose, leaks more than
    the pump draws; `at_least_m3_s` then bounds the leak [standard m3/s] at the vacuum it stood at.
    """

    of_the_part: bool
    reason: Finding
    at_least_m3_s: Estimate | None = None


@dataclass(frozen=True)
class PulledTo:
    """A pull that was made, and whether it went far enough."""

    far_enough: bool
    recording: Recording


def target_pa(context: Context) -> float:
    """Get the vacuum [Pa] that a pull goes to."""
    wanted_pa = context.limit.from_vacuum_pa + _PAST_PA
    return min(wanted_pa, context.setting("port_max_vacuum_pa") - _BELOW_PORT_PA)


def pull(context: Context, ambient: Estimate, name: str, vacuum_pa: float) -> Steps[PulledTo]:
    """Pull rig and part to a vacuum [Pa]; the next step has to shut the pump valve.

    A pump that stands still short of it, but at the vacuum that the limit names, went far enough.
    """
    made = yield from _pull(name, ambient, vacuum_pa, {"vent": "shut", "part": "open"})
    least_pa = min(context.limit.from_vacuum_pa, vacuum_pa)
    return PulledTo(made.reached or _stood(made, ambient) >= least_pa, made.recording)


def _pull(
    name: str, ambient: Estimate, vacuum_pa: float, valves: dict[str, Position]
) -> Steps[StepResult]:
    return (
        yield from make(
            Step(
                f"{name}.pull",
                State.PULLING,
                Pulled(ambient.value - vacuum_pa),
                {**valves, "pump": "open"},
                finding(Prompt.PUMP, target_pa=vacuum_pa),
                target_pa=vacuum_pa,
            )
        )
    )


def _stood(made: StepResult, ambient: Estimate) -> float:
    """Read the vacuum [Pa] at which a pull ended."""
    time_s, pressure_pa = made.recording.channel("p_a")
    if not time_s.size:
        return 0.0
    return ambient.value - float(np.median(pressure_pa[time_s >= time_s[-1] - _FIRST_S]))


def reseat(name: str) -> Steps[None]:
    """Vent, and have the operator take the hose off and put it on again."""
    yield from make(
        Step(f"{name}.reseat", State.VENTING, Acknowledged(), REST, finding(Prompt.RESEAT))
    )


def find_out_why(
    context: Context, ambient: Estimate, volume_m3: Estimate, name: str, vacuum_pa: float
) -> Steps[NotReached]:
    """Tell part from source after a pull that did not reach a vacuum [Pa], and end vented.

    The manifold alone is asked for the same vacuum: what it cannot reach says nothing of the part.
    """
    decay = yield from make(
        Step(f"{name}.decay", State.SETTLING, Elapsed(_DECAY_S), {"pump": "shut"})
    )
    if not context.has_part_valve:
        yield from make(Step(f"{name}.vent", State.VENTING, Elapsed(2.0), REST))
        return NotReached(False, finding("target_not_reached_no_valve", target_pa=vacuum_pa))
    alone = yield from _pull(f"{name}.alone", ambient, vacuum_pa, {"part": "shut", "vent": "shut"})
    yield from make(Step(f"{name}.vent", State.VENTING, Elapsed(2.0), REST))
    if not alone.reached:
        return NotReached(False, finding("source_too_weak", target_pa=vacuum_pa))
    at_least = _leak_at_least(decay, context.rig_volume_m3, volume_m3, ambient)
    return NotReached(True, finding("leaks_more_than_pumped", target_pa=vacuum_pa), at_least)


def _leak_at_least(
    decay: StepResult, rig_m3: Estimate, part_m3: Estimate, ambient: Estimate
) -> Estimate | None:
    """Bound the leak from the first of the decay after the pump valve shut."""
    recording = since(decay, _OPENING_S)
    time_s, pressure_pa = recording.channel("p_a")
    first = time_s <= time_s[0] + _FIRST_S if time_s.size else np.empty(0, dtype=bool)
    if first.sum() < _LEAST_SEEN or ambient.value - pressure_pa[0] < _LEAST_VACUUM_PA:
        return None
    slope_pa_s = float(np.polyfit(time_s[first], pressure_pa[first], 1)[0])
    if slope_pa_s <= 0.0:
        return None
    # The smallest volume that there may be keeps it a bound; and air that leaks in faster than the
    # wall takes its heat raises the pressure by up to the ratio of specific heats more.
    least_m3 = rig_m3.value + max(part_m3.value - 2.0 * part_m3.u, 0.0)
    flow = standard_flow(slope_pa_s, least_m3, gas_temperature(recording).value)
    return Estimate(0.7 * flow, 0.3 * flow)
