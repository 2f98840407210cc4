"""Own a simulated board: real lines on a pseudo-terminal, its lease and its faults; never a part.

It behaves as firmware_notes/main.py does: hello until it is configured, then samples at the rate
that was asked for, the supply's state each second and when it changes. What the plant sees of an
output is what its pin says, while the supply is on.
"""

import os
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Protocol

from rig.clock import Clock
from rig.config import Bench
from rig.link.commands import Ask, Beat, Command, CommandReader, Config
from rig.link.frames import (
    PROTOCOL,
    Ack,
    BoardFault,
    Hello,
    encode_ack,
    encode_fault,
    encode_hello,
    encode_samples,
    encode_supply,
)
from rig.link.lines import NUMBERS
from rig.sim.board_inputs import BoardInputs
from rig.sim.plant import Plant
from rig.sim.pty_port import PtyPort
from rig.sim.supply import Supply

_FIRMWARE = "simulated-1"
_RATES_HZ = (20, 1000)
_LEASES_MS = (200, 2000)
_SECOND_US = 1_000_000
_LONGEST_TURN_US = 10_000
_REAL_TURN_S = 0.005


class Wiring(Protocol):
    """What is wired to the pins: `rig.sim.pins.PinsView`, or anything like it."""

    def energised(self) -> Mapping[str, bool]:
        """Get for each output whether its pin energises it."""
        ...

    def press(self, name: str) -> None:
        """Press a button and hold it."""
        ...

    def release(self, name: str) -> None:
        """Let go of a button."""
        ...

    def has_button(self, name: str) -> bool:
        """Tell whether there is such a button."""
        ...


class SimDevice:
    """A simulated board behind the port that the bench file names, plugged in and started.

    `pass_time` drives it, or `run_thread` a thread of its own; its doors may be used from any
    thread. `crystal_ppm` is how much faster its clock runs than it should.

    Raises BenchError where the plant gives no value for a channel of the bench, or the port cannot
    have its name.
    """

    def __init__(
        self, plant: Plant, bench: Bench, wiring: Wiring, *, crystal_ppm: float = 30.0
    ) -> None:
        self.plant = plant
        self._wiring = wiring
        self._outputs = (*bench.valves, *bench.outputs)
        self._values = plant.advance(dict.fromkeys(self._outputs, False), 0.0)
        self._inputs = BoardInputs(bench, self._values)
        self._crystal = 1.0 + crystal_ppm * 1e-6
        self._lock = threading.RLock()
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self._stop_is_pressed = False
        self._owed_us = 0.0
        self._dead_us = 0
        self._mute_us = 0
        self._drops = 0
        self._garbles = 0
        self._port = PtyPort(Path(bench.link.port))
        self._start()

    # time

    def pass_time(self, duration_s: float) -> None:
        """Let time pass for board and plant."""
        with self._lock:
            self._owed_us += duration_s * _SECOND_US
            while self._owed_us >= 1.0:
                turn_us = min(int(self._owed_us), _LONGEST_TURN_US)
                if self._rate_hz:
                    turn_us = min(turn_us, max(self._due_us - self._now_us, 1))
                self._owed_us -= turn_us
                self._turn(turn_us)
            self._flush()

    def run_thread(self, clock: Clock) -> None:
        """Let the board live by a clock, in a thread of its own, until `stop`."""

        def live() -> None:
            last_s = clock.mono_s()
            while not self._ended.is_set():
                clock.wait(_REAL_TURN_S)
                now_s = clock.mono_s()
                self.pass_time(now_s - last_s)
                last_s = now_s

        self._ended.clear()
        self._thread = threading.Thread(target=live, name="simulated board", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread, if one runs."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None

    def close(self) -> None:
        """End the thread and take the port away."""
        self.stop()
        with self._lock:
            self._port.unplug()

    # the door for faults

    @property
    def port(self) -> PtyPort:
        """Get the port that stands for the board's USB."""
        return self._port

    @property
    def supply_on(self) -> bool:
        """Tell whether the board keeps the supply of the outputs on."""
        with self._lock:
            return self._is_alive and self._supply.state.on

    def drop(self, frames: int) -> None:
        """Lose the next samples on their way."""
        with self._lock:
            self._drops += frames

    def garble(self, lines: int) -> None:
        """Flip a bit in each of the next lines."""
        with self._lock:
            self._garbles += lines

    def silence(self, duration_s: float) -> None:
        """Say nothing for a while, and go on as before."""
        with self._lock:
            self._mute_us = round(duration_s * _SECOND_US)

    def reboot(self, dead_s: float = 0.2) -> None:
        """Start anew, after a moment without life."""
        with self._lock:
            self._flush()
            self._start()
            self._dead_us = round(dead_s * _SECOND_US)

    def unplug(self) -> None:
        """Pull the board's cable: no port, no power."""
        with self._lock:
            self._port.unplug()

    def replug(self) -> None:
        """Plug the cable in again: the board starts anew, under the same name."""
        with self._lock:
            self._port.plug_in()
            self._start()

    def freeze(self, channel: str) -> None:
        """Let a channel of the bench repeat its count for ever."""
        with self._lock:
            self._inputs.freeze(channel, self._values)

    def hold_volts(self, channel: str, volts: float) -> None:
        """Hold a channel at volts at its sensor."""
        with self._lock:
            self._inputs.hold(channel, volts)

    def supply_volts(self, volts: float) -> None:
        """Hold the channel of the supply at some volts."""
        self.hold_volts("supply", volts)

    def thermistor_open(self, channel: str) -> None:
        """Break a wire of a thermistor."""
        self.hold_volts(channel, self._inputs.ends_v(channel)[0])

    def thermistor_short(self, channel: str) -> None:
        """Bridge the wires of a thermistor."""
        self.hold_volts(channel, self._inputs.ends_v(channel)[1])

    def spike(self, channel: str, volts: float, frames: int = 1) -> None:
        """Let a channel leap to volts at its sensor, for some frames."""
        with self._lock:
            self._inputs.spike(channel, volts, frames)

    def mend(self, channel: str) -> None:
        """Undo all that was done to a channel."""
        with self._lock:
            self._inputs.mend(channel)

    def stop_press(self) -> None:
        """Press the stop button: its contact opens the supply, and the pin sees it."""
        with self._lock:
            self._stop_is_pressed = True
            self._supply.contact_closed = False
        if self._wiring.has_button("stop"):
            self._wiring.press("stop")

    def stop_release(self) -> None:
        """Let go of the stop button."""
        with self._lock:
            self._stop_is_pressed = False
            self._supply.contact_closed = True
        if self._wiring.has_button("stop"):
            self._wiring.release("stop")

    # the board

    @property
    def _is_alive(self) -> bool:
        return self._port.is_plugged_in and self._dead_us <= 0

    def _start(self) -> None:
        """Begin as a board does when power comes: supply off, unconfigured, another boot."""
        self._supply = Supply()
        self._supply.contact_closed = not self._stop_is_pressed
        self._commands = CommandReader()
        self._refused = 0
        self._boot = os.urandom(4).hex()
        self._now_us = self._due_us = 0
        self._rate_hz = 0
        self._remainder = 0
        self._number = 0
        self._until_told_us = 0
        self._out = bytearray(b"\n")

    def _turn(self, turn_us: int) -> None:
        """Make one turn: hear, let the plant go on, look to the supply, speak."""
        if self._is_alive:
            for command in self._commands.feed(self._port.read()):
                self._obey(command)
        on = self._is_alive and self._supply.state.on
        wanted = self._wiring.energised()
        seen = {name: on and wanted.get(name, False) for name in self._outputs}
        self._values = self.plant.advance(seen, turn_us / _SECOND_US)
        if not self._is_alive:
            self._dead_us = max(self._dead_us - turn_us, 0)
            return
        self._now_us += turn_us
        self._mute_us -= turn_us
        if self._supply.pass_time(turn_us):
            self._say_supply()
        if self._rate_hz and self._now_us >= self._due_us:
            self._sample()
        self._until_told_us -= turn_us
        if self._until_told_us <= 0:
            self._until_told_us = _SECOND_US
            self._say_again()
        if self._mute_us > 0:
            self._out.clear()

    def _obey(self, command: Command) -> None:
        match command:
            case Ask(number):
                self._supply.hear(number)
                self._say_hello()
            case Beat(number):
                self._supply.beat(number)
            case Config():
                self._configure(command)

    def _configure(self, config: Config) -> None:
        fits_rate = _RATES_HZ[0] <= config.rate_hz <= _RATES_HZ[1]
        if not (fits_rate and _LEASES_MS[0] <= config.lease_ms <= _LEASES_MS[1]):
            low, high = _RATES_HZ
            least, most = _LEASES_MS
            told = f"rate {low} to {high} a second, lease {least} to {most} ms"
            self._say(encode_fault(BoardFault("config_refused", None, told), *self._stamp))
            return
        self._say(encode_ack(Ack(config.crc), *self._stamp))
        self._supply.configure(config.number, config.lease_ms)
        self._rate_hz = config.rate_hz
        self._remainder = 0
        self._due_us = self._now_us
        self._until_told_us = 0

    def _sample(self) -> None:
        counts = self._inputs.counts(self._values)
        if self._drops:
            self._drops -= 1
        else:
            self._say(encode_samples(self._number, self._mcu_us, counts))
        self._number = (self._number + 1) % NUMBERS
        # The time of the next sample moves on without ever rounding twice.
        whole_us, self._remainder = divmod(_SECOND_US + self._remainder, self._rate_hz)
        self._due_us += whole_us

    def _say_again(self) -> None:
        """Say each second what must not be missed."""
        if not self._rate_hz:
            self._say_hello()
            return
        self._say_supply()
        if self._commands.refused != self._refused:
            told = f"{self._commands.refused - self._refused} lines refused"
            self._refused = self._commands.refused
            self._say(encode_fault(BoardFault("garbled", None, told), *self._stamp))

    def _say_hello(self) -> None:
        hello = Hello(
            protocol=PROTOCOL,
            firmware=_FIRMWARE,
            board="simulated",
            boot=self._boot,
            rate_hz=self._rate_hz,
            lease_ms=self._supply.lease_us // 1000,
            channels=self._inputs.specs,
        )
        self._say(encode_hello(hello, *self._stamp))

    def _say_supply(self) -> None:
        self._say(encode_supply(self._supply.state, *self._stamp))

    def _say(self, lines: bytes) -> None:
        if self._garbles:
            self._garbles -= 1
            middle = len(lines) // 2
            lines = lines[:middle] + bytes([lines[middle] ^ 1]) + lines[middle + 1 :]
        self._out += lines

    def _flush(self) -> None:
        self._port.write(bytes(self._out))
        self._out.clear()

    @property
    def _mcu_us(self) -> int:
        return round(self._now_us * self._crystal)

    @property
    def _stamp(self) -> tuple[int, int]:
        return self._number, self._mcu_us
