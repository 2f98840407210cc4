"""Own how a database comes to the newest version of its tables; never lose a row on the way."""

import sqlite3
from pathlib import Path

from rig.errors import StoreError
from rig.store import schema
from rig.store.database import transaction, version_of


def refuse_newer(version: int, file: Path) -> None:
    """Raise StoreError when a database is newer than this program."""
    if version > schema.NEWEST:
        raise StoreError(
            f"{file} was written by a newer version of this program: its tables are version"
            f" {version}, and this one knows {schema.NEWEST}. Install the newer version again."
            " Nothing was changed."
        )


def migrate(connection: sqlite3.Connection, file: Path, newest: int = schema.NEWEST) -> None:
    """Bring a database up to `newest`; each version and its number come in one transaction.

    Raises StoreError for a database that is newer than this program, sqlite3.Error when a step
    cannot be made: those before it then stand.
    """
    refuse_newer(version_of(connection), file)
    while version_of(connection) < newest:
        with transaction(connection):
            # Read again under the lock: another process may just have taken the same step.
            version = version_of(connection) + 1
            for statement in schema.VERSIONS.get(version, ()):
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {min(version, newest)}")
