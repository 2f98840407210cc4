"""Check hardware/plant.md: its tables against the program, its example by running it."""

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from rig.analysis.gas import Law, LeakLaw
from rig.clock import FastClock
from rig.config import parse_bench
from rig.link.port import SerialPort
from rig.link.session import Connected, Session
from rig.outputs.valves import Outputs
from rig.readings import Samples
from rig.sensing.channels import ChannelReader
from rig.sim.bench import simulated_bench_text
from rig.sim.device import SimDevice
from rig.sim.parts import KEYS
from rig.sim.pins import PinsView, SimPins
from rig.sim.plant import Plant, load_plant
from rig.sim.plant_faults import FAULTS
from rig.sim.shelf import SHELF
from tests.contract.examples import fences
from tests.support.leaks import INHG_PA, R_AIR, RHO_0, SEA_LEVEL_PA

PAGE = (Path(__file__).parents[3] / "hardware" / "plant.md").read_text(encoding="utf-8")
((_, EXAMPLE),) = [block for block in fences(PAGE) if block[0] == "python"]


def _rows(heading: str) -> list[list[str]]:
    table = re.search(rf"^\| {heading} \|.*\n\|[-|]+\|\n((?:\|.*\n)+)", PAGE, re.MULTILINE)
    assert table is not None
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in table[1].splitlines()]


def _ticked(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


def test_the_page_lists_every_method_of_a_plant() -> None:
    """The five of the interface, by their names and arguments."""
    methods = [_ticked(row[0])[0].split("(")[0] for row in _rows("method")]
    assert methods == [name for name in vars(Plant) if not name.startswith("_")]


def test_the_page_lists_every_key_of_a_part() -> None:
    """No more and no fewer."""
    keys = [_ticked(row[0])[0] for row in _rows("key")]
    assert sorted(keys) == sorted(KEYS)


def test_the_page_lists_every_fault_with_its_figure() -> None:
    """No more and no fewer."""
    told = {
        fault: "".join(_ticked(figure))
        for names, figure, _ in _rows("fault")
        for fault in _ticked(names)
    }
    assert told == {name: figure for name, (figure, _) in FAULTS.items()}


def test_the_page_lists_every_named_part() -> None:
    """In the order of the shelf."""
    line = re.search(r"takes a named part: (.*?)\. Any", PAGE, re.DOTALL)
    assert line is not None
    assert re.sub(r" \(the demo's\)", "", " ".join(line[1].split())) == ", ".join(SHELF)


@pytest.fixture
def example(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Plant:
    """Load the example as a user does: from a file in a folder on the path."""
    (tmp_path / "rigid_bench_of_the_page.py").write_text(EXAMPLE, encoding="utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    return load_plant("rigid_bench_of_the_page:RigidBench")


def test_the_example_is_no_longer_than_it_says() -> None:
    """A whole plant fits on a page."""
    assert len([line for line in EXAMPLE.splitlines() if line.strip()]) <= 45


def test_the_rig_reads_the_example_as_it_is(example: Plant, tmp_path: Path) -> None:
    """Pulled and held through board, pins and link, the readings follow the leak's closed form."""
    bench = parse_bench(simulated_bench_text(str(tmp_path / "board"), tmp_path), "bench.toml")
    clock = FastClock(datetime(2026, 1, 1, tzinfo=UTC))
    pins = SimPins(bench, clock)
    outputs = Outputs(bench, pins)
    outputs.release()
    device = SimDevice(example, bench, PinsView(pins, bench))
    clock.attach(device.pass_time)
    session = Session(
        lambda: SerialPort(bench.link.port, clock), rate_hz=200, lease_s=0.5, clock=clock
    )
    reader = None
    times: list[np.ndarray] = []
    pressures: list[np.ndarray] = []

    def turn(seconds: float) -> None:
        nonlocal reader
        for _ in range(round(seconds / 0.01)):
            for event in session.poll():
                if isinstance(event, Connected):
                    reader = ChannelReader(bench, event.hello.channels)
                elif isinstance(event, Samples) and reader is not None:
                    readings = reader.read(event)
                    times.append(readings.time_mono_s)
                    pressures.append(readings.values["p_a"])
            session.beat()
            clock.wait(0.01)

    example.connect({"rest_cm3": 15.0, "leak_std_cm3_min": 5.0})
    turn(1.0)
    outputs.set_energised("vent", True)
    outputs.set_energised("pump", True)
    for _ in range(4):
        example.stroke(16e-6)
        turn(1.0)
    outputs.set_energised("pump", False)
    turn(0.2)
    times.clear()
    pressures.clear()
    turn(30.0)
    outputs.close()
    session.close()
    device.close()
    pins.close()
    time_s, pressure_pa = np.concatenate(times), np.concatenate(pressures)
    stated = (SEA_LEVEL_PA**2 - (SEA_LEVEL_PA - 15.0 * INHG_PA) ** 2) / SEA_LEVEL_PA**2
    rate_pa_s = 5.0 / 6e7 * RHO_0 * R_AIR * 293.15 / 40.15e-6 / stated
    expected = LeakLaw(Law.LAMINAR).pressure(
        time_s - time_s[0], pressure_pa[0], rate_pa_s, SEA_LEVEL_PA
    )
    assert SEA_LEVEL_PA - pressure_pa[0] > 15.0 * INHG_PA
    assert pressure_pa[-1] - pressure_pa[0] > 5e3
    np.testing.assert_allclose(pressure_pa, expected, rtol=0.0, atol=8.0)
