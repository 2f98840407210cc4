"""Own the bench that the tests of outputs move: file, pins with a memory, readings; never test."""

import threading
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np
from gpiozero.pins.mock import MockFactory, MockPin

from rig.clock import FastClock
from rig.config import Bench, parse_bench
from rig.outputs.safety import Safety
from rig.outputs.valves import Outputs
from rig.readings import Readings, Samples
from rig.units import PA_PER_INHG

PINS = {
    "pump": "GPIO17",
    "vent": "GPIO27",
    "part": "GPIO22",
    "port_b": "GPIO23",
    "coil": "GPIO24",
    "electric_pump": "GPIO25",
    "lamp": "GPIO12",
    "buzzer": "GPIO16",
}
POWERED = ("electric_pump", "coil", "pump", "vent", "part", "port_b")
"""What hangs on the leased supply, in the order in which it goes to rest."""
VALVES = ("pump", "vent", "part", "port_b")
MARK, STOP = "GPIO5", "GPIO6"
ROOM_PA = 100_000.0
RIG_MAX_PA = 25.0 * PA_PER_INHG


def bench_of(
    *, active_high: bool = True, pins: Mapping[str, str] | None = None, mark: str = "low"
) -> Bench:
    """Read a bench with every output and button, all outputs of one polarity."""
    level = str(active_high).lower()
    tables = []
    for name, pin in (PINS | dict(pins or {})).items():
        table = "valves" if name in VALVES else "outputs"
        rest = f'at_rest = "{"shut" if name == "pump" else "open"}"\n' if name in VALVES else ""
        tables.append(f'[{table}.{name}]\npin = "{pin}"\n{rest}active_high = {level}\n')
    text = f"""
name = "Low Yard, bench 1"
data = "/srv/stillgauge"
[link]
port = "/dev/ttyACM0"
[pins]
factory = "mock"
{"".join(tables)}
[inputs.mark]
pin = "{MARK}"
pressed = "{mark}"
[inputs.stop]
pin = "{STOP}"
pressed = "open"
[channels.p_a]
kind = "pressure"
input = "p0"
low = ["0.5 V", "0 kPa"]
high = ["4.5 V", "115 kPa"]
span_u = "1 %"
zero_u = "300 Pa"
[channels.supply]
kind = "voltage"
input = "v0"
[safety]
max_vacuum = "25 inHg"
max_bath = "95 degC"
supply = ["11 V", "15 V"]
"""
    return parse_bench(text, "bench.toml")


class KeptPin(MockPin):  # type: ignore[misc] # the library carries no types
    """A pin that keeps every level it drove as an output, and can be made to fail or to wait.

    Levels of an input are the resistor's, so `driven` holds only what the program answers for.
    """

    written: list[tuple[str, bool]]
    """Every level that any pin of the factory was told, in order, by the name of the pin."""

    def __init__(self, factory: Any, info: Any) -> None:
        self.driven: list[bool] = []
        self.fails_by: Exception | None = None
        self.unreadable = False
        self.grounded = False
        self.before_write: Callable[[bool], None] = lambda _: None
        super().__init__(factory, info)

    def _set_pull(self, value: str) -> None:
        super()._set_pull(value)
        if self.grounded:
            # A closed contact to ground is stronger than any pull.
            self.drive_low()

    def _set_function(self, value: str) -> None:
        super()._set_function(value)
        if value == "output":
            self.driven.append(bool(self._state))

    def _get_state(self) -> bool:
        if self.unreadable:
            raise OSError(5, "Input/output error")
        return bool(super()._get_state())

    def _set_state(self, value: bool) -> None:
        self.before_write(bool(value))
        if self.fails_by is not None:
            raise self.fails_by
        self.factory.written.append((self.info.name, bool(value)))
        super()._set_state(value)

    def _change_state(self, value: bool) -> bool:
        changed = bool(super()._change_state(value))
        if changed and self._function == "output":
            self.driven.append(bool(value))
        return changed


class KeptFactory(MockFactory):  # type: ignore[misc] # the library carries no types
    """Pins with a memory; the stop contact is closed, unless its wire is broken."""

    def __init__(self, *, stop_wire_whole: bool = True) -> None:
        super().__init__(pin_class=KeptPin)
        self.written: list[tuple[str, bool]] = []
        self.pin(STOP).grounded = stop_wire_whole

    def named(self, output: str) -> KeptPin:
        """Get the pin of an output."""
        pin: KeptPin = self.pin(PINS[output])
        return pin

    def driven(self) -> dict[str, list[bool]]:
        """Get what each output's pin drove, from the beginning."""
        return {name: self.named(name).driven for name in PINS}


def in_another_thread(call: Callable[[], object]) -> None:
    """Make a call from another thread, as the pins' library does, and wait for its end."""
    thread = threading.Thread(target=call)
    thread.start()
    thread.join(timeout=5.0)
    assert not thread.is_alive()


def readings_of(now_s: float, **values: float) -> Readings:
    """Make two frames that read the same SI values on the channels named."""
    none = np.zeros(2, dtype=np.int64)
    samples = Samples(none, none, np.zeros((2, 1), dtype=np.int64), now_s)
    arrays = {name: np.array([value, value]) for name, value in values.items()}
    return Readings(samples, np.array([now_s - 0.005, now_s]), arrays)


class Kit:
    """A bench with its safety, and hands to run it: the clock moves only when told."""

    def __init__(self, factory: KeptFactory | None = None, *, active_high: bool = True) -> None:
        self.factory = KeptFactory() if factory is None else factory
        self.clock = FastClock(datetime(2026, 3, 1, tzinfo=UTC))
        self.bench = bench_of(active_high=active_high)
        self.outputs = Outputs(self.bench, self.factory)
        self.beats: list[float] = []
        self.store_is_full = False
        self.safety = Safety(
            self.outputs,
            self.bench.safety,
            lambda: self.beats.append(self.clock.mono_s()),
            self.clock,
            {"store_failing": lambda: self.store_is_full},
        )

    @property
    def now_s(self) -> float:
        """Get the clock's time."""
        return self.clock.mono_s()

    def step(self, supply_on: bool = True, **values: float) -> None:
        """Let 10 ms pass and make one turn of the loop with these readings, none if none given."""
        self.clock.wait(0.01)
        readings = readings_of(self.now_s, **values) if values else None
        self.safety.watch(readings, supply_on, self.now_s)
        self.safety.tick(self.now_s)

    def vented(self) -> None:
        """Make one turn with everything as it should be."""
        self.step(p_a=ROOM_PA, p_b=ROOM_PA, supply=12.0)

    def energised(self) -> set[str]:
        """Name what is energised, as the pins say."""
        return {name for name, on in self.outputs.energised().items() if on}
