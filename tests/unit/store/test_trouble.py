"""Tests of what a failed write is called, with failures that SQLite and Linux really raise."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from rig.store.trouble import cause_of
from tests.unit.store.disk import largest_file


@pytest.fixture
def live(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    """Open a database with one table."""
    with closing(sqlite3.connect(tmp_path / "a.db", isolation_level=None, timeout=0.0)) as made:
        made.execute("CREATE TABLE note (text TEXT CHECK (text <> 'no'))")
        yield made


def _cause(live: sqlite3.Connection, text: str = "x" * 100_000) -> str:
    with pytest.raises(sqlite3.Error) as failed:
        live.execute("INSERT INTO note VALUES (?)", (text,))
    return cause_of(failed.value)


def test_a_full_disk(live: sqlite3.Connection) -> None:
    """No page is left to be had."""
    live.execute("PRAGMA max_page_count = 3")
    assert _cause(live) == "disk_full"


def test_a_disk_that_does_not_take_a_write(live: sqlite3.Connection) -> None:
    """The system refuses the write itself."""
    with largest_file(10_000):
        assert _cause(live) == "write_error"


def test_another_program_that_holds_the_database(live: sqlite3.Connection, tmp_path: Path) -> None:
    """A lock that is not given up in time."""
    with closing(sqlite3.connect(tmp_path / "a.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert _cause(live) == "locked"


def test_a_database_that_may_only_be_read(live: sqlite3.Connection) -> None:
    """As on a card whose file system went read-only."""
    live.execute("PRAGMA query_only = ON")
    assert _cause(live) == "read_only"


def test_a_database_that_is_none(tmp_path: Path) -> None:
    """A file that was overwritten."""
    (tmp_path / "b.db").write_bytes(b"not a database, but long enough to look like one" * 100)
    with closing(sqlite3.connect(tmp_path / "b.db", isolation_level=None)) as other:
        assert _cause(other) == "damaged"


def test_what_the_program_did_wrong(live: sqlite3.Connection) -> None:
    """A statement that breaks a rule of the tables is a fault of ours, not of the disk."""
    assert _cause(live, "no") == "internal"
    assert cause_of(sqlite3.ProgrammingError("closed")) == "internal"


@pytest.mark.parametrize(
    ("number", "cause"),
    [
        (28, "disk_full"),
        (122, "disk_full"),
        (30, "read_only"),
        (13, "read_only"),
        (5, "write_error"),
    ],
)
def test_failures_of_files(number: int, cause: str) -> None:
    """ENOSPC, EDQUOT, EROFS, EACCES and EIO, by their numbers on Linux."""
    assert cause_of(OSError(number, "")) == cause
