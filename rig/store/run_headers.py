"""Own how the rows of runs become the lines of a list; never read a curve."""

import sqlite3
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from rig.records import Outcome, Purpose
from rig.runs import Ending, RunHeader
from rig.store.plain import to_utc

_HEADERS = """
    SELECT run.run, coalesce(part.tag, run.tag), family, variant, purpose, began_utc, clock_was_set,
        ending, outcome, voided,
        run.run <= coalesce(
            (SELECT max(newest_run) FROM change WHERE what = 'rebuilt' AND change.part = run.part),
            0
        )
    FROM run LEFT JOIN part ON part.part = run.part
"""


def headers(connection: sqlite3.Connection, limit: int) -> tuple[RunHeader, ...]:
    """Read the headers of the newest runs, newest first."""
    rows = connection.execute(f"{_HEADERS} ORDER BY run.run DESC LIMIT ?", (limit,))
    return _made_headers(connection, rows.fetchall())


def headers_of(connection: sqlite3.Connection, part: int) -> tuple[RunHeader, ...]:
    """Read the headers of all runs of a part, newest first."""
    rows = connection.execute(f"{_HEADERS} WHERE run.part = ? ORDER BY run.run DESC", (part,))
    return _made_headers(connection, rows.fetchall())


def _made_headers(connection: sqlite3.Connection, rows: list[Any]) -> tuple[RunHeader, ...]:
    return tuple(
        RunHeader(
            run=run,
            tag=tag,
            family=family,
            variant=variant,
            purpose=Purpose(purpose),
            began_utc=to_utc(began_utc),
            clock_was_set=bool(clock_was_set),
            ending=None if ending is None else Ending(ending),
            outcome=None if outcome is None else Outcome(outcome),
            tests=_outcomes(connection, run),
            voided=voided,
            before_rebuild=bool(before_rebuild),
        )
        for (
            run, tag, family, variant, purpose, began_utc, clock_was_set, ending, outcome, voided,
            before_rebuild,
        ) in rows
    )  # fmt: skip


def _outcomes(connection: sqlite3.Connection, run: int) -> Mapping[str, Outcome]:
    rows = connection.execute("SELECT name, outcome FROM test WHERE run = ? ORDER BY test", (run,))
    return MappingProxyType({name: Outcome(outcome) for name, outcome in rows})
