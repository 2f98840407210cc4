"""Own the reduction of raw samples to block means with wild samples left out; never skip a sample.

Averaging blocks loses nothing where picking samples loses a factor (a mean of n samples carries n
samples' information). Blocks are short while the pressure still settles and longer afterwards.
"""

from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray

_WINDOW = 11
"""Samples in the running median that a wild sample is compared with."""
_WILD_SDS = 6.0
_LEAST_WILD_PA = 5.0
_FIRST_BLOCK_S = 0.1
_GROWTH = 1.07
_LEAST_BLOCKS = 60
"""Blocks that a long hold has at least: the widest block is that share of it."""


@dataclass(frozen=True)
class Blocks:
    """Block means of a curve, one entry a block.

    `half_width_s` is half the width of the even spread with the variance of the block's times.
    """

    time_s: FloatArray
    pressure_pa: FloatArray
    count: FloatArray
    half_width_s: FloatArray


def running_median(values: FloatArray, window: int = _WINDOW) -> FloatArray:
    """Compute the running median over an odd `window`, ends padded by their nearest samples."""
    half = window // 2
    if values.size <= window:
        return np.full_like(values, float(np.median(values)))
    inner = np.median(np.lib.stride_tricks.sliding_window_view(values, window), axis=1)
    return np.concatenate([np.full(half, inner[0]), inner, np.full(half, inner[-1])])


def wild_samples(pressure_pa: FloatArray, white_sd_pa: float, step_pa: float) -> np.ndarray:
    """Find samples that stand far off their neighbours: a boolean array, one entry a sample.

    A sample is wild when it is more than six standard deviations of the noise, and more than
    three converter steps, off the running median, after allowing for the local slope.
    """
    if pressure_pa.size <= _WINDOW:
        return np.zeros(pressure_pa.size, dtype=bool)
    median = running_median(pressure_pa)
    half = _WINDOW // 2
    run = np.zeros_like(median)
    run[half:-half] = np.abs(median[2 * half :] - median[: -2 * half])
    run[:half], run[-half:] = run[half], run[-half - 1]
    # At the ends carry on the line through the nearest full windows, and allow twice its run: a
    # settling is steepest there.
    steps = np.arange(half, 0, -1)
    median[:half] -= (median[2 * half] - median[half]) * steps / half
    median[-half:] += (median[-half - 1] - median[-2 * half - 1]) * steps[::-1] / half
    run[:half] *= 2.0
    run[-half:] *= 2.0
    allowed = np.maximum(np.maximum(_WILD_SDS * white_sd_pa, 3.0 * step_pa), _LEAST_WILD_PA) + run
    wild: np.ndarray = np.abs(pressure_pa - median) > allowed
    # Several at the very end may be the beginning of something: they are all there is of it.
    tail = int(np.argmin(wild[::-1])) if not wild.all() else wild.size
    if tail > 1:
        wild[-tail:] = False
    return wild


def block_edges(time_s: FloatArray) -> np.ndarray:
    """Choose blocks for rising `time_s`: the index of each block's first sample."""
    start, end = float(time_s[0]), float(time_s[-1])
    duration = end - start
    widest = max(duration / _LEAST_BLOCKS, _FIRST_BLOCK_S)
    edges = [0.0]
    width = min(_FIRST_BLOCK_S, widest)
    while edges[-1] < duration:
        edges.append(edges[-1] + width)
        width = min(width * _GROWTH, widest)
    first = np.searchsorted(time_s - start, np.asarray(edges[:-1]), side="left")
    first = np.unique(first)
    return first[first < time_s.size]


def average(time_s: FloatArray, pressure_pa: FloatArray) -> Blocks:
    """Average samples (already free of wild ones) over blocks."""
    first = block_edges(time_s)
    count = np.diff(np.append(first, time_s.size)).astype(float)
    mean_s = np.add.reduceat(time_s, first) / count
    block = np.repeat(np.arange(first.size), count.astype(int))
    variance = np.add.reduceat((time_s - mean_s[block]) ** 2, first) / count
    pressure = np.add.reduceat(pressure_pa, first) / count
    return Blocks(mean_s, pressure, count, np.sqrt(3.0 * variance))
