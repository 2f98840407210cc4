"""Own what stands between a true value of the simulated bench and its sensor; never convert it.

A reading is (1 + span) value + zero, wanders slowly (1/f) and has white noise. Slow noise is a sum
of first-order (Ornstein-Uhlenbeck) processes a decade apart, equal in variance: its spectrum falls
as 1/f between the slowest and the fastest.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from rig.sim.draws import draws

_SLOW_TIMES_S = (0.03, 0.3, 3.0, 30.0, 300.0)
_BLOCK = 4096


def normals(seed: int, purpose: str) -> Iterator[float]:
    """Draw standard normal numbers without end; the same for a seed and a purpose."""
    generator = draws(seed, purpose)
    while True:
        yield from generator.standard_normal(_BLOCK).tolist()


@dataclass(frozen=True)
class SensorErrors:
    """What ails one sensor: zero and span error, white and slow noise (each a standard deviation).

    Slow noise is that of one decade of frequency.
    """

    zero: float = 0.0
    span: float = 0.0
    white: float = 0.0
    slow: float = 0.0


def draw_errors(
    seed: int, purpose: str, *, zero_u: float, span_u: float, white: float, slow: float
) -> SensorErrors:
    """Draw zero and span error normally with the stated uncertainties, at most twice either."""
    drawn = normals(seed, purpose + " errors")
    zero, span = (max(-2.0, min(2.0, next(drawn))) * u for u in (zero_u, span_u))
    return SensorErrors(zero, span, white, slow)


class Sensor:
    """One sensor with its errors; its noise follows from a seed and its name."""

    def __init__(self, errors: SensorErrors, seed: int, name: str) -> None:
        self.errors = errors
        self._normals = normals(seed, name)
        self._slow = [next(self._normals) for _ in _SLOW_TIMES_S]
        self._step_s = -1.0
        self._factors: list[tuple[float, float]] = []

    def read(self, value: float, step_s: float) -> float:
        """Get a reading of `value`, `step_s` after the last."""
        errors, fresh = self.errors, self._normals
        reading = (1.0 + errors.span) * value + errors.zero + errors.white * next(fresh)
        if errors.slow:
            if step_s != self._step_s:
                self._set_step(step_s)
            self._slow = [
                keep * state + renewed * next(fresh)
                for state, (keep, renewed) in zip(self._slow, self._factors, strict=True)
            ]
            reading += errors.slow * sum(self._slow)
        return reading

    def _set_step(self, step_s: float) -> None:
        keeps = [math.exp(-step_s / time_s) for time_s in _SLOW_TIMES_S]
        self._factors = [(keep, math.sqrt(1.0 - keep * keep)) for keep in keeps]
        self._step_s = step_s


class Bead:
    """A thermistor's bead, which follows its surroundings [K] with one time constant [s]."""

    def __init__(self, temperature_k: float, lag_s: float) -> None:
        self.temperature_k = temperature_k
        self._lag_s = lag_s

    def follow(self, surroundings_k: float, step_s: float) -> None:
        """Let the bead follow for `step_s`."""
        self.temperature_k -= (surroundings_k - self.temperature_k) * math.expm1(
            -step_s / self._lag_s
        )
