"""Own the one connection that writes and the queue before it; never let who records wait for it.

What is recorded of a run is queued, and committed half a second later at the latest. Where the disk
fails it stays queued, in its order, and is tried again until it is written. Without a thread (where
time runs fast) the caller itself commits, just as often by the clock.
"""

import logging
import sqlite3
import threading
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures import TimeoutError as NotInTime
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from rig.clock import Clock
from rig.errors import RigError, StoreError
from rig.readings import Samples
from rig.records import Finding
from rig.store.database import said_of, transaction
from rig.store.run_writing import insert_chunk
from rig.store.trouble import INTERNAL, STALLED, cause_of

T = TypeVar("T")
COMMIT_EVERY_S = 0.5
MOST_QUEUED_BYTES = 32 * 2**20
"""Samples: some 50 minutes of 5 channels at 200 Hz. What is no sample is always taken."""
STALLED_AFTER_S = 10.0
_ANSWER_WITHIN_S = 30.0
_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class _Batch:
    """Samples of a run; those that are committed together become one piece of its curve."""

    queued_mono_s: float
    run: int
    samples: Samples

    @property
    def size_bytes(self) -> int:
        return sum(
            array.nbytes
            for array in (self.samples.sequence, self.samples.mcu_us, self.samples.counts)
        )


@dataclass(frozen=True)
class _Record:
    """Anything else that is recorded."""

    queued_mono_s: float
    write: Callable[[sqlite3.Connection], None]


@dataclass(frozen=True)
class _Call:
    """Something whose caller waits: it is tried once, in a transaction of its own."""

    queued_mono_s: float
    make: Callable[[sqlite3.Connection], Any]
    answer: "Future[Any]" = field(default_factory=Future)


_Entry = _Batch | _Record | _Call


class Writer:
    """What writes into `file` by a connection that is its own from now on."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        file: Path,
        clock: Clock,
        *,
        threaded: bool,
        most_queued_bytes: int = MOST_QUEUED_BYTES,
    ) -> None:
        self._connection = connection
        self._file = file
        self._clock = clock
        self._most_queued_bytes = most_queued_bytes
        self._writing = threading.Lock()
        self._changed = threading.Condition()
        """Guards all that follows; it is never held while the disk is waited for."""
        self._queue: deque[_Entry] = deque()
        self._queued_bytes = 0
        self._is_urgent = False
        self._is_closing = False
        self._is_broken = False
        self._cause: str | None = None
        self._tried_mono_s = -STALLED_AFTER_S
        self._thread: threading.Thread | None = None
        if threaded:
            self._thread = threading.Thread(target=self._serve, name="store", daemon=True)
            self._thread.start()

    @property
    def trouble(self) -> Finding | None:
        """Get what keeps the record from the disk, None while nothing does. Any thread."""
        now_s = self._clock.mono_s()
        with self._changed:
            waiting_s = now_s - self._queue[0].queued_mono_s if self._queue else 0.0
            cause = self._cause
        if cause is None and self._thread is not None and waiting_s > STALLED_AFTER_S:
            cause = STALLED
        if cause is None:
            return None
        return Finding("store_failing", {"cause": cause, "waiting_s": waiting_s})

    def put_samples(self, run: int, samples: Samples) -> bool:
        """Queue samples, or return False where the queue is full of samples already."""
        batch = _Batch(self._clock.mono_s(), run, samples)
        with self._changed:
            if self._queued_bytes + batch.size_bytes > self._most_queued_bytes:
                return False
            self._queued_bytes += batch.size_bytes
        self._put(batch)
        return True

    def put(self, write: Callable[[sqlite3.Connection], None], *, is_urgent: bool = False) -> None:
        """Queue what writes a record; an urgent one is committed at once."""
        self._put(_Record(self._clock.mono_s(), write), is_urgent=is_urgent)

    def do(self, make: Callable[[sqlite3.Connection], T]) -> T:
        """Have something made after all that is queued, wait for it and return what it returns.

        Raises what `make` raises, and StoreError when the disk fails: it is not tried again then.
        """
        call = _Call(self._clock.mono_s(), make)
        self._put(call, is_urgent=True)
        if self._is_broken:
            self._refuse_calls(self._said_of_fault())
        try:
            answer: T = call.answer.result(_ANSWER_WITHIN_S)
        except NotInTime as error:
            call.answer.cancel()
            raise StoreError(
                f"{self._file}: the disk has not answered for {_ANSWER_WITHIN_S:g} s."
            ) from error
        return answer

    def close(self) -> None:
        """Write what is queued and close the connection.

        Raises StoreError when that cannot be written; it is lost then.
        """
        with self._changed:
            if self._is_closing:
                return
            self._is_closing = True
            self._changed.notify_all()
        if self._thread is None:
            self._write_queued()
        else:
            self._thread.join(_ANSWER_WITHIN_S)
            if self._thread.is_alive():
                raise StoreError(f"{self._file}: the disk does not answer; the last is not kept.")
        self._connection.close()
        if self._queue:
            raise StoreError(
                f"{self._file}: the last {len(self._queue)} records could not be written"
                f" ({self._cause}) and are lost."
            )

    def _put(self, entry: _Entry, *, is_urgent: bool = False) -> None:
        with self._changed:
            if self._is_closing:
                raise StoreError(f"{self._file} is closed: nothing more can be recorded.")
            self._queue.append(entry)
            self._is_urgent = self._is_urgent or is_urgent
            if is_urgent or len(self._queue) == 1:
                self._changed.notify_all()
        if self._thread is None and (is_urgent or self._is_due(entry.queued_mono_s)):
            self._write_queued()

    def _is_due(self, now_s: float) -> bool:
        with self._changed:
            oldest_s = self._queue[0].queued_mono_s if self._queue else now_s
            return now_s - max(oldest_s, self._tried_mono_s) >= COMMIT_EVERY_S

    def _serve(self) -> None:
        """Write from time to time, as the root of a thread."""
        try:
            is_closing = False
            while not is_closing:
                is_closing = self._wait()
                self._write_queued()
        except Exception:  # noqa: BLE001 - the root of a thread: told by `trouble`, logged once
            _LOG.exception("nothing more is written into %s", self._file)
            with self._changed:
                self._is_broken, self._cause = True, INTERNAL
            self._refuse_calls(self._said_of_fault())

    def _said_of_fault(self) -> StoreError:
        return StoreError(
            f"{self._file}: the program has a fault and writes nothing more (see its log)."
            " Start it again."
        )

    def _wait(self) -> bool:
        """Wait until something is to be written, and tell whether it is the last."""
        with self._changed:
            self._changed.wait_for(lambda: self._queue or self._is_closing)
            self._changed.wait_for(lambda: self._is_urgent or self._is_closing, COMMIT_EVERY_S)
            self._is_urgent = False
            return self._is_closing

    def _write_queued(self) -> None:
        """Write what is queued now, as far as the disk takes it."""
        with self._writing:
            self._tried_mono_s = self._clock.mono_s()
            with self._changed:
                entries = list(self._queue)
            while entries:
                group = _first_group(entries)
                try:
                    self._write(group)
                except (sqlite3.Error, OSError) as error:
                    self._note_failure(error)
                    return
                del entries[: len(group)]
                self._forget(len(group))
            self._note_success()

    def _write(self, group: list[_Entry]) -> None:
        if isinstance(group[0], _Call):
            self._answer(group[0])
            return
        batches: dict[int, list[Samples]] = {}
        for entry in group:
            if isinstance(entry, _Batch):
                batches.setdefault(entry.run, []).append(entry.samples)
        with transaction(self._connection):
            for run, samples in batches.items():
                insert_chunk(self._connection, run, samples)
            for entry in group:
                if isinstance(entry, _Record):
                    entry.write(self._connection)

    def _answer(self, call: _Call) -> None:
        if not call.answer.set_running_or_notify_cancel():
            return
        try:
            with said_of(self._file), transaction(self._connection):
                made = call.make(self._connection)
        except (RigError, ValueError) as error:
            call.answer.set_exception(error)
        else:
            call.answer.set_result(made)

    def _forget(self, count: int) -> None:
        with self._changed:
            for _ in range(count):
                entry = self._queue.popleft()
                if isinstance(entry, _Batch):
                    self._queued_bytes -= entry.size_bytes

    def _note_failure(self, error: sqlite3.Error | OSError) -> None:
        cause = cause_of(error)
        with self._changed:
            is_new = self._cause != cause
            self._cause = cause
        if is_new:
            _LOG.error("%s cannot be written (%s); the record waits: %s", self._file, cause, error)
        self._refuse_calls(StoreError(f"{self._file} cannot be written now: {error}."))

    def _note_success(self) -> None:
        with self._changed:
            was_failing = self._cause is not None
            self._cause = None
        if was_failing:
            _LOG.warning("%s is written again; nothing of what waited is lost", self._file)

    def _refuse_calls(self, error: StoreError) -> None:
        """Answer all who wait, rather than let them wait for a disk that fails."""
        with self._changed:
            calls = [entry for entry in self._queue if isinstance(entry, _Call)]
            self._queue = deque(entry for entry in self._queue if not isinstance(entry, _Call))
        for call in calls:
            if call.answer.running() or call.answer.set_running_or_notify_cancel():
                call.answer.set_exception(error)


def _first_group(entries: list[_Entry]) -> list[_Entry]:
    """Take what is written in one transaction: one call, or all before the next call."""
    if isinstance(entries[0], _Call):
        return entries[:1]
    calls = (place for place, entry in enumerate(entries) if isinstance(entry, _Call))
    return entries[: next(calls, len(entries))]
