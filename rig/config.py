"""Own the bench file: what hangs on which pin and input, and how well; never open any of them.

A bench file is TOML, its quantities texts with their units. It is read whole: whatever is wrong
with it is told at once, each fault with its line, its key, and what to write instead.

**Unpowered is open.** A bench without power must let air into every chamber of part and manifold:
the pump's valve at rest shut, every other valve at rest open. A file that says otherwise is
refused.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from rig.config_channels import (
    CHANNEL_KEYS,
    ChannelSettings,
    PressureSettings,
    ThermistorSettings,
    TravelSettings,
    VoltageSettings,
    read_channels,
)
from rig.errors import BenchError
from rig.toml_text import KeyPath, Span, Table, TomlText
from rig.units import Kind

__all__ = [
    "KEYS",
    "Bench",
    "ChannelSettings",
    "InputSettings",
    "LinkSettings",
    "OutputSettings",
    "PinSettings",
    "PressureSettings",
    "SafetySettings",
    "ThermistorSettings",
    "TravelSettings",
    "ValveSettings",
    "VoltageSettings",
    "load_bench",
    "parse_bench",
]

KEYS: Mapping[str, str] = MappingProxyType(
    {
        "name": "What the bench is called on screen and on paper.",
        "data": "Folder of the record, the settings and the logs; whole, from / or ~/.",
        "link.port": "Serial port of the board; the name under /dev/serial/by-id stays the same.",
        "link.rate_hz": "Frames a second that the board sends: 20 to 1000, or 200 if left out.",
        "link.lease_ms": (
            "Milliseconds without a heartbeat after which the board drops the supply of the"
            " outputs: 200 to 2000, or 500 if left out."
        ),
        "pins.factory": "Library that reaches the pins: lgpio, or mock on a simulated bench.",
        "pins.journal": "File, in the data folder, for every change of a pin; mock only.",
        "valves.*.pin": "Pin that drives the valve, such as GPIO17; each pin serves one thing.",
        "valves.*.at_rest": "Position without power: shut for the pump's valve, else open.",
        "valves.*.active_high": "Level that energises the valve: true is high, false is low.",
        "outputs.*.pin": "Pin that drives the output, such as GPIO22.",
        "outputs.*.active_high": "Level that energises the output: true is high, false is low.",
        "inputs.*.pin": "Pin that the button is wired to, such as GPIO23.",
        "inputs.*.pressed": (
            "What pressing does: low or high level for the mark button; for the stop button open,"
            " as a normally closed contact to ground does, so that a broken wire is a stop."
        ),
        **CHANNEL_KEYS,
        "safety.max_vacuum": "Vacuum beyond which the rig vents, whatever the part may bear.",
        "safety.max_bath": "Bath temperature beyond which the rig sounds the alarm.",
        "safety.supply": "Least and most volts that the channel supply may read.",
    }
)
"""Every key of a bench file, `*` for a name, with one sentence of help."""

Position = Literal["open", "shut"]
Factory = Literal["lgpio", "mock"]
Pressed = Literal["low", "high", "open"]


@dataclass(frozen=True)
class LinkSettings:
    """The serial port of the board, its frames a second, and the lease of the supply."""

    port: str
    rate_hz: int
    lease_s: float


@dataclass(frozen=True)
class PinSettings:
    """The library behind the pins; a simulated bench may keep a journal of them."""

    factory: Factory
    journal: Path | None


@dataclass(frozen=True)
class ValveSettings:
    """A valve: its pin, its position without power, and the level that energises it."""

    pin: str
    at_rest: Position
    active_high: bool


@dataclass(frozen=True)
class OutputSettings:
    """An output: its pin, and the level that energises it."""

    pin: str
    active_high: bool


@dataclass(frozen=True)
class InputSettings:
    """A button: its pin, and the level, or the open contact, that means pressed."""

    pin: str
    pressed: Pressed


@dataclass(frozen=True)
class SafetySettings:
    """The limits of the rig itself; `supply_v` is the least and the most, None if not watched."""

    max_vacuum_pa: float
    max_bath_k: float
    supply_v: tuple[float, float] | None


@dataclass(frozen=True)
class Bench:
    """A bench as its file describes it, in SI; `text` is the file's, kept with every run."""

    name: str
    data: Path
    link: LinkSettings
    pins: PinSettings
    valves: Mapping[str, ValveSettings]
    outputs: Mapping[str, OutputSettings]
    inputs: Mapping[str, InputSettings]
    channels: Mapping[str, ChannelSettings]
    safety: SafetySettings
    text: str
    file: str

    def where(self, *path: str) -> str:
        """Say where a key stands, for an error found later: file, line and dotted key."""
        return TomlText(self.text, self.file, BenchError).where(path)


def load_bench(path: Path) -> Bench:
    """Read a bench file.

    Raises BenchError where it cannot be read, is not UTF-8, or as `parse_bench` does.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise BenchError(
            f"{path}: the bench file cannot be read ({error.strerror}). Name the file that"
            " describes this bench."
        ) from error
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise BenchError(
            f"{path}, line {line}: the byte {content[error.start]:#04x} is not UTF-8. Save the"
            " file as UTF-8 text."
        ) from error
    return parse_bench(text, str(path))


def parse_bench(text: str, name: str) -> Bench:
    """Read the text of a bench file; `name` is the file's, for errors.

    Raises BenchError whose `errors` holds a sentence for each thing that is wrong.
    """
    toml = TomlText(text, name, BenchError)
    root = toml.root
    data = _folder(root)
    pins = _Pins(toml)
    channels = read_channels(root.table("channels"))
    bench = Bench(
        name=root.line("name", "Low Yard, bench 1"),
        data=data,
        link=_link(root.table("link")),
        pins=_pin_settings(root.table("pins"), data),
        valves=_valves(root.table("valves"), pins),
        outputs=_outputs(root.table("outputs"), pins),
        inputs=_inputs(root.table("inputs"), pins),
        channels=channels,
        safety=_safety(root.table("safety"), channels),
        text=text,
        file=name,
    )
    root.finish()
    toml.refuse()
    return bench


_PIN = re.compile(r"GPIO([2-9]|1[0-9]|2[0-7])")
_OUTPUTS = ("coil", "electric_pump", "lamp", "buzzer")
_REQUIRED_VALVES = ("pump", "vent")
_OTHER_VALVES = ("part", "port_b")

_MAX_VACUUM = Span(Kind.VACUUM, "1 inHg", "30 inHg", "25 inHg")
_MAX_BATH = Span(Kind.TEMPERATURE, "30 degC", "200 degC", "95 degC")
_SUPPLY = Span(Kind.VOLTAGE, "1 V", "60 V", "11 V")
_MOST_SUPPLY = Span(Kind.VOLTAGE, "1 V", "60 V", "15 V")


class _Pins:
    """The pins that are taken so far."""

    def __init__(self, toml: TomlText) -> None:
        self._toml = toml
        self._taken: dict[str, KeyPath] = {}

    def take(self, table: Table, *owner: str) -> str:
        """Read the pin of an owner, such as valves, pump; refuse one that is taken."""
        pin = table.line("pin", "GPIO17")
        if not pin:
            return ""
        if not _PIN.fullmatch(pin):
            table.complain("pin", f"'{pin}' is no pin. Write one of GPIO2 to GPIO27.")
        elif pin in self._taken:
            first = self._toml.where((*self._taken[pin], "pin"))
            table.complain("pin", f"{pin} is taken already ({first}). Give each its own pin.")
        else:
            self._taken[pin] = owner
        return pin


def _folder(root: Table) -> Path:
    text = root.line("data", "~/stillgauge")
    try:
        folder = Path(text).expanduser()
    except RuntimeError:
        folder = Path(text)
    if text and not folder.is_absolute():
        root.complain(
            "data",
            f"'{text}' depends on where the program is started. Write the whole folder, from /"
            " or ~/.",
        )
    return folder


def _link(table: Table) -> LinkSettings:
    settings = LinkSettings(
        port=table.line("port", "/dev/serial/by-id/usb-..."),
        rate_hz=table.whole("rate_hz", 20, 1000, default=200),
        lease_s=1e-3 * table.whole("lease_ms", 200, 2000, default=500),
    )
    table.finish()
    return settings


def _pin_settings(table: Table, data: Path) -> PinSettings:
    factory = table.known("factory", table.line("factory", "lgpio"), ("lgpio", "mock"))
    journal = None
    if table.has("journal"):
        journal = data / table.line("journal", "pins.log")
        if factory == "lgpio":
            table.complain("journal", 'only factory = "mock" keeps a journal. Take this line out.')
    table.finish()
    return PinSettings("mock" if factory == "mock" else "lgpio", journal)


def _valves(table: Table, pins: _Pins) -> Mapping[str, ValveSettings]:
    valves = {}
    for name in (*_REQUIRED_VALVES, *_OTHER_VALVES):
        if not table.has(name):
            if name in _REQUIRED_VALVES:
                rest = _at_rest(name)
                table.complain(
                    name,
                    f"this valve is missing. Write a heading [valves.{name}] with pin, at_rest ="
                    f' "{rest}" and active_high below it.',
                )
            continue
        valve = table.table(name)
        valves[name] = ValveSettings(
            pin=pins.take(valve, "valves", name),
            at_rest=_unpowered(valve, name),
            active_high=valve.flag("active_high"),
        )
        valve.finish()
    table.finish()
    return MappingProxyType(valves)


def _at_rest(valve: str) -> Position:
    return "shut" if valve == "pump" else "open"


def _unpowered(valve: Table, name: str) -> Position:
    """Read the position at rest, which the rule that unpowered is open leaves no choice in."""
    wanted = _at_rest(name)
    said = valve.known("at_rest", valve.line("at_rest", wanted), ("open", "shut"))
    if said and said != wanted:
        why = "the pump would draw on" if name == "pump" else "vacuum would be locked in"
        valve.complain(
            "at_rest",
            f"with this valve {said} at rest {why} when the power fails. Fit one that is {wanted}"
            f' without power and write at_rest = "{wanted}".',
        )
    return wanted


def _outputs(table: Table, pins: _Pins) -> Mapping[str, OutputSettings]:
    outputs = {}
    for name in _OUTPUTS:
        if table.has(name):
            output = table.table(name)
            pin = pins.take(output, "outputs", name)
            outputs[name] = OutputSettings(pin, output.flag("active_high"))
            output.finish()
    table.finish()
    return MappingProxyType(outputs)


def _inputs(table: Table, pins: _Pins) -> Mapping[str, InputSettings]:
    inputs = {}
    if table.has("mark"):
        mark = table.table("mark")
        pin = pins.take(mark, "inputs", "mark")
        pressed = mark.known("pressed", mark.line("pressed", "low"), ("low", "high"))
        inputs["mark"] = InputSettings(pin, "high" if pressed == "high" else "low")
        mark.finish()
    if table.has("stop"):
        stop = table.table("stop")
        pin = pins.take(stop, "inputs", "stop")
        if stop.line("pressed", "open") not in ("", "open"):
            stop.complain(
                "pressed",
                "a stop button must be a normally closed contact to ground, so that a broken wire"
                ' is a stop. Wire it so and write pressed = "open".',
            )
        inputs["stop"] = InputSettings(pin, "open")
        stop.finish()
    table.finish()
    return MappingProxyType(inputs)


def _safety(table: Table, channels: Mapping[str, ChannelSettings]) -> SafetySettings:
    default_bath = None if "t_bath" in channels else "95 degC"
    settings = SafetySettings(
        max_vacuum_pa=table.within("max_vacuum", _MAX_VACUUM),
        max_bath_k=table.within("max_bath", _MAX_BATH, default_bath),
        supply_v=_supply(table, channels) if table.has("supply") else None,
    )
    table.finish()
    return settings


def _supply(table: Table, channels: Mapping[str, ChannelSettings]) -> tuple[float, float]:
    least_v, most_v = table.each_within("supply", _SUPPLY, _MOST_SUPPLY)
    if least_v >= most_v:
        table.complain("supply", 'the least comes first. Write it like supply = ["11 V", "15 V"].')
    if "supply" not in channels:
        table.complain(
            "supply",
            "no channel measures the supply. Write a heading [channels.supply] with kind ="
            ' "voltage" and input below it, or take this line out.',
        )
    return least_v, most_v
