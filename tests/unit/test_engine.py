"""Tests of the engine on a guard and a recorder that only note what they are asked."""

import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import pytest

from rig.analysis.hold import finding
from rig.engine import Engine
from rig.errors import BenchError, InputError
from rig.outputs.interlocks import Refused
from rig.procedure.replay import DECIDED_BY, recording_of
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
    StepResult,
    Watch,
    compute,
    make,
)
from rig.readings import Readings, Samples
from rig.records import Finding, Outcome, Purpose
from rig.runs import Ending, EventRecord, RunPlan, RunResult, StepRecord, TestPlan, TestResult

AMBIENT_PA = 101_000.0
DEEP_PA = 50_000.0
TICK_S = 0.01
CLOCK_OFFSET_S = 900.0
RUN = 7
RESTED = "rest"


@dataclass
class NotingGuard:
    """Grants and notes everything, until told otherwise."""

    asked: list[object] = field(default_factory=list)
    lease: list[bool] = field(default_factory=list)
    ambients: list[float] = field(default_factory=list)
    ticks: int = 0
    trips: list[Finding] = field(default_factory=list)
    refuses: Callable[[Mapping[str, str | bool]], None] = lambda _: None
    rest_fails: bool = False

    @property
    def tripped(self) -> Finding | None:
        """Get the first trip."""
        return self.trips[0] if self.trips else None

    def request(self, positions: Mapping[str, str | bool]) -> None:
        """Note what is asked for."""
        self.refuses(positions)
        self.asked.append(dict(positions))

    def rest(self) -> None:
        """Note that everything is brought to rest."""
        self.asked.append(RESTED)
        if self.rest_fails:
            raise BenchError("the pin of the vent cannot be set")

    def trip(self, reason: Finding) -> None:
        """Note a trip."""
        self.trips.append(reason)

    def tick(self, now_s: float) -> None:
        """Count the turns in which the lease was looked after."""
        assert now_s > 0.0
        self.ticks += 1

    def set_ambient(self, ambient_pa: float) -> None:
        """Note the air of the room."""
        self.ambients.append(ambient_pa)

    def withhold_lease(self, withheld: bool) -> None:
        """Note what is said of the lease."""
        self.lease.append(withheld)


@dataclass
class NotingRecorder:
    """Keeps everything in the order in which it came."""

    kept: list[tuple[str, int, object]] = field(default_factory=list)

    def add_samples(self, run: int, samples: Samples) -> None:
        """Keep frames."""
        self.kept.append(("samples", run, samples))

    def add_step(self, run: int, step: StepRecord) -> None:
        """Keep a step."""
        self.kept.append(("step", run, step))

    def add_event(self, run: int, event: EventRecord) -> None:
        """Keep an event."""
        self.kept.append(("event", run, event))

    def finish(self, run: int, result: RunResult) -> None:
        """Keep the end."""
        self.kept.append(("finish", run, result))

    @property
    def steps(self) -> list[StepRecord]:
        """List the steps."""
        return [each for _, _, each in self.kept if isinstance(each, StepRecord)]

    @property
    def events(self) -> list[tuple[str, str]]:
        """List kind and code of the events."""
        events = [each for _, _, each in self.kept if isinstance(each, EventRecord)]
        return [(each.kind, each.finding.code) for each in events]

    @property
    def results(self) -> list[RunResult]:
        """List the ends."""
        return [each for _, _, each in self.kept if isinstance(each, RunResult)]

    @property
    def frames(self) -> list[int]:
        """List the numbers of all frames that were kept."""
        return [
            int(number)
            for _, _, each in self.kept
            if isinstance(each, Samples)
            for number in each.sequence
        ]


def on_the_spot(call: Callable[[], object]) -> "Future[object]":
    """Compute at once."""
    future: Future[object] = Future()
    future.set_result(call())
    return future


@dataclass
class Elsewhere:
    """Computes when it is told to, as another thread would that is slow."""

    waiting: list[tuple["Future[object]", Callable[[], object]]] = field(default_factory=list)

    def __call__(self, call: Callable[[], object]) -> "Future[object]":
        """Take a computation."""
        future: Future[object] = Future()
        self.waiting.append((future, call))
        return future

    def answer(self) -> None:
        """Compute what waits longest."""
        future, call = self.waiting.pop(0)
        future.set_result(call())

    def fail(self, error: Exception) -> None:
        """Have what waits longest fail."""
        future, _ = self.waiting.pop(0)
        future.set_exception(error)


class Bench:
    """An engine in a time of its own, two frames a tick."""

    def __init__(
        self, submit: Callable[[Callable[[], object]], "Future[object]"] = on_the_spot
    ) -> None:
        self.guard = NotingGuard()
        self.recorder = NotingRecorder()
        self.engine = Engine(self.guard, self.recorder, submit)
        self.now_s = 5000.0
        self.sequence = 100
        self.pressure_pa = AMBIENT_PA

    def start(self, *procedures: Procedure, names: Sequence[str] = ("one", "two", "three")) -> None:
        """Start a run and let the first tick begin it."""
        tests = [
            (TestPlan(name, "script"), each) for name, each in zip(names, procedures, strict=False)
        ]
        plan = RunPlan(
            "N01", "family", "variant", Purpose.BEFORE_FITTING, tuple(t for t, _ in tests)
        )
        self.engine.start(RUN, plan, tests)
        self.tick()

    def batch(self, *pressure_pa: float, flags: tuple[Finding, ...] = ()) -> Readings:
        """Make frames that arrive together."""
        n = np.arange(self.sequence, self.sequence + len(pressure_pa), dtype=np.int64)
        self.sequence += len(pressure_pa)
        time_s = self.now_s - TICK_S + 0.005 * np.arange(1, n.size + 1)
        mcu_us = np.round((time_s - CLOCK_OFFSET_S) * 1e6).astype(np.int64)
        samples = Samples(n, mcu_us, np.zeros((n.size, 1), dtype=np.int64), self.now_s)
        return Readings(samples, time_s, {"p_a": np.array(pressure_pa)}, flags)

    def tick(self, *pressure_pa: float, count: int = 1, flags: tuple[Finding, ...] = ()) -> None:
        """Let turns pass in which these pressures are read, the last ones where none are given."""
        for _ in range(count):
            self.now_s += TICK_S
            if pressure_pa:
                self.pressure_pa = pressure_pa[-1]
            read = pressure_pa or (self.pressure_pa, self.pressure_pa)
            self.engine.tick(self.now_s, [self.batch(*read, flags=flags)])

    def deaf(self, seconds: float) -> None:
        """Let time pass without any reading."""
        for _ in range(round(seconds / TICK_S)):
            self.now_s += TICK_S
            self.engine.tick(self.now_s, [])

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.tick(count=round(seconds / TICK_S))


def result_of(name: str = "one", outcome: Outcome = Outcome.PASS) -> TestResult:
    """Make the result of a scripted test."""
    return TestResult(name, outcome)


def script(
    *steps: Step,
    made: list[StepResult] | None = None,
    result: TestResult | None = None,
    closed: list[bool] | None = None,
) -> Procedure:
    """Make these steps one after the other, and note what came of them."""
    try:
        for step in steps:
            answer = yield from make(step)
            if made is not None:
                made.append(answer)
    except GeneratorExit:
        if closed is not None:
            closed.append(True)
        raise
    return result or result_of()


def held(duration_s: float = 1.0, name: str = "hold", **other: object) -> Step:
    """Make a step that lasts."""
    return Step(name, State.HOLDING, Elapsed(duration_s), **other)  # type: ignore[arg-type]


PULL = Step(
    "pull",
    State.PULLING,
    Pulled(DEEP_PA),
    {"vent": "shut", "pump": "open"},
    finding(Prompt.PUMP, target_pa=AMBIENT_PA - DEEP_PA),
    target_pa=AMBIENT_PA - DEEP_PA,
)
SHUT = held(1.0, "hold", valves={"pump": "shut"})
RESEAT = Step("reseat", State.VENTING, Acknowledged(), {}, finding(Prompt.RESEAT))


# steps


def test_positions_are_requested_in_order_at_each_steps_begin() -> None:
    """One request a step, and at the end everything to rest."""
    bench = Bench()
    bench.start(
        script(
            held(0.05, "a", valves={"vent": "open"}),
            held(0.05, "b", valves={"part": "shut", "vent": "shut"}),
        )
    )
    assert bench.guard.asked == [{"vent": "open"}]
    bench.wait(0.06)
    assert bench.guard.asked[1:] == [{"part": "shut", "vent": "shut"}]
    bench.wait(0.06)
    assert bench.guard.asked[2:] == [RESTED]


def test_a_run_begins_with_the_first_tick_after_its_start() -> None:
    """Nothing moves before: time counts from the tick, however long ago the last one was."""
    bench = Bench()
    bench.tick()
    plan = RunPlan("N01", "f", "v", Purpose.BEFORE_FITTING, (TestPlan("one", "script"),))
    bench.engine.start(RUN, plan, [(plan.tests[0], script(held(1.0)))])
    assert bench.guard.asked == []
    assert bench.engine.is_running
    bench.now_s += 500.0
    bench.tick()
    assert bench.guard.asked == [{}]
    bench.wait(0.98)
    assert bench.engine.status.step == "hold"
    bench.wait(0.03)
    assert bench.engine.status.step is None


def test_a_pull_ends_in_the_tick_of_its_reading_and_the_pump_valve_shuts_in_the_same() -> None:
    """No turn lies between the reading that reaches and the request that shuts the pump off."""
    bench = Bench()
    made: list[StepResult] = []
    bench.start(script(PULL, SHUT, made=made))
    bench.tick(80_000.0, 60_000.0)
    assert len(bench.guard.asked) == 1
    bench.tick(DEEP_PA + 1.0, DEEP_PA)
    assert bench.guard.asked[1] == {"pump": "shut"}
    assert made[0].record.ended_by == "reached"
    assert made[0].reached
    assert made[0].record.ended_mono_s == bench.now_s


def test_a_pull_times_out_when_it_makes_no_progress() -> None:
    """20 s without 500 Pa; whatever falls slower than that stands still."""
    bench = Bench()
    made: list[StepResult] = []
    bench.start(script(PULL, SHUT, made=made))
    for step in range(100):
        bench.tick(AMBIENT_PA - 10.0 * step, count=20)
    assert made == []  # 1000 Pa in 20 s, 510 of them in the first 10.2
    bench.wait(10.0)
    assert made == []
    bench.wait(1.0)
    assert made[0].record.ended_by == "timeout"
    assert not made[0].reached


def test_a_pull_that_goes_on_does_not_time_out() -> None:
    """600 Pa every 15 s is a slow hand, and reaches in the end."""
    bench = Bench()
    made: list[StepResult] = []
    bench.start(script(PULL, SHUT, made=made))
    for step in range(1, 5):
        bench.tick(AMBIENT_PA - 600.0 * step, count=1500)
        assert made == []
    bench.tick(DEEP_PA)
    assert made[0].record.ended_by == "reached"


@pytest.mark.parametrize(
    ("pressure_pa", "ended_by", "after_s"),
    [(99_000.0, "reached", 0.02), (98_999.0, "timeout", 3.0)],
)
def test_a_release_is_reached_or_times_out(
    pressure_pa: float, ended_by: str, after_s: float
) -> None:
    """At or above its level; else after its time."""
    bench = Bench()
    made: list[StepResult] = []
    bench.start(script(Step("vent", State.VENTING, Released(99_000.0, 3.0)), made=made))
    bench.tick(98_000.0)
    bench.tick(pressure_pa)
    bench.wait(3.1)
    assert made[0].record.ended_by == ended_by
    lasted_s = made[0].record.ended_mono_s - made[0].record.began_mono_s
    assert lasted_s == pytest.approx(after_s, abs=1.5 * TICK_S)


def test_only_what_was_read_since_a_step_began_can_end_it() -> None:
    """A pressure from before its valves moved reaches nothing."""
    bench = Bench()
    made: list[StepResult] = []
    deep = Step("deep", State.PULLING, Pulled(DEEP_PA))
    bench.start(script(held(0.03, "wait"), deep, made=made))
    bench.tick(DEEP_PA - 1.0)
    bench.tick(DEEP_PA - 1.0)
    bench.tick(DEEP_PA - 1.0)
    assert bench.engine.status.step == "deep"
    bench.deaf(0.5)
    assert bench.engine.status.step == "deep"
    bench.tick(DEEP_PA - 1.0)
    assert made[1].record.ended_by == "reached"


def test_an_acknowledgement_is_a_mark_that_came_after_the_step_began() -> None:
    """A mark before it, or a long wait, is none."""
    bench = Bench()
    made: list[StepResult] = []
    bench.start(script(held(0.05, "wait"), RESEAT, made=made))
    bench.engine.mark()
    bench.wait(0.06)
    assert bench.engine.status.step == "reseat"
    assert bench.engine.status.needs_acknowledgement
    bench.wait(60.0)
    assert bench.engine.status.step == "reseat"
    bench.engine.mark()
    assert not bench.engine.status.needs_acknowledgement
    bench.tick()
    assert made[1].record.ended_by == "acknowledged"
    assert bench.recorder.events.count(("mark", "marked")) == 2


def test_the_state_moves_on_within_a_step() -> None:
    """Settling, then holding, one and the same step."""
    bench = Bench()
    bench.start(script(Step("hold", State.SETTLING, Elapsed(2.0), changes_to=(1.0, State.HOLDING))))
    bench.wait(0.98)
    assert bench.engine.status.state is State.SETTLING
    bench.wait(0.03)
    assert bench.engine.status.state is State.HOLDING
    assert bench.engine.status.step == "hold"


def test_a_step_hands_back_its_frames_on_one_clock_and_is_kept_with_it() -> None:
    """From the first frame that came after its begin; the record tells the clock and the test."""
    bench = Bench()
    made: list[StepResult] = []
    bench.tick(count=5)
    bench.start(script(held(0.1, "a"), held(0.1, "b"), made=made))
    bench.wait(0.3)
    first, second = made
    assert first.recording.sequence.tolist() == list(
        range(first.record.first_sequence, first.record.stop_sequence)
    )
    assert second.record.first_sequence == first.record.stop_sequence
    assert first.recording.values["p_a"].size == 20
    assert np.diff(first.recording.time_mono_s) == pytest.approx(0.005, abs=2e-6)
    assert first.recording.time_mono_s[0] > first.record.began_mono_s
    assert first.record.figures["clock_offset_s"] == pytest.approx(CLOCK_OFFSET_S, abs=1e-6)
    assert [step.name for step in bench.recorder.steps] == ["one/a", "one/b"]
    assert bench.recorder.steps[0] == first.record


# looks


def looks(seen: list[Recording], answers: Sequence[bool], duration_s: float = 4.0) -> Step:
    """Make a step that is looked at each second and decided by the answers, one a look."""
    left = list(answers)

    def decided(recording: Recording) -> bool:
        seen.append(recording)
        return left.pop(0)

    return held(duration_s, "hold", watch=Watch((1.0, 2.0, 3.0), decided))


def test_a_look_that_decides_ends_its_step_at_once() -> None:
    """Looked at after 1 and 2 s; the second says so. What was seen is what is handed back."""
    bench, seen, made = Bench(), list[Recording](), list[StepResult]()
    bench.start(script(looks(seen, [False, True]), made=made))
    bench.wait(2.05)
    assert made[0].record.ended_by == "decided"
    assert made[0].reached
    lasted_s = made[0].record.ended_mono_s - made[0].record.began_mono_s
    assert lasted_s == pytest.approx(2.0, abs=1.5 * TICK_S)
    assert [each.sequence.size for each in seen] == pytest.approx([200, 400], abs=4)
    assert made[0].recording.sequence.tolist() == seen[1].sequence.tolist()


def test_looks_that_decide_nothing_let_the_step_last() -> None:
    """Each is made once."""
    bench, seen, made = Bench(), list[Recording](), list[StepResult]()
    bench.start(script(looks(seen, [False] * 3), made=made))
    bench.wait(4.05)
    assert made[0].record.ended_by == "done"
    assert len(seen) == 3


def test_a_look_that_answers_late_ends_the_step_by_what_it_saw() -> None:
    """What came while it was computed is kept, and is no part of what decided."""
    elsewhere = Elsewhere()
    bench, seen, made = Bench(elsewhere), list[Recording](), list[StepResult]()
    bench.start(script(looks(seen, [True]), made=made))
    bench.wait(1.5)
    assert len(elsewhere.waiting) == 1
    assert made == []
    elsewhere.answer()
    bench.tick()
    record, recording = made[0].record, made[0].recording
    assert record.ended_by == "decided"
    assert recording.sequence.tolist() == seen[0].sequence.tolist()
    assert recording.sequence.size == pytest.approx(200, abs=4)
    assert record.stop_sequence - record.first_sequence == pytest.approx(302, abs=4)
    assert record.figures[DECIDED_BY] == recording.sequence[-1] + 1
    assert set(range(record.first_sequence, record.stop_sequence)) <= set(bench.recorder.frames)


def test_what_a_late_look_decided_is_cut_the_same_when_it_is_told_again() -> None:
    """By the record and all frames that were kept."""
    elsewhere = Elsewhere()
    bench, seen, made = Bench(elsewhere), list[Recording](), list[StepResult]()
    bench.start(script(looks(seen, [True]), made=made))
    bench.wait(1.5)
    elsewhere.answer()
    bench.tick()
    kept = [each for _, _, each in bench.recorder.kept if isinstance(each, Samples)]
    readings = [
        Readings(
            each, np.full(each.sequence.size, np.nan), {"p_a": np.full(each.sequence.size, 1.0)}
        )
        for each in kept
    ]
    again = recording_of(readings, made[0].record)
    assert again.sequence.tolist() == made[0].recording.sequence.tolist()
    assert again.time_mono_s.tolist() == made[0].recording.time_mono_s.tolist()


def test_looks_that_fell_due_while_one_was_computed_are_made_as_one() -> None:
    """Late by two: the next sees all there is, and none is made twice."""
    elsewhere = Elsewhere()
    bench, seen, made = Bench(elsewhere), list[Recording](), list[StepResult]()
    bench.start(script(looks(seen, [False, True]), made=made))
    bench.wait(3.2)
    elsewhere.answer()
    bench.tick()
    assert len(elsewhere.waiting) == 1
    elsewhere.answer()
    bench.tick()
    assert made[0].record.ended_by == "decided"
    assert made[0].recording.sequence.size == pytest.approx(642, abs=6)


def test_a_look_that_never_answers_holds_nothing_up() -> None:
    """The step lasts as long as it should, and the test goes on; a late answer is nothing."""
    elsewhere = Elsewhere()
    bench, seen, made = Bench(elsewhere), list[Recording](), list[StepResult]()
    bench.start(script(looks(seen, [True]), held(1.0, "after"), made=made))
    bench.wait(4.05)
    assert made[0].record.ended_by == "done"
    assert made[0].recording.sequence.size == pytest.approx(800, abs=4)
    assert bench.engine.status.step == "after"
    assert elsewhere.waiting[0][0].cancelled()


def test_a_look_on_another_thread_decides() -> None:
    """With a real pool: the loop turns on while it is computed."""
    go = threading.Event()

    def decided(recording: Recording) -> bool:
        return go.wait(10.0) and recording.sequence.size > 0

    made: list[StepResult] = []
    with ThreadPoolExecutor(1) as pool:
        bench = Bench(pool.submit)
        bench.start(script(held(1e6, "hold", watch=Watch((0.1,), decided)), made=made))
        bench.wait(0.5)
        assert made == []
        go.set()
        for _ in range(100_000):
            bench.tick()
            if made:
                break
    assert made[0].record.ended_by == "decided"
    assert made[0].recording.sequence.size == pytest.approx(20, abs=4)


# computations


def _computes(seen: list[object]) -> Procedure:
    seen.append((yield from compute(lambda: 6 * 7)))
    yield from make(held(0.1, "after"))
    return result_of()


def test_a_computation_on_the_spot_takes_no_turn() -> None:
    """Its answer and the next step come in the same tick."""
    bench, seen = Bench(), list[object]()
    bench.start(_computes(seen))
    assert seen == [42]
    assert bench.engine.status.step == "after"


def test_a_computation_elsewhere_lets_the_loop_turn() -> None:
    """Frames are kept meanwhile, the lease is fed, and the status tells the test and no step."""
    elsewhere = Elsewhere()
    bench, seen = Bench(elsewhere), list[object]()
    bench.start(_computes(seen))
    fed = bench.guard.ticks
    bench.wait(1.0)
    assert seen == []
    assert bench.guard.ticks == fed + 100
    assert len(bench.recorder.frames) >= 200
    status = bench.engine.status
    assert (status.test, status.step, status.prompt) == ("one", None, None)
    elsewhere.answer()
    bench.tick()
    assert seen == [42]


@pytest.mark.parametrize("of_look", [True, False])
def test_a_computation_that_fails_trips_and_the_program_goes_on(of_look: bool) -> None:
    """An error that nobody foresaw in an analysis ends the run, not the loop."""
    elsewhere = Elsewhere()
    bench = Bench(elsewhere)
    bench.start(script(looks([], [])) if of_look else _computes([]))
    bench.wait(1.05)
    elsewhere.fail(ZeroDivisionError("nothing to divide by"))
    bench.tick()
    assert [each.code for each in bench.guard.trips] == ["internal_fault"]
    assert "ZeroDivisionError" in str(bench.guard.trips[0].figures["what"])
    assert bench.recorder.results[0].ending is Ending.TRIPPED
    bench.wait(4.0)
    assert bench.engine.status.state is State.TRIPPED


# ends


def _aborts(bench: Bench) -> None:
    bench.engine.abort()


def _stops(bench: Bench) -> None:
    bench.engine.stop_after_step()
    bench.wait(1.1)


def _faults(bench: Bench) -> None:
    bench.engine.fault(finding("internal_fault", what="the loop"))


def _trips(bench: Bench) -> None:
    bench.guard.trip(finding("stop_pressed"))
    bench.tick()


END_EARLY = [
    (_aborts, Ending.ABORTED, State.STOPPED, ("abort", "run_aborted"), "stopped"),
    (_stops, Ending.STOPPED, State.STOPPED, ("stop", "run_stopped"), "done"),
    (_faults, Ending.TRIPPED, State.TRIPPED, ("trip", "internal_fault"), "fault"),
    (_trips, Ending.TRIPPED, State.TRIPPED, ("trip", "stop_pressed"), "fault"),
]


@pytest.mark.parametrize(("ends", "ending", "state", "event", "ended_by"), END_EARLY)
def test_whatever_ends_a_run_early_leaves_it_vented_closed_and_without_a_verdict(
    ends: Callable[[Bench], None],
    ending: Ending,
    state: State,
    event: tuple[str, str],
    ended_by: str,
) -> None:
    """The step is kept, the generator closed, the outputs at rest, the result invalid.

    It vents for a while and only then tells its end; nothing is recorded after the run is closed.
    """
    bench, closed = Bench(), list[bool]()
    bench.start(script(held(1.0, "a"), held(9.0, "b"), closed=closed))
    bench.wait(0.5)
    ends(bench)
    result = bench.recorder.results[0]
    assert (result.ending, result.outcome) == (ending, Outcome.INVALID)
    assert [each.code for each in result.reasons] == [event[1]]
    assert bench.guard.asked[-1] == RESTED
    assert closed == [True]
    assert bench.recorder.events[-1] == event
    assert [(step.name, step.ended_by) for step in bench.recorder.steps] == [("one/a", ended_by)]
    assert bench.engine.is_running
    venting = State.TRIPPED if ending is Ending.TRIPPED else State.VENTING
    assert bench.engine.status.state is venting
    assert bench.engine.status.result is None
    bench.wait(3.1)
    assert not bench.engine.is_running
    assert bench.engine.status.state is state
    assert bench.engine.status.result == result
    assert bench.recorder.kept[-1][0] == "finish"
    assert [kind for kind, _, _ in bench.recorder.kept].count("finish") == 1


def test_a_run_that_comes_to_its_end_tells_its_result_after_venting() -> None:
    """Finished, with the outcome of its test; outputs at rest, nothing recorded after it."""
    bench = Bench()
    bench.start(script(held(0.05)))
    bench.wait(0.1)
    result = bench.recorder.results[0]
    assert (result.ending, result.outcome) == (Ending.FINISHED, Outcome.PASS)
    assert bench.guard.asked[-1] == RESTED
    assert bench.engine.status.state is State.VENTING
    bench.wait(3.1)
    assert bench.engine.status.state is State.FINISHED
    assert bench.engine.status.result == result
    assert bench.recorder.kept[-1][0] == "finish"


def test_a_stop_lets_the_step_being_made_end_first() -> None:
    """It is said at once, and the step lasts as long as it should."""
    bench = Bench()
    bench.start(script(held(1.0, "a"), held(1.0, "b")))
    bench.engine.stop_after_step()
    bench.engine.stop_after_step()
    assert bench.engine.status.stopping
    assert bench.recorder.events.count(("stop", "stop_asked")) == 1
    bench.wait(0.9)
    assert bench.engine.status.step == "a"
    bench.wait(0.2)
    assert bench.engine.status.step is None
    assert bench.recorder.results[0].ending is Ending.STOPPED


def test_a_stop_while_something_is_computed_waits_for_nothing() -> None:
    """No step is being made: the run ends with the next tick, and the computation is let go."""
    elsewhere = Elsewhere()
    bench = Bench(elsewhere)
    bench.start(_computes([]))
    bench.engine.stop_after_step()
    bench.tick()
    assert bench.recorder.results[0].ending is Ending.STOPPED
    assert elsewhere.waiting[0][0].cancelled()


def test_a_stop_keeps_what_tests_before_it_have_shown() -> None:
    """Their results stand in the run's, which is invalid all the same."""
    bench = Bench()
    bench.start(script(held(0.1)), script(held(9.0)))
    bench.wait(0.2)
    bench.engine.abort()
    result = bench.recorder.results[0]
    assert [each.outcome for each in result.tests] == [Outcome.PASS]
    assert result.outcome is Outcome.INVALID


def test_nothing_is_asked_of_an_engine_that_rests() -> None:
    """Mark, stop, abort and notes without a run do nothing and record nothing."""
    bench = Bench()
    bench.tick()
    bench.engine.mark()
    bench.engine.stop_after_step()
    bench.engine.abort()
    bench.engine.note("board", finding("marked"))
    bench.tick()
    assert bench.recorder.kept == []
    assert bench.guard.asked == []
    assert bench.guard.ticks == 2


def test_a_request_that_is_refused_ends_the_run_with_its_findings() -> None:
    """The first step of a run as any other: nothing moved, everything at rest, reasons told."""
    findings = (finding("electric_pump_needs_supply"), finding("fuel_vapour"))

    def refuses(positions: Mapping[str, str | bool]) -> None:
        if positions.get("pump") == "open":
            raise Refused(findings)

    for steps in ((PULL,), (held(0.05, "a"), PULL)):
        bench, closed = Bench(), list[bool]()
        bench.guard.refuses = refuses
        bench.start(script(*steps, closed=closed))
        bench.wait(0.1)
        result = bench.recorder.results[0]
        assert (result.ending, result.outcome) == (Ending.ABORTED, Outcome.INVALID)
        assert result.reasons == findings
        assert closed == [True]
        assert bench.guard.asked[-1] == RESTED
        assert [event for event in bench.recorder.events if event[0] == "refused"] == [
            ("refused", each.code) for each in findings
        ]


def test_a_request_that_comes_after_a_trip_ends_the_run_by_the_trip() -> None:
    """A trip from another thread between two ticks: that is the reason, not the refusal."""
    bench = Bench()

    def refuses(positions: Mapping[str, str | bool]) -> None:
        if "pump" in positions:
            bench.guard.trip(finding("stop_pressed"))
            raise Refused((finding("held_by_trip", trip="stop_pressed"),))

    bench.guard.refuses = refuses
    bench.start(script(PULL))
    assert bench.recorder.results[0].ending is Ending.TRIPPED
    assert bench.recorder.results[0].reasons[0].code == "stop_pressed"


def test_a_valve_that_fails_trips_and_ends_the_run() -> None:
    """An error from the pins is told by its sentence."""
    bench = Bench()

    def fails(_: Mapping[str, str | bool]) -> None:
        raise BenchError("GPIO17 is in use by another program")

    bench.guard.refuses = fails
    bench.start(script(PULL))
    assert bench.guard.trips[0] == finding(
        "internal_fault", what="GPIO17 is in use by another program"
    )
    assert bench.recorder.results[0].ending is Ending.TRIPPED


def test_a_procedure_that_cannot_go_on_trips_and_ends_the_run() -> None:
    """An error that it raises is told by its sentence, and the run is closed."""

    def fails() -> Procedure:
        yield from make(held(0.05))
        raise InputError("the family gives no typical volume")

    bench = Bench()
    bench.start(fails())
    bench.wait(0.1)
    assert bench.recorder.results[0].ending is Ending.TRIPPED
    assert "typical volume" in str(bench.recorder.results[0].reasons[0].figures["what"])


def test_a_rest_that_fails_trips_and_the_run_is_closed_all_the_same() -> None:
    """What cannot be put to rest is held by the trip; the record ends as it would have."""
    bench = Bench()
    bench.guard.rest_fails = True
    bench.start(script(held(0.05)))
    bench.wait(0.1)
    assert [each.code for each in bench.guard.trips] == ["internal_fault"]
    assert len(bench.recorder.results) == 1
    bench.wait(4.0)
    assert bench.engine.status.state is State.TRIPPED
    assert not bench.engine.is_running


# the lease


LEASE = Step("lease", State.VENTING, Released(AMBIENT_PA + 1.0, 1.0), withhold_lease=True)


def test_the_lease_is_withheld_during_its_step_alone() -> None:
    """Withheld before the step's valves move, fed again before the next ones do."""
    bench = Bench()
    bench.start(script(held(0.05, "a"), LEASE, held(0.05, "b")))
    assert bench.guard.lease == []
    bench.wait(0.06)
    assert bench.guard.lease == [True]
    bench.wait(1.1)
    assert bench.guard.lease == [True, False]
    bench.wait(1.0)
    assert bench.guard.lease == [True, False]


@pytest.mark.parametrize(("ends", "ending", "state", "event", "ended_by"), END_EARLY)
def test_the_lease_is_fed_again_however_its_step_ends(
    ends: Callable[[Bench], None],
    ending: Ending,
    state: State,
    event: tuple[str, str],
    ended_by: str,
) -> None:
    """Aborted, stopped, by a fault or a trip."""
    del ending, state, event, ended_by
    bench = Bench()
    bench.start(script(LEASE))
    ends(bench)
    assert bench.guard.lease == [True, False]


# several tests


def test_tests_of_a_run_follow_each_other_and_the_worst_counts() -> None:
    """Each keeps its steps under its own name; a pass beside something undecided is no pass."""
    bench = Bench()
    procedures = [
        script(held(0.05), result=result_of(name, outcome))
        for name, outcome in (
            ("one", Outcome.PASS),
            ("two", Outcome.UNDECIDED),
            ("three", Outcome.MEASURED),
        )
    ]
    bench.start(*procedures)
    assert bench.engine.status.test == "one"
    bench.wait(0.08)
    assert bench.engine.status.test == "two"
    bench.wait(0.5)
    result = bench.recorder.results[0]
    assert [each.name for each in result.tests] == ["one", "two", "three"]
    assert result.outcome is Outcome.UNDECIDED
    assert [step.name for step in bench.recorder.steps] == ["one/hold", "two/hold", "three/hold"]
    assert bench.guard.asked.count(RESTED) == 1


def test_a_run_without_tests_is_not_tested() -> None:
    """It ends at once."""
    bench = Bench()
    bench.start()
    assert bench.recorder.results[0].outcome is Outcome.NOT_TESTED


# what is shown


def test_the_status_tells_what_is_going_on() -> None:
    """Ready, in a step, and after it; what the operator needs stands there."""
    bench = Bench()
    bench.tick(99_000.0)
    idle = bench.engine.status
    assert idle.state is State.READY
    assert (idle.run, idle.test, idle.step, idle.result) == (None, None, None, None)
    assert idle.pressure_pa == 99_000.0
    bench.start(script(PULL, SHUT))
    bench.wait(1.0)
    pulling = bench.engine.status
    assert (pulling.state, pulling.run, pulling.test) == (State.PULLING, RUN, "one")
    assert pulling.plan is not None
    assert pulling.plan.tag == "N01"
    assert (pulling.step, pulling.step_lasts_s) == ("pull", None)
    assert pulling.step_elapsed_s == pytest.approx(1.0, abs=1e-6)
    assert pulling.target_pa == AMBIENT_PA - DEEP_PA
    assert pulling.prompt == PULL.prompt
    assert not pulling.needs_acknowledgement
    bench.tick(DEEP_PA)
    holding = bench.engine.status
    assert (holding.step, holding.step_lasts_s, holding.prompt) == ("hold", 1.0, None)
    assert holding.pressure_pa == DEEP_PA
    bench.wait(1.1)
    assert (bench.engine.status.test, bench.engine.status.step) == (None, None)
    assert bench.engine.status.run == RUN
    bench.guard.trip(finding("stop_pressed"))
    tripped = bench.engine.status
    assert (tripped.state, tripped.tripped) == (State.TRIPPED, finding("stop_pressed"))


def test_a_trip_shows_before_the_next_tick_ends_the_run_by_it() -> None:
    """Whoever looks in between sees a rig that has tripped."""
    bench = Bench()
    bench.start(script(held(9.0)))
    bench.guard.trip(finding("stop_pressed"))
    assert bench.engine.status.state is State.TRIPPED


def test_what_happens_is_recorded_as_events_in_its_order() -> None:
    """Prompts, marks, flags of channels and notes, each with the time of its tick."""
    bench = Bench()
    bench.start(script(PULL, RESEAT))
    bench.engine.note("setup", finding("no_self_test"))
    flag = finding("sensor_open", channel="t_gas", reading=3.3)
    bench.tick(90_000.0, flags=(flag,))
    bench.tick(DEEP_PA)
    bench.engine.mark()
    bench.tick()
    assert bench.recorder.events == [
        ("prompt", str(Prompt.PUMP)),
        ("setup", "no_self_test"),
        ("reading", "sensor_open"),
        ("prompt", str(Prompt.RESEAT)),
        ("mark", "marked"),
    ]
    times = [each.mono_s for _, _, each in bench.recorder.kept if isinstance(each, EventRecord)]
    assert times == sorted(times)


def test_every_frame_of_a_run_is_kept_once_and_none_of_before_or_after() -> None:
    """In their order, those of computations and between steps as well."""
    bench = Bench()
    bench.tick(count=10)
    first = bench.sequence
    bench.start(script(held(0.5, "a"), held(0.5, "b")))
    bench.wait(1.5)
    frames = bench.recorder.frames
    assert frames == list(range(first, frames[-1] + 1))
    assert bench.sequence - frames[-1] > 50
    assert all(run == RUN for _, run, _ in bench.recorder.kept)


# what may be started


def _running(bench: Bench) -> None:
    bench.start(script(held(9.0)))


def _venting(bench: Bench) -> None:
    bench.start(script(held(0.01)))
    bench.wait(0.5)
    assert bench.recorder.results


def _tripped(bench: Bench) -> None:
    bench.guard.trip(finding("stop_pressed"))


@pytest.mark.parametrize(
    ("busy", "why"), [(_running, "a run is on"), (_venting, "a run is on"), (_tripped, "tripped")]
)
def test_no_run_starts_beside_another_or_after_a_trip(
    busy: Callable[[Bench], None], why: str
) -> None:
    """Refused with what to do; what is on goes on."""
    bench = Bench()
    busy(bench)
    asked = list(bench.guard.asked)
    with pytest.raises(BenchError, match=why):
        bench.start(script(held(1.0)))
    assert bench.guard.asked == asked


def test_the_next_run_starts_afresh() -> None:
    """Neither result nor stop of the one before is left."""
    bench = Bench()
    bench.start(script(held(0.5)))
    bench.engine.stop_after_step()
    bench.wait(4.0)
    assert bench.engine.status.result is not None
    bench.start(script(held(0.05)))
    assert bench.engine.status.result is None
    assert not bench.engine.status.stopping
    bench.wait(4.0)
    assert bench.recorder.results[1].ending is Ending.FINISHED


# the ambient


def test_the_ambient_is_read_while_the_rig_stands_vented() -> None:
    """After about three seconds of standing still; it follows the weather."""
    bench = Bench()
    bench.wait(2.0)
    assert bench.engine.status.ambient_pa is None
    bench.wait(1.5)
    assert bench.engine.status.ambient_pa == pytest.approx(AMBIENT_PA)
    bench.tick(AMBIENT_PA - 30.0, count=400)
    assert bench.engine.status.ambient_pa == pytest.approx(AMBIENT_PA - 30.0)


def test_the_ambient_of_before_a_run_stands_until_the_rig_has_vented() -> None:
    """Neither vacuum held, nor a vent that is still going on, is the room's air.

    A big part rises for a minute after its run: readings that rise are no ambient.
    """
    bench = Bench()
    bench.wait(4.0)
    bench.start(script(held(5.0)))
    bench.tick(DEEP_PA, count=550)
    assert bench.engine.status.ambient_pa == pytest.approx(AMBIENT_PA)
    vented_pa = AMBIENT_PA + 200.0
    lowest_told = []
    for turn in range(6000):
        bench.tick(vented_pa - (vented_pa - DEEP_PA) * float(np.exp(-turn / 800.0)))
        lowest_told.append(bench.engine.status.ambient_pa or 0.0)
    assert min(lowest_told) > AMBIENT_PA - 150.0
    assert bench.engine.status.ambient_pa == pytest.approx(vented_pa, abs=40.0)


# readings that do not come, or cannot be used


def test_readings_that_cannot_be_used_reach_nothing_and_are_kept() -> None:
    """Not-a-number ends no pull, shows no pressure, and times out like standing still."""
    bench = Bench()
    made: list[StepResult] = []
    bench.start(script(PULL, SHUT, made=made))
    bench.tick(float("nan"), float("nan"), count=1990)
    assert made == []
    assert bench.engine.status.pressure_pa is None
    bench.tick(float("nan"), count=20)
    assert made[0].record.ended_by == "timeout"
    assert made[0].recording.channel("p_a")[1].size == 0
    assert made[0].recording.sequence.size > 1990


def test_one_usable_reading_among_others_counts() -> None:
    """The newest that is usable is what was read."""
    bench = Bench()
    made: list[StepResult] = []
    bench.start(script(PULL, SHUT, made=made))
    bench.tick(DEEP_PA, float("nan"))
    assert bench.guard.asked[-1] == {"pump": "shut"}
    assert bench.engine.status.pressure_pa == DEEP_PA


def test_no_readings_for_a_while_stop_no_clock() -> None:
    """A step of a time ends by its time and hands back nothing; the lease is looked after."""
    bench = Bench()
    made: list[StepResult] = []
    bench.start(script(held(2.0), made=made))
    fed = bench.guard.ticks
    bench.deaf(2.1)
    assert made[0].record.ended_by == "done"
    assert made[0].recording.sequence.size == 0
    assert made[0].recording.channel("p_a")[1].size == 0
    assert "clock_offset_s" not in made[0].record.figures
    assert bench.guard.ticks == fed + 210


def test_an_empty_batch_is_nothing() -> None:
    """It has no time, no pressure, and no number."""
    bench = Bench()
    bench.start(script(held(1.0)))
    kept = len(bench.recorder.kept)
    empty = Readings(
        Samples(
            np.empty(0, dtype=np.int64),
            np.empty(0, dtype=np.int64),
            np.empty((0, 1), dtype=np.int64),
            0.0,
        ),
        np.empty(0),
        {"p_a": np.empty(0)},
    )
    bench.engine.tick(bench.now_s + TICK_S, [empty])
    assert len(bench.recorder.kept) == kept
    assert bench.engine.status.pressure_pa == AMBIENT_PA
