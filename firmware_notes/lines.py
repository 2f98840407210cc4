"""Own the lines to and from the program: checksum, number, time; never know what is wired.

All arithmetic is in whole numbers: a small board's floats have 24 bits.
"""

import select
import sys
import time
from binascii import crc32

NUMBERS = 65536
MOST_BYTES = 200
_LONGEST_COMMAND = 64
_SECOND_US = 1000000


class BoardTime:
    """Microseconds since start, carried on past the wrap of the ticks (some 18 minutes).

    Kept in two numbers, since one would soon be too long for the quick kind of whole number.
    """

    def __init__(self):
        """Begin at zero."""
        self.ticks = time.ticks_us()
        self._seconds = 0
        self._us = 0

    def advance(self):
        """Look at the ticks; return how many have passed since the last look.

        To be called at least every 4 minutes.
        """
        ticks = time.ticks_us()
        passed = time.ticks_diff(ticks, self.ticks)
        self.ticks = ticks
        self._us += passed
        while self._us >= _SECOND_US:
            self._us -= _SECOND_US
            self._seconds += 1
        return passed

    def text(self):
        """Return the time of the last look, in digits."""
        return b"%d%06d" % (self._seconds, self._us)


class Lines:
    """Lines in both directions on standard input and output, which is the USB port."""

    def __init__(self, board_time):
        """Listen."""
        self.number = 0
        self.garbled = 0
        self._time = board_time
        self._write = sys.stdout.buffer.write
        self._read = sys.stdin.buffer.read
        self._input = select.poll()
        self._input.register(sys.stdin, select.POLLIN)
        self._command = bytearray(_LONGEST_COMMAND)
        self._length = 0

    def end_torn_line(self):
        """End whatever line a start before this one was cut off in."""
        self._write(b"\n")

    def say_counts(self, counts):
        """Send a sample; its number is used up."""
        body = b"%d %s" % (self.number, self._time.text())
        for count in counts:
            body += b" %d" % count
        self._send(body)
        self.number = (self.number + 1) % NUMBERS

    def say(self, word, told):
        """Send a line that begins with a word; it bears the number of the next sample."""
        body = b"%s %d %s %s" % (word, self.number, self._time.text(), told)
        self._send(body[: MOST_BYTES - 10])

    def _send(self, body):
        self._write(b"%08x %s\n" % (crc32(body), body))

    def wait(self, most_ms):
        """Wait until something comes in, at most so long."""
        self._input.poll(most_ms)

    def commands(self):
        """Return what has come in: the words of each whole line, with its checksum in front."""
        commands = []
        while self._input.poll(0):
            byte = self._read(1)
            if not byte:
                break
            if byte != b"\n":
                # One that is too long stays so, and is refused where it ends.
                if self._length < _LONGEST_COMMAND:
                    self._command[self._length] = byte[0]
                    self._length += 1
                continue
            line = bytes(self._command[: self._length]).rstrip(b"\r")
            self._length = 0
            if not line:
                continue
            if line[:9] == b"%08x " % crc32(line[9:]) and len(line) < _LONGEST_COMMAND:
                commands.append(line.split(b" "))
            else:
                self.garbled += 1
        return commands
