"""Own a run in the terminal: what is shown while it is made, what the keys do; never judge it.

Enter is the mark; "stop" and Enter ends the run after its step, "abort" and Enter at once, and so
does Ctrl-C.
"""

import select
import sys
import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig import figures, words
from rig.analysis.hold import finding
from rig.cli.console import say, show_line
from rig.errors import LinkError
from rig.procedure.steps import Elapsed, State, Step
from rig.words.bench import LIVE

if TYPE_CHECKING:
    from rig.daemon.build import Built
    from rig.engine import Status
    from rig.readings import Readings

_READY_S = 15.0
"""So long may board and first readings take."""
_SHOWN_EVERY_S = 0.2
_WIDTH = 96
_INDENT = "  "


@dataclass
class LiveRun:
    """One run in the terminal, from waiting for the bench to its end."""

    built: "Built"
    quiet: bool
    _last_step: str | None = None
    _shown_s: float = 0.0

    def wait_until_ready(self) -> None:
        """Turn the loop until the bench reads its room.

        Raises LinkError where it does not within some seconds.
        """
        loop = self.built.loop
        until_s = loop.clock.mono_s() + _READY_S
        loop.run(lambda: loop.engine.status.ambient_pa is not None or loop.clock.mono_s() > until_s)
        if loop.engine.status.ambient_pa is None:
            trouble = loop.link_trouble
            raise LinkError(
                words.sentence(trouble or finding("no_readings_yet", waited_s=_READY_S))
            )

    def make(self, start: Callable[[], int]) -> int:
        """Make a run from its start to its end, and return its number."""
        loop = self.built.loop
        run = start()
        if self._has_keys:
            say(LIVE["keys"])
        if not self.quiet:
            loop.listen(self._show)
        try:
            loop.run(self._is_over)
        except KeyboardInterrupt:
            self.built.desk.abort()
            loop.run(self._is_over)
        if not self.quiet and sys.stdout.isatty():
            show_line("")
        loop.store.flush()
        return run

    def _is_over(self) -> bool:
        self._obey_keys()
        return self.built.loop.engine.status.result is not None

    @property
    def _has_keys(self) -> bool:
        """Whether somebody sits at a keyboard; a script has the mark button alone."""
        return not self.quiet and sys.stdin.isatty()

    def _obey_keys(self) -> None:
        if not self._has_keys or not select.select([sys.stdin], [], [], 0.0)[0]:
            return
        line = sys.stdin.readline()
        if not line:
            return
        word = line.strip().lower()
        does = {"": self.built.desk.mark, "stop": self.built.desk.stop_after_step}.get(word)
        if word == "abort":
            does = self.built.desk.abort
        if does is not None:
            does()

    def _show(self, status: "Status", batches: "list[Readings]") -> None:
        del batches
        now_s = self.built.loop.clock.mono_s()
        if status.step != self._last_step and status.step is not None:
            self._last_step = status.step
            if status.prompt is not None:
                _say_below(words.sentence(status.prompt))
            elif status.state is State.VENTING:
                _say_below(LIVE["venting"])
        if now_s - self._shown_s >= _SHOWN_EVERY_S and sys.stdout.isatty():
            self._shown_s = now_s
            show_line(live_line(status))


def _say_below(text: str) -> None:
    """Say something on lines of its own, in place of the line that follows the vacuum."""
    if sys.stdout.isatty():
        show_line("")
    say(textwrap.fill(text, _WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT))


def live_line(status: "Status") -> str:
    """Write the one line that follows the vacuum: state, vacuum, target, seconds."""
    parts = [f"{words.STATES[status.state]:<9}"]
    if status.pressure_pa is not None and status.ambient_pa is not None:
        parts.append(f"{figures.inhg(status.ambient_pa - status.pressure_pa):>11}")
    if status.target_pa is not None:
        parts.append(f"{LIVE['target']} {figures.inhg(status.target_pa)}")
    if status.step_lasts_s is not None:
        parts.append(f"{status.step_elapsed_s:.0f} s")
    return "  ".join(parts)


def step_line(number: int, step: Step) -> str:
    """Write one step of a dry run: its state, its valves, what the operator does, how long."""
    head = f"{number:>3}  {words.STATES[step.state]:<9}"
    lasts = figures.seconds(step.until.duration_s) if isinstance(step.until, Elapsed) else ""
    moved = ", ".join(f"{name} {position}" for name, position in step.valves.items())
    lines = [f"{head}  {lasts:<6}  {moved}".rstrip()]
    if step.prompt is not None:
        indent = " " * (len(head) + 2)
        said = words.sentence(step.prompt)
        lines.append(textwrap.fill(said, _WIDTH, initial_indent=indent, subsequent_indent=indent))
    return "\n".join(lines)
