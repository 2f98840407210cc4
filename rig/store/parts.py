"""Own how parts and what was changed of them become rows, and records again; never delete one.

A tag that once named a part never names another, so that an old label still finds its part.
"""

import sqlite3
from typing import Any

from rig.errors import InputError
from rig.parts.intake import (
    Intake,
    LookOver,
    PartCondition,
    PartNumber,
    refuse_bad_tag,
    tag_key,
)
from rig.store.plain import from_utc, to_utc
from rig.store.records import Change, ChangeRecord, PartRecord, Stamp


def part_number(connection: sqlite3.Connection, tag: str) -> int:
    """Find the part that has or had a tag.

    Raises InputError where there is none.
    """
    part = _find(connection, tag)
    if part is None:
        raise InputError(f"no part has the tag '{tag}': look at the list of parts, or take it in.")
    return part


def part_to_test(connection: sqlite3.Connection, tag: str) -> int | None:
    """Find the part of a run, or make a row for one that nobody took in yet; none for no tag."""
    if not tag:
        return None
    part = _find(connection, tag)
    return _new_part(connection, tag) if part is None else part


def take_in(connection: sqlite3.Connection, intake: Intake, stamp: Stamp) -> None:
    """Keep a part as it came in; one that was tested before gets its intake now.

    Raises InputError when the tag names a part that was taken in already.
    """
    part = _find(connection, intake.tag)
    if part is None:
        part = _new_part(connection, intake.tag)
    elif _intake(connection, part) is not None:
        raise InputError(
            f"the tag '{intake.tag}' names a part already{_as_now(connection, part, intake.tag)}."
            " A tag is never given twice: take another."
        )
    connection.execute(
        "INSERT INTO intake VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            part,
            intake.tag,
            intake.family,
            intake.variant,
            intake.number_read.text,
            intake.number_read.why_unknown,
            intake.number_claimed.text,
            intake.number_claimed.why_unknown,
            intake.make,
            intake.date_code,
            str(intake.condition),
            intake.source,
            intake.notes,
        ),
    )
    connection.executemany(
        "INSERT INTO look_over (part, seen) VALUES (?, ?)",
        [(part, str(seen)) for seen in intake.look_over],
    )
    insert_change(connection, Change.TAKEN_IN, stamp, part=part, after=intake.tag)


def rename(connection: sqlite3.Connection, old: str, new: str, reason: str, stamp: Stamp) -> None:
    """Give a part another tag; the old one still finds it.

    Raises InputError when there is no such part, or the new tag is none or another part's.
    """
    refuse_bad_tag(new)
    part = part_number(connection, old)
    owner = _find(connection, new)
    if owner not in (None, part):
        raise InputError(
            f"the tag '{new}' names another part already{_as_now(connection, owner, new)}."
            " A tag is never given twice: take another."
        )
    before = _tag(connection, part)
    if before == new:
        raise InputError(f"the part has the tag '{new}' already.")
    connection.execute("UPDATE part SET tag = ? WHERE part = ?", (new, part))
    connection.execute("INSERT OR IGNORE INTO part_tag VALUES (?, ?)", (tag_key(new), part))
    insert_change(
        connection, Change.RENAMED, stamp, part=part, before=before, after=new, reason=reason
    )


def retire(connection: sqlite3.Connection, tag: str, reason: str, stamp: Stamp) -> None:
    """Mark a part as no longer in use.

    Raises InputError when there is no such part, or it is retired already.
    """
    part = part_number(connection, tag)
    (retired,) = connection.execute("SELECT retired FROM part WHERE part = ?", (part,)).fetchone()
    if retired is not None:
        raise InputError(f"the part '{tag}' is retired already ({retired}).")
    connection.execute("UPDATE part SET retired = ? WHERE part = ?", (reason, part))
    insert_change(connection, Change.RETIRED, stamp, part=part, reason=reason)


def rebuild(connection: sqlite3.Connection, tag: str, note: str, stamp: Stamp) -> None:
    """Note that a part was rebuilt: its runs up to now say nothing of it any more.

    Raises InputError when there is no such part.
    """
    part = part_number(connection, tag)
    insert_change(connection, Change.REBUILT, stamp, part=part, reason=note)


def part_record(connection: sqlite3.Connection, part: int) -> PartRecord:
    """Read a part."""
    tag, retired = connection.execute(
        "SELECT tag, retired FROM part WHERE part = ?", (part,)
    ).fetchone()
    return PartRecord(tag, _intake(connection, part), retired)


def part_records(connection: sqlite3.Connection) -> tuple[PartRecord, ...]:
    """Read all parts, in the order of their tags."""
    rows = connection.execute("SELECT part FROM part ORDER BY tag_key(tag)").fetchall()
    return tuple(part_record(connection, part) for (part,) in rows)


def changes_of(connection: sqlite3.Connection, part: int) -> tuple[ChangeRecord, ...]:
    """Read what was changed of a part and of the runs it has or had, in the order it was done."""
    rows = connection.execute(
        "SELECT what, run, before, after, reason, utc, clock_was_set, boot_id, mono_s FROM change"
        " WHERE part = ? OR run IN (SELECT run FROM run WHERE part = ?) ORDER BY change",
        (part, part),
    )
    return tuple(
        ChangeRecord(
            Change(what),
            run,
            before,
            after,
            reason,
            Stamp(to_utc(utc), bool(clock_was_set), boot_id, mono_s),
        )
        for what, run, before, after, reason, utc, clock_was_set, boot_id, mono_s in rows
    )


def insert_change(
    connection: sqlite3.Connection,
    change: Change,
    stamp: Stamp,
    *,
    part: int | None,
    run: int | None = None,
    before: str = "",
    after: str = "",
    reason: str = "",
) -> None:
    """Keep a change."""
    connection.execute(
        "INSERT INTO change (what, part, run, before, after, reason, newest_run, utc,"
        " clock_was_set, boot_id, mono_s) VALUES (?, ?, ?, ?, ?, ?,"
        " (SELECT coalesce(max(run), 0) FROM run), ?, ?, ?, ?)",
        (str(change), part, run, before, after, reason, *stamp_columns(stamp)),
    )


def stamp_columns(stamp: Stamp) -> tuple[str, int, str, float]:
    """Make the columns utc, clock_was_set, boot_id and mono_s of a stamp."""
    return from_utc(stamp.utc), int(stamp.clock_was_set), stamp.boot_id, float(stamp.mono_s)


def _find(connection: sqlite3.Connection, tag: str) -> int | None:
    row = connection.execute("SELECT part FROM part_tag WHERE key = ?", (tag_key(tag),)).fetchone()
    return None if row is None else int(row[0])


def _new_part(connection: sqlite3.Connection, tag: str) -> int:
    refuse_bad_tag(tag)
    row = connection.execute("INSERT INTO part (tag) VALUES (?) RETURNING part", (tag,)).fetchone()
    connection.execute("INSERT INTO part_tag VALUES (?, ?)", (tag_key(tag), row[0]))
    return int(row[0])


def _tag(connection: sqlite3.Connection, part: int) -> str:
    (tag,) = connection.execute("SELECT tag FROM part WHERE part = ?", (part,)).fetchone()
    return str(tag)


def _as_now(connection: sqlite3.Connection, part: int | None, tag: str) -> str:
    """Say which tag a part has now, where it is not the one that was asked for."""
    now = tag if part is None else _tag(connection, part)
    return "" if now == tag else f", now '{now}'"


def _intake(connection: sqlite3.Connection, part: int) -> Intake | None:
    row: Any = connection.execute(
        "SELECT tag, family, variant, number_read, number_read_unknown, number_claimed,"
        " number_claimed_unknown, make, date_code, condition, source, notes FROM intake"
        " WHERE part = ?",
        (part,),
    ).fetchone()
    if row is None:
        return None
    tag, family, variant, read, read_unknown, claimed, claimed_unknown, *others = row
    make, date_code, condition, source, notes = others
    seen = connection.execute("SELECT seen FROM look_over WHERE part = ? ORDER BY line", (part,))
    return Intake(
        tag,
        family,
        variant,
        PartNumber(read, read_unknown),
        PartNumber(claimed, claimed_unknown),
        make,
        date_code,
        PartCondition(condition),
        source,
        notes,
        tuple(LookOver(code) for (code,) in seen),
    )
