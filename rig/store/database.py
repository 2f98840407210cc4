"""Own how the database file is opened and looked through; never know what its rows mean."""

import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

from rig.errors import StoreError
from rig.parts.intake import tag_key
from rig.store import schema

NAME = "record.db"
WAL = "-wal"
BESIDE = (WAL, "-shm", "-journal")
"""Endings of the files that belong to a database that was not closed."""
_BUSY_MS = 10_000
"""How long a statement waits for another program's lock before it fails."""
_PRAGMAS = (
    ("busy_timeout", str(_BUSY_MS), _BUSY_MS),
    ("journal_mode", "WAL", "wal"),
    ("synchronous", "FULL", 2),
    ("foreign_keys", "ON", 1),
)
"""Name, what is set, and what must be read back."""


def connect(file: Path) -> sqlite3.Connection:
    """Open a database for reading and writing, each setting asserted; transactions by hand.

    Raises StoreError when it cannot be opened, or the file system does not allow a setting.
    """
    uri = f"{file.absolute().as_uri()}?mode=rw"
    with said_of(file), ExitStack() as undo:
        connection = undo.enter_context(
            closing(sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False))
        )
        _set_up(connection, file)
        undo.pop_all()
        return connection


def _set_up(connection: sqlite3.Connection, file: Path) -> None:
    for name, setting, needed in _PRAGMAS:
        connection.execute(f"PRAGMA {name} = {setting}")
        (found,) = connection.execute(f"PRAGMA {name}").fetchone()
        if found != needed:
            raise StoreError(
                f"{file}: the database does not take {name} = {setting} here ({found}). Put the"
                " folder on a disk of this machine, not on a network or a memory card without"
                " Linux permissions."
            )
    add_functions(connection)


def add_functions(connection: sqlite3.Connection) -> None:
    """Give a connection the functions that statements of ours may call."""
    connection.create_function("tag_key", 1, tag_key, deterministic=True)


@contextmanager
def reading(file: Path, *, is_at_rest: bool = False) -> Iterator[sqlite3.Connection]:
    """Open a database for reading alone, as it stands at one moment; it is closed at the end.

    Neither the file nor its write-ahead log is changed. One that is at rest, with nobody writing,
    is read without making any file beside it.

    Raises StoreError when it cannot be read.
    """
    with said_of(file):
        at_rest = "&immutable=1" if is_at_rest else ""
        uri = f"{file.absolute().as_uri()}?mode=ro{at_rest}"
        with closing(sqlite3.connect(uri, uri=True, isolation_level=None)) as connection:
            connection.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
            add_functions(connection)
            connection.execute("BEGIN")
            yield connection


@contextmanager
def said_of(file: Path) -> Iterator[None]:
    """Turn a failure of the database into a StoreError that names the file."""
    try:
        yield
    except sqlite3.Error as error:
        raise StoreError(f"{file}: {error}.") from error
    except OSError as error:
        raise StoreError(f"{file}: {error.strerror or error}.") from error


def fault_of(file: Path, *, is_at_rest: bool = False, thorough: bool = False) -> str | None:
    """Look a database through and say what is wrong with it, None where nothing is.

    The file is not changed. A thorough look compares the indexes with their tables as well.
    """
    try:
        return _fault_seen(file, "integrity_check" if thorough else "quick_check", is_at_rest)
    except StoreError as error:
        return str(error.__cause__)
    except OSError as error:
        return error.strerror or str(error)


def _fault_seen(file: Path, pragma: str, is_at_rest: bool) -> str | None:
    if file.stat().st_size == 0:
        return "the file is empty"
    with reading(file, is_at_rest=is_at_rest) as connection:
        (application,) = connection.execute("PRAGMA application_id").fetchone()
        if application != schema.APPLICATION_ID:
            return "it is no record of this program"
        found = [str(row[0]) for row in connection.execute(f"PRAGMA {pragma} (3)")]
        if found != ["ok"]:
            return "; ".join(found).replace("\n", " ")
        (page_bytes,) = connection.execute("PRAGMA page_size").fetchone()
    # A log holds whole pages that were not yet copied into the file.
    log = file.with_name(file.name + WAL)
    has_log = log.exists() and log.stat().st_size > 0
    is_cut = file.stat().st_size % page_bytes != 0 and not has_log
    return "the file ends in the midst of a page" if is_cut else None


def remove(file: Path) -> None:
    """Remove what a program that was ended left of a database it was making, if it left any."""
    for ending in ("", *BESIDE):
        file.with_name(file.name + ending).unlink(missing_ok=True)


def version_of(connection: sqlite3.Connection) -> int:
    """Get the version of a database's tables."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return int(version)


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Make what is done within all true or all undone."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
