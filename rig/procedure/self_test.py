"""Own the self-test of the rig: valves, sensors, lease and own leak; never judge a part.

The hose end is capped where a part would hang. What one part of the rig cannot show by itself, such
as a part valve with nothing behind it, is shown by the volume steps of every run.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.analysis.gas import STANDARD_TEMPERATURE_K, standard_flow
from rig.analysis.hold import DropLimit, Hold, HoldConditions, OwnLeak, finding
from rig.analysis.own_leak import own_leak_from
from rig.procedure import pulls
from rig.procedure.context import Context
from rig.procedure.judge_hold import curve_of
from rig.procedure.levels import gas_temperature, is_quiet, vented_level
from rig.procedure.steps import (
    Acknowledged,
    Elapsed,
    Procedure,
    Prompt,
    Pulled,
    Recording,
    Released,
    State,
    Step,
    StepNotMade,
    StepResult,
    Steps,
    compute,
    make,
)
from rig.records import Estimate, Finding, Outcome
from rig.runs import KnownOwnLeak, Measured, TestResult
from rig.units import PA_PER_INHG, Kind

VENTED_STEP, BLANK_STEP = "zero", "blank.hold"
"""The steps whose frames are the vented start, and the curve of the rig's own leak."""
_BLANK_VACUUM_PA = 20.0 * PA_PER_INHG
_MOST_OF_AMBIENT = 0.72
_LEASE_VACUUM_PA = 10.0 * PA_PER_INHG
_ZERO_S = 2.0
_STEADY_S = 1.5
_VENTED_PA = 400.0
_VENT_TIMEOUT_S = 10.0
_TICKS_S = 0.02
"""A time is told to a turn of the loop at either end."""
_STROKES_PA = 0.15 * PA_PER_INHG
"""What three strokes against a shut pump valve may move the gauge by."""
_AGREE = 3.0
_PRESSURES = ("p_a", "p_b", "barometer")
_CHANGED = 3.0
_LARGE_PA_S = 0.3 * PA_PER_INHG / 60.0
"""A capped rig that loses more, in a minute 0.3 inHg, is not to judge tight parts."""
_CERTAIN = 2.0
_LEAST_READINGS = 20


@dataclass(frozen=True)
class SelfTestContext:
    """What a self-test knows: the manifold as a hold does, its sensors, the last own leak.

    `vented_u_pa` is by channel, with the pressure sensors that there are: the standard uncertainty
    of what each reads of the room's air, by its zero and its span.
    """

    manifold: Context
    vented_u_pa: Mapping[str, float]
    last: KnownOwnLeak | None = None


def self_test(context: SelfTestContext) -> Procedure:
    """Test the rig, from vented back to vented, its hose end capped."""
    notes: list[Finding] = []
    measured: list[Measured] = []
    name = context.manifold.test.name
    try:
        faults = yield from _test(context, notes, measured)
        yield from make(Step("vent", State.VENTING, Elapsed(_ZERO_S), pulls.REST))
    except StepNotMade:
        cut_short = finding("test_cut_short")
        return TestResult(name, Outcome.INVALID, tuple(measured), reasons=(cut_short, *notes))
    if faults:
        return TestResult(name, Outcome.FAIL, tuple(measured), reasons=(*faults, *notes))
    passed = finding("self_test_passed")
    return TestResult(name, Outcome.PASS, tuple(measured), reasons=(passed, *notes))


def _test(
    context: SelfTestContext, notes: list[Finding], measured: list[Measured]
) -> Steps[list[Finding]]:
    zero = yield from make(Step(VENTED_STEP, State.ZEROING, Elapsed(_ZERO_S), pulls.REST))
    # A rig that was carried to another height finds its ambient anew: the vent is proved below.
    ambient = vented_level(zero.recording, replace(context.manifold, last_ambient_pa=None))
    if isinstance(ambient, Finding):
        return [ambient]
    measured.append(Measured("ambient", Kind.ABSOLUTE_PRESSURE, ambient))
    faults = sensors_that_disagree(zero.recording, context.vented_u_pa)
    yield from make(
        Step("cap", State.ZEROING, Acknowledged(), pulls.REST, finding(Prompt.CAP_HOSE))
    )
    blank_pa = min(_BLANK_VACUUM_PA, _MOST_OF_AMBIENT * ambient.value)
    pulled = yield from _pull("blank", ambient, blank_pa)
    if not pulled.reached:
        return [*faults, finding("blank_not_reached", target_pa=blank_pa)]
    held = yield from make(
        Step(
            BLANK_STEP,
            State.HOLDING,
            Elapsed(context.manifold.setting("hold_s")),
            {"pump": "shut"},
            finding(Prompt.WAIT),
        )
    )
    own = yield from compute(
        lambda: blank_off(context.manifold, ambient, zero.recording, held.recording)
    )
    if isinstance(own, Finding):
        faults.append(own)
    else:
        flow = Estimate(own.flow_m3_s, own.u_m3_s)
        measured.append(Measured("own_leak", Kind.FLOW, flow))
        notes += _trend(context.last, flow)
        faults += _large(flow, context.manifold.rig_volume_m3)
    faults += yield from _pump_valve_shuts()
    vented = Released(ambient.value - _VENTED_PA, _VENT_TIMEOUT_S)
    shut = yield from _opens(
        Step("vent.opens", State.VENTING, vented, {"vent": "open"}),
        finding("vent_does_not_open", timeout_s=_VENT_TIMEOUT_S),
        measured,
    )
    if shut:
        # What does not open by command says nothing of the lease.
        return [*faults, *shut]
    again = yield from _pull("lease", ambient, min(_LEASE_VACUUM_PA, blank_pa))
    if not again.reached:
        return [*faults, finding("blank_not_reached", target_pa=_LEASE_VACUUM_PA)]
    faults += yield from _opens(
        Step("lease.withdrawn", State.VENTING, vented, {"pump": "shut"}, withhold_lease=True),
        finding("lease_does_not_drop", timeout_s=_VENT_TIMEOUT_S),
        measured,
    )
    return faults


def _pull(name: str, ambient: Estimate, vacuum_pa: float) -> Steps[StepResult]:
    return (
        yield from make(
            Step(
                f"{name}.pull",
                State.PULLING,
                Pulled(ambient.value - vacuum_pa),
                {"vent": "shut", "part": "open", "pump": "open"},
                finding(Prompt.PUMP, target_pa=vacuum_pa),
                target_pa=vacuum_pa,
            )
        )
    )


def _pump_valve_shuts() -> Steps[list[Finding]]:
    """Prove by strokes that move nothing that the pump valve shuts."""
    before = yield from make(Step("pump.before", State.HOLDING, Elapsed(_STEADY_S)))
    yield from make(
        Step(
            "pump.strokes",
            State.HOLDING,
            Acknowledged(),
            {"pump": "shut"},
            finding(Prompt.STROKES_AGAINST_SHUT),
        )
    )
    after = yield from make(Step("pump.after", State.HOLDING, Elapsed(_STEADY_S)))
    before_s, before_pa = before.recording.channel("p_a")
    after_s, after_pa = after.recording.channel("p_a")
    fewest = min(before_pa.size, after_pa.size)
    if fewest < _LEAST_READINGS:
        return [finding("too_few_samples", count=fewest, least=_LEAST_READINGS)]
    # What the rig's own leak lets in meanwhile would hide what the strokes draw.
    middle_s = float(np.mean(before_s))
    slope_pa_s, level_pa = np.polyfit(before_s - middle_s, before_pa, 1)
    went_on_pa = level_pa + slope_pa_s * (float(np.median(after_s)) - middle_s)
    drawn_pa = float(went_on_pa - np.median(after_pa))
    if drawn_pa > _STROKES_PA:
        return [finding("pump_valve_does_not_shut", drawn_pa=drawn_pa)]
    return []


def _opens(step: Step, fault: Finding, measured: list[Measured]) -> Steps[list[Finding]]:
    """Prove by the pressure that the vent opens, by command or because its supply was dropped."""
    made = yield from make(step)
    if not made.reached:
        return [fault]
    took_s = made.record.ended_mono_s - made.record.began_mono_s
    name = step.name.replace(".", "_")
    measured.append(Measured(name, Kind.TIME, Estimate(took_s, _TICKS_S)))
    return []


def sensors_that_disagree(vented: Recording, vented_u_pa: Mapping[str, float]) -> list[Finding]:
    """List pressure sensors that, all open to one atmosphere, read apart from the manifold's."""
    levels = {}
    for name in _PRESSURES:
        _, values = vented.channel(name)
        if values.size:
            levels[name] = float(np.median(values))
    found = []
    for name, level_pa in levels.items():
        apart_pa = level_pa - levels["p_a"]
        allowed_pa = _AGREE * math.hypot(vented_u_pa.get(name, 0.0), vented_u_pa.get("p_a", 0.0))
        if name != "p_a" and abs(apart_pa) > allowed_pa:
            found.append(finding("sensors_disagree", channel=name, apart_pa=apart_pa))
    return found


def blank_off(
    context: Context, ambient: Estimate, vented: Recording, held: Recording
) -> OwnLeak | Finding:
    """Measure the rig's own leak from the recordings of its vented start and its blank-off."""
    temperature = gas_temperature(held)
    conditions = HoldConditions(
        ambient_pa=ambient.value,
        gas_temperature_k=temperature.value,
        volume_m3=context.rig_volume_m3.value,
        volume_u_m3=context.rig_volume_m3.u,
        ambient_u_pa=math.hypot(ambient.u, context.zero_u_pa),
        gas_temperature_u_k=temperature.u,
        span_u=context.span_u,
        quiet=is_quiet(vented, context),
    )
    limit = DropLimit(context.limit.from_vacuum_pa, 20.0, context.limit.reference_volume_m3)
    return own_leak_from(Hold(curve_of(held), conditions, limit))


def _large(flow: Estimate, rig_m3: Estimate) -> Sequence[Finding]:
    """Tell whether the rig leaks so much by itself that no tight part can be judged on it."""
    most_m3_s = standard_flow(_LARGE_PA_S, rig_m3.value, STANDARD_TEMPERATURE_K)
    if flow.value - _CERTAIN * flow.u <= most_m3_s:
        return ()
    return (finding("own_leak_large", leak_m3_s=flow.value, u_m3_s=flow.u, most_m3_s=most_m3_s),)


def _trend(last: KnownOwnLeak | None, now: Estimate) -> Sequence[Finding]:
    """Tell how the own leak has changed since the last self-test."""
    if last is None:
        return ()
    grown = now.value - last.flow_m3_s.value
    if abs(grown) <= _CHANGED * math.hypot(now.u, last.flow_m3_s.u):
        return ()
    return (finding("own_leak_changed", now_m3_s=now.value, before_m3_s=last.flow_m3_s.value),)
