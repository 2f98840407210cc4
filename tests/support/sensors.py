"""Own what stands between the true pressure and the recorded number; never import rig.

A reading is p_stated + (1 + e)(p - p_ambient): venting ties the offset to the stated ambient, the
span error e stays. Lag comes before it; noise, ripple and drift after; the converter's steps last.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Sensor:
    """One sensor: rate [Hz], white noise [Pa], converter step [Pa] and what else ails it.

    `pink_pa` is the standard deviation of its 1/f noise over a minute; `drift_pa_s` a straight and
    `bow_pa` a bowed drift (its largest departure in a minute); ripple is the mains'. `lag_s` is a
    first-order lag, and `behind_pa` how far the reading still trails the pull at the start.
    """

    rate_hz: float = 50.0
    noise_pa: float = 10.0
    step_pa: float = 2.0
    span_error: float = 0.0
    pink_pa: float = 0.0
    ripple_pa: float = 0.0
    ripple_hz: float = 50.0
    drift_pa_s: float = 0.0
    bow_pa: float = 0.0
    lag_s: float = 0.0
    behind_pa: float = 0.0

    def read(
        self,
        time_s: Array,
        pressure_pa: Array,
        true_ambient_pa: float,
        stated_ambient_pa: float,
        rng: np.random.Generator,
    ) -> Array:
        """Return the recorded readings [Pa] of a true pressure sampled at even times."""
        seen = self._lagged(pressure_pa) if self.lag_s > 0.0 else pressure_pa
        reading = stated_ambient_pa + (1.0 + self.span_error) * (seen - true_ambient_pa)
        reading = reading + self.noise_pa * rng.standard_normal(len(reading))
        if self.pink_pa > 0.0:
            reading += self.pink_pa * pink_noise(len(reading), rng)
        if self.ripple_pa > 0.0:
            phase = rng.uniform(0.0, 2.0 * math.pi)
            reading += self.ripple_pa * np.sin(2.0 * math.pi * self.ripple_hz * time_s + phase)
        minute = time_s / 60.0
        reading += self.drift_pa_s * time_s + 4.0 * self.bow_pa * minute * (1.0 - minute)
        offset = rng.uniform(0.0, self.step_pa)
        return offset + self.step_pa * np.round((reading - offset) / self.step_pa)

    def _lagged(self, pressure_pa: Array) -> Array:
        """Filter by a first-order lag: exact for a pressure held between samples.

        The recursion y += k (x - y) as a convolution with its own impulse response.
        """
        keep = math.exp(-1.0 / (self.rate_hz * self.lag_s))
        reach = min(len(pressure_pa), max(2, math.ceil(-36.0 / math.log(keep))))
        decay = keep ** np.arange(reach)
        excess = pressure_pa - pressure_pa[0]
        lagged = np.convolve(excess, (1.0 - keep) * decay)[: len(excess)]
        lagged[:reach] += self.behind_pa * decay
        return pressure_pa[0] + lagged


def pink_noise(count: int, rng: np.random.Generator) -> Array:
    """Return 1/f noise of unit variance and zero mean (random phases, power as 1/f)."""
    padded = 1 << max(count - 1, 1).bit_length()
    bins = padded // 2 + 1
    spectrum = rng.standard_normal(bins) + 1j * rng.standard_normal(bins)
    spectrum[0] = 0.0
    spectrum[1:] /= np.sqrt(np.arange(1, bins))
    noise = np.fft.irfft(spectrum, padded)[:count]
    noise -= noise.mean()
    return noise / noise.std()
