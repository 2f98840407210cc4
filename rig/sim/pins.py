"""Own the pins of a simulated bench and what is wired to them; never say what they should do.

The pins are gpiozero's mock pins. A contact wired to an input holds it against its pull, as copper
does. Every change is written to the journal at once, one line each, so that the journal ends with
the true state of the pins even where the program was killed.
"""

import os
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from gpiozero.pins.mock import MockFactory, MockPin

from rig.clock import Clock
from rig.config import Bench, OutputSettings, ValveSettings
from rig.errors import BenchError


class WiredPin(MockPin):  # type: ignore[misc] # gpiozero carries no types
    """A mock pin that a contact may hold: `contact` is the level it is tied to, None if free."""

    contact: bool | None = None

    def tie(self, level: bool | None) -> None:
        """Tie the pin to a level, or free it, and let whoever listens know."""
        self.contact = level
        if self.function != "input":
            return
        if level is None:
            level = self.state if self.pull == "floating" else self.pull == "up"
        if level:
            self.drive_high()
        else:
            self.drive_low()

    def _set_function(self, value: str) -> None:
        before = self._function
        super()._set_function(value)
        if self._function != before:
            self.factory.note(self)
            if self.contact is not None:
                self.tie(self.contact)

    def _change_state(self, value: bool) -> bool:
        if self._function == "input" and self.contact is not None:
            value = self.contact
        changed = bool(super()._change_state(value))
        if changed:
            self.factory.note(self)
        return changed


class SimPins(MockFactory):  # type: ignore[misc] # gpiozero carries no types
    """The pins of a bench, whose stop contact, if it has one, is closed at the start.

    A line of the journal holds the monotonic time [s], the pin, its function (input or output) and
    its level (0 or 1). Raises BenchError where the journal cannot be written.
    """

    def __init__(self, bench: Bench, clock: Clock) -> None:
        super().__init__(pin_class=WiredPin)
        self._clock = clock
        self._journal = _open(bench.pins.journal) if bench.pins.journal else None
        for settings in bench.inputs.values():
            if settings.pressed == "open":
                self.pin(settings.pin).tie(False)

    def note(self, pin: WiredPin) -> None:
        """Write down how a pin stands now."""
        if self._journal is not None:
            line = f"{self._clock.mono_s():.6f} {pin.info.name} {pin.function} {int(pin.state)}\n"
            os.write(self._journal, line.encode())

    def close(self) -> None:
        """Give the pins back and close the journal."""
        super().close()
        if self._journal is not None:
            os.close(self._journal)
            self._journal = None


class PinsView:
    """What is wired to the pins of a bench: its coils, and its buttons."""

    def __init__(self, factory: SimPins, bench: Bench) -> None:
        outputs: dict[str, ValveSettings | OutputSettings] = {**bench.valves, **bench.outputs}
        self._outputs = {
            name: (factory.pin(settings.pin), settings) for name, settings in outputs.items()
        }
        self._inputs = {
            name: (factory.pin(settings.pin), settings.pressed)
            for name, settings in bench.inputs.items()
        }

    def energised(self) -> Mapping[str, bool]:
        """Get for each valve and output whether its pin energises it.

        A pin that nobody drives is held off by its driver's resistor.
        """
        return MappingProxyType(
            {name: _energises(pin, settings) for name, (pin, settings) in self._outputs.items()}
        )

    def press(self, name: str) -> None:
        """Press a button of the bench and hold it.

        Raises BenchError where the bench has no such button.
        """
        pin, pressed = self._button(name)
        pin.tie({"low": False, "high": True, "open": None}[pressed])

    def release(self, name: str) -> None:
        """Let go of a button of the bench.

        Raises BenchError where the bench has no such button.
        """
        pin, pressed = self._button(name)
        pin.tie(False if pressed == "open" else None)

    def has_button(self, name: str) -> bool:
        """Tell whether the bench has such a button."""
        return name in self._inputs

    def _button(self, name: str) -> tuple[Any, str]:
        if name not in self._inputs:
            known = ", ".join(self._inputs) or "none"
            raise BenchError(f"the bench has no button '{name}'; it has {known}.")
        return self._inputs[name]


def _energises(pin: Any, settings: ValveSettings | OutputSettings) -> bool:
    return pin.function == "output" and bool(pin.state) is settings.active_high


def _open(journal: Path) -> int:
    try:
        journal.parent.mkdir(parents=True, exist_ok=True)
        return os.open(journal, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
    except OSError as error:
        raise BenchError(
            f"{journal}: the journal of the pins cannot be written ({error.strerror}). Give the"
            " bench a data folder that this user may write."
        ) from error
