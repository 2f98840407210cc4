"""Own how rows become the records of a run again, exactly; never change one."""

import math
import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Any

import numpy as np

from rig.errors import InputError, StoreError
from rig.readings import Samples
from rig.records import Estimate, Finding, Outcome
from rig.runs import (
    Ending,
    EventRecord,
    Judged,
    KeptRun,
    Measured,
    RunResult,
    StepRecord,
    TestResult,
)
from rig.store.curves import unpack
from rig.store.plain import to_utc
from rig.store.snapshots import channels_of, to_plan, to_setup
from rig.units import Kind


def kept_run(connection: sqlite3.Connection, run: int) -> KeptRun:
    """Read a run with everything that was kept of it.

    Raises InputError when there is no such run, StoreError when its samples are damaged.
    """
    row = connection.execute(
        "SELECT plan, setup, boot_id, began_mono_s, began_utc, clock_was_set, ending, outcome,"
        " voided FROM run WHERE run = ?",
        (run,),
    ).fetchone()
    if row is None:
        raise InputError(f"there is no run {run}: look at the list of runs.")
    plan, setup, boot_id, began_mono_s, began_utc, clock_was_set, ending, outcome, voided = row
    findings = _findings(connection, run)
    return KeptRun(
        run,
        to_plan(plan),
        to_setup(
            setup, boot_id, began_mono_s, to_utc(began_utc), clock_was_set=bool(clock_was_set)
        ),
        tuple(_steps(connection, run)),
        tuple(_events(connection, run, findings)),
        samples_of(connection, run),
        None if ending is None else _result(connection, run, ending, outcome, findings),
        voided,
    )


_SAMPLES = (
    "SELECT host_mono_s, missing, sequence, mcu_us, counts FROM curve WHERE run = ?",
    "SELECT host_mono_s, missing, sequence, mcu_us, counts FROM chunk WHERE run = ? ORDER BY chunk",
)
"""A run has a curve or pieces, never both."""


def samples_of(connection: sqlite3.Connection, run: int) -> Samples:
    """Read the samples of a run: its curve, or the pieces while it is being made.

    Raises StoreError when they are damaged.
    """
    pieces = [row for select in _SAMPLES for row in connection.execute(select, (run,))]
    if not pieces:
        nothing = np.empty(0, dtype=np.int64)
        return Samples(nothing, nothing, np.empty((0, _channels(connection, run)), np.int64), 0.0)
    try:
        sequence, mcu_us, counts = (
            np.concatenate([unpack(piece[column]) for piece in pieces]) for column in (2, 3, 4)
        )
    except ValueError as error:
        raise StoreError(f"the samples of run {run} are damaged ({error}).") from error
    return Samples(sequence, mcu_us, counts, pieces[-1][0], sum(piece[1] for piece in pieces))


def _channels(connection: sqlite3.Connection, run: int) -> int:
    (setup,) = connection.execute("SELECT setup FROM run WHERE run = ?", (run,)).fetchone()
    return channels_of(setup)


def _steps(connection: sqlite3.Connection, run: int) -> Iterator[StepRecord]:
    figures = _grouped(
        connection.execute(
            "SELECT step, step_figure.name, value FROM step_figure JOIN step USING (step)"
            " WHERE run = ? ORDER BY figure",
            (run,),
        )
    )
    rows = connection.execute(
        "SELECT step, step.name, state, began_mono_s, ended_mono_s, first_sequence, stop_sequence,"
        " ended_by FROM step WHERE run = ? ORDER BY step",
        (run,),
    )
    for step, name, state, began_mono_s, ended_mono_s, first, stop, ended_by in rows:
        of_step = MappingProxyType({figure: _number(value) for figure, value in figures[step]})
        yield StepRecord(name, state, began_mono_s, ended_mono_s, first, stop, ended_by, of_step)


def _events(
    connection: sqlite3.Connection, run: int, findings: Mapping[int, Finding]
) -> Iterator[EventRecord]:
    rows = connection.execute(
        "SELECT mono_s, kind, finding FROM event WHERE run = ? ORDER BY event", (run,)
    )
    for mono_s, kind, finding in rows:
        yield EventRecord(mono_s, kind, findings[finding])


def _findings(connection: sqlite3.Connection, run: int) -> dict[int, Finding]:
    figures = _grouped(
        connection.execute(
            "SELECT finding, name, value, text FROM finding_figure JOIN finding USING (finding)"
            " WHERE run = ? ORDER BY figure",
            (run,),
        )
    )
    rows = connection.execute("SELECT finding, code FROM finding WHERE run = ?", (run,))
    return {
        finding: Finding(
            code,
            MappingProxyType(
                {
                    name: _number(value) if text is None else text
                    for name, value, text in figures[finding]
                }
            ),
        )
        for finding, code in rows
    }


def _result(
    connection: sqlite3.Connection,
    run: int,
    ending: str,
    outcome: str,
    findings: Mapping[int, Finding],
) -> RunResult:
    reasons = _grouped(
        connection.execute(
            "SELECT coalesce(test, 0), finding FROM reason WHERE run = ? ORDER BY reason", (run,)
        )
    )

    def said(test: int) -> tuple[Finding, ...]:
        return tuple(findings[finding] for (finding,) in reasons[test])

    quantities, judgements = _quantities(connection, run), _judgements(connection, run)
    rows = connection.execute(
        "SELECT test, name, outcome FROM test WHERE run = ? ORDER BY test", (run,)
    )
    tests = tuple(
        TestResult(
            name, Outcome(each), tuple(quantities[test]), tuple(judgements[test]), said(test)
        )
        for test, name, each in rows
    )
    return RunResult(Ending(ending), Outcome(outcome), tests, said(0))


def _quantities(connection: sqlite3.Connection, run: int) -> defaultdict[int, list[Measured]]:
    sources = _grouped(
        connection.execute(
            "SELECT quantity, quantity_source.name, quantity_source.u FROM quantity_source"
            " JOIN quantity USING (quantity) JOIN test USING (test) WHERE run = ? ORDER BY source",
            (run,),
        )
    )
    rows = connection.execute(
        "SELECT test, quantity, quantity.name, kind, value, u FROM quantity JOIN test USING (test)"
        " WHERE run = ? ORDER BY quantity",
        (run,),
    )
    found = defaultdict(list)
    for test, quantity, name, kind, value, u in rows:
        split = MappingProxyType({source: _number(each) for source, each in sources[quantity]})
        estimate = Estimate(_number(value), _number(u), split)
        found[test].append(Measured(name, Kind(kind), estimate))
    return found


def _judgements(connection: sqlite3.Connection, run: int) -> defaultdict[int, list[Judged]]:
    lines = _grouped(
        connection.execute(
            "SELECT judgement, key, place, text FROM judgement_limit"
            " JOIN judgement USING (judgement) JOIN test USING (test) WHERE run = ? ORDER BY line",
            (run,),
        )
    )
    rows = connection.execute(
        "SELECT test, judgement, judgement.outcome, probability, confidence FROM judgement"
        " JOIN test USING (test) WHERE run = ? ORDER BY judgement",
        (run,),
    )
    found = defaultdict(list)
    for test, judgement, outcome, probability, confidence in rows:
        limit: dict[str, str | tuple[str, ...]] = {}
        for key, place, text in lines[judgement]:
            if place is None:
                limit[key] = text
            else:
                limit[key] = (*limit.get(key, ()), *(() if text is None else (text,)))
        judged = Judged(MappingProxyType(limit), Outcome(outcome), probability, confidence)
        found[test].append(judged)
    return found


def _grouped(rows: Iterator[Any]) -> defaultdict[int, list[Any]]:
    """Group rows by their first column, which is left out."""
    found: defaultdict[int, list[Any]] = defaultdict(list)
    for first, *others in rows:
        found[first].append(others)
    return found


def _number(value: float | None) -> float:
    return math.nan if value is None else value
