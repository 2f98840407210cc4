"""Own the state of a run and drive its procedures on a bench; never reach a pin or a file itself.

One `tick(now)` a turn of the daemon's loop takes the readings that came, moves the run on and feeds
the lease. Stopping after a step, aborting and a fault are three things, and each of them, like the
ordinary end, leaves the bench vented and safe.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from rig.analysis.hold import finding
from rig.analysis.verdict import worst
from rig.arrays import FloatArray
from rig.errors import BenchError, RigError
from rig.outputs.interlocks import Refused
from rig.procedure.levels import VentedLevel
from rig.procedure.making import Making, Submit, answer_of
from rig.procedure.steps import (
    Acknowledged,
    Compute,
    Elapsed,
    Procedure,
    State,
    Step,
    StepResult,
)
from rig.readings import Readings, Samples
from rig.records import Finding, Outcome
from rig.runs import Ending, EventRecord, RunPlan, RunResult, StepRecord, TestPlan, TestResult

_VENT_S = 3.0
"""How long a run that ended in any way is given to vent before its end is told."""


class Guard(Protocol):
    """What stands between the engine and the outputs."""

    @property
    def tripped(self) -> Finding | None:
        """Get the reason of a trip that was not reset, None where there is none."""
        ...

    def request(self, positions: Mapping[str, str | bool]) -> None:
        """Move outputs, or raise Refused where an interlock forbids it."""
        ...

    def rest(self) -> None:
        """Bring every output to rest."""
        ...

    def trip(self, reason: Finding) -> None:
        """Make the outputs safe until an operator resets."""
        ...

    def tick(self, now_s: float) -> None:
        """Look after the outputs, and feed the lease."""
        ...

    def set_ambient(self, ambient_pa: float) -> None:
        """Take the pressure of the room [Pa], as the vented rig shows it."""
        ...

    def withhold_lease(self, withheld: bool) -> None:
        """Stop feeding the lease on purpose, to prove that it drops; or feed it again."""
        ...


class Recorder(Protocol):
    """What keeps a run while it is made; none of its calls waits for a disk."""

    def add_samples(self, run: int, samples: Samples) -> None:
        """Keep raw frames."""
        ...

    def add_step(self, run: int, step: StepRecord) -> None:
        """Keep a step that ended."""
        ...

    def add_event(self, run: int, event: EventRecord) -> None:
        """Keep what happened."""
        ...

    def finish(self, run: int, result: RunResult) -> None:
        """Close the run."""
        ...


@dataclass(frozen=True)
class Status:
    """What the engine is doing, as pages and terminals show it."""

    state: State
    run: int | None = None
    plan: RunPlan | None = None
    test: str | None = None
    step: str | None = None
    step_elapsed_s: float = 0.0
    step_lasts_s: float | None = None
    needs_acknowledgement: bool = False
    prompt: Finding | None = None
    target_pa: float | None = None
    pressure_pa: float | None = None
    ambient_pa: float | None = None
    stopping: bool = False
    tripped: Finding | None = None
    result: RunResult | None = None


@dataclass
class _Run:
    """The run being made."""

    number: int
    plan: RunPlan
    tests: list[tuple[TestPlan, Procedure]]
    results: list[TestResult] = field(default_factory=list)
    procedure: Procedure | None = None
    test: TestPlan | None = None
    making: Making | None = None
    computing: "Future[object] | None" = None


class Engine:
    """Runs procedures on a bench."""

    def __init__(self, guard: Guard, recorder: Recorder, submit: Submit) -> None:
        self._guard = guard
        self._recorder = recorder
        self._submit = submit
        self._run: _Run | None = None
        self._state = State.READY
        self._ending: tuple[RunResult, float, State] | None = None
        self._result: RunResult | None = None
        self._last_run: _Run | None = None
        self._stopping = False
        self._next_sequence = 0
        self._pressure_pa: float | None = None
        self._level = VentedLevel()
        self._ambient_pa: float | None = None
        self._now_s = 0.0

    # what the operator does

    def start(self, run: int, plan: RunPlan, tests: Sequence[tuple[TestPlan, Procedure]]) -> None:
        """Take up a run whose record is open under the number `run`; the next tick begins it.

        Raises BenchError while another run is on or a trip is not reset.
        """
        if self.is_running:
            raise BenchError("a run is on: stop or abort it first")
        if self._guard.tripped is not None:
            raise BenchError("the rig has tripped: see to the cause and reset first")
        self._run = self._last_run = _Run(run, plan, list(tests))
        self._result = None
        self._stopping = False

    def mark(self) -> None:
        """Take the operator's mark: the answer to a prompt that asks for one, noted in any case."""
        if self._run is None:
            return
        self._event("mark", finding("marked"))
        if self._run.making is not None:
            self._run.making.acknowledged = True

    def stop_after_step(self) -> None:
        """End the run once the step being made has ended, at once where none is."""
        if self._run is not None and not self._stopping:
            self._stopping = True
            self._event("stop", finding("stop_asked"))

    def abort(self) -> None:
        """End the run at once."""
        if self._run is not None:
            self._end(Ending.ABORTED, "abort", (finding("run_aborted"),))

    def fault(self, reason: Finding) -> None:
        """Trip, and end the run by it."""
        self._guard.trip(reason)
        if self._run is not None:
            self._end(Ending.TRIPPED, "trip", (reason,))

    def note(self, kind: str, what: Finding) -> None:
        """Put something into the record of the run that is on; nothing where none is."""
        self._event(kind, what)

    # what the loop does

    @property
    def is_running(self) -> bool:
        """Whether a run is being made, its venting at the end included."""
        return self._run is not None or self._ending is not None

    def tick(self, now_s: float, batches: Sequence[Readings]) -> None:
        """Take what was read since the last tick, move the run on and feed the lease."""
        self._now_s = now_s
        try:
            for readings in batches:
                self._take(readings)
            tripped = self._guard.tripped
            if tripped is not None:
                self._end(Ending.TRIPPED, "trip", (tripped,))
            self._move_on()
        except RigError as error:
            self.fault(finding("internal_fault", what=str(error)))
        self._guard.tick(now_s)

    @property
    def status(self) -> Status:
        """Get what the engine is doing."""
        tripped = self._guard.tripped
        run = self._run or self._last_run
        common = Status(
            State.TRIPPED if tripped is not None else self._state,
            run=None if run is None else run.number,
            plan=None if run is None else run.plan,
            test=None if self._run is None or self._run.test is None else self._run.test.name,
            pressure_pa=self._pressure_pa,
            ambient_pa=self._ambient_pa,
            stopping=self._stopping,
            tripped=tripped,
            result=self._result,
        )
        if self._run is None or self._run.making is None:
            return common
        making = self._run.making
        until = making.step.until
        return replace(
            common,
            step=making.step.name,
            step_elapsed_s=self._now_s - making.began_s,
            step_lasts_s=until.duration_s if isinstance(until, Elapsed) else None,
            needs_acknowledgement=isinstance(until, Acknowledged) and not making.acknowledged,
            prompt=making.step.prompt,
            target_pa=making.step.target_pa,
        )

    # readings

    def _take(self, readings: Readings) -> None:
        if not readings.time_mono_s.size:
            return
        self._next_sequence = int(readings.samples.sequence[-1]) + 1
        pressure_pa = readings.values["p_a"]
        usable = pressure_pa[np.isfinite(pressure_pa)]
        self._pressure_pa = float(usable[-1]) if usable.size else None
        if self._run is None:
            self._follow_ambient(readings, usable)
            return
        self._recorder.add_samples(self._run.number, readings.samples)
        for flag in readings.flags:
            self._event("reading", flag)
        if self._run.making is not None:
            self._run.making.take(readings, usable)

    def _follow_ambient(self, readings: Readings, usable_pa: FloatArray) -> None:
        """Take the vented manifold for the barometer while nothing runs."""
        if self._ending is None and usable_pa.size:
            ambient_pa = self._level.take(float(readings.time_mono_s[-1]), usable_pa)
            if ambient_pa is not None:
                self._ambient_pa = ambient_pa

    def _take_ambient(self, made: StepResult) -> None:
        """Take the manifold at the end of a vented step for the barometer."""
        _, pressure_pa = made.recording.channel("p_a")
        if pressure_pa.size:
            self._ambient_pa = float(np.median(pressure_pa[pressure_pa.size // 2 :]))
            self._guard.set_ambient(self._ambient_pa)

    # the run

    def _move_on(self) -> None:
        if self._ending is not None:
            result, until_s, state = self._ending
            if self._now_s >= until_s:
                self._ending = None
                self._state = state
                self._result = result
        run = self._run
        if run is None:
            return
        if run.making is not None:
            ended_by = run.making.ended_by(self._now_s, self._next_sequence)
            self._state = run.making.state
            if ended_by is not None:
                made = self._close_step(run, run.making, ended_by)
                if not self._stops():
                    self._send(made)
        elif not self._stops():
            if run.computing is None:
                self._begin_test()
            elif run.computing.done():
                computed, run.computing = run.computing, None
                self._send(answer_of(computed))

    def _stops(self) -> bool:
        """End the run, between steps, if that was asked for."""
        if self._stopping:
            self._end(Ending.STOPPED, "stop", (finding("run_stopped"),))
        return self._stopping

    def _begin_test(self) -> None:
        run = self._run
        if run is None:
            return
        if not run.tests:
            outcome = worst([result.outcome for result in run.results])
            self._close(RunResult(Ending.FINISHED, outcome, tuple(run.results)), State.FINISHED)
            return
        run.test, run.procedure = run.tests.pop(0)
        self._send(None)

    def _send(self, answer: object) -> None:
        """Send a procedure what it waits for, and begin what it asks next."""
        run = self._run
        if run is None or run.procedure is None:
            return
        try:
            asked = run.procedure.send(answer)
        except StopIteration as end:
            run.results.append(end.value)
            self._begin_test()
            return
        if isinstance(asked, Compute):
            run.computing = self._submit(asked.call)
            if run.computing.done():
                self._move_on()
            return
        self._begin_step(asked)

    def _begin_step(self, step: Step) -> None:
        run = self._run
        if run is None:
            return
        test = "" if run.test is None else run.test.name
        run.making = Making(step, test, self._now_s, self._next_sequence, self._submit)
        self._state = step.state
        if step.prompt is not None:
            self._event("prompt", step.prompt)
        try:
            if step.withhold_lease:
                self._guard.withhold_lease(True)
            self._guard.request(step.valves)
        except Refused as refused:
            tripped = self._guard.tripped
            if tripped is not None:
                self._end(Ending.TRIPPED, "trip", (tripped,))
            else:
                self._end(Ending.ABORTED, "refused", refused.findings)

    def _close_step(self, run: _Run, making: Making, ended_by: str) -> StepResult:
        made = making.close(self._now_s, self._next_sequence, ended_by)
        self._recorder.add_step(run.number, made.record)
        if making.step.state is State.ZEROING:
            self._take_ambient(made)
        run.making = None
        if making.step.withhold_lease:
            self._safely(lambda: self._guard.withhold_lease(False))
        return made

    # ends

    def _end(self, ending: Ending, kind: str, reasons: tuple[Finding, ...]) -> None:
        """End a run before its procedures did: what it showed is no verdict."""
        run = self._run
        if run is None:
            return
        for reason in reasons:
            self._event(kind, reason)
        if run.making is not None:
            ended_by = "fault" if ending is Ending.TRIPPED else "stopped"
            self._close_step(run, run.making, ended_by)
        if run.computing is not None:
            run.computing.cancel()
        if run.procedure is not None:
            run.procedure.close()
        result = RunResult(ending, Outcome.INVALID, tuple(run.results), reasons)
        self._close(result, State.TRIPPED if ending is Ending.TRIPPED else State.STOPPED)

    def _close(self, result: RunResult, state: State) -> None:
        run = self._run
        if run is None:
            return
        self._safely(self._guard.rest)
        self._recorder.finish(run.number, result)
        self._run = None
        self._state = State.VENTING
        self._level = VentedLevel()
        self._ending = (result, self._now_s + _VENT_S, state)

    def _safely(self, move: Callable[[], None]) -> None:
        """Bring something to rest; where that fails, trip, and go on ending what has to end."""
        try:
            move()
        except RigError as error:
            self._guard.trip(finding("internal_fault", what=str(error)))

    def _event(self, kind: str, what: Finding) -> None:
        if self._run is not None:
            self._recorder.add_event(self._run.number, EventRecord(self._now_s, kind, what))
