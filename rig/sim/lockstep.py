"""Own the port of simulated time: all that was sent has come; never change what it says.

A pseudo-terminal delivers a moment after a write. Where time is simulated no moment passes, and
what has come at a tick would be chance.
"""

import time

from rig.link.port import Port
from rig.sim.pty_port import PtyPort

_DELIVERED_S = 0.5
"""No pseudo-terminal of a living system takes longer to deliver."""


class LockstepPort:
    """A port that was just opened at the other end of `board`, and waits for what is on its way."""

    def __init__(self, port: Port, board: PtyPort) -> None:
        self._port = port
        self._board = board
        self._seen = board.sent

    @property
    def read_mono_s(self) -> float:
        """Get the time when the newest byte that `read` returned had come [s]."""
        return self._port.read_mono_s

    def read(self) -> bytes:
        """Return all that the board has sent; raise LinkLost where the other end is gone."""
        data = self._port.read()
        until_s = time.monotonic() + _DELIVERED_S
        while self._seen + len(data) < self._board.sent and time.monotonic() < until_s:
            data += self._port.read()
        self._seen = self._board.sent
        return data

    def write(self, data: bytes) -> None:
        """Send `data`, and have the board wait for it."""
        self._port.write(data)
        self._board.expect(len(data))

    def close(self) -> None:
        """Let go of the port."""
        self._port.close()
