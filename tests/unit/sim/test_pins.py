"""Check the simulated pins: what is energised, what buttons do, and what the journal keeps."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from gpiozero import DigitalInputDevice, OutputDevice

from rig.clock import FastClock
from rig.config import Bench, parse_bench
from rig.errors import BenchError
from rig.sim.bench import simulated_bench_text
from rig.sim.pins import PinsView, SimPins

NOON = datetime(2026, 1, 1, 12, tzinfo=UTC)


def _bench(data: Path, text: str = "") -> Bench:
    return parse_bench(text or simulated_bench_text("board", data), "bench.toml")


@pytest.fixture
def pins(tmp_path: Path) -> Iterator[SimPins]:
    """Make the pins of a bench, with a journal."""
    made = SimPins(_bench(tmp_path), FastClock(NOON))
    yield made
    made.close()


def _output(pins: SimPins, pin: str, *, active_high: bool = True) -> OutputDevice:
    return OutputDevice(pin, active_high=active_high, initial_value=False, pin_factory=pins)


def test_nothing_is_energised_before_a_pin_is_driven(pins: SimPins, tmp_path: Path) -> None:
    """Pins that nobody drives are held off by their drivers' resistors."""
    view = PinsView(pins, _bench(tmp_path))
    assert len(view.energised()) == 8
    assert not any(view.energised().values())


@pytest.mark.parametrize("active_high", [True, False])
def test_energised_is_the_level_that_the_bench_file_names(
    tmp_path: Path, active_high: bool
) -> None:
    """Either polarity: driven on it is energised, driven off it is not, given back it is not."""
    text = simulated_bench_text("board", tmp_path)
    if not active_high:
        text = text.replace(
            'pin = "GPIO27"\nat_rest = "open"\nactive_high = true',
            'pin = "GPIO27"\nat_rest = "open"\nactive_high = false',
        )
    bench = _bench(tmp_path, text)
    pins = SimPins(bench, FastClock(NOON))
    view = PinsView(pins, bench)
    vent = _output(pins, "GPIO27", active_high=active_high)
    seen = [view.energised()["vent"]]
    vent.on()
    seen.append(view.energised()["vent"])
    vent.off()
    seen.append(view.energised()["vent"])
    vent.on()
    vent.close()
    seen.append(view.energised()["vent"])
    assert seen == [False, True, False, False]
    assert bench.valves["vent"].active_high is active_high
    pins.close()


def test_the_stop_contact_is_closed_until_it_is_pressed(pins: SimPins, tmp_path: Path) -> None:
    """Wired to ground against its pull-up: low, high while pressed, with an edge each way."""
    view = PinsView(pins, _bench(tmp_path))
    stop = DigitalInputDevice("GPIO26", pull_up=True, pin_factory=pins)
    edges: list[str] = []
    stop.when_deactivated = lambda: edges.append("opened")
    stop.when_activated = lambda: edges.append("closed")
    assert stop.value == 1
    view.press("stop")
    assert stop.value == 0
    view.press("stop")
    view.release("stop")
    assert stop.value == 1
    assert edges == ["opened", "closed"]
    stop.close()


@pytest.mark.parametrize("pressed", ["low", "high"])
def test_the_mark_button_ties_its_pin(tmp_path: Path, pressed: str) -> None:
    """To ground against a pull-up, or to 3.3 V against a pull-down."""
    text = simulated_bench_text("board", tmp_path)
    bench = _bench(tmp_path, text.replace('pressed = "low"', f'pressed = "{pressed}"'))
    pins = SimPins(bench, FastClock(NOON))
    view = PinsView(pins, bench)
    mark = DigitalInputDevice("GPIO16", pull_up=pressed == "low", pin_factory=pins)
    seen = [mark.value]
    view.press("mark")
    seen.append(mark.value)
    view.release("mark")
    seen.append(mark.value)
    assert seen == [0, 1, 0]
    mark.close()
    pins.close()


def test_a_button_that_the_bench_has_not_is_refused(pins: SimPins, tmp_path: Path) -> None:
    """The error lists those that there are."""
    view = PinsView(pins, _bench(tmp_path))
    assert view.has_button("stop")
    assert not view.has_button("start")
    with pytest.raises(BenchError, match="no button 'start'; it has mark, stop"):
        view.press("start")


def test_the_journal_keeps_every_change_with_its_time(tmp_path: Path) -> None:
    """Monotonic time, pin, function, level; a change that is none leaves no line."""
    clock = FastClock(NOON)
    pins = SimPins(_bench(tmp_path), clock)
    pump = _output(pins, "GPIO17")
    clock.wait(0.25)
    pump.on()
    pump.on()
    clock.wait(1.0)
    pump.off()
    pump.close()
    pins.close()
    assert (tmp_path / "pins.log").read_text().splitlines() == [
        "1000.000000 GPIO17 output 0",
        "1000.250000 GPIO17 output 1",
        "1001.250000 GPIO17 output 0",
        "1001.250000 GPIO17 input 0",
    ]


def test_the_journal_goes_on_where_an_earlier_start_ended(tmp_path: Path) -> None:
    """It is appended to, in a folder that is made if it is not there."""
    bench = _bench(tmp_path / "new" / "data")
    for _ in range(2):
        pins = SimPins(bench, FastClock(NOON))
        _output(pins, "GPIO17").close()
        pins.close()
    assert len((tmp_path / "new" / "data" / "pins.log").read_text().splitlines()) == 4


KILLED = """
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from gpiozero import OutputDevice
from rig.clock import FastClock
from rig.config import parse_bench
from rig.sim.bench import simulated_bench_text
from rig.sim.pins import SimPins
bench = parse_bench(simulated_bench_text("board", Path(sys.argv[1])), "bench.toml")
pins = SimPins(bench, FastClock(datetime(2026, 1, 1, tzinfo=UTC)))
pump = OutputDevice("GPIO17", initial_value=False, pin_factory=pins)
pump.on()
os.kill(os.getpid(), signal.SIGKILL)
"""


def test_the_journal_survives_a_killed_program(tmp_path: Path) -> None:
    """SIGKILL right after a pin went high: the line is there, whole."""
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(tmp_path)],
        check=False,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[3])},
    )
    assert done.returncode == -signal.SIGKILL
    lines = (tmp_path / "pins.log").read_text().splitlines()
    assert lines[-1] == "1000.000000 GPIO17 output 1"


def test_without_a_journal_nothing_is_written(tmp_path: Path) -> None:
    """The bench file decides."""
    text = simulated_bench_text("board", tmp_path, journal=None)
    pins = SimPins(_bench(tmp_path, text), FastClock(NOON))
    _output(pins, "GPIO17").close()
    pins.close()
    assert list(tmp_path.iterdir()) == []


def test_a_journal_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    """The error names the file."""
    (tmp_path / "data").write_text("a file, no folder")
    with pytest.raises(BenchError, match=r"pins\.log: the journal of the pins cannot be written"):
        SimPins(_bench(tmp_path / "data"), FastClock(NOON))
