"""Own the serial port: every failure of it leaves here as LinkLost; never know what the bytes say.

A port whose other end is gone raises many things: SerialException, plain OSError, termios.error
(which is no OSError), TypeError once it is closed. Whoever calls a port sees one of them only. A
port that failed once stays failed: open a new one.
"""

import contextlib
import errno
from pathlib import Path
from typing import Protocol

import serial

from rig.clock import Clock
from rig.errors import LinkError, LinkLost
from rig.link.reader import PORT_FAILURES, ReaderThread

BAUD = 115_200
"""For boards with a real serial line; over USB it means nothing."""
WRITE_TIMEOUT_S = 0.2
"""So long may a write wait: a board that takes nothing for so long is gone."""
_LOOKS_UP_S = 0.5
_STABLE_NAMES = Path("/dev/serial/by-id")
_MISSING = {errno.ENOENT, errno.ENODEV, errno.ENXIO}
_FORBIDDEN = {errno.EACCES, errno.EPERM}
_IN_USE = {errno.EAGAIN, errno.EBUSY}


class Port(Protocol):
    """Bytes to and from a board."""

    @property
    def read_mono_s(self) -> float:
        """Get the time when the newest byte that `read` returned had come [s]."""
        ...

    def read(self) -> bytes:
        """Return what has come, at once; raise LinkLost where the other end is gone."""
        ...

    def write(self, data: bytes) -> None:
        """Send `data`; raise LinkLost where the other end is gone or takes nothing."""
        ...

    def close(self) -> None:
        """Let go of the port; never raise."""
        ...


class SerialPort:
    """A serial device, opened for this program alone.

    With `threaded` a thread of its own keeps reading, so that nothing is lost and all keeps its
    time while the caller is busy. Without it, what came waits in the operating system (some 4,000
    bytes) until it is asked for.

    Raises LinkError where the device is missing, forbidden, in use, or no serial port.
    """

    def __init__(self, url: str, clock: Clock, *, threaded: bool = False) -> None:
        self._url = url
        self._clock = clock
        self._lost: str | None = None
        self._read_mono_s = clock.mono_s()
        self._serial = _open(url, _LOOKS_UP_S if threaded else 0.0)
        self._reader = ReaderThread(self._serial, clock) if threaded else None

    @property
    def read_mono_s(self) -> float:
        """Get the time when the newest byte that `read` returned had come [s]."""
        return self._read_mono_s

    def read(self) -> bytes:
        """Return what has come, at once.

        Raises LinkLost where the other end is gone.
        """
        self._raise_if_lost()
        try:
            if self._reader is not None:
                data, newest_s = self._reader.take()
            else:
                data = self._serial.read(max(1, self._serial.in_waiting))
                newest_s = self._clock.mono_s()
        except PORT_FAILURES as error:
            raise self._lose(_gone(self._url, error)) from error
        if data:
            self._read_mono_s = newest_s
        return data

    def write(self, data: bytes) -> None:
        """Send `data`; it may take WRITE_TIMEOUT_S.

        Raises LinkLost where the other end is gone, or takes nothing for so long.
        """
        self._raise_if_lost()
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException as error:
            raise self._lose(
                f"The board at {self._url} no longer takes what is sent to it: unplug it, and plug "
                "it in again."
            ) from error
        except PORT_FAILURES as error:
            raise self._lose(_gone(self._url, error)) from error

    def close(self) -> None:
        """Let go of the port, whatever state it is in; safe to repeat."""
        if self._lost is None:
            self._lost = f"The port {self._url} was closed."
        if self._reader is not None:
            self._reader.stop()
        # What the operating system still says of a device that is gone helps nobody.
        with contextlib.suppress(*PORT_FAILURES):
            self._serial.close()

    def _raise_if_lost(self) -> None:
        if self._lost is not None:
            raise LinkLost(self._lost)

    def _lose(self, sentence: str) -> LinkLost:
        self._lost = sentence
        self.close()
        return LinkLost(sentence)


def _gone(url: str, error: Exception) -> str:
    return f"The board at {url} is gone ({error}): look at its cable and its power."


def _open(url: str, timeout_s: float) -> serial.Serial:
    try:
        return serial.Serial(
            url, BAUD, timeout=timeout_s, write_timeout=WRITE_TIMEOUT_S, exclusive=True
        )
    except PORT_FAILURES as error:
        raise LinkError(_why_not_opened(url, error)) from error


def _why_not_opened(url: str, error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number in _MISSING:
        there = sorted(str(path) for path in _STABLE_NAMES.glob("*"))
        found = f"There now: {', '.join(there)}." if there else "No USB serial port is there now."
        return (
            f"There is no serial port {url}. {found} Plug the board in, and name it in the bench "
            f"file by its place under {_STABLE_NAMES}, which stays the same."
        )
    if number in _FORBIDDEN:
        return (
            f"This user may not open {url}: add it to the group of the serial ports (sudo usermod "
            "-aG dialout NAME), log out and in again."
        )
    if number in _IN_USE:
        return (
            f"Another program has {url} open. If the rig runs as a service, that has it: work "
            "through the service, or stop it first."
        )
    return f"{url} cannot be used as a serial port ({error}): look at link.port in the bench file."
