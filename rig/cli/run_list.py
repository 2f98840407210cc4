"""Own the list of runs, for a person and for a program; never read one."""

from collections.abc import Sequence

from rig import words
from rig.cli import layout, plain
from rig.runs import RunHeader


def as_json(runs: Sequence[RunHeader]) -> plain.Json:
    """Tell the runs to a program, in the order given."""
    return {"runs": [plain.header(each) for each in runs]}


def as_text(runs: Sequence[RunHeader]) -> str:
    """List the runs for a person, in the order given."""
    if not runs:
        return words.NO_RUNS
    names = ("run", "begun", "part", "purpose", "outcome")
    return "\n".join(layout.table([[words.RUN_LABELS[name] for name in names], *map(_row, runs)]))


def outcome_of(run: RunHeader) -> str:
    """Say what came of a run, and whether it counts."""
    said = words.BEING_MADE if run.outcome is None else words.OUTCOMES[run.outcome]
    if run.voided is None:
        return said
    return f"{said}; {words.RUN_LINES['void'].format(reason=run.voided)}"


def _row(run: RunHeader) -> list[str]:
    return [
        str(run.run),
        words.moment(run.began_utc, clock_was_set=run.clock_was_set),
        run.tag,
        words.PURPOSES[run.purpose],
        outcome_of(run),
    ]
