"""Tests of a run told again from what was kept of it: the same, another limit, cut short."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from rig.procedure.hold import hold_test
from rig.procedure.replay import DECIDED_BY, drive, name_in_run, recording_of, replay
from rig.procedure.rig_volume import Syringe, rig_volume_test
from rig.procedure.self_test import SelfTestContext, self_test
from rig.procedure.steps import Elapsed, Procedure, State, Step, StepResult, compute, make
from rig.readings import Readings, Samples
from rig.records import Outcome
from rig.runs import StepRecord, TestResult
from tests.unit.procedure.bench_model import INHG, TIGHT, BenchModel, Made, leaking
from tests.unit.procedure.contexts import LIMIT, MEASURED, REFERENCE_M3, codes, context, measured

Kept = tuple[TestResult, list[StepRecord], Readings]


def kept_of(bench: BenchModel, result: TestResult, test: str = "hold") -> Kept:
    """Keep a run as the store does."""
    records = [replace(each, name=name_in_run(test, each.name)) for each in bench.records]
    return result, records, bench.readings()


@cache
def half_leaky() -> Kept:
    """Test a part with half of what its limit allows: it passes at an early look."""
    bench = BenchModel(leaking(TIGHT, 0.5 * INHG, 20.0, REFERENCE_M3))
    return kept_of(bench, bench.run(hold_test(context())))


@cache
def twice_leaky() -> Kept:
    """Test a part with twice of what its limit allows: it fails by two connections."""
    bench = BenchModel(leaking(TIGHT, 2.0 * INHG, 20.0, REFERENCE_M3))
    return kept_of(bench, bench.run(hold_test(context())))


def again(kept: Kept, max_drop_inhg: float = 1.0, from_inhg: float = 15.0) -> TestResult:
    """Tell a run again, under its own limit or another."""
    limit = replace(LIMIT, max_drop_pa=max_drop_inhg * INHG, from_vacuum_pa=from_inhg * INHG)
    return replay(hold_test(context(limit)), "hold", kept[1], [kept[2]])


@pytest.mark.parametrize("kept", [half_leaky, twice_leaky])
def test_a_run_told_again_gives_exactly_what_it_gave(kept: object) -> None:
    """Every figure, verdict and reason to the last digit."""
    run = kept()  # type: ignore[operator]
    assert again(run) == run[0]


def test_readings_may_come_in_any_batches() -> None:
    """The frames of a step are found by their numbers, however they were batched."""
    result, records, whole = half_leaky()
    size = whole.samples.sequence.size
    batches = [_cut(whole, slice(at, at + 777)) for at in range(0, size, 777)]
    assert replay(hold_test(context()), "hold", records, batches) == result


def _cut(whole: Readings, part: slice) -> Readings:
    samples = whole.samples
    cut = Samples(
        samples.sequence[part], samples.mcu_us[part], samples.counts[part], samples.host_mono_s
    )
    values = {name: each[part] for name, each in whole.values.items()}
    return Readings(cut, whole.time_mono_s[part], values)


def test_the_clock_is_that_which_each_step_began_with() -> None:
    """The host's times of single frames play no part; another offset tells another volume.

    Half a second earlier the same readings lie otherwise to the opening of the valve.
    """
    result, records, readings = half_leaky()
    timeless = replace(readings, time_mono_s=np.full_like(readings.time_mono_s, np.nan))
    assert replay(hold_test(context()), "hold", records, [timeless]) == result
    early = [
        replace(each, figures={"clock_offset_s": each.figures["clock_offset_s"] - 0.5})
        for each in records
    ]
    other = replay(hold_test(context()), "hold", early, [readings])
    rest_m3 = measured(result)["rest_volume"].value
    assert measured(other)["rest_volume"].value != pytest.approx(rest_m3, rel=1e-6)


@cache
def only_measured() -> Kept:
    """Measure the same part for 20 s without a limit."""
    bench = BenchModel(leaking(TIGHT, 0.5 * INHG, 20.0, REFERENCE_M3))
    return kept_of(bench, bench.run(hold_test(context(MEASURED, {"hold_s": 20.0}))))


@pytest.mark.parametrize(
    ("max_drop_inhg", "outcome", "code"),
    [
        (1.0, Outcome.PASS, "within_limit"),
        (0.5, Outcome.UNDECIDED, "too_close"),  # would have been pulled once more
        (0.25, Outcome.UNDECIDED, "second_connection_missing"),
        (0.1, Outcome.FAIL, "over_limit"),
    ],
)
def test_a_limit_that_came_later_is_judged_by_the_steps_there_are(
    max_drop_inhg: float, outcome: Outcome, code: str
) -> None:
    """What the limit would have asked for and was not made is missing, and never made up."""
    _, records, readings = only_measured()
    limit = replace(LIMIT, max_drop_pa=max_drop_inhg * INHG)
    known = context(limit, {"hold_s": 20.0})
    result = replay(hold_test(known), "hold", records, [readings])
    assert result.outcome is outcome
    assert code in codes(result)
    assert result.judged[0].outcome is outcome


@pytest.mark.parametrize(
    ("max_drop_inhg", "outcome"), [(2.0, Outcome.PASS), (0.1, Outcome.UNDECIDED)]
)
def test_a_hold_that_ended_early_is_judged_by_the_bound_of_its_last_look(
    max_drop_inhg: float, outcome: Outcome
) -> None:
    """Eight seconds that were enough for one limit need not be for another, however far off."""
    assert again(half_leaky(), max_drop_inhg).outcome is outcome


def test_a_run_of_two_connections_is_judged_by_both_under_another_limit() -> None:
    """Twice 1 inHg: a pass under 3 inHg, a fail that both agree on under 0.8."""
    assert again(twice_leaky(), 3.0).outcome is Outcome.PASS
    failed = again(twice_leaky(), 0.8)
    assert failed.outcome is Outcome.FAIL
    assert "connections_agree" in codes(failed)


def test_a_limit_from_a_vacuum_that_was_not_reached_is_not_judged() -> None:
    """Held from 16 inHg, nothing is known of a limit that begins at 20."""
    result = again(half_leaky(), from_inhg=20.0)
    assert result.outcome is Outcome.INVALID
    assert "target_not_reached" in codes(result)


@pytest.mark.parametrize("kept", [half_leaky, twice_leaky])
def test_a_run_that_was_cut_short_anywhere_concludes(kept: object) -> None:
    """By as many steps as were made: no exception, no pass before its hold, no fail on one alone.

    A pass may stand once its hold is there, a fail below three times the limit with the second.
    """
    result, records, readings = kept()  # type: ignore[operator]
    names = [each.name for each in records]
    for count in range(len(records)):
        cut = replay(hold_test(context()), "hold", records[:count], [readings])
        if name_in_run("hold", "one.hold") not in names[:count]:
            assert cut.outcome is Outcome.INVALID
            assert codes(cut)[0] == "no_hold_made"
        elif result.outcome is Outcome.PASS:
            assert cut.outcome is Outcome.PASS
        elif name_in_run("hold", "second.hold") not in names[:count]:
            assert cut.outcome is Outcome.UNDECIDED
            assert "second_connection_missing" in codes(cut)
        else:
            assert cut.outcome is Outcome.FAIL


@pytest.mark.parametrize("count", [0, 1, 4])
def test_the_rigs_own_tests_cut_short_are_spoiled(count: int) -> None:
    """A self-test, or a rig volume, of which steps are missing says so and nothing else."""
    own = SelfTestContext(context(settings={"hold_s": 20.0}), {"p_a": 300.0})
    made: list[tuple[Procedure, Procedure]] = [
        (self_test(own), self_test(own)),
        (rig_volume_test(context(), Syringe()), rig_volume_test(context(), Syringe())),
    ]
    for procedure, told_again in made:
        bench = BenchModel(TIGHT)
        _, records, readings = kept_of(bench, bench.run(procedure), "own")
        cut = replay(told_again, "own", records[:count], [readings])
        assert cut.outcome is Outcome.INVALID
        assert codes(cut)[0] == "test_cut_short"


def test_tests_of_one_run_keep_their_steps_apart() -> None:
    """Two tests that both begin with a step of the same name get each its own."""
    bench = BenchModel(TIGHT)
    first = bench.run(_one_step())
    records = [replace(each, name=name_in_run("first", each.name)) for each in bench.records]
    second = bench.run(_one_step())
    records.append(replace(bench.records[-1], name=name_in_run("second", "zero")))
    readings = [bench.readings()]
    assert replay(_one_step(), "first", records, readings) == first
    assert replay(_one_step(), "second", records, readings) == second
    assert first != second


def _one_step() -> Procedure:
    zero = yield from make(Step("zero", State.ZEROING, Elapsed(1.0)))
    began = yield from compute(lambda: zero.record.began_mono_s)
    return TestResult(f"began at {began}", Outcome.MEASURED)


# what a step recorded


def _readings(first: int, count: int) -> Readings:
    sequence = np.arange(first, first + count, dtype=np.int64)
    samples = Samples(sequence, sequence * 5000, np.zeros((count, 1), dtype=np.int64), 0.0)
    return Readings(samples, np.full(count, np.nan), {"p_a": sequence.astype(float)})


def _recorded(readings: Sequence[Readings], stop: int, **figures: float) -> list[int]:
    record = StepRecord("step", "holding", 0.0, 1.0, 12, stop, "done", figures)
    return recording_of(readings, record).sequence.tolist()


def test_a_step_has_the_frames_from_its_first_up_to_its_stop() -> None:
    """Across batches, the stop not included; the ones that are missing are counted."""
    batches = [_readings(10, 5), _readings(17, 5)]
    assert _recorded(batches, 19) == [12, 13, 14, 17, 18]
    record = StepRecord("step", "holding", 0.0, 1.0, 12, 19, "done", {"clock_offset_s": 100.0})
    recording = recording_of(batches, record)
    assert recording.missing == 2
    assert recording.time_mono_s.tolist() == [100.0 + 0.005 * n for n in (12, 13, 14, 17, 18)]


def test_a_step_that_a_look_ended_has_the_frames_that_the_look_saw() -> None:
    """What came while a late look was computed has decided nothing."""
    assert _recorded([_readings(10, 20)], 30, **{DECIDED_BY: 15.0}) == [12, 13, 14]


def test_a_step_without_frames_recorded_nothing() -> None:
    """Neither values nor an error."""
    record = StepRecord("step", "holding", 0.0, 1.0, 50, 60, "done")
    recording = recording_of([_readings(10, 5)], record)
    assert recording.time_mono_s.size == 0
    assert recording.channel("p_a")[1].size == 0
    assert recording.duration_s == 0.0


def test_a_bench_whose_frames_lag_more_tells_the_same() -> None:
    """10 or 30 ms on the way: volumes agree to a fraction of their u."""
    found = []
    for latency_s in (0.01, 0.03):
        bench = BenchModel(TIGHT, Made(latency_s=latency_s))
        found.append(measured(drive(hold_test(context(settings={"hold_s": 10.0})), bench.made)))
    for name in ("rest_volume", "stop_volume"):
        assert abs(found[0][name].value - found[1][name].value) < 0.5 * found[0][name].u


def test_a_procedure_that_wants_a_step_which_was_not_made_is_told() -> None:
    """It may answer with what it has: the exception is raised where the step was asked for."""
    asked: list[str] = []

    def asks() -> Procedure:
        result: StepResult | None = None
        try:
            result = yield from make(Step("never", State.HOLDING, Elapsed(1.0)))
        except Exception as error:  # noqa: BLE001 - whatever it is, its name is looked at
            asked.append(type(error).__name__)
        return TestResult("asks", Outcome.INVALID if result is None else Outcome.PASS)

    assert replay(asks(), "asks", [], []).outcome is Outcome.INVALID
    assert asked == ["StepNotMade"]
