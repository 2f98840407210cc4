"""Own one step while it is made: what it recorded and when it ends; never move a valve."""

from collections.abc import Callable
from concurrent.futures import Future

from rig.arrays import FloatArray
from rig.errors import BenchError
from rig.procedure.replay import DECIDED_BY, name_in_run, recording_of
from rig.procedure.steps import (
    Acknowledged,
    Elapsed,
    Pulled,
    Recording,
    Released,
    State,
    Step,
    StepResult,
)
from rig.readings import Readings
from rig.runs import StepRecord

Submit = Callable[[Callable[[], object]], "Future[object]"]
"""Makes a computation elsewhere, or on the spot where time is simulated."""


class Making:
    """A step of a test from its begin on, with the frames that came since."""

    def __init__(
        self, step: Step, test: str, began_s: float, first_sequence: int, submit: Submit
    ) -> None:
        self.step = step
        self.began_s = began_s
        self.state: State = step.state
        self.acknowledged = False
        self._test = test
        self._first_sequence = first_sequence
        self._submit = submit
        self._readings: list[Readings] = []
        self._pressure_pa: float | None = None
        self._lowest_pa = self._progress_pa = float("inf")
        self._progress_s = began_s
        self._looks_left = () if step.watch is None else step.watch.times_s
        self._look: Future[object] | None = None
        self._seen_sequence = 0
        self._decided_sequence: int | None = None
        self._offset_s: float | None = None

    def take(self, readings: Readings, usable_pa: FloatArray) -> None:
        """Take what was read, with the usable readings of the manifold's pressure."""
        self._readings.append(readings)
        if usable_pa.size:
            self._pressure_pa = float(usable_pa[-1])
            self._lowest_pa = min(self._lowest_pa, float(usable_pa.min()))

    def ended_by(self, now_s: float, next_sequence: int) -> str | None:
        """Tell how the step has ended, None while it goes on.

        `next_sequence` is the number of the first frame that has not come yet. Only what was read
        since the step began counts. Raises BenchError where a look could not be computed.
        """
        step, elapsed_s = self.step, now_s - self.began_s
        if step.changes_to is not None and elapsed_s >= step.changes_to[0]:
            self.state = step.changes_to[1]
        if self._look_decides(now_s, next_sequence):
            return "decided"
        match step.until:
            case Elapsed(duration_s):
                return "done" if elapsed_s >= duration_s else None
            case Acknowledged():
                return "acknowledged" if self.acknowledged else None
            case Released(pressure_pa, timeout_s):
                if self._pressure_pa is not None and self._pressure_pa >= pressure_pa:
                    return "reached"
                return "timeout" if elapsed_s >= timeout_s else None
            case Pulled() as pulled:
                return self._pull_ended(pulled, now_s)

    def close(self, now_s: float, next_sequence: int, ended_by: str) -> StepResult:
        """End the step: what it recorded, and the record of it that is kept."""
        if self._look is not None:
            self._look.cancel()
        # What was recorded tells the clock, which belongs to the record.
        recording = self._recording(now_s, next_sequence)
        return StepResult(self._record(now_s, next_sequence, ended_by), recording)

    def _pull_ended(self, pulled: Pulled, now_s: float) -> str | None:
        if self._pressure_pa is not None and self._pressure_pa <= pulled.pressure_pa:
            return "reached"
        if self._lowest_pa < self._progress_pa - pulled.progress_pa:
            self._progress_pa, self._progress_s = self._lowest_pa, now_s
        return "timeout" if now_s - self._progress_s >= pulled.stall_s else None

    def _look_decides(self, now_s: float, next_sequence: int) -> bool:
        """Look where it is time to, and tell whether a look has decided; never wait for one."""
        watch = self.step.watch
        if watch is None:
            return False
        if self._look_has_decided():
            return True
        due = [each for each in self._looks_left if now_s - self.began_s >= each]
        if self._look is not None or not due:
            return False
        self._looks_left = self._looks_left[len(due) :]
        seen = self._recording(now_s, next_sequence)
        self._seen_sequence = next_sequence
        self._look = self._submit(lambda: watch.decided(seen))
        return self._look_has_decided()

    def _look_has_decided(self) -> bool:
        """Take the answer of a look if there is one, and tell whether it decided."""
        if self._look is None or not self._look.done():
            return False
        looked, self._look = self._look, None
        if not answer_of(looked):
            return False
        self._decided_sequence = self._seen_sequence
        return True

    def _recording(self, now_s: float, next_sequence: int) -> Recording:
        if self._offset_s is None and self._readings:
            first = self._readings[0]
            self._offset_s = float(first.time_mono_s[0]) - float(first.samples.mcu_us[0]) * 1e-6
        return recording_of(self._readings, self._record(now_s, next_sequence, "asked"))

    def _record(self, now_s: float, next_sequence: int, ended_by: str) -> StepRecord:
        figures = {} if self._offset_s is None else {"clock_offset_s": self._offset_s}
        if self._decided_sequence is not None:
            figures[DECIDED_BY] = float(self._decided_sequence)
        return StepRecord(
            name_in_run(self._test, self.step.name),
            self.step.state,
            self.began_s,
            now_s,
            self._first_sequence,
            next_sequence,
            ended_by,
            figures,
        )


def answer_of(computed: "Future[object]") -> object:
    """Get what was computed.

    Raises BenchError where it failed: the run cannot go on, but the program can.
    """
    error = computed.exception()
    if error is not None:
        raise BenchError(f"a computation failed: {error!r}") from error
    return computed.result()
