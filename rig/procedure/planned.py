"""Own the way from a planned test to its procedure; never run or judge one.

Everything comes from the plan and the setup that are kept with a run, so that a run can be replayed
exactly as it was made.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from rig.analysis.hold import DropLimit, OwnLeak, finding
from rig.config import Bench, PressureSettings
from rig.errors import InputError
from rig.parts.limit_text import limit_from_table
from rig.parts.shapes import Condition
from rig.procedure.context import Context
from rig.procedure.hold import hold_test
from rig.procedure.rig_volume import Syringe, rig_volume_test
from rig.procedure.self_test import SelfTestContext, self_test
from rig.procedure.steps import Procedure
from rig.readings import ChannelSpec
from rig.records import Estimate, Finding, Purpose
from rig.runs import RunPlan, RunSetup, TestPlan
from rig.sensing.calibration import AdcChannel
from rig.units import PA_PER_INHG, SEA_LEVEL_PA

HOSE_M3 = 25e-6
"""Hose and gauge of a hand pump: with the part's own volume what a limit is meant in that names no
volume."""
ASSUMED_RIG_VOLUME = Estimate(25e-6, 3e-6, MappingProxyType({"assumed": 3e-6}))
"""Manifold and standard hose of a rig whose volume was never measured."""
OLD_DAYS = 30.0
_REFERENCE = "reference_volume_m3"
_BLANK_DROP_S = 20.0
_BLANK_VACUUM_PA = 20.0 * PA_PER_INHG
_BLANK_HOLD_S = 60.0


def drop_limit(test: TestPlan, purpose: Purpose) -> DropLimit:
    """Get the limit that a hold is judged by, or measured at where the test has none.

    Where it names no reference volume that of a typical part stands in for the part's own. Raises
    LimitError where the table is no limit of a hold.
    """
    settings = test.settings
    typical_m3 = settings["typical_volume_m3"] + HOSE_M3
    if not test.limit:
        reference_m3 = settings.get(_REFERENCE, typical_m3)
        return DropLimit(settings["target_vacuum_pa"], settings["drop_within_s"], reference_m3)
    limit = limit_from_table(dict(test.limit), test.name)
    return limit.as_drop_limit(typical_m3, purpose.confidence)


def _names_volume(test: TestPlan) -> bool:
    if not test.limit:
        return _REFERENCE in test.settings
    limit = limit_from_table(dict(test.limit), test.name)
    return Condition.REFERENCE_VOLUME in limit.conditions


def _converter_step_pa(sensor: PressureSettings, channels: Sequence[ChannelSpec]) -> float:
    """Compute the pressure of one count, 0 for a board that has no such input."""
    for spec in channels:
        if spec.name == sensor.input:
            adc = AdcChannel(spec.bits, spec.full_scale_v, spec.signed, sensor.input_ratio)
            pa_per_v = (sensor.high_pa - sensor.low_pa) / (sensor.high_v - sensor.low_v)
            return adc.step_v * abs(pa_per_v)
    return 0.0


def procedure_of(
    test: TestPlan, plan: RunPlan, setup: RunSetup, bench: Bench, own_leak: OwnLeak | None
) -> Procedure:
    """Get the procedure of a planned test on the bench that it is made on.

    Raises InputError for a procedure that there is not.
    """
    make = _PROCEDURES.get(test.procedure)
    if make is None:
        raise InputError(
            f"{test.name}: there is no procedure '{test.procedure}'; there are"
            f" {', '.join(_PROCEDURES)}"
        )
    return make(context_of(test, plan, setup, bench, own_leak), setup, bench)


def notes_on_setup(setup: RunSetup) -> list[Finding]:
    """List what is to be said of what was known of the rig when a run began."""
    notes = []
    if setup.rig_volume is None:
        notes.append(finding("rig_volume_assumed", volume_m3=ASSUMED_RIG_VOLUME.value))
    if setup.own_leak is None:
        notes.append(finding("no_self_test"))
    elif setup.clock_was_set:
        days = (setup.began_utc - setup.own_leak.measured_utc).total_seconds() / 86_400.0
        if days > OLD_DAYS:
            notes.append(finding("self_test_old", days=round(days)))
    return notes


def context_of(
    test: TestPlan, plan: RunPlan, setup: RunSetup, bench: Bench, own_leak: OwnLeak | None
) -> Context:
    """Get what a planned test knows before it begins."""
    volume = ASSUMED_RIG_VOLUME if setup.rig_volume is None else setup.rig_volume.volume_m3
    sensor = bench.channels["p_a"]
    if not isinstance(sensor, PressureSettings):
        raise InputError("channel p_a of the bench file is not a pressure")
    beyond_part_m3 = None
    if test.procedure == "hold":
        limit = drop_limit(test, plan.purpose)
        beyond_part_m3 = None if _names_volume(test) else HOSE_M3
    else:
        limit = DropLimit(_BLANK_VACUUM_PA, _BLANK_DROP_S, volume.value)
    return Context(
        test=test,
        limit=limit,
        purpose=plan.purpose,
        confirmed=plan.confirmed,
        rig_volume_m3=volume,
        own_leak=own_leak,
        last_ambient_pa=setup.last_ambient_pa,
        zero_u_pa=sensor.zero_u_pa,
        span_u=sensor.span_u,
        has_part_valve="part" in bench.valves,
        converter_step_pa=_converter_step_pa(sensor, setup.channels),
        beyond_part_m3=beyond_part_m3,
    )


def _hold(context: Context, setup: RunSetup, bench: Bench) -> Procedure:
    del setup, bench
    return hold_test(context)


def _self_test(context: Context, setup: RunSetup, bench: Bench) -> Procedure:
    vented_u_pa = {
        name: math.hypot(channel.zero_u_pa, channel.span_u * SEA_LEVEL_PA)
        for name, channel in bench.channels.items()
        if isinstance(channel, PressureSettings)
    }
    return self_test(SelfTestContext(context, vented_u_pa, setup.own_leak))


def _rig_volume(context: Context, setup: RunSetup, bench: Bench) -> Procedure:
    del setup, bench
    return rig_volume_test(context, Syringe())


_PROCEDURES: Mapping[str, Callable[[Context, RunSetup, Bench], Procedure]] = {
    "hold": _hold,
    "self_test": _self_test,
    "rig_volume": _rig_volume,
}

SELF_TEST = TestPlan("self-test", "self_test", settings=MappingProxyType({"hold_s": _BLANK_HOLD_S}))
RIG_VOLUME = TestPlan("rig volume", "rig_volume")
"""The rig's own tests, planned as a part's are."""
