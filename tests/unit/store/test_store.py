"""Tests of the record of runs: what is given is what comes back, to the last digit."""

import json
import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest

from rig.clock import FastClock, SystemClock
from rig.errors import InputError, StoreError
from rig.readings import Samples
from rig.records import Estimate, Finding, Outcome, Purpose
from rig.runs import Ending, Measured, RunResult, StepRecord, TestResult
from rig.store.database import connect
from rig.store.lock import making_runs
from rig.store.run_writing import close_run
from rig.store.store import Store
from rig.store.writer import Writer
from rig.units import Kind
from tests.unit.store.kept import (
    CHANNELS,
    EVENTS,
    PLAN,
    RESULT,
    SETUP,
    START,
    STEPS,
    assert_frames,
    assert_record,
    batch,
    batches,
)


@pytest.fixture
def clock() -> FastClock:
    """Make a clock that moves when a test says so."""
    return FastClock(START, longest_step_s=60.0)


@pytest.fixture
def store(tmp_path: Path, clock: FastClock) -> Iterator[Store]:
    """Open a new record that writes in the calling thread."""
    with Store.open(tmp_path, clock, threaded=False, boot_id="boot-a") as made:
        yield made


def _record(store: Store, stop: int = 517) -> int:
    run = store.begin(PLAN, SETUP)
    for each in batches(17, stop, 7):
        store.add_samples(run, each)
    for step in STEPS:
        store.add_step(run, step)
    for event in EVENTS:
        store.add_event(run, event)
    store.finish(run, RESULT)
    return run


@pytest.mark.parametrize("threaded", [True, False])
def test_a_run_comes_back_as_it_was_recorded(tmp_path: Path, threaded: bool) -> None:
    """Plan, setup, steps, events, result and every frame, also after the program was ended."""
    with Store.open(tmp_path, SystemClock(), threaded=threaded) as store:
        run = _record(store)
        store.flush()
        assert_record(store.load(run), run)
        assert_frames(store.load(run).samples, 17, 517)
        assert store.load(run).voided is None
    with Store.open(tmp_path, SystemClock()) as store:
        assert_record(store.load(run), run)
        assert_frames(store.load(run).samples, 17, 517)


def test_times_and_missing_frames_of_the_batches_are_kept(store: Store) -> None:
    """The newest batch's host time, and every frame that never arrived, of all pieces."""
    run = store.begin(PLAN, SETUP)
    store.add_samples(run, batch(17, 10, missing=2))
    store.add_samples(run, batch(30, 10, missing=3))
    store.flush()
    store.add_samples(run, batch(45, 10, missing=5))
    store.flush()
    for _ in range(2):
        samples = store.load(run).samples
        assert samples.missing == 10
        assert samples.host_mono_s == batch(45, 10).host_mono_s
        wanted = [*range(17, 27), *range(30, 40), *range(45, 55)]
        np.testing.assert_array_equal(samples.sequence, wanted)
        if store.load(run).result is None:
            store.finish(run, RESULT)


def test_a_run_is_seen_while_it_is_made(store: Store, clock: FastClock) -> None:
    """What was committed so far, without a result; the rest is there after a flush."""
    run = store.begin(PLAN, SETUP)
    assert store.load(run).samples.counts.shape == (0, len(CHANNELS))
    for each in batches(0, 300):
        store.add_samples(run, each)
        clock.wait(0.01)
    store.add_step(run, STEPS[0])
    seen = store.load(run)
    assert seen.result is None
    assert 200 <= len(seen.samples.sequence) < 300
    assert_frames(seen.samples, 0, len(seen.samples.sequence))
    store.flush()
    seen = store.load(run)
    assert_frames(seen.samples, 0, 300)
    assert seen.steps == STEPS[:1]
    (header,) = store.runs(9)
    assert (header.ending, header.outcome, dict(header.tests)) == (None, None, {})
    store.finish(run, RESULT)


def test_pieces_become_one_curve_when_the_run_ends(
    store: Store, clock: FastClock, tmp_path: Path
) -> None:
    """Nothing is kept twice, and one array a curve packs better than many."""
    of_chunks = "SELECT sum(length(sequence) + length(mcu_us) + length(counts)) FROM chunk"
    of_curves = "SELECT sum(length(sequence) + length(mcu_us) + length(counts)) FROM curve"

    def bytes_of(select: str) -> int:
        with closing(sqlite3.connect(tmp_path / "record.db")) as live:
            return int(live.execute(select).fetchone()[0] or 0)

    run = store.begin(PLAN, SETUP)
    for each in batches(0, 2000):
        store.add_samples(run, each)
        clock.wait(0.01)
    store.flush()
    pieces = bytes_of(of_chunks)
    assert pieces > 0
    store.finish(run, RESULT)
    assert bytes_of(of_chunks) == 0
    assert 0 < bytes_of(of_curves) < pieces
    assert_frames(store.load(run).samples, 0, 2000)


def test_the_record_can_be_asked_in_sql(store: Store, tmp_path: Path) -> None:
    """Quantities with their u by source, limits and reasons are rows, not one text."""
    run = _record(store)
    with closing(sqlite3.connect(tmp_path / "record.db")) as live:
        drops = live.execute(
            "SELECT value, quantity.u, quantity_source.name, quantity_source.u FROM quantity"
            " JOIN quantity_source USING (quantity) JOIN test USING (test)"
            " WHERE run = ? AND quantity.name = 'equivalent_drop' ORDER BY source",
            (run,),
        ).fetchall()
        limits = live.execute(
            "SELECT text FROM judgement_limit WHERE key = 'printed' ORDER BY line"
        ).fetchall()
        reasons = live.execute(
            "SELECT test.name, code, finding_figure.name, value, text FROM reason"
            " JOIN finding USING (finding) JOIN finding_figure USING (finding)"
            " LEFT JOIN test USING (test) ORDER BY reason, figure"
        ).fetchall()
    u = RESULT.tests[0].measured[0].estimate.u
    assert drops == [
        (4321.0 / 7.0, u, "random", 1.0 / 3.0),
        (4321.0 / 7.0, u, "volume", 11.1),
    ]
    assert limits == [("0.97 inHg",), ("3.3 kPa",)]
    assert reasons == [
        (None, "not_tested", "test", None, "retract"),
        (None, "second", "count", 2.0, None),
        ("hold", "over_limit", "drop_pa", 1.0 / 3.0, None),
        ("hold", "over_limit", "largest_source", None, "volume"),
    ]


def test_what_is_no_number_comes_back_as_such(store: Store) -> None:
    """SQLite has no not-a-number; infinities and the smallest numbers are exact."""
    run = store.begin(PLAN, SETUP)
    figures = MappingProxyType({"nan": math.nan, "inf": -math.inf, "tiny": 5e-324})
    store.add_step(run, replace(STEPS[0], figures=figures))
    strange = Estimate(math.nan, math.nan, MappingProxyType({"random": math.nan}))
    test = TestResult(
        "hold",
        Outcome.INVALID,
        (Measured("leak", Kind.FLOW, strange),),
        reasons=(Finding("x", figures),),
    )
    store.finish(run, RunResult(Ending.FINISHED, Outcome.INVALID, (test,)))
    kept = store.load(run)
    assert kept.result is not None
    found = kept.result.tests[0].measured[0].estimate
    assert all(math.isnan(each) for each in (found.value, found.u, found.sources["random"]))
    for figures_found in (kept.steps[0].figures, kept.result.tests[0].reasons[0].figures):
        number = figures_found["nan"]
        assert isinstance(number, float)
        assert math.isnan(number)
        assert (figures_found["inf"], figures_found["tiny"]) == (-math.inf, 5e-324)


def test_numbers_of_numpy_are_kept_as_plain_ones(store: Store) -> None:
    """What was computed with arrays needs no conversion by whoever records it."""
    run = store.begin(PLAN, replace(SETUP, began_mono_s=np.float64(2.5)))
    figures = MappingProxyType({"a": np.float64(0.1), "b": np.float32(0.5)})
    store.add_step(
        run,
        StepRecord(
            "s", "holding", np.float64(1.5), 2.0, np.int64(3), np.int64(2**40), "done", figures
        ),
    )
    store.add_event(run, replace(EVENTS[0], mono_s=np.float64(7.5)))
    measured = Measured("leak", Kind.FLOW, Estimate(np.float64(0.1), 0.2, {"a": np.float64(0.3)}))
    test = TestResult("hold", Outcome.MEASURED, (measured,), (), (Finding("x", figures),))
    store.finish(run, RunResult(Ending.FINISHED, Outcome.MEASURED, (test,)))
    kept = store.load(run)
    assert kept.steps[0].figures == {"a": 0.1, "b": 0.5}
    assert kept.steps[0].stop_sequence == 2**40
    assert kept.result is not None
    assert kept.result.tests[0].measured == (
        Measured("leak", Kind.FLOW, Estimate(0.1, 0.2, {"a": 0.3})),
    )


def test_any_counts_come_back(store: Store) -> None:
    """A board that restarted counts from nought again, and a converter may show any number."""
    rng = np.random.default_rng(3)
    run = store.begin(PLAN, SETUP)
    given = []
    for first in (10_000, 10_004, 0, 4):
        sequence = np.arange(first, first + 4)
        counts = rng.integers(-(2**63), 2**63 - 1, (4, 5))
        given.append(Samples(sequence, rng.integers(0, 2**62, 4), counts, 1.0))
        store.add_samples(run, given[-1])
    store.finish(run, RESULT)
    found = store.load(run).samples
    np.testing.assert_array_equal(found.sequence, np.concatenate([s.sequence for s in given]))
    np.testing.assert_array_equal(found.mcu_us, np.concatenate([s.mcu_us for s in given]))
    np.testing.assert_array_equal(found.counts, np.concatenate([s.counts for s in given]))


def test_runs_are_listed_newest_first(store: Store) -> None:
    """The list shows how each ended, and what came of each of its tests."""
    runs = [_record(store, stop=20) for _ in range(3)]
    rig_alone = store.begin(
        replace(PLAN, tag="", family="rig", purpose=Purpose.JUST_MEASURE), SETUP
    )
    store.finish(rig_alone, RunResult(Ending.STOPPED, Outcome.INVALID))
    headers = store.runs(2)
    assert [each.run for each in headers] == [rig_alone, runs[2]]
    assert headers[0].tag == ""
    assert (headers[0].ending, headers[0].outcome) == (Ending.STOPPED, Outcome.INVALID)
    found = headers[1]
    assert (found.tag, found.family, found.variant) == ("N01", "pull-off", "single")
    assert (found.purpose, found.began_utc, found.clock_was_set) == (Purpose.FOR_SALE, START, True)
    assert (found.ending, found.outcome) == (Ending.FINISHED, Outcome.FAIL)
    assert dict(found.tests) == {"hold": Outcome.FAIL, "retract": Outcome.NOT_TESTED}
    assert [each.run for each in store.runs_of("N01")] == runs[::-1]


def test_what_belongs_to_no_run_is_refused_at_once(store: Store) -> None:
    """A mistake of the caller is the caller's error, and spoils nothing that is queued."""
    run = store.begin(PLAN, SETUP)
    with pytest.raises(ValueError, match="run 99 is not being made"):
        store.add_samples(99, batch(0, 2))
    with pytest.raises(ValueError, match="5 channels"):
        store.add_samples(run, replace(batch(0, 2), counts=np.zeros((2, 4), dtype=np.int64)))
    with pytest.raises(ValueError, match="3 frames"):
        store.add_samples(run, replace(batch(0, 3), counts=batch(0, 2).counts))
    store.add_samples(run, batch(0, 2))
    store.finish(run, RESULT)
    for late in (
        lambda: store.add_samples(run, batch(2, 2)),
        lambda: store.add_step(run, STEPS[0]),
        lambda: store.add_event(run, EVENTS[0]),
        lambda: store.finish(run, RESULT),
    ):
        with pytest.raises(ValueError, match="is not being made"):
            late()
    assert_frames(store.load(run).samples, 0, 2)
    with pytest.raises(InputError, match="no run 99"):
        store.load(99)
    with pytest.raises(InputError, match="is no tag"):
        store.begin(replace(PLAN, tag="a/b"), SETUP)


def test_frames_that_found_no_room_are_counted_as_missing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A record with a gap says how large the gap is."""
    run = store.begin(PLAN, SETUP)
    store.add_samples(run, batch(0, 10, missing=1))
    with monkeypatch.context() as full:
        full.setattr(Writer, "put_samples", lambda *_: False)
        store.add_samples(run, batch(10, 10, missing=2))
        store.add_samples(run, batch(20, 10))
    store.add_samples(run, batch(30, 10, missing=4))
    store.flush()
    assert store.load(run).samples.missing == 1 + 12 + 10 + 4
    with monkeypatch.context() as full:
        full.setattr(Writer, "put_samples", lambda *_: False)
        store.add_samples(run, batch(40, 10))
    store.finish(run, RESULT)
    samples = store.load(run).samples
    assert samples.missing == 1 + 12 + 10 + 4 + 10
    np.testing.assert_array_equal(samples.sequence, [*range(10), *range(30, 40)])


def test_a_batch_without_frames_only_counts_what_is_missing(store: Store) -> None:
    """It brings no piece of its own, and no time of arrival."""
    run = store.begin(PLAN, SETUP)
    store.add_samples(run, batch(0, 10))
    nothing = batch(10, 1)
    store.add_samples(
        run,
        Samples(nothing.sequence[:0], nothing.mcu_us[:0], nothing.counts[:0], 99.0, missing=3),
    )
    store.finish(run, RESULT)
    samples = store.load(run).samples
    assert (samples.missing, samples.host_mono_s) == (3, batch(0, 10).host_mono_s)


def test_runs_that_were_cut_off_are_closed_at_the_next_start(tmp_path: Path) -> None:
    """They become interrupted and invalid, keep what was recorded, and the others stay."""
    with Store.open(tmp_path, SystemClock(), threaded=False) as store:
        whole = _record(store)
        cut = [store.begin(PLAN, SETUP) for _ in range(2)]
        for run in cut:
            store.add_samples(run, batch(100 * run, 50))
        store.add_step(cut[0], STEPS[0])
    with Store.open(tmp_path, SystemClock()) as store:
        being_made = store.begin(PLAN, SETUP)
        assert store.close_interrupted() == cut
        assert store.close_interrupted() == []
        for run in cut:
            kept = store.load(run)
            assert kept.result == RunResult(
                Ending.INTERRUPTED, Outcome.INVALID, (), (Finding("run_interrupted"),)
            )
            assert_frames(kept.samples, 100 * run, 100 * run + 50)
        assert store.load(cut[0]).steps == STEPS[:1]
        assert_record(store.load(whole), whole)
        assert store.load(being_made).result is None
        store.finish(being_made, RESULT)


def test_a_run_with_a_damaged_piece_does_not_stop_the_start(tmp_path: Path) -> None:
    """It is closed as all others; reading it tells that its samples are damaged."""
    with Store.open(tmp_path, SystemClock(), threaded=False) as store:
        run = store.begin(PLAN, SETUP)
        store.add_samples(run, batch(0, 50))
    with closing(sqlite3.connect(tmp_path / "record.db")) as live:
        live.execute("UPDATE chunk SET counts = zeroblob(length(counts))")
        live.commit()
    with Store.open(tmp_path, SystemClock(), threaded=False) as store:
        assert store.close_interrupted() == [run]
        assert [each.ending for each in store.runs(1)] == [Ending.INTERRUPTED]
        with pytest.raises(StoreError, match="samples of run 1 are damaged"):
            store.load(run)
        assert _record(store) == run + 1


def test_a_run_gets_one_result(store: Store, tmp_path: Path) -> None:
    """A result is never put over another, whoever tries."""
    run = _record(store, stop=20)
    with (
        closing(connect(tmp_path / "record.db")) as live,
        pytest.raises(StoreError, match=f"run {run} has its result already"),
    ):
        close_run(live, run, RunResult(Ending.FINISHED, Outcome.PASS))
    assert_record(store.load(run), run)


def test_one_program_at_a_time_makes_runs(tmp_path: Path, store: Store) -> None:
    """Another may read, take parts in and void; it never closes the runs of the first."""
    run = store.begin(PLAN, SETUP)
    with Store.open(tmp_path, SystemClock(), threaded=False) as other:
        with pytest.raises(StoreError, match="another rig program is making runs"):
            other.begin(PLAN, SETUP)
        with pytest.raises(StoreError, match="another rig program is making runs"):
            other.close_interrupted()
        assert other.load(run).result is None
        other.retire("N01", "sold")
    store.finish(run, RESULT)
    assert store.load(run).result == RESULT
    store.close()
    with making_runs(tmp_path):
        pass


def test_what_was_measured_of_the_rig_is_written_in_its_turn(store: Store) -> None:
    """Recording it does not wait for the disk; it is there with all that was recorded before."""
    assert SETUP.rig_volume is not None
    store.keep_rig_volume(SETUP.rig_volume)
    assert store.settings.rig_volume() is None
    store.flush()
    assert store.settings.rig_volume() == SETUP.rig_volume


def test_the_highest_number_of_a_run_is_kept_beside_the_database(
    store: Store, tmp_path: Path
) -> None:
    """It is there before the run is, so that it is never given again."""
    runs = [store.begin(PLAN, SETUP) for _ in range(3)]
    assert store.settings.last_run() == runs[-1]
    kept = json.loads((tmp_path / "last-run.json").read_text())
    assert kept["kept"] == {"run": runs[-1]}


def test_reading_a_record_that_went_away_is_told(tmp_path: Path, store: Store) -> None:
    """A reader names the file, and makes none."""
    (tmp_path / "record.db").rename(tmp_path / "elsewhere.db")
    with pytest.raises(StoreError, match=r"record\.db"):
        store.runs(1)
    (tmp_path / "elsewhere.db").rename(tmp_path / "record.db")
