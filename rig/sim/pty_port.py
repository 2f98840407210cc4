"""Own the pseudo-terminal that stands for the board's USB port; never know what the bytes say.

Like a board's port it can be unplugged, and comes back under the same name. What nobody takes is
dropped, and nothing ever waits.
"""

import os
import select
import time
import tty
from pathlib import Path

from rig.errors import BenchError

_MOST_AT_ONCE = 65_536
_DELIVERED_S = 0.5
"""No pseudo-terminal of a living system takes longer to deliver."""


class PtyPort:
    """A serial port under the name `path`, plugged in at once; `dropped` counts bytes not taken.

    `sent` counts those that were taken. A pseudo-terminal delivers a moment after a write; in
    simulated time, where no moment passes, `expect` makes the next `read` wait for what was sent.

    Raises BenchError where the name is taken by something that is no link, or cannot be made.
    """

    def __init__(self, path: Path) -> None:
        self.dropped = 0
        self.sent = 0
        self._awaited = 0
        self._path = path
        self._master: int | None = None
        self._poll = select.poll()
        self._is_torn = False
        self.plug_in()

    @property
    def is_plugged_in(self) -> bool:
        """Tell whether the port is there."""
        return self._master is not None

    def plug_in(self) -> None:
        """Make the port, under its name, if it is not there."""
        if self._master is not None:
            return
        if self._path.exists() and not self._path.is_symlink():
            raise BenchError(f"{self._path} is no link of a simulated board: name another port.")
        master, slave = os.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(master, False)
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._path.unlink(missing_ok=True)
            self._path.symlink_to(name)
        except OSError as error:
            os.close(master)
            raise BenchError(
                f"{self._path}: the simulated board's port cannot have this name"
                f" ({error.strerror}). Name one in a folder that this user may write."
            ) from error
        self._master = master
        self._is_torn = False
        self._poll.register(master, select.POLLHUP)

    def unplug(self) -> None:
        """Take the port away: whoever has it open loses it."""
        if self._master is None:
            return
        self._poll.unregister(self._master)
        os.close(self._master)
        self._master = None
        self._path.unlink(missing_ok=True)

    def expect(self, count: int) -> None:
        """Make the next `read` wait until `count` more bytes have come."""
        self._awaited += count

    def read(self) -> bytes:
        """Return what has come, at once but for what is expected."""
        awaited, self._awaited = self._awaited, 0
        data = self._come()
        until_s = time.monotonic() + _DELIVERED_S
        while len(data) < awaited and time.monotonic() < until_s:
            data += self._come()
        return data

    def _come(self) -> bytes:
        if self._master is None or self._poll.poll(0):
            return b""
        try:
            return os.read(self._master, _MOST_AT_ONCE)
        except (BlockingIOError, OSError):
            return b""

    def write(self, lines: bytes) -> None:
        """Send lines; drop what is not taken at once, all of it where nobody listens."""
        if not lines:
            return
        taken, start = 0, b""
        if self._master is not None and not self._poll.poll(0):
            # A line that was cut off is ended, so that it does not spoil the next one as well.
            start = b"\n" if self._is_torn else b""
            try:
                taken = os.write(self._master, start + lines) - len(start)
            except (BlockingIOError, OSError):
                taken = 0
            else:
                self._is_torn = taken < len(lines)
        self.dropped += len(lines) - max(taken, 0)
        self.sent += len(start) + max(taken, 0) if taken else 0
