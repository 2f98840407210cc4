"""Tests of parts in the record: taken in, renamed, retired, rebuilt, and never deleted."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rig.clock import FastClock
from rig.errors import InputError
from rig.parts.intake import PartNumber
from rig.parts.standing import standing
from rig.records import Outcome
from rig.runs import Ending, RunResult, TestResult
from rig.store.records import Change, PartRecord
from rig.store.store import Store
from tests.unit.store.kept import INTAKE, PLAN, RESULT, SETUP, START, part_named


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Open a new record that writes in the calling thread."""
    clock = FastClock(START, longest_step_s=60.0)
    with Store.open(tmp_path, clock, threaded=False, boot_id="boot-a") as made:
        yield made


def _make_run(store: Store, tag: str = "N01", began_utc: datetime = START) -> int:
    run = store.begin(replace(PLAN, tag=tag), replace(SETUP, began_utc=began_utc))
    store.finish(run, RESULT)
    return run


def test_a_part_comes_back_as_it_was_taken_in(store: Store) -> None:
    """Both numbers with what is unknown of them, the look-over in its order, every text."""
    plain = replace(
        part_named("N02"), number_read=PartNumber("17-3"), look_over=(), notes="", source="",
    )  # fmt: skip
    store.add_part(INTAKE)
    store.add_part(plain)
    assert store.part("N01") == PartRecord("N01", INTAKE)
    assert store.part("n02") == PartRecord("N02", plain)
    assert store.parts() == (PartRecord("N01", INTAKE), PartRecord("N02", plain))


def test_parts_are_listed_by_their_tags_whatever_the_letters(store: Store) -> None:
    """Small letters do not come after all capitals."""
    for tag in ("b2", "A1", "C3"):
        store.add_part(part_named(tag))
    assert [each.tag for each in store.parts()] == ["A1", "b2", "C3"]


def test_a_part_that_was_tested_first_gets_its_intake_later(store: Store) -> None:
    """Its runs are then those of the part that was taken in."""
    run = _make_run(store)
    assert store.part("N01") == PartRecord("N01", None)
    store.add_part(INTAKE)
    assert store.part("N01") == PartRecord("N01", INTAKE)
    assert [each.run for each in store.runs_of("N01")] == [run]


@pytest.mark.parametrize("tag", ["N01", "n01"])
def test_a_tag_is_given_once(store: Store, tag: str) -> None:
    """Two parts with one tag would share one story."""
    store.add_part(INTAKE)
    with pytest.raises(InputError, match=f"the tag '{tag}' names a part already"):
        store.add_part(part_named(tag))
    assert len(store.parts()) == 1


def test_a_part_that_was_renamed_is_found_by_every_tag_it_had(store: Store) -> None:
    """The old label is still on some bag, and the runs made under it are still its own."""
    store.add_part(INTAKE)
    first = _make_run(store)
    store.rename("N01", "N21", "the tag came off")
    second = _make_run(store, "N21")
    third = _make_run(store, "N01")
    for tag in ("N01", "N21", "n21"):
        assert [each.run for each in store.runs_of(tag)] == [third, second, first]
        assert store.part(tag).tag == "N21"
    assert {each.tag for each in store.runs(9)} == {"N21"}
    assert store.load(first).plan.tag == "N01", "the plan stays as it was made"
    assert store.part("N01").intake == INTAKE
    # and back again
    store.rename("N21", "N01", "the tag was found")
    assert store.part("N21").tag == "N01"


def test_an_old_tag_is_not_free_for_another_part(store: Store) -> None:
    """Else an old label would lead to the wrong part; the error says which tag it has now."""
    store.add_part(INTAKE)
    store.add_part(part_named("N02"))
    store.rename("N01", "N21", "new labels")
    for attempt in (
        lambda: store.add_part(part_named("n01")),
        lambda: store.rename("N02", "N01", "why not"),
    ):
        with pytest.raises(InputError, match=r"already, now 'N21'\. A tag is never"):
            attempt()
    with pytest.raises(InputError, match="has the tag 'N21' already"):
        store.rename("N01", "N21", "again")
    with pytest.raises(InputError, match="is no tag"):
        store.rename("N01", "a/b", "slash")


@pytest.mark.parametrize(
    "change",
    [
        lambda store: store.rename("N09", "N10", "why"),
        lambda store: store.retire("N09", "why"),
        lambda store: store.rebuilt("N09", "why"),
        lambda store: store.part("N09"),
        lambda store: store.runs_of("N09"),
        lambda store: store.history("N09"),
    ],
)
def test_a_part_that_is_not_there_is_named(store: Store, change: Callable[[Store], None]) -> None:
    """A tag that was mistyped makes no part."""
    with pytest.raises(InputError, match="no part has the tag 'N09'"):
        change(store)
    assert store.parts() == ()


def test_a_change_needs_its_reason(store: Store) -> None:
    """In years nobody remembers why."""
    store.add_part(INTAKE)
    run = _make_run(store)
    for change in (
        lambda: store.rename("N01", "N02", ""),
        lambda: store.retire("N01", " "),
        lambda: store.rebuilt("N01", ""),
        lambda: store.void(run, ""),
        lambda: store.move(run, "N01", "\t"),
    ):
        with pytest.raises(InputError, match="needs a reason"):
            change()


def test_a_retired_part_keeps_its_story(store: Store) -> None:
    """Retired once, with the reason; it is listed as before."""
    store.add_part(INTAKE)
    run = _make_run(store)
    store.retire("N01", "sold")
    assert store.part("N01") == PartRecord("N01", INTAKE, "sold")
    assert [each.run for each in store.runs_of("N01")] == [run]
    with pytest.raises(InputError, match=r"retired already \(sold\)"):
        store.retire("N01", "sold again")


def test_every_change_is_on_record_with_its_moment(tmp_path: Path) -> None:
    """What, from what to what, why, and when by which clock, in the order it was done."""
    clock = FastClock(START, longest_step_s=60.0)
    with Store.open(tmp_path, clock, threaded=False, boot_id="boot-a") as store:
        store.add_part(INTAKE)
        clock.wait(10.0)
        run = _make_run(store)
        store.add_part(part_named("N02"))
        store.rename("N01", "N21", "label lost")
        store.rebuilt("N21", "new rubber")
        clock.wait(10.0)
        store.void(run, "hose was off")
        store.move(run, "N02", "mixed up")
        store.retire("N21", "sold")
        changes = store.history("N01")
        others = store.history("N02")
    assert [(each.change, each.run, each.before, each.after, each.reason) for each in changes] == [
        (Change.TAKEN_IN, None, "", "N01", ""),
        (Change.RENAMED, None, "N01", "N21", "label lost"),
        (Change.REBUILT, None, "", "", "new rubber"),
        (Change.VOIDED, run, "", "", "hose was off"),
        (Change.MOVED, run, "N21", "N02", "mixed up"),
        (Change.RETIRED, None, "", "", "sold"),
    ]
    assert [each.change for each in others] == [Change.TAKEN_IN, Change.VOIDED, Change.MOVED]
    moments = [each.stamp for each in changes]
    assert {(each.clock_was_set, each.boot_id) for each in moments} == {(True, "boot-a")}
    assert [round(each.mono_s, 3) for each in moments] == [1000.0, 1010.0, 1010.0] + [1020.0] * 3
    assert abs(moments[-1].utc - START - timedelta(seconds=20)) < timedelta(milliseconds=1)


def test_runs_from_before_a_rebuild_do_not_stand_for_the_part(store: Store) -> None:
    """Leak rising over years, then rebuilt: what was measured before says nothing any more."""
    now = datetime(2026, 6, 1, tzinfo=UTC)
    for age_days in (900, 600, 300):
        _make_run(store, began_utc=now - timedelta(days=age_days))
    other = _make_run(store, "N02", began_utc=now)

    def stands() -> Outcome:
        return standing(store.runs_of("N01"), ("hold",), now, timedelta(days=365)).outcome

    assert stands() is Outcome.FAIL
    store.rebuilt("N01", "new diaphragm")
    assert stands() is Outcome.NOT_TESTED
    run = store.begin(PLAN, replace(SETUP, began_utc=now - timedelta(days=1)))
    tests = (TestResult("hold", Outcome.PASS),)
    store.finish(run, RunResult(Ending.FINISHED, Outcome.PASS, tests))
    assert stands() is Outcome.PASS
    assert [each.before_rebuild for each in store.runs_of("N01")] == [False, True, True, True]
    store.rebuilt("N01", "once more")
    assert stands() is Outcome.NOT_TESTED
    assert [each.before_rebuild for each in store.runs_of("N01")] == [True] * 4
    assert [each.before_rebuild for each in store.runs_of("N02")] == [False]
    assert store.runs_of("N02")[0].run == other
