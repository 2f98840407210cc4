"""Own the board: counts out, heartbeats in, the lease of the supply; never decide about a part.

One loop does everything, so that a loop which hangs does nothing: the supply's relay is held by
pulses that only the loop makes, and the watchdog starts a hung board anew. What is said is on the
page protocol.md, what is wired in wiring.py.
"""

import gc
import os
import time
from binascii import hexlify

import machine
import micropython
import wiring
from lines import NUMBERS, BoardTime, Lines

PROTOCOL = 1
FIRMWARE = b"stillgauge-1.0"
RATES_HZ = (20, 1000)
LEASES_MS = (200, 2000)
WATCHDOG_MS = 4000
SECOND_US = 1000000
CAUGHT_UP_US = 100000
"""A hiccup up to this long is made up for; samples of a longer one are left out, and counted."""
CONTACT_SETTLES_US = 100000
"""The stop contact must have been closed for so long before the supply may come on."""


class Supply:
    """The relay of the outputs' supply: on only while beats come and the stop contact is closed."""

    def __init__(self):
        """Begin with the supply off."""
        self._pulses = machine.Pin(wiring.LEASE_PIN, machine.Pin.OUT, value=0)
        self._contact = machine.Pin(wiring.STOP_PIN, machine.Pin.IN, machine.Pin.PULL_UP)
        self._level = 0
        self._closed_us = CONTACT_SETTLES_US
        self._beating = False
        self._since_beat_us = 0
        self.lease_us = 0
        self.state = b"off beats"

    def configure(self, lease_ms):
        """Set the lease; what was heard before does not count."""
        self.lease_us = lease_ms * 1000
        self._beating = False

    def beat(self):
        """Hold the supply for one more lease."""
        self._beating = self.lease_us > 0
        self._since_beat_us = 0

    def advance(self, passed_us):
        """Let time pass; return whether the state changed. Each call makes half a pulse."""
        self._since_beat_us += passed_us
        if self._since_beat_us > self.lease_us:
            # Kept as a state, not found from ticks: those wrap, and an old beat would look new.
            self._beating = False
            self._since_beat_us = self.lease_us
        if self._contact.value():
            self._closed_us = 0
        elif self._closed_us < CONTACT_SETTLES_US:
            self._closed_us += passed_us
        before = self.state
        if self._closed_us < CONTACT_SETTLES_US:
            self.state = b"off stop"
        else:
            self.state = b"on" if self._beating else b"off beats"
        self._level = 1 - self._level if self.state == b"on" else 0
        self._pulses.value(self._level)
        return self.state != before


class Board:
    """The whole board, from its start to its loss of power."""

    def __init__(self):
        """Begin with the supply off, saying nothing but hello."""
        self._supply = Supply()
        self._inputs = wiring.Inputs()
        self._watchdog = machine.WDT(timeout=WATCHDOG_MS)
        self._time = BoardTime()
        self._lines = Lines(self._time)
        self._boot = hexlify(os.urandom(4))
        self._counts = [0] * len(wiring.CHANNELS)
        self._rate_hz = 0
        self._due_ticks = 0
        self._remainder = 0
        self._last_command = 0
        self._until_told_us = 0
        self._garbled = 0
        self._input_fault = b""

    def run(self):
        """Turn the loop for ever."""
        self._lines.end_torn_line()
        self._say_hello()
        while True:
            self.turn()
            self._lines.wait(1)

    def turn(self):
        """Make one turn of the loop."""
        passed_us = self._time.advance()
        if self._rate_hz:
            # First, while the time that was looked up is still the time.
            self._sample()
        for words in self._lines.commands():
            self._obey(words)
        changed = self._supply.advance(passed_us)
        if changed:
            self._lines.say(b"supply", self._supply.state)
        self._until_told_us -= passed_us
        if self._until_told_us <= 0:
            self._until_told_us = SECOND_US
            self._say_again()
        self._watchdog.feed()

    # what comes in

    def _obey(self, words):
        try:
            kind = words[1]
            numbers = [int(word) for word in words[2:]]
        except (IndexError, ValueError):
            self._lines.garbled += 1
            return
        if kind == b"beat" and len(numbers) == 1:
            # Only a number ahead of the last one is new; a repeated line holds no supply.
            ahead = (numbers[0] - self._last_command) % NUMBERS
            if 0 < ahead < NUMBERS // 2:
                self._supply.beat()
                self._last_command = numbers[0]
        elif kind == b"ask" and len(numbers) == 1:
            self._last_command = numbers[0]
            self._say_hello()
        elif kind == b"config" and len(numbers) == 3:
            self._last_command = numbers[0]
            self._configure(words[0], numbers[1], numbers[2])
        else:
            self._lines.garbled += 1

    def _configure(self, checksum, rate_hz, lease_ms):
        fits = RATES_HZ[0] <= rate_hz <= RATES_HZ[1] and LEASES_MS[0] <= lease_ms <= LEASES_MS[1]
        if not fits:
            told = b"rate %d to %d a second, lease %d to %d ms" % (RATES_HZ + LEASES_MS)
            self._fault(b"config_refused", b"-", told)
            return
        self._lines.say(b"ack", checksum)
        self._supply.configure(lease_ms)
        self._rate_hz = rate_hz
        self._remainder = 0
        self._due_ticks = self._time.ticks
        self._until_told_us = 0

    # what goes out

    def _sample(self):
        late_us = time.ticks_diff(self._time.ticks, self._due_ticks)
        if late_us < 0:
            return
        if late_us > CAUGHT_UP_US:
            self._leave_out(late_us)
        try:
            self._inputs.read(self._counts)
        except wiring.InputError as error:
            self._lines.number = (self._lines.number + 1) % NUMBERS
            self._note_input_fault(error.args[0], error.args[1])
        else:
            self._input_fault = b""
            self._lines.say_counts(self._counts)
        self._step_due(1)

    def _leave_out(self, late_us):
        samples = late_us * self._rate_hz // SECOND_US
        self._lines.number = (self._lines.number + samples) % NUMBERS
        self._step_due(samples)
        self._fault(b"late", b"-", b"%d samples left out" % samples)

    def _step_due(self, samples):
        """Move the time of the next sample on, without ever rounding twice."""
        whole = samples * SECOND_US + self._remainder
        self._remainder = whole % self._rate_hz
        self._due_ticks = time.ticks_add(self._due_ticks, whole // self._rate_hz)

    def _note_input_fault(self, channel, detail):
        told = b"%s %s" % (channel.encode(), detail.encode())
        if told != self._input_fault:
            self._input_fault = told
            self._lines.say(b"fault", b"input_failed " + told)

    def _say_again(self):
        """Say each second what must not be missed."""
        if not self._rate_hz:
            self._say_hello()
            return
        self._lines.say(b"supply", self._supply.state)
        if self._input_fault:
            self._lines.say(b"fault", b"input_failed " + self._input_fault)
        garbled = self._lines.garbled - self._garbled
        if garbled:
            self._garbled = self._lines.garbled
            self._fault(b"garbled", b"-", b"%d lines refused" % garbled)

    def _say_hello(self):
        self._lines.say(
            b"hello",
            b"%d %s %s %s %d %d"
            % (
                PROTOCOL,
                FIRMWARE,
                hexlify(machine.unique_id()),
                self._boot,
                self._rate_hz,
                self._supply.lease_us // 1000,
            ),
        )
        for index, (name, _, bits, signed, full_scale_uv) in enumerate(wiring.CHANNELS):
            sign = b"signed" if signed else b"unsigned"
            told = (self._boot, index, name.encode(), bits, sign, full_scale_uv)
            self._lines.say(b"channel", b"%s %d %s %d %s %d" % told)
        self._lines.say(b"ready", b"%s %d" % (self._boot, len(wiring.CHANNELS)))

    def _fault(self, code, channel, detail):
        self._lines.say(b"fault", b"%s %s %s" % (code, channel, detail))


def main():
    """Run the board, unless the upkeep pin is held to ground."""
    upkeep = machine.Pin(wiring.UPKEEP_PIN, machine.Pin.IN, machine.Pin.PULL_UP)
    if not upkeep.value():
        return
    # Any byte may come in: none of them may stop the program.
    micropython.kbd_intr(-1)
    gc.collect()
    Board().run()


if __name__ == "__main__":
    main()
