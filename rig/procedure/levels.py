"""Own steady levels read off recordings: ambient, gas temperature; never fit a leak."""

import math
from collections.abc import Iterator

import numpy as np

from rig.analysis import noise
from rig.analysis.hold import finding
from rig.arrays import FloatArray
from rig.procedure.context import Context
from rig.procedure.steps import Recording, StepResult
from rig.records import Estimate, Finding

_LEAST_READINGS = 20
_LEAST_NOISE_PA = 1e-6
"""Noise of a sensor whose step is not known: below this it has none."""
_STEADY_PA = 60.0
"""A vented manifold whose level moves by more than this is not vented yet, or is breathed on."""
_BAROMETER_MOVES_PA = 4_000.0
"""The weather moves the barometer by no more than this from one run to another at one place."""
_LEVEL_S, _LEVEL_PA = 3.0, 40.0
"""A vented manifold stands at ambient once it has moved by no more than this for so long."""
_LEVEL_EVERY_S, _LEVEL_SHARE = 0.25, 0.8
_ROOM_K = Estimate(294.0, 4.0)
"""The gas temperature of a rig without a thermistor for it."""


def vented_level(recording: Recording, context: Context) -> Estimate | Finding:
    """Read the ambient pressure [Pa] off a vented manifold, or say why it cannot be.

    The sensor's zero stays in the reading, and drops out of every vacuum taken against it.
    """
    _, pressure_pa = recording.channel("p_a")
    if pressure_pa.size < _LEAST_READINGS:
        return finding("too_few_samples", count=pressure_pa.size, least=_LEAST_READINGS)
    thirds = [float(np.median(third)) for third in np.array_split(pressure_pa, 3)]
    moved_pa = max(thirds) - min(thirds)
    if moved_pa > _STEADY_PA:
        return finding("vented_unsteady", moved_pa=moved_pa)
    level_pa = float(np.median(pressure_pa))
    for last_pa in _elsewhere(recording, context):
        if abs(level_pa - last_pa) > _BAROMETER_MOVES_PA:
            return finding("vent_blocked", ambient_pa=level_pa, last_pa=last_pa)
    scatter_pa = 1.4826 * float(np.median(np.abs(pressure_pa - level_pa)))
    random_pa = math.hypot(1.2533 * scatter_pa / math.sqrt(pressure_pa.size), moved_pa / 3.0)
    return Estimate.from_sources(
        level_pa, {"random": random_pa, "step": context.converter_step_pa / math.sqrt(12.0)}
    )


def _elsewhere(recording: Recording, context: Context) -> Iterator[float]:
    """List what else tells the ambient: a barometer of its own, and what was last read."""
    _, barometer_pa = recording.channel("barometer")
    if barometer_pa.size:
        yield float(np.median(barometer_pa))
    if context.last_ambient_pa is not None:
        yield context.last_ambient_pa


def gas_temperature(*recordings: Recording) -> Estimate:
    """Read the gas temperature [K] over recordings; the room's guess where no channel has it."""
    values = [recording.channel("t_gas")[1] for recording in recordings]
    together = np.concatenate(values) if values else np.empty(0)
    if together.size < _LEAST_READINGS:
        return _ROOM_K
    return Estimate(float(np.median(together)), 1.0)


def since(made: StepResult, skipped_s: float) -> Recording:
    """Leave out what was recorded up to `skipped_s` after the valves of a step were moved.

    Among it are the frames that were on their way when the step began: taken before, come after.
    """
    recording = made.recording
    keep = recording.time_mono_s >= made.record.began_mono_s + skipped_s
    return Recording(
        recording.time_mono_s[keep],
        recording.sequence[keep],
        {name: values[keep] for name, values in recording.values.items()},
        recording.missing,
    )


class VentedLevel:
    """Follows a manifold that is left vented: it stands at ambient once it has stopped moving."""

    def __init__(self) -> None:
        self._began_s: float | None = None
        self._readings_pa: list[float] = []
        self._levels: list[tuple[float, float]] = []

    def take(self, time_mono_s: float, usable_pa: FloatArray) -> float | None:
        """Take the newest readings; return the ambient [Pa] whenever it can be told anew."""
        if self._began_s is None or time_mono_s > self._began_s + _LEVEL_S:
            self._began_s, self._readings_pa, self._levels = time_mono_s, [], []
        self._readings_pa += usable_pa.tolist()
        if time_mono_s < self._began_s + _LEVEL_EVERY_S:
            return None
        self._levels.append((time_mono_s, float(np.median(self._readings_pa))))
        self._began_s, self._readings_pa = time_mono_s, []
        self._levels = [each for each in self._levels if each[0] >= time_mono_s - _LEVEL_S]
        if time_mono_s - self._levels[0][0] < _LEVEL_SHARE * _LEVEL_S:
            return None
        levels_pa = [level_pa for _, level_pa in self._levels]
        if max(levels_pa) - min(levels_pa) > _LEVEL_PA:
            return None
        return float(np.median(levels_pa))


def is_quiet(vented: Recording, context: Context) -> bool:
    """Tell whether a sensor shows no noise by which a frozen reading could be known.

    Less than half a step of the converter: such a sensor is proved by its return to ambient.
    """
    _, pressure_pa = vented.channel("p_a")
    return noise.white_sd(pressure_pa) < 0.5 * max(context.converter_step_pa, _LEAST_NOISE_PA)
