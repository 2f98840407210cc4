"""Own the pins of valves, outputs and buttons; never energise anything while held safe.

Every pin is at rest before anything else happens to it, and `safe` puts all of them back there from
any thread, without waiting for a lock: it may run in a signal handler or beside a hung thread.
"""

from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from gpiozero import DigitalInputDevice, Factory, InputDevice, OutputDevice, PinFixedPull

from rig.config import Bench, InputSettings, OutputSettings, Position, ValveSettings
from rig.errors import BenchError
from rig.outputs.button import Button
from rig.outputs.factory import pin_errors

SIGNALS = frozenset({"lamp", "buzzer"})
"""What only tells something: fed by the small computer, not by the leased supply.

They move no air and heat no coil, so they stay usable while the rest is held safe.
"""
_SAFE_ORDER = ("electric_pump", "coil", "pump", "vent", "part", "port_b", "lamp", "buzzer")
"""In this order everything goes to rest: first what draws, then the ways to air."""


@dataclass(frozen=True)
class _Line:
    """An output pin; `device` speaks of it as energised or not, whatever level that is."""

    name: str
    where: str
    at_rest: Position | None
    device: Any

    def is_energised(self) -> bool:
        return bool(self.device.value)


class Outputs:
    """The pins of a bench, all at rest from the moment they are claimed.

    `factory` comes from `make_factory` or from the simulated bench; it stays its maker's to close.
    `safe` may be called from any thread; everything else belongs to the thread that runs the bench.
    Raises BenchError where a pin cannot be claimed, or is pulled by the board to the level that
    energises it; whatever was claimed by then is at rest again.
    """

    def __init__(self, bench: Bench, factory: Factory) -> None:
        self._errors = pin_errors()
        self._bench_name = bench.name
        self._held = object()
        self._released = self._held
        self._closed = False
        self._stopped: Callable[[], None] | None = None
        self._lines: dict[str, _Line] = {}
        self._inputs: list[Any] = []
        self._buttons: dict[str, Button] = {}
        with ExitStack() as undo:
            undo.callback(self.close)
            for name in _SAFE_ORDER:
                if name in bench.valves:
                    where = bench.where("valves", name, "pin")
                    self._claim(factory, where, name, bench.valves[name])
                elif name in bench.outputs:
                    where = bench.where("outputs", name, "pin")
                    self._claim(factory, where, name, bench.outputs[name])
            for name, settings in bench.inputs.items():
                where = bench.where("inputs", name, "pin")
                self._buttons[name] = self._listen(factory, where, name, settings)
            undo.pop_all()

    @property
    def names(self) -> tuple[str, ...]:
        """Get the names of all outputs, in the order in which they go to rest."""
        return tuple(self._lines)

    @property
    def is_held(self) -> bool:
        """Tell whether `safe` was called since the last `release`: nothing but signals can act."""
        return self._held is not self._released

    def is_energised(self, name: str) -> bool:
        """Tell whether a pin is at the level that energises, as read from the pin.

        Raises BenchError for a name that the bench has not, after `close`, or for a failing pin.
        """
        line = self._line(name)
        try:
            return line.is_energised()
        except self._errors as error:
            raise self._failing(line, error) from error

    def energised(self) -> Mapping[str, bool]:
        """Get for each output whether its pin energises it, as `is_energised` does."""
        return MappingProxyType({name: self.is_energised(name) for name in self._lines})

    def set_energised(self, name: str, energised: bool) -> None:
        """Set whether an output is energised.

        Raises BenchError for a name that the bench has not, after `close`, for a failing pin, and
        where anything but a signal is to be energised while held safe.
        """
        line = self._line(name)
        may = name in SIGNALS or not energised
        if self.is_held and not may:
            raise self._refused(line)
        try:
            line.device.value = energised
            # `safe` may have come between the question above and the pin: it has the last word.
            if not may and self.is_held:
                line.device.value = False
                raise self._refused(line)
        except self._errors as error:
            raise self._failing(line, error) from error

    def set_position(self, valve: str, position: str) -> None:
        """Set a valve "open" or "shut"; raises BenchError as `set_energised`, or for no valve."""
        self.set_energised(valve, self.needs_energising(valve, position))

    def position(self, valve: str) -> Position:
        """Get the position that the pin gives a valve; raises BenchError as `is_energised`."""
        at_rest = self._at_rest(valve)
        if not self.is_energised(valve):
            return at_rest
        return "shut" if at_rest == "open" else "open"

    def is_valve(self, name: str) -> bool:
        """Tell whether an output has positions.

        Raises BenchError for a name that the bench has not, and after `close`.
        """
        return self._line(name).at_rest is not None

    def needs_energising(self, valve: str, position: str) -> bool:
        """Tell whether a valve must be energised to be in a position.

        Raises BenchError for a name that is no valve of the bench.
        """
        at_rest = self._at_rest(valve)
        if position not in ("open", "shut"):
            raise BenchError(f'{self._bench_name}: {valve} can be "open" or "shut", not {position}')
        return position != at_rest

    def safe(self) -> tuple[str, ...]:
        """Put every output to rest and hold it there until `release`.

        From any thread, as often as one likes, also after `close`. Each pin is tried, whatever
        another one does; returns the names of those that failed.
        """
        self._held = object()
        if self._closed:
            return ()
        failed: list[str] = []
        # The stack runs all of its callbacks, even if one raises what nobody foresaw.
        with ExitStack() as each:
            for line in reversed(self._lines.values()):
                each.callback(self._put_to_rest, line, failed)
        return tuple(failed)

    def release(self) -> None:
        """Allow energising again, unless `safe` is called in this very moment or later.

        Raises BenchError after `close`.
        """
        self._look_open()
        self._released = self._held

    def mark_pressed(self) -> bool:
        """Tell, once for each press, whether the mark button was pressed since the last look.

        To be asked once a tick, by one thread. False where the bench has no such button.
        """
        return self._ask("mark", Button.pressed)

    def stop_pressed(self) -> bool:
        """Tell whether the stop contact stands open now: pressed, or its wire is broken.

        False where the bench has no such contact.
        """
        return self._ask("stop", Button.is_down)

    def when_stopped(self, call: Callable[[], None]) -> None:
        """Call from whatever thread notices it, as soon as the stop contact opens."""
        self._stopped = call

    def close(self) -> None:
        """Put every output to rest, then give the pins back; a second time does nothing.

        The pins become inputs, so what holds the drivers off from now on is their resistors.
        Raises BenchError for pins that could not be put to rest or given back.
        """
        if self._closed:
            return
        failed = list(self.safe())
        self._closed = True
        devices = {line.name: line.device for line in self._lines.values()}
        with ExitStack() as each:
            for name, device in [*devices.items(), *(("inputs", it) for it in self._inputs)]:
                each.callback(self._give_back, name, device, failed)
        if failed:
            names = ", ".join(sorted(set(failed)))
            raise BenchError(
                f"{self._bench_name}: could not be put to rest or given back: {names}; switch the "
                "valves' supply off and look at the pins"
            )

    def _claim(
        self, factory: Factory, where: str, name: str, settings: ValveSettings | OutputSettings
    ) -> None:
        active_high = settings.active_high
        try:
            # Pulled to its level of rest while still an input: not even the simulated pins pulse.
            InputDevice(settings.pin, pull_up=not active_high, pin_factory=factory).close()
            device = OutputDevice(
                settings.pin, active_high=active_high, initial_value=False, pin_factory=factory
            )
        except PinFixedPull as error:
            level, way = ("high", "up") if active_high else ("low", "down")
            raise BenchError(
                f"{where}: {settings.pin} is pulled {way} on the board itself, and {name} "
                f"energises on {level}: it would act before the program runs. Take another pin."
            ) from error
        except self._errors as error:
            raise _not_claimed(where, settings.pin, error) from error
        at_rest = settings.at_rest if isinstance(settings, ValveSettings) else None
        self._lines[name] = _Line(name, where, at_rest, device)

    def _listen(self, factory: Factory, where: str, name: str, settings: InputSettings) -> Button:
        """Make a button of an input.

        "low" is a contact to ground, "high" one to 3.3 V, "open" one to ground that is closed
        unless pressed; the board pulls the other way.
        """
        try:
            device = DigitalInputDevice(
                settings.pin, pull_up=settings.pressed != "high", pin_factory=factory
            )
        except self._errors as error:
            raise _not_claimed(where, settings.pin, error) from error
        self._inputs.append(device)
        opens = settings.pressed == "open"
        button = Button(lambda: bool(device.value) is not opens)

        def noticed() -> None:
            button.edge()
            if name == "stop" and self._stopped is not None:
                self._stopped()

        if opens:
            device.when_deactivated = noticed
        else:
            device.when_activated = noticed
        return button

    def _ask(self, name: str, question: Callable[[Button], bool]) -> bool:
        self._look_open()
        if name not in self._buttons:
            return False
        try:
            return question(self._buttons[name])
        except self._errors as error:
            raise BenchError(f"{self._bench_name}: the {name} button fails: {error}") from error

    def _put_to_rest(self, line: _Line, failed: list[str]) -> None:
        try:
            line.device.value = False
        except self._errors:
            # A pin that was given back in this moment is at rest.
            if not self._closed:
                failed.append(line.name)

    def _give_back(self, name: str, device: Any, failed: list[str]) -> None:
        try:
            device.close()
        except self._errors:
            failed.append(name)

    def _line(self, name: str) -> _Line:
        self._look_open()
        if name not in self._lines:
            raise BenchError(
                f"{self._bench_name} has no output {name}; it has {', '.join(self._lines)}"
            )
        return self._lines[name]

    def _at_rest(self, valve: str) -> Position:
        at_rest = self._line(valve).at_rest
        if at_rest is None:
            raise BenchError(f"{self._bench_name}: {valve} is no valve, it has no position")
        return at_rest

    def _look_open(self) -> None:
        if self._closed:
            raise BenchError(f"{self._bench_name}: the outputs were closed and cannot be used")

    @staticmethod
    def _refused(line: _Line) -> BenchError:
        return BenchError(
            f"{line.where}: {line.name} stays at rest. The outputs are held safe until the cause "
            "is gone and somebody resets them."
        )

    @staticmethod
    def _failing(line: _Line, error: Exception) -> BenchError:
        return BenchError(
            f"{line.where}: the pin of {line.name} fails ({error}). Look at the pin and its driver."
        )


def _not_claimed(where: str, pin: str, error: Exception) -> BenchError:
    return BenchError(
        f"{where}: {pin} cannot be claimed ({error}). Look whether another program or an interface "
        "of the board uses it, or take another pin."
    )
