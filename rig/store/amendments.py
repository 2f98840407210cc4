"""Own how a run that is closed is amended: voided, moved, its label corrected; never its data."""

import sqlite3
from collections.abc import Iterable
from datetime import datetime, timedelta

from rig.errors import InputError
from rig.store.parts import insert_change, part_number
from rig.store.plain import from_utc
from rig.store.records import Change, Stamp


def void_run(connection: sqlite3.Connection, run: int, reason: str, stamp: Stamp) -> None:
    """Mark a run as one that counts for nothing.

    Raises InputError when there is no such run, it is not closed, or it is void already.
    """
    part, voided = _closed(connection, run)
    if voided is not None:
        raise InputError(f"run {run} is void already ({voided}).")
    connection.execute("UPDATE run SET voided = ? WHERE run = ?", (reason, run))
    insert_change(connection, Change.VOIDED, stamp, part=part, run=run, reason=reason)


def move_run(connection: sqlite3.Connection, run: int, tag: str, reason: str, stamp: Stamp) -> None:
    """Give a run to the part that was really tested.

    Raises InputError when there is no such run or part, the run is not closed, or is there already.
    """
    old, _ = _closed(connection, run)
    new = part_number(connection, tag)
    if old == new:
        raise InputError(f"run {run} is one of '{tag}' already.")
    before, after = _tag_or_none(connection, old), _tag_or_none(connection, new)
    connection.execute("UPDATE run SET part = ? WHERE run = ?", (new, run))
    insert_change(
        connection,
        Change.MOVED,
        stamp,
        part=old,
        run=run,
        before=before,
        after=after,
        reason=reason,
    )


def correct_clock(
    connection: sqlite3.Connection, boot_id: str, mono_s: float, utc: datetime, stamp: Stamp
) -> list[int]:
    """Correct the labels of what was done in a boot while its wall clock was not set.

    `utc` is the true time at `mono_s` of that boot. Returns the runs whose label was corrected.
    """
    runs = connection.execute(
        "SELECT run, began_utc, began_mono_s, part FROM run"
        " WHERE boot_id = ? AND NOT clock_was_set ORDER BY run",
        (boot_id,),
    ).fetchall()
    for run, before, began_mono_s, part in runs:
        after = from_utc(utc - timedelta(seconds=mono_s - began_mono_s))
        connection.execute(
            "UPDATE run SET began_utc = ?, clock_was_set = 1 WHERE run = ?", (after, run)
        )
        insert_change(
            connection,
            Change.CLOCK_CORRECTED,
            stamp,
            part=part,
            run=run,
            before=before,
            after=after,
        )
    changes: Iterable[tuple[int, float]] = connection.execute(
        "SELECT change, mono_s FROM change WHERE boot_id = ? AND NOT clock_was_set", (boot_id,)
    ).fetchall()
    for change, changed_mono_s in changes:
        after = from_utc(utc - timedelta(seconds=mono_s - changed_mono_s))
        connection.execute(
            "UPDATE change SET utc = ?, clock_was_set = 1 WHERE change = ?", (after, change)
        )
    return [run for run, *_ in runs]


def _closed(connection: sqlite3.Connection, run: int) -> tuple[int | None, str | None]:
    """Get part and voiding of a run that is closed."""
    row = connection.execute(
        "SELECT part, voided, ending FROM run WHERE run = ?", (run,)
    ).fetchone()
    if row is None:
        raise InputError(f"there is no run {run}: look at the list of runs.")
    part, voided, ending = row
    if ending is None:
        raise InputError(f"run {run} is still being made: wait until it has ended.")
    return part, voided


def _tag_or_none(connection: sqlite3.Connection, part: int | None) -> str:
    row = connection.execute("SELECT tag FROM part WHERE part = ?", (part,)).fetchone()
    return "" if row is None else str(row[0])
