"""Own what sensors and converters make of values, the way back of a bench file; never send one.

A pressure or a travel becomes volts along the line that the bench file states, a temperature along
the thermistor's curve and through its divider; the converter rounds to its step and stops at its
ends.
"""

import math
from bisect import bisect_right
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from rig.config import (
    Bench,
    ChannelSettings,
    PressureSettings,
    ThermistorSettings,
    TravelSettings,
)
from rig.errors import BenchError
from rig.readings import ChannelSpec
from rig.sensing.board_channels import SENSOR_SUPPLY, thermistor_curves
from rig.sensing.divider import Divider, Side
from rig.sensing.thermistor import ThermistorCurve
from rig.units import ZERO_CELSIUS_K

_OWN = (14, 3.3, False)
"""Bits, full scale [V] and sign of the board's own converter, four readings summed."""
_OUTER = (16, 6.144, True)
"""The same of a converter beside it, for sensors of 5 V."""
_GRID_DEGC = 0.1


class _Slope:
    """A straight line from value to volts at the sensor."""

    def __init__(self, low: float, low_v: float, high: float, high_v: float) -> None:
        self._gain = (high_v - low_v) / (high - low)
        self._zero = low_v - self._gain * low

    def __call__(self, value: float) -> float:
        return self._zero + self._gain * value


class _Thermistor:
    """From kelvin to volts by a fine table; colder or hotter than it counts as its end."""

    def __init__(self, divider: Divider, curve: ThermistorCurve) -> None:
        coldest, hottest = curve.temperature_limits_degc
        degc = np.arange(max(coldest, -60.0) + _GRID_DEGC, min(hottest, 250.0), _GRID_DEGC)
        self._kelvin: list[float] = (degc + ZERO_CELSIUS_K).tolist()
        self._volts: list[float] = divider.volts(curve.ohm(degc)).tolist()

    def __call__(self, value: float) -> float:
        kelvin, volts = self._kelvin, self._volts
        upper = min(max(bisect_right(kelvin, value), 1), len(kelvin) - 1)
        share = (value - kelvin[upper - 1]) / (kelvin[upper] - kelvin[upper - 1])
        share = min(max(share, 0.0), 1.0)
        return volts[upper - 1] + share * (volts[upper] - volts[upper - 1])


@dataclass(frozen=True)
class Input:
    """One input of the board: what it is in the hello, which channel, and how volts come about.

    `ends_v` are the volts at the sensor of a thermistor that is open and of one that is shorted,
    None for other sensors.
    """

    spec: ChannelSpec
    channel: str
    volts_of: Callable[[float], float]
    input_ratio: float
    nominal_supply_v: float | None = None
    ends_v: tuple[float, float] | None = None

    def volts(self, values: Mapping[str, float]) -> float:
        """Get the volts at the sensor for the bench's values by channel."""
        volts = self.volts_of(values[self.channel])
        if self.nominal_supply_v is not None and SENSOR_SUPPLY in values:
            volts *= values[SENSOR_SUPPLY] / self.nominal_supply_v
        return volts

    def count(self, volts: float) -> int:
        """Get the converter's count for volts at the sensor."""
        spec = self.spec
        codes = 1 << (spec.bits - 1 if spec.signed else spec.bits)
        count = round(volts / self.input_ratio / spec.full_scale_v * codes)
        return min(max(count, -codes if spec.signed else 0), codes - 1)


def inputs_of(bench: Bench, values: Mapping[str, float]) -> tuple[Input, ...]:
    """Build an input for each channel of the bench; `values` is what the plant gives.

    Raises BenchError where the plant gives no value for a channel, or no finite one.
    """
    missing = [name for name in bench.channels if name not in values]
    if missing:
        raise BenchError(
            f"{bench.name}: the simulated plant gives no value for {', '.join(missing)}, only for"
            f" {', '.join(values)}. Take the channel out of the bench file, or have the plant's"
            " advance return it."
        )
    wrong = [name for name in bench.channels if not math.isfinite(values[name])]
    if wrong:
        raise BenchError(
            f"{bench.name}: the simulated plant gives no finite value for {', '.join(wrong)}. Have"
            " its advance return SI values."
        )
    curves = thermistor_curves(bench)
    return tuple(_input(name, each, curves.get(name)) for name, each in bench.channels.items())


def _input(name: str, settings: ChannelSettings, curve: ThermistorCurve | None) -> Input:
    bits, full_scale_v, signed = _OUTER
    nominal_v = ends_v = None
    volts_of: Callable[[float], float]
    if isinstance(settings, ThermistorSettings) and curve is not None:
        divider = Divider(settings.fixed_ohm, settings.reference_v, Side(settings.side))
        volts_of = _Thermistor(divider, curve)
        to_ground = divider.side is Side.TO_GROUND
        ends_v = (divider.reference_v, 0.0) if to_ground else (0.0, divider.reference_v)
        if divider.reference_v / settings.input_ratio <= _OWN[1]:
            bits, full_scale_v, signed = _OWN
    elif isinstance(settings, PressureSettings):
        line = (settings.low_pa, settings.low_v, settings.high_pa, settings.high_v)
        volts_of = _Slope(*line)
        nominal_v = settings.ratiometric_v
    elif isinstance(settings, TravelSettings):
        volts_of = _Slope(settings.low_m, settings.low_v, settings.high_m, settings.high_v)
    else:
        volts_of = _Slope(0.0, 0.0, 1.0, 1.0)
    spec = ChannelSpec(settings.input, bits, full_scale_v, signed)
    return Input(spec, name, volts_of, settings.input_ratio, nominal_v, ends_v)
