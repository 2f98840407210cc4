"""Own what each channel of a bench is on a board: converter, sensor, limits; never read a frame."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.config import Bench, PressureSettings, ThermistorSettings, TravelSettings
from rig.errors import BenchError, InputError, LinkError
from rig.readings import ChannelSpec
from rig.sensing.calibration import AdcChannel
from rig.sensing.divider import Divider, Side
from rig.sensing.quality import (
    Sound,
    sound_pressure,
    sound_thermistor,
    sound_travel,
    sound_voltage,
)
from rig.sensing.straight_line import StraightLine, line_through
from rig.sensing.thermistor import ThermistorCurve
from rig.units import ZERO_CELSIUS_K

SENSOR_SUPPLY = "sensor_supply"
"""The channel that measures what ratiometric sensors are supplied with."""

_T25_K = ZERO_CELSIUS_K + 25.0
_NOISE_SHARE = 0.005
"""Neighbouring readings may differ by this share of what the sensor spans, whatever the time."""
_BEAD_S = 0.2
"""No thermistor's bead takes on another temperature in less."""
_SWING_S = 0.05
"""No voltage or travel crosses its whole range, and comes back, in less."""


@dataclass(frozen=True)
class BoardChannel:
    """One channel of the bench: where it stands in a frame, and what its volts mean.

    `line` gives the value; a thermistor has a `curve` behind a divider in its stead. A ratiometric
    sensor whose supply is measured has a `nominal_v`, to which its volts are brought before they
    are compared with `in_range_v`.
    """

    name: str
    column: int
    adc: AdcChannel
    sound: Sound
    fastest_v_s: float
    noise_v: float
    line: StraightLine | None = None
    curve: tuple[Divider, ThermistorCurve] | None = None
    nominal_v: float | None = None
    in_range_v: tuple[float, float] = (-np.inf, np.inf)


def thermistor_curves(bench: Bench) -> Mapping[str, ThermistorCurve]:
    """Build the curve of each thermistor of a bench.

    Raises BenchError for curves on which temperature falls with resistance nowhere.
    """
    curves: dict[str, ThermistorCurve] = {}
    errors = []
    for name, settings in bench.channels.items():
        if not isinstance(settings, ThermistorSettings):
            continue
        try:
            curves[name] = _curve(settings)
        except InputError as error:
            errors.append(f"{bench.where('channels', name, 'curve')}: {error}")
    if errors:
        raise BenchError(*errors)
    return curves


def _curve(settings: ThermistorSettings) -> ThermistorCurve:
    if settings.curve is not None:
        return ThermistorCurve.three_term(*settings.curve)
    if settings.r25_ohm is None or settings.beta_k is None:
        raise InputError("neither curve nor r25_ohm and beta_k are given: write one of them")
    return ThermistorCurve.four_term(
        1.0 / _T25_K, 1.0 / settings.beta_k, 0.0, 0.0, settings.r25_ohm
    )


def board_channels(bench: Bench, table: Sequence[ChannelSpec]) -> tuple[BoardChannel, ...]:
    """Find every channel of the bench on the board whose hello gave `table`.

    Raises BenchError where the board has no such input as the bench file names, or a thermistor's
    curve cannot be; LinkError where the board describes an input that cannot be.
    """
    curves = thermistor_curves(bench)
    return tuple(
        _channel(bench, name, column, table[column], curves)
        for name, column in _columns(bench, table).items()
    )


def _columns(bench: Bench, table: Sequence[ChannelSpec]) -> dict[str, int]:
    """Find the column of each channel's input in a frame."""
    column_of = {spec.name: column for column, spec in enumerate(table)}
    has = f"it has {', '.join(column_of)}" if column_of else "it has none at all"
    missing = [
        f"{bench.where('channels', name, 'input')}: the board has no input '{settings.input}';"
        f" {has}. Write the name that the board gives, or take [channels.{name}] out."
        for name, settings in bench.channels.items()
        if settings.input not in column_of
    ]
    if missing:
        raise BenchError(*missing)
    return {name: column_of[settings.input] for name, settings in bench.channels.items()}


def _channel(
    bench: Bench,
    name: str,
    column: int,
    spec: ChannelSpec,
    curves: Mapping[str, ThermistorCurve],
) -> BoardChannel:
    settings = bench.channels[name]
    try:
        adc = AdcChannel(spec.bits, spec.full_scale_v, spec.signed, settings.input_ratio)
    except InputError as error:
        raise LinkError(
            f"the board describes its input '{spec.name}' in a way that cannot be ({error}). Flash"
            " firmware that belongs to this board"
        ) from error
    if isinstance(settings, PressureSettings):
        return _pressure(name, column, adc, settings, SENSOR_SUPPLY in bench.channels)
    range_v = adc.full_scale_v * adc.input_ratio
    slow = (range_v / _SWING_S, _NOISE_SHARE * range_v)
    if isinstance(settings, TravelSettings):
        line = line_through((settings.low_v, settings.low_m), (settings.high_v, settings.high_m))
        return BoardChannel(name, column, adc, sound_travel(line, adc), *slow, line)
    if isinstance(settings, ThermistorSettings):
        divider = Divider(settings.fixed_ohm, settings.reference_v, Side(settings.side))
        try:
            sound = sound_thermistor(divider, curves[name], adc)
        except InputError as error:
            raise BenchError(
                f"{bench.where('channels', name, 'fixed_ohm')}: {error}. Look whether resistor,"
                " side and curve belong together"
            ) from error
        return BoardChannel(
            name,
            column,
            adc,
            sound,
            settings.reference_v / _BEAD_S,
            _NOISE_SHARE * settings.reference_v,
            curve=(divider, curves[name]),
        )
    return BoardChannel(name, column, adc, sound_voltage(adc), *slow, line_through((0, 0), (1, 1)))


def _pressure(
    name: str, column: int, adc: AdcChannel, settings: PressureSettings, supply_is_read: bool
) -> BoardChannel:
    line = line_through((settings.low_v, settings.low_pa), (settings.high_v, settings.high_pa))
    sound = sound_pressure(line, adc, settings.zero_u_pa)
    channel = BoardChannel(
        name,
        column,
        adc,
        sound,
        settings.fastest_pa_s / abs(line.slope),
        _NOISE_SHARE * (line.high - line.low),
        line,
    )
    if settings.ratiometric_v is None or not supply_is_read:
        return channel
    return replace(
        channel,
        sound=replace(sound, low_v=-np.inf, high_v=np.inf),
        nominal_v=settings.ratiometric_v,
        in_range_v=(sound.low_v, sound.high_v),
    )
