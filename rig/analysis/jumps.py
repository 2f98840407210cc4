"""Own the finding of jumps in a hold, and the pieces that they split it into; never a verdict."""

from dataclasses import dataclass

import numpy as np

from rig.analysis.hold import finding
from rig.arrays import FloatArray
from rig.records import Finding

_WINDOW_S = 0.25
_RESETTLED = 10
"""Windows after a jump before the slope is compared with that before it."""


@dataclass(frozen=True)
class Jump:
    """A jump at a time of the record, by a step; `grew` where the slope stayed greater after it."""

    time_s: float
    step_pa: float
    grew: bool


def find_jumps(t: FloatArray, p: FloatArray, jitter_pa: float) -> list[Jump]:
    """Find where the pressure steps, or its slope grows at once: no leak and no settling does.

    `t` [s] and `p` [Pa] (samples,) are those of the hold, wild samples left out; `jitter_pa` the
    standard deviation of a sample.
    """
    if t.size < 24:
        return []
    usual = float(np.median(np.diff(t)))
    if usual <= 0.0:
        return []
    size = max(round(_WINDOW_S / usual), 3)
    count = t.size // size
    if count < 8:
        return []
    times = t[: count * size].reshape(count, size).mean(axis=1)
    levels = np.median(p[: count * size].reshape(count, size), axis=1)
    level_sd = 1.25 * jitter_pa / np.sqrt(size)
    rise = np.diff(levels) / np.diff(times)
    found: list[Jump] = []
    k = 4
    while k < rise.size:
        span = float(times[k + 1] - times[k])
        if span > 2.0 * size * usual:
            # Readings are missing in between: what comes after has no neighbours before.
            k += 5
            continue
        before = rise[max(0, k - 6) : k]
        usual_rise = float(np.median(before))
        scatter = 1.4826 * float(np.median(np.abs(before - usual_rise)))
        slack = 8.0 * level_sd * 1.5 / span + 4.0 * scatter + 0.6 * abs(usual_rise) + 60.0
        departs = float(rise[k]) - usual_rise
        if abs(departs) > slack:
            later = min(k + 4, levels.size - 1)
            step = float(levels[later] - levels[k] - usual_rise * (times[later] - times[k]))
            # A burst of wild samples comes back to the course; a jump does not.
            if abs(step) > 0.3 * abs(departs) * span:
                sd = 1.5 * level_sd / span + scatter
                found.append(Jump(float(times[k] + 0.5 * span), step, _grew(rise, k, sd)))
                k += 4
        k += 1
    return found


def _grew(rise: FloatArray, at: int, sd: float) -> bool:
    """Tell whether the slope stays greater than before once the jump has settled."""
    later = rise[at + _RESETTLED : at + _RESETTLED + 16]
    if later.size < 4:
        later = rise[at + 2 :]
    if later.size < 3:
        return False
    before = float(np.median(rise[max(0, at - 6) : at]))
    grown = float(np.median(later)) - before
    return bool(grown > 4.0 * sd / np.sqrt(later.size) + 0.5 * abs(before) + 20.0)


def longest_piece(
    t: FloatArray, p: FloatArray, bounds: tuple[int, int], jumps: list[Jump]
) -> tuple[int, int, list[Finding]]:
    """Choose the longest piece between jumps in which the reading moves.

    `bounds` are the first and stop index of the hold. Returns those of the piece, and notes of the
    split; an empty piece where the reading moves in none.
    """
    first, stop = bounds
    marks = [float(t[first])]
    for jump in jumps:
        marks += [jump.time_s - 1.5 * _WINDOW_S, jump.time_s + 3.0 * _WINDOW_S]
    marks.append(float(t[stop - 1]))
    pieces = [(marks[i], marks[i + 1]) for i in range(0, len(marks), 2)]
    lower, upper = first, first
    begin = end = float(t[first])
    for piece in sorted(pieces, key=lambda piece: piece[0] - piece[1]):
        low = max(first, int(np.searchsorted(t, piece[0], side="left")))
        high = min(stop, int(np.searchsorted(t, piece[1], side="right")))
        if high > low and np.ptp(p[low:high]) > 0.0:
            (lower, upper), (begin, end) = (low, high), piece
            break
    notes = [
        finding("jump_split", time_s=jump.time_s, step_pa=jump.step_pa, first_s=begin, last_s=end)
        for jump in jumps[:3]
    ]
    return lower, upper, notes
