"""Tests of how a closed run is amended: voided, moved, its label corrected; its data stay."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from rig.clock import FastClock
from rig.errors import InputError
from rig.runs import KeptRun
from rig.store.records import Change
from rig.store.store import Store
from tests.unit.store.kept import (
    EVENTS,
    PLAN,
    RESULT,
    SETUP,
    START,
    STEPS,
    assert_frames,
    assert_record,
    batch,
    part_named,
)

UNSET = datetime(1970, 1, 1, 0, 0, 40, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Open a new record whose wall clock was not set, in a boot of its own."""
    clock = FastClock(UNSET, longest_step_s=60.0)
    with Store.open(tmp_path, clock, threaded=False, boot_id="boot-a") as made:
        yield made


def _make_run(store: Store, **setup: object) -> int:
    run = store.begin(PLAN, replace(SETUP, **setup))
    store.add_samples(run, batch(17, 20))
    for step in STEPS:
        store.add_step(run, step)
    for event in EVENTS:
        store.add_event(run, event)
    store.finish(run, RESULT)
    return run


def test_a_run_that_is_void_is_all_still_there(store: Store) -> None:
    """It is marked with the reason; nothing that was recorded changes."""
    run = _make_run(store)
    store.void(run, "hose was off")
    kept = store.load(run)
    assert_record(kept, run)
    assert_frames(kept.samples, 17, 37)
    assert kept.voided == "hose was off"
    assert store.runs(1)[0].voided == "hose was off"
    with pytest.raises(InputError, match=r"void already \(hose was off\)"):
        store.void(run, "twice")


def test_a_run_moves_to_the_part_that_was_really_tested(store: Store) -> None:
    """It is listed there and no longer here; the plan still says what was meant."""
    run = _make_run(store)
    store.add_part(part_named("N02"))
    store.move(run, "N02", "bags were mixed up")
    assert store.runs_of("N01") == ()
    assert [each.run for each in store.runs_of("N02")] == [run]
    assert store.runs(1)[0].tag == "N02"
    assert_record(store.load(run), run)
    with pytest.raises(InputError, match="is one of 'N02' already"):
        store.move(run, "N02", "twice")
    with pytest.raises(InputError, match="no part has the tag 'N99'"):
        store.move(run, "N99", "typing error")


def test_a_run_of_the_rig_alone_can_be_given_to_a_part(store: Store) -> None:
    """And its history then says where it came from: nowhere."""
    run = store.begin(replace(PLAN, tag=""), SETUP)
    store.finish(run, RESULT)
    store.add_part(part_named("N02"))
    store.move(run, "N02", "the part was on")
    moved = store.history("N02")[-1]
    assert (moved.change, moved.before, moved.after) == (Change.MOVED, "", "N02")


def test_a_run_that_is_being_made_cannot_be_amended(store: Store) -> None:
    """Its end decides what it is."""
    run = store.begin(PLAN, SETUP)
    store.add_part(part_named("N02"))
    for change in (lambda: store.void(run, "why"), lambda: store.move(run, "N02", "why")):
        with pytest.raises(InputError, match=f"run {run} is still being made"):
            change()
    for change in (lambda: store.void(99, "why"), lambda: store.move(99, "N02", "why")):
        with pytest.raises(InputError, match="there is no run 99"):
            change()
    store.finish(run, RESULT)


def test_labels_of_a_boot_without_a_set_clock_are_corrected(store: Store) -> None:
    """From the monotonic clock: true time there, less what lies between."""
    unset = {"clock_was_set": False, "boot_id": "boot-a", "began_utc": UNSET}
    first = _make_run(store, began_mono_s=1000.5, **unset)
    second = _make_run(store, began_mono_s=1600.0, **unset)
    kept_as_it_is = [
        _make_run(store, clock_was_set=True, boot_id="boot-a", began_mono_s=5.0),
        _make_run(store, clock_was_set=False, boot_id="boot-b", began_utc=UNSET),
    ]
    before = [store.load(run).setup for run in kept_as_it_is]
    true_utc = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)
    store.retire("N01", "sold")
    assert store.correct_clock("boot-a", 2000.0, true_utc) == [first, second]

    def label(kept: KeptRun) -> tuple[datetime, bool]:
        return kept.setup.began_utc, kept.setup.clock_was_set

    assert label(store.load(first)) == (true_utc - timedelta(seconds=999.5), True)
    assert label(store.load(second)) == (true_utc - timedelta(seconds=400.0), True)
    assert [store.load(run).setup for run in kept_as_it_is] == before
    assert [each.began_utc for each in store.runs(4)][2:] == [
        true_utc - timedelta(seconds=400.0),
        true_utc - timedelta(seconds=999.5),
    ]
    # what was changed meanwhile gets its true time, too, and the correction is on record
    retired, *corrected = store.history("N01")
    assert retired.stamp.utc == true_utc - timedelta(seconds=1000.0)
    assert retired.stamp.clock_was_set
    assert [(each.change, each.run, each.before) for each in corrected] == [
        (Change.CLOCK_CORRECTED, first, "1970-01-01T00:00:40.000000+00:00"),
        (Change.CLOCK_CORRECTED, second, "1970-01-01T00:00:40.000000+00:00"),
    ]
    assert corrected[0].after == "2026-05-01T11:43:20.500000+00:00"
    assert store.correct_clock("boot-a", 2000.0, START) == [], "what is set is not set again"


def test_only_a_true_time_corrects(store: Store) -> None:
    """A clock that is not set itself cannot set others."""
    with pytest.raises(InputError, match="set the clock first"):
        store.correct_clock("boot-a", 2000.0, UNSET)
