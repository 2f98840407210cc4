"""Own driving a procedure without a bench: again from what was kept; never reach hardware."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from rig.procedure.steps import Compute, Procedure, Recording, Step, StepNotMade, StepResult
from rig.readings import Readings
from rig.runs import StepRecord, TestResult

DECIDED_BY = "decided_stop_sequence"
"""Figure of a step that a look ended: the first frame that the look did not see."""


@dataclass(frozen=True)
class KeptStep:
    """A step that was made, with the readings that its frames gave."""

    record: StepRecord
    recording: Recording


def name_in_run(test: str, step: str) -> str:
    """Name a step as it is kept: every test of a run has its own."""
    return f"{test}/{step}"


def recording_of(readings: Sequence[Readings], record: StepRecord) -> Recording:
    """Cut the frames of a step out of readings, on the clock that the step began with.

    Of a step that a look ended these are the frames that the look saw: what came while it was still
    computed decided nothing.
    """
    stop_sequence = record.figures.get(DECIDED_BY, record.stop_sequence)
    offset_s = record.figures.get("clock_offset_s", 0.0)
    parts = []
    for batch in readings:
        sequence = batch.samples.sequence
        inside = (sequence >= record.first_sequence) & (sequence < stop_sequence)
        if inside.any():
            parts.append((batch, inside))
    if not parts:
        return Recording(np.empty(0), np.empty(0, dtype=np.int64), {})
    names = parts[0][0].values
    sequence = np.concatenate([batch.samples.sequence[inside] for batch, inside in parts])
    mcu_us = np.concatenate([batch.samples.mcu_us[inside] for batch, inside in parts])
    return Recording(
        mcu_us * 1e-6 + offset_s,
        sequence,
        {
            name: np.concatenate([batch.values[name][inside] for batch, inside in parts])
            for name in names
        },
        int(sequence[-1] - sequence[0] + 1 - sequence.size),
    )


def replay(
    procedure: Procedure, test: str, steps: Sequence[StepRecord], readings: Sequence[Readings]
) -> TestResult:
    """Drive a procedure by the steps that were kept of its test, and get its result again.

    `steps` and `readings` are those of the whole run. A procedure that wants a step which was not
    made is told so by StepNotMade, and concludes from what there is.
    """
    by_name = {step.name: step for step in steps}

    def made(step: Step) -> StepResult:
        record = by_name.get(name_in_run(test, step.name))
        if record is None:
            raise StepNotMade(step.name)
        return StepResult(record, recording_of(readings, record))

    return drive(procedure, made)


def drive(procedure: Procedure, made: Callable[[Step], StepResult]) -> TestResult:
    """Drive a procedure to its end, each step made by `made`, computations on the spot."""
    answer: object = None
    error: StepNotMade | None = None
    while True:
        try:
            asked = procedure.send(answer) if error is None else procedure.throw(error)
        except StopIteration as end:
            result: TestResult = end.value
            return result
        error = None
        if isinstance(asked, Compute):
            answer = asked.call()
            continue
        try:
            answer = made(asked)
        except StepNotMade as missing:
            error = missing
