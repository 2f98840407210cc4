"""Own what counts as one press of a button; never read a pin."""

from collections import deque
from collections.abc import Callable

_RELEASED_POLLS = 3
"""A button counts as released once it was seen up this often in a row; contacts bounce for less."""


class Button:
    """A button that is looked at once a tick, and whose edges another thread may tell of.

    A press that came and went between two looks counts; one that bounces counts once.
    """

    def __init__(self, is_down: Callable[[], bool]) -> None:
        self._is_down = is_down
        self._edges: deque[None] = deque(maxlen=16)
        self._up_polls = _RELEASED_POLLS

    def edge(self) -> None:
        """Note that the button just went down; from any thread."""
        self._edges.append(None)

    def is_down(self) -> bool:
        """Tell whether the button is down now."""
        return self._is_down()

    def pressed(self) -> bool:
        """Tell, once for each press, that the button was pressed since the last look."""
        touched = self._is_down()
        while self._edges:
            self._edges.popleft()
            touched = True
        was_up = self._up_polls >= _RELEASED_POLLS
        self._up_polls = 0 if touched else min(self._up_polls + 1, _RELEASED_POLLS)
        return touched and was_up
