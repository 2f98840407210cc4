"""Own the hold test from vented to vented: volumes, pull, hold, verdict; never touch a valve.

zero, volume at rest, pull, volume on the stop, pull, hold, manifold alone (pull and hold again
where asked), vent, zero again
"""

import math
from dataclasses import dataclass, field, replace

from rig.analysis.estimator import FIXED_SOURCES
from rig.analysis.gas import STANDARD_TEMPERATURE_K, slope_from_flow
from rig.analysis.hold import DropLimit, HoldConditions, HoldResult, finding
from rig.procedure import pulls
from rig.procedure.context import Context
from rig.procedure.expansion import (
    PartVolume,
    measure_at_rest,
    measure_on_stop,
    measured_volumes,
    standing_vacuum,
    typical_volume,
)
from rig.procedure.held_volume import held_volume
from rig.procedure.judge_hold import HoldLooks, figures_of
from rig.procedure.levels import gas_temperature, is_quiet, vented_level
from rig.procedure.manifold import manifold_leak
from rig.procedure.steps import (
    Elapsed,
    Procedure,
    Prompt,
    Recording,
    Released,
    State,
    Step,
    StepNotMade,
    Steps,
    compute,
    make,
)
from rig.records import Estimate, Finding, Outcome
from rig.runs import Judged, Measured, TestResult
from rig.units import Kind

_ZERO_S = 2.0
_STAND_S = 4.0
_MANIFOLD_S = 10.0
_BETWEEN_S = 5.0
_VENTED_PA = 400.0
_VENT_TIMEOUT_S = 15.0
_CLEAR_FAIL = 3.0
"""From this many times the limit on, a fail needs no second connection."""
_OWN_SHARE = 1.0 / 3.0
_AMBIENT_MOVED_PA = 300.0
_TOGETHER = 2.0
"""Two pulls agree within so many standard uncertainties of their difference."""
_SHRINKS = 0.2
"""A second pull that lost less by this share settles; a hose seats anew by less."""
_MOST_LOST = 0.4
"""A vacuum that fell to this share of its start did not settle there."""
_REPEATS = 0.1
"""Two pulls lost the same where what a dial read of them differs by less than this share."""
_RAN_DOWN = ("hose_off", "leaks_to_ambient")

_Verdict = tuple[Outcome, list[Finding]]


@dataclass
class _Found:
    """What the test has found so far."""

    zero: Recording
    ambient: Estimate
    volume: PartVolume
    holds: list[HoldResult] = field(default_factory=list)
    measured: list[Measured] = field(default_factory=list)
    notes: list[Finding] = field(default_factory=list)
    reconnected: bool = False
    not_reached: bool = False
    ran_down: bool = False


def hold_test(context: Context) -> Procedure:
    """Make a hold test, from vented back to vented."""
    try:
        zero = yield from make(Step("zero", State.ZEROING, Elapsed(_ZERO_S), pulls.REST))
    except StepNotMade:
        reason = finding("no_hold_made")
        return TestResult(context.test.name, Outcome.INVALID, reasons=(reason,))
    ambient = vented_level(zero.recording, context)
    if isinstance(ambient, Finding):
        return TestResult(context.test.name, Outcome.INVALID, reasons=(ambient,))
    found = _Found(zero.recording, ambient, PartVolume(typical_volume(context)))
    try:
        outcome, reasons = yield from _test(context, found)
    except StepNotMade:
        outcome, reasons = _by_what_there_is(context, found)
    vented = yield from _vent(found)
    if not vented and found.holds and is_quiet(found.zero, context):
        # Nothing but this return would have shown that the reading followed the pressure.
        outcome, reasons = Outcome.INVALID, [finding("not_seen_to_return")]
    return _result(context, found, outcome, reasons)


def _test(context: Context, found: _Found) -> Steps[_Verdict]:
    if not context.has_part_valve:
        found.notes.append(finding("part_not_proved"))
        return (yield from _hold_and_judge(context, found, "one"))
    found.volume = yield from measure_at_rest(context, found.ambient)
    if found.volume.nothing_behind:
        return _nothing_behind(context)
    wanted_pa = standing_vacuum(context, found.ambient, pulls.target_pa(context))
    pulled = yield from pulls.pull(context, found.ambient, "first", wanted_pa)
    if not pulled.far_enough:
        verdict = yield from _not_reached(context, found, "first", wanted_pa)
        if verdict is not None:
            return verdict
        return (yield from _hold_and_judge(context, found, "first.again"))
    stood = yield from make(
        Step("stop.standing", State.SETTLING, Elapsed(_STAND_S), {"pump": "shut"})
    )
    nothing = yield from measure_on_stop(context, found.ambient, found.volume, stood)
    if nothing:
        return _nothing_behind(context)
    return (yield from _hold_and_judge(context, found, "one"))


def _nothing_behind(context: Context) -> _Verdict:
    """Judge a nipple with nothing behind it: spoiled the first time, blocked once it is clear."""
    if "nipple_clear" in context.confirmed:
        return Outcome.FAIL, [finding("passage_blocked")]
    return Outcome.INVALID, [finding("nothing_behind")]


# one pull and one hold, with a new connection where the vacuum is lost


def _hold(context: Context, found: _Found, name: str) -> Steps[HoldResult | None]:
    """Pull and hold once; None where the pull did not reach."""
    wanted_pa = pulls.target_pa(context)
    pulled = yield from pulls.pull(context, found.ambient, name, wanted_pa)
    if not pulled.far_enough:
        return None
    looks = _looks(context, found, pulled.recording)
    held = yield from make(
        Step(
            f"{name}.hold",
            State.SETTLING,
            Elapsed(looks.hold_s),
            {"pump": "shut"},
            finding(Prompt.WAIT),
            looks.watch,
            (context.setting("settle_s"), State.HOLDING),
        )
    )
    result = yield from compute(lambda: looks.judge(held.recording))
    found.holds.append(result)
    return result


def _hold_once(context: Context, found: _Found, name: str) -> Steps[HoldResult | _Verdict]:
    """Hold once, with the rules for a vacuum that is not reached or runs down; or conclude."""
    result = yield from _hold(context, found, name)
    if result is None:
        verdict = yield from _not_reached(context, found, name, pulls.target_pa(context))
    elif _ran_down(result):
        verdict = yield from _ran_off(context, found, name, result)
    else:
        return result
    if verdict is not None:
        return verdict
    return (yield from _hold_once(context, found, f"{name}.again"))


def _not_reached(
    context: Context, found: _Found, name: str, vacuum_pa: float
) -> Steps[_Verdict | None]:
    """Follow a pull that did not reach: one new connection, None, and then the rule decides."""
    why = yield from pulls.find_out_why(context, found.ambient, found.volume.used, name, vacuum_pa)
    if not why.of_the_part:
        return Outcome.INVALID, [why.reason]
    if found.not_reached:
        return _too_much(context, found, why, why.reason)
    found.not_reached = found.reconnected = True
    yield from pulls.reseat(name)
    return None


def _ran_off(
    context: Context, found: _Found, name: str, result: HoldResult
) -> Steps[_Verdict | None]:
    """Follow a run to ambient: one new connection, None; what repeats then is the part's."""
    if not found.ran_down:
        found.ran_down = found.reconnected = True
        yield from pulls.reseat(name)
        return None
    again = finding("runs_down_again")
    if result.outcome is not Outcome.INVALID:
        return result.outcome, [*result.reasons, again]
    wanted_pa = pulls.target_pa(context)
    why = yield from pulls.find_out_why(context, found.ambient, found.volume.used, name, wanted_pa)
    return _too_much(context, found, why, again)


def _too_much(context: Context, found: _Found, why: pulls.NotReached, reason: Finding) -> _Verdict:
    """Judge a part that lets in too much air for a hold, unless the manifold did the same."""
    if not why.of_the_part:
        return Outcome.INVALID, [why.reason]
    if why.at_least_m3_s is not None:
        found.measured.append(Measured("leak_at_least", Kind.FLOW, why.at_least_m3_s))
    judged = context.limit.max_drop_pa is not None
    return (Outcome.FAIL if judged else Outcome.MEASURED), [reason]


def _ran_down(result: HoldResult) -> bool:
    """Tell whether a hold ended at ambient, and was not good enough for its limit all the same."""
    if result.outcome in (Outcome.PASS, Outcome.MEASURED):
        return False
    return any(reason.code in _RAN_DOWN for reason in result.reasons)


# what one hold asks for


def _hold_and_judge(context: Context, found: _Found, name: str) -> Steps[_Verdict]:
    first = yield from _hold_once(context, found, name)
    if not isinstance(first, HoldResult):
        return first
    if first.outcome is Outcome.INVALID:
        return first.outcome, [*first.reasons]
    spoiled = yield from _manifold_alone(context, found, name)
    if spoiled is not None:
        return Outcome.INVALID, [spoiled]
    last = first
    if first.outcome is Outcome.UNDECIDED:
        yield from make(Step("two.vent", State.VENTING, Elapsed(_BETWEEN_S), pulls.REST))
        second = yield from _hold_once(context, found, "two")
        if not isinstance(second, HoldResult):
            return second
        if second.outcome is Outcome.INVALID:
            return first.outcome, [*first.reasons, *second.reasons]
        last = second
        if both_ran_far_alike(first, second):
            found.notes.append(finding("pulls_repeat", drop_pa=second.observed_drop_pa or 0.0))
            last = replace(second, outcome=Outcome.FAIL)
        elif _fell(first, second):
            found.notes.append(finding("pulls_fall"))
            if second.outcome is Outcome.FAIL:
                return Outcome.UNDECIDED, [*second.reasons]
    if _needs_second_connection(context, last):
        return (yield from _second_connection(context, found, last))
    return last.outcome, [*last.reasons]


def _fell(first: HoldResult, second: HoldResult) -> bool:
    """Tell whether the second pull lost clearly less than the first: settling, not a leak."""
    one, two = first.equivalent_drop, second.equivalent_drop
    if one is None or two is None:
        return False
    fell_pa = one.value - two.value
    return fell_pa > max(_TOGETHER * math.hypot(_own_u(one), _own_u(two)), _SHRINKS * one.value)


def both_ran_far_alike(first: HoldResult, second: HoldResult) -> bool:
    """Tell whether two pulls each lost most of their vacuum, in the same way, over the limit.

    Settling shrinks from one pull to the next and never takes most of a vacuum; a leak repeats.
    Where a rod leaves its stop on the way, no course that can be fitted shows it, but this does.
    """
    return (
        all(map(_ran_far, (first, second)))
        and first.observed_drop_pa is not None
        and second.observed_drop_pa is not None
        and abs(first.observed_drop_pa - second.observed_drop_pa)
        < _REPEATS * first.observed_drop_pa
    )


def _ran_far(result: HoldResult) -> bool:
    conforms = result.probability_of_conformity
    return (
        result.outcome is Outcome.UNDECIDED
        and conforms is not None
        and conforms < 1.0 - result.limit.confidence
        and result.end_vacuum_pa < _MOST_LOST * result.start_vacuum_pa
    )


def _own_u(drop: Estimate) -> float:
    """Get the part of an uncertainty that is not the same in two pulls of one run."""
    return math.sqrt(
        math.fsum(u * u for name, u in drop.sources.items() if name not in FIXED_SOURCES)
    )


def _needs_second_connection(context: Context, result: HoldResult) -> bool:
    limit_pa, drop = context.limit.max_drop_pa, result.equivalent_drop
    if result.outcome is not Outcome.FAIL or limit_pa is None:
        return False
    return drop is None or drop.value < _CLEAR_FAIL * limit_pa


def _second_connection(context: Context, found: _Found, failed: HoldResult) -> Steps[_Verdict]:
    """Ask a fail that is not a clear one of a second connection."""
    yield from pulls.reseat("second")
    found.reconnected = True
    again = yield from _hold(context, found, "second")
    if again is None or again.outcome is Outcome.INVALID:
        return Outcome.UNDECIDED, [*failed.reasons, finding("second_connection_missing")]
    if again.outcome is not Outcome.FAIL:
        return Outcome.UNDECIDED, [*again.reasons, finding("connections_disagree")]
    if _fell(failed, again):
        return Outcome.UNDECIDED, [*again.reasons, finding("pulls_fall")]
    return Outcome.FAIL, [*again.reasons, finding("connections_agree")]


def _manifold_alone(context: Context, found: _Found, name: str) -> Steps[Finding | None]:
    """Record the manifold by itself, the part shut off: the rig's own leak of this very run.

    Return what spoils the test: so large a leak that the limit cannot be judged.
    """
    if not context.has_part_valve:
        return None
    alone = yield from make(
        Step(f"{name}.manifold", State.HOLDING, Elapsed(_MANIFOLD_S), {"part": "shut"})
    )
    flow = manifold_leak(context, alone)
    if flow is None:
        return None
    found.measured.append(Measured("manifold_leak", Kind.FLOW, flow))
    limit = found.holds[-1].limit
    if limit.max_drop_pa is None:
        return None
    least = flow.value - _TOGETHER * flow.u
    slope_pa_s = slope_from_flow(least, limit.reference_volume_m3, STANDARD_TEMPERATURE_K)
    share = slope_pa_s * limit.within_s / limit.max_drop_pa
    return finding("own_leak_too_large", share=share) if share > _OWN_SHARE else None


def _vent(found: _Found) -> Steps[bool]:
    """Vent, read the ambient once more, and tell whether the reading came back to it."""
    before = found.ambient
    try:
        vented = yield from make(
            Step(
                "vent",
                State.VENTING,
                Released(before.value - _VENTED_PA, _VENT_TIMEOUT_S),
                pulls.REST,
                finding(Prompt.FINGERS_CLEAR),
            )
        )
        if not vented.reached:
            found.notes.append(finding("vent_slow", timeout_s=_VENT_TIMEOUT_S))
            return False
        again = yield from make(Step("zero.again", State.ZEROING, Elapsed(_ZERO_S)))
    except StepNotMade:
        return True
    _, pressure_pa = again.recording.channel("p_a")
    if pressure_pa.size:
        tail = pressure_pa[pressure_pa.size // 2 :]
        moved_pa = float(tail.mean()) - before.value
        if abs(moved_pa) > _AMBIENT_MOVED_PA:
            found.notes.append(finding("zero_moved", moved_pa=moved_pa))
    return True


def _looks(context: Context, found: _Found, pulled: Recording) -> HoldLooks:
    volume = held_volume(context, found.volume.used)
    temperature = gas_temperature(found.zero, pulled)
    conditions = HoldConditions(
        ambient_pa=found.ambient.value,
        gas_temperature_k=temperature.value,
        volume_m3=volume.whole.value,
        volume_u_m3=volume.for_drop_u_m3,
        ambient_u_pa=math.hypot(found.ambient.u, context.zero_u_pa),
        gas_temperature_u_k=temperature.u,
        span_u=context.span_u,
        own_leak=context.own_leak,
        quiet=is_quiet(found.zero, context),
    )
    limit: DropLimit = replace(context.limit, reference_volume_m3=volume.reference_m3)
    return HoldLooks(limit, conditions, volume.whole.u, context.setting("hold_s"))


def _by_what_there_is(context: Context, found: _Found) -> _Verdict:
    """Judge a replay by the steps that were made, where another limit would have asked for more."""
    if not found.holds:
        return Outcome.INVALID, [finding("no_hold_made")]
    last = found.holds[-1]
    close = _needs_second_connection(context, last) or _ran_down(last)
    if last.outcome is Outcome.FAIL and close:
        return Outcome.UNDECIDED, [*last.reasons, finding("second_connection_missing")]
    return last.outcome, [*last.reasons]


def _result(
    context: Context, found: _Found, outcome: Outcome, reasons: list[Finding]
) -> TestResult:
    measured = [Measured("ambient", Kind.ABSOLUTE_PRESSURE, found.ambient), *found.measured]
    measured += [
        Measured(name, Kind.VOLUME, volume) for name, volume in measured_volumes(found.volume)
    ]
    last = found.holds[-1] if found.holds else None
    if last is not None and last.leak is not None and last.equivalent_drop is not None:
        reference = Estimate(last.limit.reference_volume_m3, 0.0)
        measured.append(Measured("leak", Kind.FLOW, last.leak))
        measured.append(Measured("equivalent_drop", Kind.VACUUM, last.equivalent_drop))
        measured.append(Measured("reference_volume", Kind.VOLUME, reference))
    if last is not None:
        for name, value in figures_of(last).items():
            kind = Kind.TIME if name.endswith("_s") else Kind.VACUUM
            plain = name.removesuffix("_pa").removesuffix("_s")
            measured.append(Measured(plain, kind, Estimate(value, 0.0)))
    judged: tuple[Judged, ...] = ()
    if context.test.limit:
        by_value = last is not None and outcome is last.outcome
        judged = (
            Judged(
                context.test.limit,
                outcome,
                last.probability_of_conformity if last is not None and by_value else None,
                context.limit.confidence if context.limit.max_drop_pa is not None else None,
            ),
        )
    told: list[Finding] = []
    for each in (*reasons, *found.volume.notes, *found.notes):
        if each not in told:
            told.append(each)
    return TestResult(context.test.name, outcome, tuple(measured), judged, tuple(told))
