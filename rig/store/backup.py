"""Own the backups of the database and the way back from one; never overwrite what is damaged."""

import re
import shutil
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

from rig.clock import Clock
from rig.errors import StoreError
from rig.store import schema
from rig.store.database import BESIDE, NAME, fault_of, reading, remove, said_of, version_of
from rig.store.files import put_in_place, sync_file, sync_folder
from rig.store.lock import Lock, making_runs
from rig.store.migrations import refuse_newer
from rig.store.parts import stamp_columns
from rig.store.plain import to_utc
from rig.store.records import Stamp
from rig.store.settings import Settings
from rig.store.stamps import boot_id, in_name, stamp

FOLDER = "backups"
ASIDE = "record-aside-"
KEPT = 7
_EVERY = timedelta(days=1)
_NUMBERED = re.compile(r"record-(\d+)-\d{8}T\d{6}Z\.db")


def backups(folder: Path) -> list[Path]:
    """List the backups in a folder of records, newest first by their numbers."""
    found = [(_number(file), file) for file in (folder / FOLDER).glob("record-*.db")]
    return [file for number, file in sorted(found, reverse=True) if number]


def newest_sound(folder: Path) -> Path | None:
    """Find the newest backup that is whole, None where there is none."""
    for file in backups(folder):
        if fault_of(file, is_at_rest=True, thorough=True) is None:
            return file
    return None


def backup(folder: Path, clock: Clock, keep: int = KEPT) -> Path:
    """Copy the database as it stands at one moment, look the copy through, and keep `keep` of them.

    It may be written meanwhile, by this program or another. Takes seconds for a large one.

    Raises StoreError when it cannot be read, or the copy cannot be written, would leave too little
    room on the disk, or is not whole.
    """
    if keep < 1:
        raise ValueError(f"cannot keep {keep} backups")
    source, place = folder / NAME, folder / FOLDER
    now = stamp(clock, boot_id())
    with said_of(place):
        if not place.exists():
            place.mkdir()
            sync_folder(folder)
    with Lock(place, "making a backup"), said_of(place):
        _refuse_without_room(source, place)
        earlier = backups(folder)
        number = _number(earlier[0]) + 1 if earlier else 1
        copy = place / f"record-{number:06d}-{in_name(now)}.db"
        unfinished = place / "unfinished.new"
        remove(unfinished)
        try:
            with reading(source) as live, closing(sqlite3.connect(unfinished)) as made:
                live.backup(made)
                _finish_copy(made, now)
            fault = fault_of(unfinished, is_at_rest=True, thorough=True)
            if fault is not None:
                raise StoreError(f"the backup of {source} is not whole ({fault}): it is not kept.")
            sync_file(unfinished)
            put_in_place(unfinished, copy)
        finally:
            remove(unfinished)
        for old in backups(folder)[keep:]:
            old.unlink()
    return copy


def _refuse_without_room(source: Path, place: Path) -> None:
    """Leave as much room as the copy takes: runs go on being recorded."""
    needed_bytes = 2 * source.stat().st_size
    free_bytes = shutil.disk_usage(place).free
    if free_bytes < needed_bytes:
        raise StoreError(
            f"{place}: a backup needs {needed_bytes // 10**6} MB free, and there are"
            f" {free_bytes // 10**6} MB. Make room on the disk."
        )


def _finish_copy(made: sqlite3.Connection, now: Stamp) -> None:
    """Make a copy one file, without a log of its own, that says when it was taken."""
    (mode,) = made.execute("PRAGMA journal_mode = DELETE").fetchone()
    if mode != "delete":
        raise StoreError(f"the copy cannot be closed: its journal stays {mode}.")
    if version_of(made) >= schema.BACKUPS_STAMPED:
        made.execute(
            "INSERT INTO backup (utc, clock_was_set, boot_id, mono_s) VALUES (?, ?, ?, ?)",
            stamp_columns(now),
        )
        made.commit()


def backup_is_due(folder: Path, clock: Clock) -> bool:
    """Tell whether the newest backup is a day old, or there is none that can be read."""
    files = backups(folder)
    last = _stamp_of(files[0]) if files else None
    return last is None or is_a_day_old(last, stamp(clock, boot_id()))


def is_a_day_old(last: Stamp, now: Stamp) -> bool:
    """Tell whether a day lies between two moments, as far as the clocks can tell.

    In one boot the monotonic clock tells; else two wall clocks that were set. Where neither can, or
    the later moment lies before the other, it may well be.
    """
    if now.boot_id == last.boot_id:
        return not 0.0 <= now.mono_s - last.mono_s < _EVERY.total_seconds()
    if not (now.clock_was_set and last.clock_was_set):
        return True
    return not timedelta(0) <= now.utc - last.utc < _EVERY


def restore(folder: Path, chosen: Path, clock: Clock) -> Path | None:
    """Put a backup in the database's place; what is there is kept aside, and returned.

    Raises StoreError, with all as it was, when the backup is not whole or is newer than this
    program, or when another program is making runs in the folder.
    """
    fault = fault_of(chosen, is_at_rest=True, thorough=True)
    if fault is not None:
        raise StoreError(f"{chosen} cannot be restored: {fault}. Nothing was changed.")
    with reading(chosen, is_at_rest=True) as connection:
        refuse_newer(version_of(connection), chosen)
    last_run = Settings(folder).last_run()
    unfinished = folder / f"{NAME}.restored"
    with making_runs(folder), said_of(folder / NAME):
        remove(unfinished)
        shutil.copyfile(chosen, unfinished)
        with closing(sqlite3.connect(unfinished)) as made:
            give_no_number_twice(made, last_run)
            made.commit()
        sync_file(unfinished)
        fault = fault_of(unfinished, is_at_rest=True, thorough=True)
        if fault is not None:
            remove(unfinished)
            raise StoreError(f"{chosen} was not copied whole ({fault}). Nothing was changed.")
        aside = set_aside(folder, clock)
        put_in_place(unfinished, folder / NAME)
        return aside


def set_aside(folder: Path, clock: Clock) -> Path | None:
    """Rename the database with its log to a dated name, whatever its state.

    Returns the new name of the database, or of what is left of it; None where nothing is there.

    Raises OSError when that fails.
    """
    file = folder / NAME
    present = [ending for ending in ("", *BESIDE) if file.with_name(NAME + ending).exists()]
    if not present:
        return None
    dated = f"{ASIDE}{in_name(stamp(clock, boot_id()))}"
    aside, times = folder / f"{dated}.db", 1
    while any(aside.with_name(aside.name + ending).exists() for ending in ("", *BESIDE)):
        times += 1
        aside = folder / f"{dated}-{times}.db"
    for ending in present:
        file.with_name(NAME + ending).rename(aside.with_name(aside.name + ending))
    sync_folder(folder)
    return aside.with_name(aside.name + present[0])


def give_no_number_twice(connection: sqlite3.Connection, last_run: int) -> None:
    """See that the next run gets a number above `last_run`."""
    connection.execute(
        "INSERT INTO sqlite_sequence (name, seq) SELECT 'run', 0 WHERE NOT EXISTS"
        " (SELECT 1 FROM sqlite_sequence WHERE name = 'run')"
    )
    connection.execute(
        "UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = 'run'", (last_run,)
    )


def _number(file: Path) -> int:
    match = _NUMBERED.fullmatch(file.name)
    return int(match[1]) if match else 0


def _stamp_of(file: Path) -> Stamp | None:
    """Read when a backup was taken, None where it cannot be read."""
    try:
        with reading(file, is_at_rest=True) as connection:
            row = connection.execute(
                "SELECT utc, clock_was_set, boot_id, mono_s FROM backup ORDER BY backup DESC"
            ).fetchone()
    except StoreError:
        return None
    return None if row is None else Stamp(to_utc(row[0]), bool(row[1]), row[2], row[3])
