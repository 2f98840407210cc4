"""Own the link to the board over all its losses and returns; never wait, never block the caller.

A session moves on only when it is polled, by the time of its clock.
"""

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias

from rig.clock import Clock
from rig.errors import LinkError
from rig.link.frames import BoardFault, Hello, SupplyState
from rig.link.port import Port
from rig.link.talk import Connected, Heard, Restarted, Talk
from rig.readings import Samples

__all__ = ["BACK_OFF_S", "Connected", "Event", "Lost", "Restarted", "Session", "State"]

BACK_OFF_S = (0.2, 5.0)
"""The first wait before a port is opened again, and the longest; each is twice the one before."""


class State(StrEnum):
    """How far the talk with the board has come."""

    SEARCHING = "searching"  # no board has streamed yet, and no port is open
    GREETING = "greeting"  # a port is open: hello and configuration are awaited
    STREAMING = "streaming"
    LOST = "lost"  # a board streamed once; no port is open


@dataclass(frozen=True)
class Lost:
    """There is no board to talk to; `cause` is a sentence that says why, and what to do.

    It comes once each time a board is lost, and once for each new cause why none is found.
    """

    cause: str


Event: TypeAlias = Connected | Restarted | Lost | Samples | BoardFault | SupplyState


class Session:
    """The link to one board, which is looked for again whenever it is lost.

    `open_port` opens a port anew, and raises LinkError where it cannot. `rate_hz` samples a second
    are asked for; the board drops the supply where no beat came for `lease_s`.
    """

    def __init__(
        self, open_port: Callable[[], Port], *, rate_hz: int, lease_s: float, clock: Clock
    ) -> None:
        self._open_port = open_port
        self._rate_hz = rate_hz
        self._lease_s = lease_s
        self._clock = clock
        self._talk: Talk | None = None
        self._hello: Hello | None = None
        self._last_data_mono_s: float | None = None
        self._cause: str | None = None
        self._open_at_s = clock.mono_s()
        self._back_off_s = BACK_OFF_S[0]
        self._closed = False

    @property
    def state(self) -> State:
        """Get how far the talk with the board has come."""
        if self._talk is None:
            return State.SEARCHING if self._hello is None else State.LOST
        return State.STREAMING if self._talk.streaming else State.GREETING

    @property
    def hello(self) -> Hello | None:
        """Get what the last board that streamed said of itself, with the rate and lease it took."""
        return self._hello

    @property
    def cause(self) -> str | None:
        """Get why there is no board, None while there is one or while none was missed yet."""
        return self._cause

    @property
    def last_data_mono_s(self) -> float | None:
        """Get when the newest samples came [s], None before the first."""
        return self._last_data_mono_s

    @property
    def refused(self) -> int:
        """Get how many lines of this connection were not believed."""
        return 0 if self._talk is None else self._talk.decoder.refused

    @property
    def missing(self) -> int:
        """Get how many samples of this connection were sent and never arrived."""
        return 0 if self._talk is None else self._talk.decoder.missing

    def poll(self) -> list[Event]:
        """Return what has happened since the last poll, oldest first; never raise."""
        if self._closed:
            return []
        now_s = self._clock.mono_s()
        heard: list[Heard] = []
        try:
            if self._talk is None:
                if now_s < self._open_at_s:
                    return []
                port = self._open_port()
                self._talk = Talk(port, rate_hz=self._rate_hz, lease_s=self._lease_s, now_s=now_s)
            self._talk.poll(now_s, heard)
        except LinkError as error:
            self._note(heard)
            return [*heard, *self._lose(str(error), now_s)]
        self._note(heard)
        return [*heard]

    def beat(self) -> None:
        """Keep the lease alive; without a board that streams, do nothing; never raise."""
        if self._talk is not None:
            # A port that fails here fails at the next poll as well, which tells of it.
            with contextlib.suppress(LinkError):
                self._talk.beat(self._clock.mono_s())

    def close(self) -> None:
        """Let go of the port, and look for no board any more."""
        self._closed = True
        if self._talk is not None:
            self._talk.close()
            self._talk = None

    def _note(self, heard: list[Heard]) -> None:
        for each in heard:
            match each:
                case Samples():
                    self._last_data_mono_s = each.host_mono_s
                case Connected(hello):
                    self._hello = hello
                    self._cause = None
                    self._back_off_s = BACK_OFF_S[0]

    def _lose(self, cause: str, now_s: float) -> list[Lost]:
        if self._talk is not None:
            self._talk.close()
            self._talk = None
        self._open_at_s = now_s + self._back_off_s
        self._back_off_s = min(2.0 * self._back_off_s, BACK_OFF_S[1])
        told_before, self._cause = self._cause == cause, cause
        return [] if told_before else [Lost(cause)]
