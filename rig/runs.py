"""Own the records of a run as it is planned, made and kept; never judge, time or store one."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType

from rig.readings import ChannelSpec, Samples
from rig.records import Estimate, Finding, Outcome, Purpose
from rig.units import Kind


class Ending(StrEnum):
    """How a run came to its end; only a finished one may hold a verdict."""

    FINISHED = "finished"
    STOPPED = "stopped"  # by the operator, after a step
    ABORTED = "aborted"  # by the operator, at once
    TRIPPED = "tripped"  # by a fault
    INTERRUPTED = "interrupted"  # the program ended in mid-run


@dataclass(frozen=True)
class TestPlan:
    """One test of a run: which procedure, and the limit it is held to.

    `limit` is the table of texts that `rig.parts.limit_text` reads, empty where nothing is judged.
    `settings` are figures of the family that the procedure needs, in SI, named with their units.
    """

    __test__ = False

    name: str
    procedure: str
    limit: Mapping[str, str | tuple[str, ...]] = field(default_factory=lambda: MappingProxyType({}))
    settings: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True)
class RunPlan:
    """What is to be done to which part, and what the operator confirmed before.

    `confirmed` holds codes such as "nipple_clear", "drained", "flushed".
    """

    tag: str
    family: str
    variant: str
    purpose: Purpose
    tests: tuple[TestPlan, ...]
    confirmed: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class KnownVolume:
    """A volume [m3] that was measured before, with the wall time and where it came from."""

    volume_m3: Estimate
    measured_utc: datetime | None
    source: str


@dataclass(frozen=True)
class KnownOwnLeak:
    """The rig's own leak [standard m3/s] of the last self-test, with the run that holds its curve.

    `volume_m3` is the volume that the curve was recorded in.
    """

    flow_m3_s: Estimate
    measured_utc: datetime
    run: int


@dataclass(frozen=True)
class RunSetup:
    """What was known of rig and place when a run began; kept so that it can be judged again."""

    bench_text: str
    channels: tuple[ChannelSpec, ...]
    board: str
    firmware: str
    program: str
    boot_id: str
    began_mono_s: float
    began_utc: datetime
    clock_was_set: bool
    rig_volume: KnownVolume | None = None
    own_leak: KnownOwnLeak | None = None
    last_ambient_pa: float | None = None


@dataclass(frozen=True)
class StepRecord:
    """One step of a run as it was made.

    `name` is unique within the run. Its frames are those from `first_sequence` up to, not
    including, `stop_sequence`. `ended_by` is done, reached, timeout, asked, stopped or fault.
    """

    name: str
    state: str
    began_mono_s: float
    ended_mono_s: float
    first_sequence: int
    stop_sequence: int
    ended_by: str
    figures: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True)
class EventRecord:
    """Something that happened during a run: a prompt, a mark, a flag of a channel, a trip."""

    mono_s: float
    kind: str
    finding: Finding


@dataclass(frozen=True)
class Measured:
    """A quantity that a test measured; its estimate is in the SI unit of `kind`."""

    name: str
    kind: Kind
    estimate: Estimate


@dataclass(frozen=True)
class Judged:
    """What one limit says of a test: the limit as printed, the verdict and what it rests on."""

    limit: Mapping[str, str | tuple[str, ...]]
    outcome: Outcome
    probability_of_conformity: float | None
    confidence: float | None


@dataclass(frozen=True)
class TestResult:
    """What came of one test of a run."""

    __test__ = False

    name: str
    outcome: Outcome
    measured: tuple[Measured, ...] = ()
    judged: tuple[Judged, ...] = ()
    reasons: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class RunResult:
    """What came of a run: the worst of its tests, and what was not tested."""

    ending: Ending
    outcome: Outcome
    tests: tuple[TestResult, ...] = ()
    reasons: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class KeptRun:
    """A run with everything that was kept of it. `result` is None while it is being made."""

    run: int
    plan: RunPlan
    setup: RunSetup
    steps: tuple[StepRecord, ...]
    events: tuple[EventRecord, ...]
    samples: Samples
    result: RunResult | None
    voided: str | None = None


@dataclass(frozen=True)
class RunHeader:
    """A run as a list shows it.

    `tag` is the one that its part has now. `ending`, `outcome` and `tests` (what came of each, by
    name) are None and empty while it is being made. `before_rebuild`: the part was rebuilt since.
    """

    run: int
    tag: str
    family: str
    variant: str
    purpose: Purpose
    began_utc: datetime
    clock_was_set: bool
    ending: Ending | None
    outcome: Outcome | None
    tests: Mapping[str, Outcome] = field(default_factory=lambda: MappingProxyType({}))
    voided: str | None = None
    before_rebuild: bool = False
