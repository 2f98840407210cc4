"""Own how the last hold of a run on record is taken out for its picture; never judge it otherwise.

The run is replayed as it was made, and what its procedure hears of its holds is listened to.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from rig.analysis.hold import HoldConditions, HoldCurve, HoldResult, OwnLeak
from rig.cli.analyse_curve import AnalysedCurve
from rig.errors import InputError
from rig.procedure.again import bench_of, own_leak_of, readings_of
from rig.procedure.held_volume import held_volume
from rig.procedure.judge_hold import curve_of
from rig.procedure.planned import context_of, procedure_of
from rig.procedure.replay import replay
from rig.procedure.steps import Procedure, Recording, StepNotMade, StepResult
from rig.records import Estimate, Finding
from rig.runs import KeptRun, Measured, TestPlan, TestResult
from rig.units import ZERO_CELSIUS_K

_ROOM_K = ZERO_CELSIUS_K + 20.0
Heard = tuple[Recording, HoldResult]


def last_hold(kept: KeptRun, load: Callable[[int], KeptRun]) -> AnalysedCurve:
    """Take out the last hold of a run with what was fitted to it.

    `load` gets the self-test whose own leak was taken off. Raises InputError where the run made no
    hold that was judged.
    """
    own_leak = _own_leak(kept, load)
    bench, readings = bench_of(kept), readings_of(kept)
    for test in reversed(kept.plan.tests):
        heard: list[Heard] = []
        procedure = procedure_of(test, kept.plan, kept.setup, bench, own_leak)
        result = replay(_listened(procedure, heard), test.name, kept.steps, readings)
        if heard:
            recording, judged = heard[-1]
            analysed = _analysed(kept, test, result, curve_of(recording), judged)
            conditions = replace(analysed.conditions, own_leak=own_leak)
            return replace(analysed, conditions=conditions)
    raise InputError(f"run {kept.run} made no hold that can be drawn.")


def _own_leak(kept: KeptRun, load: Callable[[int], KeptRun]) -> OwnLeak | None:
    if kept.setup.own_leak is None:
        return None
    found = own_leak_of(load(kept.setup.own_leak.run))
    return None if isinstance(found, Finding) else found


def _listened(procedure: Procedure, heard: list[Heard]) -> Procedure:
    """Pass everything on, and keep what was computed of each hold beside its recording."""
    answer: object = None
    missing: StepNotMade | None = None
    last: StepResult | None = None
    while True:
        try:
            asked = procedure.send(answer) if missing is None else procedure.throw(missing)
        except StopIteration as end:
            result: TestResult = end.value
            return result
        missing = None
        try:
            answer = yield asked
        except StepNotMade as not_made:
            missing = not_made
            continue
        if isinstance(answer, StepResult):
            last = answer
        elif isinstance(answer, HoldResult) and last is not None:
            heard.append((last.recording, answer))


def _analysed(
    kept: KeptRun, test: TestPlan, result: TestResult, curve: HoldCurve, judged: HoldResult
) -> AnalysedCurve:
    """Put a hold beside the conditions that a picture needs: ambient, volume, temperature.

    Without the volume that it was judged in no leak at the limit can be drawn.
    """
    measured = {each.name: each for each in result.measured}
    whole = _whole_volume(kept, test, measured)
    warm = curve.gas_temperature_k
    if whole is None:
        judged = replace(judged, limit=replace(judged.limit, max_drop_pa=None))
    return AnalysedCurve(
        name=f"run {kept.run}, {kept.plan.tag}",
        purpose=kept.plan.purpose,
        curve=curve,
        conditions=HoldConditions(
            ambient_pa=measured["ambient"].estimate.value,
            gas_temperature_k=_ROOM_K if warm is None else float(np.median(warm)),
            volume_m3=0.0 if whole is None else whole.value,
            volume_u_m3=0.0 if whole is None else whole.u,
        ),
        result=judged,
    )


def _whole_volume(kept: KeptRun, test: TestPlan, measured: dict[str, Measured]) -> Estimate | None:
    context = context_of(test, kept.plan, kept.setup, bench_of(kept), None)
    if "stop_volume" in measured:
        return held_volume(context, measured["stop_volume"].estimate).whole
    if "rest_volume" in measured:
        return None
    typical = context.setting("typical_volume_m3"), context.setting("typical_volume_u_m3")
    return held_volume(context, Estimate(*typical)).whole
