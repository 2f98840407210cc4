"""Own what the web may ask of the rig: the seam to the daemon; never do any of it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from rig.engine import Status
from rig.records import Finding
from rig.runs import KeptRun


@dataclass(frozen=True)
class Health:
    """How the rig itself is: the link, the age of its data, the record, a trip.

    `troubles` are what keeps it from testing; none means that it is well.
    """

    link: str
    data_age_s: float | None
    running: bool
    clock_set: bool
    troubles: tuple[Finding, ...]


@dataclass(frozen=True)
class TestRequest:
    """A test as somebody asks for it: texts as typed, None where the family's own holds.

    `limits` are tables of texts by the name of a test.
    """

    __test__ = False

    tag: str
    purpose: str | None = None
    tests: tuple[str, ...] = ()
    limits: Mapping[str, Mapping[str, str]] | None = None
    confirmed: tuple[str, ...] = ()
    note: str = ""


class SimulatedBench(Protocol):
    """The doors of a simulated bench."""

    def do(self, what: str, figures: Mapping[str, float | str]) -> None:
        """Do something to it; raises InputError for what cannot be done."""
        ...


class Desk(Protocol):
    """What a person can ask of a rig, from any thread."""

    def status(self) -> Status:
        """Get what the engine is doing."""
        ...

    def health(self) -> Health:
        """Get how the rig itself is."""
        ...

    def kept(self, run: int) -> KeptRun:
        """Get a run from the record; raises StoreError where there is none."""
        ...

    def start_test(self, asked: TestRequest) -> int:
        """Begin a test of a part; raises RigError with the reason where it cannot be."""
        ...

    def start_self_test(self) -> int:
        """Begin the self-test of the rig."""
        ...

    def start_rig_volume(self) -> int:
        """Begin measuring the rig's own volume with a syringe."""
        ...

    def mark(self) -> None:
        """Press the mark button."""
        ...

    def stop_after_step(self) -> None:
        """End the run after the step being made."""
        ...

    def abort(self) -> None:
        """End the run at once."""
        ...

    def reset(self) -> None:
        """End a trip; raises RigError while a cause is still there."""
        ...
