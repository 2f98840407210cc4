"""Own the tables of the database, version by version; never read or write a row.

A version that was released is never changed: what comes after it is a new one. In a column REAL of
a measured figure NULL stands for not-a-number, which SQLite does not keep.
"""

from collections.abc import Mapping
from types import MappingProxyType

APPLICATION_ID = 0x53544741
"""Stands in the file's header and tells a record of ours from any other database."""

_RUNS = (
    """CREATE TABLE run (
        run INTEGER PRIMARY KEY AUTOINCREMENT,
        tag TEXT NOT NULL,  -- as planned; empty for a run of the rig alone
        family TEXT NOT NULL,
        variant TEXT NOT NULL,
        purpose TEXT NOT NULL,
        began_utc TEXT NOT NULL,  -- a label
        clock_was_set INTEGER NOT NULL,
        boot_id TEXT NOT NULL,
        began_mono_s REAL NOT NULL,
        plan TEXT NOT NULL,  -- JSON
        setup TEXT NOT NULL,  -- JSON
        ending TEXT,
        outcome TEXT,
        voided TEXT,  -- the reason
        CHECK ((ending IS NULL) = (outcome IS NULL))
    ) STRICT""",
    """CREATE TABLE chunk (
        chunk INTEGER PRIMARY KEY,  -- in the order of time
        run INTEGER NOT NULL REFERENCES run,
        host_mono_s REAL NOT NULL,
        missing INTEGER NOT NULL,
        sequence BLOB NOT NULL,
        mcu_us BLOB NOT NULL,
        counts BLOB NOT NULL
    ) STRICT""",
    "CREATE INDEX chunk_of_run ON chunk (run)",
    """CREATE TABLE curve (
        run INTEGER PRIMARY KEY REFERENCES run,
        host_mono_s REAL NOT NULL,
        missing INTEGER NOT NULL,
        frames INTEGER NOT NULL,
        sequence BLOB NOT NULL,
        mcu_us BLOB NOT NULL,
        counts BLOB NOT NULL
    ) STRICT""",
    """CREATE TABLE step (
        step INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        name TEXT NOT NULL,
        state TEXT NOT NULL,
        began_mono_s REAL NOT NULL,
        ended_mono_s REAL NOT NULL,
        first_sequence INTEGER NOT NULL,
        stop_sequence INTEGER NOT NULL,
        ended_by TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX step_of_run ON step (run)",
    """CREATE TABLE step_figure (
        figure INTEGER PRIMARY KEY,
        step INTEGER NOT NULL REFERENCES step,
        name TEXT NOT NULL,
        value REAL
    ) STRICT""",
    "CREATE INDEX step_figure_of_step ON step_figure (step)",
    """CREATE TABLE finding (
        finding INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        code TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX finding_of_run ON finding (run)",
    """CREATE TABLE finding_figure (
        figure INTEGER PRIMARY KEY,
        finding INTEGER NOT NULL REFERENCES finding,
        name TEXT NOT NULL,
        value REAL,
        text TEXT  -- of a figure that is a word; its value is NULL
    ) STRICT""",
    "CREATE INDEX finding_figure_of_finding ON finding_figure (finding)",
    """CREATE TABLE event (
        event INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        mono_s REAL NOT NULL,
        kind TEXT NOT NULL,
        finding INTEGER NOT NULL REFERENCES finding
    ) STRICT""",
    "CREATE INDEX event_of_run ON event (run)",
    """CREATE TABLE test (
        test INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        name TEXT NOT NULL,
        outcome TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX test_of_run ON test (run)",
    """CREATE TABLE reason (
        reason INTEGER PRIMARY KEY,
        run INTEGER NOT NULL REFERENCES run,
        test INTEGER REFERENCES test,  -- NULL: of the run
        finding INTEGER NOT NULL REFERENCES finding
    ) STRICT""",
    "CREATE INDEX reason_of_run ON reason (run)",
    """CREATE TABLE quantity (
        quantity INTEGER PRIMARY KEY,
        test INTEGER NOT NULL REFERENCES test,
        name TEXT NOT NULL,
        kind TEXT NOT NULL,
        value REAL,
        u REAL
    ) STRICT""",
    "CREATE INDEX quantity_of_test ON quantity (test)",
    """CREATE TABLE quantity_source (
        source INTEGER PRIMARY KEY,
        quantity INTEGER NOT NULL REFERENCES quantity,
        name TEXT NOT NULL,
        u REAL
    ) STRICT""",
    "CREATE INDEX quantity_source_of_quantity ON quantity_source (quantity)",
    """CREATE TABLE judgement (
        judgement INTEGER PRIMARY KEY,
        test INTEGER NOT NULL REFERENCES test,
        outcome TEXT NOT NULL,
        probability REAL,
        confidence REAL
    ) STRICT""",
    "CREATE INDEX judgement_of_test ON judgement (test)",
    """CREATE TABLE judgement_limit (
        line INTEGER PRIMARY KEY,
        judgement INTEGER NOT NULL REFERENCES judgement,
        key TEXT NOT NULL,
        place INTEGER,  -- in a list of texts; NULL: one text alone
        text TEXT  -- NULL: an empty list
    ) STRICT""",
    "CREATE INDEX judgement_limit_of_judgement ON judgement_limit (judgement)",
)
_PARTS = (
    """CREATE TABLE part (
        part INTEGER PRIMARY KEY,
        tag TEXT NOT NULL UNIQUE,
        retired TEXT  -- the reason
    ) STRICT""",
    """CREATE TABLE part_tag (
        key TEXT PRIMARY KEY,  -- what two tags share that a person would take for the same
        part INTEGER NOT NULL REFERENCES part
    ) STRICT""",
    "CREATE INDEX part_tag_of_part ON part_tag (part)",
    """CREATE TABLE intake (
        part INTEGER PRIMARY KEY REFERENCES part,
        tag TEXT NOT NULL,
        family TEXT NOT NULL,
        variant TEXT NOT NULL,
        number_read TEXT,
        number_read_unknown TEXT NOT NULL,
        number_claimed TEXT,
        number_claimed_unknown TEXT NOT NULL,
        make TEXT NOT NULL,
        date_code TEXT NOT NULL,
        condition TEXT NOT NULL,
        source TEXT NOT NULL,
        notes TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE look_over (
        line INTEGER PRIMARY KEY,
        part INTEGER NOT NULL REFERENCES intake,
        seen TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX look_over_of_part ON look_over (part)",
    """CREATE TABLE change (
        change INTEGER PRIMARY KEY,
        what TEXT NOT NULL,
        part INTEGER REFERENCES part,
        run INTEGER REFERENCES run,
        before TEXT NOT NULL,
        after TEXT NOT NULL,
        reason TEXT NOT NULL,
        newest_run INTEGER NOT NULL,  -- what came before or after a change is told by numbers
        utc TEXT NOT NULL,  -- a label
        clock_was_set INTEGER NOT NULL,
        boot_id TEXT NOT NULL,
        mono_s REAL NOT NULL
    ) STRICT""",
    "CREATE INDEX change_of_part ON change (part)",
    """CREATE TABLE backup (
        backup INTEGER PRIMARY KEY,  -- written into the copy, not into what it was taken of
        utc TEXT NOT NULL,
        clock_was_set INTEGER NOT NULL,
        boot_id TEXT NOT NULL,
        mono_s REAL NOT NULL
    ) STRICT""",
    "ALTER TABLE run ADD COLUMN part INTEGER REFERENCES part",
    "CREATE INDEX run_of_part ON run (part)",
    """INSERT INTO part (tag) SELECT tag FROM (
        SELECT tag, min(run) AS first FROM run WHERE tag <> '' GROUP BY tag_key(tag)
    ) ORDER BY first""",
    "INSERT INTO part_tag (key, part) SELECT tag_key(tag), part FROM part",
    "UPDATE run SET part = (SELECT part FROM part_tag WHERE key = tag_key(run.tag))",
)
VERSIONS: Mapping[int, tuple[str, ...]] = MappingProxyType({1: _RUNS, 2: _PARTS})
"""What brings a database from the version before to this one, statement by statement.

`tag_key` is the function of that name in `rig.parts.intake`.
"""
NEWEST = max(VERSIONS)
BACKUPS_STAMPED = 2
"""The version since which a backup says when it was taken."""
