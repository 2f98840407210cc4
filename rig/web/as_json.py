"""Own the JSON form of what the rig tells; never ask for it.

Numbers are SI, named with their units; beside each finding stands its sentence.
"""

from collections.abc import Iterable, Mapping

from rig import words
from rig.engine import Status
from rig.records import Estimate, Finding
from rig.runs import KeptRun, RunPlan, RunResult, TestResult
from rig.web.desk import Health

Json = dict[str, object]


def finding(it: Finding | None) -> Json | None:
    """Tell a finding by its code, its figures and its sentence."""
    if it is None:
        return None
    return {"code": it.code, "figures": dict(it.figures), "sentence": words.said(it)}


def findings(them: Iterable[Finding]) -> list[Json | None]:
    """Tell several findings."""
    return [finding(it) for it in them]


def estimate(it: Estimate) -> Json:
    """Tell an estimate with its uncertainty by source."""
    return {"value": it.value, "u": it.u, "sources": dict(it.sources)}


def plan(it: RunPlan | None) -> Json | None:
    """Tell what a run is to do."""
    if it is None:
        return None
    return {
        "tag": it.tag,
        "family": it.family,
        "variant": it.variant,
        "purpose": str(it.purpose),
        "tests": [test.name for test in it.tests],
        "confirmed": list(it.confirmed),
        "note": it.note,
    }


def test_result(it: TestResult) -> Json:
    """Tell what came of one test."""
    return {
        "name": it.name,
        "outcome": str(it.outcome),
        "measured": [
            {"name": each.name, "kind": str(each.kind), **estimate(each.estimate)}
            for each in it.measured
        ],
        "judged": [
            {
                "limit": dict(each.limit),
                "outcome": str(each.outcome),
                "probability_of_conformity": each.probability_of_conformity,
                "confidence": each.confidence,
            }
            for each in it.judged
        ],
        "reasons": findings(it.reasons),
    }


def result(it: RunResult | None) -> Json | None:
    """Tell what came of a run."""
    if it is None:
        return None
    return {
        "ending": str(it.ending),
        "outcome": str(it.outcome),
        "tests": [test_result(test) for test in it.tests],
        "reasons": findings(it.reasons),
    }


def status(it: Status) -> Json:
    """Tell what the engine is doing."""
    return {
        "state": str(it.state),
        "run": it.run,
        "plan": plan(it.plan),
        "test": it.test,
        "step": it.step,
        "step_elapsed_s": it.step_elapsed_s,
        "step_lasts_s": it.step_lasts_s,
        "needs_mark": it.needs_acknowledgement,
        "prompt": finding(it.prompt),
        "target_pa": it.target_pa,
        "pressure_pa": it.pressure_pa,
        "ambient_pa": it.ambient_pa,
        "stopping": it.stopping,
        "tripped": finding(it.tripped),
        "result": result(it.result),
    }


def health(it: Health) -> Json:
    """Tell how the rig itself is."""
    return {
        "well": not it.troubles,
        "link": it.link,
        "data_age_s": it.data_age_s,
        "running": it.running,
        "clock_set": it.clock_set,
        "troubles": findings(it.troubles),
    }


def kept_run(it: KeptRun) -> Json:
    """Tell a run from the record, without its readings."""
    setup = it.setup
    known: Mapping[str, object] = {
        "rig_volume": None if setup.rig_volume is None else estimate(setup.rig_volume.volume_m3),
        "own_leak": None if setup.own_leak is None else estimate(setup.own_leak.flow_m3_s),
        "program": setup.program,
        "board": setup.board,
        "firmware": setup.firmware,
        "clock_was_set": setup.clock_was_set,
    }
    return {
        "run": it.run,
        "began_utc": setup.began_utc.isoformat(),
        "plan": plan(it.plan),
        "setup": known,
        "steps": [
            {
                "name": step.name,
                "state": step.state,
                "began_s": step.began_mono_s - setup.began_mono_s,
                "lasted_s": step.ended_mono_s - step.began_mono_s,
                "ended_by": step.ended_by,
            }
            for step in it.steps
        ],
        "events": [
            {
                "at_s": event.mono_s - setup.began_mono_s,
                "kind": event.kind,
                "finding": finding(event.finding),
            }
            for event in it.events
        ],
        "frames": int(it.samples.sequence.size),
        "result": result(it.result),
        "voided": it.voided,
    }
