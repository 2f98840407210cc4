"""Own the faults of a recording as such: frozen, at the sensor's end, frames lost; never a jump."""

import numpy as np

from rig.analysis import noise
from rig.analysis.gas import FloatArray
from rig.analysis.hold import finding
from rig.records import Finding

_LOST_SHARE = 1.0 / 3.0
"""Share of a hold that may be lost before nothing can be said of it."""
_DITHERED = 0.55
"""Recorded noise in steps that half a step of noise and the rounding make; with less, a channel
repeats itself by right."""


def frozen_reading(
    t: FloatArray, held: FloatArray, start_vacuum_pa: float, ambient_pa: float
) -> list[Finding]:
    """Find a run of one repeated reading that the channel's own noise makes impossible.

    `t` [s] and `held` [Pa] (samples,) are those of the hold.
    """
    if held.size < 20:
        return []
    change = np.flatnonzero(np.diff(held) != 0.0)
    starts = np.concatenate([[0], change + 1])
    lengths = np.diff(np.append(starts, held.size))
    longest = int(np.argmax(lengths))
    length = int(lengths[longest])
    begin = int(starts[longest])
    end = begin + length - 1
    lasting = float(t[end] - t[begin])
    if np.ptp(held) == 0.0:
        return [finding("frozen", time_s=float(t[begin]), lasting_s=lasting)]
    # A converter that sees little noise repeats itself by right, here and there alike: a frozen
    # reading stands out against every other run but perhaps one more like it.
    others = np.sort(lengths)[::-1]
    usual = int(others[2]) if others.size > 2 else int(others[-1])
    moving = held.size - length
    if lengths.size < 8 or moving < 4 * usual or length < 4 * usual + 8 or lasting < 0.5:
        return []
    rest = np.concatenate([held[: starts[longest]], held[starts[longest] + length :]])
    step = noise.converter_step(rest)
    if step > 0.0 and noise.white_sd(rest) < _DITHERED * step:
        return []
    value = float(held[starts[longest]])
    if abs(ambient_pa - value) < 0.02 * ambient_pa:
        return []
    at_extreme = value <= float(np.min(held)) and end < held.size - 1
    if at_extreme and (ambient_pa - value) > 0.9 * start_vacuum_pa:
        return [finding("sensor_at_end", time_s=float(t[begin]), pressure_pa=value)]
    return [finding("frozen", time_s=float(t[begin]), lasting_s=lasting)]


def lost_frames(held: FloatArray) -> tuple[list[Finding], list[Finding]]:
    """Find gaps in the times [s] of a hold: findings that spoil it, and such that do not."""
    if held.size < 3:
        return [], []
    intervals = np.diff(held)
    usual = float(np.median(intervals))
    gaps = np.flatnonzero(intervals > max(5.0 * usual, 0.3))
    if not gaps.size:
        return [], []
    lost = float(np.sum(intervals[gaps] - usual))
    worst = int(gaps[np.argmax(intervals[gaps])])
    found = {"time_s": float(held[worst]), "lasting_s": float(intervals[worst])}
    if lost > _LOST_SHARE * float(held[-1] - held[0]):
        return [finding("frames_lost", **found)], []
    return [], [finding("frames_lost_tolerated", **found)]
