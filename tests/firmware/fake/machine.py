"""Own a board that is not there, for the firmware's tests; never be better than a real one.

Runs in MicroPython. The folder named by BOARD_FOLDER is the board's outside: each change of an
output pin is a line of `pins` (pin, level), each meal of the watchdog one of `watchdog`; a file
`stop` opens the stop contact, `upkeep` holds the upkeep pin to ground, `converter` holds what the
converter does: a number to read, `fail`, or `hang`.
"""

import os

FOLDER = os.getenv("BOARD_FOLDER")
STOP_PIN = 14
UPKEEP_PIN = 22


def _is_there(name):
    try:
        os.stat(FOLDER + "/" + name)
    except OSError:
        return False
    return True


def unique_id():
    """Return the serial number of the chip."""
    return b"\xe6\x61\x38\x52\x83\x42\x17\x2a"


class Pin:
    """A pin; inputs read what the folder says."""

    IN = 0
    OUT = 1
    PULL_UP = 1

    def __init__(self, pin, mode=IN, pull=None, value=None):
        """Claim the pin."""
        self.pin = pin
        self.pull = pull
        if mode == self.OUT:
            self._journal = open(FOLDER + "/pins", "a")  # noqa: SIM115 - open as long as the pin
            self._level = None
            self.value(value)

    def value(self, level=None):
        """Set the level of an output, or return that of an input."""
        if level is None:
            return self._read()
        if level != self._level:
            self._level = level
            self._journal.write(f"{self.pin} {level}\n")
        return None

    def _read(self):
        if self.pull != self.PULL_UP:
            return 0
        if self.pin == STOP_PIN:
            return int(_is_there("stop"))
        return int(not (self.pin == UPKEEP_PIN and _is_there("upkeep")))


class ADC:
    """A converter of 12 bits, stretched to 16 as the board's own does."""

    def __init__(self, pin):
        """Claim the pin."""
        self._pin = pin

    def read_u16(self):
        """Return what `converter` in the folder says, 0 without it."""
        if not _is_there("converter"):
            return 0
        with open(FOLDER + "/converter") as told:
            what = told.read()
        if what == "fail":
            raise OSError(5)
        if what == "hang":
            while _is_there("converter"):
                pass
            return 0
        return (int(what) << 4) | (int(what) >> 8)


class WDT:
    """A watchdog that only keeps count: it cannot start this process anew."""

    def __init__(self, timeout):
        """Begin; the time is in milliseconds."""
        self._journal = open(FOLDER + "/watchdog", "a")  # noqa: SIM115 - as long as the board
        self._journal.write(f"{timeout}\n")

    def feed(self):
        """Note a meal."""
        self._journal.write(".")
