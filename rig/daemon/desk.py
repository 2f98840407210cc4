"""Own what a person can ask of the rig, from any thread; never turn the loop."""

import logging
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace

import rig
from rig import words
from rig.analysis.hold import finding
from rig.clock import is_set
from rig.daemon.loop import Board, Loop
from rig.engine import Status
from rig.errors import BenchError, InputError, LinkError, RigError
from rig.outputs.interlocks import RunLimits
from rig.parts import families, planning
from rig.parts.family import Family
from rig.parts.family_file import read_family
from rig.parts.intake import refusal
from rig.procedure.again import own_leak_of
from rig.procedure.dry_run import dry_run
from rig.procedure.planned import RIG_VOLUME, SELF_TEST, context_of, notes_on_setup, procedure_of
from rig.procedure.steps import Procedure, Step
from rig.readings import Readings
from rig.records import Estimate, Finding, Outcome, Purpose
from rig.runs import (
    Ending,
    KeptRun,
    KnownOwnLeak,
    KnownVolume,
    Measured,
    RunPlan,
    RunResult,
    RunSetup,
    TestPlan,
)
from rig.store.settings import KnownAmbient, MeasuredOwnLeak
from rig.store.stamps import boot_id
from rig.toml_text import nearest
from rig.web.desk import Health, TestRequest

FLUSHED = "flushed"
"""What the operator confirms of a part that may hold fuel."""
RIG_TAG = "rig"
"""The tag under which the rig's own runs are kept."""
_log = logging.getLogger("rig")


class Desk:
    """What can be asked of the bench that a loop turns."""

    def __init__(self, loop: Loop) -> None:
        self._loop = loop
        self._kept_result: int | None = None
        self._starting = threading.Lock()
        loop.listen(self._after_turn)

    # to look at

    def status(self) -> Status:
        """Get what the engine is doing."""
        with self._loop.lock:
            return self._loop.engine.status

    def health(self) -> Health:
        """Get how the rig itself is."""
        loop = self._loop
        with loop.lock:
            troubles = [loop.safety.tripped, loop.store.trouble]
            if loop.link_trouble is not None:
                troubles.append(loop.link_trouble)
            elif loop.is_stale:
                troubles.append(finding("data_stale", age_s=loop.data_age_s or 0.0))
            return Health(
                link=loop.link_state,
                data_age_s=loop.data_age_s,
                running=loop.engine.is_running,
                clock_set=is_set(loop.clock.utc()),
                troubles=tuple(each for each in troubles if each is not None),
            )

    def kept(self, run: int) -> KeptRun:
        """Get a run from the record."""
        return self._loop.store.load(run)

    # to do

    def start_test(self, asked: TestRequest) -> int:
        """Begin a test of a part that was taken in.

        Raises InputError where it cannot be made so, BenchError or LinkError where not now.
        """
        plan, family = self._plan(asked)
        return self._start(plan, _limits_of(family, plan.tests))

    def dry_run(self, asked: TestRequest) -> Iterator[Step]:
        """List the steps that a test would make, on a part that just holds.

        Raises InputError where it cannot be made so.
        """
        plan, _ = self._plan(asked)
        setup = self._setup(None, None)
        for test in plan.tests:
            context = context_of(test, plan, setup, self._loop.bench, None)
            yield from dry_run(procedure_of(test, plan, setup, self._loop.bench, None), context)

    def _plan(self, asked: TestRequest) -> tuple[RunPlan, Family]:
        intake = self._loop.store.part(asked.tag).intake
        if intake is None:
            raise InputError(f"{asked.tag} was never taken in: `rig parts add` does it")
        forbidden = refusal(intake, asked.confirmed)
        if forbidden is not None:
            raise InputError(words.sentence(forbidden))
        family = family_of(intake.family)
        purpose = purpose_of(asked.purpose)
        tests = planning.plan(
            family,
            intake.variant,
            purpose,
            planning.bench_means(self._bench_names()),
            chosen_tests=asked.tests or None,
            own_limits=asked.limits,
            confirmed=asked.confirmed,
        )
        plan = RunPlan(
            intake.tag, family.name, intake.variant, purpose, tests, asked.confirmed, asked.note
        )
        return plan, family

    def start_self_test(self) -> int:
        """Begin the self-test of the rig."""
        return self._start(_own_plan(SELF_TEST), RunLimits())

    def start_rig_volume(self) -> int:
        """Begin measuring the rig's own volume."""
        return self._start(_own_plan(RIG_VOLUME), RunLimits())

    def mark(self) -> None:
        """Press the mark button."""
        with self._loop.lock:
            self._loop.engine.mark()

    def stop_after_step(self) -> None:
        """End the run after the step being made."""
        with self._loop.lock:
            self._loop.engine.stop_after_step()

    def abort(self) -> None:
        """End the run at once."""
        with self._loop.lock:
            self._loop.engine.abort()

    def reset(self) -> None:
        """End a trip."""
        with self._loop.lock:
            self._loop.safety.reset()

    # inside

    def _bench_names(self) -> set[str]:
        bench = self._loop.bench
        return {*bench.valves, *bench.channels, *bench.inputs, *bench.outputs}

    def _start(self, plan: RunPlan, limits: RunLimits) -> int:
        """Begin a run: nothing that waits for a disk is done while the loop is held up."""
        loop = self._loop
        with self._starting:
            own = loop.store.settings.own_leak()
            with loop.lock:
                board = self._refuse_if_busy()
                setup = self._setup(board, own)
                curve = None if own is None else own.curve
                procedures = [
                    (test, procedure_of(test, plan, setup, loop.bench, curve))
                    for test in plan.tests
                ]
            run = loop.store.begin(plan, setup)
            try:
                with loop.lock:
                    self._refuse_if_busy()
                    self._begin(run, plan, limits, procedures)
                    notes = () if plan.tag == RIG_TAG else notes_on_setup(setup)
                    for note in (*notes, *_standing_faults(board)):
                        loop.engine.note("setup", note)
            except RigError as error:
                why = finding("not_begun", what=str(error))
                loop.store.finish(run, RunResult(Ending.ABORTED, Outcome.INVALID, (), (why,)))
                raise
            return run

    def _refuse_if_busy(self) -> Board:
        if self._loop.engine.is_running:
            raise BenchError("a run is on: wait for its end, or abort it")
        if self._loop.board is None:
            raise LinkError("the board is not there: see to the link first")
        return self._loop.board

    def _begin(
        self,
        run: int,
        plan: RunPlan,
        limits: RunLimits,
        procedures: Sequence[tuple[TestPlan, Procedure]],
    ) -> None:
        loop = self._loop
        loop.safety.arm(replace(limits, ambient_pa=loop.engine.status.ambient_pa))
        try:
            if FLUSHED in plan.confirmed:
                loop.safety.acknowledge_flushed()
            loop.engine.start(run, plan, procedures)
        except RigError:
            loop.safety.rest()
            raise

    def _setup(self, board: Board | None, own: MeasuredOwnLeak | None) -> RunSetup:
        loop = self._loop
        utc = loop.clock.utc()
        ambient = loop.store.settings.ambient()
        return RunSetup(
            bench_text=loop.bench.text,
            channels=() if board is None else board.hello.channels,
            board="" if board is None else board.hello.board,
            firmware="" if board is None else board.hello.firmware,
            program=rig.__version__,
            boot_id=boot_id(),
            began_mono_s=loop.clock.mono_s(),
            began_utc=utc,
            clock_was_set=is_set(utc),
            rig_volume=loop.store.settings.rig_volume(),
            own_leak=None if own is None else own.known,
            last_ambient_pa=None if ambient is None else ambient.pressure_pa,
        )

    def _after_turn(self, status: Status, batches: list[Readings]) -> None:
        """Keep what a run that ended has told of the rig."""
        del batches
        if status.result is None or status.run is None or status.run == self._kept_result:
            return
        self._kept_result = status.run
        if status.result.ending is not Ending.FINISHED:
            return
        for test in status.result.tests:
            for each in test.measured:
                self._keep(status, each)
        self._loop.submit(self._loop.store.backup_if_due)

    def _keep(self, status: Status, measured: Measured) -> None:
        store, utc = self._loop.store, self._loop.clock.utc()
        label = utc if is_set(utc) else None
        if measured.name == "ambient":
            store.keep_ambient(KnownAmbient(measured.estimate.value, label))
        elif measured.name == "rig_volume":
            store.keep_rig_volume(KnownVolume(measured.estimate, label, f"run {status.run}"))
        elif measured.name == "own_leak" and status.run is not None:
            run = status.run
            self._loop.submit(lambda: self._keep_own_leak(run))

    def _keep_own_leak(self, run: int) -> None:
        store = self._loop.store
        store.flush()
        kept = store.load(run)
        found = own_leak_of(kept)
        if isinstance(found, Finding):
            _log.error("%s", words.sentence(found))
            return
        flow = Estimate(found.flow_m3_s, found.u_m3_s)
        known = KnownOwnLeak(flow, kept.setup.began_utc, run)
        store.keep_own_leak(MeasuredOwnLeak(known, found))
        store.flush()


def _standing_faults(board: Board) -> list[Finding]:
    """List channels that were at fault before the run: their onset was told before it."""
    return [
        finding("channel_at_fault", channel=channel)
        for channel, codes in board.reader.faults.items()
        if codes
    ]


def family_of(name: str) -> Family:
    """Get a family that comes with the program.

    Raises InputError where there is none of this name.
    """
    texts = families.shipped_families()
    if name not in texts:
        raise InputError(f"there is no family '{name}'. {nearest(name, texts)}")
    return read_family(texts[name], f"{name}.toml")


def purpose_of(text: str | None) -> Purpose:
    """Read a purpose; without one a part is tested before fitting.

    Raises InputError where there is none of this name.
    """
    if text is None:
        return Purpose.BEFORE_FITTING
    try:
        return Purpose(text)
    except ValueError as error:
        raise InputError(f"there is no purpose '{text}'. {nearest(text, list(Purpose))}") from error


def _own_plan(test: TestPlan) -> RunPlan:
    return RunPlan(RIG_TAG, RIG_TAG, "", Purpose.JUST_MEASURE, (test,))


def _limits_of(family: Family, tests: Sequence[TestPlan]) -> RunLimits:
    """Get what the part may bear: the hosed port stands at the manifold's pressure."""
    vacuums = [test.settings["port_max_vacuum_pa"] for test in tests]
    pressures = [test.settings["port_max_pressure_pa"] for test in tests]
    return RunLimits({"p_a": min(vacuums)}, {"p_a": min(pressures)}, family.fuel_vapour)
