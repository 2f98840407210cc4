"""Own a part's story in the order in which it happened; never change it, and never print it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from heapq import merge

from rig import words
from rig.cli import layout, plain, run_list, standings
from rig.cli.parts_list import Listed, Wanted, one_listed
from rig.cli.places import system_clock
from rig.parts.intake import PartNumber
from rig.records import Purpose
from rig.runs import KeptRun, RunHeader, TestResult
from rig.store.records import Change, ChangeRecord
from rig.store.store import Store

_SHOWN = ("equivalent_drop", "observed_drop", "leak", "leak_at_least", "own_leak", "rig_volume")
"""The quantities that tell a run's story; the others stand with the run."""


@dataclass(frozen=True)
class Story:
    """A part with everything that happened to it, each in the order it was done."""

    listed: Listed
    purpose: Purpose
    runs: tuple[tuple[RunHeader, KeptRun], ...]
    changes: tuple[ChangeRecord, ...]


def story_of(store: Store, tag: str, wanted: Wanted) -> Story:
    """Read the story of the part that has or had a tag.

    Raises InputError where there is no such part.
    """
    part = store.part(tag)
    headers = sorted(store.runs_of(tag), key=lambda each: each.run)
    return Story(
        one_listed(store, part, wanted, system_clock().utc()),
        wanted.purpose,
        tuple((each, store.load(each.run)) for each in headers),
        store.history(tag),
    )


def as_json(story: Story) -> plain.Json:
    """Tell the story to a program."""
    runs = []
    for header, kept in story.runs:
        tests = () if kept.result is None else kept.result.tests
        measured = {test.name: _measured(test) for test in tests}
        runs.append({**plain.header(header), "measured": measured})
    return {
        **plain.part(story.listed.part),
        "purpose": str(story.purpose),
        "standing": plain.standing(story.listed.stands),
        "runs": runs,
        "changes": [plain.change(each) for each in story.changes],
    }


def as_text(story: Story) -> str:
    """Tell the story to a person: how it came in, how it stands, what happened."""
    return "\n".join(
        [
            *layout.paragraphs([_head(story)]),
            "",
            *layout.labelled([*_intake_rows(story), *_standing_rows(story)]),
            "",
            *(layout.table(_happened(story)) or [words.NO_RUNS]),
        ]
    )


def _head(story: Story) -> str:
    listed = story.listed
    if standings.is_rig(listed.part.tag):
        return f"{listed.part.tag}: {words.RIG_ITSELF}"
    return f"{listed.part.tag}: {standings.what_it_is(listed.kind, in_full=True)}"


def _intake_rows(story: Story) -> Iterator[tuple[str, str]]:
    part, label = story.listed.part, words.PART_LABELS
    intake = part.intake
    if intake is not None:
        yield label["number_read"], _number(intake.number_read)
        yield label["number_claimed"], _number(intake.number_claimed)
        yield label["make"], intake.make
        yield label["date_code"], intake.date_code
        yield label["condition"], words.PART_CONDITIONS[intake.condition]
        yield label["source"], intake.source
        yield label["seen"], ", ".join(words.LOOK_OVER[each] for each in intake.look_over)
        yield label["notes"], intake.notes
    elif not standings.is_rig(part.tag):
        yield label["condition"], words.NEVER_TAKEN_IN
    yield label["retired"], part.retired or ""


def _number(number: PartNumber) -> str:
    return number.text or f"{words.NO_NUMBER}: {number.why_unknown}"


def _standing_rows(story: Story) -> Iterator[tuple[str, str]]:
    listed, label = story.listed, words.PART_LABELS["standing"]
    stands = listed.stands
    short = standings.in_short(stands, listed.now_utc)
    of_rig = standings.is_rig(listed.part.tag)
    yield label, short if of_rig else f"{words.PURPOSES[story.purpose]}: {short}"
    if stands is None:
        return
    for name, test in stands.tests.items():
        outcome = f"{words.OUTCOMES[test.outcome]}, {words.RUN_LABELS['run']} {test.run}"
        yield "", words.RUN_LINES["test"].format(test=name, outcome=outcome)
    for missing in stands.missing:
        yield "", f"{missing.figures['test']}: {words.gap(missing)}"


def _happened(story: Story) -> list[tuple[str, str]]:
    """List what happened with its date, runs and changes in one order.

    Each of the two keeps its own order, whatever the wall clock showed; where it was not set, a
    thing stands right after the one before it.
    """
    runs = [
        (header.began_utc, header.clock_was_set, _of_run(header, kept, story.changes))
        for header, kept in story.runs
    ]
    changes = [
        (each.stamp.utc, each.stamp.clock_was_set, [_of_change(each)]) for each in story.changes
    ]
    rows: list[tuple[str, str]] = []
    for _, date, texts in merge(_in_order(changes), _in_order(runs), key=lambda each: each[0]):
        rows += layout.several(date, texts)
    return rows


def _in_order(
    dated: Sequence[tuple[datetime, bool, list[str]]],
) -> Iterator[tuple[datetime, str, list[str]]]:
    latest = datetime.min.replace(tzinfo=UTC)
    for utc, clock_was_set, texts in dated:
        if clock_was_set:
            latest = max(latest, utc)
        yield latest, words.moment(utc, clock_was_set=clock_was_set), texts


def _of_change(change: ChangeRecord) -> str:
    return words.CHANGES[change.change].format(
        run=change.run, before=change.before, after=change.after, reason=change.reason
    )


def _of_run(header: RunHeader, kept: KeptRun, changes: Sequence[ChangeRecord]) -> list[str]:
    """Say what a run was and what it measured, each test on a line of its own."""
    purpose = f"{words.RUN_LABELS['run']} {header.run}, {words.PURPOSES[header.purpose]}"
    marks = [
        words.RUN_LINES["moved_here"].format(tag=change.before)
        for change in changes
        if change.change is Change.MOVED and change.run == header.run and change.before
    ][-1:]
    lines = ["; ".join([f"{purpose}: {run_list.outcome_of(header)}", *marks])]
    for test in () if kept.result is None else kept.result.tests:
        told = [
            f"{words.quantity(each.name)} {words.estimate(each.estimate, each.kind)}"
            for each in test.measured
            if each.name in _SHOWN
        ]
        outcome = "; ".join([words.OUTCOMES[test.outcome], *told])
        lines.append(words.RUN_LINES["test"].format(test=test.name, outcome=outcome))
    return lines


def _measured(test: TestResult) -> list[plain.Json]:
    return [
        {
            "name": each.name,
            "kind": str(each.kind),
            "value": each.estimate.value,
            "u": each.estimate.u,
        }
        for each in test.measured
    ]
