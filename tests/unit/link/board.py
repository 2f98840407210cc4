"""Own a board for the tests of the session, written from protocol.md; never use the program's code.

It answers by hand-made lines over a port that is only a pair of buffers.
"""

from rig.clock import Clock
from rig.errors import LinkLost
from tests.unit.link import wire


class Board:
    """A board that streams once it is configured; its switches make it misbehave."""

    def __init__(self, clock: Clock, boot: str = "boot-1") -> None:
        self.clock = clock
        self.boot = boot
        self.mute = False
        self.deaf = False
        self.refuses = ""
        self.noise = b""
        self.echoes = False
        self.gone = False
        self.head: str | None = None
        self.opened = 0
        self.heard: list[str] = []
        self.streams = False
        self.number = 0
        self.us = 0
        self._out = b""

    def pass_time(self, duration_s: float) -> None:
        """Sample at 100 a second, as long as it is configured."""
        self.us += round(duration_s * 1e6)
        if self.noise:
            self._out += self.noise
        if self.streams:
            self.say(f"{self.number} {self.us} {self.number % 1000} -7")
            self.number = (self.number + 1) % 65536

    def say(self, body: str) -> None:
        """Say something, if it may."""
        if not self.mute:
            self._out += wire.line(body)

    def say_hello(self) -> None:
        """Introduce itself."""
        if self.head is not None:
            self.say(self.head)
        elif not self.mute:
            self._out += wire.hello(self.boot, f"{self.number} {self.us}")

    def begin_anew(self, boot: str) -> None:
        """Start again, as after a failure of its power."""
        self.boot = boot
        self.streams = False
        self.number = self.us = 0
        self._out += b"\n"
        self.say_hello()

    def hear(self, line: bytes) -> None:
        """Obey a line."""
        checksum, body = line.decode("ascii").rstrip("\n").split(" ", 1)
        assert wire.line(body) == line
        self.heard.append(body)
        if self.echoes:
            self._out += line
        if self.deaf or self.echoes:
            return
        word, *numbers = body.split(" ")
        if word == "ask":
            self.say_hello()
        elif word == "config" and self.refuses:
            self.say(f"fault {self.number} {self.us} config_refused - {self.refuses}")
        elif word == "config":
            self.say(f"ack {self.number} {self.us} {checksum}")
            self.streams = True
            assert len(numbers) == 3

    def take(self) -> bytes:
        """Hand over what it said."""
        out, self._out = self._out, b""
        return out


class FakePort:
    """The port to such a board."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.closed = False
        self.read_mono_s = board.clock.mono_s()
        board.opened += 1

    def read(self) -> bytes:
        """Read what the board said."""
        self._look()
        self.read_mono_s = self.board.clock.mono_s()
        return self.board.take()

    def write(self, data: bytes) -> None:
        """Say something to the board."""
        self._look()
        for line in data.splitlines(keepends=True):
            self.board.hear(line)

    def close(self) -> None:
        """Let go."""
        self.closed = True

    def _look(self) -> None:
        assert not self.closed, "nobody uses a port that was closed"
        if self.board.gone:
            raise LinkLost("The board is gone: look at its cable.")
