"""Own how lines of counts become one batch of samples; never believe a line that does not fit.

Lines come a few at a time: plain numbers, put into one array at the end, take half as long there as
array operations do.
"""

from collections.abc import Sequence

import numpy as np

from rig.link.lines import NUMBERS
from rig.readings import ChannelSpec, Samples

_BEFORE_COUNTS = 2
_TIMES_US = 10**18
"""Times on the wire are below this: 18 digits."""


class SampleReader:
    """The samples of one board with one table of channels, in order, their numbers unwrapped.

    `refused` counts lines that have a wrong number of counts, a count outside its channel's range,
    or a time that is not later than the last; `missing` the numbers that were passed over.
    """

    def __init__(self, channels: Sequence[ChannelSpec]) -> None:
        self.refused = 0
        self.missing = 0
        half = [1 << (channel.bits - 1) if channel.signed else 0 for channel in channels]
        self._lowest = [0, 0, *(-each for each in half)]
        self._beyond = [
            NUMBERS,
            _TIMES_US,
            *((1 << it.bits) - each for it, each in zip(channels, half, strict=True)),
        ]
        self._next: int | None = None
        self._last_us = -1

    def read(self, bodies: Sequence[bytes], host_mono_s: float) -> Samples | None:
        """Return the samples in the bodies of lines, None where there is none to believe.

        A sample whose time is not later than that of the one before is a duplicate or runs back: it
        is refused, whatever its number.
        """
        table: list[int] = []
        count = missing = 0
        last_us = self._last_us
        for body in bodies:
            row = self._row(body)
            if row is None or row[1] <= last_us:
                continue
            last_us = row[1]
            expected = row[0] if self._next is None else self._next
            passed_over = (row[0] - expected) % NUMBERS
            row[0] = expected + passed_over
            self._next = row[0] + 1
            missing += passed_over
            count += 1
            table += row
        self.refused += len(bodies) - count
        if not count:
            return None
        self.missing += missing
        self._last_us = last_us
        columns = np.array(table, dtype=np.int64).reshape(count, -1)
        sequence, mcu_us, counts = columns[:, 0], columns[:, 1], columns[:, _BEFORE_COUNTS:]
        return Samples(sequence, mcu_us, counts, host_mono_s, missing)

    def _row(self, body: bytes) -> list[int] | None:
        """Return number, time and counts of a line; None where it is no sample of these channels.

        Python's own reading of whole numbers takes signs, spaces and underscores as well: those are
        sorted out before.
        """
        if body.translate(None, b"0123456789 -"):
            return None
        try:
            row = [int(word) for word in body.split(b" ")]
        except ValueError:
            return None
        if len(row) != len(self._beyond):
            return None
        for value, lowest, beyond in zip(row, self._lowest, self._beyond, strict=True):
            if not lowest <= value < beyond:
                return None
        return row
