"""Own the channels of a bench file: which input, which sensor, how sure; never read a sample."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from rig.toml_text import Span, Table, nearest
from rig.units import Kind

CHANNEL_KEYS: Mapping[str, str] = MappingProxyType(
    {
        "channels.*.kind": "What is measured: pressure, thermistor, voltage or travel.",
        "channels.*.input": "Name of the board's input, as the board itself tells it.",
        "channels.*.input_ratio": (
            "Volts at the sensor for one volt at the converter: 1.0 if left out, 2.0 behind a"
            " divider by two."
        ),
        "channels.*.low": "Lower point of the sensor's line: its volts, and pressure or travel.",
        "channels.*.high": "Upper point of the sensor's line: its volts, and pressure or travel.",
        "channels.*.span_u": "Standard uncertainty of a pressure sensor's span, in percent.",
        "channels.*.zero_u": "Standard uncertainty of a pressure sensor's zero.",
        "channels.*.ratiometric": (
            "Nominal supply of a pressure sensor whose volts follow its supply; the channel"
            " sensor_supply, if there is one, then measures it."
        ),
        "channels.*.fastest": (
            "A pressure that leaps away and back faster than this is left out: 400 kPa/s if left"
            " out."
        ),
        "channels.*.fixed_ohm": "Fixed resistor of a thermistor's divider, in ohm.",
        "channels.*.reference": "Voltage that a thermistor's divider hangs on.",
        "channels.*.side": "Where the thermistor sits in its divider: to_ground or to_reference.",
        "channels.*.curve": "The thermistor's Steinhart-Hart coefficients a, b and c, for ohms.",
        "channels.*.r25_ohm": "In place of a curve: the thermistor's resistance at 25 degC.",
        "channels.*.beta_k": "In place of a curve: the thermistor's beta, in kelvin.",
        "channels.*.u": "Standard uncertainty of a thermistor's temperature.",
    }
)
"""The keys of a channel, as `rig.config.KEYS` lists them."""

Side = Literal["to_ground", "to_reference"]


@dataclass(frozen=True)
class PressureSettings:
    """An absolute pressure sensor: two points of its line, in volts at the sensor and Pa.

    `span_u` is the relative standard uncertainty of its span. The volts of a ratiometric sensor are
    those at its nominal supply `ratiometric_v`, None for a sensor of another kind.
    """

    input: str
    input_ratio: float
    low_v: float
    low_pa: float
    high_v: float
    high_pa: float
    span_u: float
    zero_u_pa: float
    ratiometric_v: float | None
    fastest_pa_s: float


@dataclass(frozen=True)
class ThermistorSettings:
    """A thermistor and its fixed resistor: by a curve a, b, c, or by `r25_ohm` and `beta_k`.

    Of the two, the one that was not given is None.
    """

    input: str
    input_ratio: float
    fixed_ohm: float
    reference_v: float
    side: Side
    curve: tuple[float, float, float] | None
    r25_ohm: float | None
    beta_k: float | None
    u_k: float


@dataclass(frozen=True)
class VoltageSettings:
    """A voltage."""

    input: str
    input_ratio: float


@dataclass(frozen=True)
class TravelSettings:
    """A travel sensor on the rod: two points of its line, in volts at the sensor and m."""

    input: str
    input_ratio: float
    low_v: float
    low_m: float
    high_v: float
    high_m: float


ChannelSettings = PressureSettings | ThermistorSettings | VoltageSettings | TravelSettings

_KINDS = {
    "pressure": ("p_a", "p_b", "barometer"),
    "thermistor": ("t_gas", "t_bath"),
    "voltage": ("supply", "sensor_supply", "signal"),
    "travel": ("travel",),
}
_NAMES = tuple(name for names in _KINDS.values() for name in names)
_FURTHER_PORT = re.compile(r"p_[a-z]")

_VOLTS = Span(Kind.VOLTAGE, "0 V", "30 V", "0.5 V")
_HIGH_VOLTS = Span(Kind.VOLTAGE, "0 V", "30 V", "4.5 V")
_PRESSURE = Span(Kind.ABSOLUTE_PRESSURE, "0 kPa", "1000 kPa", "0 kPa")
_HIGH_PRESSURE = Span(Kind.ABSOLUTE_PRESSURE, "0 kPa", "1000 kPa", "115 kPa")
_TRAVEL = Span(Kind.LENGTH, "0 mm", "1000 mm", "0 mm")
_HIGH_TRAVEL = Span(Kind.LENGTH, "0 mm", "1000 mm", "25 mm")
_SPAN_U = Span(Kind.SHARE, "0 %", "20 %", "1 %")
_ZERO_U = Span(Kind.VACUUM, "0 Pa", "20 kPa", "300 Pa")
_NOMINAL_SUPPLY = Span(Kind.VOLTAGE, "1 V", "30 V", "5.0 V")
_FASTEST = Span(Kind.VACUUM, "10 kPa/s", "100000 kPa/s", "400 kPa/s", per="/s")
_REFERENCE = Span(Kind.VOLTAGE, "0.5 V", "30 V", "3.3 V")
_TEMPERATURE_U = Span(Kind.TEMPERATURE_DIFFERENCE, "0.001 degC", "20 degC", "0.5 degC")


def read_channels(table: Table) -> Mapping[str, ChannelSettings]:
    """Read the channels' tables; faults are kept with the text that they belong to."""
    channels: dict[str, ChannelSettings] = {}
    owner_of: dict[str, str] = {}
    if not table.has("p_a"):
        table.complain(
            "p_a",
            "the manifold's pressure is missing. Write a heading [channels.p_a] with kind ="
            ' "pressure", input, low, high, span_u and zero_u below it.',
        )
    for name in table.content:
        kind = _kind_of(name)
        if kind is None:
            table.complain(name, f"there is no such channel. {nearest(name, _NAMES)}")
            continue
        channel = table.table(name)
        settings = _READ[kind](channel, *_common(channel, name, kind))
        owner = owner_of.setdefault(settings.input, name)
        if settings.input and owner != name:
            channel.complain(
                "input",
                f"'{settings.input}' belongs to channels.{owner} already. Give each channel its"
                " own input.",
            )
        channel.finish()
        channels[name] = settings
    return MappingProxyType(channels)


def _kind_of(name: str) -> str | None:
    if _FURTHER_PORT.fullmatch(name):
        return "pressure"
    return next((kind for kind, names in _KINDS.items() if name in names), None)


def _common(table: Table, name: str, kind: str) -> tuple[str, float]:
    """Read what every channel has: its kind, the board's input, and the ratio before it."""
    said = table.line("kind", kind)
    if said not in ("", kind):
        table.complain("kind", f'{name} is no {said}. Write kind = "{kind}".')
    ratio = table.number("input_ratio", 0.001, 1000.0, "2.0", default=1.0)
    return table.line("input", "p0"), ratio


def _pressure(table: Table, channel_input: str, input_ratio: float) -> PressureSettings:
    low_v, low_pa, high_v, high_pa = _line(table, _PRESSURE, _HIGH_PRESSURE)
    nominal_v = table.within("ratiometric", _NOMINAL_SUPPLY) if table.has("ratiometric") else None
    return PressureSettings(
        channel_input,
        input_ratio,
        low_v,
        low_pa,
        high_v,
        high_pa,
        span_u=table.within("span_u", _SPAN_U),
        zero_u_pa=table.within("zero_u", _ZERO_U),
        ratiometric_v=nominal_v,
        fastest_pa_s=table.within("fastest", _FASTEST, default="400 kPa/s"),
    )


def _thermistor(table: Table, channel_input: str, input_ratio: float) -> ThermistorSettings:
    side = table.known("side", table.line("side", "to_ground"), ("to_ground", "to_reference"))
    curve: tuple[float, float, float] | None = None
    r25_ohm = beta_k = None
    if table.has("curve"):
        coefficients = table.numbers("curve", 3, 1.0, "[1.129e-3, 2.341e-4, 8.775e-8]")
        if coefficients:
            curve = (coefficients[0], coefficients[1], coefficients[2])
        if table.has("r25_ohm") or table.has("beta_k"):
            table.complain(
                "curve", "r25_ohm and beta_k say the same again. Leave either them or the curve."
            )
    else:
        r25_ohm = table.number("r25_ohm", 10.0, 1e7, "10000")
        beta_k = table.number("beta_k", 1000.0, 10_000.0, "3950")
    return ThermistorSettings(
        channel_input,
        input_ratio,
        fixed_ohm=table.number("fixed_ohm", 10.0, 1e7, "10000"),
        reference_v=table.within("reference", _REFERENCE),
        side="to_reference" if side == "to_reference" else "to_ground",
        curve=curve,
        r25_ohm=r25_ohm,
        beta_k=beta_k,
        u_k=table.within("u", _TEMPERATURE_U),
    )


def _voltage(_table: Table, channel_input: str, input_ratio: float) -> VoltageSettings:
    return VoltageSettings(channel_input, input_ratio)


def _travel(table: Table, channel_input: str, input_ratio: float) -> TravelSettings:
    return TravelSettings(channel_input, input_ratio, *_line(table, _TRAVEL, _HIGH_TRAVEL))


_READ: Mapping[str, Callable[[Table, str, float], ChannelSettings]] = {
    "pressure": _pressure,
    "thermistor": _thermistor,
    "voltage": _voltage,
    "travel": _travel,
}


def _line(table: Table, low_span: Span, high_span: Span) -> tuple[float, float, float, float]:
    """Read the two points of a sensor's line, which must differ in both values."""
    low_v, low = table.each_within("low", _VOLTS, low_span)
    high_v, high = table.each_within("high", _HIGH_VOLTS, high_span)
    if low >= high:
        table.complain("high", "it must lie above that of low. Write the lower point under low.")
    if abs(high_v - low_v) < _LEAST_SPAN_V:
        table.complain(
            "high",
            f"its volts must differ from those of low by {_LEAST_SPAN_V} V or more. Write the"
            " sensor's volts at both points.",
        )
    return low_v, low, high_v, high


_LEAST_SPAN_V = 0.05
