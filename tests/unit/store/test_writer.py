"""Tests of the queue before the disk: when it commits, and what it does when the disk fails."""

import logging
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from rig.clock import FastClock, SystemClock
from rig.errors import InputError, StoreError
from rig.records import Finding
from rig.store import writer as module
from rig.store.database import connect
from rig.store.run_writing import insert_run
from rig.store.store import Store
from rig.store.writer import Writer
from tests.unit.store.kept import PLAN, SETUP, START, batch


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Make a record with one run that is being made, its number 1."""
    Store.open(tmp_path, SystemClock(), threaded=False).close()
    with closing(connect(tmp_path / "record.db")) as live:
        insert_run(live, PLAN, SETUP, None)
    return tmp_path / "record.db"


@pytest.fixture
def clock() -> FastClock:
    """Make a clock that moves when a test says so."""
    return FastClock(START, longest_step_s=60.0)


@pytest.fixture
def writer(file: Path, clock: FastClock) -> Iterator[Writer]:
    """Make a writer without a thread."""
    made = Writer(connect(file), file, clock, threaded=False)
    yield made
    made.close()


@pytest.fixture
def threaded(file: Path) -> Iterator[Writer]:
    """Make a writer with a thread, in real time."""
    made = Writer(connect(file), file, SystemClock(), threaded=True)
    yield made
    made.close()


def _pieces(file: Path) -> int:
    with closing(sqlite3.connect(file)) as live:
        return int(live.execute("SELECT count(*) FROM chunk").fetchone()[0])


def _note(text: str) -> object:
    return lambda live: live.execute("UPDATE run SET tag = tag || ?", (text,))


def _noted(file: Path) -> str:
    with closing(sqlite3.connect(file)) as live:
        return str(live.execute("SELECT tag FROM run").fetchone()[0])


def test_samples_are_committed_every_half_second_by_the_clock(
    file: Path, writer: Writer, clock: FastClock
) -> None:
    """What is half a second old is on the disk, as one piece for all that came since."""
    for number in range(200):
        writer.put_samples(1, batch(2 * number, 2))
        clock.wait(0.01)
    assert _pieces(file) == 3
    with closing(sqlite3.connect(file)) as live:
        (newest_s,) = live.execute("SELECT max(host_mono_s) FROM chunk").fetchone()
    assert batch(398, 2).host_mono_s - newest_s < 0.52


def test_what_is_urgent_is_committed_at_once(file: Path, writer: Writer, clock: FastClock) -> None:
    """The end of a run, and whatever somebody waits for, with all that was queued before it."""
    writer.put_samples(1, batch(0, 2))
    writer.put(_note("a"))
    assert (_pieces(file), _noted(file)) == (0, "N01")
    writer.put(_note("b"), is_urgent=True)
    assert (_pieces(file), _noted(file)) == (1, "N01ab")
    writer.put(_note("c"))
    assert writer.do(lambda live: live.execute("SELECT tag FROM run").fetchone()) == ("N01abc",)
    clock.wait(1.0)


def test_closing_writes_what_is_queued_and_ends_the_taking(file: Path, clock: FastClock) -> None:
    """Nothing is lost by an orderly end, and nothing is taken that could not be written."""
    made = Writer(connect(file), file, clock, threaded=False)
    made.put(_note("a"))
    made.close()
    made.close()
    assert _noted(file) == "N01a"
    for late in (lambda: made.put(_note("b")), lambda: made.do(lambda _: None)):
        with pytest.raises(StoreError, match="is closed"):
            late()
    with pytest.raises(StoreError, match="is closed"):
        made.put_samples(1, batch(0, 2))


def test_a_call_that_is_refused_leaves_no_trace_and_hurts_nobody(
    file: Path, writer: Writer
) -> None:
    """It has a transaction of its own; what was recorded before it stands."""

    def refused(live: sqlite3.Connection) -> None:
        live.execute("UPDATE run SET tag = 'half'")
        raise InputError("no such part")

    def wrong(live: sqlite3.Connection) -> None:
        live.execute("UPDATE run SET tag = 'half'")
        live.execute("SELECT * FROM nowhere")

    writer.put(_note("a"))
    with pytest.raises(InputError, match="no such part"):
        writer.do(refused)
    with pytest.raises(StoreError, match=r"record\.db: no such table: nowhere"):
        writer.do(wrong)
    assert _noted(file) == "N01a"
    assert writer.trouble is None


def _hold(file: Path) -> sqlite3.Connection:
    """Hold the database as another program would."""
    other = sqlite3.connect(file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    return other


def test_a_failing_disk_is_told_and_everything_kept(
    file: Path, clock: FastClock, caplog: pytest.LogCaptureFixture
) -> None:
    """As long as it fails nothing is dropped; once it works all is written, in its order."""
    live = connect(file)
    live.execute("PRAGMA busy_timeout = 0")
    made = Writer(live, file, clock, threaded=False)
    with closing(_hold(file)), caplog.at_level(logging.WARNING):
        for number in range(300):
            assert made.put_samples(1, batch(2 * number, 2))
            made.put(_note(f" {number}"))
            clock.wait(0.01)
        assert made.trouble is not None
        assert made.trouble.code == "store_failing"
        assert made.trouble.figures["cause"] == "locked"
        waiting_s = made.trouble.figures["waiting_s"]
        assert isinstance(waiting_s, float)
        assert 2.9 < waiting_s < 3.1
        with pytest.raises(StoreError, match="cannot be written now: database is locked"):
            made.do(lambda _: None)
        assert _pieces(file) == 0
    made.do(lambda _: None)
    assert made.trouble is None
    made.close()
    assert _pieces(file) == 1
    assert _noted(file) == "N01" + "".join(f" {number}" for number in range(300))
    assert [record.levelname for record in caplog.records] == ["ERROR", "WARNING"], "each once"


def test_closing_on_a_disk_that_fails_says_what_is_lost(file: Path, clock: FastClock) -> None:
    """Whoever ends the program learns that the end is not on the disk."""
    live = connect(file)
    live.execute("PRAGMA busy_timeout = 0")
    made = Writer(live, file, clock, threaded=False)
    made.put(_note("a"))
    with (
        closing(_hold(file)),
        pytest.raises(StoreError, match=r"last 1 records could not be written \(locked\)"),
    ):
        made.close()


def test_a_full_queue_takes_no_more_samples_but_still_their_results(
    file: Path, clock: FastClock
) -> None:
    """Memory is bounded; steps, events and verdicts are small and always taken."""
    live = connect(file)
    live.execute("PRAGMA busy_timeout = 0")
    one = batch(0, 100)
    bytes_each = 100 * (2 + 5) * 8
    made = Writer(live, file, clock, threaded=False, most_queued_bytes=3 * bytes_each)
    with closing(_hold(file)):
        assert [made.put_samples(1, one) for _ in range(5)] == [True] * 3 + [False] * 2
        made.put(_note("a"), is_urgent=True)
        assert made.trouble is not None
    made.do(lambda _: None)
    assert [made.put_samples(1, one) for _ in range(3)] == [True] * 3, "room again"
    made.close()
    assert _noted(file) == "N01a"


def test_a_thread_commits_while_nobody_calls(file: Path, threaded: Writer) -> None:
    """The last samples before a silence reach the disk by themselves, within a second."""
    threaded.put_samples(1, batch(0, 2))
    done = threading.Event()
    for _ in range(50):
        if _pieces(file):
            break
        done.wait(0.02)
    assert _pieces(file) == 1


def test_a_thread_commits_no_oftener_than_it_must(file: Path, threaded: Writer) -> None:
    """A card wears out by commits: two a second, not one for each batch."""
    pause = threading.Event()
    for number in range(40):
        threaded.put_samples(1, batch(2 * number, 2))
        pause.wait(0.02)
    threaded.do(lambda _: None)
    assert 1 <= _pieces(file) <= 3


def test_answers_come_from_the_thread_in_the_order_of_the_calls(
    file: Path, threaded: Writer
) -> None:
    """Many threads may call; each gets its own answer or its own error."""
    answers: dict[int, object] = {}

    def call(number: int) -> None:
        def make(live: sqlite3.Connection) -> tuple[str, int]:
            if number % 3 == 0:
                raise InputError(f"refused {number}")
            live.execute("UPDATE run SET tag = tag || ?", (f" {number}",))
            return threading.current_thread().name, number

        try:
            answers[number] = threaded.do(make)
        except InputError as error:
            answers[number] = str(error)

    callers = [threading.Thread(target=call, args=(number,)) for number in range(12)]
    for each in callers:
        each.start()
    for each in callers:
        each.join()
    assert answers == {
        number: f"refused {number}" if number % 3 == 0 else ("store", number)
        for number in range(12)
    }
    assert sorted(_noted(file).split()[1:], key=int) == ["1", "2", "4", "5", "7", "8", "10", "11"]


def test_a_disk_that_does_not_answer_is_told_without_an_error_of_its_own(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card that hangs raises nothing: what waits too long in the queue tells."""
    clock = FastClock(START, longest_step_s=60.0)
    made = Writer(connect(file), file, clock, threaded=True)
    hanging, goes_on = threading.Event(), threading.Event()

    def hang(_: sqlite3.Connection) -> None:
        hanging.set()
        goes_on.wait(10.0)

    made.put(hang, is_urgent=True)
    assert hanging.wait(10.0)
    clock.wait(5.0)
    assert made.trouble is None, "a slow card may stall for five seconds"
    clock.wait(6.0)
    assert made.trouble == Finding("store_failing", {"cause": "stalled", "waiting_s": 11.0})
    assert made.put_samples(1, batch(0, 2)), "and yet nobody waits"
    monkeypatch.setattr(module, "_ANSWER_WITHIN_S", 0.05)
    with pytest.raises(StoreError, match=r"has not answered for 0\.05 s"):
        made.do(_note("never"))
    monkeypatch.undo()
    goes_on.set()
    made.do(lambda _: None)
    assert made.trouble is None
    made.close()
    assert _noted(file) == "N01", "a call that was given up is not made later"


def test_a_fault_of_the_program_ends_the_writing_loudly(
    file: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Nothing hangs: it is logged once, told by `trouble`, and every caller is answered."""
    made = Writer(connect(file), file, SystemClock(), threaded=True)

    def fault(_: sqlite3.Connection) -> None:
        raise ZeroDivisionError("a fault of ours")

    with caplog.at_level(logging.ERROR), pytest.raises(StoreError, match="has a fault"):
        made.do(fault)
    assert made.trouble is not None
    assert made.trouble.figures["cause"] == "internal"
    with pytest.raises(StoreError, match="has a fault"):
        made.do(lambda _: None)
    made.put(_note("a"))
    assert [record.levelname for record in caplog.records] == ["ERROR"]
    assert "a fault of ours" in caplog.text
    with pytest.raises(StoreError, match="could not be written"):
        made.close()


def test_a_fault_in_a_record_ends_the_writing_loudly_too(
    file: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """What waits behind it is answered as well."""
    made = Writer(connect(file), file, SystemClock(), threaded=True)

    def fault(_: sqlite3.Connection) -> None:
        raise ZeroDivisionError("a fault of ours")

    made.put(fault)
    with caplog.at_level(logging.ERROR), pytest.raises(StoreError, match="has a fault"):
        made.do(lambda _: None)
    with pytest.raises(StoreError, match="the last 1 records could not"):
        made.close()
