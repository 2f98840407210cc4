"""Own the steps that a procedure yields and what it gets back; never make one happen.

A procedure is a generator. It yields steps and computations and is sent what came of each; it
returns the result of its test. Whoever drives it may be the engine, a dry run or a replay of what
was kept: the procedure cannot tell.
"""

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Literal, TypeVar, cast

import numpy as np

from rig.arrays import FloatArray, IntArray
from rig.records import Finding
from rig.runs import StepRecord, TestResult

Position = Literal["open", "shut"]
T = TypeVar("T")


class State(StrEnum):
    """What the engine is doing, as it is stored; the words for a person live in `rig.words`."""

    READY = "ready"
    ZEROING = "zeroing"
    PULLING = "pulling"
    SETTLING = "settling"
    HOLDING = "holding"
    VENTING = "venting"
    FINISHED = "finished"
    STOPPED = "stopped"
    TRIPPED = "tripped"


class Prompt(StrEnum):
    """What the operator is asked to do while a step lasts; a code of `rig.words`."""

    WAIT = "prompt_wait"
    PUMP = "prompt_pump"
    PUMP_GENTLY = "prompt_pump_gently"
    RESEAT = "prompt_reseat"
    FINGERS_CLEAR = "prompt_fingers_clear"
    CAP_HOSE = "prompt_cap_hose"
    STROKES_AGAINST_SHUT = "prompt_strokes_against_shut"
    SYRINGE_IN = "prompt_syringe_in"
    SYRINGE = "prompt_syringe"


@dataclass(frozen=True)
class Recording:
    """What was recorded of a step: (n,) times on the host's monotonic clock, values by channel.

    Values are in SI, NaN where a reading was unusable; `missing` frames never arrived.
    """

    time_mono_s: FloatArray
    sequence: IntArray
    values: Mapping[str, FloatArray]
    missing: int = 0

    def channel(self, name: str) -> tuple[FloatArray, FloatArray]:
        """Get times and values of the usable readings of a channel, both empty if it has none."""
        values = self.values.get(name)
        if values is None:
            return np.empty(0), np.empty(0)
        usable = np.isfinite(values)
        return self.time_mono_s[usable], values[usable]

    @property
    def duration_s(self) -> float:
        """Get the time from the first frame to the last."""
        return float(np.ptp(self.time_mono_s)) if self.time_mono_s.size else 0.0


@dataclass(frozen=True)
class Elapsed:
    """A step ends after a time."""

    duration_s: float


@dataclass(frozen=True)
class Pulled:
    """A step ends as soon as the manifold's absolute pressure is at or below a level.

    It ends by `timeout` when the pressure has not fallen by `progress_pa` for `stall_s`.
    """

    pressure_pa: float
    stall_s: float = 20.0
    progress_pa: float = 500.0


@dataclass(frozen=True)
class Released:
    """A step ends once the manifold's absolute pressure is at or above a level, or times out."""

    pressure_pa: float
    timeout_s: float


@dataclass(frozen=True)
class Acknowledged:
    """A step ends when the operator says that it is done."""


Until = Elapsed | Pulled | Released | Acknowledged


@dataclass(frozen=True)
class Watch:
    """Times into a step at which what was recorded so far is looked at; True ends the step."""

    times_s: tuple[float, ...]
    decided: Callable[[Recording], bool]


@dataclass(frozen=True)
class Step:
    """One step: positions of valves to take up at its start, and what ends it.

    Valves that are not named stay as they are. `name` is unique in its run. `changes_to` moves the
    engine's state on, so many seconds into the step, where one step looks like two to a person.
    """

    name: str
    state: State
    until: Until
    valves: Mapping[str, Position] = field(default_factory=lambda: MappingProxyType({}))
    prompt: Finding | None = None
    watch: Watch | None = None
    changes_to: tuple[float, State] | None = None
    target_pa: float | None = None
    withhold_lease: bool = False


@dataclass(frozen=True)
class Compute:
    """A computation too long for the engine's tick; it is made elsewhere and its result sent."""

    call: Callable[[], object]


@dataclass(frozen=True)
class StepResult:
    """What came of a step: its record (`ended_by` says how it ended) and what was recorded."""

    record: StepRecord
    recording: Recording

    @property
    def reached(self) -> bool:
        """Whether what the step waited for came about."""
        return self.record.ended_by in ("reached", "acknowledged", "decided", "done")


class StepNotMade(Exception):  # noqa: N818 - a step that a replay does not have is no fault
    """The run that is replayed ended before this step, or went another way."""


Steps = Generator[Step | Compute, object, T]
"""A part of a procedure: yields steps, is sent results, returns a T."""
Procedure = Steps[TestResult]


def make(step: Step) -> Steps[StepResult]:
    """Have a step made and get what came of it."""
    return cast("StepResult", (yield step))


def compute(call: Callable[[], T]) -> Steps[T]:
    """Have something computed and get its result."""
    return cast("T", (yield Compute(call)))
