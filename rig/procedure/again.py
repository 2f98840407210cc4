"""Own judging a run again from what was kept of it; never change what was kept."""

from collections.abc import Callable, Mapping
from dataclasses import replace

from rig.analysis.hold import OwnLeak, finding
from rig.analysis.verdict import worst
from rig.config import Bench, parse_bench
from rig.procedure.planned import context_of, procedure_of
from rig.procedure.replay import name_in_run, recording_of, replay
from rig.procedure.self_test import BLANK_STEP, VENTED_STEP, blank_off
from rig.readings import Readings
from rig.records import Estimate, Finding, Outcome
from rig.runs import Ending, KeptRun, RunResult, TestPlan
from rig.sensing.channels import ChannelReader

LimitTable = Mapping[str, str | tuple[str, ...]]


def bench_of(kept: KeptRun) -> Bench:
    """Read the bench that a run was made on, as its file stood then."""
    return parse_bench(kept.setup.bench_text, f"bench file of run {kept.run}")


def readings_of(kept: KeptRun) -> list[Readings]:
    """Convert all frames of a run again, by the calibrations that it was made with."""
    reader = ChannelReader(bench_of(kept), kept.setup.channels)
    read = [reader.read(kept.samples)]
    rest = reader.rest()
    return read if rest is None else [*read, rest]


def own_leak_of(self_test: KeptRun) -> OwnLeak | Finding:
    """Measure the rig's own leak again from the blank-off of a kept self-test."""
    test = self_test.plan.tests[0]
    by_name = {step.name: step for step in self_test.steps}
    vented = by_name.get(name_in_run(test.name, VENTED_STEP))
    held = by_name.get(name_in_run(test.name, BLANK_STEP))
    result = self_test.result
    ambient = None if result is None else _measured(result, "ambient")
    if vented is None or held is None or ambient is None:
        return finding("no_hold_made")
    bench = bench_of(self_test)
    context = context_of(test, self_test.plan, self_test.setup, bench, None)
    readings = readings_of(self_test)
    return blank_off(context, ambient, recording_of(readings, vented), recording_of(readings, held))


def judged_again(
    kept: KeptRun,
    load: Callable[[int], KeptRun],
    limits: Mapping[str, LimitTable] | None = None,
) -> RunResult:
    """Judge a run again, by its own limits or by those given for tests by name.

    `load` gets the self-test whose own leak was taken off. A run that did not finish stays invalid.
    """
    old = kept.result
    if old is None or old.ending is not Ending.FINISHED:
        return old or RunResult(Ending.INTERRUPTED, Outcome.INVALID)
    own_leak = None
    if kept.setup.own_leak is not None:
        found = own_leak_of(load(kept.setup.own_leak.run))
        own_leak = None if isinstance(found, Finding) else found
    readings = readings_of(kept)
    bench = bench_of(kept)
    results = []
    for test in kept.plan.tests:
        planned = test if not limits or test.name not in limits else _under(test, limits[test.name])
        procedure = procedure_of(planned, kept.plan, kept.setup, bench, own_leak)
        results.append(replay(procedure, test.name, kept.steps, readings))
    return RunResult(Ending.FINISHED, worst(result.outcome for result in results), tuple(results))


def _under(test: TestPlan, limit: LimitTable) -> TestPlan:
    return replace(test, limit=limit)


def _measured(result: RunResult, name: str) -> Estimate | None:
    for test in result.tests:
        for each in test.measured:
            if each.name == name:
                return each.estimate
    return None
