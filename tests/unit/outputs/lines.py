"""Own lines of a kernel as the library lgpio reaches them, without a board; never test.

A stand-in for that library: its own names and defaults, and a log of what happened to each line.
A line is claimed for output at a level, low unless said otherwise.
"""

from collections.abc import Callable
from types import ModuleType
from typing import Any

_OUT, _UP, _DOWN, _NONE = 1 << 1, 1 << 5, 1 << 6, 1 << 7


class LineError(Exception):
    """What the library raises; it shares no class with anything else."""


class Lines(ModuleType):
    """The library as a module."""

    SET_BIAS_PULL_UP = SET_PULL_UP = _UP
    SET_BIAS_PULL_DOWN = SET_PULL_DOWN = _DOWN
    SET_BIAS_DISABLE = SET_PULL_NONE = _NONE
    RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3
    error = LineError

    def __init__(self) -> None:
        super().__init__("lgpio")
        self.refuses_to_open = False
        self.broken: set[int] = set()
        self.busy: set[int] = set()
        self.log: list[tuple[int, str, int]] = []
        self._mode: dict[int, int] = {}
        self._level: dict[int, int] = {}
        self._calls: dict[int, Callable[..., None]] = {}

    def drove(self, line: int) -> list[int]:
        """Get the levels that a line drove as an output, in order, repeats left out."""
        levels = [level for number, kind, level in self.log if number == line and kind == "output"]
        return [level for n, level in enumerate(levels) if n == 0 or level != levels[n - 1]]

    def is_output(self, line: int) -> bool:
        """Tell whether a line drives."""
        return bool(self._mode[line] & _OUT)

    def press(self, line: int, level: int) -> None:
        """Change the level at an input, and call back as the library's thread does."""
        self._level[line] = level
        if line in self._calls:
            self._calls[line](0, line, level, 1_000_000)

    def gpiochip_open(self, chip: int) -> int:
        """Open a chip."""
        if self.refuses_to_open:
            raise LineError("can not open gpiochip")
        return chip

    def gpiochip_close(self, _handle: int) -> None:
        """Close it."""

    def gpio_claim_input(self, _handle: int, line: int, flags: int = 0) -> None:
        """Make a line an input."""
        if line in self.busy:
            raise LineError("GPIO busy")
        self._mode[line] = flags
        if line not in self._level or flags & (_UP | _DOWN):
            self._level[line] = int(bool(flags & _UP))
        self.log.append((line, "input", flags))

    def gpio_claim_output(self, _handle: int, line: int, level: int = 0, flags: int = 0) -> None:
        """Make a line an output at a level."""
        self._mode[line] = _OUT | flags
        self._level[line] = level
        self.log.append((line, "output", level))

    def gpio_claim_alert(self, _handle: int, line: int, _edges: int, flags: int = 0) -> None:
        """Make a line an input that tells of edges."""
        self._mode[line] = flags

    def gpio_free(self, _handle: int, _line: int) -> None:
        """Let go of a line."""

    def gpio_get_mode(self, _handle: int, line: int) -> int:
        """Get the flags of a line."""
        return self._mode[line]

    def gpio_read(self, _handle: int, line: int) -> int:
        """Get the level of a line."""
        return self._level[line]

    def gpio_write(self, _handle: int, line: int, level: bool) -> None:
        """Set the level of an output."""
        if line in self.broken:
            raise LineError("bad GPIO")
        self._level[line] = int(level)
        self.log.append((line, "output", int(level)))

    def gpio_set_debounce_micros(self, _handle: int, line: int, micros: int) -> None:
        """Set how long a level must last."""

    def callback(self, _handle: int, line: int, _edge: int, func: Callable[..., None]) -> Any:
        """Call back at the edges of a line."""
        self._calls[line] = func
        return _Callback(self._calls, line)


class _Callback:
    """A callback that can be ended."""

    def __init__(self, calls: dict[int, Callable[..., None]], line: int) -> None:
        self._calls = calls
        self._line = line

    def cancel(self) -> None:
        """End it."""
        self._calls.pop(self._line, None)
