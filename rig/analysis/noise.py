"""Own what a record tells about its own noise; never judge a pressure or know what caused it."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.arrays import FloatArray

_CLIP_SDS = 4.5
"""Differences beyond this many standard deviations are spikes or steps, not noise; of white
noise it leaves out 7 in a million, which lowers the standard deviation by less than 0.01 %."""
_CLIP_ROUNDS = 20
_ROUNDING_EPS = 64.0
"""Differences of this many float roundings of the largest value are formatting, not steps."""
_FINEST_SHARE = 6
"""The step may be down to this share of the smallest difference seen (codes that never came)."""
_STEPS_APART = 10.5
"""Differences of more steps than this say nothing: an error of the step adds up over them."""
_LEAST_SHARE_KNOWN = 0.05
"""Share of the differences that must be that small: of unrounded noise next to none are."""
_ON_GRID_RMS, _ON_GRID_WORST = 0.1, 0.3
"""How far, in steps, differences may lie off whole steps: prints are rounded a second time."""
_LEAST_SAMPLES = 32
_LEAST_BLOCKS = 8
"""Blocks that the longest averaging time leaves: about ten degrees of freedom."""
_NORMAL_95, _NORMAL_99 = 1.644853627, 2.326347874
"""The 95 % and 99 % points of the normal distribution."""
_MOST_CORRELATED = 0.95


@dataclass(frozen=True)
class NoiseFigures:
    """What a record at rest tells about its noise, in the unit of the values and in seconds.

    `step` is the converter's, 0.0 where none can be told. `white_sd` is that of single samples,
    rounding included. `allan_deviation` (octaves,) stands at `averaging_time_s` (octaves,).
    `white_until_s` is the averaging time at which slow noise has added as much variance as white
    noise has left, so that the deviation no longer falls as one over the square root of time; None
    where that was not reached. `drift_per_root_s` is the random walk K that adds K^2 tau / 3 to
    the Allan variance. `n_eff` is the number of independent samples that the mean is worth, 1 to
    `samples`; `standard_uncertainty_of_mean` follows from it, undithered rounding included.
    """

    samples: int
    interval_s: float
    step: float
    white_sd: float
    averaging_time_s: FloatArray
    allan_deviation: FloatArray
    white_until_s: float | None
    drift_per_root_s: float
    n_eff: float
    standard_uncertainty_of_mean: float


def converter_step(values: ArrayLike) -> float:
    """Find the smallest step of the converter in `values` (samples,), 0.0 if none can be told.

    The largest step that all differences between neighbouring levels are whole multiples of,
    whether it was seen by itself or not, and whether or not the print rounded it once more
    (steps of 7.6 printed as 7 and 8). Without any value that came twice there is no telling.
    """
    levels = np.sort(np.asarray(values, dtype=float))
    apart = np.diff(levels)
    dust = _ROUNDING_EPS * np.finfo(float).eps * float(np.max(np.abs(levels), initial=0.0))
    apart = apart[apart > dust]
    if apart.size == 0 or apart.size >= levels.size - 1:
        return 0.0
    nearest = float(np.mean(apart[apart < 1.5 * apart.min()]))
    for share in range(1, _FINEST_SHARE + 1):
        step = nearest / share
        known = apart[apart < _STEPS_APART * step]
        if known.size < _LEAST_SHARE_KNOWN * apart.size:
            return 0.0
        for _ in range(2):
            steps = np.rint(known / step)
            step = float(steps @ known / (steps @ steps))
        off = known / step - np.rint(known / step)
        if math.sqrt(float(np.mean(off * off))) <= _ON_GRID_RMS and np.max(abs(off)) <= (
            _ON_GRID_WORST
        ):
            return step
    return 0.0


def white_sd(values: ArrayLike) -> float:
    """Compute the standard deviation of the white noise from sample to sample, >= 0.

    `values` (samples,) may drift, bend, jump and hold single wild samples. The noise is that of
    the samples as recorded, with the step^2/12 that rounding adds (Sheppard). From second
    differences, whose variance is six times that of white noise and which no straight trend
    enters, as a root mean square with what lies beyond 4.5 standard deviations left out: unlike a
    median, that stays right where the differences are a few whole steps. Needs three samples; 0.0
    with fewer.
    """
    bend = np.abs(np.diff(np.asarray(values, dtype=float), n=2))
    if bend.size == 0:
        return 0.0
    # One sample that came a code off leaves a bend of two steps: that is noise, never a spike.
    floor = 2.5 * converter_step(values)
    sd = float(np.quantile(bend, 0.6827))
    for _ in range(_CLIP_ROUNDS):
        kept = bend[bend <= max(_CLIP_SDS * sd, floor)]
        last, sd = sd, math.sqrt(float(np.mean(kept * kept))) if kept.size else 0.0
        if abs(sd - last) <= 1e-6 * sd:
            break
    return sd / math.sqrt(6.0)


def allan_deviation(values: ArrayLike, interval_s: float) -> tuple[FloatArray, FloatArray]:
    """Compute the overlapping Allan deviation of evenly spaced `values` (samples,).

    Returns the averaging times [s] in octaves, up to an eighth of the record, and the deviation at
    each (octaves,) in the unit of the values (NIST SP 1065, 5.2.4). Raises ValueError below 16
    samples.
    """
    level = np.asarray(values, dtype=float)
    if level.size < 2 * _LEAST_BLOCKS:
        raise ValueError(f"{level.size} samples are too few for an Allan deviation: give 16")
    total = np.concatenate([[0.0], np.cumsum(level - level.mean())])
    widths = _octaves(level.size)
    deviation = []
    for width in widths:
        means = (total[width:] - total[:-width]) / width
        change = means[width:] - means[:-width]
        deviation.append(math.sqrt(0.5 * float(np.mean(change * change))))
    return np.asarray(widths, dtype=float) * interval_s, np.asarray(deviation)


def characterise(time_s: ArrayLike, values: ArrayLike) -> NoiseFigures:
    """Describe the noise of a record at rest: `time_s` [s] and `values`, both (samples,).

    The samples are taken as evenly spaced at the median interval. Raises ValueError for fewer than
    32 samples, for arrays of different lengths and for times that do not rise.
    """
    times, level = np.asarray(time_s, dtype=float), np.asarray(values, dtype=float)
    if times.size != level.size:
        raise ValueError(f"{times.size} times do not belong to {level.size} values")
    if level.size < _LEAST_SAMPLES:
        raise ValueError(f"{level.size} samples are too few to tell noise: record {_LEAST_SAMPLES}")
    interval_s = float(np.median(np.diff(times)))
    if interval_s <= 0.0:
        raise ValueError("times do not rise: noise has no averaging time")
    step, sd = converter_step(level), white_sd(level)
    tau_s, deviation = allan_deviation(level, interval_s)
    variance_of_mean = _variance_of_mean(level)
    variance = float(np.var(level, ddof=1))
    n_eff = 1.0
    if variance_of_mean > 0.0:
        n_eff = min(max(variance / variance_of_mean, 1.0), float(level.size))
    return NoiseFigures(
        samples=level.size,
        interval_s=interval_s,
        step=step,
        white_sd=sd,
        averaging_time_s=tau_s,
        allan_deviation=deviation,
        white_until_s=_white_until(tau_s, deviation),
        drift_per_root_s=_random_walk(tau_s, deviation, level.size),
        n_eff=n_eff,
        standard_uncertainty_of_mean=math.sqrt(variance / n_eff + undithered_variance(step, sd)),
    )


def undithered_variance(step: float, sd: float) -> float:
    """Compute the variance that rounding to `step` leaves in a mean, however long.

    `sd` is that of the samples as recorded, rounding included. Noise of half a step or more
    dithers the rounding away; without noise step^2/12 is left (Widrow and Kollar, Quantization
    Noise: the first harmonic of the rounding error falls with exp(-2 pi^2 variance / step^2)).
    """
    if step <= 0.0:
        return 0.0
    rounding = step * step / 12.0
    before_rounding = max(sd * sd - rounding, 0.0)
    return rounding * math.exp(-2.0 * math.pi**2 * before_rounding / step**2)


def correlation_factor(residuals: ArrayLike, parameters: int) -> float:
    """Compute by how much correlated `residuals` (blocks,) raise the variances of a fit, >= 1.

    Residuals that resemble their neighbours (at 95 %, after adding the share that a fit of
    `parameters` takes) are worth fewer: (1 + r)/(1 - r) for a first correlation r, as for AR(1)
    noise.
    """
    off = np.asarray(residuals, dtype=float)
    square = float(off @ off)
    if square == 0.0:
        return 1.0
    neighbour = float(off[1:] @ off[:-1]) / square + parameters / off.size
    if neighbour <= _NORMAL_95 / math.sqrt(off.size):
        return 1.0
    neighbour = min(neighbour, _MOST_CORRELATED)
    return (1.0 + neighbour) / (1.0 - neighbour)


def _octaves(samples: int) -> list[int]:
    longest = samples // _LEAST_BLOCKS
    return [2**power for power in range(longest.bit_length())]


def _white_until(tau_s: FloatArray, deviation: FloatArray) -> float | None:
    if deviation[0] == 0.0:
        return None
    excess = deviation**2 * tau_s / (deviation[0] ** 2 * tau_s[0])
    above = np.flatnonzero(excess > 2.0)
    if above.size == 0:
        return None
    after = int(above[0])
    low, high = math.log(excess[after - 1]), math.log(excess[after])
    share = (math.log(2.0) - low) / (high - low)
    return float(tau_s[after - 1] * (tau_s[after] / tau_s[after - 1]) ** share)


def _random_walk(tau_s: FloatArray, deviation: FloatArray, samples: int) -> float:
    """Fit Allan variance = N^2/tau + K^2 tau/3 (IEEE Std 952, annex C); return K."""
    if deviation[0] == 0.0:
        return 0.0
    variance = deviation**2
    width = tau_s / tau_s[0]
    # Degrees of freedom of the overlapping estimate for white noise (NIST SP 1065, table 5).
    freedom = (1.5 * (samples - 1) / width - 2.0 * (samples - 2) / samples) * (
        4.0 * width**2 / (4.0 * width**2 + 5.0)
    )
    white, walk = 1.0 / tau_s, tau_s / 3.0
    model = variance
    squared = 0.0
    for _ in range(5):
        weight = freedom / model**2
        ww, kk = float(weight @ white**2), float(weight @ walk**2)
        wk = float(weight @ (white * walk))
        wy, ky = float(weight @ (white * variance)), float(weight @ (walk * variance))
        squared = max((ky * ww - wy * wk) / (kk * ww - wk * wk), 0.0)
        level = max((wy - squared * wk) / ww, 0.0)
        model = level * white + squared * walk
    return math.sqrt(squared)


def _variance_of_mean(level: FloatArray) -> float:
    """Compute the variance of the mean by blocking until neighbouring blocks no longer agree.

    Halving the record into ever longer blocks, the first length from which on no correlation is
    left at 99 % is used (Jonsson, Phys. Rev. E 98, 043304, 2018). What correlation of neighbours
    that test let pass is added (twice the lag-one covariance, freed of the mean's share).
    """
    means = level
    counts, variances, neighbours, terms = [], [], [], []
    while means.size >= 2:
        n = means.size
        off = means - means.mean()
        variance = float(off @ off) / n
        if variance == 0.0:
            break
        lag_one = float(off[1:] @ off[:-1]) / n
        neighbour = ((n - 1) * variance / n**2 + lag_one) / variance
        counts.append(n)
        variances.append(variance)
        neighbours.append(neighbour)
        terms.append(n * neighbour**2)
        means = 0.5 * (means[: n // 2 * 2 : 2] + means[1::2])
    for first, n in enumerate(counts):
        if math.fsum(terms[first:]) < _chi_square_99(len(terms) - first) or n <= 3:
            return variances[first] * (1.0 + 2.0 * max(neighbours[first], 0.0)) / (n - 1)
    return 0.0


def _chi_square_99(freedom: int) -> float:
    """Compute the 99 % point of chi-square (Wilson and Hilferty, 1931), within 1 %."""
    spread = 2.0 / (9.0 * freedom)
    return freedom * (1.0 - spread + _NORMAL_99 * math.sqrt(spread)) ** 3
