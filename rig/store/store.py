"""Own the record of parts and runs as the rest of the program sees it; never decide what to keep.

Recording (`add_...`, `finish`, `keep_...`) queues and returns at once, whatever the disk does.
Everything else that writes waits for the disk. Reading shows what is on the disk: what was queued
in the last half second may be missing, unless `flush` was called.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from sqlite3 import Connection
from typing import TypeVar

from rig.clock import Clock, is_set
from rig.errors import InputError
from rig.parts.intake import Intake
from rig.readings import Samples
from rig.records import Finding
from rig.runs import (
    EventRecord,
    KeptRun,
    KnownVolume,
    RunHeader,
    RunPlan,
    RunResult,
    RunSetup,
    StepRecord,
)
from rig.store import amendments, parts, run_headers, run_reading, run_writing, stamps
from rig.store.backup import backup, backup_is_due
from rig.store.database import NAME, reading
from rig.store.lock import making_runs
from rig.store.opening import open_database
from rig.store.records import ChangeRecord, PartRecord, Stamp
from rig.store.settings import KnownAmbient, MeasuredOwnLeak, Settings
from rig.store.writer import Writer

T = TypeVar("T")


@dataclass
class _Open:
    """A run that is being made: its channels, and frames missing since the last samples kept."""

    channels: int
    missing: int = 0


class Store:
    """The record in one folder. Any thread may call; one at a time records a run."""

    def __init__(self, folder: Path, clock: Clock, boot: str, writer: Writer) -> None:
        self._folder = folder
        self._clock = clock
        self._boot = boot
        self._writer = writer
        self._lock = making_runs(folder)
        self._open: dict[int, _Open] = {}
        self.settings = Settings(folder)

    @classmethod
    def open(
        cls, folder: Path, clock: Clock, *, threaded: bool = True, boot_id: str | None = None
    ) -> "Store":
        """Open the record of a folder, and begin one where there never was one.

        `threaded=False` writes in the calling thread: for time that runs fast. `boot_id`
        names the boot where it is not this machine's.

        Raises StoreError when the database is damaged, lost or newer than this program, or the
        folder cannot be used.
        """
        boot = stamps.boot_id() if boot_id is None else boot_id
        connection = open_database(folder, clock)
        return cls(folder, clock, boot, Writer(connection, folder / NAME, clock, threaded=threaded))

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Write what is queued and close the database.

        Raises StoreError when the disk does not take it.
        """
        try:
            self._writer.close()
        finally:
            self._lock.drop()

    @property
    def trouble(self) -> Finding | None:
        """Get what keeps the record from the disk now, None while nothing does."""
        return self._writer.trouble

    def flush(self) -> None:
        """Wait until all that was recorded is on the disk.

        Raises StoreError when the disk does not take it; it stays queued then.
        """
        self._writer.do(lambda _: None)

    # a run, while it is made

    def begin(self, plan: RunPlan, setup: RunSetup) -> int:
        """Begin a run and return its number. It may wait for the disk: nothing runs yet.

        Raises StoreError when the disk fails or another program makes runs in this folder,
        InputError when the plan's tag cannot be one.
        """
        self._lock.take()

        def make(connection: Connection) -> int:
            part = parts.part_to_test(connection, plan.tag)
            run = run_writing.insert_run(connection, plan, setup, part)
            self.settings.keep_last_run(run)
            return run

        run = self._writer.do(make)
        self._open[run] = _Open(len(setup.channels))
        return run

    def add_samples(self, run: int, samples: Samples) -> None:
        """Record samples of a run that is being made.

        Where the queue is full they are dropped, and counted as missing in what follows.

        Raises ValueError when the run is not being made, or its setup has other channels.
        """
        being_made, frames = self._being_made(run), len(samples.sequence)
        if samples.counts.shape != (frames, being_made.channels):
            raise ValueError(
                f"{samples.counts.shape} counts of {frames} frames, {being_made.channels} channels"
            )
        whole = replace(samples, missing=samples.missing + being_made.missing)
        is_kept = frames > 0 and self._writer.put_samples(run, whole)
        being_made.missing = 0 if is_kept else whole.missing + frames

    def add_step(self, run: int, step: StepRecord) -> None:
        """Record a step that ended. Raises ValueError when the run is not being made."""
        self._being_made(run)
        self._writer.put(lambda connection: run_writing.insert_step(connection, run, step))

    def add_event(self, run: int, event: EventRecord) -> None:
        """Record what happened. Raises ValueError when the run is not being made."""
        self._being_made(run)
        self._writer.put(lambda connection: run_writing.insert_event(connection, run, event))

    def finish(self, run: int, result: RunResult) -> None:
        """Record what came of a run, and close it. Raises ValueError when it is not being made."""
        missing = self._being_made(run).missing
        del self._open[run]

        def close(connection: Connection) -> None:
            run_writing.add_missing(connection, run, missing)
            run_writing.close_run(connection, run, result)

        self._writer.put(close, is_urgent=True)

    def close_interrupted(self) -> list[int]:
        """Close each run whose program ended in its midst, and return their numbers.

        They become interrupted and invalid, with what was recorded kept. Call it at the start.

        Raises StoreError when the disk fails or another program makes runs in this folder.
        """
        self._lock.take()

        def close(connection: Connection) -> list[int]:
            left = run_writing.unfinished(connection, but=self._open)
            for run in left:
                run_writing.close_as_interrupted(connection, run)
            return left

        return self._writer.do(close)

    # what was measured of the rig: written in the queue's order, into files beside the database

    def keep_rig_volume(self, volume: KnownVolume) -> None:
        """Record the rig's volume."""
        self._writer.put(lambda _: self.settings.keep_rig_volume(volume))

    def keep_own_leak(self, measured: MeasuredOwnLeak) -> None:
        """Record the rig's own leak with its curve."""
        self._writer.put(lambda _: self.settings.keep_own_leak(measured))

    def keep_ambient(self, ambient: KnownAmbient) -> None:
        """Record the air of the room."""
        self._writer.put(lambda _: self.settings.keep_ambient(ambient))

    # reading

    def load(self, run: int) -> KeptRun:
        """Read a run with everything that was kept of it.

        Raises InputError when there is no such run, StoreError when it cannot be read.
        """
        return self._read(lambda connection: run_reading.kept_run(connection, run))

    def runs(self, limit: int) -> tuple[RunHeader, ...]:
        """Read the headers of the newest runs, newest first."""
        return self._read(lambda connection: run_headers.headers(connection, limit))

    def runs_of(self, tag: str) -> tuple[RunHeader, ...]:
        """Read the headers of all runs of the part that has or had a tag, newest first.

        Raises InputError when there is no such part.
        """
        return self._of_part(tag, run_headers.headers_of)

    def part(self, tag: str) -> PartRecord:
        """Read the part that has or had a tag. Raises InputError when there is none."""
        return self._of_part(tag, parts.part_record)

    def parts(self) -> tuple[PartRecord, ...]:
        """Read all parts, in the order of their tags."""
        return self._read(parts.part_records)

    def history(self, tag: str) -> tuple[ChangeRecord, ...]:
        """Read what was changed of a part and its runs, in the order it was done.

        Raises InputError when there is no such part.
        """
        return self._of_part(tag, parts.changes_of)

    # changes: each is on record with its moment, and nothing is ever deleted

    def add_part(self, intake: Intake) -> None:
        """Take a part in. Raises InputError when its tag was ever given to another."""
        self._writer.do(lambda connection: parts.take_in(connection, intake, self._now()))

    def rename(self, old: str, new: str, reason: str) -> None:
        """Give a part another tag; the old one still finds it.

        Raises InputError when there is no such part, or the new tag was ever another's.
        """
        _refuse_no_reason(reason)
        self._writer.do(lambda connection: parts.rename(connection, old, new, reason, self._now()))

    def retire(self, tag: str, reason: str) -> None:
        """Mark a part as no longer in use. Raises InputError when there is none, or it is."""
        _refuse_no_reason(reason)
        self._writer.do(lambda connection: parts.retire(connection, tag, reason, self._now()))

    def rebuilt(self, tag: str, note: str) -> None:
        """Note that a part was rebuilt: its runs up to now do not stand for it any more.

        Raises InputError when there is no such part.
        """
        _refuse_no_reason(note)
        self._writer.do(lambda connection: parts.rebuild(connection, tag, note, self._now()))

    def void(self, run: int, reason: str) -> None:
        """Mark a closed run as one that counts for nothing.

        Raises InputError when there is no such run, it is being made, or it is void already.
        """
        _refuse_no_reason(reason)
        self._writer.do(
            lambda connection: amendments.void_run(connection, run, reason, self._now())
        )

    def move(self, run: int, tag: str, reason: str) -> None:
        """Give a closed run to the part that was really tested.

        Raises InputError when there is no such run or part, or the run is being made.
        """
        _refuse_no_reason(reason)
        self._writer.do(
            lambda connection: amendments.move_run(connection, run, tag, reason, self._now())
        )

    def correct_clock(self, boot_id: str, mono_s: float, utc: datetime) -> list[int]:
        """Correct the labels of a boot in which the wall clock was not set from the start.

        `utc` is the true time at `mono_s` of that boot. Returns the runs whose label changed; such
        a run counts as one whose clock was set from then on.

        Raises InputError when `utc` itself is that of a clock which was not set.
        """
        if not is_set(utc):
            raise InputError(f"{utc} is no true time: set the clock first.")
        return self._writer.do(
            lambda connection: amendments.correct_clock(
                connection, boot_id, mono_s, utc, self._now()
            )
        )

    def backup_if_due(self) -> Path | None:
        """Back the database up where the last backup is a day old; it may take seconds.

        Raises StoreError when the copy cannot be written or is not whole.
        """
        if not backup_is_due(self._folder, self._clock):
            return None
        return backup(self._folder, self._clock)

    def _being_made(self, run: int) -> _Open:
        if run not in self._open:
            raise ValueError(f"run {run} is not being made")
        return self._open[run]

    def _read(self, read: Callable[[Connection], T]) -> T:
        with reading(self._folder / NAME) as connection:
            return read(connection)

    def _of_part(self, tag: str, read: Callable[[Connection, int], T]) -> T:
        return self._read(lambda connection: read(connection, parts.part_number(connection, tag)))

    def _now(self) -> Stamp:
        return stamps.stamp(self._clock, self._boot)


def _refuse_no_reason(reason: str) -> None:
    if not reason.strip():
        raise InputError("a change of the record needs a reason: write why.")
