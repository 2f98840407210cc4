"""Tests of what can be asked of a rig: refusals, what a run leaves behind; in simulated time."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.daemon.build import Built, simulated_bench
from rig.daemon.operator import Operator
from rig.errors import BenchError, InputError
from rig.outputs.interlocks import Refused
from rig.procedure.again import judged_again
from rig.records import Outcome
from rig.runs import Ending, RunResult
from rig.sim.plant import BenchPlant
from rig.web.desk import TestRequest
from tests.scenario.service import CONFIRMED, intake


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Built]:
    """Put a simulated bench together with a good part on its hose, and let it read its room."""
    plant = BenchPlant()
    plant.connect({"shelf": "good"})
    with simulated_bench(plant, tmp_path, fast=True) as built:
        assert built.pins is not None
        Operator(built.loop, plant, built.pins, seed=1)
        built.loop.store.add_part(intake("good"))
        built.loop.run(lambda: built.loop.engine.status.ambient_pa is not None)
        yield built


def to_the_end(bench: Built, run: int) -> RunResult:
    """Turn the loop until a run is over."""
    status = bench.loop.engine
    bench.loop.run(lambda: status.status.run == run and status.status.result is not None)
    result = status.status.result
    assert result is not None
    return result


GOOD = TestRequest("good", confirmed=CONFIRMED)


def test_a_run_is_kept_and_judged_again_alike(bench: Built) -> None:
    """What the engine said stands on record, and comes out of the raw counts once more."""
    run = bench.desk.start_test(GOOD)
    result = to_the_end(bench, run)
    assert (result.ending, result.outcome) == (Ending.FINISHED, Outcome.PASS)
    bench.loop.store.flush()
    kept = bench.desk.kept(run)
    assert kept.result == result
    assert judged_again(kept, bench.loop.store.load) == result
    ambient = bench.loop.store.settings.ambient()
    assert ambient is not None
    assert ambient.pressure_pa == pytest.approx(101_325.0, abs=500.0)


def test_the_rigs_own_tests_are_known_to_the_next_run(bench: Built) -> None:
    """Its volume and its own leak, with where they came from; the run takes the leak off."""
    volume = bench.desk.start_rig_volume()
    assert to_the_end(bench, volume).outcome is Outcome.MEASURED
    leak = bench.desk.start_self_test()
    assert to_the_end(bench, leak).outcome is Outcome.PASS
    bench.plant.connect({"shelf": "good"})
    run = bench.desk.start_test(GOOD)
    assert to_the_end(bench, run).outcome is Outcome.PASS
    bench.loop.store.flush()
    setup = bench.desk.kept(run).setup
    assert setup.rig_volume is not None
    assert setup.own_leak is not None
    assert (setup.rig_volume.source, setup.own_leak.run) == (f"run {volume}", leak)
    assert setup.own_leak.flow_m3_s.value < 1e-9


def test_a_second_run_is_refused_while_one_is_on(bench: Built) -> None:
    """The first goes on, and the record holds no second."""
    run = bench.desk.start_test(GOOD)
    with pytest.raises(BenchError, match="a run is on"):
        bench.desk.start_self_test()
    bench.desk.abort()
    assert to_the_end(bench, run).ending is Ending.ABORTED
    assert [each.run for each in bench.loop.store.runs(9)] == [run]


@pytest.mark.parametrize(
    ("asked", "named"),
    [
        (TestRequest("good"), "no_bleed"),
        (TestRequest("good", purpose="for-fun", confirmed=CONFIRMED), "for-fun"),
        (TestRequest("good", tests=("spin",), confirmed=CONFIRMED), "spin"),
        (TestRequest("nobody", confirmed=CONFIRMED), "nobody"),
    ],
)
def test_a_test_that_cannot_be_is_refused_by_name(
    bench: Built, asked: TestRequest, named: str
) -> None:
    """Nothing is begun, and the sentence names what is wrong."""
    with pytest.raises(InputError, match=named):
        bench.desk.start_test(asked)
    assert not bench.loop.engine.is_running


def test_a_trip_is_reset_once_its_cause_is_gone(bench: Built) -> None:
    """The stop contact open: no run begins, no reset helps; closed again it does."""
    assert bench.device is not None
    bench.device.stop_press()
    bench.loop.run(lambda: bench.loop.safety.tripped is not None)
    assert [each.code for each in bench.desk.health().troubles] == ["stop_pressed"]
    with pytest.raises(Refused):
        bench.desk.reset()
    with pytest.raises((BenchError, Refused)):
        bench.desk.start_test(GOOD)
    bench.device.stop_release()
    for _ in range(50):
        bench.loop.step()
        bench.loop.clock.wait(0.01)
    bench.desk.reset()
    assert bench.desk.health().troubles == ()
    assert to_the_end(bench, bench.desk.start_test(GOOD)).outcome is Outcome.PASS


def test_a_dry_run_begins_nothing(bench: Built) -> None:
    """Its steps are those that the run then makes."""
    names = [step.name for step in bench.desk.dry_run(GOOD)]
    assert bench.loop.store.runs(9) == ()
    run = bench.desk.start_test(GOOD)
    to_the_end(bench, run)
    bench.loop.store.flush()
    assert [step.name for step in bench.desk.kept(run).steps] == [f"hold/{name}" for name in names]
