"""Fault 7: the host dies and an output stays energised.

What must hold: heartbeats that stop drop the supply within the lease; SIGTERM ends with the pins at
rest; after a SIGKILL the post-stop command brings them to rest, and the next start closes the run.
"""

import signal
import subprocess
import time
from pathlib import Path

from rig.daemon.build import simulated_bench
from rig.records import Outcome
from rig.runs import Ending
from rig.sim.bench import simulated_bench_text
from rig.sim.plant import BenchPlant
from rig.units import PA_PER_INHG
from rig.web.desk import TestRequest
from tests.scenario.service import (
    CONFIRMED,
    PROGRAM,
    Service,
    at_rest_after,
    energised_at,
    intake,
    kept,
    service,
)


def test_a_loop_that_hangs_loses_the_supply_within_the_lease(tmp_path: Path) -> None:
    """The pins still energise, and the vent opens all the same: its supply is gone.

    In simulated time, for a board cannot be looked into from a process that is dead.
    """
    plant = BenchPlant()
    plant.connect({"shelf": "good"})
    with simulated_bench(plant, tmp_path, fast=True) as bench:
        loop, device, pins = bench.loop, bench.device, bench.pins
        assert device is not None
        assert pins is not None
        loop.run(lambda: loop.engine.status.ambient_pa is not None)
        loop.store.add_part(intake("good"))
        bench.desk.start_test(TestRequest("good", confirmed=CONFIRMED))
        loop.run(lambda: loop.engine.status.step == "rest.pull")
        plant.stroke(16e-6)
        loop.run(lambda: loop.engine.status.step == "rest.before")
        ambient_pa = plant.room.air.pressure_pa
        assert ambient_pa - plant.gas.manifold.pressure_pa > 0.5 * PA_PER_INHG
        lease_s = loop.bench.link.lease_s
        loop.clock.wait(lease_s - 0.1)
        assert device.supply_on
        loop.clock.wait(0.15)
        assert not device.supply_on
        loop.clock.wait(3.0)
        assert any(pins.energised().values()), "the pins alone would hold it shut"
        assert ambient_pa - plant.gas.manifold.pressure_pa < 0.05 * PA_PER_INHG


def test_sigterm_in_mid_run_ends_with_all_at_rest(tmp_path: Path) -> None:
    """Exit 0, the pins' journal ends at rest at once, and the run is closed."""
    with service(tmp_path, "good") as rig:
        run = rig.start_test("good")
        rig.wait_for_step("rest.before")
        assert energised_at(tmp_path)
        began_s = time.monotonic()
        status, errors = rig.end(signal.SIGTERM)
    assert (status, errors) == (0, "")
    assert at_rest_after(tmp_path, began_s) < 1.0
    old = kept(tmp_path, run).result
    assert old is not None
    assert (old.ending, old.outcome) == (Ending.ABORTED, Outcome.INVALID)


def test_after_sigkill_the_post_stop_command_brings_all_to_rest(tmp_path: Path) -> None:
    """The journal ends energised, then at rest; the next start closes the run as interrupted."""
    with service(tmp_path, "good") as rig:
        run = rig.start_test("good")
        rig.wait_for_step("rest.before")
        rig.end(signal.SIGKILL)
        assert energised_at(tmp_path)
    file = tmp_path / "bench.toml"
    file.write_text(simulated_bench_text(str(tmp_path / "board"), tmp_path), encoding="utf-8")
    done = subprocess.run(
        [*PROGRAM, "safe", "--bench", str(file)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert not energised_at(tmp_path)
    again = Service(tmp_path)
    again.wait_until_ready()
    assert again.end()[0] == 0
    old = kept(tmp_path, run)
    assert old.result is not None
    assert (old.result.ending, old.result.outcome) == (Ending.INTERRUPTED, Outcome.INVALID)
    assert old.samples.sequence.size > 200
