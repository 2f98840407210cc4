"""Own the room a simulated bench stands in: air, temperature and bath; never know the bench.

The barometer drifts along a slow line and swings, the room swings, both as functions of time and
seed alone. The bath has no heater of ours: it goes to its set point with one time constant.
"""

import math

from rig.sim.draws import draws
from rig.sim.gas_cells import Air
from rig.units import SEA_LEVEL_PA

_BAROMETER_PA_S = 0.008
"""Standard deviation of the barometer's steady drift: about a hectopascal in three hours."""
_BAROMETER_SWING_PA = 10.0
_BAROMETER_PERIOD_S = 2400.0
_ROOM_SWING_K = 0.15
_ROOM_PERIOD_S = 1800.0
_BATH_S = 120.0


def ambient_at(altitude_m: float) -> float:
    """Get the standard atmosphere's pressure [Pa] at an altitude [m] (ISO 2533, to 11 km)."""
    return SEA_LEVEL_PA * math.pow(1.0 - 2.25577e-5 * altitude_m, 5.25588)


class Surroundings:
    """Room and bath at the start of time, drifting as `seed` draws it.

    `air` is kept up to date: whatever is open to the room holds it.
    """

    def __init__(self, ambient_pa: float, room_k: float, seed: int, *, drifting: bool) -> None:
        drawn = draws(seed, "surroundings")
        self.air = Air(ambient_pa, room_k)
        self.bath_k = room_k
        self.bath_target_k = room_k
        self._base_pa, self._base_k = ambient_pa, room_k
        self._time_s = 0.0
        self._scale = 1.0 if drifting else 0.0
        self._drift_pa_s = self._scale * float(drawn.normal(0.0, _BAROMETER_PA_S))
        self._phases = [float(phase) for phase in drawn.uniform(0.0, math.tau, 2)]

    def pass_time(self, step_s: float) -> None:
        """Let the room and the bath go on for `step_s`."""
        self._time_s += step_s
        by_pressure, by_temperature = self._phases
        self.air.pressure_pa = (
            self._base_pa
            + self._drift_pa_s * self._time_s
            + _swing(self._scale * _BAROMETER_SWING_PA, _BAROMETER_PERIOD_S, by_pressure, self)
        )
        self.air.temperature_k = self._base_k + _swing(
            self._scale * _ROOM_SWING_K, _ROOM_PERIOD_S, by_temperature, self
        )
        self.bath_k -= (self.bath_target_k - self.bath_k) * math.expm1(-step_s / _BATH_S)

    @property
    def time_s(self) -> float:
        """Get the time [s] since the start."""
        return self._time_s

    def shift_ambient(self, by_pa: float) -> None:
        """Move the barometer at once, as a door or a fan does."""
        self._base_pa += by_pa

    def drift_ambient(self, pa_s: float) -> None:
        """Set the barometer's steady drift [Pa/s] from now on."""
        self._base_pa += (self._drift_pa_s - pa_s) * self._time_s
        self._drift_pa_s = pa_s


def _swing(size: float, period_s: float, phase: float, room: Surroundings) -> float:
    """Get a swing that is zero at the start."""
    return size * (math.sin(math.tau * room.time_s / period_s + phase) - math.sin(phase))
