"""Own how the records of a run become rows; never open, commit or wait.

Rows of one kind keep the order they were written in: their numbers rise.
"""

import sqlite3
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from rig.errors import StoreError
from rig.readings import Samples
from rig.records import Finding, Outcome
from rig.runs import (
    Ending,
    EventRecord,
    Judged,
    Measured,
    RunPlan,
    RunResult,
    RunSetup,
    StepRecord,
    TestResult,
)
from rig.store.curves import pack
from rig.store.plain import from_utc
from rig.store.run_reading import samples_of
from rig.store.snapshots import from_plan, from_setup


def insert_run(
    connection: sqlite3.Connection, plan: RunPlan, setup: RunSetup, part: int | None
) -> int:
    """Begin a run and return its number."""
    return _insert(
        connection,
        "run",
        {
            "tag": plan.tag,
            "family": plan.family,
            "variant": plan.variant,
            "purpose": str(plan.purpose),
            "began_utc": from_utc(setup.began_utc),
            "clock_was_set": int(setup.clock_was_set),
            "boot_id": setup.boot_id,
            "began_mono_s": float(setup.began_mono_s),
            "plan": from_plan(plan),
            "setup": from_setup(setup),
            "part": part,
        },
    )


def insert_chunk(connection: sqlite3.Connection, run: int, batches: Sequence[Samples]) -> None:
    """Keep batches of samples that follow each other, as one piece of the run's curve."""
    whole = joined(batches)
    _insert(
        connection,
        "chunk",
        {
            "run": run,
            "host_mono_s": float(whole.host_mono_s),
            "missing": int(whole.missing),
            **_packed(whole),
        },
    )


def add_missing(connection: sqlite3.Connection, run: int, missing: int) -> None:
    """Add frames that never arrived to the newest piece of a run's curve."""
    connection.execute(
        "UPDATE chunk SET missing = missing + ?"
        " WHERE chunk = (SELECT max(chunk) FROM chunk WHERE run = ?)",
        (missing, run),
    )


def joined(batches: Sequence[Samples]) -> Samples:
    """Join batches of samples, oldest first, into one."""
    return Samples(
        np.concatenate([batch.sequence for batch in batches]),
        np.concatenate([batch.mcu_us for batch in batches]),
        np.concatenate([batch.counts for batch in batches]),
        batches[-1].host_mono_s,
        sum(batch.missing for batch in batches),
    )


def insert_step(connection: sqlite3.Connection, run: int, step: StepRecord) -> None:
    """Keep a step."""
    number = _insert(
        connection,
        "step",
        {
            "run": run,
            "name": step.name,
            "state": str(step.state),
            "began_mono_s": float(step.began_mono_s),
            "ended_mono_s": float(step.ended_mono_s),
            "first_sequence": int(step.first_sequence),
            "stop_sequence": int(step.stop_sequence),
            "ended_by": str(step.ended_by),
        },
    )
    connection.executemany(
        "INSERT INTO step_figure (step, name, value) VALUES (?, ?, ?)",
        [(number, name, float(value)) for name, value in step.figures.items()],
    )


def insert_event(connection: sqlite3.Connection, run: int, event: EventRecord) -> None:
    """Keep an event."""
    finding = _insert_finding(connection, run, event.finding)
    row = {"run": run, "mono_s": float(event.mono_s), "kind": event.kind, "finding": finding}
    _insert(connection, "event", row)


def close_run(connection: sqlite3.Connection, run: int, result: RunResult) -> None:
    """Keep what came of a run, and put its curve in the place of the pieces.

    Raises StoreError when the run has a result already.
    """
    done = connection.execute(
        "UPDATE run SET ending = ?, outcome = ? WHERE run = ? AND ending IS NULL",
        (str(result.ending), str(result.outcome), run),
    )
    if done.rowcount != 1:
        raise StoreError(f"run {run} has its result already: it was closed by another program.")
    _insert_reasons(connection, run, None, result.reasons)
    for test in result.tests:
        _insert_test(connection, run, test)
    _put_together(connection, run)


def _put_together(connection: sqlite3.Connection, run: int) -> None:
    try:
        samples = samples_of(connection, run)
    except StoreError:
        # Damaged pieces stay as they are: the run can be closed, and only reading it tells.
        return
    _insert(
        connection,
        "curve",
        {
            "run": run,
            "host_mono_s": float(samples.host_mono_s),
            "missing": int(samples.missing),
            "frames": len(samples.sequence),
            **_packed(samples),
        },
    )
    connection.execute("DELETE FROM chunk WHERE run = ?", (run,))


def unfinished(connection: sqlite3.Connection, but: Iterable[int] = ()) -> list[int]:
    """List the runs without a result, but for those that are named."""
    rows = connection.execute("SELECT run FROM run WHERE ending IS NULL ORDER BY run")
    left_out = set(but)
    return [run for (run,) in rows.fetchall() if run not in left_out]


def close_as_interrupted(connection: sqlite3.Connection, run: int) -> None:
    """Close a run whose program ended in its midst: no verdict, and all that was recorded."""
    reason = Finding("run_interrupted")
    close_run(connection, run, RunResult(Ending.INTERRUPTED, Outcome.INVALID, (), (reason,)))


def _insert_test(connection: sqlite3.Connection, run: int, test: TestResult) -> None:
    row = {"run": run, "name": test.name, "outcome": str(test.outcome)}
    number = _insert(connection, "test", row)
    for measured in test.measured:
        _insert_quantity(connection, number, measured)
    for judged in test.judged:
        _insert_judgement(connection, number, judged)
    _insert_reasons(connection, run, number, test.reasons)


def _insert_quantity(connection: sqlite3.Connection, test: int, measured: Measured) -> None:
    estimate = measured.estimate
    row = {
        "test": test,
        "name": measured.name,
        "kind": str(measured.kind),
        "value": float(estimate.value),
        "u": float(estimate.u),
    }
    quantity = _insert(connection, "quantity", row)
    connection.executemany(
        "INSERT INTO quantity_source (quantity, name, u) VALUES (?, ?, ?)",
        [(quantity, name, float(u)) for name, u in estimate.sources.items()],
    )


def _insert_judgement(connection: sqlite3.Connection, test: int, judged: Judged) -> None:
    row = {
        "test": test,
        "outcome": str(judged.outcome),
        "probability": _or_none(judged.probability_of_conformity),
        "confidence": _or_none(judged.confidence),
    }
    judgement = _insert(connection, "judgement", row)
    lines: list[tuple[int, str, int | None, str | None]] = []
    for key, said in judged.limit.items():
        if isinstance(said, str):
            lines.append((judgement, key, None, said))
        else:
            texts: Sequence[str | None] = said or (None,)
            lines += [(judgement, key, place, text) for place, text in enumerate(texts)]
    connection.executemany(
        "INSERT INTO judgement_limit (judgement, key, place, text) VALUES (?, ?, ?, ?)", lines
    )


def _insert_reasons(
    connection: sqlite3.Connection, run: int, test: int | None, reasons: Sequence[Finding]
) -> None:
    for reason in reasons:
        finding = _insert_finding(connection, run, reason)
        _insert(connection, "reason", {"run": run, "test": test, "finding": finding})


def _insert_finding(connection: sqlite3.Connection, run: int, finding: Finding) -> int:
    number = _insert(connection, "finding", {"run": run, "code": finding.code})
    rows = [
        (number, name, None, str(figure))
        if isinstance(figure, str)
        else (number, name, float(figure), None)
        for name, figure in finding.figures.items()
    ]
    connection.executemany(
        "INSERT INTO finding_figure (finding, name, value, text) VALUES (?, ?, ?, ?)", rows
    )
    return number


def _packed(samples: Samples) -> dict[str, bytes]:
    return {
        "sequence": pack(samples.sequence),
        "mcu_us": pack(samples.mcu_us),
        "counts": pack(samples.counts),
    }


def _or_none(number: float | None) -> float | None:
    return None if number is None else float(number)


def _insert(connection: sqlite3.Connection, table: str, row: Mapping[str, object]) -> int:
    """Insert a row, whose names come from this module alone, and return its number."""
    names, marks = ", ".join(row), ", ".join("?" * len(row))
    done = connection.execute(
        f"INSERT INTO {table} ({names}) VALUES ({marks})",  # noqa: S608 - no name from outside
        tuple(row.values()),
    )
    number = done.lastrowid
    if number is None:
        raise StoreError(f"a row of {table} has no number")
    return number
