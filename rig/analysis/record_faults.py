"""Own the faults of a recording as such: frozen, at the sensor's end, frames lost; never a jump."""

import math
from dataclasses import dataclass

import numpy as np

from rig.analysis import noise
from rig.analysis.blocks import running_median
from rig.analysis.hold import finding
from rig.arrays import FloatArray
from rig.records import Finding

_LOST_SHARE = 1.0 / 3.0
"""Share of a hold that may be lost before nothing can be said of it."""
_IMPOSSIBLE = 1e-6
"""Probability below which noise cannot have left a reading unchanged."""
_LEAST_STUCK_S = 1.0
_AT_AMBIENT = 0.02
_FIRST_S, _CUT_OFF_SHARE = 1.5, 0.3
_MOSTLY, _RETURNS = 0.9, 4


@dataclass(frozen=True)
class _Runs:
    """Runs of one repeated reading: index of each one's first sample, and lengths."""

    starts: np.ndarray
    lengths: np.ndarray


def _runs(values: FloatArray) -> _Runs:
    starts = np.concatenate([[0], np.flatnonzero(np.diff(values) != 0.0) + 1])
    return _Runs(starts, np.diff(np.append(starts, values.size)))


def stuck_reading(
    t: FloatArray, held: FloatArray, step_pa: float, ambient_pa: float, *, quiet: bool = False
) -> list[Finding]:
    """Find a reading that stopped following the pressure: at the sensor's end, or frozen.

    `t` [s] and `held` [Pa] (samples,) are those of the hold, `step_pa` the converter's step. A
    vacuum that has gone to ambient stands still there by right, and a `quiet` sensor anywhere.
    """
    under = held < ambient_pa - _AT_AMBIENT * ambient_pa
    t, held = t[under], held[under]
    if held.size < 20:
        return []
    if _cut_off(t, held, step_pa):
        return [finding("sensor_at_end", time_s=float(t[0]), pressure_pa=float(np.min(held)))]
    return _at_the_end(t, held) or ([] if quiet else _frozen(t, held, step_pa))


def _cut_off(t: FloatArray, held: FloatArray, step_pa: float) -> bool:
    """Tell whether readings stray to one side only of a lowest value that many of them have.

    They must come back to it again and again: a course that leaves it for good is none of it.
    """
    if step_pa <= 0.0:
        return False
    at_lowest = held == np.min(held)
    above = held > np.min(held) + 2.5 * step_pa
    first = t < t[0] + _FIRST_S
    returns = np.flatnonzero(at_lowest[1:] & above[:-1])
    if np.mean(at_lowest) >= _MOSTLY:
        return returns.size >= _RETURNS
    returns_soon = int(np.count_nonzero(returns < np.count_nonzero(first)))
    return returns_soon >= _RETURNS and float(np.mean(at_lowest[first])) >= _CUT_OFF_SHARE


def _climbs(t: FloatArray, held: FloatArray) -> FloatArray:
    """Find the times at which the reading first stood higher than ever before, noise apart."""
    highest = np.maximum.accumulate(running_median(held))
    return t[1:][np.diff(highest) > 0.0]


def _at_the_end(t: FloatArray, held: FloatArray) -> list[Finding]:
    """Find a first reading, the lowest, that stands longer than the climb over the next three.

    Leak and settling are fastest at once, so the first reading is left among the soonest.
    """
    climbs = _climbs(t, held)
    if climbs.size < 4 or running_median(held)[0] > np.min(held):
        return []
    lasting, following = climbs[0] - t[0], climbs[3] - climbs[0]
    same = float(np.mean(held[t < climbs[0]] == held[0]))
    if lasting < _LEAST_STUCK_S or lasting < following or same < 0.5:
        return []
    return [finding("sensor_at_end", time_s=float(t[0]), pressure_pa=float(held[0]))]


def _frozen(t: FloatArray, held: FloatArray, step_pa: float) -> list[Finding]:
    """Find a run of one reading that the channel's noise, or the course before it, rules out."""
    runs = _runs(held)
    longest = int(np.argmax(runs.lengths))
    length = int(runs.lengths[longest])
    begin = int(runs.starts[longest])
    lasting = float(t[begin + length - 1] - t[begin])
    frozen = [finding("frozen", time_s=float(t[begin]), lasting_s=lasting)]
    if np.ptp(held) == 0.0:
        return frozen
    if lasting < _LEAST_STUCK_S:
        return []
    rest = np.concatenate([held[:begin], held[begin + length :]])
    if rest.size < 20:
        return []
    if step_pa <= 0.0 or _shows_noise(rest, step_pa):
        return frozen if _by_noise(rest, step_pa, length) else []
    return frozen if _by_course(t, held, begin, lasting) else []


def _shows_noise(rest: FloatArray, step_pa: float) -> bool:
    """Tell whether single samples stray by two steps: noise of a good third of a step does that.

    A quieter channel flickers between two readings here and stands still there, by right.
    """
    steps = np.abs(np.diff(rest)) / step_pa
    return int(np.count_nonzero((steps > 1.5) & (steps < 6.5))) >= 3


def _by_noise(rest: FloatArray, step_pa: float, length: int) -> bool:
    sd = noise.white_sd(rest)
    if step_pa <= 0.0:
        return sd > 0.0
    # Over all places between two steps the recorded variance is 0.564 step times the sd.
    sd = min(sd, sd * sd / (0.564 * step_pa))
    leaves = math.erfc(step_pa / (2.0 * sd) / math.sqrt(2.0)) if sd > 0.0 else 0.0
    # Likeliest to stay is a pressure in the middle of a step; a run may begin at any sample.
    stays = max(1.0 - leaves, 1e-9)
    return length * math.log(stays) < math.log(_IMPOSSIBLE / rest.size)


def _by_course(t: FloatArray, held: FloatArray, begin: int, lasting_s: float) -> bool:
    """Tell whether the pressure went on step by step and then stopped at once.

    A settling slackens from step to step before it stops; a leak does not stop.
    """
    if begin < 20:
        return False
    climbs = _climbs(t[:begin], held[:begin])
    if climbs.size < 6:
        return False
    intervals = np.diff(climbs[-6:])
    usual = float(np.median(intervals))
    even = float(np.max(intervals)) < 1.6 * usual and float(np.min(intervals)) > 0.4 * usual
    return even and lasting_s > 6.0 * usual


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
