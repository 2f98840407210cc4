"""Fault 13: 'database is locked', only on the small board.

What must hold: while a run is recorded another program reads and copies the record, a backup is
made, and the disk stalls for five seconds (another program holds the database for as long): no
sample is lost, nothing raises, and whoever records never waits.
"""

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from rig.clock import SystemClock
from rig.errors import StoreError
from rig.runs import KeptRun
from rig.store.backup import backup
from rig.store.database import fault_of, reading
from rig.store.store import Store
from tests.unit.store.disk import largest_file
from tests.unit.store.kept import (
    EVENTS,
    PLAN,
    RATE_HZ,
    RESULT,
    SETUP,
    STEPS,
    assert_frames,
    assert_record,
    batch,
)

ROOT = Path(__file__).parents[2]
HOLDER = """
import sqlite3, sys, time
live = sqlite3.connect(sys.argv[1], isolation_level=None)
live.execute("BEGIN IMMEDIATE")
print("held", flush=True)
time.sleep(float(sys.argv[2]))
live.execute("ROLLBACK")
print("let go", flush=True)
live.close()
"""
STALL_S = 5.0
NOBODY_WAITS_S = 0.25
"""A call that takes longer than this waited for something; the machine may be busy, too."""


class _Recording:
    """A run that is recorded in real time, a batch every hundredth of a second."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.run = store.begin(PLAN, SETUP)
        self.frames = 0
        self.longest_s = 0.0
        self.trouble: list[object] = []

    def _timed(self, call: Callable[[], object]) -> None:
        began_s = time.monotonic()
        call()
        self.longest_s = max(self.longest_s, time.monotonic() - began_s)

    def go_on(self, until: Callable[[], bool]) -> None:
        """Record until something has happened."""
        began_s, began_at = time.monotonic(), self.frames
        while not until():
            self._timed(lambda: self.store.add_samples(self.run, batch(self.frames, 2)))
            self.frames += 2
            if (trouble := self.store.trouble) is not None:
                self.trouble.append(trouble)
            due_s = began_s + (self.frames - began_at) / RATE_HZ
            time.sleep(max(due_s - time.monotonic(), 0.0))

    def end(self) -> KeptRun:
        """Finish the run and read it."""
        for step in STEPS:
            self._timed(lambda step=step: self.store.add_step(self.run, step))
        for event in EVENTS:
            self._timed(lambda event=event: self.store.add_event(self.run, event))
        self._timed(lambda: self.store.finish(self.run, RESULT))
        self.store.flush()
        return self.store.load(self.run)


def test_a_stall_readers_and_a_backup_during_a_run_lose_nothing(tmp_path: Path) -> None:
    """All at once, in real time, with real processes: the record is whole and nobody waited."""
    with Store.open(tmp_path, SystemClock()) as store, ThreadPoolExecutor(2) as pool:
        earlier = store.begin(PLAN, SETUP)
        store.add_samples(earlier, batch(0, 12_000))
        for step in STEPS:
            store.add_step(earlier, step)
        for event in EVENTS:
            store.add_event(earlier, event)
        store.finish(earlier, RESULT)
        store.flush()
        recording = _Recording(store)
        is_over = threading.Event()

        def export() -> int:
            rounds = 0
            while not is_over.is_set():
                kept = store.load(earlier)
                assert_record(kept, earlier)
                assert_frames(kept.samples, 0, 12_000)
                with reading(tmp_path / "record.db") as live:
                    list(live.iterdump())
                rounds += 1
            return rounds

        def back_up() -> int:
            rounds = 0
            while not is_over.is_set():
                assert fault_of(backup(tmp_path, SystemClock()), is_at_rest=True) is None
                rounds += 1
                is_over.wait(0.3)
            return rounds

        reader, copier = pool.submit(export), pool.submit(back_up)
        try:
            recording.go_on(until=lambda: recording.frames >= 100)
            with subprocess.Popen(
                [sys.executable, "-c", HOLDER, str(tmp_path / "record.db"), str(STALL_S)],
                stdout=subprocess.PIPE,
            ) as holder:
                recording.go_on(until=lambda: holder.poll() is not None)
                assert holder.communicate()[0] == b"held\nlet go\n"
            stalled_until = recording.frames
            recording.go_on(until=lambda: recording.frames >= stalled_until + 100)
        finally:
            is_over.set()
        assert reader.result() > 3
        assert copier.result() > 3
        kept = recording.end()

    assert recording.frames > STALL_S * RATE_HZ
    assert_record(kept, recording.run)
    assert_frames(kept.samples, 0, recording.frames)
    assert kept.samples.missing == 0
    assert recording.trouble == [], "a slow card may stall for five seconds"
    assert recording.longest_s < NOBODY_WAITS_S


def test_a_disk_that_fails_in_the_midst_is_told_and_nothing_is_lost(tmp_path: Path) -> None:
    """The system refuses every write for a while, as a full or failing card does."""
    with Store.open(tmp_path, SystemClock()) as store:
        recording = _Recording(store)
        recording.go_on(until=lambda: recording.frames >= 100)
        store.flush()
        log_bytes = (tmp_path / "record.db-wal").stat().st_size
        with largest_file(log_bytes):
            recording.go_on(until=lambda: len(recording.trouble) > 20)
            with pytest.raises(StoreError, match="cannot be written now"):
                store.flush()
        recording.go_on(until=lambda: store.trouble is None)
        kept = recording.end()
    assert_record(kept, recording.run)
    assert_frames(kept.samples, 0, recording.frames)
    assert {(each.code, each.figures["cause"]) for each in recording.trouble} == {
        ("store_failing", "write_error")
    }
    assert recording.longest_s < NOBODY_WAITS_S


def test_another_program_may_write_between(tmp_path: Path) -> None:
    """Taking parts in from the command line while the service records: both are there."""
    with (
        Store.open(tmp_path, SystemClock()) as store,
        closing(Store.open(tmp_path, SystemClock())) as other,
    ):
        recording = _Recording(store)
        for reason in ("one", "two", "three"):
            recording.go_on(until=lambda: recording.frames % 60 == 58)
            other.rebuilt("N01", reason)
            recording.go_on(until=lambda: recording.frames % 60 == 0)
        kept = recording.end()
        assert_frames(kept.samples, 0, recording.frames)
        assert [each.reason for each in store.history("N01")] == ["one", "two", "three"]
