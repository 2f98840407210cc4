"""Own how rubber gives way under vacuum and comes back; never hold gas.

Rubber that is sucked in takes volume from the chamber it closes. Beside its quick give it creeps:
a chain of spring-and-dashpot pairs, each giving its share with a retardation time of its own. The
chain is linear and remembers, so a second pull soon after the first gives less (Ferry, Viscoelastic
Properties of Polymers, chapter 1). A volume is stated under a step to `STATED_AT_PA`.

    exponential   one pair
    log           A ln(1 + t/t0): pairs spread evenly over ln tau, weighed with exp(-t0/tau)
    power         A t^n: pairs weighed with tau^n
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rig.sim.leaks import STATED_AT_PA

_PER_DECADE = 2
_RATIO = 10.0 ** (1.0 / _PER_DECADE)
_FASTEST_S = 0.03
_SLOWEST_S = 2e3
"""Slower than this no rubber gives way: no law of creep goes on for ever."""
_STATED_AT_S = 60.0
_MOST_STEPS_KEPT = 8


@dataclass(frozen=True)
class Pair:
    """One spring-and-dashpot pair: the volume [m3] that it gives in the end, and its time [s]."""

    volume_m3: float
    retardation_s: float


def exponential(volume_m3: float, retardation_s: float) -> tuple[Pair, ...]:
    """Build creep that gives `volume_m3` in the end with one retardation time [s]."""
    return (Pair(volume_m3, retardation_s),)


def log_time(volume_m3: float, onset_s: float) -> tuple[Pair, ...]:
    """Build creep that gives the same in each decade after `onset_s`, `volume_m3` in a minute."""
    return _scaled(volume_m3, {tau: math.exp(-onset_s / tau) for tau in _spread(onset_s / 10.0)})


def power_law(volume_m3: float, exponent: float) -> tuple[Pair, ...]:
    """Build creep that goes with time to the power of `exponent`, `volume_m3` in a minute.

    All pairs faster than `_FASTEST_S`, a geometric series, are put into one.
    """
    weights = {tau: math.pow(tau, exponent) for tau in _spread(_FASTEST_S)}
    quicker = math.pow(_FASTEST_S, exponent) / (math.pow(_RATIO, exponent) - 1.0)
    return _scaled(volume_m3, {_FASTEST_S / _RATIO: quicker, **weights})


def _scaled(volume_m3: float, weights: Mapping[float, float]) -> tuple[Pair, ...]:
    """Build pairs of these weights by retardation time that give `volume_m3` in a minute."""
    in_a_minute = -sum(w * math.expm1(-_STATED_AT_S / tau) for tau, w in weights.items())
    return tuple(Pair(volume_m3 * w / in_a_minute, tau) for tau, w in weights.items())


def _spread(fastest_s: float) -> Sequence[float]:
    count = math.ceil(math.log(_SLOWEST_S / fastest_s) / math.log(_RATIO)) + 1
    return [fastest_s * _RATIO**index for index in range(count)]


class Rubber:
    """The state of a chain of pairs: how far each has given way."""

    def __init__(self, pairs: Sequence[Pair]) -> None:
        self._ends_m3_pa = [pair.volume_m3 / STATED_AT_PA for pair in pairs]
        self._times_s = [pair.retardation_s for pair in pairs]
        self.given_by_pair_m3 = [0.0] * len(self._times_s)
        self._shares: dict[float, list[float]] = {}
        self.given_m3 = 0.0

    def creep(self, vacuum_pa: float, step_s: float) -> None:
        """Let the rubber give way, or come back, for `step_s` under a vacuum [Pa]."""
        shares = self._shares.get(step_s)
        if shares is None:
            if len(self._shares) >= _MOST_STEPS_KEPT:
                self._shares.clear()
            shares = [-math.expm1(-step_s / time_s) for time_s in self._times_s]
            self._shares[step_s] = shares
        self.given_by_pair_m3 = [
            given + (end * vacuum_pa - given) * share
            for given, end, share in zip(
                self.given_by_pair_m3, self._ends_m3_pa, shares, strict=True
            )
        ]
        self.given_m3 = sum(self.given_by_pair_m3)
