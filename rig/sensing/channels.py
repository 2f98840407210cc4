"""Own turning a board's frames into the bench's readings, in SI; never talk to a board.

One reader belongs to one start of the board: a board that has restarted, or another one, gets a new
reader. A frame comes out once, with its last word on it: where the newest frames hold a leap that
may yet prove wild, they wait for the next ones, three frames at most. So what comes out does not
depend on how the frames were split into batches.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray, IntArray
from rig.config import Bench, PressureSettings, ThermistorSettings
from rig.readings import ChannelSpec, Readings, Samples
from rig.records import Finding
from rig.sensing.board_channels import SENSOR_SUPPLY, board_channels
from rig.sensing.board_clock import BoardClock
from rig.sensing.quality import Cause, CauseArray, FaultLog, StepWatch
from rig.units import ZERO_CELSIUS_K

_SUPPLY_SHARE = 0.1
"""A ratiometric sensor follows its supply so far from nominal, and no further."""


@dataclass
class _Frames:
    """Frames as values: times (n,), volts at nominal supply, values, and causes, each (m, n)."""

    samples: Samples
    time_s: FloatArray
    volts: FloatArray
    values: FloatArray
    causes: CauseArray

    def split(self, count: int) -> tuple["_Frames", "_Frames"]:
        """Take the frames apart after the first `count`; what was missing stays with those."""
        samples = self.samples
        gone = (samples.missing, 0) if count else (0, samples.missing)
        parts = []
        for place, missing in zip((slice(0, count), slice(count, None)), gone, strict=True):
            some = Samples(
                samples.sequence[place],
                samples.mcu_us[place],
                samples.counts[place],
                samples.host_mono_s,
                missing,
            )
            parts.append(
                _Frames(
                    some,
                    self.time_s[place],
                    self.volts[:, place],
                    self.values[:, place],
                    self.causes[:, place],
                )
            )
        return parts[0], parts[1]

    def before(self, other: "_Frames") -> "_Frames":
        """Put these frames before others."""
        mine, theirs = self.samples, other.samples
        samples = Samples(
            np.concatenate((mine.sequence, theirs.sequence)),
            np.concatenate((mine.mcu_us, theirs.mcu_us)),
            np.concatenate((mine.counts, theirs.counts)),
            theirs.host_mono_s,
            mine.missing + theirs.missing,
        )
        return _Frames(
            samples,
            np.concatenate((self.time_s, other.time_s)),
            np.concatenate((self.volts, other.volts), axis=1),
            np.concatenate((self.values, other.values), axis=1),
            np.concatenate((self.causes, other.causes), axis=1),
        )


class ChannelReader:
    """Reads the frames of the board whose hello gave `table`, as the bench file describes them.

    Raises BenchError where the board has no such input as the bench file names, or a thermistor's
    curve cannot be; LinkError where the board describes an input that cannot be.
    """

    def __init__(self, bench: Bench, table: Sequence[ChannelSpec]) -> None:
        self._settings = bench.channels
        self._channels = board_channels(bench, table)
        self._names = tuple(channel.name for channel in self._channels)
        self._columns = np.array([channel.column for channel in self._channels])
        self._step_v = _upright(channel.adc.step_v for channel in self._channels)
        usable_v = [channel.sound.usable_v for channel in self._channels]
        self._low_v = _upright(low for low, _ in usable_v)
        self._high_v = _upright(high for _, high in usable_v)
        lines = [channel.line for channel in self._channels]
        self._gain = _upright(line.slope if line else 0.0 for line in lines)
        self._zero = _upright(float(line.value(0.0)) if line else 0.0 for line in lines)
        self._curves = [(row, each.curve) for row, each in enumerate(self._channels) if each.curve]
        self._following = [
            (row, each.nominal_v) for row, each in enumerate(self._channels) if each.nominal_v
        ]
        self._clock = BoardClock()
        self._steps = StepWatch(
            np.array([channel.fastest_v_s for channel in self._channels]),
            np.array([channel.noise_v for channel in self._channels]),
        )
        self._log = FaultLog(self._names)
        self._held: _Frames | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Get the names of the channels, as the bench file orders them."""
        return self._names

    @property
    def excluded(self) -> Mapping[str, int]:
        """Get how many readings of each channel were left out so far."""
        return dict(self._log.excluded)

    @property
    def faults(self) -> Mapping[str, tuple[str, ...]]:
        """Get the codes of the faults that a channel has now; it is left out if it has none."""
        return self._log.active

    def pressure_u(self, name: str) -> tuple[float, float]:
        """Get the standard uncertainties of a pressure: its zero [Pa], and its span, relative.

        Raises KeyError for a channel that is no pressure.
        """
        settings = self._settings[name]
        if not isinstance(settings, PressureSettings):
            raise KeyError(name)
        return settings.zero_u_pa, settings.span_u

    def temperature_u_k(self, name: str) -> float:
        """Get the standard uncertainty [K] of a temperature.

        Raises KeyError for a channel that is no thermistor.
        """
        settings = self._settings[name]
        if not isinstance(settings, ThermistorSettings):
            raise KeyError(name)
        return settings.u_k

    def read(self, samples: Samples) -> Readings:
        """Turn frames into readings, in SI; frames that must wait come out with the next ones.

        Raises LinkError where the board's time runs back.
        """
        if not samples.sequence.size:
            return Readings(samples, np.empty(0), {name: np.empty(0) for name in self._names})
        frames = self._converted(samples)
        usable = frames.causes == Cause.NONE if frames.causes.any() else None
        wild = self._steps.take(samples.mcu_us.astype(float) * 1e-6, frames.volts, usable)
        if self._held is not None:
            frames, self._held = self._held.before(frames), None
        first = self._steps.frames - frames.time_s.size
        for channel, frame in wild:
            frames.causes[channel, frame - first] = Cause.IMPOSSIBLE_STEP
        if self._steps.undecided:
            frames, self._held = frames.split(frames.time_s.size - self._steps.undecided)
        return self._released(frames)

    def rest(self) -> Readings | None:
        """Get the readings of frames that still wait when no more will come, None if none do.

        An undecided leap counts as real then.
        """
        self._steps.settle()
        frames, self._held = self._held, None
        return None if frames is None else self._released(frames)

    def _converted(self, samples: Samples) -> _Frames:
        volts = samples.counts.T[self._columns] * self._step_v
        causes = np.zeros(volts.shape, dtype=np.int8)
        wrong = (volts < self._low_v) | (volts > self._high_v)
        if wrong.any():
            for row in np.flatnonzero(wrong.any(axis=1)).tolist():
                causes[row] = self._channels[row].sound.causes(volts[row])
        if self._following:
            self._follow_supply(volts, causes)
        values = self._zero + self._gain * volts
        for row, (divider, curve) in self._curves:
            values[row] = curve.temperature_degc(divider.ohm(volts[row])) + ZERO_CELSIUS_K
        time_s = self._clock.times_s(samples.mcu_us, samples.host_mono_s)
        return _Frames(samples, time_s, volts, values, causes)

    def _follow_supply(self, volts: FloatArray, causes: CauseArray) -> None:
        """Bring the volts of ratiometric sensors to their nominal supply, in place."""
        supply_v = volts[self._names.index(SENSOR_SUPPLY)]
        for row, nominal_v in self._following:
            is_near = np.abs(supply_v - nominal_v) <= _SUPPLY_SHARE * nominal_v
            volts[row] *= nominal_v / np.where(is_near, supply_v, nominal_v)
            low_v, high_v = self._channels[row].in_range_v
            is_outside = (causes[row] == Cause.NONE) & (
                (volts[row] < low_v) | (volts[row] > high_v)
            )
            causes[row, is_outside] = Cause.OUT_OF_RANGE
            causes[row, ~is_near] = Cause.SENSOR_SUPPLY_OUTSIDE

    def _released(self, frames: _Frames) -> Readings:
        flags: tuple[Finding, ...] = ()
        causes, values = frames.causes, frames.values
        if frames.time_s.size and (self._log.active or causes.any()):
            values[causes != Cause.NONE] = np.nan

            def figures(row: int, frame: int) -> Mapping[str, float | str]:
                return self._figures(row, frames.samples.counts[frame], Cause(causes[row, frame]))

            flags = self._log.take(frames.time_s, causes, figures)
        by_name = dict(zip(self._names, values, strict=True))
        return Readings(frames.samples, frames.time_s, by_name, flags)

    def _figures(self, row: int, counts: IntArray, cause: Cause) -> Mapping[str, float | str]:
        """Get what the finding about a channel says: the reading, in volts, and what it tells."""
        channel = self._channels[row]
        figures: dict[str, float | str] = {"channel": channel.name}
        if cause is Cause.SENSOR_SUPPLY_OUTSIDE and channel.nominal_v is not None:
            supply = self._channels[self._names.index(SENSOR_SUPPLY)]
            reading_v = float(counts[supply.column]) * supply.adc.step_v
            return figures | {"reading_v": reading_v, "nominal_v": channel.nominal_v}
        figures["reading_v"] = float(counts[channel.column]) * channel.adc.step_v
        if cause in (Cause.SENSOR_OPEN, Cause.SENSOR_SHORTED) and channel.curve is not None:
            figures["reference_v"] = channel.curve[0].reference_v
        elif cause is Cause.OUT_OF_RANGE:
            low_v, high_v = channel.sound.low_v, channel.sound.high_v
            if channel.nominal_v is not None:
                low_v, high_v = channel.in_range_v
            figures |= {"low_v": low_v, "high_v": high_v}
        return figures


def _upright(values: Iterable[float]) -> FloatArray:
    """Stack one value a channel as a column (m, 1)."""
    return np.array(list(values), dtype=float)[:, None]
