"""Own how the database of a folder is found sound, made or refused; never mend or hide a loss.

A folder without a database gets a new one only if it never had one: a log or backups without their
database mean that it was lost.
"""

import shlex
import sqlite3
from contextlib import ExitStack, closing
from pathlib import Path

from rig.clock import Clock
from rig.errors import StoreError
from rig.store import schema
from rig.store.backup import (
    ASIDE,
    backup,
    backups,
    give_no_number_twice,
    newest_sound,
    set_aside,
)
from rig.store.database import (
    NAME,
    WAL,
    add_functions,
    connect,
    fault_of,
    remove,
    said_of,
    version_of,
)
from rig.store.files import put_in_place, sync_file
from rig.store.lock import making_runs
from rig.store.migrations import migrate, refuse_newer
from rig.store.settings import Settings


def open_database(folder: Path, clock: Clock) -> sqlite3.Connection:
    """Open the database of a folder for writing, made or migrated where that is needed.

    Before it is migrated it is backed up.

    Raises StoreError when it is damaged, lost, newer than this program, or the folder cannot be
    used; nothing was changed then.
    """
    file = folder / NAME
    with said_of(folder):
        folder.mkdir(parents=True, exist_ok=True)
        is_there = file.exists()
        remains = [*folder.glob(NAME + WAL), *backups(folder), *folder.glob(f"{ASIDE}*.db")]
    if is_there:
        fault = fault_of(file)
        if fault is not None:
            raise StoreError(f"{file} is damaged ({fault}). Nothing was changed. {_way_on(folder)}")
    elif remains:
        raise StoreError(f"{file} is missing, and {remains[0]} is left of it. {_way_on(folder)}")
    else:
        with making_runs(folder):
            if not file.exists():
                _make(folder)
    with said_of(file), ExitStack() as undo:
        connection = undo.enter_context(closing(connect(file)))
        version = version_of(connection)
        refuse_newer(version, file)
        if version < schema.NEWEST:
            backup(folder, clock)
            migrate(connection, file)
        undo.pop_all()
        return connection


def begin_anew(folder: Path, clock: Clock) -> Path | None:
    """Begin with an empty database, because the person says so; what is there is kept aside.

    Returns where it is kept. Numbers of runs go on from the highest that was given in this folder.

    Raises StoreError when that cannot be done, or another program is making runs there.
    """
    with making_runs(folder):
        with said_of(folder / NAME):
            aside = set_aside(folder, clock)
        _make(folder)
        return aside


def _way_on(folder: Path) -> str:
    sound = newest_sound(folder)
    if sound is not None:
        return (
            f"The newest sound backup is {sound.name}. Put it in place: rig restore"
            f" {shlex.quote(str(sound))} (what is there now is kept aside)."
        )
    return (
        f"There is no sound backup in {folder}. Copy what is there to a safe place first: much of"
        f" {NAME} may still be readable ('sqlite3 {NAME} .recover'). To begin with an empty record,"
        " move all files that begin with 'record' and the folder backups out of the way."
    )


def _make(folder: Path) -> None:
    """Make an empty database under another name, and give it its name when it is whole."""
    file, unfinished = folder / NAME, folder / f"{NAME}.new"
    with said_of(file):
        remove(unfinished)
        with closing(sqlite3.connect(unfinished, isolation_level=None)) as made:
            # Nothing needs to be on the disk before it is whole.
            made.execute("PRAGMA synchronous = OFF")
            made.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
            add_functions(made)
            migrate(made, file)
            give_no_number_twice(made, Settings(folder).last_run())
        sync_file(unfinished)
        put_in_place(unfinished, file)
