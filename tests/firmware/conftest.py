"""Own a board for the firmware's tests: the real one, in its real language, on a pseudo terminal.

Only the pins are not there: see fake/machine.py. The other end is the program's own session.
"""

import os
import pty
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rig.clock import SystemClock
from rig.link.port import SerialPort
from rig.link.session import Event, Session
from rig.readings import Samples

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "firmware_notes" / "main.py"
FAKE = ROOT / "tests" / "firmware" / "fake"
PATIENCE_S = 5.0
"""Far longer than anything takes: the machine may be busy with something else."""


class Board:
    """The firmware at work, and what can be done to it from outside."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._master, self._slave = pty.openpty()
        tty.setraw(self._master)
        self.url = os.ttyname(self._slave)
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, ticks: int = 0) -> None:
        """Switch it on; `ticks` is what its microsecond counter begins with."""
        environment = {
            "MICROPYPATH": f"{FAKE}:.frozen",
            "BOARD_FOLDER": str(self.folder),
            "TICKS_START": str(ticks),
        }
        interpreter = Path(sys.executable).with_name("micropython")
        self.process = subprocess.Popen(
            [interpreter, FIRMWARE],
            stdin=self._master,
            stdout=self._master,
            env=environment,
        )

    def switch_off(self) -> None:
        """Take its power."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def close(self) -> None:
        """Put all away."""
        self.switch_off()
        os.close(self._master)
        os.close(self._slave)

    def outside(self, name: str, text: str | None) -> None:
        """Set something at the board's pins, None to take it away; whole, at once."""
        path = self.folder / name
        if text is None:
            path.unlink()
            return
        with tempfile.NamedTemporaryFile("w", dir=self.folder, delete=False) as file:
            file.write(text)
        Path(file.name).rename(path)

    def pulses(self) -> list[str]:
        """List the changes of the pin that holds the supply's relay: pin, level."""
        return (self.folder / "pins").read_text(encoding="ascii").splitlines()

    def meals(self) -> int:
        """Count how often the watchdog was fed."""
        return (self.folder / "watchdog").read_text(encoding="ascii").count(".")


class Host:
    """The program's side: a session that is polled, and beats while it is told to."""

    def __init__(self, board: Board, *, rate_hz: int = 200, lease_s: float = 0.5) -> None:
        self.port: SerialPort | None = None
        self.events: list[Event] = []
        self.beating = True
        self._board = board
        clock = SystemClock()
        self.session = Session(self._open, rate_hz=rate_hz, lease_s=lease_s, clock=clock)

    def _open(self) -> SerialPort:
        self.port = SerialPort(self._board.url, SystemClock())
        return self.port

    def poll(self) -> list[Event]:
        """Make one turn of the program's loop."""
        events = self.session.poll()
        self.events += events
        if self.beating:
            self.session.beat()
        time.sleep(0.005)
        return events

    def run(self, duration_s: float) -> list[Event]:
        """Turn for so long; return what happened meanwhile."""
        end_s = time.monotonic() + duration_s
        events: list[Event] = []
        while time.monotonic() < end_s:
            events += self.poll()
        return events

    def until(self, wanted: Callable[[Event], bool]) -> list[Event]:
        """Turn until something happens; return all that happened, that last."""
        end_s = time.monotonic() + PATIENCE_S
        events: list[Event] = []
        while time.monotonic() < end_s:
            for event in self.poll():
                events.append(event)
                if wanted(event):
                    return events
        others = [event for event in events if not isinstance(event, Samples)]
        raise AssertionError(f"not within {PATIENCE_S} s; what happened: {others}")


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    """Lay out a board that is not switched on yet."""
    it = Board(tmp_path)
    yield it
    it.close()


@pytest.fixture
def make_host(board: Board) -> Iterator[Callable[..., Host]]:
    """Make the program's side of it."""
    made: list[Host] = []

    def make(**settings: float) -> Host:
        made.append(Host(board, **settings))
        return made[-1]

    yield make
    for host in made:
        host.session.close()
