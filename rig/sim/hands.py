"""Own a simulated operator who does what the bench asks; never know what a part is.

Hands see the prompt and the vacuum at each tick and act like somebody at the bench: they stroke at
a human pace, look at the reading a moment before each stroke and so overshoot, press mark after a
while. When they act follows from the seed, the number of the prompt and the time alone.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from rig.sim.draws import draws

_STROKE_S = (0.7, 1.2)
_LOOK_S = (0.2, 0.4)
"""How long before a stroke begins a hand is already on it, whatever the reading does."""
_NOTICE_S = (0.4, 1.5)
_MARK_S = (0.8, 3.0)
_PRESS_S = 0.15
_RESEAT_S = (5.0, 15.0)
_LATE = 6.0
"""Late hands take this many times as long to notice a prompt."""


class Kind(StrEnum):
    """What a prompt asks for."""

    PUMP = "pump"
    STOP_PUMPING = "stop_pumping"
    MARK = "mark"
    RESEAT = "reseat"
    WAIT = "wait"


class Act(StrEnum):
    """What a hand does."""

    STROKE = "stroke"
    PRESS_MARK = "press_mark"
    RELEASE_MARK = "release_mark"
    RESEAT = "reseat"


@dataclass(frozen=True)
class Prompt:
    """What the bench asks for; `target_pa` is the vacuum [Pa] to pump to.

    MARK stands for whatever is done and then told by the mark button. RESEAT is to take the hose
    off, put it on again and press mark.
    """

    kind: Kind
    target_pa: float | None = None


class Hands:
    """One operator. `late` hands are slow to notice; `overshoot` adds strokes beyond the target."""

    def __init__(self, seed: int, *, late: bool = False, overshoot: int = 0) -> None:
        self._seed = seed
        self._slow = _LATE if late else 1.0
        self._overshoot = overshoot
        self._prompt: Prompt | None = None
        self._prompts = 0
        self._plan: Iterator[tuple[float, Act | None]] = iter(())
        self._next: tuple[float, Act | None] | None = None
        self._vacuum_pa = 0.0
        self._release_s = math.inf

    def act(self, now_s: float, prompt: Prompt | None, vacuum_pa: float) -> tuple[Act, ...]:
        """Get what the hands do at this tick, under a prompt (None: none) and a vacuum [Pa].

        A prompt of the same words stands until another one, or none, is seen.
        """
        if prompt != self._prompt:
            self._prompt = prompt
            self._prompts += 1
            self._plan = self._planned(now_s, prompt)
            self._vacuum_pa = vacuum_pa
            self._next = next(self._plan, None)
        self._vacuum_pa = vacuum_pa
        done = []
        if now_s >= self._release_s:
            # Whatever the press has brought about: a finger comes off the button again.
            self._release_s = math.inf
            done.append(Act.RELEASE_MARK)
        while self._next is not None and now_s >= self._next[0]:
            at_s, act = self._next
            if act is not None:
                done.append(act)
            if act is Act.PRESS_MARK:
                self._release_s = at_s + _PRESS_S
            self._next = next(self._plan, None)
        return tuple(done)

    def _planned(self, now_s: float, prompt: Prompt | None) -> Iterator[tuple[float, Act | None]]:
        """Plan the times [s] of acts; a time without an act is when the hands look up."""
        if prompt is None:
            return
        draw = draws(self._seed, f"hands {self._prompts}")
        at_s = now_s + self._slow * _within(draw, _NOTICE_S)
        if prompt.kind is Kind.PUMP and prompt.target_pa is not None:
            yield from self._pumping(draw, at_s, prompt.target_pa)
        if prompt.kind is Kind.RESEAT:
            at_s += _within(draw, _RESEAT_S)
            yield at_s, Act.RESEAT
        if prompt.kind in (Kind.MARK, Kind.RESEAT):
            at_s += self._slow * _within(draw, _MARK_S)
            yield at_s, Act.PRESS_MARK

    def _pumping(
        self, draw: np.random.Generator, at_s: float, target_pa: float
    ) -> Iterator[tuple[float, Act | None]]:
        """Plan strokes until the target is seen passed, and those that come too many."""
        beyond = 0
        while True:
            yield at_s, None
            if self._vacuum_pa >= target_pa:
                beyond += 1
                if beyond > self._overshoot:
                    return
            looked_s = _within(draw, _LOOK_S)
            yield at_s + looked_s, Act.STROKE
            at_s += max(_within(draw, _STROKE_S), looked_s)


def _within(draw: np.random.Generator, span: tuple[float, float]) -> float:
    return float(draw.uniform(*span))
