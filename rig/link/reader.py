"""Own the thread that keeps reading a serial port while others are busy; never decode a byte."""

import contextlib
import termios
import threading
from collections import deque

import serial

from rig.clock import Clock

PORT_FAILURES = (OSError, termios.error, TypeError, ValueError)
"""What a serial port raises once its other end is gone, or once it is closed."""
MOST_KEPT_BYTES = 1 << 20
"""A quarter of a minute at the highest rate; what is older goes."""
_PAUSE_S = 0.005
"""Between two reads. It saves most of the processor's time, and may age a sample by as much."""
_ENDS_WITHIN_S = 2.0


class ReaderThread:
    """What comes in at a serial port, kept with its time until somebody takes it.

    The port's own timeout must be longer than zero and finite. `stop` before the port is closed.
    """

    def __init__(self, port: serial.Serial, clock: Clock) -> None:
        self._port = port
        self._clock = clock
        self._lock = threading.Lock()
        self._kept: deque[tuple[bytes, float]] = deque()
        self._kept_bytes = 0
        self._failure: Exception | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="link reader", daemon=True)
        self._thread.start()

    def take(self) -> tuple[bytes, float]:
        """Return what has come since the last call, and when its newest byte came [s].

        Raises what ended the thread, once nothing is left to take.
        """
        with self._lock:
            kept, self._kept = self._kept, deque()
            self._kept_bytes = 0
            failure = self._failure
        if kept:
            return b"".join(data for data, _ in kept), kept[-1][1]
        if failure is not None:
            raise failure
        return b"", self._clock.mono_s()

    def stop(self) -> None:
        """End the thread; safe to repeat."""
        self._stopping.set()
        # A port that cannot even be woken has ended the thread by its failure already.
        with contextlib.suppress(*PORT_FAILURES):
            self._port.cancel_read()
        self._thread.join(_ENDS_WITHIN_S)

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                data = self._port.read(1)
                if data:
                    self._keep(data + self._port.read(self._port.in_waiting))
                    self._stopping.wait(_PAUSE_S)
        except PORT_FAILURES as failure:
            with self._lock:
                self._failure = failure

    def _keep(self, data: bytes) -> None:
        with self._lock:
            self._kept.append((data, self._clock.mono_s()))
            self._kept_bytes += len(data)
            while self._kept_bytes > MOST_KEPT_BYTES:
                self._kept_bytes -= len(self._kept.popleft()[0])
