"""Own the sensors of the simulated bench and what they read; never convert to volts."""

from collections.abc import Mapping

from rig.sim.plant_settings import PlantSettings
from rig.sim.sensors import Bead, Sensor, SensorErrors, draw_errors

_PRESSURES = ("p_a", "p_b", "barometer")
_TEMPERATURES = ("t_gas", "t_bath")
_WHITE_K = 0.01
_WHITE_V = 0.01
_WHITE_REFERENCE_V = 0.0005
_WHITE_M = 5e-6
_GAS_BEAD_S = 8.0
_BATH_BEAD_S = 4.0
_GAS_SHARE = 0.02
"""The bead sits in the body of the manifold: so little of its heat comes from the gas."""


class Instruments:
    """Every sensor of the bench: two beads that lag, errors and noise by the seed of `settings`."""

    def __init__(self, settings: PlantSettings) -> None:
        self._sensors = {name: _sensor(name, settings) for name in (*_PRESSURES, *_TEMPERATURES)}
        self._sensors["supply"] = _plain("supply", _WHITE_V, settings)
        self._sensors["sensor_supply"] = _plain("sensor_supply", _WHITE_REFERENCE_V, settings)
        self._sensors["travel"] = _plain("travel", _WHITE_M, settings)
        self._gas_bead = Bead(settings.room_k, _GAS_BEAD_S)
        self._bath_bead = Bead(settings.room_k, _BATH_BEAD_S)

    def errors(self, channel: str) -> SensorErrors:
        """Get the errors of a channel's sensor: the truth of them."""
        return self._sensors[channel].errors

    def feel(self, gas_k: float, wall_k: float, bath_k: float, step_s: float) -> None:
        """Let the beads follow manifold gas, its wall and the bath for `step_s`."""
        self._gas_bead.follow(_GAS_SHARE * gas_k + (1.0 - _GAS_SHARE) * wall_k, step_s)
        self._bath_bead.follow(bath_k, step_s)

    def read(self, true: Mapping[str, float], step_s: float) -> dict[str, float]:
        """Read all sensors, `step_s` after the last time.

        `true` holds p_a, p_b, barometer [Pa], supply, sensor_supply [V] and travel [m].
        """
        felt = {
            **true,
            "t_gas": self._gas_bead.temperature_k,
            "t_bath": self._bath_bead.temperature_k,
        }
        return {name: self._sensors[name].read(value, step_s) for name, value in felt.items()}


def _sensor(name: str, settings: PlantSettings) -> Sensor:
    if not settings.noisy:
        return Sensor(SensorErrors(), settings.seed, name)
    is_pressure = name in _PRESSURES
    errors = draw_errors(
        settings.seed,
        name,
        zero_u=settings.zero_u_pa if is_pressure else settings.temperature_u_k,
        span_u=settings.span_u if is_pressure else 0.0,
        white=settings.white_pa if is_pressure else _WHITE_K,
        slow=settings.slow_pa if is_pressure else 0.0,
    )
    return Sensor(errors, settings.seed, name)


def _plain(name: str, white: float, settings: PlantSettings) -> Sensor:
    return Sensor(SensorErrors(white=white if settings.noisy else 0.0), settings.seed, name)
