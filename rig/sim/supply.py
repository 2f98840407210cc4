"""Own the lease of the simulated supply, as the board's firmware keeps it; never touch a pin.

The supply of the outputs is on while beats come within the lease and the stop contact has been
closed for long enough not to bounce.
"""

from rig.link.frames import SupplyCause, SupplyState
from rig.link.lines import NUMBERS

CONTACT_SETTLES_US = 100_000


class Supply:
    """The relay of the outputs' supply, off at the start, the stop contact closed."""

    def __init__(self) -> None:
        self.contact_closed = True
        self.lease_us = 0
        self.state = SupplyState(False, SupplyCause.BEATS)
        self._last_number = 0
        self._since_beat_us: int | None = None
        self._closed_us = 0

    def configure(self, number: int, lease_ms: int) -> None:
        """Set the lease; what was heard before does not count."""
        self.hear(number)
        self.lease_us = lease_ms * 1000
        self._since_beat_us = None

    def hear(self, number: int) -> None:
        """Take note of a command's number: a beat must come after it."""
        self._last_number = number

    def beat(self, number: int) -> None:
        """Hold the supply for one more lease; a number that is not ahead of the last is an echo."""
        ahead = (number - self._last_number) % NUMBERS
        if 0 < ahead < NUMBERS // 2 and self.lease_us > 0:
            self._last_number = number
            self._since_beat_us = 0

    def pass_time(self, passed_us: int) -> bool:
        """Let time pass; tell whether the state changed."""
        if self._since_beat_us is not None:
            self._since_beat_us += passed_us
            if self._since_beat_us > self.lease_us:
                self._since_beat_us = None
        self._closed_us = self._closed_us + passed_us if self.contact_closed else 0
        before = self.state
        if self._closed_us < CONTACT_SETTLES_US:
            self.state = SupplyState(False, SupplyCause.STOP)
        elif self._since_beat_us is None:
            self.state = SupplyState(False, SupplyCause.BEATS)
        else:
            self.state = SupplyState(True, None)
        return self.state != before
