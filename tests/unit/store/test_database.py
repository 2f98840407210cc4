"""Tests of how the database file is opened and looked through without being changed."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from rig.clock import SystemClock
from rig.errors import StoreError
from rig.store import database
from rig.store.database import connect, fault_of, reading, transaction
from rig.store.store import Store
from tests.unit.store.kept import PLAN, RESULT, SETUP, batches


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """Make a record with one run, closed."""
    with Store.open(tmp_path, SystemClock(), threaded=False) as store:
        run = store.begin(PLAN, SETUP)
        for each in batches(17, 1017, 100):
            store.add_samples(run, each)
        store.finish(run, RESULT)
    return tmp_path / "record.db"


def test_every_setting_is_what_it_must_be(file: Path) -> None:
    """Each commit reaches the disk, references are kept, and a lock is waited for."""
    with closing(connect(file)) as live:
        assert live.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert live.execute("PRAGMA synchronous").fetchone() == (2,)
        assert live.execute("PRAGMA foreign_keys").fetchone() == (1,)
        assert live.execute("PRAGMA busy_timeout").fetchone() == (10_000,)


@pytest.mark.parametrize("place", range(4))
def test_a_setting_that_is_not_taken_is_refused(
    file: Path, monkeypatch: pytest.MonkeyPatch, place: int
) -> None:
    """A database that does not do what was set (on some network disks) is not written into."""
    name, setting, _ = database._PRAGMAS[place]
    pragmas = list(database._PRAGMAS)
    pragmas[place] = (name, setting, "something else")
    monkeypatch.setattr(database, "_PRAGMAS", tuple(pragmas))
    with pytest.raises(StoreError, match=rf"does not take {name} = {setting}"):
        connect(file)


def test_no_file_is_made_by_opening(tmp_path: Path) -> None:
    """A name that was mistyped never becomes an empty record."""
    for opened in (connect, lambda file: reading(file).__enter__()):
        with pytest.raises(StoreError, match=r"nothing\.db"):
            opened(tmp_path / "nothing.db")
    assert list(tmp_path.iterdir()) == []


def test_reading_cannot_write(file: Path) -> None:
    """Whoever reads changes nothing."""
    with pytest.raises(StoreError, match="readonly"), reading(file) as live:
        live.execute("UPDATE run SET tag = 'x'")


def test_reading_shows_one_moment(file: Path) -> None:
    """What is written while somebody reads is not seen halfway."""
    with closing(connect(file)) as writer, reading(file) as live:
        before = live.execute("SELECT tag FROM run").fetchall()
        writer.execute("UPDATE run SET tag = 'changed'")
        assert live.execute("SELECT tag FROM run").fetchall() == before


def test_a_name_with_odd_letters_is_opened(tmp_path: Path) -> None:
    """A folder may be called anything: its name is not taken for a part of an address."""
    odd = tmp_path / "a b#c?mode=rw&x=%41"
    Store.open(odd, SystemClock()).close()
    assert sorted(each.name for each in odd.iterdir()) == ["making-runs.lock", "record.db"]
    assert fault_of(odd / "record.db") is None


def _zero_page(number: int) -> Callable[[bytes], bytes]:
    def damage(content: bytes) -> bytes:
        start = 4096 * number
        return content[:start] + bytes(4096) + content[start + 4096 :]

    return damage


DAMAGES: dict[str, tuple[Callable[[bytes], bytes], str]] = {
    "empty": (lambda content: content[:0], "empty"),
    "zeros": (lambda content: bytes(len(content)), "not a database"),
    "other": (lambda content: b"\x7fELF" + content[4:], "not a database"),
    "first page": (_zero_page(0), "not a database"),
    "torn page": (_zero_page(7), "age 8"),
    "half": (lambda content: content[: len(content) // 2], "malformed"),
    "last page": (lambda content: content[:-4096], "malformed"),
    "half a page": (lambda content: content[:-2048], "midst of a page"),
    "foreign": (lambda content: content[:68] + b"\0\0\0\1" + content[72:], "no record of this"),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_damage_is_found_and_left_as_it_is(file: Path, damage: str) -> None:
    """The fault is said in words, and not one byte of the file is changed by looking."""
    assert fault_of(file) is None
    change, said = DAMAGES[damage]
    damaged = change(file.read_bytes())
    file.write_bytes(damaged)
    fault = fault_of(file)
    assert fault is not None
    assert said in fault
    assert "\n" not in fault
    assert file.read_bytes() == damaged


def test_every_torn_page_is_told_sooner_or_later(file: Path) -> None:
    """Half of any page zeroed: opening refuses, or reading refuses, or nothing was in that half.

    What is never returned is a run that differs from the one that was recorded.
    """
    sound = file.read_bytes()
    with Store.open(file.parent, SystemClock()) as store:
        kept = store.load(1)
    refused = 0
    for start in range(0, len(sound), 2048):
        file.write_bytes(sound[:start] + bytes(2048) + sound[start + 2048 :])
        if fault_of(file) is not None:
            refused += 1
            continue
        try:
            with Store.open(file.parent, SystemClock(), threaded=False) as store:
                found = store.load(1)
        except StoreError:
            refused += 1
            continue
        assert (found.plan, found.setup, found.result) == (kept.plan, kept.setup, kept.result)
        assert (found.samples.counts == kept.samples.counts).all()
    assert refused >= len(sound) // 4096


def test_a_thorough_look_compares_indexes_too(file: Path) -> None:
    """A row that an index does not know is found by the look a backup gets."""
    with closing(sqlite3.connect(file, isolation_level=None)) as live:
        live.execute("PRAGMA writable_schema = ON")
        live.execute(
            "UPDATE sqlite_schema SET sql = 'CREATE INDEX step_of_run ON step (name)'"
            " WHERE name = 'step_of_run'"
        )
        live.execute("PRAGMA writable_schema = OFF")
        run = live.execute("SELECT run FROM run").fetchone()[0]
    with closing(connect(file)) as live, transaction(live):
        live.execute(
            "INSERT INTO step (run, name, state, began_mono_s, ended_mono_s,"
            " first_sequence, stop_sequence, ended_by) VALUES (?,'a','b',0,0,0,0,'c')",
            (run,),
        )
    with closing(sqlite3.connect(file, isolation_level=None)) as live:
        live.execute("PRAGMA writable_schema = ON")
        live.execute(
            "UPDATE sqlite_schema SET sql = 'CREATE INDEX step_of_run ON step (run)'"
            " WHERE name = 'step_of_run'"
        )
    assert fault_of(file) is None
    fault = fault_of(file, thorough=True)
    assert fault is not None
    assert "step_of_run" in fault


def _change_and_fail(live: sqlite3.Connection) -> None:
    with transaction(live):
        live.execute("UPDATE run SET tag = 'x'")
        live.execute("SELECT * FROM nowhere")


def test_a_transaction_is_all_or_nothing(file: Path) -> None:
    """What fails in the midst leaves nothing behind, and the connection goes on."""
    with closing(connect(file)) as live:
        with pytest.raises(sqlite3.OperationalError, match="nowhere"):
            _change_and_fail(live)
        assert live.execute("SELECT tag FROM run").fetchall() == [("N01",)]
        with transaction(live):
            live.execute("UPDATE run SET tag = 'y'")
        assert live.execute("SELECT tag FROM run").fetchall() == [("y",)]


def test_a_transaction_has_the_lock_before_it_reads(file: Path) -> None:
    """What it decides by cannot be changed by another program before it writes."""
    with closing(connect(file)) as live, closing(connect(file)) as other:
        live.execute("PRAGMA busy_timeout = 0")
        with transaction(other), pytest.raises(sqlite3.OperationalError, match="locked"):
            transaction(live).__enter__()
        with transaction(live):
            assert live.execute("SELECT tag FROM run").fetchall() == [("N01",)]
