"""Own what is wired to which pin, and how a channel is read; never know of lines or of time.

Whoever builds a bench edits this file and no other: the table, and `Inputs.read` where another
converter than the board's own is used.
"""

from machine import ADC, Pin

SUM_OF = 4
"""Readings that are added up for one count: four of 12 bits make one of 14."""

CHANNELS = (
    # name, pin, bits, signed, full scale in microvolts
    ("p0", 26, 14, False, 3300000),
    ("t0", 27, 14, False, 3300000),
    ("t1", 28, 14, False, 3300000),
)
"""The channels in the order in which their counts are sent."""

LEASE_PIN = 15
"""Drives the charge pump of the supply's relay: see README.md."""
STOP_PIN = 14
"""The stop contact, to ground: closed reads low, open or broken reads high."""
UPKEEP_PIN = 22
"""Held to ground at start, the firmware does not run: for putting another on the board."""


class InputError(Exception):
    """A channel could not be read: its name, and what its converter did."""


class Inputs:
    """The board's own converter."""

    def __init__(self):
        """Claim the pins of all channels."""
        self._converters = [ADC(Pin(pin)) for _, pin, _, _, _ in CHANNELS]

    def read(self, counts):
        """Put the count of each channel into the list `counts`; raise InputError where one fails.

        The converter has 12 bits, which `read_u16` stretches to 16: the upper 12 are what it read.
        """
        for index, converter in enumerate(self._converters):
            count = 0
            try:
                for _ in range(SUM_OF):
                    count += converter.read_u16() >> 4
            except OSError as error:
                raise InputError(CHANNELS[index][0], f"errno {error.args[0]}") from error
            counts[index] = count
