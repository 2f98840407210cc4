"""Own what makes a reading unusable, and how often that is told; never convert or smooth one.

**What no sensor can show.** Each channel has the volts that its sensor gives when all is well. What
lies beyond names its cause: an open or shorted thermistor, a converter at its end, a sensor out of
its range, a ratiometric sensor on a wrong supply.

**What no gas can do.** A damaged value in a sound frame leaps: the highest bit of a converter for
5 V is 72 kPa of a sensor that gives 0.5 to 4.5 V for 115 kPa. No rate tells that from the truth. A
hand pump behind its restrictor draws 34 kPa/s at most and the vent's slow orifice lets in less than
400 kPa/s, but a hose of 4 mm bore that comes off (sonic conductance C = 2e-8 m3/(s Pa), ISO 6358-1)
fills a manifold of 25 cm3 at C p_a p_0 / V = 8 MPa/s: 50 kPa within two frames of 5 ms, as fast as
any bit. But air that came in cannot leave within three frames. So a reading is impossible only
where the channel leaps away faster than `fastest` and is back, just as fast, within three frames; a
leap that stays was real. Whether one stays shows in the frames after it, which is why the newest
may have to wait for them.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from rig.arrays import FloatArray
from rig.errors import InputError
from rig.records import Finding
from rig.sensing.calibration import AdcChannel
from rig.sensing.divider import Divider, Side
from rig.sensing.straight_line import StraightLine
from rig.sensing.thermistor import ThermistorCurve

CauseArray = NDArray[np.int8]
BoolArray = NDArray[np.bool_]

MOST_WILD = 3
"""Frames in a row that may be wild; a leap that lasts longer was real."""
QUIET_S = 1.0
"""A fault is over when a channel was free of it for so long."""
_LONG_AGO_S = -1e12
_BELOW_ZERO = 0.02
_BEYOND = 0.1
_HIGHEST_PA = 115_000.0
"""The heaviest air, and above it the low pressure that some parts are tested with."""
_TRAVEL_BEYOND = 0.5
_FROM_NONE = 0.02
_COLDEST_DEGC, _ROOM_DEGC, _HOTTEST_DEGC = -50.0, 20.0, 250.0


class Cause(IntEnum):
    """Why a reading is unusable; its name in small letters is the code of the finding."""

    NONE = 0
    SENSOR_OPEN = 1
    SENSOR_SHORTED = 2
    CONVERTER_AT_END = 3
    OUT_OF_RANGE = 4
    IMPOSSIBLE_STEP = 5
    SENSOR_SUPPLY_OUTSIDE = 6

    @property
    def code(self) -> str:
        """Get the code of the finding."""
        return self.name.lower()


@dataclass(frozen=True)
class Sound:
    """The volts that a sound sensor shows, `low_v` to `high_v`, and what lies beyond.

    At `lowest_v` and below the cause is `below`, at `highest_v` and above it is `above`; between
    there and the sound volts the sensor is out of its range.
    """

    low_v: float = -np.inf
    high_v: float = np.inf
    lowest_v: float = -np.inf
    below: Cause = Cause.CONVERTER_AT_END
    highest_v: float = np.inf
    above: Cause = Cause.CONVERTER_AT_END

    @property
    def usable_v(self) -> tuple[float, float]:
        """Get the least and the most volts, inclusive, that are usable."""
        return (
            max(self.low_v, float(np.nextafter(self.lowest_v, np.inf))),
            min(self.high_v, float(np.nextafter(self.highest_v, -np.inf))),
        )

    def causes(self, volts: FloatArray) -> CauseArray:
        """Tell for each voltage, any shape, why it is unusable."""
        causes = np.where((volts < self.low_v) | (volts > self.high_v), Cause.OUT_OF_RANGE, 0)
        causes = np.where(volts <= self.lowest_v, self.below, causes)
        causes = np.where(volts >= self.highest_v, self.above, causes)
        return causes.astype(np.int8)


def sound_pressure(line: StraightLine, adc: AdcChannel, zero_u_pa: float) -> Sound:
    """Get the sound volts of a pressure sensor by its line [Pa]; its points may lie anywhere on it.

    From no pressure at all, give or take, to 115 kPa, or a tenth of the line's span beyond its
    upper point. No volts are never sound: then its wire or its supply is broken.
    """
    span_pa = abs(line.slope) * (line.high - line.low)
    highest_pa = float(max(line.value([line.low, line.high])))
    ends_pa = (
        -max(_BELOW_ZERO * span_pa, 3.0 * zero_u_pa),
        max(highest_pa + _BEYOND * span_pa, _HIGHEST_PA),
    )
    low_v, high_v = sorted(line.inverse(ends_pa).tolist())
    lowest, _ = adc.code_limits
    return replace(sound_voltage(adc), low_v=low_v, high_v=high_v, lowest_v=lowest * adc.step_v)


def sound_travel(line: StraightLine, adc: AdcChannel) -> Sound:
    """Get the sound volts of a travel sensor by its line: half its span beyond either point.

    No volts are sound only where its line begins there.
    """
    margin_v = _TRAVEL_BEYOND * (line.high - line.low)
    sound = replace(sound_voltage(adc), low_v=line.low - margin_v, high_v=line.high + margin_v)
    if line.low <= _FROM_NONE * adc.full_scale_v * adc.input_ratio:
        return sound
    lowest, _ = adc.code_limits
    return replace(sound, lowest_v=lowest * adc.step_v)


def sound_voltage(adc: AdcChannel) -> Sound:
    """Get the sound volts where nothing but the converter bounds them; no volts at all are one."""
    lowest, highest = adc.code_limits
    return Sound(
        lowest_v=lowest * adc.step_v if adc.signed else -np.inf, highest_v=highest * adc.step_v
    )


def sound_thermistor(divider: Divider, curve: ThermistorCurve, adc: AdcChannel) -> Sound:
    """Get the sound volts of a thermistor in its divider, between -50 and 250 degC.

    Raises InputError where room temperature is not among them: curve and divider do not fit.
    """
    coldest, hottest = curve.temperature_limits_degc
    if not coldest < _ROOM_DEGC < hottest:
        raise InputError(
            f"the curve gives {coldest:.0f} to {hottest:.0f} degC only, not the temperature of a"
            " room"
        )
    ends_degc = (max(coldest, _COLDEST_DEGC), _ROOM_DEGC, min(hottest, _HOTTEST_DEGC))
    low_v, room_v, high_v = sorted(divider.volts(curve.ohm(ends_degc)).tolist())
    low_end_v, high_end_v = (each * adc.step_v for each in adc.code_limits)
    near_none_v = divider.end_share * divider.reference_v
    near_all_v = divider.reference_v - near_none_v
    below, above = Cause.SENSOR_SHORTED, Cause.SENSOR_OPEN
    if divider.side is Side.TO_REFERENCE:
        below, above = above, below
    sound = Sound(
        low_v,
        high_v,
        max(near_none_v, low_end_v),
        below if near_none_v >= low_end_v else Cause.CONVERTER_AT_END,
        min(near_all_v, high_end_v),
        above if near_all_v <= high_end_v else Cause.CONVERTER_AT_END,
    )
    least_v, most_v = sound.usable_v
    if not least_v < room_v < most_v:
        raise InputError(
            f"at {_ROOM_DEGC:.0f} degC its divider would show {room_v:.3g} V of"
            f" {divider.reference_v:g} V, as a broken wire or a short does"
        )
    return sound


@dataclass(frozen=True)
class _Leap:
    """A reading that is far from those before it: wild, unless the next ones stay with it."""

    frame: int
    time_s: float
    volts: float


class StepWatch:
    """Finds, in m channels at once, readings that leap away and back faster than anything real.

    `fastest_v_s` and `noise_v`, both (m,), say how far apart two readings of a channel may be: the
    noise plus the time between them times the fastest. `frames` counts those that it was shown.
    """

    def __init__(self, fastest_v_s: FloatArray, noise_v: FloatArray) -> None:
        self._fastest_v_s = fastest_v_s[:, None]
        self._noise_v = noise_v[:, None]
        self._last_s = np.full(len(noise_v), _LONG_AGO_S)
        self._last_v = np.zeros(len(noise_v))
        self._leaps: dict[int, list[_Leap]] = {}
        self.frames = 0

    @property
    def undecided(self) -> int:
        """Get how many of the newest frames hold, or stand behind, an undecided leap."""
        if not self._leaps:
            return 0
        return self.frames - min(leaps[0].frame for leaps in self._leaps.values())

    def take(
        self, time_s: FloatArray, volts: FloatArray, usable: BoolArray | None
    ) -> list[tuple[int, int]]:
        """Follow the channels through n more frames; list the wild readings as (channel, frame).

        `time_s` (n,) is the board's; `volts` and `usable` are (m, n), the latter None where all
        are. What is unusable anyway has no part in it.
        """
        quiet = self._is_quiet(time_s, volts)
        if usable is not None:
            quiet &= usable.all(axis=1)
        wild: list[tuple[int, int]] = []
        if self._leaps or not quiet.all():
            busy = [int(each) for each in np.flatnonzero(~quiet)]
            for channel in sorted({*busy, *self._leaps}):
                sound = None if usable is None else usable[channel]
                wild += self._follow(channel, time_s, volts[channel], sound)
                quiet[channel] = False
            self._last_s[quiet] = time_s[-1]
            self._last_v[quiet] = volts[quiet, -1]
        else:
            self._last_s[:] = time_s[-1]
            self._last_v[:] = volts[:, -1]
        self.frames += len(time_s)
        return wild

    def settle(self) -> None:
        """Take every undecided leap for real, as when no more frames will come."""
        for channel, leaps in self._leaps.items():
            self._last_s[channel], self._last_v[channel] = leaps[-1].time_s, leaps[-1].volts
        self._leaps.clear()

    def _is_quiet(self, time_s: FloatArray, volts: FloatArray) -> BoolArray:
        """Tell for each channel whether no reading is far from the one before it."""
        first_v = self._noise_v[:, 0] + self._fastest_v_s[:, 0] * (time_s[0] - self._last_s)
        quiet: BoolArray = np.abs(volts[:, 0] - self._last_v) <= first_v
        if len(time_s) > 1:
            most_v = self._noise_v + self._fastest_v_s * (time_s[1:] - time_s[:-1])
            quiet &= (np.abs(volts[:, 1:] - volts[:, :-1]) <= most_v).all(axis=1)
        return quiet

    def _follow(
        self, channel: int, times_s: FloatArray, volts: FloatArray, usable: BoolArray | None
    ) -> list[tuple[int, int]]:
        """Follow one channel frame by frame."""
        noise_v = float(self._noise_v[channel, 0])
        fastest_v_s = float(self._fastest_v_s[channel, 0])

        def agree(one: _Leap, other: _Leap) -> bool:
            most_v = noise_v + fastest_v_s * (other.time_s - one.time_s)
            return abs(other.volts - one.volts) <= most_v

        last = _Leap(-1, float(self._last_s[channel]), float(self._last_v[channel]))
        leaps = self._leaps.pop(channel, [])
        wild = []
        for place, shown_v in enumerate(volts.tolist()):
            here = _Leap(self.frames + place, float(times_s[place]), shown_v)
            is_usable = usable is None or bool(usable[place])
            if is_usable and agree(last, here):
                wild += [(channel, leap.frame) for leap in leaps if not agree(leap, here)]
                last, leaps = here, []
                continue
            if leaps and here.frame - leaps[0].frame >= MOST_WILD:
                last, leaps = leaps[-1], []
            if is_usable and agree(last, here):
                last = here
            elif is_usable:
                leaps.append(here)
        if leaps:
            self._leaps[channel] = leaps
        self._last_s[channel], self._last_v[channel] = last.time_s, last.volts
        return wild


@dataclass
class _Episode:
    """A fault that has begun and is not over."""

    began_s: float
    newest_s: float = 0.0
    count: int = 0


class FaultLog:
    """Tells each fault of a channel once when it begins and once when it is over.

    It also counts: `excluded` holds how many readings of each channel were left out so far.
    """

    def __init__(self, channels: Sequence[str]) -> None:
        self._channels = tuple(channels)
        self._episodes: dict[tuple[int, Cause], _Episode] = {}
        self.excluded = dict.fromkeys(self._channels, 0)

    @property
    def active(self) -> Mapping[str, tuple[str, ...]]:
        """Get the faults that have begun and are not over: codes by channel."""
        faults: dict[str, tuple[str, ...]] = {}
        for channel, cause in sorted(self._episodes):
            name = self._channels[channel]
            faults[name] = (*faults.get(name, ()), cause.code)
        return faults

    def take(
        self,
        time_s: FloatArray,
        causes: CauseArray,
        figures: Callable[[int, int], Mapping[str, float | str]],
    ) -> tuple[Finding, ...]:
        """Follow the channels through n more frames, given why each reading (m, n) is unusable.

        `figures(channel, frame)` gives the figures of a fault that begins there.
        """
        told: list[tuple[float, Finding]] = []
        for channel in np.flatnonzero(causes.any(axis=1)).tolist():
            mine = causes[channel]
            self.excluded[self._channels[channel]] += int(np.count_nonzero(mine))
            for cause in map(Cause, np.unique(mine[mine > 0]).tolist()):
                frames = np.flatnonzero(mine == cause)
                breaks = np.flatnonzero(np.diff(time_s[frames]) > QUIET_S) + 1
                for spell in np.split(frames, breaks):
                    told += self._over(float(time_s[spell[0]]), (channel, cause))
                    episode = self._episodes.get((channel, cause))
                    if episode is None:
                        episode = _Episode(float(time_s[spell[0]]))
                        self._episodes[channel, cause] = episode
                        begun = Finding(cause.code, figures(channel, int(spell[0])))
                        told.append((episode.began_s, begun))
                    episode.newest_s = float(time_s[spell[-1]])
                    episode.count += len(spell)
        for key in tuple(self._episodes):
            told += self._over(float(time_s[-1]), key)
        return tuple(finding for _, finding in sorted(told, key=lambda each: each[0]))

    def _over(self, now_s: float, key: tuple[int, Cause]) -> list[tuple[float, Finding]]:
        """End the episode of a channel's fault, if it has one that is over by now."""
        episode = self._episodes.get(key)
        if episode is None or now_s - episode.newest_s <= QUIET_S:
            return []
        del self._episodes[key]
        channel, cause = key
        over = Finding(
            "reading_usable_again",
            {
                "channel": self._channels[channel],
                "fault": cause.code,
                "count": float(episode.count),
                "lasting_s": episode.newest_s - episode.began_s,
            },
        )
        return [(episode.newest_s + QUIET_S, over)]
