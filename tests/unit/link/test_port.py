"""Tests of the serial port, over a real pseudo terminal."""

import errno
import os
import pty
import stat
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator

import pytest
import serial

from rig.clock import SystemClock
from rig.errors import LinkError, LinkLost
from rig.link import reader
from rig.link.port import WRITE_TIMEOUT_S, SerialPort

CALLS: dict[str, Callable[[SerialPort], object]] = {
    "read": lambda port: port.read(),
    "write": lambda port: port.write(b"x"),
}
BOTH = pytest.mark.parametrize("threaded", [False, True], ids=["polled", "threaded"])


class Line:
    """A pseudo terminal: `board` is its other end, None once it is gone."""

    def __init__(self) -> None:
        board, ours = pty.openpty()
        tty.setraw(board)
        self.url = os.ttyname(ours)
        self.board: int | None = board
        self._ours = ours
        self.ports: list[SerialPort] = []

    def open(self, *, threaded: bool = False) -> SerialPort:
        """Open our end."""
        port = SerialPort(self.url, SystemClock(), threaded=threaded)
        self.ports.append(port)
        return port

    def send(self, data: bytes) -> None:
        """Let the board say something, and wait until it has come."""
        assert self.board is not None
        os.write(self.board, data)

    def hang_up(self) -> None:
        """Unplug the board."""
        if self.board is not None:
            os.close(self.board)
            self.board = None

    def close(self) -> None:
        """Put all away."""
        for port in self.ports:
            port.close()
        self.hang_up()
        os.close(self._ours)


@pytest.fixture
def line() -> Iterator[Line]:
    """Lay a line."""
    it = Line()
    yield it
    it.close()


def _within(seconds: float, done: Callable[[], bool]) -> None:
    end_s = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end_s
        time.sleep(0.002)


def _read(port: SerialPort, length: int) -> bytes:
    data = bytearray()

    def enough() -> bool:
        data.extend(port.read())
        return len(data) >= length

    _within(2.0, enough)
    return bytes(data)


@BOTH
def test_bytes_go_through_unchanged(line: Line, threaded: bool) -> None:
    """All 256 of them, both ways: no echo, no translation, no line ends of a terminal."""
    port = line.open(threaded=threaded)
    everything = bytes(range(256))
    line.send(everything)
    assert _read(port, 256) == everything
    port.write(everything)
    assert os.read(line.board, 4096) == everything


@BOTH
def test_nothing_there_is_no_wait(line: Line, threaded: bool) -> None:
    """A read returns at once, with nothing."""
    port = line.open(threaded=threaded)
    began_s = time.monotonic()
    assert [port.read() for _ in range(20)] == [b""] * 20
    assert time.monotonic() - began_s < 0.2


@BOTH
@pytest.mark.parametrize("call", CALLS.values(), ids=CALLS)
def test_after_a_hang_up_every_call_leaves_link_lost(
    line: Line, call: Callable[[SerialPort], object], threaded: bool
) -> None:
    """Whatever the library raises: the first call and every other after it, and close is quiet."""
    port = line.open(threaded=threaded)
    line.hang_up()

    def lost() -> bool:
        try:
            call(port)
        except LinkLost:
            return True
        return False

    _within(1.0, lost)
    for each in CALLS.values():
        with pytest.raises(LinkLost, match="look at its cable"):
            each(port)
    port.close()
    port.close()
    with pytest.raises(LinkLost, match="look at its cable"):
        port.read()


@BOTH
@pytest.mark.parametrize("call", CALLS.values(), ids=CALLS)
def test_a_closed_port_is_lost(
    line: Line, call: Callable[[SerialPort], object], threaded: bool
) -> None:
    """After close there is no TypeError of the library."""
    port = line.open(threaded=threaded)
    port.close()
    with pytest.raises(LinkLost, match="was closed"):
        call(port)


@BOTH
def test_closing_after_a_hang_up_is_quiet(line: Line, threaded: bool) -> None:
    """Nobody can be helped by an error then."""
    port = line.open(threaded=threaded)
    line.hang_up()
    port.close()


@pytest.mark.parametrize(
    "raised", [OSError(5, "gone"), termios.error(5, "gone"), TypeError("None"), ValueError("fd")]
)
def test_whatever_the_library_raises_is_link_lost(
    line: Line, raised: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    """termios.error is no OSError, TypeError neither: to the caller all are the same."""
    port = line.open()

    def fail(*_: object) -> bytes:
        raise raised

    monkeypatch.setattr(serial.Serial, "read", fail)
    with pytest.raises(LinkLost):
        port.read()


def test_a_board_that_takes_nothing_is_lost_in_time(line: Line) -> None:
    """A full line holds its writer up once, for about the write's timeout, and then never again."""
    port = line.open()
    longest_s = 0.0
    with pytest.raises(LinkLost, match="no longer takes"):  # noqa: PT012 - the loop is the call
        for _ in range(10_000):
            began_s = time.monotonic()
            try:
                port.write(b"x" * 50)
            finally:
                longest_s = max(longest_s, time.monotonic() - began_s)
    assert WRITE_TIMEOUT_S == 0.2
    assert longest_s < 0.5
    began_s = time.monotonic()
    with pytest.raises(LinkLost, match="no longer takes"):
        port.write(b"x")
    assert time.monotonic() - began_s < 0.1


# opening


def test_a_missing_device_says_what_to_plug_in() -> None:
    """The sentence names the port, what is there, and the name that stays the same."""
    with pytest.raises(LinkError, match=r"/dev/no-such-board.*Plug the board in.*by-id"):
        SerialPort("/dev/no-such-board", SystemClock())


def test_a_port_in_use_says_who_may_have_it(line: Line) -> None:
    """The second program is refused, and told of the service."""
    line.open()
    with pytest.raises(LinkError, match=r"Another program has .* open.*service"):
        line.open()


def test_a_closed_port_can_be_opened_again(line: Line) -> None:
    """Closing gives the device back."""
    for threaded in (False, True, False):
        port = line.open(threaded=threaded)
        line.send(b"again")
        assert _read(port, 5) == b"again"
        port.close()


def test_a_forbidden_port_names_the_group(monkeypatch: pytest.MonkeyPatch) -> None:
    """A user who may not open it learns which group may."""

    def forbidden(*_: object, **__: object) -> int:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "open", forbidden)
    with pytest.raises(LinkError, match=r"may not open /dev/ttyACM0.*dialout"):
        SerialPort("/dev/ttyACM0", SystemClock())


@pytest.mark.parametrize("url", ["/dev/null", "/"])
def test_what_is_no_serial_port_is_refused(url: str) -> None:
    """Another kind of file gives a sentence, not the library's error."""
    assert not stat.S_ISREG(os.stat(url).st_mode)
    with pytest.raises(LinkError, match=r"cannot be used as a serial port.*link\.port"):
        SerialPort(url, SystemClock())


# the thread


def _threads() -> list[threading.Thread]:
    return [each for each in threading.enumerate() if each.name == "link reader"]


def test_the_thread_keeps_reading_while_nobody_asks(line: Line) -> None:
    """More than the operating system would keep is there, in order, with the newest one's time."""
    port = line.open(threaded=True)
    sent = b""
    for number in range(40):
        block = b"%08d" % number * 128
        line.send(block)
        sent += block
        time.sleep(0.003)
    after_s = time.monotonic()
    time.sleep(0.2)
    assert _read(port, len(sent)) == sent
    assert after_s - 1.0 < port.read_mono_s < after_s + 0.1


def test_the_time_of_a_polled_port_is_that_of_the_read(line: Line) -> None:
    """It moves only when something came."""
    port = line.open()
    line.send(b"x")
    assert _read(port, 1) == b"x"
    before_s = port.read_mono_s
    assert port.read() == b""
    assert port.read_mono_s == before_s


def test_closing_ends_the_thread_at_once(line: Line) -> None:
    """Also while it waits for a byte that never comes."""
    port = line.open(threaded=True)
    assert len(_threads()) == 1
    time.sleep(0.02)
    began_s = time.monotonic()
    port.close()
    assert time.monotonic() - began_s < 0.3
    assert _threads() == []


def test_what_came_before_a_hang_up_is_still_handed_over(line: Line) -> None:
    """The thread's error comes after its bytes, and ends it."""
    port = line.open(threaded=True)
    line.send(b"last words")
    time.sleep(0.05)
    line.hang_up()
    _within(1.0, lambda: _threads() == [])
    assert port.read() == b"last words"
    with pytest.raises(LinkLost, match="is gone"):
        port.read()


def test_the_thread_keeps_only_the_newest(line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    """If nobody takes for long, the oldest bytes go: memory stays bounded."""
    monkeypatch.setattr(reader, "MOST_KEPT_BYTES", 1000)
    port = line.open(threaded=True)
    for number in range(30):
        line.send(b"%04d" % number * 25)
        time.sleep(0.012)
    time.sleep(0.1)
    data = port.read()
    assert 500 <= len(data) <= 1000
    assert data.endswith(b"0029" * 25)
