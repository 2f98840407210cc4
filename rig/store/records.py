"""Own the records of parts that the store gives out; never fetch one."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from rig.parts.intake import Intake


@dataclass(frozen=True)
class Stamp:
    """When something was done: the wall clock's label, and what it can be corrected from."""

    utc: datetime
    clock_was_set: bool
    boot_id: str
    mono_s: float


class Change(StrEnum):
    """What was changed in the record after it was made; nothing is ever deleted."""

    TAKEN_IN = "taken_in"
    RENAMED = "renamed"
    RETIRED = "retired"
    REBUILT = "rebuilt"
    MOVED = "moved"  # a run, to another part
    VOIDED = "voided"  # a run
    CLOCK_CORRECTED = "clock_corrected"  # the label of a run


@dataclass(frozen=True)
class ChangeRecord:
    """One change. `before` and `after` are tags or labels of time, empty where there are none."""

    change: Change
    run: int | None
    before: str
    after: str
    reason: str
    stamp: Stamp


@dataclass(frozen=True)
class PartRecord:
    """A part. `intake` is None where it was tested before anybody took it in.

    `tag` is the one it has now, the intake's the one it came in with. `retired` is the reason.
    """

    tag: str
    intake: Intake | None
    retired: str | None = None
