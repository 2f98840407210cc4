"""Own what the program knows of time; never let a wall clock measure anything.

Curves, timeouts and leases run on the monotonic clock. The wall clock is a label only: a small
board has none of its own and may not know the date yet.
"""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Protocol

_SET_SINCE = datetime(2025, 1, 1, tzinfo=UTC)
"""A wall clock before this has not been set since the board was switched on."""


class Clock(Protocol):
    """Time as the program sees it: the seam through which a simulated bench runs fast."""

    def mono_s(self) -> float:
        """Get the monotonic time [s]; its zero means nothing."""
        ...

    def utc(self) -> datetime:
        """Get the wall clock's time in UTC, for labels only."""
        ...

    def wait(self, duration_s: float) -> None:
        """Let `duration_s` pass."""
        ...


def is_set(utc: datetime) -> bool:
    """Tell whether a wall clock that shows this can have been set."""
    return utc >= _SET_SINCE


class SystemClock:
    """The machine's own clocks."""

    def mono_s(self) -> float:
        """Get the monotonic time [s]."""
        return time.monotonic()

    def utc(self) -> datetime:
        """Get the wall clock's time in UTC."""
        return datetime.now(UTC)

    def wait(self, duration_s: float) -> None:
        """Sleep."""
        time.sleep(duration_s)


class FastClock:
    """A clock that moves only when something waits, and then at once.

    Whatever lives in the time that passes is told by `passes(duration_s)` before a wait returns, in
    the order of `attach`, in steps of at most `longest_step_s`.
    """

    def __init__(self, start_utc: datetime, longest_step_s: float = 0.02) -> None:
        self._mono_s = 1000.0
        self._start_utc = start_utc
        self._longest_step_s = longest_step_s
        self._told: list[Callable[[float], None]] = []

    def attach(self, passes: Callable[[float], None]) -> None:
        """Tell `passes` of all time that passes from now on."""
        self._told.append(passes)

    def mono_s(self) -> float:
        """Get the monotonic time [s]."""
        return self._mono_s

    def utc(self) -> datetime:
        """Get the start's wall time moved on by all that has passed."""
        return datetime.fromtimestamp(self._start_utc.timestamp() + self._mono_s - 1000.0, UTC)

    def wait(self, duration_s: float) -> None:
        """Let the time pass at once."""
        left_s = duration_s
        while left_s > 1e-9:
            step_s = min(left_s, self._longest_step_s)
            self._mono_s += step_s
            left_s -= step_s
            for passes in self._told:
                passes(step_s)
